"""Tables for research: tidy CSV or Parquet, one row a value, with a data dictionary; nobody is named.

Patients, readers and UIDs become pseudonyms, dates move by one number of days for each patient, and what
a reader typed in free words is left out. Days since surgery and between visits stay true.
"""

from __future__ import annotations

import datetime
import json
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from measure import __version__
from measure.definitions import FUNCTIONS
from measure.errors import HoldfastError, ReadingError
from measure.export import (
    CAUTION,
    change_rows,
    film_rows,
    healing_rows,
    observation_rows_of,
    rounded,
    write_table,
)
from measure.files import whole_file, whole_path
from measure.flags import Flag
from measure.healing import CONTRADICTORY
from measure.observations import observation_table, view_rows
from measure.pseudonym import Pseudonyms
from measure.quantity import COVERAGE_95
from measure.reading import Reading
from measure.review import NO_CASES, Review
from measure.series import MeasuredFilm
from measure.sites import MeasurementRow, load_site

FORMATS = ("csv", "parquet")
TEXT, NUMBER, WHOLE, FLAG, DATE = "text", "number", "whole number", "true or false", "date"
UNITS = {"mm": "millimetre at the bone's plane", "deg": "degree", "1": "ratio, without a unit"}

# What a reading is to the case of its film.
USED, STANDING, SUPERSEDED = "used", "standing", "superseded"

Row = dict[str, object]


@dataclass(frozen=True)
class Column:
    """One column of a table: its name, what kind of thing it holds, and what that means."""

    name: str
    kind: str
    words: str


def _columns(text: str) -> tuple[Column, ...]:
    """Read "name | kind | words" lines."""
    lines = (line.split("|") for line in text.strip().splitlines())
    return tuple(Column(*(part.strip() for part in line)) for line in lines)


