"""Shaft, pin exits, far cortex and notch on a few phantom films, as proposals and as what clicks snap to.

Films are rendered here with seeds that set no limit; `tests/validation_metal.py` has figures on many.
Outside: scikit-image's `profile_line` and `CircleModel` on the same films, and on a film without metal.
"""

from __future__ import annotations

import functools
from dataclasses import replace

import numpy as np
import pytest
from skimage.measure import CircleModel, profile_line
from validation_metal import SHAFT, as_film, make_case, match, notch_errors, off_lines

from measure import bone, exits, phantom, phantom_film
from measure.bone import across_from, shaft_cortices
from measure.exits import Crossing, bone_end, far_crossings, pin_exits
from measure.features import Features, find_features
from measure.film import Film
from measure.geometry import fit_circle
from measure.lines import Array
from measure.notch import notch_arc
from measure.pins import Pin, find_pins
from measure.prepare import Prepared, prepare
from measure.snap import snap
from measure.strip import Strip
from measure.tubes import AWAY_MM, width_across

SEEDS = range(702_000, 702_012, 2)


@functools.cache
def case_of(seed: int) -> phantom.Case:
    rng = np.random.default_rng(seed)
    return phantom.random_case(rng, phantom.random_pose(rng, "lateral", pitch=(0.15, 0.2)), marked=False)


@functools.cache
def picture_of(seed: int) -> Film:
    return as_film(case_of(seed), phantom_film.render(case_of(seed), np.random.default_rng(seed)).pixels)


@functools.cache
def film_of(seed: int) -> Prepared:
    return prepare(
        as_film(case_of(seed), phantom_film.render(case_of(seed), np.random.default_rng(seed)).pixels)
    )


@functools.cache
def pins_of(seed: int) -> tuple[Pin, ...]:
    return find_pins(film_of(seed))


def exits_of(seed: int) -> tuple[Crossing, ...]:
    return pin_exits(film_of(seed), pins_of(seed), bone_end(film_of(seed), pins_of(seed)))


def exit_errors(seed: int, true: str) -> list[float]:
    """How far exits lie along their pins from a true landmark of these, mm."""
    case = case_of(seed)
    marks, size = phantom.landmarks(case), case.pose.bone_scale[0]
    return [
        float((one.point - marks[f"pin{match(one.pin, case)[0] + 1}_{true}"].film[0]) @ one.pin.along) * size
        for one in exits_of(seed)
    ]


@pytest.mark.parametrize(
    ("slope", "bend", "told"), [(-0.04, 0.022, True), (0.2, 0.03, True), (-0.36, -0.003, False)]
)
def test_the_skin_is_no_bone(slope: float, bend: float, told: bool) -> None:
    """Pieces on a line as oblique and straight as the skin's over the pins' bends tell of no bone's end."""
    across = np.arange(6.5, 11.0)
    pieces = np.stack([across, 5.6 + slope * across + bend * across**2], axis=1)
    assert (exits._fitted(pieces) is not None) is told


class TestCrossings:
    """Where pins cross the bone's outlines."""

    def test_exits_found_and_none_wrong(self) -> None:
        errors = [error for seed in SEEDS for error in exit_errors(seed, "exit")]
        other = [error for seed in SEEDS for error in exit_errors(seed, "tip")]
        assert len(errors) >= 2
        assert np.abs(errors).max() < 1.2
        assert np.abs(other).max() > 1.2  # the pin's tip is another place

    def test_far_cortex(self) -> None:
        """Where a line drawn across a pin meets it; at 5 degrees no place is told better than by a click."""
        pin = next(pin for seed in SEEDS for pin in pins_of(seed))
        place = pin.tip + 40.0 * pin.along

        def crossed(degrees: float) -> list[Array]:
            way = np.radians(degrees)
            turn = np.array([[np.cos(way), -np.sin(way)], [np.sin(way), np.cos(way)]])
            ends = place + 100.0 * np.array([-turn @ pin.along, turn @ pin.along])
            return [one.point for one in far_crossings([pin], ends, 0.15)]

        for degrees in (20.0, -35.0):
            np.testing.assert_allclose(crossed(degrees), [place], atol=1e-6)
        assert np.hypot(*(crossed(20.0)[0] - pin.tip)) > 30.0  # the tip is another place
        assert crossed(5.0) == []

    def test_a_pin_along_the_cortex_crosses_nothing(self) -> None:
        pin = next(pin for seed in SEEDS for pin in pins_of(seed))
        beside = np.array([pin.straight, pin.tip]) + 5.0 * np.array([-pin.along[1], pin.along[0]])
        assert far_crossings([pin], beside, 0.15) == ()

    def test_no_pins_no_crossings(self) -> None:
        assert pin_exits(film_of(SEEDS[0]), (), None) == ()
        assert notch_arc(film_of(SEEDS[0]), ()) is None


