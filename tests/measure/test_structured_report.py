"""The structured report: conformant by others' tools, and read back to what was measured.

dciodvfy (dicom3tools), dsrdump and dsr2html (DCMTK) and highdicom's own reader judge it; none is by us.
"""

from __future__ import annotations

import subprocess
from collections.abc import Callable
from pathlib import Path

import highdicom
import pydicom
import pytest
from conftest import Elbow
from pydicom.sr.codedict import codes

from measure.errors import HoldfastError
from measure.film import read_film
from measure.presentation_state import presentation_state
from measure.quantity import COVERAGE_95
from measure.reading import Landmark, Reading
from measure.series import MeasuredFilm, measure
from measure.sites import site_names
from measure.structured_report import (
    _SITES,
    read_structured_report,
    structured_report,
    write_structured_report,
)

# SNOMED CT codes as PS3.16 (2024) lists them; recalled, and the same in pydicom's dictionary of that part.
FINDING_SITES = {
    "olecranon": ("34318004", "ulna"),
    "patella": ("64234005", "patella"),
    "greater_tuberosity": ("119524001", "humerus"),
    "greater_trochanter": ("310651003", "femur"),
    "medial_malleolus": ("314796009", "tibia"),
}


@pytest.fixture
def measured(
    tmp_path: Path, write_film: Callable[..., Path], make_reading: Callable[..., Reading]
) -> Callable[..., MeasuredFilm]:
    """Measure a film on the disk: measured(**fields of the reading)."""

    def make(elements: dict[str, object] | None = None, **fields: object) -> MeasuredFilm:
        film = read_film(write_film(tmp_path / "film.dcm", **(elements or {})))
        return measure(film, make_reading(film, Elbow(gap=1.25), uid="one-reading", **fields))

    return make


def run(*command: str | Path) -> tuple[int, str]:
    done = subprocess.run(command, capture_output=True, text=True)
    return done.returncode, done.stdout + done.stderr


CHANGED = {
    "hole": Landmark("not assessable", reason="hidden"),
    "loop": Landmark("proposed", ((90.0, 160.0),), origin="detected"),
}


def test_dciodvfy_finds_no_error(measured: Callable[..., MeasuredFilm], tmp_path: Path) -> None:
    for number, fields in enumerate(({}, {"landmarks": CHANGED}, {"reader": "Zoë Łukasiewicz"})):
        path = write_structured_report(measured(**fields), tmp_path / f"{number}.dcm")
        _, said = run("dciodvfy", "-new", path)
        assert "ComprehensiveSR" in said
        assert "Error" not in said, said
    report = pydicom.dcmread(path)
    del report.CompletionFlag
    report.save_as(path)
    assert "Error" in run("dciodvfy", "-new", path)[1]  # it does tell


def test_dcmtk_reads_it(measured: Callable[..., MeasuredFilm], tmp_path: Path) -> None:
    path = write_structured_report(
        measured(landmarks=CHANGED, reader="Zoë Łukasiewicz"), tmp_path / "report.dcm"
    )
    status, said = run("dsrdump", path)
    assert status == 0, said
    for words in (
        '"Articular gap")="1.',
        'Laterality")=(24028007,SCT,"Right")',
        "Zoë Łukasiewicz",
        "(mm,UCUM",
    ):
        assert words in said
    status, said = run("dsr2html", "+U8", path, tmp_path / "report.html")
    assert status == 0, said
    assert 'Tracking Identifier = "articular_gap"' in (tmp_path / "report.html").read_text(encoding="utf-8")


def test_read_back_it_is_what_was_measured(measured: Callable[..., MeasuredFilm], tmp_path: Path) -> None:
    """Values to the digits of a DS, landmarks to a thousandth of a pixel, at pixel centres again."""
    film = measured(landmarks=CHANGED)
    again = read_structured_report(write_structured_report(film, tmp_path / "report.dcm"))
    assert [(each.name, each.target) for each in again] == [each.key for each in film.measurements]
    for given, taken in zip(film.measurements, again, strict=True):
        if given.quantity is None:
            assert taken.value is None
            assert taken.half_interval is None
        else:
            assert taken.value == pytest.approx(given.quantity.value, rel=1e-12, abs=1e-12)
            assert taken.half_interval == pytest.approx(COVERAGE_95 * given.quantity.u, rel=1e-12)
            assert taken.unit == given.row.unit
        for name, points in taken.landmarks.items():
            kept = film.reading.landmarks[name].points
            assert [*sum(points, ())] == pytest.approx([*sum(kept, ())], abs=1e-3)
    used = {name for each in film.measurements for name in (*each.row.landmarks, *each.row.optional)}
    located = {name for name in used if (mark := film.reading.landmarks.get(name)) and mark.located}
    assert {name for each in again for name in each.landmarks} == located


def test_points_lie_on_the_film_as_the_standard_counts_them(measured: Callable[..., MeasuredFilm]) -> None:
    """PS3.3, C.18.6: the middle of the first pixel is (0.5, 0.5), columns first."""
    film = measured(landmarks={"hole": Landmark("confirmed", ((0.0, 7.0),))})
    report = structured_report(film)
    found = [
        list(part.GraphicData)
        for group in report.ContentSequence[-1].ContentSequence
        for number in group.ContentSequence if number.ValueType == "NUM"
        for part in number.ContentSequence if part.ValueType == "SCOORD"
        if part.name.value == "hole"
    ]  # fmt: skip
    assert found
    assert all(data == [7.5, 0.5] for data in found)


