"""The phantom's geometry: projection, landmarks at every pose, truth, and anatomy that could be.

`measure.geometry` appears here only as the second opinion on the truth, which does not use it.
"""

import tomllib
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from measure import geometry, phantom, sites
from measure.phantom import Case, Displacement, Fixation, Pose, Wire

SITE = tomllib.loads((Path(sites.__file__).parent / "sites" / "olecranon.toml").read_text())
COUNTS = {"joint_arc": 5, "margin_distal": 3, "margin_proximal": 3, "wire_break": 2} | {
    f"shaft_{side}": 2 for side in ("dorsal", "volar", "ulnar", "radial")
}


def random_cases(count: int, seed: int, **pose: object) -> list[Case]:
    """Cases of both views in turn, every third with a broken wire."""
    rng = np.random.default_rng(seed)
    return [
        phantom.random_case(
            rng, phantom.random_pose(rng, ("lateral", "ap")[number % 2], **pose), broken=number % 3 == 0
        )
        for number in range(count)
    ]


def expected_names(view: str, broken: bool) -> set[str]:
    """Write out the site table's landmark names, its {pin} and {knot}."""
    names = {
        row["name"].format(pin=f"pin{n}", knot=f"knot{n}")
        for row in SITE["views"][view]["landmarks"]
        for n in (1, 2)
    }
    return names if broken else names - {"wire_break"}


@pytest.mark.parametrize("view", ["lateral", "ap"])
@pytest.mark.parametrize("broken", [False, True])
def test_truth_names_every_landmark_of_the_site_table(view: phantom.View, broken: bool) -> None:
    """No landmark is missing, none is extra, and each has the stated number of points."""
    case = Case(pose=Pose(view=view), fixation=Fixation(wire=Wire(break_length=2.0 if broken else 0.0)))
    found = phantom.landmarks(case)
    assert set(found) == expected_names(view, broken)
    for name, place in found.items():
        assert place.film.shape == (COUNTS.get(name, 1), 2)
        assert place.space.shape == (COUNTS.get(name, 1), 3)


@pytest.mark.parametrize("view", ["lateral", "ap"])
def test_truth_has_every_quantity_of_the_site_table(view: phantom.View) -> None:
    """Each row, for each pin and knot, and the back-out that changes are judged against."""
    wanted = {("back_out", pin) for pin in ("pin1", "pin2")}
    for row in SITE["views"][view]["measurements"]:
        targets = SITE["each"][row["each"]] if "each" in row else [""]
        wanted |= {(row["name"], target) for target in targets}
    assert set(phantom.quantities(Case(pose=Pose(view=view)))) == wanted


def test_landmarks_stay_on_random_films() -> None:
    """At up to 12 degrees of turn no landmark falls off the film, and all are finite."""
    for case in random_cases(60, seed=1):
        for place in phantom.landmarks(case).values():
            assert np.all(place.film >= 0)
            assert np.all(place.film <= np.array(case.pose.shape) - 1)


def test_film_points_are_the_images_of_the_places_in_space() -> None:
    """A landmark's film points are its space points projected, so that its depth can be used."""
    for case in random_cases(10, seed=2):
        for place in phantom.landmarks(case).values():
            away = (phantom.project(place.space, case.pose) - place.film) * case.pose.bone_scale
            assert np.abs(away).max() < 1e-3


def test_magnification_is_that_of_the_bones_plane() -> None:
    """One millimetre at the aim is 1 / bone_scale pixels, in each direction of non-square pixels."""
    pose = Pose(magnification=1.17, pitch=(0.1, 0.2))
    aim = np.array(pose.aim)
    moved = phantom.project(aim + np.array([[0.0, 0, 0], [1, 0, 0], [0, 1, 0]]), pose)
    assert moved[1] - moved[0] == pytest.approx([0.0, 1.17 / 0.2])
    assert moved[2] - moved[0] == pytest.approx([-1.17 / 0.1, 0.0])
    assert pose.bone_scale == pytest.approx((0.1 / 1.17, 0.2 / 1.17))


def test_a_point_nearer_the_source_is_magnified_by_its_own_depth() -> None:
    """On a right lateral film radial is towards the source: M = SDD / (SOD - z)."""
    pose = Pose(aim=(0.0, 0.0, 0.0))
    film = phantom.project(np.array([[10.0, 0.0, 20.0]]), pose)[0] - pose.centre
    assert film[1] * pose.pitch[1] == pytest.approx(10.0 * pose.source_detector / (pose.source_object - 20.0))


