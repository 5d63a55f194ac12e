"""A whole folder tree of films measured at once: Parquet tables, and a list of what gave no values.

Each film is measured by itself, with its readings or else with what the program proposes: every film's
latest reading counts as used, also where a case would rest on another film of that day. Films are worked
on in several processes, or on a Dask cluster; a journal keeps what is done, so that a run that was stopped
goes on and a run that is repeated does nothing twice. The tables are written at the end from the journal in
order of the films' paths: they are the same whoever measured what, and when.
"""

from __future__ import annotations

import datetime
import functools
import hashlib
import itertools
import json
import time
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Any

from measure import __version__
from measure.crew import Cluster, Crew, Failed
from measure.errors import FilmError, HoldfastError, ReadingError
from measure.export import write_table
from measure.files import whole_path
from measure.film import Film, search
from measure.flags import find_flags
from measure.journal import Entry, Journal
from measure.profiles import Profiles
from measure.pseudonym import Pseudonyms
from measure.reading import NO_FILM, SUFFIX, load_reading
from measure.research_export import (
    DATE,
    OBSERVATIONS,
    VALUES,
    Row,
    arrow_table,
    observation_rows,
    value_rows,
)
from measure.review import NO_PROFILES, Problem, Review, by_others, film_at, measured, proposed
from measure.series import Case
from measure.sites import Site

AT_A_TIME = 2_000  # films written to the table together
NOTHING = "no reading, and nothing was proposed"
TWIN = (
    "It has the same pixels as {}, but says another patient, side, view or date; only that one was used. "
    "Find out which is right and remove the other."
)
FAILURES = ("film", "reason")
TABLES = {"values": VALUES, "observations": OBSERVATIONS}


@dataclass(frozen=True)
class How:
    """How films are measured; each as `measure.review.review` takes it.

    Parameters
    ----------
    propose
        Whether films without a reading are measured by proposals, each value marked as not confirmed.
    frame
        Which frame to take of films that hold several, from 1.
    sites
        Site tables by name in place of those that come with holdfast, such as with a user's thresholds.
    profiles
        Measured uncertainties by site and view.
    sizes
        True diameters in mm by kind of scale, looked for on films that are measured by proposals.
    site
        The site of films without a reading whose file does not name the body part. They are else left alone.
    """

    propose: bool = True
    frame: int | None = None
    sites: Mapping[str, Site] = field(default_factory=dict)
    profiles: Profiles = field(default_factory=lambda: NO_PROFILES)
    sizes: Mapping[str, float] = field(default_factory=dict)
    site: str | None = None


@dataclass(frozen=True)
class Settings:
    """What every worker needs.

    Parameters
    ----------
    folder
        Where the films lie; each is named by its path from there.
    readings
        Digest of a film to its readings: uid to file.
    pseudonyms
        By whose key patients, readers, UIDs and dates are replaced before anything is kept.
    """

    folder: Path
    readings: Mapping[str, Mapping[str, Path]]
    pseudonyms: Pseudonyms = field(repr=False)
    how: How = How()

    @functools.cached_property
    def stamp(self) -> str:
        """What, beside its file and readings, decides a film's outcome."""
        said = (__version__, self.how, self.pseudonyms.name("key", "of this run"))
        return hashlib.sha256(repr(said).encode()).hexdigest()[:16]

    def readings_of(self, digest: str) -> str:
        """Which readings a film has, by their uids: a reading never changes. Empty where it has none."""
        uids = sorted(self.readings.get(digest, ()))
        return hashlib.sha256(repr(uids).encode()).hexdigest()[:16] if uids else ""


@dataclass(frozen=True)
class Progress:
    """How far a run is; `seconds_left` is None until it can be told."""

    done: int
    films: int
    failed: int
    seconds_left: float | None


@dataclass(frozen=True)
class Done:
    """What a run gave: files, films in the table, failures (path and reason), films measured this time."""

    table: Path
    observations: Path
    failures_file: Path
    films: int
    failures: tuple[tuple[str, str], ...]
    new: int


# --- In a worker ---

_settings: Settings | None = None


def prepare(settings: Settings) -> None:
    """Set up a worker: the settings, and one thread for each, since every core has a worker of its own."""
    global _settings
    import cv2

    cv2.setNumThreads(1)
    _settings = settings


