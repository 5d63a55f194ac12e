"""De-identification: nothing that names anybody comes out, and the measurements stay what they were.

Checked against PS3.15 Table E.1-1 as dicom-anonymizer carries it, dciodvfy, and every element of
pydicom's dictionary of PS3.6.
"""

from __future__ import annotations

import dataclasses
import datetime
import os
import subprocess
from collections.abc import Callable, Iterator
from pathlib import Path

import numpy as np
import pydicom
import pytest
from conftest import SHAPE, Elbow
from pydicom.datadict import DicomDictionary, dictionary_VR
from pydicom.dataset import Dataset
from pydicom.sequence import Sequence
from pydicom.tag import Tag
from pydicom.uid import JPEGLSLossless

from measure import deidentify
from measure.deidentify import LEFT_OUT, deidentify_folder, profile
from measure.errors import FilmError, HoldfastError
from measure.film import read_film
from measure.pseudonym import Pseudonyms
from measure.reading import SUFFIX, Landmark, Reading, load_reading, save_reading
from measure.review import Review, review

KEY = Pseudonyms(b"k" * 32)
SECRET = "SECRETDOE"  # noqa: S105 (it stands for a name)
NUMBER = 73313
OLD_UID = "1.2.840.99999.73313"
DAY = "19480517"
TEXT = dict.fromkeys(("AE", "CS", "LO", "LT", "SH", "ST", "UC", "UT"), SECRET)
BYTES = dict.fromkeys(("OB", "OW", "UN"), SECRET.encode() + b"!") | dict.fromkeys(
    ("OF", "OD", "OL", "OV"), b"73313313"
)
VALUES = TEXT | BYTES | {
    "AS": "073Y", "DA": DAY, "DT": f"{DAY}101112", "TM": "101112.733130", "PN": f"{SECRET}^JANE",
    "UR": f"http://{SECRET}", "UI": OLD_UID, "AT": 0x73313313, "IS": NUMBER, "DS": "73313.5",
    "FL": 73313.5, "FD": 73313.5, "SL": NUMBER, "UL": NUMBER, "SS": 7331, "US": 7331, "SV": NUMBER,
    "UV": NUMBER,
}  # fmt: skip
# Elements that make it a film at all; the other tests vary these one by one.
STRUCTURE = {
    "Rows", "Columns", "BitsAllocated", "BitsStored", "HighBit", "PixelRepresentation", "SamplesPerPixel",
    "PhotometricInterpretation", "PixelData", "FloatPixelData", "DoubleFloatPixelData", "NumberOfFrames",
    "BurnedInAnnotation", "PlanarConfiguration", "PixelDataProviderURL", "ExtendedOffsetTable",
    "ExtendedOffsetTableLengths", "SpecificCharacterSet", "SharedFunctionalGroupsSequence",
    "PerFrameFunctionalGroupsSequence", "SOPClassUID", "DataSetTrailingPadding",
    "SmallestImagePixelValue", "LargestImagePixelValue", *deidentify._NUMBERS, *deidentify._LOOK_UPS,
}  # fmt: skip


def every_element(depth: int = 1) -> Iterator[tuple[int, str, object]]:
    """Tag, VR and an identifying value of every public element (PS3.6); sequences hold several."""
    for tag, (vr, _, _, _, keyword) in DicomDictionary.items():
        vr = vr.split(" or ")[0]
        if tag >> 16 < 8 or keyword in STRUCTURE or vr in ("NONE", "") or not keyword:
            continue
        if vr == "SQ":
            yield tag, vr, Sequence([inner(depth)])
        else:
            yield tag, vr, VALUES[vr]


def inner(depth: int) -> Dataset:
    item = Dataset()
    item.PersonName = f"{SECRET}^NESTED"
    item.CodeValue, item.CodingSchemeDesignator, item.CodeMeaning = "16953009", "SCT", SECRET
    item.LUTExplanation, item.TextValue, item.UID = SECRET, SECRET, OLD_UID
    item.private_block(0x0099, f"{SECRET} BLOCK", create=True).add_new(1, "LO", SECRET)
    if depth:
        item.ReferencedImageSequence = [inner(depth - 1)]
        item.AnatomicRegionSequence = [inner(depth - 1)]
    return item


