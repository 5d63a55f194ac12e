"""An agreement study from films to report: the invented study finds what was put in; bad input is told."""

from __future__ import annotations

import csv
import dataclasses
import json
import re
import shutil
from collections.abc import Callable, Sequence
from pathlib import Path

import numpy as np
import pytest

from measure.__main__ import main
from measure.agreement import agreement
from measure.agreement_demo import READERS, REASON, write_demo
from measure.agreement_page import TRUTH, Analysed, Analysis, analyse, document
from measure.agreement_report import document_html, document_pdf, write_agreement
from measure.agreement_study import (
    UNCONFIRMED,
    Study,
    landmark_spreads,
    measured_profile,
    study_of_folder,
    study_of_list,
    truth_of,
)
from measure.errors import StudyError
from measure.reading import Landmark, Reading, load_reading, save_reading
from measure.reading_list import READINGS_FOLDER, load_list
from measure.scale import ScaleInput

POOLED_NOISE = float(np.sqrt(np.mean([reader.noise_mm**2 for reader in READERS])))


@pytest.fixture(scope="module")
def demo(tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, Path]:
    """Folder of films and folder of the invented study's list."""
    folder = tmp_path_factory.mktemp("study")
    return write_demo(folder)[0], folder


@pytest.fixture(scope="module")
def study(demo: tuple[Path, Path]) -> Study:
    """Measure the invented study."""
    return study_of_list(*demo)


@pytest.fixture(scope="module")
def analysis(demo: tuple[Path, Path], study: Study) -> Analysis:
    """Work the invented study out against what was put in."""
    return analyse(study, truth_of(demo[0] / "truth.json", study))


def quantity(analysis: Analysis, name: str, target: str = "") -> Analysed:
    return next(one for one in analysis.quantities if (one.row.name, one.row.target) == (name, target))


# --- What was put in is found ---


@pytest.mark.parametrize(
    ("name", "target", "put_in"),
    [
        ("articular_gap", "", (0.0, 0.8, 0.0)),
        ("dorsal_gap", "", (0.0, 0.6, 0.0)),
        ("pin_prominence", "pin1", (0.0, 0.0, 0.7)),
        ("pin_prominence", "pin2", (0.0, 0.0, 0.7)),
        ("pin_spacing", "", (0.0, 0.0, 0.0)),
        ("hole_distance", "", (0.0, 0.0, 0.0)),
    ],
)
def test_biases_are_found(analysis: Analysis, name: str, target: str, put_in: tuple[float, ...]) -> None:
    """Each reader's distance from the mean of all, to 0.2 mm; who has a bias is marked."""
    expected = np.array(put_in) - np.mean(put_in)
    found = quantity(analysis, name, target).found.readers
    assert [one.bias.value for one in found] == pytest.approx(expected.tolist(), abs=0.2)
    for one, bias in zip(found, put_in, strict=True):
        assert one.systematic or not bias


def test_readers_against_truth(analysis: Analysis) -> None:
    """The reader who sees the gap 0.8 mm too wide does so against truth too, and no other."""
    found = [one for one in quantity(analysis, "articular_gap").others if one.second == TRUTH]
    assert [one.first for one in found] == ["reader-1", "reader-2", "reader-3"]
    assert [one.bias.holds(bias) for one, bias in zip(found, (0.0, 0.8, 0.0), strict=True)] == [True] * 3
    assert not found[1].bias.holds(0.0)


def test_noise_and_habit_of_landmarks_are_found(study: Study) -> None:
    """The spread of placing is the readers' noise; a habit is where a bias was put in, and only there."""
    spreads = landmark_spreads(study)
    held = [one.placement.holds(POOLED_NOISE) for one in spreads if one.placement]
    assert np.mean(held) > 0.85
    wrong = [one.placement.holds(1.5 * POOLED_NOISE) for one in spreads if one.placement]
    assert np.mean(wrong) < 0.3  # the check sees a wrong answer
    habits = {(one.landmark, one.direction): one.habit for one in spreads}
    biased = habits["articular_edge_proximal", "along the bone axis"]
    assert biased is not None
    assert biased.value == pytest.approx(np.std([0, -0.8, 0], ddof=1), abs=0.15)
    plain = habits["articular_edge_proximal", "across it"]
    assert plain is not None
    assert plain.value < 0.15


