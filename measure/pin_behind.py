"""Whether a second pin lies behind one found alone: on a lateral film the two often cover each other.

Two things tell, each by itself: the metal is wider than one pin can be; a bend leaves the axis where the
found pin itself does not turn. (Metal that weakens at once where a shorter pin's tip may end does not: the
way on past the found pin's own tip looks alike.)
"""

from __future__ import annotations

import numpy as np

from measure.bend_fit import EXPECTED_MM, Frame, likely_bends
from measure.pin_ends import Ends, Trace
from measure.prepare import Prepared

# No pin of 1.6 mm is wider at magnifications up to 1.2, where the pixel's size is guessed for some 1.12.
WIDEST_MM, MOST_LEFT = 1.78, 0.12  # and what the fit may leave, of the pin's strength, for its width to tell
BEND_MM, BEND_SEEN, BEND_U_MM = 1.9, 0.37, 0.04  # of another pin's bend: half-width, share seen, uncertainty
REACH_MM = (-9.0, 10.0)  # of its edge, beyond the straight end


def is_behind(film: Prepared, one: Trace, ends: Ends) -> bool:
    """Whether another pin lies behind a pin, along all or most of it."""
    along = (ends.tip - ends.straight) / np.linalg.norm(ends.tip - ends.straight)
    frame = Frame(film, ends.straight, along, one.fit)
    return is_wide(film, one) or _other_bend(frame)


def is_wide(film: Prepared, one: Trace) -> bool:
    """Whether a bar is wider than one pin; never told on a film that does not tell the size of its pixels."""
    clean = one.fit.typical < MOST_LEFT * one.fit.height
    return film.scaled and clean and 2.0 * one.fit.radius * film.mm_per_px > WIDEST_MM


def _other_bend(frame: Frame) -> bool:
    """Whether a bend as wide as a pin's is seen where the pin's own is not."""
    return any(
        abs(one.free[2]) > BEND_MM
        and one.seen > BEND_SEEN
        and one.u < BEND_U_MM
        and (REACH_MM[0] < one.edge < EXPECTED_MM[0] or EXPECTED_MM[1] < one.edge < REACH_MM[1])
        for one in likely_bends(frame)
    )
