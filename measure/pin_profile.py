"""Radius of bars from their profile, with what scatters modelled as it is: one level, smooth along the bars.

Behind an attenuation a of tissue, and bars that leave a share L of the beam (blurred), a film shows
-g log(exp(-a) L + S), with a gain g and scatter S. With A the level beside the bars and P = -g log(S) the
level that metal without end would have, that is

    P - g log(1 + (exp((P - A) / g) - 1) L).

A is a line across at each station, so that bone does no harm; P is smooth along the bars, for scatter is;
g, the radius, the blur and how strongly the metal takes the beam are those of the whole film. So what the
tissue does to the bars' height from station to station tells scatter from width. Fitted by Gauss and Newton's
way with damping, the stations' own lines eliminated; each sample is weighed down by how far it is off, so
that wires count little. The metal is taken to be steel: titanium takes less of the beam, and its width comes
out wrong.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from measure.lines import Array
from measure.pin_fit import STEEL_PER_MM, mean_path

FINER = 4  # steps of a sample in which a bar's edge is worked out, for its chord rises steeply there
WINDOW = 2.0  # radii from a bar's axis within which the film is fitted
ORDER = 3  # of the polynomial that scatter follows along the bars
ROUNDS, TRIES = 25, 6
FAR = 3.0  # standard deviations from where on a sample counts less
USUAL_SCATTER = 0.35  # share of what the tissue lets through; to start from
GAIN_U = 0.6  # of the logarithm of the gain, about what scatters of 0.05 to 1 make it
# Of the logarithm of steel's attenuation: iron's is 2.9, 1.5 and 0.95 per mm at 40, 50 and 60 keV (NIST XCOM,
# from memory), and tubes of 50 to 70 kV are filtered more or less.
STEEL_U = 0.3
ALIKE = 10.0  # so many samples err alike, by what the model leaves out; from phantom films
GAIN = -ORDER - 2  # its logarithm's place among what is fitted
BLUR = GAIN - 1
RADIUS = BLUR - 1
STEEL = RADIUS - 1  # the same of how strongly the metal takes the beam, over what stations say
SIZES = np.s_[STEEL : GAIN + 1]  # places of steel, radius, blur and gain
DRAWN = np.array([STEEL, GAIN])  # places of what is drawn to what is usual
LEAST_DROP, MOST_DROP = 0.02, 8.0  # of the beam behind the tissue above scatter, exponent


def beam_left(across: Array, centres: Array, radius: float, blur: float, strength: float) -> Array:
    """Share (stations, samples) of the beam that bars at centres (bars, stations) leave, blurred.

    Worked out from the mean path of steps finer than samples.
    """
    step = (across[1] - across[0]) / FINER
    fine = (across[:, None] + step * (np.arange(FINER) - (FINER - 1) / 2.0)).ravel()
    path = mean_path(fine, centres, radius)
    kernel = np.exp(-0.5 * ((fine[:, None] - across) / max(blur, 0.75 * step)) ** 2)
    kernel /= kernel.sum(axis=0)
    return np.asarray(1.0 + np.expm1(-strength * path) @ kernel)


@dataclass(frozen=True)
class Profile:
    """What was fitted, lengths in pixels.

    free: lines of the bars (each distance across at the pivot, and slope), log of steel's strength over
    the stations', of radius, blur and gain, and the polynomial of P. backs: (stations, 2), level beside the
    bars and its slope. u: relative standard uncertainty of the radius, for noise, and for what steel and gain
    may be.
    """

    free: Array
    backs: Array
    u: float
    left_over: Array  # (stations, samples), 0 where nothing is fitted

    @property
    def lines(self) -> Array:
        """(bars, 2)."""
        return self.free[:STEEL].reshape(-1, 2)

    @property
    def radius(self) -> float:
        """Of all bars alike."""
        return float(np.exp(self.free[RADIUS]))


@dataclass(frozen=True)
class Stations:
    """What is fitted: attenuation (stations, samples) at places along and across, and where the bars run.

    lines: (bars, 2), about where. run: first and last place along, over which scatter is smooth.
    """

    signal: Array
    across: Array
    along: Array
    pivot: float
    run: tuple[float, float]
    strength: float
    lines: Array
    radius: float

    @classmethod
    def along_bars(
        cls, signal: Array, across: Array, along: Array, pivot: float, lines: Array, radius: float, mm: float
    ) -> Stations:
        """All stations of a strip, cut to what lies near the bars."""
        centres = lines[:, :1] + lines[:, 1:] * (along - pivot)
        near = (across > centres.min() - 1.2 * WINDOW * radius) & (
            across < centres.max() + 1.2 * WINDOW * radius
        )
        run = (float(along[0]), float(along[-1]))
        strength = STEEL_PER_MM * 2.0 * radius * mm
        return cls(signal[:, near], across[near], along, pivot, run, strength, lines, radius)

    def only(self, chosen: NDArray[np.bool_]) -> Stations:
        """Return some of the stations."""
        return replace(self, signal=self.signal[chosen], along=self.along[chosen])

    @property
    def centres(self) -> Array:
        """(bars, stations): about where the bars' axes are."""
        return self._places(self.lines)

    @property
    def weight(self) -> Array:
        """(stations, samples): 1 near a bar."""
        near = np.abs(self.across - self.centres[..., None]) < WINDOW * self.radius
        return np.asarray(near.any(axis=0), dtype=float)

    @property
    def aside(self) -> Array:
        """(stations, samples): how far from the bars' middle, in diameters."""
        return np.asarray((self.across - self.centres.mean(axis=0)[:, None]) / (2.0 * self.radius))

    @property
    def waves(self) -> Array:
        """(stations, ORDER + 1): Legendre's polynomials along the run."""
        first, last = self.run
        share = 2.0 * (self.along - first) / (last - first) - 1.0
        return np.asarray(np.polynomial.legendre.legvander(share, ORDER), dtype=float)

    def _places(self, lines: Array) -> Array:
        return np.asarray(lines[:, :1] + lines[:, 1:] * (self.along - self.pivot))

    def left(self, free: Array) -> Array:
        """Share of the beam left, by lines, steel, radius and blur."""
        lines = free[:STEEL].reshape(-1, 2)
        steel, radius, blur = np.exp(free[STEEL:GAIN])
        strength = self.strength * float(steel)
        return beam_left(self.across, self._places(lines), radius, float(blur), strength)

    def model(self, free: Array, backs: Array, left: Array) -> tuple[Array, Array, Array, Array]:
        """Signal, and its slopes by what is left of the beam, by the level beside and by log gain."""
        gain, level = np.exp(free[GAIN]), (self.waves @ free[-ORDER - 1 :])[:, None]
        drop = np.clip((level - backs[:, :1] - backs[:, 1:] * self.aside) / gain, LEAST_DROP, MOST_DROP)
        whole = 1.0 + np.expm1(drop) * left
        by_back = left * np.exp(drop) / whole
        by_gain = gain * (drop * by_back - np.log(whole))
        return level - gain * np.log(whole), -gain * np.expm1(drop) / whole, by_back, by_gain

    def start(self, blur: float, height: float) -> tuple[Array, Array]:
        """Start from a blur (pixels) and the bars' height (signal)."""
        gain = height / np.log((1.0 + USUAL_SCATTER) / (np.exp(-self.strength) + USUAL_SCATTER))
        clear = self.weight * np.all(
            np.abs(self.across - self.centres[..., None]) > 1.4 * self.radius, axis=0
        )
        base = np.stack([np.ones_like(self.aside), self.aside], axis=1) * clear[:, None]
        normal = base @ base.transpose(0, 2, 1) + 1e-6 * np.eye(2)
        backs = np.linalg.solve(normal, base @ self.signal[..., None])[..., 0]
        level = float(np.median(backs[:, 0])) + gain * np.log1p(1.0 / USUAL_SCATTER)
        rest = [0.0, np.log(self.radius), np.log(blur), np.log(gain), level, *[0.0] * ORDER]
        return np.concatenate([self.lines.ravel(), rest]), backs

    def slopes(self, free: Array, left: Array, by: tuple[Array, Array, Array]) -> Array:
        """Slopes (free, stations, samples) of the signal."""
        by_left, by_back, by_gain = by
        steps = np.concatenate(
            [np.tile([0.05, 0.05 / (self.run[1] - self.run[0])], len(self.lines)), [0.05, 0.01, 0.03]]
        )
        moves = np.eye(len(free))[: len(steps)] * steps[:, None]
        shaped = [
            by_left * (self.left(free + move) - left) / step for move, step in zip(moves, steps, strict=True)
        ]
        smooth = (1.0 - by_back) * self.waves.T[..., None]
        return np.concatenate([np.stack(shaped), by_gain[None], smooth])


