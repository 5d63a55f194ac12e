"""A review as text for a terminal: outcome in words, flags first, then the numbers. No computation.

Whatever comes from a file (identifiers, names, readers) is shown as plain text: it can neither style
the screen nor send it commands.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence

from rich import box
from rich.console import Console, Group, RenderableType
from rich.padding import Padding
from rich.rule import Rule
from rich.table import Table
from rich.text import Text

from measure.comparability import COMPARABLE, WORST_COMPARABLE, comparable, least_limit, taken_u
from measure.export import CAUTION, days_since_surgery
from measure.flags import BEYOND, CANNOT_TELL, WITHIN, Flag
from measure.healing import Healing, eye_lines, healing_words, seen_of_holding
from measure.measurements import Measurement
from measure.observations import view_rows
from measure.quantity import COVERAGE_95, UNIT_TEXT, chance_text
from measure.reading import PROPOSED
from measure.review import NO_READING, Review, Unread
from measure.series import INDEX, LAST, Case, Change, MeasuredFilm
from measure.sites import ChangeRow, MeasurementRow, Site, load_site
from measure.space import visits_in_space
from measure.trend import trends

# A word and a sign carry the outcome; colour only repeats it.
OUTCOMES = {
    BEYOND: ("▲ beyond", "bold red"),
    CANNOT_TELL: ("? cannot tell", "yellow"),
    WITHIN: ("· within", "green"),
}


def print_review(review: Review, console: Console) -> None:
    """Print a summary, every case, the films without a reading, the problems and the cautions.

    Cases with something beyond a limit come first; among cases alike, those where the eye saw something.
    """
    cases = sorted(
        zip(review.cases, review.flags, review.healing, strict=True),
        key=lambda row: (
            list(OUTCOMES).index(worst_outcome(_judged(row[0], row[1]))),
            not seen_of_holding(_graded(row[0], row[2])[-1]),
            _place(row[0]),
        ),
    )
    judged = [
        (
            case,
            flags[-1],
            worst_outcome(_judged(case, flags)),
            " ".join(
                [holding_words(case, flags[-1], _graded(case, healing)[-1]), *_read_before(case, flags)]
            ),
            healed_words(_graded(case, healing)),
        )
        for case, flags, healing in cases
    ]
    if len(judged) > 1:
        console.print(_summary(judged))
    for case, flags, worst, held, healed in judged:
        console.print(case_block(case, flags, worst, held, healed))
    for heading, lines in _visits(review):
        console.print(_bullets(heading, lines))
    if review.unread:
        heading = "Films without a reading: nothing was measured on these"
        console.print(_bullets(heading, [_unread_line(film) for film in review.unread]))
    if review.notes:
        console.print(_bullets("To note", review.notes))
    if review.problems:
        console.print(
            _bullets("Not used", [f"{problem.name}: {problem.message}" for problem in review.problems])
        )
    console.print(Text(CAUTION, style="italic"))


def _last_read(case: Case) -> int | None:
    """Find the last film that a reader read, where the current one holds nothing but proposals."""
    read = [
        number
        for number, film in enumerate(case.films)
        if any(mark.status != PROPOSED for mark in film.reading.landmarks.values())
    ]
    return read[-1] if read and case.films[read[-1]] is not case.current else None


def _judged(case: Case, flags: Sequence[Sequence[Flag]]) -> list[Flag]:
    """Give the flags a case is judged by: proposals on the last film do not outdate what was read before."""
    number = _last_read(case)
    return [*flags[-1], *(flags[number] if number is not None else ())]


def _graded(case: Case, healing: Sequence[Healing]) -> Sequence[Healing]:
    """Leave out the visits after the last that was read: proposals grade nothing."""
    number = _last_read(case)
    return healing if number is None else healing[: number + 1]


def _read_before(case: Case, flags: Sequence[Sequence[Flag]]) -> Iterator[str]:
    number = _last_read(case)
    if number is not None:
        beyond = _titles([flag for flag in flags[number] if flag.outcome == BEYOND])
        found = f"beyond the limit: {beyond}" if beyond else "nothing known to be beyond its limit"
        yield f"On the last film that was read, of {case.films[number].date}: {found}."


BRIDGED = "bridged"
HOLDING, HEALING = "Holding, as measured", "Healing, as graded"
EYE_HEADING = "Seen by eye (graded by the reader, not measured)"


def healed_words(healing: Sequence[Healing]) -> str:
    """Say how the visit of a case's current film was graded, beside that of its index film."""
    return healing_words(healing[-1], healing[0])


