"""The measurements: outcome in a sentence, table with flags first, and a trend. Shows and signals only."""

from __future__ import annotations

import textwrap
from collections.abc import Sequence
from typing import Any

from qtpy.QtCore import QPointF, QRectF, Qt, QTimer, Signal
from qtpy.QtGui import QBrush, QColor, QPainter, QPen, QPolygonF
from qtpy.QtWidgets import (
    QAbstractItemView,
    QHBoxLayout,
    QHeaderView,
    QLabel,
    QSizePolicy,
    QTableWidget,
    QTableWidgetItem,
    QVBoxLayout,
    QWidget,
)

from viewer.rows import HEADINGS, OUTCOMES, ResultRow, Trend, TrendPoint

INK, QUIET, LIMIT, LINE = QColor("#eef2f5"), QColor("#9fb0bd"), QColor("#ff8a5c"), QColor("#62c8ff")

NARROW_PX = 950  # a panel narrower than this has smaller words and fewer, so that the table is read
MORE = "More: point here."
COLUMNS_PX = {False: (128, 128, 128, 190), True: (112, 112, 112, 164)}  # all but the first; by narrow
ROW_PX, ROW_RIM_PX, CELL_RIM_PX = 24, 6, 14  # of one line; above and below, and beside, a cell's words
PLOT_PX = {False: 232, True: 160}


class ResultsPanel(QWidget):
    """Table and trend.

    Signals
    -------
    hovered
        Key of the row under the cursor, or None.
    chosen
        Key of the row whose trend is wanted.
    """

    hovered = Signal(object)
    chosen = Signal(object)

    def __init__(self) -> None:
        super().__init__()
        self._rows: list[ResultRow] = []
        self._chosen: tuple[str, str] | None = None
        self.sentence = QLabel()
        self.sentence.setWordWrap(True)
        self.sentence.setObjectName("sentence")
        self.verdict = QLabel()
        self.verdict.setWordWrap(True)
        self.verdict.setObjectName("verdict")
        for label in (self.sentence, self.verdict):
            label.setSizePolicy(QSizePolicy.Policy.Preferred, QSizePolicy.Policy.Minimum)
        self.table = _Table()
        self.plot = TrendPlot()
        self.caution = QLabel()
        self.caution.setWordWrap(True)
        self.caution.setObjectName("quiet")
        left = QVBoxLayout()
        for widget in (self.sentence, self.verdict, self.table, self.caution):
            left.addWidget(widget)
        left.setStretchFactor(self.table, 1)
        layout = QHBoxLayout(self)
        layout.addLayout(left, 1)
        layout.addWidget(self.plot)
        layout.setContentsMargins(10, 6, 10, 8)
        layout.setSpacing(12)
        self.table.entered_row.connect(lambda row: self.hovered.emit(self._key(row)))
        self.table.currentCellChanged.connect(lambda row, *_: self._choose(row))
        self._narrow = False
        self._verdict = ""

    def resizeEvent(self, event: Any) -> None:  # noqa: N802 Qt's name
        """Give words and plot the size that the panel has room for."""
        super().resizeEvent(event)
        narrow = self.width() < NARROW_PX
        if narrow != self._narrow:
            self._narrow = narrow
            self.table.setStyleSheet(
                "QTableWidget, QHeaderView::section { font-size: 12px; }" if narrow else ""
            )
            self.table.set_widths(COLUMNS_PX[narrow])
            self.plot.setFixedWidth(PLOT_PX[narrow])
            self._say_verdict()

    def _key(self, row: int) -> tuple[str, str] | None:
        return self._rows[row].key if 0 <= row < len(self._rows) else None

    def show_rows(
        self, rows: Sequence[ResultRow], sentence: str, verdict: tuple[str, str] | None = None
    ) -> None:
        """Show the table; only cells that differ are touched.

        The verdict is in short and in full; none leaves the last one, in grey. A narrow panel has room for
        its first line.
        """
        if self.sentence.text() != sentence:
            self.sentence.setText(sentence)
        self.verdict.setEnabled(verdict is not None)
        if verdict is not None:
            self._verdict, full = verdict
            self.verdict.setToolTip("\n".join(textwrap.fill(line, 110) for line in full.split("\n")))
            self._say_verdict()
        table, old = self.table, self._rows
        self._rows = list(rows)
        if len(old) != len(rows):
            table.setRowCount(len(rows))
        for number, row in enumerate(rows):
            if number >= len(old) or old[number] != row:
                self._show_row(number, row)
        for column in (2, 3):  # what no row has takes no room
            table.setColumnHidden(column, not any(row.cells[column] for row in rows))
        self._keep_chosen()

    def _say_verdict(self) -> None:
        """Write as much of the verdict as leaves the table its room; all of it is in the tooltip."""
        first, *more = self._verdict.split("\n")
        if more and self._narrow:
            first, more = f"{first} {MORE}", []
        self.verdict.setText("\n".join((first, *more)))
        self.verdict.setVisible(bool(first))

    def _keep_chosen(self) -> None:
        """Let the selection stay with its quantity when the rows change places."""
        keys = [row.key for row in self._rows]
        if self._chosen in keys and keys.index(self._chosen) != self.table.currentRow():
            self.table.blockSignals(True)
            self.table.selectRow(keys.index(self._chosen))
            self.table.blockSignals(False)

    def _choose(self, row: int) -> None:
        self._chosen = self._key(row)
        self.chosen.emit(self._chosen)

    def _show_row(self, number: int, row: ResultRow) -> None:
        tip = textwrap.fill(row.hint, 90, replace_whitespace=False)
        for column, text in enumerate(row.cells):
            item = self.table.item(number, column)
            if item is None:
                item = QTableWidgetItem()
                item.setTextAlignment(_side(column))
                self.table.setItem(number, column, item)
            if item.text() != text:
                item.setText(text)
            if item.toolTip() != tip:
                item.setToolTip(tip)
            item.setForeground(QBrush(_colour(row, column)))
        self.table.fit_row(number)


