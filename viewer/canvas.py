"""The two films on napari's canvas: layers, mouse, and where a click lies. No numbers are made here."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import dataclass, field
from typing import Any

import numpy as np
from numpy.typing import NDArray
from qtpy.QtCore import QObject, QTimer, Signal

from measure.errors import HoldfastError
from measure.reading import PROPOSED
from viewer import layers, placing
from viewer.overlays import Label, Labels
from viewer.points import Point, nearest_on_film
from viewer.session import Session
from viewer.snapping import Snapper

HIT_PX = 8.0  # screen pixels within which a press takes hold of a mark
MOVE_PX = 4.0  # screen pixels below which a press and release is a click
TAKE_PX = 4.0  # screen pixels within which a click takes another mark in hand, where a proposal waits
RIM_PX = 1.5
LINE_PX = 1.6
BLINK_MS = 700
LABELS_MS = 60  # labels find their new places once the zoom has rested so long; until then they keep theirs
SIDE_BY_SIDE, OVERLAID, BLINKING = "side by side", "overlaid", "blinking"
ARRANGEMENTS = (SIDE_BY_SIDE, OVERLAID, BLINKING)
HIDDEN = "Landmarks are hidden while the film is graded. Escape, or another tab, shows them again."
INDEX_UP = "The index film is up now; landmarks are placed on the current film. S sets them side by side."


def scene(viewer: Any) -> Any:
    """Where napari keeps its camera: the scene since 0.9, the viewer before."""
    return getattr(viewer, "scene", viewer)


def grid(viewer: Any) -> Any:
    """Where napari keeps its grid: the canvas since 0.9, the viewer before."""
    return getattr(viewer, "canvas", viewer).grid


def canvas_widget(viewer: Any) -> Any:
    """Qt widget that films are drawn on. napari has no public way to it; this is the only place that asks."""
    return viewer.window._qt_viewer.canvas.native


def _set_data(layer: Any, data: NDArray[np.float64]) -> None:
    """Set a layer's data; where only places changed, without napari's survey of all layers, which is slow."""
    if len(data) and layer.data.shape == data.shape:
        layer.data[...] = data
        layer.refresh(thumbnail=False, highlight=False, extent=False)
    else:
        layer.data = data


def _set(layer: Any, **wanted: Any) -> None:
    """Set what is otherwise than wanted: napari draws anew even where nothing changes."""
    for name, value in wanted.items():
        if getattr(layer, name) != value:
            setattr(layer, name, value)


def _enlarged(affine: layers.Affine) -> float:
    """How much larger an affine makes things."""
    return float(abs(np.linalg.det(affine[:2, :2])) ** 0.5)


@dataclass
class FilmLayers:
    """The three layers of one film and the affine that lays it in the room's plane."""

    image: Any
    lines: Any
    marks: Any
    number: int = -1
    affine: layers.Affine = field(default_factory=lambda: np.eye(3))
    found: list[layers.Mark] = field(default_factory=list)
    offsets: list[placing.Offset | None] = field(default_factory=list)  # of the marks' labels
    drawn: dict[str, object] = field(default_factory=dict)

    def is_new(self, what: str, state: object) -> bool:
        """Whether something is to be drawn otherwise than it was; it is then taken for drawn."""
        new = what not in self.drawn or self.drawn[what] != state
        self.drawn[what] = state
        return new

    @property
    def points(self) -> NDArray[np.float64]:
        """Places (n, 2) of the marks on the film."""
        return np.array([mark.point for mark in self.found], dtype=np.float64).reshape(-1, 2)

    def every(self) -> tuple[Any, Any, Any]:
        """Layers from the bottom up."""
        return self.image, self.lines, self.marks


