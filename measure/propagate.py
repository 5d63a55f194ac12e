"""Propagation of landmark uncertainty through a function of points.

First-order propagation with signed contributions by source (JCGM 100:2008, 5.1), from central
differences over plus and minus one standard uncertainty, all in one broadcast call. Where the
function bends too much over that range (points nearly coincide), Monte Carlo takes over (JCGM 101:2008).
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from measure.geometry import Points, Values
from measure.quantity import Quantity

DRAWS = 10_000
SEED = 20260101  # fixed: the same reading must give the same numbers
BEND_LIMIT = 0.05  # second-order share of the variance above which first order is not trusted
LOST_LIMIT = 0.001  # share of draws that may have no answer before the value itself is doubted

Function = Callable[..., Values]


@dataclass(frozen=True)
class UncertainPoints:
    """A landmark's points (n, 2) with the standard uncertainty of each coordinate, in the same unit.

    `placement` is independent from film to film and filed under `placement_id`; `habit` is shared
    by everything that carries the same `habit_id`.
    """

    points: Points
    placement: float
    habit: float
    placement_id: str
    habit_id: str

    @property
    def total(self) -> float:
        """Standard uncertainty of one coordinate from both."""
        return float(np.hypot(self.placement, self.habit))


def propagate(
    function: Function,
    arguments: Sequence[str],
    landmarks: Mapping[str, UncertainPoints],
    unit: str,
    *,
    basis: NDArray[np.float64] | None = None,
    quantity_id: str = "",
) -> tuple[Quantity, str] | None:
    """Evaluate a function of landmarks with its uncertainty.

    Parameters
    ----------
    function, arguments
        Called as function(*[points of each argument]), points (..., n, 2); must broadcast.
    landmarks
        By name; one may serve as several arguments.
    unit
        Of the result; for "deg" differences are wrapped.
    basis
        (2, 2), rows are the unit vectors that contributions are taken along. With the bone's own
        axes, the same habit has the same sign on turned and mirrored films. Default: the film's axes.
    quantity_id
        Names the extra contribution where Monte Carlo finds more than first order.

    Returns
    -------
    (Quantity, method) with method "first order" or "Monte Carlo", or None where the points do not
    determine the result.
    """
    names = list(dict.fromkeys(arguments))
    axes = np.eye(2) if basis is None else basis
    steps = _one_at_a_time([landmarks[name] for name in names], axes)
    results = function(*(steps[names.index(argument)] for argument in arguments))
    value, plus, minus = results[0], *np.split(results[1:], 2)
    if not np.isfinite(results).all():
        return None
    slopes = 0.5 * _less(plus, minus, unit)
    bends = 0.5 * (_less(plus, value, unit) + _less(minus, value, unit))  # half the second derivative times u^2
    parts = _parts(slopes, [landmarks[name] for name in names])
    first_order = Quantity(float(value), unit, parts)
    if 2 * np.sum(bends**2) + np.sum(bends) ** 2 <= BEND_LIMIT * first_order.u**2:
        return first_order, "first order"
    return _monte_carlo(function, arguments, landmarks, first_order, quantity_id)


def _less(a: Values, b: Values, unit: str) -> Values:
    """Return a - b, wrapped for angles."""
    turn: Values = a - b
    return -((180.0 - turn) % 360.0 - 180.0) if unit == "deg" else turn


def _one_at_a_time(landmarks: Sequence[UncertainPoints], axes: NDArray[np.float64]) -> list[Points]:
    """Points of each landmark (1 + 2k, n, 2): as given, then each of k coordinates up, then each down."""
    sizes = [2 * len(landmark.points) for landmark in landmarks]
    count = sum(sizes)
    stacked = []
    start = 0
    for landmark, size in zip(landmarks, sizes, strict=True):
        moves = np.zeros((count, size // 2, 2))
        moves[start : start + size] = (
            np.eye(size).reshape(size, size // 2, 2) @ axes * landmark.total
        )
        points = landmark.points
        stacked.append(np.concatenate([points[None], points + moves, points - moves]))
        start += size
    return stacked


def _parts(slopes: Values, landmarks: Sequence[UncertainPoints]) -> dict[str, float]:
    """Split each coordinate's contribution into its placement and habit shares, by source id."""
    parts: dict[str, float] = {}
    coordinates = iter(slopes.tolist())
    for landmark in landmarks:
        for number in range(len(landmark.points)):
            for direction in ("along", "across"):
                slope = next(coordinates)
                total = landmark.total
                if slope == 0.0 or total == 0.0:
                    continue
                place = f"[{number}]:{direction}"
                if landmark.placement:
                    parts[landmark.placement_id + place] = slope * landmark.placement / total
                if landmark.habit:
                    parts[landmark.habit_id + place] = slope * landmark.habit / total
    return parts


def _monte_carlo(
    function: Function,
    arguments: Sequence[str],
    landmarks: Mapping[str, UncertainPoints],
    first_order: Quantity,
    quantity_id: str,
) -> tuple[Quantity, str] | None:
    """Root mean square deviation from the value over draws, the excess over first order as a part of its own."""
    rng = np.random.default_rng(SEED)
    drawn = {
        name: landmarks[name].points + landmarks[name].total * rng.standard_normal((DRAWS, *landmarks[name].points.shape))
        for name in dict.fromkeys(arguments)
    }
    results = function(*(drawn[argument] for argument in arguments))
    usable = np.isfinite(results)
    if usable.mean() < 1 - LOST_LIMIT:
        return None
    deviation = _less(results[usable], np.float64(first_order.value), first_order.unit)
    excess = float(np.mean(deviation**2)) - first_order.u**2
    extra = {f"nonlinear:{quantity_id}": excess**0.5} if excess > 0 else {}
    return Quantity(first_order.value, first_order.unit, {**first_order.parts, **extra}), "Monte Carlo"
