"""A store of readings: kept for good, found again, never changed.

One SQLite file, or a PostgreSQL database for a department. A reading is a row that holds its JSON text
as it was saved, checksum and all, beside the columns it is found by. Rows are only ever added: triggers
refuse to change or remove one. A correction is a new reading that supersedes the old one. The store
holds no patient: a reading knows its film by digest and UID alone.
"""

from __future__ import annotations

import contextlib
import datetime
import functools
import hashlib
import os
import sqlite3
import time
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from types import TracebackType
from typing import Any, Self

import sqlalchemy as sa
from sqlalchemy import event, exc
from sqlalchemy.dialects import postgresql

from measure.errors import ReadingError, StoreError, StudyError
from measure.film import Film
from measure.reading import (
    SUFFIX,
    Reading,
    from_json,
    is_whole,
    reading_files,
    reading_text,
    to_json,
    write_new,
)
from measure.reading_list import (
    READINGS_FOLDER,
    RECORD_SUFFIX,
    Record,
    load_record,
    record_from,
    record_text,
)
from measure.salvage import AT_A_TIME, Salvaged, is_damage

WAIT_S = 30  # how long a writer waits for another's lock before it gives up

Fault = tuple[str, str]  # what cannot be used, and why

_METADATA = sa.MetaData()
SCHEMA = sa.Table(
    "holdfast_schema",
    _METADATA,
    sa.Column("version", sa.Integer, primary_key=True),
    sa.Column("since", sa.Text),
)
READINGS = sa.Table(
    "readings",
    _METADATA,
    # The number is SQLite's own row number, so that no hidden one is there to replace a row by.
    sa.Column("number", sa.BigInteger().with_variant(sa.Integer, "sqlite"), sa.Identity(), primary_key=True),
    sa.Column("uid", sa.Text, nullable=False, unique=True),
    sa.Column("film_digest", sa.Text, nullable=False, index=True),
    sa.Column("sop_instance_uid", sa.Text, index=True),
    sa.Column("site", sa.Text, nullable=False),
    sa.Column("site_version", sa.Text, nullable=False),
    sa.Column("view", sa.Text, nullable=False),
    sa.Column("reader", sa.Text, nullable=False, index=True),
    sa.Column("time", sa.Text, nullable=False),  # in UTC, so that its order is that of time
    sa.Column("supersedes", sa.Text, index=True),
    sa.Column("software", sa.Text, nullable=False),
    sa.Column("content", sa.Text, nullable=False),
    sa.Index("ix_readings_order", "time", "number"),
    sqlite_autoincrement=True,
)
# When a reading of an agreement study was made, in which order and sitting: `measure.reading_list.Record`.
RECORDS = sa.Table(
    "study_records",
    _METADATA,
    sa.Column("number", sa.BigInteger().with_variant(sa.Integer, "sqlite"), sa.Identity(), primary_key=True),
    sa.Column("uid", sa.Text, nullable=False, unique=True),
    sa.Column("list_uid", sa.Text, nullable=False, index=True),
    sa.Column("reader", sa.Text, nullable=False),
    sa.Column("place", sa.Integer, nullable=False),  # in the reader's order
    sa.Column("sitting", sa.Text, nullable=False),
    sa.Column("reading_uid", sa.Text, nullable=False, index=True),
    sa.Column("content", sa.Text, nullable=False),
    sqlite_autoincrement=True,
)


@dataclass(frozen=True)
class Kept:
    """One row of the store: what it is found by, and the reading's JSON text as it was saved."""

    number: int
    uid: str
    film_digest: str
    sop_instance_uid: str | None
    site: str
    site_version: str
    view: str
    reader: str
    time: str
    supersedes: str | None
    software: str
    content: str

    def reading(self) -> Reading:
        """Return the reading; ReadingError where it was damaged, or made with another site table."""
        return from_json(self.content)


def _row(reading: Reading, content: str) -> dict[str, Any]:
    time = datetime.datetime.fromisoformat(reading.time).astimezone(datetime.UTC)
    named = {
        column.name: getattr(reading, column.name) for column in READINGS.c if hasattr(reading, column.name)
    }
    return named | {"time": time.isoformat(timespec="microseconds"), "content": content}