_WHO = """
patient | text | pseudonym; the same for all of a patient's films
side | text | left or right
"""
_FILM = f"""
{_WHO.strip()}
visit_date | date | when the film was taken, moved by the patient's own number of days
days_since_surgery | whole number | true interval; empty where either date is unknown
site | text | fracture site
view | text | radiographic view
film_uid | text | pseudonym of the film's UID or digest
"""
_READING = f"""
reading_uid | text | pseudonym of the reading's uid
reading_use | text | {USED}: the case rests on it; {STANDING}: another that stands; {SUPERSEDED}: corrected
"""
_FLAG = """
outcome | text | beyond, within or cannot tell; empty where no limit applies, or the reading is not used
probability_beyond | number | probability that the true value lies beyond the limit
threshold | number | the limit, in the unit
threshold_side | text | above, below, either or present: which way counts
threshold_level | text | possible or clear
threshold_source | text | where the limit comes from; of a user's own, no more than that
why | text | why it cannot be told, or whether a higher level is in question
"""
_UNCERTAIN = """
unit | text | mm, deg or 1
standard_uncertainty | number | combined standard uncertainty (JCGM 100:2008), in the unit
interval_low | number | lower end of the 95 % coverage interval, in the unit
interval_high | number | upper end of the 95 % coverage interval, in the unit
"""
VALUES = _columns(f"""
{_FILM.strip()}
quantity | text | what was measured; see "quantities"
target | text | which pin or knot; empty where there is but one
value | number | in the unit, signed as "quantities" says
{_UNCERTAIN.strip()}
scale_source | text | what the millimetres rest on
scale_mm_per_row | number | size of a pixel at the bone, down the film, mm
scale_mm_per_column | number | size of a pixel at the bone, across the film, mm
scale_uncertainty | number | relative standard uncertainty of the scale
axis | text | which bone axis; empty where the quantity rests on none
landmark_sources | text | each landmark's status and origin
confirmed | true or false | whether a reader confirmed every landmark the value rests on
not_assessable_reason | text | why there is no value; what was typed in free words is left out
{_FLAG.strip()}
method | text | first order or Monte Carlo propagation, or as observed
reader | text | pseudonym
reader_noise | text | a reader's noise that the uncertainties rest on, by its name where it is published
{_READING.strip()}
site_version | text | version of the site table
software_version | text | version of holdfast
""")
CHANGES = _columns(f"""
{_WHO.strip()}
site | text | fracture site
view | text | radiographic view
quantity | text | what changed; see "quantities"
target | text | which pin or knot; empty where there is but one
basis | text | since index (first film) or since last visit
earlier_date | date | moved by the patient's own number of days
later_date | date | moved by the patient's own number of days
earlier_film_uid | text | pseudonym of the film's UID or digest
later_film_uid | text | pseudonym of the film's UID or digest
change | number | later less earlier, in the unit
{_UNCERTAIN.strip()}
detectable_change | number | smallest change these two films can tell from none, 95 %, in the unit
confirmed | true or false | whether a reader confirmed every landmark the change rests on
{_FLAG.strip()}
estimates | text | estimates against each fragment, where there are several
note | text | whether they agree
not_assessable_reason | text | why there is no change; what was typed in free words is left out
reader_noise | text | as in values
software_version | text | version of holdfast
""")
LANDMARKS = _columns(f"""
film_uid | text | pseudonym of the film's UID or digest
{_READING.strip()}
reader | text | pseudonym
landmark | text | name in the site table
status | text | confirmed, proposed, not assessable or absent
origin | text | placed by hand, snapped, detected or carried
number | whole number | which of its points, from 0; empty where it has none
row | number | down the film as received, 0-based at pixel centres
column | number | across the film as received, 0-based at pixel centres
fit_uncertainty | number | standard uncertainty of each coordinate from a fit, pixels
""")
OBSERVATIONS = _columns(f"""
{_FILM.strip()}
reader | text | pseudonym
{_READING.strip()}
observation | text | what was looked at; see "observations"
grade | text | what the reader saw; empty where not assessable or not graded
grade_number | whole number | its place in the order of grades, from 1
not_assessable_reason | text | why not assessable; empty where graded, or not graded at all
code_scheme | text | SCT (SNOMED CT) or DCM, where a code says the same
code | text | the grade's code in that scheme
software_version | text | version of holdfast
""")
HEALING = _columns(f"""
{_FILM.strip()}
reader | text | pseudonym
reading_uid | text | pseudonym of the reading's uid
cortices | whole number | cortices that the site's views show
assessed | whole number | of these, graded at this film's visit, over all its views
bridged | whole number | of these, bridged
callus | whole number | of these, with callus, the line still seen
none | whole number | of these, without callus
score | whole number | cortical bridging score, 4 to 12 (Whelan 2010); empty unless all four are assessed
why_no_score | text | why there is no score
fracture_line_contrast | number | steps of the shaft; never flagged; for one patient's films of one view
contrast_standard_uncertainty | number | its standard uncertainty
contrast_share_clear | number | share of the fracture line that metal leaves clear
contrast_reason | text | why there is no contrast
remark | text | the reader's own words; left out unless they were asked for
software_version | text | version of holdfast
""")


