"""Geometry against what we did not write.

* The circle fit: the published example of Gander, Golub & Strebel, BIT 1994;34:558 (recalled; reproduced by
  scipy), and scipy's least_squares on random arcs.
* The line fit: scikit-image's LineModelND (orthogonal distance).
* Lengths, offsets, areas and angles: shapely, on random figures that are turned and lie anywhere.

Each check is a function of the answer, and is shown to reject a wrong one.
"""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
import pytest
from scipy.optimize import least_squares
from shapely import LineString, Point, Polygon, affinity
from shapely.ops import polygonize, unary_union
from skimage.measure import LineModelND

from measure import geometry
from measure.definitions import FUNCTIONS

# --- Fits ---

GANDER = np.array([(1, 7), (2, 6), (5, 8), (7, 7), (9, 5), (3, 7)], dtype=float)
PUBLISHED = (4.7398, 2.9835, 4.7142)  # orthogonal distance, to the four decimals printed
ALGEBRAIC = (5.3794, 7.2532, 3.0370)  # the same paper's algebraic fit of the same points: not ours


def test_circle_of_gander_golub_strebel() -> None:
    """Centre and radius as published, and not those of the algebraic fit."""
    centre, radius = geometry.fit_circle(GANDER)
    assert (*centre, radius) == pytest.approx(PUBLISHED, abs=1e-4)
    assert (*centre, radius) != pytest.approx(ALGEBRAIC, abs=1e-1)


def noisy_arcs(rng: np.random.Generator, count: int, arc: float) -> np.ndarray:
    """Seven points of arcs of random circles, with noise of 2 % of the radius: (count, 7, 2)."""
    turn = rng.uniform(0, 2 * np.pi, (count, 1)) + np.radians(np.linspace(0, arc, 7))
    radius, centre = rng.uniform(5, 200, (count, 1, 1)), rng.uniform(0, 3000, (count, 1, 2))
    unit = np.stack([np.cos(turn), np.sin(turn)], axis=-1)
    return centre + radius * (unit + rng.normal(0, 0.02, unit.shape))


def best_circle(points: np.ndarray) -> np.ndarray:
    """Row, column and radius by scipy, from the mean point."""

    def residuals(circle: np.ndarray) -> np.ndarray:
        return np.hypot(*(points - circle[:2]).T) - circle[2]

    mean = points.mean(axis=0)
    start = (*mean, np.hypot(*(points - mean).T).mean())
    return least_squares(residuals, start, x_scale=start[2], xtol=1e-14, ftol=1e-14, gtol=1e-14).x


def circles_agree(found: np.ndarray, points: np.ndarray) -> bool:
    best = np.array([best_circle(p) for p in points])
    return bool((np.abs(found - best) <= 1e-5 * best[:, 2:]).all())


@pytest.mark.parametrize("arc", [75, 120, 200, 330])
def test_circle_against_scipy(arc: float) -> None:
    """Random noisy arcs: the same circle, within 1e-5 of its radius."""
    points = noisy_arcs(np.random.default_rng(arc), 20, arc)
    centre, radius = geometry.fit_circle(points)
    found = np.concatenate([centre, radius[:, None]], axis=1)
    assert circles_agree(found, points)
    assert not circles_agree(found * (1, 1, 1.0001), points)


def test_a_circle_without_its_iterations_is_rejected(monkeypatch: pytest.MonkeyPatch) -> None:
    """The check above sees the algebraic start for what it is."""
    monkeypatch.setattr(geometry, "CIRCLE_STEPS", 1)
    points = noisy_arcs(np.random.default_rng(75), 20, 75)
    centre, radius = geometry.fit_circle(points)
    assert not circles_agree(np.concatenate([centre, radius[:, None]], axis=1), points)


