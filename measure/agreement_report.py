"""Write the report of an agreement study: tables as CSV, the whole as HTML and PDF."""

from __future__ import annotations

import itertools
from collections.abc import Iterator
from html import escape
from pathlib import Path

import numpy as np
from reportlab.platypus import Flowable

from measure.agreement import Estimate, Limits
from measure.agreement_grades import COLUMNS as GRADE_COLUMNS
from measure.agreement_grades import grade_rows
from measure.agreement_page import Analysed, Analysis, Document, Section, document
from measure.agreement_study import why_missing
from measure.clinic_html import figure_svg, list_html, table_html, whole_html
from measure.clinic_page import Table
from measure.clinic_pdf import (
    GREY,
    MARGIN,
    Drawing,
    grid,
    sheet_size,
    side_by_side,
    text,
    use_fonts,
    whole_pdf,
)
from measure.errors import StudyError
from measure.export import write_table
from measure.files import whole_file

VALUE_COLUMNS = (
    "film", "file", "reader", "repeat", "quantity", "target", "value", "unit", "why_no_value", "reading_uid",
)  # fmt: skip
STATISTIC_COLUMNS = (
    "quantity", "target", "unit", "statistic", "of", "form", "model", "type", "definition", "value",
    "interval_low", "interval_high", "films", "method",
)  # fmt: skip
MISSING_COLUMNS = ("quantity", "target", "reader", "why_no_value", "count")
LANDMARK_COLUMNS = (
    "landmark", "direction", "statistic", "value_mm", "interval_low", "interval_high", "films", "method",
)  # fmt: skip
ACROSS_PAGE = 3  # figures in a row
SHORTEST, LONGEST = 5, 48  # letters of a column that decide its width

Row = dict[str, object]


def write_agreement(
    analysis: Analysis, folder: Path, *, unblind: bool = False, paper: str = "A4"
) -> tuple[Path, ...]:
    """Write agreement.html, agreement.pdf and the tables into a folder; return their paths.

    `unblind` names each film's file in values.csv; the rest names films by their labels. Raises StudyError
    where the folder cannot be written.
    """
    tables = (
        ("values.csv", VALUE_COLUMNS, _values(analysis, unblind)),
        ("statistics.csv", STATISTIC_COLUMNS, _statistics(analysis)),
        ("missing.csv", MISSING_COLUMNS, _missing(analysis)),
        ("landmarks.csv", LANDMARK_COLUMNS, _landmarks(analysis)),
        ("grades.csv", GRADE_COLUMNS, grade_rows(analysis.grades)),
    )
    page = document(analysis)
    try:
        written = [write_table(folder / name, columns, rows) for name, columns, rows in tables]
        with whole_file(folder / "agreement.html", replace=True) as file:
            file.write(document_html(page))
        (folder / "agreement.pdf").write_bytes(document_pdf(page, paper))
    except OSError as error:
        raise StudyError(
            f"The report could not be written to {folder.name!r}: {error.strerror}. Choose another folder."
        ) from None
    return (*written, folder / "agreement.html", folder / "agreement.pdf")


# --- Tables ---


def _values(analysis: Analysis, unblind: bool) -> Iterator[Row]:
    study = analysis.study
    for reading in study.readings:
        for row in study.table.measurements:
            found = reading.measured.find(row.name, row.target)
            confirmed = found is not None and found.confirmed and found.quantity is not None
            yield {
                "film": reading.film,
                "file": study.files.get(reading.film, "") if unblind else "",
                "reader": reading.reader,
                "repeat": reading.repeat + 1,
                "quantity": row.name,
                "target": row.target,
                "value": found.quantity.value if confirmed and found and found.quantity else "",
                "unit": row.unit,
                "why_no_value": "" if confirmed or found is None else why_missing(found),
                "reading_uid": reading.measured.reading.uid,
            }


def _statistics(analysis: Analysis) -> Iterator[Row]:
    for one in analysis.quantities:
        start = {"quantity": one.row.name, "target": one.row.target, "unit": one.row.unit}
        yield from (start | row for row in _of_quantity(one))


