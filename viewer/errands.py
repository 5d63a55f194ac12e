"""What is done off the window's thread while a film is read: proposals, snapping, scales, what leaves."""

from __future__ import annotations

import threading
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from typing import Any

import numpy as np
from numpy.typing import NDArray
from qtpy.QtCore import QObject, Signal

from measure.carry import carry_forward
from measure.errors import HoldfastError
from measure.film import Film
from measure.propose import propose_scale
from measure.reading import Landmark, Reading
from measure.scale import FOUND, ScaleInput
from measure.sites import LandmarkRow
from viewer.greys import Greys, Limits
from viewer.hand_over import hand_over
from viewer.jobs import BusyRow, Jobs
from viewer.layers import starting_window
from viewer.session import Session
from viewer.snapping import Snapper

Shades = NDArray[np.float32]


class Errands(QObject):
    """The errands of one view; `busy` is the row that says what is under way.

    Signals
    -------
    said
        Words for the reader.
    laid
        Landmarks were proposed on the current film: how many, and whether those of pins were left out.
    sought
        A scale of the current film was looked for: the scale or None, and why none was found.
    handing_over
        Whether something is just being written or kept.
    """

    said = Signal(str)
    laid = Signal(int, bool)
    sought = Signal(object, str)
    handing_over = Signal(bool)

    def __init__(self, session: Session, parent: QObject) -> None:
        super().__init__(parent)
        self.session = session
        self.jobs = Jobs(self)
        self.busy = BusyRow(self.jobs)
        self.busy.stopped.connect(self.drop_carry)
        self._carrying: Any = None
        self._fetching: Any = None
        self._stop = threading.Event()  # tells the worker of proposals that nobody wants them any more
        self._writing = 0

    def leave(self) -> None:
        """Want nothing of what is under way; what is being written is written to its end."""
        self.drop_carry()
        self.jobs.leave()

    # --- Proposals from the film before ---

    def carry(self) -> None:
        """Propose an earlier visit's landmarks on a current film that has none."""
        session = self.session
        self.drop_carry()
        number, sources = session.current, session.carry_sources(session.current)
        if not sources:
            return
        self._stop = threading.Event()
        self._carrying = self.jobs.start(
            _proposals, [(session.films[n], session.measured(n).reading) for n in sources], session.film,
            self._stop.is_set,
            done=lambda proposals: self._carried(number, proposals),
            words="Laying the earlier film over this one…",
        )  # fmt: skip
        self.busy.offer_to_stop(self._carrying)

    def _carried(self, number: int, proposals: dict[str, Landmark] | str) -> None:
        if isinstance(proposals, str):
            self.said.emit(f"No proposals. {proposals}")
            return
        session = self.session
        read = [session.draft_of(source).landmarks for source in session.carry_sources(number)]
        laid = session.propose(number, proposals)
        if laid and number == session.current:
            rows = session.site.views[session.draft.view].landmark
            located = {name for marks in read for name, mark in marks.items() if mark.located}
            self.laid.emit(laid, not _pins(located, rows) <= _pins(proposals, rows))

    def drop_carry(self) -> None:
        """Want no proposals any more: the worker stops at its next step, and nothing of it is laid."""
        self._stop.set()
        self.jobs.drop(self._carrying)
        self._carrying = None

    # --- The films to be shown next ---

    def fetch(self, greys: Greys) -> None:
        """Work out the greys of the visits before and after the current film, so that they show at once.

        Of no other film are they kept, but of the two on the canvas.
        """
        session = self.session
        self.jobs.drop(self._fetching)
        visits = session.visits
        place = visits.index(session.current) if session.current in visits else 0
        near = {*visits[max(place - 1, 0) : place + 2], session.index, session.current}
        greys.keep_only(near)
        wanted = [(number, session.films[number]) for number in near - greys.shades.keys()]

        def keep(found: tuple[int, Shades, Limits]) -> None:
            number, greys.shades[number], limits = found
            greys.windows.setdefault(number, limits)

        if wanted:
            self._fetching = self.jobs.start(_greys, wanted, progress=keep)

    # --- The current film's own metal ---

    def look(self, snapper: Snapper) -> None:
        """Find what clicks on the current film may snap to."""
        film, view = self.session.film, self.session.draft.view
        if not snapper.knows(film, view):
            self.jobs.start(snapper.look, film, view)

    def seek_scale(self, kind: str, mm: float) -> None:
        """Let a scale be found on the current film."""
        number = self.session.current

        def answer(given: ScaleInput | None, why: str) -> None:
            if number == self.session.current:
                self.sought.emit(given, why)

        self.jobs.start(
            propose_scale, self.session.film, self.session.draft.view, kind, mm,
            done=lambda found: answer(*found),
            failed=lambda error: answer(None, str(error)),
            words=f"Looking for the {FOUND[kind]}…",
        )  # fmt: skip

    # --- What leaves the room ---

    def hand_over(self, action: str) -> None:
        """Write or keep what leaves the room."""

        def answer(words: str) -> None:
            self._writing -= 1
            self.handing_over.emit(self._writing > 0)
            self.said.emit(words)

        self.jobs.start(
            hand_over, action, self.session.folder, self.session.profiles,
            done=answer,
            failed=lambda error: answer(f"Nothing was written ({type(error).__name__})."),
            words=f"{action}…",
        )  # fmt: skip
        self._writing += 1
        self.handing_over.emit(True)


def _proposals(
    sources: Sequence[tuple[Film, Reading]], later: Film, stopped: Callable[[], bool]
) -> dict[str, Landmark] | str:
    """Carry landmarks forward as a worker, from the first film that can be; or say why not from the first."""
    reasons = []
    for earlier, reading in sources:
        try:
            return carry_forward(earlier, later, reading, stopped)
        except HoldfastError as error:
            reasons.append(str(error))
    return reasons[0]


def _pins(names: Iterable[str], rows: Mapping[str, LandmarkRow]) -> set[str]:
    """Give the pins that any of the named landmarks moves with."""
    return {name.partition("_")[0] for name in names if rows[name].part == "pin"}


def _greys(films: Sequence[tuple[int, Film]]) -> Iterator[tuple[int, Shades, Limits]]:
    """Give each film's number, its greys as shown and where their window starts."""
    for number, film in films:
        shades = film.display()
        yield number, shades, starting_window(shades, film.padding_mask())
