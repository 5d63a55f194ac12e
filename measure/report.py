"""A review as text for a terminal: outcome in words, flags first, then the numbers. No computation."""

from __future__ import annotations

from collections.abc import Iterator, Sequence

from rich.console import Console, Group, RenderableType
from rich.padding import Padding
from rich.table import Table
from rich.text import Text

from measure.export import CAUTION, days_since_surgery
from measure.flags import BEYOND, CANNOT_TELL, WITHIN, Flag
from measure.measurements import Measurement
from measure.review import Review
from measure.series import INDEX, LAST, Case, Change, MeasuredFilm
from measure.sites import Site, load_site

# A word and a sign carry the outcome; colour only repeats it.
OUTCOMES = {
    BEYOND: ("▲ beyond", "bold red"),
    CANNOT_TELL: ("? cannot tell", "yellow"),
    WITHIN: ("· within", "green"),
}


def print_review(review: Review, console: Console) -> None:
    """Print every case, then the films without a reading, the problems and the cautions."""
    for case, flags in zip(review.cases, review.flags, strict=True):
        console.print(case_block(case, flags))
    if review.unread:
        console.print(_unread_table(review))
    if review.notes:
        console.print(_bullets("To note", review.notes))
    if review.problems:
        console.print(
            _bullets("Not used", [f"{problem.name}: {problem.message}" for problem in review.problems])
        )
    console.print(Text(CAUTION, style="italic"))


def case_block(case: Case, flags: Sequence[Flag]) -> Group:
    """One case: heading, outcome, flags, values, technique of the index film, films, what is missing."""
    parts: list[RenderableType] = [_heading(case), Padding(_outcome(case, flags), (0, 0, 1, 2))]
    if flags:
        parts.append(_flag_table(flags))
    parts += [_value_table(case, flags), _film_table(case)]
    technique = list(technique_lines(case.index))
    if technique:
        parts.append(_bullets("Technique on the index film (shown, not graded)", technique))
    missing = list(missing_lines(case.current))
    if missing:
        parts.append(_bullets("Not measured on the current film", missing))
    return Group(*parts, Text(""))


def _heading(case: Case) -> Text:
    film, reading = case.current, case.current.reading
    site = load_site(reading.site)
    visits = f"{len(case.films)} visit" + ("s" if len(case.films) != 1 else "")
    words = (
        f"Patient {film.patient_key or 'not stated'} · {film.laterality or 'side not stated'} {site.title.lower()} · "
        f"{case.current.view.title.lower()} view · {visits}"
    )
    return Text(words, style="bold reverse")


def outcome_words(case: Case, flags: Sequence[Flag]) -> str:
    """Say in one sentence what the films of a case show, for thresholds on changes and values."""
    if not flags:
        return "Nothing to judge: no threshold applies to what was measured."
    counts = {outcome: [flag for flag in flags if flag.outcome == outcome] for outcome in OUTCOMES}
    provisional = " Some values rest on proposed landmarks: confirm them." if _any_proposed(case) else ""
    if counts[BEYOND]:
        what = ", ".join(dict.fromkeys(subject_title(flag).lower() for flag in counts[BEYOND]))
        tail = f"; {len(counts[CANNOT_TELL])} more cannot be told" if counts[CANNOT_TELL] else ""
        return f"Beyond the threshold: {what}{tail}.{provisional}"
    if counts[CANNOT_TELL]:
        what = ", ".join(dict.fromkeys(subject_title(flag).lower() for flag in counts[CANNOT_TELL]))
        return f"Nothing is beyond its threshold; these films cannot tell: {what}.{provisional}"
    alone = " One film only: nothing to compare with yet." if len(case.films) == 1 else ""
    return f"All that was measured lies within its thresholds.{alone}{provisional}"


def _any_proposed(case: Case) -> bool:
    return any(measurement.proposed for measurement in case.current.measurements)


def _outcome(case: Case, flags: Sequence[Flag]) -> Text:
    worst = next((outcome for outcome in OUTCOMES if any(f.outcome == outcome for f in flags)), CANNOT_TELL)
    return Text(outcome_words(case, flags), style=OUTCOMES[worst][1])


def title(subject: Change | Measurement) -> str:
    """Title of a quantity with its target: 'Pin prominence, pin 1'."""
    row = subject.row
    if not row.target:
        return row.title
    kind = row.target.rstrip("0123456789")
    return f"{row.title}, {kind} {row.target.removeprefix(kind)}"


def subject_title(flag: Flag) -> str:
    since = f" {flag.subject.basis}" if isinstance(flag.subject, Change) else ""
    return f"{title(flag.subject)}{since}"


def _flag_table(flags: Sequence[Flag]) -> Table:
    table = Table(title="Flags", title_justify="left", expand=False)
    for name in ("Outcome", "What", "Value", "Limit", "Probability beyond", "Why"):
        table.add_column(name, justify="right" if name in ("Value", "Limit") else "left")
    for flag in flags:
        words, style = OUTCOMES[flag.outcome]
        level = f"{words} ({flag.threshold.level})" if flag.outcome == BEYOND else words
        table.add_row(
            Text(level, style=style),
            subject_title(flag),
            value_text(flag.subject),
            limit_text(flag),
            chance_text(flag),
            why_text(flag),
        )
    return table


def value_text(subject: Change | Measurement | None) -> str:
    if subject is None or subject.quantity is None:
        return "–"
    if isinstance(subject, Measurement) and subject.present is False:
        return "none seen"
    return subject.quantity.text() + ("" if subject.confirmed else " *")


