"""The cerclage wire beside the pins: its visible path, breaks in it, the drill hole.

The film is straightened along the pins. Metal is what stands out of a few millimetres around by a good share
of a pin's height; what is left of it beside the pins is the wire. Places are (row, column) on the film.

A break is a gap between two free ends of wire that point at each other. An end at a pin is not free: the
wire may go on behind it. On a lateral film, where one limb may lie over the other, it is also a stretch with
the metal of one wire between stretches with that of two. Nothing is told where the pins' hooks lie.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray
from scipy.ndimage import convolve, label

from measure.lines import Array, Line
from measure.pins import PIN_MM, Pin, heavier_side
from measure.prepare import Prepared
from measure.strip import Strip, cut_strip

Mask = NDArray[np.bool_]

PIXEL_MM = 0.15
BEFORE_MM, AFTER_MM = 12.0, 4.0  # looked at beyond bends and tips
# To either side of the pins, away from and towards the side with more tissue: on a lateral film of an elbow
# the wire lies dorsal of them, with skin beyond.
SIDES_MM = {"lateral": (18.0, 0.0), "ap": (16.0, 16.0)}
LEAST_PINS = {"lateral": 1, "ap": 2}  # on an AP film a pin that was not found would pass for wire
BACKGROUND_MM = 5.0  # what is wider than this is no metal
BLUR_MM = 0.15
METAL, SURELY = 0.38, 0.55  # of a pin's height: metal, where it is joined to what is surely metal
BESIDE_PIN_MM = 0.1  # next to a pin's edge nothing is told
HIDDEN_MM = 0.4  # from a pin's edge, within which a gap may be wire behind the pin
EDGE_REACH_MM, EDGE_STEP_MM, EDGE_SHARE = 2.0, 0.1, 0.25  # of a pin's blurred edges, which are taken away
HOOKS_MM = 4.0  # distal to the pins' bends, from where on the wire is told
LEAST_MM = 2.0  # of a piece of wire
TWIG_MM = 1.2  # shorter side branches of a middle line are none
ARM_MM = 2.5  # over which an end's way is told
GAP_MM = (1.2, 7.0)
LEAST_AIM, AIM = 0.3, 1.1  # cosines of how far one end points past the other: each, and both together
GUARD_MM, FLANK_MM = 0.35, 0.8  # left out at a gap's ends, and looked at beyond
LACKS, EVEN = 0.25, 1.6  # share of the metal that a break takes away; how uneven it may be beyond
TURN_MM, KNOT = 6.0, 1.6  # the wire's turn at the hole; how much more than usual a knot holds
LEAST_MASS = 0.3  # mm of a pin's height at a station, of a wire
U_MM = {"lateral": (0.8, 0.7), "ap": (0.3, 0.3)}
ACROSS_MM = 3.0  # of wire at a station, where it crosses the bone
HOLE_MM = (9.0, 22.0)  # from mouth to mouth, with the wire's turns
EDGE_MM = 0.4  # from a wire's outermost metal to its middle
DOT_MM, BRIGHT = 5.0, 1.2  # of the wire's end at which the dot lies; how far it stands out, of the wire's own
EMPTY = 0.5  # of the wire's own height: a gap is below it


@dataclass(frozen=True)
class Wire:
    """What is seen of a wire.

    Parameters
    ----------
    path
        Its visible pieces, each (n, 2).
    breaks
        The two ends (2, 2) of each.
    u_mm
        Standard uncertainty of the breaks' ends and of the hole, each coordinate, mm; from phantom films.
    hole
        Middle of the drill hole, where the wire's turn there is seen whole.
    """

    path: tuple[Array, ...]
    breaks: tuple[Array, ...]
    u_mm: tuple[float, float]
    hole: Array | None


@dataclass(frozen=True)
class _Region:
    """A strip of square pixels along the pins, 0 along at the bends; metal as a share of a pin's height."""

    strip: Strip
    metal: NDArray[np.float32]
    px_mm: float
    beside: Array  # (stations, samples): distance to the nearest pin's axis, mm
    first: float  # station of the most distal bend

    def on_film(self, places: Array) -> Array:
        """Film points (n, 2) of (station, sample) places."""
        along = np.interp(places[:, 0], np.arange(len(self.strip.along)), self.strip.along)
        across = np.interp(places[:, 1], np.arange(len(self.strip.across)), self.strip.across)
        return self.strip.on_film(along, across)


