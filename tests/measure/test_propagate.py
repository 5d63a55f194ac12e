"""Propagation: parts by source, when Monte Carlo takes over, and when there is no answer.

Expected parts come from derivatives by hand. Published examples and coverage are in
tests/reference/test_propagate_reference.py.
"""

from __future__ import annotations

import math
from collections.abc import Callable

import numpy as np
import pytest

from measure import geometry, propagate
from measure.propagate import BEND_LIMIT, UncertainPoints
from measure.quantity import Quantity, covariance, difference

Function = Callable[..., np.ndarray]


def spot(
    name: str, *points: tuple[float, float], placement: float = 0.3, habit: float = 0.0, **parallax: object
) -> UncertainPoints:
    return UncertainPoints(
        np.array(points, dtype=float), placement, habit,
        placement_id=f"point:{name}", habit_id=f"habit:{name}", **parallax,
    )  # fmt: skip


def run(
    function: Function, unit: str = "mm", basis: np.ndarray | None = None, **landmarks: UncertainPoints
) -> tuple[Quantity, str]:
    result = propagate.propagate(function, list(landmarks), landmarks, unit, basis=basis, quantity_id="q")
    assert result is not None
    return result


# --- Parts ---


def test_parts_of_a_distance() -> None:
    """Derivatives 0.6 and 0.8, split between placement 0.3 and habit 0.4, signs kept."""
    a, b = (spot(name, place, placement=0.3, habit=0.4) for name, place in (("a", (0, 0)), ("b", (30, 40))))
    quantity, method = run(geometry.distance, a=a, b=b)
    assert method == "first order"
    assert quantity.value == 50
    expected = {
        f"{source}:{direction}": sign * slope * u
        for name, sign in (("a", -1), ("b", 1))
        for source, u in ((f"point:{name}[0]", 0.3), (f"habit:{name}", 0.4))
        for direction, slope in (("along", 0.6), ("across", 0.8))
    }
    assert dict(quantity.parts) == pytest.approx(expected, rel=1e-4)
    assert quantity.u == pytest.approx(0.5 * math.sqrt(2), rel=1e-4)


def test_a_landmark_of_several_points_shares_out() -> None:
    """A mean of four clicks is twice as sure as one click, and each click has its own source."""
    a = spot("a", (0, 0), (0, 1), (0, 2), (0, 3))
    quantity, _ = run(lambda p: p[..., 0].mean(axis=-1), a=a)
    assert quantity.u == pytest.approx(0.15)
    assert set(quantity.parts) == {f"point:a[{number}]:along" for number in range(4)}


def test_a_habit_moves_all_points_of_a_landmark_alike() -> None:
    """It does not average out over clicks, as placing does, and cancels in how they lie to each other."""
    a = spot("a", (0, 0), (0, 1), (0, 2), (0, 3), placement=0.3, habit=0.4)
    middle, _ = run(lambda p: p[..., 0].mean(axis=-1), a=a)
    assert middle.parts["habit:a:along"] == pytest.approx(0.4)
    assert middle.u == pytest.approx(math.hypot(0.15, 0.4))
    between, _ = run(lambda p: p[..., 3, 0] - p[..., 0, 0], a=a)
    assert between.u == pytest.approx(0.3 * math.sqrt(2))


def test_one_landmark_in_two_places_counts_once() -> None:
    """The distance of a point from itself is sure, and a pin's tip may be an argument twice."""
    landmarks = {"a": spot("a", (1, 2)), "b": spot("b", (5, 9))}
    result = propagate.propagate(lambda p, q, r: (p - q + 0 * r)[..., 0, 0], ["a", "a", "b"], landmarks, "mm")
    assert result is not None
    assert result[0].u == 0
    assert not result[0].parts


def test_the_basis_names_the_directions() -> None:
    """Along the pin's own direction all of a length's error is 'along', and u stays."""
    a, b = spot("a", (0, 0)), spot("b", (30, 40))
    own = np.array([[0.6, 0.8], [-0.8, 0.6]])
    turned, plain = run(geometry.distance, basis=own, a=a, b=b)[0], run(geometry.distance, a=a, b=b)[0]
    assert turned.u == pytest.approx(plain.u, rel=1e-4)
    large = {source for source, part in turned.parts.items() if abs(part) > 1e-3}
    assert large == {"point:a[0]:along", "point:b[0]:along"}


