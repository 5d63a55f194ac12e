"""The ideal observer's d' of a break: against its closed form, and against an observer that is simulated.

Outside: in a forced choice between two pictures an ideal observer is right in a share Phi(d' / sqrt(2)) of
trials (Green and Swets, Signal Detection Theory and Psychophysics, 1966; from memory).
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from detectability import break_detectability, detectability
from scipy.stats import norm

from measure import phantom


def test_closed_form() -> None:
    """A square of 25 pixels, 0.4 brighter in noise of 2: d' = 0.4 * 5 / 2."""
    one = np.zeros((20, 20))
    other = one.copy()
    other[5:10, 5:10] = 0.4
    assert detectability(one, other, np.full(one.shape, 4.0)) == pytest.approx(1.0)


def test_a_simulated_observer() -> None:
    """Its share of right choices is Phi(d' / sqrt(2)); that of a d' a third greater is not."""
    rng = np.random.default_rng(5)
    other, deviation = rng.uniform(0.0, 0.4, (8, 8)), rng.uniform(0.5, 2.0, (8, 8))
    expected = detectability(np.zeros((8, 8)), other, deviation**2)
    without, with_it = (rng.normal(mean, deviation, (20_000, 8, 8)) for mean in (0.0, other))
    score = other / deviation**2
    right = float(np.mean(np.sum(with_it * score, axis=(1, 2)) > np.sum(without * score, axis=(1, 2))))
    assert right == pytest.approx(norm.cdf(expected / np.sqrt(2.0)), abs=0.01)
    assert right != pytest.approx(norm.cdf(expected * 4.0 / 3.0 / np.sqrt(2.0)), abs=0.01)


def test_a_break_on_films() -> None:
    """A quarter of the photons halves it, at least; a whole wire has none and is refused."""
    rng = np.random.default_rng(710_000)
    case = phantom.random_case(
        rng, phantom.random_pose(rng, "ap", pitch=(0.3, 0.3)), broken=True, marked=False
    )
    exposure = replace(case.exposure, saturated=False, photons=4000.0, curve="log")
    clear, poor = (
        break_detectability(replace(case, exposure=replace(exposure, photons=photons)))
        for photons in (4000.0, 1000.0)
    )
    assert clear > 10.0
    assert 0.35 < poor / clear < 0.55
    wire = replace(case.fixation.wire, break_length=0.0)
    with pytest.raises(ValueError, match="whole"):
        break_detectability(replace(case, fixation=replace(case.fixation, wire=wire)))
