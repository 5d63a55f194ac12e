"""Readings durably kept each second, one commit each and in bulk, beside the bare database drivers.

Each store is timed in turn with its baseline: a plain table and the driver alone, with the same
durability. Run: python tests/benchmarks/store.py
"""

from __future__ import annotations

import sqlite3
import sys
import tempfile
import time
from collections.abc import Callable, Sequence
from pathlib import Path

import psycopg

sys.path.insert(0, str(Path(__file__).parents[1]))

from postgres_server import postgres_server
from store_writer import small_reading

from measure.reading import Reading, to_json
from measure.store import Store

SINGLE, BULK, ROUNDS = 300, 5000, 3


def rate(work: Callable[[Sequence[Reading]], object], count: int) -> float:
    """Return readings each second; the readings are made beforehand."""
    readings = [small_reading(number) for number in range(count)]
    start = time.perf_counter()
    work(readings)
    return count / (time.perf_counter() - start)


def plain_sqlite(path: Path) -> Callable[[Sequence[Reading]], None]:
    """Return a saver that commits each reading's text with the driver alone."""
    connection = sqlite3.connect(path, isolation_level=None)
    connection.execute("PRAGMA journal_mode = WAL")
    connection.execute("PRAGMA synchronous = FULL")
    connection.execute("CREATE TABLE plain (uid TEXT PRIMARY KEY, content TEXT)")

    def save(readings: Sequence[Reading]) -> None:
        for reading in readings:
            connection.execute("INSERT INTO plain VALUES (?, ?)", (reading.uid, to_json(reading)))

    return save


def plain_postgres(url: str) -> Callable[[Sequence[Reading]], None]:
    """Return a saver that commits each reading's text with the driver alone."""
    connection = psycopg.connect(url, autocommit=True)
    connection.execute("CREATE TABLE plain (uid TEXT PRIMARY KEY, content TEXT)")

    def save(readings: Sequence[Reading]) -> None:
        for reading in readings:
            connection.execute("INSERT INTO plain VALUES (%s, %s)", (reading.uid, to_json(reading)))

    return save


def report(name: str, place: str | Path, plain: Callable[[Sequence[Reading]], None]) -> None:
    """Time one database in rounds with its baseline and print the best of each."""
    with Store(place) as store:

        def single(readings: Sequence[Reading]) -> None:
            for reading in readings:
                store.save(reading)

        rounds = [
            (rate(plain, SINGLE), rate(single, SINGLE), rate(store.save_all, BULK)) for _ in range(ROUNDS)
        ]
        base, alone, bulk = (max(column) for column in zip(*rounds, strict=True))
        start = time.perf_counter()
        found = sum(1 for _ in store.find(standing=True))
        seconds = time.perf_counter() - start
    print(
        f"{name}: driver alone {base:.0f}/s; save {alone:.0f}/s ({alone / base:.2f} of the driver); "
        f"save_all {bulk:.0f}/s ({bulk / base:.1f} times); {found} found in {seconds:.2f} s"
    )


if __name__ == "__main__":
    with tempfile.TemporaryDirectory() as name:
        report("SQLite", Path(name) / "store.sqlite", plain_sqlite(Path(name) / "plain.sqlite"))
    with postgres_server(fsync=True) as server:
        report("PostgreSQL", server.url("store"), plain_postgres(server.url("plain")))
