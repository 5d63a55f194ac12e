"""The shaft's two cortices distal to the pins, hence its axis.

The film is straightened along the pins. Each cortex is the straight line along which the film rises most
towards the shaft, over all levels at once; both are then placed where each end's levels rise steepest.
"""

from __future__ import annotations

from collections.abc import Sequence

import cv2
import numpy as np

from measure.lines import Array, Line
from measure.pins import Pin, heavier_side
from measure.prepare import Prepared
from measure.strip import Strip, cut_strip, span
from measure.tubes import AWAY_MM, width_across

LEVELS_MM = (5.0, 38.0)  # distal to the tips; two levels at least 20 mm apart lie between
LEAST_MM = 24.0
HALF_MM = 29.0
WIDTHS_MM = (10.5, 20.0)  # of a shaft
# Where its sides lie from the pins' axis at the first level. On a lateral film of an elbow the pins point
# into the other bone, which is as clear but lies further to the heavier side.
NEAR_MM = {"lateral": (-25.0, -8.0), "ap": (-20.0, -4.0)}
FAR_MM = {"lateral": (-12.0, 6.0), "ap": (-6.0, 10.5)}
EDGE_MM = 24.0  # how far from the pins' axis a cortex may lie
OUTERMOST = 0.4  # share of the clearest line's rise that the outermost has
BESIDE_MM = 2.0  # of a shaft, where muscle lies
SAME_MM = 2.0  # lines nearer than this are of one side
SETTLE_MM = 1.5
MOVED_MM = (-0.3, 1.4)  # a far side that settles further inwards or outwards is another edge
SURE = 1.4  # times more that another width must leave
WIDER_MM = 0.35  # a profile's blur shows the shaft so much wider
# How far the outline lies outside the steepest place, as it is seen at this blur; median over phantom shafts.
OUTSIDE_MM = 0.3
BLUR_MM = 0.35
EDGE_U_MM = 0.1
# A shaft's line carried on: its standard uncertainty across, of its direction (tangent), and how far.
U_LINE_MM, U_TURN, CARRIED_MM = 0.16, 0.004, 32.0
LEVEL_MM = 1.5
CLEAR = 0.45  # share of a cortex's usual rise that each third of it must have


def shaft_cortices(film: Prepared, pins: Sequence[Pin], view: str) -> tuple[Array, Array] | None:
    """Find points (2, 2) on either cortex, proximal level first; None where they are not clear.

    First comes the one with less tissue beyond it: dorsal on a lateral film of an elbow, ulnar on an AP film.
    """
    strip = _distal_strip(film, pins) if view in FAR_MM else None
    if strip is None:
        return None
    mm = film.mm_per_px
    rise = _rises(strip, mm)
    heavier = 1.0 if float(strip.normal @ heavier_side(film, pins)) > 0 else -1.0
    pair = (_overlapped if view == "lateral" else _apart)(strip, rise, heavier, view, mm)
    if pair is None:
        return None
    near = _placed(strip, heavier * rise, pair[0], heavier, mm)
    far = _placed(strip, -heavier * rise, _settled(strip, -heavier * rise, pair[1], mm), -heavier, mm)
    if near is None or far is None:
        return None
    moved = heavier * float(((far - strip.origin) @ strip.normal - pair[1]).mean()) * mm
    return (near, far) if MOVED_MM[0] < moved < MOVED_MM[1] else None


def _apart(strip: Strip, rise: Array, heavier: float, view: str, mm: float) -> tuple[Array, Array] | None:
    """Find both sides, where the other bone lies beside the shaft, as the two clearest lines that fit."""
    found = []
    for far_score, far in _best_lines(-heavier * rise, strip, mm):
        for near_score, near in _best_lines(heavier * rise, strip, mm):
            if _is_shaft(heavier * near * mm, heavier * far * mm, view):
                found.append((min(far_score, near_score) + 0.5 * (far_score + near_score), near, far))
    if not found:
        return None
    _, near, far = max(found, key=lambda one: one[0])
    return (near, far) if _holds_bone(strip, near, far, heavier * BESIDE_MM / mm) else None


