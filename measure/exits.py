"""Where a pin's axis crosses the bone's outlines: where it leaves the olecranon, and the far cortex.

The exit: the film is straightened along the pins. The outline of the bone's end is a flat curve across them
along which the film rises most into the bone, wherever no metal hides it. It is then placed, piece by piece,
where each rises steepest. Most of what lies about the pins themselves is hidden by their bends and the wire,
so that the curve is carried on to them, by no more than a few millimetres.

The far cortex: the line of the shaft's cortex, carried on to where the pin's axis meets it.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from measure.bone import U_LINE_MM, U_TURN
from measure.lines import Array
from measure.metal import Region, region
from measure.pins import Pin, down_the_bends
from measure.prepare import Prepared

HALF_MM = 15.0
REACH_MM = (-6.0, 18.0)  # along the pins, from the middle of their bends
SIDES_MM = (1.0, 11.0)  # of the outline, from the pins; the greater side has more tissue, and less metal
FURTHEST_MM = 19.0  # of the outline from the first station
BEFORE_MM, BEYOND_MM = 0.3, 1.5  # free of metal about an edge; beyond it else lies metal's own flank
LEAST_FREE = 0.3  # share of the outline that no metal hides
FIRST = 0.45  # the outermost edge is taken that is so clear, of the clearest
SAME_MM = 5.0  # an oblique curve meets an edge so much before the right one does
PIECE_MM, LEAST_SEEN, LEAST_PIECES = 1.0, 0.6, 4
NEAR_MM = 1.0  # a piece's place about the curve
U_PIECE_MM = 0.08
MOST_LEFT_MM = 0.06  # root mean square of the pieces about the curve
OUTSIDE_MM = 0.12  # of the outline from the steepest place; median over phantom films
# What is tried, and what is known before of the olecranon's end as seen from its pins: slope, and bend per mm
# (its curve has a radius of some 17 to 36 mm). Our choice, from phantom films.
SLOPES, BENDS_PER_MM = np.arange(-0.32, 0.33, 0.08), np.array([0.0, 0.015, 0.03, 0.045])
KNOWN, U_KNOWN = np.array([0.0, -0.04, 0.022]), np.array([1e3, 0.15, 0.01])
MOST_ODD = 5.99  # chi-square of slope and bend, 5 % beyond: the skin's outline is straighter and more oblique
CARRIED_MM, MOST_U_MM = 7.2, 0.7
CORNER_MM, TO_CORNER_MM = -1.5, 5.0  # a pin so far aside may leave by the bone's corner; carried no further
BESIDE_MM, NO_BONE = 2.0, 0.2  # looked at beside a pin; of the step from tissue to bone
U_LEAST_MM = 0.15
NEAREST_MM = 4.0  # to either side of a point, within which the outline nearest to it is looked for
MOST_FAR_U_MM, FURTHEST_FAR_MM = 0.8, 30.0  # along the pin; from the shaft's first level


@dataclass(frozen=True)
class Crossing:
    """Where a pin's axis crosses an outline, (row, column), and the standard uncertainty along it, pixels."""

    pin: Pin
    point: Array
    u_px: float


@dataclass(frozen=True)
class _Curve:
    """Place along the strip, mm, as a polynomial of that across it, mm, lowest power first."""

    factors: Array
    covariance: Array
    seen: Array  # places across, mm, of the pieces it rests on

    def at(self, across: float) -> tuple[float, float]:
        powers = np.array([1.0, across, across**2])
        return float(powers @ self.factors), float(np.sqrt(powers @ self.covariance @ powers))


@dataclass(frozen=True)
class BoneEnd:
    """The outline of the bone's end, seen beside the pins; `heavier` is the way across to more tissue."""

    area: Region
    heavier: float
    curve: _Curve

    def nearest(self, point: Array) -> tuple[Array, float]:
        """Nearest place on the outline to a film point, and its standard uncertainty, mm."""
        along, across = self.area.place_of(point)
        aside = self.heavier * across + np.arange(-NEAREST_MM, NEAREST_MM, 0.05)
        outline = np.polynomial.Polynomial(self.curve.factors)(aside)
        best = int(np.argmin(np.hypot(outline - along, aside - self.heavier * across)))
        place = self.area.on_film(outline[[best]], self.heavier * aside[[best]])[0]
        return place, self.curve.at(float(aside[best]))[1]


