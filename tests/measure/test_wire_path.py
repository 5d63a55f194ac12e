"""Path, knots and silence of the wire on phantom films, checked against the phantom and scikit-image.

Outside: `skimage.graph.route_through_array` finds the dearest-metal way between two places of the wire on
the film itself, without the map, its mask or its middle lines; photographs of skimage.data and CT and
ultrasound of pydicom's own data hold no wire.
"""

from __future__ import annotations

import functools
from dataclasses import replace

import numpy as np
import pydicom
import pytest
from numpy.typing import NDArray
from pydicom.data import get_testdata_file
from scipy.ndimage import gaussian_filter, white_tophat
from scipy.spatial import cKDTree
from skimage import data
from skimage.graph import route_through_array
from validation_metal import as_film, course

from measure import phantom, phantom_film
from measure.film import Film, Spacing
from measure.pins import Pin, find_pins
from measure.prepare import Prepared, prepare
from measure.propose import Proposals, propose
from measure.reading import PROPOSED
from measure.sites import load_site
from measure.wire import Wire, find_wire, not_judged

SEEDS = {"lateral": 710_002, "ap": 710_007}
ROUTE_MM = 0.25  # median distance of path and route


@functools.cache
def filmed(view: str) -> tuple[phantom.Case, Film, Prepared, tuple[Pin, ...], Wire]:
    """Film a whole wire in a view, with a letter, a ball and collimation."""
    rng = np.random.default_rng(SEEDS[view])
    pose = phantom.random_pose(rng, view, pitch=(0.18, 0.2), turn=6.0)
    case = phantom.random_case(rng, pose, marked=True)
    exposure = replace(
        case.exposure, photons=4000.0, curve="log", saturated=False, letter=True, collimation=4.0
    )
    case = replace(case, exposure=exposure)
    film = as_film(case, phantom_film.render(case, rng).pixels)
    prepared = prepare(film)
    pins = find_pins(prepared)
    wire = find_wire(prepared, pins, view)
    assert wire is not None
    return case, film, prepared, pins, wire


@functools.cache
def proposed(view: str) -> Proposals:
    return propose(filmed(view)[1], load_site("olecranon"), view)


def route(film: Prepared, start: NDArray[np.float64], stop: NDArray[np.float64]) -> NDArray[np.float64]:
    """Way (n, 2) of most metal between two film places, by scikit-image."""
    margin = 6.0 / film.mm_per_px
    low = np.maximum(np.minimum(start, stop) - margin, 0).astype(int)
    high = (np.maximum(start, stop) + margin).astype(int)
    patch = film.density[low[0] : high[0], low[1] : high[1]]
    size = round(3.0 / film.mm_per_px)
    metal = gaussian_filter(white_tophat(patch, size=(size, size)), 0.2 / film.mm_per_px)
    ends = [tuple(np.round(place - low).astype(int)) for place in (start, stop)]
    way, _ = route_through_array(np.exp(-8.0 * metal / metal.max()), *ends, geometric=True)
    return np.array(way) + low