@pytest.fixture
def full_of_names(tmp_path: Path, write_film: Callable[..., Path]) -> Path:
    """Write a film with an identifier in every element there is, private blocks, preamble and padding."""
    path = write_film(tmp_path / "in" / f"{SECRET}.dcm", BurnedInAnnotation="NO")
    film = pydicom.dcmread(path)
    for tag, vr, value in every_element():
        if tag not in film:
            film.add_new(tag, vr, value)
    film.PatientID, film.PatientName = f"{SECRET}-77", f"{SECRET}^JANE"
    for group in (0x0009, 0x0011, 0x0029, 0x7FE1):
        block = film.private_block(group, f"{SECRET} PRIVATE", create=True)
        for number, (vr, value) in enumerate(VALUES.items()):
            block.add_new(number, vr, value)
        block.add_new(0xFE, "SQ", [inner(1)])
    film[0x60000010] = pydicom.DataElement(0x60000010, "US", 8)
    film[0x60003000] = pydicom.DataElement(0x60003000, "OW", SECRET.encode() + b"!")
    film.DataSetTrailingPadding = SECRET.encode() + b"!"
    film.file_meta.SourceApplicationEntityTitle = SECRET
    film.file_meta.PrivateInformationCreatorUID = OLD_UID
    film.file_meta.PrivateInformation = SECRET.encode() + b"!"
    film.preamble = (SECRET.encode() * 20)[:128]
    film.save_as(path)
    return path


def marks(content: bytes) -> list[str]:
    """Find identifiers in bytes, in any of the ways they may be encoded."""
    words = (SECRET, "JANE", "NESTED", OLD_UID, DAY, "73313", "073Y", "733130")
    found = [word for word in words if word.encode() in content or word.encode("utf-16-le") in content]
    numbers = (
        np.array([NUMBER], "<i4").tobytes(),
        np.array([73313.5], "<f4").tobytes(),
        np.array([73313.5], "<f8").tobytes(),
    )
    return found + ["number" for number in numbers if number in content]


def test_a_film_full_of_identifiers_comes_out_with_none(full_of_names: Path, tmp_path: Path) -> None:
    """Every VR, nested, private, in meta, preamble and padding: the bytes that come out hold none."""
    before = full_of_names.read_bytes()
    assert len(marks(before)) >= 9  # the search does find them
    done = deidentify_folder(full_of_names.parent, tmp_path / "out", KEY)
    assert done.problems == ()
    (path,) = done.written
    assert marks(path.read_bytes()) == []
    assert SECRET not in str(path.relative_to(tmp_path))
    clean = pydicom.dcmread(path)
    assert not [element.tag for element in clean.iterall() if element.tag.is_private]
    assert clean.preamble == b"\0" * 128


def test_what_table_e_1_1_asks_is_done(full_of_names: Path, tmp_path: Path) -> None:
    """X gone; Z gone or empty or new; D and U gone or new; dates under the option of modified dates."""
    before = pydicom.dcmread(full_of_names)
    (path,) = deidentify_folder(full_of_names.parent, tmp_path / "out", KEY).written
    clean = pydicom.dcmread(path)
    assert len(profile()) > 600
    present = 0
    for tag, action in profile().items():
        if tag not in before:
            continue
        present += 1
        if tag not in clean:
            continue
        assert action != "X", Tag(tag)
        assert clean[tag].is_empty or clean[tag].value != before[tag].value, Tag(tag)
    assert present > 500