def measure_file(path: str) -> Entry:
    """Measure one film, by its path from the folder. Whatever is wrong becomes the entry's problem."""
    if _settings is None:
        raise RuntimeError("prepare was not called")
    entry = Entry(path)
    try:
        entry = replace(entry, stamp=_stamp(_settings, path))
        film = film_at(_settings.folder / path, _settings.how.frame)
        entry = replace(entry, digest=film.digest, said=_said(film, _settings.pseudonyms))
        entry = replace(entry, readings=_settings.readings_of(film.digest))
        return replace(entry, rows=_rows(_measured(film, _settings), _settings.pseudonyms))
    except HoldfastError as error:
        return replace(entry, problem=str(error))
    except Exception as error:  # one film must not stop the others; its words may hold the file's
        kind = type(error).__name__
        return replace(entry, stamp="", problem=f"a fault of holdfast's own ({kind}); please report it")


def _stamp(settings: Settings, path: str) -> str:
    status = (settings.folder / path).stat()
    return f"{status.st_size} {status.st_mtime_ns} {settings.stamp}"


def _said(film: Film, pseudonyms: Pseudonyms) -> str:
    words = (film.patient_key, film.laterality, film.view, film.date)
    return pseudonyms.name("said", repr(words))


def _measured(film: Film, settings: Settings) -> Review:
    """Measure a film by all its readings, as a review of it alone."""
    readings = [load_reading(path) for path in settings.readings.get(film.digest, {}).values()]
    how = settings.how
    if readings:
        used = measured(film, readings, profiles=how.profiles)
        problems: list[Problem] = []
        others = tuple(by_others(film, readings, used.reading, problems, how.profiles))
    else:
        found = proposed(film, how.sizes, how.site) if how.propose else None
        if found is None:
            raise ReadingError(NOTHING)
        used, others, problems = found, (), []
    case = Case((used,), ())
    flags = find_flags(case, how.sites.get(used.reading.site), used)
    return Review((case,), ((flags,),), (), tuple(problems), (), others)


def _rows(review: Review, pseudonyms: Pseudonyms) -> str:
    """Rows of each table, and readings that could not be used, as JSON."""
    made = {"values": value_rows(review, pseudonyms), "observations": observation_rows(review, pseudonyms)}
    content: dict[str, Any] = {
        name: [{column.name: row.get(column.name) for column in TABLES[name]} for row in rows]
        for name, rows in made.items()
    }
    content["problems"] = [problem.message for problem in review.problems]
    return json.dumps(content, default=datetime.date.isoformat, separators=(",", ":"))


# --- In the first process ---


def run_cohort(
    folder: Path,
    out: Path,
    pseudonyms: Pseudonyms,
    *,
    workers: int = 1,
    cluster: str | None = None,
    how: How = How(),
    readings: Sequence[Path] = (),
    told: Callable[[Progress], None] = lambda progress: None,
    measure: Callable[[str], Entry] = measure_file,
    most_seconds: float = 300.0,
) -> Done:
    """Measure every film under a folder.

    Parameters
    ----------
    out
        Folder of `values.parquet`, `observations.parquet`, `failures.csv` and `working/`, which holds the
        journal.
    pseudonyms
        Of a key that is kept: another key makes it another run.
    workers, cluster
        Processes of this computer; or the address of a Dask scheduler, whose workers see the same paths.
    how
        How films are measured; another way makes it another run.
    readings
        Other folders to look for readings in, beside the films'.
    told
        Told of the progress after each film.
    measure, most_seconds
        What is done with each film, and how long that may take.

    Raises FilmError where the folder holds no film, HoldfastError where `out` cannot be written.
    """
    found = search(folder)
    if not found.films:
        raise FilmError(f"No film was found under {folder.name!r}.")
    index, unusable = _index(folder, *readings)
    settings = Settings(folder.resolve(), index, pseudonyms, how)
    paths = [path.relative_to(folder).as_posix() for path in found.films]
    crew_of = functools.partial(Cluster, cluster) if cluster else Crew
    crew: Crew[str, Entry] = crew_of(measure, prepare, settings, workers=workers, most_seconds=most_seconds)
    with Journal(out / "working" / "journal.sqlite") as journal:
        todo = _todo(journal, settings, paths)
        for path, outcome in _tracked(crew.each(todo), len(paths), len(todo), told):
            journal.add(_entry(path, outcome))
        unseen = _without_film(journal, settings)
        return _finish(journal, out, (*found.refused, *unusable, *unseen), len(todo))