def holding_words(case: Case, flags: Sequence[Flag], now: Healing) -> str:
    """Say what the numbers show, then what the eye saw at the same visit that bears on it.

    A cortex graded bridged whose gap is beyond its limit is named: both may be right, neither is hidden.
    """
    sentences = [outcome_words(case, flags)]
    if seen := seen_of_holding(now):
        sentences.append(f"Seen by eye, not measured: {seen}.")
    wide = {flag.key[0] for flag in flags if flag.outcome == BEYOND}
    bridged = [
        row.title.lower()
        for row, each in now.cortices
        if each
        and each.film is case.current
        and each.grade
        and each.grade.name == BRIDGED
        and row.gap in wide
    ]
    if bridged:
        sentences.append(f"Graded bridged all the same: {', '.join(bridged)}; look at both again.")
    return " ".join(sentences)


def _visits(review: Review) -> Iterator[tuple[str, list[str]]]:
    """For each patient and side the latest visit that has both views: the pins in space."""
    latest = {}
    for visit in visits_in_space(film for case in review.cases for film in case.films):
        latest[visit.lateral.patient_key, visit.lateral.laterality, visit.lateral.reading.site] = visit
    for visit in latest.values():
        film = visit.lateral
        name = f"Patient {film.patient_key} · {film.laterality} · both views of {film.date}"
        if lines := list(visit.lines()):
            yield name, lines


def _summary(judged: Sequence[tuple[Case, Sequence[Flag], str, str, str]]) -> Group:
    table = Table.grid(padding=(0, 2))
    for case, _, worst, held, healed in judged:
        words, style = OUTCOMES[worst]
        name = _text(f"{_name(case)}\n", "bold")
        said = f"{HOLDING}: {held}\n{HEALING}: {healed}"
        table.add_row(Text(words, style), name.append_text(_text(said)))
    return Group(_heading(f"{len(judged)} cases"), table, Text(""))


def case_block(case: Case, flags: Sequence[Flag], worst: str, held: str, healed: str) -> Group:
    """One case: its outcome, flags, values, grades, films, technique of the index film, what is missing."""
    words, style = OUTCOMES[worst]
    parts: list[RenderableType] = [
        _heading(_name(case)),
        _text(f"{words[0]} {HOLDING}: {held}", style),
        Padding(_text(f"  {HEALING}: {healed}"), (0, 0, 1, 0)),
    ]
    if mind := [f"{film.date or film.name}: {note}" for film in case.films for note in film.notes]:
        parts.append(_bullets("Mind, before trusting the numbers", mind))
    if worst_outcome(flags) != WITHIN:
        parts.append(_flag_list(flags))
    if between := [*between_lines(case), *trend_lines(case)]:
        parts.append(_bullets("Between the films (from all landmarks together)", between))
    parts += [_value_table(case, flags), _bullets(EYE_HEADING, list(eye_lines(case))), _film_table(case)]
    if missing := list(missing_lines(case)):
        parts.append(_bullets("Not measured", missing))
    if technique := list(technique_lines(case.index)):
        parts.append(_bullets("Technique on the index film (shown, not graded)", technique))
    return Group(*parts)


def _heading(words: str) -> Rule:
    return Rule(_text(words, "bold"), align="left", style="default")


def _name(case: Case) -> str:
    film = case.current
    site = load_site(film.reading.site).title.lower()
    visits = f"{len(case.films)} visit" + ("s" if len(case.films) != 1 else "")
    before = " · before the operation" if film.date and film.surgery and film.date < film.surgery else ""
    whose = f"Patient {film.patient_key}" if film.patient_key else "Patient not stated"
    return (
        f"{whose} · {film.laterality or 'side not stated'} {site} · {film.view.title.lower()} view · {visits}"
        f"{before}"
    )


def _place(case: Case) -> tuple[str, str, str, int]:
    """Where a case stands among its like: by patient and side, the views in the site table's order."""
    film, site = case.current, load_site(case.current.reading.site)
    return film.patient_key or "", film.laterality or "", site.name, list(site.views).index(film.view.name)


