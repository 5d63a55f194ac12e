"""Reading lists: random by a stated seed, blind, repeats apart, kept whole."""

from __future__ import annotations

import dataclasses
import itertools
import json
import shutil
from collections.abc import Callable
from pathlib import Path

import pytest

from measure.errors import StudyError
from measure.film import Film
from measure.reading import Reading
from measure.reading_list import (
    LIST_NAME,
    READINGS_FOLDER,
    ReadingList,
    Record,
    check_apart,
    choose_films,
    done_readings,
    load_list,
    make_list,
    records,
    save_done,
    save_list,
)
from measure.store import Store

DIGESTS = [f"sha256:{number:064x}" for number in range(9)]


def plan_of(digests: list[str] = DIGESTS, repeats: int = 3, seed: int = 5) -> ReadingList:
    return make_list(digests, ["A", "B"], repeats, seed, site="olecranon", view="lateral", title="trial")


def done(
    plan: ReadingList, film: Film, make_reading: Callable[..., Reading], number: int = 0
) -> tuple[Reading, Record]:
    """Read the list's task of that number on a film."""
    task = plan.tasks[number]
    reading = make_reading(film, reader=task.reader)
    times = "2031-06-01T09:00:00+00:00", "2031-06-01T09:03:00+00:00", 170.0
    return reading, Record(
        plan.uid, task.code, task.reader, task.number, task.round, reading.uid, "sitting", *times
    )


@pytest.fixture
def trial(make_film: Callable[..., Film]) -> tuple[ReadingList, Film]:
    """List of two films, and the film of its first task."""
    films = [make_film(number) for number in (1, 2)]
    plan = plan_of([film.digest for film in films])
    return plan, next(film for film in films if film.digest == plan.digests[plan.tasks[0].film])


def test_every_reader_reads_every_film_each_round() -> None:
    """Each round of a reader is all films once, in an order of its own."""
    plan = plan_of()
    for reader in plan.readers:
        tasks = plan.tasks_of(reader)
        assert [task.number for task in tasks] == list(range(1, 28))
        rounds = [[task.film for task in tasks if task.round == turn] for turn in (1, 2, 3)]
        assert all(sorted(order) == sorted(plan.digests) for order in rounds)
        assert rounds[0] != rounds[1]


def test_repeats_are_apart() -> None:
    """At least half of the films come between two readings of one."""
    for seed in range(20):
        for reader in ("A", "B"):
            order = [task.film for task in plan_of(seed=seed).tasks_of(reader)]
            for film in set(order):
                places = [place for place, name in enumerate(order) if name == film]
                assert min(b - a - 1 for a, b in itertools.pairwise(places)) >= 4


def test_the_seed_makes_the_order() -> None:
    """The same seed gives the same tasks, another gives others; readers differ."""
    assert plan_of().tasks == plan_of().tasks
    assert plan_of(seed=6).tasks != plan_of().tasks
    plan = plan_of()
    assert [t.film for t in plan.tasks_of("A")] != [t.film for t in plan.tasks_of("B")]


def test_codes_do_not_tell_a_film_again() -> None:
    """Each task has a code number of its own, which does not follow the order."""
    codes = [task.code for task in plan_of().tasks]
    assert len(set(codes)) == len(codes)
    assert all(len(code) == 4 and code.isdigit() for code in codes)
    assert codes != sorted(codes)


def test_a_list_names_nothing_of_a_film(tmp_path: Path, make_film: Callable[..., Film]) -> None:
    """No patient, date, UID or file name is in it, only digests."""
    films = [make_film(number, day=number, path=f"smith-{number}.dcm") for number in (1, 2)]
    text = save_list(plan_of([film.digest for film in films]), tmp_path).read_text(encoding="utf-8")
    for film in films:
        assert film.digest in text
        for known in (film.patient_key, str(film.date), film.sop_instance_uid, film.name):
            assert f'"{known}"' not in text


def test_there_and_back(tmp_path: Path) -> None:
    """A list is read as it was made, and never overwritten."""
    plan = plan_of()
    save_list(plan, tmp_path)
    assert load_list(tmp_path) == plan
    with pytest.raises(StudyError, match="never overwritten"):
        save_list(plan, tmp_path)


def test_a_list_that_was_changed(tmp_path: Path) -> None:
    """One changed letter, other JSON and no file are refused in words."""
    path = save_list(plan_of(), tmp_path)
    text = path.read_text(encoding="utf-8")
    for wrong, words in (
        (text.replace('"A"', '"C"'), "changed after"),
        ("{", "JSON"),
        ("{}", "is no holdfast-reading-list"),
    ):
        path.write_text(wrong, encoding="utf-8")
        with pytest.raises(StudyError, match=words):
            load_list(tmp_path)
    with pytest.raises(StudyError, match="cannot be read"):
        load_list(tmp_path / "none")


def test_plans_that_make_no_sense() -> None:
    """Every problem is named at once."""
    with pytest.raises(StudyError, match=r"no view 'odd'.*two films.*name each.*two readers"):
        make_list(DIGESTS[:1], ["A", " "], 0, 1, site="olecranon", view="odd")
    with pytest.raises(StudyError, match="two readers, or one reader who reads every film twice"):
        make_list(DIGESTS, ["A"], 1, 1, site="olecranon", view="lateral")
    with pytest.raises(StudyError, match="there twice"):
        make_list([*DIGESTS, DIGESTS[0]], ["A", "B"], 1, 1, site="olecranon", view="lateral")