def _colour(row: ResultRow, column: int) -> QColor:
    """Colour of a cell: what waits is grey, an outcome has its own."""
    if row.pending and column > 0:
        return QUIET
    return QColor(OUTCOMES[row.outcome].colour) if row.outcome and column == len(row.cells) - 1 else INK


def _side(column: int) -> Qt.AlignmentFlag:
    """Numbers to the right, words to the left."""
    side = Qt.AlignmentFlag.AlignRight if column in (1, 2, 3) else Qt.AlignmentFlag.AlignLeft
    return side | Qt.AlignmentFlag.AlignVCenter


class _Table(QTableWidget):
    """Table that says which row the cursor is over, and when it leaves."""

    entered_row = Signal(int)

    def __init__(self) -> None:
        super().__init__(0, len(HEADINGS))
        for column, heading in enumerate(HEADINGS):
            item = QTableWidgetItem(heading)
            item.setTextAlignment(_side(column))
            self.setHorizontalHeaderItem(column, item)
        self.setEditTriggers(QAbstractItemView.EditTrigger.NoEditTriggers)
        self.setSelectionBehavior(QAbstractItemView.SelectionBehavior.SelectRows)
        self.setSelectionMode(QAbstractItemView.SelectionMode.SingleSelection)
        self.setFocusPolicy(Qt.FocusPolicy.TabFocus)
        self.setMouseTracking(True)
        self.setShowGrid(False)
        self.setTextElideMode(Qt.TextElideMode.ElideMiddle)
        self.setWordWrap(True)
        self.setAlternatingRowColors(True)
        self.verticalHeader().hide()
        self.verticalHeader().setDefaultSectionSize(ROW_PX)
        header = self.horizontalHeader()
        header.setHighlightSections(False)
        header.setMinimumSectionSize(100)
        header.setSectionResizeMode(0, QHeaderView.ResizeMode.Stretch)
        self.set_widths(COLUMNS_PX[False])
        self._fit = QTimer(self)  # columns have their new widths only once all are told
        self._fit.setSingleShot(True)
        self._fit.timeout.connect(self._fit_rows)
        header.sectionResized.connect(lambda *_: self._fit.start())
        self.cellEntered.connect(lambda row, _: self.entered_row.emit(row))

    def set_widths(self, widths: Sequence[int]) -> None:
        """Set the widths of all columns but the first, which takes what is left."""
        for column, width in enumerate(widths, start=1):
            self.horizontalHeader().resizeSection(column, width)

    def _fit_rows(self) -> None:
        for row in range(self.rowCount()):
            self.fit_row(row)

    def fit_row(self, row: int) -> None:
        """Make a row so high that no word in it is cut: a long name takes more lines than one."""
        metrics, wrap = self.fontMetrics(), Qt.TextFlag.TextWordWrap
        lines = [
            metrics.boundingRect(0, 0, self.columnWidth(column) - CELL_RIM_PX, 0, wrap, item.text()).height()
            for column in range(self.columnCount())
            if not self.isColumnHidden(column) and (item := self.item(row, column))
        ]
        height = max(ROW_PX, max(lines, default=0) + ROW_RIM_PX)
        if self.rowHeight(row) != height:
            self.setRowHeight(row, height)

    def leaveEvent(self, event: Any) -> None:  # noqa: N802 Qt's name
        """Say that no row is under the cursor."""
        self.entered_row.emit(-1)
        super().leaveEvent(event)


