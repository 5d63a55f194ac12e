"""A reading: one reader's landmarks and grades on one film, and how it is kept.

Points are (row, column), 0-based at pixel centres, in pixels of the film as it was received. A reading
is saved once and never changed: a correction is a new reading that supersedes it. The JSON format is
described in DEVELOPERS.md, "The reading file".
"""

from __future__ import annotations

import datetime
import functools
import hashlib
import json
import math
import re
import uuid
from collections.abc import Container, Iterable, Iterator, Mapping, Sequence
from dataclasses import asdict, dataclass, field, fields
from pathlib import Path
from reprlib import repr as shown  # cut short, so that a message stays readable
from types import MappingProxyType
from typing import Any, TypeVar

import numpy as np

from measure import __version__
from measure.errors import ReadingError, SiteError
from measure.files import whole_file
from measure.film import Film
from measure.geometry import Points
from measure.observations import contradictions, view_rows, why_not_on
from measure.scale import ScaleInput, input_problems, point_pairs
from measure.sites import Site, View, load_site

READING_FORMAT = "holdfast-reading"
READING_VERSION = 2
ADDED = {"observations": {}, "remark": ""}  # by version 2; a reading of version 1 has none
SUFFIX = ".reading.json"
MOST_BYTES = 10_000_000  # a reading of a hundred landmarks is some 20 000
MOST_TEXT = 1_000
MOST_NUMBER = 2**53  # beyond it whole numbers do not survive other programs' JSON

CONFIRMED, PROPOSED, NOT_ASSESSABLE, ABSENT = "confirmed", "proposed", "not assessable", "absent"
STATUSES = (CONFIRMED, PROPOSED, NOT_ASSESSABLE, ABSENT)
ORIGINS = ("placed", "snapped", "detected", "carried")


@dataclass(frozen=True)
class Landmark:
    """Where one landmark lies on one film, or why that cannot be said.

    Parameters
    ----------
    status
        "confirmed" by a reader, "proposed" by the program, "not assessable" (with a reason), or
        "absent": looked for and not there (a wire that is continuous has no break).
    points
        (row, column) in pixels; none unless confirmed or proposed.
    reason
        Why it is not assessable.
    origin
        "placed" by hand, "snapped" to a feature, "detected" or "carried" from an earlier film.
    u_px
        Standard uncertainty of each coordinate from a fit, pixels; in place of the site's own.
    """

    status: str
    points: tuple[tuple[float, float], ...] = ()
    reason: str | None = None
    origin: str = "placed"
    u_px: float | None = None

    def __post_init__(self) -> None:
        object.__setattr__(self, "points", point_pairs(self.points))

    @property
    def located(self) -> bool:
        """Whether it has points."""
        return self.status in (CONFIRMED, PROPOSED)

    @functools.cached_property
    def array(self) -> Points:
        """Points as a read-only array (n, 2)."""
        array = np.array(self.points, dtype=np.float64).reshape(-1, 2)
        array.flags.writeable = False
        return array


@dataclass(frozen=True)
class Observation:
    """What a reader saw of one row of the observation table: a grade, or why it is not assessable.

    A grade is only ever the reader's own: none is proposed, so none waits to be confirmed.
    """

    grade: str | None = None
    reason: str | None = None


@dataclass(frozen=True)
class Reading:
    """One reader's landmarks, scale inputs and grades on one film.

    `film_digest` is the film's digest; `rows` and `columns` its size. `axis` names which bone axis
    was used, locked per patient. `scale_use` is the source kind the reader chose, or None for the
    surest. Times are ISO 8601 with an offset. `observations` are by name, those not graded left out;
    `remark` is the reader's own words.
    """

    film_digest: str
    rows: int
    columns: int
    site: str
    site_version: str
    view: str
    axis: str
    reader: str
    landmarks: Mapping[str, Landmark] = field(default_factory=dict)
    scale_inputs: tuple[ScaleInput, ...] = ()
    scale_use: str | None = None
    laterality: str | None = None
    sop_instance_uid: str | None = None
    surgery_date: str | None = None
    time: str = ""
    uid: str = ""
    supersedes: str | None = None
    software: str = f"holdfast {__version__}"
    observations: Mapping[str, Observation] = field(default_factory=dict)
    remark: str = ""

    def __post_init__(self) -> None:
        for name in ("landmarks", "observations"):
            object.__setattr__(self, name, MappingProxyType(dict(getattr(self, name))))
        if not self.time:
            object.__setattr__(
                self, "time", datetime.datetime.now(datetime.UTC).isoformat(timespec="seconds")
            )
        if not self.uid:
            object.__setattr__(self, "uid", str(uuid.uuid4()))
        if problems := list(_problems(self)):
            raise ReadingError(
                f"This reading cannot be used: {'; '.join(problems)}. "
                "Mend these and record it as a new reading."
            )

    @property
    def film_id(self) -> str:
        """What this film's own errors are filed under: its digest, which no other film has."""
        return self.film_digest.removeprefix("sha256:")[:16]

    @functools.cached_property
    def contradictions(self) -> Mapping[str, str]:
        """What contradicts itself: observation to words. Such grades are kept as given and not relied on."""
        grades = {name: seen.grade for name, seen in self.observations.items() if seen.grade}
        statuses = {name: landmark.status for name, landmark in self.landmarks.items()}
        found = contradictions(grades, statuses, self.site, self.view)
        return {name: words for words, names in found for name in names}


