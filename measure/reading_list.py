"""Reading lists: which film each reader of an agreement study reads when, and what has been read.

A list is one folder: `list.json`, made once and never changed, and for each task done a reading and a record
of when it was read. It holds no name, date or path of a film, only digests of pixels; a reader is shown the
code number of a task, which is another each time a film comes again.
"""

from __future__ import annotations

import datetime
import json
import uuid
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import asdict, dataclass
from pathlib import Path
from typing import Any

import numpy as np

from measure.errors import ReadingError, StudyError
from measure.files import whole_file
from measure.film import Film
from measure.reading import SUFFIX, Reading, checksum, load_reading, save_reading
from measure.sites import load_site

LIST_FORMAT, RECORD_FORMAT, VERSION = "holdfast-reading-list", "holdfast-reading-record", 1
LIST_NAME, READINGS_FOLDER, RECORD_SUFFIX = "list.json", "readings", ".record.json"
WAIT_DAYS = 14  # from the end of a round to the next; common practice, no source
MOST_TASKS = 9000  # each has a code number of four digits
BURNED_IN = "burned-in annotation"


@dataclass(frozen=True)
class ListedFilm:
    """A film of the study: its label in the tables, and the digest by which it is found again."""

    label: str
    digest: str


@dataclass(frozen=True)
class Task:
    """One film to be read once by one reader: `number` is its place in the reader's order, from 1."""

    code: str
    reader: str
    number: int
    round: int
    film: str


@dataclass(frozen=True)
class Record:
    """That a task was done: which reading, in which sitting, when, and how long it was open on the screen."""

    list_uid: str
    code: str
    reader: str
    number: int
    round: int
    reading_uid: str
    sitting: str
    started: str
    finished: str
    seconds: float

    @property
    def uid(self) -> str:
        """What names it: a task is recorded once."""
        return f"{self.list_uid}:{self.code}"


@dataclass(frozen=True)
class ReadingList:
    """The plan of an agreement study of one site and view."""

    title: str
    site: str
    view: str
    seed: int
    wait_days: int
    films: tuple[ListedFilm, ...]
    tasks: tuple[Task, ...]
    made: str
    uid: str

    @property
    def readers(self) -> tuple[str, ...]:
        """Readers in their order."""
        return tuple(dict.fromkeys(task.reader for task in self.tasks))

    @property
    def repeats(self) -> int:
        """How often each reader reads each film."""
        return max(task.round for task in self.tasks)

    @property
    def digests(self) -> Mapping[str, str]:
        """Film's digest by its label."""
        return {film.label: film.digest for film in self.films}

    def tasks_of(self, reader: str) -> tuple[Task, ...]:
        """Return a reader's tasks in order; StudyError, naming the readers, where there are none."""
        found = tuple(task for task in self.tasks if task.reader == reader)
        if not found:
            raise StudyError(
                f"Reader {reader!r} is not on this list. Its readers are: {', '.join(self.readers)}."
            )
        return found


# --- Making ---


def choose_films(
    films: Iterable[Film], view: str, count: int | None, seed: int
) -> tuple[list[Film], list[str]]:
    """Choose films of one view, so many at random if `count` says so; and what is to be said of the choice.

    A film that may have writing burned in is left out: it could not be read blind. The same pixels twice
    count once.
    """
    by_digest = {film.digest: film for film in films}
    of_view = [film for _, film in sorted(by_digest.items()) if film.view == view]
    usable = [film for film in of_view if BURNED_IN not in film.warnings]
    notes = []
    blank = "with writing burned in, so not blind: blank it first (holdfast deidentify)"
    for left, why in (
        (len(by_digest) - len(of_view), f"of another view than {view}, or of none that is stated"),
        (len(of_view) - len(usable), blank),
    ):
        if left:
            notes.append(f"{left} films left out: {why}")
    if count is not None and count < len(usable):
        chosen = np.random.default_rng([seed, 0]).choice(len(usable), count, replace=False)
        usable = [usable[i] for i in sorted(chosen)]
    elif count is not None and count > len(usable):
        notes.append(f"{count} films were wanted, {len(usable)} are there")
    patients = {film.patient_key for film in usable}
    if None not in patients and len(patients) < len(usable):
        notes.append(
            f"{len(usable)} films of {len(patients)} patients: films of one patient are alike, and intervals "
            "will be narrower than they should be"
        )
    return usable, notes