class TrendPlot(QWidget):
    """One quantity over the visits: values with their 95 % intervals, and the limits that apply."""

    def __init__(self) -> None:
        super().__init__()
        self._trend: Trend | None = None
        self.setFixedWidth(PLOT_PX[False])

    def show_trend(self, trend: Trend | None) -> None:
        """Show a trend, or a hint where there is none."""
        if trend != self._trend:
            self._trend = trend
            self.update()

    def paintEvent(self, event: Any) -> None:  # noqa: N802 Qt's name
        """Paint."""
        painter = QPainter(self)
        painter.setRenderHint(QPainter.RenderHint.Antialiasing)
        painter.setPen(INK)
        trend = self._trend
        if trend is None or not trend.points:
            words = (
                "Choose a row of the table to see it over the visits."
                if trend is None
                else f"{trend.title}: no value on any visit yet."
            )
            painter.setPen(QUIET)
            painter.drawText(self.rect(), Qt.AlignmentFlag.AlignCenter | Qt.TextFlag.TextWordWrap, words)
        else:
            below = _title(painter, trend.title, self.width())
            box = QRectF(46, below + 26, self.width() - 106, self.height() - below - 62)
            painter.setPen(QUIET)
            painter.drawText(QRectF(0, below + 2, 46, 18), Qt.AlignmentFlag.AlignRight, trend.unit)
            _Plot(painter, trend, box).paint()
        painter.end()


def _title(painter: QPainter, words: str, width: int) -> float:
    """Write the title on as many lines as it takes; gives their lower edge."""
    painter.save()
    bold = painter.font()
    bold.setBold(True)
    painter.setFont(bold)
    flags = Qt.AlignmentFlag.AlignLeft | Qt.TextFlag.TextWordWrap
    box = painter.boundingRect(QRectF(6, 2, width - 12, 60), flags, words)
    painter.drawText(box, flags, words)
    painter.restore()
    return float(box.bottom())