def steepest(film: Prepared, start: Array, stop: Array) -> Array:
    """Where the film rises most between two points, by scikit-image, averaged over a few pixels across."""
    values = profile_line(film.density, start, stop, linewidth=7, mode="reflect")
    rise = np.gradient(np.convolve(np.pad(values, 4, mode="edge"), np.ones(9) / 9, mode="valid"))
    way = (stop - start) / np.linalg.norm(stop - start)
    return np.asarray(start + int(np.argmax(rise)) * way)


class TestOutside:
    """The same edges by another library."""

    def test_exit_on_a_film_without_metal(self) -> None:
        """The same limb without its metal: the steepest place along where the pin's axis was."""
        seed = next(seed for seed in SEEDS if exits_of(seed))
        case, size = case_of(seed), case_of(seed).pose.bone_scale[0]
        bare = replace(case, fixation=phantom.Fixation((), None))
        film = prepare(as_film(bare, phantom_film.render(bare, np.random.default_rng(seed)).pixels))
        upright = (
            film
            if np.corrcoef(film.density.ravel()[::50], film_of(seed).density.ravel()[::50])[0, 1] > 0
            else film.inverted()
        )
        for one in exits_of(seed):
            arm = 4.0 / size * one.pin.along
            edge = steepest(upright, one.point - arm, one.point + arm)
            assert abs(float((edge - one.point) @ one.pin.along)) * size < 1.0
            wrong = (
                one.point + 2.0 / size * one.pin.along
            )  # looked for about there, the edge stays where it is
            edge = steepest(upright, wrong - arm, wrong + arm)
            assert abs(float((edge - wrong) @ one.pin.along)) * size > 1.0

    def test_shaft(self) -> None:
        """The near cortex, which no other bone covers, lies outside the steepest place by what is said."""
        off = []
        for seed in SEEDS:
            film, size = film_of(seed), case_of(seed).pose.bone_scale[0]
            cortices = shaft_cortices(film, pins_of(seed), "lateral")
            if cortices is not None:
                outer, inner = (side.mean(axis=0) for side in cortices)
                way = (inner - outer) / np.linalg.norm(inner - outer)
                edge = steepest(film, outer - 1.5 / size * way, outer + 1.5 / size * way)
                off.append(float((edge - outer) @ way) * size)
        assert len(off) >= 2
        assert np.abs(np.array(off) - 0.3).max() < 0.35

    def test_notch(self) -> None:
        """The arc lies on the joint's side of the steepest place, by what is said."""
        off = []
        for seed in SEEDS:
            film, size = film_of(seed), case_of(seed).pose.bone_scale[0]
            arc = notch_arc(film, pins_of(seed))
            if arc is not None:
                centre, middle = fit_circle(arc.points)[0], arc.points[2]
                out = (middle - centre) / np.linalg.norm(middle - centre)
                edge = steepest(film, middle - 1.0 / size * out, middle + 1.0 / size * out)
                off.append(float((edge - middle) @ out) * size)
        assert len(off) >= 3
        assert np.abs(np.array(off) - 0.2).max() < 0.4

    def test_circle(self) -> None:
        """Through the arc's points scikit-image fits the circle that they were placed on."""
        arc = next(arc for seed in SEEDS if (arc := notch_arc(film_of(seed), pins_of(seed))) is not None)
        model = CircleModel.from_estimate(arc.points)
        centre, radius = fit_circle(arc.points)
        np.testing.assert_allclose([*model.center, model.radius], [*centre, radius], atol=0.01)
        assert np.abs(model.residuals(arc.points)).max() < 0.01
        assert np.abs(model.residuals(arc.points + 5.0)).max() > 1.0


