"""Films wherever they come from: a folder, a disc with its directory, a zip archive, or one file.

Nothing outside what was given is read or written: archives are unpacked one file at a time, under names of
our own, and a directory's entries that lead elsewhere are told and left.
"""

from __future__ import annotations

import re
import stat
import tempfile
import zipfile
from collections.abc import Iterator
from pathlib import Path, PurePosixPath
from typing import IO

from measure.errors import FilmError, LimitError
from measure.film import looks_like_film, search
from measure.film_dicom import is_own_object, quiet
from measure.film_walk import refuse_absurd_header
from measure.limits import refuse_beyond

Problems = list[tuple[str, str]]  # name and reason
DIRECTORY = "DICOMDIR"
_COMPONENT = re.compile(r"[A-Za-z0-9_]{1,16}\Z")  # PS3.10, 8.5 allows 8 capitals; discs are made otherwise
_CHUNK = 2**20
_ZIP = b"PK\x03\x04"
_ELSEWHERE = "The disc's directory names a file that is not on the disc, or not in an allowed way."


def films_in(source: Path, problems: Problems) -> Iterator[tuple[str, Path]]:
    """Give every film of a source: what to call it, and a file that lasts until the next is asked for.

    What cannot be used goes to `problems`. Raises FilmError where there is no such source.
    """
    if source.name.upper() == DIRECTORY:
        source = source.parent
    if source.is_dir():
        found = search(source)
        problems += found.refused
        for directory in sorted(source.rglob(DIRECTORY)):
            problems += _missing(directory)
        for path in found.films:
            yield path.relative_to(source).as_posix(), path
        for path in sorted(source.rglob("*.zip")):
            if not path.is_symlink():
                yield from _unpacked(path, problems)
    elif not source.exists():
        raise FilmError(f"There is nothing at {source.name!r}. Check the path.")
    elif _is_archive(source):
        yield from _unpacked(source, problems)
    else:
        yield source.name, source


def _is_archive(path: Path) -> bool:
    try:
        with path.open("rb") as file:
            return file.read(4) == _ZIP
    except OSError:
        return False


# --- Archives ---


def _unpacked(path: Path, problems: Problems) -> Iterator[tuple[str, Path]]:
    try:
        with zipfile.ZipFile(path) as archive, tempfile.TemporaryDirectory(prefix="holdfast-") as folder:
            members = archive.infolist()
            refuse_beyond("archive_members", len(members))
            for number, member in enumerate(members):
                if not member.is_dir():
                    yield from _member(archive, member, Path(folder) / f"{number}", problems)
    except LimitError as error:
        problems.append((path.name, str(error)))
    except Exception:  # zipfile raises what it meets in a damaged archive
        problems.append((path.name, "The archive is damaged or cannot be read."))


def _member(
    archive: zipfile.ZipFile, member: zipfile.ZipInfo, to: Path, problems: Problems
) -> Iterator[tuple[str, Path]]:
    """Unpack one file, if it is a film, and give it; it is removed afterwards."""
    inside = PurePosixPath(member.filename.replace("\\", "/"))
    name = f"{Path(archive.filename or '').name}: {_shown(inside.name)}"
    try:
        if reason := _why_not(member, inside):
            problems.append((name, reason))
            return
        with archive.open(member) as packed:
            head = packed.read(132)
            if inside.name.upper() == DIRECTORY or inside.name.startswith(".") or not looks_like_film(head):
                if head.startswith(_ZIP):
                    problems.append((name, "An archive within an archive is not unpacked. Unpack it first."))
                return
            _copy(head, packed, member, to)
        if not is_own_object(to):
            yield name, to
    except LimitError as error:
        problems.append((name, str(error)))
    except Exception:  # as above, and its decoders
        problems.append((name, "This file of the archive is damaged, or packed in a way that is not read."))
    finally:
        to.unlink(missing_ok=True)


def _shown(name: str) -> str:
    """Name from outside as a screen may show it: no signs that steer a terminal, and not without end."""
    return "".join(letter if letter.isprintable() else "?" for letter in name)[:80]


def _why_not(member: zipfile.ZipInfo, inside: PurePosixPath) -> str | None:
    if inside.is_absolute() or ".." in inside.parts:
        return "Its name leads out of the archive, which no film's does. It was left; check the archive."
    if stat.S_ISLNK(member.external_attr >> 16):
        return "A symbolic link in an archive is not followed."
    if member.flag_bits & 1:
        return "It is locked by a password. Unpack the archive first."
    return None


def _copy(head: bytes, packed: IO[bytes], member: zipfile.ZipInfo, to: Path) -> None:
    """Unpack up to the limits, whatever size the archive states."""
    size = 0
    with to.open("xb") as file:
        some = head
        while some:
            size += len(some)
            refuse_beyond("film_bytes", size)
            if size > _CHUNK:  # what is small and very even may well pack better
                refuse_beyond("archive_ratio", size / max(member.compress_size, 1))
            file.write(some)
            some = packed.read(_CHUNK)


# --- Discs ---


def _missing(directory: Path) -> Problems:
    """Entries of a disc's directory (PS3.3, F.3) that are no file beside it, and what is wrong with it."""
    from pydicom import dcmread

    try:
        if directory.is_symlink():
            return [(directory.name, "A symbolic link is not followed.")]
        refuse_beyond("film_bytes", directory.stat().st_size)
        with directory.open("rb") as file, quiet():
            refuse_absurd_header(file)
            listed = dcmread(file, specific_tags=["DirectoryRecordSequence"])
            records = listed.get("DirectoryRecordSequence") or ()
            refuse_beyond("directory_records", len(records))
            named = [_parts(record.get("ReferencedFileID")) for record in records]
    except LimitError as error:
        return [(directory.name, str(error))]
    except Exception:  # pydicom raises what it meets
        return [
            (directory.name, "The disc's directory cannot be read; the films were looked for without it.")
        ]
    wrong = [parts for parts in named if parts and not _is_beside(directory.parent, parts)]
    return [(_shown("/".join(parts)), _ELSEWHERE) for parts in wrong]


def _parts(value: object) -> tuple[str, ...]:
    if value is None or value == "":
        return ()
    return (value,) if isinstance(value, str) else tuple(map(str, value))  # type: ignore[call-overload]


def _is_beside(folder: Path, parts: tuple[str, ...]) -> bool:
    """Whether a file is there; its case may have been changed by the computer that copied the disc."""
    if not all(_COMPONENT.match(part) for part in parts):
        return False
    spellings = (parts, [part.lower() for part in parts], [part.upper() for part in parts])
    return any(folder.joinpath(*spelling).is_file() for spelling in spellings)
