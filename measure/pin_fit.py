"""Straight bars fitted to a strip of film: what a beam leaves of round bars, blurred, with scatter.

A ray at a distance x from the axis of a bar of radius r crosses 2 sqrt(r^2 - x^2) of it (chord of a circle).
Where bars overlap their paths add. What is left of the beam, exp(-k path), is blurred by a Gaussian and
lifted by scatter f before the film takes the logarithm; f also takes up a display curve that flattens the
metal's top. Each station of the strip has a gain and a sloping background of its own, solved linearly
(variable projection, Golub and Pereyra 1973, from memory), so that bone beside the pin does no harm.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from measure.lines import Array
from measure.strip import Strip

STEEL_PER_MM = 1.4  # at some 60 kV, 1/mm; a round figure, no source. What it is off, the scatter takes up
WINDOW = 1.35  # diameters from a bar's axis within which the film is fitted
QUIET = 0.35  # share of the stations that no wire crosses, at least
ENDS_MM = 2.5  # kept clear of a bar's ends
LEAST_STATIONS = 8
MOST_STEPS, MOST_DAMPING, LEAST_GAIN = 20, 1e4, 2e-4  # of a fit
SMALL, TINY = 1e-3, 1e-12  # steps for slopes, in scales; what keeps equations solvable
LONGEST = 2.0  # step of a part of the fit, in scales


@dataclass(frozen=True)
class BarFit:
    """Bars fitted to a strip: lengths in pixels of the film.

    Parameters
    ----------
    lines
        (bars, 2): distance across the strip at `pivot`, and slope.
    radius, blur, scatter
        Of all bars alike; blur as a standard deviation, scatter as a share of the beam.
    rms
        Of what the fit leaves, in units of density.
    covariance
        Of lines (row by row), log radius, log blur and logit of scatter, from what the fit leaves.
    used
        (stations,): which were fitted.
    misfit
        (stations,): root mean square of what is left at each, density.
    gain
        (stations,): the bars' strength at each, density, in units of
    peak
        what the shape of one bar alone reaches at its middle.
    """

    lines: Array
    pivot: float
    radius: float
    blur: float
    scatter: float
    rms: float
    covariance: Array
    used: NDArray[np.bool_]
    misfit: Array
    gain: Array
    peak: float

    @property
    def typical(self) -> float:
        """Median of what is left at the stations fitted: wires that cross a few of them do not raise it."""
        return float(np.nanmedian(self.misfit))

    @property
    def height(self) -> float:
        """How far a bar's middle stands out of the background, density; the median of the stations."""
        return float(np.nanmedian(self.gain)) * self.peak

    def at(self, along: Array | float) -> Array:
        """Distance across (bars, ...) at places along the strip."""
        along = np.asarray(along, dtype=float)
        return np.asarray(
            self.lines[:, 0, *[None] * along.ndim] + np.multiply.outer(self.lines[:, 1], along - self.pivot)
        )


def mean_path(across: Array, centres: Array, radius: float) -> Array:
    """Mean path (stations, samples) through bars at centres (bars, stations) over each sample, in diameters.

    On the samples' middles alone the chord's steep edges put the radius off by up to 3 %, as they lie.
    """
    step = across[1] - across[0]
    edges = np.append(across, across[-1] + step) - step / 2.0
    sine = np.clip((edges - centres[..., None]) / radius, -1.0, 1.0)
    angle = sine * (np.pi / 2.0)  # right beside the bars; only within is the slow arc sine needed
    np.arcsin(sine, out=angle, where=np.abs(sine) < 1.0)
    area = (sine * np.sqrt(1.0 - sine * sine) + angle).sum(axis=0)  # of the circles up to each edge
    return np.asarray((area[..., 1:] - area[..., :-1]) * (radius / 2.0 / step))


def bars_seen(
    across: Array, centres: Array, radius: float, blur: float, scatter: float, strength: float
) -> Array:
    """Shape (stations, samples) of bars at centres (bars, stations) on the film, 0 where there is none.

    strength: what a ray along the diameter of one bar is weakened by, exponent.
    """
    step = across[1] - across[0]
    path = mean_path(across, centres, radius)
    # A mean over a sample blurs by its own part already.
    spread = max(np.sqrt(max(blur**2 - step**2 / 12.0, 0.0)), 0.25 * step)
    lag = np.arange(len(across))
    kernel = np.exp(-0.5 * (lag * (step / spread)) ** 2)[np.abs(lag[:, None] - lag)]
    kernel /= kernel.sum(axis=0)
    left = 1.0 + np.expm1(-strength * path) @ kernel
    return np.asarray(-np.log(left + scatter) + np.log(1.0 + scatter))


