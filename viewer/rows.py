"""The result table and the trend in words and numbers, flags first. No Qt."""

from __future__ import annotations

import dataclasses
import datetime
import re
from collections.abc import Iterator, Sequence
from dataclasses import dataclass

from measure.export import days_since_surgery
from measure.film import Film
from measure.flags import BEYOND, CANNOT_TELL, WITHIN, Flag, effective_limit
from measure.measurements import Measurement
from measure.quantity import COVERAGE_95, UNIT_TEXT, Quantity, chance_text, difference
from measure.reading import PROPOSED
from measure.report import between_films, title, trend_lines
from measure.series import INDEX, LAST, Case, Change, MeasuredFilm
from measure.sites import ChangeRow, MeasurementRow
from viewer.session import Session

WAITS = "…"
# What a reason begins with, and what of it the table has room for; the hint says it in full.
BRIEFLY = {
    "not placed": "not placed", "not assessable": "not seen", "absent": "absent", "no scale": "no scale",
    "the pin meets the cortex": "grazes", "not measured": "not placed",
}  # fmt: skip
UNCONFIRMED = ", by landmarks that nobody has confirmed"
HEADINGS = ("Quantity", "Now", "Since index", "Since last visit", "Outcome")


@dataclass(frozen=True)
class Outcome:
    """How an outcome is shown: a sign, words and a colour, of which any two may be missed."""

    sign: str
    words: str
    colour: str


OUTCOMES = {
    BEYOND: Outcome("▲", "beyond", "#ff8a5c"),
    CANNOT_TELL: Outcome("?", "cannot tell", "#ffd166"),
    WITHIN: Outcome("=", "within", "#8fd3c8"),
}


@dataclass(frozen=True)
class ResultRow:
    """One line of the table. `cells` go with HEADINGS; `hint` says in full what a cell has no room for.

    `pending`: a point that it rests on is moving, and part of it waits until the point rests.
    """

    key: tuple[str, str]
    cells: tuple[str, str, str, str, str]
    outcome: str | None
    proposed: bool
    hint: str
    pending: bool = False


def result_rows(case: Case, flags: Sequence[Flag]) -> list[ResultRow]:
    """Return the table of a case's current film: beyond first, then what cannot be told, then the rest."""
    current = [change for change in case.changes if change.later is case.current]
    changes = {(change.key, change.basis): change for change in current}
    worst: dict[tuple[str, str], Flag] = {}
    for flag in reversed(flags):
        worst[flag.key] = flag
    joined = [c for c in current if isinstance(c.row, ChangeRow) and c.basis == INDEX]
    subjects: tuple[Change | Measurement, ...] = (*joined, *case.current.measurements)
    first = len(case.films) == 1
    rows = [_row(subject, changes, worst.get(subject.key), first=first) for subject in subjects]
    order = [BEYOND, CANNOT_TELL, WITHIN, None]
    return sorted(rows, key=lambda row: order.index(row.outcome))


def moving_rows(rows: Sequence[ResultRow], case: Case, film: MeasuredFilm) -> list[ResultRow]:
    """Return the rows of a case's last full result as a moving point leaves them.

    `film` is a glance at the current film. Touched values are its own; touched changes are plain
    differences, and their uncertainty and every outcome wait.
    """
    touched = {m.key: m for m in film.measurements if m is not case.current.find(*m.key)}
    joined = {
        (row.name, row.target)
        for row in film.view.changes
        if {(estimate.quantity, row.target) for estimate in (*row.mobile, *row.reference)} & set(touched)
    }
    earlier = {(c.key, c.basis): c.earlier for c in case.changes if c.later is case.current}

    def moved(row: ResultRow) -> ResultRow:
        if row.key not in touched and row.key not in joined:
            return row
        now = touched.get(row.key)
        since = [
            _plain_difference(now, earlier.get((row.key, basis))) if cell else ""
            for cell, basis in zip(row.cells[2:4], (INDEX, LAST), strict=True)
        ]
        cells = (row.cells[0], _text(now), since[0], since[1], WAITS if row.outcome else "")
        return dataclasses.replace(row, cells=cells, pending=True)

    return [moved(row) for row in rows]


