"""The film's metal against what we did not write.

* A pin's profile and a wire's width: a circle's chord and Beer and Lambert's law, integrated by scipy.
* Pins' axes: scikit-image's straight and probabilistic Hough transforms and OpenCV's line segment detector.
* The ball: scikit-image's circle fitted to its half-height contour.
* Cramér and Rao's bound: the place of a spot on a camera (Thompson, Larson & Webb, Biophys J 2002;82:2775,
  eq. 13 without background; from memory) and of a blurred step in white noise (worked out by hand).
* Photographs of scikit-image and slices of pydicom: no ball, wire or scale (no pins: measure/test_metal).

Films are rendered with seeds that set no limit. Each check is shown to reject a wrong answer.
"""

from __future__ import annotations

import functools
from dataclasses import replace

import cv2
import numpy as np
import pytest
from cramer_rao import bound, fair_bound
from metal_films import photographs, rendered, slices
from scipy.integrate import quad
from scipy.ndimage import gaussian_filter, map_coordinates
from scipy.stats import linregress, norm
from skimage.feature import canny
from skimage.measure import CircleModel, find_contours
from skimage.transform import hough_line, hough_line_peaks, probabilistic_hough_line
from validation_metal import true_pins

from measure import phantom
from measure.display_curve import SIGMOID, STRAIGHT, shown, undone
from measure.marker import _Edge, find_marker
from measure.pin_profile import Stations, beam_left, fit_profile
from measure.pin_width import pin_input
from measure.pins import Pin, find_pins
from measure.prepare import Prepared, prepare, upright
from measure.wire import find_wire

AP = 700_001  # an AP film, whose pins lie apart
BALL = 700_000
Ends = tuple[np.ndarray, np.ndarray]


# --- A pin's profile ---


def blurred_by_scipy(place: float, radius: float, blur: float, strength: float) -> float:
    """Share of the beam that a cylinder leaves, blurred by a Gaussian, by quadrature."""

    def lost(x: float) -> float:
        path = np.sqrt(max(1.0 - (x / radius) ** 2, 0.0))
        return float((1.0 - np.exp(-strength * path)) * norm.pdf(x, place, blur))

    near = sorted({-radius, float(np.clip(place, -radius, radius)), radius})
    return 1.0 - quad(lost, -radius, radius, points=near, epsabs=1e-8, limit=200)[0]


@pytest.mark.parametrize("shift", [0.0, 0.3])
def test_what_a_pin_leaves_of_the_beam(shift: float) -> None:
    """Within 0.3 % of the beam, wherever its edge lies between samples; a radius 1 % wider is told apart."""
    across = np.arange(-10.0, 11.0)
    seen = beam_left(across, np.array([[shift]]), 5.2, 1.0, 2.2)[0]
    exact = [blurred_by_scipy(place - shift, 5.2, 1.0, 2.2) for place in across]
    np.testing.assert_allclose(seen, exact, atol=0.003)
    wider = beam_left(across, np.array([[shift]]), 5.25, 1.0, 2.2)[0]
    assert np.abs(wider - exact).max() > 0.005


WIRE_STRENGTH = 1.4  # of 1 mm of steel, as `measure` takes it


def straight_wire(radius: float, blur: float, scatter: float, radius_px: float, tilt: float) -> Stations:
    """Film a straight wire by the chord and quadrature above: -log of beam and scatter, smoothly uneven."""
    across, along = np.arange(-14.0, 15.0), np.arange(0.0, 60.0, 2.0)
    left = np.array([blurred_by_scipy(float(place), radius, blur, WIRE_STRENGTH) for place in across + tilt])
    tissue = 0.8 + 0.004 * along[:, None] + 0.003 * across
    signal = -np.log(np.exp(-tissue) * left + scatter)
    pixel_mm = 1.0 / (2.0 * radius_px)
    return Stations.along_bars(signal, across, along, 30.0, np.zeros((1, 2)), radius_px, pixel_mm)


@pytest.mark.parametrize(("scatter", "shift"), [(0.05, 0.0), (0.15, 0.4)])
def test_the_width_of_an_analytic_wire(scatter: float, shift: float) -> None:
    """A wire of 1 mm on pixels of 0.15 mm: within 2 %, as its u allows; a wire 4 % wider is not."""
    radius, widths = 3.3, []
    for true in (radius, 1.04 * radius):
        stations = straight_wire(true, 0.8, scatter, 1.08 * radius, shift)
        free, backs = stations.start(1.0, float(np.ptp(stations.signal[0])))
        widths.append(fit_profile(stations, free, backs, free).radius)
    assert widths[0] == pytest.approx(radius, rel=0.02)
    assert widths[1] != pytest.approx(radius, rel=0.02)


