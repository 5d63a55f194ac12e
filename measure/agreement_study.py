"""A study of agreement: its readings measured, and laid out as tables by film, reader and repeat.

Readings come from a reading list, or from any folder where several readers read the same films; then a
reader's readings of a film are repeats in order of time. A value counts only where the reader confirmed
every landmark it rests on.
"""

from __future__ import annotations

import dataclasses
import json
import re
from collections import Counter, defaultdict
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from measure.agreement import (
    READER,
    SERIAL,
    WITHIN,
    Components,
    Estimate,
    Ratings,
    components,
    square_root,
)
from measure.errors import HoldfastError, StudyError
from measure.film import Film, read_film, search
from measure.geometry import axis_frame
from measure.measurements import Measurement
from measure.profiles import LEAST, Profiles
from measure.reading import CONFIRMED, Reading, check_film, load_readings, standing
from measure.reading_list import done_readings, load_list
from measure.series import MeasuredFilm, measure
from measure.sites import DEFAULT_PROFILE, MeasurementRow, Profile, Spread, View, load_site

Array = NDArray[np.float64]
Truth = Callable[[MeasurementRow], Array]  # values (films,) of a row, nan where none
Track = Callable[[Sequence[Path]], Iterable[Path]]
NOT_READ, UNCONFIRMED = "not read", "proposed, not confirmed by the reader"
NUMBER = re.compile(r"\d+\.\d+")
ALONG, ACROSS = "along the bone axis", "across it"


@dataclass(frozen=True)
class StudyReading:
    """One reading in its place: `film` is the film's label, `repeat` counts from 0."""

    film: str
    reader: str
    repeat: int
    measured: MeasuredFilm


@dataclass(frozen=True)
class Study:
    """All readings of a study of one site and view.

    `files` gives the films' file names by label, for whoever unblinds; `proposals` hold what the program
    itself measures on a film. `problems` name each file that could not be used.
    """

    title: str
    site: str
    view: str
    films: tuple[str, ...]
    readers: tuple[str, ...]
    repeats: int
    readings: tuple[StudyReading, ...]
    notes: tuple[str, ...] = ()
    problems: tuple[tuple[str, str], ...] = ()
    files: Mapping[str, str] = field(default_factory=dict)
    proposals: Mapping[str, MeasuredFilm] = field(default_factory=dict)
    how: str = ""
    blind: bool = False

    @property
    def table(self) -> View:
        """The site's table of this view."""
        return load_site(self.site).views[self.view]

    def ratings(self, row: MeasurementRow) -> Ratings:
        """Lay out one quantity's confirmed values by film, reader and repeat."""
        return self.laid_out(
            (reading, measured.quantity.value)
            for reading in self.readings
            if (measured := _found(reading, row)).confirmed and measured.quantity
        )

    def laid_out(self, values: Iterable[tuple[StudyReading, float]]) -> Ratings:
        """Lay out one number of each reading by film, reader and repeat; nan where there is none."""
        array = np.full((len(self.films), len(self.readers), self.repeats), np.nan)
        for reading, value in values:
            place = self.films.index(reading.film), self.readers.index(reading.reader), reading.repeat
            array[place] = value
        return Ratings(array, self.films, self.readers)

    def missing(self, row: MeasurementRow) -> Counter[tuple[str, str]]:
        """Count readings without a value, by reader and reason; decimals in a reason stand as `…`."""
        wanted = len(self.films) * self.repeats
        count: Counter[tuple[str, str]] = Counter()
        for reader in self.readers:
            mine = [reading for reading in self.readings if reading.reader == reader]
            count[reader, NOT_READ] += wanted - len(mine)
            for reading in mine:
                measured = _found(reading, row)
                if not measured.confirmed:
                    count[reader, NUMBER.sub("…", why_missing(measured))] += 1
        return +count

    def reference(self, films: Mapping[str, MeasuredFilm], row: MeasurementRow) -> Array:
        """One value a film (films,) from another measurement of it; nan where there is none."""
        found = (films[label].find(row.name, row.target) if label in films else None for label in self.films)
        return np.array([m.quantity.value if m and m.quantity else np.nan for m in found])


