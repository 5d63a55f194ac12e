"""Breaks in a wire. Places are (station, sample) of a `wire_map.WireMap`.

A break is a gap between two free ends of wire that point at each other. An end at a pin is not free: the
wire may go on behind it. On a lateral film, where one limb may lie over the other, it is also a stretch with
the metal of one wire between stretches with that of two. Nothing is told where the pins' hooks lie, nor in
a knot.
"""

from __future__ import annotations

import cv2
import numpy as np
from numpy.typing import NDArray
from scipy.ndimage import label

from measure.lines import Array
from measure.pins import PIN_MM
from measure.wire_map import HOOKS_MM, Mask, WireMap, slant
from measure.wire_path import ARM_MM, ways

HIDDEN_MM = 0.4  # from a pin's edge, within which a gap may be wire behind the pin
GAP_MM = (1.5, 7.0)
LEAST_AIM, AIM = 0.3, 1.1  # cosines of how far one end points past the other: each, and both together
FAR_MM, FAR_AIM = 4.0, 1.6  # both together, where they lie further apart than this
EMPTY = 0.5  # of the wire's own height: a gap is below it
GUARD_MM, FLANK_MM = 0.35, 0.8  # left out at a gap's ends, and looked at beyond
LACKS, EVEN = 0.25, 2.5  # share of the metal that a break takes away; how uneven it may be beyond
TURN_MM, KNOT = 6.0, 1.6  # the wire's turn at the hole; how much more than usual a knot holds
LEAST_MASS = 0.3  # mm of a pin's height at a station, of a wire


def free_ends_breaks(wmap: WireMap, bones: Mask, ends: Array, knots: Mask) -> list[Array]:
    """Find breaks (2, 2) as (station, sample), between free ends."""
    px = wmap.px_mm
    arms = ways(bones, ends, ARM_MM / px)
    free = ends[:, 0] > wmap.first + (HOOKS_MM + 1.0) / px
    free &= ~knots[tuple(ends.astype(int).T)]
    ends, arms = ends[free], arms[free]
    apart = ends[None] - ends[:, None]  # from the first to the second
    distance = np.linalg.norm(apart, axis=-1)
    aim = np.einsum("ijk,ik->ij", apart, arms) / np.maximum(distance, 1e-9)
    aimed = (np.minimum(aim, aim.T) > LEAST_AIM) & (aim + aim.T > AIM)
    aimed &= (distance * px < FAR_MM) | (aim + aim.T > FAR_AIM)
    pairs = aimed & (distance * px < GAP_MM[1])
    found: list[Array] = []
    used: set[int] = set()
    for one, other in sorted(np.argwhere(np.triu(pairs)).tolist(), key=lambda pair: distance[*pair]):
        if used & {one, other}:
            continue
        gap = _gap(wmap, ends[one], ends[other])
        if gap is not None and GAP_MM[0] < np.linalg.norm(gap[1] - gap[0]) * px:
            found.append(gap)
            used |= {one, other}
    return found


def _gap(wmap: WireMap, one: Array, other: Array) -> Array | None:
    """Find the ends (2, 2) of what is empty between two ends of wire; None where nothing is."""
    length = float(np.linalg.norm(other - one))
    way = (other - one) / length
    places = np.arange(-6.0, length + 6.0, 0.25)
    rows, columns = (one[:, None] + way[:, None] * places).astype(np.float32)
    seen = cv2.remap(wmap.metal, columns[None], rows[None], cv2.INTER_LINEAR)[0]
    level = EMPTY * min(float(np.max(seen[places < 0])), float(np.max(seen[places > length])))
    runs, count = label(seen < level)
    if not count:
        return None
    empty = np.flatnonzero(runs == np.argmax(np.bincount(runs)[1:]) + 1)
    if empty[0] == 0 or empty[-1] == len(places) - 1:
        return None
    first, last = places[empty[0]], places[empty[-1]]
    crossed = cv2.remap(wmap.beside.astype(np.float32), columns[None], rows[None], cv2.INTER_LINEAR)[0]
    if np.median(crossed[empty]) < PIN_MM / 2.0 + HIDDEN_MM:  # hidden behind a pin, not missing
        return None
    return np.array([one + way * first, one + way * last])


def missing_metal(wmap: WireMap, own: Mask, knots: Mask) -> list[Array]:
    """Find breaks (2, 2) by what is missing at some stations beside another limb.

    Both limbs run along the pins, so each station holds the metal of two wires (of more at a knot), set
    right for their slant; where one is broken, that of one. The stretch that lacks most is told. Only what
    lies between knots and hole is even enough for that.
    """
    px = wmap.px_mm
    seen = np.where(own, np.clip(wmap.metal, 0.0, None), 0.0).astype(np.float32)
    seen *= slant(seen, px)
    total = cv2.blur(seen.sum(axis=1)[None], (3, 1))[0]
    total[: _between_knots_and_hole(total, own, knots, px)] = 0.0
    place = _thinnest(total, px)
    if place is None:
        return []
    guard = round(GUARD_MM / px)
    within = seen[place[0] + guard : place[1] - guard].mean(axis=0)
    ends = [
        (station, float(np.argmax(cv2.blur((seen[beside] - within)[None], (5, 1))[0])))
        for station, beside in ((place[0], place[0] - 2 * guard), (place[1], place[1] + 2 * guard))
    ]
    return [np.array(ends)]


def _between_knots_and_hole(total: NDArray[np.float32], own: Mask, knots: Mask, px_mm: float) -> int:
    """First station beyond the knots; where none was found, beyond what holds more metal than usual."""
    if knots.any():
        return int(np.flatnonzero(knots.any(axis=1))[-1]) + 1
    turn = max(0, int(np.flatnonzero(own.any(axis=1))[-1]) - round(TURN_MM / px_mm))
    usual = float(np.median(total[max(0, turn - round(TURN_MM / px_mm)) : turn + 1]))
    more = np.flatnonzero(total[:turn] > KNOT * usual)
    return int(more[-1]) + 1 if len(more) else 0


def _thinnest(total: NDArray[np.float32], px_mm: float) -> tuple[int, int] | None:
    """Find first and last station of the stretch that lacks most metal against both its sides."""
    guard, flank = round(GUARD_MM / px_mm), round(FLANK_MM / px_mm)
    best, level, middle = LACKS, 0.0, 0
    for width in range(round(GAP_MM[0] / px_mm), round(GAP_MM[1] / px_mm)):
        whole = width + 2 * (guard + flank)
        if whole >= len(total):
            break
        views = np.lib.stride_tricks.sliding_window_view(total, whole)
        sides = np.concatenate([views[:, :flank], views[:, -flank:]], axis=1)
        most_inside = views[:, flank + 2 * guard : whole - flank - 2 * guard].max(axis=1)
        least = sides.min(axis=1)
        lacks = (least - most_inside) / np.maximum(least, 1e-6)
        lacks[(least < LEAST_MASS / px_mm) | (sides.max(axis=1) > EVEN * least)] = 0.0
        number = int(np.argmax(lacks))
        if lacks[number] > best:
            best, middle = float(lacks[number]), number + whole // 2
            level = float(least[number] + most_inside[number]) / 2.0
    if not level:
        return None
    more = np.flatnonzero(total >= level)
    return int(more[more < middle][-1]), int(more[more > middle][0])