def test_parallax_moves_a_body_as_one() -> None:
    """It leaves a pin's own length alone, and moves all of the pin against the bone."""
    pin = {"parallax": 0.5, "parallax_id": "parallax:pin1"}
    tip, end = spot("tip", (0, 0), placement=0, **pin), spot("end", (0, 70), placement=0, **pin)
    bone = spot("bone", (0, 30), placement=0)
    assert run(geometry.distance, a=tip, b=end)[0].u == pytest.approx(0, abs=1e-12)
    from_tip, from_end = run(geometry.distance, a=bone, b=tip)[0], run(geometry.distance, a=bone, b=end)[0]
    assert from_tip.parts["parallax:pin1:across"] == pytest.approx(-0.5, rel=1e-3)
    assert from_end.parts["parallax:pin1:across"] == pytest.approx(0.5, rel=1e-3)
    assert covariance(from_tip, from_end) == pytest.approx(-0.25, rel=1e-3)


def test_each_landmark_of_a_body_moves_by_its_own_parallax() -> None:
    """What lies twice as deep moves twice as far, with the same error."""
    shallow = spot("a", (0, 0), placement=0, parallax=0.5, parallax_id="parallax:pin1")
    deep = spot("b", (0, 70), placement=0, parallax=1.0, parallax_id="parallax:pin1")
    assert run(geometry.distance, a=shallow, b=deep)[0].u == pytest.approx(0.5, rel=1e-3)


def test_without_uncertainty_there_is_none() -> None:
    """Exact landmarks give an exact value."""
    quantity, method = run(
        geometry.distance, a=spot("a", (0, 0), placement=0), b=spot("b", (3, 4), placement=0)
    )
    assert (quantity.value, quantity.u, method) == (5, 0, "first order")


def test_the_same_landmarks_give_the_same_numbers() -> None:
    """Monte Carlo draws with a fixed seed."""
    results = [run(geometry.distance, a=spot("a", (0, 0)), b=spot("b", (0, 0.4))) for _ in range(2)]
    assert results[0] == results[1]
    assert results[0][1] == "Monte Carlo"


def test_angles_at_half_a_turn() -> None:
    """A pin that points backwards, at 179.9 degrees: steps over the seam do not count as 360 degrees."""
    near, far = spot("near", (0, 0), (30, 0), placement=0), spot("far", (0, 10), (30, 10), placement=0)
    straight, tip = spot("straight", (60, 3)), spot("tip", (0, 3.1))
    quantity, method = run(geometry.angle_to_axis, unit="deg", straight=straight, tip=tip, near=near, far=far)
    assert quantity.value == pytest.approx(179.9, abs=0.01)
    assert quantity.u == pytest.approx(math.degrees(0.3 * math.sqrt(2) / 60), rel=1e-3)
    assert method == "first order"


# --- When Monte Carlo takes over ---


def share_missed(function: Function, unit: str, landmarks: dict[str, UncertainPoints]) -> float:
    """Share of the variance that a straight line through the value misses: 40,000 draws."""
    names = list(landmarks)
    rng = np.random.default_rng(3)
    normal = {name: rng.standard_normal((40_000, *landmarks[name].points.shape)) for name in names}
    points = {name: landmarks[name].points for name in names}

    def less(a: np.ndarray, b: np.ndarray) -> np.ndarray:
        return (a - b + 180) % 360 - 180 if unit == "deg" else a - b

    value = function(*points.values())
    drawn = function(*(points[n] + landmarks[n].placement * normal[n] for n in names))
    linear, variance = np.zeros(40_000), 0.0
    for name in names:
        for place in np.ndindex(points[name].shape):
            step = np.zeros(points[name].shape)
            step[place] = landmarks[name].placement
            up, down = ({**points, name: points[name] + move}.values() for move in (step, -step))
            slope = float(less(function(*up), function(*down))) / 2
            linear += slope * normal[name][:, *place]
            variance += slope**2
    return float(np.mean((less(drawn, value) - linear) ** 2) / variance)


PIN = {"straight": ((0, 0),), "tip": ((8, 2),)}
SHAFT = {"near": ((10, -4), (35, -4)), "far": ((10, 8), (35, 8))}
ARC = [(12 * math.sin(math.radians(t)), 20 - 12 * math.cos(math.radians(t))) for t in (3, 25, 50, 75)]
SCENES: dict[str, tuple[Function, str, dict[str, tuple[tuple[float, float], ...]]]] = {
    "distance": (geometry.distance, "mm", {"a": ((0, 0),), "b": ((0, 4),)}),
    "angle": (geometry.angle_to_axis, "deg", PIN | SHAFT),
    "along a short pin": (geometry.along_pin, "mm", {"a": ((0, 9),), "b": ((-3, -9),)} | PIN),
    "share": (geometry.share_across, "1", {"p": ((9, 2),), "a": ((8, -2),), "b": ((10, 2),)} | SHAFT),
    "gap": (geometry.arc_gap, "mm", {"arc": tuple(ARC), "d": ((0, 8),), "p": ((-5, 9),)}),
}


