"""The notch's joint surface on the distal fragment: a circle's arc beside the pins.

The film is straightened along the pins. The arc is that about which the film rises most outwards, from the
joint space into the bone, on the tips' side of the notch's floor. Its outline is then placed ray by ray, and
a circle is fitted to what lies on one.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray
from scipy.ndimage import map_coordinates

from measure.geometry import fit_circle
from measure.lines import Array, Line
from measure.metal import BLUR_MM, Region, region
from measure.pins import Pin, heavier_side
from measure.prepare import Prepared

HALF_MM, REACH_MM = 34.0, (-2.0, 58.0)  # about the pins' axes, from the middle of their bends
# Degrees distal of the place nearest to the pins: the fracture lies before, the coronoid's tip beyond.
COARSE, FINE = np.radians(np.arange(8.0, 73.0, 2.5)), np.radians(np.arange(4.0, 66.1, 2.0))
RADII_MM, AWAY_MM, ALONG_MM = np.arange(8.5, 14.6, 0.5), np.arange(8.0, 20.1, 0.6), np.arange(14.0, 44.0, 0.6)
LEAST_FREE = 0.6  # of the arc
LEAST_CLEAR = 5.0  # standard deviations of what other circles show
NEAR_MM, STEP_MM, POOLED = 1.2, 0.05, 5  # a ray's edge about the first circle; rays averaged
OFF_MM = 0.3  # from the fitted circle, where an edge is another's
LEAST_SHARE, LEAST_DEGREES = 0.6, 30.0  # of the rays that lie on the circle, and how far they reach
RADIUS_MM = (7.5, 15.0)
OUTSIDE_MM = 0.2  # of the outline from the steepest place, towards the joint; median over phantom films
U_MM = 0.11
POINTS = 5


@dataclass(frozen=True)
class Arc:
    """Points (n, 2) on the film along the notch, proximal first, and the standard uncertainty of each, px."""

    points: Array
    u_px: float


@dataclass(frozen=True)
class Facing:
    """The straightened film with the heavier side to the right."""

    area: Region
    heavier: float
    values: Array
    free: NDArray[np.bool_]

    @property
    def middle(self) -> float:
        """Column of the pins' axis."""
        return 0.5 * float(self.values.shape[1] - 1)

    def places(self, circle: Array, angles: Array, radius: Array | float) -> Array:
        """Stations and samples (2, ...) at angles about a circle (place along, away from the pins), mm."""
        along = circle[0] + radius * np.sin(angles)
        away = circle[1] - radius * np.cos(angles)
        return np.stack([along / self.area.px_mm, away / self.area.px_mm + self.middle])

    def on_film(self, places: Array) -> Array:
        """Film points (n, 2) of places along and away from the pins, mm."""
        return self.area.on_film(places[:, 0], self.heavier * places[:, 1])

    def places_of(self, points: Array) -> Array:
        """Places (n, 2) along and away from the pins, mm, of film points (n, 2)."""
        return np.array([self.area.place_of(point) for point in points]) * [1.0, self.heavier]


def notch_arc(film: Prepared, pins: Sequence[Pin]) -> Arc | None:
    """Find the distal fragment's part of the notch on a lateral film; None where it is not clear."""
    if not pins:
        return None
    view = straightened(film, pins)
    circle = _clearest(view)
    if circle is None:
        return None
    angles, radii = _edges(view, circle)
    edges = view.places(circle, angles, radii).T * view.area.px_mm - [0.0, view.middle * view.area.px_mm]
    kept = _on_one_circle(edges)
    if kept is None or np.degrees(np.ptp(angles[kept])) < LEAST_DEGREES:
        return None
    (centre, radius), reach = fit_circle(edges[kept]), angles[kept]
    towards = np.linspace(reach[0], reach[-1], POINTS)
    # The fitted centre differs from the first circle's; what is kept of the angles is where the arc was seen.
    rays = np.stack(
        [circle[0] + circle[2] * np.sin(towards), circle[1] - circle[2] * np.cos(towards)], axis=1
    )
    rays -= centre
    rays /= np.linalg.norm(rays, axis=1, keepdims=True)
    points = centre + (float(radius) - OUTSIDE_MM) * rays
    return Arc(view.on_film(points), U_MM / film.mm_per_px)