@dataclass(frozen=True)
class _Normal:
    """The normal equations about a state: each sample's weight, the cost, and both sides.

    The stations' own levels are eliminated: inverse (of their own parts), mixed and own_pull give them back.
    """

    share: Array
    cost: float
    inverse: Array
    mixed: Array
    whole: Array
    reduced: Array
    pull: Array
    own_pull: Array

    @classmethod
    def about(
        cls, stations: Stations, free: Array, backs: Array, left: Array, usual: Array, usual_u: Array
    ) -> _Normal:
        """Build them where the film's noise is what the state leaves of it."""
        seen, *by = stations.model(free, backs, left)
        off, weight, unusual = stations.signal - seen, stations.weight, (free - usual)[DRAWN] / usual_u
        noise = max(1.4826 * float(np.median(np.abs(off[weight > 0]))), 1e-4)
        share = weight / (1.0 + (off / (FAR * noise)) ** 2) ** 2 / noise**2 / ALIKE
        slopes = stations.slopes(free, left, (by[0], by[1], by[2]))
        own = np.stack([by[1], by[1] * stations.aside], axis=1)
        inverse, mixed, whole, pull, own_pull = _normal_parts(slopes, own, share, off)
        whole[DRAWN, DRAWN] += usual_u**-2
        pull[DRAWN] -= unusual / usual_u
        reduced = whole - np.einsum("sgk,skl,shl->gh", mixed, inverse, mixed, optimize=True)
        pull = pull - np.einsum("sgk,skl,sl->g", mixed, inverse, own_pull, optimize=True)
        return cls(share, _cost(off, share, unusual), inverse, mixed, whole, reduced, pull, own_pull)

    def step(self, damping: float, shape_too: bool) -> tuple[Array, Array]:
        """Tell how to change what is free (not at all without `shape_too`) and the stations' levels."""
        damped = self.reduced + np.diag(damping * np.diag(self.whole) + 1e-6)
        change = np.linalg.solve(damped, self.pull) * shape_too
        change[SIZES] = np.clip(change[SIZES], -0.3, 0.3)
        own = self.own_pull - np.einsum("sgk,g->sk", self.mixed, change)
        return np.asarray(change, dtype=float), np.einsum("skl,sl->sk", self.inverse, own)