@pytest.mark.parametrize("view", SEEDS)
class TestPath:
    """The visible path as polylines."""

    def test_on_the_wire_in_order(self, view: str) -> None:
        """Its places follow each other, on wire or knots; a path moved by 1 mm does not pass."""
        case, _, _, _, wire = filmed(view)
        true, size = np.vstack([course(case, "wire"), course(case, "knot")]), case.pose.bone_scale[0]
        path = np.vstack(wire.path)

        def share(places: NDArray[np.float64]) -> float:
            return float(np.mean(cKDTree(true).query(places)[0] * size < 0.5))

        assert share(path) > 0.95
        assert share(path + 1.0 / size) < 0.5
        steps = np.concatenate([np.linalg.norm(np.diff(piece, axis=0), axis=1) for piece in wire.path])
        assert steps.max() * size < 0.5

    def test_the_route_of_another_library_agrees(self, view: str) -> None:
        """Straight stretches lie on scikit-image's route between their ends; 1 mm aside they do not."""
        case, _, film, _, wire = filmed(view)
        size = case.pose.bone_scale[0]
        assert wire.straight
        for piece in wire.straight:
            way = cKDTree(route(film, piece[0], piece[-1]))
            along = (piece[-1] - piece[0]) / np.linalg.norm(piece[-1] - piece[0])
            aside = np.array([-along[1], along[0]]) / size
            assert np.median(way.query(piece)[0]) * size < ROUTE_MM
            assert np.median(way.query(piece + aside)[0]) * size > ROUTE_MM

    def test_knots(self, view: str) -> None:
        """What is called a knot is one, and a foot that is told lies at its foot."""
        case, _, _, _, wire = filmed(view)
        marks, size = phantom.landmarks(case), case.pose.bone_scale[0]
        middles = np.array([course(case, f"knot{number}").mean(axis=0) for number in (1, 2)])
        assert len(wire.knots) == 2
        assert any(knot.foot is not None for knot in wire.knots)
        for knot, middle in zip(wire.knots, middles, strict=True):
            assert np.linalg.norm(knot.middle - middle) * size < 2.0
        marked = proposed(view).landmarks
        for number, knot in enumerate(wire.knots, start=1):
            name = f"knot{number}"
            assert (name in marked) == (knot.foot is not None)
            if knot.foot is not None:
                assert marked[name].status == PROPOSED
                assert np.linalg.norm(knot.foot - marks[name].film[0]) * size < 1.0
                assert np.linalg.norm(knot.middle - marks[name].film[0]) * size > 1.0  # another place is seen

    def test_what_is_not_judged_is_said(self, view: str) -> None:
        """Without a break it is said where none would be seen; with one, nothing more."""
        *_, wire = filmed(view)
        (said,) = not_judged(wire, True)
        assert "would not be seen" in said
        assert ("behind the pins" in said) == (wire.hidden_mm > 1.0)
        assert ("on the other" in said) == (wire.overlaid_mm > 1.0)
        assert "on the other" not in not_judged(replace(wire, overlaid_mm=0.0), True)[0]
        hidden = replace(wire, hidden_mm=5.0, overlaid_mm=7.0)
        assert "over about 7 mm one limb" in not_judged(hidden, True)[0]
        assert " mm " not in not_judged(hidden, False)[0]  # no length without a scale
        assert "somewhere one limb" in not_judged(hidden, False)[0]
        assert said in proposed(view).notes
        assert not_judged(replace(wire, breaks=(np.zeros((2, 2)),)), True) == ()
        assert "look for a break yourself" in not_judged(None, True)[0]


def test_no_break_where_there_is_none() -> None:
    """A whole wire on films with letter, ball, collimation and, on one, a single pin."""
    for view in SEEDS:
        _, _, film, pins, wire = filmed(view)
        assert not wire.breaks
        alone = find_wire(film, pins[:1], view)
        assert alone is not None
        assert not alone.breaks
        assert bool(alone.path) == (view == "lateral")  # the other pin would pass for wire


@pytest.mark.parametrize("name", ["camera", "coins", "page", "brick"])
def test_photographs_hold_no_wire(name: str) -> None:
    photograph = Film(pixels=getattr(data, name)().astype(np.uint16), spacing=Spacing(imager=(0.15, 0.15)))
    film = prepare(photograph)
    pins = find_pins(film)
    for view in SEEDS:
        assert find_wire(film, pins, view) is None


@pytest.mark.parametrize("name", ["CT_small.dcm", "MR_small.dcm"])
def test_slices_hold_no_wire(name: str) -> None:
    pixels = pydicom.dcmread(get_testdata_file(name)).pixel_array
    film = prepare(
        Film(pixels=np.clip(pixels, 0, None).astype(np.uint16), spacing=Spacing(imager=(0.5, 0.5)))
    )
    pins = find_pins(film)
    for view in SEEDS:
        assert find_wire(film, pins, view) is None
