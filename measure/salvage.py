"""Rows of a database's table as far as they can be read: those on damaged pages of its file are named."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from typing import Any

import sqlalchemy as sa
from sqlalchemy import exc

AT_A_TIME = 1000  # rows asked for together
LOST = "The page of the file that holds it is damaged. Restore it from a copy."


class Salvaged:
    """Rows of a table in the order of their numbers, but for those that cannot be read.

    Those are found by halving what is asked for, and named by `faults` once all rows were asked for. A table
    that is whole is read as if nothing were amiss.

    Parameters
    ----------
    engine
        The database.
    table
        With a column "number", counted from 1 without large gaps.
    """

    def __init__(self, engine: sa.Engine, table: sa.Table) -> None:
        self._engine, self._table = engine, table
        self._lost: list[int] = []
        self._last = self._last_number()

    def __len__(self) -> int:
        return self._last

    def __iter__(self) -> Iterator[sa.Row[Any]]:
        """Give each row that can be read. Raises DBAPIError for any fault but a damaged page."""
        self._lost.clear()
        for first in range(1, self._last + 1, AT_A_TIME):
            yield from self._between(first, min(first + AT_A_TIME - 1, self._last))

    def _last_number(self) -> int:
        """Return the last row's number; where its page is damaged, the last that an index knows of."""
        number = self._table.c.number
        indexed = sa.select(sa.func.max(number + 0))  # so that the table's last page is not asked for
        found = self._read(sa.select(sa.func.max(number))) or self._read(indexed)
        if found is None:  # no page of it can be read: let the database say so
            with self._engine.connect() as connection:
                found = connection.execute(indexed).all()
        return found[0][0] or 0

    def _read(self, query: sa.Select[Any]) -> Sequence[sa.Row[Any]] | None:
        """Return what a query finds; None where it meets a damaged page."""
        try:
            with self._engine.connect() as connection:
                return connection.execute(query).all()
        except exc.DBAPIError as error:
            if is_damage(error):
                return None
            raise

    def _between(self, first: int, last: int) -> Iterator[sa.Row[Any]]:
        number = self._table.c.number
        rows = self._read(sa.select(self._table).where(number.between(first, last)).order_by(number))
        if rows is not None:
            yield from filter(self._is_sound, rows)
        elif first == last:
            self._lost.append(first)
        else:
            middle = (first + last) // 2
            yield from self._between(first, middle)
            yield from self._between(middle + 1, last)

    def _is_sound(self, row: sa.Row[Any]) -> bool:
        """Whether every value is of its column's kind; what is not is lost too."""
        sound = all(
            isinstance(value, column.type.python_type) or (value is None and column.nullable)
            for value, column in zip(row, self._table.c, strict=True)
        )
        if not sound:
            self._lost.append(row.number)
        return sound

    def faults(self) -> tuple[tuple[str, str], ...]:
        """Rows that could not be read, those in a row together, and why."""
        runs: list[list[int]] = []
        for number in self._lost:
            if runs and number == runs[-1][-1] + 1:
                runs[-1][1:] = [number]
            else:
                runs.append([number])
        names = (f"row {run[0]}" if len(run) == 1 else f"rows {run[0]} to {run[1]}" for run in runs)
        return tuple((f"{name} of {self._table.name}", LOST) for name in names)


def is_damage(error: exc.DBAPIError) -> bool:
    """Whether a page of the database is damaged, by SQLite's name or PostgreSQL's SQLSTATE (class XX)."""
    code = getattr(error.orig, "sqlite_errorname", None) or getattr(error.orig, "sqlstate", None) or ""
    return code.startswith(("SQLITE_CORRUPT", "XX"))