@pytest.mark.parametrize("curve", [STRAIGHT, SIGMOID])
def test_the_width_by_either_curve(curve: float) -> None:
    """Shown by a curve, a wire fitted by that curve comes out within 1 %; by the other, further off."""
    stations = straight_wire(3.3, 0.8, 0.1, 3.4, 0.2)
    low, span = float(stations.signal.min()) - 0.2, float(np.ptp(stations.signal)) + 0.5
    steep = 4.0 * (1.0 - 2.0 * curve)
    ends = np.log(curve / (1.0 - curve)) / steep  # where the curve's range begins, and minus where it ends
    share = shown(ends * (1.0 - 2.0 * (stations.signal - low) / span), curve)
    off = {}
    for tried in (STRAIGHT, SIGMOID):
        bent = replace(stations, signal=undone(share, tried))
        free, backs = bent.start(1.0, float(np.ptp(bent.signal[0])))
        off[tried] = abs(fit_profile(bent, free, backs, free).radius / 3.3 - 1.0)
    other = SIGMOID if curve == STRAIGHT else STRAIGHT
    assert off[curve] < 0.01
    assert off[other] > off[curve]


# --- Pins' axes ---


@functools.cache
def found(seed: int) -> tuple[Prepared, tuple[Pin, ...]]:
    film = prepare(rendered(seed)[1])
    return film, find_pins(film)


def apart(one: Ends, other: Ends) -> tuple[float, float]:
    """Angle between two lines (degrees), and the second's distance from the first's middle (pixels)."""
    ways = [(ends[1] - ends[0]) / np.linalg.norm(ends[1] - ends[0]) for ends in (one, other)]
    angle = float(np.degrees(np.arccos(np.clip(abs(ways[0] @ ways[1]), 0.0, 1.0))))
    away = (one[0] + one[1]) / 2.0 - other[0]
    return angle, float(abs(away[0] * ways[1][1] - away[1] * ways[1][0]))


def edges_beside(pin: Ends, lines: list[Ends], reach: float) -> list[Ends]:
    """Lines that run along a pin, within reach (pixels) of its axis and 1.5 degrees of its way."""
    return [line for line in lines if apart(pin, line)[0] < 1.5 and apart(pin, line)[1] < reach]


def segments(film: Prepared) -> list[Ends]:
    """OpenCV's line segments of 8 mm and more, (row, column)."""
    grey = np.round(film.density * 255).astype(np.uint8)
    lines = cv2.createLineSegmentDetector().detect(grey)[0].reshape(-1, 2, 2)[:, :, ::-1].astype(float)
    return [(one[0], one[1]) for one in lines if np.linalg.norm(one[1] - one[0]) * film.mm_per_px > 8.0]


def probable(film: Prepared) -> list[Ends]:
    """scikit-image's probabilistic Hough lines through Canny's edges."""
    edges = canny(film.density, sigma=1.5)
    length = round(12.0 / film.mm_per_px)
    lines = probabilistic_hough_line(edges, threshold=10, line_length=length, line_gap=4, rng=1)
    return [(np.array(one[::-1], float), np.array(other[::-1], float)) for one, other in lines]


def straight(film: Prepared) -> list[Ends]:
    """scikit-image's Hough lines through Canny's edges, of sixty edge pixels and more."""
    edges = canny(film.density, sigma=1.5)
    turns = np.radians(np.arange(-90.0, 90.0, 0.25))
    peaks = hough_line_peaks(*hough_line(edges, turns), min_distance=2, min_angle=2, threshold=60)
    lines = []
    for angle, distance in zip(*peaks[1:], strict=True):
        foot = distance * np.array([np.sin(angle), np.cos(angle)])
        lines.append((foot, foot + 100.0 * np.array([np.cos(angle), -np.sin(angle)])))
    return lines


