"""What the report of an agreement study says: tables, figures and a checklist. No computation, no layout."""

from __future__ import annotations

import math
from collections import defaultdict
from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np

from measure import __version__
from measure.agreement import (
    BETWEEN,
    INTER_MODEL,
    INTRA_MODEL,
    SERIAL,
    WITHIN,
    Agreement,
    Estimate,
    Limits,
    Ratings,
    against,
    agreement,
)
from measure.agreement_grades import Pair, grade_pairs
from measure.agreement_study import LandmarkSpread, Study, Truth, landmark_spreads
from measure.clinic_page import Table
from measure.export import CAUTION
from measure.figure import GREY, INK, RED, Figure, Line, Mark, Words, tick_step
from measure.report import named, title
from measure.sites import MeasurementRow, load_site

FIGURE = (172.0, 112.0)  # points
MOST_PAIRS = 3  # figures of a quantity
PROPOSAL, TRUTH = "program's proposal", "truth"
KOO = (
    "An ICC is read by its interval: below 0.5 poor, to 0.75 moderate, to 0.9 good, above it excellent "
    "(Koo & Li 2016). It depends on how much the films differ; SEM and smallest detectable change do not."
)


@dataclass(frozen=True)
class Analysed:
    """One quantity of a study with all that was worked out; `others` are comparisons with no reader."""

    row: MeasurementRow
    ratings: Ratings
    found: Agreement
    others: tuple[Limits, ...]
    missing: dict[tuple[str, str], int]

    @property
    def varies(self) -> bool:
        """Whether the readings are not all alike; where they are, nothing tells how far readers agree."""
        values = self.ratings.values[np.isfinite(self.ratings.values)]
        return bool(np.ptp(values) > 0) if values.size else False


@dataclass(frozen=True)
class Analysis:
    """A study with every quantity that was read, those that never were, its landmarks and its grades."""

    study: Study
    quantities: tuple[Analysed, ...]
    unread: tuple[MeasurementRow, ...]
    landmarks: tuple[LandmarkSpread, ...]
    grades: tuple[Pair, ...] = ()


@dataclass(frozen=True)
class Section:
    """A heading with its sentences, tables and figures."""

    title: str
    lines: tuple[str, ...] = ()
    tables: tuple[Table, ...] = ()
    figures: tuple[Figure, ...] = ()


@dataclass(frozen=True)
class Document:
    """All that a report of several pages says, in order."""

    title: str
    subtitle: str
    sections: tuple[Section, ...]
    caution: str
    made_from: str


def analyse(study: Study, truth: Truth | None = None) -> Analysis:
    """Work out every quantity of a study; `truth` gives the true values of a row, where they are known."""
    done, unread = [], []
    for row in study.table.measurements:
        ratings = study.ratings(row)
        if not np.isfinite(ratings.values).any():
            unread.append(row)
            continue
        others: tuple[Limits, ...] = ()
        if study.proposals:
            others += against(ratings, study.reference(study.proposals, row), PROPOSAL)
        if truth:
            others += against(ratings, truth(row), TRUTH)
        done.append(Analysed(row, ratings, agreement(ratings), others, dict(study.missing(row))))
    return Analysis(study, tuple(done), tuple(unread), landmark_spreads(study), grade_pairs(study))


def document(analysis: Analysis) -> Document:
    """Put the report together."""
    study = analysis.study
    site = load_site(study.site)
    sections = (
        Section("What was done", tuple(_design(study))),
        Section("Agreement of each quantity", (KOO, *_models()), (_main_table(analysis),)),
        Section("Readers who differ systematically", (_BIAS_WORDS,), (_bias_table(analysis),)),
        Section("What the readings vary by", (), (_component_table(analysis),)),
        Section("Two readings of one film", (_LIMITS_WORDS,), (_limits_table(analysis),)),
        *_other_sections(analysis),
        Section("Differences against means", (_FIGURE_WORDS,), (), tuple(_figures(analysis))),
        Section("Landmarks", (_LANDMARK_WORDS,), (_landmark_table(analysis),)),
        Section("Grades by eye", (_GRADE_WORDS,) if analysis.grades else (), (_grade_table(analysis),)),
        Section("Missing and not assessable", tuple(_unread_lines(analysis)), (_missing_table(analysis),)),
        Section("To note", tuple(_notes(analysis))),
        Section("Checklist, in the order of GRRAS (Kottner 2011)", (), (_checklist(analysis),)),
    )
    table = f"site table {study.site} {site.version}"
    return Document(
        f"Agreement study: {study.title}",
        f"{site.title}, {study.table.title.lower()} view; {_size(study)}",
        tuple(s for s in sections if s.lines or s.figures or any(t.rows for t in s.tables)),
        CAUTION,
        f"holdfast {__version__}; {table}; statistics by pingouin, statsmodels and scipy",
    )


