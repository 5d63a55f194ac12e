"""Qt style of the reading room: quiet, dark, and legible."""

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
QTableWidget::item { padding: 0 8px; }
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
QGroupBox::title { subcontrol-origin: margin; left: 8px; }
"""