def test_highdicom_reads_the_groups_with_site_side_and_tracking(
    measured: Callable[..., MeasuredFilm], tmp_path: Path
) -> None:
    film = measured()
    report = highdicom.sr.srread(write_structured_report(film, tmp_path / "report.dcm"))
    groups = report.content.get_image_measurement_groups()
    assert len(groups) == len(film.measurements)
    for group, given in zip(groups, film.measurements, strict=True):
        (site,) = group.finding_sites
        assert site.topographical_modifier is None
        assert site.value == codes.SCT.ProximalUlna
        assert site.laterality == codes.SCT.Right
        (number,) = group.get_measurements()
        assert number.unit.value == given.row.unit
        assert number.value == pytest.approx(given.quantity.value)
    assert len({group.tracking_uid for group in groups}) == len(groups)


def test_a_quantity_is_tracked_over_a_patients_films_and_never_across_sides(
    measured: Callable[..., MeasuredFilm],
) -> None:
    def tracked(film: MeasuredFilm) -> list[str]:
        return [
            part.UID
            for group in structured_report(film).ContentSequence[-1].ContentSequence
            for part in group.ContentSequence if part.ValueType == "UIDREF"
        ]  # fmt: skip

    first = tracked(measured())
    later = tracked(measured({"SOPInstanceUID": "1.2.3.77", "number": 7, "day": 90}))
    assert first == later
    assert not set(first) & set(tracked(measured({"ImageLaterality": "L"})))
    assert not set(first) & set(tracked(measured({"PatientID": "P2"})))


def test_uncertainty_carries_the_values_unit(measured: Callable[..., MeasuredFilm]) -> None:
    for group in structured_report(measured()).ContentSequence[-1].ContentSequence:
        (number,) = (part for part in group.ContentSequence if part.ValueType == "NUM")
        parts = [part for part in number.ContentSequence if part.ValueType == "NUM"]
        units = {
            p.MeasuredValueSequence[0].MeasurementUnitsCodeSequence[0].CodeValue for p in (number, *parts)
        }
        assert len(units) == 1
        assert len(parts) == 2


def test_what_was_not_assessed_has_no_number(measured: Callable[..., MeasuredFilm]) -> None:
    report = structured_report(measured(landmarks=CHANGED))
    numbers = {
        group.ContentSequence[0].TextValue: part
        for group in report.ContentSequence[-1].ContentSequence
        for part in group.ContentSequence if part.ValueType == "NUM"
    }  # fmt: skip
    hole = numbers["hole_distance"]
    assert len(hole.MeasuredValueSequence) == 0
    assert hole.NumericValueQualifierCodeSequence[0].CodeValue == "114007"  # PS3.16 CID 42
    assert report.CompletionFlag == "PARTIAL"  # a landmark is unconfirmed
    assert report.VerificationFlag == "UNVERIFIED"


def test_the_same_reading_gives_the_same_report(
    measured: Callable[..., MeasuredFilm], tmp_path: Path
) -> None:
    one, two = (write_structured_report(measured(), tmp_path / f"{n}.dcm").read_bytes() for n in (1, 2))
    assert one == two


@pytest.mark.parametrize("site", site_names())
def test_every_site_has_its_code(site: str) -> None:
    value, bone = FINDING_SITES[site]
    assert (_SITES[site].value, _SITES[site].scheme_designator) == (value, "SCT")
    assert bone in _SITES[site].meaning.lower()


@pytest.mark.parametrize(
    ("keyword", "value", "kept"),
    [
        ("PatientBirthDate", "1948", None),  # a year alone, as after many a de-identification
        ("PatientBirthDate", "19480517", "19480517"),
        ("PatientSex", "U", None),
        ("PatientSex", "F", "F"),
        ("StudyDate", "unknown", None),
        ("StudyTime", "10:11:12", None),
    ],
)
@pytest.mark.filterwarnings("ignore:Invalid value for VR")
def test_what_the_film_says_of_the_patient_is_left_empty_where_it_breaks_the_rules(
    measured: Callable[..., MeasuredFilm], keyword: str, value: str, kept: str | None
) -> None:
    film = measured({keyword: value})
    for made in (structured_report(film), presentation_state(film)):
        assert (str(made[keyword].value or "") or None) == kept


def test_a_film_that_is_no_dicom_film(measured: Callable[..., MeasuredFilm], tmp_path: Path) -> None:
    film = measured()
    (tmp_path / "film.dcm").write_bytes(b"a letter")
    with pytest.raises(
        HoldfastError, match="needs the DICOM film that was read, with its UIDs; lacking: SOPClassUID"
    ):
        structured_report(film)


def test_another_film_in_its_place(
    measured: Callable[..., MeasuredFilm], write_film: Callable[..., Path], tmp_path: Path
) -> None:
    film = measured()
    write_film(tmp_path / "film.dcm", 5)
    with pytest.raises(HoldfastError, match="another film is there now"):
        structured_report(film)


@pytest.mark.parametrize("kind", ["a film", "a letter", "nothing"])
def test_reading_what_is_no_report(kind: str, measured: Callable[..., MeasuredFilm], tmp_path: Path) -> None:
    measured()
    path = tmp_path / ("film.dcm" if kind == "a film" else "other.dcm")
    if kind == "a letter":
        path.write_bytes(b"a letter")
    with pytest.raises(HoldfastError, match="is no structured report of holdfast"):
        read_structured_report(path)