def check_apart(folder: Path, films: Path) -> None:
    """Raise StudyError where a list would lie among the films, whose review would take its readings up."""
    if folder.resolve().is_relative_to(films.resolve()):
        raise StudyError(
            f"The list {folder.name!r} would lie among the films, and its readings would be taken for the "
            "clinic's. Give it a folder elsewhere."
        )


def make_list(
    digests: Sequence[str],
    readers: Sequence[str],
    repeats: int,
    seed: int,
    *,
    site: str,
    view: str,
    title: str = "",
    wait_days: int = WAIT_DAYS,
) -> ReadingList:
    """Plan who reads which film when: every reader every film `repeats` times, in random order.

    A round holds every film once. It has two blocks; each block keeps its films from round to round in a
    new order, so that at least half of all films (rounded down) come between two readings of one. The
    same seed gives the same order.

    Raises StudyError with every problem at once.
    """
    _check_plan(digests, readers, repeats, site, view)
    rng = np.random.default_rng([seed, 1])
    labels = [f"film-{number:0{len(str(len(digests)))}d}" for number in range(1, len(digests) + 1)]
    films = tuple(ListedFilm(label, digest) for label, digest in zip(labels, digests, strict=True))
    codes = iter(rng.permutation(MOST_TASKS)[: len(labels) * len(readers) * repeats] + 1000)
    tasks = []
    for reader in readers:
        blocks = np.array_split(rng.permutation(len(labels)), 2)
        order = [
            (turn, int(film))
            for turn in range(1, repeats + 1)
            for block in blocks
            for film in rng.permutation(block)
        ]
        tasks += [
            Task(str(next(codes)), reader, number, turn, labels[film])
            for number, (turn, film) in enumerate(order, start=1)
        ]
    made = datetime.datetime.now(datetime.UTC).isoformat(timespec="seconds")
    return ReadingList(
        title or f"{site}, {view}", site, view, seed, wait_days, films, tuple(tasks), made, str(uuid.uuid4())
    )


def _check_plan(digests: Sequence[str], readers: Sequence[str], repeats: int, site: str, view: str) -> None:
    problems = []
    if view not in load_site(site).views:
        problems.append(f"{site} has no view {view!r} (it has {', '.join(load_site(site).views)})")
    if len(digests) < 2:
        problems.append(f"agreement needs two films or more; there are {len(digests)}")
    if len(set(digests)) < len(digests):
        problems.append("a film is there twice")
    if not readers or len(set(readers)) < len(readers) or not all(name.strip() for name in readers):
        problems.append("readers need a name each, no two the same")
    if repeats < 1 or (len(readers) < 2 and repeats < 2):
        problems.append("agreement needs two readers, or one reader who reads every film twice")
    if len(digests) * len(readers) * max(repeats, 1) > MOST_TASKS:
        problems.append(f"more than {MOST_TASKS} readings")
    if problems:
        raise StudyError(f"No list was made: {'; '.join(problems)}.")


# --- Keeping ---


def save_list(plan: ReadingList, folder: Path) -> Path:
    """Write a list into a new folder of its own. Raises StudyError where one is there already."""
    return _save(LIST_FORMAT, plan, folder / LIST_NAME)


def load_list(folder: Path) -> ReadingList:
    """Read the list of a folder; StudyError where there is none or it was changed."""
    content = _load(LIST_FORMAT, folder / LIST_NAME)
    try:
        films = tuple(ListedFilm(**film) for film in content.pop("films"))
        tasks = tuple(Task(**task) for task in content.pop("tasks"))
        plan = ReadingList(**content, films=films, tasks=tasks)
    except (KeyError, TypeError) as error:
        raise StudyError(f"The reading list lacks or misnames an entry: {error}.") from None
    if not plan.tasks or any(task.film not in plan.digests for task in plan.tasks):
        raise StudyError("The reading list has no task, or a task of a film that it does not list.")
    return plan


def save_done(folder: Path, reading: Reading, record: Record) -> None:
    """Keep a reading with the record of its task; neither is ever overwritten.

    The record comes last: a task counts as done once both are there. Raises HoldfastError where a file
    exists or cannot be written.
    """
    if reading.uid != record.reading_uid or reading.reader != record.reader:
        raise StudyError("The record names another reading or reader. This is a fault; report it.")
    path = _done_path(folder, record.code, SUFFIX)
    if path.exists() and not _done_path(folder, record.code, RECORD_SUFFIX).exists():
        path.unlink()  # half of a task that a crash cut off
    save_reading(reading, path)
    _save(RECORD_FORMAT, record, _done_path(folder, record.code, RECORD_SUFFIX))