def mean_line(pin: Ends, lines: list[Ends]) -> tuple[float, float]:
    """Mean signed distance of lines from a pin's two ends, pixels, one edge on either side counting alike."""
    way = (pin[1] - pin[0]) / np.linalg.norm(pin[1] - pin[0])
    side = np.array([-way[1], way[0]])
    places = []
    for first, second in lines:
        slope = ((second - first) @ side) / ((second - first) @ way)
        places.append([(first - end) @ side - slope * ((first - end) @ way) for end in pin])
    at = np.reshape(places, (-1, 2))
    sides = [at[at.mean(axis=1) > 0], at[at.mean(axis=1) < 0]]
    if not all(len(one) for one in sides):
        return np.nan, np.nan
    low, high = np.mean([np.median(one, axis=0) for one in sides], axis=0)
    return float(low), float(high)


@pytest.mark.parametrize("lines_of", [segments, probable, straight])
def test_pins_lie_between_the_lines_that_others_find(lines_of: object) -> None:
    """Both ends of each axis within 0.5 mm of the middle of the edges' lines; a pin 1 mm aside is not."""
    film, pins = found(AP)
    assert len(pins) == 2
    lines = lines_of(film)  # type: ignore[operator]
    for pin in pins:
        ends = (pin.straight, pin.tip)
        off = mean_line(ends, edges_beside(ends, lines, 1.3 / film.mm_per_px))
        assert np.abs(off).max() * film.mm_per_px < 0.5
        aside = 1.0 / film.mm_per_px * np.array([-pin.along[1], pin.along[0]])
        wrong = (ends[0] + aside, ends[1] + aside)
        off = mean_line(wrong, edges_beside(wrong, lines, 1.3 / film.mm_per_px))
        assert not np.abs(off).max() * film.mm_per_px < 0.5


def test_ours_are_nearer_to_the_truth() -> None:
    """Over both pins, ours err less in angle than the segments along them."""
    film, pins = found(AP)
    case = rendered(AP)[0]
    ours, theirs = [], []
    for pin in pins:
        true = min(true_pins(case), key=lambda ends, pin=pin: apart(ends, (pin.straight, pin.tip))[1])
        ours.append(apart(true, (pin.straight, pin.tip))[0])
        near = edges_beside(true, segments(film), 1.3 / film.mm_per_px)
        theirs.append(float(np.median([apart(true, line)[0] for line in near])))
    assert max(ours) < min(theirs)


# --- The ball ---


def test_the_ball_as_scikit_image_fits_it() -> None:
    """The same centre within 0.1 mm, the half-height circle within 1.5 %; ours is nearer to the truth."""
    case, film = rendered(BALL)
    prepared = prepare(film)
    marker = find_marker(prepared)
    assert marker is not None
    _, diameter = phantom.marker_on_film(case)
    true = diameter / case.pose.pitch[0]
    away = np.hypot(*(np.moveaxis(np.indices(prepared.density.shape), 0, -1) - marker.centre).T).T
    inner, outer = (
        float(np.median(prepared.density[(away > low * true / 2) & (away < high * true / 2)]))
        for low, high in ((0.5, 0.8), (1.05, 1.15))
    )
    ring = np.where(np.abs(away - true / 2) < 0.1 * true, prepared.density, np.nan)
    contour = max(find_contours(ring, (inner + outer) / 2.0), key=len)
    circle = CircleModel.from_estimate(contour)
    assert np.hypot(*(circle.center - marker.centre)) * prepared.mm_per_px < 0.1
    assert 2.0 * circle.radius == pytest.approx(marker.diameter, rel=0.015)
    assert 2.0 * circle.radius != pytest.approx(1.03 * marker.diameter, rel=0.015)
    assert abs(marker.diameter / true - 1.0) < abs(2.0 * circle.radius / true - 1.0)


def test_what_pixels_tell_of_a_steep_edge() -> None:
    """Splines of scipy's through an edge's pixels, averaged over its places, are as the ball's model says."""
    reach = np.arange(80.0, 120.5, 0.5)

    def edge(place: np.ndarray) -> np.ndarray:
        return norm.cdf((100.0 - place) / 0.35)

    pixels, seen = np.arange(60.0, 141.0), []
    for place in np.arange(0.0, 1.0, 0.05):
        seen.append(map_coordinates(edge(pixels - place), [reach - 60.0 + place], order=3))
    none = np.zeros((72, len(reach)))
    kernel = _Edge(none, reach, none, reach, 100.0, 0.15).kernels[0]  # about along the rows
    modelled = np.convolve(edge(reach), kernel, mode="same")
    inner = np.abs(reach - 100.0) < 6.0
    apart = np.abs(modelled - np.mean(seen, axis=0))[inner]
    assert apart.max() < 0.004
    assert np.abs(edge(reach) - np.mean(seen, axis=0))[inner].max() > 0.02


