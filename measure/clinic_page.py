"""What the clinic report of one case says, on one page to be read in 20 seconds. No computation.

How it looks is in `clinic_pdf` and `clinic_html`. Nothing on it names the patient but the label given.
"""

from __future__ import annotations

import itertools
from collections import Counter
from collections.abc import Iterator, Sequence
from dataclasses import dataclass

from measure import __version__
from measure.export import CAUTION, days_since_surgery
from measure.figure import PART_STYLES, Figure, film_figures, trend_figures
from measure.film import Film
from measure.flags import BEYOND, CANNOT_TELL, WITHIN, Flag
from measure.healing import Healing, eye_lines, healing_of_cases
from measure.reading import CONFIRMED, NOT_ASSESSABLE, PROPOSED
from measure.report import (
    EYE_HEADING,
    OUTCOMES,
    VALUES_LEGEND,
    by_basis,
    by_quantity,
    flag_line,
    healed_words,
    holding_words,
    missing_lines,
    noise_words,
    reason_lines,
    technique_lines,
    title,
    trend_lines,
    unmeasured,
    unmeasured_words,
    value_rows,
    worst_outcome,
)
from measure.series import Case, MeasuredFilm
from measure.sites import load_site

FLAG_COLUMNS = ("Outcome", "What", "How much, and how sure")
FILM_WIDTH, FILM_HEIGHTS = 260.0, (110.0, 240.0)  # points, each of the two
TREND_SIZE, TRENDS = (129.0, 86.0), 4
TRENDS_LEGEND = "Change since the index film with its 95 % interval; dashed: the limit."
LEGEND = (
    ", ".join(f"{shape}: {words}" for _, shape, words in PART_STYLES.values())
    + "; hollow: not confirmed; dashed line: bone axis."
).capitalize()
# Colour and tint of each outcome; its sign and its words say the same.
BANDS = {BEYOND: ("#b00020", "#fbe9ec"), CANNOT_TELL: ("#7a5600", "#fdf4dc"), WITHIN: ("#1b6e3c", "#e8f5ec")}


def outcome_colour(cell: str) -> str:
    """Colour of a table's cell: that of the outcome it begins with, if any."""
    signs = {words[0]: BANDS[outcome][0] for outcome, (words, _) in OUTCOMES.items()}
    return signs.get(cell[:1], "#1a1a1a")


@dataclass(frozen=True)
class Table:
    """Rows of text, lines and all, under a heading; `numbers` are the columns set to the right."""

    title: str
    columns: tuple[str, ...]
    rows: tuple[tuple[str, ...], ...]
    numbers: tuple[int, ...] = ()
    legend: str = ""


@dataclass(frozen=True)
class Page:
    """All that the report of one case says, in order.

    `outcome` is the worst of the flags; `words` say whether it holds, `healing` whether it heals; `pictures`
    are figures with their captions; `notes` are headings with their sentences.
    """

    label: str
    heading: str
    visits: str
    outcome: str
    sign: str
    words: str
    healing: str
    pictures: tuple[tuple[Figure, str], ...]
    picture_note: str
    flags: Table
    trends: tuple[Figure, ...]
    values: Table
    notes: tuple[tuple[str, tuple[str, ...]], ...]
    caution: str
    made_from: str

    def texts(self) -> Iterator[str]:
        """Every sentence and cell on the page, for any way of showing it."""
        yield from (self.label, self.heading, self.visits, self.words, self.healing, self.picture_note)
        yield from (caption for _, caption in self.pictures)
        for table in (self.flags, self.values):
            yield from (table.title, table.legend, *table.columns, *itertools.chain.from_iterable(table.rows))
        for heading, lines in self.notes:
            yield from (heading, *lines)
        yield from (self.caution, self.made_from)


def clinic_page(
    case: Case,
    flags: Sequence[Flag],
    label: str,
    films: Sequence[Film],
    trouble: str = "",
    healing: Sequence[Healing] = (),
) -> Page:
    """Put together the page of one case.

    Parameters
    ----------
    case, flags
        The case and the flags of its current film.
    label
        Names the case; all that identifies it.
    films
        The index and the current film (one where there is but one visit), to be drawn; none where
        `trouble` says why not.
    healing
        What was graded at the visit of each of the case's films; without it, on the case's films alone.
    """
    film = case.current
    worst = worst_outcome(flags)
    visits = healing or healing_of_cases([case])[0]
    columns, rows = value_rows(case, flags)
    bone = f"{film.laterality or 'side not stated:'} {load_site(film.reading.site).title.lower()}"
    ends = [case.index, case.current] if len(case.films) > 1 else [case.current]
    figures = film_figures(list(zip(films, ends, strict=True)), FILM_WIDTH, FILM_HEIGHTS) if films else ()
    names = ("Index film", "Current film") if len(ends) > 1 else ("Current film, the only one",)
    captions = [f"{name}, {_when(end)}" for name, end in zip(names, ends, strict=True)]
    return Page(
        label=label,
        heading=f"{bone}, {film.view.title.lower()} view".capitalize(),
        visits=_visits(case),
        outcome=worst,
        sign=OUTCOMES[worst][0].split()[0],
        words=holding_words(case, flags, visits[-1]),
        healing=healed_words(visits),
        pictures=tuple(zip(figures, captions, strict=False)),
        picture_note=trouble,
        flags=_flag_table(flags),
        trends=trend_figures(case, flags, TRENDS, *TREND_SIZE),
        values=Table("Values", columns, tuple(rows), tuple(range(2, len(columns))), f"{VALUES_LEGEND}."),
        notes=tuple((heading, lines) for heading, lines in _notes(case) if lines),
        caution=CAUTION,
        made_from=_made_from(case),
    )  # fmt: skip