def _done_path(folder: Path, code: str, suffix: str) -> Path:
    return folder / READINGS_FOLDER / f"{code}{suffix}"


def records(folder: Path) -> tuple[list[Record], list[tuple[str, str]]]:
    """Every record of a folder by its tasks' codes, and name and fault of each file that is none."""
    found, problems = [], []
    for path in sorted((folder / READINGS_FOLDER).glob(f"*{RECORD_SUFFIX}")):
        try:
            found.append(load_record(path))
        except StudyError as error:
            problems.append((path.name, str(error)))
    return found, problems


def load_record(path: Path) -> Record:
    """Read one record. Raises StudyError."""
    return _record(_load(RECORD_FORMAT, path))


def record_from(text: str) -> Record:
    """Read one record from its JSON text. Raises StudyError."""
    return _record(_body(RECORD_FORMAT, text, "The record"))


def record_text(record: Record) -> str:
    """Return a record as its JSON text."""
    return _text(RECORD_FORMAT, record)


def _record(content: Mapping[str, Any]) -> Record:
    try:
        return Record(**content)
    except TypeError as error:
        raise StudyError(f"The record lacks or misnames an entry: {error}.") from None


def done_readings(
    folder: Path, plan: ReadingList
) -> tuple[list[tuple[Task, Reading]], list[tuple[str, str]]]:
    """Every task that is done, with its reading; and name and fault of whatever cannot be used."""
    tasks = {task.code: task for task in plan.tasks}
    kept, problems = records(folder)
    found = []
    for record in kept:
        path = _done_path(folder, record.code, SUFFIX)
        try:
            task = _task_of(record, plan, tasks)
            reading = load_reading(path)
            _check_reading(reading, record, plan.digests[task.film], plan)
            found.append((task, reading))
        except (ReadingError, StudyError) as error:
            problems.append((path.name, str(error)))
    return found, problems


def _task_of(record: Record, plan: ReadingList, tasks: Mapping[str, Task]) -> Task:
    task = tasks.get(record.code)
    if record.list_uid != plan.uid or task is None:
        raise StudyError("The record belongs to another reading list.")
    if (record.reader, record.round) != (task.reader, task.round):
        raise StudyError("The record names another reader or round than the list does.")
    return task


def _check_reading(reading: Reading, record: Record, digest: str, plan: ReadingList) -> None:
    wanted = (record.reading_uid, record.reader, digest, plan.site, plan.view)
    made = (reading.uid, reading.reader, reading.film_digest, reading.site, reading.view)
    words = ("reading", "reader", "film", "site table", "view")
    if differing := [word for word, a, b in zip(words, wanted, made, strict=True) if a != b]:
        raise StudyError(f"The reading is of another {', '.join(differing)} than its task.")


def _save(kind: str, content: ReadingList | Record, path: Path) -> Path:
    try:
        with whole_file(path, replace=False) as file:
            file.write(_text(kind, content))
    except FileExistsError:
        raise StudyError(
            f"{path.name} is there already and is never overwritten. Choose another folder."
        ) from None
    except OSError as error:
        raise StudyError(f"{path.name} cannot be written: {error.strerror}. Choose another folder.") from None
    return path


def _text(kind: str, content: ReadingList | Record) -> str:
    body: dict[str, Any] = {"format": kind, "version": VERSION, **asdict(content)}
    return json.dumps(body | {"checksum": checksum(body)}, indent=1, ensure_ascii=False) + "\n"


def _load(kind: str, path: Path) -> dict[str, Any]:
    try:
        return _body(kind, path.read_text(encoding="utf-8"), path.name)
    except OSError as error:
        raise StudyError(f"{path.name} cannot be read: {error.strerror}. Check the folder.") from None
    except UnicodeDecodeError:
        raise StudyError(f"{path.name} is no text. Restore it from a copy.") from None


def _body(kind: str, text: str, name: str) -> dict[str, Any]:
    """Entries of a list or record, once its format and checksum are seen to fit."""
    try:
        body = json.loads(text)
    except (ValueError, RecursionError):
        raise StudyError(f"{name} is not valid JSON. Restore it from a copy.") from None
    if not isinstance(body, dict) or (body.get("format"), body.get("version")) != (kind, VERSION):
        raise StudyError(f"{name} is no {kind} of version {VERSION}. Check the folder.")
    if body.get("checksum") != checksum(body):
        raise StudyError(f"{name} was changed after it was made. Restore it from a copy.")
    return {key: value for key, value in body.items() if key not in ("format", "version", "checksum")}
