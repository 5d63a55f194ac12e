"""Breaks in a wire. Places are (station, sample) of a `wire_map.WireMap`.

A break is a gap between two free ends of wire that point at each other. An end at a pin is not free: the
wire may go on behind it. On a lateral film, where one limb may lie over the other, it is also a gap from one
free end to where the wire goes on, and a stretch with the metal of one wire between stretches with that of
two. Nothing is told where the pins' hooks lie, nor in a knot.
"""

from __future__ import annotations

import cv2
import numpy as np
from numpy.typing import NDArray
from scipy.ndimage import label

from measure.lines import Array
from measure.pins import PIN_MM
from measure.wire_knots import MARGIN_MM
from measure.wire_map import HOOKS_MM, Mask, WireMap, slant
from measure.wire_path import ARM_MM, BESIDE, UNDER_MM, across, arm_line, ways

HIDDEN_MM = 0.25  # from a pin's edge, within which a gap may be wire behind the pin
GAP_MM = (1.2, 7.0)
LEAST_AIM, AIM = 0.3, 1.1  # cosines of how far one end points past the other: each, and both together
FAR_MM, FAR_AIM = 4.0, 1.6  # both together, where they lie further apart than this
ARMS_MM = 3.0, 1.5  # of each end's line, over either of which it is wire on an AP film
ALONG = 0.6  # cosine of a gap's angle to the pins, where it runs from one free end to the wire's side
EMPTY = 0.5  # of the wire's own height: a gap is below it
BARE, BARE_MM, CORRIDOR_MM = 0.3, 0.8, 0.35  # so empty it is over some length, half a wire to either side
AHEAD, AHEAD_MM, AHEAD_DEGREES = 0.4, (0.5, 0.9), 40.0  # and so empty ahead of a free end
ASIDE_DEGREES = (0.0, -6.0, 6.0, -12.0, 12.0, -18.0, 18.0)  # looked for the rest of the wire
ON_ITSELF = 1.2  # of the wire's height, a tenth of a piece of it has at least: hole, knot or crossing
GUARD_MM, FLANK_MM = 0.35, 0.8  # left out at a gap's ends, and looked at beyond
THIN_MM = (1.5, 7.0)  # of a stretch with the metal of one wire
LACKS, EVEN = 0.25, 2.5  # share of the metal that a break takes away; how uneven it may be beyond
TURN_MM, KNOT = 6.0, 1.6  # the wire's turn at the hole; how much more than usual a knot holds
LEAST_MASS = 0.3  # mm of a pin's height at a station, of a wire


def free_ends_breaks(wmap: WireMap, bones: Mask, ends: Array, knots: Mask) -> list[Array]:
    """Find breaks (2, 2) as (station, sample), between free ends.

    On a lateral film, where the other end may lie on the other limb, also from one free end to the wire.
    """
    at = tuple(ends.astype(int).T)
    free = (ends[:, 0] > wmap.first + (HOOKS_MM + 1.0) / wmap.px_mm) & ~knots[at]
    if wmap.view != "lateral":
        return _between_ends(wmap, bones, ends[free])
    wires = _wires(wmap)
    free &= wires[at]
    found = _between_ends(wmap, bones, ends[free])
    if found:
        return found
    if knots.any():
        free &= ends[:, 0] > np.flatnonzero(knots.any(axis=1))[-1] - MARGIN_MM / wmap.px_mm
    free &= wmap.beside[at] > PIN_MM / 2.0 + UNDER_MM
    return _from_an_end(wmap, bones, ends[free], wires & ~knots)


def _between_ends(wmap: WireMap, bones: Mask, ends: Array) -> list[Array]:
    """Find gaps between free ends that point at each other."""
    px = wmap.px_mm
    arms = ways(bones, ends, ARM_MM / px)
    apart = ends[None] - ends[:, None]  # from the first to the second
    distance = np.linalg.norm(apart, axis=-1)
    aim = np.einsum("ijk,ik->ij", apart, arms) / np.maximum(distance, 1e-9)
    aimed = (np.minimum(aim, aim.T) > LEAST_AIM) & (aim + aim.T > AIM)
    aimed &= (distance * px < FAR_MM) | (aim + aim.T > FAR_AIM)
    pairs = aimed & (distance * px < GAP_MM[1])
    found: list[Array] = []
    used: set[int] = set()
    for one, other in sorted(np.argwhere(np.triu(pairs)).tolist(), key=lambda pair: distance[*pair]):
        gap = None if used & {one, other} else _gap(wmap, ends[one], ends[other])
        if gap is not None and (wmap.view == "lateral" or _of_wire(wmap, bones, ends[[one, other]])):
            found.append(gap)
            used |= {one, other}
    return found


def _of_wire(wmap: WireMap, bones: Mask, ends: Array) -> bool:
    """Whether metal falls off to both sides of each end's arm, as a cortex or a pin's hook does not.

    Over either of two lengths: a side branch may spoil the longer, another line close by the shorter.
    """

    def falls_off(end: Array, arm_mm: float) -> bool:
        profile = np.median(across(wmap, arm_line(wmap, bones, end, arm_mm))[0], axis=0)
        return bool(max(profile[0], profile[-1]) < BESIDE * profile.max())

    return all(any(falls_off(end, arm_mm) for arm_mm in ARMS_MM) for end in ends)


