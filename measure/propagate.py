"""Propagation of landmark uncertainty through a function of points.

First-order propagation with signed contributions by source (JCGM 100:2008, 5.1), from central
differences over plus and minus one standard uncertainty, all in one broadcast call. Where the
function bends too much over that range (points nearly coincide), Monte Carlo takes over (JCGM 101:2008).
"""

from __future__ import annotations

import itertools
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
    by everything that carries the same `habit_id`; `parallax` moves together all landmarks of one
    body that lies off the bone's plane, and is filed under `parallax_id`.
    """

    points: Points
    placement: float
    habit: float = 0.0
    parallax: float = 0.0
    placement_id: str = "point"
    habit_id: str = "habit"
    parallax_id: str = "parallax"


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
    used = {name: landmarks[name] for name in arguments}
    moves, shares = _errors(used, np.eye(2) if basis is None else basis)

    def evaluate(draws: NDArray[np.float64]) -> Values:
        """The function for draws (m, k) of the k independent errors, each in its standard uncertainty."""
        moved = {name: used[name].points + np.tensordot(draws, moves[name], axes=1) for name in used}
        return function(*(moved[name] for name in arguments))

    steps = np.eye(len(shares))
    results = evaluate(np.concatenate([np.zeros_like(steps[:1]), steps, -steps]))
    if not np.isfinite(results).all():
        return None
    value, plus, minus = results[0], *np.split(results[1:], 2)
    slopes = 0.5 * _less(plus, minus, unit)
    bends = 0.5 * (
        _less(plus, value, unit) + _less(minus, value, unit)
    )  # half the second derivative times u^2
    parts = {source: slope * share for slope, row in zip(slopes.tolist(), shares, strict=True) if slope
             for source, share in row.items()}  # fmt: skip
    first_order = Quantity(float(value), unit, parts)
    if 2 * np.sum(bends**2) + np.sum(bends) ** 2 <= BEND_LIMIT * first_order.u**2:
        return first_order, "first order"
    return _monte_carlo(evaluate, len(shares), first_order, quantity_id)


def _less(a: Values, b: Values, unit: str) -> Values:
    """Return a - b, wrapped for angles."""
    turn: Values = a - b
    return -((180.0 - turn) % 360.0 - 180.0) if unit == "deg" else turn


def _errors(
    landmarks: Mapping[str, UncertainPoints], axes: NDArray[np.float64]
) -> tuple[dict[str, Points], list[dict[str, float]]]:
    """The independent errors behind some landmarks.

    Returns, for each landmark, where one standard uncertainty of each of k errors moves its points,
    (k, n, 2); and for each error its shares by source id, of unit sum of squares.
    """
    shares: list[dict[str, float]] = []
    rows: list[tuple[str, int | None, Points]] = []  # landmark or body, which of its points, by how much
    for name, landmark in landmarks.items():
        total = float(np.hypot(landmark.placement, landmark.habit))
        sources = ((landmark.placement_id, landmark.placement), (landmark.habit_id, landmark.habit))
        for number, (direction, axis) in itertools.product(
            range(len(landmark.points) if total else 0), _along(axes)
        ):
            rows.append((name, number, total * axis))
            shares.append({f"{source}[{number}]:{direction}": u / total for source, u in sources if u})
    bodies = {landmark.parallax_id: landmark.parallax for landmark in landmarks.values() if landmark.parallax}
    for (body, u), (direction, axis) in itertools.product(bodies.items(), _along(axes)):
        rows.append((body, None, u * axis))
        shares.append({f"{body}:{direction}": 1.0})
    moves = {name: np.zeros((len(rows), *landmark.points.shape)) for name, landmark in landmarks.items()}
    for error, (owner, number, move) in enumerate(rows):
        for name, landmark in landmarks.items():
            if number is None and landmark.parallax and landmark.parallax_id == owner:
                moves[name][error] = move
            elif number is not None and name == owner:
                moves[name][error, number] = move
    return moves, shares


def _along(axes: NDArray[np.float64]) -> tuple[tuple[str, Points], tuple[str, Points]]:
    return ("along", axes[0]), ("across", axes[1])


def _monte_carlo(
    evaluate: Callable[[NDArray[np.float64]], Values], errors: int, first_order: Quantity, quantity_id: str
) -> tuple[Quantity, str] | None:
    """Root mean square deviation from the value over draws, the excess over first order as a part of its own."""
    results = evaluate(np.random.default_rng(SEED).standard_normal((DRAWS, errors)))
    usable = np.isfinite(results)
    if usable.mean() < 1 - LOST_LIMIT:
        return None
    deviation = _less(results[usable], np.asarray(first_order.value), first_order.unit)
    excess = float(np.mean(deviation**2)) - first_order.u**2
    extra = {f"nonlinear:{quantity_id}": excess**0.5} if excess > 0 else {}
    return Quantity(first_order.value, first_order.unit, {**first_order.parts, **extra}), "Monte Carlo"
