"""The mouse on the films: what a press takes hold of, and what a click or a drag does."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from typing import TYPE_CHECKING, Any

import numpy as np
from qtpy.QtCore import QObject, Signal

from measure.errors import HoldfastError
from measure.reading import CONFIRMED, PROPOSED
from viewer import layers
from viewer.film_pair import FilmPair
from viewer.points import Point
from viewer.snapping import Snapper

if TYPE_CHECKING:
    from measure.snap import Snapped

HIT_PX = 8.0  # screen pixels within which a press takes hold of a mark
MOVE_PX = 4.0  # screen pixels below which a press and release is a click
TAKE_PX = 4.0  # screen pixels within which a click takes another mark in hand, where a proposal waits
HIDDEN = "Landmarks are hidden while the film is graded. Escape, or another tab, shows them again."
INDEX_UP = "The index film is up now; landmarks are placed on the current film. S sets them side by side."
ON_INDEX = "Landmarks are placed on the current film, on the right. To change the index film, show it."


class Mouse(QObject):
    """The mouse on a pair of films.

    Signals
    -------
    pointed
        The cursor is over a place (row, column) of the current film; None elsewhere.
    moving
        A point is being dragged: what depends on it should be drawn anew, at leisure.
    refused
        Words: why a click did nothing.
    snapped
        A landmark was clicked: standard uncertainty of the place snapped to, pixels; 0 where it stayed.
    taken
        Name of the landmark that a click on its mark took in hand.
    """

    pointed = Signal(object)
    moving = Signal()
    refused = Signal(str)
    snapped = Signal(float)
    taken = Signal(str)

    def __init__(self, pair: FilmPair) -> None:
        super().__init__(pair)
        self.pair, self.session = pair, pair.session
        self.snapper = Snapper()
        self._collect: tuple[int, list[Point], Callable[[list[Point]], None]] | None = None
        self._double: list[Any] = []  # napari's own answers to a double click, while ours stands in
        self.attached = False
        self.attach()

    def attach(self) -> None:
        """Listen to the mouse; twice is once."""
        viewer = self.pair.viewer
        if not self.attached:
            viewer.mouse_drag_callbacks.append(self._on_press)
            viewer.mouse_move_callbacks.append(self._on_move)
            double = viewer.mouse_double_click_callbacks  # napari's would zoom, and swallow a click
            self._double, double[:] = list(double), [self._on_double]
            self.attached = True

    def detach(self) -> None:
        """Stop listening to the mouse."""
        viewer = self.pair.viewer
        if self.attached:
            viewer.mouse_drag_callbacks.remove(self._on_press)
            viewer.mouse_move_callbacks.remove(self._on_move)
            viewer.mouse_double_click_callbacks[:] = self._double
            self.attached = False

    # --- Clicks for something else ---

    def collect(self, count: int, done: Callable[[list[Point]], None]) -> None:
        """Give the next so many clicks to a function, instead of placing landmarks."""
        self._collect = (count, [], done)

    @property
    def collecting(self) -> bool:
        """Whether the next click is for something other than a landmark."""
        return self._collect is not None

    def stop_collecting(self) -> None:
        """Let clicks place landmarks again."""
        self._collect = None

    def _collected(self, point: Point) -> None:
        if self._collect:
            count, points, done = self._collect
            points.append(point)
            if len(points) == count:
                self._collect = None
                done(points)

    # --- What napari tells ---

    def _over_current(self, event: Any) -> bool:
        return not self.pair.canvas.is_split or event.viewbox == (0, 1)

    def _on_move(self, viewer: Any, event: Any) -> None:
        self.pointed.emit(self.pair.to_film(event.position) if self._over_current(event) else None)

    def _on_press(self, viewer: Any, event: Any) -> Iterator[None]:
        if event.button != 1:
            return
        if not self._over_current(event):
            yield from self._index_pressed(event)
            return
        start = np.array(event.pos, dtype=np.float64)
        held, to_film = self._in_reach(event), self.pair.to_film
        camera = self.pair.canvas.camera
        pans, moved = camera.mouse_pan, False
        camera.mouse_pan = pans and held is None
        try:
            yield
            while event.type == "mouse_move":
                moved = moved or np.hypot(*(np.array(event.pos) - start)) > MOVE_PX
                if moved and held:
                    self._drag(held, to_film(event.position))
                self.pointed.emit(to_film(event.position))
                yield
            if moved and held:  # where the button is let go, which the last move need not have been
                self._drag(held, to_film(event.position))
        finally:
            camera.mouse_pan = pans
            self.session.drop()
        if not moved:
            self.click(to_film(event.position), held, exact="Alt" in event.modifiers)

    def _index_pressed(self, event: Any) -> Iterator[None]:
        start = np.array(event.pos, dtype=np.float64)
        yield
        while event.type == "mouse_move":
            yield
        if np.hypot(*(np.array(event.pos) - start)) <= MOVE_PX:
            self.refused.emit(ON_INDEX)

    def _on_double(self, viewer: Any, event: Any) -> None:
        """Take the second of two quick clicks for what it is: Qt sends it as a double click, not a press."""
        if event.button == 1 and self._over_current(event):
            self.click(self.pair.to_film(event.position), self._in_reach(event))

    def _drag(self, held: tuple[str, int], point: Point) -> None:
        try:
            self.session.drag(*held, point)
        except HoldfastError:
            return  # off the film: the point stays where it last was
        self.moving.emit()

    # --- What a click does ---

    def click(self, point: Point, held: tuple[str, int] | None = None, exact: bool = False) -> None:
        """Do what a click on the current film does: collect it, take the held mark in hand, or place.

        A landmark is placed on what it means, where that is seen near the click; or exactly there.
        """
        session, pair = self.session, self.pair
        if pair.bare or pair.index_is_up:
            self.refused.emit(HIDDEN if pair.bare else INDEX_UP)
            return
        try:
            if self._collect:
                self._collected(point)
            elif held and not self.waits_for_points() and self._takes(held, point):
                session.select(held[0])
                self.taken.emit(held[0])
            else:
                found = None if exact else self._snap(point)
                session.place(found.point if found else point, found.u_px if found else None)
                self.snapped.emit(found.u_px if found else 0.0)
        except HoldfastError as error:
            self.refused.emit(str(error))

    def _snap(self, point: Point) -> Snapped | None:
        session, draft = self.session, self.session.draft
        return self.snapper.snap(session.film, draft.view, session.active, point, draft.landmarks)

    def _takes(self, held: tuple[str, int], point: Point) -> bool:
        """Whether a click on a mark takes it in hand.

        Where a proposal is in hand, it says where that belongs, save on the very middle of another mark.
        """
        name, number = held
        active = self.session.draft.landmarks.get(self.session.active or "")
        if active is None or active.status != PROPOSED:
            return True
        mark = self.session.draft.landmarks[name].points[number]
        return name != self.session.active and self._far(mark, self.pair.to_room(point)) <= TAKE_PX

    def waits_for_points(self) -> bool:
        """Whether the landmark in hand still wants points: a click near another mark then places."""
        active = self.session.active
        if active is None:
            return False
        landmark = self.session.draft.landmarks.get(active)
        return landmark is None or (landmark.status == CONFIRMED and self.session.checklist.is_open(active))

    def _in_reach(self, event: Any) -> tuple[str, int] | None:
        """Say which point a press takes hold of; none that is hidden, and none where one is to be placed."""
        away = self.pair.bare or self._collect or "Shift" in event.modifiers
        return None if away else self._mark_at(event.position)

    def _mark_at(self, position: Any) -> tuple[str, int] | None:
        """Name and number of the nearest mark within reach of the cursor; the landmark in hand goes first."""
        place = np.array(position[-2:], dtype=np.float64)
        marks = layers.marks(self.session.draft, self.session.view, self.session.active)
        ranked = [
            (not mark.in_hand, self._far(mark.point, place), (mark.name, mark.number))
            for mark in marks
            if mark.look is not layers.SCALE_LOOK
        ]
        near = [rank for rank in ranked if rank[1] <= HIT_PX]
        return min(near, key=lambda rank: rank[:2])[2] if near else None

    def _far(self, point: Point, place: Any) -> float:
        """Screen pixels between a point of the current film and a place (2,) of the room's plane."""
        off = self.pair.to_room(point) - place
        return float(np.linalg.norm(off)) * float(self.pair.canvas.camera.zoom)
