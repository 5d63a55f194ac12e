"""A seeded reader who reads lists in any way at all, 2,000 times: nothing is lost, or shown, or untrue."""

from __future__ import annotations

import dataclasses
import datetime
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from viewer_films import SHAPE, lateral_truth, make_film

from measure.errors import HoldfastError
from measure.film import Film
from measure.reading import Reading
from measure.reading_list import done_readings, make_list, save_list
from measure.series import measure
from viewer.drafts import Draft, to_reading
from viewer.list_run import ListRun, blinded
from viewer.session import Session

ACTIONS = 2_000
WAIT_DAYS = 14
# What a film says of itself that a blind reader must not know.
IDENTIFYING = ("patient_key", "birth_date", "date", "time", "sop_instance_uid")


class Walker:
    """A reader of lists with a random hand, and what must hold after every action."""

    def __init__(self, folder: Path, seed: int) -> None:
        self.folder, self.rng = folder, np.random.default_rng(seed)
        self.films = [
            dataclasses.replace(
                make_film(n), sop_instance_uid=f"2.25.7{n}", path=f"secret-{n}.dcm",
                birth_date="1950-01-01", time=datetime.time(9, n),
            )
            for n in range(3)
        ]  # fmt: skip
        self.time = datetime.datetime(2026, 3, 2, 9, tzinfo=datetime.UTC)
        self.lists = self.refusals = self.pauses = self.waits = 0
        self.files: dict[Path, bytes] = {}
        self.finished: list[tuple[Draft, Reading]] = []
        self.next_list()

    def next_list(self) -> None:
        """Begin a list: three films, two rounds."""
        self.lists += 1
        self.place_of_list = self.folder / f"list-{self.lists}"
        self.place_of_list.mkdir()
        digests = [film.digest for film in self.films]
        self.plan = make_list(
            digests, ["A"], 2, self.lists, site="olecranon", view="lateral", wait_days=WAIT_DAYS
        )
        save_list(self.plan, self.place_of_list)
        self.sit_down()

    def sit_down(self) -> None:
        """Come to the list anew, as after the window was closed or the power was cut."""
        self.run = ListRun(self.place_of_list, "A", self.films, lambda: self.time)
        self.read_for, self.kept = 0.0, self.on_disk()

    def on_disk(self) -> Draft | None:
        """Return what is kept of the task in hand; None where nothing is."""
        task = self.run.task
        if task is None or not (self.place_of_list / "work" / task.code).exists():
            return None
        film = blinded(self.film, task.code)
        session = Session([film], "olecranon", reader="A", folder=self.place_of_list / "work" / task.code)
        return session.draft

    @property
    def film(self) -> Film:
        """Film of the task in hand, with all that it says of itself."""
        assert self.run.task
        digest = self.plan.digests[self.run.task.film]
        return next(film for film in self.films if film.digest == digest)

    # --- What the reader does ---

    def go_on(self) -> None:
        """Ask for the next film; one that is begun comes back as it was, another comes blank."""
        new = self.run.session is None
        session = self.run.open()
        if new:
            first_of_round = self.run.done == len(self.films)
            early = first_of_round and self.time - self.last < datetime.timedelta(days=WAIT_DAYS)
            assert not early, "the second round begins before its time"
            before = self.kept or Draft("lateral", session.site.axes[0], "A", self.film.laterality)
            assert session.draft == before, "a film came back otherwise than it was left, or not blank"

    def pause(self) -> None:
        self.pauses += not self.run.paused
        self.run.pause()

    def close(self) -> None:
        """Close the window: what was placed so far is on the disk."""
        if self.run.session:
            self.run.session.drop()
            draft = self.run.session.draft
        else:
            draft = self.kept
        self.sit_down()
        if draft and (draft.landmarks or draft.observations):
            assert self.kept == draft, "work was lost when the window closed"

    def wait(self) -> None:
        seconds = float(self.rng.integers(1, 100))
        self.time += datetime.timedelta(seconds=seconds)
        self.read_for += 0.0 if self.run.paused else seconds

    def come_back(self) -> None:
        """Come back after the time that has to lie between two rounds; the film is laid aside so long."""
        self.pause()
        self.waits += bool(self.run.why_wait())
        self.time += datetime.timedelta(days=WAIT_DAYS)

    def finish(self) -> None:
        run, task, session = self.run, self.run.task, self.run.session
        state = run.done, session.draft if session else None
        try:
            record = run.finish()
        except HoldfastError:
            session = run.session
            assert (run.done, session.draft if session else None) == state, "a refusal changed something"
            raise
        assert task is not None
        assert session is not None
        assert (record.code, record.round, record.number) == (task.code, task.round, task.number)
        assert record.seconds == self.read_for, "the time is not that for which the film was open"
        readings = {done.code: reading for done, reading in done_readings(self.place_of_list, self.plan)[0]}
        self.finished.append((session.draft, readings[task.code]))
        self.check_reading(session, readings[task.code])
        for path in self.place_of_list.glob("readings/*"):
            self.files.setdefault(path, path.read_bytes())
        self.read_for, self.kept, self.last = 0.0, None, self.time

    def check_reading(self, session: Session, saved: Reading) -> None:
        """See that the reading is of its own film, holds what was placed, and gives the room's numbers."""
        film = next(film for film in self.films if film.digest == saved.film_digest)
        assert saved.landmarks == session.draft.landmarks, "the reading is not what was placed"
        assert saved.observations == session.draft.observations
        fresh = measure(film, saved)
        assert fresh.scale == session.measured(0).scale
        assert fresh.measurements == session.measured(0).measurements, "the numbers of the blind film differ"

    def answer_all(self) -> None:
        """Place all that is open about where it is, as a reader in earnest does."""
        session, truth = self.session, lateral_truth()
        while name := session.active:
            if name not in truth:
                session.absent()
                continue
            spread = np.linspace(0, len(truth[name]) - 1, session.view.landmark[name].points[0])
            for point in truth[name][spread.round().astype(int)]:
                session.place(tuple(point + self.rng.normal(0, 1, 2)))
            if session.active == name:
                session.confirm()

    def place(self) -> None:
        self.session.place(tuple(self.rng.uniform(0, np.array(SHAPE) - 1)))

    def drag(self) -> None:
        """Move a point; the button may still be down when the next action comes."""
        self.session.drag(self.name(), 0, tuple(self.rng.uniform(0, np.array(SHAPE) - 1)))
        if self.rng.random() < 0.7:
            self.session.drop()

    def skip(self) -> None:
        self.session.skip("metal hides it", self.name())

    def clear(self) -> None:
        self.session.clear(self.name())

    def undo(self) -> None:
        for _ in range(self.rng.integers(1, 6)):
            self.session.undo()

    def redo(self) -> None:
        self.session.redo()

    def name(self) -> str:
        return str(self.rng.choice([row.name for row in self.session.view.landmarks]))

    @property
    def session(self) -> Session:
        """The film on the screen; HoldfastError where none is, as nobody can then click on it."""
        if self.run.paused or self.run.session is None:
            raise HoldfastError("No film is shown.")
        return self.run.session

    def act(self) -> None:
        actions = ["go_on"] * 5 + ["place"] * 5 + ["wait"] * 3 + ["answer_all"] * 2 + ["finish"] * 3 + [
            "pause", "close", "come_back", "drag", "skip", "clear", "undo", "redo",
        ]  # fmt: skip
        try:
            getattr(self, str(self.rng.choice(actions)))()
        except HoldfastError:
            self.refusals += 1
        if self.run.task is None:
            self.next_list()

    # --- What must hold ---

    def check(self) -> None:
        run, session = self.run, self.run.session
        assert run.done == sum(path.parent.parent == self.place_of_list for path in self.files) // 2
        assert all(path.exists() for path in self.files)
        if session is None or run.task is None:
            return
        (film,) = session.films  # nothing of another visit can stand beside it
        assert all(getattr(film, name) is None for name in IDENTIFYING), "the film says whose it is or when"
        assert (film.path, film.warnings) == (run.task.code, ())
        assert film.digest == self.film.digest, "another film than the task's is shown"
        assert not session.is_finished(0)
        assert not session.troubles
        assert all(word not in run.words() for word in ("INV-1", "2026", "secret"))

    def check_numbers(self) -> None:
        session = self.run.session
        if session:
            fresh = measure(session.film, to_reading(session.draft, session.film, session.site))
            assert session.measured(0).measurements == fresh.measurements