def why_missing(measured: Measurement) -> str:
    """Say why a quantity has no value that the reader confirmed."""
    return measured.reason or UNCONFIRMED


def _found(reading: StudyReading, row: MeasurementRow) -> Measurement:
    found = reading.measured.find(row.name, row.target)
    if found is None:  # the table is the same for all: Reading refuses another version
        raise StudyError(f"A reading has no {row.name}. This is a fault; report it.")
    return found


# --- Gathering ---


@dataclass(frozen=True)
class _Wanted:
    """Which reading of a film stands where."""

    film: str
    reader: str
    repeat: int
    reading: Reading


def study_of_list(folder: Path, plan_folder: Path, *, propose: bool = False, track: Track = iter) -> Study:
    """Measure what was read of a reading list; `folder` holds its films.

    Raises StudyError where the list cannot be used or none of it was read.
    """
    plan = load_list(plan_folder)
    done, problems = done_readings(plan_folder, plan)
    wanted = [_Wanted(task.film, task.reader, task.round - 1, reading) for task, reading in done]
    left = len(plan.tasks) - len(done)
    notes = [f"{left} of {len(plan.tasks)} readings of the list are not done"] if left else []
    how = (
        f"order random for each reader by seed {plan.seed}; films shown by a code number, without patient, "
        f"date or earlier readings; rounds {plan.wait_days} days or more apart, half of the films between "
        "two readings of one"
    )
    study = Study(
        plan.title, plan.site, plan.view, tuple(film.label for film in plan.films), plan.readers,
        plan.repeats, (), tuple(notes), tuple(problems), how=how, blind=True,
    )  # fmt: skip
    return _filled(study, wanted, folder, propose, track)


def study_of_folder(
    folder: Path,
    *,
    site: str | None = None,
    view: str | None = None,
    propose: bool = False,
    track: Track = iter,
) -> Study:
    """Measure all readings under a folder of films that several readers read, or one reader several times.

    `site` and `view` choose where there are several. Raises StudyError where nothing can be used.
    """
    filed, problems = load_readings(folder)
    readings = [reading for mine in filed.values() for _, reading in mine]
    kinds = Counter((reading.site, reading.view) for reading in readings)
    fitting = [kind for kind in kinds if site in (None, kind[0]) and view in (None, kind[1])]
    if len(fitting) != 1:
        there = ", ".join(f"{a} {b} ({n})" for (a, b), n in sorted(kinds.items())) or "no reading"
        raise StudyError(f"A study is of one site and view; there are: {there}. Choose by --site and --view.")
    mine = [reading for reading in readings if (reading.site, reading.view) == fitting[0]]
    left = len(readings) - len(mine)
    digests = sorted({reading.film_digest for reading in mine})
    label = {digest: f"film-{n:0{len(str(len(digests)))}d}" for n, digest in enumerate(digests, start=1)}
    by_reader: dict[tuple[str, str], list[Reading]] = defaultdict(list)
    for reading in mine:
        by_reader[reading.film_digest, reading.reader].append(reading)
    wanted = [
        _Wanted(label[digest], reader, repeat, reading)
        for (digest, reader), found in by_reader.items()
        for repeat, reading in enumerate(standing(found))
    ]
    study = Study(
        "readings of one folder", *fitting[0], tuple(label.values()),
        tuple(sorted({reading.reader for reading in mine})), 1 + max(row.repeat for row in wanted), (),
        (f"{left} readings of another site or view left out",) if left else (), tuple(problems),
        how="no reading list: order and blinding are not known to the program",
    )  # fmt: skip
    return _filled(study, wanted, folder, propose, track)


