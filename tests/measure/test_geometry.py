"""Every geometry function by figures drawn on squared paper: value, sign, broadcasting, invariance, NaN.

The answers were worked out by hand from the figure; nothing here calls a library for them (that is done in
tests/reference/test_geometry_reference.py). Figures are (row, column) in any one unit.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from measure import geometry
from measure.definitions import ANGLE, FUNCTIONS, LENGTH

TOLERANCE = 1e-9  # of figures of size 100
Points = np.ndarray


def at(*points: tuple[float, float]) -> Points:
    return np.array(points, dtype=float)


@dataclass(frozen=True)
class Figure:
    """Arguments of one function and its value by hand."""

    name: str
    why: str
    value: float
    points: tuple[Points, ...]

    @property
    def function(self) -> Callable[..., np.ndarray]:
        return FUNCTIONS[self.name].function


# A shaft that runs down the film, 10 wide, its far cortex to the right; and the same level by level.
NEAR, FAR = at((0, 0), (30, 0)), at((0, 10), (30, 10))
SHAFT = (NEAR, FAR)
# The same, leaning: 3-4-5, distally is (0.6, 0.8), across is (-0.8, 0.6).
NEAR_345, FAR_345 = at((0, 0), (30, 40)), at((-8, 6), (22, 46))
PIN = (at((0, 0)), at((24, 7)))  # straight part, tip: 7-24-25
A_7_24, A_3_4 = math.degrees(math.atan2(7, 24)), math.degrees(math.atan2(3, 4))


def on_circle(*degrees: float, radius: float = 10.0, centre: tuple[float, float] = (50.0, 20.0)) -> Points:
    """Points of a circle; 0 degrees lies above the centre, and they go on clockwise on the film."""
    turn = np.radians(degrees)
    return np.stack([centre[0] - radius * np.cos(turn), centre[1] + radius * np.sin(turn)], axis=-1)


ARC = on_circle(100, 130, 160, 190)  # a notch that opens upwards; the reference edge D lies at 90 degrees
D = on_circle(90)
HEAD = on_circle(0, 40, 80, centre=(0, 20))
LINE = at((0, 0), (0, 4), (0, 8))  # a joint line; the reference edge lies at its right end, bone below
SQUARE = (at((0, 0)), at((0, 10)), at((-3, 0)), at((-3, 10)), at((20, 5)))  # margins 3 apart, bone below

FIGURES = [
    Figure("distance", "3-4-5", 5, (at((1, 1)), at((4, 5)))),
    Figure("distance", "none", 0, (at((1, 1)), at((1, 1)))),
    Figure("distance", "between means of clicks", 2, (at((0, 0), (2, 0)), at((1, 2)))),
    Figure("along_axis", "distally", 7, (at((10, 3)), at((17, -2)), *SHAFT)),
    Figure("along_axis", "proximally", -7, (at((17, 3)), at((10, 90)), *SHAFT)),
    Figure("along_axis", "leaning", 5, (at((0, 0)), at((3, 4)), NEAR_345, FAR_345)),
    Figure("across_axis", "to the far side", 5, (at((10, -2)), at((44, 3)), *SHAFT)),
    Figure("across_axis", "to the near side", -5, (at((10, 3)), at((44, -2)), *SHAFT)),
    Figure("across_axis", "leaning", 5, (at((0, 0)), at((-4, 3)), NEAR_345, FAR_345)),
    Figure("along_axis_to_line", "distal", 12, (at((20, 5)), at((8, 0)), at((8, 10)), *SHAFT)),
    Figure("along_axis_to_line", "proximal", -3, (at((5, 5)), at((8, 0)), at((8, 10)), *SHAFT)),
    Figure("along_axis_to_line", "its ends swapped", 12, (at((20, 5)), at((8, 10)), at((8, 0)), *SHAFT)),
    Figure("along_axis_to_line", "an oblique line", 10, (at((20, 5)), at((5, 0)), at((15, 10)), *SHAFT)),
    Figure("share_across", "a quarter", 0.25, (at((9, 2.5)), at((7, 0)), at((11, 10)), *SHAFT)),
    Figure("share_across", "out of the near cortex", -0.2, (at((9, -2)), at((9, 0)), at((9, 10)), *SHAFT)),
    Figure("share_across", "out of the far cortex", 1.5, (at((9, 15)), at((9, 0)), at((9, 10)), *SHAFT)),
    Figure("along_pin", "towards the bend", 25, (at((24, 7)), at((0, 0)), *PIN)),
    Figure("along_pin", "towards the tip", -25, (at((0, 0)), at((24, 7)), *PIN)),
    Figure("along_pin", "beside the pin counts nothing", 0, (at((0, 0)), at((-7, 24)), *PIN)),
    Figure("angle_to_axis", "towards the far cortex", A_7_24, (*PIN, *SHAFT)),
    Figure("angle_to_axis", "towards the near cortex", -A_7_24, (at((0, 7)), at((24, 0)), *SHAFT)),
    Figure("angle_to_axis", "parallel", 0, (at((0, 7)), at((24, 7)), *SHAFT)),
    Figure("angle_to_axis", "across", 90, (at((5, 0)), at((5, 7)), *SHAFT)),
    Figure("angle_to_axis", "backwards", 180 - A_7_24, (at((24, 0)), at((0, 7)), *SHAFT)),
    Figure("angle_to_axis", "leaning", A_3_4, (at((0, 0)), at((0, 9)), NEAR_345, FAR_345)),
    Figure("angle_between", "b towards far", A_7_24, (at((0, 3)), at((9, 3)), *PIN, *SHAFT)),
    Figure("angle_between", "b towards near", -A_7_24, (*PIN, at((0, 3)), at((9, 3)), *SHAFT)),
    Figure(
        "angle_between", "the short way round", 2 * A_7_24,
        (at((24, 0)), at((0, 7)), at((24, 7)), at((0, 0)), *SHAFT),
    ),
    Figure("spacing", "b on the far side", 4, (at((0, 1)), at((20, 1)), at((3, 5)), at((28, 5)), *SHAFT)),
    Figure("spacing", "b on the near side", -4, (at((0, 5)), at((20, 5)), at((3, 1)), at((28, 1)), *SHAFT)),
    # Middles (10, 0) and (12, 4.5), one pin down the film, one by 7-24-25: 4.5 and (4.5 x 24 - 2 x 7) / 25.
    Figure(
        "spacing", "not parallel", (4.5 + 94 / 25) / 2,
        (at((0, 0)), at((20, 0)), at((0, 1)), at((24, 8)), *SHAFT),
    ),
    Figure("arc_gap", "apart by 30 degrees", 10 * math.pi / 6, (ARC, D, on_circle(60))),
    Figure("arc_gap", "overlapping by 9", -10 * math.pi / 20, (ARC, D, on_circle(99))),
    Figure("arc_gap", "an edge off the circle", 10 * math.pi / 6, (ARC, D, on_circle(60, radius=8))),
    Figure("arc_gap", "at the other end", 10 * math.pi / 6, (ARC, on_circle(200), on_circle(230))),
    Figure("arc_step", "proud into the joint", 2, (ARC, D, on_circle(60, radius=8))),
    Figure("arc_step", "sunken", -2, (ARC, D, on_circle(60, radius=12))),
    Figure("arc_step", "the reference edge sunken", 1, (ARC, on_circle(90, radius=11), on_circle(60))),
    Figure("arc_step", "with the bone's side", 2, (ARC, D, on_circle(60, radius=8), at((75, 20)))),
    Figure("arc_step", "bone by the centre", -2, (ARC, D, on_circle(60, radius=8), at((0, 20)))),
    Figure("line_gap", "apart", 3, (LINE, at((0, 10)), at((5, 13)))),
    Figure("line_gap", "overlapping", -3, (LINE, at((0, 10)), at((5, 7)))),
    Figure("line_gap", "the line clicked backwards", 3, (LINE[::-1], at((0, 10)), at((5, 13)))),
    Figure("line_step", "proud into the joint", 2, (LINE, at((0, 10)), at((-2, 13)), at((30, 4)))),
    Figure("line_step", "sunken", -2, (LINE, at((0, 10)), at((2, 13)), at((30, 4)))),
    Figure("line_step", "bone on the other side", 2, (LINE, at((0, 10)), at((2, 13)), at((-30, 4)))),
    Figure("mean_gap", "margins 3 apart", 3, SQUARE),
    Figure("mean_gap", "overlapping by 3", -3, (*SQUARE[:4], at((-20, 5)))),
    Figure("mean_gap", "a wedge", 2, (at((0, 0)), at((0, 10)), at((0, 0)), at((-4, 10)), at((20, 5)))),
    Figure("mean_gap", "crossing margins", 0, (*SQUARE[:2], at((3, 0)), at((-3, 10)), at((20, 5)))),
    Figure("mean_gap", "a stepped margin", 42 / 16, (*SQUARE, at((3, 0), (3, 4), (0, 4)))),
    Figure("mean_gap", "a hollow in the mobile margin", 4.8, (*SQUARE, None, at((-6, 4), (-6, 8), (-3, 8)))),
    Figure("length_of_break", "3-4-5", 5, (at((1, 1), (4, 5)),)),
    Figure("height_above_circle", "above the top", 5, (at((-15, 33)), HEAD, *SHAFT)),
    Figure("height_above_circle", "below the top", -4, (at((-6, 3)), HEAD, *SHAFT)),
    Figure("height_above_centre", "above", 5, (at((-5, 33)), HEAD, *SHAFT)),
    Figure("height_above_centre", "below", -4, (at((4, 3)), HEAD, *SHAFT)),
]  # fmt: skip
figures = pytest.mark.parametrize("figure", FIGURES, ids=lambda figure: f"{figure.name}: {figure.why}")


def matches(function: Callable[..., np.ndarray], figure: Figure) -> bool:
    return bool(abs(function(*figure.points) - figure.value) <= TOLERANCE)


@figures
def test_value_and_sign_by_hand(figure: Figure) -> None:
    """The function gives what the figure shows."""
    assert matches(figure.function, figure)


@pytest.mark.parametrize("name", FUNCTIONS)
def test_every_function_has_figures_that_tell(name: str) -> None:
    """Figures show both signs of each signed function, and reject one of the wrong sign or off by 1 %."""
    mine = [figure for figure in FIGURES if figure.name == name]
    function = FUNCTIONS[name].function
    assert not all(matches(lambda *points: -function(*points), figure) for figure in mine)
    assert not all(matches(lambda *points: 1.01 * function(*points), figure) for figure in mine)
    if name not in ("distance", "length_of_break"):
        assert {math.copysign(1, figure.value) for figure in mine if figure.value} == {-1, 1}


# --- Broadcasting ---


def noisy(figure: Figure, *leading: int, seed: int = 1) -> list[Points | None]:
    rng = np.random.default_rng(seed)
    return [p if p is None else p + rng.normal(0, 0.1, (*leading, *p.shape)) for p in figure.points]


@figures
def test_leading_dimensions_are_films(figure: Figure) -> None:
    """One call for (2, 3) films gives what single calls give."""
    many = noisy(figure, 2, 3)
    result = figure.function(*many)
    assert result.shape == (2, 3)
    for i, j in np.ndindex(2, 3):
        single = figure.function(*(p if p is None else p[i, j] for p in many))
        assert result[i, j] == pytest.approx(float(single), abs=1e-7)


@figures
def test_arguments_broadcast_against_each_other(figure: Figure) -> None:
    """One landmark drawn 4 times against the others drawn 5 times gives (4, 5)."""
    fourfold, fivefold = noisy(figure, 4, 1), noisy(figure, 5)
    for place in (i for i, points in enumerate(figure.points) if points is not None and len(fivefold) > 1):
        mixed = [*fivefold[:place], fourfold[place], *fivefold[place + 1 :]]
        assert figure.function(*mixed).shape == (4, 5)


# --- How the film lies does not matter ---

angles = st.floats(-math.pi, math.pi)
shifts = st.tuples(st.floats(-4000, 4000), st.floats(-4000, 4000))


def moved(points: Points, turn: float, mirrored: bool, shift: tuple[float, float], size: float) -> Points:
    cos, sin = math.cos(turn), math.sin(turn)
    matrix = np.diag([1.0, -1.0 if mirrored else 1.0]) @ np.array([[cos, sin], [-sin, cos]])
    return points @ matrix * size + shift


@given(st.sampled_from(FIGURES), angles, st.booleans(), shifts, st.floats(0.1, 10))
def test_turned_mirrored_moved_and_enlarged(
    figure: Figure, turn: float, mirrored: bool, shift: tuple[float, float], size: float
) -> None:
    """Lengths grow with the film, angles and shares stay; nothing else changes."""
    points = [p if p is None else moved(p, turn, mirrored, shift, size) for p in figure.points]
    factor = size if FUNCTIONS[figure.name].unit == LENGTH else 1.0
    assert figure.function(*points) == pytest.approx(factor * figure.value, abs=1e-6)


@pytest.mark.parametrize("name", FUNCTIONS)
def test_pixels_that_are_not_square_matter(name: str) -> None:
    """Stretching a turned figure's rows changes its value, but for the share between parallel lines."""
    changed = False
    for figure in (figure for figure in FIGURES if figure.name == name):
        turned = [p if p is None else moved(p, 0.5, False, (0, 0), 1) for p in figure.points]
        stretched = figure.function(*(p if p is None else p * (1.4, 1.0) for p in turned))
        changed |= stretched != pytest.approx(figure.value, rel=1e-3, abs=1e-3)
    assert changed == (name != "share_across")


