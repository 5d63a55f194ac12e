"""Text files that appear whole or not at all."""

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
    leave behind. Permissions are those of any new file.

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
            os.link(part, path)  # unlike a rename, this fails where the name is taken
    finally:
        part.unlink(missing_ok=True)