def test_random_walk_through_lists(tmp_path: Path) -> None:
    """2,000 actions: next, pause, go on, finish, close, and all that is done on a film in between."""
    walker = Walker(tmp_path, 3)
    for step in range(ACTIONS):
        walker.act()
        walker.check()
        if step % 20 == 0:
            walker.check_numbers()
    assert walker.lists > 3
    assert len(walker.finished) > 20
    assert min(walker.pauses, walker.waits) > 5
    assert 50 < walker.refusals < ACTIONS * 2 / 3
    assert all(path.read_bytes() == content for path, content in walker.files.items())


def forgets_the_date(film: Film, code: str) -> Film:
    return dataclasses.replace(blinded(film, code), date=film.date)


def walk(folder: Path) -> None:
    """Walk until something is noticed."""
    walker = Walker(folder, 3)
    for _ in range(ACTIONS):
        walker.act()
        walker.check()


def test_the_walk_notices_a_film_that_says_too_much(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """A film that keeps its date does not pass."""
    monkeypatch.setattr("viewer.list_run.blinded", forgets_the_date)
    with pytest.raises(AssertionError, match="whose it is or when"):
        walk(tmp_path)


def test_the_walk_notices_a_first_reading_that_comes_back(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A runner that shows a film's earlier reading in the next round does not pass."""
    honest, seen = Session.__init__, {}

    def remembering(self: Session, films: list[Film], *arguments: Any, **options: Any) -> None:
        honest(self, films, *arguments, **options)
        before = seen.get(films[0].digest)
        if before is not None and before is not self and not self.draft.landmarks:
            self._drafts[0] = before.draft
        seen[films[0].digest] = self

    monkeypatch.setattr(Session, "__init__", remembering)
    with pytest.raises(AssertionError, match="not blank"):
        walk(tmp_path)


def test_the_walk_notices_work_that_is_lost(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """A session that does not keep its last step does not pass."""
    monkeypatch.setattr(Session, "_keep", lambda self, number: None)
    with pytest.raises(AssertionError, match="work was lost"):
        walk(tmp_path)


def test_the_walk_notices_a_round_without_a_wait(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """A runner that does not wait between the rounds does not pass."""
    monkeypatch.setattr(ListRun, "why_wait", lambda self: "")
    with pytest.raises(AssertionError, match="before its time"):
        walk(tmp_path)


def test_the_walk_notices_time_that_runs_on(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """A clock that runs on while the film is laid aside does not pass."""
    monkeypatch.setattr(ListRun, "pause", lambda self: None)
    with pytest.raises(AssertionError, match="not that for which"):
        walk(tmp_path)
