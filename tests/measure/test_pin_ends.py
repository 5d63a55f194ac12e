"""Where a pin ends: whose end is whose, where a cortex goes on, and a tip's share."""

from __future__ import annotations

import itertools

import numpy as np
import pytest

from measure.pin_ends import _cut_back, _outermost, tip_share

PLACES = np.arange(0.0, 120.0, 0.25)


def costs(lengths: tuple[int, int], told: float) -> dict[tuple[bool, ...], np.ndarray]:
    """Cost of each state of two bars at 30 stations; `told`: how far one alone is told from the other."""
    steps = np.arange(30)
    there = [steps < length for length in lengths]
    found = {}
    for state in itertools.product((False, True), repeat=2):
        wrong = [(np.array(seen) != one).astype(float) for seen, one in zip(state, there, strict=True)]
        alike = (wrong[0] > 0) & (wrong[1] > 0) & (state[0] != state[1])
        found[state] = np.where(alike, told, np.minimum(wrong[0] + wrong[1], 1.0))
    return found


@pytest.mark.parametrize(
    ("lengths", "told", "sure"), [((20, 12), 1.0, True), ((20, 12), 0.05, False), ((15, 15), 0.0, True)]
)
def test_whose_end_is_whose(lengths: tuple[int, int], told: float, sure: bool) -> None:
    """Both ends are found; they are not sure where the bars could as well be exchanged."""
    found, told_apart = _outermost(costs(lengths, told))
    assert found == list(lengths)
    assert told_apart is sure


@pytest.mark.parametrize(("beyond", "end"), [(0.3, 80.0), (0.8, 110.0)])
@pytest.mark.parametrize("turned", [False, True])
def test_a_cortex_that_goes_on_is_cut_off(beyond: float, end: float, turned: bool) -> None:
    """A run ends where it falls to less than half for long; a weaker pin over brighter bone goes on."""
    share = np.where((PLACES > 10.0) & (PLACES < 80.0), 1.0, beyond)
    if turned:
        low, high = _cut_back(PLACES, share[::-1].copy(), 120.0 - 110.0, 110.0, 1.0)
        assert (low, high) == pytest.approx((120.0 - end, 110.0), abs=0.5)
    else:
        assert _cut_back(PLACES, share, 10.0, 110.0, 1.0) == pytest.approx((10.0, end), abs=0.5)


@pytest.mark.parametrize(("shape", "full"), [("round", 1.0), ("trocar", 3.5)])
def test_a_tip_grows_to_the_full_section(shape: str, full: float) -> None:
    """Nothing before the tip; the full section a radius behind a round one, 3.5 behind a trocar's.

    A facet at 16 degrees to the axis reaches the surface 1 / tan(16 degrees) = 3.49 radii behind the tip.
    """
    assert tip_share(np.array([-1.0, 0.0]), shape) == pytest.approx([0.0, 0.0], abs=1e-9)
    assert tip_share(np.array([full]), shape) == pytest.approx([1.0], abs=1e-3)
    assert tip_share(np.array([0.5 * full]), shape)[0] < 0.99
