"""The main job over a folder: films and readings in, cases with changes and flags out."""

from __future__ import annotations

import dataclasses
import datetime
import functools
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path

from measure.contrast import fracture_contrast
from measure.errors import FilmError, HoldfastError, ReadingError, SeveralFramesError
from measure.film import Film, Found, read_film, search
from measure.flags import Flag, find_flags
from measure.healing import Healing, healing_of_cases
from measure.profiles import Profiles
from measure.reading import Reading, check_film, from_json, load_readings, standing, without_film
from measure.scale import doubts, scales_for, why_no_scale
from measure.series import Case, MeasuredFilm, group, measure
from measure.sites import Site, load_site, site_names

NO_READING = "has no reading"  # said of a film that a case lacks
NO_CASES = "Nothing was written: no reading was found with its film. Place landmarks first."

OWN = "{} files are reports or drawings that holdfast wrote; they are no films"

NO_PROFILES: Profiles = {}
MOST_FRAMES = 12  # of one file; a radiograph with more is a cine run, not a film
Track = Callable[[Sequence[Path]], Iterable[Path]]
Kept = Callable[[Film], Iterable[str]]
Said = tuple[str | None, str | None, str | None, datetime.date | None]  # patient, side, view, date


@dataclass(frozen=True)
class Unread:
    """A film for which there is no reading: what can be said without one."""

    name: str
    patient_key: str | None = field(repr=False)
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
    """All that a folder gave; `flags` are those of each film of each case, in their order.

    `others` are the films as measured by the readings that no case rests on: those of other readers,
    those corrected since, and those of a film that another of the same day stands for.
    """

    cases: tuple[Case, ...]
    flags: tuple[tuple[tuple[Flag, ...], ...], ...]
    unread: tuple[Unread, ...]
    problems: tuple[Problem, ...]
    notes: tuple[str, ...]
    others: tuple[MeasuredFilm, ...] = ()

    @functools.cached_property
    def healing(self) -> tuple[tuple[Healing, ...], ...]:
        """What was graded by eye at the visit of each film of each case, in their order."""
        return healing_of_cases(self.cases)


def review(
    folder: Path,
    sites: Mapping[str, Site] | None = None,
    track: Track = iter,
    frame: int | None = None,
    propose: bool = False,
    kept: Kept = lambda film: (),
    profiles: Profiles = NO_PROFILES,
    sizes: Mapping[str, float] | None = None,
    site: str | None = None,
) -> Review:
    """Read, measure, compare and flag every film under a folder.

    Parameters
    ----------
    folder
        Searched at any depth for films and `*.reading.json` files; or one film.
    sites
        Site tables by name in place of those that come with holdfast, such as with a user's thresholds.
    track
        Wraps the list of films to show progress.
    frame
        Which frame to take of films that hold several, from 1. Without it, those frames that have a reading.
    propose
        Measure films without a reading by what the program proposes on them, marked as such. Not for
        anything that leaves the screen or the tables: a reader has confirmed none of it.
    sizes
        With `propose`: true diameters in mm by kind of scale (`measure.propose.propose`).
    site
        With `propose`: the site of films whose file does not name the body part. They are else left alone.
    kept
        Gives the JSON texts of the readings of a film that are kept elsewhere, such as `Store.texts`.
        One that is in the folder too counts once.
    profiles
        Measured uncertainties by site and view, in place of the site's own.

    Raises FilmError where the folder does not exist or holds no film.
    """
    found = _films(folder)
    notes = [OWN.format(len(found.own))] if found.own else []
    filed, unusable = load_readings(folder)
    problems = [Problem(*each) for each in (*found.refused, *unusable)]
    films: list[MeasuredFilm] = []
    others: list[MeasuredFilm] = []
    unread: list[Unread] = []
    seen: dict[str, tuple[str, Said]] = {}

    def is_read(film: Film) -> bool:
        return film.digest in filed or any(True for _ in kept(film))

    for film in _read(track(found.films), frame, is_read, problems):
        try:
            if first := _repeated(film, seen):
                notes.append(f"{film.name}: the same film as {first}; counted once")
                continue
            mine = [reading for _, reading in filed.get(film.digest, ())]
            if mine := [*mine, *_kept(film, kept, problems)]:
                films.append(with_contrast(film, measured(film, mine, notes, profiles)))
                others += by_others(film, mine, films[-1].reading, problems, profiles)
            elif propose and (found_out := proposed(film, sizes, site)):
                films.append(found_out)
                notes.append(f"{film.name}: no reading; its values rest on proposals, to be confirmed")
            else:
                unread.append(_unread(film))
        except HoldfastError as error:
            problems.append(Problem(film.name, str(error)))
    if folder.is_dir():
        problems += [Problem(*each) for each in without_film(filed, seen)]
    cases, left_out = group(_telling_of(unread, films))
    flags = tuple(_flags(case, sites or {}) for case in cases)
    used = {film.reading.uid for case in cases for film in case.films}
    others += [film for film in films if film.reading.uid not in used]
    return Review(cases, flags, tuple(unread), tuple(problems), (*notes, *left_out), tuple(others))


