"""Index and current film on the canvas: which lies where, and what is drawn on them. No numbers are made."""

from __future__ import annotations

from typing import Any

import numpy as np
from qtpy.QtCore import QObject, QTimer, Signal

from viewer import layers
from viewer.canvas import Canvas, grid
from viewer.film_layers import FilmLayers
from viewer.greys import Greys
from viewer.overlays import Label, Labels
from viewer.points import Point, nearest_on_film
from viewer.session import Session

BLINK_MS = 700
LABELS_MS = 60  # labels find their new places once the zoom has rested so long; until then they keep theirs
SIDE_BY_SIDE, OVERLAID, BLINKING = "side by side", "overlaid", "blinking"
ARRANGEMENTS = (SIDE_BY_SIDE, OVERLAID, BLINKING)


class FilmPair(QObject):
    """Index and current film on the canvas of a napari viewer.

    Signals
    -------
    flipped
        Another film is up while the two take turns.
    labelled
        Marks and labels may lie elsewhere on the canvas.
    """

    flipped = Signal()
    labelled = Signal()

    def __init__(self, viewer: Any, session: Session, parent: QObject | None = None) -> None:
        super().__init__(parent)
        self.viewer, self.session = viewer, session
        self.canvas, self.greys = Canvas(viewer), Greys(session)
        self.arrangement = SIDE_BY_SIDE
        self.bare = False
        self._blink = QTimer(self)
        self._blink.setInterval(BLINK_MS)
        self._blink.timeout.connect(self._flip)
        self._relabel = QTimer(self)
        self._relabel.setSingleShot(True)
        self._relabel.setInterval(LABELS_MS)
        self._relabel.timeout.connect(self._label_anew)
        self.labels = Labels(self.canvas.widget)
        self.index, self.current = FilmLayers(viewer, "Index", 0), FilmLayers(viewer, "Current", 1)
        self.aim: Point | None = None
        self._highlighted: frozenset[tuple[str, str]] = frozenset()
        self._alone: bool | None = None  # whether one film has the canvas to itself; unknown at first
        self.canvas.camera.events.zoom.connect(self._on_zoom)
        self.canvas.camera.events.center.connect(self.show_labels)
        self.attached = False
        self.attach()

    # --- Coming and going ---

    def attach(self) -> None:
        """Undo what napari's own keys and buttons would do to the films; twice is once."""
        if not self.attached:
            for changed in self._arranged_by_napari():
                changed.connect(self._arrange_again)
            self.attached = True

    def detach(self) -> None:
        """Leave the canvas to napari."""
        self._blink.stop()
        self._relabel.stop()
        if self.attached:
            for changed in self._arranged_by_napari():
                changed.disconnect(self._arrange_again)
            self.attached = False

    def _arranged_by_napari(self) -> tuple[Any, ...]:
        """Events of what napari's own keys and buttons would turn, stack or spread the films by."""
        dims = self.viewer.dims.events
        return grid(self.viewer).events.enabled, dims.order, dims.ndisplay

    def _arrange_again(self, event: object = None) -> None:
        """Set the films as the room has them, whatever napari's own keys made of it."""
        dims = self.viewer.dims
        dims.ndisplay, dims.order = 2, tuple(range(dims.ndim))
        _set(grid(self.viewer), enabled=self._beside())

    def remove(self) -> None:
        """Take every layer of the pair off the canvas."""
        self.detach()
        self.canvas.camera.events.zoom.disconnect(self._on_zoom)
        self.canvas.camera.events.center.disconnect(self.show_labels)
        self.labels.deleteLater()
        grid(self.viewer).enabled = False
        for layer in (*self.index.every(), *self.current.every()):
            if layer in self.viewer.layers:
                self.viewer.layers.remove(layer)

    # --- Showing ---

    def show(self) -> None:
        """Put the session's index and current film on the canvas, and arrange them."""
        session, greys = self.session, self.greys
        alone = self._alone
        for film, number in ((self.index, session.index), (self.current, session.current)):
            film.put(number, greys.shades_of(number), greys.window_of(number), greys.colormap_of(number))
        self.aim = None
        self.arrange(self.arrangement)
        self._alone = session.current == session.index
        if alone != self._alone:
            self.fit()

    def _lay_together(self) -> None:
        """Lay the current film's bone on the index film's, by the landmarks that both have by now."""
        session = self.session
        index_film = session.films[session.index]
        upright = layers.index_affine(index_film)
        self.index.lay(upright)
        if session.current == session.index:
            self.current.lay(upright)
        else:
            index, now = session.measured(session.index), session.measured(session.current)
            self.current.lay(layers.film_affine(index, index_film, now, session.film))

    def set_window(self, limits: tuple[float, float]) -> None:
        """Set the limits of grey of the current film; they are kept for it."""
        self.greys.windows[self.session.current] = limits
        for film in (self.index, self.current):
            if film.number == self.session.current:
                film.image.contrast_limits = limits

    def invert(self) -> None:
        """Turn black and white of the current film round."""
        self.greys.inverted ^= {self.session.current}
        for film in (self.index, self.current):
            film.image.colormap = self.greys.colormap_of(film.number)

    def arrange(self, arrangement: str) -> None:
        """Set the films side by side, over each other, or in turn; each time as their landmarks lie now."""
        self.arrangement = arrangement
        self._lay_together()
        self._show_layers()

    def _show_layers(self) -> None:
        arrangement = self.arrangement
        alone = self.session.current == self.session.index
        beside = self._beside()
        over = arrangement != SIDE_BY_SIDE and not alone
        _set(self.index.image, visible=not alone)
        _set(self.current.image, visible=True, opacity=0.5 if over and arrangement == OVERLAID else 1.0)
        for film, dressed in ((self.index, beside), (self.current, True)):
            for layer in (film.lines, film.marks):
                _set(layer, visible=dressed and not self.bare)
        # Three layers to a film, two films in a row.
        _set(grid(self.viewer), stride=3, shape=(1, 2), enabled=beside)
        (self._blink.start if over and arrangement == BLINKING else self._blink.stop)()
        self._on_zoom()

    def _beside(self) -> bool:
        return self.arrangement == SIDE_BY_SIDE and self.session.current != self.session.index

    def lay_bare(self, bare: bool) -> None:
        """Hide marks, lines and labels, which cover what is graded by eye, or show them again."""
        self.bare = bare
        if bare:
            self.show_aim(None)
        self._show_layers()

    def _flip(self) -> None:
        """Show the other film, with its own marks."""
        up = self.index_is_up
        for layer in self.current.every():
            layer.visible = up and not (self.bare and layer is not self.current.image)
        for layer in self.index.every()[1:]:
            layer.visible = not up and not self.bare
        self.show_labels()
        self.flipped.emit()

    @property
    def index_is_up(self) -> bool:
        """Whether the films take turns and the index film has its own."""
        return not self.current.image.visible

    # --- Marks, lines and labels ---

    def update(self, highlighted: frozenset[tuple[str, str]] = frozenset()) -> None:
        """Draw marks and lines of both films as the session has them; what has not changed is left.

        While a point moves, the other film waits.
        """
        session, self._highlighted = self.session, highlighted
        self._draw(self.current, session.current)
        if session.index != session.current and not session.dragging:
            self._draw(self.index, session.index)

    def _draw(self, film: FilmLayers, number: int) -> None:
        session, highlighted = self.session, self._highlighted
        draft, active = session.draft_of(number), session.active
        aim = self.aim if film is self.current else None
        if film.is_new("marks", (number, draft, active, aim, session.dragging)):
            found = layers.marks(draft, session.site.views[draft.view], active)
            if aim:
                found.append(layers.Mark("aim", 0, aim, layers.AIM_LOOK, "", False))
            self._draw_marks(film, layers.in_order(found, film.found) if session.dragging else found)
        if film.is_new("lines", (number, draft, highlighted)):
            aspect = session.films[number].aspect
            film.draw_lines(layers.film_lines(session.glance(number), aspect, highlighted))

    def _draw_marks(self, film: FilmLayers, found: list[layers.Mark]) -> None:
        if film.draw_marks(found):
            film.choose_labels(self.canvas.camera.zoom)
        elif not self.session.dragging:  # while a point moves, its label goes with it
            self._relabel.start()
        self.show_labels()

    def show_labels(self, event: object = None) -> None:
        """Write the labels of both films where their marks are on the screen."""
        width, height = self.canvas.cell_size()
        shown = []
        for film in (self.index, self.current):
            if not film.marks.visible:
                continue
            left = self.canvas.left(film.column)
            places = self.canvas.places(film.affine, film.column, film.points).tolist()
            for mark, off, (row, column) in zip(film.found, film.offsets, places, strict=True):
                if off and left <= column <= left + width and 0 <= row <= height:
                    shown.append(Label(mark.label, column, row, off, mark.in_hand))
        self.labels.say(shown)
        self.labelled.emit()

    def _on_zoom(self) -> None:
        for film in (self.index, self.current):
            film.draw_thin(self.canvas.camera.zoom)
        self._relabel.start()
        self.show_labels()

    def _label_anew(self) -> None:
        for film in (self.index, self.current):
            film.choose_labels(self.canvas.camera.zoom)
        self.show_labels()

    # --- Looking ---

    def fit(self) -> None:
        """Show the whole of the films."""
        self.viewer.reset_view()

    def look_at(self, point: Point) -> None:
        """Bring a place of the current film into view, if it is near the edge or off it."""
        self.canvas.look_at(self.to_room(point))

    def to_room(self, point: Point) -> Any:
        """Place of the current film in the room's plane."""
        return layers.apply(self.current.affine, np.asarray(point, dtype=np.float64))

    def to_film(self, position: Any) -> Point:
        """Place of the room's plane on the current film, in its pixels."""
        place = np.array(position[-2:], dtype=np.float64)
        row, column = layers.apply(layers.inverse(self.current.affine), place)
        return float(row), float(column)

    def show_aim(self, point: Point | None) -> None:
        """Draw the keyboard's cross at a place of the current film."""
        self.aim = point
        self.update(self._highlighted)
        if point:
            self.look_at(point)

    def middle(self) -> Point:
        """Place of the current film in the middle of the view, kept on the film."""
        return nearest_on_film(self.to_film(self.canvas.camera.center), self.session.film.pixels.shape)


def _set(thing: Any, **wanted: Any) -> None:
    """Set what is otherwise than wanted: napari draws anew even where nothing changes."""
    for name, value in wanted.items():
        if getattr(thing, name) != value:
            setattr(thing, name, value)
