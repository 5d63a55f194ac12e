"""Is it healing? What a reader graded by eye on one visit's films, put together. No grade is a measurement.

The cortical bridging score adds up what four cortices, two on each of two views, are graded: 1 without
callus, 2 with callus, 3 bridged; 4 to 12 in all
(Whelan 2010, J Trauma 68:629, for tibial shafts; from memory).
Where fewer are assessed the share is told and no total is made up. A site that shows fewer has none.
"""

from __future__ import annotations

import itertools
from collections import Counter
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass

from measure.observations import Grade, ObservationRow, cortices, view_rows
from measure.series import Case, MeasuredFilm

FINDING = "finding"  # the kind whose observations are there or not
FOUR = 4  # cortices of the published scheme
SCORE = "Cortical bridging score"
SCORE_RANGE = "4 to 12; published for tibial shafts"
CONTRADICTORY = "contradictory grades"
FOR_RESEARCH = (
    "for research, never flagged; a narrower line lowers it as a fuller one does; "
    "compares films shown by one display curve alone"
)


@dataclass(frozen=True)
class Seen:
    """One observation on one film: its grade, or why it is not assessable; neither where not graded."""

    row: ObservationRow
    film: MeasuredFilm
    grade: Grade | None = None
    reason: str | None = None

    def text(self) -> str:
        """Say it in words."""
        if self.grade:
            return self.grade.words
        return f"not assessable ({self.reason})" if self.reason else "not graded"

    @property
    def usual(self) -> bool:
        """Whether it is graded, and as what needs no mention."""
        return self.grade is not None and self.grade.name == self.row.kind.usual

    def phrase(self) -> str:
        """Say it with its title: 'wire slack', 'no new fracture'."""
        title = f"{self.row.title[0].lower()}{self.row.title[1:]}"
        if self.row.kind.name == FINDING and self.grade:
            return f"no {title}" if self.usual else title
        return f"{title} {self.text()}"


def seen_on(film: MeasuredFilm) -> dict[str, Seen]:
    """Every observation that a film's view shows, by name; grades that contradict others do not count."""
    reading = film.reading
    found = {}
    for name, row in view_rows(reading.site, reading.view).items():
        given = reading.observations.get(name)
        if name in reading.contradictions:
            found[name] = Seen(row, film, reason=CONTRADICTORY)
        elif given is not None and given.grade is not None:
            found[name] = Seen(row, film, row.kind.grade[given.grade])
        else:
            found[name] = Seen(row, film, reason=given.reason if given else None)
    return found


@dataclass(frozen=True)
class Healing:
    """The grades of one visit: of each cortex of the site, and of everything else on each of its films.

    `cortices` hold None where no film of a view that shows the cortex was read. `score` is None where `why`
    says why there is no total.
    """

    films: tuple[MeasuredFilm, ...]
    cortices: tuple[tuple[ObservationRow, Seen | None], ...]
    others: tuple[Seen, ...]
    score: int | None
    why: str

    @property
    def grades(self) -> dict[str, Grade]:
        """Grade of each cortex that is assessed, by its observation's name."""
        return {row.name: seen.grade for row, seen in self.cortices if seen and seen.grade}

    @property
    def graded(self) -> bool:
        """Whether a reader graded anything, if only as not assessable."""
        every = [*(seen for _, seen in self.cortices), *self.others]
        return any(seen and (seen.grade or seen.reason) for seen in every)


def healing_of_cases(cases: Iterable[Case]) -> tuple[tuple[Healing, ...], ...]:
    """Put together the visit of every film of every case; a visit's films may lie in several cases."""
    cases = tuple(cases)
    visits: dict[tuple[object, ...], dict[str, MeasuredFilm]] = {}
    for film in itertools.chain.from_iterable(case.films for case in cases):
        visits.setdefault(_visit(film), {})[film.reading.view] = film
    return tuple(tuple(healing_of(visits[_visit(film)].values()) for film in case.films) for case in cases)


def _visit(film: MeasuredFilm) -> tuple[object, ...]:
    """Give what films of one visit share; a film that does not say it is a visit of its own."""
    key = (film.patient_key, film.laterality, film.date)
    return (film.reading.uid,) if None in key else (*key, film.birth_date, film.reading.site)


def healing_of(films: Iterable[MeasuredFilm]) -> Healing:
    """Put together the grades of one visit's films, one of each view."""
    films = tuple(films)
    seen = [(film.reading.view, each) for film in films for each in seen_on(film).values()]
    bones = tuple(
        (row, next((each for view, each in seen if each.row is row and view in row.views), None))
        for row in cortices(films[0].reading.site)
    )
    others = tuple(each for _, each in seen if each.row.kind.name != bones[0][0].kind.name)
    scores = [each.grade.score or 0 for _, each in bones if each and each.grade]
    why = _why_no_score(films, len(bones), len(scores))
    return Healing(films, bones, others, None if why else sum(scores), why)


def _why_no_score(films: Sequence[MeasuredFilm], shown: int, assessed: int) -> str:
    if shown != FOUR:
        return f"the films of this site show {shown} cortices and the published scheme needs {FOUR}"
    if assessed < FOUR:
        return f"it needs all {FOUR} cortices"
    if len({film.reading.reader for film in films}) > 1:
        return "the two views were graded by different readers"
    return ""


# --- In words ---


def healing_words(now: Healing, index: Healing | None = None) -> str:
    """Say in a few sentences how a visit's films were graded, and how those of the index visit were."""
    if not now.graded:
        return "Not graded on these films."
    return " ".join(
        [*_bridging_words(now), *_progress_words(now, index), *_other_words(now), *_lacking_words(now)]
    )


