"""The state of a reading session: which film, which landmark next, undo and redo, and what comes out.

`Session` is the only object of the plugin that changes. It knows neither Qt nor napari: widgets call
its methods and redraw when it says that something changed. Every change of a draft is one step that
can be undone, and is kept on disk before the method returns.
"""

from __future__ import annotations

import datetime
import itertools
from collections.abc import Callable, Mapping, Sequence
from dataclasses import replace
from pathlib import Path

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
from measure.series import INDEX, LAST, Case, Change, MeasuredFilm, measure
from measure.sites import Site, View, load_site
from viewer.cases import Cases
from viewer.checklist import Checklist
from viewer.drafts import Draft, DraftStore, to_reading
from viewer.keeping import Keeping
from viewer.measuring import Measuring
from viewer.points import Point, is_usable, nearest_on_film, on_film, with_moved, with_point, without_point
from viewer.steps import Step, Steps

SITE = "olecranon"  # read where no other site is named
UNNAMED = "reader"
NO_LANDMARKS = "Every landmark is answered. Choose one in the list to change it, or finish the reading."


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
        self._steps = Steps(
            self._keeping.restored(number) or self._blank(film, described or {})
            for number, film in enumerate(self.films)
        )
        self._cases = Cases(self.films, self.site, self._drafts, self.measured)
        self._drafts[:] = self._cases.with_what_is_known(self._keeping.finished)
        if reader is None:
            self.reader = next((d.reader for d in self._drafts if d.reader != UNNAMED), UNNAMED)
        self._measuring = Measuring(self.films, self.site, self.profiles)
        self.index = self.current = 0
        self.active: str | None = None
        self.open_case(self._cases.first_readable())

    def _blank(self, film: Film, described: Mapping[str, tuple[str, str | None]]) -> Draft:
        view, side = described.get(film.digest, (self._unstated_view, None))
        axis = self.site.axes[0] if self.site.axes else ""
        return Draft(film.view or view, axis, self.reader, film.laterality or side)

    @property
    def _drafts(self) -> list[Draft]:
        return self._steps.drafts

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
        return self._cases.unreadable(number)

    def why_not(self, number: int) -> tuple[str, ...]:
        """All reasons why a film must not stand beside the index film; none where it may."""
        return self._cases.why_apart(self.index, number)

    @property
    def visits(self) -> tuple[int, ...]:
        """Numbers of the films of the open case, one a day, in order of time, the index film first."""
        return self._cases.visits(self.index, self.current)

    def open_case(self, number: int) -> None:
        """Make a film's case the open one; its first film becomes the index film."""
        unreadable = self.readable(number)
        if unreadable:
            raise ComparisonError(f"This film cannot be opened: {unreadable}.")
        self.drop()
        self.index = self._cases.index_of(number)
        self._go_to(number)

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
        self.index = self._cases.settled(self.index, number)
        self._go_to(number)

    def _go_to(self, number: int) -> None:
        self.current = number
        self.active = self.checklist.next_open()
        self._tell()

    def describe(self, number: int, *, view: str | None = None, laterality: str | None = None) -> None:
        """Say the view or the side of a film whose file does not; what the file says cannot be changed.

        An empty `laterality` takes the side back. Raises ReadingError, with all reasons, for what
        contradicts the film, its landmarks or the other films of its case.
        """
        draft = self._drafts[number]
        side = draft.laterality if laterality is None else laterality or None
        problems = [
            *self._cases.against_view(number, view or draft.view),
            *self._cases.against_side(number, side, self.visits),
        ]
        if problems:
            raise ReadingError(" ".join(problems))
        self._change(number, replace(draft, view=view or draft.view, laterality=side))
        if number == self.current:
            self.open_case(number)  # what is said of it may join it to other films, or part it from them

    # --- The landmark in hand ---

    @property
    def checklist(self) -> Checklist:
        """The current film's landmarks, with what is still to be answered."""
        return Checklist(self.view, self.draft)

    def select(self, name: str | None) -> None:
        """Take a landmark in hand."""
        if name is not None:
            self.checklist.row(name)
        self.drop()
        self.active = name
        self._tell()

    def step(self, by: int) -> None:
        """Take the next (+1) or the previous (-1) landmark of the list in hand, whatever its state."""
        self.select(self.checklist.neighbour(self.active, by))

    def advance(self) -> None:
        """Take the next open landmark in hand, going round; none where all are answered."""
        self.active = self.checklist.next_open(self.active)
        self._tell()

    # --- Placing, moving, answering ---

    def place(self, point: Point, u_px: float | None = None) -> None:
        """Put the next point of the landmark in hand, and go on when it has all it needs.

        A landmark that is full, or proposed, has its nearest point moved there instead. A proposal of
        one point is thereby confirmed; one of several waits for `confirm`. u_px is the point's standard
        uncertainty where it was snapped to what the film shows.
        """
        name = self._named(self.active)
        self.drop()
        row, point = self.checklist.row(name), on_film(point, self.film.pixels.shape)
        landmark = with_point(self.draft.landmarks.get(name), row, point, u_px)
        was_open = self.checklist.is_open(name)
        self._change(self.current, self.draft.with_landmark(name, landmark))
        if was_open and not self.checklist.is_open(name):
            self.advance()

    def _named(self, name: str | None) -> str:
        """Return the name of a landmark. Raises ReadingError where none is meant: all are answered."""
        if name is None:
            raise ReadingError(NO_LANDMARKS)
        return name

    def drag(self, name: str, number: int, point: Point) -> None:
        """Move one point of a landmark while the button is down; `drop` makes it one step."""
        moved = with_moved(self._located(name, number), number, on_film(point, self.film.pixels.shape))
        self._steps.drag(self.current, self.draft.with_landmark(name, moved), self.active)
        self.active = name

    @property
    def dragging(self) -> bool:
        """Whether a point is being dragged and its step is not yet done."""
        return self._steps.dragging

    def drop(self) -> None:
        """End a drag: it becomes one step that can be undone."""
        if self._steps.dragging:
            if step := self._steps.drop():
                self._keep(step.number)
            self._tell()

    def move(self, name: str, number: int, point: Point) -> None:
        """Move one point of a landmark. A proposal stays a proposal."""
        self.drop()
        self.drag(name, number, point)
        self.drop()
        self._tell()

    def nudge(self, name: str, number: int, rows: float, columns: float) -> None:
        """Move one point by so many pixels, kept on the film."""
        row, column = self._located(name, number).points[number]
        self.move(name, number, nearest_on_film((row + rows, column + columns), self.film.pixels.shape))

    def confirm(self, name: str | None = None) -> None:
        """Confirm a proposed landmark (default: the one in hand) and go on to the next open one."""
        name = self._named(name or self.active)
        self.drop()
        old = self.draft.landmarks.get(name)
        if old is not None and old.status == PROPOSED and not self.checklist.lacks_points(name):
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
        name = self._named(name or self.active)
        if not self.checklist.may_be_absent(name):
            raise ReadingError(
                f"{self.checklist.row(name).title} cannot be absent; say that it is not assessable, and why."
            )
        self._answer(name, Landmark(ABSENT))

    def clear(self, name: str | None = None, number: int | None = None) -> None:
        """Take a landmark, or its numbered point, off the film; the others stay as they are."""
        name = self._named(name or self.active)
        self.drop()
        left = without_point(self.draft.landmarks.get(name), number)
        self._change(self.current, self.draft.with_landmark(name, left))
        self.active = name
        self._tell()

    def propose(self, number: int, proposals: Mapping[str, Landmark]) -> int:
        """Lay proposals on a film where it has no landmark yet; one step. Return how many were laid.

        What a reader has placed or answered is never replaced.
        """
        self.drop()
        draft = self._drafts[number]
        known, shape = self.site.views[draft.view].landmark, self.films[number].pixels.shape
        new = {
            name: replace(landmark, status=PROPOSED)
            for name, landmark in proposals.items()
            if name in known and name not in draft.landmarks and is_usable(landmark, known[name], shape)
        }
        if new:
            self._change(number, replace(draft, landmarks={**draft.landmarks, **new}))
            if number == self.current:
                if self.active is None or not self.checklist.is_open(self.active):
                    self.active = self.checklist.next_open()  # else it stays the reader's choice
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
        name = self._named(name or self.active)
        self.checklist.row(name)
        self.drop()
        self._change(self.current, self.draft.with_landmark(name, landmark))
        self.active = name
        self.advance()

    def _located(self, name: str, number: int) -> Landmark:
        landmark = self.draft.landmarks.get(name)
        if landmark is None or not 0 <= number < len(landmark.points):
            raise ReadingError(f"{self.checklist.row(name).title} has no point {number + 1} on this film.")
        return landmark

    # --- Scale, axis, reader ---

    def add_scale(self, kind: str, points: tuple[Point, Point], mm: float) -> None:
        """Add a clicked scale, in place of one of its kind. Raises HoldfastError where it makes no sense."""
        one, other = (on_film(point, self.film.pixels.shape) for point in points)
        self.add_found_scale(ScaleInput(kind, (one, other), mm))

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
        return self._steps.can_undo

    @property
    def can_redo(self) -> bool:
        """Whether there is a step to take again."""
        return self._steps.can_redo

    def undo(self) -> None:
        """Take the last step back, on whichever film it was, and show that film."""
        self.drop()
        if step := self._steps.undo():
            self._taken(step)

    def redo(self) -> None:
        """Take the last undone step again."""
        self.drop()
        if step := self._steps.redo():
            self._taken(step)

    def _taken(self, step: Step) -> None:
        """Keep and show what a step back or forth has left."""
        number, cases = step.number, self._cases
        self._keep(number)
        if self.readable(number):  # its view was taken back: it cannot be shown
            number = cases.first_readable() if self.readable(self.current) else self.current
        described = (step.before.view, step.before.laterality) != (step.after.view, step.after.laterality)
        if described or self.why_not(number):
            self.open_case(number)
        elif number != self.current:
            self.index, self.current = cases.settled(self.index, number), number
        self.active = step.active if step.active in self.view.landmark else self.checklist.next_open()
        self._tell()

    def _change(self, number: int, draft: Draft) -> None:
        self.drop()
        if self._steps.change(number, draft, self.active):
            self._keep(number)
            self._tell()

    def _tell(self) -> None:
        for listener in tuple(self.listeners):
            listener()

    # --- Keeping ---

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
        days = map(self.measured, self._cases.beside(earlier, later))
        return self._measuring.changes((earlier, later, basis), pair, days)

    def result(self) -> tuple[Case, tuple[Flag, ...], str | None]:
        """Return the case, its flags and why it is not compared, if so."""
        case, reason = self.case()
        return case, find_flags(case), reason

    def history(self, key: tuple[str, str]) -> list[tuple[MeasuredFilm, Measurement]]:
        """Every visit's measurement of one quantity, in order of time, where it has a value."""
        films = [self.measured(number) for number in self.visits]
        found = [(film, film.find(*key)) for film in films]
        return [(film, value) for film, value in found if value is not None and value.quantity is not None]


def _when(film: Film) -> tuple[datetime.date, datetime.time, str]:
    return film.date or datetime.date.max, film.time or datetime.time.min, film.name