def limit_text(flag: Flag) -> str:
    signs = {"above": "> ", "below": "< ", "either": "± ", "present": "any"}
    sign = signs[flag.threshold.side]
    units = {"mm": " mm", "deg": "°", "1": ""}
    return sign if sign == "any" else f"{sign}{flag.threshold.limit:g}{units[flag.subject.row.unit]}"


def chance_text(flag: Flag) -> str:
    if flag.probability is None:
        return "–"
    if flag.threshold.side == "present":
        return "seen" if flag.probability else "none seen"
    percent = 100 * flag.probability
    return "< 1 %" if percent < 1 else "> 99 %" if percent > 99 else f"{percent:.0f} %"


def why_text(flag: Flag) -> str:
    note = flag.subject.note if isinstance(flag.subject, Change) else None
    return flag.why or note or ""


def _value_table(case: Case, flags: Sequence[Flag]) -> Table:
    table = Table(
        title="Values (± is the 95 % interval; * rests on proposed landmarks)", title_justify="left"
    )
    for name in VALUE_COLUMNS:
        table.add_column(name, justify="left" if name in ("Quantity", "Outcome") else "right")
    for row in value_rows(case, flags):
        table.add_row(*row)
    return table


VALUE_COLUMNS = ("Quantity", "Index film", "Current film", "Since index", "Since last visit", "Outcome")


def value_rows(case: Case, flags: Sequence[Flag]) -> Iterator[tuple[str, ...]]:
    """One row of text, by VALUE_COLUMNS, for each joined change and each quantity of the current film."""
    changes = {(change.key, change.basis): change for change in case.changes if change.later is case.current}
    worst = {flag.key: flag.outcome for flag in reversed(flags)}
    joined = [
        change for change in case.changes if change.later is case.current and change.key not in _keys(case)
    ]
    rows = [(c, None, None) for c in joined if c.basis == INDEX]
    rows += [(m, case.index.find(*m.key), m) for m in case.current.measurements]  # type: ignore[misc]
    for subject, index, current in rows:
        yield (
            title(subject),
            value_text(index),
            value_text(current) if len(case.films) > 1 else "",
            value_text(changes.get((subject.key, INDEX))),
            value_text(changes.get((subject.key, LAST))),
            OUTCOMES[worst[subject.key]][0] if subject.key in worst else "",
        )


def _keys(case: Case) -> set[tuple[str, str]]:
    return {measurement.key for measurement in case.current.measurements}


def _film_table(case: Case) -> Table:
    table = Table(title="Films", title_justify="left")
    for name in ("Date", "Days since surgery", "Scale at the bone", "Bone axis", "Reader", "Notes"):
        table.add_column(name)
    for film in case.films:
        table.add_row(
            film.date.isoformat() if film.date else "not stated",
            str(days_since_surgery(film)),
            film.scale.text() if film.scale else "none: no millimetres",
            film.reading.axis or "–",
            f"{film.reading.reader}, {film.reading.time[:10]}",
            "; ".join(film.notes),
        )
    return table


def technique_lines(film: MeasuredFilm) -> Iterator[str]:
    for usual in film.view.technique:
        for measurement in film.measurements:
            if measurement.row.name == usual.quantity and measurement.quantity:
                yield f"{title(measurement)}: {value_text(measurement)}; usual: {usual.usual} ({usual.source})"


def missing_lines(film: MeasuredFilm) -> Iterator[str]:
    for measurement in film.measurements:
        if measurement.reason:
            yield f"{title(measurement)}: {measurement.reason}"


def _unread_table(review: Review) -> Table:
    table = Table(title="Films without a reading: nothing was measured on these", title_justify="left")
    for name in ("Film", "Patient", "Side", "View", "Date", "Scale at the bone", "Notes"):
        table.add_column(name)
    for film in review.unread:
        table.add_row(
            film.name, film.patient_key or "–", film.laterality or "–", film.view or "–",
            film.date.isoformat() if film.date else "–", film.scale, "; ".join(film.notes),
        )  # fmt: skip
    return table


def _bullets(heading: str, lines: Sequence[str]) -> Group:
    return Group(Text(heading, style="bold"), *(Padding(Text(f"- {line}"), (0, 0, 0, 2)) for line in lines))


def sites_table(site: Site) -> Group:
    """A site's landmarks, measurements and thresholds for review on one screen."""
    blocks: list[RenderableType] = []
    for view in site.views.values():
        landmarks = Table(
            "Landmark", "Points", "Prompt", title=f"{site.title}, {view.title.lower()}: landmarks"
        )
        for row in view.landmarks:
            low, high = row.points
            landmarks.add_row(row.title, str(low) if low == high else f"{low} to {high}", row.prompt)
        measurements = Table("Quantity", "Unit", "Sign", "Source", title="Measurements")
        for measured in (*view.measurements, *view.changes):
            measurements.add_row(
                f"{measured.title} {measured.target}".strip(), measured.unit, measured.sign, measured.source
            )
        thresholds = Table("Quantity", "Applies to", "Limit", "Level", "Source", title="Thresholds")
        for threshold in view.thresholds:
            thresholds.add_row(
                threshold.quantity, threshold.basis, f"{threshold.side} {threshold.limit:g}", threshold.level,
                threshold.source,
            )  # fmt: skip
        blocks += [landmarks, measurements, thresholds]
    return Group(*blocks)