@dataclass(frozen=True)
class _Solved:
    """What a fit came to: the free parts, residuals (n,), and how these change with those (n, parts)."""

    free: Array
    left: Array
    slopes: Array


@dataclass(frozen=True)
class _Problem:
    """What is fitted.

    Parameters
    ----------
    along, across
        Of the strip: (stations,), (samples,).
    pivot, present
        Where the lines' distances hold; where on the strip bars are there, (bars, stations).
    root, background
        Root of the samples' weight (stations, samples), and the sloping backgrounds so weighted,
        orthonormal (stations, 2, samples).
    values
        (stations, samples): density so weighted, its background taken away.
    strength
        As in `bars_seen`.
    held
        Whether radius, blur and scatter stay as they are.

    Free parts: lines (row by row), log radius, log blur, logit of scatter.
    """

    along: Array
    across: Array
    pivot: float
    present: NDArray[np.bool_]
    root: Array
    background: Array
    values: Array
    strength: float
    held: bool

    def only(self, chosen: NDArray[np.bool_]) -> _Problem:
        """Give the same at some of the stations (stations,)."""
        return replace(
            self,
            along=self.along[chosen],
            present=self.present[:, chosen],
            root=self.root[chosen],
            background=self.background[chosen],
            values=self.values[chosen],
        )

    def shape(self, free: Array) -> Array:
        """Bars (stations, samples) as the beam shows them."""
        line = free[:-3].reshape(-1, 2)
        place = line[:, :1] + line[:, 1:] * (self.along - self.pivot)
        place = np.where(self.present, place, 1e6)
        radius, blur, scatter = np.exp(free[-3:])
        return bars_seen(self.across, place, radius, blur, float(scatter), self.strength)

    def project(self, free: Array) -> tuple[Array, Array]:
        """Residuals (stations, samples), weighted, and gains (stations,)."""
        seen = _cleared(self.root * self.shape(free), self.background)
        gain = np.einsum("sx,sx->s", seen, self.values) / (np.einsum("sx,sx->s", seen, seen) + 1e-9)
        return self.values - gain[:, None] * seen, gain

    def misfit(self, free: Array) -> Array:
        """Root mean square of what is left at each station (stations,)."""
        counts = np.maximum((self.root**2).sum(axis=1), 1.0)
        return np.asarray(np.sqrt((self.project(free)[0] ** 2).sum(axis=1) / counts))

    def solve(self, start: Array, width: float) -> _Solved:
        """Fit from a start, for a bar of about a width (pixels), within what a bar may be.

        Levenberg and Marquardt's steps by the normal equations, which are few (Marquardt 1963).
        """
        lines = (start.size - 3) // 2
        step = [0.1 * width, 0.1 * width / max(np.ptp(self.along), 1.0)]
        scales = np.concatenate([np.tile(step, lines), [0.05, 0.3, 0.5]])
        lower = np.array([-np.inf] * 2 * lines + [np.log(0.3 * width), np.log(0.02 * width), -5.0])
        upper = np.array([np.inf] * 2 * lines + [np.log(width), np.log(0.3 * width), 1.5])
        if self.held:
            lower[-3:] = upper[-3:] = start[-3:]
        free, damping = start, 1e-2
        left = self.project(free)[0].ravel()
        slopes = self._slopes(free, left, scales)
        for _ in range(MOST_STEPS):
            downhill = -slopes.T @ left
            stuck = ((free <= lower) & (downhill < 0.0)) | ((free >= upper) & (downhill > 0.0))
            square = np.where(stuck | stuck[:, None], 0.0, slopes.T @ slopes)
            damped = square + np.diag(damping * np.diag(square) + TINY)
            way = np.where(stuck, 0.0, np.linalg.solve(damped, np.where(stuck, 0.0, downhill)))
            tried = np.clip(free + scales * np.clip(way, -LONGEST, LONGEST), lower, upper)
            rest = self.project(tried)[0].ravel()
            gained = 1.0 - float(rest @ rest) / max(float(left @ left), 1e-30)
            if gained <= 0.0:
                damping *= 8.0
                if damping > MOST_DAMPING:
                    break
                continue
            free, left, damping = tried, rest, damping / 8.0
            slopes = self._slopes(free, left, scales)
            if gained < LEAST_GAIN:
                break
        return _Solved(free, left, slopes / scales)

    def _slopes(self, free: Array, left: Array, scales: Array) -> Array:
        """How the residuals (n,) change with each free part (n, parts), per its scale."""
        moves = [self.project(free + SMALL * scales * one)[0].ravel() for one in np.eye(len(free))]
        return np.asarray((np.stack(moves, axis=1) - left[:, None]) / SMALL)


def _cleared(values: Array, background: Array) -> Array:
    """Values (stations, samples) without what of them is background, orthonormal (stations, n, samples)."""
    shares = np.einsum("skx,sx->sk", background, values)
    return np.asarray(values - np.einsum("sk,skx->sx", shares, background))


