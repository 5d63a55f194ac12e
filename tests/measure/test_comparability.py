"""How comparable two films are, through the whole comparison of measured films."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from conftest import Elbow, lateral, to_pixels

from measure.comparability import BACK_OUT, DIFFER, FRAGMENT_MOVED, NOTHING, UNDECIDED, turn_u
from measure.reading import Landmark
from measure.report import comparable_words
from measure.series import compare, measure
from measure.sites import Profile

CAREFUL = Profile("careful", 0.1, 0.0, "put in")
HASTY = Profile("hasty", 1.5, 0.0, "put in")


@pytest.fixture
def pair(make_film, make_reading):
    """Compare two measured films: pair(later elbow, profile, earlier and later reading fields)."""

    def make(elbow=None, profile=CAREFUL, earlier=None, later=None):
        films = [make_film(number, number) for number in (1, 2)]
        given = zip(films, (Elbow(), elbow), (earlier, later), strict=True)
        return compare(
            *(
                measure(film, make_reading(film, shape, **(fields or {})), profile)
                for film, shape, fields in given
            )
        )

    return make


def change(changes, name, target=""):
    return next(one for one in changes if one.key == (name, target))


MOBILE = ("articular_edge_proximal", "dorsal_edge_proximal", "pin1_exit", "pin2_exit", "loop_seat")
PINS = {pin: tuple(f"{pin}_{end}" for end in ("tip", "straight", "end")) for pin in ("pin1", "pin2")}


def shifted(names: tuple[str, ...], along: float, across: float = 0.0) -> dict[str, Landmark]:
    """Landmarks of the hand-made elbow, moved by so many mm distally and volarly."""
    places = {name: np.add(lateral(Elbow())[name], (along, across)) for name in names}
    return {
        name: Landmark("confirmed", to_pixels([tuple(row) for row in rows])) for name, rows in places.items()
    }


class TestVerdict:
    """The verdict in words."""

    @pytest.mark.parametrize(
        ("elbow", "fragment", "findings"),
        [
            (Elbow(), 0.0, {NOTHING}),
            (Elbow(back_out=(2.0, 0.0)), 0.0, {BACK_OUT}),
            (Elbow(), -2.0, {FRAGMENT_MOVED}),
            (Elbow(back_out=(0.0, 3.0)), -2.0, {FRAGMENT_MOVED, BACK_OUT}),
        ],
    )
    def test_what_moved_is_named(self, pair, elbow: Elbow, fragment: float, findings: set[str]) -> None:
        comparison = pair(elbow, later={"landmarks": shifted(MOBILE, fragment)})[0].comparison
        assert {name for name, *_ in comparison.findings} == findings
        assert all(name in comparison.text() for name in findings)

    @pytest.mark.parametrize(
        ("hidden", "named"),
        [
            (PINS["pin1"], "pin 1"),
            (MOBILE, "the mobile fragment"),
            (("pin1_tip", "pin2_tip"), "pin 1, pin 2"),
        ],
    )
    def test_what_was_not_followed_is_never_called_unchanged(self, pair, hidden, named) -> None:
        """A pin backs out 5 mm, but a film lacks it: no verdict of 'nothing changed', and it is named."""
        lacking = {"landmarks": dict.fromkeys(hidden)}
        comparison = pair(Elbow(back_out=(5.0, 0.0)) if "pin" in named else None, earlier=lacking)[
            0
        ].comparison
        assert NOTHING not in {name for name, *_ in comparison.findings}
        assert f"not followed, since not placed on both films: {named}" in comparison.text()

    def test_noisy_films_cannot_tell(self, pair) -> None:
        """With 1.5 mm of noise, a millimetre and a half of back-out is neither there nor excluded."""
        (finding,) = pair(Elbow(back_out=(2.5, 0.0), prominence=(6.5, 5.0)), HASTY)[0].comparison.findings
        assert finding[0] == UNDECIDED

    def test_one_wrong_click_raises_no_alarm(self, pair) -> None:
        """The hole clicked 4 mm off, which nothing that can move explains: named, and no verdict."""
        comparison = pair(later={"landmarks": shifted(("hole",), 4.0)})[0].comparison
        assert comparison.verdict == UNDECIDED
        assert "look first at hole" in comparison.text()
        assert pair()[0].comparison.movement.worst is None

    def test_exchanged_pins_give_no_verdict(self, pair) -> None:
        """Pin 1 read as pin 2 on the later film: cannot tell, and no change of a pin; gaps stay.

        Pins that did move, both of them and far, are not taken for exchanged.
        """
        other = {"pin1": "pin2", "pin2": "pin1"}
        names = [name for ends in PINS.values() for name in ends] + ["pin1_exit", "pin2_exit"]
        plain = shifted(tuple(names), 0.0)
        swapped = {other[name[:4]] + name[4:]: landmark for name, landmark in plain.items()}
        changes = pair(later={"landmarks": swapped})
        comparison = changes[0].comparison
        assert comparison.verdict == UNDECIDED
        assert "the pins look exchanged" in comparison.text()
        for key in (("back_out", "pin1"), ("pin_angle", "pin2"), ("pin_spacing", "")):
            held = change(changes, *key)
            assert held.quantity is None
            assert held.withheld
            assert "exchanged" in held.reason
        assert change(changes, "articular_gap").quantity is not None
        moved = pair(Elbow(back_out=(4.0, 6.0)))[0].comparison
        assert not moved.exchanged
        assert moved.verdict.count("pin backed out") == 2

    def test_probability_is_of_all_of_it_together(self, pair) -> None:
        """Two bodies moved: the chance that both did is at most that of the less likely one."""
        comparison = pair(Elbow(back_out=(0.0, 1.2)), later={"landmarks": shifted(MOBILE, -1.6)})[
            0
        ].comparison
        each = [chance for *_, chance in comparison.findings]
        assert max(0.0, sum(each) - len(each) + 1) - 1e-9 <= comparison.chance <= min(each) + 1e-9

    def test_the_pin_is_named(self, pair) -> None:
        """Pin 2, not pin 1."""
        assert "pin backed out (pin 2)" in pair(Elbow(back_out=(0.0, 2.0)))[0].comparison.text()


class TestTurn:
    """What a turn of the limb does to each change."""

    def test_a_turn_enters_what_it_touches(self, pair) -> None:
        """The pins' spacing depends on rotation, a gap of one plane hardly does.

        Parallax guesses are gone.
        """
        changes = pair()
        assert turn_u(change(changes, "pin_spacing").quantity) > 3 * turn_u(
            change(changes, "dorsal_gap").quantity
        )
        assert not any(
            part.startswith("parallax") for one in changes if one.quantity for part in one.quantity.parts
        )

    def test_a_known_turn_widens(self, pair) -> None:
        """Pins shifted against each other by 1.2 mm (10 degrees of tilt).

        Back-out is less sure than on like films.
        """
        turned = pair(later={"landmarks": shifted(PINS["pin1"], 0.6) | shifted(PINS["pin2"], -0.6)})
        alike = pair()
        for pin in ("pin1", "pin2"):
            assert turn_u(change(turned, "back_out", pin).quantity) > 1.2 * turn_u(
                change(alike, "back_out", pin).quantity
            )
        assert turned[0].comparison.turn("tilt").value == pytest.approx(9.0, abs=2.5)
        assert not {BACK_OUT} & {name for name, *_ in turned[0].comparison.findings}

    def test_films_too_different_are_withheld_by_name(self, pair) -> None:
        """Thirty degrees of tilt could fake 2 mm of back-out: no value, and why.

        Gap, in the bone's plane, stays.
        """
        far = 3.5 * np.tan(np.radians(30.0))
        changes = pair(later={"landmarks": shifted(PINS["pin1"], far) | shifted(PINS["pin2"], -far)})
        verdict = {name for name, *_ in changes[0].comparison.findings}
        held = change(changes, "back_out", "pin1")
        if held.quantity is None:
            assert "different rotations" in held.reason
        assert verdict & {DIFFER, UNDECIDED, BACK_OUT} or held.quantity is None
        assert change(changes, "articular_gap").quantity is not None


class TestPerQuantity:
    """How comparable the films are, quantity by quantity."""

    def test_in_words(self, pair) -> None:
        """Like films compare well or fairly in the gap; turned by 25 degrees the spacing is withheld."""
        alike = comparable_words(pair())
        assert "articular gap" in alike.split("poorly")[0]
        assert "not at all" not in alike
        turned = comparable_words(pair(later={"landmarks": self.rotated}))
        assert "spacing of the pins" in turned.split("not at all, so withheld: ")[1]

    far = 3.5 * np.tan(np.radians(25.0))
    rotated = shifted(PINS["pin1"], 0.0, far) | shifted(PINS["pin2"], 0.0, -far)

    def test_a_quantity_without_a_limit_can_be_withheld(self, pair) -> None:
        """The pins' spacing has no limit of its own: a turn that may change it by over 2 mm withholds it."""
        held = change(pair(later={"landmarks": self.rotated}), "pin_spacing")
        assert held.quantity is None
        assert "different rotations" in held.reason
        assert change(pair(), "pin_spacing").quantity is not None


