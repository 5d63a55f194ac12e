"""A folder of films and readings: what is measured, what is told, and that nothing goes missing."""

from __future__ import annotations

import json
import shutil
from dataclasses import replace
from pathlib import Path

import pytest
from conftest import Elbow

from measure.errors import FilmError
from measure.film import read_film
from measure.flags import BEYOND
from measure.reading import save_reading, to_json
from measure.report import outcome_words
from measure.review import Review, review
from measure.series import INDEX
from measure.sites import Threshold, load_site


@pytest.fixture
def add(tmp_path, write_film, make_reading):
    """Add a film with its reading to the folder: add(name, number, day, elbow, elements={...}, **reading)."""

    def make(name, number, day=0, elbow=None, elements=None, read=True, **reading) -> Path:
        path = write_film(tmp_path / f"{name}.dcm", number, day, **(elements or {}))
        if read:
            made = make_reading(read_film(path), elbow, **reading)
            save_reading(made, path.with_suffix(".reading.json"))
        return path

    return make


@pytest.fixture
def add_frames(tmp_path, write_film, make_reading):
    """Add one file of three frames, with a reading of each that is named."""
    from PIL import Image

    def make(*read: int) -> Path:
        films = [read_film(write_film(tmp_path.parent / f"frame-{n}.dcm", n)) for n in (1, 2, 3)]
        first, *others = [Image.fromarray(film.pixels.astype("uint16")) for film in films]
        path = tmp_path / "run.tif"
        first.save(path, save_all=True, append_images=others)
        for number in read:
            frame = replace(read_film(path, frame=number), view="lateral", laterality="right")
            save_reading(make_reading(frame), tmp_path / f"run-{number}.reading.json")
        return path

    return make


def everything_named(result: Review) -> set[str]:
    """Names of all files that a review accounts for."""
    names = {film.name for case in result.cases for film in case.films}
    names |= {film.name for film in result.unread} | {problem.name for problem in result.problems}
    return names | {note.split(":", 1)[0] for note in result.notes}


class TestMainJob:
    """Films and readings in, cases with changes and flags out."""

    def test_takes_the_frame_that_was_read(self, add_frames, tmp_path) -> None:
        """Of a file with several frames the one that has a reading stands in the report, unasked."""
        add_frames(2)
        result = review(tmp_path)
        assert [[film.frame for film in case.films] for case in result.cases] == [[2]]
        assert result.problems == ()

    def test_several_frames_without_a_reading_are_a_problem(self, add_frames, tmp_path) -> None:
        """Where no frame was read, none is guessed; a frame asked for is taken."""
        add_frames()
        assert "Say which one to read" in review(tmp_path).problems[0].message
        assert len(review(tmp_path, frame=3).unread) == 1

    def test_two_patients(self, add, tmp_path) -> None:
        """One holds, one's gap opens and pin backs out; lateral and AP are cases of their own."""
        add("a/index", 1)
        add("a/later", 2, 30, Elbow(gap=0.5))
        add("b/index", 3, elements={"PatientID": "P2"})
        add("b/later", 4, 30, Elbow(gap=6.0, back_out=(6.0, 0.0)), {"PatientID": "P2"})
        add("a/index-ap", 5, elements={"ViewPosition": "AP"})
        result = review(tmp_path)
        assert [case.current.patient_key for case in result.cases] == ["P1", "P1", "P2"]
        beyond = [{flag.key for flag in flags[-1] if flag.outcome == BEYOND} for flags in result.flags]
        assert beyond[:2] == [set(), set()]
        assert {("articular_gap", ""), ("back_out", "pin1")} <= beyond[2]
        assert ("back_out", "pin2") not in beyond[2]
        assert result.problems == result.notes == result.unread == ()

    def test_flags_of_every_film(self, add, tmp_path) -> None:
        """Flags line up with cases and with films."""
        for number in (1, 2, 3):
            add(f"f{number}", number, 10 * number)
        result = review(tmp_path)
        ((case,), (flags,)) = result.cases, result.flags
        assert len(flags) == len(case.films) == 3
        assert all(flag.subject.later is case.films[1] for flag in flags[1] if hasattr(flag.subject, "later"))

    def test_the_user_s_sites(self, add, tmp_path) -> None:
        """A site given in place of the table's is the one flags come from."""
        add("index", 1)
        add("later", 2, 30)
        site = load_site("olecranon")
        own = Threshold("pin_prominence", "value", "above", 1.0, "clear", "the user's own")
        site = replace(
            site, views=site.views | {"lateral": replace(site.views["lateral"], thresholds=(own,))}
        )
        result = review(tmp_path, {"olecranon": site})
        assert {flag.threshold for flag in result.flags[0][-1]} == {own}

    def test_progress_sees_every_film(self, add, tmp_path) -> None:
        """The tracker is given all paths once."""
        paths = [add("index", 1), add("later", 2, 30)]
        seen = []
        review(tmp_path, track=lambda given: (seen.append(path) or path for path in given))
        assert seen == paths

    def test_hidden_files_are_no_readings(self, add, tmp_path) -> None:
        """What file managers leave beside a reading, or in hidden folders, is no broken reading."""
        add("film", 1)
        (tmp_path / "._film.reading.json").write_bytes(b"\0\5\x16\7")
        (tmp_path / ".trash").mkdir()
        (tmp_path / ".trash" / "old.reading.json").write_text("{")
        result = review(tmp_path)
        assert result.problems == ()
        assert len(result.cases) == 1

    def test_nothing_goes_missing(self, add, tmp_path) -> None:
        """Every film and every bad file is in a case, unread, a problem or a note."""
        add("good", 1)
        add("unread", 2, read=False)
        add("same-day", 3)
        shutil.copy(tmp_path / "good.dcm", tmp_path / "twin.dcm")
        (tmp_path / "broken.dcm").write_bytes((tmp_path / "good.dcm").read_bytes()[:900])
        (tmp_path / "noise.dcm").write_bytes(bytes(range(256)) * 4)
        films = {path.name for path in tmp_path.glob("*.dcm")}
        assert films <= everything_named(review(tmp_path))


