"""The profile that pins are fitted by, against a projected cylinder; the fit, against scipy's."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.optimize import least_squares

from measure.pin_fit import BarFit, bars_seen, fit_bars, mean_path
from measure.strip import Strip

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


LINES = np.array([[-3.0, 0.004], [2.5, -0.006]])  # across at the pivot, and slope
WIDE, BLUR, SCATTER, LENGTH = 9.0, 1.2, 0.3, 300.0  # pixels, but for the scatter
MM = 1.6 / WIDE


def two_bars(noise: float) -> Strip:
    """Draw two bars that cross, on a sloping background."""
    along, across = np.arange(4.0, LENGTH, 8.0), np.arange(-24.0, 25.0)
    centres = LINES[:, :1] + LINES[:, 1:] * (along - LENGTH / 2)
    values = 0.2 * bars_seen(across, centres, WIDE / 2, BLUR, SCATTER, 1.4 * WIDE * MM) + 0.002 * across + 0.3
    values += np.random.default_rng(3).normal(0.0, noise, values.shape)
    return Strip(values.astype(np.float32), np.zeros(2), np.array([1.0, 0.0]), 8.0, along, across)


def fitted(strip: Strip, off: float = 0.3) -> BarFit:
    start = LINES + np.array([[off, 0.003], [-off, 0.002]])
    fit = fit_bars(strip, start, LENGTH / 2, [(-50.0, 350.0)] * 2, WIDE, MM, rounds=1)
    assert fit is not None
    return fit


def test_two_bars_are_found_again() -> None:
    """Lines, radius, blur and scatter of what was drawn; one bar in their middle is told from them."""
    fit = fitted(two_bars(0.0005))
    np.testing.assert_allclose(fit.lines, LINES, atol=0.03)
    assert fit.radius == pytest.approx(WIDE / 2, rel=0.01)
    assert fit.blur == pytest.approx(BLUR, rel=0.1)
    assert fit.typical < 0.1 * fitted_alone().typical


def test_a_poor_start_still_finds_the_lines() -> None:
    """Half a width off, where the scatter runs to its limit: the lines are near; stuck, they are 1 off."""
    fit = fitted(two_bars(0.0005), 1.5)
    np.testing.assert_allclose(fit.lines[:, 0], LINES[:, 0], atol=0.3)


def fitted_alone() -> BarFit:
    fit = fit_bars(two_bars(0.0005), LINES[:1], LENGTH / 2, [(-50.0, 350.0)], WIDE, MM, rounds=1)
    assert fit is not None
    return fit


def test_the_fit_is_as_good_as_scipys() -> None:
    """Outside check: scipy's least_squares, on the same bars, comes to the same lines and leaves no less."""
    strip = two_bars(0.003)
    fit = fitted(strip)
    near = np.abs(strip.across - fit.at(strip.along)[..., None]).min(axis=0) < 1.35 * WIDE

    def left(free: np.ndarray) -> np.ndarray:
        centres = free[:4].reshape(2, 2)
        places = centres[:, :1] + centres[:, 1:] * (strip.along - LENGTH / 2)
        radius, blur, scatter = (float(part) for part in np.exp(free[4:]))
        shape = bars_seen(strip.across, places, radius, blur, scatter, 1.4 * WIDE * MM)
        rest = []
        for seen_at, value, at in zip(shape, strip.values, near, strict=True):
            base = np.stack([seen_at, np.ones_like(seen_at), strip.across], axis=1)[at]
            rest.append(value[at] - base @ np.linalg.lstsq(base, value[at], rcond=None)[0])
        return np.concatenate(rest)

    ours = np.concatenate([fit.lines.ravel(), np.log([fit.radius, fit.blur, fit.scatter])])
    theirs = least_squares(left, ours, x_scale=[1.0, 0.01, 1.0, 0.01, 0.05, 0.3, 0.5], max_nfev=30).x
    np.testing.assert_allclose(fit.lines, theirs[:4].reshape(2, 2), atol=0.02)
    assert float(np.sum(left(ours) ** 2)) < 1.003 * float(np.sum(left(theirs) ** 2))
    moved = ours + 0.3 * np.eye(7)[0]
    assert float(np.sum(left(moved) ** 2)) > 1.003 * float(np.sum(left(theirs) ** 2))


@pytest.mark.parametrize("shift", [0.0, 0.3, 0.5])
def test_samples_are_means(shift: float) -> None:
    """Each sample is the mean chord over its width (of fine steps here); chords at the middles are not."""
    coarse = np.arange(-8.0, 8.5) + shift
    fine = np.linspace(-0.5, 0.5, 401)
    fine = (fine[1:] + fine[:-1]) / 2.0
    chords = np.sqrt(np.clip(1.0 - ((coarse[:, None] + fine) / RADIUS) ** 2, 0.0, None)).mean(axis=1)
    at_middles = np.sqrt(np.clip(1.0 - (coarse / RADIUS) ** 2, 0.0, None))
    found = mean_path(coarse, np.zeros((1, 1)), RADIUS)[0]
    np.testing.assert_allclose(found, chords, atol=1e-4)
    assert np.abs(at_middles - chords).max() > 0.01