def find_wire(film: Prepared, pins: Sequence[Pin], view: str) -> Wire | None:
    """Find the wire about pins; None where there are no pins or nothing of a wire is seen."""
    region = _region(film, pins, view)
    if region is None:
        return None
    bones, ends = _skeleton(region)
    if not bones.any():
        return None
    own = _own(region)
    found = _breaks(region, bones, ends)
    if view == "lateral" and not found:
        found = _missing(region, own)
    hole = _hole(region, own, view)
    numbers, count = label(bones, np.ones((3, 3)))
    pieces = [np.argwhere(numbers == number).astype(float) for number in range(1, count + 1)]
    return Wire(
        tuple(region.on_film(piece) for piece in pieces),
        tuple(region.on_film(pair) for pair in found),
        U_MM[view],
        None if hole is None else region.on_film(hole[None])[0],
    )


def _region(film: Prepared, pins: Sequence[Pin], view: str) -> _Region | None:
    if len(pins) < LEAST_PINS.get(view, 3):
        return None
    mm = film.mm_per_px
    along = np.sum([pin.along for pin in pins], axis=0)
    along /= np.linalg.norm(along)
    ends = np.array([[pin.straight, pin.tip] for pin in pins])
    middle = ends.mean(axis=(0, 1))
    line = Line(middle, along, 0.0)
    run = (ends - middle) @ along
    block = max(1, round(PIXEL_MM / mm))
    low, high = float(run.min()) - BEFORE_MM / mm, float(run.max()) + AFTER_MM / mm
    strip = cut_strip(film.density, line, max(SIDES_MM[view]) / mm + 1.0, block, (low, high), float(block))
    px_mm = block * mm
    smooth = cv2.GaussianBlur(strip.values, (0, 0), BLUR_MM / px_mm)
    kernel = cv2.getStructuringElement(cv2.MORPH_ELLIPSE, (round(BACKGROUND_MM / px_mm) | 1,) * 2)
    height = float(np.median([pin.trace.fit.height for pin in pins]))
    metal = cv2.morphologyEx(smooth, cv2.MORPH_TOPHAT, kernel) / height
    places = strip.on_film(*np.meshgrid(strip.along, strip.across, indexing="ij"))
    aways = [_distance(places, pin) * mm for pin in pins]
    for away in aways:
        metal -= _edges(metal, away)
    beside = np.min(np.abs(aways), axis=0)
    light, heavy = SIDES_MM[view]
    towards = strip.across * mm * (1.0 if float(strip.normal @ heavier_side(film, pins)) > 0 else -1.0)
    metal[:, (towards < -light) | (towards > heavy)] = 0.0
    return _Region(strip, metal, px_mm, beside, (float(run[:, 0].max()) - low) / block)


def _distance(places: Array, pin: Pin) -> Array:
    """Distance (...) of places (..., 2) to a pin's straight part, signed by the side."""
    along, away = pin.along, places - pin.straight
    length = float((pin.tip - pin.straight) @ along)
    foot = np.clip(away @ along, 0.0, length)
    side = np.where(away @ np.array([-along[1], along[0]]) < 0, -1.0, 1.0)
    return np.asarray(side * np.linalg.norm(away - foot[..., None] * along, axis=-1))


def _edges(metal: NDArray[np.float32], away: Array) -> NDArray[np.float32]:
    """Tell what a pin's blurred edges are: at each distance (mm) from its axis, what most of its length has.

    Less than most, for a wire may run beside it over long stretches.
    """
    edge = np.zeros_like(metal)
    near = np.abs(away) < EDGE_REACH_MM
    number = np.round((away[near] + EDGE_REACH_MM) / EDGE_STEP_MM).astype(int)
    seen = metal[near]
    levels = [
        np.quantile(seen[number == each], EDGE_SHARE) if np.any(number == each) else 0.0
        for each in range(number.max() + 1)
    ]
    edge[near] = np.array(levels, dtype=np.float32)[number]
    return edge


