"""The wire's proximal loop and its seat on a few phantom films, and where nothing of it is told.

Outside: the spot that scikit-image's blob finder sees most clearly there.
"""

from __future__ import annotations

import functools
from dataclasses import replace

import numpy as np
import pytest
from skimage.feature import blob_log
from validation_metal import as_film, make_case

from measure import phantom
from measure.exits import BoneEnd, bone_end
from measure.features import Features
from measure.lines import Array
from measure.pins import Pin, find_pins
from measure.prepare import Prepared, prepare
from measure.snap import snap
from measure.wire import Wire, find_wire
from measure.wire_loop import Loop, wire_loop

SEEN = (900_172, 900_126, 900_188, 900_202)
# The end of a hook, or a crossing of wire and pin, stands out there as a loop does, but is wider.
HIDDEN = (600_102, 600_166, 500_020)
Parts = tuple[Prepared, tuple[Pin, ...], Wire | None, BoneEnd | None]


@functools.cache
def parts(seed: int) -> Parts:
    film = prepare(as_film(*make_case(seed)))
    pins = find_pins(film)
    return film, pins, find_wire(film, pins, "lateral"), bone_end(film, pins)


def loop_of(seed: int) -> Loop:
    loop = wire_loop(*parts(seed))
    assert loop is not None
    return loop


def off(seed: int, name: str, place: Array) -> float:
    """Distance to a true landmark, mm."""
    case = make_case(seed)[0]
    true = phantom.landmarks(case)[name].film[0]
    return float(np.hypot(*(place - true))) * case.pose.bone_scale[0]


@pytest.mark.parametrize("seed", SEEN)
def test_the_loop_is_found(seed: int) -> None:
    """Within 0.6 mm; a place 1.4 mm away is told from it."""
    loop = loop_of(seed)
    assert off(seed, "loop", loop.middle) < 0.6
    moved = loop.middle + 1.0 / make_case(seed)[0].pose.bone_scale[0]
    assert off(seed, "loop", moved) > 0.6


def test_its_seat_lies_on_the_bone() -> None:
    """Within 0.7 mm of the true seat, and apart from the loop; without the bone's outline there is none."""
    seats = [(seed, seat) for seed in SEEN if (seat := loop_of(seed).seat) is not None]
    assert len(seats) >= 2
    for seed, seat in seats:
        assert off(seed, "loop_seat", seat) < 0.7
        assert off(seed, "loop_seat", seat + 1.0 / make_case(seed)[0].pose.bone_scale[0]) > 0.7
        film, pins, wire, _ = parts(seed)
        bare = wire_loop(film, pins, wire, None)
        assert bare is not None
        assert bare.seat is None


@pytest.mark.parametrize("seed", HIDDEN)
def test_nothing_else_is_taken_for_it(seed: int) -> None:
    assert wire_loop(*parts(seed)) is None


def test_without_pins_or_wire_there_is_none() -> None:
    film, pins, wire, end = parts(SEEN[0])
    assert wire_loop(film, (), wire, end) is None
    assert wire_loop(film, pins, None, end) is None


def test_it_is_the_clearest_spot() -> None:
    """Scikit-image's blob finder (Laplacian of Gaussians) sees a spot of a wire's size at the same place."""
    seed = SEEN[1]
    film, loop = parts(seed)[0], loop_of(seed)
    row, column = np.round(loop.middle).astype(int)
    half = round(1.5 / film.mm_per_px)
    patch = film.density[row - half : row + half + 1, column - half : column + half + 1]
    sizes = {"min_sigma": 0.3 / film.mm_per_px, "max_sigma": 0.6 / film.mm_per_px}
    blobs = blob_log((patch - patch.min()) / np.ptp(patch), threshold=0.1, **sizes)
    apart = np.hypot(*(blobs[:, :2] + [row - half, column - half] - loop.middle).T) * film.mm_per_px
    assert apart.min() < 0.4
    assert np.abs(apart - 1.2).min() > 0.1  # a place 1.2 mm away is not where it sees one


def test_clicks_go_to_it() -> None:
    seed = SEEN[1]
    film, pins, wire, _ = parts(seed)
    loop = loop_of(seed)
    features = Features(film, pins, "lateral", wire=wire, loop=loop)
    click = loop.middle + 0.5 / film.mm_per_px
    got = snap(features, "loop", (float(click[0]), float(click[1])))
    assert got is not None
    np.testing.assert_allclose(got.point, loop.middle)
    assert snap(replace(features, loop=None), "loop", (float(click[0]), float(click[1]))) is None