def _index(*folders: Path) -> tuple[dict[str, dict[str, Path]], list[tuple[str, str]]]:
    """Find readings, by their film's digest and their uid, and name and fault of each that is unusable."""
    index: dict[str, dict[str, Path]] = {}
    problems = []
    for path in sorted(path.resolve() for folder in folders for path in folder.rglob(f"*{SUFFIX}")):
        try:
            reading = load_reading(path)
        except ReadingError as error:
            problems.append((path.name, str(error)))
            continue
        index.setdefault(reading.film_digest, {})[reading.uid] = path
    return index, problems


def _without_film(journal: Journal, settings: Settings) -> list[tuple[str, str]]:
    """Name and fault of each reading beside the films that belongs to none of them."""
    seen = {digest for _, _, digest, _ in journal.known()}
    unseen = [
        path for digest, mine in settings.readings.items() if digest not in seen for path in mine.values()
    ]
    return [(path.name, NO_FILM) for path in unseen if path.is_relative_to(settings.folder)]


def _todo(journal: Journal, settings: Settings, paths: Iterable[str]) -> list[str]:
    """Films whose outcome is not known as they are now; what is known of others is forgotten."""
    present = dict.fromkeys(paths)
    known, gone = set(), set()
    for path, stamp, digest, readings in journal.known():
        if path not in present:
            gone.add(path)
        elif stamp == _stamp(settings, path) and readings == settings.readings_of(digest):
            known.add(path)
    journal.forget(gone)
    return [path for path in present if path not in known]


def _entry(path: str, outcome: Entry | Failed) -> Entry:
    if isinstance(outcome, Entry):
        return outcome
    return Entry(path, problem=f"{outcome.reason}; run again to try it anew")


def _tracked(
    each: Iterable[tuple[str, Entry | Failed]], films: int, todo: int, told: Callable[[Progress], None]
) -> Iterator[tuple[str, Entry | Failed]]:
    """Tell of the progress; the time left is by what this run has done so far."""
    started, failed = time.monotonic(), 0
    for done, (path, outcome) in enumerate(each, start=1):
        yield path, outcome
        failed += isinstance(outcome, Failed) or bool(outcome.problem)
        left = (time.monotonic() - started) / done * (todo - done)
        told(Progress(films - todo + done, films, failed, left))


def _finish(journal: Journal, out: Path, problems: Iterable[tuple[str, str]], new: int) -> Done:
    """Write the tables and the list of failures from the journal."""
    failures = list(problems)
    try:
        tables = {name: _table(journal, out, name) for name in TABLES}
        films = 0
        for entry in _singled(journal.entries(), failures):
            films += 1
            failures += ((entry.path, words) for words in json.loads(entry.rows)["problems"])
        listed = ({"film": name, "reason": reason} for name, reason in failures)
        written = write_table(out / "failures.csv", FAILURES, listed)
    except OSError as error:
        raise HoldfastError(
            f"The tables could not be written to {out.name!r}: {error.strerror}. Free some space, or choose "
            "another folder; what was measured is kept in the journal."
        ) from None
    return Done(tables["values"], tables["observations"], written, films, tuple(failures), new)


def _table(journal: Journal, out: Path, name: str) -> Path:
    """Write one table, some films at a time."""
    from pyarrow import parquet

    path, columns = out / f"{name}.parquet", TABLES[name]
    schema = arrow_table(columns, []).schema
    dates = [column.name for column in columns if column.kind == DATE]
    with whole_path(path) as part, parquet.ParquetWriter(part, schema) as writer:
        entries = _singled(journal.entries(), [])
        while some := list(itertools.islice(entries, AT_A_TIME)):
            rows = (row for entry in some for row in json.loads(entry.rows)[name])
            writer.write_table(arrow_table(columns, [_dated(row, dates) for row in rows]))
    return path


def _singled(entries: Iterable[Entry], failures: list[tuple[str, str]]) -> Iterator[Entry]:
    """Entries with rows, each film once; of the others the reasons go to `failures`."""
    seen: dict[str, tuple[str, str]] = {}
    for entry in entries:
        here = (entry.path, entry.said)
        path, said = seen.setdefault(entry.digest, here) if entry.digest else here
        if entry.problem:
            failures.append((entry.path, entry.problem))
        elif said != entry.said:
            failures.append((entry.path, TWIN.format(path)))
        elif path != entry.path:
            failures.append((entry.path, f"the same film as {path}; counted once"))
        else:
            yield entry


def _dated(row: Row, dates: Sequence[str]) -> Row:
    """Turn dates that JSON holds as text back into dates."""
    return row | {name: datetime.date.fromisoformat(str(row[name])) for name in dates if row.get(name)}
