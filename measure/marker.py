"""A marker ball or disc: its centre and diameter.

Found as a round dense patch at some threshold; its edge is then fitted in sectors. A ray at a depth u inside
the outline of a ball of radius r crosses 2 sqrt(2 r u) of it (chord of a circle, near its edge). What is left
of the beam, exp(-k chord), is blurred by a Gaussian and lifted by scatter; the film shows its logarithm by a
display curve, and pixels tell that no finer than they can. Two curves are tried, straight and sigmoid
(`measure.display_curve`), and the better is taken.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from functools import cached_property

import cv2
import numpy as np
from scipy.ndimage import map_coordinates
from scipy.optimize import least_squares
from scipy.special import ndtr

from measure.display_curve import SIGMOID, STRAIGHT, shown, undone
from measure.lines import Array
from measure.pin_fit import STEEL_PER_MM
from measure.prepare import Image, Prepared, shrink
from measure.scale import ScaleInput, found_input

KIND = "ball outline"
DIAMETERS_MM = (8.0, 60.0)
SEARCH_MM = 0.5
LEVELS = (0.3, 0.45, 0.6, 0.75, 0.9)  # of the range, beside quantiles; what scatters makes a ball slope
ROUND = 0.04  # how far a patch may differ from its enclosing circle's area, as a share
RAYS, SECTORS = 360, 72
BAND_MM = 1.5  # fitted on either side of the outline
CORE = 0.5  # of the radius, from where on outwards the ball's inside is fitted
CLIPPED = 0.98  # of the film's range: above it a ball counts as clipped
DEEP_MM = 0.9  # from here on inwards the edge is not seen
BLACK, TOP, CUT = 0.02, 0.97, 0.8  # of the range, and of the ball's own density: nothing beyond is fitted
# Rise outwards from the outline, as a share of the ball's: beyond, a collimator's edge or metal lies beside
# it; and the share of sectors that must be free of it.
MOST_CLIMB, LEAST_SECTORS = 0.1, 0.6
NOISE = 0.01  # of the film's range, of what a sector may be off
# Relative, of what the edge model may be off with either curve; from phantom films.
MODEL_U = {STRAIGHT: 0.0012, SIGMOID: 0.0038}
CLEARLY = 1.15  # times the cost of the better curve, from where on the other is ruled out
# What the fit starts from and is drawn to, weakly: blur (log mm and pixels), gain (log share of the range),
# open beam below black (share), a clipped ball above the top (log share); and how weakly.
USUAL_BLUR = (0.13, 0.3)
USUAL, WEAKLY = np.array([np.log(0.2), -0.05, np.log(0.2)]), np.array([0.4, 1.0, 0.1, 1.0])
PAD = 8  # samples beyond those fitted, over which the pixels spread an edge
_TURNS = np.linspace(-1.0, 1.0, 201)  # waves per pixel that samples half a pixel apart can show
_NODES, _WEIGHTS = np.polynomial.legendre.leggauss(16)


@dataclass(frozen=True)
class Marker:
    """Centre (row, column), diameter and its standard uncertainty, pixels."""

    centre: Array
    diameter: float
    u_diameter: float


def find_marker(film: Prepared) -> Marker | None:
    """Find the marker; None where nothing round and dense is there."""
    small = shrink(film.density, SEARCH_MM / film.mm_per_px)
    factor = film.density.shape[0] / small.shape[0]
    best = max(_round_patches(small, film.mm_per_px * factor), key=lambda found: found[2], default=None)
    if best is None:
        return None
    centre, radius = (best[0] + 0.5) * factor - 0.5, best[1] * factor
    return _refined(film, centre, radius)


def ball_input(film: Prepared, diameter_mm: float) -> tuple[ScaleInput | None, str]:
    """Scale from the ball on a film, and why there is none (else "").

    Raises ScaleError for a diameter that is not positive.
    """
    marker = find_marker(film)
    if marker is None:
        return None, "no ball was found"
    u = marker.u_diameter / marker.diameter
    return found_input(KIND, marker.centre.tolist(), (0.0, 1.0), marker.diameter, u, diameter_mm), ""


def _round_patches(image: Image, mm_per_px: float) -> Iterator[tuple[Array, float, float]]:
    """Centre, radius and roundness of dense round patches, over thresholds."""
    for level in [*np.quantile(image, [0.9, 0.95, 0.98]).tolist(), *LEVELS]:
        mask = cv2.morphologyEx((image > level).astype(np.uint8), cv2.MORPH_OPEN, np.ones((9, 9), np.uint8))
        _, _, stats, middles = cv2.connectedComponentsWithStats(mask)
        for (left, top, width, height, area), middle in zip(stats[1:], middles[1:], strict=True):
            inside = left > 0 and top > 0 and left + width < image.shape[1] and top + height < image.shape[0]
            across = (width + height) / 2.0
            fill = area / (np.pi / 4.0 * width * height)
            off = max(abs(fill - 1.0), abs(width - height) / across)
            if inside and off < ROUND and DIAMETERS_MM[0] < across * mm_per_px < DIAMETERS_MM[1]:
                yield middle[::-1].copy(), float(np.sqrt(area / np.pi)), across * (1.0 - off)


def _profiles(film: Prepared, centre: Array, reach: Array) -> Array:
    """Density (rays, samples) along radii; by cubic splines, for straight ones broaden the edge."""
    angle = (np.arange(RAYS) + 0.5) * 2.0 * np.pi / RAYS
    rows = centre[0] + np.sin(angle)[:, None] * reach
    columns = centre[1] + np.cos(angle)[:, None] * reach
    first = [max(int(place.min()) - 8, 0) for place in (rows, columns)]
    patch = film.density[first[0] : int(rows.max()) + 9, first[1] : int(columns.max()) + 9]
    return np.asarray(map_coordinates(patch, [rows - first[0], columns - first[1]], order=3, mode="nearest"))


def _refined(film: Prepared, centre: Array, radius: float) -> Marker | None:
    """Fit centre and radius; None where the edge is no ball's."""
    span = BAND_MM / film.mm_per_px
    for _ in range(3):
        reach = radius + np.arange(-span, span + 0.25, 0.25)
        seen = _profiles(film, centre, reach)
        level = (np.median(seen[:, :4]) + np.median(seen[:, -4:])) / 2.0
        below = seen < level
        first = np.argmax(below, axis=1)
        usable = (first > 0) & below.any(axis=1)
        if usable.mean() < 0.6:
            return None
        rays = np.flatnonzero(usable)
        high, low = seen[rays, first[rays] - 1], seen[rays, first[rays]]
        edge = reach[first[rays] - 1] + 0.25 * (high - level) / np.maximum(high - low, 1e-9)
        keep = np.abs(edge - np.median(edge)) < 3.0
        angle = (rays[keep] + 0.5) * 2.0 * np.pi / RAYS
        base = np.stack([np.sin(angle), np.cos(angle), np.ones(len(angle))], axis=1)
        (row, column, radius), *_ = np.linalg.lstsq(base, edge[keep], rcond=None)
        centre = centre + np.array([row, column])
    return _fit_edge(film, centre, radius)