class TestShaft:
    """Both cortices, and those straight across from a place."""

    def test_on_the_outline(self) -> None:
        errors = []
        for seed in SEEDS:
            cortices = shaft_cortices(film_of(seed), pins_of(seed), "lateral")
            if cortices is not None:
                lines = np.array(cortices)
                errors.append(off_lines(lines, case_of(seed), SHAFT["lateral"]))
                other = lines + 3.0 / case_of(seed).pose.bone_scale[0]
                assert np.abs(off_lines(other, case_of(seed), SHAFT["lateral"])).max() > 1.0
        assert len(errors) >= 2
        assert np.abs(errors).max() < 1.0

    @pytest.mark.parametrize(
        ("sides_mm", "holds"), [((-7.0, 7.0), True), ((15.5, 28.5), True), ((4.5, 18.0), False)]
    )
    def test_not_the_gap_between_two_bones(self, sides_mm: tuple[float, float], holds: bool) -> None:
        """On two drawn tubes with muscle about them: each holds bone, the gap between them none."""
        across = np.arange(-290.0, 291.0)
        values = np.full(across.shape, 40.0)
        for middle, outer in ((0.0, 7.0), (22.0, 6.5)):
            for radius, sign in ((outer, 1.0), (outer - 2.5, -0.7)):
                values += sign * np.sqrt(np.maximum(radius**2 - (0.1 * across - middle) ** 2, 0.0))
        levels = np.tile(values, (20, 1)).astype(np.float32)
        strip = Strip(levels, np.zeros(2), np.array([1.0, 0.0]), 10.0, np.arange(20.0), across)
        near, far = (np.full(2, side / 0.1) for side in sides_mm)
        for one, other, way in ((near, far, 1.0), (far, near, -1.0)):
            assert bone._holds_bone(strip, one, other, way * 20.0) is holds

    def test_across_from(self) -> None:
        """On a drawn shaft 15 mm wide: from a third of its width, 12 mm before its first level."""
        cortices = np.array([[0.0, 0.0], [0.0, 200.0]]), np.array([[150.0, 0.0], [150.0, 200.0]])
        beside = across_from(cortices, np.array([50.0, -120.0]), 0.1)
        assert beside is not None
        np.testing.assert_allclose(beside[0], [[0.0, -120.0], [150.0, -120.0]])
        nearer = across_from(cortices, np.array([50.0, -20.0]), 0.1)
        assert nearer is not None
        assert nearer[1] < beside[1]
        assert across_from(cortices, np.array([50.0, -400.0]), 0.1) is None
        assert across_from(cortices, np.array([170.0, -20.0]), 0.1) is None


class TestNotch:
    """The arc of the distal fragment."""

    def test_on_the_outline(self) -> None:
        errors = []
        for seed in SEEDS:
            arc = notch_arc(film_of(seed), pins_of(seed))
            if arc is not None:
                errors.append(notch_errors(case_of(seed), arc.points))
                moved = arc.points + 1.5 / case_of(seed).pose.bone_scale[0]
                assert np.abs(notch_errors(case_of(seed), moved)).max() > 0.6
        assert len(errors) >= 3
        assert np.abs(errors).max() < 0.6

    @pytest.mark.parametrize("seed", [900_166, 900_206])
    def test_the_humerus_is_not_taken_for_it(self, seed: int) -> None:
        """Its cortex has the notch's centre: it was taken for it, 3.4 mm off, on these films."""
        case, pixels = make_case(seed)
        film = prepare(as_film(case, pixels))
        arc = notch_arc(film, find_pins(film))
        assert arc is None or notch_errors(case, arc.points).max() < 1.5


class TestTubes:
    """The width of a shaft under another, on profiles made by the formula of the chord."""

    @staticmethod
    def profile(width: float, away: float) -> Array:
        def tube(middle: float, radius: float, wall: float) -> Array:
            def chord(half: float) -> Array:
                return np.asarray(2.0 * np.sqrt(np.maximum(half**2 - (AWAY_MM - middle) ** 2, 0.0)))

            return chord(radius) - 0.8 * chord(radius - wall)

        other = 0.7 * tube(width / 2.0 + away, 6.2, 2.2)
        return np.asarray(0.02 * (tube(width / 2.0, width / 2.0, 2.8) + other) + 0.1 + 0.004 * AWAY_MM)

    @pytest.mark.parametrize("width", [12.6, 14.3, 16.1])
    @pytest.mark.parametrize("away", [6.0, 9.4, 13.0])
    def test_told(self, width: float, away: float) -> None:
        found, better = width_across(self.profile(width, away))
        assert abs(found - width) < 0.6
        assert better > 1.4
        assert abs(found - (width + 2.0)) > 0.6

    def test_another_length(self) -> None:
        with pytest.raises(ValueError, match="sample it at the places"):
            width_across(np.zeros(5))