def straightened(film: Prepared, pins: Sequence[Pin]) -> Facing:
    """Straighten a film along its pins, at least one, about the notch."""
    along = np.sum([pin.along for pin in pins], axis=0)
    line = Line(np.mean([pin.straight for pin in pins], axis=0), along / np.linalg.norm(along), 0.0)
    heavier = 1.0 if float(line.across @ heavier_side(film, pins)) > 0 else -1.0
    area = region(film, pins, line, HALF_MM, REACH_MM)
    way = slice(None) if heavier > 0 else slice(None, None, -1)
    smooth = cv2.GaussianBlur(area.strip.values, (0, 0), BLUR_MM / area.px_mm)
    return Facing(area, heavier, smooth[:, way].astype(float), area.free[:, way])


def _clearest(view: Facing) -> Array | None:
    """Find the circle (along, away, radius) about which the film rises most, over both halves of its arc."""
    down, right = (np.gradient(view.values, view.area.px_mm, axis=axis) for axis in (0, 1))
    tries = np.stack(
        [part.ravel() for part in np.meshgrid(ALONG_MM, AWAY_MM, RADII_MM, indexing="ij")], axis=0
    )
    places = view.places(tries[..., None], COARSE, tries[2][:, None])
    index = np.round(places).astype(int)
    shape = np.array(view.values.shape)[:, None, None]
    inside = np.all((index >= 0) & (index < shape), axis=0)
    at = tuple(np.clip(index, 0, shape - 1))
    clear = view.free[at] & inside
    outwards = (down[at] * np.sin(COARSE) - right[at] * np.cos(COARSE)) * clear
    halves = [
        part.sum(axis=1) / np.maximum(seen.sum(axis=1), 1)
        for part, seen in zip(
            np.array_split(outwards, 2, axis=1), np.array_split(clear, 2, axis=1), strict=True
        )
    ]
    score = np.where(clear.mean(axis=1) > LEAST_FREE, np.mean(halves, axis=0) + np.min(halves, axis=0), 0.0)
    best = int(np.argmax(score))
    return tries[:, best] if score[best] > LEAST_CLEAR * np.std(score) else None


def _edges(view: Facing, circle: Array) -> tuple[Array, Array]:
    """Angles, and distances from a circle's centre, mm, at which the film rises most, clear of metal."""
    away = np.arange(-NEAR_MM, NEAR_MM + 1e-9, STEP_MM)
    places = view.places(circle, FINE[:, None], circle[2] + away)
    profile = map_coordinates(view.values, places, order=1, mode="nearest")
    clear = map_coordinates(view.free.astype(float), places, order=0, mode="constant") > 0.5
    rise = np.where(clear, np.gradient(profile, axis=1), 0.0)
    rise = cv2.blur(rise, (1, POOLED))
    best = np.argmax(rise, axis=1)
    good = clear.all(axis=1) & (best > 0) & (best < len(away) - 1)
    return FINE[good], circle[2] + away[best[good]]


def _on_one_circle(edges: Array) -> Array | None:
    """Tell which edges (n, 2) lie on the circle that most of them lie on; None where too few do."""
    kept = np.ones(len(edges), dtype=bool)
    for _ in range(6):
        if kept.sum() < max(POINTS, LEAST_SHARE * len(edges)):
            return None
        centre, radius = fit_circle(edges[kept])
        off = np.abs(np.hypot(*(edges - centre).T) - radius)
        kept = off < max(2.5 * float(np.median(off)), OFF_MM)
    return kept if RADIUS_MM[0] < float(radius) < RADIUS_MM[1] else None