def _record_row(record: Record) -> dict[str, Any]:
    return {
        "uid": record.uid,
        "list_uid": record.list_uid,
        "reader": record.reader,
        "place": record.number,
        "sitting": record.sitting,
        "reading_uid": record.reading_uid,
        "content": record_text(record),
    }


# --- Schema ---


def _create_tables(connection: sa.Connection) -> None:
    _METADATA.create_all(connection, tables=[SCHEMA, READINGS])


def _forbid_changes(connection: sa.Connection) -> None:
    _guard(connection, READINGS)


def _create_records(connection: sa.Connection) -> None:
    RECORDS.create(connection)
    _guard(connection, RECORDS)


def _guard(connection: sa.Connection, table: sa.Table) -> None:
    """Let rows of a table only ever be added."""
    for statement in _APPEND_ONLY[connection.dialect.name]:
        connection.exec_driver_sql(statement.format(table.name))


# SQLite's insert trigger leaves a row that is there alone, even by "INSERT OR REPLACE", which would
# remove it without asking the delete trigger.
_APPEND_ONLY = {
    "sqlite": (
        "CREATE TRIGGER {0}_update BEFORE UPDATE ON {0} "
        "BEGIN SELECT RAISE(ABORT, '{0} are only ever added'); END",
        "CREATE TRIGGER {0}_delete BEFORE DELETE ON {0} "
        "BEGIN SELECT RAISE(ABORT, '{0} are only ever added'); END",
        "CREATE TRIGGER {0}_insert BEFORE INSERT ON {0} "
        "WHEN EXISTS (SELECT 1 FROM {0} WHERE uid = NEW.uid OR number = NEW.number) "
        "BEGIN SELECT RAISE(IGNORE); END",
    ),
    "postgresql": (
        "CREATE FUNCTION {0}_refuse() RETURNS trigger LANGUAGE plpgsql AS "
        "$$ BEGIN RAISE EXCEPTION '{0} are only ever added'; END $$",
        "CREATE TRIGGER {0}_keep BEFORE UPDATE OR DELETE ON {0} FOR EACH ROW EXECUTE FUNCTION {0}_refuse()",
        "CREATE TRIGGER {0}_keep_all BEFORE TRUNCATE ON {0} FOR EACH STATEMENT EXECUTE FUNCTION {0}_refuse()",
    ),
}

# Step n takes a store from version n to n + 1. A step that was released is never changed.
MIGRATIONS: tuple[Callable[[sa.Connection], None], ...] = (_create_tables, _forbid_changes, _create_records)


def _migrate(connection: sa.Connection) -> None:
    """Bring the schema to this holdfast's version, in one transaction; refuse a newer one."""
    if connection.dialect.name == "postgresql":  # SQLite's transaction has locked the whole file already
        connection.exec_driver_sql("SELECT pg_advisory_xact_lock(hashtext('holdfast_schema'))")
    found = _version(connection)
    if found > len(MIGRATIONS):
        raise StoreError(
            f"The store has schema version {found}; this holdfast knows versions up to {len(MIGRATIONS)}. "
            "Use the holdfast that wrote it, or a newer one; if there is none, the store is damaged: "
            "restore it from a copy. Nothing was changed."
        )
    for version, step in enumerate(MIGRATIONS[found:], start=found + 1):
        step(connection)
        now = datetime.datetime.now(datetime.UTC).isoformat(timespec="seconds")
        connection.execute(SCHEMA.insert().values(version=version, since=now))


def _version(connection: sa.Connection) -> int:
    tables = sa.inspect(connection).get_table_names()
    if SCHEMA.name not in tables:
        if tables and connection.dialect.name == "sqlite":  # a PostgreSQL database may well have others
            raise StoreError("The file is another program's database, not a store. Check the path.")
        return 0
    return connection.scalar(sa.select(sa.func.max(SCHEMA.c.version))) or 0


# --- Faults ---

