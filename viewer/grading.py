"""The sheet of what the eye sees: which observation is in hand, and what a key does to it.

Knows neither Qt nor napari. The index film stands beside the film being graded; what it was graded is not
shown here, lest it be repeated instead of seen.
"""

from __future__ import annotations

from dataclasses import dataclass

from measure.healing import Healing, healing_of, healing_words
from measure.observations import ObservationRow, observation_table, view_rows
from measure.reading import Observation
from viewer.session import Session

DOWN, UP, CLEAR, WHY, BACK = "down", "up", "clear", "why", "back"  # beside the digits


@dataclass(frozen=True)
class SheetLine:
    """One observation in words; no answer where it is not graded, `clash` where it contradicts another."""

    name: str
    title: str
    answer: str
    clash: bool

    @property
    def text(self) -> str:
        """The line as it is shown: a sign, the title and the answer."""
        sign = "▲" if self.clash else "●" if self.answer else "○"
        answer = f"  –  {self.answer}" if self.answer else ""
        return f"{sign}  {self.title}{answer}{'  (contradicts another grade)' if self.clash else ''}"


class Sheet:
    """The observations of a session's current film.

    `asking` is whether the next digit says why the observation in hand is not assessable.
    """

    def __init__(self, session: Session) -> None:
        self.session = session
        self.asking = False
        self._film = -1
        self._at = 0

    @property
    def rows(self) -> tuple[ObservationRow, ...]:
        """Observations that the current view shows, in the table's order."""
        return tuple(view_rows(self.session.site.name, self.session.view.name).values())

    @property
    def row(self) -> ObservationRow:
        """The observation in hand; on a film that has just come up, the first that is not graded."""
        if self._film != self.session.current:
            self.pick(0)
            self._advance()
        return self.rows[self._at]

    def pick(self, place: int) -> None:
        """Take an observation in hand by its place, going round."""
        self._film, self._at, self.asking = self.session.current, place % len(self.rows), False

    def press(self, key: str) -> None:
        """Do what a key does: a digit grades, or gives the reason that was asked for."""
        row = self.row
        if key.isdigit():
            self._answer(row, int(key))
        elif key in (DOWN, UP):
            self.pick(self._at + (1 if key == DOWN else -1))
        elif key == CLEAR:
            self.session.observe(row.name, None)
        self.asking = key == WHY

    def _answer(self, row: ObservationRow, digit: int) -> None:
        if digit > len(self.choices()):
            return
        reasons = observation_table().reasons
        seen = (
            Observation(reason=reasons[digit - 1])
            if self.asking
            else Observation(row.kind.grades[digit - 1].name)
        )
        self.session.observe(row.name, seen)
        self._advance()

    def _advance(self) -> None:
        """Go to the next observation that is not graded, round to the first; stay where all are."""
        rows, given = self.rows, self.session.draft.observations
        places = [(self._at + step) % len(rows) for step in range(len(rows))]
        self._at = next((place for place in places if rows[place].name not in given), self._at)

    def choices(self) -> tuple[str, ...]:
        """Words that the digits stand for, from 1: grades, or reasons where they are asked for."""
        if self.asking:
            return observation_table().reasons
        return tuple(grade.words for grade in self.row.kind.grades)

    def question(self) -> str:
        """Say what is asked."""
        return f"{self.row.title}: not assessable, because" if self.asking else self.row.title

    def progress(self) -> str:
        """How many are graded, and how to go on."""
        rows, given = self.rows, self.session.draft.observations
        count = sum(row.name in given for row in rows)
        how = (
            "Finish: Ctrl+Enter."
            if count == len(rows)
            else "A digit grades; ↑ ↓ move; Delete clears; Esc: film."
        )
        return f"{count} of {len(rows)} graded. {how}"

    def lines(self) -> list[SheetLine]:
        """Return the sheet as it stands."""
        reading = self.session.measured(self.session.current).reading
        given = reading.observations
        lines = []
        for row in self.rows:
            seen, answer = given.get(row.name), ""
            if seen is not None:
                answer = row.kind.grade[seen.grade].words if seen.grade else f"not assessable: {seen.reason}"
            lines.append(SheetLine(row.name, row.title, answer, row.name in reading.contradictions))
        return lines

    def healing(self) -> str:
        """Say how the visit is graded so far, over all its views in the folder.

        What changed since the index visit is said when all of this film is graded.
        """
        graded = all(row.name in self.session.draft.observations for row in self.rows)
        index = self._visit(self.session.index) if graded else None
        return healing_words(self._visit(self.session.current), index)

    def _visit(self, number: int) -> Healing:
        """Put together the films of one patient, side and day, one of each view."""
        session = self.session

        def taken(film: int) -> tuple[object, ...]:
            return (
                session.films[film].patient_key,
                session.draft_of(film).laterality,
                session.films[film].date,
            )

        views = {session.draft_of(number).view: number}
        if None not in taken(number):
            for other in range(len(session.films)):
                if taken(other) == taken(number) and session.readable(other) is None:
                    views.setdefault(session.draft_of(other).view, other)
        return healing_of(session.measured(film) for film in views.values())
