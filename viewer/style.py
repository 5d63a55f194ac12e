"""Qt style of the reading room: quiet, dark, and legible, whatever theme napari has."""

from __future__ import annotations

from qtpy.QtCore import Qt
from qtpy.QtWidgets import QWidget

# Ground and controls are our own too: pale words on the ground of a light theme could not be read, nor could
# its dark icons on ours. napari gives the icons of each of its themes a search path of their own.
GROUND = """
QWidget { background-color: #22242b; color: #e8edf1; }
QLabel, QGroupBox, QRadioButton, QCheckBox, QSlider { background-color: transparent; }
QComboBox, QComboBox QAbstractItemView, QLineEdit, QPlainTextEdit, QAbstractSpinBox { background: #38424c; }
QComboBox:disabled { background: #2b3038; color: #a9b6c0; }
QTabWidget::pane { border: 1px solid #313b44; }
QTabBar::tab { background: #38424c; padding: 3px 6px; margin-right: 1px; }
QTabBar::tab:selected { background: #3e5fd0; }
QListWidget::item:selected, QTableWidget::item:selected { color: #e8edf1; }
QProgressBar { background: #171d22; }
QComboBox::down-arrow { image: url("theme_dark:/drop_down.svg"); }
QAbstractSpinBox::up-arrow { image: url("theme_dark:/plus.svg"); }
QAbstractSpinBox::down-arrow { image: url("theme_dark:/minus.svg"); }
QAbstractSpinBox::up-button:hover, QAbstractSpinBox::down-button:hover { background: #4a5661; }
QMenu { background: #2a333b; color: #e8edf1; border: 1px solid #4a5661; }
QMenu::item:selected { background: #3e5fd0; }
QScrollBar:vertical { background: #171d22; }
QScrollBar::handle:vertical { background: #5a6874; }
QScrollBar::add-line:vertical, QScrollBar::sub-line:vertical { background: #38424c; }
QScrollBar::up-arrow:vertical { image: url("theme_dark:/up_arrow.svg"); }
QScrollBar::down-arrow:vertical { image: url("theme_dark:/down_arrow.svg"); }
"""

SHEET = """
QLabel, QListWidget, QTableWidget, QComboBox, QLineEdit, QDoubleSpinBox, QPushButton, QTabBar, QGroupBox {
    font-size: 13px; color: #e8edf1;
}
QLabel#title { font-size: 15px; font-weight: 600; }
QLabel#patient { font-size: 15px; font-weight: 600; }
QLabel#sentence { font-size: 14px; font-weight: 600; padding: 2px 0; }
QLabel#verdict { font-size: 13px; color: #d5dde3; padding-bottom: 2px; }
QLabel#verdict:disabled { color: #75838e; }
QLabel#quiet { color: #a9b6c0; font-size: 12px; }
QLabel#message { color: #ffd166; font-size: 13px; }
QListWidget, QTableWidget { background: #171d22; border: 1px solid #313b44; }
QTableWidget { alternate-background-color: #1c232a; }
QListWidget::item { padding: 3px 4px; }
QListWidget::item:selected { background: #2c4a60; }
QTableWidget::item { padding: 0 4px; }
QTableWidget::item:selected { background: #2c4a60; }
QTableWidget::item:hover { background: #263845; }
QHeaderView::section { background: #222a31; color: #c9d3da; padding: 4px 8px; border: none; font-size: 12px; }
QPushButton { padding: 6px 10px; background: #2a333b; border: 1px solid #3d4953; border-radius: 4px; }
QPushButton:hover { background: #34404a; }
QPushButton:disabled { color: #6f7c86; background: #20272d; }
QPushButton:focus { border: 1px solid #62c8ff; }
QPushButton#finish { background: #1f5673; font-weight: 600; }
QPushButton#finish:disabled { background: #20272d; }
QGroupBox { border: 1px solid #313b44; border-radius: 4px; margin-top: 10px; padding-top: 8px; }
QGroupBox::title { subcontrol-origin: margin; left: 8px; background: transparent; }
"""


def dress(widget: QWidget) -> None:
    """Give a panel and all that is in it the room's ground and words."""
    widget.setAttribute(Qt.WidgetAttribute.WA_StyledBackground)
    widget.setStyleSheet(GROUND + SHEET)
