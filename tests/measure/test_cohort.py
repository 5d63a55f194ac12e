"""A cohort: the same table however it came about, nothing lost, and no film that stops another."""

from __future__ import annotations

import os
import shutil
import signal
import subprocess
import sys
from collections import Counter
from collections.abc import Callable, Sequence
from pathlib import Path
from typing import Any

import pandas as pd
import pydicom
import pytest
from cohort_faults import KEY, die_on_dead, hang_on_slow
from fuzzing import THRESHOLDS

from measure import cohort, review
from measure.__main__ import main
from measure.cohort import How, Progress, Settings, measure_file, prepare, run_cohort
from measure.countdown import left
from measure.errors import FilmError
from measure.film import read_film
from measure.profiles import load_profiles
from measure.pseudonym import open_key
from measure.reading import NO_FILM, save_reading
from measure.research_export import OBSERVATIONS, VALUES, Column, observation_rows, value_rows
from measure.samples import samples_folder
from measure.sites import load_site, with_thresholds
from measure.store import Store
from measure.telling import DONE, NOTHING_DONE, SOME_UNUSED

FILMS = 6
TESTS = Path(__file__).parents[1]


@pytest.fixture
def films(tmp_path: Path, write_film: Callable[..., Path], make_reading: Callable[..., Any]) -> Path:
    """Folder of films of two patients, each with a reading; one film has none, and one is damaged."""
    folder = tmp_path / "films"
    for number in range(FILMS):
        path = write_film(
            folder / f"patient{number % 2}" / f"{number}.dcm",
            number,
            7 * number,
            PatientID=f"SECRET{number % 2}",
        )
        save_reading(make_reading(read_film(path)), path.with_suffix(".reading.json"))
    write_film(folder / "unread.dcm", 50)
    (folder / "damaged.dcm").write_bytes(b"no film")
    return folder


def table(done: cohort.Done) -> bytes:
    """Bytes of a run's table."""
    return done.table.read_bytes()


def cells(rows: pd.DataFrame, columns: Sequence[Column]) -> Counter[tuple[object, ...]]:
    """Count the rows of a table; nothing, empty text and not a number are one and the same."""
    plain = rows[[column.name for column in columns]].astype(object)
    return Counter(plain.where(plain.notna() & (plain != ""), None).itertuples(index=False, name=None))


def test_rows_are_those_of_the_export(films: Path, tmp_path: Path) -> None:
    """Every film by itself gives the rows that the review of the whole folder gives."""
    done = run_cohort(films, tmp_path / "out", KEY, workers=2)
    expected = review.review(films)
    for path, columns, rows in (
        (done.table, VALUES, value_rows(expected, KEY)),
        (done.observations, OBSERVATIONS, observation_rows(expected, KEY)),
    ):
        found = cells(pd.read_parquet(path), columns)
        assert found == cells(pd.DataFrame(rows), columns)
        assert found.total() > FILMS
    assert done.films == FILMS
    assert dict(done.failures) == {
        "damaged.dcm": "The file is neither DICOM nor PNG, JPEG or TIFF. Give the film as it was exported.",
        "unread.dcm": "no reading, and nothing was proposed",
    }
    assert pd.read_csv(done.failures_file)["film"].tolist() == ["damaged.dcm", "unread.dcm"]


def test_a_wrong_row_would_be_seen(films: Path, tmp_path: Path) -> None:
    """The comparison above fails where a single value differs in its last digit."""
    found = pd.read_parquet(run_cohort(films, tmp_path / "out", KEY).table)
    other = found.copy()
    other.loc[other["value"].first_valid_index(), "value"] += 1e-5
    assert cells(found, VALUES) != cells(other, VALUES)


PROFILE = """format = "holdfast-profile"
name = "clinic"
source = "an invented study"

[olecranon.lateral]
placement_mm = 0.9
habit_mm = 0.4
"""