def test_a_function_of_the_films_rows_is_seen() -> None:
    """The check above rejects a distance down the film."""
    turned = [moved(p, 0.3, False, (0, 0), 1) for p in FIGURES[0].points]
    assert abs(turned[1][0, 0] - turned[0][0, 0]) != pytest.approx(3, abs=1e-3)


# --- What the points do not determine ---

SAME, DOWN = at((7, 3)), at((0, 0), (4, 0), (8, 0))
DEGENERATE = {
    "share_across: no width": ("share_across", (at((1, 1)), SAME, SAME, *SHAFT)),
    "along_axis: no axis": ("along_axis", (at((1, 1)), SAME, at((2, 2), (2, 2)), at((2, 2), (2, 2)))),
    "along_axis: one level": ("along_axis", (SAME, at((9, 9)), at((2, 0), (2, 0)), at((2, 9), (2, 9)))),
    "across_axis: no width": ("across_axis", (at((1, 1)), SAME, NEAR, NEAR)),
    "angle_to_axis: levels that run both ways": (
        "angle_to_axis", (*PIN, at((0, 0), (30, 0), (0, 0)), at((0, 9), (30, 9), (0, 9))),
    ),
    "angle_to_axis: no pin": ("angle_to_axis", (SAME, SAME, *SHAFT)),
    "angle_between: one pin without length": ("angle_between", (*PIN, SAME, SAME, *SHAFT)),
    "along_pin: no pin": ("along_pin", (at((1, 1)), at((4, 5)), SAME, SAME)),
    "spacing: one pin without length": ("spacing", (*PIN, SAME, SAME, *SHAFT)),
    "spacing: pins across the bone": ("spacing", (at((5, 0)), at((5, 9)), at((8, 0)), at((8, 9)), *SHAFT)),
    "along_axis_to_line: no line": ("along_axis_to_line", (at((1, 1)), SAME, SAME, *SHAFT)),
    "along_axis_to_line: parallel": ("along_axis_to_line", (at((1, 1)), at((0, 4)), at((9, 4)), *SHAFT)),
    "arc_gap: a straight arc": ("arc_gap", (at((0, 0), (1, 1), (5, 5)), SAME, at((8, 8)))),
    "arc_gap: one place": ("arc_gap", (at((0.1, 0.1), (0.1, 0.1), (0.1, 0.1)), SAME, SAME)),
    "arc_gap: two places": ("arc_gap", (at((0.1, 0.7), (3, 4), (3, 4), (0.1, 0.7)), SAME, SAME)),
    "arc_step: a straight arc": ("arc_step", (at((0, 0), (0.1, 0.3), (0.2, 0.6)), SAME, at((8, 8)))),
    "line_gap: no line": ("line_gap", (at((0.1, 0.1), (0.1, 0.1), (0.1, 0.1)), SAME, at((8, 8)))),
    "line_gap: the edge beside the middle": ("line_gap", (DOWN, at((4, 5)), at((9, 5)))),
    "line_step: the bone on the line": ("line_step", (DOWN, at((10, 0)), at((13, 2)), at((30, 0)))),
    "line_step: points alike in every direction": (
        "line_step", (at((0, 0), (0, 2), (2, 0), (2, 2)), at((0, 10)), at((2, 13)), at((30, 0))),
    ),
    "mean_gap: no margin": ("mean_gap", (SAME, SAME, at((1, 1)), at((2, 2)), at((20, 5)))),
    "mean_gap: the bone on the margin": ("mean_gap", (*SQUARE[:4], at((0, 30)))),
    "height_above_circle: a straight arc": ("height_above_circle", (SAME, LINE, *SHAFT)),
    "height_above_centre: a straight arc": ("height_above_centre", (SAME, LINE, *SHAFT)),
}  # fmt: skip


