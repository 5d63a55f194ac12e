"""Pins that backed out between two phantom films: their landmarks go with them, the bone's stay with it."""

from __future__ import annotations

import functools
from dataclasses import replace

import numpy as np
import pytest
from validation_metal import as_film

from measure import carry, phantom, phantom_film
from measure.carry import Registration, carry_forward, register
from measure.errors import CarryError
from measure.film import Film
from measure.pin_carry import Hardware, find_hardware, pins_followed
from measure.reading import Landmark, for_film
from measure.sites import load_site

SEED, BACK_OUT_MM = 820_003, (5.0, 7.0)
FOLLOWED_MM, BONE_MM = 0.8, 0.8
SITE = load_site("olecranon")
AP = SITE.views["ap"]


@functools.cache
def visits() -> list[tuple[phantom.Case, Film]]:
    """Film an elbow twice from the front, turned and shifted, its pins backed out in between."""
    rng = np.random.default_rng(SEED)
    pose = phantom.random_pose(rng, "ap", pitch=(0.18, 0.2), turn=5.0)
    case = phantom.random_case(rng, pose, marked=False)
    case = replace(case, exposure=replace(case.exposure, saturated=False))
    later = replace(
        pose, rotation=pose.rotation + 1.5, in_plane=pose.in_plane + 4.0, offset=(pose.offset[0] + 2, 18.0)
    )
    made = []
    for seen, out in ((pose, (0.0, 0.0)), (later, BACK_OUT_MM)):
        pins = [replace(pin, back_out=mm) for pin, mm in zip(case.fixation.pins, out, strict=True)]
        one = replace(case, pose=seen, fixation=replace(case.fixation, pins=tuple(pins)))
        made.append((one, as_film(one, phantom_film.render(one, rng).pixels)))
    return made


@functools.cache
def hardware() -> tuple[Hardware, Hardware]:
    (_, earlier), (_, later) = visits()
    return find_hardware(earlier), find_hardware(later)


def marks() -> dict[str, np.ndarray]:
    """Give the earlier film's landmarks as a reader without error places them."""
    truth = phantom.landmarks(visits()[0][0])
    return {
        name: mark.film[: AP.landmark[name].points[0]]
        for name, mark in truth.items()
        if name in AP.landmark and name != "wire_break"
    }


def off_mm(name: str, points: np.ndarray) -> float:
    """How far points lie from where a landmark is on the later film."""
    case = visits()[1][0]
    true = phantom.landmarks(case)[name].film[: len(points)]
    return float(np.linalg.norm(points - true, axis=1).mean()) * case.pose.bone_scale[0]


def test_backed_out_pins_take_their_landmarks_along() -> None:
    """Tips and straight ends are within a millimetre; by the films' registration they are off by the move."""
    (_, earlier), (_, later) = visits()
    placed = {name: Landmark("confirmed", tuple(map(tuple, at.tolist()))) for name, at in marks().items()}
    carried = carry_forward(earlier, later, for_film(earlier, SITE, "ap", "AB", landmarks=placed))
    whole = register(earlier, later)
    for number, moved in enumerate(BACK_OUT_MM, start=1):
        for name in (f"pin{number}_tip", f"pin{number}_straight"):
            assert off_mm(name, carried[name].array) < FOLLOWED_MM
            assert off_mm(name, whole(marks()[name])) > moved - 1.0  # what following them is for
    for name in ("ulnar_edge_distal", "radial_edge_distal", "hole"):
        assert off_mm(name, carried[name].array) < BONE_MM
        assert off_mm(name, marks()[name]) > BONE_MM  # as if the film had been taken alike


@pytest.mark.parametrize("found", [1, 0])
def test_landmarks_of_pins_not_followed_are_left_out(monkeypatch: pytest.MonkeyPatch, found: int) -> None:
    """Fewer pins found than were read: nothing of pins is proposed, as the bone does not tell."""
    one, other = hardware()
    given = iter((one, replace(other, pins=other.pins[:found])))
    monkeypatch.setattr(carry, "find_hardware", lambda _: next(given))
    (_, earlier), (_, later) = visits()
    placed = {name: Landmark("confirmed", tuple(map(tuple, at.tolist()))) for name, at in marks().items()}
    carried = carry_forward(earlier, later, for_film(earlier, SITE, "ap", "AB", landmarks=placed))
    assert any(AP.landmark[name].part == "pin" for name in placed)
    assert not any(AP.landmark[name].part == "pin" for name in carried)
    assert off_mm("hole", carried["hole"].array) < BONE_MM