class TestUnread:
    """Films without a reading: what can be said without one."""

    def test_says_what_the_file_says(self, add, tmp_path) -> None:
        """Patient, side, view, date and scale, and no measurement."""
        add("film", 1, read=False)
        (film,) = review(tmp_path).unread
        assert (film.name, film.laterality, film.view) == ("film.dcm", "right", "lateral")
        assert film.scale.startswith("0.2500 mm/px")

    def test_says_what_is_missing_and_doubtful(self, add, tmp_path) -> None:
        """No scale with its remedy, no date, and a factor that was not used."""
        add("bare", 1, elements={"ImagerPixelSpacing": None, "AcquisitionDate": None}, read=False)
        add("odd", 2, elements={"EstimatedRadiographicMagnificationFactor": 115}, read=False)
        bare, odd = review(tmp_path).unread
        assert bare.scale.startswith("none: the film states no pixel spacing; click a marker")
        assert any("date" in note for note in bare.notes)
        assert any("115" in note for note in odd.notes)

    def test_a_later_film_without_a_reading_is_told_at_the_case(self, add, tmp_path) -> None:
        """What is called current is then not the latest; the film before it says so, and no other does."""
        add("index", 1)
        add("next", 2, 10)
        add("missed", 3, 20, read=False)
        add("other side", 4, 21, elements={"ImageLaterality": "L"}, read=False)
        add("same day", 5, 10, read=False)
        ((case,), unread) = review(tmp_path).cases, review(tmp_path).unread
        assert len(unread) == 3
        assert case.index.notes == ("a film of 2031-03-13 has no reading and is not among the visits",)
        assert case.current.notes == ("a film of 2031-03-23 has no reading and is not among the visits",)

    def test_an_earlier_film_without_a_reading_is_told_at_the_case(self, add, tmp_path) -> None:
        """What is called the index film is then not the first."""
        add("missed", 1, read=False)
        add("second", 2, 10)
        add("third", 3, 20)
        (case,) = review(tmp_path).cases
        assert case.index.notes == (
            "a film of 2031-03-03 has no reading, so the index film here is not the first",
        )
        assert "A film of this fracture has no reading" in outcome_words(case, review(tmp_path).flags[0][-1])

    def test_no_patient_in_a_repr(self, add, tmp_path) -> None:
        """What may end up in a log does not name the patient."""
        add("film", 1, elements={"PatientID": "MARKER-77"}, read=False)
        assert "MARKER-77" not in repr(review(tmp_path))


