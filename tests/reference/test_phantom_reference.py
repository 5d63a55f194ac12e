"""The phantom against what others wrote: OpenCV, scipy, scikit-image, dciodvfy, PS3.3, Pappus."""

import subprocess
from dataclasses import replace
from pathlib import Path

import cv2
import numpy as np
import pydicom
import pytest
from pydicom.sr.codedict import codes
from scipy.spatial.transform import Rotation
from skimage.measure import CircleModel, find_contours

from measure import phantom, phantom_film
from measure.phantom import Bar, Case, Exposure, Marker, Pin, Pose
from measure.phantom_dicom import Label, write_film


def random_pose(seed: int, side: phantom.Side) -> Pose:
    """Any pose, with pixels that are not square."""
    rng = np.random.default_rng(seed)
    pose = phantom.random_pose(rng, rng.choice(["lateral", "ap"]), side, turn=12.0)
    return replace(pose, pitch=(pose.pitch[0], 1.3 * pose.pitch[0]), in_plane=rng.uniform(-180, 180))


def opencv_project(points: np.ndarray, pose: Pose) -> np.ndarray:
    """Project with OpenCV: a left elbow's frame is mirrored first, so that the rotation is a proper one."""
    mirror = np.diag([1.0, 1.0, -1.0 if pose.side == "L" else 1.0])
    rotation, _ = cv2.Rodrigues(pose.matrix @ mirror)
    row_pixels, col_pixels = (pose.source_detector / pitch for pitch in pose.pitch)
    camera = np.array([[col_pixels, 0, pose.centre[1]], [0, row_pixels, pose.centre[0]], [0, 0, 1]])
    film, _ = cv2.projectPoints(points @ mirror, rotation, pose.shift, camera, None)
    return film[:, 0, ::-1]


@pytest.mark.parametrize("side", ["R", "L"])
@pytest.mark.parametrize("seed", range(8))
def test_projection_agrees_with_opencv(side: phantom.Side, seed: int) -> None:
    """cv2.projectPoints and Rodrigues, random poses, 200 points; a tenth of a degree would be seen."""
    pose = random_pose(seed, side)
    points = np.random.default_rng(seed).uniform(-80, 100, (200, 3))
    film = phantom.project(points, pose)
    assert np.abs(film - opencv_project(points, pose)).max() < 1e-6
    turned = replace(pose, tilt=pose.tilt + 0.1)
    assert np.abs(film - opencv_project(points, turned)).max() > 0.3


def test_projection_broadcasts() -> None:
    """Leading dimensions pass through."""
    points = np.random.default_rng(1).uniform(-50, 50, (3, 4, 5, 3))
    film = phantom.project(points, Pose())
    assert film.shape == (3, 4, 5, 2)
    assert film[2, 1] == pytest.approx(opencv_project(points[2, 1], Pose()))


def test_turns_agree_with_scipy() -> None:
    """The pose's matrix of an untouched right lateral view, turned as scipy's Rotation says."""
    rotation, tilt, in_plane = 7.0, -4.0, 30.0
    view = Pose().matrix
    turn = Rotation.from_euler("x", rotation, degrees=True)
    lift = Rotation.from_euler("y", -tilt, degrees=True)
    spin = Rotation.from_euler("z", in_plane, degrees=True)
    expected = spin.as_matrix() @ view @ (lift * turn).as_matrix()
    assert Pose(rotation=rotation, tilt=tilt, in_plane=in_plane).matrix == pytest.approx(expected)


def test_opencv_triangulates_the_landmarks_of_two_films() -> None:
    """cv2.triangulatePoints on a lateral and an AP film finds the pins' tips in space, within 0.001 mm."""
    case = Case()
    films = [replace(case, pose=Pose(rotation=3.0)), replace(case, pose=Pose(view="ap", tilt=-4.0))]
    cameras, seen = [], []
    for film in films:
        cameras.append(np.hstack([film.pose.matrix, film.pose.shift[:, None]]))
        place = phantom.landmarks(film)["pin1_tip"].film[0]
        flat = (place - film.pose.centre) * film.pose.pitch / film.pose.source_detector
        seen.append(flat[::-1, None])
    found = cv2.triangulatePoints(cameras[0], cameras[1], seen[0], seen[1])[:, 0]
    assert found[:3] / found[3] == pytest.approx(phantom.pin_places(case.fixation.pins[0]).tip, abs=1e-3)


AFAR = Pose(source_detector=1e6, magnification=1.0, pitch=(0.1, 0.1), shape=(900, 1200), aim=(13.0, 0, 0))


def steel_volume(bars: list[Bar], pose: Pose) -> float:
    """Volume of metal, mm3, as the parallel beam's summed path lengths."""
    case = Case(pose=pose)
    pieces = [piece for bar in bars for piece in phantom_film.metal_pieces(bar, pose)]
    return float(phantom_film.metal_paths(pieces, case.pose).sum() * 0.01)