def test_what_was_hidden_is_counted(analysis: Analysis, study: Study) -> None:
    """Not-assessable landmarks are counted by reader and reason, as many as the readings hold."""
    hidden = sum(
        reading.measured.reading.landmarks["knot1"].status == "not assessable" for reading in study.readings
    )
    missing = quantity(analysis, "knot_distance", "knot1").missing
    assert hidden
    assert sum(missing.values()) == hidden
    assert all(REASON in reason for _, reason in missing)


def test_slips_in_grading_are_found(analysis: Analysis) -> None:
    """Who slips six times as often gives the same grade twice less often; the report shows the table."""
    same = {reader.name: [0.0, 0.0] for reader in READERS}
    for pair in analysis.grades:
        if pair.grades and pair.of.endswith("reading 2"):
            count = same[pair.assessable.first.split(",")[0]]
            count[0] += pair.grades.same * pair.grades.films
            count[1] += pair.grades.films
    shares = {name: alike / films for name, (alike, films) in same.items()}
    for reader in READERS:
        assert shares[reader.name] == pytest.approx((1 - reader.slips) ** 2, abs=0.12)
    assert shares["reader-3"] < min(shares["reader-1"], shares["reader-2"]) - 0.15
    section = next(one for one in document(analysis).sections if one.title == "Grades by eye")
    assert len(section.tables[0].rows) == len(analysis.grades) > 90


def test_one_reason_is_counted_once_whatever_it_measured(analysis: Analysis) -> None:
    """A pin too flat on the cortex is one reason, not one for each angle that was read."""
    missing = quantity(analysis, "pin_tip_beyond", "pin1").missing
    flat = [reason for _, reason in missing if reason.startswith("the pin meets the cortex")]
    assert set(flat) == {"the pin meets the cortex at …°, under 5°: where cannot be told"}
    assert sum(missing.values()) > len(flat) == len(analysis.study.readers)


# --- The report ---


def rows(path: Path) -> list[dict[str, str]]:
    with path.open(encoding="utf-8", newline="") as file:
        return list(csv.DictReader(file))


def test_the_report_is_written(tmp_path: Path, analysis: Analysis) -> None:
    """Tables, HTML and PDF; films named by labels alone unless unblinded."""
    written = write_agreement(analysis, tmp_path)
    assert {path.name for path in written} == {
        "values.csv", "statistics.csv", "missing.csv", "landmarks.csv", "grades.csv", "agreement.html",
        "agreement.pdf",
    }  # fmt: skip
    for path in written:
        if path.suffix != ".pdf":
            assert "HF-000" not in path.read_text(encoding="utf-8"), path.name
    values = rows(tmp_path / "values.csv")
    assert len(values) == 48 * 20
    icc = [row for row in rows(tmp_path / "statistics.csv") if row["statistic"] == "ICC"]
    assert all(row["form"] and row["model"] and row["type"] and row["definition"] for row in icc)
    write_agreement(analysis, tmp_path, unblind=True)
    files = {row["film"]: row["file"] for row in rows(tmp_path / "values.csv")}
    assert len(set(files.values())) == 8
    assert all(file.startswith("HF-000") for file in files.values())


def test_the_pages_say_what_they_must(analysis: Analysis) -> None:
    """Model, blinding, seed, patients, and all fifteen items of the checklist; the same bytes twice."""
    page = document(analysis)
    text = document_html(page)
    for words in (
        "ICC(A,1), two-way random effects, single reading, absolute agreement",
        "by seed 20261125", "8 films are of 2 patients", "Never", "A measuring aid, not a diagnosis",
        "6 of 8 films have every reading", "all values are equal",
    ):  # fmt: skip
        assert (words in text) != (words == "Never")  # every quantity was measured
    checklist = page.sections[-1].tables[0]
    assert [row[0] for row in checklist.rows] == [str(number) for number in range(1, 16)]
    assert document_pdf(page) == document_pdf(page)