def test_rays_undo_projection() -> None:
    """The ray through a point's image passes through the point."""
    rng = np.random.default_rng(3)
    for case in random_cases(6, seed=3):
        points = rng.uniform(-40, 40, (5, 4, 3))
        rays = phantom.ray_directions(phantom.project(points, case.pose), case.pose)
        offset = points - case.pose.source
        assert np.abs(np.cross(offset, rays)).max() < 1e-8


def test_a_left_elbow_is_the_right_one_mirrored() -> None:
    """Columns are mirrored about the central ray; rows and quantities stay."""
    right = Case(pose=Pose(rotation=4.0, tilt=-3.0))
    left = replace(right, pose=replace(right.pose, side="L"))
    one, two = phantom.landmarks(right), phantom.landmarks(left)
    width = right.pose.shape[1] - 1
    for name, place in one.items():
        assert two[name].film == pytest.approx(np.array([0, width]) + place.film * [1, -1], abs=1e-6)
    assert phantom.quantities(left) == phantom.quantities(right)


def test_tilt_lifts_the_distal_end_towards_the_source() -> None:
    """On both views, and by the sine of its angle."""
    for view in ("lateral", "ap"):
        pose = Pose(view=view, tilt=10.0, aim=(0.0, 0.0, 0.0))
        depth = phantom.to_camera(np.array([50.0, 0.0, 0.0]), pose)[2]
        assert depth == pytest.approx(pose.source_object - 50.0 * np.sin(np.radians(10.0)))


def measured(case: Case) -> dict[tuple[str, str], float]:
    """Measure the noise-free landmarks with `measure.geometry`, as the site table says."""
    size = np.array(case.pose.bone_scale)
    points = {name: place.film * size for name, place in phantom.landmarks(case).items()}
    found = {}
    for row in SITE["views"][case.pose.view]["measurements"]:
        for target in SITE["each"][row["each"]] if "each" in row else [""]:
            names = [name.format(pin=target, knot=target) for name in row["landmarks"]]
            names += row.get("optional", [])
            if all(name in points for name in names):
                function = getattr(geometry, row["function"])
                found[row["name"], target] = float(function(*[points[name] for name in names]))
    return found


def from_afar(case: Case) -> Case:
    """Film the limb unturned by an almost parallel beam; its fragment turns in the film's plane only."""
    pose = Pose(case.pose.view, case.pose.side, source_detector=1e7, magnification=1.0)
    still = replace(case.displacement, yaw=0.0, roll=0.0)
    return replace(case, pose=pose, displacement=still)


def test_truth_agrees_with_the_measured_film_in_a_parallel_beam() -> None:
    """Every quantity of 24 random limbs; the mean gap's margins are sampled, so it may differ more."""
    compared = set()
    wanted = {row["name"] for view in SITE["views"].values() for row in view["measurements"]}
    for case in map(from_afar, random_cases(24, seed=4)):
        truth, film = phantom.quantities(case), measured(case)
        for key, value in film.items():
            compared.add(key[0])
            limit = 0.06 if key[0] == "mean_gap" else 0.012
            assert value == pytest.approx(truth[key], abs=limit), key
    assert compared == wanted


@pytest.mark.parametrize("field", ["gap", "step", "opening"])
def test_that_agreement_would_notice_a_wrong_truth(field: str) -> None:
    """A fragment put 0.1 mm or 0.5 degree elsewhere is seen, so the check above can fail."""
    case = from_afar(Case())
    moved = replace(case.displacement, **{field: getattr(case.displacement, field) + 0.5})
    wrong, film = phantom.quantities(replace(case, displacement=moved)), measured(case)
    assert max(abs(film[key] - wrong[key]) for key in film) > 0.05


def test_back_out_shows_in_all_three_estimates() -> None:
    """Prominence and the tip from the hole grow by it, the tip beyond the cortex shrinks by it."""
    case = Case()
    first, second = case.fixation.pins
    moved = replace(case, fixation=replace(case.fixation, pins=(replace(first, back_out=3.0), second)))
    before, after = phantom.quantities(case), phantom.quantities(moved)
    seen = 3.0 * np.hypot(*phantom.pin_places(first).along[:2])  # the lateral view's share of its length
    for name, factor in (("pin_prominence", 1), ("pin_tip_from_hole", 1), ("pin_tip_beyond", -1)):
        assert factor * (after[name, "pin1"] - before[name, "pin1"]) == pytest.approx(seen, abs=1e-9)
        assert after[name, "pin2"] == before[name, "pin2"]
    assert after["back_out", "pin1"] == 3.0