def test_line_against_scikit_image() -> None:
    """Random clouds: the direction of least orthogonal distance, of either sign; not that of a regression."""
    rng = np.random.default_rng(2)
    stretched = rng.normal(0, 1, (40, 6, 2)) * (3, 1)
    turn = rng.uniform(0, np.pi, (40, 1))
    cos, sin, (x, y) = np.cos(turn), np.sin(turn), np.moveaxis(stretched, -1, 0)
    points = np.stack([cos * x - sin * y, sin * x + cos * y], axis=-1)
    theirs = np.array([LineModelND.from_estimate(p).direction for p in points])
    ours = geometry.principal_direction(points)
    np.testing.assert_allclose(np.abs(np.sum(ours * theirs, axis=1)), 1, atol=1e-12)
    slopes = [np.polyfit(p[:, 0], p[:, 1], 1)[0] for p in points]
    regression = geometry.unit(np.stack([np.ones(40), slopes], axis=-1))
    assert (np.abs(np.sum(regression * theirs, axis=1)) < 0.999).any()


# --- Lengths, offsets, areas and angles by shapely ---
# Each oracle lays the figure out with the bone's axis along shapely's x (distally) and y from near to far.

FAR_AWAY = 1e4
Figure = list[np.ndarray]


def shaft(rng: np.random.Generator) -> Figure:
    """Near and far cortex of a straight shaft at three levels, (distal, across)."""
    levels = np.sort(rng.uniform(40, 90, 3))
    width = rng.uniform(10, 20)
    return [np.stack([levels, np.zeros(3)], -1), np.stack([levels, np.full(3, width)], -1)]


def some(rng: np.random.Generator, count: int = 1) -> np.ndarray:
    return rng.uniform(-20, 20, (count, 2))


def pin(rng: np.random.Generator) -> Figure:
    """Straight part and tip of a pin that runs distally."""
    start = some(rng)
    return [start, start + rng.uniform((30, -15), (60, 15))]


def ray(start: np.ndarray, direction: np.ndarray) -> LineString:
    return LineString([start - FAR_AWAY * direction, start + FAR_AWAY * direction])


def along(line: LineString, place: np.ndarray) -> float:
    return line.project(Point(place))


def side(line: LineString, place: np.ndarray) -> float:
    """Distance from a line, negative on its right."""
    a, b = np.array(line.coords)
    return float(np.sign(np.linalg.det([b - a, place - a])) * line.distance(Point(place)))


DISTALLY = ray(np.zeros(2), np.array([1.0, 0]))
ACROSS = ray(np.zeros(2), np.array([0, 1.0]))


def turn_onto(line: LineString, other: LineString) -> float:
    """Degrees by which shapely must rotate a line until it runs as the other; found by bisection."""

    def off(angle: float) -> float:
        turned = np.diff(affinity.rotate(line, angle, origin=(0, 0)).coords, axis=0)[0]
        return float(np.linalg.det([turned, np.diff(other.coords, axis=0)[0]]))

    low, high = -90.0, 90.0  # of figures that lie within a quarter turn of each other
    for _ in range(60):
        middle = 0.5 * (low + high)
        low, high = (middle, high) if off(middle) > 0 else (low, middle)
    return 0.5 * (low + high)


def notch(rng: np.random.Generator) -> Figure:
    """Arc of the reference fragment, its edge and the mobile edge, about (0, 30), the joint towards +y."""
    radius = rng.uniform(9, 14)
    degrees = np.radians([10, 30, 50, 80, 100, 0, -rng.uniform(1, 20)])
    off = np.array([1, 1, 1, 1, 1, 1 + rng.uniform(-0.2, 0.2), 1 + rng.uniform(-0.2, 0.2)])
    points = np.stack([radius * off * np.sin(degrees), 30 - radius * off * np.cos(degrees)], -1)
    return [points[:5], points[5:6], points[6:]]


def circle(arc: np.ndarray) -> tuple[Point, Polygon]:
    """Circle through points without noise: its centre lies where two chords' bisectors cross."""
    halves = [affinity.rotate(LineString(pair), 90) for pair in (arc[:2], arc[2:4])]
    centre = affinity.scale(halves[0], 1e4, 1e4).intersection(affinity.scale(halves[1], 1e4, 1e4))
    return centre, centre.buffer(centre.distance(Point(arc[0])), quad_segs=2_000)


