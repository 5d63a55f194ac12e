"""Twist knots and drill hole of a wire. Places are (station, sample) of a `wire_map.WireMap`."""

from __future__ import annotations

from dataclasses import dataclass, replace

import cv2
import numpy as np
from numpy.typing import NDArray
from scipy.ndimage import find_objects, label

from measure.lines import Array
from measure.pins import PIN_MM
from measure.wire_map import Mask, WireMap

KNOT_MM, KNOT = 1.25, 0.9  # a twist is wider than this all along, and so dense, of the wire's own height
LEAST_MM2 = 4.0
MOST = 2  # twists of a wire
DENSER = 1.5  # of the wire's height, a twist that limbs side by side go on from
LEAST_MM, MOST_MM, WIDEST_MM = 4.5, 9.0, 3.2  # of a twist whose foot is told: length, width
AROUND_MM, OWN_MM = 2.2, 0.3  # looked at about its ends; what lies nearer to the twist is its own
TWO = 1.38  # of the wire's height, a twist of two wires has at least
MORE = 2.0  # how much more wire lies about its foot than about its free end
FREE_MM = 1.5  # of a twist's free end from the end of its middle line
PIN_CLEAR_MM = 0.5  # of a foot from a pin's edge: nearer, the pin may hide a part of the twist
INSET_MM = 0.35  # from the twist's outermost metal to its foot
NEXT_MM = 5.0  # between the middles of two twists: nearer, neither's foot is told
MARGIN_MM = 0.6  # about a twist, where no break is told
ACROSS_MM = 2.2  # of wire at a station without a gap, where it crosses the bone
ALONG_MM = 2.5  # along the pins, from where on metal is no wire across the bone: shafts
NEAR_MM = 1.5  # to either side of where it crosses
HOLE_MM = (9.0, 22.0)  # from mouth to mouth, with the wire's turns
BEYOND_MM = 5.0  # that the wire's turns reach beyond what crosses
EDGE_MM = 0.4  # from a wire's outermost metal to its middle
DOT_MM, BRIGHT = 5.0, 1.4  # of the wire's end at which the dot lies; how far it stands out, of the wire's own
CORE, CORE_MM = 0.8, 2.9  # share of the dot's height that is its core; a longer core is no dot


@dataclass(frozen=True)
class Twist:
    """A twist knot: where its metal lies, its middle (2,), and its foot (2,) where that is clear."""

    metal: Mask
    middle: Array
    foot: Array | None


def find_twists(wmap: WireMap, ends: Array) -> list[Twist]:
    """Find twist knots, the most proximal first: metal that is wider than a wire, and denser.

    Limbs side by side are as wide, but hardly denser: of more than two, those that hold most metal above
    one wire's height are told. ends: (n, 2), those of the wire's middle lines.
    """
    size = 2 * round(KNOT_MM / wmap.px_mm / 2.0) + 1
    disc = cv2.getStructuringElement(cv2.MORPH_ELLIPSE, (size, size))
    own = np.where(wmap.mask, wmap.metal, 0.0).astype(np.float32)
    opened = cv2.morphologyEx(own, cv2.MORPH_OPEN, disc) / max(wmap.height, 1e-6)
    numbers = _apart(label(opened > KNOT)[0], opened, MOST_MM / wmap.px_mm)
    excess = np.bincount(numbers.ravel(), (own - wmap.height).ravel())
    excess[np.bincount(numbers.ravel()) * wmap.px_mm**2 < LEAST_MM2] = 0.0
    found = []
    for number in [one for one in np.argsort(-excess)[:MOST] if one and excess[one] > 0.0]:
        places = np.argwhere(numbers == number).astype(float)
        found.append(Twist(numbers == number, places.mean(axis=0), _foot(places, ends, wmap)))
    return sorted((_sure(one, found, wmap.px_mm) for one in found), key=lambda one: float(one.middle[0]))


def _apart(numbers: NDArray[np.intp], opened: Array, most: float) -> NDArray[np.intp]:
    """Part twists from limbs side by side that go on from them: of what is longer, what is denser."""
    kept = numbers > 0
    for number, box in enumerate(find_objects(numbers), 1):
        if np.hypot(*(side.stop - side.start for side in box)) > most:
            kept[box] &= (numbers[box] != number) | (opened[box] > DENSER)
    return np.asarray(label(kept)[0])


def _sure(twist: Twist, twists: list[Twist], px_mm: float) -> Twist:
    """Leave a twist's foot out where another twist lies close to it, and may be taken for its wire."""
    others = [other.middle for other in twists if other is not twist]
    close = any(np.linalg.norm(twist.middle - middle) * px_mm < NEXT_MM for middle in others)
    return replace(twist, foot=None) if close else twist


