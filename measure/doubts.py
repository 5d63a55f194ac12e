"""What is not sure about a film when it arrives, each kind a row of a table: it is asked, and never guessed.

A film's own words come first; pictures are compared only where the words leave something to doubt them by.
"""

from __future__ import annotations

import dataclasses
import datetime
import functools
import hashlib
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from measure.carry import register
from measure.errors import CarryError, TurnedError
from measure.film import Film
from measure.film_dicom import quiet
from measure.prepare import shrink

LEAVE_OUT, FINE = "leave out", "fine"
A_DATE = "YYYY-MM-DD"


@dataclass(frozen=True)
class Kind:
    """One kind of doubt: what is asked, and what may be answered beside "leave out"."""

    name: str
    question: str
    answers: tuple[str, ...] = (FINE,)

    def takes(self, answer: str) -> bool:
        """Whether an answer is one of those that may be given."""
        if self.answers == (A_DATE,) and answer != LEAVE_OUT:
            try:
                return bool(datetime.date.fromisoformat(answer))
            except ValueError:
                return False
        return answer in (*self.answers, LEAVE_OUT)


KINDS = {
    kind.name: kind
    for kind in (
        Kind("patient", "Whose film is it? Have it sent again with its identifier.", ()),
        Kind("two patients", "One identifier comes with two dates of birth. Is this film filed rightly?"),
        Kind("side", "Which side does it show?", ("left", "right")),
        Kind("both sides", "It seems to show both sides. Is it a film of one?", ("left", "right")),
        Kind("view", "How was it taken?", ("lateral", "ap", "oblique")),
        Kind("date", "When was it taken?", (A_DATE,)),
        Kind("body part", "Does it show an elbow, knee, shoulder, hip or ankle?"),
        Kind("mirrored", "Is it shown mirrored? Then leave it out and have it sent again."),
        Kind("turned", "It lies turned. Is it the film it says it is?"),
        Kind("same UID", "Another film has its UID. Which of the two is right?"),
    )
}
# Where tension-band wiring is done; common practice, no source.
PARTS = (
    "elbow", "olecranon", "ulna", "forearm", "knee", "patella", "shoulder", "humerus", "hip", "femur",
    "ankle", "arm", "leg", "upperarm", "trochanter", "malleolus",
)  # fmt: skip


@dataclass(frozen=True)
class Doubt:
    """Something to be asked of one film: the kind's name, and what gave rise to it."""

    kind: str
    seen: str


def of_header(film: Film) -> Iterator[Doubt]:
    """Give what a film's own words leave open."""
    said = _orientation(Path(film.path))
    both = "B" in said.sides
    asked = (
        (film.patient_key is None, "patient", "it names no patient"),
        (both, "both sides", "it says so"),
        (film.laterality is None and not both, "side", _told(film, "side")),
        (film.view is None, "view", _told(film, "view")),
        (film.date is None, "date", "it says none that can be used"),
        (film.body_part is None, "body part", "it does not say"),
        (not any(part in (film.body_part or part) for part in PARTS), "body part", "it names another"),
        (said.flipped, "mirrored", "it says that its field was flipped"),
        (film.view == "ap" and said.from_behind, "mirrored", "by its orientation it is shown from behind"),
        (
            said.rotation % 360 != 0,
            "turned",
            f"it says that its field was turned by {said.rotation:g} degrees",
        ),
    )
    yield from (Doubt(kind, seen) for is_so, kind, seen in asked if is_so)


def _told(film: Film, word: str) -> str:
    """Return what reading the film told of a word."""
    return next((words for words in film.warnings if word in words), f"it does not say its {word}")


@dataclass(frozen=True)
class _Said:
    sides: frozenset[str] = frozenset()
    flipped: bool = False
    rotation: float = 0.0
    from_behind: bool = False


_SIDES = ("Laterality", "ImageLaterality")
# Directions in the patient (PS3.3, C.7.6.1.1.1): left, posterior and head are positive.
_AXES = {"L": (0, 1), "R": (0, -1), "P": (1, 1), "A": (1, -1), "H": (2, 1), "F": (2, -1)}


