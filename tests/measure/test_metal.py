"""Pins, width, marker, snapping and proposals on a few phantom films, and silence where there is no metal.

The films are rendered here, with seeds that set no limit; `tests/validation_metal.py` has figures on many.
Outside: photographs of skimage.data and images of pydicom's own data, which hold no pins.
"""

from __future__ import annotations

import functools
from dataclasses import replace

import cv2
import numpy as np
import pytest
from metal_films import photographs, rendered, slices
from validation_metal import FOUND_DEGREES, FOUND_MM, match

from measure import phantom, pin_width
from measure.features import Features
from measure.film import Film
from measure.marker import find_marker
from measure.pin_width import Width, _core, pin_input, pin_widths
from measure.pins import Pin, find_pins
from measure.prepare import Prepared, prepare, upright
from measure.propose import propose, propose_scale, proposed_reading
from measure.reading import PROPOSED
from measure.scale import from_input
from measure.series import measure
from measure.sites import load_site
from measure.snap import snap
from measure.wire import Wire, find_wire
from measure.wire_width import wire_input, wire_width

SEEDS = range(700_000, 700_006)
WIRED = range(700_005, 700_016, 2)  # AP
TIP_MM = 1.0


@functools.cache
def found(seed: int) -> tuple[Pin, ...]:
    return find_pins(prepare(rendered(seed)[1]))


def is_right(pin: Pin, case: phantom.Case) -> bool:
    _, angle, offset, tip = match(pin, case)
    return angle < FOUND_DEGREES and offset < FOUND_MM and (not pin.tip_clear or abs(tip) < TIP_MM)