def bone_end(film: Prepared, pins: Sequence[Pin]) -> BoneEnd | None:
    """Find the outline of the bone's end at the pins' bends, laterally; None where it is not clear."""
    if not pins:
        return None
    line, heavier = down_the_bends(film, pins)
    area = region(film, pins, line, HALF_MM, REACH_MM)
    curve = _outline(area, heavier)
    return None if curve is None else BoneEnd(area, heavier, curve)


def pin_exits(film: Prepared, pins: Sequence[Pin], end: BoneEnd | None) -> tuple[Crossing, ...]:
    """Find where pins leave the bone through the outline of its end; those for which that is clear."""
    if end is None:
        return ()
    met = (_meets(pin, end.curve, end.area, end.heavier, film.mm_per_px) for pin in pins)
    return tuple(one for one in met if one is not None)


def far_crossings(pins: Sequence[Pin], cortex: Array, mm_per_px: float) -> tuple[Crossing, ...]:
    """Find where pins' axes, prolonged if need be, cross a cortex given by two points (2, 2).

    Those left out do so at too small an angle, or too far from the points.
    """
    length = float(np.linalg.norm(cortex[1] - cortex[0]))
    way = (cortex[1] - cortex[0]) / length
    across = np.array([-way[1], way[0]])
    found = []
    for pin in pins:
        sine = float(pin.along @ across)
        point = pin.tip + pin.along * float((cortex[0] - pin.tip) @ across) / (sine or 1e-9)
        place = float((point - cortex[0]) @ way)
        beyond = max(0.0, -place, place - length)
        u_px = float(np.hypot(U_LINE_MM / mm_per_px, U_TURN * beyond)) / max(abs(sine), 1e-9)
        if u_px * mm_per_px < MOST_FAR_U_MM and abs(place) * mm_per_px < FURTHEST_FAR_MM:
            found.append(Crossing(pin, point, u_px))
    return tuple(found)


def _meets(pin: Pin, curve: _Curve, area: Region, heavier: float, mm: float) -> Crossing | None:
    """Go along a pin's axis to the curve."""
    place, aside = area.place_of(pin.straight)
    aside *= heavier
    forward = float(pin.along @ area.strip.direction)
    sideways = heavier * float(pin.along @ area.strip.normal)
    away = 0.0
    for _ in range(5):  # the curve is flat, so this settles at once
        away = (curve.at(aside + away * sideways)[0] - place) / forward
    across = aside + away * sideways
    u_mm = float(np.hypot(curve.at(across)[1], U_LEAST_MM))
    furthest = CARRIED_MM if across > CORNER_MM else TO_CORNER_MM
    if u_mm > MOST_U_MM or np.abs(curve.seen - across).min() > furthest:
        return None
    if _at_a_corner(area, curve, heavier, (place + away * forward, across)):
        return None
    return Crossing(pin, pin.straight + pin.along * away / mm, u_mm / mm)


def _at_a_corner(area: Region, curve: _Curve, heavier: float, exit_mm: tuple[float, float]) -> bool:
    """Tell whether there is no bone next to the pin's lighter side, just after it is said to have entered it.

    Such a pin leaves by the bone's other side, round the corner, further in than the curve tells.
    """
    values, px_mm = area.strip.values, area.px_mm
    across = heavier * area.strip.across * (px_mm / area.strip.block)
    along = np.arange(len(values))[:, None] * px_mm - np.polynomial.Polynomial(curve.factors)(across)
    seen = area.free & (across > SIDES_MM[0]) & (across < SIDES_MM[1])
    levels = [values[seen & (along > low) & (along < high)] for low, high in ((-3.0, -1.0), (1.2, 3.5))]
    rows = slice(*(max(0, round((exit_mm[0] + away) / px_mm)) for away in (1.0, 3.5)))
    aside = np.flatnonzero((across > exit_mm[1] - BESIDE_MM) & (across < exit_mm[1] - 1.0))
    aside = aside[area.free[rows, aside].mean(axis=0) > LEAST_SEEN] if len(values[rows]) else aside[:0]
    if not (aside.size and levels[0].size and levels[1].size):
        return False
    nearest = aside[np.argmax(across[aside])]
    outside, inside = (float(np.median(level)) for level in levels)
    beside = float(values[rows, nearest][area.free[rows, nearest]].mean())
    return beside - outside < NO_BONE * (inside - outside)