class _Plot:
    """Axes of one painting: from dates and values to the screen."""

    def __init__(self, painter: QPainter, trend: Trend, box: QRectF) -> None:
        self.painter, self.trend, self.box = painter, trend, box
        first = trend.points[0].date
        self.days = [(point.date - first).days for point in trend.points]
        ends = [p.value + sign * p.half for p in trend.points for sign in (-1, 1)] + [
            limit for limit, _ in trend.limits
        ]
        low, high = min(ends), max(ends)
        margin = 0.08 * (high - low or 1.0)
        self.low, self.high = low - margin, high + margin

    def x(self, days: float) -> float:
        span = max(self.days[-1], 1)
        return float(self.box.left() + 14 + (self.box.width() - 28) * days / span)

    def y(self, value: float) -> float:
        return float(self.box.bottom() - self.box.height() * (value - self.low) / (self.high - self.low))

    def paint(self) -> None:
        self._axis()
        for limit, words in self.trend.limits:
            self._limit(limit, words)
        spots = [
            QPointF(self.x(d), self.y(p.value)) for d, p in zip(self.days, self.trend.points, strict=True)
        ]
        self.painter.setPen(QPen(LINE, 1.4))
        self.painter.drawPolyline(QPolygonF(spots))
        for spot, point in zip(spots, self.trend.points, strict=True):
            self._point(spot, point)
        self._dates(spots)

    def _axis(self) -> None:
        self.painter.setPen(QPen(QUIET, 1))
        self.painter.drawLine(self.box.bottomLeft(), self.box.topLeft())
        self.painter.drawLine(self.box.bottomLeft(), self.box.bottomRight())
        step = _round_step((self.high - self.low) / 4)
        tick = step * -(-self.low // step)
        while tick <= self.high:
            y = self.y(tick)
            self.painter.drawLine(QPointF(self.box.left() - 4, y), QPointF(self.box.left(), y))
            self.painter.drawText(
                QRectF(0, y - 9, self.box.left() - 8, 18),
                Qt.AlignmentFlag.AlignRight,
                f"{round(tick, 6) + 0.0:g}",
            )
            tick += step

    def _limit(self, limit: float, words: str) -> None:
        y = self.y(limit)
        self.painter.setPen(QPen(LIMIT, 1, Qt.PenStyle.DashLine))
        self.painter.drawLine(QPointF(self.box.left(), y), QPointF(self.box.right(), y))
        self.painter.drawText(
            QPointF(self.box.right() + 4, y + 4), words.replace(" limit of change", "").replace(" limit", "")
        )

    def _point(self, spot: QPointF, point: TrendPoint) -> None:
        painter = self.painter
        painter.setPen(QPen(LINE, 1.6))
        for end in (point.value - point.half, point.value + point.half):
            y = self.y(end)
            painter.drawLine(QPointF(spot.x(), spot.y()), QPointF(spot.x(), y))
            painter.drawLine(QPointF(spot.x() - 4, y), QPointF(spot.x() + 4, y))
        painter.setBrush(QBrush(LINE if point.confirmed else QColor("#1d242b")))
        if point.confirmed:
            painter.drawEllipse(spot, 5, 5)
        else:
            painter.drawPolygon(QPolygonF([spot + QPointF(*d) for d in ((0, -6), (6, 0), (0, 6), (-6, 0))]))
        if point.current:
            painter.setBrush(Qt.BrushStyle.NoBrush)
            painter.setPen(QPen(INK, 1.4))
            painter.drawEllipse(spot, 9, 9)

    def _dates(self, spots: Sequence[QPointF]) -> None:
        self.painter.setPen(QUIET)
        last = -1e9
        for spot, point in zip(spots, self.trend.points, strict=True):
            if spot.x() - last < 74:
                continue  # no room: the date is left out, the point stays
            last = spot.x()
            self.painter.drawText(
                QRectF(spot.x() - 40, self.box.bottom() + 6, 80, 18),
                Qt.AlignmentFlag.AlignHCenter,
                f"{point.date:%d %b %y}",
            )


def _round_step(raw: float) -> float:
    power = 10.0 ** len(str(int(raw))) / 10 if raw >= 1 else 0.1
    return next((step * power for step in (1, 2, 5, 10) if step * power >= raw), 10 * power)
