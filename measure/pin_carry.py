"""Pins followed from an earlier film to a later one, apart from the bone they are in.

A pin that backs out moves against the bone, so that its landmarks are not where the bone's registration puts
them. Where all of the reading's pins are found on both films, and it is clear which is which, a pin's
landmarks go with the pin: turned as its axis is, from its tip. Else they are not carried.
"""

from __future__ import annotations

import itertools
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass

import cv2
import numpy as np

from measure.film import Film
from measure.geometry import Points
from measure.pins import Pin, bearer, find_pins
from measure.prepare import Mask, Prepared, prepare, shrink

ON_AXIS_MM = 1.75  # a landmark further from a pin's axis is not that pin's
MOST_AWAY_MM = 5.0  # between a pin and where its bone says it should be, across
CLEAR_MM = 0.5  # by which the pins' order must be likelier than the other
METAL_MM = 0.35  # size of a pixel at which metal is told
WIDEST_MM = 5.0  # what is wider is no pin and no wire
MARGIN_MM = 1.2  # about metal, where the film's features are its own still
STANDS_OUT = 0.35  # of a pin's height

Lay = Callable[[Points], Points]


@dataclass(frozen=True)
class Hardware:
    """The pins found on a film, and where its metal and what lies close to it is (at any size)."""

    film: Prepared
    pins: tuple[Pin, ...]
    metal: Mask


def find_hardware(film: Film) -> Hardware:
    """Find a film's pins, and by their strength its thin metal; none where no pin is told."""
    prepared = prepare(film)
    pins = find_pins(prepared, film.view or "")
    small = shrink(prepared.density, METAL_MM / prepared.mm_per_px)
    if not pins:
        return Hardware(prepared, pins, np.zeros(small.shape, bool))
    height = float(np.median([pin.trace.fit.height for pin in pins]))
    top = cv2.morphologyEx(small, cv2.MORPH_TOPHAT, _disc(WIDEST_MM))
    stands_out = (top > STANDS_OUT * height).astype(np.uint8)
    return Hardware(prepared, pins, cv2.dilate(stands_out, _disc(2.0 * MARGIN_MM)).astype(bool))


def _disc(across_mm: float) -> Mask:
    size = round(across_mm / METAL_MM) | 1
    return np.asarray(cv2.getStructuringElement(cv2.MORPH_ELLIPSE, (size, size)))


def pins_followed(
    earlier: Hardware, later: Hardware, marks: Mapping[str, Points], bone: Lay
) -> dict[str, Lay]:
    """Say how each pin's landmarks go to the later film, by the pin's name ("pin1"); empty where unsure.

    marks: the landmarks (n, 2) of each pin that lie on its axis, by the pin's name. bone: how the bone lies.
    """
    reach = ON_AXIS_MM / earlier.film.mm_per_px
    borne = {name: bearer(earlier.pins, points, reach) for name, points in marks.items()}
    first = [pin for pin in borne.values() if pin is not None]
    if len(first) != len(marks) or len({id(pin) for pin in first}) != len(first):
        return {}
    order = _which_is_which(first, later, bone)
    if order is None:
        return {}
    return {name: _follow(one, other, bone) for name, one, other in zip(borne, first, order, strict=True)}


def _which_is_which(first: Sequence[Pin], later: Hardware, bone: Lay) -> Sequence[Pin] | None:
    """Put the later film's pins in the order of the earlier ones; None where that is not clear."""
    if not first or len(first) != len(later.pins):
        return None
    ends = [bone(np.array([pin.tip, pin.straight])) for pin in first]

    def away(order: Sequence[Pin]) -> Points:
        """Distances (pins, ends) of the laid pins' ends across the others' axes, mm, signed."""
        normals = [np.array([-pin.along[1], pin.along[0]]) for pin in order]
        far = [(laid - pin.tip) @ n for laid, pin, n in zip(ends, order, normals, strict=True)]
        return np.array(far) * later.film.mm_per_px

    def odd(order: Sequence[Pin]) -> float:
        """Mean distance but for what all share: bone laid aside moves all pins alike and exchanges none."""
        far = away(order)
        return float(np.abs(far - far.mean()).mean())

    best, *others = sorted(itertools.permutations(later.pins), key=odd)
    clear = all(odd(other) - odd(best) > CLEAR_MM for other in others)
    return best if clear and np.abs(away(best)).mean() < MOST_AWAY_MM else None


def _follow(one: Pin, other: Pin, bone: Lay) -> Lay:
    """Move points with a pin, turned as its axis is, as much larger as the bone is.

    From tip to tip where both are clear, else from bend to bend, which on both films errs alike.
    """
    ends = bone(np.array([one.tip, one.straight]))
    times = np.linalg.norm(ends[1] - ends[0]) / np.linalg.norm(one.straight - one.tip)
    before, after = (np.array([pin.along, [-pin.along[1], pin.along[0]]]) for pin in (one, other))
    turn = before.T @ after
    seen = one.tip_clear and other.tip_clear
    origin, place = (one.tip, other.tip) if seen else (one.straight, other.straight)
    return lambda points: place + times * (points - origin) @ turn