def _plain_difference(now: Measurement | None, earlier: MeasuredFilm | None) -> str:
    before = earlier.find(*now.key) if earlier and now else None
    if not (now and before and now.quantity and before.quantity) or now.present is False:
        return WAITS
    quantity = difference(now.quantity, before.quantity)
    return f"≈ {quantity.value:+.1f}{UNIT_TEXT[quantity.unit]}"


def verdict(case: Case) -> tuple[str, str]:
    """Say what moved between the films, or that it cannot be told, and the trends: as in the report.

    Returns what there is room for (the verdicts without how the films lay and compare, the first trend), and
    all: half a comparison would say what compares well and leave out what does not. Landmarks carried over
    from the film before lie as they lay there, so it is said where nobody has confirmed them.
    """
    marks = case.current.reading.landmarks.values()
    doubt = UNCONFIRMED if any(mark.status == PROPOSED for mark in marks) else ""
    between = [
        (moved, "" if "cannot tell" in moved else doubt, others) for moved, *others in between_films(case)
    ]
    trends = list(trend_lines(case))
    short = [f"{moved.split('; ')[0]}{doubt}" for moved, doubt, _ in between] + trends[:1]
    if between or trends[1:]:
        short.append("how the films compare, and all trends: point here to read them")
    full = [line for moved, doubt, others in between for line in (f"{moved}{doubt}", *others)] + trends
    said = ("\n".join(f"{line[:1].upper()}{line[1:]}." for line in lines) for lines in (short, full))
    return next(said), next(said)


def _row(
    subject: Change | Measurement,
    changes: dict[tuple[tuple[str, str], str], Change],
    flag: Flag | None,
    *,
    first: bool,
) -> ResultRow:
    since_index, since_last = changes.get((subject.key, INDEX)), changes.get((subject.key, LAST))
    value = _text(subject) if isinstance(subject, Measurement) else ""
    proposed = bool(subject.proposed) if isinstance(subject, Measurement) else not subject.confirmed
    sign = OUTCOMES[flag.outcome] if flag else None
    words = f"{sign.sign} {sign.words}" if sign else ""
    if flag and flag.outcome == CANNOT_TELL and subject.quantity is None:
        words += _briefly(flag.why or "")
    if flag and flag.outcome == BEYOND:
        words += f" ({flag.threshold.level})"
    if proposed and (subject.quantity is not None):
        words = f"{words} · proposed" if words else "proposed"
    cells = (title(subject.row), value, "" if first else _text(since_index), _text(since_last), words)
    return ResultRow(
        subject.key,
        cells,
        flag.outcome if flag else None,
        proposed,
        "\n".join(_hints(subject, flag, since_index)),
    )


def _briefly(reason: str) -> str:
    """Say in a word or two why there is no value; nothing where that takes more."""
    bare = re.sub(r"^((earlier|later) film: )+", "", reason)
    return next((f": {words}" for start, words in BRIEFLY.items() if bare.startswith(start)), "")


def _text(subject: Change | Measurement | None) -> str:
    if subject is None:
        return ""
    if subject.quantity is None:
        return "–"
    if isinstance(subject, Measurement) and subject.present is False:
        return "none"
    if isinstance(subject, Change) and _nothing_on_both(subject):
        return "none on both"
    text = subject.quantity.text()
    return (
        f"+{text}"
        if isinstance(subject, Change) and subject.quantity.value > 0 and text[0] not in "0"
        else text
    )


def _nothing_on_both(change: Change) -> bool:
    films = change.earlier, change.later
    return all((found := film.find(*change.key)) is not None and found.present is False for film in films)


def _hints(subject: Change | Measurement, flag: Flag | None, since_index: Change | None) -> Iterator[str]:
    yield subject.row.sign
    if subject.reason:
        yield f"No value: {subject.reason}."
    if flag:
        chance = "" if flag.probability is None else f"; chance beyond it {chance_text(flag.probability)}"
        row = flag.threshold
        yield f"Threshold {flag.limit_text} ({row.basis}, {row.level}): {row.source}{chance}"
        if flag.why:
            yield flag.why
    if since_index and since_index.reason:
        yield f"No change since index: {since_index.reason}."
    for basis, quantity in since_index.estimates if since_index else ():
        yield f"{basis}: {quantity.text()}"
    if since_index and since_index.note:
        yield since_index.note


