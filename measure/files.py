"""Files that appear whole or not at all."""

from __future__ import annotations

import contextlib
import os
import uuid
from collections.abc import Iterator
from pathlib import Path
from typing import TextIO


@contextlib.contextmanager
def whole_file(path: Path, *, replace: bool) -> Iterator[TextIO]:
    """Open a text file that takes its name only once it is whole and on the disk.

    What is written goes to a hidden `.part` file beside it, which is all that a killed process can
    leave behind (and an empty file, where there are no hard links). Permissions are those of any new file.

    Raises FileExistsError where `path` exists and `replace` is false: of several writers at once,
    exactly one wins. Raises OSError where the folder cannot be written.
    """
    path.parent.mkdir(parents=True, exist_ok=True)
    part = path.with_name(f".{uuid.uuid4().hex}.part")
    try:
        with part.open("x", encoding="utf-8", newline="") as file:
            yield file
            file.flush()
            os.fsync(file.fileno())
        if replace:
            os.replace(part, path)
        else:
            claim(part, path)
    finally:
        part.unlink(missing_ok=True)


def claim(part: Path, path: Path) -> None:
    """Give a file its name; FileExistsError where the name is taken, which a rename would not mind."""
    try:
        os.link(part, path)
    except FileExistsError:
        raise
    except OSError:  # no hard links here: FAT, and many a network share
        path.open("x").close()
        os.replace(part, path)


def sync_folder(folder: Path) -> None:
    """Put a folder's list of names on the disk, so that a new file outlives a power cut."""
    if os.name != "posix":  # elsewhere a folder cannot be opened
        return
    handle = os.open(folder, os.O_RDONLY)
    try:
        os.fsync(handle)
    finally:
        os.close(handle)