def _from_an_end(wmap: WireMap, bones: Mask, ends: Array, wires: Mask) -> list[Array]:
    """Find the gap ahead of a free end, to where the wire goes on.

    The end's way is told from its whole arm and from half of it, for a short stump is bent.
    """
    px = wmap.px_mm
    solid = cv2.erode(wires.astype(np.uint8), np.ones((3, 3), np.uint8)) > 0
    steps = np.arange(1.0, GAP_MM[1], 0.5 * px)[:, None] / px
    for arm in (ARM_MM, ARM_MM / 2.0):
        for end, way in zip(ends, ways(bones, ends, arm / px), strict=True):
            for aside in _turned(way, np.array(ASIDE_DEGREES)):
                places = np.clip(end + steps * aside, 0, np.array(solid.shape) - 1)
                hit = np.flatnonzero(solid[tuple(np.round(places).astype(int).T)])
                gap = _gap(wmap, end, places[hit[0]] + 3.0 * aside) if len(hit) else None
                if gap is not None and _sharp(wmap, gap[0], way) and _along_pins(gap):
                    return [gap]
    return []


def _wires(wmap: WireMap) -> Mask:
    """Find pieces that are wire for sure: the largest, and those that somewhere lie on themselves."""
    mass = np.bincount(wmap.pieces.ravel(), (wmap.metal * wmap.mask).ravel())
    more = np.bincount(wmap.pieces.ravel(), (wmap.mask & (wmap.metal > ON_ITSELF * wmap.height)).ravel())
    sure = more > 0.1 * np.bincount(wmap.pieces.ravel())
    sure[np.argmax(mass)] = True
    sure[0] = False
    return np.asarray(sure[wmap.pieces])


def _turned(way: Array, degrees: Array) -> Array:
    """Turn a way (2,) by angles (n,): (n, 2)."""
    cosines, sines = np.cos(np.radians(degrees)), np.sin(np.radians(degrees))
    return np.stack([way[0] * cosines - way[1] * sines, way[0] * sines + way[1] * cosines], axis=1)


def _along_pins(gap: Array) -> bool:
    return bool(abs(gap[1, 0] - gap[0, 0]) > ALONG * np.linalg.norm(gap[1] - gap[0]))


def _sharp(wmap: WireMap, end: Array, way: Array) -> bool:
    """Whether nothing lies ahead of a free end, or aslant of it, where a limb that grows faint goes on."""
    around = _turned(way, np.linspace(-AHEAD_DEGREES, AHEAD_DEGREES, 11))
    away = np.linspace(*AHEAD_MM, 3)[:, None, None] / wmap.px_mm
    return bool(_seen(wmap.metal, end + away * around).max() < AHEAD * wmap.height)


def _seen(image: Array | NDArray[np.float32], places: Array) -> Array:
    """Look up an image at places (n, m, 2): (n, m)."""
    at = places.astype(np.float32)
    seen = cv2.remap(np.asarray(image, dtype=np.float32), at[..., 1], at[..., 0], cv2.INTER_LINEAR)
    return np.asarray(seen, dtype=float)


def _gap(wmap: WireMap, one: Array, other: Array) -> Array | None:
    """Find the ends (2, 2) of what is empty between two places of wire; None where nothing is.

    It is empty to either side too over some length, or it would be wire that runs past.
    """
    length, px = float(np.linalg.norm(other - one)), wmap.px_mm
    way = (other - one) / length
    places = np.arange(-6.0, length + 6.0, 0.25)
    line = one + places[:, None] * way
    aside = np.linspace(-CORRIDOR_MM, CORRIDOR_MM, 9)[:, None] / px * np.array([-way[1], way[0]])
    corridor = _seen(wmap.metal, line[:, None] + aside)
    seen = corridor[:, 4]
    level = EMPTY * min(float(np.max(seen[places < 0])), float(np.max(seen[places > length])))
    first, last = _longest(seen < level)
    if (
        first == 0
        or last == len(places)
        or not GAP_MM[0] < (places[last - 1] - places[first]) * px < GAP_MM[1]
    ):
        return None
    bare = np.diff(_longest(corridor[first:last].max(axis=1) < BARE * wmap.height))[0] * 0.25 * px
    if bare < BARE_MM:
        return None
    if np.median(_seen(wmap.beside, line[None, first:last])) < PIN_MM / 2.0 + HIDDEN_MM:
        return None  # hidden behind a pin, not missing
    return line[[first, last - 1]]


def _longest(which: Mask) -> tuple[int, int]:
    """First and last-plus-one place of the longest run; equal where there is none."""
    runs, count = label(which)
    if not count:
        return 0, 0
    places = np.flatnonzero(runs == np.argmax(np.bincount(runs)[1:]) + 1)
    return int(places[0]), int(places[-1]) + 1


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
    if place is None or _at_hidden(wmap, own)[place[0] : place[1] + 1].any():
        return []
    guard = round(GUARD_MM / px)
    within = seen[place[0] + guard : place[1] - guard].mean(axis=0)
    ends = [
        (station, float(np.argmax(cv2.blur((seen[beside] - within)[None], (5, 1))[0])))
        for station, beside in ((place[0], place[0] - 2 * guard), (place[1], place[1] + 2 * guard))
    ]
    return [np.array(ends)]


def _at_hidden(wmap: WireMap, own: Mask) -> Mask:
    """Whether the wire reaches what pins hide, by station: some of its metal is not counted there."""
    hidden = cv2.dilate((~wmap.clear).astype(np.uint8), np.ones((5, 5), np.uint8)) > 0
    return np.asarray((own & hidden).any(axis=1))


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
    for width in range(round(THIN_MM[0] / px_mm), round(THIN_MM[1] / px_mm)):
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