def test_it_is_measured_as_the_export_is_told_to(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """By a profile, a user's thresholds, stated sizes and a store: the rows are those of the same review.

    Each of them tells in the table, so that one that was not passed on would be seen.
    """
    films, readings = tmp_path / "films", tmp_path / "readings"
    films.mkdir()
    readings.mkdir()
    for name in ("2025-03-04-lateral", "2025-03-18-lateral"):
        shutil.copy(samples_folder() / "HF-0001" / f"{name}.dcm", films)
    shutil.copy(samples_folder() / "HF-0001" / "2025-03-18-lateral.reading.json", readings)
    with Store(str(tmp_path / "store.sqlite")) as store:
        store.import_folder(readings)
    profile, limits = tmp_path / "clinic.toml", tmp_path / "limits.toml"
    profile.write_text(PROFILE, encoding="utf-8")
    limits.write_bytes(THRESHOLDS.replace(b'"change"', b'"value"'))
    given = ["--profile", profile, "--thresholds", limits, "--pin-mm", "1.6"]
    given += ["--store", tmp_path / "store.sqlite", "--key", tmp_path / "key", "--workers", "1"]
    command = ["cohort", str(films), "--out", str(tmp_path / "out"), *map(str, given)]
    assert main(command) == DONE
    found = pd.read_parquet(tmp_path / "out" / "values.parquet")
    with Store(str(tmp_path / "store.sqlite")) as store:
        alike = review.review(
            films, {"olecranon": with_thresholds(load_site("olecranon"), limits)}, propose=True,
            kept=store.texts, profiles=load_profiles(profile), sizes={"pin width": 1.6},
        )  # fmt: skip
    names = open_key(tmp_path / "key", tmp_path / "out")
    assert cells(found, VALUES) == cells(pd.DataFrame(value_rows(alike, names)), VALUES)
    assert found["reader_noise"].astype(str).str.contains("own profile").any()
    assert (found["threshold_source"] == "a limit of the user's own").any()
    assert found["scale_source"].astype(str).str.contains("pin").any()
    assert set(found["confirmed"]) == {True, False}
    capsys.readouterr()
    assert main(command) == DONE
    assert "0 measured anew" in capsys.readouterr().out


def test_a_reading_without_its_film_is_told(films: Path, tmp_path: Path) -> None:
    """Nobody is left to think that its values are in the table."""
    (films / "patient0" / "0.dcm").unlink()
    assert ("0.reading.json", NO_FILM) in run_cohort(films, tmp_path / "out", KEY).failures


def test_a_stopped_run_goes_on(films: Path, tmp_path: Path) -> None:
    """After Ctrl-C only what is left is measured, and the table is the same, byte for byte."""

    def stop(progress: Progress) -> None:
        if progress.done == 3:
            raise KeyboardInterrupt

    with pytest.raises(KeyboardInterrupt):
        run_cohort(films, tmp_path / "out", KEY, told=stop)
    assert not (tmp_path / "out" / "values.parquet").exists()
    rest = run_cohort(films, tmp_path / "out", KEY)
    assert rest.new == FILMS + 2 - 3
    again = run_cohort(films, tmp_path / "out", KEY)
    assert again.new == 0
    whole = run_cohort(films, tmp_path / "whole", KEY, workers=2)
    assert table(rest) == table(again) == table(whole)
    assert rest.failures == again.failures == whole.failures


def test_a_killed_run_goes_on(films: Path, tmp_path: Path) -> None:
    """The first process is killed without a word; nothing that was told as done is done again."""
    command = [sys.executable, str(TESTS / "cohort_faults.py"), str(films), str(tmp_path / "out")]
    environment = os.environ | {"PYTHONPATH": f"{TESTS.parent}{os.pathsep}{TESTS}"}
    with subprocess.Popen(command, stdout=subprocess.PIPE, text=True, env=environment) as run:
        assert run.stdout
        told = [run.stdout.readline() for _ in range(2)]
        run.send_signal(signal.SIGKILL)
    assert told == ["1\n", "2\n"]
    rest = run_cohort(films, tmp_path / "out", KEY)
    assert rest.new <= FILMS + 2 - 2
    assert table(rest) == table(run_cohort(films, tmp_path / "whole", KEY))


def test_a_dying_worker_takes_only_its_film(films: Path, tmp_path: Path) -> None:
    """Films that kill their process are named; all others are measured, in one run."""
    for name in ("a-dead", "z-dead"):
        shutil.copy(films / "unread.dcm", films / f"{name}.dcm")
    done = run_cohort(films, tmp_path / "out", KEY, workers=2, measure=die_on_dead)
    assert done.films == FILMS
    said = "the process that measured it died; run again to try it anew"
    assert [reason for name, reason in done.failures if "dead" in name] == [said, said]
    anew = run_cohort(films, tmp_path / "out", KEY)  # with a decoder that no longer crashes
    assert anew.new == 2
    assert table(anew) == table(done)


def test_a_film_that_never_ends_is_given_up(films: Path, tmp_path: Path) -> None:
    """It is named with the time it was given."""
    shutil.copy(films / "unread.dcm", films / "a-slow.dcm")
    done = run_cohort(films, tmp_path / "out", KEY, measure=hang_on_slow, most_seconds=4)
    assert done.films == FILMS
    said = "it took longer than 4 s and was given up; run again to try it anew"
    assert dict(done.failures)["a-slow.dcm"] == said


def test_what_changes_is_measured_anew(
    films: Path, tmp_path: Path, write_film: Callable[..., Path], make_reading: Callable[..., Any]
) -> None:
    """A film added, replaced, removed or read since; and all of them under another setting."""
    out = tmp_path / "out"
    run_cohort(films, out, KEY)
    reading = make_reading(read_film(films / "unread.dcm"))
    save_reading(reading, films / "unread.reading.json")
    assert (run_cohort(films, out, KEY).films, run_cohort(films, out, KEY).new) == (FILMS + 1, 0)
    write_film(films / "added.dcm", 60)
    write_film(films / "damaged.dcm", 61)
    (films / "patient0" / "0.dcm").unlink()
    done = run_cohort(films, out, KEY)
    assert (done.films, done.new) == (FILMS, 2)
    assert run_cohort(films, out, KEY, how=How(propose=False)).new == FILMS + 3 - 1
    assert table(done) == table(run_cohort(films, tmp_path / "whole", KEY))


def test_the_same_film_twice_counts_once(
    films: Path, tmp_path: Path, write_film: Callable[..., Path]
) -> None:
    """And where the two contradict each other it is said."""
    shutil.copy(films / "patient0" / "0.dcm", films / "patient0" / "copy.dcm")
    write_film(films / "z.dcm", 0, PatientID="OTHER")
    done = run_cohort(films, tmp_path / "out", KEY)
    reasons = dict(done.failures)
    assert done.films == FILMS
    assert reasons["patient0/copy.dcm"] == "the same film as patient0/0.dcm; counted once"
    assert "same pixels as patient0/0.dcm, but says another patient" in reasons["z.dcm"]


def test_nobody_is_named(films: Path, tmp_path: Path) -> None:
    """No file that a run writes holds the patients' identifiers or the reader's name."""
    run_cohort(films, tmp_path / "out", KEY)
    written = [path for path in (tmp_path / "out").rglob("*") if path.is_file()]
    assert len(written) >= 3
    for path in written:
        assert b"SECRET" not in path.read_bytes()
        assert b"reader-a" not in path.read_bytes()
    assert b"SECRET0" in (films / "patient0" / "0.dcm").read_bytes()


def test_an_unforeseen_fault_is_one_films_own(films: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Its kind is told, and its words, which may quote the film, are not; the next run tries again."""
    prepare(Settings(films, {}, KEY))

    def fault(path: Path, frame: int | None) -> None:
        raise RuntimeError("Invented^Person")

    monkeypatch.setattr(cohort, "film_at", fault)
    entry = measure_file("damaged.dcm")
    assert entry.problem == "a fault of holdfast's own (RuntimeError); please report it"
    assert entry.stamp == ""


def test_an_empty_folder_is_refused(tmp_path: Path) -> None:
    """There is nothing to measure."""
    with pytest.raises(FilmError, match="No film was found"):
        run_cohort(tmp_path, tmp_path / "out", KEY)


def test_progress_counts_down(films: Path, tmp_path: Path) -> None:
    """Films done rise one by one to all of them; the time left ends at none."""
    told: list[Progress] = []
    run_cohort(films, tmp_path / "out", KEY, told=told.append)
    assert [at.done for at in told] == list(range(1, FILMS + 3))
    assert {at.films for at in told} == {FILMS + 2}
    assert told[-1].failed == 2
    assert told[-1].seconds_left == 0
    assert all(at.seconds_left > 0 for at in told[:-1])


def test_the_command_line(films: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """Tells of films, failures and files; its key may not lie in what is given away."""
    out = tmp_path / "out"
    command = ["cohort", str(films), "--out", str(out), "--workers", "1", "--key"]
    assert main([*command, str(tmp_path / "key")]) == SOME_UNUSED
    said = capsys.readouterr()
    assert f"{FILMS} films in the table, 2 files not used; {FILMS + 2} measured anew." in said.out
    assert f"{FILMS + 2} of {FILMS + 2} films, 2 not used, 0 s left" in said.err
    assert main([*command, str(out / "key")]) == NOTHING_DONE
    assert "Keep it in another folder" in capsys.readouterr().err


def test_a_site_is_told_for_films_that_name_no_body_part(tmp_path: Path) -> None:
    """Without it such a film gives no values; with it those of the same film that names its body part."""
    films, key = tmp_path / "films", tmp_path / "key"
    films.mkdir()
    dataset = pydicom.dcmread(samples_folder() / "HF-0001" / "2025-03-04-lateral.dcm")
    del dataset.BodyPartExamined, dataset.AnatomicRegionSequence
    dataset.save_as(films / "unnamed.dcm")
    command = ["cohort", str(films), "--key", str(key), "--workers", "1", "--out"]
    assert main([*command, str(tmp_path / "untold")]) == NOTHING_DONE
    assert main([*command, str(tmp_path / "told"), "--site", "olecranon"]) == DONE
    found = pd.read_parquet(tmp_path / "told" / "values.parquet")
    alike = review.review(films, propose=True, site="olecranon")
    names = open_key(key, tmp_path / "told")
    assert len(found)
    assert cells(found, VALUES) == cells(pd.DataFrame(value_rows(alike, names)), VALUES)


@pytest.mark.parametrize(
    ("seconds", "words"),
    [
        (0, "0 s left"), (80, "80 s left"), (300, "5 min left"), (3600, "1 h 00 min left"),
        (7500, "2 h 05 min left"), (None, "time left unknown"),
    ],
)  # fmt: skip
def test_time_left_in_words(seconds: float | None, words: str) -> None:
    """As one says it."""
    assert left(seconds) == words