def worst_outcome(flags: Sequence[Flag]) -> str:
    """Return the worst of several outcomes; "cannot tell" where there is none."""
    return next((outcome for outcome in OUTCOMES if any(f.outcome == outcome for f in flags)), CANNOT_TELL)


def outcome_words(case: Case, flags: Sequence[Flag]) -> str:
    """Say in a few sentences what the films of a case show, for the limits on changes and values."""
    if not flags:
        return "Nothing to judge: no limit applies to what was measured."
    worst: dict[tuple[str, str], Flag] = {}
    for flag in flags:  # the worst of a quantity comes first
        worst.setdefault(flag.key, flag)
    beyond, unsure = (
        _titles([flag for flag in worst.values() if flag.outcome == outcome])
        for outcome in (BEYOND, CANNOT_TELL)
    )
    sentences = [f"Beyond the limit: {beyond}."] if beyond else []
    if unsure:
        start = "These films" if beyond else "Nothing is known to be beyond its limit, but these films"
        sentences.append(f"{start} cannot tell: {unsure}.")
    if not sentences:
        sentences.append("All that was measured lies within its limits.")
    if len(case.films) == 1:
        sentences.append("One film only: nothing to compare with yet.")
    if any(NO_READING in note for film in case.films for note in film.notes):
        sentences.append("A film of this fracture has no reading and is left out.")
    if any(measurement.proposed for film in case.films for measurement in film.measurements):
        sentences.append("Some values rest on proposed landmarks: confirm them.")
    return " ".join(sentences)


def _titles(flags: Sequence[Flag]) -> str:
    """Titles, each once with its targets together: 'pin back-out (pin 1, pin 2), articular gap'."""
    targets: dict[str, list[str]] = {}
    for flag in flags:
        title, target = flag.subject.row.title.lower(), _target(flag.subject.row)
        sign = _mark(flag.subject) if flag.subject.quantity else ""
        which = targets.setdefault(title if target else title + sign, [])
        which.append(target + sign if target else "")
    return ", ".join(
        f"{words} ({', '.join(which)})" if any(which) else words for words, which in targets.items()
    )


def _target(row: MeasurementRow | ChangeRow) -> str:
    """Target in words: 'pin 1'; empty where the quantity has none."""
    kind = row.target.rstrip("0123456789")
    return f"{kind} {row.target.removeprefix(kind)}" if kind else ""


def title(row: MeasurementRow | ChangeRow) -> str:
    """Title of a quantity with its target: 'Pin prominence, pin 1'."""
    target = _target(row)
    return f"{row.title}, {target}" if target else row.title


def _flag_list(flags: Sequence[Flag]) -> Group:
    """List what is not within its limits, one block a quantity, which reads at any width."""
    groups = [group for group in by_quantity(flags) if group[0].outcome != WITHIN]
    table = Table.grid(padding=(0, 2))
    for group in groups:
        words, style = OUTCOMES[group[0].outcome]
        if not unmeasured(group):
            table.add_row(Text(words, style), _flag_block(group))
    if lacking := unmeasured_words(groups):
        words, style = OUTCOMES[CANNOT_TELL]
        table.add_row(Text(words, style), _text(lacking))
    within = len(by_quantity(flags)) - len(groups)
    rest = (
        f"Within their limits: {within} more, see the values."
        if within
        else "There is no limit for the others."
    )
    return Group(Text("Flags", style="bold"), table, Text(rest), Text(""))


def by_quantity(flags: Sequence[Flag]) -> list[list[Flag]]:
    """Group flags by quantity: the worst of each comes first, and the worst groups too."""
    groups: dict[tuple[str, str], list[Flag]] = {}
    for flag in flags:
        groups.setdefault(flag.key, []).append(flag)
    return list(groups.values())


def unmeasured(group: Sequence[Flag]) -> bool:
    """Whether nothing of a quantity was measured; then why stands with what was not measured."""
    return all(flag.outcome == CANNOT_TELL and flag.subject.quantity is None for flag in group)


def unmeasured_words(groups: Sequence[Sequence[Flag]]) -> str:
    """One line for all quantities with a limit of which nothing was measured; empty where there is none."""
    lacking = [group[0] for group in groups if unmeasured(group)]
    return f"Not measured, so not judged (why: below): {_titles(lacking)}." if lacking else ""


