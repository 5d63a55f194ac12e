"""The guided list: what to click next, where it lies, how it was answered. Shows and signals only."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

from qtpy.QtCore import QPointF, QRectF, Qt, Signal
from qtpy.QtGui import QBrush, QColor, QPainter, QPen, QPolygonF
from qtpy.QtWidgets import (
    QHBoxLayout,
    QLabel,
    QListWidget,
    QListWidgetItem,
    QMenu,
    QPushButton,
    QVBoxLayout,
    QWidget,
)

from measure.reading import PROPOSED, Landmark
from measure.sites import LandmarkRow
from viewer.drawings import BONE_EDGE, Drawing
from viewer.layers import Look, look_of
from viewer.session import Session

REASONS = (
    "metal hides it",
    "off the film",
    "blurred or over-exposed",
    "plaster or another bone lies over it",
    "cannot be told from what lies beside it",
)


@dataclass(frozen=True)
class ListLine:
    """One line of the list, in words."""

    name: str
    text: str
    look: Look
    optional: bool


def list_lines(session: Session) -> list[ListLine]:
    """Return the list of a session's current film, in protocol order."""
    asked = set(session.checklist.asked)
    lines = []
    for number, row in enumerate(session.view.landmarks, start=1):
        landmark = session.draft.landmarks.get(row.name)
        look = look_of(landmark, row.points[0])
        text = f"{look.sign}  {number}  {row.title}{_remark(row, landmark, look)}"
        lines.append(ListLine(row.name, text, look, row.name not in asked))
    return lines


def _remark(row: LandmarkRow, landmark: Landmark | None, look: Look) -> str:
    if landmark is None:
        return "  (if needed)" if row.optional else ""
    if landmark.reason:
        return f"  –  not assessable: {landmark.reason}"
    count = len(landmark.points)
    if landmark.located and count < row.points[0]:
        return f"  –  {count} of {row.points[0]} points"
    if landmark.status == PROPOSED:
        return "  –  proposed"
    return "  –  absent" if landmark.status == "absent" else ""


def prompt(session: Session, hint: str = "") -> tuple[str, str]:
    """Title and words of what to do next."""
    if session.active is None:
        return (
            "Every landmark is answered",
            "Grade what the eye sees (G), check the values below, then finish: Ctrl+Enter.",
        )
    row = session.view.landmark[session.active]
    landmark = session.draft.landmarks.get(row.name)
    low, high = row.points
    words = row.prompt + "."
    if landmark is not None and landmark.status == PROPOSED:
        state = "Proposed, not yet confirmed. Enter confirms it; a click, a drag or the arrow keys move it."
        words = f"{state}  {words}"
    elif high > 1:
        placed = len(landmark.points) if landmark else 0
        need = f"{low} points" if low == high else f"{low} to {high} points"
        words = f"{words}  {placed} of {need} placed."
    if session.checklist.may_be_absent(row.name):
        words += "  A: looked for, and it is whole."
    return row.title, f"{words} {hint}".strip()


