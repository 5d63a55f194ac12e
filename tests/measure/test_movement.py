"""What moved between two films, on landmarks laid out in space by hand and shifted by plain formulas."""

from __future__ import annotations

import numpy as np
import pytest
from conftest import Elbow, anteroposterior, lateral

from measure.movement import BACKED_OUT, LOOSE, MOVED, STILL, TURN_U, Movement, compare_places, mixture
from measure.sites import load_site
from measure.ties import MOBILE, Placed, depths_of

VIEW = load_site("olecranon").views["lateral"]
DEPTH = {"pin1": 3.5, "pin2": -3.5}
CLICK = 0.1  # mm
AT_THE_PINS = ("pin1", "pin2")


def film(
    elbow: Elbow | None = None, *, tilt: float = 0.0, rotation: float = 0.0, size: float = 1.0,
    noise: float = 0.0, seed: int = 0, depths: dict[str, float] = DEPTH,
) -> Placed:  # fmt: skip
    """Lay out a film of the hand-made elbow; what lies at depth z is shifted by z times the turn, degrees."""
    rng = np.random.default_rng(seed)
    points = {}
    for name, places in lateral(elbow or Elbow()).items():
        depth = depths.get(name.split("_")[0], 0.0) if VIEW.landmark[name].part == "pin" else 0.0
        shift = depth * np.radians([tilt, rotation])
        points[name] = (np.array(places) + shift) * size + rng.normal(0, noise, (len(places), 2))
    return Placed(points, dict.fromkeys(points, CLICK))


def compared(later: Placed, earlier: Placed | None = None, size_u: float = 0.02) -> Movement:
    found = compare_places(earlier or film(), later, VIEW, size_u=size_u)
    assert found is not None
    return found


class TestFilm:
    """How differently the films were taken."""

    @pytest.mark.parametrize(("tilt", "rotation"), [(8.0, 0.0), (0.0, -8.0), (6.0, 6.0)])
    def test_turn_is_found(self, tilt: float, rotation: float) -> None:
        """The pins, apart in depth, show the turn; nothing is said to have moved."""
        found = compared(film(tilt=tilt, rotation=rotation))
        for which, truth in (("tilt", tilt), ("rotation", rotation)):
            value, u = found.value("film", which)
            assert abs(np.degrees(value) - truth) <= 2.0 * np.degrees(u), which
        assert found.all_still > 0.9

    def test_magnification_is_found(self) -> None:
        """A film 3 % larger than its scale says is found to be.

        Within its uncertainty and a third of a per cent.
        """
        value, u = compared(film(size=1.03)).value("film", "size")
        assert value == pytest.approx(0.03, abs=0.003)
        assert u < 0.005

    def test_place_and_turn_in_the_plane_do_not_matter(self) -> None:
        """A film turned by 130 degrees, shifted and mirrored gives the same answer."""
        plain, turned = film(Elbow(back_out=(2.0, 0.0))), {}
        cosine, sine = np.cos(np.radians(130)), np.sin(np.radians(130))
        matrix = np.array([[cosine, -sine], [sine, cosine]]) @ np.diag([1.0, -1.0])
        turned = {name: points @ matrix.T + [40.0, -7.0] for name, points in plain.points.items()}
        first, second = compared(plain), compared(Placed(turned, plain.u))
        np.testing.assert_allclose(first.free.mean[5:], second.free.mean[5:], atol=1e-6)
        assert first.all_still == pytest.approx(second.all_still, abs=1e-6)


class TestBodies:
    """What moved."""

    def test_nothing(self) -> None:
        """The same film again.

        All still, and by how much nothing moved is sure to a fraction of a millimetre.
        """
        found = compared(film())
        assert found.all_still > 0.9
        assert abs(found.value("pin1", "along")[0]) < 0.05

    def test_one_pin_backs_out(self) -> None:
        """Two millimetres of one pin are that pin's, and not the other's, the fragment's or a turn's."""
        found = compared(film(Elbow(back_out=(2.0, 0.0), prominence=(6.0, 5.0))))
        assert found.probability("pin1", BACKED_OUT, LOOSE) > 0.95
        assert found.probability("pin2", STILL) > 0.9
        assert found.probability(MOBILE, MOVED) < 0.1
        value, u = found.value("pin1", "along")
        assert abs(value - 2.0) < 2 * u < 0.8

    def test_both_pins_back_out(self) -> None:
        found = compared(film(Elbow(back_out=(2.0, 2.0), prominence=(6.0, 7.0))))
        assert all(found.probability(pin, BACKED_OUT, LOOSE) > 0.95 for pin in AT_THE_PINS)

    def test_fragment_moves(self) -> None:
        """A gap and dorsal gap 2 mm wider, the exits with it: the fragment, not the pins."""
        found = compared(film(Elbow(gap=2.4, dorsal_gap=2.6, fragment_shift=2.0, prominence=(4.0, 5.0))))
        assert found.probability(MOBILE, MOVED) > 0.95
        assert all(found.probability(pin, STILL) > 0.9 for pin in AT_THE_PINS)

    def test_a_turn_is_not_taken_for_back_out(self) -> None:
        """Eight degrees of tilt shift the pins by half a millimetre against each other: no pin has moved.

        The check can fail: the same shifts with the pins held to lie in the bone's plane are taken for a
        movement.
        """
        turned = film(tilt=8.0)
        assert compared(turned).all_still > 0.9
        flat = dict.fromkeys(AT_THE_PINS, (0.0, 0.0))
        wrong = compare_places(film(), turned, VIEW, size_u=0.02, depths=flat)
        assert wrong is not None
        assert wrong.all_still < 0.5