def _flag_block(group: Sequence[Flag]) -> Text:
    block = _text(title(group[0].subject.row), "bold")
    for flag in group:
        block.append_text(_text(f"\n{flag_line(flag)}"))
    for line in reason_lines(group):
        block.append_text(_text(f"\n{line}", "dim"))
    return block


def reason_lines(group: Sequence[Flag]) -> Iterator[str]:
    """Reasons for the flags of one quantity, each once and said of which."""
    reasons: dict[str, list[str]] = {}
    for flag in group:
        for words in _reasons(flag, group[0].outcome):
            reasons.setdefault(words, []).append(_since(flag))
    for words, whose in reasons.items():
        start = "" if len(whose) == len(group) else f"{', '.join(whose)}: "
        yield f"{start}{words}"


def _since(flag: Flag) -> str:
    return flag.subject.basis if isinstance(flag.subject, Change) else "now"


def flag_line(flag: Flag) -> str:
    """Say, of one flag, 'since index 6.0 ± 1.6 mm: beyond; limit > 2 mm (possible), chance ... > 99 %'."""
    limit = f"limit {flag.limit_text} ({flag.threshold.level})"
    if flag.subject.quantity is None or flag.probability is None:
        return f"{_since(flag)}: {flag.outcome}; {limit}"
    if flag.threshold.side == "present":
        return f"{_since(flag)}: {'seen' if flag.probability else 'none seen'}{_mark(flag.subject)}"
    also = f"; {flag.why}" if flag.outcome == BEYOND and flag.why else ""
    value = value_text(flag.subject, with_unit=True)
    chance = chance_text(flag.probability)
    return f"{_since(flag)} {value}: {flag.outcome}; {limit}, chance beyond it {chance}{also}"


def _reasons(flag: Flag, worst: str) -> list[str]:
    """Why it cannot be told (what would decide matters less where the quantity is beyond), and its note."""
    tell = flag.outcome == CANNOT_TELL and (worst == CANNOT_TELL or flag.probability is None)
    note = flag.subject.note if isinstance(flag.subject, Change) else None
    return [words for words in (flag.why if tell else None, note) if words]


WITHHELD = "not at all, so withheld"
SMALLEST_TOLD = 0.1  # mm or degrees


def between_lines(case: Case) -> Iterator[str]:
    """Say for each earlier film what moved, how differently the two were taken, and how they compare."""
    return (line for lines in between_films(case) for line in lines)


def between_films(case: Case) -> Iterator[tuple[str, ...]]:
    """Give `by_basis` as sentences that name their earlier film."""
    for basis, moved, *compared in by_basis(case):
        yield f"{basis}: {moved}", *(f"{basis}, {words}" for words in compared)


def by_basis(case: Case) -> Iterator[tuple[str, ...]]:
    """Give basis, what moved, and, where it can be told, how well each quantity compares."""
    for basis in (INDEX, LAST):
        changes = [c for c in case.changes if c.later is case.current and c.basis == basis]
        if not changes:
            continue
        if not changes[0].comparison:
            yield basis, "cannot tell what moved or how alike the films are (no scale, or few landmarks)"
            continue
        compared = comparable_words(changes)
        words = f"how the films compare (±: what turn and scales alone may do): {compared}"
        yield basis, changes[0].comparison.text(), words


def comparable_words(changes: Sequence[Change]) -> str:
    """Say of every quantity how well two films compare in it, and what turn and scales alone may do to it.

    Of several pins or knots the worst stands.
    """
    order = (*COMPARABLE, WORST_COMPARABLE, WITHHELD)
    worst: dict[str, tuple[int, float, str]] = {}
    for change in changes:
        if change.quantity:
            word = comparable(change.quantity, least_limit(change.row, change.later.view))
        elif change.withheld:
            word = WITHHELD
        else:
            continue
        half = COVERAGE_95 * taken_u(change.quantity) if change.quantity else 0.0
        size = f" (± {half:.1f}{UNIT_TEXT[change.row.unit]})" if half >= SMALLEST_TOLD else ""
        what = change.row.title.lower()
        worst[what] = max(worst.get(what, (0, 0.0, "")), (order.index(word), half, size))
    groups = {word: [what + s for what, (n, _, s) in worst.items() if order[n] == word] for word in order}
    return "; ".join(f"{word}: {', '.join(each)}" for word, each in groups.items() if each)


