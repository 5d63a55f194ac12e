"""The main job over a folder: films and readings in, cases with changes and flags out."""

from __future__ import annotations

import datetime
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path

from measure.errors import FilmError, HoldfastError, ReadingError
from measure.film import Film, find_films, read_film
from measure.flags import Flag, find_flags
from measure.reading import SUFFIX, Reading, check_film, load_reading
from measure.scale import scales_for, why_no_scale
from measure.series import Case, MeasuredFilm, group, measure
from measure.sites import Site

Track = Callable[[Sequence[Path]], Iterable[Path]]


@dataclass(frozen=True)
class Unread:
    """A film for which there is no reading: what can be said without one."""

    name: str
    patient_key: str | None
    laterality: str | None
    view: str | None
    date: datetime.date | None
    scale: str
    notes: tuple[str, ...]


@dataclass(frozen=True)
class Problem:
    """A file that could not be used, and why."""

    name: str
    message: str


@dataclass(frozen=True)
class Review:
    """All that a folder gave."""

    cases: tuple[Case, ...]
    flags: tuple[tuple[Flag, ...], ...]
    unread: tuple[Unread, ...]
    problems: tuple[Problem, ...]
    notes: tuple[str, ...]


def review(folder: Path, sites: Mapping[str, Site] | None = None, track: Track = iter) -> Review:
    """Read, measure, compare and flag every film under a folder.

    Parameters
    ----------
    folder
        Searched at any depth for films and `*.reading.json` files; or one film.
    sites
        Site tables by name in place of those that come with holdfast, such as with a user's thresholds.
    track
        Wraps the list of films to show progress.

    Raises FilmError where the folder does not exist or holds no film.
    """
    paths = _films(folder)
    problems: list[Problem] = []
    readings = _readings(folder, problems)
    films: list[MeasuredFilm] = []
    unread: list[Unread] = []
    notes: list[str] = []
    seen: dict[str, str] = {}
    for path in track(paths):
        try:
            film = read_film(path)
            if film.digest in seen:
                notes.append(f"{film.name}: the same pixels as {seen[film.digest]}; counted once")
                continue
            seen[film.digest] = film.name
            mine = readings.pop(film.digest, ())
            if mine:
                films.append(_measured(film, mine, notes))
            else:
                unread.append(_unread(film))
        except HoldfastError as error:
            problems.append(Problem(path.name, str(error)))
    problems += [
        Problem(path.name, "belongs to a film that is not in this folder (no film has its digest)")
        for rest in readings.values()
        for path, _ in rest
    ]
    cases, left_out = group(films)
    flags = tuple(find_flags(case, (sites or {}).get(case.current.reading.site)) for case in cases)
    return Review(cases, flags, tuple(unread), tuple(problems), (*notes, *left_out))


def _films(folder: Path) -> list[Path]:
    if not folder.exists():
        raise FilmError(f"There is no folder or film {folder.name!r} at the path given. Check the path.")
    paths = find_films(folder) if folder.is_dir() else [folder]
    if not paths:
        raise FilmError(
            f"No film was found under {folder.name!r}. Expected DICOM files (*.dcm or without an extension), "
            "PNG, JPEG or TIFF images."
        )
    return paths


def _readings(folder: Path, problems: list[Problem]) -> dict[str, list[tuple[Path, Reading]]]:
    """Every usable reading under the folder, by the digest of its film."""
    found: dict[str, list[tuple[Path, Reading]]] = {}
    where = folder if folder.is_dir() else folder.parent
    for path in sorted(where.rglob(f"*{SUFFIX}")):
        try:
            reading = load_reading(path)
        except ReadingError as error:
            problems.append(Problem(path.name, str(error)))
            continue
        found.setdefault(reading.film_digest, []).append((path, reading))
    return found


def _measured(film: Film, readings: Sequence[tuple[Path, Reading]], notes: list[str]) -> MeasuredFilm:
    """Measure a film with the latest of its readings that no other supersedes."""
    superseded = {reading.supersedes for _, reading in readings}
    standing = [reading for _, reading in readings if reading.uid not in superseded] or [r for _, r in readings]
    latest = max(standing, key=lambda reading: datetime.datetime.fromisoformat(reading.time))
    if len(standing) > 1:
        notes.append(f"{film.name}: {len(standing)} readings stand; the latest ({latest.time}) is used")
    check_film(latest, film)
    return measure(film, latest)


def _unread(film: Film) -> Unread:
    scales = scales_for(film, "unread")
    scale = scales[0].text() if scales else f"none: {why_no_scale(film.spacing)}"
    return Unread(film.name, film.patient_key, film.laterality, film.view, film.date, scale, film.warnings)