def for_film(film: Film, site: Site, view: str, reader: str, **others: Any) -> Reading:
    """Return a new reading of a film; other fields as in Reading, the axis the site's first unless given."""
    rows, columns = film.pixels.shape
    usual = {
        "axis": site.axes[0] if site.axes else "",
        "laterality": film.laterality,
        "sop_instance_uid": film.sop_instance_uid,
    }
    return Reading(
        film.digest, rows, columns, site.name, site.version, view, reader=reader, **(usual | others)
    )


def _problems(reading: Reading) -> Iterator[str]:
    """Name everything wrong with a reading."""
    if mistyped := list(_mistyped(reading)):
        yield from mistyped
        return
    try:
        site = load_site(reading.site)
    except SiteError as error:
        yield str(error).rstrip(".")
        return
    if reading.site_version != site.version:
        made = shown(reading.site_version)
        yield f"it was made with version {made} of the site table; this is {site.version!r}"
    if reading.view not in site.views:
        yield f"view {shown(reading.view)} is not one of {', '.join(site.views)}"
        return
    yield from _heading_problems(reading, site)
    view, shape = site.views[reading.view], (reading.rows, reading.columns)
    for name, landmark in reading.landmarks.items():
        yield from _landmark_problems(name, landmark, view, shape)
    yield from _unpaired(reading, view)
    for name, seen in reading.observations.items():
        yield from _observation_problems(name, seen, reading)
    for given in reading.scale_inputs:
        yield from (f"scale input: {problem}" for problem in list(_mistyped(given)) or input_problems(given))
        yield from _off_film("scale input", given.points, shape)


# What a field may hold, by its declaration; other declarations are tables of records.
_TYPES: dict[str, tuple[type, ...]] = {
    "str": (str,),
    "str | None": (str, type(None)),
    "int": (int,),
    "float": (int, float),
    "float | None": (int, float, type(None)),
}
_TYPE_WORDS: dict[type, str] = {str: "text", int: "a whole number", float: "a number", type(None): "null"}


def _mistyped(record: Reading | Landmark | ScaleInput | Observation) -> Iterator[str]:
    """Name the fields that hold something else than declared, as a file edited by hand may."""
    kind: type = type(record)
    for name, allowed in _typed(kind):
        value = getattr(record, name)
        if isinstance(value, bool) or not isinstance(value, allowed):
            yield f"{name} {shown(value)} is not {' or '.join(_TYPE_WORDS[kind] for kind in allowed)}"
        elif isinstance(value, int) and abs(value) > MOST_NUMBER:
            yield f"{name} is too large a number"
        elif isinstance(value, str) and not _is_text(value):
            yield f"{name} is no usable text, or longer than {MOST_TEXT} characters"


@functools.cache
def _typed(record: type) -> tuple[tuple[str, tuple[type, ...]], ...]:
    """Names of a record's fields with the types that each may hold, where `_TYPES` says."""
    return tuple((row.name, _TYPES[str(row.type)]) for row in fields(record) if str(row.type) in _TYPES)


def _is_text(value: str) -> bool:
    """Whether it can be written again: half a surrogate pair, which JSON can spell, cannot."""
    return len(value) <= MOST_TEXT and not any("\ud800" <= letter <= "\udfff" for letter in value)