def fit_profile(
    stations: Stations,
    free: Array,
    backs: Array,
    usual: Array,
    shape_too: bool = True,
    gain_u: float = GAIN_U,
    steel_u: float = STEEL_U,
) -> Profile:
    """Fit from a start; with `shape_too` false only the levels beside the bars.

    usual: as free; its steel and gain are what the fit is drawn to. gain_u, steel_u: what those may be off.
    """
    usual_u = np.array([steel_u, gain_u])
    damping, left = 1e-2, stations.left(free)
    for _ in range(ROUNDS if shape_too else 6):
        normal = _Normal.about(stations, free, backs, left, usual, usual_u)
        for _ in range(TRIES):
            change, rest = normal.step(damping, shape_too)
            new = free + change, backs + rest
            new_left = stations.left(new[0]) if shape_too else left
            off = stations.signal - stations.model(*new, new_left)[0]
            unusual = (new[0] - usual)[DRAWN] / usual_u
            gained = normal.cost - _cost(off, normal.share, unusual)
            if gained > 0.0:
                (free, backs), left, damping = new, new_left, damping / 6.0
                break
            damping *= 8.0
        if gained < 1e-4:
            break
    off = stations.weight * (stations.signal - stations.model(free, backs, left)[0])
    u = float(np.sqrt(np.linalg.pinv(normal.reduced)[RADIUS, RADIUS]))
    return Profile(free, backs, u, off)


def _cost(off: Array, share: Array, unusual: Array) -> float:
    return float((share * off**2).sum() + unusual @ unusual)


def _normal_parts(
    slopes: Array, own: Array, share: Array, off: Array
) -> tuple[Array, Array, Array, Array, Array]:
    """Build the parts: the stations' own, inverted; mixed; common; and both right sides."""
    heavy, own_heavy = slopes * share, own * share[:, None]
    flat, heavy_flat = (every.reshape(len(slopes), -1) for every in (slopes, heavy))
    parts = (
        np.linalg.inv(own_heavy @ own.transpose(0, 2, 1) + 1e-6 * np.eye(own.shape[1])),
        np.einsum("gsx,skx->sgk", heavy, own, optimize=True),
        heavy_flat @ flat.T,
        heavy_flat @ off.ravel(),
        np.einsum("skx,sx->sk", own_heavy, off),
    )
    inverse, mixed, whole, pull, own_pull = (np.asarray(part, dtype=float) for part in parts)
    return inverse, mixed, whole, pull, own_pull