# --- Cramér and Rao's bound ---


def test_the_bound_of_a_spot_on_a_camera() -> None:
    """A spot of spread s on pixels of size 1 and N photons: sqrt((s^2 + 1/12) / N)."""
    spread, photons, step = 1.5, 1000.0, 1e-3
    edges = np.arange(-15.5, 16.0)

    def spot(row: float, column: float) -> np.ndarray:
        down, right = (np.diff(norm.cdf(edges, place, spread)) for place in (row, column))
        return photons * np.outer(down, right)

    slopes = np.stack([spot(step, 0) - spot(-step, 0), spot(0, step) - spot(0, -step)]) / (2 * step)
    published = np.sqrt((spread**2 + 1.0 / 12.0) / photons)
    least = bound(slopes, spot(0.0, 0.0) + 1e-12)
    assert least == pytest.approx([published, published], rel=0.01)
    assert bound(slopes, 2.0 * spot(0.0, 0.0) + 1e-12) != pytest.approx([published] * 2, rel=0.01)


def test_the_bound_of_a_step_in_white_noise() -> None:
    """A step of height h blurred by s: the slope's square integrates to h^2 / (2 sqrt(pi) s)."""
    height, spread, noise, rows = 0.7, 2.0, 0.05, 40
    slope = height * norm.pdf(np.arange(-30.0, 31.0), 0.0, spread)
    expected = noise * np.sqrt(2.0 * np.sqrt(np.pi) * spread / rows) / height
    slopes = np.broadcast_to(slope, (1, rows, len(slope)))
    assert bound(slopes, np.full(slopes.shape[1:], noise**2))[0] == pytest.approx(expected, rel=1e-6)
    assert bound(slopes, np.full(slopes.shape[1:], noise))[0] != pytest.approx(expected, rel=0.5)


def test_the_fair_bound_of_a_line_through_points() -> None:
    """A slope whose intercept is unknown errs by sigma / sqrt(sum (x - mean)^2), as least squares have it."""
    places, noise = np.linspace(2.0, 9.0, 25), 0.3
    ones, variance = np.ones((1, 25)), np.full(25, noise**2)
    fitted = linregress(places, places + np.random.default_rng(3).normal(0.0, noise, 25))
    expected = noise / np.sqrt(((places - places.mean()) ** 2).sum())
    assert fair_bound(places[None], ones, variance)[0] == pytest.approx(expected, rel=1e-6)
    assert fitted.stderr == pytest.approx(expected, rel=0.3)
    assert bound(places[None], variance)[0] < 0.5 * expected  # taking the intercept as known is told apart


# --- Where there is no metal ---


@pytest.mark.parametrize("mm_per_px", [0.13, 0.3])
def test_pictures_and_slices_give_no_ball_wire_or_scale(mm_per_px: float) -> None:
    """Round coins and straight edges among them."""
    for name, picture in photographs() + slices():
        grey = picture.astype(np.float32).reshape(*picture.shape[:2], -1).mean(axis=-1)
        density = (grey - grey.min()) / np.ptp(grey)
        film = upright(Prepared(density, density >= 1.0, mm_per_px, True))
        pins = find_pins(film)
        assert pin_input(film, pins) == (None, "no pin was found"), name
        assert all(find_wire(film, pins, view) is None for view in ("lateral", "ap")), name
        assert find_marker(film) is None, name


def test_a_disc_is_found_where_there_is_one() -> None:
    """The check above can fail: a ball drawn into noise is found."""
    rng = np.random.default_rng(5)
    rows, columns = np.indices((700, 800))
    path = 2.0 * np.sqrt(np.maximum(80.0**2 - (rows - 300.3) ** 2 - (columns - 400.6) ** 2, 0.0)) * 0.15
    left = gaussian_filter(0.5 * np.exp(-1.4 * path) + 0.05, 0.8)
    density = (-np.log(left) / 3.5 + rng.normal(0.0, 0.004, left.shape)).astype(np.float32)
    marker = find_marker(Prepared(density, density >= 1.0, 0.15, True))
    assert marker is not None
    assert marker.diameter == pytest.approx(160.0, rel=0.006)