@dataclass(frozen=True)
class _Edge:
    """Sectors of a film about a ball's outline: density (sectors, samples) at distances from the centre.

    core: the same at distances `deep`, well inside the ball.
    """

    seen: Array
    reach: Array
    core: Array
    deep: Array
    radius: float
    mm_per_px: float

    @property
    def shape(self) -> Array:
        """(sectors, 5): what each unknown adds to a sector's radius: radius, shift, oblong."""
        angle = (np.arange(SECTORS) + 0.5) * 2.0 * np.pi / SECTORS
        waves = [part for turns in (1, 2) for part in (np.sin(turns * angle), np.cos(turns * angle))]
        return np.stack([np.ones(SECTORS), *waves], axis=1)

    @property
    def levels(self) -> tuple[Array, Array]:
        """(sectors,): density inside the ball and outside it."""
        deep = DEEP_MM / self.mm_per_px
        inner, outer = self.reach < self.radius - deep, self.reach > self.radius + deep
        return np.median(self.seen[:, inner], axis=1), np.median(self.seen[:, outer], axis=1)

    @cached_property
    def kernels(self) -> Array:
        """(sectors, 2 PAD + 1): how pixels, and splines through them, show a density along a sector's radius.

        A metal's edge is steeper in the density than pixels can tell. Splines of third order through them
        are, on the mean over all places of the edge among them, the density convolved with the cardinal
        spline along rows and columns (Unser, Aldroubi & Eden, IEEE Trans Signal Process 1993;41:821, from
        memory).
        """
        angle = (np.arange(SECTORS) + 0.5) * 2.0 * np.pi / SECTORS
        away = (self.reach[1] - self.reach[0]) * np.arange(-PAD, PAD + 1)
        passed = _passed(_TURNS * np.sin(angle)[:, None]) * _passed(_TURNS * np.cos(angle)[:, None])
        kernels = passed @ np.cos(2.0 * np.pi * _TURNS[:, None] * away)
        return np.asarray(kernels / kernels.sum(axis=1, keepdims=True))

    def within(self, curve: float) -> Array:
        """Attenuation (sectors, samples) of the ball's inside, continued to its edge and beyond.

        There is scatter alone, which rises towards the limb: a polynomial of second order across the ball.
        """
        seen = self.core < CLIPPED
        if not seen.any():
            return np.zeros_like(self.seen)
        found, *_ = np.linalg.lstsq(
            self._across(self.deep)[seen], undone(np.clip(self.core[seen], 0.0, 1.0), curve), rcond=None
        )
        return np.asarray(self._across(self.reach) @ found)

    def _across(self, away: Array) -> Array:
        """Terms (sectors, samples, 6) of the polynomial, at distances from the centre."""
        angle = (np.arange(SECTORS)[:, None] + 0.5) * 2.0 * np.pi / SECTORS
        down, right = np.sin(angle) * away / self.radius, np.cos(angle) * away / self.radius
        return np.stack([np.ones_like(down), down, right, down**2, down * right, right**2], axis=-1)

    def model(self, free: Array, curve: float, within: Array) -> Array:
        """Density (sectors, samples); free: shape, log blur, log gain, open beam, log of clipped top."""
        inside, outside = self.levels
        inner = np.where(
            inside[:, None] > CLIPPED,
            undone(TOP, curve) + np.exp(free[8]),
            within,
        )
        outer = np.where(outside < BLACK, undone(0.0, curve) + free[7], undone(outside, curve))
        gain = np.exp(free[6])
        scatter = 1.0 / np.expm1(np.clip((inner - outer[:, None]) / gain, 0.05, 50.0))
        scatter = np.pad(scatter, ((0, 0), (PAD, PAD)), mode="edge")
        strength = 2.0 * STEEL_PER_MM * self.mm_per_px * np.sqrt(2.0 * self.radius)
        step = self.reach[1] - self.reach[0]
        beyond = step * np.arange(1, PAD + 1)
        reach = np.concatenate([self.reach[0] - beyond[::-1], self.reach, self.reach[-1] + beyond])
        depth = (self.shape @ free[:5])[:, None] - reach
        left = _edge_beam(depth, float(np.exp(free[5])), strength)
        level = outer[:, None] - gain * (np.log(left + scatter) - np.log1p(scatter))
        density = np.clip(shown(level, curve), 0.0, 1.0)
        windows = np.lib.stride_tricks.sliding_window_view(density, 2 * PAD + 1, axis=1)
        return np.asarray(np.einsum("snk,sk->sn", windows, self.kernels, optimize=True))


