"""A folder of films with its finished readings, read off the window's thread."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, field
from pathlib import Path

from measure.errors import FilmError, HoldfastError
from measure.film import Film, find_films, read_film
from measure.reading import Filed, Reading, check_film, load_readings, standing


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
    paths = find_films(path)
    if not paths:
        raise FilmError(f"No film was found under {path.name!r}. Choose a folder of DICOM files or pictures.")
    folder = Folder(path)
    readings, unusable = load_readings(path)
    folder.problems += [f"{name}: {words}" for name, words in unusable]
    for done, name in enumerate(paths, start=1):
        try:
            _add(folder, read_film(name), readings)
        except HoldfastError as error:
            folder.problems.append(f"{name.name}: {error}")
        yield done, len(paths), folder
    if not folder.films:
        raise FilmError(f"None of the {len(paths)} files could be read: {'; '.join(folder.problems)}")


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