@pytest.mark.parametrize("case", DEGENERATE)
def test_what_the_points_do_not_determine_is_nan(case: str) -> None:
    """No number and no warning (they are errors here), alone and beside a film that has an answer."""
    name, points = DEGENERATE[case]
    function = FUNCTIONS[name].function
    assert np.isnan(function(*points))
    sound = next(figure for figure in FIGURES if figure.name == name and len(figure.points) == len(points))
    if all(p.shape == q.shape for p, q in zip(points, sound.points, strict=True)):
        both = function(*(np.stack(pair) for pair in zip(points, sound.points, strict=True)))
        assert np.isnan(both[0])
        assert both[1] == pytest.approx(sound.value, abs=1e-7)


@figures
def test_a_point_that_is_nan_gives_nan(figure: Figure) -> None:
    """Whichever point it is, and without a warning."""
    for place, points in enumerate(figure.points):
        if points is None:
            continue
        broken = points.copy()
        broken[-1, 0] = np.nan
        assert np.isnan(figure.function(*figure.points[:place], broken, *figure.points[place + 1 :]))


# --- The pieces ---


def test_the_axis_is_the_line_nearest_to_the_middles() -> None:
    """Middles (0, 5), (10, 6), (20, 5) lie nearest to a line straight down the film."""
    near, far = at((0, 0), (10, 1), (20, 0)), at((0, 10), (10, 11), (20, 10))
    origin, along, across = geometry.axis_frame(near, far)
    np.testing.assert_allclose(origin, (10, 16 / 3))
    np.testing.assert_allclose([along, across], np.eye(2), atol=1e-12)