def write_research(
    review: Review,
    folder: Path,
    pseudonyms: Pseudonyms,
    formats: Sequence[str] = ("csv",),
    *,
    wide: bool = False,
    remarks: bool = False,
) -> tuple[Path, ...]:
    """Write the tables and their dictionary into a folder, each file whole or not at all.

    Values, landmarks and observations are those of every finished reading; changes and healing rest on the
    used ones alone.

    Parameters
    ----------
    pseudonyms
        By whose key patients, readers, UIDs and dates are replaced.
    formats
        "csv" and "parquet".
    wide
        Also a table with one row a reading and, for each quantity, columns of its value and uncertainty.
    remarks
        Keep what readers remarked in their own words, which may name somebody.

    Raises HoldfastError for an unknown format or a folder that cannot be written, ReadingError where
    there is no reading.
    """
    unknown = sorted(set(formats) - set(FORMATS))
    if unknown:
        raise HoldfastError(f"Format {', '.join(unknown)} is not one of {', '.join(FORMATS)}.")
    if not review.cases:
        raise ReadingError(NO_CASES)
    values = list(value_rows(review, pseudonyms))
    tables: dict[str, tuple[Sequence[Column], list[Row]]] = {
        "values": (VALUES, values),
        "changes": (CHANGES, list(_change_rows(review, pseudonyms))),
        "landmarks": (LANDMARKS, list(_landmark_rows(review, pseudonyms))),
        "observations": (OBSERVATIONS, list(observation_rows(review, pseudonyms))),
        "healing": (HEALING, list(_healing_rows(review, pseudonyms, remarks))),
    }
    if wide:
        tables["wide"] = _wide(values)
    writers: dict[str, Callable[[Path, Sequence[Column], list[Row]], Path]] = {
        "csv": _write_csv,
        "parquet": _write_parquet,
    }
    try:
        folder.mkdir(parents=True, exist_ok=True)
        written = [
            writers[kind](folder / f"{name}.{kind}", columns, rows)
            for name, (columns, rows) in tables.items()
            for kind in formats
        ]
        return (*written, _write_dictionary(folder / "dictionary.json", review, tables))
    except OSError as error:
        raise HoldfastError(
            f"The tables could not be written to {folder.name!r}: {error.strerror}. Choose another folder."
        ) from None


# --- Rows ---


def _films(review: Review) -> Iterator[tuple[MeasuredFilm, tuple[Flag, ...], str]]:
    """Give every film once for each of its readings, with its flags and the reading's use."""
    for case, flags_by_film in zip(review.cases, review.flags, strict=True):
        for film, flags in zip(case.films, flags_by_film, strict=True):
            yield film, flags, USED
    used = (film for case in review.cases for film in case.films)
    superseded = {film.reading.supersedes for film in (*used, *review.others)}
    for film in review.others:
        yield film, (), SUPERSEDED if film.reading.uid in superseded else STANDING


def value_rows(review: Review, pseudonyms: Pseudonyms) -> Iterator[Row]:
    """Rows of the table `VALUES`."""
    for film, flags, use in _films(review):
        for measurement, row in zip(film.measurements, film_rows(film, flags), strict=True):
            scale = measurement.scale
            yield (
                _nameless(row, (film,), pseudonyms)
                | _interval(row, "value")
                | {
                    "reading_use": use,
                    "visit_date": _moved(film, pseudonyms),
                    "scale_mm_per_row": rounded(scale.mm_per_px[0]) if scale else None,
                    "scale_mm_per_column": rounded(scale.mm_per_px[1]) if scale else None,
                    "scale_uncertainty": rounded(scale.u) if scale else None,
                }
            )


def _change_rows(review: Review, pseudonyms: Pseudonyms) -> Iterator[Row]:
    changes = (change for case in review.cases for change in case.changes)
    for change, row in zip(changes, change_rows(review), strict=True):
        nameless = _nameless(row, (change.earlier, change.later), pseudonyms)
        u = row["standard_uncertainty"]
        yield (
            nameless
            | _interval(row, "change")
            | {
                "earlier_date": _moved(change.earlier, pseudonyms),
                "later_date": _moved(change.later, pseudonyms),
                "detectable_change": rounded(COVERAGE_95 * u) if isinstance(u, float) else None,
            }
        )


def _landmark_rows(review: Review, pseudonyms: Pseudonyms) -> Iterator[Row]:
    for film, _, use in _films(review):
        uid = film.sop_instance_uid or film.reading.film_digest
        row: Row = {
            "film_uid": uid,
            "reading_uid": film.reading.uid,
            "reading_use": use,
            "reader": film.reading.reader,
        }
        named = _nameless(row, (film,), pseudonyms)
        for name, mark in film.reading.landmarks.items():
            about = {
                "landmark": name,
                "status": mark.status,
                "origin": mark.origin,
                "fit_uncertainty": mark.u_px,
            }
            for number, (down, across) in enumerate(mark.points):
                yield named | about | {"number": number, "row": down, "column": across}
            if not mark.points:
                yield named | about


