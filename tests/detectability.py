"""How well a phantom film tells its broken wire from the same wire whole, at the very best: d'.

For a signal known exactly, in Gaussian noise, the ideal observer's detectability is
d' = sqrt(sum((a - b)^2 / sigma^2)) over the film's pixels, a and b the grey levels without noise if the wire
is broken or whole (ICRU Report 54, 1996, Medical Imaging: The Assessment of Image Quality; Barrett and Myers,
Foundations of Image Science, 2004, chapter 13; both from memory). Display curve, clipping and rounding are in
a and b. The detector's blur correlates the noise of neighbours; for what is wider than the blur, as a wire
is, that has the same effect as noise of the variance before the blur without correlation, which is taken.

The observer knows both films. To tell a break from how else limbs, pins and cortices could lie takes more, so
a break of a d' of a few is not held by its film, while one of a great d' need not be plain.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from measure import phantom, phantom_film
from measure.phantom import Case

Array = NDArray[np.float64]
STEP = 1e-3  # of -log(signal), for the display curve's slope


def detectability(one: Array, other: Array, variance: Array) -> float:
    """Find d' of one picture against another (...) in Gaussian noise of a variance (...)."""
    return float(np.sqrt(np.sum((one - other) ** 2 / variance)))


def break_detectability(case: Case) -> float:
    """Find d' of the break in a case's wire on its film."""
    wire = case.fixation.wire
    if wire is None or not wire.break_length:
        raise ValueError("The case's wire is whole or there is none. Give a case with a broken wire.")
    bodies = [*phantom_film.ulna_bodies(case), *phantom_film.other_bodies(case)]
    tissue = np.sum([phantom_film.absorption(body, case) for body in bodies], axis=0)
    whole = replace(case, fixation=replace(case.fixation, wire=replace(wire, break_length=0.0)))
    metal = phantom_film.metal_transmission(phantom.metal(case), case)
    arriving = _arriving(metal, tissue, case)
    least, _, greatest = phantom_film._ranges(arriving, metal, case)
    films = [arriving, _arriving(phantom_film.metal_transmission(phantom.metal(whole), case), tissue, case)]
    broken, unbroken = (_grey(one, case, least, greatest) for one in films)
    return detectability(broken[0], unbroken[0], np.maximum(broken[1], unbroken[1]))


def _arriving(metal: Array, tissue: Array, case: Case) -> Array:
    """Tell what reaches the detector (rows, cols), share of the open beam, through metal and tissue."""
    primary = np.exp(-tissue) * metal * phantom_film._collimated(case)
    return np.asarray(primary + phantom_film._scattered(primary, case, tissue))


def _grey(arriving: Array, case: Case, least: float, greatest: float) -> tuple[Array, Array]:
    """Grey levels (rows, cols) without noise, as stored, and the variance of noise and rounding in them."""
    seen = phantom_film.detected(arriving, case, None)
    level = -np.log(seen)
    shown, above, below = (
        phantom_film.TOP * phantom_film._shades(level + step, least, greatest, case)
        for step in (0.0, STEP, -STEP)
    )
    photons = case.exposure.photons
    noise = (arriving / photons + 1.0 / photons**2) / seen**2
    return np.round(shown), np.asarray(((above - below) / (2.0 * STEP)) ** 2 * noise + 1.0 / 12.0)
