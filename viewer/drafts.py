"""Working readings: what a reader has placed so far on one film, kept after every step.

A draft may be half done, which a reading may not. It is kept as FOLDER/.holdfast/FILM.draft.json, FILM
being the first 16 digits of the film's digest; the file is replaced whole, so that a power cut leaves
either the last step or the one before it. A finished reading is another file (`measure.reading`).
"""

from __future__ import annotations

import dataclasses
import datetime
import json
from collections.abc import Mapping
from dataclasses import dataclass, field
from pathlib import Path
from types import MappingProxyType
from typing import Any

from measure.errors import ReadingError
from measure.files import whole_file
from measure.film import Film
from measure.reading import Landmark, Observation, Reading, for_film
from measure.scale import ScaleInput
from measure.sites import Site, View

DRAFT_FORMAT, DRAFT_VERSION = "holdfast-draft", 1
FOLDER, SUFFIX = ".holdfast", ".draft.json"
ANOTHER_WINDOW = (
    "Another window has changed a working reading of this folder; its work is kept as {name}. "
    "Read a folder in one window at a time."
)


@dataclass(frozen=True)
class Draft:
    """One film's working reading. Landmarks may have fewer points than the table asks for.

    `supersedes` is the uid of the finished reading that it corrects, if any.
    """

    view: str
    axis: str
    reader: str
    laterality: str | None = None
    surgery_date: str | None = None
    landmarks: Mapping[str, Landmark] = field(default_factory=dict)
    scale_inputs: tuple[ScaleInput, ...] = ()
    scale_use: str | None = None
    supersedes: str | None = None
    observations: Mapping[str, Observation] = field(default_factory=dict)
    remark: str = ""

    def __post_init__(self) -> None:
        for name in ("landmarks", "observations"):
            object.__setattr__(self, name, MappingProxyType(dict(getattr(self, name))))

    def with_landmark(self, name: str, landmark: Landmark | None) -> Draft:
        """Return the draft with one landmark put in its place, or taken out."""
        others = {key: value for key, value in self.landmarks.items() if key != name}
        return dataclasses.replace(self, landmarks=others if landmark is None else others | {name: landmark})

    def with_observation(self, name: str, seen: Observation | None) -> Draft:
        """Return the draft with one observation in its place, or taken out."""
        others = {key: value for key, value in self.observations.items() if key != name}
        return dataclasses.replace(self, observations=others if seen is None else others | {name: seen})

    def same_work(self, other: Draft) -> bool:
        """Whether both say the same of the film."""
        return dataclasses.replace(self, supersedes=None) == dataclasses.replace(other, supersedes=None)


def from_reading(reading: Reading) -> Draft:
    """Return the draft that a correction of a finished reading starts from."""
    return Draft(
        view=reading.view,
        axis=reading.axis,
        reader=reading.reader,
        laterality=reading.laterality,
        surgery_date=reading.surgery_date,
        landmarks=reading.landmarks,
        scale_inputs=reading.scale_inputs,
        scale_use=reading.scale_use,
        observations=reading.observations,
        remark=reading.remark,
        supersedes=reading.uid,
    )


def to_reading(draft: Draft, film: Film, site: Site) -> Reading:
    """Return the reading of what is whole in a draft; what is not yet whole is left out."""
    return for_film(
        film,
        site,
        draft.view,
        draft.reader,
        axis=draft.axis,
        laterality=draft.laterality,
        surgery_date=draft.surgery_date,
        landmarks=whole(draft.landmarks, site.views[draft.view]),
        scale_inputs=draft.scale_inputs,
        scale_use=draft.scale_use,
        observations=draft.observations,
        remark=draft.remark,
        supersedes=draft.supersedes,
    )


def whole(landmarks: Mapping[str, Landmark], view: View) -> dict[str, Landmark]:
    """Landmarks fit for a reading, in the table's order: points enough, and both cortices equally many."""
    found = {row.name: landmarks[row.name] for row in view.landmarks if row.name in landmarks}
    found = {
        name: mark for name, mark in found.items() if not lacks_points(mark, view.landmark[name].points[0])
    }
    cortices = [view.axis[side] for side in ("near", "far")] if view.axis else []
    counts = {len(found[name].points) for name in cortices if name in found and found[name].located}
    if len(counts) > 1:
        found = {name: mark for name, mark in found.items() if name not in cortices}
    return found


def lacks_points(landmark: Landmark, wanted: int) -> bool:
    """Whether a located landmark has fewer points than its row asks for."""
    return landmark.located and len(landmark.points) < wanted


# --- Keeping ---


