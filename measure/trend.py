"""Trend of a change over all visits: is it growing, which film does not fit, when would the next film decide.

A straight line through the index film, fitted by generalised least squares (Aitken 1935), since all changes
since the index film share that film's errors. One film that the others contradict is left out and named.
"""

from __future__ import annotations

import datetime
import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from measure.quantity import COVERAGE_95, UNIT_TEXT, Quantity, covariance
from measure.series import INDEX, Case, Change
from measure.sites import Threshold

Array = NDArray[np.float64]

MONTH = 30.0  # days
FEWEST = 2  # changes since the index film, for a slope that one film alone does not make
ODD = 3.0  # a film further off the others' line than this many standard uncertainties is left out; our choice
SURE_U = 1.645  # one-sided 95 %
HORIZON = 730  # days for which a deciding film is sought


@dataclass(frozen=True)
class Trend:
    """How a change since the index film grows.

    `slope` is per 30 days. `left_out` is a change that does not fit the others. `without_last` is the slope
    without the last film. `decides` is the first day on
    which a film as good as the last would show the threshold passed, if the trend holds; None where no film
    within two years would, or the trend is not upwards.
    """

    changes: tuple[Change, ...]
    slope: Quantity
    without_last: Quantity
    left_out: Change | None
    threshold: Threshold
    decides: datetime.date | None

    @property
    def growing(self) -> bool:
        """Whether it grows, away from zero as the threshold counts, and not by the last film alone."""
        return self._beyond(self.slope, COVERAGE_95) and self._beyond(self.without_last, SURE_U)

    @property
    def rests_on_last(self) -> bool:
        """Whether it would grow, but for the last film does not: that may be a failure or a bad film."""
        return self._beyond(self.slope, COVERAGE_95) and not self.growing

    def _beyond(self, slope: Quantity, times: float) -> bool:
        """Whether a slope differs from zero by more than some standard uncertainties."""
        value = abs(slope.value) if self.threshold.side == "either" else slope.value
        return value > times * slope.u and slope.value * self.slope.value > 0

    def text(self) -> str:
        """Say the slope, what was left out, and when a film would decide."""
        unit = UNIT_TEXT[self.slope.unit]
        words = f"{self.slope.text().removesuffix(unit)}{unit} a month over {len(self.changes) + 1} films"
        if self.growing:
            words += ", growing"
        if self.rests_on_last:
            words += ", resting on the last film alone: only another film can tell"
        if self.left_out and self.left_out.later.date:
            words += f"; the film of {self.left_out.later.date} does not fit the others and is left out"
        if self.growing and self.decides:
            limit = f"{self.threshold.limit:g}{unit}"
            words += f"; if this holds, a film on {self.decides} would show more than {limit}"
        return words


def trends(case: Case) -> tuple[Trend, ...]:
    """Give the trend of every change that has a threshold, where there are films enough."""
    return tuple(_trends(case))


def _trends(case: Case) -> Iterator[Trend]:
    lowest: dict[str, Threshold] = {}
    for row in sorted(case.current.view.thresholds, key=lambda row: -row.limit):
        if row.basis == "change":
            lowest[row.quantity] = row
    series: dict[tuple[str, str], list[Change]] = {}
    for change in case.changes:
        if change.basis == INDEX and change.quantity and change.row.name in lowest:
            series.setdefault(change.key, []).append(change)
    for (name, _), changes in series.items():
        if len(changes) >= FEWEST:
            yield fit_trend(changes, lowest[name])