def _flags(case: Case, sites: Mapping[str, Site]) -> tuple[tuple[Flag, ...], ...]:
    return tuple(find_flags(case, sites.get(film.reading.site), film) for film in case.films)


def _films(folder: Path) -> Found:
    if not folder.exists():
        raise FilmError(f"There is no folder or film {folder.name!r} at the path given. Check the path.")
    found = search(folder) if folder.is_dir() else Found((folder,))
    if not found.films:
        left_out = "".join(f" {name}: {why}" for name, why in found.refused)
        raise FilmError(
            f"No film was found under {folder.name!r}. Expected DICOM files (*.dcm or without an extension), "
            f"PNG, JPEG or TIFF images.{left_out}"
        )
    return found


def _read(
    paths: Iterable[Path], frame: int | None, is_read: Callable[[Film], bool], problems: list[Problem]
) -> Iterator[Film]:
    """Give every film, and of a file with several frames the one asked for, else each that has a reading."""
    for path in paths:
        try:
            yield film_at(path, frame)
        except SeveralFramesError as several:
            chosen = [film for film in _frames(path, several.count) if is_read(film)]
            yield from chosen
            if not chosen:
                problems.append(Problem(path.name, str(several)))
        except HoldfastError as error:
            problems.append(Problem(path.name, str(error)))


def _frames(path: Path, count: int) -> Iterator[Film]:
    for number in range(1, min(count, MOST_FRAMES) + 1):
        try:
            yield read_film(path, frame=number)
        except FilmError:  # what is wrong with a frame that nobody read does not matter
            continue


def film_at(path: Path, frame: int | None) -> Film:
    """Read a film; the frame is that of films that hold several, and says nothing to the others."""
    try:
        return read_film(path)
    except SeveralFramesError:
        if frame is None:
            raise
        return read_film(path, frame=frame)


def _telling_of(unread: Iterable[Unread], films: Iterable[MeasuredFilm]) -> list[MeasuredFilm]:
    """Return the films; the one before an unread film tells of it, lest it pass for the last visit.

    Where none is before, the first after it does, lest it pass for the index film.
    """
    films = list(films)
    for missed in unread:
        alike = [number for number, film in enumerate(films) if _of_one_case(film, missed)]
        before = [number for number in alike if _date(films[number]) < _date(missed)]
        if not alike:
            continue
        told = (
            max(before, key=lambda n: _date(films[n]))
            if before
            else min(alike, key=lambda n: _date(films[n]))
        )
        # Without its file's name, which may hold the patient's: a note goes into the clinic's report.
        also = " and is not among the visits" if before else ", so the index film here is not the first"
        note = f"a film of {missed.date} {NO_READING}{also}"
        films[told] = dataclasses.replace(films[told], notes=(*films[told].notes, note))
    return films


def _of_one_case(film: MeasuredFilm, missed: Unread) -> bool:
    """Whether an unread film may belong to a measured film's case, at another visit."""
    return bool(
        film.patient_key
        and film.patient_key == missed.patient_key
        and missed.laterality in (film.laterality, None)
        and missed.view in (film.view.name, None)
        and film.date
        and missed.date
        and film.date != missed.date
    )


