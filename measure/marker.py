"""A marker ball or disc: its centre and diameter.

Found as a round dense patch at some threshold. Its edge is then fitted to the average of the profiles along
all radii: a dense ball lets through next to nothing a fraction of a millimetre inside its outline, so that
what is left of the beam is a step blurred by a Gaussian and lifted by scatter; the film shows its logarithm.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

import cv2
import numpy as np
from scipy.ndimage import map_coordinates
from scipy.optimize import least_squares
from scipy.special import ndtr

from measure.lines import Array
from measure.prepare import Image, Prepared, shrink

DIAMETERS_MM = (8.0, 60.0)
SEARCH_MM = 0.5
ROUND = 0.04  # how far a patch may differ from its enclosing circle's area, as a share
RAYS = 360
MODEL_U = 0.0065  # relative, of what the edge model may be off; from phantom films
SKIN_MM = 0.01  # of a steel ball's edge that the beam shines through: 2 / (2 k sqrt(2 r))^2, k = 1.4/mm


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


def _round_patches(image: Image, mm_per_px: float) -> Iterator[tuple[Array, float, float]]:
    """Centre, radius and roundness of dense round patches, over thresholds."""
    for level in [*np.quantile(image, [0.9, 0.95, 0.98]).tolist(), 0.6, 0.75, 0.9]:
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
    """Density (rays, samples) along radii."""
    angle = np.arange(RAYS) * 2.0 * np.pi / RAYS
    rows = centre[0] + np.sin(angle)[:, None] * reach
    columns = centre[1] + np.cos(angle)[:, None] * reach
    return np.asarray(map_coordinates(film.density, [rows, columns], order=1, mode="nearest", output=float))


def _refined(film: Prepared, centre: Array, radius: float) -> Marker | None:
    """Fit centre and radius; None where the edge is no ball's."""
    span = 1.5 / film.mm_per_px
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
        angle = rays[keep] * 2.0 * np.pi / RAYS
        base = np.stack([np.sin(angle), np.cos(angle), np.ones(len(angle))], axis=1)
        (row, column, radius), *_ = np.linalg.lstsq(base, edge[keep], rcond=None)
        centre = centre + np.array([row, column])
    reach = radius + np.arange(-span, span + 0.25, 0.25)
    return _fit_edge(np.median(_profiles(film, centre, reach), axis=0), reach, radius, centre, film)


def _fit_edge(profile: Array, reach: Array, radius: float, centre: Array, film: Prepared) -> Marker | None:
    """Fit the blurred, lifted step to the average profile."""
    outside, inside = float(profile[-8:].mean()), float(profile[:8].mean())
    rise = inside - outside
    if rise < 0.05:
        return None
    usable = profile < min(outside + 0.97 * rise, 0.995)
    floor = float(film.density.min())
    at_floor = outside < floor + 0.01 * rise  # the open beam may be clipped black
    pixel = 1.0 / film.mm_per_px

    def left(free: Array) -> Array:
        edge, blur, scatter, gain, level, slope = free
        beam = ndtr((reach - edge) / np.exp(blur))
        lifted = np.exp(scatter)
        model = level + slope * (reach - radius) / 10.0 - gain * np.log((beam + lifted) / (1.0 + lifted))
        return np.asarray((profile - (np.maximum(model, outside) if at_floor else model))[usable])

    start = [radius, np.log(0.14 * pixel), -2.0, rise / 2.5, outside - 0.05 * rise * at_floor, 0.0]
    lower = [radius - pixel, np.log(0.05 * pixel), -5.0, 0.1 * rise, outside - 0.5 * rise, -rise]
    upper = [radius + pixel, np.log(0.35 * pixel), -0.5, 2.0 * rise, outside + 0.1 * rise, rise]
    result = least_squares(
        left, start, bounds=(lower, upper), x_scale=[1.0, 0.3, 0.5, 0.1 * rise, 0.1 * rise, 0.1 * rise]
    )
    spread = float(result.fun @ result.fun) / max(usable.sum() - 6, 1)
    covariance = spread * np.linalg.pinv(result.jac.T @ result.jac)
    if np.sqrt(spread) > 0.1 * rise:
        return None
    radius = float(result.x[0]) + SKIN_MM * pixel
    u = float(np.hypot(2.0 * np.sqrt(covariance[0, 0]), 2.0 * radius * MODEL_U))
    return Marker(centre, 2.0 * radius, u)
