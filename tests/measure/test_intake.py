"""Taking films in: each once, from wherever; what is doubtful is asked, and nothing leads out of the tree."""

from __future__ import annotations

import csv
import io
import stat
import zipfile
from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np
import pydicom
import pytest
from PIL import Image
from pydicom.dataset import Dataset, FileMetaDataset
from pydicom.uid import ComprehensiveSRStorage, ExplicitVRLittleEndian, MediaStorageDirectoryStorage

from measure.__main__ import main
from measure.doubts import KINDS, as_a_copy, beside, content, shows_two
from measure.errors import FilmError, HoldfastError
from measure.film import Film, read_film
from measure.film_dicom import MAKER
from measure.intake import DOUBTS, FILMS, LEFT_OUT, WAITING, Intake, take_in
from measure.limits import LIMITS, Limit
from measure.samples import samples_folder
from measure.telling import DONE, SOME_UNUSED
from measure.unpack import Problems, films_in

WriteFilm = Callable[..., Path]
SURE = {"BodyPartExamined": "ELBOW"}


@pytest.fixture
def write(write_film: WriteFilm) -> WriteFilm:
    """Write a film that leaves nothing to doubt, unless changed: its pixels are its number's own noise."""

    def noisy(path: Path, number: int = 1, day: int = 0, **elements: Any) -> Path:
        pixels = np.random.default_rng(number).integers(30, 60, (640, 420), dtype=np.uint8)
        return write_film(path, number, day, **({"PixelData": pixels.tobytes()} | SURE | elements))

    return noisy


def kinds(done: Intake) -> list[str]:
    """Kinds of doubt, of all that waits."""
    return [doubt.kind for film in done.waiting for doubt in film.doubts]


def films_under(folder: Path) -> list[Path]:
    """Films that are filed, not waiting or left out."""
    return [path for path in folder.glob("patient-*/**/*") if path.is_file()]


def answer(out: Path, **answers: str) -> None:
    """Fill in the table of doubts as a user does."""
    with (out / DOUBTS).open(encoding="utf-8", newline="") as file:
        rows = list(csv.DictReader(file))
    with (out / DOUBTS).open("w", encoding="utf-8", newline="") as file:
        writer = csv.DictWriter(file, rows[0])
        writer.writeheader()
        for row in rows:
            writer.writerow(row | {"answer": answers.get(row["doubt"].replace(" ", "_"), row["answer"])})


# --- Sorting ---


def test_films_are_filed_by_patient_side_view_and_visit(write: WriteFilm, tmp_path: Path) -> None:
    """Each in its place, the file as it was; taken in again, nothing is doubled."""
    source, out = tmp_path / "in", tmp_path / "out"
    for number, changes in enumerate(
        ({}, {"ViewPosition": "AP"}, {"ImageLaterality": "L"}, {"PatientID": "P2"})
    ):
        write(source / f"{number}", number, number, **changes)
    done = take_in([source], out)
    assert (done.filed, done.repeated, done.waiting, done.problems) == (4, 0, (), ())
    places = sorted(path.relative_to(out).parts[1:3] for path in films_under(out))
    assert places == [
        ("left-lateral", "2031-03-05"), ("right-ap", "2031-03-04"),
        ("right-lateral", "2031-03-03"), ("right-lateral", "2031-03-06"),
    ]  # fmt: skip
    assert len({path.relative_to(out).parts[0] for path in films_under(out)}) == 2
    assert {path.read_bytes() for path in films_under(out)} == {
        path.read_bytes() for path in source.iterdir()
    }
    again = take_in([source], out)
    assert (again.filed, again.repeated, len(films_under(out))) == (0, 4, 4)


