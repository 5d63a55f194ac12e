"""A pin's bend: its outer edge, on the phantom and against the steepest place of the film itself.

Outside: `skimage.measure.profile_line` along the pin's axis through the bend, on a film rendered without
wires and with one pin, whose steepest fall lies at the metal's edge but for what blur and chord do to it.
"""

from __future__ import annotations

import functools
from dataclasses import replace

import numpy as np
import pytest
from skimage.measure import profile_line
from validation_metal import as_film, match

from measure import phantom, phantom_film
from measure.features import Features
from measure.pin_bend import Bend, pin_bends
from measure.pins import Pin, find_pins
from measure.prepare import Prepared, prepare
from measure.propose import propose
from measure.sites import load_site
from measure.snap import snap

SEEDS = range(703_000, 703_008, 2)
BARE = SEEDS[1:]  # whose films with one pin show one bend only
EDGE_MM = 0.3  # the steepest place of a blurred chord lies up to so far inside the cylinder's edge
Shown = tuple[phantom.Case, Prepared, tuple[Pin, ...], tuple[Bend, ...]]


@functools.cache
def shown(seed: int, bare: bool = False) -> Shown:
    """Render a lateral film, with its pins and bends; bare: one pin and no wire."""
    rng = np.random.default_rng(seed)
    case = phantom.random_case(rng, phantom.random_pose(rng, "lateral", pitch=(0.15, 0.2)), marked=False)
    case = replace(case, exposure=replace(case.exposure, saturated=False))
    if bare:
        case = replace(case, fixation=phantom.Fixation(case.fixation.pins[:1], None))
    film = prepare(as_film(case, phantom_film.render(case, rng).pixels))
    pins = find_pins(film)
    return case, film, pins, pin_bends(film, pins)


def off(case: phantom.Case, bend: Bend) -> float:
    """How far a bend's edge is off along its pin, mm."""
    true = phantom.landmarks(case)[f"pin{match(bend.pin, case)[0] + 1}_end"].film[0]
    return float((bend.end - true) @ -bend.pin.along) * case.pose.bone_scale[0]


def steepest(film: Prepared, bend: Bend) -> float:
    """Where the film falls most steeply near a bend's edge, outwards along the pin, mm beyond the edge."""
    reach = 1.5 / film.mm_per_px
    ends = bend.end + reach * bend.pin.along, bend.end - reach * bend.pin.along
    values = profile_line(film.density, *ends, linewidth=3, order=1, mode="nearest")
    fine = np.linspace(0.0, len(values) - 1.0, 10 * len(values))
    slope = np.gradient(np.interp(fine, np.arange(len(values)), np.convolve(values, np.ones(3) / 3, "same")))
    inner = np.abs(fine * film.mm_per_px - 1.5) < 1.2
    return float(fine[inner][np.argmin(slope[inner])] - reach) * film.mm_per_px


def test_edges_are_found_and_none_wrong() -> None:
    """Within 3 u and half a millimetre; of most pins."""
    films = [shown(seed) for seed in SEEDS]
    found = [
        (off(case, bend), bend.u_px * film.mm_per_px) for case, film, _, bends in films for bend in bends
    ]
    assert len(found) >= 3
    assert all(abs(error) < min(0.5, 3.0 * u + 0.05) for error, u in found)


@pytest.mark.parametrize("seed", BARE[:2])
def test_steepest_place_agrees(seed: int) -> None:
    """Source: skimage.measure.profile_line. An edge moved by 0.6 mm does not pass."""
    _, film, _, bends = shown(seed, bare=True)
    (bend,) = bends
    assert abs(steepest(film, bend)) < EDGE_MM
    for wrong in (-0.6, 0.6):
        moved = replace(bend, end=bend.end + wrong / film.mm_per_px * bend.pin.along)
        assert abs(steepest(film, moved)) > EDGE_MM


def test_a_click_goes_to_its_own_pins_bend() -> None:
    _, film, pins, bends = shown(SEEDS[0])
    features = Features(film, pins, bends=bends)
    bend = bends[0]
    click = bend.end + 0.8 / film.mm_per_px * bend.pin.along
    got = snap(features, "pin1_end", (click[0], click[1]))
    assert got is not None
    assert got.point == pytest.approx(tuple(bend.end))
    # What stands of pin 1 says which pin it is; a bend that stands says nothing of the axis.
    own = {"pin1_tip": bend.pin.tip[None], "pin1_end": bend.end[None]}
    assert snap(features, "pin1_end", (click[0], click[1]), own) == got
    assert snap(features, "pin1_straight", tuple(bend.pin.straight), {"pin1_end": bend.end[None]}) is not None
    if len(pins) == 2:
        (other,) = [pin for pin in pins if pin is not bend.pin]
        assert snap(features, "pin1_end", (click[0], click[1]), {"pin1_tip": other.tip[None]}) != got
    assert snap(replace(features, bends=()), "pin1_end", (click[0], click[1])) is None


def test_silent_where_the_pins_ends_are_not_told_apart() -> None:
    """Two pins that coincide: whose bend is whose is told by their own ends, or not at all."""
    _, film, _, bends = shown(BARE[0], bare=True)
    (bend,) = bends
    unsure = replace(bend.pin, trace=replace(bend.pin.trace, sure=(False, False)))
    assert pin_bends(film, (unsure, replace(unsure))) == ()


def test_silent_without_a_bend() -> None:
    """A straight pin, and an end at the film's border, have none."""
    case, _, _, _ = shown(BARE[0], bare=True)
    pin = replace(case.fixation.pins[0], bend_angle=5.0, hook=0.1)
    rng = np.random.default_rng(1)
    straight = replace(case, fixation=phantom.Fixation((pin,), None))
    film = prepare(as_film(straight, phantom_film.render(straight, rng).pixels))
    pins = find_pins(film)
    assert pins
    assert pin_bends(film, pins) == ()


def test_proposed_where_the_table_asks_for_it() -> None:
    """On a lateral film with the bend's own u; an AP film's table has no bend."""
    case = shown(BARE[1], bare=True)[0]
    film, site = (
        as_film(case, phantom_film.render(case, np.random.default_rng(1)).pixels),
        load_site("olecranon"),
    )
    (bend,) = pin_bends(prepare(film), find_pins(prepare(film)))
    proposed = propose(film, site, "lateral").landmarks["pin1_end"]
    assert proposed.array[0] == pytest.approx(bend.end)
    assert proposed.u_px == pytest.approx(bend.u_px)
    assert not [name for name in site.views["ap"].landmark if name.endswith("_end")]