def observation_rows(review: Review, pseudonyms: Pseudonyms) -> Iterator[Row]:
    """Rows of the table `OBSERVATIONS`."""
    known = {"", CONTRADICTORY, *observation_table().reasons}
    for film, _, use in _films(review):
        for row in observation_rows_of(film):
            reason = str(row["not_assessable_reason"])
            kept = reason if reason in known else "in the reader's words, left out"
            moved = {"visit_date": _moved(film, pseudonyms), "not_assessable_reason": kept}
            yield _nameless(row | moved | {"reading_use": use}, (film,), pseudonyms)


def _healing_rows(review: Review, pseudonyms: Pseudonyms, remarks: bool) -> Iterator[Row]:
    films = (film for case in review.cases for film in case.films)
    for film, row in zip(films, healing_rows(review), strict=True):
        moved = {"visit_date": _moved(film, pseudonyms), "remark": row["remark"] if remarks else ""}
        yield _nameless(row | moved, (film,), pseudonyms)


def _nameless(row: Mapping[str, object], films: Sequence[MeasuredFilm], pseudonyms: Pseudonyms) -> Row:
    """Return the row with pseudonyms in place of what names anybody, and without typed words."""
    kept = dict(row)
    for key in ("patient", "reader"):
        if key in kept:
            kept[key] = pseudonyms.name(key, str(kept[key]))
    for key in ("film_uid", "earlier_film_uid", "later_film_uid", "reading_uid"):
        if key in kept:
            kept[key] = pseudonyms.uid(str(kept[key]))
    for key in _MAY_QUOTE:
        if kept.get(key):
            kept[key] = _without_typed(str(kept[key]), films)
    if "reader_noise" in kept:
        kept["reader_noise"] = films[-1].uncertainty.nameless()
    if kept.get("threshold_source") and kept["threshold_source"] not in _own_sources(films[-1].reading):
        kept["threshold_source"] = "a limit of the user's own"
    return kept


def _own_sources(reading: Reading) -> set[str]:
    """Return the sources of the limits that come with holdfast; what a user's file says may name somebody."""
    return {row.source for row in load_site(reading.site).views[reading.view].thresholds}


_MAY_QUOTE = ("not_assessable_reason", "why")  # what a reader typed


def _without_typed(reason: str, films: Sequence[MeasuredFilm]) -> str:
    """Take out what readers typed, the longest first: one may stand within another."""
    typed = {mark.reason for film in films for mark in film.reading.landmarks.values() if mark.reason}
    for words in sorted(typed, key=len, reverse=True):
        reason = reason.replace(f" ({words})", "")
    return reason


def _moved(film: MeasuredFilm, pseudonyms: Pseudonyms) -> datetime.date | None:
    return film.date + pseudonyms.shift(film.patient_key or "") if film.date else None


def _interval(row: Mapping[str, object], name: str) -> Row:
    value, u = row[name], row["standard_uncertainty"]
    if not isinstance(value, float) or not isinstance(u, float):
        return {"interval_low": None, "interval_high": None}
    return {
        "interval_low": rounded(value - COVERAGE_95 * u),
        "interval_high": rounded(value + COVERAGE_95 * u),
    }


_FILM_COLUMNS = (
    "patient",
    "side",
    "visit_date",
    "days_since_surgery",
    "site",
    "view",
    "film_uid",
    "reader",
    "reading_uid",
    "reading_use",
)


def _wide(values: Iterable[Row]) -> tuple[Sequence[Column], list[Row]]:
    """One row a reading, with columns for the value and standard uncertainty of each quantity."""
    columns = {column.name: column for column in VALUES if column.name in _FILM_COLUMNS}
    readings: dict[object, Row] = {}
    for row in values:
        reading = readings.setdefault(row["reading_uid"], {name: row[name] for name in _FILM_COLUMNS})
        name = f"{row['quantity']}_{row['target']}".rstrip("_")
        for key, words in (("value", "value"), ("standard_uncertainty", "standard uncertainty")):
            reading[f"{name}_{key}"] = row[key]
            columns.setdefault(
                f"{name}_{key}", Column(f"{name}_{key}", NUMBER, f"{words} of {name}, {row['unit']}")
            )
    return tuple(columns.values()), list(readings.values())