def _size(study: Study) -> str:
    often = {1: "once", 2: "twice"}.get(study.repeats, f"{study.repeats} times")
    many = "1 reader" if len(study.readers) == 1 else f"{len(study.readers)} readers"
    return f"{len(study.films)} films, {many}, each film {often}"


def _design(study: Study) -> Iterator[str]:
    yield f"{_size(study).capitalize()}; {len(study.readings)} readings in all. {study.how.capitalize()}."
    yield (
        "Every quantity was measured anew from each reader's landmarks; a value counts where the reader "
        "confirmed every landmark that it rests on. Films are named by labels."
    )
    yield from (f"{note[0].upper()}{note[1:]}." for note in study.notes)
    yield from (f"Not used: {name}: {words}" for name, words in study.problems)


def _models() -> Iterator[str]:
    for whose, (form, model, kind, definition) in (
        ("between readers, of first readings", INTER_MODEL),
        ("of one reader's repeats", INTRA_MODEL),
    ):
        yield f"ICC {whose}: {form}, {model}, {kind}, {definition}; 95 % interval."
    yield (
        f"SEM: standard deviation of one reading's error. {BETWEEN}: whoever reads; {SERIAL}: without what a "
        f"reader always does alike; {WITHIN}: only what differs when the same film is read again. Smallest "
        "detectable change: 1.96 √2 SEM. Intervals by generalised pivotal quantities."
    )


# --- Text of numbers ---


def number(value: float, unit: str) -> str:
    """Write a number to hundredths of a millimetre, tenths of a degree or thousandths of a ratio."""
    digits = {"mm": 2, "deg": 1, "icc": 2}.get(unit, 3)
    text = f"{value:.{digits}f}"
    return text.lstrip("-") if float(text) == 0 else text.replace("-", "−")


def with_interval(estimate: Estimate | None, unit: str) -> str:
    """Write a number and its interval; a dash where there is none."""
    if estimate is None:
        return "–"
    ends = [number(end, unit) for end in (estimate.low, estimate.high) if math.isfinite(end)]
    return number(estimate.value, unit) + (f" ({' to '.join(ends)})" if len(ends) == 2 else "")


# --- Tables ---


def _main_table(analysis: Analysis) -> Table:
    columns = (
        "Quantity", "Films", "ICC between readers", "ICC of repeats, least of all readers", f"SEM, {BETWEEN}",
        f"Detectable, {BETWEEN}", f"Detectable, {SERIAL}", f"Detectable, {WITHIN}",
    )  # fmt: skip
    rows = []
    for one in analysis.quantities:
        found, unit = one.found, one.row.unit
        least = min(found.intra, key=lambda icc: icc.icc.value, default=None)
        sem = found.components.sem if found.components else {}
        detectable = found.components.detectable if found.components else {}
        rows.append((
            named(one.row),
            str(len(one.ratings.complete)),
            with_interval(found.inter.icc if found.inter else None, "icc"),
            with_interval(least.icc if least else None, "icc"),
            with_interval(sem.get(BETWEEN), unit),
            *(with_interval(detectable.get(whose), unit) for whose in (BETWEEN, SERIAL, WITHIN)),
        ))  # fmt: skip
    legend = "Films: those with every reading. (low to high): 95 % interval; – cannot be had, see To note."
    return Table("ICC, SEM and smallest detectable change", columns, tuple(rows), (1,), legend)


_ALL_ALIKE = "–: all readings are alike, on every film, which does not tell how far readers agree."
_BIAS_WORDS = (
    "Each reader less the mean of all readers, with its 95 % interval; * the interval leaves zero out. Of "
    "every hundred intervals some five do so by chance."
)


def _bias_table(analysis: Analysis) -> Table:
    rows = [
        (
            named(one.row),
            *(
                f"{with_interval(b.bias if one.varies else None, one.row.unit)}{' *' if b.systematic else ''}"
                for b in one.found.readers
            ),
        )
        for one in analysis.quantities
        if one.found.readers
    ]
    columns = ("Quantity", *analysis.study.readers)
    return Table("Reader less mean of all", columns, tuple(rows), (), _ALL_ALIKE)


def _component_table(analysis: Analysis) -> Table:
    names = list(
        dict.fromkeys(
            n for one in analysis.quantities if one.found.components for n in one.found.components.variances
        )
    )
    rows = [
        (
            named(one.row),
            *(with_interval(parts.variances.get(name), "1") for name in names),
            parts.method,
        )
        for one in analysis.quantities
        if (parts := one.found.components)
    ]
    legend = "Variances, in squared units. With one repeat, 'repeat' holds 'film by reader' too."
    return Table("Variance components", ("Quantity", *names, "Estimated from"), tuple(rows), (), legend)