def _holds_bone(strip: Strip, near: Array, far: Array, beside: float) -> bool:
    """Tell whether the film shows more midway between two sides than just beside them.

    Marrow shows above the muscle to either side, but a gap between two bones below the marrow of both.
    """
    middle, before, after = (_level(strip, ends) for ends in ((near + far) / 2, near - beside, far + beside))
    return middle > max(before, after)


def _level(strip: Strip, ends: Array) -> float:
    """Median of the film along a line that lies across at `ends` at the two end levels."""
    places = np.linspace(ends[0], ends[1], len(strip.values))
    pairs = zip(places, strip.values, strict=True)
    return float(np.median([np.interp(place, strip.across, row) for place, row in pairs]))


def _overlapped(
    strip: Strip, rise: Array, heavier: float, view: str, mm: float
) -> tuple[Array, Array] | None:
    """Find both sides, where the other bone lies over the far one, from the outermost clear line on."""
    lines = _best_lines(heavier * rise, strip, mm)
    clear = [ends for score, ends in lines if score > OUTERMOST * lines[0][0]]
    if not clear:
        return None
    outermost = min(float(heavier * ends.mean()) for ends in clear)
    near = next(ends for ends in clear if float(heavier * ends.mean()) - outermost < SAME_MM / mm)
    along = np.linspace(near[0], near[1], len(rise))
    away = along[:, None] + heavier * AWAY_MM / mm
    if max(abs(float(away.min())), abs(float(away.max()))) > strip.across[-1]:
        return None
    profile = np.mean(
        [np.interp(one, strip.across, row) for one, row in zip(away, strip.values, strict=True)], axis=0
    )
    width, better = width_across(profile)
    far = near + heavier * (width - WIDER_MM) / mm
    if better < SURE or not _is_shaft(heavier * near * mm, heavier * far * mm, view):
        return None
    return near, far


def across_from(cortices: tuple[Array, Array], point: Array, mm_per_px: float) -> tuple[Array, float] | None:
    """Find the places (2, 2) on both cortices straight across the shaft from a point, and their u in pixels.

    None where the point lies too far from the levels at which the shaft was seen, or not between its sides.
    """
    middle = np.mean(cortices, axis=0)
    way = (middle[1] - middle[0]) / np.linalg.norm(middle[1] - middle[0])
    across = np.array([-way[1], way[0]])
    beyond = float((middle[0] - point) @ way)
    sides = []
    for side in cortices:
        along = side[1] - side[0]
        sides.append(side[0] + along * float((point - side[0]) @ way) / float(along @ way))
    places = np.array(sides)
    inside = float((places[0] - point) @ across) * float((places[1] - point) @ across) < 0
    if not inside or abs(beyond) * mm_per_px > CARRIED_MM:
        return None
    return places, float(np.hypot(U_LINE_MM / mm_per_px, U_TURN * beyond))


def _settled(strip: Strip, rise: Array, ends: Array, mm: float) -> Array:
    """Move both ends of a line by little, to where it rises most."""
    step = strip.across[1] - strip.across[0]
    moves = np.arange(-SETTLE_MM, SETTLE_MM + 0.01, 0.15) / mm
    tries = ends + np.stack([part.ravel() for part in np.meshgrid(moves, moves)], axis=1)
    places = tries[:, :1] + (tries[:, 1:] - tries[:, :1]) * np.linspace(0.0, 1.0, len(rise))
    index = np.clip(np.round((places - strip.across[0]) / step).astype(int), 0, rise.shape[1] - 1)
    return np.asarray(tries[int(np.argmax(rise[np.arange(len(rise)), index].mean(axis=1)))])


def _is_shaft(near: Array, far: Array, view: str) -> bool:
    """Whether two sides, mm from the pins' axis at both end levels, may be those of the pins' bone."""
    widths = far - near
    return bool(
        widths.min() > WIDTHS_MM[0]
        and widths.max() < WIDTHS_MM[1]
        and abs(float(widths[1] - widths[0])) < 3.0
        and NEAR_MM[view][0] < near[0] < NEAR_MM[view][1]
        and FAR_MM[view][0] < far[0] < FAR_MM[view][1]
    )


