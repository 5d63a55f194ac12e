"""Whether a second pin lies behind one found alone: on a lateral film the two often cover each other.

Three things tell, each by itself: the metal is wider than one pin can be; it weakens at once where the
shorter of two tips ends; a bend leaves the axis where the found pin itself does not turn.
"""

from __future__ import annotations

import numpy as np

from measure.bend_fit import EXPECTED_MM, Frame, likely_bends
from measure.lines import Array
from measure.pin_ends import Ends, Trace
from measure.prepare import Prepared

# No pin of 1.6 mm is wider at magnifications up to 1.2, where the pixel's size is guessed for some 1.12.
WIDEST_MM, MOST_LEFT = 1.78, 0.12  # and what the fit may leave, of the pin's strength, for its width to tell
BEND_MM, BEND_SEEN, BEND_U_MM = 1.9, 0.37, 0.04  # of another pin's bend: half-width, share seen, uncertainty
REACH_MM = (-9.0, 10.0)  # of its edge, beyond the straight end
TIPS_MM = (5.5, 24.0)  # of the shorter tip behind the longer
STEP_MM, CLEAR_MM, POINT_MM = (
    9.0,
    1.2,
    3.0,
)  # looked at before and after a step; about it; left out at the tip
LEAST_STEP = 0.17  # of the share, between nearly the least before and nearly the greatest after
BEFORE = (0.87, 1.15)  # share well before the step over that just before: else it is no step but a slope


def is_behind(film: Prepared, one: Trace, ends: Ends) -> bool:
    """Whether another pin lies behind a pin, along all or most of it."""
    along = (ends.tip - ends.straight) / np.linalg.norm(ends.tip - ends.straight)
    frame = Frame(film, ends.straight, along, one.fit)
    return is_wide(one, film.mm_per_px) or _tip_steps(one, along, film.mm_per_px) or _other_bend(frame)


def is_wide(one: Trace, mm_per_px: float) -> bool:
    """Whether a bar is wider than one pin."""
    clean = one.fit.typical < MOST_LEFT * one.fit.height
    return clean and 2.0 * one.fit.radius * mm_per_px > WIDEST_MM


def _other_bend(frame: Frame) -> bool:
    """Whether a bend as wide as a pin's is seen where the pin's own is not."""
    return any(
        abs(one.free[2]) > BEND_MM
        and one.seen > BEND_SEEN
        and one.u < BEND_U_MM
        and (REACH_MM[0] < one.edge < EXPECTED_MM[0] or EXPECTED_MM[1] < one.edge < REACH_MM[1])
        for one in likely_bends(frame)
    )


def _tip_steps(one: Trace, along: Array, mm_per_px: float) -> bool:
    """Whether the metal weakens at once on the way to the tip."""
    tipwards = float(one.strip.direction @ along) > 0.0
    away = (one.high - one.places if tipwards else one.places - one.low) * mm_per_px  # from the tip

    def level(near: float, far: float, quantile: float) -> float:
        there = one.share[(away > max(near, POINT_MM)) & (away < far)]
        return float(np.quantile(there, quantile)) if there.size > 4 else np.inf

    for place in np.arange(*TIPS_MM, 0.5):
        before, after = place + CLEAR_MM, place - CLEAR_MM
        usual = level(before, place + STEP_MM, 0.5)
        earlier = level(place + STEP_MM + 1.0, place + 2.0 * STEP_MM + 2.0, 0.5)
        fall = level(before, place + STEP_MM, 0.15) - level(place - STEP_MM, after, 0.85)
        if fall > LEAST_STEP * usual and BEFORE[0] < earlier / usual < BEFORE[1]:
            return True
    return False