def _skeleton(region: _Region) -> tuple[Mask, Array]:
    """Middle lines of the wire, and their ends (n, 2) as (station, sample)."""
    from skimage.morphology import skeletonize

    mask = _joined(region.metal > METAL, region.metal > SURELY)
    mask &= _beside_pins(region)
    bones = np.asarray(skeletonize(mask), dtype=bool)
    numbers, _ = label(bones, np.ones((3, 3)))
    sizes = np.bincount(numbers.ravel())
    sizes[0] = 0
    bones = (sizes * region.px_mm >= LEAST_MM)[numbers]
    neighbours = convolve(bones.astype(int), np.ones((3, 3), int), mode="constant") - 1
    forks = (bones & (neighbours > 2)).astype(np.uint8)
    size = 2 * round(TWIG_MM / region.px_mm) + 1
    twigs = cv2.dilate(forks, np.ones((size, size), np.uint8)) > 0
    return bones, np.argwhere(bones & (neighbours == 1) & ~twigs).astype(float)


def _joined(mask: Mask, sure: Mask) -> Mask:
    """Pieces of a mask that hold something sure."""
    numbers, _ = label(mask, np.ones((3, 3)))
    kept = np.zeros(numbers.max() + 1, bool)
    kept[np.unique(numbers[sure & mask])] = True
    kept[0] = False
    return np.asarray(kept[numbers])


def _ways(bones: Mask, ends: Array, arm: float) -> Array:
    """Tell the ways (n, 2) in which the ends point, from what of the line lies within an arm's length."""
    ways = np.zeros((len(ends), 2))
    for number, end in enumerate(ends):
        low = np.maximum(end - np.ceil(arm), 0).astype(int)
        high = (end + np.ceil(arm) + 1).astype(int)
        near, _ = label(bones[low[0] : high[0], low[1] : high[1]], np.ones((3, 3)))
        own = near == near[tuple((end - low).astype(int))]
        away = end - (np.argwhere(own) + low).mean(axis=0)
        ways[number] = away / max(float(np.linalg.norm(away)), 1e-9)
    return ways


def _breaks(region: _Region, bones: Mask, ends: Array) -> list[Array]:
    """Find breaks (2, 2) as (station, sample), between free ends."""
    px = region.px_mm
    ways = _ways(bones, ends, ARM_MM / px)
    free = ends[:, 0] > region.first + (HOOKS_MM + 1.0) / px
    ends, ways = ends[free], ways[free]
    apart = ends[None] - ends[:, None]  # from the first to the second
    distance = np.linalg.norm(apart, axis=-1)
    aim = np.einsum("ijk,ik->ij", apart, ways) / np.maximum(distance, 1e-9)
    aimed = (np.minimum(aim, aim.T) > LEAST_AIM) & (aim + aim.T > AIM)
    pairs = aimed & (distance * px < GAP_MM[1])
    found: list[Array] = []
    used: set[int] = set()
    for one, other in sorted(np.argwhere(np.triu(pairs)).tolist(), key=lambda pair: distance[*pair]):
        if used & {one, other}:
            continue
        gap = _gap(region, ends[one], ends[other])
        if gap is not None and GAP_MM[0] < np.linalg.norm(gap[1] - gap[0]) * px:
            found.append(gap)
            used |= {one, other}
    return found


def _own(region: _Region) -> Mask:
    """Find the largest piece of metal beside the pins, a little widened."""
    mask = _joined(region.metal > METAL, region.metal > SURELY) & _beside_pins(region)
    numbers, _ = label(mask, np.ones((3, 3)))
    mass = np.bincount(numbers.ravel(), (region.metal * mask).ravel())
    own = (
        cv2.dilate((mask & (numbers == int(np.argmax(mass)))).astype(np.uint8), np.ones((5, 5), np.uint8)) > 0
    )
    return np.asarray(own & _beside_pins(region))