@pytest.mark.parametrize("size", [0.1, 0.4, 1.0, 2.5])
@pytest.mark.parametrize("scene", SCENES)
def test_monte_carlo_takes_over_where_the_straight_line_fails(scene: str, size: float) -> None:
    """It does where brute force finds twice the limit, and does not below half of it."""
    function, unit, points = SCENES[scene]
    landmarks = {name: spot(name, *places, placement=size) for name, places in points.items()}
    result = propagate.propagate(function, list(landmarks), landmarks, unit)
    share = share_missed(function, unit, landmarks)
    if share < BEND_LIMIT / 2:
        assert result is not None
        assert result[1] == "first order"
    if not share <= BEND_LIMIT * 2:  # also where some draws have no answer
        assert result is None or result[1] == "Monte Carlo"


def test_errors_that_only_act_together_are_seen() -> None:
    """X times y at (0, 0) has no slope and no curve along either axis, and yet a spread of u^2."""
    quantity, method = run(lambda p: p[..., 0, 0] * p[..., 0, 1], a=spot("a", (0, 0), placement=0.3))
    assert method == "Monte Carlo"
    assert quantity.u == pytest.approx(0.09, rel=0.05)


def test_monte_carlo_keeps_the_signed_parts() -> None:
    """What it finds more is one source of its own, so that shared errors still cancel in a change."""
    near = spot("b", (0, 1.2), placement=0.3, habit=0.2)
    quantity, method = run(geometry.distance, a=spot("a", (0, 0)), b=near)
    assert method == "Monte Carlo"
    assert quantity.parts["habit:b:across"] == pytest.approx(0.2, rel=0.1)
    assert quantity.parts["nonlinear:q"] > 0
    assert quantity.u == pytest.approx(math.hypot(*quantity.parts.values()))
    assert difference(quantity, quantity).u == pytest.approx(0, abs=1e-12)


def test_monte_carlo_never_takes_uncertainty_away() -> None:
    """A function that levels off spreads less than its slope says; the slope stands."""
    quantity, method = run(lambda p: np.tanh(p[..., 0, 0]), a=spot("a", (0, 0), placement=2.0))
    assert method == "Monte Carlo"
    assert quantity.u >= math.tanh(2.0)


# --- No answer ---


def test_no_answer_where_the_points_do_not_determine_it() -> None:
    """A circle through points on a line has no answer, nor has a pin without length."""
    line = spot("arc", (0, 0), (1, 1), (2, 2), placement=0)
    landmarks = {"arc": line, "d": spot("d", (3, 3)), "p": spot("p", (4, 4))}
    assert propagate.propagate(geometry.arc_gap, ["arc", "d", "p"], landmarks, "mm") is None


@pytest.mark.parametrize(("beyond", "answered"), [(5.0, True), (2.0, False)])
def test_a_value_that_is_lost_in_too_many_draws_is_doubted(beyond: float, answered: bool) -> None:
    """No answer beyond 5 standard uncertainties (6 in ten million) is no reason; beyond 2 (5 %) it is."""

    def function(p: np.ndarray) -> np.ndarray:
        x = p[..., 0, 0]
        return np.where(np.abs(x) < beyond, x**2, np.nan)

    landmarks = {"a": spot("a", (0, 0), placement=1.0)}
    result = propagate.propagate(function, ["a"], landmarks, "mm")
    assert (result is not None) == answered


def test_linear_is_first_order_unchecked() -> None:
    """Quick for a moving point: the same value, and no Monte Carlo even where it is called for."""
    a, b = spot("a", (0, 0)), spot("b", (0, 0.1))
    given = (geometry.distance, ["a", "b"], {"a": a, "b": b}, "mm")
    full, quick = propagate.propagate(*given), propagate.propagate(*given, linear=True)
    assert full
    assert quick
    assert (full[1], quick[1]) == ("Monte Carlo", "first order")
    assert quick[0].value == full[0].value
    assert quick[0].u < full[0].u
