"""What is written on the films themselves: caption with scale bar, and the magnified inset. Shows only."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from qtpy.QtCore import QPointF, QRectF, QSize, Qt
from qtpy.QtGui import QColor, QFont, QFontMetricsF, QImage, QPainter, QPainterPath, QPen
from qtpy.QtWidgets import QWidget

from viewer.placing import INSET_PX, LABEL_HEIGHT, inset_side, is_led, label_size, shortened

INSET_ZOOM = 6
BAR_STEPS = (1, 2, 5, 10, 20, 50, 100, 200)
BAR_SHARE, LEAST_BAR_PX = 0.2, 60.0  # of the room, at most; but a bar may always be so long
FRAME_PX = 9.0  # from the mark in hand to the corners round it
LOW_PX = 480  # on a canvas lower than this the caption makes do with two small rows
RIM = QPen(
    QColor(8, 11, 14, 235), 4, Qt.PenStyle.SolidLine, Qt.PenCapStyle.RoundCap, Qt.PenJoinStyle.RoundJoin
)
IN_HAND = QColor("#ff9dd6")
PAPER, INK, QUIET = QColor(12, 16, 20, 205), QColor("#f2f5f7"), QColor("#aebac4")


@dataclass(frozen=True)
class Label:
    """Words beside a mark at (x, y) of the canvas, in screen pixels; `off` is (row, column) from there."""

    words: str
    x: float
    y: float
    off: tuple[float, float]
    in_hand: bool


class Labels(QWidget):
    """Labels of the marks, each with a dark rim so that it is read on bright bone too."""

    def __init__(self, parent: QWidget) -> None:
        super().__init__(parent)
        self.setAttribute(Qt.WidgetAttribute.WA_TransparentForMouseEvents)
        self.shown: list[Label] = []
        self.show()

    def say(self, labels: Sequence[Label]) -> None:
        """Show these labels and no others."""
        parent = self.parentWidget()
        if parent is not None and self.size() != parent.size():
            self.resize(parent.size())
        if self.shown != labels:
            self.shown = list(labels)
            self.update()

    def paintEvent(self, event: Any) -> None:  # noqa: N802 Qt's name
        """Paint."""
        painter = QPainter(self)
        painter.setRenderHint(QPainter.RenderHint.Antialiasing)
        font = QFont(self.font())
        font.setPixelSize(round(LABEL_HEIGHT))
        font.setBold(True)
        for label in self.shown:
            colour = IN_HAND if label.in_hand else INK
            if label.in_hand:
                _frame(painter, QPointF(label.x, label.y))
            down, across = label.off
            if is_led(label.words, label.off):
                _lead(painter, label, colour)
            width = QFontMetricsF(font).horizontalAdvance(label.words)
            path = QPainterPath()
            start = QPointF(label.x + across - width / 2, label.y + down + 0.36 * LABEL_HEIGHT)
            path.addText(start, font, label.words)
            painter.strokePath(path, RIM)
            painter.fillPath(path, colour)
        painter.end()


def _frame(painter: QPainter, mark: QPointF) -> None:
    """Draw four corners round the mark in hand: its colour alone is not told from grey bone by everyone."""
    for ink, thick in ((RIM.color(), 4.0), (INK, 1.6)):
        painter.setPen(QPen(ink, thick))
        for x, y in ((-1, -1), (-1, 1), (1, -1), (1, 1)):
            corner = mark + QPointF(x * FRAME_PX, y * FRAME_PX)
            painter.drawLine(corner, corner - QPointF(x * 4.0, 0.0))
            painter.drawLine(corner, corner - QPointF(0.0, y * 4.0))


def _lead(painter: QPainter, label: Label, colour: QColor) -> None:
    """Draw the line from a mark to its label's nearest edge."""
    height, width = label_size(label.words)
    (down, across), mark = label.off, QPointF(label.x, label.y)
    near = QPointF(
        across - max(-width / 2, min(width / 2, across)), down - max(-height / 2, min(height / 2, down))
    )
    for ink, thick in ((RIM.color(), 3.0), (colour, 1.0)):
        painter.setPen(QPen(ink, thick))
        painter.drawLine(mark + near * 0.25, mark + near)


