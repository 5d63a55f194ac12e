"""The profile that pins are fitted by, against that of a projected cylinder."""

from __future__ import annotations

import numpy as np
import pytest

from measure.pin_fit import bars_seen

ACROSS = np.arange(-12.0, 12.01, 0.05)
RADIUS, STRENGTH = 5.0, 2.2


def seen(blur: float = 0.0, scatter: float = 0.0, centres: tuple[float, ...] = (0.0,)) -> np.ndarray:
    places = np.array(centres)[:, None]
    return bars_seen(ACROSS, places, RADIUS, blur, scatter, STRENGTH)[0]


def chord(offset: float = 0.0, radius: float = RADIUS) -> np.ndarray:
    """Chord of a circle (2 sqrt(r^2 - x^2), school geometry), in diameters, times the strength."""
    return STRENGTH * np.sqrt(np.clip(radius**2 - (ACROSS - offset) ** 2, 0.0, None)) / RADIUS


def test_a_sharp_bar_is_its_chord() -> None:
    """Without blur and scatter the density is the path through the cylinder; one 2 % wider is told apart."""
    inside = np.abs(np.abs(ACROSS) - RADIUS) > 0.3  # the kernel is never narrower than a quarter sample
    np.testing.assert_allclose(seen()[inside], chord()[inside], atol=0.01)
    assert np.abs(seen()[inside] - chord(radius=1.02 * RADIUS)[inside]).max() > 0.02


def test_paths_add_where_bars_overlap() -> None:
    """Two bars that cross weaken the beam by both paths, which is not the sum of two blurred profiles."""
    both = chord(-2.0) + chord(2.0)
    inside = np.abs(np.abs(ACROSS)[:, None] - [3.0, 7.0]).min(axis=1) > 0.3
    np.testing.assert_allclose(seen(centres=(-2.0, 2.0))[inside], both[inside], atol=0.01)


@pytest.mark.parametrize("blur", [0.5, 1.5])
def test_blur_keeps_the_light_let_through(blur: float) -> None:
    """A detector's blur spreads what is left of the beam and loses none of it."""
    step = ACROSS[1] - ACROSS[0]
    sharp, blurred = (float((1.0 - np.exp(-seen(width))).sum() * step) for width in (0.0, blur))
    assert blurred == pytest.approx(sharp, rel=2e-3)
    assert float(seen(blur).sum()) != pytest.approx(float(seen().sum()), rel=2e-3)  # densities do not keep
