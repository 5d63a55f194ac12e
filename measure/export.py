"""Tidy CSV of a review: one row a value. Results in, text out; no computation."""

from __future__ import annotations

import csv
import datetime
from collections.abc import Iterable, Iterator, Mapping, Sequence
from pathlib import Path

from measure import __version__
from measure.comparability import turn_u
from measure.errors import HoldfastError
from measure.files import whole_file
from measure.flags import Flag, effective_limit
from measure.healing import Healing, Seen, seen_on
from measure.measurements import Measurement
from measure.quantity import Quantity
from measure.review import Review
from measure.series import Change, MeasuredFilm

CAUTION = (
    "A measuring aid, not a diagnosis. Values rest on the landmarks and the scale named beside them. "
    "Local protocol and a licensed clinician decide."
)

SHORT_CAUTION = "a measuring aid, not a diagnosis"

FLAG_COLUMNS = (
    "outcome", "probability_beyond", "threshold", "threshold_side", "threshold_level", "threshold_source",
    "why",
)  # fmt: skip
MEASUREMENT_COLUMNS = (
    "patient", "side", "visit_date", "days_since_surgery", "site", "view", "film_uid", "quantity", "target",
    "value", "unit", "standard_uncertainty", "scale_source", "axis", "landmark_sources", "confirmed",
    "not_assessable_reason", *FLAG_COLUMNS, "method", "reader", "reader_noise", "reading_uid", "site_version",
    "film_notes", "software_version", "caution",
)  # fmt: skip
CHANGE_COLUMNS = (
    "patient", "side", "site", "view", "quantity", "target", "basis", "earlier_date", "later_date",
    "earlier_film_uid", "later_film_uid", "change", "unit", "standard_uncertainty", "confirmed",
    *FLAG_COLUMNS, "estimates", "note", "joint_estimate", "joint_standard_uncertainty",
    "turn_standard_uncertainty", "tilt_deg", "tilt_standard_uncertainty", "rotation_deg",
    "rotation_standard_uncertainty", "verdict", "not_assessable_reason", "reader_noise", "film_notes",
    "software_version", "caution",
)  # fmt: skip
_FILM = (
    "patient", "side", "visit_date", "days_since_surgery", "site", "view", "film_uid", "reader",
    "reading_uid", "site_version", "film_notes", "software_version", "caution",
)  # fmt: skip
OBSERVATION_COLUMNS = (
    *_FILM, "observation", "title", "grade", "grade_number", "not_assessable_reason", "code_scheme", "code",
)  # fmt: skip
HEALING_COLUMNS = (
    *_FILM, "cortices", "assessed", "bridged", "callus", "none", "score", "why_no_score",
    "fracture_line_contrast", "contrast_standard_uncertainty", "contrast_share_clear",
    "contrast_reason", "remark",
)  # fmt: skip


def write_csv(review: Review, folder: Path) -> tuple[Path, ...]:
    """Write measurements, changes, observations and healing as CSV into a folder, each whole or not at all.

    Raises HoldfastError where the folder cannot be written.
    """
    tables = (
        ("measurements.csv", MEASUREMENT_COLUMNS, measurement_rows(review)),
        ("changes.csv", CHANGE_COLUMNS, change_rows(review)),
        ("observations.csv", OBSERVATION_COLUMNS, observation_rows(review)),
        ("healing.csv", HEALING_COLUMNS, healing_rows(review)),
    )
    try:
        return tuple(write_table(folder / name, columns, rows) for name, columns, rows in tables)
    except OSError as error:
        raise HoldfastError(
            f"The tables could not be written to {folder.name!r}: {error.strerror}. "
            "Choose another folder with --out."
        ) from None


def write_table(path: Path, columns: Sequence[str], rows: Iterable[Mapping[str, object]]) -> Path:
    """Write rows as CSV, whole or not at all; what a row lacks stays empty. Raises OSError."""
    with whole_file(path, replace=True) as file:
        writer = csv.writer(file)
        writer.writerow(columns)
        writer.writerows([_cell(each) for each in map(row.get, columns)] for row in rows)
    return path