def frame_words(film: Film) -> str:
    """Say which frame of its file a film is; nothing where the file holds one."""
    return f"frame {film.frame} · " if film.frame else ""


def caption_lines(session: Session, number: int) -> tuple[str, ...]:
    """Words written on a film: which it is, when, what it shows, how far it is read, and its scale."""
    film, draft, measured = session.films[number], session.draft_of(number), session.glance(number)
    role = "Index film" if number == session.index else "Current film"
    days = days_since_surgery(measured)
    since = "" if days == "" else f" · day {days} after surgery"
    unread = "working reading" if draft.landmarks else "not read yet"
    return (
        f"{role} · {film.date.isoformat() if film.date else 'date not stated'}{since}",
        f"{draft.view} · {draft.laterality or 'side not stated'} · {frame_words(film)}"
        f"{'reading saved' if session.is_finished(number) else unread}",
        measured.scale.text() if measured.scale else "no scale: no millimetres",
    )


@dataclass(frozen=True)
class TrendPoint:
    """One visit: when, the value and half of its 95 % interval."""

    date: datetime.date
    value: float
    half: float
    confirmed: bool
    current: bool


@dataclass(frozen=True)
class Trend:
    """A quantity over the visits, with the limits that apply to it on the same scale."""

    title: str
    unit: str
    points: tuple[TrendPoint, ...]
    limits: tuple[tuple[float, str], ...]


def trend(session: Session, key: tuple[str, str]) -> Trend | None:
    """Return a quantity, or a change since index, over the visits; None where the view has no such thing."""
    known: tuple[MeasurementRow | ChangeRow, ...] = (*session.view.measurements, *session.view.changes)
    row = next((row for row in known if (row.name, row.target) == key), None)
    if row is None:
        return None
    is_change = isinstance(row, ChangeRow)
    points = tuple(_change_points(session, key) if is_change else _value_points(session, key))
    limits = tuple(_limits(session, row, points))
    since = " since index" if is_change else ""
    return Trend(f"{title(row)}{since}", {"mm": "mm", "deg": "°", "1": ""}[row.unit], points, limits)


def _value_points(session: Session, key: tuple[str, str]) -> Iterator[TrendPoint]:
    for film, measurement in session.history(key):
        if measurement.quantity:
            yield from _point(film, measurement.quantity, measurement.confirmed, session)


def _change_points(session: Session, key: tuple[str, str]) -> Iterator[TrendPoint]:
    first, *later = session.visits
    for number in later:
        change = next(c for c in session.compared(first, number, INDEX) if c.key == key)
        if number == later[0] and change.earlier.reading.landmarks:
            yield from _point(change.earlier, Quantity(0.0, change.row.unit), True, session)
        if change.quantity:
            yield from _point(change.later, change.quantity, change.confirmed, session)


def _point(film: MeasuredFilm, quantity: Quantity, confirmed: bool, session: Session) -> Iterator[TrendPoint]:
    """Give the film's point, if the film says when it was taken."""
    if film.date:
        current = film.reading.film_digest == session.film.digest
        yield TrendPoint(film.date, quantity.value, COVERAGE_95 * quantity.u, confirmed, current)


def _limits(
    session: Session, row: MeasurementRow | ChangeRow, points: Sequence[TrendPoint]
) -> Iterator[tuple[float, str]]:
    """Limits of change are drawn from the index film's value."""
    for threshold in session.view.thresholds:
        if threshold.quantity != row.name or threshold.side == "present" or not points:
            continue
        start = points[0].value if threshold.basis == "change" and isinstance(row, MeasurementRow) else 0.0
        words = f"{threshold.level} limit" + (" of change" if threshold.basis == "change" else "")
        sides = {"above": (1,), "below": (1,), "either": (1, -1)}[threshold.side]
        yield from ((start + side * effective_limit(threshold), words) for side in sides)