def _filled(study: Study, wanted: Sequence[_Wanted], folder: Path, propose: bool, track: Track) -> Study:
    """Measure what is wanted on the films of a folder."""
    by_digest: dict[str, list[_Wanted]] = defaultdict(list)
    for row in wanted:
        by_digest[row.reading.film_digest].append(row)
    readings: list[StudyReading] = []
    found = search(folder)
    problems, files, proposals = [*study.problems, *found.refused], {}, {}
    for path in track(found.films):
        try:
            film = read_film(path)
            mine = by_digest.pop(film.digest, [])
            for row in mine:
                check_film(row.reading, film)
                readings.append(StudyReading(row.film, row.reader, row.repeat, measure(film, row.reading)))
            if mine:
                files[mine[0].film] = path.relative_to(folder).as_posix()
                if propose and (proposed := _proposed(film, study)):
                    proposals[mine[0].film] = proposed
        except HoldfastError as error:
            problems.append((path.name, str(error)))
    problems += [(rows[0].film, "its film is not in the folder") for rows in by_digest.values()]
    if not readings:
        raise StudyError(
            f"No reading of the study could be used with the films under {folder.name!r}. "
            "Check that the folder holds the study's films, and that films were read."
        )
    notes = (*study.notes, *_patient_notes(readings), *_scale_notes(readings))
    return dataclasses.replace(
        study,
        readings=tuple(readings),
        problems=tuple(problems),
        files=files,
        proposals=proposals,
        notes=notes,
    )


def _proposed(film: Film, study: Study) -> MeasuredFilm | None:
    from measure.propose import proposed_reading  # image processing is slow to load

    made = proposed_reading(film, load_site(study.site))
    return measure(film, made[0]) if made else None


def _patient_notes(readings: Iterable[StudyReading]) -> Iterable[str]:
    """Say where several films are of one patient, which the intervals do not know."""
    patients = {reading.film: reading.measured.patient_key for reading in readings}
    known = set(patients.values())
    if None not in known and len(known) < len(patients):
        yield (
            f"the {len(patients)} films are of {len(known)} patients: films of one patient are alike, and "
            "intervals, which take each film for another patient's, are narrower than they should be"
        )


def _scale_notes(readings: Iterable[StudyReading]) -> Iterable[str]:
    """Say where readings of one film were made by different scales, or by none."""
    kinds: dict[str, set[str]] = defaultdict(set)
    for reading in readings:
        kinds[reading.film].add(reading.measured.scale.kind if reading.measured.scale else "none")
    if bare := [film for film, used in kinds.items() if "none" in used]:
        yield f"{len(bare)} films have readings without a scale, so without millimetres: {', '.join(bare)}"
    if mixed := [film for film, used in kinds.items() if len(used) > 1]:
        every = sorted(set.union(*(kinds[film] for film in mixed)))
        yield (
            f"{len(mixed)} films were read by different scales ({', '.join(every)}), so that differences of "
            f"their lengths hold the scales' too: {', '.join(mixed)}"
        )


# --- Truth ---


def truth_of(path: Path, study: Study) -> Truth:
    """Read true values from a file such as sample_images/truth.json: row to values (films,), nan where none.

    Raises StudyError where the file is none, or knows no film of the study.
    """
    try:
        content = json.loads(path.read_text(encoding="utf-8"))
        known = {uid: film["quantities"] for uid, film in content["films"].items()}
    except OSError as error:
        raise StudyError(f"{path.name} cannot be read: {error.strerror}. Check the path.") from None
    except (ValueError, KeyError, TypeError, AttributeError):
        raise StudyError(
            f"{path.name} holds no true values: expected films, by UID, with quantities."
        ) from None
    uids = {reading.film: reading.measured.sop_instance_uid for reading in study.readings}
    if not set(uids.values()) & set(known):
        raise StudyError(f"{path.name} knows none of the study's films. Give the file that belongs to them.")

    def values(row: MeasurementRow) -> Array:
        found = (known.get(uids.get(film) or "", {}).get(row.name, {}) for film in study.films)
        return np.array([float(by_target.get(row.target, np.nan)) for by_target in found])

    return values


# --- Landmarks ---


@dataclass(frozen=True)
class LandmarkSpread:
    """How far readings of one landmark lie apart in one direction, mm at the bone."""

    landmark: str
    direction: str
    found: Components

    @property
    def placement(self) -> Estimate | None:
        """Standard deviation of one reader's placing, from film to film; None where it is not known."""
        return self.found.sem.get(SERIAL) or self.found.sem.get(WITHIN)

    @property
    def habit(self) -> Estimate | None:
        """Standard deviation of readers' own ways of seeing it; None with one reader."""
        return square_root(self.found.variances[READER]) if READER in self.found.variances else None


