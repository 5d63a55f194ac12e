"""Files that appear whole or not at all."""

from __future__ import annotations

import contextlib
import io
import os
import uuid
from collections.abc import Iterator
from pathlib import Path
from typing import TYPE_CHECKING, TextIO

from measure.errors import HoldfastError

if TYPE_CHECKING:
    from pydicom.dataset import Dataset


@contextlib.contextmanager
def whole_path(path: Path, *, replace: bool = True) -> Iterator[Path]:
    """Give a path to write to, whose file takes the name wanted only once it is whole and on the disk.

    It is a hidden `.part` file beside it, which is all that a killed process can leave behind (and an
    empty file, where there are no hard links). Permissions are those of any new file.

    Raises FileExistsError where `path` exists and `replace` is false: of several writers at once,
    exactly one wins. Raises OSError where the folder cannot be written.
    """
    path.parent.mkdir(parents=True, exist_ok=True)
    part = path.with_name(f".{uuid.uuid4().hex}.part")
    try:
        yield part
        with part.open("rb+") as file:
            os.fsync(file.fileno())
        if replace:
            os.replace(part, path)
        else:
            _claim(part, path)
    finally:
        part.unlink(missing_ok=True)


@contextlib.contextmanager
def whole_file(path: Path, *, replace: bool) -> Iterator[TextIO]:
    """Open a text file that appears as `whole_path` says."""
    with (
        whole_path(path, replace=replace) as part,
        part.open("x", encoding="utf-8", newline="") as file,
    ):
        yield file


def write_bytes(content: bytes, path: Path, what: str) -> Path:
    """Write a file whole or not at all; HoldfastError, naming what it is, where it cannot be written."""
    try:
        with whole_path(path) as part:
            part.write_bytes(content)
    except OSError as error:
        raise HoldfastError(
            f"{what} could not be written to {path.parent.name!r}: {error.strerror}. Choose another folder."
        ) from None
    return path


def write_dicom(content: Dataset, path: Path, what: str) -> Path:
    """Write a DICOM file as `write_bytes` does."""
    buffer = io.BytesIO()  # pydicom, writing to a disk itself, does not pass on what the disk says
    content.save_as(buffer, enforce_file_format=True)
    return write_bytes(buffer.getvalue(), path, what)


def _claim(part: Path, path: Path) -> None:
    """Give a file its name; FileExistsError where the name is taken, which a rename would not mind."""
    try:
        os.link(part, path)
    except FileExistsError:
        raise
    except OSError:  # no hard links here: FAT, and many a network share
        path.open("x").close()
        os.replace(part, path)