def _heading_problems(reading: Reading, site: Site) -> Iterator[str]:
    if site.axes and reading.axis not in site.axes:
        yield f"axis {shown(reading.axis)} is not one of {', '.join(site.axes)}"
    if reading.laterality not in ("left", "right", None):
        yield f"laterality {shown(reading.laterality)} is not left or right"
    named = re.fullmatch("sha256:[0-9a-f]{16,64}", reading.film_digest)
    if not named or min(reading.rows, reading.columns) < 1:
        yield "it does not say which film it belongs to (digest, rows and columns)"
    if not reading.reader.strip():
        yield "it does not say who read the film"
    time = _parsed(datetime.datetime, reading.time)
    if time is None or time.tzinfo is None:
        yield f"time {shown(reading.time)} is not an ISO 8601 time with its offset from UTC"
    if reading.surgery_date is not None and _parsed(datetime.date, reading.surgery_date) is None:
        yield f"surgery date {shown(reading.surgery_date)} is not an ISO 8601 date"


Moment = TypeVar("Moment", datetime.date, datetime.datetime)


def _parsed(kind: type[Moment], text: str) -> Moment | None:
    try:
        return kind.fromisoformat(text)
    except ValueError:
        return None


def _landmark_problems(name: str, landmark: Landmark, view: View, shape: tuple[int, int]) -> Iterator[str]:
    row = view.landmark.get(name)
    if row is None:
        yield f"landmark {shown(name)} is not in the {view.name} table"
        return
    if mistyped := list(_mistyped(landmark)):
        yield from (f"{name}: {problem}" for problem in mistyped)
        return
    if landmark.status not in STATUSES:
        yield f"{name}: status {shown(landmark.status)} is not one of {', '.join(STATUSES)}"
    if landmark.origin not in ORIGINS:
        yield f"{name}: origin {shown(landmark.origin)} is not one of {', '.join(ORIGINS)}"
    if landmark.status == NOT_ASSESSABLE and not landmark.reason:
        yield f"{name}: not assessable, but no reason is given"
    if landmark.u_px is not None and not 0 < landmark.u_px <= max(shape):
        yield f"{name}: uncertainty {landmark.u_px} px is not positive and within the film"
    count, (low, high) = len(landmark.points), row.points
    if landmark.located and not low <= count <= high:
        wanted = str(low) if low == high else f"{low} to {high}"
        yield f"{name}: {count} points, expected {wanted}"
    elif not landmark.located and count:
        yield f"{name}: {landmark.status}, yet it has points"
    yield from _off_film(name, landmark.points, shape)


def _observation_problems(name: str, seen: Observation, reading: Reading) -> Iterator[str]:
    row = view_rows(reading.site, reading.view).get(name)
    if row is None:
        yield f"observation {shown(name)}: {why_not_on(name, reading.site, reading.view)}"
    elif mistyped := list(_mistyped(seen)):
        yield from (f"{name}: {problem} (an observation has one grade)" for problem in mistyped)
    elif seen.grade is None and not seen.reason:
        yield f"{name}: not assessable, but no reason is given"
    elif seen.grade is not None and seen.reason is not None:
        yield f"{name}: graded {shown(seen.grade)}, yet there is a reason why it is not assessable"
    elif seen.grade is not None and seen.grade not in row.kind.grade:
        yield f"{name}: grade {shown(seen.grade)} is not one of {', '.join(row.kind.grade)}"


def _off_film(name: str, points: Sequence[tuple[float, float]], shape: tuple[int, int]) -> Iterator[str]:
    for r, c in points:
        if not (math.isfinite(r) and math.isfinite(c)):
            yield f"{name}: point ({r}, {c}) is not a number"
        elif not (-0.5 <= r <= shape[0] - 0.5 and -0.5 <= c <= shape[1] - 0.5):
            size = f"{shape[0]} rows and {shape[1]} columns"
            yield f"{name}: point ({r:.1f}, {c:.1f}) lies off the film of {size}"


def _unpaired(reading: Reading, view: View) -> Iterator[str]:
    """Say where the bone axis has not its two cortices at the same levels."""
    if not view.axis:
        return
    near, far = (reading.landmarks.get(view.axis[side]) for side in ("near", "far"))
    if near and far and near.located and far.located and len(near.points) != len(far.points):
        yield (
            f"{view.axis['near']} has {len(near.points)} points and {view.axis['far']} {len(far.points)}; "
            "they must be at the same levels"
        )


# --- Keeping ---

_TABLES = ("scale_inputs", "landmarks", "observations")


