"""The phantom's films: edges where the truth says, physics, display, DICOM, and the sample series."""

import json
from dataclasses import replace
from pathlib import Path

import generate  # sample_images/generate.py
import numpy as np
import pydicom
import pytest
from scipy.ndimage import map_coordinates

from measure import phantom, phantom_dicom, phantom_film
from measure.film import read_film
from measure.phantom import Anatomy, Bar, Case, Displacement, Exposure, Fixation, Marker, Pose
from measure.phantom_dicom import Label
from measure.phantom_film import Rendered

SAMPLES = Path(phantom.__file__).parents[1] / "sample_images"
PLAIN = Exposure(blur=0.01, scatter=0.0, texture=0.0, collimation=None, letter=False)
SMALL = Pose(pitch=(0.45, 0.45), shape=(300, 366), offset=(0.0, 20.0))


def posed(seed: int, view: phantom.View, turn: float = 10.0) -> Case:
    """Make a random limb on a plain film of 0.15 mm pixels."""
    rng = np.random.default_rng(seed)
    pose = phantom.random_pose(rng, view, turn=turn, pitch=(0.15, 0.15))
    case = phantom.random_case(rng, pose, marked=False)
    return replace(case, exposure=PLAIN)


def ulna_of(case: Case) -> np.ndarray:
    """Absorption of the ulna alone, (rows, cols)."""
    return np.sum([phantom_film.absorption(body, case) for body in phantom_film.ulna_bodies(case)], axis=0)


def edge_error(image: np.ndarray, at: np.ndarray, inward: np.ndarray, case: Case) -> float:
    """How far (mm at the bone) inwards of a film point a round edge begins.

    Just inside a smooth body's outline a chord's square grows in proportion to the depth, so the squares
    are carried back to zero. inward is a film direction (row, col).
    """
    step = inward / np.linalg.norm(inward * case.pose.bone_scale)  # pixels per mm
    depths = np.arange(-0.4, 1.2, 0.02)
    squares = map_coordinates(image, (at + depths[:, None] * step).T, order=1) ** 2
    rise = (squares > 0.12 * squares.max()) & (squares < 0.6 * squares.max())
    slope, height = np.polyfit(depths[rise], squares[rise], 1)
    return float(-height / slope)


def cortex_errors(case: Case, shift: float = 0.0) -> list[float]:
    """Edge errors at the cortex and the notch, with the landmarks moved outwards by `shift` mm first."""
    found, image, scale = phantom.landmarks(case), ulna_of(case), np.array(case.pose.bone_scale)
    pairs = {"lateral": ("shaft_dorsal", "shaft_volar"), "ap": ("shaft_ulnar", "shaft_radial")}
    near, far = (found[name].film for name in pairs[case.pose.view])
    points, inwards = [*near, *far], [*(far - near), *(near - far)]
    if case.pose.view == "lateral":
        centre = phantom.project(phantom.notch_centre(case.anatomy), case.pose)
        arc = found["joint_arc"].film
        points, inwards = [*points, *arc], [*inwards, *(arc - centre)]
    errors = []
    for point, inward in zip(points, inwards, strict=True):
        outward = -inward / np.linalg.norm(inward * scale)
        errors.append(edge_error(image, point + shift * outward, inward, case))
    return errors


@pytest.mark.parametrize(("seed", "view"), [(1, "lateral"), (2, "lateral"), (3, "ap")])
def test_cortex_landmarks_lie_on_the_rendered_edge(seed: int, view: phantom.View) -> None:
    """Within 0.15 mm at any turn; the same landmarks 0.3 mm away are found wrong."""
    case = posed(seed, view)
    assert np.abs(cortex_errors(case)).max() < 0.15
    assert np.abs(cortex_errors(case, shift=0.3)).min() > 0.15


def test_fracture_landmarks_lie_on_the_rendered_margins() -> None:
    """On a film that is not turned the margin crosses half its height at the landmark, within 0.15 mm."""
    case = replace(posed(4, "lateral", turn=0.0), displacement=Displacement(gap=3.0, step=0.5, opening=2.0))
    case = replace(case, fixation=replace(case.fixation, wire=None))
    found, image = phantom.landmarks(case), ulna_of(case)
    scale = np.array(case.pose.bone_scale)
    step = np.array([0.0, 1.0]) / scale if case.pose.side == "R" else np.array([0.0, -1.0]) / scale
    depths = np.arange(-1.4, 1.4, 0.02)
    for name, way in (("margin_distal", 1.0), ("margin_proximal", -1.0)):
        for point in found[name].film[:2]:
            values = map_coordinates(image, (point + way * depths[:, None] * step).T, order=1)
            half = (values[:20].mean() + values[-20:].mean()) / 2.0
            assert abs(depths[np.argmax(values > half)]) < 0.15


