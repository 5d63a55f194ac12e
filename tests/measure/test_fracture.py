"""The fracture's edges on a few phantom films with a clear gap, and silence where it is closed.

Films are rendered here with seeds that set no limit; `tests/validation_metal.py` has figures on many.
Outside: scikit-image's `profile_line` on the same limb filmed without its metal.
"""

from __future__ import annotations

import functools
from dataclasses import replace

import numpy as np
import pytest
from skimage.measure import profile_line
from validation_metal import as_film

from measure import phantom, phantom_film
from measure.features import Features
from measure.film import Film
from measure.fracture import EDGES, Edge, fracture_edges
from measure.lines import Array
from measure.notch import notch_arc
from measure.pins import find_pins
from measure.prepare import Prepared, prepare
from measure.propose import propose
from measure.sites import load_site
from measure.snap import snap

SEEDS = (702_100, 702_106, 702_112)  # of eight tried, those where the joint's edges are told
WIDE = phantom.Displacement(gap=3.2, step=0.5, opening=2.0)


@functools.cache
def case_of(seed: int, moved: phantom.Displacement = WIDE) -> phantom.Case:
    rng = np.random.default_rng(seed)
    pose = phantom.random_pose(rng, "lateral", turn=4.0, pitch=(0.15, 0.2))
    made = phantom.random_case(rng, pose, marked=False)
    return replace(made, displacement=moved, exposure=phantom.Exposure())


@functools.cache
def picture_of(case: phantom.Case) -> Film:
    return as_film(case, phantom_film.render(case, np.random.default_rng(1)).pixels)


@functools.cache
def found_on(case: phantom.Case) -> dict[str, Edge]:
    film = prepare(picture_of(case))
    pins = find_pins(film)
    return dict(fracture_edges(film, pins, notch_arc(film, pins)))


def off(edge: Edge, name: str, case: phantom.Case) -> Array:
    """How far an edge lies from the true one, mm (2,)."""
    true = phantom.landmarks(case)[name].film[0]
    return np.asarray((edge.point - true) * case.pose.bone_scale[0])


class TestEdges:
    """Against the phantom's truth."""

    def test_found_and_none_wrong(self) -> None:
        errors, z = [], []
        for seed in SEEDS:
            case = case_of(seed)
            for name, edge in found_on(case).items():
                errors.append(np.linalg.norm(off(edge, name, case)))
                z.append(np.abs(off(edge, name, case)).max() / (edge.u_px * case.pose.bone_scale[0]))
        assert len(errors) >= 6
        assert max(errors) < 1.3
        assert max(z) < 1.96
        exchanged = {
            "articular_edge_proximal": "articular_edge_distal",
            "articular_edge_distal": "articular_edge_proximal",
        }
        wrong = [
            np.linalg.norm(off(edge, exchanged[name], case_of(seed)))
            for seed in SEEDS
            for name, edge in found_on(case_of(seed)).items()
            if name in exchanged
        ]
        assert min(wrong) > 1.3  # the other fragment's edge, 3 mm away, is no match

    def test_the_gap_lies_between_them(self) -> None:
        """The joint's edges are as far apart as the fragments are."""
        for seed in SEEDS:
            case, edges = case_of(seed), found_on(case_of(seed))
            apart = np.linalg.norm(
                edges["articular_edge_distal"].point - edges["articular_edge_proximal"].point
            )
            true = np.hypot(WIDE.gap, WIDE.step)
            assert abs(apart * case.pose.bone_scale[0] - true) < 1.2

    def test_a_closed_fracture_gives_nothing(self) -> None:
        closed = phantom.Displacement(gap=0.0, step=0.0, opening=0.0)
        assert found_on(case_of(SEEDS[0], closed)) == {}

    def test_without_pins_or_notch_nothing(self) -> None:
        film = prepare(picture_of(case_of(SEEDS[0])))
        pins = find_pins(film)
        assert fracture_edges(film, (), notch_arc(film, pins)) == {}
        assert fracture_edges(film, pins, None) == {}

    def test_clipped_bone_gives_nothing(self) -> None:
        film = prepare(picture_of(case_of(SEEDS[0])))
        pins = find_pins(film)
        clipped = replace(film, density=np.maximum(film.density, film.density.max()))
        assert fracture_edges(clipped, pins, notch_arc(film, pins)) == {}


def steepest(film: Prepared, start: Array, stop: Array) -> tuple[Array, Array]:
    """Where the film rises and where it falls most between two points, by scikit-image."""
    values = profile_line(film.density, start, stop, linewidth=9, mode="reflect")
    slope = np.gradient(np.convolve(np.pad(values, 2, mode="edge"), np.ones(5) / 5, mode="valid"))
    way = (stop - start) / np.linalg.norm(stop - start)
    return start + int(np.argmax(slope)) * way, start + int(np.argmin(slope)) * way


class TestOutside:
    """The same margins by another library, on the same limb without metal."""

    def test_margins(self) -> None:
        """Half-way between joint and dorsal cortex the film falls at the one and rises at the other."""
        case, edges = case_of(SEEDS[0]), found_on(case_of(SEEDS[0]))
        bare = replace(case, fixation=phantom.Fixation((), None))
        with_metal, film, size = prepare(picture_of(case)), prepare(picture_of(bare)), case.pose.bone_scale[0]
        if np.corrcoef(film.density.ravel()[::50], with_metal.density.ravel()[::50])[0, 1] < 0:
            film = film.inverted()  # without metal its polarity is told by the header alone
        pin = find_pins(with_metal)[0]
        middle = (edges["articular_edge_proximal"].point + edges["dorsal_edge_proximal"].point) / 2.0
        arm = 1.5 / size * pin.along  # short of the other margin
        fall = steepest(film, middle - arm, middle + arm)[1]
        error = float((fall - middle) @ pin.along) * size
        assert abs(error) < 0.8
        wrong = middle + 1.0 / size * pin.along  # looked for about there, the fall stays where it is
        assert abs(float((steepest(film, wrong - arm, wrong + arm)[1] - wrong) @ pin.along)) * size > 0.8
        rise = steepest(film, middle, middle + 5.0 / size * pin.along)[0]
        distal = edges["articular_edge_distal"].point - edges["articular_edge_proximal"].point
        width = float((rise - fall) @ pin.along) * size
        assert abs(width - float(distal @ pin.along) * size) < 1.2
        proximal = edges["dorsal_edge_proximal"].point - edges["articular_edge_proximal"].point
        assert abs(width - float(proximal @ pin.along) * size) > 1.2  # edges of one margin are no width apart


class TestUse:
    """As what clicks snap to."""

    def test_not_proposed(self) -> None:
        """Too many of them are wrong for a proposal."""
        case = case_of(SEEDS[0])
        found = propose(picture_of(case), load_site("olecranon"), "lateral").landmarks
        assert "joint_arc" in found
        assert not found.keys() & set(EDGES)

    def test_a_click_goes_to_its_own_edge(self) -> None:
        case = case_of(SEEDS[0])
        edges = found_on(case)
        features = Features(prepare(picture_of(case)), edges=edges)
        edge = edges["articular_edge_distal"]
        near = edge.point + 1.0 / features.film.mm_per_px
        got = snap(features, "articular_edge_distal", (float(near[0]), float(near[1])))
        assert got is not None
        np.testing.assert_allclose(got.point, edge.point)
        assert got.u_px == pytest.approx(edge.u_px)
        assert snap(features, "articular_edge_proximal", (float(near[0]), float(near[1]))) is None
        assert snap(features, "dorsal_edge_distal", (float(near[0]), float(near[1]))) is None  # not seen
