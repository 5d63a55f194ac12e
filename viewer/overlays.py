"""What is written on the films themselves: caption with scale bar, and the magnified inset. Shows only."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from qtpy.QtCore import QPointF, QRectF, QSize, Qt
from qtpy.QtGui import QColor, QFont, QImage, QPainter, QPainterPath, QPen
from qtpy.QtWidgets import QWidget

INSET_PX, INSET_ZOOM = 176, 6
BAR_STEPS = (1, 2, 5, 10, 20, 50, 100, 200)
LABEL_HEIGHT = 13
RIM = QPen(
    QColor(8, 11, 14, 235), 4, Qt.PenStyle.SolidLine, Qt.PenCapStyle.RoundCap, Qt.PenJoinStyle.RoundJoin
)
IN_HAND = QColor("#ff9dd6")
PAPER, INK, QUIET = QColor(12, 16, 20, 205), QColor("#f2f5f7"), QColor("#aebac4")


@dataclass(frozen=True)
class Label:
    """Words beside a mark at (x, y) of the canvas, in screen pixels."""

    words: str
    x: float
    y: float
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
        font.setPixelSize(LABEL_HEIGHT)
        font.setBold(True)
        for label in self.shown:
            path = QPainterPath()
            path.addText(QPointF(label.x + 8, label.y - 7), font, label.words)
            painter.strokePath(path, RIM)
            painter.fillPath(path, IN_HAND if label.in_hand else INK)
        painter.end()


class Caption(QWidget):
    """Which film this is: date, view, side and scale, with a bar of known length under it."""

    def __init__(self, parent: QWidget) -> None:
        super().__init__(parent)
        self.setAttribute(Qt.WidgetAttribute.WA_TransparentForMouseEvents)
        self._lines: tuple[str, ...] = ()
        self._bar: tuple[float, str] | None = None

    def say(self, lines: tuple[str, ...], mm_on_screen: float | None, room: int) -> None:
        """Show lines, the first in bold, and a bar: `mm_on_screen` is one millimetre in screen pixels."""
        self._bar = _bar(mm_on_screen, room) if mm_on_screen else None
        self._lines = lines
        metrics = self.fontMetrics()
        width = max((metrics.horizontalAdvance(line) for line in lines), default=0) + 40
        if self._bar:
            width = max(width, int(self._bar[0]) + metrics.horizontalAdvance(self._bar[1]) + 34)
        height = (metrics.height() + 3) * len(lines) + (34 if self._bar else 14)
        self.resize(QSize(min(width, max(room, 60)), height))
        self.update()

    def paintEvent(self, event: Any) -> None:  # noqa: N802 Qt's name
        """Paint."""
        painter = QPainter(self)
        painter.setRenderHint(QPainter.RenderHint.Antialiasing)
        painter.setPen(Qt.PenStyle.NoPen)
        painter.setBrush(PAPER)
        painter.drawRoundedRect(QRectF(self.rect()), 6, 6)
        metrics, y = self.fontMetrics(), 7.0
        for number, line in enumerate(self._lines):
            font = QFont(self.font())
            font.setBold(number == 0)
            painter.setFont(font)
            painter.setPen(INK if number == 0 else QUIET)
            box = QRectF(11, y, self.width() - 20, metrics.height() + 2)
            text = self.fontMetrics().elidedText(line, Qt.TextElideMode.ElideRight, int(box.width()))
            painter.drawText(box, Qt.AlignmentFlag.AlignVCenter, text)
            y += metrics.height() + 3
        if self._bar:
            _paint_bar(painter, y + 10, *self._bar)
        painter.end()


def _bar(mm_on_screen: float, room: int) -> tuple[float, str] | None:
    """Length on the screen and words of the longest bar that takes at most a third of the room."""
    fitting = [step for step in BAR_STEPS if step * mm_on_screen <= max(60.0, room / 3)]
    return (fitting[-1] * mm_on_screen, f"{fitting[-1]} mm at the bone") if fitting else None


def _paint_bar(painter: QPainter, y: float, length: float, words: str) -> None:
    painter.setPen(QPen(INK, 2))
    painter.drawLine(QPointF(12, y), QPointF(12 + length, y))
    for x in (12, 12 + length):
        painter.drawLine(QPointF(x, y - 4), QPointF(x, y + 4))
    painter.setPen(QUIET)
    painter.drawText(QPointF(20 + length, y + 5), words)


class Inset(QWidget):
    """Film round the cursor, magnified, with a cross where a click would place."""

    def __init__(self, parent: QWidget) -> None:
        super().__init__(parent)
        self.setAttribute(Qt.WidgetAttribute.WA_TransparentForMouseEvents)
        self.resize(INSET_PX, INSET_PX)
        self._image: QImage | None = None
        self._within = (0.0, 0.0)
        self.hide()

    def look(
        self, shades: Any, limits: tuple[float, float], inverted: bool, point: tuple[float, float] | None
    ) -> None:
        """Show a film's greys round (row, column); nothing where the point is None or off the film."""
        half = int(np.ceil(INSET_PX / INSET_ZOOM / 2)) + 1
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
        middle, side = INSET_PX / 2, self._image.width() * INSET_ZOOM
        left, top = middle - self._within[1] * INSET_ZOOM, middle - self._within[0] * INSET_ZOOM
        painter.drawImage(QRectF(left, top, side, side), self._image)
        for colour, width in ((QColor(0, 0, 0, 160), 3), (QColor("#ffffff"), 1)):
            painter.setPen(QPen(colour, width))
            for inner, outer in ((5, 30), (-30, -5)):
                painter.drawLine(QPointF(middle + inner, middle), QPointF(middle + outer, middle))
                painter.drawLine(QPointF(middle, middle + inner), QPointF(middle, middle + outer))
        painter.setPen(QPen(QUIET, 2))
        painter.drawRect(1, 1, INSET_PX - 2, INSET_PX - 2)
        painter.end()
