"""The wire's proximal loop, on a lateral film: where it turns round the pins, and the bone nearest to it.

There the wire runs along the beam, so that it shows as a bright spot as wide as the wire, just beyond the
pins on the side of more tissue, with nothing further that way. A hook's end is wider and less bright. Where a
bend lies over the spot, or another stands out nearly as well, nothing is said.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from measure.exits import BoneEnd
from measure.lines import Array
from measure.pins import Pin, down_the_bends
from measure.prepare import Prepared
from measure.strip import cut_strip
from measure.wire import Wire

PIXEL_MM, BLUR_MM = 0.12, 0.12
# Looked at: along the pins from the middle of their bends, and beyond the outermost of them.
ALONG_MM, BEYOND_MM, MARGIN_MM = (-8.0, 6.0), (0.9, 5.0), 2.4
RINGS_MM = 0.85, 1.2  # about the middle of a wire: next to its edge, and well beside it
EDGE_SHARE = 1.5  # of what stands out from the nearer ring, which blur still reaches
WAYS = np.radians(np.arange(-90.0, 91.0, 15.0))  # about the way beyond the pins, that must be darker
LEAST, RIVAL = 0.7, 0.5  # of a pin's height; of it, what may stand out elsewhere
APART_MM = 1.2
# Brighter than a pin, in its height, as only a wire along the beam is; else as slim as a wire, in its width.
BRIGHT, SLIM, NEAR_MM, FINER = 2.0, 0.62, 0.6, 3
DISTAL_MM = 0.17  # of the loop's middle from the brightest place; median over phantom films
U_MM, U_SEAT_MM = 0.25, 0.3
MOST_OFF_BONE_MM = 5.0  # beyond, the outline is another


@dataclass(frozen=True)
class Loop:
    """The loop's middle and its seat on the bone, (row, column), each with u of a coordinate, pixels."""

    middle: Array
    u_px: float
    seat: Array | None
    u_seat_px: float


def wire_loop(film: Prepared, pins: Sequence[Pin], wire: Wire | None, end: BoneEnd | None) -> Loop | None:
    """Find the loop of a wire; None where no wire was found, or it is not clear.

    Its seat is the nearest place on the outline of the bone's end, where that is told.
    """
    if wire is None or not pins:
        return None
    middle = _brightest(film, pins)
    if middle is None:
        return None
    mm = film.mm_per_px
    seat, u_mm = (None, U_SEAT_MM) if end is None else end.nearest(middle)
    if seat is not None and np.hypot(*(seat - middle)) * mm > MOST_OFF_BONE_MM:
        seat = None
    return Loop(middle, U_MM / mm, seat, float(np.hypot(u_mm, U_SEAT_MM)) / mm)


def _brightest(film: Prepared, pins: Sequence[Pin]) -> Array | None:
    """Find the place that stands out most as a wire's end does; None where that is not clear."""
    mm = film.mm_per_px
    line, side = down_the_bends(film, pins)
    outermost = max(side * float((pin.straight - line.point) @ line.across) * mm for pin in pins)
    block = max(1, round(PIXEL_MM / mm))
    reach = (ALONG_MM[0] - MARGIN_MM) / mm, (ALONG_MM[1] + MARGIN_MM) / mm
    half = (outermost + BEYOND_MM[1] + MARGIN_MM) / mm
    strip = cut_strip(film.density, line, half, block, reach, float(block))
    px_mm = block * mm
    smooth = cv2.GaussianBlur(strip.values, (0, 0), BLUR_MM / px_mm)
    away = side * strip.across * mm
    columns = np.flatnonzero((away > outermost + BEYOND_MM[0]) & (away < outermost + BEYOND_MM[1]))
    rim = round(MARGIN_MM / px_mm)
    rows = np.arange(rim, len(smooth) - rim)
    score = _standing_out(smooth, rows, columns, side, px_mm)
    height, width = np.median([(pin.trace.fit.height, pin.width * mm) for pin in pins], axis=0)
    score /= height
    row, column = (int(part) for part in np.unravel_index(int(np.argmax(score)), score.shape))
    down, right = np.meshgrid(np.arange(len(rows)) - row, np.arange(len(columns)) - column, indexing="ij")
    elsewhere = np.hypot(down, right) * px_mm > APART_MM
    if score[row, column] < LEAST or score[elsewhere].max() > RIVAL * score[row, column]:
        return None
    spot = smooth[rows[row] - rim : rows[row] + rim + 1, columns[column] - rim : columns[column] + rim + 1]
    if score[row, column] < BRIGHT and _width(spot, score[row, column] * height, px_mm) > SLIM * width:
        return None
    place = strip.along[rows[row]] + DISTAL_MM / mm
    return np.asarray(strip.on_film(np.array([place]), np.array([strip.across[columns[column]]]))[0])


def _width(spot: NDArray[np.float32], height: float, px_mm: float) -> float:
    """Width of what a spot's middle belongs to, mm: of the largest disc near it above half its height."""
    size = FINER * spot.shape[1], FINER * spot.shape[0]
    fine = cv2.resize(spot, size, interpolation=cv2.INTER_CUBIC)
    middle = (np.array(fine.shape) - 1) / 2.0
    above = fine > spot[spot.shape[0] // 2, spot.shape[1] // 2] - height / 2.0
    inside = cv2.distanceTransform(above.astype(np.uint8), cv2.DIST_L2, 5)
    down, right = np.ogrid[: fine.shape[0], : fine.shape[1]]
    near = np.hypot(down - middle[0], right - middle[1]) * px_mm / FINER < NEAR_MM
    return 2.0 * float(inside[near].max()) * px_mm / FINER


def _standing_out(
    values: NDArray[np.float32],
    rows: NDArray[np.intp],
    columns: NDArray[np.intp],
    side: float,
    px_mm: float,
) -> Array:
    """How far each place (rows, columns) stands out of the brightest beyond it, on both rings."""
    middle = values[np.ix_(rows, columns)]
    stands = []
    for ring in RINGS_MM:
        steps = np.round(np.stack([np.sin(WAYS), side * np.cos(WAYS)], axis=1) * ring / px_mm).astype(int)
        stands.append(middle - np.max([values[np.ix_(rows + a, columns + b)] for a, b in steps], axis=0))
    return np.asarray(np.minimum(EDGE_SHARE * stands[0], stands[1]), dtype=float)
