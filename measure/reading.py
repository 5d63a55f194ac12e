"""A reading: one reader's landmarks on one film, and how it is kept.

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
import os
import tempfile
import uuid
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import asdict, dataclass, field
from pathlib import Path
from types import MappingProxyType
from typing import Any

import numpy as np

from measure import __version__
from measure.errors import ReadingError, SiteError
from measure.film import Film
from measure.geometry import Points
from measure.scale import METHODS, ScaleInput
from measure.sites import Site, View, load_site

READING_FORMAT = "holdfast-reading"
READING_VERSION = 1
SUFFIX = ".reading.json"

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

    @property
    def located(self) -> bool:
        """Whether it has points."""
        return self.status in (CONFIRMED, PROPOSED)

    @functools.cached_property
    def array(self) -> Points:
        """Points as an array (n, 2)."""
        return np.array(self.points, dtype=np.float64).reshape(-1, 2)


@dataclass(frozen=True)
class Reading:
    """One reader's landmarks and scale inputs on one film.

    `film_digest` is the film's digest; `rows` and `columns` its size. `axis` names which bone axis
    was used, locked per patient. `scale_use` is the source kind the reader chose, or None for the
    surest. Times are ISO 8601 with an offset.
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

    def __post_init__(self) -> None:
        object.__setattr__(self, "landmarks", MappingProxyType(dict(self.landmarks)))
        if not self.time:
            object.__setattr__(self, "time", datetime.datetime.now(datetime.UTC).isoformat(timespec="seconds"))
        if not self.uid:
            object.__setattr__(self, "uid", str(uuid.uuid4()))
        problems = list(_problems(self))
        if problems:
            raise ReadingError(
                f"This reading cannot be used: {'; '.join(problems)}. Mend these and record it as a new reading."
            )

    @property
    def film_id(self) -> str:
        """What this film's own errors are filed under: its digest, which no other film has."""
        return self.film_digest.removeprefix("sha256:")[:16]


def for_film(film: Film, site: Site, view: str, reader: str, **fields: Any) -> Reading:
    """Return a new reading of a film; fields as in Reading, the axis the site's first unless given."""
    return Reading(
        **{
            "film_digest": film.digest, "rows": film.pixels.shape[0], "columns": film.pixels.shape[1],
            "site": site.name, "site_version": site.version, "view": view, "axis": site.axes[0] if site.axes else "",
            "reader": reader, "laterality": film.laterality, "sop_instance_uid": film.sop_instance_uid,
        } | fields
    )  # fmt: skip


def _problems(reading: Reading) -> Iterator[str]:
    """Name everything wrong with a reading."""
    try:
        site = load_site(reading.site)
    except SiteError as error:
        yield str(error).rstrip(".")
        return
    if reading.site_version != site.version:
        yield f"it was made with version {reading.site_version!r} of the site table; this is {site.version!r}"
    if reading.view not in site.views:
        yield f"view {reading.view!r} is not one of {', '.join(site.views)}"
        return
    if site.axes and reading.axis not in site.axes:
        yield f"axis {reading.axis!r} is not one of {', '.join(site.axes)}"
    if reading.laterality not in ("left", "right", None):
        yield f"laterality {reading.laterality!r} is not left or right"
    if not reading.film_digest.startswith("sha256:") or min(reading.rows, reading.columns) < 1:
        yield "it does not say which film it belongs to (digest, rows and columns)"
    yield from _bad_dates(reading)
    for name, landmark in reading.landmarks.items():
        yield from _landmark_problems(name, landmark, site.views[reading.view], (reading.rows, reading.columns))
    yield from _unpaired(reading, site.views[reading.view])
    for given in reading.scale_inputs:
        yield from _scale_problems(given, (reading.rows, reading.columns))