class DraftStore:
    """The drafts of one folder of films.

    What is on the disk and is not what was last read or written here is another window's work: it is set
    aside under another name, never written over.
    """

    def __init__(self, folder: Path) -> None:
        self.folder = folder / FOLDER
        self._known: dict[Path, str | None] = {}

    def path(self, film: Film) -> Path:
        """Where a film's draft is kept."""
        return self.folder / (film.digest.removeprefix("sha256:")[:16] + SUFFIX)

    def save(self, film: Film, draft: Draft) -> str:
        """Replace the film's draft, whole or not at all; return a warning, or nothing.

        Raises ReadingError where it cannot be written.
        """
        content = {
            "format": DRAFT_FORMAT,
            "version": DRAFT_VERSION,
            "film_digest": film.digest,
            "time": datetime.datetime.now(datetime.UTC).isoformat(),
            **_fields(draft),
        }
        path = self.path(film)
        text = json.dumps(content, indent=1, ensure_ascii=False, allow_nan=False) + "\n"
        try:
            warning = self._set_others_aside(path)
            with whole_file(path, replace=True) as file:
                file.write(text)
        except OSError as error:
            raise ReadingError(
                f"The working reading could not be kept ({error.strerror}). Make the folder "
                "writable; what is on the screen is not lost while the window is open."
            ) from None
        self._known[path] = text
        return warning

    def load(self, film: Film, done: Reading | None = None) -> Draft | None:
        """Return the film's draft, or None.

        One that is damaged, or older than the finished reading, is set aside; ReadingError says so.
        """
        path = self.path(film)
        try:
            text = path.read_text(encoding="utf-8")
            draft, time = _read(text, film)
        except FileNotFoundError:
            return None
        except (OSError, ValueError, KeyError, TypeError, AttributeError):
            raise ReadingError(
                f"The working reading {path.name} cannot be used; it is left as "
                f"{self._set_aside(path, 'damaged')}. Place the landmarks anew."
            ) from None
        if done and draft.supersedes != done.uid and time < datetime.datetime.fromisoformat(done.time):
            raise ReadingError(
                f"A working reading is older than the finished one of {done.time[:16]}, which is shown; "
                f"it is left as {self._set_aside(path, 'older')}."
            )
        self._known[path] = text
        return draft

    def drop(self, film: Film) -> str:
        """Forget the film's draft, as when it is finished; return a warning, or nothing."""
        path = self.path(film)
        warning = self._set_others_aside(path)
        path.unlink(missing_ok=True)
        self._known[path] = None
        return warning

    def _set_others_aside(self, path: Path) -> str:
        try:
            text = path.read_text(encoding="utf-8", errors="replace")
        except FileNotFoundError:
            return ""
        if text == self._known.get(path):
            return ""
        return ANOTHER_WINDOW.format(name=self._set_aside(path, "other"))

    def _set_aside(self, path: Path, why: str) -> str:
        """Give a file a name that no other has; return its name, the old one where it must stay."""
        names = (path.with_name(f"{path.name}.{why}-{n}") for n in range(1, 10_000))
        aside = next(name for name in names if not name.exists())
        try:
            path.replace(aside)
        except OSError:
            return path.name
        return aside.name


def _fields(draft: Draft) -> dict[str, Any]:
    tables = ("landmarks", "scale_inputs", "observations")
    plain = {name: value for name, value in vars(draft).items() if name not in tables}
    return plain | {
        "observations": {name: dataclasses.asdict(seen) for name, seen in draft.observations.items()},
        "scale_inputs": [dataclasses.asdict(given) for given in draft.scale_inputs],
        "landmarks": {name: dataclasses.asdict(landmark) for name, landmark in draft.landmarks.items()},
    }


def _read(text: str, film: Film) -> tuple[Draft, datetime.datetime]:
    """Return a draft and when it was kept; one of an earlier program does not say, and is then the newest."""
    content = json.loads(text)
    expected = (DRAFT_FORMAT, DRAFT_VERSION, film.digest)
    if tuple(content.pop(key) for key in ("format", "version", "film_digest")) != expected:
        raise ValueError("not a draft of this film")
    stated = content.pop("time", None)
    time = datetime.datetime.fromisoformat(stated) if stated else datetime.datetime.now(datetime.UTC)
    content["landmarks"] = {name: Landmark(**entry) for name, entry in content["landmarks"].items()}
    seen = content.get("observations", {})  # a draft of an older holdfast has none
    content["observations"] = {name: Observation(**entry) for name, entry in seen.items()}
    content["scale_inputs"] = tuple(ScaleInput(**entry) for entry in content["scale_inputs"])
    return Draft(**content), time