def test_no_agreement_is_claimed_where_nothing_varies(analysis: Analysis) -> None:
    """No film of the demo shows a break: a difference of 0.00 would say that readers agree on breaks."""
    tables = [table for section in document(analysis).sections for table in section.tables]
    rows = [row for table in tables if "less" in table.title for row in table.rows]
    breaks = [row for row in rows if row[0].startswith("Break in the wire")]
    assert breaks
    assert all(not re.search(r"\d\.\d", " ".join(row[2:])) for row in breaks), breaks
    assert any(re.search(r"\d\.\d", " ".join(row[2:])) for row in rows)


def test_figures_show_every_pair(analysis: Analysis) -> None:
    """Three readers give three figures of a quantity; one whose readings never differ has none."""
    page = document(analysis)
    figures = next(section.figures for section in page.sections if section.figures)
    assert len(figures) == 3 * (len(analysis.quantities) - 1)
    assert "reader-1 − reader-2" in figures[0].words


# --- Feeding back ---


def test_the_profile_holds_what_was_found(study: Study) -> None:
    """Placement is the noise put in; the quantities' spread is their SEM of one reader film after film."""
    profile = measured_profile(study, "clinic")["olecranon", "lateral"]
    assert profile.name == "clinic"
    assert profile.placement_mm == pytest.approx(POOLED_NOISE, rel=0.1)
    assert "3 readers, 8 films, 2 readings of each" in profile.source
    assert profile.quantities["articular_gap"].habit == pytest.approx(np.std([0, 0.8, 0], ddof=1), abs=0.2)
    assert profile.quantities["pin_spacing"].placement == pytest.approx(POOLED_NOISE, rel=0.25)


def test_a_profile_of_too_few_readings(study: Study) -> None:
    """One reading of each film tells nothing of its error."""
    single = dataclasses.replace(
        study, readers=("reader-1",), repeats=1,
        readings=tuple(r for r in study.readings if (r.reader, r.repeat) == ("reader-1", 0)),
    )  # fmt: skip
    with pytest.raises(StudyError, match="read often enough"):
        measured_profile(single, "clinic")


# --- Bad input ---


def some_of(demo: tuple[Path, Path], folder: Path) -> Path:
    """Copy a study to where it may be spoilt."""
    shutil.copytree(demo[1], folder)
    return folder


def test_a_list_half_read(demo: tuple[Path, Path], tmp_path: Path) -> None:
    """What is not read is counted as such, and the study goes on with the rest."""
    spoilt = some_of(demo, tmp_path / "study")
    gone = [task.code for task in load_list(spoilt).tasks_of("reader-3") if task.round == 2]
    for code in gone:
        (spoilt / READINGS_FOLDER / f"{code}.record.json").unlink()
    found = study_of_list(demo[0], spoilt)
    assert any("8 of 48 readings of the list are not done" in note for note in found.notes)
    row = found.table.measurements[0]
    assert found.missing(row)["reader-3", "not read"] == 8
    result = agreement(found.ratings(row))
    assert "0 of 8 films have every reading" in "; ".join(result.notes)
    assert result.inter is not None  # first readings are all there


def test_films_that_are_not_there(demo: tuple[Path, Path], tmp_path: Path) -> None:
    """A folder without the study's films is refused, and says what to check."""
    (tmp_path / "films").mkdir()
    with pytest.raises(StudyError, match="Check that the folder holds the study's films"):
        study_of_list(tmp_path / "films", demo[1])


def write_study(
    folder: Path,
    write_film: Callable[..., Path],
    make_reading: Callable[..., Reading],
    change: Callable[[int, str, Reading], Sequence[Reading]] = lambda film, reader, reading: [reading],
    films: int = 4,
    readers: Sequence[str] = ("A", "B"),
) -> Path:
    """Write films and each reader's reading of them into one folder, without a list."""
    from measure.film import read_film

    for number in range(1, films + 1):
        film = read_film(write_film(folder / f"film{number}.dcm", number, day=number))
        for reader in readers:
            for each in change(number, reader, make_reading(film, reader=reader)):
                save_reading(each, folder / f"{each.uid}.reading.json")
    return folder


