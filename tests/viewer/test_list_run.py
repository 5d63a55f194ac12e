"""A reader's way through a reading list: blind, in order, paused and resumed, kept."""

from __future__ import annotations

import dataclasses
import datetime
from collections.abc import Callable
from pathlib import Path

import pytest
from viewer_films import Truth, make_film

from measure.errors import ReadingError, StudyError
from measure.film import Film
from measure.reading_list import ReadingList, done_readings, make_list, records, save_list
from measure.store import Store
from viewer.list_run import ListRun, blinded
from viewer.session import Session

PlaceAll = Callable[[Session, Truth], int]


class Clock:
    """A clock that stands still until it is told to go on."""

    def __init__(self) -> None:
        self.time = datetime.datetime(2026, 3, 2, 9, tzinfo=datetime.UTC)

    def __call__(self) -> datetime.datetime:
        return self.time

    def wait(self, **span: float) -> None:
        self.time += datetime.timedelta(**span)


@pytest.fixture
def films() -> list[Film]:
    """Three films, each with a UID."""
    return [dataclasses.replace(make_film(seed), sop_instance_uid=f"2.25.{seed}") for seed in range(3)]


@pytest.fixture
def clock() -> Clock:
    return Clock()


@pytest.fixture
def plan(films: list[Film], tmp_path: Path) -> ReadingList:
    """List of three films, two readers and two rounds, kept in the test's folder."""
    made = make_list([film.digest for film in films], ["A", "B"], 2, 4, site="olecranon", view="lateral")
    save_list(made, tmp_path)
    return made


@pytest.fixture
def run(plan: ReadingList, films: list[Film], tmp_path: Path, clock: Clock) -> ListRun:
    return ListRun(tmp_path, "A", films, clock)


def test_nothing_identifying_is_shown(run: ListRun) -> None:
    """The film says neither patient nor date nor file nor UID; the code is all that names it."""
    film = run.open().film
    said = (film.patient_key, film.birth_date, film.date, film.time, film.sop_instance_uid, film.warnings)
    assert said == (None, None, None, None, None, ())
    assert run.task
    assert film.name == run.task.code
    assert run.words() == f"Film 1 of 6 · {run.task.code}"


def test_a_blinded_film_is_the_same_film() -> None:
    """Pixels, scale and view are what they were."""
    film = make_film(1)
    blind = blinded(film, "1234")
    assert (blind.digest, blind.spacing, blind.view) == (film.digest, film.spacing, film.view)


def test_the_whole_list(
    run: ListRun, plan: ReadingList, truth: Truth, place_all: PlaceAll, clock: Clock, tmp_path: Path
) -> None:
    """Films come in the list's order; every reading is kept with its sitting, order and time."""
    order = []
    while run.task:
        if run.why_wait():
            clock.wait(days=14)
        order.append(run.task.code)
        place_all(run.open(), truth)
        clock.wait(seconds=90)
        run.finish()
    assert order == [task.code for task in plan.tasks_of("A")]
    found, problems = done_readings(tmp_path, plan)
    assert not problems
    assert {task.reader for task, _ in found} == {"A"}
    assert len(found) == 6
    kept = sorted(records(tmp_path)[0], key=lambda record: record.number)
    assert [record.number for record in kept] == [1, 2, 3, 4, 5, 6]
    assert {record.sitting for record in kept} == {run.sitting}
    assert {record.seconds for record in kept} == {90.0}
    assert {reading.sop_instance_uid for _, reading in found} == {"2.25.0", "2.25.1", "2.25.2"}
    assert run.words() == "All films of this list are read."
    with pytest.raises(StudyError, match="All films"):
        run.open()


def test_a_film_comes_back_without_its_first_reading(
    run: ListRun, truth: Truth, place_all: PlaceAll, clock: Clock
) -> None:
    """In the second round nothing is placed, proposed or known of the first."""
    for _ in range(3):
        place_all(run.open(), truth)
        run.finish()
    clock.wait(days=15)
    assert not run.open().draft.landmarks


def test_the_second_round_waits(
    run: ListRun, films: list[Film], truth: Truth, place_all: PlaceAll, clock: Clock, tmp_path: Path
) -> None:
    """It begins 14 days after the first has ended, also in another sitting, and then goes on at once."""
    for _ in range(3):
        place_all(run.open(), truth)
        run.finish()
    again = ListRun(tmp_path, "A", films, clock)
    with pytest.raises(StudyError, match="Round 2 begins on 2026-03-16"):
        again.open()
    clock.wait(days=14)
    place_all(again.open(), truth)
    again.finish()
    assert not again.why_wait()
    assert ListRun(tmp_path, "B", films, clock).why_wait() == ""


def test_pause_and_resume(run: ListRun, truth: Truth, place_all: PlaceAll, clock: Clock) -> None:
    """Time stands still while it is paused, and nothing can be finished."""
    place_all(run.open(), truth)
    clock.wait(seconds=30)
    run.pause()
    clock.wait(hours=5)
    with pytest.raises(ReadingError, match="paused"):
        run.finish()
    run.open()
    clock.wait(seconds=10)
    assert run.finish().seconds == 40.0


def test_the_store_keeps_session_and_order(
    run: ListRun, truth: Truth, place_all: PlaceAll, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A store that is chosen holds the reading and its record; one that fails is told, and loses nothing."""
    place = tmp_path / "readings.sqlite"
    monkeypatch.setenv("HOLDFAST_STORE", str(place))
    place_all(run.open(), truth)
    record = run.finish()
    with Store(place, new=False) as store:
        assert store.records(run.plan.uid) == [record]
        assert [kept.uid for kept in store.find()] == [record.reading_uid]
    monkeypatch.setenv("HOLDFAST_STORE", "mysql://elsewhere/store")
    place_all(run.open(), truth)
    run.finish()
    assert run.done == 2
    assert "kept in the list's folder, but not in the store" in run.troubles[0]


def test_a_sitting_that_was_cut_off(
    run: ListRun, films: list[Film], truth: Truth, clock: Clock, tmp_path: Path
) -> None:
    """The next sitting goes on where this one stopped, with what was placed of the film."""
    session = run.open()
    name = session.active
    assert name
    session.place(tuple(truth[name][0]))
    again = ListRun(tmp_path, "A", films, clock)
    assert again.task == run.task
    assert set(again.open().draft.landmarks) == {name}
    assert again.sitting != run.sitting


def test_everything_must_be_answered(run: ListRun, tmp_path: Path) -> None:
    """A reading with open landmarks is not kept, and the open ones are named."""
    run.open()
    with pytest.raises(ReadingError, match="landmarks are not answered"):
        run.finish()
    assert records(tmp_path)[0] == []
    assert not run.paused


def test_lists_that_cannot_be_run(plan: ReadingList, films: list[Film], tmp_path: Path) -> None:
    """A reader who is not on it, films that are not there, and a folder without a list are told."""
    with pytest.raises(StudyError, match="Its readers are: A, B"):
        ListRun(tmp_path, "C", films)
    with pytest.raises(StudyError, match=r"2 of 3 films of the list are not in this folder"):
        ListRun(tmp_path, "A", films[:1])
    with pytest.raises(StudyError, match="cannot be read"):
        ListRun(tmp_path / "elsewhere", "A", films)
    assert plan
