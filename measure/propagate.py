"""Propagation of landmark uncertainty through a function of points.

First-order propagation with signed contributions by source (JCGM 100:2008, 5.1), from central
differences over plus and minus one standard uncertainty. A few random draws in the same broadcast call
show whether that straight line holds when all errors come together; where it does not (points nearly
coincide), Monte Carlo takes over (JCGM 101:2008).
"""

from __future__ import annotations

import functools
import math
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from measure.geometry import Points, Values
from measure.quantity import Quantity, wrap_degrees

DRAWS = 4_000  # in pairs of opposite sign; u is then known to about 1 %
TRIALS = 200  # enough to know the share below to about a third of itself
SEED = 20260101  # fixed: the same reading must give the same numbers
BEND_LIMIT = 0.1  # share of the variance missed by the straight line, above which it is not trusted
LOST_LIMIT = 0.001  # share of draws that may have no answer before the value itself is doubted

Function = Callable[..., Values]
Cause = tuple[Values, dict[str, float]]  # how far each point goes; shares by source, of unit sum of squares


@dataclass(frozen=True)
class UncertainPoints:
    """A landmark's points (n, 2) with the standard uncertainty of each coordinate, in the same unit.

    `placement` is independent from point to point and film to film, filed under `placement_id`. `habit` moves
    all of its points alike and is shared by everything that carries the same `habit_id`. `parallax` moves all
    landmarks of one body that lies off the bone's plane together, each by its own amount, and is filed under
    `parallax_id`.
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
    linear: bool = False,
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
    linear
        First order alone, unchecked: quick, for a landmark that is still being moved; not to be kept.

    Returns
    -------
    (Quantity, method) with method "first order" or "Monte Carlo", or None where the points do not
    determine the result.
    """
    names = list(dict.fromkeys(arguments))
    points = np.concatenate([landmarks[name].points for name in names])
    ends = np.cumsum([len(landmarks[name].points) for name in names])
    moves, shares = _errors([landmarks[name] for name in names], np.eye(2) if basis is None else basis)

    def evaluate(draws: NDArray[np.float64]) -> Values:
        """Evaluate for draws (m, k) of the k independent errors, each in its standard uncertainty."""
        # One small product a draw: a large one goes to threads, and waits where a core is busy.
        off = (draws[:, None] @ moves).reshape(-1, *points.shape)
        moved = np.split(points + off, ends[:-1], axis=1)
        return function(*(moved[names.index(argument)] for argument in arguments))

    count = len(shares)
    steps, trials = np.eye(count), _draws(0 if linear else TRIALS, count)
    results = evaluate(np.concatenate([np.zeros((1, count)), steps, -steps, trials]))
    value, plus, minus, tried = np.split(results, [1, 1 + count, 1 + 2 * count])
    if not np.isfinite(results[: 1 + 2 * count]).all():
        return None
    slopes = 0.5 * _less(plus, minus, unit)
    parts = {
        source: slope * share
        for slope, row in zip(slopes.tolist(), shares, strict=True)
        for source, share in row.items()
        if slope
    }
    first_order = Quantity(float(value[0]), unit, parts)
    if linear:
        return first_order, "first order"
    missed = _less(tried, value, unit) - trials @ slopes
    if np.mean(missed**2) <= BEND_LIMIT * first_order.u**2:  # false for a trial without an answer
        return first_order, "first order"
    return _monte_carlo(evaluate, count, first_order, quantity_id)


def _less(a: Values, b: Values, unit: str) -> Values:
    """Return a - b, wrapped for angles."""
    return wrap_degrees(a - b) if unit == "deg" else a - b


@functools.lru_cache(maxsize=64)
def _draws(count: int, errors: int) -> NDArray[np.float64]:
    """Draw standard normal errors (count, errors), the same ones each time."""
    draws = np.random.default_rng(SEED).standard_normal((count, errors))
    draws.flags.writeable = False
    return draws


def _errors(
    landmarks: Sequence[UncertainPoints], axes: NDArray[np.float64]
) -> tuple[NDArray[np.float64], list[dict[str, float]]]:
    """List the k independent errors behind some landmarks.

    Returns where one standard uncertainty of each moves all points (k, points x 2), and its shares
    by source id, of unit sum of squares.
    """
    size = sum(len(landmark.points) for landmark in landmarks)
    causes: list[Cause] = []
    bodies: dict[str, Values] = {}
    start = 0
    for landmark in landmarks:
        points = range(start, start + len(landmark.points))
        causes += _own_causes(landmark, points, size)
        if landmark.parallax:
            bodies.setdefault(landmark.parallax_id, np.zeros(size))[points] = landmark.parallax
        start = points.stop
    causes += [(weights, {body: 1.0}) for body, weights in bodies.items()]
    weights = np.array([weights for weights, _ in causes]).reshape(-1, size)
    moves = np.einsum("cp,da->cdpa", weights, axes).reshape(-1, 2 * size)
    shares = [
        {f"{source}:{direction}": share for source, share in row.items() if share}
        for _, row in causes
        for direction in ("along", "across")
    ]
    return moves, shares


def _own_causes(landmark: UncertainPoints, points: range, size: int) -> Iterator[Cause]:
    """Give the errors of one landmark's clicks: placing each point, and one habit for all of them.

    Of a single point both are one cause, shared out, since they move the same thing.
    """
    errors = [
        ({f"{landmark.placement_id}[{n}]": landmark.placement}, slice(p, p + 1)) for n, p in enumerate(points)
    ]
    if len(points) > 1:
        errors.append(({landmark.habit_id: landmark.habit}, slice(points.start, points.stop)))
    else:
        errors[0][0][landmark.habit_id] = landmark.habit
    for parts, moved in errors:
        if total := math.hypot(*parts.values()):
            weights = np.zeros(size)
            weights[moved] = total
            yield weights, {source: part / total for source, part in parts.items()}


def _monte_carlo(
    evaluate: Callable[[NDArray[np.float64]], Values], errors: int, first_order: Quantity, quantity_id: str
) -> tuple[Quantity, str] | None:
    """First order, with what draws show beyond it as a part of its own.

    The value stands though it is biased (a distance near zero comes out too long on average), so the
    bias is added to the spread: both at once keep the interval honest at the worst place, zero
    (Phillips, Eberhardt & Parry, J Res NIST 1997;102:577, from memory).
    """
    half = _draws(DRAWS // 2, errors)
    results = evaluate(np.concatenate([half, -half]))
    usable = np.isfinite(results)
    if usable.mean() < 1 - LOST_LIMIT:
        return None
    deviation = _less(results[usable], np.asarray(first_order.value), first_order.unit)
    u = max(float(deviation.std()), first_order.u) + abs(float(deviation.mean()))
    extra = {f"nonlinear:{quantity_id}": math.sqrt(u**2 - first_order.u**2)}
    return Quantity(first_order.value, first_order.unit, {**first_order.parts, **extra}), "Monte Carlo"