def _orientation(path: Path) -> _Said:
    """Read what a DICOM film says of how it lies; nothing for a picture, or where it cannot be read."""
    from pydicom import dcmread

    asked = [*_SIDES, "FieldOfViewHorizontalFlip", "FieldOfViewRotation", "PatientOrientation"]
    try:
        with quiet():
            header: Any = dcmread(path, stop_before_pixels=True, specific_tags=asked)
            return _Said(
                frozenset(str(header.get(keyword, "")).upper() for keyword in _SIDES),
                str(header.get("FieldOfViewHorizontalFlip", "")).upper() == "YES",
                float(header.get("FieldOfViewRotation") or 0.0),
                _from_behind(header.get("PatientOrientation")),
            )
    except Exception:  # pydicom raises what it meets
        return _Said()


def _from_behind(orientation: Any) -> bool:
    """Whether row and column run as on a film seen from the patient's back, or mirrored."""
    letters = [str(part)[:1].upper() for part in orientation or ()]
    if len(letters) != 2 or not set(letters) <= set(_AXES):
        return False
    row, column = (np.zeros(3) for _ in letters)
    for vector, letter in zip((row, column), letters, strict=True):
        axis, sign = _AXES[letter]
        vector[axis] = sign
    return bool(np.cross(row, column)[1] < 0)  # away from who looks: a film is looked at from the front


# --- By the pictures ---

WIDE, EVEN, GAP = 0.2, 0.5, 0.03  # a part's width, the smaller part over the larger, the gap; of the film
SMALL = 96  # pixels across which parts are told apart


def shows_two(film: Film) -> bool:
    """Whether a film shows two parts of like size side by side, with air between, as a film of both sides."""
    picture = shrink(film.display(), max(1.0, film.pixels.shape[1] / SMALL))
    grey = (255 * picture).astype(np.uint8)
    _, tissue = cv2.threshold(grey, 0, 1, cv2.THRESH_BINARY | cv2.THRESH_OTSU)
    covered = np.concatenate(([False], tissue.mean(axis=0) > GAP, [False]))
    edges = np.flatnonzero(covered[1:] != covered[:-1]).reshape(-1, 2)
    width = grey.shape[1]
    parts = [(start, end) for start, end in edges if end - start >= WIDE * width]
    if len(parts) != 2 or parts[1][0] - parts[0][1] < GAP * width:
        return False
    amounts = sorted(int(tissue[:, start:end].sum()) for start, end in parts)
    return amounts[0] >= EVEN * amounts[1]


def content(film: Film) -> str:
    """Hash of how often each value occurs: the same for a film however it is turned or mirrored."""
    counts = np.bincount(film.pixels.ravel().view(f"u{film.pixels.dtype.itemsize}"), minlength=256)
    return hashlib.sha256(np.trim_zeros(counts, "b").tobytes()).hexdigest()


Pixels = NDArray[Any]
_WAYS: dict[str, tuple[str, Callable[[Pixels], Pixels]]] = {
    "mirrored": ("mirrored", np.fliplr),
    "turned by 90 degrees": ("turned", functools.partial(np.rot90, k=1)),
    "turned by 180 degrees": ("turned", functools.partial(np.rot90, k=2)),
    "turned by 270 degrees": ("turned", functools.partial(np.rot90, k=3)),
    "mirrored and turned by 90 degrees": ("mirrored", lambda pixels: np.rot90(np.fliplr(pixels), 1)),
    "mirrored and turned by 180 degrees": ("mirrored", np.flipud),
    "mirrored and turned by 270 degrees": ("mirrored", lambda pixels: np.rot90(np.fliplr(pixels), 3)),
}


def as_a_copy(first: Film, film: Film) -> Doubt | None:
    """Doubt about a film that is another one turned or mirrored, pixel for pixel."""
    for words, (kind, way) in _WAYS.items():
        if np.array_equal(way(film.pixels), first.pixels):
            return Doubt(kind, f"it is {first.name}, {words}")
    return None


def beside(first: Film, film: Film) -> Doubt | None:
    """Doubt about a film that can be laid on its case's first only when turned or mirrored.

    None where it can be laid on as it is, and where neither fits: then the pictures cannot tell.
    """
    if (fits := _fits(first, film)) is not None:
        return None if fits else Doubt("turned", f"it lies turned against {first.name}")
    if _fits(first, dataclasses.replace(film, pixels=np.fliplr(film.pixels))) is None:
        return None
    return Doubt("mirrored", f"it fits {first.name} only when mirrored")


def _fits(first: Film, film: Film) -> bool | None:
    """Whether a film can be laid on another as it lies; None where it cannot at all."""
    try:
        register(first, film)
    except TurnedError:
        return False
    except CarryError:
        return None
    return True
