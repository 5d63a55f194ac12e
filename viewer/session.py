"""The state of a reading session: which film, which landmark next, undo and redo, and what comes out.

`Session` is the only object of the plugin that changes. It knows neither Qt nor napari: widgets call
its methods and redraw when it says that something changed. Every change of a draft is one step that
can be undone, and is kept on disk before the method returns.
"""

from __future__ import annotations

import datetime
import itertools
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np

from measure.errors import ComparisonError, ReadingError
from measure.film import Film
from measure.flags import Flag, find_flags
from measure.measurements import Measurement
from measure.profiles import Profiles
from measure.reading import (
    ABSENT,
    CONFIRMED,
    NOT_ASSESSABLE,
    PROPOSED,
    Landmark,
    Observation,
    Reading,
)
from measure.scale import FOUND, ScaleInput
from measure.series import (
    INDEX,
    LAST,
    Case,
    Change,
    MeasuredFilm,
    measure,
    why_not_comparable,
)
from measure.sites import LandmarkRow, Site, View, load_site
from viewer.drafts import Draft, DraftStore, lacks_points, to_reading
from viewer.keeping import Keeping
from viewer.measuring import Measuring

Point = tuple[float, float]
SITE = "olecranon"  # read where no other site is named
UNNAMED = "reader"
SIDES = ("left", "right")
NO_LANDMARKS = "Every landmark is answered. Choose one in the list to change it, or finish the reading."


class UnstatedViewError(ReadingError):
    """No film of a folder can be read, because none says which view it shows."""


@dataclass(frozen=True)
class Step:
    """One change that can be undone: which film, its draft before and after, and the landmark in hand."""

    number: int
    before: Draft
    after: Draft
    active: str | None


