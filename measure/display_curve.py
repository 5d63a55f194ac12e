"""The curve by which a film shows attenuation, undone: straight, or sigmoid (DICOM PS3.3 C.11.2.1.3).

Films do not say which, so what is measured is fitted by both. A curve is the share of a sigmoid that the
film's range leaves off at either end; with nearly half of it left off, the rest is straight.
"""

from __future__ import annotations

import numpy as np
from scipy.special import expit, logit

from measure.lines import Array

STRAIGHT, SIGMOID = 0.499, 0.055


def undone(density: Array | float, curve: float) -> Array:
    """Attenuation of densities, in units in which the curve's middle has a slope of 1."""
    whole = 1.0 - 2.0 * curve
    return np.asarray(logit(curve + whole * np.asarray(density)) / (4.0 * whole))


def shown(signal: Array, curve: float) -> Array:
    """Densities of attenuation, as `undone` undoes them."""
    whole = 1.0 - 2.0 * curve
    return np.asarray((expit(4.0 * whole * signal) - curve) / whole)


def steepness(signal: Array, curve: float) -> Array:
    """Slope of the curve, density per attenuation, at attenuations in units of `undone`."""
    share = expit(4.0 * (1.0 - 2.0 * curve) * signal)
    return np.asarray(4.0 * share * (1.0 - share))