def test_levels_need_not_lie_straight_across() -> None:
    """Where the far cortex is clicked further distally, the direction across is still square to the axis."""
    _, along, across = geometry.axis_frame(NEAR, FAR + np.array([4, 0]))
    np.testing.assert_allclose([along, across], np.eye(2), atol=1e-12)


def test_the_axis_runs_from_the_first_level_to_the_last() -> None:
    """Levels clicked from distal to proximal turn the axis round."""
    _, along, _ = geometry.axis_frame(NEAR[::-1], FAR[::-1])
    np.testing.assert_allclose(along, (-1, 0), atol=1e-12)


@given(st.floats(-180, 180), st.floats(40, 360), st.floats(0.5, 500), shifts, st.integers(3, 9))
def test_a_circle_is_found_from_any_arc(
    start: float, arc: float, radius: float, centre: tuple[float, float], count: int
) -> None:
    """Points without noise give their circle back, from an arc of 40 degrees on."""
    degrees = start + np.linspace(0, arc * (1 - 1 / count), count)
    found, size = geometry.fit_circle(on_circle(*degrees, radius=radius, centre=centre))
    np.testing.assert_allclose(found, centre, atol=1e-5 * radius + 1e-8)
    assert size == pytest.approx(radius, rel=1e-5)


def test_a_short_noisy_arc_always_has_a_circle() -> None:
    """On 30 degrees noise hides the curve: the centre stays within reach, so that a gap can be told."""
    rng = np.random.default_rng(4)
    arc, edge, mobile = (
        on_circle(*degrees) + rng.normal(0, 0.4, (5000, len(degrees), 2))
        for degrees in (np.linspace(93, 120, 6), [90], [80])
    )
    centre, radius = geometry.fit_circle(arc)
    assert np.isfinite(centre).all()
    assert radius.max() < 1e9
    assert np.isfinite(geometry.arc_gap(arc, edge, mobile)).all()


def test_signed_angles_run_from_row_to_column() -> None:
    """A quarter turn from down the film to its right is positive."""
    assert geometry.signed_angle(np.array([1.0, 0]), np.array([0, 1.0])) == pytest.approx(math.pi / 2)
    assert geometry.signed_angle(np.array([0, 1.0]), np.array([1.0, 0])) == pytest.approx(-math.pi / 2)


def test_angles_are_in_degrees_and_shares_have_no_unit() -> None:
    """The table of functions gives each its unit; sites are checked against it."""
    units = {name: row.unit for name, row in FUNCTIONS.items()}
    assert {name for name, unit in units.items() if unit == ANGLE} == {"angle_to_axis", "angle_between"}
    assert {name for name, unit in units.items() if unit not in (ANGLE, LENGTH)} == {"share_across"}