# What SQLite (by the start of its error's name) and PostgreSQL (by the start of its SQLSTATE) report, in
# words, and what to do.
_FAULTS = {
    "SQLITE_BUSY": f"another program has kept it locked for {WAIT_S} s. Close that program and save again",
    "SQLITE_LOCKED": "another program has it locked. Close that program and save again",
    "SQLITE_READONLY": "it may not be written to. Ask for the right to write, or choose another store",
    "SQLITE_CANTOPEN": "the file cannot be opened or made. Check that its folder may be written to",
    "SQLITE_PERM": "it may not be written to. Ask for the right to write, or choose another store",
    "SQLITE_FULL": "the disk is full. Free some space and save again",
    "SQLITE_IOERR": "the disk cannot be read or written. Check it, then save again",
    "SQLITE_CORRUPT": "the file is damaged. Restore it from a copy",
    "SQLITE_NOTADB": "the file is not a store, or is damaged. Check the path, or restore it from a copy",
    "53": "the database server is out of space or connections. Tell its keeper, then save again",
    "42501": "this user may not write to it. Ask its keeper for the right",
    "25006": "the database may only be read at present. Tell its keeper, then save again",
    "28": "the database server refused the user or password. Check them",
    "3D": "there is no such database on the server. Check the address",
    "57P": "the database server was shut down. Save again when it is back",
    "08": "the database server cannot be reached. Save again when it is back",
    "": "the database server cannot be reached, or has gone away. Save again when it is back",
}


def _fault(error: exc.DBAPIError) -> str:
    if isinstance(error.orig, sqlite3.Error):
        # Without a code it is the driver; its words might quote a reading.
        code = getattr(error.orig, "sqlite_errorname", None) or "SQLITE_CORRUPT"
    else:
        code = getattr(error.orig, "sqlstate", None) or ""
        if not code and not isinstance(error, exc.OperationalError):
            code = f"({type(error.orig).__name__})"
    words = next((text for start, text in _FAULTS.items() if start and code.startswith(start)), None)
    return words or (_FAULTS[""] if not code else f"the database reports {code}. Tell its keeper")


