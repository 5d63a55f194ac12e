"""Where a pin's bend turns: the outer edge of its hook, the most proximal metal of the pin."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from measure.bend_fit import EXPECTED_MM, BendFit, Frame, likely_bends
from measure.lines import Array
from measure.pins import Pin
from measure.prepare import Prepared

LEAST_SEEN = 0.3  # share of the bend's bottom that looks like the pin
RIVAL = 0.4  # of the best one's, what another bend may be seen as well for the best to be told
CLOSE_MM = 2.5  # between two pins' axes: nearer, whose bend is whose must be told by the pins' own ends
SECOND_MM, SECOND_SEEN = 11.0, 0.15  # so near, and so well seen: the bend of a pin behind one found alone
SAME_MM = 0.35  # two pins' bends nearer than this are one bend, and nobody can say whose
BEHIND_MM = 1.2  # between two bends that blur each other
# Standard uncertainty: of any, where nothing of the bottom is like the pin, by another bend; from phantoms.
U_MM, UNSEEN_U_MM, BEHIND_U_MM, U_TIMES = 0.05, 0.2, 0.15, 3.0


@dataclass(frozen=True)
class Bend:
    """A pin's bend on the film: places (row, column).

    end: where the outer edge of the bend is furthest along the pin. straight: where the straight part ends,
    on the axis, to some 0.4 mm. u_px: standard uncertainty of `end` along the pin, pixels.
    """

    pin: Pin
    end: Array
    straight: Array
    u_px: float


def pin_bends(film: Prepared, pins: Sequence[Pin]) -> tuple[Bend, ...]:
    """Find the bends of pins seen from the side, of those whose bend is told for sure."""
    found = [
        (pin, one) for pin in pins if _its_own(pin, pins, film.mm_per_px) for one in _bend(film, pin, pins)
    ]
    edges = [_frame(film, pin).on_film(np.array([one.edge, one.free[2] + one.free[3]])) for pin, one in found]
    bends = []
    for number, ((pin, one), edge) in enumerate(zip(found, edges, strict=True)):
        away = [np.hypot(*(edge - other)) * film.mm_per_px for other in edges[:number] + edges[number + 1 :]]
        if min(away, default=np.inf) < SAME_MM:
            continue
        behind = BEHIND_U_MM * (min(away, default=np.inf) < BEHIND_MM)
        u_mm = np.linalg.norm([U_MM, UNSEEN_U_MM * (1.0 - one.seen), behind, U_TIMES * one.u])
        straight = _frame(film, pin).on_film(np.array([one.free[0], 0.0]))
        bends.append(Bend(pin, edge, straight, float(u_mm) / film.mm_per_px))
    return tuple(bends)


def _frame(film: Prepared, pin: Pin) -> Frame:
    return Frame(film, pin.straight, pin.along, pin.trace.fit)


def _its_own(pin: Pin, pins: Sequence[Pin], mm_per_px: float) -> bool:
    """Whether what lies beyond a pin's straight end is this pin's, and not as likely the other's."""
    across = np.array([-pin.along[1], pin.along[0]])
    away = [abs(float((other.straight - pin.straight) @ across)) for other in pins if other is not pin]
    towards = float(pin.trace.strip.direction @ pin.along) < 0.0
    return pin.trace.sure[towards] or min(away, default=np.inf) * mm_per_px > CLOSE_MM


def _bend(film: Prepared, pin: Pin, pins: Sequence[Pin]) -> list[BendFit]:
    """Give the one bend of a pin; none where none, or another might be it, or is on a pin found alone."""
    likely = likely_bends(_frame(film, pin))
    there = [one for one in likely if EXPECTED_MM[0] < one.edge < EXPECTED_MM[1]]
    if not there or there[0].seen < LEAST_SEEN or any(one.seen > RIVAL * there[0].seen for one in there[1:]):
        return []
    second = [
        one for one in likely if one.seen > SECOND_SEEN and 0.0 < abs(one.edge - there[0].edge) < SECOND_MM
    ]
    return [] if second and len(pins) == 1 else there[:1]