def test_no_name_or_table_holds_an_identifier(write: WriteFilm, tmp_path: Path) -> None:
    """Folders are called by hashes."""
    write(tmp_path / "in" / "a.dcm", PatientID="SECRET-7", PatientBirthDate="19010203")
    take_in([tmp_path / "in"], tmp_path / "out")
    for path in (tmp_path / "out").rglob("*"):
        assert "SECRET" not in str(path)
    for table in (FILMS, DOUBTS):
        assert b"SECRET" not in (tmp_path / "out" / table).read_bytes()
        assert b"1901" not in (tmp_path / "out" / table).read_bytes()


@pytest.mark.parametrize(
    ("changes", "asked"),
    [
        ({"PatientID": None}, ["patient"]),
        ({"ImageLaterality": None}, ["side"]),
        ({"ImageLaterality": "B"}, ["both sides"]),
        ({"ImageLaterality": "L", "Laterality": "R"}, ["side"]),
        ({"ViewPosition": None}, ["view"]),
        ({"AcquisitionDate": None}, ["date"]),
        ({"BodyPartExamined": None}, ["body part"]),
        ({"BodyPartExamined": "CHEST"}, ["body part"]),
        ({"FieldOfViewHorizontalFlip": "YES"}, ["mirrored"]),
        ({"FieldOfViewRotation": 90}, ["turned"]),
        ({"ViewPosition": "AP", "PatientOrientation": ["R", "F"]}, ["mirrored"]),
        ({"ViewPosition": "AP", "PatientOrientation": ["L", "F"]}, []),
        ({"ViewPosition": "AP", "PatientOrientation": ["F", "R"]}, []),  # turned a quarter, not mirrored
        ({"FieldOfViewRotation": 0, "FieldOfViewHorizontalFlip": "NO"}, []),
        (
            {"ImageLaterality": None, "ViewPosition": None, "BodyPartExamined": "CHEST"},
            ["side", "view", "body part"],
        ),
    ],
)
def test_what_a_film_does_not_say_is_asked(
    write: WriteFilm, tmp_path: Path, changes: dict[str, Any], asked: list[str]
) -> None:
    """And the film waits; with nothing to ask it is filed."""
    write(tmp_path / "in" / "a.dcm", **changes)
    done = take_in([tmp_path / "in"], tmp_path / "out")
    assert kinds(done) == asked
    assert done.filed == (not asked)
    assert len(films_under(tmp_path / "out")) == (not asked)


def test_answers_file_a_film(write: WriteFilm, tmp_path: Path) -> None:
    """Every question needs its answer; a wrong one is told, and stays to be mended."""
    out = tmp_path / "out"
    film = write(tmp_path / "in" / "a.dcm", ImageLaterality=None, ViewPosition=None, AcquisitionDate=None)
    take_in([film], out)
    answer(out, side="left", view="sideways")
    done = take_in([], out)
    assert (done.filed, kinds(done)) == (0, ["side", "view", "date"])
    assert dict(done.problems) == {"a.dcm": "The answer about its view is not one that may be given."}
    answer(out, view="lateral", date="2031-03-09")
    assert take_in([film.parent], out).filed == 1
    (place,) = films_under(out)
    assert place.relative_to(out).parts[1:3] == ("left-lateral", "2031-03-09")
    assert place.read_bytes() == film.read_bytes()
    assert list((out / WAITING).iterdir()) == []


def test_what_is_left_out_stays_out(write: WriteFilm, tmp_path: Path) -> None:
    """It is kept apart, and not asked about again when it comes again."""
    out = tmp_path / "out"
    film = write(tmp_path / "in" / "a.dcm", BodyPartExamined="CHEST")
    take_in([film], out)
    answer(out, body_part="leave out")
    assert take_in([], out).left_out == 1
    again = take_in([film], out)
    assert (again.filed, again.repeated, again.waiting) == (0, 1, ())
    assert len(list((out / LEFT_OUT).iterdir())) == 1