def trend_lines(case: Case) -> Iterator[str]:
    """One line a trend that grows, or would but for one film."""
    for trend in trends(case):
        if trend.growing or trend.rests_on_last or trend.left_out:
            sign = "" if all(change.confirmed for change in trend.changes) else "*"
            yield f"trend of {title(trend.changes[0].row).lower()}{sign}: {trend.text()}"


def _value_table(case: Case, flags: Sequence[Flag]) -> Group:
    columns, rows = value_rows(case, flags)
    table = _table(*columns)
    for column in table.columns[2:]:
        column.justify, column.no_wrap = "right", True
    for row in rows:
        table.add_row(*map(_text, row))
    return Group(Text("Values", style="bold"), table, Text(VALUES_LEGEND, style="dim"), Text(""))


VALUES_LEGEND = (
    f"{', '.join(words for words, _ in OUTCOMES.values())}; ± is the 95 % interval; "
    "* rests on proposed landmarks; – not measured (why: below); joint: since index, from all landmarks "
    "together, beside the plain difference"
)


def value_rows(case: Case, flags: Sequence[Flag]) -> tuple[tuple[str, ...], list[tuple[str, ...]]]:
    """Columns and rows of text: sign of the outcome, quantity, values on the films, changes."""
    changes = {(change.key, change.basis): change for change in case.changes if change.later is case.current}
    signs = {flag.key: OUTCOMES[flag.outcome][0][0] for flag in reversed(flags)}  # the worst stands
    films = {"Index film": case.index, "Current": case.current} if case.changes else {"Film": case.index}
    bases = {"Since index": INDEX, "Since last": LAST} if len(case.films) > 2 else {"Since index": INDEX}
    joint = any(change.joint for change in changes.values())
    kept: list[tuple[str, ...]] = []
    rows: Sequence[MeasurementRow | ChangeRow] = (*case.current.view.changes, *case.current.view.measurements)
    for row in rows:
        key, measured = (row.name, row.target), isinstance(row, MeasurementRow)
        on_films = [value_text(film.find(*key)) if measured else "" for film in films.values()]
        since = [value_text(changes.get((key, basis))) for basis in bases.values()] if case.changes else []
        also = [_joint(changes.get((key, INDEX)))] if joint else []
        if measured or since:
            kept.append((signs.get(key, ""), named(row), *on_films, *since, *also))
    columns = ("", "Quantity", *films, *(bases if case.changes else ()))
    return (*columns, *([JOINT] if joint else [])), kept


def value_text(subject: Change | Measurement | None, *, with_unit: bool = False) -> str:
    """Value with its interval; '*' where it rests on proposed landmarks."""
    if subject is None or subject.quantity is None:
        return "–"
    if isinstance(subject, Measurement) and subject.present is False:
        return "none seen"
    quantity = subject.quantity
    words = quantity.text() if quantity.u else f"{quantity.value:g}{UNIT_TEXT[quantity.unit]}"
    if not with_unit:
        words = words.removesuffix(UNIT_TEXT[quantity.unit])
    return words + _mark(subject)


def _mark(subject: Change | Measurement) -> str:
    """'*' where nobody confirmed the landmarks it rests on."""
    return "" if subject.confirmed else "*"


JOINT = "Joint"  # column: the change since the index film from all landmarks together


def _joint(change: Change | None) -> str:
    return change.joint.text().removesuffix(UNIT_TEXT[change.joint.unit]) if change and change.joint else ""


def named(row: MeasurementRow | ChangeRow) -> str:
    """Name a quantity with its target and unit: 'Articular gap (mm)'."""
    unit = UNIT_TEXT[row.unit].strip()
    return title(row) + (f" ({unit})" if unit else "")


def _film_table(case: Case) -> Group:
    table = _table("Date", "Day", "Scale at the bone", "Bone axis", "Reader")
    for film in case.films:
        date = film.date.isoformat() if film.date else "not stated"
        scale = film.scale.text() if film.scale else "none: no millimetres"
        reader = f"{film.reading.reader}, {film.reading.time[:10]}"
        row = (date, str(days_since_surgery(film)) or "–", scale, film.reading.axis or "–", reader)
        table.add_row(*map(_text, row))
    heading = Text(
        "Films (day: since surgery; the first is the index film, the last the current one)", "bold"
    )
    return Group(heading, table, _text(noise_words(case), "dim"), Text(""))