def test_a_folder_without_a_list(
    tmp_path: Path, write_film: Callable[..., Path], make_reading: Callable[..., Reading]
) -> None:
    """Readings of one film by one reader are repeats in order of time, unless one corrects the other."""

    def twice(number: int, reader: str, reading: Reading) -> Sequence[Reading]:
        later = dataclasses.replace(
            reading, uid=f"{reading.uid}-2", time="2031-07-01T10:00:00+00:00",
            supersedes=reading.uid if reader == "B" else None,
        )  # fmt: skip
        return [later, reading]

    found = study_of_folder(write_study(tmp_path, write_film, make_reading, twice))
    assert (found.repeats, len(found.films), found.readers) == (2, 4, ("A", "B"))
    of_a = [reading for reading in found.readings if reading.reader == "A"]
    assert {reading.repeat for reading in of_a if reading.measured.reading.uid.endswith("-2")} == {1}
    assert {reading.repeat for reading in found.readings if reading.reader == "B"} == {0}


def test_different_scales_are_told(
    tmp_path: Path, write_film: Callable[..., Path], make_reading: Callable[..., Reading]
) -> None:
    """Where one reader clicked a scale and another did not, lengths differ by the scales too."""
    marker = ScaleInput("marker", ((100.0, 100.0), (100.0, 200.0)), 25.0)

    def clicked(number: int, reader: str, reading: Reading) -> Sequence[Reading]:
        if (number, reader) != (1, "B"):
            return [reading]
        return [dataclasses.replace(reading, scale_inputs=(marker,), scale_use="marker")]

    found = study_of_folder(write_study(tmp_path, write_film, make_reading, clicked))
    assert any("1 films were read by different scales" in note and "marker" in note for note in found.notes)


def test_another_site_table(
    tmp_path: Path, write_film: Callable[..., Path], make_reading: Callable[..., Reading]
) -> None:
    """A reading made with another version of the table is named and left out."""
    folder = write_study(tmp_path, write_film, make_reading)
    path = sorted(folder.glob("*.reading.json"))[0]
    text = path.read_text(encoding="utf-8").replace('"site_version": "1"', '"site_version": "0"')
    path.write_text(text, encoding="utf-8")
    found = study_of_folder(folder)
    assert len(found.readings) == 7
    assert found.problems[0][0] == path.name


def test_two_views_in_one_folder(
    tmp_path: Path, write_film: Callable[..., Path], make_reading: Callable[..., Reading]
) -> None:
    """A study is of one view: which there are is said, and one can be chosen."""
    write_study(tmp_path / "one", write_film, make_reading)
    from measure.film import read_film

    film = read_film(write_film(tmp_path / "ap.dcm", 99, ViewPosition="AP"))
    save_reading(make_reading(film), tmp_path / "ap.reading.json")
    with pytest.raises(StudyError, match=r"olecranon ap \(1\), olecranon lateral \(8\)"):
        study_of_folder(tmp_path)
    found = study_of_folder(tmp_path, view="lateral")
    assert len(found.films) == 4
    assert any("1 readings of another site or view left out" in note for note in found.notes)
    with pytest.raises(StudyError, match="no reading"):
        study_of_folder(write_film(tmp_path / "empty" / "film.dcm").parent)


def test_proposals_are_not_a_readers(
    tmp_path: Path, write_film: Callable[..., Path], make_reading: Callable[..., Reading]
) -> None:
    """A value that rests on a landmark which the reader only let stand counts as missing, by that reason."""

    def proposed(number: int, reader: str, reading: Reading) -> Sequence[Reading]:
        hole = Landmark("proposed", reading.landmarks["hole"].points)
        return [dataclasses.replace(reading, landmarks={**reading.landmarks, "hole": hole})]

    found = study_of_folder(write_study(tmp_path, write_film, make_reading, proposed, films=2))
    row = next(row for row in found.table.measurements if row.name == "hole_distance")
    assert not np.isfinite(found.ratings(row).values).any()
    assert found.missing(row)["A", UNCONFIRMED] == 2