def test_a_picture_waits_for_all_it_cannot_say(tmp_path: Path) -> None:
    """A PNG names no patient, and that no answer can mend."""
    noise = np.random.default_rng(1).integers(0, 255, (60, 50), dtype=np.uint8)
    Image.fromarray(noise).save(tmp_path / "a.png")
    done = take_in([tmp_path / "a.png"], tmp_path / "out")
    assert kinds(done) == ["patient", "side", "view", "date", "body part"]
    assert KINDS["patient"].answers == ()
    assert [path.suffix for path in (tmp_path / "out" / WAITING).iterdir()] == [".png"]


def test_one_identifier_of_two_people_is_asked_about(write: WriteFilm, tmp_path: Path) -> None:
    """Two dates of birth."""
    write(tmp_path / "in" / "a.dcm", 1, 0, PatientBirthDate="19800101")
    write(tmp_path / "in" / "b.dcm", 2, 1, PatientBirthDate="19810101", ViewPosition="AP")
    done = take_in([tmp_path / "in"], tmp_path / "out")
    assert (done.filed, kinds(done)) == (1, ["two patients"])


def test_one_uid_of_two_films_is_asked_about(write: WriteFilm, tmp_path: Path) -> None:
    """The second waits, and says which has it."""
    write(tmp_path / "in" / "a.dcm", 1)
    write(tmp_path / "in" / "b.dcm", 2, 1, SOPInstanceUID="1.2.3.1", ViewPosition="AP")
    done = take_in([tmp_path / "in"], tmp_path / "out")
    assert (done.filed, kinds(done)) == (1, ["same UID"])
    assert done.waiting[0].doubts[0].seen == "a.dcm has it, too"


def test_the_same_pixels_of_two_people_are_told(write: WriteFilm, tmp_path: Path) -> None:
    """Neither name is believed over the other; only the first is here."""
    write(tmp_path / "in" / "a.dcm", 1)
    write(tmp_path / "in" / "b.dcm", 1, PatientID="P2")
    done = take_in([tmp_path / "in"], tmp_path / "out")
    assert done.filed == 1
    assert "same pixels as a.dcm, but says another patient" in dict(done.problems)["b.dcm"]


# --- Pictures ---


@pytest.fixture(scope="module")
def elbow() -> tuple[Film, Film]:
    """Two visits of one sample patient."""
    folder = samples_folder() / "HF-0001"
    return read_film(folder / "2025-03-04-lateral.dcm"), read_film(folder / "2025-06-03-lateral.dcm")


def changed(film: Film, way: Callable[[Any], Any]) -> Film:
    """Turn a film's pixels."""
    import dataclasses

    return dataclasses.replace(film, pixels=np.ascontiguousarray(way(film.pixels)))


WAYS = {"mirrored": np.fliplr, "turned": np.rot90}


@pytest.mark.parametrize("kind", WAYS)
def test_a_turned_film_is_known_by_its_picture(elbow: tuple[Film, Film], kind: str) -> None:
    """Another visit's film that fits only when turned back; as it is, it raises no doubt."""
    first, later = elbow
    assert beside(first, later) is None
    doubt = beside(first, changed(later, WAYS[kind]))
    assert doubt is not None
    assert doubt.kind == kind


@pytest.mark.parametrize("kind", WAYS)
def test_a_turned_copy_is_known_pixel_for_pixel(elbow: tuple[Film, Film], kind: str) -> None:
    """Its content is the same and its digest is not."""
    film, _ = elbow
    copy = changed(film, WAYS[kind])
    assert content(copy) == content(film)
    assert copy.digest != film.digest
    doubt = as_a_copy(film, copy)
    assert doubt is not None
    assert doubt.kind == kind
    assert as_a_copy(film, elbow[1]) is None