class TestReadings:
    """Which reading of a film stands."""

    def test_a_superseded_reading_is_not_used(self, add, tmp_path, make_reading) -> None:
        """The correction stands although the corrected one carries a later time, and without a word."""
        film = read_film(add("film", 1, read=False))
        old = make_reading(film, Elbow(gap=5.0), time="2031-06-02T00:00:00+00:00")
        new = make_reading(film, Elbow(gap=1.0), supersedes=old.uid)
        save_reading(old, tmp_path / "old.reading.json")
        save_reading(new, tmp_path / "new.reading.json")
        result = review(tmp_path)
        assert result.cases[0].current.reading == new
        assert result.notes == ()

    def test_of_two_that_stand_the_latest_is_used_and_told(self, add, tmp_path, make_reading) -> None:
        """By the moment, not by the text of the time: 23:30+02:00 is before 22:00+00:00."""
        film = read_film(add("film", 1, read=False))
        first = make_reading(film, time="2031-06-01T23:30:00+02:00", reader="reader-a")
        last = make_reading(film, time="2031-06-01T22:00:00+00:00", reader="reader-b")
        save_reading(first, tmp_path / "1.reading.json")
        save_reading(last, tmp_path / "2.reading.json")
        result = review(tmp_path)
        assert result.cases[0].current.reading.reader == "reader-b"
        assert "2 readings stand; the latest, by reader-b" in result.notes[0]

    def test_a_copied_reading_is_one(self, add, tmp_path) -> None:
        """The same file twice is no second reading."""
        add("film", 1)
        (tmp_path / "backup").mkdir()
        shutil.copy(tmp_path / "film.reading.json", tmp_path / "backup" / "film.reading.json")
        assert review(tmp_path).notes == ()

    def test_two_that_supersede_each_other(self, add, tmp_path, make_reading) -> None:
        """A circle leaves all standing: the latest is used, and told."""
        film = read_film(add("film", 1, read=False))
        one = make_reading(film, uid="one", supersedes="two", time="2031-06-01T00:00:00+00:00")
        two = make_reading(film, uid="two", supersedes="one", time="2031-06-02T00:00:00+00:00")
        for reading in (one, two):
            save_reading(reading, tmp_path / f"{reading.uid}.reading.json")
        result = review(tmp_path)
        assert result.cases[0].current.reading.uid == "two"
        assert "2 readings stand" in result.notes[0]

    def test_an_orphan_is_told(self, add, tmp_path) -> None:
        """A reading without its film is a problem by name."""
        add("film", 1)
        add("gone", 2, 5).unlink()
        (problem,) = review(tmp_path).problems
        assert problem.name == "gone.reading.json"
        assert "not in this folder" in problem.message

    def test_one_edited_by_hand(self, add, tmp_path) -> None:
        """The edited reading is told; its film is listed as unread, not dropped."""
        path = add("film", 1).with_suffix(".reading.json")
        content = json.loads(path.read_text())
        path.write_text(json.dumps(content | {"reader": "someone else"}))
        result = review(tmp_path)
        assert "changed after it was saved" in result.problems[0].message
        assert [film.name for film in result.unread] == ["film.dcm"]

    def test_film_that_contradicts_its_reading(self, add, tmp_path) -> None:
        """The same pixels with the header's side changed: refused with both sides named."""
        add("film", 1, laterality="left")
        (problem,) = review(tmp_path).problems
        assert problem.name == "film.dcm"
        assert "the film says right, the reading left" in problem.message

    def test_reading_files_under_other_names(self, add, tmp_path, make_reading) -> None:
        """A reading is found by its film's digest, wherever it lies and whatever it is called."""
        film = read_film(add("films/film", 1, read=False))
        save_reading(make_reading(film), tmp_path / "readings" / "x" / "anything.reading.json")
        assert len(review(tmp_path).cases) == 1


class TestTwins:
    """Two files with the same pixels."""

    def test_a_copy_counts_once(self, add, tmp_path) -> None:
        """A film copied into another folder is one film."""
        path = add("a", 1)
        shutil.copy(path, tmp_path / "b.dcm")
        result = review(tmp_path)
        assert len(result.cases[0].films) == 1
        assert result.notes == ("b.dcm: the same film as a.dcm; counted once",)
        assert result.problems == ()

    @pytest.mark.parametrize(
        ("elements", "word"),
        [
            ({"PatientID": "P2"}, "patient"),
            ({"ImageLaterality": "L"}, "side"),
            ({"AcquisitionDate": "20310909"}, "date"),
        ],
    )
    def test_the_same_pixels_under_another_name(self, add, tmp_path, elements, word) -> None:
        """One of the two is labelled wrongly: told, without naming a patient."""
        add("a", 1)
        add("b", 1, elements=elements, read=False)
        (problem,) = review(tmp_path).problems
        assert problem.name == "b.dcm"
        assert f"says another {word}" in problem.message
        assert "P2" not in problem.message