def _bad_dates(reading: Reading) -> Iterator[str]:
    try:
        if datetime.datetime.fromisoformat(reading.time).tzinfo is None:
            yield f"time {reading.time!r} has no offset from UTC"
    except ValueError:
        yield f"time {reading.time!r} is not an ISO 8601 time"
    if reading.surgery_date is not None:
        try:
            datetime.date.fromisoformat(reading.surgery_date)
        except ValueError:
            yield f"surgery date {reading.surgery_date!r} is not an ISO 8601 date"


def _landmark_problems(name: str, landmark: Landmark, view: View, shape: tuple[int, int]) -> Iterator[str]:
    row = view.landmark.get(name)
    if row is None:
        yield f"landmark {name!r} is not in the {view.name} table"
        return
    if landmark.status not in STATUSES:
        yield f"{name}: status {landmark.status!r} is not one of {', '.join(STATUSES)}"
    if landmark.origin not in ORIGINS:
        yield f"{name}: origin {landmark.origin!r} is not one of {', '.join(ORIGINS)}"
    if landmark.status == NOT_ASSESSABLE and not landmark.reason:
        yield f"{name}: not assessable, but no reason is given"
    if landmark.u_px is not None and not (math.isfinite(landmark.u_px) and landmark.u_px > 0):
        yield f"{name}: uncertainty {landmark.u_px} px is not positive"
    count, (low, high) = len(landmark.points), row.points
    if landmark.located and not low <= count <= high:
        wanted = str(low) if low == high else f"{low} to {high}"
        yield f"{name}: {count} points, expected {wanted}"
    elif not landmark.located and count:
        yield f"{name}: {landmark.status}, yet it has points"
    yield from _off_film(name, landmark.points, shape)


def _off_film(name: str, points: Sequence[tuple[float, float]], shape: tuple[int, int]) -> Iterator[str]:
    for r, c in points:
        if not (math.isfinite(r) and math.isfinite(c)):
            yield f"{name}: point ({r}, {c}) is not a number"
        elif not (-0.5 <= r <= shape[0] - 0.5 and -0.5 <= c <= shape[1] - 0.5):
            yield f"{name}: point ({r:.1f}, {c:.1f}) lies off the film of {shape[0]} rows and {shape[1]} columns"


def _unpaired(reading: Reading, view: View) -> Iterator[str]:
    """The bone axis needs its two cortices at the same levels."""
    if not view.axis:
        return
    near, far = (reading.landmarks.get(view.axis[side]) for side in ("near", "far"))
    if near and far and near.located and far.located and len(near.points) != len(far.points):
        yield (
            f"{view.axis['near']} has {len(near.points)} points and {view.axis['far']} {len(far.points)}; "
            "they must be at the same levels"
        )


def _scale_problems(given: ScaleInput, shape: tuple[int, int]) -> Iterator[str]:
    kinds = [method.kind for method in METHODS]
    if given.kind not in kinds:
        yield f"scale: kind {given.kind!r} is not one of {', '.join(kinds)}"
    if len(given.points) != 2:
        yield f"scale: {given.kind} has {len(given.points)} points, expected 2"
    if not (math.isfinite(given.mm) and given.mm > 0):
        yield f"scale: {given.mm} mm is not positive"
    yield from _off_film(f"scale {given.kind}", given.points, shape)


# --- Keeping ---


def to_json(reading: Reading) -> str:
    """Return the reading as its JSON text, checksum included."""
    content = {
        "format": READING_FORMAT,
        "version": READING_VERSION,
        **{name: value for name, value in vars(reading).items() if name not in ("landmarks", "scale_inputs")},
        "scale_inputs": [asdict(given) for given in reading.scale_inputs],
        "landmarks": {name: asdict(landmark) for name, landmark in reading.landmarks.items()},
    }
    content["checksum"] = _checksum(content)
    return json.dumps(content, indent=1, ensure_ascii=False, allow_nan=False) + "\n"


def _checksum(content: Mapping[str, Any]) -> str:
    body = {key: value for key, value in content.items() if key != "checksum"}
    text = json.dumps(body, sort_keys=True, separators=(",", ":"), ensure_ascii=True)
    return "sha256:" + hashlib.sha256(text.encode()).hexdigest()