def arc_gap(arc: np.ndarray, reference: np.ndarray, mobile: np.ndarray) -> float:
    """Length along shapely's circle between the feet of both edges, the mobile one more proximal (-x)."""
    centre, disc = circle(arc)
    places = []
    for edge in (reference, mobile):
        spoke = affinity.scale(LineString([centre, Point(edge)]), 3, 3, origin=centre)
        places.append(disc.exterior.project(disc.exterior.intersection(spoke)))
    length = disc.exterior.length
    onwards = (places[1] - places[0] + length / 2) % length - length / 2
    return -onwards if disc.exterior.is_ccw else onwards  # counter-clockwise runs distally below the centre


def arc_step(arc: np.ndarray, reference: np.ndarray, mobile: np.ndarray) -> float:
    centre, _ = circle(arc)
    return centre.distance(Point(reference)) - centre.distance(Point(mobile))


def mean_gap(
    inner: np.ndarray, outer: np.ndarray, mobile_inner: np.ndarray, mobile_outer: np.ndarray,
    _: np.ndarray, between: np.ndarray, mobile_between: np.ndarray,
) -> float:  # fmt: skip
    """Area between the margins, less that of overlap, over the margin's length; the bone lies distally."""
    margin = LineString([*inner, *between, *outer])
    other = LineString([*mobile_inner, *mobile_between, *mobile_outer])
    ends = [LineString([margin.coords[i], other.coords[i]]) for i in (0, -1)]
    bone = Polygon([*margin.coords, (FAR_AWAY, outer[0, 1]), (FAR_AWAY, inner[0, 1])])
    pieces = list(polygonize(unary_union([margin, other, *ends])))
    overlap = sum(piece.area for piece in pieces if bone.contains(piece.representative_point()))
    return (sum(piece.area for piece in pieces) - 2 * overlap) / margin.length


def margins(rng: np.random.Generator) -> Figure:
    """Margins from the joint (y 12) to the dorsal cortex (y 0), across each other here and there."""
    y = [12, 8, 4, 0]
    d, p = (np.stack([rng.uniform(-2, 2, 4) - back, y], axis=-1) for back in (0, 0.8))
    return [d[:1], d[3:], p[:1], p[3:], np.array([(60.0, 3.0)]), d[1:3], p[1:3]]


def line_through(*places: np.ndarray) -> LineString:
    """Prolong a pin far beyond both ends, in the direction of its points."""
    return affinity.scale(LineString(np.concatenate(places)), 100, 100)


def between(line: LineString, start: np.ndarray, stop: np.ndarray) -> float:
    return along(line, stop) - along(line, start)


def offset(a: Figure, b: Figure) -> float:
    """How far the middle of pin b lies to the left (y upwards, x distally) of the line of pin a."""
    middle = LineString(np.concatenate(b)).interpolate(0.5, normalized=True)
    return side(line_through(*a), np.array(middle.coords[0]))


def to_line(place: np.ndarray, a: np.ndarray, b: np.ndarray, *_: np.ndarray) -> float:
    """How far distal to a line a place lies, where a ray along the axis meets the line."""
    return place[0, 0] - ray(place[0], np.array([1.0, 0])).intersection(line_through(a, b)).x


def edges(rng: np.random.Generator) -> Figure:
    """Two places on either side of the bone."""
    return [rng.uniform((-20, low), (20, low + 20), (1, 2)) for low in (-40, 30)]


JOINT_LINE = np.array([(40.0, 0.0), (60.0, 0.0), (80.0, 0.0)])
BONE_BELOW = np.array([(60.0, -30.0)])