class Caption(QWidget):
    """Which film this is: date, view, side and scale, with a bar of known length under it.

    On a low canvas all of it takes two small rows: the film is what the canvas is for.
    """

    def __init__(self, parent: QWidget) -> None:
        super().__init__(parent)
        self.setAttribute(Qt.WidgetAttribute.WA_TransparentForMouseEvents)
        self.rows: list[str] = []
        self._bar: tuple[float, str] | None = None
        self._low = False

    def say(self, lines: tuple[str, ...], mm_on_screen: float | None, room: int) -> None:
        """Show lines, the first in bold, and a bar: `mm_on_screen` is one millimetre in screen pixels."""
        parent = self.parentWidget()
        self._low = parent is not None and parent.height() < LOW_PX
        longest = LEAST_BAR_PX if self._low else max(LEAST_BAR_PX, BAR_SHARE * room)
        self._bar = _bar(mm_on_screen, longest, "" if self._low else " at the bone") if mm_on_screen else None
        inner = room - 24.0
        if self._low and len(lines) == 3 and self._width(" · ".join(lines[:2]), True) <= inner:
            lines = (" · ".join(lines[:2]), lines[2])
        beside = self._bar_width() if self._low else 0.0
        last = len(lines) - 1
        self.rows = [
            self._shortened(line, inner - (beside if number == last else 0.0), number == 0)
            for number, line in enumerate(lines)
        ]
        widths = [self._width(row, number == 0) for number, row in enumerate(self.rows)]
        widths[-1] += beside
        width = max(*widths, 0.0 if self._low else self._bar_width())
        height = self._row() * len(self.rows) + (8 if self._low else 34 if self._bar else 14)
        self.resize(QSize(round(min(width + 24, room)), round(height)))
        self.update()

    def _font(self, *, bold: bool) -> QFont:
        font = QFont(self.font())
        font.setBold(bold)
        if self._low:
            font.setPixelSize(11)
        return font

    def _width(self, words: str, bold: bool = False) -> float:
        return float(QFontMetricsF(self._font(bold=bold)).horizontalAdvance(words))

    def _shortened(self, line: str, room: float, bold: bool) -> str:
        return shortened(line, lambda words: self._width(words, bold) <= room)

    def _row(self) -> float:
        return float(QFontMetricsF(self._font(bold=True)).height()) + (1 if self._low else 3)

    def _bar_width(self) -> float:
        return self._bar[0] + self._width(self._bar[1]) + 24 if self._bar else 0.0

    def paintEvent(self, event: Any) -> None:  # noqa: N802 Qt's name
        """Paint."""
        painter = QPainter(self)
        painter.setRenderHint(QPainter.RenderHint.Antialiasing)
        painter.setPen(Qt.PenStyle.NoPen)
        painter.setBrush(PAPER)
        painter.drawRoundedRect(QRectF(self.rect()), 6, 6)
        step, y = self._row(), 4.0 if self._low else 7.0
        for number, row in enumerate(self.rows):
            painter.setFont(self._font(bold=number == 0))
            painter.setPen(INK if number == 0 else QUIET)
            painter.drawText(QRectF(11, y, self.width(), step), Qt.AlignmentFlag.AlignVCenter, row)
            y += step
        if self._bar and self._low:
            _paint_bar(painter, 11 + self._width(self.rows[-1]) + 12, y - step / 2, *self._bar)
        elif self._bar:
            _paint_bar(painter, 12, y + 10, *self._bar)
        painter.end()