_LIMITS_WORDS = (
    "First readings of each film: mean difference and the limits between which 95 % of differences are "
    "expected (Bland & Altman 1999), each with its 95 % interval."
)
_LIMIT_COLUMNS = ("Quantity", "Difference", "Films", "Mean", "Lower limit", "Upper limit")


def _limits_table(analysis: Analysis) -> Table:
    rows = [_limit_row(one, pair) for one in analysis.quantities for pair in one.found.pairs]
    return Table("Reader less reader", _LIMIT_COLUMNS, tuple(rows), (2,), _ALL_ALIKE)


def _limit_row(one: Analysed, pair: Limits) -> tuple[str, ...]:
    known = one.varies or pair.sd > 0
    ends = (
        with_interval(end if known else None, one.row.unit) for end in (pair.bias, pair.lower, pair.upper)
    )
    return named(one.row), f"{pair.first} − {pair.second}", str(pair.films), *ends


_PROPOSAL_WORDS = (
    "Only quantities that rest wholly on what the program proposes, on two films or more, stand here; the "
    "others it does not propose. Limits from few films say little."
)


def _other_sections(analysis: Analysis) -> Iterator[Section]:
    for name, heading in (
        (PROPOSAL, "Readers against the program's proposals"),
        (TRUTH, "Readers against truth"),
    ):
        rows = [
            _limit_row(one, pair) for one in analysis.quantities for pair in one.others if pair.second == name
        ]
        lines = (_PROPOSAL_WORDS,) if name == PROPOSAL and analysis.study.proposals else ()
        yield Section(
            heading, lines, (Table(f"Reader less {name}", _LIMIT_COLUMNS, tuple(rows), (2,), _ALL_ALIKE),)
        )


_LANDMARK_WORDS = (
    "Standard deviation of a landmark's readings at the bone: film after film by one reader, and between "
    "readers' own ways of seeing it. This is what an uncertainty profile holds."
)


def _landmark_table(analysis: Analysis) -> Table:
    titles = analysis.study.table.landmark
    rows = [
        (
            titles[one.landmark].title,
            one.direction,
            with_interval(one.placement, "mm"),
            with_interval(one.habit, "mm"),
            str(one.found.films),
        )
        for one in analysis.landmarks
    ]
    columns = ("Landmark", "Direction", "One reader (mm)", "Between readers (mm)", "Films")
    return Table("Spread of landmarks", columns, tuple(rows), (4,))


_GRADE_WORDS = (
    "Weighted kappa of two readers' grades (Cohen 1968; squared weights where the grades form a scale), with "
    "its 95 % interval, over the films both graded; it is 0, without an interval, where one of them gave one "
    "grade alone, however often both gave the same. A film that either called not assessable is left out, so "
    "the share of films on which both thought alike of that stands beside it."
)


def _grade_table(analysis: Analysis) -> Table:
    rows = [
        (
            pair.row.title,
            pair.of,
            str(pair.grades.films if pair.grades else 0),
            with_interval(pair.grades.kappa, "icc") if pair.grades else "–",
            f"{100 * pair.grades.same:.0f} %" if pair.grades else "–",
            f"{100 * pair.assessable.same:.0f} %",
        )
        for pair in analysis.grades
    ]
    columns = ("Seen by eye", "Readers", "Films", "Weighted kappa", "Same grade", "Alike on assessable")
    return Table("Agreement on grades", columns, tuple(rows), (2,))


def _missing_table(analysis: Analysis) -> Table:
    counts: dict[tuple[str, str], list[str]] = defaultdict(list)
    for one in analysis.quantities:
        for (reader, reason), count in one.missing.items():
            counts[title(one.row), reason].append(f"{reader}: {count}")
    rows = [(what, reason, ", ".join(who)) for (what, reason), who in counts.items()]
    return Table("Readings without a value", ("Quantity", "Why", "How many"), tuple(rows))


def _unread_lines(analysis: Analysis) -> Iterator[str]:
    if analysis.unread:
        yield f"Never measured in this study: {', '.join(map(title, analysis.unread))}."


def _notes(analysis: Analysis) -> Iterator[str]:
    whose: dict[str, list[str]] = defaultdict(list)
    for one in analysis.quantities:
        for note in one.found.notes:
            whose[note].append(title(one.row))
    for note, titles in whose.items():
        start = "" if len(titles) == len(analysis.quantities) else f"{', '.join(titles)}: "
        words = f"{start}{note}."
        yield words[0].upper() + words[1:]


# --- Figures ---

_FIGURE_WORDS = (
    "First readings: difference of two readers against their mean, one point a film. Solid: mean difference; "
    "dashed: 95 % limits of agreement; bars at the right: their 95 % intervals."
)