def _of_quantity(one: Analysed) -> Iterator[Row]:
    found, n = one.found, len(one.ratings.complete)
    for icc in filter(None, (found.inter, *found.intra)):
        kind = {"form": icc.form, "model": icc.model, "type": icc.type, "definition": icc.definition}
        yield {
            "statistic": "ICC",
            "of": ", ".join(icc.readers),
            **kind,
            **_numbers(icc.icc),
            "films": icc.films,
        }
    if parts := found.components:
        method = {"films": n, "method": parts.method}
        for name, variance in parts.variances.items():
            yield {"statistic": "variance", "of": name, **_numbers(variance), **method}
        for whose, sem in parts.sem.items():
            yield {"statistic": "SEM", "of": whose, **_numbers(sem), **method}
        for whose, change in parts.detectable.items():
            name = "smallest detectable change"
            yield {"statistic": name, "of": whose, **_numbers(change), **method}
    for reader in found.readers:
        of = f"{reader.reader} less the mean of all"
        yield {"statistic": "mean difference", "of": of, **_numbers(reader.bias), "films": reader.films}
    yield from itertools.chain.from_iterable(map(_of_pair, (*found.pairs, *one.others)))


def _of_pair(pair: Limits) -> Iterator[Row]:
    of = f"{pair.first} less {pair.second}"
    for name, estimate in (
        ("mean difference", pair.bias),
        ("lower limit of agreement", pair.lower),
        ("upper limit of agreement", pair.upper),
    ):
        yield {"statistic": name, "of": of, **_numbers(estimate), "films": pair.films}


def _numbers(estimate: Estimate) -> Row:
    ends = {"interval_low": estimate.low, "interval_high": estimate.high}
    return {"value": estimate.value} | {key: end if np.isfinite(end) else "" for key, end in ends.items()}


def _missing(analysis: Analysis) -> Iterator[Row]:
    for one in analysis.quantities:
        for (reader, reason), count in one.missing.items():
            of = {"quantity": one.row.name, "target": one.row.target}
            yield {**of, "reader": reader, "why_no_value": reason, "count": count}


def _landmarks(analysis: Analysis) -> Iterator[Row]:
    for one in analysis.landmarks:
        start = {"landmark": one.landmark, "direction": one.direction, "films": one.found.films}
        for name, spread in (("one reader", one.placement), ("between readers", one.habit)):
            if spread:
                numbers = _numbers(spread)
                numbers["value_mm"] = numbers.pop("value")
                yield {**start, "statistic": name, **numbers, "method": one.found.method}


# --- Pages ---


def document_html(page: Document) -> str:
    """Return the report as HTML text that needs no other file."""
    head = f"<header><div><h1>{escape(page.title)}</h1>{escape(page.subtitle)}</div></header>"
    body = (part for section in page.sections for part in _section_html(section))
    return whole_html(page.title, (head, *body), page.caution, page.made_from)


def _section_html(section: Section) -> Iterator[str]:
    yield list_html(section.title, section.lines)
    yield from map(table_html, section.tables)
    if section.figures:
        yield f'<div class="figures">{"".join(map(figure_svg, section.figures))}</div>'


def document_pdf(page: Document, paper: str = "A4") -> bytes:
    """Return the report as PDF on as many pages as it needs, the same bytes for the same report."""
    use_fonts()
    sheet = sheet_size(paper)
    width = sheet[0] - 2 * MARGIN
    blocks = [text(f"<b>{escape(page.title)}</b>", 13, 1.0), text(escape(page.subtitle), 8.5, 1.0)]
    for section in page.sections:
        blocks += _section_blocks(section, width)
    blocks.append(text(f"<b>{escape(page.caution)}</b>", 7, 1.0))
    blocks.append(text(escape(page.made_from), 5.5, 1.0, colour=GREY))
    return whole_pdf(page.title, blocks, sheet)


def _section_blocks(section: Section, width: float) -> Iterator[Flowable]:
    yield text(f"<b>{escape(section.title)}</b>", 10, 1.0)
    yield from (text(escape(line), 7, 1.0) for line in section.lines)
    for table in section.tables:
        yield from grid(table, width, _shares(table), 1.0)
    for start in range(0, len(section.figures), ACROSS_PAGE):
        some = section.figures[start : start + ACROSS_PAGE]
        yield side_by_side([Drawing(figure) for figure in some], [width / ACROSS_PAGE] * len(some))


def _shares(table: Table) -> tuple[float, ...]:
    """Give each column of a table the share of the width that its longest cell asks for, within bounds."""
    words = [max(map(len, column.split()), default=0) + 4 for column in table.columns]
    lengths = [
        max(least, *map(len, cells))
        for least, cells in zip(words, zip(*table.rows, strict=True), strict=False)
    ]
    asked = [min(max(length, SHORTEST), LONGEST) for length in lengths]
    return tuple(length / sum(asked) for length in asked)
