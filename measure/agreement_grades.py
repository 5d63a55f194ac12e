"""How far readers agree on what the eye sees: weighted kappa and the share of equal grades.

Kappa weighs a disagreement by the square of its distance where the grades form a scale, else all alike. Films
that either reader called not assessable are left out of it, so that the share of films on which both thought
alike of that stands beside it.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator, Sequence
from dataclasses import dataclass

from measure.agreement import GradeAgreement, grades_agreement
from measure.agreement_study import Study
from measure.healing import Seen, seen_on
from measure.observations import ObservationRow, view_rows

ASSESSABLE, NOT = "assessable", "not assessable"
COLUMNS = ("observation", "of", "weights", "kappa", "interval_low", "interval_high", "same", "films",
           "same_assessable", "films_judged")  # fmt: skip


@dataclass(frozen=True)
class Pair:
    """Two readers, or a reader's first and second reading, on one observation.

    `grades` is None where they have no film graded by both; `assessable` is their agreement on whether it can
    be graded at all.
    """

    row: ObservationRow
    grades: GradeAgreement | None
    assessable: GradeAgreement

    @property
    def of(self) -> str:
        """Who is compared."""
        return f"{self.assessable.first} and {self.assessable.second}"


def grade_pairs(study: Study) -> tuple[Pair, ...]:
    """Compare every two readers' first readings, and every reader's first with the second, row by row."""
    seen = {(r.film, r.reader, r.repeat): seen_on(r.measured) for r in study.readings}
    between = [(reader, 0) for reader in study.readers]
    within = [[(reader, 0), (reader, 1)] for reader in study.readers] if study.repeats > 1 else []
    return tuple(
        pair
        for row in view_rows(study.site, study.view).values()
        for group in (between, *within)
        for pair in _pairs(row, study.films, group, seen)
    )


Sheets = dict[tuple[str, str, int], dict[str, Seen]]


def _pairs(
    row: ObservationRow, films: Sequence[str], group: Sequence[tuple[str, int]], seen: Sheets
) -> Iterator[Pair]:
    names = [
        reader if len({r for r, _ in group}) > 1 else f"{reader}, reading {n + 1}" for reader, n in group
    ]

    def table(say: Callable[[Seen], str | None]) -> list[list[str | None]]:
        sheets = [[seen.get((film, reader, n)) for reader, n in group] for film in films]
        return [[say(sheet[row.name]) if sheet else None for sheet in line] for line in sheets]

    weights = "quadratic" if row.kind.ordered else "none"
    graded = grades_agreement(table(_grade), names, list(row.kind.grade), weights)
    by_readers = {(found.first, found.second): found for found in graded}
    for judged in grades_agreement(table(_assessable), names, (ASSESSABLE, NOT), "none"):
        yield Pair(row, by_readers.get((judged.first, judged.second)), judged)


def _grade(seen: Seen) -> str | None:
    return seen.grade.name if seen.grade else None


def _assessable(seen: Seen) -> str | None:
    """Say whether it could be graded; None where the reader left it out."""
    if seen.grade:
        return ASSESSABLE
    return NOT if seen.reason else None


def grade_rows(pairs: Iterable[Pair]) -> Iterator[dict[str, object]]:
    """One row of numbers a pair."""
    for pair in pairs:
        found, judged = pair.grades, pair.assessable
        kappa = found.kappa if found else None
        numbers = {
            "kappa": kappa.value if kappa else "",
            "interval_low": kappa.low if kappa and kappa.low == kappa.low else "",
            "interval_high": kappa.high if kappa and kappa.high == kappa.high else "",
            "same": found.same if found else "",
            "films": found.films if found else 0,
        }
        yield {
            "observation": pair.row.name,
            "of": pair.of,
            "weights": found.weights if found else "",
            **numbers,
            "same_assessable": judged.same,
            "films_judged": judged.films,
        }
