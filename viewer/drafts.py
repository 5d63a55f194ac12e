"""Working readings: what a reader has placed so far on one film, kept after every step.

A draft may be half done, which a reading may not. It is kept as FOLDER/.holdfast/FILM.draft.json, FILM
being the first 16 digits of the film's digest; the file is replaced whole, so that a power cut leaves
either the last step or the one before it. A finished reading is another file (`measure.reading`).
"""

from __future__ import annotations

import dataclasses
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
    """The drafts of one folder of films."""

    def __init__(self, folder: Path) -> None:
        self.folder = folder / FOLDER

    def path(self, film: Film) -> Path:
        """Where a film's draft is kept."""
        return self.folder / (film.digest.removeprefix("sha256:")[:16] + SUFFIX)

    def save(self, film: Film, draft: Draft) -> None:
        """Replace the film's draft, whole or not at all. Raises ReadingError where it cannot be written."""
        content = {
            "format": DRAFT_FORMAT,
            "version": DRAFT_VERSION,
            "film_digest": film.digest,
            **_fields(draft),
        }
        text = json.dumps(content, indent=1, ensure_ascii=False, allow_nan=False) + "\n"
        try:
            with whole_file(self.path(film), replace=True) as file:
                file.write(text)
        except OSError as error:
            raise ReadingError(
                f"The working reading could not be kept ({error.strerror}). Make the folder "
                "writable; what is on the screen is not lost while the window is open."
            ) from None

    def load(self, film: Film) -> Draft | None:
        """Return the film's draft, or None. A damaged one is set aside, and ReadingError says so."""
        path = self.path(film)
        try:
            return _read(path.read_text(encoding="utf-8"), film)
        except FileNotFoundError:
            return None
        except (OSError, ValueError, KeyError, TypeError, AttributeError):
            aside = path.with_suffix(".damaged")
            try:
                path.replace(aside)
            except OSError:
                aside = path
            raise ReadingError(
                f"The working reading {path.name} cannot be used; it is left as {aside.name}. "
                "Place the landmarks anew."
            ) from None

    def drop(self, film: Film) -> None:
        """Forget the film's draft, as when it is finished."""
        self.path(film).unlink(missing_ok=True)


def _fields(draft: Draft) -> dict[str, Any]:
    tables = ("landmarks", "scale_inputs", "observations")
    plain = {name: value for name, value in vars(draft).items() if name not in tables}
    return plain | {
        "observations": {name: dataclasses.asdict(seen) for name, seen in draft.observations.items()},
        "scale_inputs": [dataclasses.asdict(given) for given in draft.scale_inputs],
        "landmarks": {name: dataclasses.asdict(landmark) for name, landmark in draft.landmarks.items()},
    }


def _read(text: str, film: Film) -> Draft:
    content = json.loads(text)
    expected = (DRAFT_FORMAT, DRAFT_VERSION, film.digest)
    if tuple(content.pop(key) for key in ("format", "version", "film_digest")) != expected:
        raise ValueError("not a draft of this film")
    content["landmarks"] = {name: Landmark(**entry) for name, entry in content["landmarks"].items()}
    seen = content.get("observations", {})  # a draft of an older holdfast has none
    content["observations"] = {name: Observation(**entry) for name, entry in seen.items()}
    content["scale_inputs"] = tuple(ScaleInput(**entry) for entry in content["scale_inputs"])
    return Draft(**content)