CASES: dict[str, tuple[Callable[[np.random.Generator], Figure], Callable[..., float]]] = {
    "distance": (lambda r: [some(r), some(r)], lambda a, b: Point(a).distance(Point(b))),
    "length_of_break": (lambda r: [some(r, 2)], lambda ends: LineString(ends).length),
    "along_axis": (lambda r: [some(r), some(r), *shaft(r)], lambda a, b, *_: between(DISTALLY, a, b)),
    "across_axis": (lambda r: [some(r), some(r), *shaft(r)], lambda a, b, *_: between(ACROSS, a, b)),
    "along_axis_to_line": (lambda r: [some(r), *edges(r), *shaft(r)], to_line),
    "share_across": (
        lambda r: [some(r), *edges(r), *shaft(r)],
        lambda place, a, b, *_: between(ACROSS, a, place) / between(ACROSS, a, b),
    ),
    "along_pin": (
        lambda r: [some(r), some(r), *pin(r)],
        lambda a, b, straight, tip: between(line_through(tip, straight), a, b),
    ),
    "angle_to_axis": (
        lambda r: [*pin(r), *shaft(r)],
        lambda a, b, *_: turn_onto(DISTALLY, line_through(a, b)),
    ),
    "angle_between": (
        lambda r: [*pin(r), *pin(r), *shaft(r)],
        lambda a, b, c, d, *_: turn_onto(line_through(a, b), line_through(c, d)),
    ),
    "spacing": (
        lambda r: [*pin(r), *pin(r), *shaft(r)],
        lambda a, b, c, d, *_: 0.5 * (offset([a, b], [c, d]) - offset([c, d], [a, b])),
    ),
    "arc_gap": (notch, arc_gap),
    "arc_step": (notch, arc_step),
    "line_gap": (lambda r: [JOINT_LINE, some(r), some(r)], lambda _, a, b: between(DISTALLY, b, a)),
    "line_step": (
        lambda r: [JOINT_LINE, some(r), some(r), BONE_BELOW],
        lambda _, a, b, __: side(DISTALLY, b[0]) - side(DISTALLY, a[0]),
    ),
    "mean_gap": (margins, mean_gap),
    "height_above_circle": (
        lambda r: [some(r), notch(r)[0], *shaft(r)],
        lambda place, arc, *_: circle(arc)[1].bounds[0] - place[0, 0],
    ),
    "height_above_centre": (
        lambda r: [some(r), notch(r)[0], *shaft(r)],
        lambda place, arc, *_: circle(arc)[0].x - place[0, 0],
    ),
}
FILMS = 25
TOLERANCE = 1e-5  # of figures of size 100; shapely's circle has 8,000 sides


def lie(figure: Figure, rng: np.random.Generator) -> Figure:
    """Turn, mirror and move a figure, as a film may show it."""
    turn = rng.uniform(0, 2 * np.pi)
    cos, sin = np.cos(turn), np.sin(turn)
    matrix = np.diag([1.0, rng.choice([-1.0, 1.0])]) @ np.array([[cos, sin], [-sin, cos]])
    shift = rng.uniform(-500, 500, 2)
    return [points @ matrix + shift for points in figure]


def agrees(name: str, function: Callable[..., np.ndarray]) -> bool:
    """Whether a function of the figures as they lie gives what shapely finds in the figure laid straight."""
    draw, oracle = CASES[name]
    rng = np.random.default_rng(5)
    figures = [draw(rng) for _ in range(FILMS)]
    theirs = np.array([oracle(*figure) for figure in figures])
    films = [lie(figure, rng) for figure in figures]
    ours = function(*(np.stack(landmark) for landmark in zip(*films, strict=True)))
    return bool((np.abs(ours - theirs) <= TOLERANCE).all())


def test_every_function_is_checked() -> None:
    """No function of the table is left out."""
    assert set(CASES) == set(FUNCTIONS)


@pytest.mark.parametrize("name", CASES)
def test_against_shapely(name: str) -> None:
    """The function agrees; its negative and one that is 0.1 % too large do not."""
    function = FUNCTIONS[name].function
    assert agrees(name, function)
    assert not agrees(name, lambda *points: -function(*points))
    assert not agrees(name, lambda *points: 1.001 * function(*points))