def _visits(case: Case) -> str:
    dates = [film.date.isoformat() for film in (case.index, case.current) if film.date]
    count = f"{len(case.films)} visit" + ("s" if len(case.films) > 1 else "")
    film = case.current
    before = ", before the operation" if film.date and film.surgery and film.date < film.surgery else ""
    return f"{count}, {' to '.join(dict.fromkeys(dates)) or 'dates not stated'}{before}"


def _when(film: MeasuredFilm) -> str:
    days = days_since_surgery(film)
    date = film.date.isoformat() if film.date else "date not stated"
    return f"{date}, day {days} after surgery" if days != "" else date


def _flag_table(flags: Sequence[Flag]) -> Table:
    """One row for each quantity that is not within its limits."""
    groups = by_quantity(flags)
    judged = [group for group in groups if group[0].outcome != WITHIN and not unmeasured(group)]
    rows = [
        (
            OUTCOMES[group[0].outcome][0],
            title(group[0].subject.row),
            "\n".join([*map(flag_line, group), *reason_lines(group)]),
        )
        for group in judged
    ]
    if lacking := unmeasured_words(groups):
        rows.append((OUTCOMES[CANNOT_TELL][0], "Not measured", lacking))
    within = sum(group[0].outcome == WITHIN for group in groups)
    heading = f"Flags: {f'{within} more' if rows else f'none; {within}'} within their limits"
    return Table(heading, FLAG_COLUMNS, tuple(rows))


def _notes(case: Case) -> Iterator[tuple[str, tuple[str, ...]]]:
    yield EYE_HEADING, tuple(map(_sentence, eye_lines(case)))
    for basis, *lines in by_basis(case):
        yield f"Between the films, {basis}", tuple(map(_sentence, lines))
    yield "Over all visits", tuple(map(_sentence, trend_lines(case)))
    yield "Scale and comparability", tuple(_scale_lines(case))
    yield "Who confirmed what", (*_reader_lines(case), f"{noise_words(case)}.")
    yield "Not measured", tuple(f"{line}." for line in missing_lines(case))
    if len(case.films) == 1:
        yield "Technique (shown, not graded)", tuple(f"{line}." for line in technique_lines(case.index))


def _sentence(line: str) -> str:
    return f"{line[0].upper()}{line[1:]}."


def _scale_lines(case: Case) -> Iterator[str]:
    if len(case.films) > 1:
        axes = sorted({film.reading.axis for film in case.films})
        yield (
            "Compared: films of one patient, side, site and view, each in the bone's own frame; bone axis "
            + (
                f"{axes[0] or 'none'}, the same on all."
                if len(axes) == 1
                else f"NOT the same ({', '.join(axes)})."
            )
        )
    else:
        yield "One film: compared with nothing."
    by_scale: dict[str, list[str]] = {}
    for film in case.films:
        scale = film.scale.text() if film.scale else "no scale, so no millimetres"
        by_scale.setdefault(scale, []).append(_short(film))
    yield from (f"{', '.join(dates)}: {scale}." for scale, dates in by_scale.items())
    by_note: dict[str, list[str]] = {}
    for film in case.films:
        for note in film.notes:
            by_note.setdefault(note, []).append(_short(film))
    yield from (f"{', '.join(dates)}: {note}." for note, dates in by_note.items())


def _short(film: MeasuredFilm) -> str:
    return film.date.isoformat() if film.date else "undated film"


def _reader_lines(case: Case) -> Iterator[str]:
    for film in case.films:
        landmarks = film.reading.landmarks
        counts = Counter(landmark.status for landmark in landmarks.values())
        said = f"{counts[CONFIRMED]} landmarks confirmed"
        for status, words in ((PROPOSED, "proposed, not confirmed"), (NOT_ASSESSABLE, NOT_ASSESSABLE)):
            titles = [
                film.view.landmark[name].title for name, mark in landmarks.items() if mark.status == status
            ]
            said += f"; {words}: {', '.join(titles)}" if titles else ""
        yield f"Film of {_short(film)}, read by {film.reading.reader} on {film.reading.time[:10]}: {said}."


def _made_from(case: Case) -> str:
    tables = sorted({f"{film.reading.site} {film.reading.site_version}" for film in case.films})
    uids = ", ".join(film.reading.uid[:8] for film in case.films)
    return f"holdfast {__version__}; site table {', '.join(tables)}; readings {uids}"