def landmark_spreads(study: Study) -> tuple[LandmarkSpread, ...]:
    """How far readings of each landmark of one point lie apart, along and across the bone axis.

    The bone's directions on a film are the mean of its readings' (a site without an axis: down and across
    the film); landmarks of several points lie anywhere along an edge, and say nothing.
    """
    frames = _frames(study)
    spreads = []
    for row in study.table.landmarks:
        if row.points != (1, 1):
            continue
        placed = [
            (reading, frame @ (mark.array[0] * size))
            for reading in study.readings
            if (mark := reading.measured.reading.landmarks.get(row.name))
            and mark.status == CONFIRMED
            and reading.film in frames
            for frame, size in (frames[reading.film],)
        ]
        for axis, direction in enumerate((ALONG, ACROSS)):
            found = components(study.laid_out((reading, float(place[axis])) for reading, place in placed))
            if found:
                spreads.append(LandmarkSpread(row.name, direction, found))
    return tuple(spreads)


def _frames(study: Study) -> dict[str, tuple[Array, Array]]:
    """Give unit vectors along and across the bone (2, 2), and a pixel's size in mm, of films with a scale."""
    axes: dict[str, list[Array]] = defaultdict(list)
    sizes: dict[str, list[tuple[float, float]]] = defaultdict(list)
    for reading in study.readings:
        scale = reading.measured.scale
        if scale is None:
            continue
        sizes[reading.film].append(scale.mm_per_px)
        axis = study.table.axis
        levels = (
            [reading.measured.reading.landmarks.get(axis[side]) for side in ("near", "far")] if axis else []
        )
        placed = [
            level.array * np.array(scale.mm_per_px) for level in levels if level and len(level.points) > 1
        ]
        if len(placed) == 2:
            axes[reading.film].append(np.stack(axis_frame(*placed)[1:]))
    frames = {}
    for film, size in sizes.items():
        turned = np.mean(axes[film], axis=0) if axes[film] else np.eye(2)
        frames[film] = turned / np.linalg.norm(turned, axis=1, keepdims=True), np.median(size, axis=0)
    return frames


# --- What it feeds back ---


def measured_profile(study: Study, name: str) -> Profiles:
    """Profile of the study's site and view: spreads of landmarks and quantities in place of the defaults.

    A landmark's value is the root mean square of both directions, over its own share of the usual
    (`LandmarkRow.spread`); pins and knots share a quantity's. With one reader the habits stay the default's.
    Raises StudyError where nothing could be measured.
    """
    spreads = landmark_spreads(study)
    usual = {row.name: row.spread for row in study.table.landmarks}
    landmarks = {
        mark: _rms(s.placement.value for s in spreads if s.landmark == mark and s.placement) / usual[mark]
        for mark in dict.fromkeys(s.landmark for s in spreads)
    }
    landmarks = {mark: max(size, LEAST) for mark, size in landmarks.items() if np.isfinite(size)}
    if not landmarks:
        raise StudyError(
            "No landmark was read often enough to measure how it scatters: two films, and two readers or "
            "two readings of each, are needed."
        )
    habits = [s.habit.value for s in spreads if s.habit]
    profile = Profile(
        name,
        _rms(landmarks.values()),
        _rms(habits) if habits else DEFAULT_PROFILE.habit_mm,
        f"agreement study {study.title}: {len(study.readers)} readers, {len(study.films)} films, "
        f"{study.repeats} readings of each",
        landmarks,
        _quantity_spreads(study) if habits else {},
    )
    return {(study.site, study.view): profile}


def _quantity_spreads(study: Study) -> dict[str, Spread]:
    found: dict[str, list[Components]] = defaultdict(list)
    for row in study.table.measurements:
        if parts := components(study.ratings(row)):
            found[row.name].append(parts)
    spreads = {
        name: Spread(
            _rms(part.sem[SERIAL].value for part in parts),
            _rms(part.variances[READER].value ** 0.5 for part in parts),
        )
        for name, parts in found.items()
    }
    return {name: spread for name, spread in spreads.items() if spread.placement > LEAST}


def _rms(values: Iterable[float]) -> float:
    listed = list(values)
    return float(np.sqrt(np.mean(np.square(listed)))) if listed else float("nan")