def _outline(area: Region, heavier: float) -> _Curve | None:
    """Find the outline of the bone's end: the outermost clear curve, then its pieces' own places."""
    across = heavier * area.strip.across * (area.px_mm / area.strip.block)
    columns = np.flatnonzero((across > SIDES_MM[0]) & (across < SIDES_MM[1]))
    across, rise, free = across[columns], area.rise(0)[:, columns], _free_about(area)[:, columns]
    starts = np.arange(0, min(len(rise), FURTHEST_MM / area.px_mm), 2)
    start, slope, bend = (part.ravel() for part in np.meshgrid(starts, SLOPES, BENDS_PER_MM, indexing="ij"))
    place = start[:, None] + (slope[:, None] * across + bend[:, None] * across**2) / area.px_mm
    index = np.round(place).astype(int)
    inside = (index >= 0) & (index < len(rise))
    at = np.clip(index, 0, len(rise) - 1), np.arange(len(across))
    clear = free[at] & inside
    seen = clear.sum(axis=1)
    score = np.where(
        seen >= LEAST_FREE * len(across), (rise[at] * clear).sum(axis=1) / np.maximum(seen, 1), 0.0
    ).reshape(len(starts), -1)
    top = score.max(axis=1)
    if not top.any():
        return None
    first = int(np.argmax(top >= FIRST * top.max()))
    within = slice(first, first + round(SAME_MM / area.px_mm / 2))
    best = first * score.shape[1] + int(np.argmax(score[within]))
    return _fitted(_pieces(across, place[best], rise, clear[best], area.px_mm))


def _free_about(area: Region) -> NDArray[np.bool_]:
    """Tell where no metal lies closely before or beyond, along the strip."""
    before, beyond = round(BEFORE_MM / area.px_mm), round(BEYOND_MM / area.px_mm)
    padded = np.pad(area.free, ((before, beyond), (0, 0)))
    windows = np.lib.stride_tricks.sliding_window_view(padded, before + beyond + 1, axis=0)
    return np.asarray(windows.all(axis=-1))


def _pieces(across: Array, place: Array, rise: Array, clear: NDArray[np.bool_], px_mm: float) -> Array:
    """Where the film rises most near a curve, piece by piece: (n, 2) places across and along, mm."""
    near = np.arange(-NEAR_MM, NEAR_MM + 1e-9, px_mm / 2.0)
    stations = np.arange(len(rise))
    number = np.floor((across - SIDES_MM[0]) / PIECE_MM).astype(int)
    found = []
    for piece in range(int(number.max()) + 1):
        columns = np.flatnonzero((number == piece) & clear)
        if len(columns) < LEAST_SEEN * (number == piece).sum():
            continue
        profile = np.mean(
            [np.interp(place[one] + near / px_mm, stations, rise[:, one]) for one in columns], axis=0
        )
        best = int(np.argmax(profile))
        if 0 < best < len(profile) - 1:
            low, middle, high = profile[best - 1 : best + 2]
            more = 0.25 * px_mm * (low - high) / min(low - 2.0 * middle + high, -1e-12)
            found.append((across[columns].mean(), place[columns].mean() * px_mm + near[best] + more))
    return np.array(found).reshape(-1, 2)


def _fitted(pieces: Array) -> _Curve | None:
    """Fit a flat curve, with what is known of it before, leaving out pieces that lie off it."""
    kept = np.ones(len(pieces), dtype=bool)
    for _ in range(3):
        if kept.sum() < LEAST_PIECES:
            return None
        base = pieces[:, :1] ** np.arange(3)
        normal = base[kept].T @ base[kept] / U_PIECE_MM**2 + np.diag(1.0 / U_KNOWN**2)
        right = base[kept].T @ pieces[kept, 1] / U_PIECE_MM**2 + KNOWN / U_KNOWN**2
        factors = np.linalg.solve(normal, right)
        left = np.abs(pieces[:, 1] - base @ factors)
        fitted, kept = kept, left < 2.5 * np.median(left) + 0.1
    odd = float((((factors - KNOWN) / U_KNOWN)[1:] ** 2).sum())
    if np.sqrt(np.mean(left[fitted] ** 2)) > MOST_LEFT_MM or odd > MOST_ODD:
        return None
    return _Curve(
        factors - np.array([OUTSIDE_MM, 0.0, 0.0]),
        np.asarray(np.linalg.inv(normal), dtype=float),
        pieces[fitted, 0],
    )