def pin_bars(case: Case) -> list[Bar]:
    """Leave only the first pin's bar."""
    return [bar for bar in phantom.metal(case) if bar.name == "pin1"]


@pytest.mark.parametrize("seed", range(5, 9))
def test_pin_landmarks_lie_on_the_rendered_pin(seed: int) -> None:
    """The furthest metal lies within 0.1 mm of the tip, and the shadow's middle as near to the axis."""
    case = posed(seed, "lateral" if seed % 2 else "ap")
    seen = 1.0 - phantom_film.metal_transmission(pin_bars(case), case)
    scale = np.array(case.pose.bone_scale)
    found = phantom.landmarks(case)
    tip, straight = found["pin1_tip"].film[0] * scale, found["pin1_straight"].film[0] * scale
    along = (tip - straight) / np.linalg.norm(tip - straight)
    metal = np.argwhere(seen > 0.002)
    reach = (metal * scale - tip) @ along
    assert abs(reach.max()) < 0.1 + scale.max() / 2.0
    aside = (metal * scale - tip) @ [-along[1], along[0]]
    weights = seen[tuple(metal.T)]
    for start in (-50.0, -30.0, -10.0):
        part = (reach > start) & (reach < start + 4.0)
        assert abs(np.average(aside[part], weights=weights[part])) < 0.02


def test_bend_landmark_is_the_outermost_metal() -> None:
    """On a lateral film that is not turned nothing of the pin lies further proximally, within 0.1 mm."""
    case = posed(11, "lateral", turn=0.0)
    scale = np.array(case.pose.bone_scale)
    found = phantom.landmarks(case)
    end, tip = found["pin1_end"].film[0] * scale, found["pin1_tip"].film[0] * scale
    along = (tip - end) / np.linalg.norm(tip - end)
    metal = np.argwhere(1.0 - phantom_film.metal_transmission(pin_bars(case), case) > 0.01)
    assert abs(((metal * scale - end) @ along).min()) < 0.1 + scale.max() / 2.0


def test_a_shaft_absorbs_as_its_chord_says() -> None:
    """Beer-Lambert through the shaft's middle: two cortices and the canal, within 1 %."""
    case = Case(anatomy=Anatomy(cortex=3.0), pose=replace(SMALL, aim=(80.0, 0.0, 0.0)), exposure=PLAIN)
    row, col = np.round(phantom.project(np.array([80.0, 0.0, 0.0]), case.pose)).astype(int)
    canal = 2.0 * case.anatomy.shaft_side - 6.0
    expected = phantom_film.CORTEX * 6.0 + phantom_film.MARROW * canal
    assert ulna_of(case)[row, col] == pytest.approx(expected, rel=0.01)


def test_marching_agrees_with_fine_sampling() -> None:
    """Chords of the distal fragment against 4,000 samples a ray through the same solid, within 0.03 mm."""
    case = Case(displacement=Displacement(gap=1.0))
    body = phantom_film.ulna_bodies(case)[0]
    film = phantom.project(np.random.default_rng(1).uniform([2, -6, -6], [30, 6, 6], (40, 3)), case.pose)
    rays, source = phantom.ray_directions(film, case.pose), case.pose.source
    depths = np.linspace(case.pose.source_object - 30.0, case.pose.source_object + 30.0, 4001)
    places = source + depths[:, None] * rays[:, None, :]
    inside = body.parts(*np.moveaxis(places, -1, 0))[0] < 0
    in_box = np.all((places > body.box[0]) & (places < body.box[1]), axis=-1)
    chords = (inside & in_box).sum(axis=1) * (depths[1] - depths[0])
    lengths = replace(body, outer=1.0, inner=lambda x: np.ones_like(x), grain=0.0)
    image = phantom_film.absorption(lengths, replace(case, exposure=PLAIN))
    nearest = image[tuple(np.round(film).astype(int).T)]
    # The film's pixel is up to half a pixel aside, where the chord is another by a little.
    assert np.median(np.abs(nearest - chords)) < 0.06
    assert abs(np.mean(nearest - chords)) < 0.03