@pytest.mark.parametrize(
    ("metal_moved", "bone_fails", "dragged"), [(2.0, 0, 2.0), (30.0, 0, 0.0), (30.0, 1, 30.0)]
)
def test_moved_metal_does_not_drag_the_bone(
    monkeypatch: pytest.MonkeyPatch, metal_moved: float, bone_fails: int, dragged: float
) -> None:
    """Bone alone counts where metal lies elsewhere; both where they agree; all there is where bone fails."""

    def registered(*asked: object, **_: object) -> Registration:
        if len(asked) > 3 and bone_fails:
            raise CarryError("too little bone")
        matrix = np.eye(3)
        matrix[0, 2] = 0.0 if len(asked) > 3 else metal_moved
        return Registration(matrix, 50)

    monkeypatch.setattr(carry, "register", registered)
    (_, earlier), (_, later) = visits()
    points = np.array([[100.0, 200.0], [300.0, 400.0]])
    laid = carry._register_bone(earlier, later, lambda: False, hardware(), points)(points)
    np.testing.assert_allclose(laid - points, [[dragged, 0.0]] * 2)


def test_metal_is_hidden_and_bone_is_not() -> None:
    """Pins lie in the mask; most of the film does not, nor does a film without pins at all."""
    (case, film), one = visits()[0], hardware()[0]
    marks_on = phantom.landmarks(case)
    middle = (marks_on["pin1_tip"].film[0] + marks_on["pin1_straight"].film[0]) / 2
    row, column = (middle * np.array(one.metal.shape) / np.array(film.pixels.shape)).astype(int)
    assert one.metal[row, column]
    assert one.metal.mean() < 0.25
    blank = find_hardware(replace(film, pixels=np.full((300, 400), 9, np.uint16)))
    assert blank.pins == ()
    assert not blank.metal.any()


@pytest.mark.parametrize("doubt", ["which is which", "one is missing", "a landmark on no pin", "far away"])
def test_pins_in_doubt_are_not_followed(doubt: str) -> None:
    """Nothing is followed where it is not clear which pin is which, or whether it is the same at all."""
    one, other = hardware()
    bone = register(visits()[0][1], visits()[1][1])
    axes = {f"pin{n}": np.vstack([marks()[f"pin{n}_tip"], marks()[f"pin{n}_straight"]]) for n in (1, 2)}
    assert set(pins_followed(one, other, axes, bone)) == {"pin1", "pin2"}
    if doubt == "which is which":
        other = replace(other, pins=(other.pins[0], other.pins[0]))
    elif doubt == "one is missing":
        other = replace(other, pins=other.pins[:1])
    elif doubt == "a landmark on no pin":
        axes["pin1"] = axes["pin1"] + 40.0
    away = 80.0 if doubt == "far away" else 0.0
    assert pins_followed(one, other, axes, lambda points: bone(points) + away) == {}


def beside(one: Hardware, apart_mm: float) -> Hardware:
    """Give the same film with its first pin and one like it so far beside it."""
    first = one.pins[0]
    step = apart_mm / one.film.mm_per_px * np.array([-first.along[1], first.along[0]])
    return replace(one, pins=(first, replace(first, tip=first.tip + step, straight=first.straight + step)))


@pytest.mark.parametrize(("apart_mm", "clear"), [(2.0, True), (0.2, False)])
def test_bone_laid_aside_exchanges_no_pins(apart_mm: float, clear: bool) -> None:
    """Bone laid nearly as far aside as the pins lie apart: how they lie to each other tells."""
    one, other = (beside(film, apart_mm) for film in hardware())
    bone = register(visits()[0][1], visits()[1][1])
    axes = {f"pin{n}": np.vstack([pin.tip, pin.straight]) for n, pin in enumerate(one.pins, start=1)}
    mm, across = other.film.mm_per_px, np.array([-other.pins[0].along[1], other.pins[0].along[0]])
    followed = pins_followed(one, other, axes, lambda points: bone(points) + 1.9 / mm * across)
    assert set(followed) == (set(axes) if clear else set())
    for name, pin, wrong in zip(followed, other.pins, other.pins[::-1], strict=False):
        far = [np.abs((followed[name](axes[name]) - at.tip) @ across).max() * mm for at in (pin, wrong)]
        assert far[0] < 0.2 < 1.8 < far[1]