def _missing(region: _Region, own: Mask) -> list[Array]:
    """Find breaks (2, 2) as (station, sample) by what is missing at some stations beside another limb.

    Both limbs run along the pins, so each station holds the metal of two wires (of more at a knot); where one
    is broken, that of one. The stretch that lacks most is told. Only what lies between knots and hole is even
    enough for that.
    """
    px = region.px_mm
    seen = np.where(own, region.metal, 0.0)
    total = cv2.blur(seen.sum(axis=1)[None].astype(np.float32), (3, 1))[0]
    last = int(np.flatnonzero(own.any(axis=1))[-1])
    turn = max(0, last - round(TURN_MM / px))
    usual = float(np.median(total[max(0, turn - round(TURN_MM / px)) : turn + 1]))
    knots = np.flatnonzero(total[:turn] > KNOT * usual)
    total[: knots[-1] + 1 if len(knots) else 0] = 0.0
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


def _beside_pins(region: _Region) -> Mask:
    clear = region.beside > PIN_MM / 2.0 + BESIDE_PIN_MM
    clear[: int(region.first + HOOKS_MM / region.px_mm)] = False
    return np.asarray(clear)


def _hole(region: _Region, own: Mask, view: str) -> Array | None:
    """(2,): the hole as (station, sample); None where the wire's turn there is not seen whole.

    On an AP film the wire crosses the bone there, from side to side; on a lateral film it runs along the
    beam, so that a dot stands out of all wire near it.
    """
    px = region.px_mm
    if view == "lateral":
        return _dot(region, own)
    mask = _joined(region.metal > METAL, region.metal > SURELY) & _beside_pins(region)
    wide = np.flatnonzero(mask.sum(axis=1) * px > ACROSS_MM)
    if not len(wide):
        return None
    last = int(wide[-1])
    samples = np.flatnonzero(mask[max(0, last - round(1.5 / px)) : last + 1].any(axis=0))
    if not HOLE_MM[0] < (samples[-1] - samples[0]) * px < HOLE_MM[1]:
        return None
    return np.array([last - EDGE_MM / px, (samples[0] + samples[-1]) / 2.0])


def _dot(region: _Region, own: Mask) -> Array | None:
    px = region.px_mm
    stations = np.flatnonzero(own.any(axis=1))
    if not len(stations):
        return None
    near = np.where(own, region.metal, 0.0)
    near[: max(0, int(stations[-1] - DOT_MM / px))] = 0.0
    smooth = cv2.GaussianBlur(near, (0, 0), 0.4 / px)
    usual = float(np.median(region.metal[own]))
    station, sample = divmod(int(np.argmax(smooth)), smooth.shape[1])
    if smooth[station, sample] < BRIGHT * usual:
        return None
    core = smooth > 0.8 * smooth[station, sample]
    return np.asarray(np.argwhere(core).mean(axis=0))


def _gap(region: _Region, one: Array, other: Array) -> Array | None:
    """Find the ends (2, 2) of what is empty between two ends of wire; None where nothing is."""
    length = float(np.linalg.norm(other - one))
    way = (other - one) / length
    places = np.arange(-6.0, length + 6.0, 0.25)
    rows, columns = (one[:, None] + way[:, None] * places).astype(np.float32)
    seen = cv2.remap(region.metal, columns[None], rows[None], cv2.INTER_LINEAR)[0]
    level = EMPTY * min(float(np.max(seen[places < 0])), float(np.max(seen[places > length])))
    empty = np.flatnonzero(seen < level)
    if not len(empty):
        return None
    first, last = places[empty[0]], places[empty[-1]]
    if np.any(seen[empty[0] : empty[-1]] > 1.3 * level):
        return None
    crossed = cv2.remap(region.beside.astype(np.float32), columns[None], rows[None], cv2.INTER_LINEAR)[0]
    if np.any(crossed < PIN_MM / 2.0 + HIDDEN_MM):  # hidden behind a pin, not missing
        return None
    return np.array([one + way * first, one + way * last])