def test_a_marker_balls_shadow_has_the_stated_place_and_size() -> None:
    """Area and centroid of the ball's shadow against the truth, on pixels that are not square."""
    pose = Pose(pitch=(0.2, 0.15), shape=(700, 1000))
    case = Case(pose=pose, exposure=PLAIN, marker=Marker(30.0, (20.0, -15.0), height=10.0))
    seen = 1.0 - phantom_film.metal_transmission([], case)
    centre, diameter = phantom.marker_on_film(case)
    rows, cols = np.indices(seen.shape)
    middle = np.array([np.average(rows, weights=seen), np.average(cols, weights=seen)])
    assert middle == pytest.approx(centre, abs=0.1)
    area = seen.sum() * pose.pitch[0] * pose.pitch[1]
    assert 2.0 * np.sqrt(area / np.pi) == pytest.approx(diameter, rel=0.002)
    wrong = replace(case, marker=Marker(30.0, (20.0, -15.0), height=0.0))
    assert abs(phantom.marker_on_film(wrong)[1] / diameter - 1.0) > 0.008  # 1 % per 10 mm of height


def test_noise_is_the_photons_and_the_blur() -> None:
    """Variance of even light: 1 / photons times the squared kernel's sum, 1 / (4 pi sigma^2)."""
    sigma = 1.5
    exposure = replace(PLAIN, photons=900.0, blur=sigma * 0.15)
    case = Case(exposure=exposure)
    seen = phantom_film.detected(np.full((900, 1100), 0.25), case, np.random.default_rng(1))
    white = (1.0 / 900.0) ** 2
    assert np.var(seen) == pytest.approx(0.25 / 900.0 / (4.0 * np.pi * sigma**2) + white, rel=0.03)
    fewer = replace(case, exposure=replace(exposure, photons=450.0))
    again = phantom_film.detected(np.full((900, 1100), 0.25), fewer, np.random.default_rng(1))
    assert np.var(again) > 1.9 * np.var(seen)


@pytest.fixture(scope="module")
def small() -> Case:
    """One film of 0.3 mm pixels with all that a film can show."""
    return Case(pose=SMALL, marker=Marker(25.0, (43.0, -41.0)))


@pytest.fixture(scope="module")
def clean(small: Case) -> Rendered:
    """Render that film without noise."""
    return phantom_film.render(small)


def test_a_film_comes_from_its_case_and_generator(small: Case, clean: Rendered) -> None:
    """The same seed gives the same pixels; another does not; without one there is no noise."""
    one, two, other = (phantom_film.render(small, np.random.default_rng(seed)).pixels for seed in (1, 1, 2))
    assert np.array_equal(one, two)
    assert not np.array_equal(one, other)
    assert np.array_equal(clean.pixels, phantom_film.render(small).pixels)
    assert clean.pixels.max() <= 4095


def test_monochrome1_is_the_complement(small: Case, clean: Rendered) -> None:
    """Pixel by pixel, and in the window."""
    dark = phantom_film.render(replace(small, exposure=replace(small.exposure, monochrome=1)))
    assert np.array_equal(dark.pixels, 4095 - clean.pixels)
    assert dark.window == pytest.approx((4095 - clean.window[1], 4095 - clean.window[0]))


def test_saturation_clips_the_pins_and_only_when_asked(small: Case, clean: Rendered) -> None:
    """Most of the pins' middle is at the top, or none of it."""
    core = phantom_film.metal_transmission(pin_bars(small), small) < 0.12
    clipped = phantom_film.render(replace(small, exposure=replace(small.exposure, saturated=True)))
    assert (clipped.pixels[core] == 4095).mean() > 0.6
    assert not (clean.pixels[core] == 4095).any()


def test_grey_levels_follow_the_stated_curve(small: Case, clean: Rendered) -> None:
    """A log film is linear in -log(signal) between the stated ends; a sigmoid is not."""
    arriving, _ = phantom_film.beam(small)
    level = -np.log(phantom_film.detected(arriving, small, None))
    inside = (clean.pixels > 0) & (clean.pixels < 4095)
    stated = clean.least + clean.pixels / 4095.0 * (clean.greatest - clean.least)
    assert np.abs(stated - level)[inside].max() < (clean.greatest - clean.least) / 4095.0
    curved = phantom_film.render(replace(small, exposure=replace(small.exposure, curve="sigmoid")))
    wrong = curved.least + curved.pixels / 4095.0 * (curved.greatest - curved.least)
    assert np.abs(wrong - level)[inside].max() > 0.1


def test_what_is_shut_off_is_black_or_white(small: Case, clean: Rendered) -> None:
    """With the shutter black, without it light."""
    edge = np.s_[:8, :]
    assert clean.pixels[edge].max() == 0
    open_film = phantom_film.render(replace(small, exposure=replace(small.exposure, shutter=False)))
    assert open_film.pixels[edge].min() > 2000


def test_a_film_without_metal_can_be_made() -> None:
    """For programs that must find nothing in it."""
    bare = Case(pose=SMALL, fixation=Fixation(pins=(), wire=None), exposure=PLAIN)
    assert np.all(phantom_film.metal_transmission(phantom.metal(bare), bare) == 1.0)
    assert phantom_film.render(bare).pixels.max() == 4095