def to_json(reading: Reading) -> str:
    """Return the reading as its JSON text, checksum included."""
    content = {
        "format": READING_FORMAT,
        "version": READING_VERSION,
        **{row.name: getattr(reading, row.name) for row in fields(reading) if row.name not in _TABLES},
        "scale_inputs": [asdict(given) for given in reading.scale_inputs],
        "landmarks": {name: asdict(landmark) for name, landmark in reading.landmarks.items()},
        "observations": {name: asdict(seen) for name, seen in reading.observations.items()},
    }
    content["checksum"] = checksum(content)
    return json.dumps(content, indent=1, ensure_ascii=False, allow_nan=False) + "\n"


def checksum(content: Mapping[str, Any]) -> str:
    """Return the checksum of a JSON object, of all its entries but the checksum itself."""
    body = {key: value for key, value in content.items() if key != "checksum"}
    text = json.dumps(body, sort_keys=True, separators=(",", ":"), ensure_ascii=True)
    return "sha256:" + hashlib.sha256(text.encode()).hexdigest()


def is_whole(text: str) -> bool:
    """Whether the JSON text of a reading, or of a study's record, is as it was saved: its checksum fits."""
    try:
        content = json.loads(text)
        return isinstance(content, dict) and content.get("checksum") == checksum(content)
    except (ValueError, RecursionError):
        return False


def from_json(text: str) -> Reading:
    """Read a reading from its JSON text.

    Raises ReadingError for text that is no reading, an unknown version, a reading changed after it was
    saved, or landmarks that cannot be used. The message names no file: the caller does.
    """
    try:
        content = json.loads(text, parse_constant=_refuse_constant, object_pairs_hook=_refuse_twice)
        expected = checksum(content) if isinstance(content, dict) else ""
    except (ValueError, RecursionError) as error:
        raise ReadingError(f"This is not valid JSON ({error}). Restore it from a copy.") from None
    if not isinstance(content, dict) or content.get("format") != READING_FORMAT:
        raise ReadingError(f"This is not a holdfast reading: no format {READING_FORMAT!r} in it.")
    if content.get("version") not in (1, READING_VERSION):
        raise ReadingError(
            f"This reading has version {shown(content.get('version'))}; expected 1 or {READING_VERSION}. "
            "Read it with the holdfast that wrote it, or a newer one."
        )
    if content.get("checksum") != expected:
        raise ReadingError(
            "This reading was changed after it was saved (its checksum does not fit) and is not used. "
            "Restore the original, or record the correction as a new reading."
        )
    return _from_content(content)


def _refuse_constant(word: str) -> float:
    raise ValueError(f"{word} is not a number")


def _refuse_twice(pairs: list[tuple[str, Any]]) -> dict[str, Any]:
    """Refuse a table that says two things under one name, of which JSON would keep the last."""
    table = dict(pairs)
    if len(table) < len(pairs):
        names = [name for name, _ in pairs]
        raise ValueError(f"it says {', '.join(sorted({n for n in names if names.count(n) > 1}))} twice")
    return table


def _from_content(content: Mapping[str, Any]) -> Reading:
    entries = {key: value for key, value in content.items() if key not in ("format", "version", "checksum")}
    if content["version"] == 1:
        entries = ADDED | entries
    _check_entries(Reading, entries, "the reading")
    kinds = {"landmarks": dict, "observations": dict, "scale_inputs": list}
    if not all(isinstance(entries[name], kind) for name, kind in kinds.items()):
        raise ReadingError(
            "landmarks and observations must be tables and scale_inputs a list. Restore it from a copy."
        )
    if not (entries["time"] and entries["uid"]):  # they would be made up anew
        raise ReadingError("time and uid must be filled in. Restore it from a copy.")
    entries["landmarks"] = {
        name: _record(Landmark, entry, f"landmark {shown(name)}")
        for name, entry in entries["landmarks"].items()
    }
    entries["scale_inputs"] = tuple(
        _record(ScaleInput, entry, "a scale input") for entry in entries["scale_inputs"]
    )
    entries["observations"] = {
        name: _record(Observation, entry, f"observation {shown(name)}")
        for name, entry in entries["observations"].items()
    }
    return Reading(**entries)


Record = TypeVar("Record", Landmark, ScaleInput, Observation)


def _record(kind: type[Record], entry: Any, what: str) -> Record:
    _check_entries(kind, entry, what)
    try:
        return kind(**entry)
    except (TypeError, ValueError):
        raise ReadingError(f"{what}: points must be pairs of numbers. Restore it from a copy.") from None