def _cell(value: object) -> object:
    """Keep spreadsheet programs from running text that begins like a formula."""
    if isinstance(value, str) and value.startswith(("=", "+", "-", "@", "\t", "\r", "\n")):
        return "'" + value
    return value


def measurement_rows(review: Review) -> Iterator[dict[str, object]]:
    """One row for every quantity of every film, those without a value too."""
    for case, flags_by_film in zip(review.cases, review.flags, strict=True):
        for film, flags in zip(case.films, flags_by_film, strict=True):
            yield from film_rows(film, flags)


def film_rows(film: MeasuredFilm, flags: Iterable[Flag]) -> Iterator[dict[str, object]]:
    """One row for every quantity of a film, with its flag where a threshold applies to it."""
    by_subject = {id(flag.subject): flag for flag in flags}
    fields = _film_fields(film) | {"reader_noise": film.uncertainty.text()}
    for measurement in film.measurements:
        flag = by_subject.get(id(measurement))
        yield fields | _measurement_fields(film, measurement) | _flag_fields(flag)


def _film_fields(film: MeasuredFilm) -> dict[str, object]:
    reading = film.reading
    return {
        "patient": film.patient_key or "",
        "side": film.laterality or "",
        "visit_date": film.date.isoformat() if film.date else "",
        "days_since_surgery": days_since_surgery(film),
        "site": reading.site,
        "view": reading.view,
        "film_uid": film.sop_instance_uid or reading.film_digest,
        "reader": reading.reader,
        "reading_uid": reading.uid,
        "site_version": reading.site_version,
        "software_version": f"holdfast {__version__}",
        "film_notes": "; ".join(film.notes),
        "caution": SHORT_CAUTION,
    }


def days_since_surgery(film: MeasuredFilm) -> int | str:
    """Days from surgery to the film, or an empty string where either date is unknown."""
    if not film.date or not film.reading.surgery_date:
        return ""
    return (film.date - datetime.date.fromisoformat(film.reading.surgery_date)).days


def _measurement_fields(film: MeasuredFilm, measurement: Measurement) -> dict[str, object]:
    landmarks = film.reading.landmarks
    sources = [f"{name}={landmarks[name].status}/{origin}" for name, origin in measurement.origins.items()]
    return {
        "quantity": measurement.row.name,
        "target": measurement.row.target,
        **_numbers(measurement.quantity, "value"),
        "unit": measurement.row.unit,
        "scale_source": measurement.scale.method if measurement.scale else "",
        "axis": measurement.axis or "",
        "landmark_sources": ";".join(sources),
        "confirmed": measurement.confirmed,
        "reader_noise": film.uncertainty.text(),
        "not_assessable_reason": measurement.reason or "",
        "method": measurement.method,
    }


def _numbers(quantity: Quantity | None, name: str) -> dict[str, object]:
    if quantity is None:
        return {name: "", "standard_uncertainty": ""}
    return {name: rounded(quantity.value), "standard_uncertainty": rounded(quantity.u)}


def rounded(number: float) -> float:
    """To six digits, far beyond what any value supports, so that a table does not differ by its last bits."""
    return float(f"{number:.6g}")


def change_rows(review: Review) -> Iterator[dict[str, object]]:
    """One row for every change, with the flag where a threshold applies to it."""
    for case, flags_by_film in zip(review.cases, review.flags, strict=True):
        by_subject = {id(flag.subject): flag for flags in flags_by_film for flag in flags}
        for change in case.changes:
            yield _change_fields(change) | _flag_fields(by_subject.get(id(change)))