class TestWhere:
    """A folder, one film, and neither."""

    def test_one_film(self, add, tmp_path) -> None:
        """A film by its path is measured with the reading beside it; its neighbours are no matter."""
        path = add("film", 1)
        add("neighbour", 2, 5)
        result = review(path)
        assert [film.name for film in result.cases[0].films] == ["film.dcm"]
        assert result.problems == ()

    def test_one_film_without_reading(self, add) -> None:
        """It is listed as unread."""
        assert [film.name for film in review(add("film", 1, read=False)).unread] == ["film.dcm"]

    def test_empty_folder(self, tmp_path) -> None:
        """Says what was expected."""
        with pytest.raises(FilmError, match=r"No film was found.*Expected DICOM"):
            review(tmp_path)

    def test_no_folder(self, tmp_path) -> None:
        """Says to check the path."""
        with pytest.raises(FilmError, match="no folder or film 'nowhere'"):
            review(tmp_path / "nowhere")

    def test_a_picture(self, tmp_path, make_reading) -> None:
        """A PNG has no scale, patient or date: angles, no millimetres, and it says so."""
        import numpy as np
        from PIL import Image

        path = tmp_path / "film.png"
        Image.fromarray(np.full((640, 420), 40, dtype=np.uint8)).save(path)
        film = read_film(path)
        save_reading(make_reading(film, laterality="right"), tmp_path / "film.reading.json")
        (case,) = review(tmp_path).cases
        assert case.current.scale is None
        assert case.current.find("pin_angle", "pin1").quantity.value == pytest.approx(6.0)
        assert case.current.find("articular_gap").quantity is None
        assert any("no millimetres" in note for note in case.current.notes)

    def test_changes_rest_on_dates_not_names(self, add, tmp_path) -> None:
        """A file name that sorts first is not the index film."""
        add("a-late", 1, 60, Elbow(gap=4.0))
        add("z-early", 2, 0, Elbow(gap=0.5))
        (case,) = review(tmp_path).cases
        (gap,) = [c for c in case.changes if c.key == ("articular_gap", "") and c.basis == INDEX]
        assert gap.quantity.value == pytest.approx(3.5)

    def test_a_reading_too_old_for_this_holdfast(self, add, tmp_path) -> None:
        """A later format's file is told by its version."""
        path = add("film", 1).with_suffix(".reading.json")
        path.write_text(path.read_text().replace('"version": 2', '"version": 9'))
        assert "version 9" in review(tmp_path).problems[0].message


class TestKeptElsewhere:
    """Readings in a store beside those in the folder."""

    def kept(self, texts: list[str]):
        """Give every text for every film, as a store that found them by their UID might."""
        return lambda film: texts

    def test_a_film_whose_reading_is_in_the_store_alone(self, add, tmp_path, make_reading) -> None:
        """It is measured as it is with the file; the same reading in both counts once."""
        add("film", 1)
        path = tmp_path / "film.reading.json"
        text = path.read_text(encoding="utf-8")
        with_file = review(tmp_path)
        assert review(tmp_path, kept=self.kept([text])) == with_file
        path.unlink()
        assert len(review(tmp_path).unread) == 1
        assert review(tmp_path, kept=self.kept([text])) == with_file

    def test_a_correction_in_the_store_supersedes_the_file(self, add, tmp_path, make_reading) -> None:
        """The case rests on the correction; the corrected one is among the others."""
        film = read_film(add("film", 1, uid="first"))
        correction = make_reading(film, Elbow(gap=5.0), uid="second", supersedes="first")
        result = review(tmp_path, kept=self.kept([to_json(correction)]))
        assert result.cases[0].current.reading.uid == "second"
        assert [other.reading.uid for other in result.others] == ["first"]
        assert result.notes == ()

    def test_one_that_cannot_be_used_is_told(self, add, tmp_path, make_reading) -> None:
        """Damaged, or made on other pixels under the same UID: named, and the film's own file is used."""
        film = read_film(add("film", 1))
        elsewhere = replace(make_reading(film), film_digest="sha256:" + "0" * 64)
        result = review(tmp_path, kept=self.kept(["{}", to_json(elsewhere)]))
        assert len(result.cases) == 1
        assert [problem.name for problem in result.problems] == ["film.dcm", "film.dcm"]
        assert "a reading in the store: This is not a holdfast reading" in result.problems[0].message
        assert "its pixels are not those the reading was made on" in result.problems[1].message