def _figures(analysis: Analysis) -> Iterator[Figure]:
    for one in analysis.quantities:
        widest = sorted(one.found.pairs, key=lambda pair: pair.lower.value - pair.upper.value)[:MOST_PAIRS]
        for pair in one.found.pairs:
            if pair in widest and pair.sd > 0:
                first = [one.ratings.part([name]).values[:, 0, 0] for name in (pair.first, pair.second)]
                yield difference_figure(one.row, pair, *first)


def difference_figure(row: MeasurementRow, pair: Limits, first: np.ndarray, second: np.ndarray) -> Figure:
    """Draw differences against means of two series (films,) with their limits of agreement."""
    width, height = FIGURE
    left, right, head, foot = 27.0, width - 12.0, 15.0, height - 19.0
    both = np.isfinite(first) & np.isfinite(second)
    means, apart = (first[both] + second[both]) / 2, (first - second)[both]
    lines = (pair.lower, pair.bias, pair.upper)
    low, high, step = _axis(min(apart.min(), pair.lower.low), max(apart.max(), pair.upper.high))
    start, end, stride = _axis(float(means.min()), float(means.max()))

    def place(mean: float, difference: float) -> tuple[float, float]:
        across = (mean - start) / (end - start)
        return left + across * (right - left), foot - (difference - low) / (high - low) * (foot - head)

    parts: list[Line | Mark | Words] = []
    for tick in np.arange(low, high + step / 2, step):
        y = place(start, tick)[1]
        parts += [
            Line(((left, y), (right, y)), "#e4e4e4", 0.4),
            Words((left - 3, y + 2), f"{tick + 0.0:.4g}", GREY, 6.0, "end"),
        ]
    for tick in np.arange(start, end + stride / 2, stride):
        parts.append(Words((place(tick, low)[0], foot + 8), f"{tick + 0.0:.4g}", GREY, 6.0, "middle"))
    for nth, estimate in enumerate(lines):
        y = place(start, estimate.value)[1]
        colour, dashed = (INK, False) if estimate is pair.bias else (RED, True)
        ends = [(right + 3 + 3 * nth, place(start, at)[1]) for at in (estimate.low, estimate.high)]
        parts += [Line(((left, y), (right, y)), colour, 0.8, dashed), Line(tuple(ends), colour, 1.2)]
    parts += [
        Mark(place(float(m), float(d)), "circle", INK, filled=False)
        for m, d in zip(means, apart, strict=True)
    ]
    who = f"{pair.first} − {pair.second}"
    parts += [
        Words((0, 7), named(row), size=6.2, bold=True),
        Words(((left + right) / 2, foot + 16), f"{who}, against their mean", GREY, 6.0, "middle"),
    ]
    lower, middle, upper = (number(estimate.value, row.unit) for estimate in lines)
    return Figure(
        width, height, f"{named(row)}, {who}: mean {middle}, limits {lower} to {upper}", tuple(parts)
    )


def _axis(low: float, high: float) -> tuple[float, float, float]:
    """Round ends and step of an axis that holds two values."""
    step = tick_step(max(high - low, 1e-3))
    bottom, top = step * math.floor(low / step), step * math.ceil(high / step)
    return bottom, max(top, bottom + step), step


# --- Checklist ---


def _checklist(analysis: Analysis) -> Table:
    study = analysis.study
    left = "To be written by the authors."
    made_by = f"holdfast {__version__}, {study.site} {study.view} films."
    beside = "values.csv, statistics.csv, landmarks.csv and missing.csv beside this page."
    answers = (
        ("Title, abstract", "say that agreement or reliability was studied", left),
        ("Introduction", "the device that is studied", made_by),
        ("", "whose films", left),
        ("", "which readers", left),
        ("", "what is known, and why this study", left),
        ("Methods", "how the number of films was chosen", f"{_size(study)}. Why so many: by the authors "
         "('holdfast agreement size')."),
        ("", "how films and readers were sampled", left),
        ("", "how readings were done: interval, blinding, order", f"{study.how.capitalize()}."),
        ("", "whether readings were independent", "Each reading was placed without sight of any other."
         if study.blind else left),
        ("", "statistics", " ".join(_models())),
        ("Results", "how many readers, films and repeats there were", f"{_size(study)}; "
         f"{len(study.readings)} readings; missing ones are listed above."),
        ("", "what the readers and patients were like", left),
        ("", "reliability and agreement with their uncertainty", "The tables above."),
        ("Discussion", "what it means in practice", f"Smallest detectable changes stand above. {left}"),
        ("Also", "detailed results", beside),
    )  # fmt: skip
    rows = [(str(n), part, asked, said) for n, (part, asked, said) in enumerate(answers, start=1)]
    return Table("What to report", ("", "Part", "Asked for", "Filled in"), tuple(rows))