class TestSnapping:
    """Clicks near exit and notch go to what was found there."""

    def test_to_the_exit_and_the_arc(self) -> None:
        seed = next(seed for seed in SEEDS if exits_of(seed) and notch_arc(film_of(seed), pins_of(seed)))
        film, pins = film_of(seed), pins_of(seed)
        features = Features(
            film, pins, exits=pin_exits(film, pins, bone_end(film, pins)), arc=notch_arc(film, pins)
        )
        exit_ = features.exits[0]
        got = snap(features, "pin1_exit", tuple(exit_.point + 0.1 / film.mm_per_px))
        assert got is not None
        np.testing.assert_allclose(got.point, exit_.point)
        on_axis = tuple(exit_.point + 30.0 / film.mm_per_px * exit_.pin.along)
        assert snap(features, "pin1_exit", on_axis) is None  # the axis does not tell where along it
        assert snap(features, "pin1_straight", on_axis) is not None
        assert features.arc is not None
        centre, radius = fit_circle(features.arc.points)
        for place in features.arc.points[1:-1]:
            on_arc = snap(
                features, "joint_arc", tuple(place + 0.9 * (place - centre) / radius / film.mm_per_px)
            )
            assert on_arc is not None
            assert np.hypot(*(np.array(on_arc.point) - place)) < 1e-6

    def test_beyond_the_arc_a_click_stays(self) -> None:
        """Where the notch was not seen other edges lie near; clicks went to them, and were made worse."""
        seed = next(seed for seed in SEEDS if notch_arc(film_of(seed), pins_of(seed)))
        film, arc = film_of(seed), notch_arc(film_of(seed), pins_of(seed))
        assert arc is not None
        beyond = arc.points[0] + 1.5 * (arc.points[0] - arc.points[1])
        features = Features(film, pins_of(seed), arc=arc)
        assert snap(features, "joint_arc", (float(beyond[0]), float(beyond[1]))) is None

    def test_between_two_pins_a_click_stays(self) -> None:
        """Half-way between two axes nobody knows which is meant; a pin that bears the number is."""
        seed = next(seed for seed in SEEDS if pins_of(seed))
        first, mm = pins_of(seed)[0], film_of(seed).mm_per_px
        aside = np.array([-first.along[1], first.along[0]]) / mm
        second = replace(first, tip=first.tip + 2.0 * aside, straight=first.straight + 2.0 * aside)
        features = Features(film_of(seed), (first, second))
        middle = first.straight + 0.95 * aside
        click = (float(middle[0]), float(middle[1]))
        assert snap(features, "pin1_straight", click) is None
        tip = {"pin1_tip": first.tip[None]}
        assert snap(features, "pin1_straight", click, tip) is not None

    def test_another_edge_than_the_shafts_own(self) -> None:
        """A cortex of the other side is not gone to, nor one that lies off the shaft's line."""
        seed = next(seed for seed in SEEDS if shaft_cortices(film_of(seed), pins_of(seed), "lateral"))
        film, pins = film_of(seed), pins_of(seed)
        cortices = shaft_cortices(film, pins, "lateral")
        assert cortices is not None
        click = tuple(cortices[0].mean(axis=0))
        found = Features(film, pins, cortices=cortices)
        assert snap(found, "shaft_dorsal", click) is not None
        assert snap(found, "shaft_volar", click) is None
        aside = 1.2 * (cortices[1] - cortices[0]).mean(axis=0) / 15.0 + cortices
        assert snap(Features(film, pins, cortices=(aside[0], aside[1])), "shaft_dorsal", click) is None

    def test_all_found_at_once(self) -> None:
        seed = SEEDS[0]
        film = picture_of(seed)
        features = find_features(film, "lateral")
        assert len(features.exits) == len(exits_of(seed))
        assert not find_features(film, "ap").exits