# --- Files ---


def _write_csv(path: Path, columns: Sequence[Column], rows: list[Row]) -> Path:
    return write_table(path, [column.name for column in columns], rows)


def _write_parquet(path: Path, columns: Sequence[Column], rows: list[Row]) -> Path:
    from pyarrow import parquet

    with whole_path(path) as part, part.open("xb") as file:  # our own file says why it cannot be written
        parquet.write_table(arrow_table(columns, rows), file)
    return path


def arrow_table(columns: Sequence[Column], rows: Sequence[Row]) -> Any:
    """Rows as an Arrow table, whose schema carries each column's meaning."""
    import pyarrow

    kinds = {
        TEXT: pyarrow.dictionary(pyarrow.int32(), pyarrow.string()), NUMBER: pyarrow.float64(),
        WHOLE: pyarrow.int64(), FLAG: pyarrow.bool_(), DATE: pyarrow.date32(),
    }  # fmt: skip
    fields = [pyarrow.field(c.name, kinds[c.kind], metadata={"words": c.words}) for c in columns]
    arrays = [
        pyarrow.array([None if row.get(c.name) in ("", None) else row[c.name] for row in rows], kinds[c.kind])
        for c in columns
    ]
    schema = pyarrow.schema(fields, {"software": f"holdfast {__version__}"})
    return pyarrow.Table.from_arrays(arrays, schema=schema)


def _write_dictionary(
    path: Path, review: Review, tables: Mapping[str, tuple[Sequence[Column], list[Row]]]
) -> Path:
    content = {
        "software": f"holdfast {__version__}",
        "caution": CAUTION,
        "units": UNITS,
        "tables": {
            name: {
                "rows": len(rows),
                "columns": {c.name: {"kind": c.kind, "meaning": c.words} for c in columns},
            }
            for name, (columns, rows) in tables.items()
        },
        "sites": {name: _site_words(name, views) for name, views in sorted(_views(review).items())},
    }
    with whole_file(path, replace=True) as file:
        json.dump(content, file, indent=1, ensure_ascii=False)
        file.write("\n")
    return path


def _views(review: Review) -> dict[str, set[str]]:
    used: dict[str, set[str]] = {}
    for film, _, _ in _films(review):
        used.setdefault(film.reading.site, set()).add(film.reading.view)
    return used


def _site_words(name: str, views: Iterable[str]) -> dict[str, Any]:
    """Say what was measured at a site: every quantity with its title, unit, sign, definition, source."""
    site = load_site(name)
    return {
        "title": site.title,
        "version": site.version,
        "axes": list(site.axes),
        "views": {
            view: {
                "quantities": [
                    _quantity_words(row)
                    for row in (*site.views[view].measurements, *site.views[view].changes)
                ],
                "landmarks": {row.name: row.prompt for row in site.views[view].landmarks},
                "observations": {
                    row.name: {
                        "title": row.title,
                        "grades": {grade.name: grade.words for grade in row.kind.grades},
                        "ordered": row.kind.ordered,
                    }
                    for row in view_rows(name, view).values()
                },
            }
            for view in sorted(views)
        },
    }


def _quantity_words(row: Any) -> dict[str, object]:
    words = {
        "quantity": row.name,
        "target": row.target,
        "title": row.title,
        "unit": row.unit,
        "sign": row.sign,
        "source": row.source,
    }
    if isinstance(row, MeasurementRow):
        definition = (FUNCTIONS[row.function].function.__doc__ or "").split("\n\n")[0]
        words |= {"definition": " ".join(definition.split()), "landmarks": [*row.landmarks, *row.optional]}
    return words