class FilmPair(QObject):
    """Index and current film on the canvas of a napari viewer.

    Signals
    -------
    pointed
        The cursor is over a place (row, column) of the current film; None elsewhere.
    moving
        A point is being dragged: what depends on it should be drawn anew, at leisure.
    refused
        Words: why a click did nothing.
    snapped
        A click was moved to what the film shows: the standard uncertainty there, pixels.
    taken
        Name of the landmark that a click on its mark took in hand.
    flipped
        Another film is up while the two take turns.
    """

    pointed = Signal(object)
    moving = Signal()
    refused = Signal(str)
    snapped = Signal(float)  # a landmark was clicked: standard uncertainty of the snap, 0 where it stayed
    taken = Signal(str)
    flipped = Signal()

    def __init__(self, viewer: Any, session: Session, parent: QObject | None = None) -> None:
        super().__init__(parent)
        self.viewer, self.session = viewer, session
        self.snapper = Snapper()
        self.arrangement = SIDE_BY_SIDE
        self.bare = False
        self.windows: dict[int, tuple[float, float]] = {}
        self.inverted: set[int] = set()
        self.shades: dict[int, Any] = {}
        self._collect: tuple[int, list[Point], Callable[[list[Point]], None]] | None = None
        self._blink = QTimer(self)
        self._blink.setInterval(BLINK_MS)
        self._blink.timeout.connect(self._flip)
        self._relabel = QTimer(self)
        self._relabel.setSingleShot(True)
        self._relabel.setInterval(LABELS_MS)
        self._relabel.timeout.connect(self._label_anew)
        self.labels = Labels(canvas_widget(viewer))
        self.index = self._add("Index")
        self.current = self._add("Current")
        self.aim: Point | None = None
        self._highlighted: frozenset[tuple[str, str]] = frozenset()
        self._double: list[Any] = []  # napari's own answers to a double click, while ours stands in
        scene(viewer).camera.events.zoom.connect(self._on_zoom)
        scene(viewer).camera.events.center.connect(self.show_labels)
        self._inset: placing.Offset | None = None  # where the inset was last
        self._hides: dict[placing.Offset, float] = {}  # what it hides at each place, until a mark moves
        self._alone: bool | None = None  # whether one film has the canvas to itself; unknown at first
        self.attached = False
        self.attach()

    # --- Coming and going ---

    def attach(self) -> None:
        """Listen to the mouse; twice is once."""
        if not self.attached:
            self.viewer.mouse_drag_callbacks.append(self._on_press)
            self.viewer.mouse_move_callbacks.append(self._on_move)
            double = self.viewer.mouse_double_click_callbacks  # napari's would zoom, and swallow a click
            self._double, double[:] = list(double), [self._on_double]
            for changed in self._arranged_by_napari():
                changed.connect(self._arrange_again)
            self.attached = True

    def detach(self) -> None:
        """Stop listening to the mouse."""
        self._blink.stop()
        self._relabel.stop()
        if self.attached:
            self.viewer.mouse_drag_callbacks.remove(self._on_press)
            self.viewer.mouse_move_callbacks.remove(self._on_move)
            self.viewer.mouse_double_click_callbacks[:] = self._double
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
        beside = self._beside()
        if grid(self.viewer).enabled != beside:
            grid(self.viewer).enabled = beside

    def remove(self) -> None:
        """Take every layer of the pair off the canvas."""
        self.detach()
        scene(self.viewer).camera.events.zoom.disconnect(self._on_zoom)
        scene(self.viewer).camera.events.center.disconnect(self.show_labels)
        self.labels.deleteLater()
        grid(self.viewer).enabled = False
        for layer in (*self.index.every(), *self.current.every()):
            if layer in self.viewer.layers:
                self.viewer.layers.remove(layer)

    def _add(self, name: str) -> FilmLayers:
        viewer = self.viewer
        image = viewer.add_image(np.zeros((2, 2), np.float32), name=f"{name} film", contrast_limits=(0, 1))
        lines = viewer.add_vectors(np.empty((0, 2, 2)), name=f"{name} lines", vector_style="line", ndim=2)
        marks = viewer.add_points(
            np.empty((0, 2)),
            name=f"{name} landmarks",
            ndim=2,
            size=placing.MARK_PX,
            border_width_is_relative=False,
            face_color="transparent",
        )
        marks.canvas_size_limits = placing.LEAST_MARK_PX, placing.MARK_PX
        viewer.layers.selection.clear()  # else keys and clicks would edit the layer past the session
        return FilmLayers(image, lines, marks)

    # --- Showing ---

    def show(self) -> None:
        """Put the session's index and current film on the canvas, and arrange them."""
        session = self.session
        alone = self._alone
        self._put(self.index, session.index)
        self._put(self.current, session.current)
        self.aim = None
        self.arrange(self.arrangement)
        self._alone = session.current == session.index
        if alone != self._alone:
            self.fit()

    def _put(self, film: FilmLayers, number: int) -> None:
        if film.number != number:
            shades = self.shades_of(number)
            film.image.data = shades
            film.number = number
            film.image.contrast_limits_range = (0.0, 1.0)
            film.image.contrast_limits = self.window_of(number)
            film.image.colormap = "gray_r" if number in self.inverted else "gray"

    def _lay_together(self) -> None:
        """Lay the current film's bone on the index film's, by the landmarks that both have by now."""
        session = self.session
        index_film = session.films[session.index]
        upright = layers.index_affine(index_film)
        self._lay(self.index, upright)
        if session.current == session.index:
            self._lay(self.current, upright)
        else:
            index, now = session.measured(session.index), session.measured(session.current)
            self._lay(self.current, layers.film_affine(index, index_film, now, session.film))

    def _lay(self, film: FilmLayers, affine: layers.Affine) -> None:
        if film.is_new("affine", affine.tolist()):
            film.affine = affine
            for layer in film.every():
                layer.affine = affine

    def shades_of(self, number: int) -> Any:
        """Greys of a film as shown; only those of the two films on the canvas are kept."""
        if number not in self.shades:
            keep = {self.session.index, self.session.current}
            self.shades = {n: shades for n, shades in self.shades.items() if n in keep}
            self.shades[number] = self.session.films[number].display()
        return self.shades[number]

    def window_of(self, number: int) -> tuple[float, float]:
        """Limits of grey of a film: the reader's, else a sensible start."""
        if number not in self.windows:
            film = self.session.films[number]
            self.windows[number] = layers.starting_window(self.shades_of(number), film.padding_mask())
        return self.windows[number]

    def set_window(self, limits: tuple[float, float]) -> None:
        """Set the limits of grey of the current film; they are kept for it."""
        self.windows[self.session.current] = limits
        for film in (self.index, self.current):
            if film.number == self.session.current:
                film.image.contrast_limits = limits

    def invert(self) -> None:
        """Turn black and white of the current film round."""
        self.inverted ^= {self.session.current}
        for film in (self.index, self.current):
            film.image.colormap = "gray_r" if film.number in self.inverted else "gray"

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
            self.stop_collecting()
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

    def update(self, highlighted: frozenset[tuple[str, str]] = frozenset()) -> None:
        """Draw marks and lines of both films as the session has them; what has not changed is left.

        While a point moves, the other film waits.
        """
        session, self._highlighted = self.session, highlighted
        self._draw(self.current, session.current, highlighted)
        if session.index != session.current and not session.dragging:
            self._draw(self.index, session.index, highlighted)

    def _draw(self, film: FilmLayers, number: int, highlighted: frozenset[tuple[str, str]]) -> None:
        session = self.session
        draft, active = session.draft_of(number), session.active
        aim = self.aim if film is self.current else None
        if film.is_new("marks", (number, draft, active, aim, session.dragging)):
            found = layers.marks(draft, session.site.views[draft.view], active)
            if aim:
                found.append(layers.Mark("aim", 0, aim, layers.AIM_LOOK, "", False))
            self._draw_marks(film, layers.in_order(found, film.found) if session.dragging else found)
        if film.is_new("lines", (number, draft, highlighted)):
            aspect = session.films[number].aspect
            data, colours = layers.vectors_layer(
                layers.film_lines(session.glance(number), aspect, highlighted)
            )
            _set_data(film.lines, data)
            if film.is_new("colours", colours) and colours:
                film.lines.edge_color = colours

    def _draw_marks(self, film: FilmLayers, found: list[layers.Mark]) -> None:
        attributes = layers.points_layer(found)
        _set_data(film.marks, attributes.pop("data"))
        for name, values in attributes.items():
            if film.is_new(name, values) and found:
                setattr(film.marks, name, values)
        same = [mark.label for mark in found] == [mark.label for mark in film.found]
        film.found = found
        if not same:
            self._choose_labels(film)
        elif not self.session.dragging:  # while a point moves, its label goes with it
            self._relabel.start()
        self.show_labels()

    def _choose_labels(self, film: FilmLayers) -> None:
        """Choose how large marks are and where their labels stand at the present zoom."""
        zoom = scene(self.viewer).camera.zoom
        places = layers.apply(film.affine, film.points) * zoom
        film.offsets = layers.label_offsets(film.found, places)
        pixel = 1.0 / (zoom * _enlarged(film.affine))  # of the screen, in the film's own
        sizes = placing.mark_sizes(places) * pixel
        if film.is_new("border_width", (pixel, len(film.found))) and film.found:
            film.marks.border_width = RIM_PX * pixel
        if film.is_new("size", sizes.tolist()) and film.found:
            film.marks.size = sizes

    def show_labels(self, event: object = None) -> None:
        """Write the labels of both films where their marks are on the screen."""
        self._hides.clear()
        width, height = self.cell_size()
        shown = []
        for film in (self.index, self.current):
            if not film.marks.visible:
                continue
            left = self._left(film)
            places = self._on_canvas(film, film.points).tolist()
            for mark, off, (row, column) in zip(film.found, film.offsets, places, strict=True):
                if off and left <= column <= left + width and 0 <= row <= height:
                    shown.append(Label(mark.label, column, row, off, mark.in_hand))
        self.labels.say(shown)

    def _left(self, film: FilmLayers) -> float:
        """Left edge of a film's share of the canvas, in screen pixels."""
        return self.cell_size()[0] if film is self.current and grid(self.viewer).enabled else 0.0

    def _on_canvas(self, film: FilmLayers, points: NDArray[np.float64]) -> NDArray[np.float64]:
        """Places (..., 2) of a film's points on the canvas, (row, column) in screen pixels."""
        width, height = self.cell_size()
        camera = scene(self.viewer).camera
        off = layers.apply(film.affine, points) - np.array(camera.center[-2:])
        places: NDArray[np.float64] = np.array([height / 2, width / 2 + self._left(film)]) + off * camera.zoom
        return places

    def _on_zoom(self) -> None:
        width = LINE_PX / max(scene(self.viewer).camera.zoom, 1e-6)
        for film in (self.index, self.current):
            film.lines.edge_width = width / _enlarged(film.affine)
        self._relabel.start()
        self.show_labels()

    def _label_anew(self) -> None:
        for film in (self.index, self.current):
            self._choose_labels(film)
        self.show_labels()

    def inset_place(self, side: int, below: int, point: Point) -> placing.Offset:
        """Where on the canvas (top, left) the inset hides least, while the cursor is at a place of the film.

        side: of the inset; below: the captions' lower edge, in screen pixels.
        """
        width, height = self.cell_size()
        edge = placing.EDGE_PX
        cells = (self.current, self.index) if grid(self.viewer).enabled else (self.current,)
        spots = [
            (top, self._left(film) + across)
            for film in cells
            for top in (height - side - edge, float(below + edge))
            for across in (width - side - edge, edge)
        ]
        row, column = self._on_canvas(self.current, np.array(point)).tolist()
        self._inset = placing.inset_place(
            spots, side, (row, column), lambda spot: self._hidden(spot, side), self._inset
        )
        return self._inset

    def _hidden(self, spot: placing.Offset, side: int) -> float:
        """Count the marks that a square of the canvas hides; add twice the mean grey of the film there."""
        if spot not in self._hides:
            self._hides[spot] = self._hidden_now(spot, side)
        return self._hides[spot]

    def _hidden_now(self, spot: placing.Offset, side: int) -> float:
        film = self.current
        if grid(self.viewer).enabled and spot[1] < self.cell_size()[0]:
            film = self.index
        marks = self._on_canvas(film, film.points)
        inside = np.all((marks >= spot) & (marks <= np.array(spot) + side), axis=1).sum()
        steps = side * np.linspace(0.0, 1.0, 7)
        under = np.stack(np.meshgrid(spot[0] + steps, spot[1] + steps, indexing="ij"), axis=-1)
        points = self._under(film, under.reshape(-1, 2))
        return float(inside) + 2.0 * layers.mean_grey(
            self.shades_of(film.number), self.window_of(film.number), points
        )

    def _under(self, film: FilmLayers, places: NDArray[np.float64]) -> NDArray[np.float64]:
        """Points (n, 2) of a film under places (n, 2) of the canvas."""
        origin = self._on_canvas(film, np.zeros(2))
        room = (places - origin) / scene(self.viewer).camera.zoom + film.affine[:2, 2]
        inverse: layers.Affine = np.linalg.inv(film.affine).astype(np.float64)
        return layers.apply(inverse, room)

    # --- Looking ---

    def fit(self) -> None:
        """Show the whole of the films."""
        self.viewer.reset_view()

    def look_at(self, point: Point) -> None:
        """Bring a place of the current film into view, if it is near the edge or off it."""
        camera = scene(self.viewer).camera
        place = self.to_room(point)
        width, height = self.cell_size()
        centre = np.array(camera.center[-2:])
        reach = 0.4 * np.array([height, width]) / camera.zoom
        if np.any(np.abs(place - centre) > reach):
            camera.center = tuple(place)

    def cell_size(self) -> tuple[float, float]:
        """Width and height of one film's share of the canvas, in screen pixels."""
        widget = canvas_widget(self.viewer)
        return widget.width() / (2 if grid(self.viewer).enabled else 1), float(widget.height())

    def to_room(self, point: Point) -> Any:
        """Place of the current film in the room's plane."""
        return layers.apply(self.current.affine, np.asarray(point, dtype=np.float64))

    def to_film(self, position: Any) -> Point:
        """Place of the room's plane on the current film, in its pixels."""
        inverse: layers.Affine = np.linalg.inv(self.current.affine).astype(np.float64)
        row, column = layers.apply(inverse, np.array(position[-2:], dtype=np.float64))
        return float(row), float(column)

    def show_aim(self, point: Point | None) -> None:
        """Draw the keyboard's cross at a place of the current film."""
        self.aim = point
        self.update(self._highlighted)
        if point:
            self.look_at(point)

    def middle(self) -> Point:
        """Place of the current film in the middle of the view, kept on the film."""
        middle = self.to_film(scene(self.viewer).camera.center)
        return nearest_on_film(middle, self.session.film.pixels.shape)

    # --- Mouse ---

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

    def _over_current(self, event: Any) -> bool:
        return not grid(self.viewer).enabled or event.viewbox == (0, 1)

    def _on_move(self, viewer: Any, event: Any) -> None:
        self.pointed.emit(self.to_film(event.position) if self._over_current(event) else None)

    def _on_press(self, viewer: Any, event: Any) -> Iterator[None]:
        if event.button != 1:
            return
        if not self._over_current(event):
            yield from self._index_pressed(event)
            return
        start = np.array(event.pos, dtype=np.float64)
        held = self._in_reach(event)
        camera = scene(viewer).camera
        pans, moved = camera.mouse_pan, False
        camera.mouse_pan = pans and held is None
        try:
            yield
            while event.type == "mouse_move":
                moved = moved or np.hypot(*(np.array(event.pos) - start)) > MOVE_PX
                if moved and held:
                    self._drag(held, self.to_film(event.position))
                self.pointed.emit(self.to_film(event.position))
                yield
            if moved and held:  # where the button is let go, which the last move need not have been
                self._drag(held, self.to_film(event.position))
        finally:
            camera.mouse_pan = pans
            self.session.drop()
        if not moved:
            self.click(self.to_film(event.position), held, exact="Alt" in event.modifiers)

    def _on_double(self, viewer: Any, event: Any) -> None:
        """Take the second of two quick clicks for what it is: Qt sends it as a double click, not a press."""
        if event.button == 1 and self._over_current(event):
            self.click(self.to_film(event.position), self._in_reach(event))

    def _in_reach(self, event: Any) -> tuple[str, int] | None:
        """Say which point a press takes hold of; none that is hidden, and none where one is to be placed."""
        away = self.bare or self._collect or "Shift" in event.modifiers
        return None if away else self._mark_at(event.position)

    def _index_pressed(self, event: Any) -> Iterator[None]:
        start = np.array(event.pos, dtype=np.float64)
        yield
        while event.type == "mouse_move":
            yield
        if np.hypot(*(np.array(event.pos) - start)) <= MOVE_PX:
            self.refused.emit(
                "Landmarks are placed on the current film, on the right. To change the index film, show it."
            )

    def _drag(self, held: tuple[str, int], point: Point) -> None:
        try:
            self.session.drag(*held, point)
        except HoldfastError:
            return  # off the film: the point stays where it last was
        self.moving.emit()

    def click(self, point: Point, held: tuple[str, int] | None = None, exact: bool = False) -> None:
        """Do what a click on the current film does: collect it, take the held mark in hand, or place.

        A landmark is placed on what it means, where that is seen near the click; or exactly there.
        """
        session = self.session
        if self.bare or self.index_is_up:
            self.refused.emit(HIDDEN if self.bare else INDEX_UP)
            return
        try:
            if self._collect:
                self._collected(point)
            elif held and not self.waits_for_points() and self._takes(held, point):
                session.select(held[0])
                self.taken.emit(held[0])
            else:
                marks = session.draft.landmarks
                found = None if exact else self.snapper.snap(session.film, session.active, point, marks)
                session.place(found.point if found else point, found.u_px if found else None)
                self.snapped.emit(found.u_px if found else 0.0)
        except HoldfastError as error:
            self.refused.emit(str(error))

    def _collected(self, point: Point) -> None:
        if self._collect:
            count, points, done = self._collect
            points.append(point)
            if len(points) == count:
                self._collect = None
                done(points)

    def _takes(self, held: tuple[str, int], point: Point) -> bool:
        """Whether a click on a mark takes it in hand.

        Where a proposal is in hand, it says where that belongs, save on the very middle of another mark.
        """
        name, number = held
        active = self.session.draft.landmarks.get(self.session.active or "")
        if active is None or active.status != PROPOSED:
            return True
        mark = self.session.draft.landmarks[name].points[number]
        far = np.linalg.norm(self.to_room(mark) - self.to_room(point)) * scene(self.viewer).camera.zoom
        return name != self.session.active and bool(far <= TAKE_PX)

    def waits_for_points(self) -> bool:
        """Whether the landmark in hand still wants points: a click near another mark then places."""
        active = self.session.active
        if active is None:
            return False
        landmark = self.session.draft.landmarks.get(active)
        return landmark is None or (landmark.status == "confirmed" and self.session.checklist.is_open(active))

    def _mark_at(self, position: Any) -> tuple[str, int] | None:
        """Name and number of the nearest mark within reach of the cursor; the landmark in hand goes first."""
        zoom = scene(self.viewer).camera.zoom
        place = np.array(position[-2:], dtype=np.float64)
        best = None
        for mark in layers.marks(self.session.draft, self.session.view, self.session.active):
            if mark.look is layers.SCALE_LOOK:
                continue
            far = float(np.linalg.norm(self.to_room(mark.point) - place)) * zoom
            rank = (not mark.in_hand, far)
            if far <= HIT_PX and (best is None or rank < best[0]):
                best = (rank, (mark.name, mark.number))
        return best[1] if best else None
