"""The drawing as a presentation state: conformant by dciodvfy, and lying where the landmarks lie."""

from __future__ import annotations

import subprocess
from collections.abc import Callable
from pathlib import Path

import pydicom
import pytest

from measure.errors import HoldfastError
from measure.film import read_film
from measure.presentation_state import _on_film, presentation_state, write_presentation_state
from measure.reading import Reading
from measure.samples import samples_folder
from measure.series import MeasuredFilm, measure


@pytest.fixture
def measured(
    tmp_path: Path, write_film: Callable[..., Path], make_reading: Callable[..., Reading]
) -> Callable[..., MeasuredFilm]:
    """Measure a film on the disk: measured(**elements)."""

    def make(**elements: object) -> MeasuredFilm:
        film = read_film(write_film(tmp_path / "film.dcm", **elements))
        return measure(film, make_reading(film, uid="one-reading"))

    return make


def test_dciodvfy_finds_no_error(tmp_path: Path, make_reading: Callable[..., Reading]) -> None:
    """On a sample film, a whole DX film, and it does tell where something is wrong."""
    film = read_film(next(samples_folder().rglob("*.dcm")))
    path = write_presentation_state(measure(film, make_reading(film)), tmp_path / "drawing.dcm")
    said = subprocess.run(["dciodvfy", "-new", path], capture_output=True, text=True)
    assert "GrayscaleSoftcopyPresentationState" in said.stdout + said.stderr
    assert "Error" not in said.stdout + said.stderr, said.stderr
    state = pydicom.dcmread(path)
    del state.ContentLabel
    state.save_as(path)
    said = subprocess.run(["dciodvfy", "-new", path], capture_output=True, text=True)
    assert "Error" in said.stdout + said.stderr


def test_every_landmark_is_a_point_where_it_lies(
    measured: Callable[..., MeasuredFilm], tmp_path: Path
) -> None:
    """PS3.3, C.10.5.1.2: in pixels from the corner of the first pixel, columns first."""
    film = measured()
    state = pydicom.dcmread(write_presentation_state(film, tmp_path / "drawing.dcm"))
    objects = [each for note in state.GraphicAnnotationSequence for each in note.GraphicObjectSequence]
    points = sorted(tuple(each.GraphicData) for each in objects if each.GraphicType == "POINT")
    placed = sorted((c + 0.5, r + 0.5) for mark in film.reading.landmarks.values() for r, c in mark.points)
    assert [x for point in points for x in point] == pytest.approx(
        [x for point in placed for x in point], abs=1e-3
    )
    assert all(each.GraphicAnnotationUnits == "PIXEL" for each in objects)
    for each in objects:
        columns, rows = each.GraphicData[::2], each.GraphicData[1::2]
        assert all(-1e-3 <= x <= film.reading.columns + 1e-3 for x in columns)
        assert all(-1e-3 <= y <= film.reading.rows + 1e-3 for y in rows)


def test_it_names_its_film_and_layers(measured: Callable[..., MeasuredFilm]) -> None:
    film = measured()
    state = presentation_state(film)
    (series,) = state.ReferencedSeriesSequence
    assert series.ReferencedImageSequence[0].ReferencedSOPInstanceUID == film.sop_instance_uid
    layers = {layer.GraphicLayer for layer in state.GraphicLayerSequence}
    assert layers == {"AXIS", "PIN", "WIRE", "DISTAL", "PROXIMAL"}
    assert {note.GraphicLayer for note in state.GraphicAnnotationSequence} == layers


@pytest.mark.parametrize(("photometric", "shape"), [("MONOCHROME1", "INVERSE"), ("MONOCHROME2", "IDENTITY")])
def test_bone_stays_white(photometric: str, shape: str, measured: Callable[..., MeasuredFilm]) -> None:
    state = presentation_state(measured(PhotometricInterpretation=photometric))
    assert state.PresentationLUTShape == shape


def test_the_same_reading_gives_the_same_bytes(measured: Callable[..., MeasuredFilm], tmp_path: Path) -> None:
    """UIDs and times too, whenever it is written."""
    film = measured()
    one, two = (write_presentation_state(film, tmp_path / f"{number}.dcm") for number in (1, 2))
    assert one.read_bytes() == two.read_bytes()


@pytest.mark.parametrize(
    ("line", "kept"),
    [
        ([(-5, 5), (15, 5)], [(0, 5), (10, 5)]), ([(5, 30), (5, -10)], [(5, 20), (5, 0)]),
        ([(1, 1), (2, 2)], [(1, 1), (2, 2)]), ([(-5, -5), (-1, -1)], []),
        ([(-10, 0), (10, 20)], [(0, 10), (10, 20)]),
    ],
)  # fmt: skip
def test_lines_are_cut_at_the_films_edge(line: list, kept: list) -> None:
    """By hand, on a film of 20 rows and 10 columns."""
    assert [tuple(map(float, place)) for place in _on_film(line, (10, 20))] == kept


def test_a_film_that_is_no_dicom_film(measured: Callable[..., MeasuredFilm], tmp_path: Path) -> None:
    film = measured()
    (tmp_path / "film.dcm").write_bytes(b"a letter")
    with pytest.raises(HoldfastError, match="needs the DICOM film that was read"):
        presentation_state(film)