def _foot(places: Array, ends: Array, wmap: WireMap) -> Array | None:
    """(2,): the end of a twist's places (n, 2) that is its foot; None where that is not clear.

    At the other, its free end, a middle line of the wire ends, and less wire lies about it.
    """
    px_mm, middle = wmap.px_mm, places.mean(axis=0)
    way = np.linalg.svd(places - middle, full_matrices=False)[2]
    if np.median(wmap.metal[tuple(places.astype(int).T)]) < TWO * wmap.height:
        return None
    run, wide = ((places - middle) @ way.T).T
    length = float(np.ptp(run)) * px_mm
    if not LEAST_MM <= length <= MOST_MM or np.ptp(wide) * px_mm > WIDEST_MM:
        return None
    both = np.array([middle + run.min() * way[0], middle + run.max() * way[0]])
    free = (np.linalg.norm(both[:, None] - ends, axis=-1) * px_mm < FREE_MM).any(axis=1)
    if free.sum() != 1:
        return None
    tip, foot = both[free][0], both[~free][0]
    if _wire_about(foot, places, wmap) < MORE * _wire_about(tip, places, wmap):
        return None
    row, column = np.round(foot).astype(int)
    if wmap.beside[row, column] < PIN_MM / 2.0 + PIN_CLEAR_MM:
        return None
    return np.asarray(foot + (tip - foot) * INSET_MM / length)


def _wire_about(end: Array, places: Array, wmap: WireMap) -> float:
    """Area of metal near an end of a twist's places (n, 2) that is not the twist's own, in pixels."""
    around = np.argwhere(wmap.mask)
    around = around[np.linalg.norm(around - end, axis=1) * wmap.px_mm < AROUND_MM]
    if not len(around):
        return 0.0
    away = np.linalg.norm(around[:, None] - places, axis=-1).min(axis=1)
    return float((away * wmap.px_mm > OWN_MM).sum())


def knotted(wmap: WireMap, twists: list[Twist]) -> Mask:
    """Where twists lie, with a margin."""
    metal = np.any([np.zeros_like(wmap.mask), *(twist.metal for twist in twists)], axis=0)
    size = 2 * round(MARGIN_MM / wmap.px_mm) + 1
    return np.asarray(cv2.dilate(metal.astype(np.uint8), np.ones((size, size), np.uint8)) > 0)


def find_hole(wmap: WireMap, own: Mask, view: str) -> Array | None:
    """(2,): the hole as (station, sample); None where the wire's turn there is not seen whole.

    On an AP film the wire crosses the bone there, from side to side; on a lateral film it runs along the
    beam, so that a dot stands out of all wire near it.
    """
    px = wmap.px_mm
    if view == "lateral":
        return _dot(wmap, own)
    mask, run = wmap.mask.astype(np.uint8), np.ones((1, round(ACROSS_MM / px)), np.uint8)
    along = cv2.morphologyEx(mask, cv2.MORPH_OPEN, np.ones((round(ALONG_MM / px), 1), np.uint8))
    crossing = cv2.morphologyEx(mask & ~along, cv2.MORPH_OPEN, run) > 0
    wide = np.flatnonzero(crossing.any(axis=1))
    if not len(wide):
        return None
    last = int(wide[-1])
    near = slice(max(0, last - round(NEAR_MM / px)), last + 1)
    beyond_it = np.setdiff1d(wmap.pieces[last + round(NEAR_MM / px) :], wmap.pieces[crossing])
    wire = wmap.mask & ~np.isin(wmap.pieces, beyond_it)  # no wire: what goes on, past where the wire turned
    across, all_near = (np.flatnonzero(one[near].any(axis=0))[[0, -1]] for one in (crossing, wire))
    beyond = float(np.abs(across - all_near).max()) * px  # metal beside the crossing that is none of it
    if beyond > BEYOND_MM or not HOLE_MM[0] < float(np.ptp(all_near)) * px < HOLE_MM[1]:
        return None
    return np.array([last - EDGE_MM / px, float(all_near.mean())])


def _dot(wmap: WireMap, own: Mask) -> Array | None:
    """(2,): middle of the dot at the wire's distal end; None where it hardly stands out or is drawn out."""
    px = wmap.px_mm
    stations = np.flatnonzero(own.any(axis=1))
    if not len(stations):
        return None
    near = np.where(own, wmap.metal, 0.0)
    near[: max(0, int(stations[-1] - DOT_MM / px))] = 0.0
    smooth = cv2.GaussianBlur(near, (0, 0), 0.4 / px)
    usual = float(np.median(wmap.metal[own]))
    station, sample = divmod(int(np.argmax(smooth)), smooth.shape[1])
    if smooth[station, sample] < BRIGHT * usual:
        return None
    numbers, _ = label(smooth > CORE * smooth[station, sample])
    core = np.argwhere(numbers == numbers[station, sample])
    long = np.linalg.norm(np.ptp(core, axis=0)) * px > CORE_MM
    return None if long else np.asarray(core.mean(axis=0))