def _bridging_words(now: Healing) -> Iterator[str]:
    counts = Counter(grade.name for grade in now.grades.values())
    if counts:
        parts = [
            f"{counts[name]} {words}"
            for name, words in (("bridged", "bridged"), ("callus", "with callus"), ("none", "without callus"))
            if counts[name]
        ]
        yield f"{len(now.grades)} of {len(now.cortices)} cortices assessed: {', '.join(parts)}."
        yield f"{SCORE} {now.score} ({SCORE_RANGE})." if now.score else f"No score: {now.why}."
    views: dict[str, list[str]] = {}
    for each in now.others:
        if each.row.name == "fracture_line" and each.grade:
            views.setdefault(each.text(), []).append(_view(each))
    if views:
        lines = (f"{text} ({', '.join(seen)})" for text, seen in views.items())
        yield f"Fracture line {'; '.join(lines)}."


def _progress_words(now: Healing, index: Healing | None) -> Iterator[str]:
    """Count the cortices that one reader graded on both visits and that went further, stayed or went back."""
    if index is None or index.films == now.films:
        return
    before = {row.name: each for row, each in index.cortices if each and each.grade}
    both = [
        (before[row.name], each) for row, each in now.cortices if each and each.grade and row.name in before
    ]
    steps = [_score(later) - _score(first) for first, later in both if _reader(first) == _reader(later)]
    counts = {
        "further": sum(step > 0 for step in steps),
        "the same": sum(step == 0 for step in steps),
        "less far": sum(step < 0 for step in steps),
    }
    parts = [f"{words} at {count}" for words, count in counts.items() if count]
    if others := len(both) - len(steps):
        parts.append(f"not compared at {others}, graded by another reader then")
    if parts:
        yield f"Since the index visit: {', '.join(parts)}."


def _score(seen: Seen) -> int:
    return (seen.grade.score or 0) if seen.grade else 0


def _reader(seen: Seen) -> str:
    return seen.film.reading.reader


def _other_words(now: Healing) -> Iterator[str]:
    """Say what is not as usual, and on which view, save what bears on holding."""
    if unusual := _unusual(now, holding=False):
        yield f"Also seen: {', '.join(unusual)}."


def seen_of_holding(now: Healing) -> str:
    """Name what a reader saw by eye that bears on whether it holds, and on which view; empty for nothing."""
    return ", ".join(_unusual(now, holding=True))


def _unusual(now: Healing, *, holding: bool) -> list[str]:
    asked = (e for e in now.others if e.row.kind.usual and e.grade and e.row.holding is holding)
    found = []
    for group in _by_name(asked):
        views: dict[str, list[str]] = {}
        for each in group:
            if not each.usual:
                views.setdefault(each.phrase(), []).append(_view(each))
        found += [f"{phrase} ({', '.join(seen)}{_but_not(group)})" for phrase, seen in views.items()]
    return found


def _but_not(group: Sequence[Seen]) -> str:
    """Name the views on which the same was graded as usual."""
    usual = [_view(each) for each in group if each.usual]
    return f", not {' or '.join(usual)}" if usual else ""


def _lacking_words(now: Healing) -> Iterator[str]:
    by_reason: dict[str, list[str]] = {}
    for row, seen in now.cortices:
        if seen is None:
            by_reason.setdefault("its view was not read", []).append(row.title.lower())
        elif not seen.grade:
            by_reason.setdefault(seen.reason or "not graded", []).append(row.title.lower())
    left_out = 0
    for group in _by_name(now.others):
        reasons = [each.reason for each in group if each.reason]
        if reasons and not any(each.grade for each in group):
            by_reason.setdefault(reasons[0], []).append(group[0].row.title.lower())
        left_out += not any(each.grade or each.reason for each in group)
    if by_reason:
        parts = "; ".join(f"{', '.join(titles)} ({reason})" for reason, titles in by_reason.items())
        yield f"Not assessed: {parts}."
    if left_out:
        yield f"Not graded: {left_out} more."


def _by_name(seen: Iterable[Seen]) -> Iterable[list[Seen]]:
    groups: dict[str, list[Seen]] = {}
    for each in seen:
        groups.setdefault(each.row.name, []).append(each)
    return groups.values()


def _view(seen: Seen) -> str:
    name = seen.film.view.name
    return name.upper() if len(name) == 2 else name  # AP


NOTHING = "nothing was graded on these films"


def eye_lines(case: Case) -> Iterator[str]:
    """One line an observation of a case's view, on the index film and now; what is as usual in one line."""
    index, now = seen_on(case.index), seen_on(case.current)
    if not any(each.grade or each.reason for each in (*index.values(), *now.values())):
        yield NOTHING
        return
    as_usual = []
    for name, seen in now.items():
        texts = [seen.text()] if case.index is case.current else [index[name].text(), seen.text()]
        if index[name].usual and seen.usual:
            as_usual.append(seen.phrase())
        elif len(set(texts)) == 1:
            yield f"{seen.row.title.lower()}: {texts[0]}"
        else:
            yield f"{seen.row.title.lower()}: {texts[1]} (index film: {texts[0]})"
    if as_usual:
        yield f"as usual: {', '.join(as_usual)}"
    yield from contrast_lines(case)


def contrast_lines(case: Case) -> Iterator[str]:
    """Say the fracture-line contrast of a case's films, where it was looked for."""
    found = case.current.contrast
    if found is not None and (found.quantity or found.clear):
        index = case.index.contrast
        before = f" (index film: {index.text()})" if index and case.index is not case.current else ""
        yield f"fracture-line contrast ({FOR_RESEARCH}): {found.text()}{before}"