def _check_entries(kind: type[Reading | Landmark | ScaleInput | Observation], entry: Any, what: str) -> None:
    """Raise ReadingError where a JSON object has not exactly the entries of its dataclass."""
    wanted = [row.name for row in fields(kind)]
    if not isinstance(entry, dict) or set(entry) != set(wanted):
        raise ReadingError(f"{what} needs exactly the entries {', '.join(wanted)}. Restore it from a copy.")


def save_reading(reading: Reading, path: Path) -> Path:
    """Write a reading to a new file, whole or not at all, and return its path.

    Raises ReadingError where the file exists (a reading is never overwritten) or cannot be written.
    """
    return write_new(to_json(reading), path)


def write_new(text: str, path: Path) -> Path:
    """Write a reading's JSON text as `save_reading` does."""
    try:
        with whole_file(path, replace=False) as file:
            file.write(text)
    except FileExistsError:
        raise ReadingError(
            "A file of this name exists, and a reading is never overwritten. Save under a new name, "
            "with 'supersedes' naming the old reading."
        ) from None
    except OSError as error:
        raise ReadingError(
            f"The reading could not be written: {error.strerror}. Nothing was changed; choose another folder."
        ) from None
    return path


def load_reading(path: Path) -> Reading:
    """Read a reading file. Raises ReadingError, as `from_json` does."""
    return from_json(reading_text(path))


def reading_text(path: Path) -> str:
    """Return a reading file's JSON text exactly as it was written. Raises ReadingError."""
    try:
        if path.stat().st_size > MOST_BYTES or not path.is_file():
            raise ReadingError("This is no file, or too large for a reading. Check it.")
        return path.read_bytes().decode("utf-8")
    except (OSError, UnicodeDecodeError) as error:
        raise ReadingError(f"This file cannot be read ({type(error).__name__}). Check it.") from None


def reading_files(place: Path) -> list[Path]:
    """Every reading file under a folder, or beside one film; hidden ones are a file manager's own."""
    root, pattern = (place, f"**/*{SUFFIX}") if place.is_dir() else (place.parent, f"*{SUFFIX}")
    return [
        path
        for path in sorted(root.glob(pattern))
        if not any(name.startswith(".") for name in path.relative_to(root).parts)
    ]


Filed = dict[str, list[tuple[str, Reading]]]  # by the film's digest: file name and reading


def load_readings(place: Path) -> tuple[Filed, list[tuple[str, str]]]:
    """Return the readings of `reading_files`, and name and fault of each that cannot be used."""
    readings: Filed = {}
    problems = []
    for path in reading_files(place):
        try:
            reading = load_reading(path)
            readings.setdefault(reading.film_digest, []).append((path.name, reading))
        except ReadingError as error:
            problems.append((path.name, str(error)))
    return readings, problems


NO_FILM = "its film is not in this folder, or could not be read (no film has its digest)"


def without_film(readings: Filed, digests: Container[str]) -> list[tuple[str, str]]:
    """Name and fault of each reading whose film is not among those seen."""
    return [(name, NO_FILM) for digest, mine in readings.items() if digest not in digests for name, _ in mine]


def standing(readings: Iterable[Reading]) -> list[Reading]:
    """Return one film's readings that no other supersedes, the latest last; a copied file is no second."""
    by_uid = {reading.uid: reading for reading in readings}
    superseded = {reading.supersedes for reading in by_uid.values()}
    left = [reading for uid, reading in by_uid.items() if uid not in superseded] or [*by_uid.values()]
    return sorted(left, key=lambda reading: datetime.datetime.fromisoformat(reading.time))


def check_film(reading: Reading, film: Film) -> None:
    """Raise ReadingError, with all reasons, where a reading does not belong to a film."""
    problems = []
    if reading.film_digest != film.digest:
        problems.append("its pixels are not those the reading was made on (digest differs)")
    if (reading.rows, reading.columns) != film.pixels.shape:
        problems.append(f"the film is {film.pixels.shape}, the reading's {(reading.rows, reading.columns)}")
    if film.laterality and reading.laterality and film.laterality != reading.laterality:
        problems.append(f"the film says {film.laterality}, the reading {reading.laterality}")
    if film.view and film.view != reading.view:
        problems.append(f"the film says {film.view}, the reading {reading.view}")
    if problems:
        raise ReadingError(
            f"This reading belongs to another film: {'; '.join(problems)}. Choose the film it names."
        )
