"""How long a page, a structured report, a clean film and an export of 5,000 readings take.

Each beside a baseline in the same run: reading the films of the page, and the bare writing of the same rows.
Run: python tests/benchmarks/handing_over.py
"""

from __future__ import annotations

import csv
import dataclasses
import datetime
import sys
import tempfile
import time
from collections.abc import Callable
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parents[1]))

from measure.clinic_report import write_reports
from measure.deidentify import deidentify_film
from measure.export import MEASUREMENT_COLUMNS, measurement_rows
from measure.film import read_film
from measure.flags import find_flags
from measure.pseudonym import Pseudonyms
from measure.research_export import write_research
from measure.review import Review, review
from measure.samples import samples_folder
from measure.series import MeasuredFilm, group
from measure.structured_report import structured_report

READINGS, VISITS, ROUNDS = 5000, 4, 3


def seconds(work: Callable[[], object]) -> float:
    """Return the least of several rounds."""
    taken = []
    for _ in range(ROUNDS):
        start = time.perf_counter()
        work()
        taken.append(time.perf_counter() - start)
    return min(taken)


def cohort(film: MeasuredFilm) -> Review:
    """5,000 readings of 1,250 invented patients: one measured film, dated and named anew."""
    films = [
        dataclasses.replace(
            film, patient_key=f"P{number // VISITS}", sop_instance_uid=f"1.2.3.{number}",
            date=datetime.date(2030, 1, 1) + datetime.timedelta(days=30 * (number % VISITS)),
            reading=dataclasses.replace(
                film.reading, uid=f"reading-{number}", film_digest=f"sha256:{number:064x}"
            ),
        )
        for number in range(READINGS)
    ]  # fmt: skip
    cases, notes = group(films)
    flags = tuple(tuple(find_flags(case, None, film) for film in case.films) for case in cases)
    return Review(cases, flags, (), (), notes)


def write_bare(found: Review, path: Path) -> None:
    """Write the tidy values with the csv module alone, from rows that are there already."""
    with path.open("w", encoding="utf-8", newline="") as file:
        writer = csv.DictWriter(file, MEASUREMENT_COLUMNS)
        writer.writerows(measurement_rows(found))


if __name__ == "__main__":
    found = review(samples_folder())
    case = next(case for case in found.cases if len(case.films) > 1)
    alone = dataclasses.replace(found, cases=(case,), flags=(found.flags[found.cases.index(case)],))
    with tempfile.TemporaryDirectory() as name:
        out = Path(name)
        reading = seconds(lambda: [read_film(film.path) for film in (case.index, case.current)])
        for words, work in (
            ("page, PDF", lambda: write_reports(alone, out, ["pdf"])),
            ("page, HTML", lambda: write_reports(alone, out, ["html"])),
            ("structured report", lambda: structured_report(case.current)),
            (
                "clean film",
                lambda: deidentify_film(Path(case.current.path), read_film(case.current.path), Pseudonyms()),
            ),
        ):
            taken = seconds(work)
            print(f"{words}: {taken:.2f} s ({taken / reading:.1f} times reading two films, {reading:.2f} s)")
        many = cohort(case.current)
        bare = seconds(lambda: write_bare(many, out / "bare.csv"))
        for formats in (("csv",), ("parquet",)):
            taken = seconds(
                lambda formats=formats: write_research(many, out / "research", Pseudonyms(), formats)
            )
            ratio = f"{taken / bare:.1f} times the bare values, {bare:.1f} s"
            print(f"export of {READINGS} readings, {formats[0]}: {taken:.1f} s ({ratio})")
