"""A second pin where the first hides it: told by width, step or bend; none is told where there is one."""

from __future__ import annotations

import functools
from dataclasses import replace

import numpy as np
import pytest
from validation_metal import FOUND_DEGREES, FOUND_MM, as_film, match

from measure import phantom, phantom_film
from measure.film import Film
from measure.pin_behind import is_wide
from measure.pin_width import pin_widths
from measure.pins import Pin, find_pins
from measure.prepare import Prepared, prepare
from measure.propose import COVERED as BEHIND
from measure.propose import propose
from measure.sites import load_site

# Lateral films of pins that cover each other along their length, as random_case draws them. What
# tells: a bend of its own, the width.
COVERED = {"bend": 500_018, "width": 900_142}


@functools.cache
def filmed(seed: int, count: int = 2) -> tuple[phantom.Case, Film]:
    """Case and film as tests/validation_metal.py makes them."""
    rng = np.random.default_rng(seed)
    pose = phantom.random_pose(rng, "lateral" if seed % 2 == 0 else "ap")
    case = phantom.random_case(rng, pose, broken=rng.random() < 0.3)
    rng.random()  # as there, where it decides on one pin or two
    case = replace(case, fixation=replace(case.fixation, pins=case.fixation.pins[:count]))
    return case, as_film(case, phantom_film.render(case, rng).pixels)


@functools.cache
def seen(seed: int, count: int = 2) -> tuple[phantom.Case, Prepared, tuple[Pin, ...]]:
    """Case, film and the pins found on it."""
    case, film = filmed(seed, count)
    prepared = prepare(film)
    return case, prepared, find_pins(prepared)


def number_right(seed: int) -> int:
    """How many different true pins are found."""
    case, _, pins = seen(seed)
    taken: set[int] = set()
    for pin in pins:
        number, angle, offset, _ = match(pin, case, taken)
        assert angle < FOUND_DEGREES
        assert offset < FOUND_MM
        taken.add(number)
    return len(taken)


@pytest.mark.parametrize("seed", COVERED.values(), ids=COVERED.keys())
def test_a_covered_pin_is_found(seed: int) -> None:
    """Both axes; whose tip is whose is not claimed, nor a width of the two fitted as one."""
    assert number_right(seed) == 2
    _, film, pins = seen(seed)
    assert all(pin.covered and not pin.tip_clear for pin in pins)
    assert all(pin.u_across * film.mm_per_px > 0.1 for pin in pins)
    assert all(width.refused for width in pin_widths(film, pins))


def test_proposals_say_that_a_pin_is_covered() -> None:
    """The reader is told, since both axes may lie on each other; of a film with one pin nothing is said."""
    for count, told in ((2, True), (1, False)):
        notes = propose(filmed(COVERED["bend"], count)[1], load_site("olecranon"), "lateral").notes
        assert (BEHIND in notes) == told


def test_one_pin_stays_one() -> None:
    """The same elbow with its second pin taken out: one pin, its tip told."""
    _, film, (pin,) = seen(COVERED["bend"], 1)
    assert not pin.covered
    assert pin.tip_clear
    assert not is_wide(film, pin.trace)


def test_a_wide_bar_is_told_from_a_pin() -> None:
    """The width that tells two pins rejects the pin's own: 1.6 mm at magnifications up to 1.2."""
    _, film, (pin,) = seen(COVERED["bend"], 1)
    for width, wide in ((1.6 * 1.2 / 1.115, False), (1.6 + 0.4, True)):
        fit = replace(pin.trace.fit, radius=width / 2.0 / film.mm_per_px)
        assert is_wide(film, replace(pin.trace, fit=fit)) is wide
        assert not is_wide(replace(film, scaled=False), replace(pin.trace, fit=fit))  # its size is a guess


def test_a_poor_pin_is_fitted_like_its_partner() -> None:
    """An AP film whose metal is cut flat, a wire along one pin: both found, apart, neither covered."""
    assert number_right(900_201) == 2
    assert not any(pin.covered for pin in seen(900_201)[2])


def test_on_an_ap_film_no_pin_covers_another() -> None:
    """They lie side by side there: what looks like two behind each other is one beside other metal."""
    _, film, pins = seen(COVERED["bend"])
    (one,) = find_pins(film, "ap")
    assert not one.covered
    assert len(pins) == len(find_pins(film, "lateral")) == 2