def test_a_mirrored_visit_waits(write: WriteFilm, tmp_path: Path, elbow: tuple[Film, Film]) -> None:
    """A whole patient taken in: one visit was stored mirrored, and just that one is asked about."""
    for path in sorted((samples_folder() / "HF-0001").glob("*-lateral.dcm")):
        dataset = pydicom.dcmread(path)
        if path.name.startswith("2025-04-14"):
            dataset.decompress()
            dataset.set_pixel_data(
                np.fliplr(dataset.pixel_array), dataset.PhotometricInterpretation, dataset.BitsStored
            )
        (tmp_path / "in").mkdir(exist_ok=True)
        dataset.save_as(tmp_path / "in" / path.name)
    done = take_in([tmp_path / "in"], tmp_path / "out")
    assert done.filed == 3
    (waits,) = done.waiting
    assert (waits.known.name, [doubt.kind for doubt in waits.doubts]) == (
        "2025-04-14-lateral.dcm",
        ["mirrored"],
    )
    assert waits.doubts[0].seen == "it fits 2025-03-04-lateral.dcm only when mirrored"


def test_a_film_of_both_sides_is_seen(elbow: tuple[Film, Film]) -> None:
    """Two limbs side by side, though the header names one side; no sample film of one is taken for such."""
    film, _ = elbow
    air = np.full((film.pixels.shape[0], 80), film.pixels.min(), film.pixels.dtype)
    if film.photometric == "MONOCHROME1":
        air[:] = film.pixels.max()
    for path in sorted(samples_folder().rglob("*.dcm")):
        assert not shows_two(read_film(path))
    limb = np.hstack([air, film.pixels, air])
    assert shows_two(changed(film, lambda pixels: np.hstack([limb, np.fliplr(limb)])))


# --- Archives ---


def archive(path: Path, members: dict[str, bytes], **how: Any) -> Path:
    """Zip archive of members."""
    with zipfile.ZipFile(path, "w", zipfile.ZIP_DEFLATED) as packed:
        for name, data in members.items():
            packed.writestr(zipfile.ZipInfo(name) if how.get("plain") else name, data)
    return path


def test_films_come_out_of_archives(write: WriteFilm, tmp_path: Path) -> None:
    """At any depth, alone or in a folder, with a film beside; what is no film is passed over."""
    films = [write(tmp_path / f"{number}.dcm", number).read_bytes() for number in range(3)]
    (tmp_path / "in").mkdir()
    archive(
        tmp_path / "in" / "a.zip",
        {"x/y/IM1": films[0], "x/IM2": films[1], "x/words.txt": b"words", "e/": b""},
    )
    (tmp_path / "in" / "b.dcm").write_bytes(films[2])
    done = take_in([tmp_path / "in", tmp_path / "in" / "a.zip"], tmp_path / "out")
    assert (done.filed, done.repeated, done.problems) == (3, 2, ())


def test_no_archive_leads_out(write: WriteFilm, tmp_path: Path) -> None:
    """Names with .. or from the root, by either slash, and links: told, and nothing is written there."""
    film = write(tmp_path / "film.dcm").read_bytes()
    link = zipfile.ZipInfo("link.dcm")
    link.external_attr = (stat.S_IFLNK | 0o777) << 16
    path = archive(
        tmp_path / "a.zip", {"../evil.dcm": film, "/var/evil.dcm": film, "..\\..\\evil.dcm": film}, plain=True
    )
    with zipfile.ZipFile(path, "a") as packed:
        packed.writestr(link, "/etc/passwd")
    done = take_in([path], tmp_path / "out")
    assert done.filed == 0
    reasons = [reason for _, reason in done.problems]
    assert ["leads out" in reason for reason in reasons] == [True, True, True, False]
    assert reasons[3] == "A symbolic link in an archive is not followed."
    assert sorted(path.name for path in tmp_path.iterdir()) == ["a.zip", "film.dcm", "out"]
    assert not Path("/var/evil.dcm").exists()