class GuidePanel(QWidget):
    """Schematic, prompt, list and answers.

    Signals
    -------
    chosen
        Name of a landmark picked in the list.
    confirmed, declared_absent, cleared, undone, redone, finished
        Buttons.
    skipped
        Reason why the landmark in hand is not assessable.
    """

    chosen = Signal(str)
    confirmed = Signal()
    declared_absent = Signal()
    cleared = Signal()
    undone = Signal()
    redone = Signal()
    finished = Signal()
    skipped = Signal(str)

    def __init__(self) -> None:
        super().__init__()
        self.schematic = Schematic()
        self.title = QLabel()
        self.title.setObjectName("title")
        self.title.setWordWrap(True)
        self.words = QLabel()
        self.words.setWordWrap(True)
        self.words.setAlignment(Qt.AlignmentFlag.AlignTop)
        self.words.setMinimumHeight(76)
        self.list = QListWidget()
        self.list.setFocusPolicy(Qt.FocusPolicy.NoFocus)
        self.list.setHorizontalScrollBarPolicy(Qt.ScrollBarPolicy.ScrollBarAlwaysOff)
        self.list.setTextElideMode(Qt.TextElideMode.ElideRight)
        self.list.itemClicked.connect(lambda item: self.chosen.emit(item.data(Qt.ItemDataRole.UserRole)))
        self.progress = QLabel()
        self.progress.setObjectName("quiet")
        layout = QVBoxLayout(self)
        layout.setContentsMargins(0, 4, 0, 0)
        layout.setSpacing(6)
        for widget in (self.schematic, self.title, self.words, self.list, self.progress):
            layout.addWidget(widget)
        layout.setStretchFactor(self.list, 1)
        layout.addLayout(self._buttons())

    def _buttons(self) -> QVBoxLayout:
        self.confirm = _button("Confirm  ↵", "Confirm the proposed landmark in hand (Enter)", self.confirmed)
        self.skip = QPushButton("Not assessable…  X")
        self.skip.setToolTip("Say why the landmark in hand cannot be assessed (X)")
        self.reasons = QMenu(self.skip)
        for number, reason in enumerate(REASONS, start=1):
            action = self.reasons.addAction(f"&{number}  {reason}")
            action.triggered.connect(lambda _=False, reason=reason: self.skipped.emit(reason))
        self.skip.setMenu(self.reasons)
        self.absent = _button("Absent  A", "It was looked for and is not there (A)", self.declared_absent)
        self.clear = _button("Clear  Del", "Take the landmark in hand off the film (Delete)", self.cleared)
        self.undo = _button("Undo", "Ctrl+Z", self.undone)
        self.redo = _button("Redo", "Ctrl+Shift+Z", self.redone)
        self.finish = _button(
            "Finish and save reading  Ctrl+↵", "Save this film's reading as a new file", self.finished
        )
        self.finish.setObjectName("finish")
        box = QVBoxLayout()
        box.setSpacing(6)
        for buttons in (
            (self.confirm, self.skip),
            (self.absent, self.clear, self.undo, self.redo),
            (self.finish,),
        ):
            row = QHBoxLayout()
            row.setSpacing(6)
            for button in buttons:
                row.addWidget(button)
            box.addLayout(row)
        return box

    def open_reasons(self) -> None:
        """Open the reasons for 'not assessable', as a key does."""
        self.skip.showMenu()

    def show_session(self, session: Session, drawing: Drawing | None, hint: str = "") -> None:
        """Show where a session stands."""
        title, words = prompt(session, hint)
        self.title.setText(title)
        self.words.setText(words)
        self.schematic.show_place(drawing, session.active)
        self._show_list(list_lines(session), session.active)
        asked = session.checklist.asked
        left = len(session.checklist.remaining)
        self.progress.setText(f"{len(asked) - left} of {len(asked)} answered")
        landmark = session.draft.landmarks.get(session.active or "")
        self.confirm.setEnabled(landmark is not None and landmark.status == PROPOSED)
        self.absent.setEnabled(session.active is not None and session.checklist.may_be_absent(session.active))
        self.skip.setEnabled(session.active is not None)
        self.clear.setEnabled(landmark is not None)
        self.undo.setEnabled(session.can_undo)
        self.redo.setEnabled(session.can_redo)
        done = session.is_finished(session.current)
        self.finish.setEnabled(bool(session.draft.landmarks) and not done)
        self.finish.setText("Reading saved" if done else "Finish and save reading  Ctrl+↵")

    def _show_list(self, lines: Sequence[ListLine], active: str | None) -> None:
        while self.list.count() > len(lines):
            self.list.takeItem(self.list.count() - 1)
        while self.list.count() < len(lines):
            self.list.addItem(QListWidgetItem())
        for number, line in enumerate(lines):
            item = self.list.item(number)
            if item.text() != line.text or item.data(Qt.ItemDataRole.UserRole) != line.name:
                item.setText(line.text)
                item.setToolTip(line.text)
                item.setData(Qt.ItemDataRole.UserRole, line.name)
                item.setForeground(
                    QBrush(QColor(line.look.colour if line.look.words != "to do" else "#d5dde3"))
                )
            item.setSelected(line.name == active)
            if line.name == active:
                self.list.scrollToItem(item)


def _button(text: str, tip: str, signal: Any) -> QPushButton:
    button = QPushButton(text)
    button.setToolTip(tip)
    button.setFocusPolicy(Qt.FocusPolicy.TabFocus)
    button.clicked.connect(lambda: signal.emit())
    return button


class Schematic(QWidget):
    """Drawing of the bone and the metal with the place of the landmark in hand."""

    def __init__(self) -> None:
        super().__init__()
        self._drawing: Drawing | None = None
        self._name: str | None = None
        self.setFixedHeight(122)

    def show_place(self, drawing: Drawing | None, name: str | None) -> None:
        """Show a drawing with one landmark marked."""
        if (drawing, name) != (self._drawing, self._name):
            self._drawing, self._name = drawing, name
            self.setVisible(drawing is not None)
            self.update()

    def paintEvent(self, event: Any) -> None:  # noqa: N802 Qt's name
        """Paint."""
        if self._drawing is None:
            return
        painter = QPainter(self)
        painter.setRenderHint(QPainter.RenderHint.Antialiasing)
        painter.setPen(Qt.PenStyle.NoPen)
        painter.setBrush(QColor("#10151a"))
        painter.drawRoundedRect(QRectF(self.rect()), 6, 6)
        width, height = self._drawing.size
        scale = min((self.width() - 24) / width, (self.height() - 20) / height)
        left, top = (self.width() - scale * width) / 2, (self.height() - scale * height) / 2

        def place(x: float, y: float) -> QPointF:
            return QPointF(left + scale * x, top + scale * y)

        painter.setPen(QColor(BONE_EDGE))
        painter.drawText(QPointF(10, 17), f"↑ {self._drawing.up}   → distal")
        for shape in self._drawing.shapes:
            painter.setPen(QPen(QColor(shape.colour), shape.width))
            painter.setBrush(QBrush(QColor(shape.fill)) if shape.fill else Qt.BrushStyle.NoBrush)
            polygon = QPolygonF([place(*point) for point in shape.points])
            painter.drawPolygon(polygon) if shape.fill else painter.drawPolyline(polygon)
        for number, point in enumerate(self._drawing.places.get(self._name or "", ()), start=1):
            _target(
                painter, place(*point), number if len(self._drawing.places[self._name or ""]) > 1 else None
            )
        painter.end()


def _target(painter: QPainter, spot: QPointF, number: int | None) -> None:
    painter.setBrush(Qt.BrushStyle.NoBrush)
    for colour, width in (("#10151a", 5), ("#ff7ac8", 2.2)):
        painter.setPen(QPen(QColor(colour), width))
        painter.drawEllipse(spot, 7, 7)
    painter.setBrush(QColor("#ff7ac8"))
    painter.setPen(Qt.PenStyle.NoPen)
    painter.drawEllipse(spot, 2, 2)
    if number is not None:
        painter.setPen(QColor("#ffd3ec"))
        painter.drawText(spot + QPointF(9, -6), str(number))