def fit_trend(changes: Sequence[Change], threshold: Threshold) -> Trend:
    """Fit a line through the index film to changes since it, without one that does not fit."""
    dates = [(change.earlier.date, change.later.date) for change in changes]
    days = np.array(
        [(later - earlier).days for earlier, later in dates if earlier and later], dtype=np.float64
    )
    quantities = [change.quantity for change in changes if change.quantity]
    values = np.array([quantity.value for quantity in quantities])
    spread = np.array([[covariance(a, b) for b in quantities] for a in quantities])
    odd = odd_one(days, values, spread)
    kept = np.arange(len(days)) != odd
    days, values, spread = days[kept], values[kept], spread[np.ix_(kept, kept)]
    slope, u = line_through_origin(days, values, spread)
    before = line_through_origin(days[:-1], values[:-1], spread[:-1, :-1])
    source = f"trend:{changes[0].earlier.reading.film_id}:{changes[0].row.name}:{changes[0].row.target}"
    left_out = None if odd is None else changes[odd]
    decides = _decides(slope, days, spread, threshold)
    first = changes[0].earlier.date
    return Trend(
        tuple(change for change in changes if change is not left_out),
        Quantity(MONTH * slope, quantities[0].unit, {source: MONTH * u}),
        Quantity(MONTH * before[0], quantities[0].unit, {f"{source}:without last": MONTH * before[1]}),
        left_out,
        threshold,
        first + datetime.timedelta(decides) if first and decides else None,
    )


def line_through_origin(days: Array, values: Array, spread: Array) -> tuple[float, float]:
    """Slope and its standard uncertainty of a line through the origin.

    Spread (n, n) is the values' covariance.
    """
    weights = np.linalg.solve(spread, days)
    information = float(days @ weights)
    return float(weights @ values) / information, 1.0 / math.sqrt(information)


def odd_one(days: Array, values: Array, spread: Array) -> int | None:
    """Find the one value without which the others lie on a line that it misses by more than `ODD` u.

    None where there is none, or it is not clear which. Never the last: a sudden failure looks just like a bad
    film until there is another film.
    """
    if len(days) < 3:
        return None
    off, rest = np.empty(len(days)), np.empty(len(days))
    for one in range(len(days)):  # films, not draws
        others = np.arange(len(days)) != one
        inner = spread[np.ix_(others, others)]
        slope, _ = line_through_origin(days[others], values[others], inner)
        gain = np.linalg.solve(inner, spread[others, one])
        weights = np.linalg.solve(inner, days[others])
        lever = days[one] - gain @ days[others]
        residual = values[others] - slope * days[others]
        predicted = slope * days[one] + gain @ residual
        variance = spread[one, one] - gain @ spread[others, one] + lever**2 / (days[others] @ weights)
        off[one] = abs(values[one] - predicted) / math.sqrt(variance)
        rest[one] = residual @ np.linalg.solve(inner, residual)
    worst, second = np.argsort(rest)[:2]
    clear = rest[second] - rest[worst] > ODD**2 and off[worst] > ODD
    return int(worst) if clear and worst != len(days) - 1 else None


def _decides(slope: float, days: Array, spread: Array, threshold: Threshold) -> int | None:
    """First day after the last film on which one more like it would put the line surely beyond the limit.

    None where it is there already, or will not be within the horizon.
    """
    limit = max(threshold.limit, threshold.floor)
    rise = abs(slope) if threshold.side == "either" else slope
    already = rise * days[-1] - SURE_U * days[-1] * line_through_origin(days, 0 * days, spread)[1] > limit
    next_days = np.arange(days[-1], days[-1] + HORIZON)
    beyond = rise * next_days - SURE_U * next_days * slope_u_with(next_days, days, spread) > limit
    return int(next_days[np.argmax(beyond)]) if beyond.any() and not already else None


def slope_u_with(next_days: Array, days: Array, spread: Array) -> Array:
    """Give the slope's standard uncertainty (m,) with one more film, as good as the last, on some days (m,).

    It shares the index film's error with all others (n,), as the last one does; `spread` (n, n) is theirs.
    By the inverse of a bordered matrix: it adds its lever squared over its own variance to what is known.
    """
    shared = spread[-1].copy()
    shared[-1] = spread[-1, :-1].mean()
    gain = np.linalg.solve(spread, shared)
    own = spread[-1, -1] - gain @ shared
    lever = next_days - gain @ days
    return np.asarray(1.0 / np.sqrt(days @ np.linalg.solve(spread, days) + lever**2 / own))