def _distal_strip(film: Prepared, pins: Sequence[Pin]) -> Strip | None:
    if not pins:
        return None
    along = np.sum([pin.along for pin in pins], axis=0)
    along /= np.linalg.norm(along)
    middle = np.mean([pin.tip for pin in pins], axis=0)
    furthest = max(float((pin.tip - middle) @ along) for pin in pins)
    line = Line(middle, along, 0.0)
    mm = film.mm_per_px
    start = furthest + LEVELS_MM[0] / mm
    stop = min(furthest + LEVELS_MM[1] / mm, span(line, film.density.shape)[1] - 6.0 / mm)
    if (stop - start) * mm < LEAST_MM:
        return None
    return cut_strip(
        film.density, line, HALF_MM / mm, max(1, round(LEVEL_MM / mm)), (start, stop), max(1.0, 0.15 / mm)
    )


def _rises(strip: Strip, mm_per_px: float) -> Array:
    """Slope of the film across the strip, (levels, samples), smoothed."""
    step = (strip.across[1] - strip.across[0]) * mm_per_px
    smooth = cv2.GaussianBlur(strip.values, (0, 0), sigmaX=BLUR_MM / step, sigmaY=0.8)
    return np.asarray(np.gradient(smooth, axis=1), dtype=float)


def _best_lines(rise: Array, strip: Strip, mm_per_px: float) -> list[tuple[float, Array]]:
    """Straight lines of most rise, best first: mean rise, and where they lie across at the two end levels."""
    step = strip.across[1] - strip.across[0]
    starts = np.arange(-EDGE_MM, EDGE_MM + 0.01, 0.3) / mm_per_px
    first, last = (part.ravel() for part in np.meshgrid(starts, starts, indexing="ij"))
    slim = np.abs(first - last) * mm_per_px < 0.25 * (strip.along[-1] - strip.along[0]) * mm_per_px
    first, last = first[slim], last[slim]
    share = np.linspace(0.0, 1.0, len(rise))
    places = first[:, None] + (last - first)[:, None] * share
    index = np.clip(np.round((places - strip.across[0]) / step).astype(int), 0, rise.shape[1] - 1)
    seen = rise[np.arange(len(rise)), index]
    thirds = np.stack([part.mean(axis=1) for part in np.array_split(seen, 3, axis=1)], axis=1)
    score = seen.mean(axis=1)
    score = np.where(thirds.min(axis=1) > CLEAR * score, score, 0.0)
    found: list[tuple[float, Array]] = []
    for number in np.argsort(-score)[:400]:
        ends = np.array([first[number], last[number]])
        if score[number] > 0 and all(np.abs(ends - other).max() * mm_per_px > 1.2 for _, other in found):
            found.append((float(score[number]), ends))
        if len(found) == 10:
            break
    return found


def _placed(strip: Strip, rise: Array, ends: Array, inward: float, mm_per_px: float) -> Array | None:
    """Points (2, 2) on the film where a cortex's outline lies, at the first and the last levels."""
    step = strip.across[1] - strip.across[0]
    share = np.linspace(0.0, 1.0, len(rise))
    guess = ends[0] + (ends[1] - ends[0]) * share
    near = np.arange(-1.2, 1.21, step * mm_per_px) / mm_per_px
    index = np.clip(
        np.round((guess[:, None] + near - strip.across[0]) / step).astype(int), 1, rise.shape[1] - 2
    )
    seen = rise[np.arange(len(rise))[:, None], index]
    best = index[np.arange(len(rise)), np.argmax(seen, axis=1)]
    rows = np.arange(len(rise))
    low, middle, high = rise[rows, best - 1], rise[rows, best], rise[rows, best + 1]
    place = strip.across[best] + step * 0.5 * (low - high) / np.minimum(low - 2 * middle + high, -1e-12)
    place -= inward * OUTSIDE_MM / mm_per_px
    line = np.polynomial.Polynomial.fit(strip.along, place, 1)
    off = np.abs(place - line(strip.along))
    kept = off <= 2.5 * np.median(off) + 0.05 / mm_per_px
    if kept.sum() < 0.6 * len(rows) or np.median(off) * mm_per_px > 0.35:
        return None
    line = np.polynomial.Polynomial.fit(strip.along[kept], place[kept], 1)
    levels = strip.along[[0, -1]]
    return np.asarray(strip.on_film(levels, line(levels)))
