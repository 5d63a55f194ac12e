"""A folder of films with its finished readings, read off the window's thread."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, field
from pathlib import Path

from measure.errors import FilmError, HoldfastError, SeveralFramesError
from measure.film import Film, read_film, search
from measure.reading import Filed, Reading, check_film, load_readings, standing
from measure.review import MOST_FRAMES


@dataclass
class Folder:
    """What a folder gave so far; `problems` name every file that could not be used, and why."""

    path: Path
    films: list[Film] = field(default_factory=list)
    saved: dict[str, Reading] = field(default_factory=dict)
    problems: list[str] = field(default_factory=list)


def load_folder(path: Path) -> Iterator[tuple[int, int, Folder]]:
    """Read a folder film by film, giving (done, total, what there is so far) after each.

    Raises FilmError where it cannot be read or holds no film at all.
    """
    found = search(path)
    folder = Folder(path, problems=[f"{name}: {words}" for name, words in found.refused])
    if not found.films:
        left_out = "".join(f" {problem}" for problem in folder.problems)
        raise FilmError(
            f"No film was found under {path.name!r}. Choose a folder of DICOM files or pictures.{left_out}"
        )
    readings, unusable = load_readings(path)
    folder.problems += [f"{name}: {words}" for name, words in unusable]
    for done, name in enumerate(found.films, start=1):
        try:
            for film in _films(name, folder.problems):
                _add(folder, film, readings)
        except HoldfastError as error:
            folder.problems.append(f"{name.name}: {error}")
        yield done, len(found.films), folder
    if not folder.films:
        raise FilmError(f"None of the {len(found.films)} files could be read: {'; '.join(folder.problems)}")


def _films(path: Path, problems: list[str]) -> Iterator[Film]:
    """Give the film of a file, or each of its frames as a film that may be chosen."""
    try:
        yield read_film(path)
        return
    except SeveralFramesError as several:
        count = several.count
    faults: dict[str, list[int]] = {}
    for frame in range(1, min(count, MOST_FRAMES) + 1):
        try:
            yield read_film(path, frame=frame)
        except FilmError as error:
            faults.setdefault(str(error), []).append(frame)
    for words, frames in faults.items():
        problems.append(f"{path.name}, frame {', '.join(map(str, frames))} of {count}: {words}")
    if count > MOST_FRAMES:
        problems.append(f"{path.name}: holds {count} frames; the first {MOST_FRAMES} are shown")


def _add(folder: Folder, film: Film, readings: Filed) -> None:
    if any(film.digest == other.digest for other in folder.films):
        folder.problems.append(f"{film.name}: the same pixels as another file; shown once")
        return
    folder.films.append(film)
    valid = standing(reading for _, reading in readings.get(film.digest, ()))
    reading = valid[-1] if valid else None
    if reading:
        check_film(reading, film)
        folder.saved[film.digest] = reading
