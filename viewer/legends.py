"""What stands over the films: a caption on each, and the inset that magnifies what the cursor is over."""

from __future__ import annotations

import functools

import numpy as np
from qtpy.QtCore import QEvent, QObject, QTimer

from viewer import placing
from viewer.film_pair import FilmPair
from viewer.overlays import Caption, Inset
from viewer.points import Point
from viewer.rows import caption_lines
from viewer.style import SHEET


class Legends(QObject):
    """Captions and inset of a pair of films; they follow zoom and size of the canvas by themselves."""

    def __init__(self, pair: FilmPair) -> None:
        super().__init__(pair)
        self.pair, self.session, self.canvas = pair, pair.session, pair.canvas
        widget = self.canvas.widget
        self.captions = (Caption(widget), Caption(widget))
        self.inset = Inset(widget)
        for overlay in (*self.captions, self.inset):
            overlay.setStyleSheet(SHEET)
        self._spot: placing.Offset | None = None  # where the inset was last
        self._hides: dict[placing.Offset, float] = {}  # what it hides at each place, until a mark moves
        pair.labelled.connect(self._forget)
        pair.flipped.connect(self.caption)

    def start(self) -> None:
        """Follow the canvas."""
        self.canvas.widget.installEventFilter(self)
        self.canvas.camera.events.zoom.connect(self.caption)

    def leave(self) -> None:
        """Leave nothing on the canvas."""
        self.canvas.widget.removeEventFilter(self)
        self.canvas.camera.events.zoom.disconnect(self.caption)
        for part in (*self.captions, self.inset):
            part.deleteLater()

    def eventFilter(self, watched: QObject | None, event: QEvent | None) -> bool:  # noqa: N802 Qt's name
        """Keep captions in their corners when the canvas changes its size."""
        if event is not None and event.type() == QEvent.Type.Resize:
            QTimer.singleShot(0, self.caption)
            QTimer.singleShot(0, self.pair.show_labels)
        elif event is not None and event.type() == QEvent.Type.Leave:
            self.inset.hide()
        return False

    # --- Captions ---

    def caption(self, event: object = None) -> None:
        """Write on each film which it is, and draw its bar."""
        session, split = self.session, self.canvas.is_split
        width = int(self.canvas.cell_size()[0])
        shown = [(self.captions[0], session.index, 0)] if split else []
        up = session.index if self.pair.index_is_up else session.current
        shown.append((self.captions[1], up, width if split else 0))
        self.captions[0].setVisible(split)
        for caption, number, left in shown:
            caption.say(caption_lines(session, number), self._mm_on_screen(number), width - 16)
            caption.move(left + 10, 10)
            caption.show()

    def _mm_on_screen(self, number: int) -> float | None:
        """Screen pixels that a millimetre at the bone takes on a film; None without a scale."""
        scale = self.session.glance(number).scale
        pair = self.pair
        affine = (pair.index if number != self.session.current else pair.current).affine
        if scale is None:
            return None
        across = float((affine[:2, 1] ** 2).sum() ** 0.5)  # room units to a column's pixel
        return float(self.canvas.camera.zoom) * across / scale.mm_per_px[1]

    # --- Inset ---

    def _forget(self) -> None:
        self._hides.clear()

    def magnify(self, point: Point | None) -> None:
        """Show what is round a place of the current film; nothing where there is none."""
        greys, number = self.pair.greys, self.session.current
        if point:
            self.inset.place(functools.partial(self._spot_for, point))
        shades, limits = greys.shades_of(number), greys.window_of(number)
        self.inset.look(shades, limits, number in greys.inverted, point)

    def _spot_for(self, point: Point, side: int) -> placing.Offset:
        """Where on the canvas (top, left) the inset of a side hides least, the cursor being at a point."""
        canvas, current, edge = self.canvas, self.pair.current, placing.EDGE_PX
        below = max(caption.geometry().bottom() for caption in self.captions if caption.isVisible())
        width, height = canvas.cell_size()
        spots = [
            (top, canvas.left(column) + across)
            for column in ((1, 0) if canvas.is_split else (1,))
            for top in (height - side - edge, float(below + edge))
            for across in (width - side - edge, edge)
        ]
        row, column = canvas.places(current.affine, current.column, np.array(point)).tolist()
        hides = functools.partial(self._hidden, side=side)
        self._spot = placing.inset_place(spots, side, (row, column), hides, self._spot)
        return self._spot

    def _hidden(self, spot: placing.Offset, side: int) -> float:
        """Count the marks that a square of the canvas hides; add twice the mean grey of the film there."""
        if spot not in self._hides:
            self._hides[spot] = self._hidden_now(spot, side)
        return self._hides[spot]

    def _hidden_now(self, spot: placing.Offset, side: int) -> float:
        canvas, film = self.canvas, self.pair.current
        if canvas.is_split and spot[1] < canvas.cell_size()[0]:
            film = self.pair.index
        marks = canvas.places(film.affine, film.column, film.points)
        inside = np.all((marks >= spot) & (marks <= np.array(spot) + side), axis=1).sum()
        steps = side * np.linspace(0.0, 1.0, 7)
        under = np.stack(np.meshgrid(spot[0] + steps, spot[1] + steps, indexing="ij"), axis=-1)
        points = canvas.points(film.affine, film.column, under.reshape(-1, 2))
        return float(inside) + 2.0 * self.pair.greys.mean(film.number, points)
