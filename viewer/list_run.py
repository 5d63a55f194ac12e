"""One reader's way through a reading list: what is next, pause and resume, and what is kept. No Qt.

A film is shown without its patient, date, file and earlier readings; each task has a working reading of its
own, so that nothing of a film read before comes back with it.
"""

from __future__ import annotations

import dataclasses
import datetime
import uuid
from collections.abc import Callable, Iterable
from pathlib import Path

from measure.errors import HoldfastError, ReadingError, StudyError
from measure.film import Film
from measure.reading import Reading
from measure.reading_list import Record, Task, done_readings, load_list, records, save_done
from viewer.drafts import to_reading
from viewer.hand_over import store_place
from viewer.session import Session

WORK_FOLDER = "work"
ALL_READ = "All films of this list are read."


def utc_now() -> datetime.datetime:
    """Return the time of day, in UTC."""
    return datetime.datetime.now(datetime.UTC)


def blinded(film: Film, code: str) -> Film:
    """Return a film that says nothing of whose it is, when it was taken or which file it is."""
    return dataclasses.replace(
        film,
        patient_key=None,
        birth_date=None,
        date=None,
        time=None,
        sop_instance_uid=None,
        warnings=(),
        path=code,
    )


class ListRun:
    """A reader's tasks of a list, one after the other.

    Parameters
    ----------
    folder
        The list's folder, where readings and records are kept.
    reader
        One of the list's readers.
    films
        Films of any folder; those of the list are found by their pixels.
    now
        Tells the time.

    `troubles` is what could not be read or kept, in words. Raises StudyError where the list cannot be used,
    the reader is not on it, or a film is missing.
    """

    def __init__(
        self, folder: Path, reader: str, films: Iterable[Film], now: Callable[[], datetime.datetime] = utc_now
    ) -> None:
        self.folder, self.reader, self._now = folder, reader, now
        self.plan = load_list(folder)
        self.tasks = self.plan.tasks_of(reader)
        self._films = {film.digest: film for film in films}
        if missing := [film.label for film in self.plan.films if film.digest not in self._films]:
            raise StudyError(
                f"{len(missing)} of {len(self.plan.films)} films of the list are not in this folder "
                f"({', '.join(missing)}). Open the folder that the list was made of."
            )
        found, problems = done_readings(folder, self.plan)
        self.troubles = [f"{name}: {words}" for name, words in problems]
        self._done = {task.code for task, _ in found}
        self.sitting = str(uuid.uuid4())
        self.session: Session | None = None
        self._started: datetime.datetime | None = None
        self._running: datetime.datetime | None = None  # since when, unless it is paused
        self._seconds = 0.0

    # --- Where it stands ---

    @property
    def task(self) -> Task | None:
        """The task in hand: the first that is not done; None where all are."""
        return next((task for task in self.tasks if task.code not in self._done), None)

    @property
    def done(self) -> int:
        """How many tasks of the reader are done."""
        return sum(task.code in self._done for task in self.tasks)

    @property
    def paused(self) -> bool:
        """Whether the task in hand is laid aside."""
        return self._running is None

    def words(self) -> str:
        """Say where the reader is: 'Film 7 of 24 · 4127'; the code is all that names the film."""
        task = self.task
        return f"Film {task.number} of {len(self.tasks)} · {task.code}" if task else ALL_READ

    def why_wait(self) -> str:
        """Say until when the next round waits; nothing where it does not."""
        task = self.task
        before = [
            r
            for r in records(self.folder)[0]
            if task and (r.reader, r.round) == (self.reader, task.round - 1)
        ]
        if (
            not before
            or task is None
            or any(t.round == task.round and t.code in self._done for t in self.tasks)
        ):
            return ""
        ended = max(datetime.datetime.fromisoformat(record.finished) for record in before)
        begins = ended + datetime.timedelta(days=self.plan.wait_days)
        if self._now() >= begins:
            return ""
        return (
            f"Round {task.round} begins on {begins.date().isoformat()}, {self.plan.wait_days} days after the "
            "last reading of the round before. Come back then."
        )

    # --- Reading ---

    def open(self) -> Session:
        """Open the task in hand, or go on with it after a pause, with what was placed of it before.

        Raises StudyError where all is read or the next round has to wait.
        """
        task = self.task
        if task is None:
            raise StudyError(ALL_READ)
        if words := self.why_wait():
            raise StudyError(words)
        if self.session is None:
            film = blinded(self._films[self.plan.digests[task.film]], task.code)
            self.session = Session(
                [film], self.plan.site, reader=self.reader, view=self.plan.view,
                folder=self.folder / WORK_FOLDER / task.code,
            )  # fmt: skip
            self._started, self._seconds = self._now(), 0.0
        if self.paused:
            self._running = self._now()
        return self.session

    def pause(self) -> None:
        """Lay the film aside; its working reading is kept, and its time stands still."""
        if self._running is not None:
            self._seconds += (self._now() - self._running).total_seconds()
            self._running = None

    def finish(self) -> Record:
        """Keep the reading in hand and go on to the next task; every landmark must be answered.

        Raises ReadingError, naming what is open, and StudyError where nothing is open or it cannot be kept.
        """
        task, session = self.task, self.session
        if task is None or session is None or self._started is None:
            raise StudyError("No film of the list is open.")
        if self.paused:
            raise ReadingError("The reading is paused. Go on with it first.")
        session.drop()
        if words := session.checklist.unanswered():
            raise ReadingError(f"{words} Place each, or answer that it cannot be seen and why.")
        self.pause()
        film = self._films[self.plan.digests[task.film]]
        reading = to_reading(dataclasses.replace(session.draft, reader=self.reader), film, session.site)
        record = Record(
            self.plan.uid, task.code, task.reader, task.number, task.round, reading.uid, self.sitting,
            self._started.isoformat(timespec="seconds"), self._now().isoformat(timespec="seconds"),
            round(self._seconds, 1),
        )  # fmt: skip
        save_done(self.folder, reading, record)
        if session.store:
            session.store.drop(session.film)
        self._done.add(task.code)
        self.session = None
        self._keep_in_store(reading, record)
        return record

    def _keep_in_store(self, reading: Reading, record: Record) -> None:
        """Keep reading and record in the store too, if one is chosen; the folder has them already."""
        place = store_place()
        if not place:
            return
        try:
            from measure.store import Store

            with Store(place) as store:
                store.save(reading)
                store.save_records([record])
        except (HoldfastError, ImportError) as error:
            self.troubles.append(f"The reading is kept in the list's folder, but not in the store: {error}")