def _passed(turns: Array) -> Array:
    """Share of a wave of so many turns per pixel that splines of third order through the pixels keep."""
    return np.asarray(np.sinc(turns) ** 4 * 3.0 / (2.0 + np.cos(2.0 * np.pi * turns)))


def _edge_beam(depth: Array, blur: float, strength: float) -> Array:
    """Share of the beam left at depths (...) inside an outline: exp(-strength sqrt(depth)), blurred."""
    reach = 7.0 / strength  # nothing is left beyond; the integral is over the depth's root
    root = (_NODES + 1.0) / 2.0 * reach
    weight = _WEIGHTS / 2.0 * reach * 2.0 * root * np.exp(-strength * root)
    near = np.exp(-0.5 * ((depth[..., None] - root**2) / blur) ** 2) / (blur * np.sqrt(2.0 * np.pi))
    return np.asarray(ndtr(-depth / blur) + near @ weight)


def _fit_edge(film: Prepared, centre: Array, radius: float) -> Marker | None:
    """Fit the outline's edge in sectors by either curve; the diameter is the least width of the outline."""
    span = BAND_MM / film.mm_per_px
    reach = radius + np.arange(-span, span + 0.5, 0.5)
    seen = _profiles(film, centre, reach).reshape(SECTORS, RAYS // SECTORS, -1).mean(axis=1)
    deep = np.linspace(CORE * radius, radius - DEEP_MM / film.mm_per_px, 12)
    core = _profiles(film, centre, deep).reshape(SECTORS, RAYS // SECTORS, -1).mean(axis=1)
    edge = _Edge(seen, reach, core, deep, radius, film.mm_per_px)
    inside, outside = edge.levels
    rise = (inside - outside)[:, None]
    usable = (seen < np.minimum(outside[:, None] + CUT * rise, TOP)) & (seen > BLACK) & (rise > 0.1)
    beyond = seen[:, reach > radius]
    climb = (beyond - np.minimum.accumulate(beyond, axis=1)).max(axis=1, keepdims=True)
    usable &= climb < MOST_CLIMB * rise
    if usable.any(axis=1).mean() < LEAST_SECTORS or usable.sum() < 2 * SECTORS:
        return None
    mm, pixels = USUAL_BLUR
    usual = np.concatenate([[np.log(mm / film.mm_per_px + pixels)], USUAL])

    def left(free: Array, curve: float, within: Array) -> Array:
        apart = np.where(usable, edge.model(free, curve, within) - seen, 0.0)
        return np.concatenate([apart.ravel() / NOISE, (free[5:] - usual) / WEAKLY])

    start = np.concatenate([[radius, 0, 0, 0, 0], usual])
    steps = [*[0.3] * 5, 0.3, 0.3, 0.1, 0.5]
    how = {"x_scale": steps, "loss": "soft_l1", "max_nfev": 25, "xtol": 1e-5, "ftol": 1e-5}
    fits = {curve: least_squares(left, start, args=(curve, edge.within(curve)), **how) for curve in MODEL_U}
    curve = min(fits, key=lambda each: float(fits[each].cost))
    fit = fits[curve]
    spread = 2.0 * float(fit.cost) / usable.sum()
    if np.sqrt(spread) * NOISE > 0.1 * float(np.median(rise)):
        return None
    found = float(fit.x[0]) - float(np.hypot(*fit.x[3:5]))  # a ball off the beam's middle is filmed oblong
    own = np.sqrt(spread * np.linalg.pinv(fit.jac.T @ fit.jac)[0, 0])
    clear = max(each.cost for each in fits.values()) > CLEARLY * fit.cost
    model = MODEL_U[curve if clear else SIGMOID]
    return Marker(centre + fit.x[1:3], 2.0 * found, float(2.0 * np.hypot(own, found * model)))