def from_json(text: str, name: str = "This reading") -> Reading:
    """Read a reading from its JSON text.

    Raises ReadingError, beginning with `name`, for text that is no reading, an unknown version, a
    reading changed after it was saved, or landmarks that cannot be used.
    """
    try:
        content = json.loads(text, parse_constant=_refuse_constant)
    except (ValueError, RecursionError) as error:
        raise ReadingError(f"{name} is not valid JSON ({error}). Restore it from a copy.") from None
    if not isinstance(content, dict) or content.get("format") != READING_FORMAT:
        raise ReadingError(f"{name} is not a holdfast reading: no format {READING_FORMAT!r} in it.")
    if content.get("version") != READING_VERSION:
        raise ReadingError(
            f"{name} has version {content.get('version')!r}; this holdfast reads version {READING_VERSION}. "
            "Read it with the holdfast that wrote it, or a newer one."
        )
    if content.get("checksum") != _checksum(content):
        raise ReadingError(
            f"{name} was changed after it was saved (its checksum does not fit) and is not used. "
            "Restore the original, or record the correction as a new reading."
        )
    try:
        return _from_content(content)
    except ReadingError as error:
        raise ReadingError(f"{name}: {error}") from None
    except (KeyError, TypeError, ValueError, AttributeError) as error:
        raise ReadingError(f"{name} lacks or misnames a field ({error}). Restore it from a copy.") from None


def _refuse_constant(word: str) -> float:
    raise ValueError(f"{word} is not a number")


def _from_content(content: Mapping[str, Any]) -> Reading:
    fields = {key: value for key, value in content.items() if key not in ("format", "version", "checksum")}
    fields["landmarks"] = {
        name: Landmark(**(entry | {"points": _points(entry["points"])}))
        for name, entry in content["landmarks"].items()
    }
    fields["scale_inputs"] = tuple(
        ScaleInput(**(entry | {"points": _points(entry["points"])})) for entry in content["scale_inputs"]
    )
    return Reading(**fields)


def _points(pairs: Any) -> tuple[tuple[float, float], ...]:
    return tuple((float(row), float(column)) for row, column in pairs)


def save_reading(reading: Reading, path: Path) -> Path:
    """Write a reading to a new file, whole or not at all, and return its path.

    Raises ReadingError where the file exists (a reading is never overwritten) or cannot be written.
    """
    return write_new(to_json(reading), path)


def write_new(text: str, path: Path) -> Path:
    """Write a reading's JSON text as `save_reading` does."""
    try:
        path.parent.mkdir(parents=True, exist_ok=True)
        handle, temporary = tempfile.mkstemp(dir=path.parent, prefix=".", suffix=".part")
        try:
            with os.fdopen(handle, "w", encoding="utf-8", newline="") as file:
                file.write(text)
                file.flush()
                os.fsync(file.fileno())
            os.link(temporary, path)  # fails where path exists, and puts a whole file there otherwise
        finally:
            os.unlink(temporary)
    except FileExistsError:
        raise ReadingError(
            f"{path.name} exists and a reading is never overwritten. Save under a new name, "
            "with 'supersedes' naming the old reading."
        ) from None
    except OSError as error:
        raise ReadingError(f"{path.name} could not be written: {error.strerror}. Nothing was changed.") from None
    return path


def load_reading(path: Path) -> Reading:
    """Read a reading file; ReadingError says what is wrong with it."""
    return from_json(reading_text(path), path.name)


def reading_text(path: Path) -> str:
    """Return a reading file's JSON text exactly as it was written."""
    try:
        return path.read_bytes().decode("utf-8")
    except (OSError, UnicodeDecodeError) as error:
        raise ReadingError(f"{path.name} cannot be read ({type(error).__name__}). Check the file.") from None


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
        raise ReadingError(f"This reading belongs to another film: {'; '.join(problems)}. Choose the film it names.")