def test_the_report_says_what_the_proposals_leave_out(study: Study) -> None:
    """Where proposals were asked for, the page says that what is missing there was not proposed."""
    first = study.readings[0]
    asked = dataclasses.replace(study, proposals={first.film: first.measured})
    pages = [document(analyse(one)).sections for one in (asked, study)]
    words = "Only quantities that rest wholly on what the program proposes"
    assert [any(words in line for s in sections for line in s.lines) for sections in pages] == [True, False]
    assert document_pdf(document(analyse(asked))).startswith(b"%PDF")  # one film: words over an empty table


def test_truth_of_other_films(demo: tuple[Path, Path], study: Study, tmp_path: Path) -> None:
    """A file that is none, and one of other films, are refused in words."""
    path = tmp_path / "truth.json"
    for content, words in (("[]", "no true values"), ('{"films": {}}', "none of the study's films")):
        path.write_text(content, encoding="utf-8")
        with pytest.raises(StudyError, match=words):
            truth_of(path, study)
    with pytest.raises(StudyError, match="cannot be read"):
        truth_of(tmp_path / "none.json", study)


# --- Commands ---


def test_list_and_analyse_by_command(
    tmp_path: Path, demo: tuple[Path, Path], capsys: pytest.CaptureFixture[str]
) -> None:
    """A list is made of the films of a view; analysed before it is read, it says so without a traceback."""
    films, out = str(demo[0]), str(tmp_path / "study")
    plan = [
        "agreement",
        "list",
        films,
        "--view",
        "lateral",
        "--readers",
        "A",
        "B",
        "--seed",
        "3",
        "--out",
        out,
    ]
    assert main(plan) == 0
    assert "8 films, 2 readers, 32 readings" in capsys.readouterr().out
    assert main(plan) == 4
    assert "never overwritten" in capsys.readouterr().err
    assert main(["agreement", "analyse", films, "--list", out, "--out", str(tmp_path / "report")]) == 4
    assert "that films were read" in capsys.readouterr().err
    assert main(["agreement", "size", "--icc", "0.8", "--readers", "2", "--width", "0.2"]) == 0
    assert capsys.readouterr().out.startswith("55 films")


def test_profile_by_command(
    tmp_path: Path,
    demo: tuple[Path, Path],
    monkeypatch: pytest.MonkeyPatch,
    capsys: pytest.CaptureFixture[str],
) -> None:
    """The profile is kept under its name, once."""
    monkeypatch.setenv("HOLDFAST_PROFILES", str(tmp_path / "profiles"))
    command = ["agreement", "profile", str(demo[0]), "--list", str(demo[1]), "--name", "clinic"]
    assert main(command) == 0
    assert (tmp_path / "profiles" / "clinic.toml").exists()
    assert main(command) == 4
    assert "never overwritten" in capsys.readouterr().err


def test_without_pingouin(
    tmp_path: Path,
    demo: tuple[Path, Path],
    monkeypatch: pytest.MonkeyPatch,
    capsys: pytest.CaptureFixture[str],
) -> None:
    """What to install is said where the extra is missing."""
    monkeypatch.setitem(__import__("sys").modules, "pingouin", None)
    command = ["agreement", "analyse", str(demo[0]), "--list", str(demo[1]), "--out", str(tmp_path)]
    assert main(command) == 4
    assert 'pip install "holdfast[agreement]"' in capsys.readouterr().err


def test_the_readings_are_kept_as_they_were(demo: tuple[Path, Path], study: Study) -> None:
    """Every reading of the study is a reading file that any other command can read."""
    uids = {load_reading(path).uid for path in (demo[1] / READINGS_FOLDER).glob("*.reading.json")}
    assert uids == {reading.measured.reading.uid for reading in study.readings}
    assert json.loads((demo[1] / "list.json").read_text(encoding="utf-8"))["seed"] == 20261125