@pytest.mark.parametrize("pose", [AFAR, replace(AFAR, rotation=37.0, in_plane=20.0)])
def test_a_bent_pins_volume_is_pappus(pose: Pose) -> None:
    """Pappus: a bent bar's volume is its section times its centre line's length; a trocar has less."""
    pin = Pin(y=0.0, z=0.0, tip="round", bend_angle=170.0)
    (bar,) = (bar for bar in phantom.metal(Case(fixation=phantom.Fixation((pin,), None))))
    length = pin.length + np.radians(pin.bend_angle) * pin.bend_radius + pin.hook
    radius = pin.diameter / 2.0
    lost_at_tip = np.pi * radius**3 - 2.0 / 3.0 * np.pi * radius**3  # half a ball stands for a cylinder
    expected = np.pi * radius**2 * length - lost_at_tip
    assert steel_volume([bar], pose) == pytest.approx(expected, rel=1e-3)
    assert steel_volume([replace(bar, diameter=1.61)], pose) != pytest.approx(expected, rel=1e-3)
    assert steel_volume([replace(bar, tip="trocar")], pose) < expected


def test_a_wires_volume_is_pappus() -> None:
    """The same for the figure of eight: nothing is lost or counted twice at its mitres and seam."""
    (wire,) = (bar for bar in phantom.metal(Case()) if bar.name == "wire")
    length = np.sum(np.linalg.norm(np.diff(wire.points, axis=0), axis=1))
    expected = np.pi * 0.25 * length
    assert steel_volume([wire], replace(AFAR, rotation=25.0)) == pytest.approx(expected, rel=5e-3)


def test_a_pins_shadow_is_the_chord_of_a_circle() -> None:
    """Across a cylinder at right angles to the beam the path is 2 sqrt(r^2 - d^2)."""
    bar = Bar("pin", np.array([[40.0, 0.3, 0.0], [-10.0, 0.3, 0.0]]), 1.6)
    paths = phantom_film.metal_paths(phantom_film.metal_pieces(bar, AFAR), AFAR)
    rows = np.arange(AFAR.shape[0])
    across = (rows - AFAR.centre[0]) * 0.1 + 0.3  # rows run dorsally
    expected = 2.0 * np.sqrt(np.maximum(0.64 - across**2, 0.0))
    assert paths[:, 600] == pytest.approx(expected, abs=1e-3)
    assert paths[:, 600] != pytest.approx(2.0 * np.sqrt(np.maximum(0.6241 - across**2, 0.0)), abs=1e-3)


def test_scikit_image_fits_the_marker_ball() -> None:
    """A circle through the rendered ball's half-height contour has the stated centre and diameter."""
    plain = Exposure(blur=0.05, scatter=0.0, texture=0.0, collimation=None, letter=False)
    case = Case(exposure=plain, marker=Marker(25.0, (0.0, 0.0), height=5.0))
    seen = phantom_film.metal_transmission([], case)
    contour = max(find_contours(seen, 0.5), key=len)
    circle = CircleModel.from_estimate(contour)
    centre, diameter = phantom.marker_on_film(case)
    assert circle.center == pytest.approx(centre, abs=0.02)
    assert 2.0 * circle.radius * 0.15 == pytest.approx(diameter, rel=0.002)


def some_films(folder: Path) -> list[Path]:
    """Write films of every kind the writer makes, small."""
    paths = []
    for number, (view, side, geometry) in enumerate(
        [("lateral", "R", "distances"), ("ap", "L", "factor"), ("lateral", "L", "detector")]
    ):
        case = Case(
            pose=Pose(view=view, side=side, pitch=(0.6, 0.5), shape=(220, 270)),
            exposure=Exposure(
                monochrome=1 if number == 1 else 2,
                collimation=None if number == 2 else 5.0,
                curve="sigmoid" if number == 2 else "log",
            ),
        )
        rendered = phantom_film.render(case, np.random.default_rng(number))
        paths.append(folder / f"{number}.dcm")
        write_film(paths[-1], case, rendered, Label(geometry=geometry))
    return paths


def test_dciodvfy_finds_no_error(tmp_path: Path) -> None:
    """Neither error nor warning in any kind of film; a film robbed of its detector's spacing is refused."""
    for path in some_films(tmp_path):
        told = subprocess.run(["dciodvfy", "-new", path], capture_output=True, text=True, check=False)
        assert told.stderr.splitlines() == ["DXImageForPresentation"]
        film = pydicom.dcmread(path)
        del film.ImagerPixelSpacing
        film.save_as(path)
        told = subprocess.run(["dciodvfy", "-new", path], capture_output=True, text=True, check=False)
        assert "Error" in told.stderr


def test_files_say_the_magnification_as_ps3_3_means_it(tmp_path: Path) -> None:
    """C.8.7.5, C.8.11.5: factor = source-detector over source-patient distance; codes of CID 4009, 4010."""
    by_distance, by_factor, by_nothing = map(pydicom.dcmread, some_films(tmp_path))
    ratio = by_distance.DistanceSourceToDetector / by_distance.DistanceSourceToPatient
    assert ratio == pytest.approx(1.1, rel=1e-4)
    assert by_factor.EstimatedRadiographicMagnificationFactor == pytest.approx(1.1)
    for keyword in ("DistanceSourceToPatient", "EstimatedRadiographicMagnificationFactor", "PixelSpacing"):
        assert keyword not in by_nothing
    assert list(by_nothing.ImagerPixelSpacing) == [0.6, 0.5]
    views = codes.CID4010.LateralProjection, codes.CID4010.AnteroPosterior
    for film, view in zip((by_distance, by_factor), views, strict=True):
        assert film.ViewCodeSequence[0].CodeValue == view.value
        assert film.AnatomicRegionSequence[0].CodeValue == codes.CID4009.ElbowJoint.value