class TestPins:
    """Axis and tip of the pins of a film."""

    def test_found_and_none_wrong(self) -> None:
        right = [is_right(pin, rendered(seed)[0]) for seed in SEEDS for pin in found(seed)]
        assert all(right)
        assert len(right) >= 0.85 * 2 * len(SEEDS)

    def test_a_wrong_axis_is_rejected(self) -> None:
        """The check itself: a pin turned by 2 degrees or moved by 1 mm does not pass."""
        case = rendered(SEEDS[1])[0]
        (pin, *_) = found(SEEDS[1])
        across = np.array([-pin.along[1], pin.along[0]])
        arm = np.tan(np.radians(2.0)) * np.linalg.norm(pin.tip - pin.straight)
        step = 1.0 / case.pose.bone_scale[0]
        assert is_right(pin, case)
        assert not is_right(replace(pin, tip=pin.tip + arm * across), case)
        assert not is_right(
            replace(pin, tip=pin.tip + step * across, straight=pin.straight + step * across), case
        )

    @pytest.mark.parametrize("change", ["inverted", "other photometric", "darker", "signed"])
    def test_the_same_in_every_form(self, change: str) -> None:
        """Polarity, photometric interpretation, brightness and data type change nothing that matters."""
        _, film = rendered(SEEDS[1])
        flipped = "MONOCHROME2" if film.photometric == "MONOCHROME1" else "MONOCHROME1"
        pixels = film.pixels
        changed = {
            "inverted": replace(film, pixels=4095 - pixels),
            "other photometric": replace(film, pixels=4095 - pixels, photometric=flipped),
            "darker": replace(film, pixels=(pixels // 3 + 20).astype(np.uint16)),
            "signed": replace(film, pixels=(pixels.astype(np.int32) - 2048).astype(np.int16)),
        }[change]
        again = find_pins(prepare(changed))
        assert len(again) == len(found(SEEDS[1])) == 2
        for one, other in zip(again, found(SEEDS[1]), strict=True):
            np.testing.assert_allclose(one.tip, other.tip, atol=0.3)
            np.testing.assert_allclose(one.along, other.along, atol=1e-3)

    def test_ap_pin_1_is_the_radial_one(self) -> None:
        for seed in SEEDS[1::2]:
            if len(found(seed)) == 2:
                numbers = [match(pin, rendered(seed)[0])[0] for pin in found(seed)]
                assert numbers == [0, 1]


class TestSilence:
    """Nothing is proposed where there is no metal."""

    @pytest.mark.parametrize("mm_per_px", [0.13, 0.2, 0.24, 0.25, 0.28, 0.3, 0.4, 0.5])
    def test_pictures_and_slices(self, mm_per_px: float) -> None:
        pictures = photographs() + slices()
        assert len(pictures) >= 8
        for name, picture in pictures:
            grey = picture.astype(np.float32).reshape(*picture.shape[:2], -1).mean(axis=-1)
            density = (grey - grey.min()) / np.ptp(grey)
            assert find_pins(upright(Prepared(density, density >= 1.0, mm_per_px, True))) == (), name

    @pytest.mark.parametrize("kind", ["blank", "noise", "tiny"])
    def test_empty_films(self, kind: str) -> None:
        noise = np.random.default_rng(1).integers(0, 4096, (600, 700)).astype(np.uint16)
        pixels = {"blank": np.full((600, 700), 40, np.uint16), "noise": noise, "tiny": noise[:9, :7]}[kind]
        film = Film(pixels=np.ascontiguousarray(pixels), view="lateral")
        assert find_pins(prepare(film)) == ()
        assert find_marker(prepare(film)) is None
        assert proposed_reading(film, load_site("olecranon")) is None


class TestWidth:
    """The pins' width as a scale."""

    def test_clipped_metal_is_refused(self) -> None:
        case, film = rendered(SEEDS[1])
        values = prepare(film).density
        (pin, *_) = found(SEEDS[1])
        row, column = np.round((pin.tip + 2 * pin.straight) / 3).astype(int)
        level = np.minimum(values, 0.9 * values[row, column])
        clipped = Prepared(level / level.max(), level >= level.max(), case.pose.pitch[0] / 1.15, True)
        pins = find_pins(clipped)
        assert all(width.refused for width in pin_widths(clipped, pins))
        given, why = pin_input(clipped, pins)
        assert given is None
        assert "clipped" in why or not pins

    def test_scale_within_its_uncertainty(self) -> None:
        """Errors over their uncertainties: within 3 on every film, and some scale given."""
        errors = []
        for seed in SEEDS:
            case, film = rendered(seed)
            given, _ = pin_input(prepare(film), found(seed))
            if given is not None:
                scale = from_input(given, "film", film.aspect)
                errors.append((scale.mm_per_px[0] / case.pose.bone_scale[0] - 1.0) / scale.u)
        assert len(errors) >= 3
        assert np.abs(errors).max() < 3.0
        assert np.abs(np.array(errors) + 0.2 / 0.045).max() > 3.0  # a scale 20 % off is seen

    def test_what_no_pin_of_the_stated_size_can_be_is_refused(self) -> None:
        """Pins seen far wider or narrower than stated, or of two sizes on one film, give no scale."""
        film, pins = next(
            (prepare(rendered(seed)[1]), found(seed))
            for seed in SEEDS
            if pin_input(prepare(rendered(seed)[1]), found(seed))[0]
        )
        for stated in (1.1, 2.4):
            assert f"a pin of {stated} mm was stated" in pin_input(film, pins, stated)[1]
            assert pin_input(replace(film, scaled=False), pins, stated)[0] is not None  # its size is a guess

    def test_pins_of_two_widths_give_no_scale(self, monkeypatch: pytest.MonkeyPatch) -> None:
        film = prepare(rendered(SEEDS[0])[1])
        pixels = 1.6 / film.mm_per_px
        for wider, differs in ((1.01, False), (1.12, True)):
            widths = [Width(pixels, 0.01, None), Width(wider * pixels, 0.02, None)]
            monkeypatch.setattr(pin_width, "pin_widths", lambda *_, widths=widths: widths)
            assert ("differ by 12 %" in pin_input(film, found(SEEDS[0])[:2])[1]) == differs

    @pytest.mark.parametrize("diameter", [0.0, -1.6, float("nan")])
    def test_diameter_must_be_positive(self, diameter: float) -> None:
        with pytest.raises(ValueError, match="must be positive"):
            propose_scale(rendered(SEEDS[0])[1], "", "marker", diameter)


@functools.cache
def wired() -> tuple[Prepared, tuple[Pin, ...], Wire]:
    """Return the first film whose wire's width is given, and what is found on it."""
    for seed in WIRED:
        film = prepare(rendered(seed)[1])
        wire = find_wire(film, found(seed), "ap")
        if wire is not None and wire.straight and not wire_width(film, found(seed), wire, 1.0).refused:
            return film, found(seed), wire
    raise AssertionError("no film's wire gives a width")


class TestWireWidth:
    """The wire's width as a scale, on AP films."""

    def test_scale_within_its_uncertainty(self) -> None:
        """Errors over their uncertainties within 3; given on some film; a wire of 1.25 mm is told from it."""
        errors = []
        for seed in WIRED:
            case, film = rendered(seed)
            picture = prepare(film)
            wire = find_wire(picture, found(seed), "ap")
            given, _ = wire_input(picture, found(seed), wire, "ap", 1.0)
            if given is not None:
                for mm in (1.0, 1.25):
                    scale = from_input(replace(given, mm=mm), "film", film.aspect)
                    errors.append((scale.mm_per_px[0] / case.pose.bone_scale[0] - 1.0) / scale.u)
        right, wrong = errors[::2], errors[1::2]
        assert len(right) >= 2
        assert np.abs(right).max() < 3.0
        assert np.abs(wrong).min() > 3.0

    def test_it_is_proposed_where_its_size_is_stated(self) -> None:
        """The scale that the room and the review get is the one worked out here."""
        film, pins, wire = wired()
        filmed = next(rendered(seed)[1] for seed in WIRED if found(seed) is pins)
        given, why = propose_scale(filmed, "ap", "wire width", 1.0)
        assert given is not None, why
        assert given.kind == "wire profile"
        across = np.hypot(*np.subtract(*given.points))
        assert across == pytest.approx(wire_width(film, pins, wire, 1.0).pixels)

    def test_two_limbs_side_by_side_are_refused(self) -> None:
        """The same film with a second limb drawn next to the first gives no width, and says so."""
        film, pins, wire = wired()
        across = np.array([-pins[0].along[1], pins[0].along[0]])
        step = np.round(across * 1.25 / film.mm_per_px).astype(int)
        doubled = np.maximum(film.density, np.roll(film.density, step, (0, 1)))
        assert "beside it" in str(wire_width(replace(film, density=doubled), pins, wire, 1.0).refused)

    def test_clipped_metal_is_refused(self) -> None:
        film, pins, wire = wired()
        everywhere = replace(film, clipped=np.ones_like(film.clipped))
        assert "the pin's top is clipped flat" in str(wire_width(everywhere, pins, wire, 1.0).refused)
        beside = replace(film, clipped=np.ones_like(film.clipped))
        for pin in pins:
            beside.clipped[_core(film, pin)] = False
        assert "its top is clipped flat" in str(wire_width(beside, pins, wire, 1.0).refused)

    def test_reasons(self) -> None:
        """Lateral films give none; a size that is not positive is an error."""
        film = prepare(rendered(SEEDS[0])[1])
        given, why = wire_input(film, found(SEEDS[0]), None, "lateral", 1.0)
        assert given is None
        assert "only AP films" in why
        notes = propose(rendered(SEEDS[0])[1], load_site("olecranon"), "lateral", {"wire width": 1.0}).notes
        assert any(note.startswith("no scale from wire profile: only AP films") for note in notes)
        assert wire_input(film, (), None, "ap", 1.0) == (
            None,
            "no straight stretch of one wire alone was seen",
        )
        with pytest.raises(ValueError, match="must be positive"):
            wire_input(film, (), None, "ap", 0.0)


def enlarged(film: Film, factor: float) -> Film:
    """Return the film drawn larger on pixels of the same size."""
    size = tuple(round(factor * side) for side in film.pixels.shape[::-1])
    return replace(film, pixels=cv2.resize(film.pixels, size, interpolation=cv2.INTER_CUBIC))


class TestMarkerAndSnap:
    """The ball, and clicks moved to features."""

    @pytest.mark.parametrize("seed", [seed for seed in SEEDS if seed % 5 == 0])
    def test_ball(self, seed: int) -> None:
        case, film = rendered(seed)
        marker = find_marker(prepare(film))
        centre, diameter = phantom.marker_on_film(case)
        assert marker is not None
        assert np.hypot(*(marker.centre - centre)) < 0.5
        error = marker.diameter * case.pose.pitch[0] / diameter - 1.0
        assert abs(error) < 0.006
        assert abs(error) < 3.0 * marker.u_diameter / marker.diameter
        grown = find_marker(prepare(enlarged(film, 1.015)))  # a ball 1.5 % larger is told from this one
        assert grown is not None
        assert abs(grown.diameter * case.pose.pitch[0] / diameter - 1.0) > 0.006

    def test_clicks(self) -> None:
        case, film = rendered(SEEDS[1])
        features = Features(prepare(film), found(SEEDS[1]))
        tip = features.pins[0].tip
        got = snap(features, "pin1_tip", (tip[0] + 3.0, tip[1] - 3.0))
        assert got is not None
        np.testing.assert_allclose(got.point, tip)
        middle = (tip + features.pins[0].straight) / 2
        on_axis = snap(features, "pin1_straight", (middle[0] + 2.0, middle[1] + 2.0))
        assert on_axis is not None
        away = np.array(on_axis.point) - tip
        assert abs(away[0] * features.pins[0].along[1] - away[1] * features.pins[0].along[0]) < 1e-6
        assert snap(features, "pin1_tip", (tip[0] + 60.0, tip[1])) is None
        assert snap(features, "knot1", (tip[0], tip[1])) is None
        size = case.pose.bone_scale[0]
        for place in phantom.landmarks(case)["shaft_ulnar"].film:
            edge = snap(features, "shaft_ulnar", (float(place[0]), float(place[1]) + 0.8 / size))
            assert edge is not None
            assert abs(edge.point[1] - place[1]) * size < 0.3

    def test_a_number_is_of_one_pin(self) -> None:
        """What is placed on a pin gives it its number: another pin's tip is then nothing to go to."""
        first, second = found(SEEDS[1])
        features = Features(prepare(rendered(SEEDS[1])[1]), (first, second))

        def tip_of(name: str, pin: Pin, **placed: np.ndarray) -> tuple[float, float] | None:
            got = snap(features, name, (pin.tip[0] + 2.0, pin.tip[1]), placed)
            return None if got is None else got.point

        on_first, on_second = first.straight[None], second.straight[None]
        assert tip_of("pin1_tip", second) == tuple(second.tip)  # no number yet: the nearest
        assert tip_of("pin1_tip", first, pin1_straight=on_first) == tuple(first.tip)
        assert tip_of("pin1_tip", second, pin1_straight=on_first) is None
        assert tip_of("pin2_tip", first, pin1_straight=on_first) is None
        assert tip_of("pin2_tip", second, pin1_straight=on_first) == tuple(second.tip)
        assert tip_of("pin1_tip", second, pin1_straight=on_second) == tuple(second.tip)  # numbered otherwise
        assert tip_of("pin1_tip", first, pin1_straight=on_first + 300.0) is None  # a pin not found
        assert tip_of("pin1_tip", second, pin1_tip=first.tip[None]) == tuple(second.tip)  # moved to the other


class TestProposals:
    """A film without a reading."""

    def test_landmarks_are_proposed_and_marked(self) -> None:
        _, film = rendered(SEEDS[1])
        site = load_site("olecranon")
        landmarks = propose(film, site, "ap").landmarks
        assert {"pin1_tip", "pin1_straight", "shaft_ulnar", "shaft_radial"} <= set(landmarks)
        assert all(mark.status == PROPOSED and mark.u_px and mark.u_px > 0 for mark in landmarks.values())
        made = proposed_reading(film, site)
        assert made is not None
        reading, _ = made
        measured = [one for one in measure(film, reading).measurements if one.quantity is not None]
        assert {one.row.name for one in measured} >= {"pin_angle"}
        assert all(one.proposed for one in measured)

    def test_scales_where_sizes_are_stated(self) -> None:
        """Pins and ball give a scale each; metal clipped flat gives none, and the reason."""
        site, sizes = load_site("olecranon"), {"pin width": 1.6, "marker": 25.0}
        _, film = rendered(SEEDS[0])
        assert not propose(film, site, "lateral").scale_inputs
        found = propose(film, site, "lateral", sizes)
        assert {given.kind for given in found.scale_inputs} == {"pin profile", "ball outline"}
        for given in found.scale_inputs:
            scale = from_input(given, "film", film.aspect)
            assert 0.005 < scale.u < 0.06
        made = proposed_reading(film, site, sizes)
        assert made is not None
        scale = measure(film, made[0]).scale
        assert scale is not None
        assert scale.kind in {"pin profile", "ball outline"}  # surer than the detector's spacing
        clipped = rendered(SEEDS[0], saturated=True)[1]
        notes = propose(clipped, site, "lateral", {"pin width": 1.6}).notes
        assert [note.partition(":")[0] for note in notes if "scale" in note] == ["no scale from pin profile"]
        assert notes[0].startswith("no scale from pin profile: the pin's top lies at")

    def test_another_view_gets_nothing(self) -> None:
        assert (
            proposed_reading(replace(rendered(SEEDS[1])[1], view="oblique"), load_site("olecranon")) is None
        )
