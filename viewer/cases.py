"""Which films of a session may stand beside each other, and which of them stands for a visit. No Qt."""

from __future__ import annotations

import itertools
from collections.abc import Callable, Iterator, Sequence
from dataclasses import replace

from measure.errors import ReadingError
from measure.film import Film
from measure.series import MeasuredFilm, why_not_comparable
from measure.sites import Site
from viewer.drafts import Draft

SIDES = ("left", "right")


class UnstatedViewError(ReadingError):
    """No film of a folder can be read, because none says which view it shows."""


class Cases:
    """The films by their numbers.

    Parameters
    ----------
    films
        In order of time.
    site
        Table that they are read by.
    drafts
        Working readings of the films; the session's own list, looked at anew each time.
    measured
        Returns a film with all that is measured on it.
    """

    def __init__(
        self,
        films: Sequence[Film],
        site: Site,
        drafts: Sequence[Draft],
        measured: Callable[[int], MeasuredFilm],
    ) -> None:
        self._films, self._site, self._drafts, self._measured = films, site, drafts, measured

    # --- What may be read, and beside what ---

    def unreadable(self, number: int) -> str | None:
        """Say why a film cannot be read at this site; None where it can."""
        view = self._drafts[number].view
        if view in self._site.views:
            return None
        known = ", ".join(self._site.views)
        if view:
            return f"it shows the {view} view; {self._site.title.lower()} is read in: {known}"
        return f"it does not say which view it shows (of {known}); set the view first"

    def first_readable(self) -> int:
        """Return the first film that can be read. Raises ReadingError where none can."""
        for number in range(len(self._films)):
            if self.unreadable(number) is None:
                return number
        unstated = any(not draft.view for draft in self._drafts)
        raise (UnstatedViewError if unstated else ReadingError)(
            f"None of {len(self._films)} films can be read as {self._site.title.lower()}: "
            f"{self.unreadable(0)}."
        )

    def why_apart(self, index: int, number: int) -> tuple[str, ...]:
        """All reasons why a film must not stand beside an index film; none where it may."""
        if number == index:
            return ()
        unreadable = self.unreadable(number)
        if unreadable:
            return (unreadable,)
        return why_not_comparable(self._measured(index), self._measured(number))

    # --- Visits ---

    def visits(self, index: int, current: int) -> tuple[int, ...]:
        """Films of an index film's case, one a day, in order of time.

        Of several films of one day the index film or the current one stands for the visit, else the last
        that was read, else the last: as in `measure.series.group`.
        """
        members = [n for n in range(len(self._films)) if n == index or not self.why_apart(index, n)]
        days = itertools.groupby(members, key=lambda number: self._films[number].date)
        return tuple(self._stands_for(list(day), (index, current)) for _, day in days)

    def index_of(self, number: int) -> int:
        """Return the index film of a film's case, while that film is shown."""
        earlier = (n for n in range(number) if not self.unreadable(n) and not self.why_apart(n, number))
        return self.settled(next(earlier, number), number)

    def settled(self, index: int, number: int) -> int:
        """Return the film of the index film's day that is the index film while another film is shown.

        The film shown, where it is of that day; else the one that stands for the day.
        """
        first_day = self._films[index].date
        if self._films[number].date == first_day:
            return number
        films = range(len(self._films))
        day = [n for n in films if self._films[n].date == first_day and not self.why_apart(index, n)]
        return self._stands_for(day, ())

    def _stands_for(self, day: Sequence[int], shown: Sequence[int]) -> int:
        first = [number for number in shown if number in day]
        read = [number for number in day if self._drafts[number].landmarks]
        return (first or read[-1:] or day[-1:])[0]

    def beside(self, *numbers: int) -> Iterator[int]:
        """Give the films of these films' days in another view, so far as they are read."""
        days = {self._films[number].date for number in numbers}
        view = self._drafts[numbers[0]].view
        for number, draft in enumerate(self._drafts):
            other = draft.landmarks and draft.view != view and not self.unreadable(number)
            if other and self._films[number].date in days:
                yield number

    # --- What films of one bone share ---

    def with_what_is_known(self, finished: Sequence[Draft | None]) -> list[Draft]:
        """Return the drafts; those not yet begun with their patient's bone axis and surgery's date."""
        begun = [n for n, draft in enumerate(self._drafts) if draft.landmarks or finished[n]]
        shared = list(self._drafts)
        for number, draft in enumerate(self._drafts):
            others = [n for n in begun if n != number and self._same_bone(n, number)]
            if number not in begun and others:
                known = finished[others[0]] or self._drafts[others[0]]
                date = draft.surgery_date or known.surgery_date
                shared[number] = replace(draft, axis=known.axis, surgery_date=date)
        return shared

    def _same_bone(self, one: int, other: int) -> bool:
        """Whether two films are known to show the same patient and side in the same view."""
        said = [
            (self._films[n].patient_key, self._drafts[n].laterality, self._drafts[n].view)
            for n in (one, other)
        ]
        return None not in said[0] and said[0] == said[1]

    # --- What a reader says a film shows ---

    def against_view(self, number: int, view: str) -> Iterator[str]:
        """Give all that speaks against saying that a film shows a view."""
        film, draft = self._films[number], self._drafts[number]
        if view == draft.view:
            return
        if view not in self._site.views:
            yield f"{self._site.title} is read in: {', '.join(self._site.views)}; received {view!r}."
        if film.view:
            yield f"The film says it shows the {film.view} view."
        if draft.landmarks:
            yield f"Landmarks are placed for the {draft.view} view. Clear them first."

    def against_side(self, number: int, side: str | None, visits: Sequence[int]) -> Iterator[str]:
        """Give all that speaks against saying that a film shows a side; visits: of the open case."""
        film, draft = self._films[number], self._drafts[number]
        if side == draft.laterality:
            return
        if side not in (*SIDES, None):
            yield f"The side is one of {', '.join(SIDES)}; received {side!r}."
        if film.laterality:
            yield f"The film says it shows the {film.laterality} side."
        others = [n for n in visits if n != number] if number in visits else []
        if side and others:
            date = self._films[others[0]].date
            yield (
                f"The film of {date} stands in the same case and is said to show the {draft.laterality} "
                f"side; one case has one side. If {draft.laterality} was wrong, take it back first (side: "
                f"not stated) on each film; a film of the {side} side is a case of its own."
            )