class TestJointEstimate:
    """The corrected value beside the raw one."""

    def test_truth_comes_back_surer(self, pair) -> None:
        """Back-out, gap and step as laid out, each surer than the raw change."""
        changes = pair(Elbow(back_out=(2.0, 0.0)), later={"landmarks": shifted(MOBILE, -1.0, 0.8)})
        for key, truth in (
            (("back_out", "pin1"), 2.0),
            (("dorsal_gap", ""), 1.0),
            (("pin_tip_from_hole", "pin1"), 2.0),
        ):
            found = change(changes, *key)
            assert abs(found.joint.value - truth) < 2 * found.joint.u, key
            assert found.joint.u < found.quantity.u, key

    def test_raw_value_is_never_replaced(self, pair) -> None:
        """The change is the later value less the earlier, whatever the joint estimate says."""
        found = change(pair(Elbow(gap=1.4)), "articular_gap")
        earlier, later = found.earlier.find("articular_gap"), found.later.find("articular_gap")
        assert found.quantity.value == pytest.approx(later.quantity.value - earlier.quantity.value)

    def test_wire_and_single_bodies_have_none(self, pair) -> None:
        """Knots are not followed; the hole's place in its own fragment cannot change."""
        changes = pair()
        assert change(changes, "knot_distance", "knot1").joint is None
        assert change(changes, "hole_depth").joint is None