def _change_fields(change: Change) -> dict[str, object]:
    earlier, later = _film_fields(change.earlier), _film_fields(change.later)
    kept = ("patient", "side", "site", "view", "software_version", "caution")
    return {
        **{key: later[key] for key in kept},
        "quantity": change.row.name,
        "target": change.row.target,
        "basis": change.basis,
        "earlier_date": earlier["visit_date"],
        "later_date": later["visit_date"],
        "earlier_film_uid": earlier["film_uid"],
        "later_film_uid": later["film_uid"],
        **_numbers(change.quantity, "change"),
        "unit": change.row.unit,
        "confirmed": change.confirmed,
        "estimates": "; ".join(f"{words}: {q.value:.6g} (u {q.u:.6g})" for words, q in change.estimates),
        "note": change.note or "",
        **_between(change),
        "not_assessable_reason": change.reason or "",
        "reader_noise": change.later.uncertainty.text(),
        "film_notes": "; ".join(dict.fromkeys((*change.earlier.notes, *change.later.notes))),
    }


def _between(change: Change) -> dict[str, object]:
    """Give what all landmarks of both films together say, and how differently the films were taken."""
    if change.comparison is None:
        return {}
    tilt, rotation = (change.comparison.turn(which) for which in ("tilt", "rotation"))
    joint = change.joint
    return {
        "joint_estimate": rounded(joint.value) if joint else "",
        "joint_standard_uncertainty": rounded(joint.u) if joint else "",
        "turn_standard_uncertainty": rounded(turn_u(change.quantity)) if change.quantity else "",
        "tilt_deg": rounded(tilt.value),
        "tilt_standard_uncertainty": rounded(tilt.u),
        "rotation_deg": rounded(rotation.value),
        "rotation_standard_uncertainty": rounded(rotation.u),
        "verdict": change.comparison.verdict,
    }


def observation_rows(review: Review) -> Iterator[dict[str, object]]:
    """One row for every observation of every film, those not graded too."""
    for case in review.cases:
        for film in case.films:
            yield from observation_rows_of(film)


def observation_rows_of(film: MeasuredFilm) -> Iterator[dict[str, object]]:
    """One row for every observation of one film."""
    yield from (_film_fields(film) | _observation_fields(seen) for seen in seen_on(film).values())


def _observation_fields(seen: Seen) -> dict[str, object]:
    grade = seen.grade
    scheme, code, _ = grade.code if grade and grade.code else ("", "", "")
    return {
        "observation": seen.row.name,
        "title": seen.row.title,
        "grade": grade.name if grade else "",
        "grade_number": seen.row.kind.grades.index(grade) + 1 if grade else "",
        "not_assessable_reason": seen.reason or "",
        "code_scheme": scheme,
        "code": code,
    }


def healing_rows(review: Review) -> Iterator[dict[str, object]]:
    """One row a film: its visit's cortices and score, its own contrast and remark."""
    for case, healing in zip(review.cases, review.healing, strict=True):
        for film, visit in zip(case.films, healing, strict=True):
            yield _film_fields(film) | _healing_fields(visit) | _contrast_fields(film)


def _healing_fields(visit: Healing) -> dict[str, object]:
    grades = [grade.name for grade in visit.grades.values()]
    return {
        "cortices": len(visit.cortices),
        "assessed": len(grades),
        **{name: grades.count(name) for name in ("bridged", "callus", "none")},
        "score": visit.score or "",
        "why_no_score": visit.why,
    }


def _contrast_fields(film: MeasuredFilm) -> dict[str, object]:
    found = film.contrast
    quantity = found.quantity if found else None
    return {
        "fracture_line_contrast": rounded(quantity.value) if quantity else "",
        "contrast_standard_uncertainty": rounded(quantity.u) if quantity else "",
        "contrast_share_clear": rounded(found.clear) if found else "",
        "contrast_reason": (found.reason or "") if found else "not worked out",
        "remark": film.reading.remark,
    }


def _flag_fields(flag: Flag | None) -> dict[str, object]:
    if flag is None:
        return {}
    return {
        "outcome": flag.outcome,
        "probability_beyond": "" if flag.probability is None else rounded(flag.probability),
        "threshold": effective_limit(flag.threshold),
        "threshold_side": flag.threshold.side,
        "threshold_level": flag.threshold.level,
        "threshold_source": flag.threshold.source,
        "why": flag.why or "",
    }
