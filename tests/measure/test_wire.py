"""The wire on phantom films: drill hole and break where they are, no break in a whole wire."""

from __future__ import annotations

import functools
from dataclasses import replace

import numpy as np
import pytest
from validation_metal import as_film

from measure import phantom, phantom_film
from measure.film import Film
from measure.pins import find_pins
from measure.prepare import prepare
from measure.wire import Wire, find_wire

HOLE_MM, BREAK_MM = 2.0, 2.5
# Of the AP film: one on which the broken limb does not run along a pin, which would hide the break.
SEEDS = {"lateral": 710_000, "ap": 710_003}


@functools.cache
def filmed(view: str, broken: float) -> tuple[phantom.Case, Film, Wire | None]:
    """Film one limb in a view, its wire broken over so many mm."""
    rng = np.random.default_rng(SEEDS[view])
    pose = phantom.random_pose(rng, view, pitch=(0.16, 0.2), turn=6.0)
    case = phantom.random_case(rng, pose, marked=False)
    wire = replace(case.fixation.wire, break_length=broken)
    exposure = replace(case.exposure, photons=2000.0, curve="log")
    case = replace(case, fixation=replace(case.fixation, wire=wire), exposure=exposure)
    film = as_film(case, phantom_film.render(case, rng).pixels)
    prepared = prepare(film)
    return case, film, find_wire(prepared, find_pins(prepared), view)


@pytest.mark.parametrize("view", SEEDS)
@pytest.mark.parametrize("broken", [0.0, 3.0])
def test_hole_and_break(view: str, broken: float) -> None:
    case, _, wire = filmed(view, broken)
    marks, size = phantom.landmarks(case), case.pose.bone_scale[0]
    assert wire is not None
    assert wire.hole is not None
    assert np.linalg.norm(wire.hole - marks["hole"].film[0]) * size < HOLE_MM
    assert np.linalg.norm(wire.hole - marks["pin1_tip"].film[0]) * size > HOLE_MM  # another place is seen
    assert len(wire.breaks) == (broken > 0)
    for ends in wire.breaks:
        away = np.linalg.norm(ends.mean(axis=0) - marks["wire_break"].film.mean(axis=0)) * size
        assert away < BREAK_MM


@pytest.mark.parametrize("view", SEEDS)
def test_the_path_lies_on_the_wire(view: str) -> None:
    """Nearly all of the path found lies within 0.6 mm of the wire or a knot; the film's rest does not."""
    case, film, wire = filmed(view, 0.0)
    assert wire is not None
    bars = [bar.points for bar in phantom.metal(case) if not bar.name.startswith("pin")]
    course = phantom.project(np.vstack(bars), case.pose)
    size = case.pose.bone_scale[0]

    def near(points: np.ndarray) -> float:
        away = np.linalg.norm(points[:, None] - course, axis=-1).min(axis=1) * size
        return float(np.mean(away < 0.6))

    assert near(np.vstack(wire.path)) > 0.9
    assert near(np.random.default_rng(1).uniform(0, min(film.pixels.shape), (300, 2))) < 0.2


def test_no_pins_no_wire() -> None:
    _, film, _ = filmed("lateral", 0.0)
    assert find_wire(prepare(film), (), "lateral") is None
    assert find_wire(prepare(film), find_pins(prepare(film)), "oblique") is None