class TestArcs:
    """Rotation of a film by the concentric arcs of the humerus."""

    @staticmethod
    def arcs(offset: float) -> dict[str, Landmark]:
        """Two circles, their centres an offset apart, volar of the notch."""
        angles = np.radians(np.linspace(-60, 80, 5))
        circle = lambda r, y: [(r * np.sin(a), 12.0 + y - r * np.cos(a)) for a in angles]  # noqa: E731
        return {
            name: Landmark("confirmed", to_pixels(circle(radius, shift)))
            for name, radius, shift in (("capitellum_arc", 9.5, offset), ("trochlea_arc", 11.0, 0.0))
        }

    @pytest.mark.parametrize(
        ("offset", "degrees", "warned", "held"),
        [(1.0, 1.6, False, False), (4.3, 7.1, True, False), (7.2, 11.9, True, True)],
    )
    def test_warned_above_5_withheld_above_10(self, pair, offset, degrees, warned, held) -> None:
        """By hand: asin(offset / 35 mm)."""
        changes = pair(later={"landmarks": self.arcs(offset)})
        film = changes[0].later
        assert film.rotation.value == pytest.approx(degrees, abs=0.1)
        assert any("rotated off the true view" in note for note in film.notes) == warned
        step = change(changes, "articular_step")
        assert (step.quantity is None) == held
        assert not held or ("more than 10°" in step.reason and step.joint is None)
        assert change(changes, "articular_gap").quantity is not None

    def test_without_arcs_nobody_can_tell(self, pair) -> None:
        assert pair()[0].later.rotation is None

    def test_arcs_on_both_films_tell_the_turn(self, pair) -> None:
        """An offset that changed by 4.3 mm is 7 degrees of rotation, known to 2 degrees or so, not to 6."""
        found = pair(earlier={"landmarks": self.arcs(0.0)}, later={"landmarks": self.arcs(4.3)})[0].comparison
        assert found.movement.value("film", "tilt")[1] < np.radians(2.0)
        rotation = abs(found.turn("rotation").value)
        assert rotation < 9.0
        assert replace(found) == found


def test_no_scale_no_comparison(pair, spacing_of, make_film, make_reading) -> None:
    """Without millimetres there is neither verdict nor joint estimate; angles are still compared."""
    films = [
        make_film(number, number, spacing=spacing_of(imager=None, magnification=None)) for number in (1, 2)
    ]
    changes = compare(*(measure(film, make_reading(film)) for film in films))
    assert {one.comparison for one in changes} == {None}
    assert change(changes, "pin_angle", "pin1").quantity is not None
