"""The notch's joint surface on the distal fragment: a circle's arc beside the pins.

The film is straightened along the pins. The arc is that about which the film rises most outwards, from the
joint space into the bone, on the tips' side of the notch's floor, and falls as clearly into that space from
the trochlea, whose groove has the same centre. Its outline is then placed ray by ray, and a circle is fitted
to what lies on one.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray
from scipy.ndimage import map_coordinates
from scipy.optimize import least_squares

from measure.lines import Array
from measure.metal import BLUR_MM, Region, region
from measure.pins import Pin, down_the_bends
from measure.prepare import Prepared

HALF_MM, REACH_MM = 34.0, (-2.0, 58.0)  # about the pins' axes, from the middle of their bends
# Degrees distal of the place nearest to the pins: the fracture lies before, the coronoid's tip beyond.
COARSE, FINE = np.radians(np.arange(8.0, 73.0, 2.5)), np.radians(np.arange(4.0, 66.1, 2.0))
AWAY_MM, ALONG_MM = np.arange(8.0, 20.1, 0.6), np.arange(14.0, 44.0, 0.6)
# Of the notch, and of the trochlea's groove in it, which is smaller by the joint space: 1.5 to 2.5 mm.
RADII_MM, WIDEST_JOINT, NARROWEST_JOINT = np.arange(5.5, 14.6, 0.5), 5, 3
LEAST_FREE = 0.6  # of the arc
LEAST_FLOOR_MM = 0.9  # pins lie in bone, so that half a pin at least lies between
LEAST_CLEAR = 4.3  # standard deviations of what other circles show
NEAR_MM, STEP_MM, POOLED = (1.2, 0.7), 0.05, 5  # a ray's edge about a circle, first and again; rays averaged
# A ray's place, of which some five are independent, and the notch's radius (a trochlear groove 17 mm across
# and the joint space), as the guessed scale shows it.
U_RAY_MM, RADIUS_MM, U_RADIUS_MM = 0.22, 10.5, 1.2
OFF_MM = 0.3  # from the fitted circle, where an edge is another's
LEAST_RAYS, LEAST_SHARE, LEAST_DEGREES = 10, 0.6, 30.0  # rays, those on the circle, and how far they reach
OUTSIDE_MM = 0.2  # of the outline from the steepest place, towards the joint; median over phantom films
U_MM = 0.14
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
    for near in NEAR_MM:
        angles, edges = _edges(view, circle, near)
        if len(edges) < LEAST_RAYS:
            return None
        circle = _fitted(edges, circle)
    off = _away(edges, circle)
    kept = np.abs(off) < OFF_MM
    reach = angles[kept]
    if kept.mean() < LEAST_SHARE or np.degrees(np.ptp(reach)) < LEAST_DEGREES:
        return None
    towards = np.linspace(reach[0], reach[-1], POINTS)
    points = circle[:2] + (circle[2] - OUTSIDE_MM) * np.stack([np.sin(towards), -np.cos(towards)], axis=1)
    return Arc(view.on_film(points), U_MM / film.mm_per_px)


def straightened(film: Prepared, pins: Sequence[Pin]) -> Facing:
    """Straighten a film along its pins, at least one, about the notch."""
    line, heavier = down_the_bends(film, pins)
    area = region(film, pins, line, HALF_MM, REACH_MM)
    way = slice(None) if heavier > 0 else slice(None, None, -1)
    smooth = cv2.GaussianBlur(area.strip.values, (0, 0), BLUR_MM / area.px_mm)
    return Facing(area, heavier, smooth[:, way].astype(float), area.free[:, way])


def _clearest(view: Facing) -> Array | None:
    """Find the circle (along, away, radius) about which the film rises most, beyond a fall into the joint."""
    rises, free = _rises(view)
    wide = len(RADII_MM) - WIDEST_JOINT
    outer = rises[..., WIDEST_JOINT:]
    inner = np.max(
        [-rises[..., gap : gap + wide] for gap in range(WIDEST_JOINT - NARROWEST_JOINT + 1)], axis=0
    )
    floor = AWAY_MM[:, None] - RADII_MM[WIDEST_JOINT:]  # of the notch, from the pins' axis
    possible = (free[..., WIDEST_JOINT:] > LEAST_FREE) & (floor > LEAST_FLOOR_MM)
    score = np.where(possible, outer + np.minimum(inner, outer), 0.0)
    best = np.unravel_index(int(np.argmax(score)), score.shape)
    if score[best] <= LEAST_CLEAR * np.std(score):
        return None
    return np.array([ALONG_MM[best[0]], AWAY_MM[best[1]], RADII_MM[WIDEST_JOINT + best[2]]])


def _rises(view: Facing) -> tuple[Array, Array]:
    """Rise of the film outwards about circles (along, away, radius), mean of both halves' and the lesser one.

    And what share of each is free.
    """
    pad = view.values.shape[1]  # so that no circle leaves the map
    slope = np.gradient(view.values.astype(np.float32), view.area.px_mm)
    seen = np.pad(view.free, pad).ravel()
    ways = np.pad((slope[0] + 1j * slope[1]).astype(np.complex64) * view.free, pad).ravel()
    sines, cosines = (RADII_MM[:, None] * part(COARSE) / view.area.px_mm for part in (np.sin, np.cos))
    stations = np.round(ALONG_MM[:, None, None] / view.area.px_mm + sines).astype(np.int32) + pad
    samples = (
        np.round(AWAY_MM[:, None, None] / view.area.px_mm - cosines + view.middle).astype(np.int32) + pad
    )
    at = (stations * (view.values.shape[1] + 2 * pad))[:, None] + samples
    clear = seen[at]
    outwards = (ways[at] * np.exp(1j * (np.pi / 2.0 - COARSE)).astype(np.complex64)).real
    half = len(COARSE) // 2
    halves = [
        outwards[..., part].sum(axis=-1) / np.maximum(clear[..., part].sum(axis=-1), 1)
        for part in (slice(half), slice(half, None))
    ]
    return np.mean(halves, axis=0) + np.min(halves, axis=0), clear.mean(axis=-1)


def _edges(view: Facing, circle: Array, near_mm: float) -> tuple[Array, Array]:
    """Angles about a circle, and places (n, 2) near it at which the film rises most, clear of metal."""
    away = np.arange(-near_mm, near_mm + 1e-9, STEP_MM)
    places = view.places(circle, FINE[:, None], circle[2] + away)
    profile = map_coordinates(view.values, places, order=1, mode="nearest")
    clear = map_coordinates(view.free.astype(float), places, order=0, mode="constant") > 0.5
    rise = np.where(clear, np.gradient(profile, axis=1), 0.0)
    rise = cv2.blur(rise, (1, POOLED))
    best = np.argmax(rise, axis=1)
    good = clear.all(axis=1) & (best > 0) & (best < len(away) - 1)
    radii = circle[2] + away[best[good]]
    ways = np.stack([np.sin(FINE[good]), -np.cos(FINE[good])], axis=1)
    return FINE[good], circle[:2] + radii[:, None] * ways


def _away(edges: Array, circle: Array) -> Array:
    """How far places (n, 2) lie outside a circle, mm."""
    return np.asarray(np.hypot(*(edges - circle[:2]).T) - circle[2])


def _fitted(edges: Array, first: Array) -> Array:
    """Fit a circle to places (n, 2) that may be another's, robustly; what is known of its radius counts."""

    def left(circle: Array) -> Array:
        return np.append(_away(edges, circle) / U_RAY_MM, (circle[2] - RADIUS_MM) / U_RADIUS_MM)

    return np.asarray(least_squares(left, first, loss="soft_l1", max_nfev=20).x)