def test_the_other_view_s_depths_are_used() -> None:
    """An AP film gives each pin's depth; pins deeper than usual are then not taken for a larger turn.

    At 12 mm apart in depth, 6 degrees look like 10 to whoever takes the pins to be 7 mm apart.
    """
    ap = load_site("olecranon").views["ap"]
    places = {name: np.array(points) for name, points in anteroposterior(Elbow()).items()}
    for pin, radial in (("pin1", 6.0), ("pin2", -6.0)):
        for end in ("straight", "tip"):
            places[f"{pin}_{end}"][:, 1] = radial
    depths = depths_of(Placed(places, dict.fromkeys(places, CLICK)), ap)
    assert {pin: round(depth, 6) for pin, (depth, _) in depths.items()} == {"pin1": 6.0, "pin2": -6.0}
    deep = {"pin1": 6.0, "pin2": -6.0}
    pair = film(depths=deep), film(tilt=6.0, depths=deep)
    known, usual = (compare_places(*pair, VIEW, size_u=0.02, depths=d) for d in (depths, None))
    assert known is not None
    assert usual is not None
    assert abs(np.degrees(known.value("film", "tilt")[0]) - 6.0) < 1.0
    assert np.degrees(usual.value("film", "tilt")[0]) > 8.0


def test_a_side_that_is_not_seen_counts_as_both() -> None:
    """A mixture of two Gaussians has their mean, and the spread within and between them (by hand)."""
    means, inside = np.array([[2.0], [-2.0]]), np.array([[[0.25]], [[0.25]]])
    mean, spread = mixture(np.array([0.75, 0.25]), means, inside)
    assert mean[0] == pytest.approx(1.0)
    assert spread[0, 0] == pytest.approx(0.25 + 0.75 * 1.0 + 0.25 * 9.0)


def test_probabilities_add_up() -> None:
    """Over all hypotheses to one, and for a body over its states."""
    found = compared(film(Elbow(back_out=(1.0, 0.0)), noise=0.3, seed=3))
    assert sum(h.probability for h in found.hypotheses) == pytest.approx(1.0)
    assert found.probability("pin1", STILL, BACKED_OUT, LOOSE) == pytest.approx(1.0)


def test_noise_widens() -> None:
    """Half the clicks' uncertainty gives surer pins; the uncertainty is what the noise put in makes it."""
    surely = compared(Placed(film().points, dict.fromkeys(film().points, 0.05)))
    assert surely.value("pin1", "along")[1] <= compared(film()).value("pin1", "along")[1]


def test_the_joint_estimate_scatters_as_it_says() -> None:
    """Over 200 noisy pairs at random turns and depths, errors over stated uncertainties spread by about 1.

    It may state more: what it allows for foreshortening is not in these films. Half of it would not do.
    """
    rng = np.random.default_rng(11)
    errors = []
    for n in range(200):
        tilt, rotation = np.degrees(rng.normal(0, TURN_U, 2))
        depths = {"pin1": rng.normal(3.5, 1.2), "pin2": rng.normal(-3.5, 1.2)}
        later = film(tilt=tilt, rotation=rotation, noise=CLICK, seed=n, depths=depths)
        found = compared(later, film(noise=CLICK, seed=1000 + n))
        at = found.index("pin1", "along")
        errors.append(found.free.mean[at] / np.sqrt(found.free.covariance[at, at]))
    spread = np.sqrt(np.mean(np.square(errors)))
    assert 0.75 < spread < 1.15
    assert not 0.75 < 2 * spread < 1.15


def test_too_few_landmarks_give_nothing() -> None:
    """Without the distal fragment's landmarks, or without the bone axis, nothing is said."""
    few = {name: points for name, points in film().points.items() if name.startswith(("shaft", "pin"))}
    placed = Placed(few, dict.fromkeys(few, CLICK))
    assert compare_places(placed, placed, VIEW, size_u=0.02) is None
    bare = {name: points for name, points in film().points.items() if not name.startswith("shaft")}
    placed = Placed(bare, dict.fromkeys(bare, CLICK))
    assert compare_places(placed, placed, VIEW, size_u=0.02) is None


@pytest.mark.filterwarnings("error")
def test_whatever_is_missing_it_compares_or_says_nothing() -> None:
    """Any landmarks may be unplaced on either film: a result, or None, and never an exception."""
    rng = np.random.default_rng(4)
    whole = film(Elbow(gap=1.0), noise=0.1)
    names = list(whole.points)
    for count in [1] * len(names) + [4, 8, 12, 16, 20] * 12:
        left = rng.permutation(names)[count:]
        some = Placed({name: whole.points[name] for name in left}, dict.fromkeys(left, CLICK))
        for pair in ((some, whole), (whole, some), (some, some)):
            found = compare_places(*pair, VIEW, size_u=0.02)
            assert found is None or 0.0 <= found.all_still <= 1.0