class Session:
    """Films of a folder with their working readings.

    Parameters
    ----------
    films
        In any order; the session numbers them in order of time.
    site
        Name of the site table.
    reader
        Who reads; a name or initials of the reader's choice. None stands for whoever read last.
    view
        What films that do not say their view show.
    folder
        Where drafts are kept (and finished readings of films without a file); None keeps none.
    saved
        Film digest to the standing finished reading.
    described
        Film digest to the view and side that a reader says it shows, where the film does not.
    profiles
        Measured uncertainties by site and view; others rest on the defaults.
    """

    def __init__(
        self,
        films: Sequence[Film],
        site: str = SITE,
        *,
        reader: str | None = None,
        view: str | None = None,
        folder: Path | None = None,
        saved: Mapping[str, Reading] | None = None,
        described: Mapping[str, tuple[str, str | None]] | None = None,
        profiles: Profiles | None = None,
    ) -> None:
        if not films:
            raise ReadingError("A session needs a film. Open a folder that holds one.")
        self.site: Site = load_site(site)
        self.films = tuple(sorted(films, key=_when))
        self.reader = reader or UNNAMED
        self._unstated_view = view or (next(iter(self.site.views)) if len(self.site.views) == 1 else "")
        self._keeping = Keeping(self.films, self.site, folder, saved or {})
        self.listeners: list[Callable[[], None]] = []
        self.profiles = profiles or {}
        self._drafts = [
            self._keeping.restored(number) or self._blank(film, described or {})
            for number, film in enumerate(self.films)
        ]
        self._share_what_is_known()
        if reader is None:
            self.reader = next((d.reader for d in self._drafts if d.reader != UNNAMED), UNNAMED)
        self._undo: list[Step] = []
        self._redo: list[Step] = []
        self._grip: tuple[Draft, str | None] | None = None  # before a drag that is under way
        self._measuring = Measuring(self.films, self.site, self.profiles)
        self.index = self.current = 0
        self.active: str | None = None
        self.open_case(self._first_readable())

    def _blank(self, film: Film, described: Mapping[str, tuple[str, str | None]]) -> Draft:
        view, side = described.get(film.digest, (self._unstated_view, None))
        axis = self.site.axes[0] if self.site.axes else ""
        return Draft(film.view or view, axis, self.reader, film.laterality or side)

    @property
    def folder(self) -> Path | None:
        """Where drafts are kept, and finished readings of films without a file."""
        return self._keeping.folder

    @property
    def store(self) -> DraftStore | None:
        """The drafts on the disk."""
        return self._keeping.store

    @property
    def troubles(self) -> list[str]:
        """What went wrong in keeping or restoring, for the reader."""
        return self._keeping.troubles

    # --- Films and cases ---

    @property
    def film(self) -> Film:
        """The current film."""
        return self.films[self.current]

    @property
    def draft(self) -> Draft:
        """The current film's working reading."""
        return self._drafts[self.current]

    @property
    def view(self) -> View:
        """The current film's view, with its tables."""
        return self.site.views[self.draft.view]

    def draft_of(self, number: int) -> Draft:
        """Return a film's working reading."""
        return self._drafts[number]

    def readable(self, number: int) -> str | None:
        """Say why a film cannot be read at this site; None where it can."""
        view = self._drafts[number].view
        if view in self.site.views:
            return None
        known = ", ".join(self.site.views)
        if view:
            return f"it shows the {view} view; {self.site.title.lower()} is read in: {known}"
        return f"it does not say which view it shows (of {known}); set the view first"

    def why_not(self, number: int) -> tuple[str, ...]:
        """All reasons why a film must not stand beside the index film; none where it may."""
        return self._why_apart(self.index, number)

    def _why_apart(self, index: int, number: int) -> tuple[str, ...]:
        if number == index:
            return ()
        unreadable = self.readable(number)
        if unreadable:
            return (unreadable,)
        return why_not_comparable(self.measured(index), self.measured(number))

    @property
    def visits(self) -> tuple[int, ...]:
        """Numbers of the films of the open case, one a day, in order of time, the index film first.

        Of several films of one day the one that is shown stands for the visit, else the last that was
        read, else the last: as in `measure.series.group`.
        """
        members = [n for n in range(len(self.films)) if n == self.index or not self.why_not(n)]
        days = itertools.groupby(members, key=lambda number: self.films[number].date)
        return tuple(self._stands_for(list(day)) for _, day in days)

    def _stands_for(self, day: Sequence[int]) -> int:
        shown = [number for number in (self.index, self.current) if number in day]
        read = [number for number in day if self._drafts[number].landmarks]
        return (shown or read[-1:] or day[-1:])[0]

    def open_case(self, number: int) -> None:
        """Make a film's case the open one; its first film becomes the index film."""
        unreadable = self.readable(number)
        if unreadable:
            raise ComparisonError(f"This film cannot be opened: {unreadable}.")
        self.drop()
        earlier = (n for n in range(number) if not self.readable(n) and not self._why_apart(n, number))
        self.index = next(earlier, number)
        self._settle_index(number)
        self._go_to(number)

    def _settle_index(self, number: int) -> None:
        """Let the film to be shown, or else the one that stands for the first day, be the index film."""
        first_day = self.films[self.index].date
        self.current = number
        if self.films[number].date == first_day:
            self.index = number
            return
        day = [n for n in range(len(self.films)) if self.films[n].date == first_day and not self.why_not(n)]
        read = [n for n in day if self._drafts[n].landmarks]
        self.index = (read or day)[-1]

    def show(self, number: int) -> None:
        """Make a film of the open case the current one.

        Raises ComparisonError, with all reasons, for a film of another patient, side or view.
        """
        reasons = self.why_not(number)
        if reasons:
            raise ComparisonError(
                f"Not shown beside the index film: {'; '.join(reasons)}. Open it as a case of its own."
            )
        self.drop()
        self._settle_index(number)
        self._go_to(number)

    def _go_to(self, number: int) -> None:
        self.current = number
        self.active = self._first_open(self.asked())
        self._tell()

    def _first_readable(self) -> int:
        for number in range(len(self.films)):
            if self.readable(number) is None:
                return number
        unstated = any(not draft.view for draft in self._drafts)
        raise (UnstatedViewError if unstated else ReadingError)(
            f"None of {len(self.films)} films can be read as {self.site.title.lower()}: {self.readable(0)}."
        )

    def describe(self, number: int, *, view: str | None = None, laterality: str | None = None) -> None:
        """Say the view or the side of a film whose file does not; what the file says cannot be changed.

        An empty `laterality` takes the side back. Raises ReadingError, with all reasons, for what
        contradicts the film, its landmarks or the other films of its case.
        """
        draft = self._drafts[number]
        side = draft.laterality if laterality is None else laterality or None
        if problems := [*self._against_view(number, view or draft.view), *self._against_side(number, side)]:
            raise ReadingError(" ".join(problems))
        self._change(number, replace(draft, view=view or draft.view, laterality=side))
        if number == self.current:
            self.open_case(number)  # what is said of it may join it to other films, or part it from them

    def _against_view(self, number: int, view: str) -> Iterator[str]:
        film, draft = self.films[number], self._drafts[number]
        if view == draft.view:
            return
        if view not in self.site.views:
            yield f"{self.site.title} is read in: {', '.join(self.site.views)}; received {view!r}."
        if film.view:
            yield f"The film says it shows the {film.view} view."
        if draft.landmarks:
            yield f"Landmarks are placed for the {draft.view} view. Clear them first."

    def _against_side(self, number: int, side: str | None) -> Iterator[str]:
        film, draft = self.films[number], self._drafts[number]
        if side == draft.laterality:
            return
        if side not in (*SIDES, None):
            yield f"The side is one of {', '.join(SIDES)}; received {side!r}."
        if film.laterality:
            yield f"The film says it shows the {film.laterality} side."
        others = [n for n in self.visits if n != number] if number in self.visits else []
        if side and others:
            date = self.films[others[0]].date
            yield (
                f"The film of {date} stands in the same case and is said to show the {draft.laterality} "
                f"side; one case has one side. If {draft.laterality} was wrong, take it back first (side: "
                f"not stated) on each film; a film of the {side} side is a case of its own."
            )

    # --- The landmark in hand ---

    def asked(self) -> tuple[str, ...]:
        """Landmarks that the reader is led through: those a quantity cannot do without, and those begun."""
        needed = {name for row in self.view.measurements for name in row.landmarks}
        begun = {
            name for name, mark in self.draft.landmarks.items() if lacks_points(mark, self._wanted(name))
        }
        return tuple(
            row.name for row in self.view.landmarks if not row.optional or row.name in needed | begun
        )

    def is_open(self, name: str) -> bool:
        """Whether a landmark still waits for the reader: not placed, half placed, or only proposed."""
        landmark = self.draft.landmarks.get(name)
        if landmark is None or landmark.status == PROPOSED:
            return True
        return lacks_points(landmark, self._wanted(name))

    def remaining(self) -> tuple[str, ...]:
        """Names of the asked landmarks that are open, in protocol order."""
        return tuple(name for name in self.asked() if self.is_open(name))

    def unanswered(self) -> str:
        """Say which landmarks are still open, and which of them are proposals; nothing where none is."""
        left = self.remaining()
        if not left:
            return ""
        titles = "; ".join(self.view.landmark[name].title for name in left)
        words = f"{len(left)} landmarks are not answered: {titles}."
        marks = self.draft.landmarks
        proposed = [name for name in left if name in marks and marks[name].status == PROPOSED]
        if proposed:
            words += (
                f"\n\n{len(proposed)} of them are proposals; they are saved as proposals, not as confirmed."
            )
        return words

    def _wanted(self, name: str) -> int:
        """Points a landmark needs; each cortex needs as many as the other has."""
        least = self.view.landmark[name].points[0]
        cortices = set(self.view.axis.values())
        others = [self.draft.landmarks.get(other) for other in cortices - {name} if name in cortices]
        return max([least, *(len(other.points) for other in others if other and other.located)])

    def _first_open(self, names: Sequence[str]) -> str | None:
        return next((name for name in names if self.is_open(name)), None)

    def select(self, name: str | None) -> None:
        """Take a landmark in hand."""
        if name is not None:
            self._row(name)
        self.drop()
        self.active = name
        self._tell()

    def step(self, by: int) -> None:
        """Take the next (+1) or the previous (-1) landmark of the list in hand, whatever its state."""
        names = [row.name for row in self.view.landmarks]
        at = names.index(self.active) if self.active else (-1 if by > 0 else len(names))
        self.select(names[(at + by) % len(names)])

    def advance(self) -> None:
        """Take the next open landmark in hand, going round; none where all are answered."""
        names = self.asked()
        rows = [row.name for row in self.view.landmarks]
        after = rows.index(self.active) if self.active else -1
        later = [name for name in names if rows.index(name) > after]
        self.active = self._first_open([*later, *names])
        self._tell()

    def _row(self, name: str) -> LandmarkRow:
        try:
            return self.view.landmark[name]
        except KeyError:
            raise ReadingError(f"{self.view.title} has no landmark {name!r}.") from None

    # --- Placing, moving, answering ---

    def place(self, point: Point, u_px: float | None = None) -> None:
        """Put the next point of the landmark in hand, and go on when it has all it needs.

        u_px is the point's standard uncertainty where it was snapped to what the film shows; a landmark has
        one only where all its points have, that of the least sure.

        A landmark that is full, or proposed, has its nearest point moved there instead. A proposal of
        one point is thereby confirmed; one of several waits for `confirm`.
        """
        if self.active is None:
            raise ReadingError(NO_LANDMARKS)
        self.drop()
        row, point = self._row(self.active), self._on_film(point)
        old = self.draft.landmarks.get(row.name)
        if old is not None and point in old.points and old.status != PROPOSED:
            raise ReadingError(
                f"{row.title} has a point at this very place already. Move first, then place the next one."
            )
        if old is not None and old.status == PROPOSED:
            points = _nearest_replaced(old.points, point)
            status = CONFIRMED if len(points) == 1 else PROPOSED
        elif old is not None and old.located:
            room = len(old.points) < row.points[1]
            points = (*old.points, point) if room else _nearest_replaced(old.points, point)
            status = CONFIRMED
        else:
            points, status = (point,), CONFIRMED
        if old is not None and len(points) > 1:
            u_px = max(u_px, old.u_px) if u_px and old.u_px else None
        was_open = self.is_open(row.name)
        self._change(self.current, self.draft.with_landmark(row.name, Landmark(status, points, u_px=u_px)))
        if was_open and not self.is_open(row.name):
            self.advance()

    def drag(self, name: str, number: int, point: Point) -> None:
        """Move one point of a landmark while the button is down; `drop` makes it one step."""
        old = self._located(name, number)
        if self._grip is None:
            self._grip = (self.draft, self.active)
        points = list(old.points)
        points[number] = self._on_film(point)
        moved = replace(old, points=tuple(points), origin="placed", u_px=None)
        self._drafts[self.current] = self.draft.with_landmark(name, moved)
        self.active = name

    @property
    def dragging(self) -> bool:
        """Whether a point is being dragged and its step is not yet done."""
        return self._grip is not None

    def drop(self) -> None:
        """End a drag: it becomes one step that can be undone."""
        if self._grip is None:
            return
        (before, active), self._grip = self._grip, None
        if before == self.draft:
            self._tell()
        else:
            self._record(Step(self.current, before, self.draft, active))

    def move(self, name: str, number: int, point: Point) -> None:
        """Move one point of a landmark. A proposal stays a proposal."""
        self.drop()
        self.drag(name, number, point)
        self.drop()
        self._tell()

    def nudge(self, name: str, number: int, rows: float, columns: float) -> None:
        """Move one point by so many pixels, kept on the film."""
        row, column = self._located(name, number).points[number]
        height, width = self.film.pixels.shape
        self.move(
            name,
            number,
            (min(max(row + rows, 0.0), height - 1.0), min(max(column + columns, 0.0), width - 1.0)),
        )

    def confirm(self, name: str | None = None) -> None:
        """Confirm a proposed landmark (default: the one in hand) and go on to the next open one."""
        name = name or self.active
        if name is None:
            raise ReadingError(NO_LANDMARKS)
        self.drop()
        old = self.draft.landmarks.get(name)
        if old is not None and old.status == PROPOSED and not lacks_points(old, self._wanted(name)):
            self._change(self.current, self.draft.with_landmark(name, replace(old, status=CONFIRMED)))
        self.active = name
        self.advance()

    def skip(self, reason: str, name: str | None = None) -> None:
        """Answer that a landmark is not assessable, and why."""
        if not reason.strip():
            raise ReadingError("Not assessable needs a reason, such as 'metal hides it'.")
        self._answer(name, Landmark(NOT_ASSESSABLE, reason=reason.strip()))

    def absent(self, name: str | None = None) -> None:
        """Answer that a landmark was looked for and is not there, as a break in a whole wire."""
        name = name or self.active
        if name is not None and not self.may_be_absent(name):
            raise ReadingError(
                f"{self._row(name).title} cannot be absent; say that it is not assessable, and why."
            )
        self._answer(name, Landmark(ABSENT))

    def may_be_absent(self, name: str) -> bool:
        """Whether a quantity has a value for this landmark's absence."""
        return any(row.absent is not None and name in row.landmarks for row in self.view.measurements)

    def clear(self, name: str | None = None, number: int | None = None) -> None:
        """Take a landmark, or its numbered point, off the film; the others stay as they are."""
        name = name or self.active
        if name is None:
            raise ReadingError(NO_LANDMARKS)
        self.drop()
        old = self.draft.landmarks.get(name)
        kept = () if old is None or number is None else old.points[:number] + old.points[number + 1 :]
        left = replace(old, points=kept, origin="placed", u_px=None) if old and kept else None
        self._change(self.current, self.draft.with_landmark(name, left))
        self.active = name
        self._tell()

    def propose(self, number: int, proposals: Mapping[str, Landmark]) -> int:
        """Lay proposals on a film where it has no landmark yet; one step. Return how many were laid.

        What a reader has placed or answered is never replaced.
        """
        self.drop()
        draft = self._drafts[number]
        known = self.site.views[draft.view].landmark
        new = {
            name: replace(landmark, status=PROPOSED)
            for name, landmark in proposals.items()
            if name in known and name not in draft.landmarks and self._usable(number, known[name], landmark)
        }
        if new:
            self._change(number, replace(draft, landmarks={**draft.landmarks, **new}))
            if number == self.current:
                if self.active is None or not self.is_open(self.active):  # else it stays the reader's choice
                    self.active = self._first_open(self.asked())
                self._tell()
        return len(new)

    def carry_sources(self, number: int) -> tuple[int, ...]:
        """Films whose landmarks may be carried to one that has none.

        The last earlier visit that was read, then the first: the last may lie turned, or show less.
        """
        if self._drafts[number].landmarks:
            return ()
        read = [
            n
            for n in self.visits
            if n < number and any(m.located for m in self._drafts[n].landmarks.values())
        ]
        return tuple(dict.fromkeys((*read[-1:], *read[:1])))

    def _answer(self, name: str | None, landmark: Landmark) -> None:
        name = name or self.active
        if name is None:
            raise ReadingError(NO_LANDMARKS)
        self._row(name)
        self.drop()
        self._change(self.current, self.draft.with_landmark(name, landmark))
        self.active = name
        self.advance()

    def _located(self, name: str, number: int) -> Landmark:
        landmark = self.draft.landmarks.get(name)
        if landmark is None or not 0 <= number < len(landmark.points):
            raise ReadingError(f"{self._row(name).title} has no point {number + 1} on this film.")
        return landmark

    def _on_film(self, point: Point) -> Point:
        row, column = float(point[0]), float(point[1])
        height, width = self.film.pixels.shape
        if not (-0.5 <= row <= height - 0.5 and -0.5 <= column <= width - 0.5):
            raise ReadingError("That place is not on the film. Click on the film.")
        return row, column

    def _usable(self, number: int, row: LandmarkRow, landmark: Landmark) -> bool:
        """Whether a proposal has the points that its row asks for, all on the film."""
        low, high = row.points
        limits = np.array(self.films[number].pixels.shape) - 0.5
        on_film = bool(np.all((landmark.array >= -0.5) & (landmark.array <= limits)))
        return landmark.located and low <= len(landmark.points) <= high and on_film

    # --- Scale, axis, reader ---

    def add_scale(self, kind: str, points: tuple[Point, Point], mm: float) -> None:
        """Add a clicked scale, in place of one of its kind. Raises HoldfastError where it makes no sense."""
        self.add_found_scale(ScaleInput(kind, (self._on_film(points[0]), self._on_film(points[1])), mm))

    def add_found_scale(self, given: ScaleInput) -> None:
        """Add a scale found on the current film, in place of one of its kind. Raises as `add_scale`."""
        kept = tuple(other for other in self.draft.scale_inputs if other.kind != given.kind)
        trial = replace(self.draft, scale_inputs=(*kept, given))
        measure(self.film, to_reading(trial, self.film, self.site))  # refuses what cannot be a scale
        self._change(self.current, trial)

    def remove_scale(self, kind: str) -> None:
        """Take away a clicked scale, and one found in its place."""
        gone = (kind, FOUND.get(kind))
        kept = tuple(given for given in self.draft.scale_inputs if given.kind not in gone)
        self._change(self.current, replace(self.draft, scale_inputs=kept))

    def use_scale(self, kind: str | None) -> None:
        """Choose the kind of scale to measure by; None stands for the surest."""
        self._change(self.current, replace(self.draft, scale_use=kind))

    def use_axis(self, axis: str) -> None:
        """Choose the bone axis for all films of the open case.

        Raises ReadingError where a finished reading of the case has locked another one.
        """
        locked = {done.axis for n in self.visits if (done := self._keeping.finished[n])} - {axis}
        if locked:
            raise ReadingError(
                f"The axis of this patient is locked to {', '.join(sorted(locked))} by a finished reading; "
                "changes measured against two axes would not be comparable."
            )
        if axis not in self.site.axes:
            raise ReadingError(f"The axis is one of {', '.join(self.site.axes)}; received {axis!r}.")
        for number in self.visits:
            self._change(number, replace(self._drafts[number], axis=axis))

    def set_reader(self, reader: str) -> None:
        """Say who reads from now on; finished readings keep their reader."""
        reader = reader.strip()
        if not reader:
            raise ReadingError("A reading needs a reader: a name, initials or a number.")
        self.reader = reader
        for number in range(len(self.films)):
            if not self.is_finished(number):
                self._change(number, replace(self._drafts[number], reader=reader))

    def set_surgery_date(self, date: str | None) -> None:
        """Say when the operation was (ISO 8601), for all films of the open case that are not finished."""
        if date:
            try:
                datetime.date.fromisoformat(date)
            except ValueError:
                raise ReadingError(f"{date!r} is not a date such as 2026-03-14.") from None
        for number in self.visits:
            if not self.is_finished(number):
                self._change(number, replace(self._drafts[number], surgery_date=date or None))

    # --- What the eye sees ---

    def observe(self, name: str, seen: Observation | None) -> None:
        """Grade an observation of the current film, or say why it is not assessable; None takes it back.

        Raises ReadingError where the view does not show it or the grade is not one of its kind.
        """
        trial = self.draft.with_observation(name, seen)
        to_reading(trial, self.film, self.site)  # refuses what cannot be
        self._change(self.current, trial)

    def remark(self, words: str) -> None:
        """Keep a remark on the current film, in the reader's own words."""
        trial = replace(self.draft, remark=words.strip())
        to_reading(trial, self.film, self.site)
        self._change(self.current, trial)

    # --- Undo and redo ---

    @property
    def can_undo(self) -> bool:
        """Whether there is a step to take back."""
        return bool(self._undo) or self._grip is not None

    @property
    def can_redo(self) -> bool:
        """Whether there is a step to take again."""
        return bool(self._redo)

    def undo(self) -> None:
        """Take the last step back, on whichever film it was, and show that film."""
        self.drop()
        if self._undo:
            step = self._undo.pop()
            self._redo.append(step)
            self._set(step.number, step.before, step.active)

    def redo(self) -> None:
        """Take the last undone step again."""
        self.drop()
        if self._redo:
            step = self._redo.pop()
            self._undo.append(step)
            self._set(step.number, step.after, step.active)

    def _set(self, number: int, draft: Draft, active: str | None) -> None:
        old, self._drafts[number] = self._drafts[number], draft
        self._keep(number)
        if self.readable(number):  # its view was taken back: it cannot be shown
            number = self._first_readable() if self.readable(self.current) else self.current
        described = (old.view, old.laterality) != (draft.view, draft.laterality)
        if described or self.why_not(number):
            self.open_case(number)
        elif number != self.current:
            self._settle_index(number)
        self.active = active if active in self.view.landmark else self._first_open(self.asked())
        self._tell()

    def _change(self, number: int, draft: Draft) -> None:
        self.drop()
        before = self._drafts[number]
        if draft == before:
            return
        self._drafts[number] = draft
        self._record(Step(number, before, draft, self.active))

    def _record(self, step: Step) -> None:
        self._undo.append(step)
        self._redo.clear()
        self._keep(step.number)
        self._tell()

    def _tell(self) -> None:
        for listener in tuple(self.listeners):
            listener()

    # --- Keeping ---

    def _share_what_is_known(self) -> None:
        """Give films not yet begun the bone axis and the surgery's date of their patient's other films."""
        finished = self._keeping.finished
        begun = [n for n, draft in enumerate(self._drafts) if draft.landmarks or finished[n]]
        for number, draft in enumerate(self._drafts):
            others = [n for n in begun if n != number and self._same_bone(n, number)]
            if number not in begun and others:
                known = finished[others[0]] or self._drafts[others[0]]
                self._drafts[number] = replace(
                    draft, axis=known.axis, surgery_date=draft.surgery_date or known.surgery_date
                )

    def _same_bone(self, one: int, other: int) -> bool:
        """Whether two films are known to show the same patient and side in the same view."""
        said = [
            (self.films[n].patient_key, self._drafts[n].laterality, self._drafts[n].view)
            for n in (one, other)
        ]
        return None not in said[0] and said[0] == said[1]

    def _keep(self, number: int) -> None:
        self._keeping.keep(number, self._drafts[number])

    def is_finished(self, number: int) -> bool:
        """Whether a film's reading is saved as it stands."""
        return self._keeping.is_finished(number, self._drafts[number])

    def finish(self) -> Path:
        """Save the current film's reading as a new file beside the film and return its path.

        Proposals are saved as proposals. A second reading supersedes the first, whose file stays.
        Raises ReadingError where nothing is new or the file cannot be written.
        """
        self.drop()
        if self.is_finished(self.current):
            raise ReadingError("This reading is saved already and nothing was changed since.")
        path, saved = self._keeping.finish(self.current, replace(self.draft, reader=self.reader))
        self._drafts[self.current] = saved
        self._keep(self.current)
        self._tell()
        return path

    # --- What comes out ---

    def measured(self, number: int) -> MeasuredFilm:
        """Return a film with all that is measured on it."""
        return self._measuring.film(number, self._drafts[number])

    def is_measured(self) -> bool:
        """Whether the current film is measured in full as it stands."""
        return self._measuring.is_known(self.current, self.draft)

    def glance(self, number: int) -> MeasuredFilm:
        """Return a film as a moving point leaves it, first order alone; for showing only."""
        return self._measuring.glance(number, self.draft) if number == self.current else self.measured(number)

    def case(self) -> tuple[Case, str | None]:
        """Return the case up to the current film, and why it is not compared with the index film if so.

        Changes are those of each visit since index, and of the current film since the last that was read.
        """
        now = self.measured(self.current)
        if self.current == self.index:
            return Case((now,), ()), None
        between = self.visits[1 : self.visits.index(self.current)]
        earlier = [n for n in between if self._drafts[n].landmarks]
        try:
            since_index = [self.compared(self.index, n, INDEX) for n in (*earlier, self.current)]
            since_last = self.compared(earlier[-1], self.current, LAST) if earlier else ()
            changes = (*itertools.chain.from_iterable(since_index), *since_last)
        except ComparisonError as error:
            return Case((now,), ()), str(error)
        films = (self.measured(self.index), *map(self.measured, earlier), now)
        return Case(films, changes), None

    def compared(self, earlier: int, later: int, basis: str) -> tuple[Change, ...]:
        """Return every change from one film to another.

        The visits' films of the other view tell how deep the pins lie, as in `measure.series.group`.
        Raises ComparisonError where they must not be compared.
        """
        pair = self.measured(earlier), self.measured(later)
        days = map(self.measured, self._of_the_days(earlier, later))
        return self._measuring.changes((earlier, later, basis), pair, days)

    def _of_the_days(self, *numbers: int) -> Iterator[int]:
        """Give the films of these films' days in another view, so far as they are read."""
        days = {self.films[number].date for number in numbers}
        view = self._drafts[numbers[0]].view
        for number, draft in enumerate(self._drafts):
            other = draft.landmarks and draft.view != view and not self.readable(number)
            if other and self.films[number].date in days:
                yield number

    def result(self) -> tuple[Case, tuple[Flag, ...], str | None]:
        """Return the case, its flags and why it is not compared, if so."""
        case, reason = self.case()
        return case, find_flags(case), reason

    def history(self, key: tuple[str, str]) -> list[tuple[MeasuredFilm, Measurement]]:
        """Every visit's measurement of one quantity, in order of time, where it has a value."""
        films = [self.measured(number) for number in self.visits]
        found = [(film, film.find(*key)) for film in films]
        return [(film, value) for film, value in found if value is not None and value.quantity is not None]


def _nearest_replaced(points: Sequence[Point], point: Point) -> tuple[Point, ...]:
    distances = [np.hypot(point[0] - row, point[1] - column) for row, column in points]
    nearest = int(np.argmin(distances))
    return tuple(point if number == nearest else old for number, old in enumerate(points))


def _when(film: Film) -> tuple[datetime.date, datetime.time, str]:
    return film.date or datetime.date.max, film.time or datetime.time.min, film.name