def test_a_bomb_is_refused(write: WriteFilm, tmp_path: Path) -> None:
    """A film that packs a thousandfold is unpacked no further than the limit; the next is taken."""
    head = write(tmp_path / "film.dcm").read_bytes()
    path = archive(tmp_path / "a.zip", {"bomb": head + bytes(2**27), "film": head})
    assert path.stat().st_size < 2**20
    problems: Problems = []
    given = [name for name, _ in films_in(path, problems)]
    assert given == ["a.zip: film"]
    assert "unpacked may have at most 200 times its packed size" in problems[0][1]


def test_an_archive_is_within_its_limits(
    write: WriteFilm, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Number of files, and the size of one, whatever the archive states."""
    film = write(tmp_path / "film.dcm").read_bytes()
    path = archive(tmp_path / "a.zip", {"a": film, "b": film})
    for name, most in (("archive_members", 1), ("film_bytes", 1000)):
        with monkeypatch.context() as patch:
            patch.setitem(LIMITS, name, Limit(most, "things", "it"))
            problems: Problems = []
            assert list(films_in(path, problems)) == []
            assert f"it may have at most {most:,} things" in problems[0][1]


def test_damaged_and_nested_archives_are_told(write: WriteFilm, tmp_path: Path) -> None:
    """Each member by itself, so that the rest is had."""
    film = write(tmp_path / "film.dcm").read_bytes()
    inner = archive(tmp_path / "inner.zip", {"a": film}).read_bytes()
    path = archive(tmp_path / "a.zip", {"inner.zip": inner, "first": film, "second": film})
    data = bytearray(path.read_bytes())
    at = data.index(b"first") + 400
    data[at : at + 40] = bytes(40)
    path.write_bytes(data)
    problems: Problems = []
    assert [name for name, _ in films_in(path, problems)] == ["a.zip: second"]
    assert [name for name, _ in problems] == ["a.zip: inner.zip", "a.zip: first"]
    (tmp_path / "b.zip").write_bytes(path.read_bytes()[:-100])
    assert list(films_in(tmp_path / "b.zip", problems)) == []
    assert problems[-1] == ("b.zip", "The archive is damaged or cannot be read.")


def test_reports_in_an_archive_are_silent_as_in_a_folder(write: WriteFilm, tmp_path: Path) -> None:
    """What holdfast wrote itself is no film and nothing to be told of, packed or not."""
    film = write(tmp_path / "film.dcm").read_bytes()
    report = tmp_path / "report.dcm"
    own = Dataset()
    own.SOPClassUID, own.SOPInstanceUID = ComprehensiveSRStorage, "1.2.8"
    own.Modality, own.Manufacturer = "SR", MAKER
    own.file_meta = FileMetaDataset()
    own.file_meta.TransferSyntaxUID = ExplicitVRLittleEndian
    own.save_as(report, enforce_file_format=True)
    path = archive(tmp_path / "a.zip", {"film": film, "report": report.read_bytes()})
    done = take_in([path], tmp_path / "out")
    assert (done.filed, done.problems) == (1, ())


# --- Discs ---


def directory(path: Path, *files: list[str] | str) -> None:
    """DICOMDIR that names files."""
    listed = Dataset()
    listed.file_meta = FileMetaDataset()
    listed.file_meta.MediaStorageSOPClassUID = MediaStorageDirectoryStorage
    listed.file_meta.MediaStorageSOPInstanceUID = "1.2.9"
    listed.file_meta.TransferSyntaxUID = ExplicitVRLittleEndian
    listed.DirectoryRecordSequence = []
    for named in files:
        record = Dataset()
        record.DirectoryRecordType = "IMAGE"
        record.ReferencedFileID = named
        listed.DirectoryRecordSequence.append(record)
    file = io.BytesIO()
    listed.save_as(file, enforce_file_format=True)
    path.write_bytes(file.getvalue())


@pytest.mark.filterwarnings("ignore:Invalid value for VR CS")
def test_a_disc_tells_what_it_lacks(write: WriteFilm, tmp_path: Path) -> None:
    """A film that its directory names and that is not there, or elsewhere, is told; others are taken in."""
    disc = tmp_path / "disc"
    write(disc / "IMAGES" / "IM1", 1)
    write(tmp_path / "outside", 2)
    directory(disc / "DICOMDIR", ["IMAGES", "IM1"], ["IMAGES", "IM2"], ["..", "outside"], "/etc/passwd")
    for number, source in enumerate((disc, disc / "DICOMDIR")):
        done = take_in([source], tmp_path / f"out{number}")
        assert done.filed == 1
        assert [name for name, _ in done.problems] == ["IMAGES/IM2", "../outside", "/etc/passwd"]


def test_a_damaged_directory_stops_nothing(write: WriteFilm, tmp_path: Path) -> None:
    """The films are found without it."""
    write(tmp_path / "disc" / "IM1", 1)
    (tmp_path / "disc" / "DICOMDIR").write_bytes(b"\0" * 128 + b"DICM" + b"\x04\0\x20\x12SQ" + b"\xff" * 50)
    done = take_in([tmp_path / "disc"], tmp_path / "out")
    assert done.filed == 1
    assert [name for name, _ in done.problems] == ["DICOMDIR"]


# --- Tables ---


def test_a_table_saved_by_a_spreadsheet_is_read(write: WriteFilm, tmp_path: Path) -> None:
    """With semicolons and a byte-order mark."""
    out = tmp_path / "out"
    film = write(tmp_path / "a.dcm", ImageLaterality=None)
    take_in([film], out)
    answer(out, side="Left ")
    with (out / DOUBTS).open(encoding="utf-8", newline="") as file:
        rows = list(csv.reader(file))
    with (out / DOUBTS).open("w", encoding="utf-8-sig", newline="") as file:
        csv.writer(file, delimiter=";").writerows(rows)
    assert take_in([], out).filed == 1


@pytest.mark.parametrize("table", [FILMS, DOUBTS])
def test_a_broken_table_is_told(write: WriteFilm, tmp_path: Path, table: str) -> None:
    """It is not written over."""
    out = tmp_path / "out"
    take_in([write(tmp_path / "a.dcm")], out)
    for content_ in (b"a,b\n1,2\n", b"\xff\xfe\0\xd8", b"film\n\0"):
        (out / table).write_bytes(content_)
        with pytest.raises(HoldfastError, match=r"needs the columns|cannot be read"):
            take_in([], out)
        assert (out / table).read_bytes() == content_


def test_a_source_that_is_not_there_is_told(tmp_path: Path) -> None:
    """Without its path."""
    with pytest.raises(FilmError, match="There is nothing at 'none'"):
        take_in([tmp_path / "none"], tmp_path / "out")


def test_the_command_line(write: WriteFilm, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """Says how many were filed and where to answer."""
    write(tmp_path / "in" / "a.dcm")
    write(tmp_path / "in" / "b.dcm", 2, ImageLaterality=None)
    command = ["intake", str(tmp_path / "in"), "--out", str(tmp_path / "out")]
    assert main(command) == SOME_UNUSED
    said = capsys.readouterr().out
    assert "1 films filed, 0 were here already, 0 left out." in said
    assert "1 wait in" in said
    answer(tmp_path / "out", side="left")
    assert main(command) == DONE


def test_names_in_an_archive_do_not_steer_the_terminal(tmp_path: Path) -> None:
    """Nor do they fill it: they are whatever the archive's maker chose."""
    problems: Problems = []
    with zipfile.ZipFile(tmp_path / "films.zip", "w") as packed:
        packed.writestr("../\x1b[31m\n" + 500 * "a" + ".dcm", b"words")
    assert list(films_in(tmp_path / "films.zip", problems)) == []
    ((name, _),) = problems
    assert name.startswith("films.zip: ?[31m?aaa")
    assert len(name) < 100
