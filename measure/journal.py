"""What a long run has done so far, kept on the disk as it is done: one row a film, in an SQLite file.

A run that was stopped goes on from here. A row counts only for the very file, readings and settings it was
made of, so that what has changed since is done again.
"""

from __future__ import annotations

import sqlite3
import zlib
from collections.abc import Iterator
from dataclasses import astuple, dataclass, replace
from pathlib import Path
from types import TracebackType
from typing import Self

from measure.errors import HoldfastError

_SCHEMA = """
CREATE TABLE IF NOT EXISTS films (
    path TEXT PRIMARY KEY, stamp TEXT NOT NULL, digest TEXT NOT NULL, readings TEXT NOT NULL,
    said TEXT NOT NULL, problem TEXT NOT NULL, rows BLOB NOT NULL
) WITHOUT ROWID
"""


@dataclass(frozen=True)
class Entry:
    """What came of one film.

    Parameters
    ----------
    path
        Relative to the folder.
    stamp
        Of file and settings: size, time of change, and what else decides the outcome; empty where it is to
        be tried anew.
    digest
        The film's; empty where it could not be read.
    readings
        Which readings it has, hashed.
    said
        Of whom, which side and when it says to be, hashed: two files of the same pixels must agree.
    problem
        Why it gave no rows; empty where it did.
    rows
        JSON text.
    """

    path: str
    stamp: str = ""
    digest: str = ""
    readings: str = ""
    said: str = ""
    problem: str = ""
    rows: str = "{}"


class Journal:
    """The journal of one run. Raises HoldfastError where its file cannot be used."""

    def __init__(self, path: Path) -> None:
        try:
            path.parent.mkdir(parents=True, exist_ok=True)
            self._database = sqlite3.connect(path, isolation_level=None)
            self._database.execute("PRAGMA journal_mode = WAL")
            self._database.execute("PRAGMA synchronous = NORMAL")  # a power cut costs the last films, no more
            self._database.execute(_SCHEMA)
        except (OSError, sqlite3.Error) as error:
            raise HoldfastError(
                f"The journal {path.name} cannot be used ({error}). Choose another folder, or remove the "
                "journal to begin anew."
            ) from None

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self._database.close()

    def add(self, entry: Entry) -> None:
        """Keep an entry, in place of an earlier one of the same path."""
        *fields, rows = astuple(entry)
        packed = zlib.compress(rows.encode(), 1)
        self._database.execute("REPLACE INTO films VALUES (?, ?, ?, ?, ?, ?, ?)", (*fields, packed))

    def known(self) -> Iterator[tuple[str, str, str, str]]:
        """Path, stamp, digest and readings of every entry."""
        yield from self._database.execute("SELECT path, stamp, digest, readings FROM films")

    def forget(self, paths: set[str]) -> None:
        """Remove the entries of files that are no longer there."""
        self._database.execute("BEGIN")
        self._database.executemany("DELETE FROM films WHERE path = ?", [(path,) for path in sorted(paths)])
        self._database.execute("COMMIT")

    def entries(self) -> Iterator[Entry]:
        """Every entry, in order of path, however they came in."""
        for row in self._database.execute("SELECT * FROM films ORDER BY path"):
            yield replace(Entry(*row[:-1]), rows=zlib.decompress(row[-1]).decode())