def _problem(
    strip: Strip, pivot: float, present: NDArray[np.bool_], weight: Array, strength: float, held: bool
) -> _Problem:
    """Prepare what is fitted: the sloping background of each station is taken away once for all."""
    root = np.sqrt(weight)
    level = root / np.maximum(np.linalg.norm(root, axis=1, keepdims=True), TINY)
    slope = _cleared(root * strip.across / np.abs(strip.across).max(), level[:, None])
    slope /= np.maximum(np.linalg.norm(slope, axis=1, keepdims=True), TINY)
    background = np.stack([level, slope], axis=1)
    values = _cleared(root * strip.values, background)
    return _Problem(
        strip.along, strip.across, pivot, present, root, background, values, strength, held
    )  # fmt: skip


def _where(
    strip: Strip, centres: Array, runs: Sequence[tuple[float, float]], width: float, clear: float
) -> tuple[NDArray[np.bool_], NDArray[np.bool_], NDArray[np.bool_]]:
    """Where bars are there (bars, stations), what lies near them (stations, samples), usable stations.

    Stations within `clear` pixels of a bar's end are not usable, unless a later bar runs on there: to leave
    those out too found no more pins (61 phantom films).
    """
    first, last = (np.array(ends)[:, None] for ends in zip(*runs, strict=True))
    present = (strip.along > first + clear) & (strip.along < last - clear)
    at_end = (np.abs(strip.along - first) <= clear) | (np.abs(strip.along - last) <= clear)
    beside = np.abs(strip.across - centres[..., None]) < WINDOW * width
    near = np.asarray((present[..., None] & beside).any(axis=0))
    usable = near.sum(axis=1) > 6
    active = np.zeros(len(strip.along), bool)
    for inside, ending in zip(present, at_end, strict=True):
        active = (active | inside) & ~ending
    return present, near, active & usable


def fit_bars(
    strip: Strip,
    lines: Array,
    pivot: float,
    runs: Sequence[tuple[float, float]],
    width: float,
    mm_per_px: float,
    excluded: NDArray[np.bool_] | None = None,
    rounds: int = 2,
    like: BarFit | None = None,
) -> BarFit | None:
    """Fit bars to a strip, from lines (bars, 2) as in `BarFit` and their runs along it.

    width: pixels, of each bar, to start from. excluded: (stations, samples) that say nothing, such as
    clipped ones. like: a fit whose radius, blur and scatter these bars have. Returns None where too little of
    the film is left to fit.
    """
    centres = lines[:, :1] + lines[:, 1:] * (strip.along - pivot)
    present, near, first = _where(strip, centres, runs, width, ENDS_MM / mm_per_px)
    weight = near.astype(float)
    if excluded is not None:
        weight *= ~excluded
        first &= weight.sum(axis=1) > 0.5 * near.sum(axis=1)
    strength = STEEL_PER_MM * width * mm_per_px
    problem = _problem(strip, pivot, present, weight, strength, like is not None)
    shape = (
        (width / 2, 0.12 * width, np.exp(-1.4)) if like is None else (like.radius, like.blur, like.scatter)
    )
    free = np.concatenate([lines.ravel(), np.log(shape)])
    used, misfit = first, np.full(len(first), np.nan)
    for _ in range(rounds):
        if used.sum() < LEAST_STATIONS:
            return None
        chosen, result = used, problem.only(used).solve(free, width)
        free = result.free
        misfit[first] = problem.only(first).misfit(free)
        quiet = float(np.nanquantile(misfit, QUIET))
        used = first & (np.nan_to_num(misfit, nan=np.inf) < 2.0 * quiet)
    return _bar_fit(problem, result, chosen, misfit) if used.sum() >= LEAST_STATIONS else None


def _bar_fit(problem: _Problem, result: _Solved, chosen: NDArray[np.bool_], misfit: Array) -> BarFit:
    free, fitted = result.free, problem.only(chosen)
    gain = np.full(len(misfit), np.nan)
    gain[chosen] = fitted.project(free)[1]
    freedom = max(float((fitted.root**2).sum()) - 3 * chosen.sum() - len(free), 1.0)
    variance = float(result.left @ result.left) / freedom
    covariance = variance * np.linalg.pinv(result.slopes.T @ result.slopes)
    radius, blur, scatter = (float(part) for part in np.exp(free[-3:]))
    alone = bars_seen(problem.across, np.zeros((1, 1)), radius, blur, scatter, problem.strength)
    return BarFit(
        free[:-3].reshape(-1, 2), problem.pivot, radius, blur, scatter,
        float(np.sqrt(variance)), covariance, chosen, misfit, gain, float(alone.max()),
    )  # fmt: skip