class Store:
    """Readings in one database. Safe to use from several processes; one Store for each of them.

    Parameters
    ----------
    place
        Path of an SQLite file (or "sqlite:///path"), made where there is none; or the URL of a PostgreSQL
        database, "postgresql://user@host/name". Keep an SQLite file on a disk of this computer: its locks
        do not hold on network drives.
    new
        Whether to make a store where there is none. If not, a file that may not be written is opened to
        be read alone.

    Raises StoreError, naming the fault and what to do, where the database cannot be used or is of a
    newer version.
    """

    def __init__(self, place: str | os.PathLike[str], *, new: bool = True) -> None:
        url = _url(place, new=new)
        self.name = Path(url.database or "").name if url.get_backend_name() == "sqlite" else _address(url)
        self._engine = _engine(url if new else _to_read(url))
        try:
            self._open(new=new)
        except BaseException:
            self.close()
            raise

    def _open(self, *, new: bool) -> None:
        with self._guarded("opened"):
            with self._engine.connect() as connection:
                found = _version(connection)
            if not found and not new:
                raise StoreError(f"There is no store at {self.name}. Check the address.")
            if found != len(MIGRATIONS):
                with self._writing() as connection:
                    _migrate(connection)

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.close()

    def close(self) -> None:
        """Let go of the database."""
        self._engine.dispose()

    @contextlib.contextmanager
    def _guarded(self, doing: str) -> Iterator[None]:
        """Turn what the database reports into words; no address, password or content goes into them."""
        try:
            yield
        except exc.DBAPIError as error:
            raise StoreError(f"The store {self.name} could not be {doing}: {_fault(error)}.") from None

    @contextlib.contextmanager
    def _writing(self) -> Iterator[sa.Connection]:
        with self._engine.connect() as connection:
            connection.execution_options(holdfast_writes=True)
            with connection.begin():
                yield connection

    # --- Saving ---

    def save(self, reading: Reading) -> None:
        """Keep a reading; when this returns, it is on the disk.

        A reading that is in the store already stays as it is, so that after an error it is safe to save
        again. Raises StoreError where it could not be kept, or where another reading has its uid.
        """
        self.save_all([reading])

    def save_all(self, readings: Iterable[Reading]) -> int:
        """Keep several readings, all or none; return how many were new. Raises as `save` does."""
        return self._add([_row(reading, to_json(reading)) for reading in readings])

    def save_records(self, records: Iterable[Record]) -> int:
        """Keep records of an agreement study, all or none, and return how many were new; raises as `save`."""
        return self._add(map(_record_row, records), RECORDS)

    def _add(self, rows: Iterable[dict[str, Any]], table: sa.Table = READINGS) -> int:
        # In one order, or two writers of the same readings could wait for each other for ever.
        ordered = sorted(rows, key=lambda row: str(row["uid"]))
        new = 0
        with self._guarded("written to"), self._writing() as connection:
            for some in (ordered[start : start + AT_A_TIME] for start in range(0, len(ordered), AT_A_TIME)):
                before = _contents(connection, some, table)
                connection.execute(_insert(connection, table), some)
                after = _contents(connection, some, table)
                if other := [row["uid"] for row in some if after[row["uid"]] != row["content"]]:
                    raise StoreError(
                        f"The store {self.name} holds other {table.name} by the uid {', '.join(other)} and "
                        "never changes one: record the correction as a new reading. Nothing was kept."
                    )
                new += len(after) - len(before)
        return new

    def import_folder(
        self, folder: Path, *, track: Callable[[Sequence[Path]], Iterable[Path]] = iter
    ) -> tuple[int, tuple[Fault, ...]]:
        """Keep every `*.reading.json` file under a folder, each as it was written.

        Returns how many were new, and name and fault of each file that is no reading. `track` wraps the
        list of files to show progress.
        """
        rows, problems = [], []
        for path in track(reading_files(folder)):
            try:
                text = reading_text(path)
                rows.append(_row(from_json(text), text))
            except ReadingError as error:
                problems.append((path.name, str(error)))
        return self._add(rows), tuple(problems)

    def import_records(self, folder: Path) -> tuple[int, tuple[Fault, ...]]:
        """Keep every `*.record.json` file under a folder; returns as `import_folder` does."""
        records, problems = [], []
        for path in sorted(folder.rglob(f"*{RECORD_SUFFIX}")):
            try:
                records.append(load_record(path))
            except StudyError as error:
                problems.append((path.name, str(error)))
        return self.save_records(records), tuple(problems)

    # --- Finding ---

    def records(self, list_uid: str) -> list[Record]:
        """Return the records of a reading list, by reader in the order of the list."""
        query = (
            sa.select(RECORDS.c.content)
            .where(RECORDS.c.list_uid == list_uid)
            .order_by(RECORDS.c.reader, RECORDS.c.place)
        )
        with self._guarded("read"), self._engine.connect() as connection:
            return [record_from(content) for content in connection.scalars(query)]

    def __len__(self) -> int:
        """Return the number of readings."""
        with self._guarded("read"), self._engine.connect() as connection:
            return connection.scalar(sa.select(sa.func.count()).select_from(READINGS)) or 0

    def find(self, *, standing: bool = False, **wanted: str) -> Iterator[Kept]:
        """Every reading whose columns equal what is wanted, in order of time.

        `standing` leaves out readings that another supersedes. Two readers who finish one film at the
        same time leave two standing readings, and both are found.
        """
        query = sa.select(READINGS).filter_by(**wanted).order_by(READINGS.c.time, READINGS.c.number)
        if standing:
            later = READINGS.alias()
            query = query.where(~sa.exists().where(later.c.supersedes == READINGS.c.uid))
        place = sa.tuple_(READINGS.c.time, READINGS.c.number)
        page = query.limit(AT_A_TIME)
        while True:  # page by page, so that no connection is held while the caller works
            with self._guarded("read"), self._engine.connect() as connection:
                rows = [Kept(**row._mapping) for row in connection.execute(page)]
            yield from rows
            if len(rows) < AT_A_TIME:
                return
            page = query.where(place > sa.tuple_(rows[-1].time, rows[-1].number)).limit(AT_A_TIME)

    def texts(self, film: Film) -> list[str]:
        """JSON texts, in order of time, of every reading that has a film's pixels or its UID."""
        known = {"film_digest": film.digest, "sop_instance_uid": film.sop_instance_uid}
        query = (
            sa.select(READINGS.c.content)
            .where(sa.or_(*(READINGS.c[name] == text for name, text in known.items() if text)))
            .order_by(READINGS.c.time, READINGS.c.number)
        )
        with self._guarded("read"), self._engine.connect() as connection:
            return list(connection.scalars(query))

    def __iter__(self) -> Iterator[Kept]:
        """Every reading, in order of time."""
        return self.find()

    def export_folder(
        self, folder: Path, *, track: Callable[[Any], Iterable[Any]] = iter
    ) -> tuple[int, tuple[Fault, ...]]:
        """Write every reading to a file of its own, as it was saved.

        Those of an agreement study go where its list looks for them: LIST/readings/CODE.reading.json.
        Returns how many were new there, and row and fault of each that is damaged and so left out, be it
        the row itself or the page of the file that it is on. `track` wraps the rows to show progress.
        Raises ReadingError where a file cannot be written or holds something else.
        """
        with self._guarded("read"):
            readings = Salvaged(self._engine, READINGS)
            records = Salvaged(self._engine, RECORDS)
            tasks = {row.reading_uid: _task_path(row.uid, row.list_uid) for row in records}
            texts = (
                (row.number, tasks.get(row.uid, _file_name(row.uid)), row.content) for row in track(readings)
            )
            new, faults = _write_out(texts, folder, READINGS, SUFFIX)
        return new, (*faults, *readings.faults())

    def export_records(self, folder: Path) -> tuple[int, tuple[Fault, ...]]:
        """Write every record of a study beside its reading; returns and raises as `export_folder` does."""
        with self._guarded("read"):
            rows = Salvaged(self._engine, RECORDS)
            texts = ((row.number, _task_path(row.uid, row.list_uid), row.content) for row in rows)
            new, faults = _write_out(texts, folder, RECORDS, RECORD_SUFFIX)
        return new, (*faults, *rows.faults())

    def check(self) -> tuple[str, ...]:
        """Read the whole store and say, of each fault, what it is; nothing where all is well."""
        with self._guarded("read"):
            problems = self._against_file()
            rows = Salvaged(self._engine, READINGS)
            for row in rows:
                try:
                    from_json(row.content)
                except ReadingError as error:
                    problems.append(f"row {row.number}, reading {row.uid}: {error}")
        return (*problems, *(f"{name}: {why}" for name, why in rows.faults()))

    def _against_file(self) -> list[str]:
        """Return what SQLite finds wrong with its file."""
        if self._engine.dialect.name != "sqlite":
            return []
        try:
            with self._engine.connect() as connection:
                found = connection.scalars(sa.text("PRAGMA integrity_check")).all()
        except exc.DBAPIError as error:
            if not is_damage(error):
                raise
            return ["The file is damaged. Export what can be read, and restore the rest from a copy."]
        return [word for word in found if word != "ok"]