def test_the_table_check_can_fail(
    full_of_names: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """An element of the table let through on purpose is seen by the search and the rule."""
    monkeypatch.setattr(deidentify, "_DAYS", ())
    monkeypatch.setitem(deidentify._TERMS, "BodyPartExamined", {SECRET})
    film = pydicom.dcmread(full_of_names)
    film.BodyPartExamined = SECRET
    film.save_as(full_of_names)
    (path,) = deidentify_folder(full_of_names.parent, tmp_path / "out", KEY).written
    assert marks(path.read_bytes()) == [SECRET]


def test_what_the_table_names_is_never_copied() -> None:
    """Nothing on the lists of what is copied stands in Table E.1-1."""
    copied = (*deidentify._NUMBERS, *deidentify._TERMS, *deidentify._CODES, *deidentify._LOOK_UPS)
    assert {word for word in copied if int(Tag(word)) in profile()} == set()
    assert int(Tag("PatientName")) in profile()
    free = [word for word in copied if dictionary_VR(word) in ("LO", "LT", "PN", "ST", "UT", "UC", "UR")]
    assert [
        word for word in free if word not in deidentify._TERMS
    ] == []  # free text, only where terms are known


@pytest.fixture
def series(tmp_path: Path, write_film: Callable[..., Path], make_reading: Callable[..., Reading]) -> Path:
    """Write two patients' films with readings that name people."""
    visits = (("A", 0, 1.0), ("A", 50, 4.5), ("B", 7, 1.0))
    for number, (patient, day, gap) in enumerate(visits, start=1):
        path = write_film(
            tmp_path / "in" / f"{SECRET}-{number}.dcm", number, day=day,
            PatientID=patient + SECRET, BurnedInAnnotation="NO",
            StudyInstanceUID=f"1.2.{patient == 'A'}.{day}".replace("True", "3").replace("False", "4"),
        )  # fmt: skip
        marked = {"loop": Landmark("not assessable", reason=f"as {SECRET} said")}
        reading = make_reading(
            read_film(path), Elbow(gap=gap), reader=f"Dr {SECRET}", surgery_date="2031-03-01",
            uid=f"{SECRET}-{number}",
            supersedes=f"{SECRET}-0", landmarks=marked,
        )  # fmt: skip
        save_reading(reading, tmp_path / "in" / f"{number}.reading.json")
    return tmp_path / "in"


def test_the_clean_folder_gives_the_same_review(series: Path, tmp_path: Path) -> None:
    """Same cases, values, intervals, changes and outcomes; other names, dates and UIDs."""
    done = deidentify_folder(series, tmp_path / "out", KEY)
    assert done.problems == ()
    assert len(done.written) == 6
    before, after = review(series), review(tmp_path / "out")
    assert after.problems == ()

    def told(found: Review) -> list[object]:
        cases = sorted(found.cases, key=lambda case: len(case.films))
        return [
            (
                [
                    (m.key, m.quantity.value, m.quantity.u) if m.quantity else m.key
                    for film in case.films for m in film.measurements
                ],
                [(c.key, c.basis, c.quantity and (c.quantity.value, c.quantity.u)) for c in case.changes],
                [(film.date - case.index.date).days for film in case.films],
            )
            for case in cases
        ]  # fmt: skip

    assert told(before) == told(after)
    assert {f.patient_key for c in before.cases for f in c.films}.isdisjoint(
        f.patient_key for c in after.cases for f in c.films
    )


def test_dates_move_and_intervals_stay(series: Path, tmp_path: Path) -> None:
    def days(found: Review) -> list[int]:
        films = [film for case in found.cases for film in case.films]
        return sorted(
            (film.date - datetime.date.fromisoformat(film.reading.surgery_date)).days for film in films
        )

    deidentify_folder(series, tmp_path / "out", KEY)
    after = review(tmp_path / "out")
    assert days(review(series)) == days(after) == [2, 9, 52]
    assert all(film.date.year < 2031 for case in after.cases for film in case.films)


def test_no_name_in_films_or_readings(series: Path, tmp_path: Path) -> None:
    for path in deidentify_folder(series, tmp_path / "out", KEY).written:
        assert SECRET.encode() not in path.read_bytes()
        assert SECRET not in str(path.relative_to(tmp_path))
    (reading, *_) = (load_reading(path) for path in sorted((tmp_path / "out").rglob("*.json")))
    assert reading.landmarks["loop"].reason == LEFT_OUT
    assert reading.reader == KEY.name("reader", f"Dr {SECRET}")
    assert reading.supersedes == KEY.uid(f"{SECRET}-0")


def test_uids_stay_consistent(series: Path, tmp_path: Path) -> None:
    """Films of one study stay together, and by one key they get the same UIDs again."""
    films = [
        pydicom.dcmread(p)
        for p in deidentify_folder(series, tmp_path / "a", KEY).written
        if p.suffix == ".dcm"
    ]
    again = [
        pydicom.dcmread(p)
        for p in deidentify_folder(series, tmp_path / "b", KEY).written
        if p.suffix == ".dcm"
    ]
    assert [f.SOPInstanceUID for f in films] == [f.SOPInstanceUID for f in again]
    assert len({f.SOPInstanceUID for f in films}) == 3
    assert all(f.file_meta.MediaStorageSOPInstanceUID == f.SOPInstanceUID for f in films)
    assert len({f.SeriesInstanceUID for f in films}) == 1  # as before


@pytest.mark.parametrize("said", ["YES", None, "MAYBE"])
def test_burned_in_writing_stops_a_film_unless_blanked(
    said: str | None, tmp_path: Path, write_film: Callable[..., Path]
) -> None:
    pixels = np.full(SHAPE, 60, dtype=np.uint8)
    pixels[10:30, 20:90] = 255  # the writing
    write_film(tmp_path / "in" / "film.dcm", BurnedInAnnotation=said, PixelData=pixels.tobytes())
    held = deidentify_folder(tmp_path / "in", tmp_path / "out", KEY)
    assert held.written == ()
    assert "does not say that it is free of burned-in writing" in held.problems[0][1]
    (path,) = deidentify_folder(tmp_path / "in", tmp_path / "out", KEY, [(10, 30, 20, 90)]).written
    clean = pydicom.dcmread(path)
    assert clean.BurnedInAnnotation == "NO"
    assert "113101" in [item.CodeValue for item in clean.DeidentificationMethodCodeSequence]
    shown = read_film(path).pixels
    assert (shown == 60).all()


def test_a_region_off_the_film_is_refused(tmp_path: Path, write_film: Callable[..., Path]) -> None:
    write_film(tmp_path / "in" / "film.dcm", BurnedInAnnotation="YES")
    done = deidentify_folder(tmp_path / "in", tmp_path / "out", KEY, [(0, 10_000, 0, 5)])
    assert "Region 0:10000,0:5 does not lie on the film" in done.problems[0][1]
    assert done.written == ()


def test_nothing_hides_in_a_compressed_stream(tmp_path: Path, write_film: Callable[..., Path]) -> None:
    """A comment within the JPEG-LS stream itself does not come out; the pixels do, bit for bit."""
    path = write_film(tmp_path / "in" / "film.dcm", BurnedInAnnotation="NO")
    film = pydicom.dcmread(path)
    film.compress(JPEGLSLossless, encoding_plugin="pyjpegls", generate_instance_uid=False)
    (frame,) = pydicom.encaps.generate_frames(film.PixelData, number_of_frames=1)
    comment = SECRET.encode()
    hidden = frame[:2] + b"\xff\xfe" + (len(comment) + 2).to_bytes(2, "big") + comment + frame[2:]
    film.PixelData = pydicom.encaps.encapsulate([hidden])
    film.save_as(path)
    assert SECRET.encode() in path.read_bytes()
    (clean,) = deidentify_folder(path.parent, tmp_path / "out", KEY).written
    assert SECRET.encode() not in clean.read_bytes()
    assert read_film(clean).digest == read_film(path).digest


def test_side_view_and_date_survive_wherever_they_were(
    tmp_path: Path, write_film: Callable[..., Path]
) -> None:
    """Free text and a date-time, which do not come out, told them; elements that do come out tell them."""
    path = write_film(
        tmp_path / "in" / "film.dcm", BurnedInAnnotation="NO", ImageLaterality=None, ViewPosition=None,
        AcquisitionDate=None,
        SeriesDescription=f"left elbow lateral {SECRET}", AcquisitionDateTime="20310303101500",
    )  # fmt: skip
    before = read_film(path)
    (written,) = deidentify_folder(path.parent, tmp_path / "out", KEY).written
    after = read_film(written)
    assert (after.laterality, after.view) == (before.laterality, before.view) == ("left", "lateral")
    assert after.date == before.date + KEY.shift("P1")
    assert after.time == before.time


def test_dciodvfy_finds_no_error(tmp_path: Path) -> None:
    """On a clean phantom film, which is a whole DX film."""
    from measure import phantom
    from measure.phantom_dicom import Label, write_film
    from measure.phantom_film import render

    case = phantom.Case(pose=phantom.Pose(shape=(160, 200), pitch=(0.8, 0.8)))
    (tmp_path / "in").mkdir()
    write_film(tmp_path / "in" / "film.dcm", case, render(case), Label())
    (path,) = deidentify_folder(tmp_path / "in", tmp_path / "out", KEY).written
    said = subprocess.run(["dciodvfy", "-new", path], capture_output=True, text=True)
    assert "DXImageForPresentation" in said.stderr + said.stdout
    assert "Error" not in said.stderr + said.stdout, said.stderr


def test_pictures_and_damaged_files_are_named_and_left(series: Path, tmp_path: Path) -> None:
    from PIL import Image

    Image.fromarray(np.zeros((30, 40), np.uint8)).save(series / "picture.png")
    (series / "damaged.dcm").write_bytes(b"no film")
    (series / "bad.reading.json").write_text("{}")
    done = deidentify_folder(series, tmp_path / "out", KEY)
    assert {name for name, _ in done.problems} == {"picture.png", "damaged.dcm", "bad.reading.json"}
    assert len(done.written) == 6


def test_an_empty_folder_and_a_full_one(series: Path, tmp_path: Path) -> None:
    (tmp_path / "none").mkdir()
    with pytest.raises(FilmError, match="No film was found under 'none'"):
        deidentify_folder(tmp_path / "none", tmp_path / "out", KEY)
    deidentify_folder(series, tmp_path / "out", KEY)
    again = deidentify_folder(series, tmp_path / "out", KEY)
    assert again.written == ()
    assert all("is there from before" in words for _, words in again.problems)


def test_a_film_twice_is_cleaned_once_and_told(series: Path, tmp_path: Path) -> None:
    """By its pixels under another UID, or by its UID with other pixels."""
    first = min(series.rglob("*.dcm"))
    copy = pydicom.dcmread(first)
    copy.SOPInstanceUID = copy.file_meta.MediaStorageSOPInstanceUID = "1.2.3.77"
    copy.save_as(first.with_name("z-pixels.dcm"))
    other = pydicom.dcmread(first)
    other.PixelData = bytes(reversed(other.PixelData))
    other.save_as(first.with_name("z-uid.dcm"))
    done = deidentify_folder(series, tmp_path / "out", KEY)
    assert done.problems == (
        ("z-pixels.dcm", f"It has the same pixels as {first.name}, so only that one is cleaned."),
        ("z-uid.dcm", f"It has the same UID as {first.name}, so only that one is cleaned."),
    )


def test_a_copied_reading_hides_no_other(series: Path, tmp_path: Path) -> None:
    """The same reading in two files, then a second one of the same film: both come out, each once."""
    path = min(series.rglob(f"*{SUFFIX}"))
    reading = load_reading(path)
    path.with_name(f"y-copy{SUFFIX}").write_bytes(path.read_bytes())
    save_reading(dataclasses.replace(reading, uid="a-second"), path.with_name(f"z-second{SUFFIX}"))
    before = len({load_reading(each).uid for each in series.rglob(f"*{SUFFIX}")})
    done = deidentify_folder(series, tmp_path / "out", KEY)
    assert done.problems == ()
    assert len([each for each in done.written if each.name.endswith(SUFFIX)]) == before


def test_clean_films_do_not_go_among_those_they_are_made_of(series: Path) -> None:
    """A second run would take them for films to clean."""
    for out in (series, series / "clean", series / "x" / ".." / "clean"):
        with pytest.raises(HoldfastError, match="lies in the folder that holds the patient's films"):
            deidentify_folder(series, out, KEY)
    assert not (series / "clean").exists()


def test_a_reading_without_its_film_is_told(series: Path, tmp_path: Path) -> None:
    film = min(series.rglob("*.dcm"))
    film.unlink()
    done = deidentify_folder(series, tmp_path / "out", KEY)
    ((name, words),) = done.problems
    assert name.endswith(".reading.json")
    assert "its film is not in this folder" in words


def test_a_full_disk_leaves_no_part_behind(
    series: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """What the disk says comes through, and half a film is taken away again."""

    def full(_: int) -> None:
        assert list((tmp_path / "out").rglob(".*.part"))
        raise OSError(28, "No space left on device")

    monkeypatch.setattr(os, "fsync", full)
    done = deidentify_folder(series, tmp_path / "out", KEY)
    assert done.written == ()
    assert all("No space left on device. Choose another folder" in words for _, words in done.problems)
    assert [path for path in (tmp_path / "out").rglob("*") if path.is_file()] == []


@pytest.mark.parametrize(("source", "clean"), [("HU", "HU"), ("US", "US"), ("DOE JANE", "US"), (None, None)])
def test_a_rescale_type_that_may_name_somebody(
    tmp_path: Path, write_film: Callable[..., Path], source: str | None, clean: str | None
) -> None:
    """It must be there beside slope and intercept (PS3.3, C.11.1: type 1C); unknown words become US."""
    elements = {"RescaleSlope": 1.0, "RescaleIntercept": 0.0, "BurnedInAnnotation": "NO"}
    write_film(tmp_path / "in" / "film.dcm", RescaleType=source, **elements)
    (path,) = deidentify_folder(tmp_path / "in", tmp_path / "out", KEY).written
    assert pydicom.dcmread(path).get("RescaleType") == clean
