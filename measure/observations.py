"""What the eye sees on a film: which observations belong to a view, and which grades each may have.

The table is `observations.toml`, for a clinician to review: kinds of grades, the observations of each site
and view, and grades that contradict each other. A grade is a reader's own: none is measured or proposed.
"""

from __future__ import annotations

import functools
import tomllib
from collections.abc import Iterable
from dataclasses import dataclass
from pathlib import Path
from typing import Any

TABLE = Path(__file__).parent / "observations.toml"
BRIDGING = "bridging"  # the kind of which the cortical bridging score is made
EVERY = "every"  # observations of every site and view


@dataclass(frozen=True)
class Grade:
    """One grade: its name, its words, what a cortex of it scores, and its (scheme, value, meaning) code."""

    name: str
    words: str
    score: int | None = None
    code: tuple[str, str, str] | None = None


@dataclass(frozen=True)
class Kind:
    """A kind of grades, in the order of their keys; `ordered` where they form a scale.

    `usual` is the grade that needs no mention; empty where each does.
    """

    name: str
    ordered: bool
    grades: tuple[Grade, ...]
    usual: str = ""

    @functools.cached_property
    def grade(self) -> dict[str, Grade]:
        """Grades by name."""
        return {grade.name: grade for grade in self.grades}


@dataclass(frozen=True)
class ObservationRow:
    """One observation: its name and title, the grades it may have, the views it is made on (none: every).

    `holding` is whether it bears on holding rather than on healing; `gap` the quantity at a cortex.
    """

    name: str
    title: str
    kind: Kind
    views: tuple[str, ...] = ()
    holding: bool = False
    gap: str = ""


@dataclass(frozen=True)
class Contradiction:
    """Grades of an observation that exclude others: of each observation of a kind, or a landmark's status."""

    observation: str
    grades: tuple[str, ...]
    others: tuple[str, ...]
    words: str
    kind: str = ""
    landmark: str = ""


@dataclass(frozen=True)
class ObservationTable:
    """The whole table; `rows` by site, those of every site under "every"."""

    reasons: tuple[str, ...]
    kinds: dict[str, Kind]
    rows: dict[str, tuple[ObservationRow, ...]]
    contradictions: tuple[Contradiction, ...]


@functools.cache
def observation_table() -> ObservationTable:
    """Read the table that comes with holdfast."""
    table = tomllib.loads(TABLE.read_text(encoding="utf-8"))
    kinds = {name: _kind(name, given) for name, given in table["kinds"].items()}
    rows = {
        site: tuple(ObservationRow(**(_tupled(row) | {"kind": kinds[row["kind"]]})) for row in given)
        for site, given in table["sites"].items()
    }
    excluded = tuple(Contradiction(**_tupled(row)) for row in table["contradictions"])
    return ObservationTable(tuple(table["reasons"]), kinds, rows, excluded)


def _kind(name: str, given: dict[str, Any]) -> Kind:
    return Kind(
        name, given["ordered"], tuple(Grade(**_tupled(g)) for g in given["grades"]), given.get("usual", "")
    )


def _tupled(row: dict[str, Any]) -> dict[str, Any]:
    return {key: tuple(value) if isinstance(value, list) else value for key, value in row.items()}


def site_rows(site: str) -> tuple[ObservationRow, ...]:
    """Every observation of a site, its cortices first, whatever view they are made on."""
    rows = observation_table().rows
    return (*rows.get(site, ()), *rows[EVERY])


@functools.cache
def view_rows(site: str, view: str) -> dict[str, ObservationRow]:
    """Observations that a view of a site shows, by name."""
    return {row.name: row for row in site_rows(site) if not row.views or view in row.views}


def cortices(site: str) -> tuple[ObservationRow, ...]:
    """Cortices whose bridging is graded at a site, over all its views."""
    return tuple(row for row in site_rows(site) if row.kind.name == BRIDGING)


def why_not_on(name: str, site: str, view: str) -> str:
    """Say why an observation cannot be made on a view."""
    elsewhere = [row for row in site_rows(site) if row.name == name]
    if elsewhere:
        return f"the {view} view does not show it; it is graded on: {', '.join(elsewhere[0].views)}"
    return f"there is no such observation; there are: {', '.join(view_rows(site, view))}"


def contradictions(
    grades: dict[str, str], statuses: dict[str, str], site: str, view: str
) -> Iterable[tuple[str, tuple[str, ...]]]:
    """Words of each contradiction between grades, and with landmarks, and the observations in it.

    Parameters
    ----------
    grades
        Observation to grade, of those that were graded.
    statuses
        Landmark to status.
    """
    rows = view_rows(site, view)
    for row in observation_table().contradictions:
        if grades.get(row.observation) not in row.grades:
            continue
        clashing = [
            name for name, grade in grades.items() if rows[name].kind.name == row.kind and grade in row.others
        ]
        if clashing or statuses.get(row.landmark) in row.others:
            yield row.words, (row.observation, *clashing)