def test_a_fragment_that_moves_leaves_the_pins_and_changes_prominence() -> None:
    """The gap opens along the pins, so that prominence falls while the tips stay where they were."""
    case = Case(displacement=Displacement(gap=0.0))
    moved = replace(case, displacement=Displacement(gap=2.0))
    before, after = phantom.quantities(case), phantom.quantities(moved)
    assert after["pin_prominence", "pin1"] - before["pin_prominence", "pin1"] == pytest.approx(-2.0, abs=0.2)
    assert after["pin_tip_from_hole", "pin1"] == before["pin_tip_from_hole", "pin1"]


def test_a_pose_changes_no_quantity() -> None:
    """The truth is the limb's, not the film's."""
    case = random_cases(1, seed=5)[0]
    turned = replace(case, pose=replace(case.pose, rotation=12.0, tilt=-12.0, magnification=1.2))
    assert phantom.quantities(turned) == phantom.quantities(case)


def test_pins_in_space_join_the_two_views() -> None:
    """tan^2 of the true angle is the sum of tan^2 of the two views' angles (definitions)."""
    for case in random_cases(6, seed=6):
        space = phantom.pins_in_space(case)
        lateral = phantom.quantities(replace(case, pose=Pose()))
        ap = phantom.quantities(replace(case, pose=Pose(view="ap")))
        for pin in ("pin1", "pin2"):
            views = [np.tan(np.radians(view["pin_angle", pin])) for view in (lateral, ap)]
            assert np.tan(np.radians(space["pin_angle", pin])) == pytest.approx(np.hypot(*views))


def test_wire_break_is_as_long_as_put_in() -> None:
    """Its ends lie that far apart, and no wire lies between them."""
    case = Case(fixation=Fixation(wire=Wire(break_length=2.5)))
    places = phantom.wire_places(case)
    assert places.break_ends is not None
    assert np.linalg.norm(places.break_ends[1] - places.break_ends[0]) == pytest.approx(2.5, abs=0.05)
    middle = places.break_ends.mean(axis=0)
    nearest = min(np.linalg.norm(piece - middle, axis=1).min() for piece in places.pieces)
    assert nearest == pytest.approx(1.25, abs=0.03)


def test_metal_lies_where_it_could() -> None:
    """Pins stay out of the joint and apart; the wire goes through bone only in its hole."""
    for case in random_cases(40, seed=7):
        anatomy, move = case.anatomy, phantom.motion(case)
        lines = []
        for pin in case.fixation.pins:
            places = phantom.pin_places(pin)
            line = places.straight + np.linspace(0, 1, 200)[:, None] * (places.tip - places.straight)
            lines.append(line)
            assert phantom.notch_depth(*line.T, anatomy).max() < -pin.diameter / 2.0
        gaps = np.linalg.norm(lines[0][:, None] - lines[1][None], axis=-1)
        assert gaps.min() > 1.6
        hole = phantom.hole_place(case)
        wire = np.vstack(phantom.wire_places(case).pieces)
        wire = wire[np.hypot(wire[:, 0] - hole[0], wire[:, 1] - hole[1]) > 2.0]
        distal = wire[wire[:, 0] > 6.0]
        proximal = move.back(wire[wire[:, 0] < -6.0])
        for places_there in (distal, proximal):
            assert phantom.ulna(places_there, anatomy).min() > 0.0


def test_random_cases_come_from_the_generator_alone() -> None:
    """The same seed gives the same case; another gives another."""
    one, two, other = (phantom.random_case(np.random.default_rng(seed)) for seed in (8, 8, 9))
    assert one == two
    assert one != other


def test_a_segment_that_misses_the_bone_is_refused() -> None:
    """Both its ends lie beside the shaft."""
    case = Case()
    ends = np.array([[60.0, 12.0, 0.0]]), np.array([[60.0, 20.0, 0.0]])
    with pytest.raises(ValueError, match="do not cross"):
        phantom.outlines(lambda points: phantom.ulna(points, case.anatomy), {"edge": ends}, case.pose)


def test_what_is_not_there_is_refused_by_name() -> None:
    """No wire, no ball."""
    bare = Case(fixation=Fixation(wire=None))
    with pytest.raises(ValueError, match="no wire"):
        phantom.wire_places(bare)
    with pytest.raises(ValueError, match="no marker"):
        phantom.marker_on_film(bare)
    assert "hole" not in phantom.landmarks(bare)