def test_a_reader_who_is_not_on_the_list() -> None:
    """The readers there are get named."""
    with pytest.raises(StudyError, match="Its readers are: A, B"):
        plan_of().tasks_of("Z")


def test_films_are_chosen(make_film: Callable[..., Film]) -> None:
    """Other views and films with writing burned in are left out and counted; the seed draws a number."""
    films = [make_film(number, patient_key=f"P{number}") for number in range(6)]
    others = [make_film(7, view="ap"), make_film(8, warnings=("burned-in annotation",))]
    found, notes = choose_films([*films, films[0], *others], "lateral", None, 1)
    assert {film.digest for film in found} == {film.digest for film in films}
    assert any("of another view" in note for note in notes)
    assert any("burned in" in note for note in notes)
    drawn = [film.digest for film in choose_films(films, "lateral", 3, 1)[0]]
    assert len(drawn) == 3
    assert drawn == [film.digest for film in choose_films(films[::-1], "lateral", 3, 1)[0]]
    assert any("9 films were wanted, 6 are there" in note for note in choose_films(films, "lateral", 9, 1)[1])


def test_films_of_one_patient_are_told(make_film: Callable[..., Film]) -> None:
    """Films that are alike make intervals too narrow: said before the study, not after."""
    assert any(
        "2 films of 1 patients" in note
        for note in choose_films([make_film(1), make_film(2)], "lateral", None, 1)[1]
    )


def test_a_list_among_the_films(tmp_path: Path) -> None:
    """A review would take the study's readings for the clinic's."""
    with pytest.raises(StudyError, match="would lie among the films"):
        check_apart(tmp_path / "study", tmp_path)
    check_apart(tmp_path / "study", tmp_path / "films")


def test_a_task_that_is_done(
    tmp_path: Path, trial: tuple[ReadingList, Film], make_reading: Callable[..., Reading]
) -> None:
    """Its reading and record come back; neither is overwritten."""
    plan, film = trial
    reading, record = done(plan, film, make_reading)
    save_done(tmp_path, reading, record)
    found, problems = done_readings(tmp_path, plan)
    assert not problems
    assert [(task.code, one.uid) for task, one in found] == [(record.code, reading.uid)]
    assert records(tmp_path)[0] == [record]
    again = dataclasses.replace(reading, uid="another")
    with pytest.raises(ValueError, match="never overwritten"):
        save_done(tmp_path, again, dataclasses.replace(record, reading_uid="another"))


def test_half_a_task_does_not_count(
    tmp_path: Path, trial: tuple[ReadingList, Film], make_reading: Callable[..., Reading]
) -> None:
    """A reading without its record (a crash between the two) is no task done, and may be done again."""
    plan, film = trial
    reading, record = done(plan, film, make_reading)
    save_done(tmp_path, reading, record)
    (tmp_path / READINGS_FOLDER / f"{record.code}.record.json").unlink()
    assert done_readings(tmp_path, plan) == ([], [])
    save_done(tmp_path, reading, record)
    assert len(done_readings(tmp_path, plan)[0]) == 1


def test_a_reading_that_is_not_its_tasks(
    tmp_path: Path,
    trial: tuple[ReadingList, Film],
    make_film: Callable[..., Film],
    make_reading: Callable[..., Reading],
) -> None:
    """Another film, another list, or a changed record is named and not used."""
    plan, film = trial
    other = make_film(9)
    reading, record = done(plan, other, make_reading)
    save_done(tmp_path / "film", reading, record)
    assert "of another film" in done_readings(tmp_path / "film", plan)[1][0][1]
    reading, record = done(plan, film, make_reading)
    save_done(tmp_path / "list", reading, dataclasses.replace(record, list_uid="other"))
    assert "another reading list" in done_readings(tmp_path / "list", plan)[1][0][1]
    save_done(tmp_path / "changed", reading, record)
    path = tmp_path / "changed" / READINGS_FOLDER / f"{record.code}.record.json"
    content = json.loads(path.read_text(encoding="utf-8")) | {"round": 2}
    path.write_text(json.dumps(content), encoding="utf-8")
    assert "changed after" in done_readings(tmp_path / "changed", plan)[1][0][1]


def test_a_record_of_another_reading(
    tmp_path: Path, trial: tuple[ReadingList, Film], make_reading: Callable[..., Reading]
) -> None:
    """It is refused before anything is written."""
    plan, film = trial
    reading, record = done(plan, film, make_reading)
    with pytest.raises(StudyError, match="another reading or reader"):
        save_done(tmp_path, reading, dataclasses.replace(record, reader="B"))
    assert not (tmp_path / LIST_NAME).exists()
    assert not list(tmp_path.rglob("*.json"))


def test_a_study_comes_back_out_of_a_store(
    tmp_path: Path, trial: tuple[ReadingList, Film], make_reading: Callable[..., Reading]
) -> None:
    """What a store exports of a study is its list's folder again, once list.json lies there."""
    plan, film = trial
    study, out = tmp_path / "study", tmp_path / "out"
    save_list(plan, study)
    save_done(study, *done(plan, film, make_reading))
    with Store(tmp_path / "readings.sqlite") as store:
        store.import_folder(study)
        store.import_records(study)
        assert store.export_folder(out) == store.export_records(out) == (1, ())
    again = out / plan.uid
    shutil.copy(study / LIST_NAME, again)
    assert load_list(again) == plan
    assert done_readings(again, plan) == done_readings(study, plan)
    assert len(done_readings(again, plan)[0]) == 1