def _contents(
    connection: sa.Connection, rows: Sequence[Mapping[str, Any]], table: sa.Table
) -> dict[str, str]:
    """JSON text, by uid, of those rows that are in the store."""
    query = sa.select(table.c.uid, table.c.content).where(table.c.uid.in_([row["uid"] for row in rows]))
    return {row.uid: row.content for row in connection.execute(query)}


def _insert(connection: sa.Connection, table: sa.Table) -> sa.Insert:
    """Insert that leaves a row of the same uid as it is; SQLite's does so by its trigger."""
    if connection.dialect.name == "postgresql":
        return postgresql.insert(table).on_conflict_do_nothing(index_elements=["uid"])
    return table.insert()


def _write_out(
    texts: Iterable[tuple[int, str, str]], folder: Path, table: sa.Table, suffix: str
) -> tuple[int, tuple[Fault, ...]]:
    """Write rows (number, path without suffix, text) to files; damaged ones are named by their numbers."""
    new, faults = 0, []
    for number, name, content in texts:
        path = folder / f"{name}{suffix}"
        if not is_whole(content):
            faults.append((f"row {number} of {table.name}", _DAMAGED))
        elif not path.exists():
            write_new(content, path)
            new += 1
        elif reading_text(path) != content:
            raise ReadingError(f"{path.name} exists and holds something else. Export to an empty folder.")
    return new, tuple(faults)


_DAMAGED = (
    "It is damaged, or was changed after it was saved (its checksum does not fit). Restore it from a copy."
)


def _task_path(uid: str, list_uid: str) -> str:
    """Path, without suffix, of a study's task under a folder of several studies."""
    return f"{_file_name(list_uid)}/{READINGS_FOLDER}/{_file_name(uid.removeprefix(f'{list_uid}:'))}"


