"""The cerclage wire beside the pins: its visible path, breaks in it, twist knots, the drill hole.

The film is straightened along the pins (`wire_map`); `wire_path`, `wire_breaks` and `wire_knots` look there.
Here places are (row, column) on the film.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import cv2
import numpy as np

from measure.lines import Array
from measure.pins import Pin
from measure.prepare import Prepared
from measure.wire_breaks import free_ends_breaks, missing_metal
from measure.wire_knots import find_hole, find_twists, knotted
from measure.wire_map import Mask, WireMap, wire_map
from measure.wire_path import hidden_mm, is_thin, middle_lines, overlaid_mm, polylines, straight_stretches

U_MM = {"lateral": (0.6, 0.3, 0.4), "ap": (0.1, 0.3, 0.6)}
SAID_MM = 1.0  # of hidden or overlaid wire, below which nothing is said of it


@dataclass(frozen=True)
class Knot:
    """A twist knot: its middle (2,), and its foot (2,), where that is told from its free end."""

    middle: Array
    foot: Array | None


@dataclass(frozen=True)
class Wire:
    """What is seen of a wire.

    Parameters
    ----------
    path
        Its visible pieces, polylines (n, 2), about 0.15 mm from place to place.
    straight
        Stretches of the path, polylines (n, 2), where one wire alone runs straight, off pins and knots: where
        its width may be measured.
    breaks
        The two ends (2, 2) of each.
    knots
        Twist knots, the one nearest to the pins' bends first.
    hole
        Middle of the drill hole, where the wire's turn there is seen whole.
    u_mm
        Standard uncertainty of the breaks' ends, of the hole and of the knots' feet, each coordinate, mm;
        from phantom films.
    hidden_mm
        Length of wire that lies behind pins, about, mm by the film's guessed scale: no break is seen there.
    overlaid_mm
        The same of limbs that lie on each other on a lateral film, distal to knots: a break may be missed.
    """

    path: tuple[Array, ...]
    straight: tuple[Array, ...]
    breaks: tuple[Array, ...]
    knots: tuple[Knot, ...]
    hole: Array | None
    u_mm: tuple[float, float, float]
    hidden_mm: float
    overlaid_mm: float


def not_judged(wire: Wire | None, scaled: bool) -> tuple[str, ...]:
    """Say where a break in the wire would not be seen; nothing where a break was found.

    scaled: whether the film tells its size; of one that does not no length is said.
    """
    if wire is None:
        return ("wire not judged: nothing of it was found for sure; look for a break yourself",)
    if wire.breaks:
        return ()
    hidden = f" and {_over(wire.hidden_mm, scaled)} behind the pins" if wire.hidden_mm > SAID_MM else ""
    overlaid = (
        f"; {_over(wire.overlaid_mm, scaled)} one limb lies on the other: a break there may be missed"
        if wire.overlaid_mm > SAID_MM
        else ""
    )
    unseen = f"wire not judged at the pins' bends, in its knots{hidden}: a break there would not be seen"
    return (unseen + overlaid,)


def _over(length_mm: float, scaled: bool) -> str:
    return f"over about {length_mm:.0f} mm" if scaled else "somewhere"


def find_wire(film: Prepared, pins: Sequence[Pin], view: str) -> Wire | None:
    """Find the wire about pins; None where there are no pins or nothing of a wire is seen.

    On an AP film with one pin found only breaks are told.
    """
    wmap = wire_map(film, pins, view)
    if wmap is None:
        return None
    bones, ends = middle_lines(wmap)
    if not bones.any():
        return None
    twists = find_twists(wmap, ends)
    near_knots = knotted(wmap, twists)
    found = free_ends_breaks(wmap, bones, ends, near_knots)
    if view == "lateral" and not found:
        found = missing_metal(wmap, _own(wmap, found), near_knots)
    own = _own(wmap, found)
    lines = polylines(wmap, bones & own if view == "lateral" else bones)
    lines = [line for line in lines if view == "lateral" or is_thin(wmap, line)]

    breaks = tuple(wmap.on_film(pair) for pair in found)
    hidden = hidden_mm(wmap, bones, ends)
    if view == "ap" and len(pins) == 1:  # a pin that was not found would pass for wire, but leaves no gap
        return Wire((), (), breaks, (), None, U_MM[view], hidden, 0.0)
    hole = find_hole(wmap, own, view)

    def placed(place: Array | None) -> Array | None:
        return None if place is None else wmap.on_film(place[None])[0]

    return Wire(
        path=tuple(wmap.on_film(line) for line in lines),
        straight=tuple(wmap.on_film(line) for line in straight_stretches(wmap, lines, near_knots)),
        breaks=breaks,
        knots=tuple(Knot(wmap.on_film(one.middle[None])[0], placed(one.foot)) for one in twists),
        hole=placed(hole),
        u_mm=U_MM[view],
        hidden_mm=hidden,
        overlaid_mm=overlaid_mm(wmap, near_knots) if view == "lateral" else 0.0,
    )


def _own(wmap: WireMap, breaks: Sequence[Array]) -> Mask:
    """Find the largest piece of metal beside the pins, and what breaks part from it, a little widened."""
    mass = np.bincount(wmap.pieces.ravel(), (wmap.metal * wmap.mask).ravel())
    numbers = {int(np.argmax(mass))}
    for pair in breaks:
        for row, column in np.round(pair).astype(int):
            near = wmap.pieces[max(0, row - 4) : row + 5, max(0, column - 4) : column + 5]
            numbers |= set(near[near > 0].tolist())
    own = np.isin(wmap.pieces, list(numbers)) & wmap.mask
    return np.asarray((cv2.dilate(own.astype(np.uint8), np.ones((5, 5), np.uint8)) > 0) & wmap.clear)