def noise_words(case: Case) -> str:
    """Name the profile that the uncertainty of placing landmarks comes from."""
    used = dict.fromkeys(f"{film.uncertainty.text()}; {film.uncertainty.source}" for film in case.films)
    return "Uncertainty of placing landmarks: profile " + " | ".join(used)


def technique_lines(film: MeasuredFilm) -> Iterator[str]:
    """One line a value for which the site's table says what is usual."""
    for usual in film.view.technique:
        for measurement in film.measurements:
            if measurement.row.name == usual.quantity and measurement.quantity:
                value = value_text(measurement, with_unit=True)
                yield f"{title(measurement.row)}: {value}; usual: {usual.usual} ({usual.source})"


def missing_lines(case: Case) -> Iterator[str]:
    """One line a reason, with all that it kept from being measured on the current film, or from a change."""
    by_reason: dict[str, list[str]] = {}
    told = set()
    for measurement in case.current.measurements:
        if measurement.reason:
            told.add(measurement.key)
            by_reason.setdefault(f"current film: {measurement.reason}", []).append(title(measurement.row))
    for change in case.changes:
        if change.later is case.current and change.reason and change.key not in told:
            by_reason.setdefault(f"{change.basis}: {change.reason}", []).append(title(change.row))
    for reason, titles in by_reason.items():
        yield f"{'; '.join(titles)}: {reason}"


def _unread_line(film: Unread) -> str:
    date = film.date.isoformat() if film.date else "date not stated"
    said = (film.patient_key or "patient not stated", film.laterality or "side not stated",
            film.view or "view not stated", date, f"scale {film.scale}")  # fmt: skip
    return "; ".join((f"{film.name}: {' · '.join(said)}", *film.notes))


def _bullets(heading: str, lines: Sequence[str]) -> Group:
    table = Table.grid(padding=(0, 1))
    for line in lines:
        table.add_row(Text("-"), _text(line))
    return Group(Text(heading, style="bold"), table, Text(""))


def _table(*headers: str) -> Table:
    """Lay out a table with as little between its columns as reads well, for narrow terminals."""
    return Table(*headers, box=box.SIMPLE_HEAD, pad_edge=False, collapse_padding=True, header_style="")


def _text(words: str, style: str = "") -> Text:
    """Plain text: no markup, and nothing that a terminal would obey or that cannot be written."""
    shown = "".join(letter if letter.isprintable() or letter == "\n" else "\ufffd" for letter in words)
    return Text(shown, style)


def sites_table(site: Site) -> Group:
    """Lay out a site's landmarks, measurements, limits and observations for review.

    Names are as in a thresholds file.
    """
    blocks: list[RenderableType] = []
    for view in site.views.values():
        landmarks = _table("Landmark", "Points", "What to click")
        for row in view.landmarks:
            low, high = row.points
            points = str(low) if low == high else f"{low} to {high}"
            landmarks.add_row(*map(_text, (row.title, points, row.prompt)))
        measurements = _table("Name", "Quantity", "Sign", "Source")
        rows: Sequence[MeasurementRow | ChangeRow] = (*view.changes, *view.measurements)
        for measured in {row.name: row for row in rows}.values():  # pins and knots have the same row each
            unit = UNIT_TEXT[measured.unit].strip() or "share"
            measurements.add_row(measured.name, f"{measured.title} ({unit})", measured.sign, measured.source)
        limits = _table("Name", "Applies to", "Limit", "Level", "Source")
        for limit in view.thresholds:
            words = limit.side
            if limit.side != "present":
                words += f" {limit.limit:g}{UNIT_TEXT[view.units()[limit.quantity]]}"
            limits.add_row(*map(_text, (limit.quantity, limit.basis, words, limit.level, limit.source)))
        seen = _table("Name", "Seen by eye", "Grades, by their keys")
        for each in view_rows(site.name, view.name).values():
            grades = "; ".join(f"{key} {grade.words}" for key, grade in enumerate(each.kind.grades, start=1))
            seen.add_row(*map(_text, (each.name, each.title, grades)))
        tables = {
            "landmarks": landmarks, "measurements": measurements, "limits": limits, "observations": seen,
        }  # fmt: skip
        for what, table in tables.items():
            blocks += [Text(f"{site.title}, {view.title.lower()}: {what}", style="bold"), table, Text("")]
    return Group(*blocks)