def _file_name(uid: str) -> str:
    """Name a file by a uid, or by its hash where the uid is no plain file name (it came from outside)."""
    plain = len(uid) <= 64 and all(c.isascii() and (c.isalnum() or c in "-_") for c in uid)
    return uid if plain and uid else hashlib.sha256(uid.encode()).hexdigest()


# --- Connecting ---


def _url(place: str | os.PathLike[str], *, new: bool) -> sa.URL:
    text = os.fspath(place).removeprefix("sqlite:///")
    if "://" not in text:
        if not new and not Path(text).exists():
            raise StoreError(f"There is no store at {Path(text).name}. Check the path.")
        try:
            Path(text).parent.mkdir(parents=True, exist_ok=True)
        except OSError as error:
            raise StoreError(
                f"The store's folder could not be made: {error.strerror}. Choose another."
            ) from None
        return sa.URL.create("sqlite", database=text)
    try:
        url = sa.make_url(text)
        usable = url.get_backend_name() == "postgresql" and bool(url.database)
    except (exc.ArgumentError, ValueError):  # no URL; a port that is no number
        usable = False
    if not usable:  # without the address itself, which may hold a password
        raise StoreError(
            "A store is a file, or a database at postgresql://user@host:port/name (the port is a number, and "
            "may be left out); received another address."
        )
    return url.set(drivername="postgresql+psycopg")


def _to_read(url: sa.URL) -> sa.URL:
    """Open an SQLite file that may not be written to be read alone; any other address stays."""
    path = Path(url.database or "").absolute()
    mine = os.access in os.supports_effective_ids
    if url.get_backend_name() != "sqlite" or all(
        os.access(each, os.W_OK, effective_ids=mine) for each in (path, path.parent)
    ):
        return url
    # Its log cannot be opened in a folder that is shut; where there is none, nobody is writing now.
    log = path.with_name(f"{path.name}-wal")
    query = {"uri": "true", "mode": "ro"} | ({} if log.exists() else {"immutable": "1"})
    return url.set(database=path.as_uri()).update_query_dict(query)


def _address(url: sa.URL) -> str:
    return f"{url.database} on {url.host}"  # without user and password


def _engine(url: sa.URL) -> sa.Engine:
    if url.get_backend_name() == "postgresql":
        options = f"-c synchronous_commit=on -c lock_timeout={WAIT_S}s"
        return sa.create_engine(
            url,
            pool_pre_ping=True,
            hide_parameters=True,
            connect_args={"connect_timeout": 10, "options": options},
        )
    engine = sa.create_engine(url, hide_parameters=True, connect_args={"timeout": WAIT_S})
    event.listen(engine, "connect", _read_sqlite if "mode" in url.query else _prepare_sqlite)
    event.listen(engine, "begin", _begin_sqlite)
    return engine


def _read_sqlite(connection: sqlite3.Connection, _: object) -> None:
    connection.isolation_level = None  # the driver would begin transactions by its own rules
    # Of a damaged text the driver would make an error that quotes it, and that ends the whole query.
    connection.text_factory = functools.partial(str, encoding="utf-8", errors="replace")


def _prepare_sqlite(connection: sqlite3.Connection, _: object) -> None:
    _read_sqlite(connection, _)
    if _write_ahead(connection) != "wal":
        raise StoreError("The store's disk cannot keep a write-ahead log. Choose a disk of this computer.")
    connection.execute("PRAGMA synchronous = FULL")


def _write_ahead(connection: sqlite3.Connection) -> str:
    """Ask for a write-ahead log; SQLite itself does not wait for this while another opens the file."""
    give_up = time.monotonic() + WAIT_S
    while True:
        try:
            return str(connection.execute("PRAGMA journal_mode = WAL").fetchone()[0])
        except sqlite3.OperationalError as error:
            if error.sqlite_errorname != "SQLITE_BUSY" or time.monotonic() > give_up:
                raise
            time.sleep(0.01)


def _begin_sqlite(connection: sa.Connection) -> None:
    # One that reads first and writes later may fail without waiting its turn: take the lock at once.
    writes = connection.get_execution_options().get("holdfast_writes")
    connection.exec_driver_sql("BEGIN IMMEDIATE" if writes else "BEGIN")