def _date(film: MeasuredFilm | Unread) -> datetime.date:
    return film.date or datetime.date.min


def _kept(film: Film, kept: Kept, problems: list[Problem]) -> Iterator[Reading]:
    """Give the readings of a film that are kept elsewhere; one that cannot be used is named by its film."""
    for text in kept(film):
        try:
            reading = from_json(text)
            check_film(reading, film)
            yield reading
        except ReadingError as error:
            problems.append(Problem(film.name, f"a reading in the store: {error}"))


def _repeated(film: Film, seen: dict[str, tuple[str, Said]]) -> str | None:
    """Return the name of an earlier file with this film's pixels, if any.

    Raises FilmError where that file says another patient, side, view or date: one of them is wrong.
    """
    said = (film.patient_key, film.laterality, film.view, film.date)
    if film.digest not in seen:
        seen[film.digest] = (film.name, said)
        return None
    name, first = seen[film.digest]
    if first != said:
        words = ("patient", "side", "view", "date")
        differing = [word for word, one, other in zip(words, first, said, strict=True) if one != other]
        raise FilmError(
            f"It has the same pixels as {name}, but says another {' and '.join(differing)}. One of the two "
            f"is labelled wrongly; only {name} was used. Find out which is right and remove the other."
        )
    return name


def measured(
    film: Film, readings: Iterable[Reading], notes: list[str] | None = None, profiles: Profiles = NO_PROFILES
) -> MeasuredFilm:
    """Measure a film with the latest of its readings that no other supersedes; what is told goes to notes."""
    valid = standing(readings)
    latest = valid[-1]
    if len(valid) > 1 and notes is not None:
        which = f"the latest, by {latest.reader} at {latest.time}, is used"
        notes.append(f"{film.name}: {len(valid)} readings stand; {which}")
    check_film(latest, film)
    return measure(film, latest, profiles.get((latest.site, latest.view)))


def with_contrast(film: Film, found: MeasuredFilm) -> MeasuredFilm:
    """Add the contrast of the fracture line, which takes longer than all else that is measured."""
    contrast = fracture_contrast(film, found.reading, found.scale, found.profile)
    return dataclasses.replace(found, contrast=contrast)


def by_others(
    film: Film,
    readings: Iterable[Reading],
    used: Reading,
    problems: list[Problem],
    profiles: Profiles = NO_PROFILES,
) -> Iterator[MeasuredFilm]:
    """Measure a film with each of its readings but the one used."""
    for reading in {reading.uid: reading for reading in readings if reading.uid != used.uid}.values():
        try:
            check_film(reading, film)
            yield measure(film, reading, profiles.get((reading.site, reading.view)))
        except ReadingError as error:
            problems.append(Problem(film.name, f"a reading by {reading.reader}: {error}"))


def proposed(
    film: Film, sizes: Mapping[str, float] | None = None, site: str | None = None
) -> MeasuredFilm | None:
    """Measure a film by what the program proposes on it; None where that gives no value.

    Nothing is proposed but on films of a site whose table says so. site: that of a film whose file does not
    name the body part. Raises SiteError where there is none of that name.
    """
    sites = [load_site(name) for name in (site_names() if film.body_part else filter(None, [site]))]
    # A coded body part has more words: "elbow joint".
    fitting = [one for one in sites if one.proposes and one.region in (film.body_part or one.region).split()]
    if len(fitting) != 1:
        return None
    from measure.propose import proposed_reading  # image processing is slow to load

    made = proposed_reading(film, fitting[0], sizes)
    if made is None:
        return None
    reading, notes = made
    found = measure(film, reading)
    if not any(m.quantity for m in found.measurements):
        return None
    return dataclasses.replace(found, notes=(*found.notes, *notes))


def _unread(film: Film) -> Unread:
    scales = scales_for(film, "unread")
    scale = scales[0].text() if scales else f"none: {why_no_scale(film.spacing)}"
    notes = (*film.warnings, *doubts(film.spacing))
    return Unread(film.name, film.patient_key, film.laterality, film.view, film.date, scale, notes)