def _bar(mm_on_screen: float, longest: float, where: str) -> tuple[float, str] | None:
    """Length on the screen and words of the longest bar that is no longer than that, in screen pixels."""
    fitting = [step for step in BAR_STEPS if step * mm_on_screen <= longest]
    return (fitting[-1] * mm_on_screen, f"{fitting[-1]} mm{where}") if fitting else None


def _paint_bar(painter: QPainter, x: float, y: float, length: float, words: str) -> None:
    painter.setPen(QPen(INK, 2))
    painter.drawLine(QPointF(x, y), QPointF(x + length, y))
    for end in (x, x + length):
        painter.drawLine(QPointF(end, y - 4), QPointF(end, y + 4))
    painter.setPen(QUIET)
    painter.drawText(QPointF(x + length + 8, y + 4), words)


class Inset(QWidget):
    """Film round the cursor, magnified, with a cross where a click would place."""

    def __init__(self, parent: QWidget) -> None:
        super().__init__(parent)
        self.setAttribute(Qt.WidgetAttribute.WA_TransparentForMouseEvents)
        self.resize(INSET_PX, INSET_PX)
        self._image: QImage | None = None
        self._within = (0.0, 0.0)
        self.hide()

    def place(self, spot: Callable[[int], tuple[float, float]]) -> None:
        """Go where it hides least: `spot` says for its side, in pixels, where its (top, left) is to be."""
        parent = self.parentWidget()
        side = inset_side(parent.height()) if parent is not None else INSET_PX
        if side != self.width():
            self.resize(side, side)
        top, left = spot(side)
        self.move(round(left), round(top))

    def look(
        self, shades: Any, limits: tuple[float, float], inverted: bool, point: tuple[float, float] | None
    ) -> None:
        """Show a film's greys round (row, column); nothing where the point is None or off the film."""
        half = int(np.ceil(self.width() / INSET_ZOOM / 2)) + 1
        if point is None or not (0 <= point[0] < shades.shape[0] and 0 <= point[1] < shades.shape[1]):
            self.hide()
            return
        row, column = round(point[0]), round(point[1])
        rows = np.clip(np.arange(row - half, row + half + 1), 0, shades.shape[0] - 1)
        columns = np.clip(np.arange(column - half, column + half + 1), 0, shades.shape[1] - 1)
        low, high = limits
        grey = np.clip((shades[np.ix_(rows, columns)] - low) / max(high - low, 1e-6), 0, 1)
        bytes_ = np.ascontiguousarray((255 * (1 - grey if inverted else grey)).astype(np.uint8))
        size = bytes_.shape[0]
        self._image = QImage(bytes_.tobytes(), size, size, size, QImage.Format.Format_Grayscale8).copy()
        # The pixel under the cursor has its centre half a pixel into it.
        self._within = (point[0] - row + half + 0.5, point[1] - column + half + 0.5)
        self.show()
        self.update()

    def paintEvent(self, event: Any) -> None:  # noqa: N802 Qt's name
        """Paint."""
        if self._image is None:
            return
        painter = QPainter(self)
        painter.setRenderHint(QPainter.RenderHint.SmoothPixmapTransform)
        middle, side = self.width() / 2, self._image.width() * INSET_ZOOM
        left, top = middle - self._within[1] * INSET_ZOOM, middle - self._within[0] * INSET_ZOOM
        painter.drawImage(QRectF(left, top, side, side), self._image)
        for colour, width in ((QColor(0, 0, 0, 160), 3), (QColor("#ffffff"), 1)):
            painter.setPen(QPen(colour, width))
            for inner, outer in ((5, 30), (-30, -5)):
                painter.drawLine(QPointF(middle + inner, middle), QPointF(middle + outer, middle))
                painter.drawLine(QPointF(middle, middle + inner), QPointF(middle, middle + outer))
        painter.setPen(QPen(QUIET, 2))
        painter.drawRect(1, 1, self.width() - 2, self.height() - 2)
        painter.end()