@pytest.mark.parametrize(
    ("pose", "expected"),
    [
        (Pose(), ["F", "P"]),
        (Pose(side="L"), ["H", "P"]),
        (Pose(view="ap"), ["L", "F"]),
        (Pose(view="ap", side="L"), ["L", "F"]),
        (Pose(in_plane=90.0), ["A", "F"]),
    ],
)
def test_patient_orientation_follows_the_pose(pose: Pose, expected: list[str]) -> None:
    """PS3.3 C.7.6.1.1.1: the way the rows run, then the way the columns run."""
    assert phantom_dicom.orientation(pose) == expected


def test_a_written_film_reads_back(small: Case, tmp_path: Path) -> None:
    """Pixels without loss, the header as given, and the same bytes twice."""
    rendered = phantom_film.render(small, np.random.default_rng(1))
    label = Label(patient="HF-0009", date="20250102", geometry="factor")
    for name in ("one.dcm", "two.dcm"):
        phantom_dicom.write_film(tmp_path / name, small, rendered, label)
    assert (tmp_path / "one.dcm").read_bytes() == (tmp_path / "two.dcm").read_bytes()
    film = pydicom.dcmread(tmp_path / "one.dcm")
    assert np.array_equal(film.pixel_array, rendered.pixels)
    assert film.file_meta.TransferSyntaxUID == pydicom.uid.JPEGLSLossless
    assert (film.PatientID, film.ImageLaterality, film.BitsStored) == ("HF-0009", "R", 12)
    assert film.EstimatedRadiographicMagnificationFactor == pytest.approx(1.1)
    assert "DistanceSourceToPatient" not in film
    assert film.SOPInstanceUID == phantom_dicom.film_uid(small, label)


# -------------------------------------------------------------------------------------------- sample films


@pytest.mark.parametrize("number", [0, 11])
def test_the_generator_reproduces_the_sample_films(number: int, tmp_path: Path) -> None:
    """Two of the films, pixel by pixel and then byte by byte."""
    film = list(generate.sample_films())[number]
    made, kept = generate.write(film, tmp_path), SAMPLES / film.path
    assert np.array_equal(pydicom.dcmread(made).pixel_array, pydicom.dcmread(kept).pixel_array)
    assert made.read_bytes() == kept.read_bytes()


def test_the_truth_file_is_what_the_generator_says() -> None:
    """Of every film, by its UID."""
    kept = json.loads((SAMPLES / "truth.json").read_text())
    assert kept == json.loads(generate.to_text(generate.truth()))
    assert len(kept["films"]) == 16


def test_sample_films_are_what_the_truth_says_and_small() -> None:
    """Each is there, reads, is of the stated view, side and date, holds its landmarks; all under 18 MB."""
    films = json.loads((SAMPLES / "truth.json").read_text())["films"]
    assert {film["file"] for film in films.values()} == {
        path.relative_to(SAMPLES).as_posix() for path in SAMPLES.rglob("*.dcm")
    }
    assert sum(path.stat().st_size for path in SAMPLES.rglob("*.dcm")) < 18e6
    for uid, truth in films.items():
        film = read_film(SAMPLES / truth["file"])
        assert film.sop_instance_uid == uid
        assert film.view == truth["view"]
        assert film.laterality == {"R": "right", "L": "left"}[truth["side"]]
        assert str(film.date) == truth["date"]
        assert not film.warnings
        for place in truth["landmarks"].values():
            points = np.array(place["film"])
            assert np.all(points >= 0)
            assert np.all(points <= np.array(film.pixels.shape) - 1)


def test_one_sample_holds_and_the_other_fails() -> None:
    """HF-0001 stays within 0.2 mm; HF-0002's pin 1 backs out by 5.5 mm and its gap opens to 3.5 mm."""
    films = json.loads((SAMPLES / "truth.json").read_text())["films"].values()
    lateral = [film for film in films if film["view"] == "lateral"]

    def course(patient: str, name: str, target: str = "") -> list[float]:
        visits = sorted(
            (film for film in lateral if film["patient"] == patient), key=lambda film: film["visit"]
        )
        return [film["quantities"][name][target] for film in visits]

    assert np.ptp(course("HF-0001", "back_out", "pin1")) <= 0.2
    assert np.ptp(course("HF-0001", "articular_gap")) <= 0.2
    assert course("HF-0002", "back_out", "pin1") == [0.0, 0.8, 2.6, 5.5]
    assert course("HF-0002", "articular_gap") == [0.3, 0.8, 2.4, 3.5]
    times = [film["magnification"] for film in lateral if film["patient"] == "HF-0002"]
    assert (min(times), max(times)) == (1.06, 1.18)
