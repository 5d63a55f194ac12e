"""The sheet of what the eye sees, as a panel: one key per grade. Shows and signals only."""

from __future__ import annotations

from typing import Any

from qtpy.QtCore import Qt, Signal
from qtpy.QtGui import QBrush, QColor
from qtpy.QtWidgets import QLabel, QLineEdit, QListWidget, QPushButton, QVBoxLayout, QWidget

from measure.reading import MOST_TEXT
from viewer.grading import BACK, CLEAR, DOWN, UP, WHY, Sheet

KEYS = {
    Qt.Key.Key_Down: DOWN, Qt.Key.Key_Up: UP, Qt.Key.Key_Delete: CLEAR, Qt.Key.Key_Backspace: CLEAR,
    Qt.Key.Key_X: WHY,
}  # fmt: skip
MOST_CHOICES = 4  # grades of any kind, or reasons
GRADED, OPEN, CLASHING = QColor("#eef2f5"), QColor("#9fb0bd"), QColor("#ff8a5c")


class ObservationSheet(QWidget):
    """The observation in hand with its keys, the list of all, a remark, and what comes of it.

    Signals
    -------
    pressed
        What a key or a button does, in the words of `viewer.grading`.
    picked
        Place of an observation that was clicked.
    remarked
        The remark, when it is left.
    """

    pressed = Signal(str)
    picked = Signal(int)
    remarked = Signal(str)

    def __init__(self) -> None:
        super().__init__()
        self.setFocusPolicy(Qt.FocusPolicy.StrongFocus)
        self.title, self.healing, self.progress = _label("title"), _label(""), _label("quiet")
        self.choices = [_button(self, str(digit)) for digit in range(1, MOST_CHOICES + 1)]
        self.why = _button(self, WHY)
        self.list = QListWidget()
        self.list.setFocusPolicy(Qt.FocusPolicy.NoFocus)
        self.list.itemClicked.connect(lambda item: self.picked.emit(self.list.row(item)))
        self.remark = QLineEdit()
        self.remark.setMaxLength(MOST_TEXT)
        self.remark.setPlaceholderText("Remark: left out of what leaves the house, unless asked for")
        self.remark.editingFinished.connect(lambda: self.remarked.emit(self.remark.text()))
        layout = QVBoxLayout(self)
        layout.setContentsMargins(0, 4, 0, 0)
        layout.setSpacing(6)
        for part in (
            self.title, *self.choices, self.why, self.list, self.remark, self.healing, self.progress,
        ):  # fmt: skip
            layout.addWidget(part)
        layout.setStretchFactor(self.list, 1)

    def controls(self) -> list[QWidget]:
        """List what the Tab key goes through."""
        return [self, self.remark]

    def show_sheet(self, sheet: Sheet) -> None:
        """Show where a sheet stands."""
        self.title.setText(sheet.question())
        words = sheet.choices()
        for digit, button in enumerate(self.choices, start=1):
            button.setVisible(digit <= len(words))
            button.setText(f"{digit}  {words[digit - 1]}" if digit <= len(words) else "")
        self.why.setText("Esc  Back to the grades" if sheet.asking else "X  Not assessable…")
        self._show_list(sheet)
        if not self.remark.hasFocus():
            self.remark.setText(sheet.session.draft.remark)
        self.healing.setText(sheet.healing())
        self.progress.setText(sheet.progress())

    def _show_list(self, sheet: Sheet) -> None:
        lines = sheet.lines()
        while self.list.count() > len(lines):
            self.list.takeItem(self.list.count() - 1)
        while self.list.count() < len(lines):
            self.list.addItem("")
        for number, line in enumerate(lines):
            item = self.list.item(number)
            item.setText(line.text)
            item.setForeground(QBrush(CLASHING if line.clash else GRADED if line.answer else OPEN))
            if line.name == sheet.row.name:
                self.list.setCurrentItem(item)

    def keyPressEvent(self, event: Any) -> None:  # noqa: N802 Qt's name
        """Pass on the keys that the sheet knows; every other goes where it would."""
        plain = event.modifiers() in (Qt.KeyboardModifier.NoModifier, Qt.KeyboardModifier.KeypadModifier)
        key = event.text() if event.text() in tuple("123456789") else KEYS.get(Qt.Key(event.key()))
        if key and plain:
            self.pressed.emit(key)
        else:
            super().keyPressEvent(event)


def _label(name: str) -> QLabel:
    label = QLabel()
    label.setObjectName(name)
    label.setWordWrap(True)
    return label


def _button(sheet: ObservationSheet, key: str) -> QPushButton:
    button = QPushButton()
    button.setFocusPolicy(Qt.FocusPolicy.NoFocus)
    button.setStyleSheet("text-align: left; padding-left: 8px")
    button.clicked.connect(
        lambda: sheet.pressed.emit(BACK if key == WHY and sheet.why.text().startswith("Esc") else key)
    )
    return button
