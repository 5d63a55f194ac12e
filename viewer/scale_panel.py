"""Scale sources and how far they agree; grey levels and what the case is. Shows and signals only."""

from __future__ import annotations

from qtpy.QtCore import Qt, Signal
from qtpy.QtWidgets import (
    QComboBox,
    QDoubleSpinBox,
    QFormLayout,
    QGroupBox,
    QHBoxLayout,
    QLabel,
    QLineEdit,
    QPushButton,
    QVBoxLayout,
    QWidget,
)
from superqt import QLabeledDoubleRangeSlider

from measure.scale import FOUND, METHODS, scales_for, why_no_scale
from viewer.cases import SIDES
from viewer.hand_over import HAND_OVERS
from viewer.session import Session

UNSTATED = "not stated"
SUREST = "the surest there is"
USUAL_SIZES = {"marker": 25.0, "pin width": 1.6, "wire width": 1.0, "typed distance": 50.0}
WHAT_TO_CLICK = {
    "marker": "Click the two opposite edges of the marker, across its least width.",
    "pin width": "Click the two edges of a pin's straight part, straight across.",
    "wire width": "Click the two edges of one wire alone, straight across.",
    "typed distance": "Click the two ends of the known distance.",
}


def scale_words(session: Session) -> tuple[str, list[str]]:
    """Say what there is of the current film's scale: the one used, then the sources and warnings."""
    measured = session.measured(session.current)
    film, reading = session.film, measured.reading
    lines = []
    for scale in scales_for(film, reading.film_id, reading.scale_inputs):
        used = "▶ used" if measured.scale and scale.source_id == measured.scale.source_id else "•"
        lines.append(f"{used}  {scale.text()}")
    lines += [f"{'✓' if agreement.agrees else '▲'}  {agreement.text()}" for agreement in measured.agreements]
    if measured.scale is None:
        return "No millimetres on this film", [f"▲  {why_no_scale(film.spacing)}"]
    return measured.scale.text(), lines


class ScalePanel(QWidget):
    """Sources of scale and the way to add one.

    Signals
    -------
    wanted
        (kind, millimetres): two clicks are to give this scale.
    sought
        (kind, millimetres): the program is to find it on the film.
    used
        Kind to measure by, or None for the surest.
    removed
        Kind of the clicked scale to take away.
    """

    wanted = Signal(str, float)
    sought = Signal(str, float)
    used = Signal(object)
    removed = Signal(str)

    def __init__(self) -> None:
        super().__init__()
        self.now = QLabel()
        self.now.setObjectName("title")
        self.now.setWordWrap(True)
        self.sources = QLabel()
        self.sources.setWordWrap(True)
        self.use = QComboBox()
        self.use.activated.connect(self._chosen)
        self.kind = QComboBox()
        self.kind.addItems([kind for kind in METHODS if kind not in FOUND.values()])
        self.true_size = QDoubleSpinBox()
        self.true_size.setRange(0.1, 500.0)
        self.true_size.setDecimals(2)
        self.true_size.setSuffix(" mm")
        self.kind.currentTextChanged.connect(lambda kind: self.true_size.setValue(USUAL_SIZES[kind]))
        self.true_size.setValue(USUAL_SIZES[self.kind.currentText()])
        self.add = QPushButton("Click two points…")
        self.add.clicked.connect(lambda: self.wanted.emit(self.kind.currentText(), self.true_size.value()))
        self.find = QPushButton("Find it")
        self.find.setToolTip("Let the program find and measure it; its true size is yours to state.")
        self.find.clicked.connect(lambda: self.sought.emit(self.kind.currentText(), self.true_size.value()))
        self.kind.currentTextChanged.connect(lambda kind: self.find.setEnabled(kind in FOUND))
        self.remove = QPushButton("Remove")
        self.remove.clicked.connect(lambda: self.removed.emit(self.kind.currentText()))
        self.hint = QLabel()
        self.hint.setWordWrap(True)
        self.hint.setObjectName("quiet")
        self._lay_out()

    def _lay_out(self) -> None:
        form = QFormLayout()
        form.addRow("Measure by", self.use)
        buttons = QHBoxLayout()
        buttons.addWidget(self.add)
        buttons.addWidget(self.find)
        buttons.addWidget(self.remove)
        box = QGroupBox("Add a scale")
        add = QFormLayout(box)
        add.addRow("What", self.kind)
        add.addRow("True size", self.true_size)
        add.addRow(buttons)
        add.addRow(self.hint)
        layout = QVBoxLayout(self)
        for item in (self.now, self.sources):
            layout.addWidget(item)
        layout.addLayout(form)
        layout.addWidget(box)
        layout.addStretch(1)

    def controls(self) -> list[QWidget]:
        """Give what the keyboard reaches, in order."""
        return [self.use, self.kind, self.true_size, self.add, self.find, self.remove]

    def _chosen(self) -> None:
        text = self.use.currentText()
        self.used.emit(None if text == SUREST else text)

    def show_session(self, session: Session) -> None:
        """Show the current film's sources."""
        now, lines = scale_words(session)
        self.now.setText(now)
        self.sources.setText("\n\n".join(lines))
        measured = session.measured(session.current)
        kinds = [
            scale.kind
            for scale in scales_for(session.film, measured.reading.film_id, session.draft.scale_inputs)
        ]
        entries = [SUREST, *kinds]
        if entries != [self.use.itemText(n) for n in range(self.use.count())]:
            self.use.clear()
            self.use.addItems(entries)
        self.use.setCurrentText(session.draft.scale_use or SUREST)
        kind = self.kind.currentText()
        self.remove.setEnabled(
            any(given.kind in (kind, FOUND.get(kind)) for given in session.draft.scale_inputs)
        )


class FilmPanel(QWidget):
    """What the film and the case are, and how the film is shown.

    Signals
    -------
    windowed
        (low, high) limits of grey.
    inverted, fitted
        Buttons.
    arranged
        Name of the arrangement.
    reader_said, axis_said, surgery_said
        Words typed or chosen.
    described
        (view, side) that the film is said to show; an empty side takes it back.
    handed_over
        Name of one of HAND_OVERS.
    """

    handed_over = Signal(str)
    windowed = Signal(tuple)
    inverted = Signal()
    fitted = Signal()
    arranged = Signal(str)
    reader_said = Signal(str)
    axis_said = Signal(str)
    surgery_said = Signal(str)
    described = Signal(str, str)

    def __init__(self, arrangements: tuple[str, ...]) -> None:
        super().__init__()
        self.window_slider = QLabeledDoubleRangeSlider(Qt.Orientation.Horizontal)
        self.window_slider.setRange(0.0, 1.0)
        self.window_slider.setDecimals(2)
        self.window_slider.valueChanged.connect(self.windowed.emit)
        self.buttons = invert, fit = QPushButton("Invert  I"), QPushButton("Whole film  F")
        invert.clicked.connect(lambda: self.inverted.emit())
        fit.clicked.connect(lambda: self.fitted.emit())
        self.arrangement = QComboBox()
        self.arrangement.addItems(arrangements)
        self.arrangement.textActivated.connect(self.arranged.emit)
        self.reader, self.surgery = QLineEdit(), QLineEdit()
        self.surgery.setPlaceholderText("not stated (year-month-day)")
        self.reader.editingFinished.connect(lambda: self.reader_said.emit(self.reader.text()))
        self.surgery.editingFinished.connect(lambda: self.surgery_said.emit(self.surgery.text()))
        self.axis, self.view, self.side = QComboBox(), QComboBox(), QComboBox()
        self.axis.textActivated.connect(self.axis_said.emit)
        self.side.addItems([UNSTATED, *SIDES])
        for choice in (self.view, self.side):
            choice.textActivated.connect(lambda _: self._described())
        self.notes = QLabel()
        self.notes.setWordWrap(True)
        self.notes.setObjectName("quiet")
        self.hand_overs = {name: QPushButton(name) for name in HAND_OVERS}
        for name, button in self.hand_overs.items():
            button.clicked.connect(lambda _=False, name=name: self.handed_over.emit(name))
        self._lay_out()

    def _lay_out(self) -> None:
        buttons, leaving = QHBoxLayout(), QHBoxLayout()
        for row, members in ((buttons, self.buttons), (leaving, self.hand_overs.values())):
            row.setSpacing(6)
            for button in members:
                row.addWidget(button)
        form = QFormLayout(self)
        form.setVerticalSpacing(10)
        form.addRow("Grey levels", self.window_slider)
        form.addRow(buttons)
        form.addRow("Films", self.arrangement)
        form.addRow("Reader", self.reader)
        form.addRow("Surgery on", self.surgery)
        form.addRow("Bone axis", self.axis)
        form.addRow("View", self.view)
        form.addRow("Side", self.side)
        form.addRow(leaving)
        form.addRow(self.notes)

    def _described(self) -> None:
        side = self.side.currentText()
        self.described.emit(str(self.view.currentData()), side if side in SIDES else "")

    def controls(self) -> list[QWidget]:
        """Give what the keyboard reaches, in order."""
        return [*self.buttons, self.arrangement, self.reader, self.surgery, self.axis, self.view, self.side,
                *self.hand_overs.values()]  # fmt: skip

    def let_hand_over(self, may: bool) -> None:
        """One at a time: both would write the same files."""
        for button in self.hand_overs.values():
            button.setEnabled(may)

    def show_session(self, session: Session, limits: tuple[float, float], arrangement: str) -> None:
        """Show the current film's settings without sending them back."""
        self.window_slider.blockSignals(True)
        self.window_slider.setValue(limits)
        self.window_slider.blockSignals(False)
        self.arrangement.setCurrentText(arrangement)
        draft = session.draft
        for field, text in ((self.reader, session.reader), (self.surgery, draft.surgery_date or "")):
            if not field.hasFocus():
                field.setText(text)
        if self.axis.count() == 0:
            self.axis.addItems(session.site.axes)
            for view in session.site.views.values():
                self.view.addItem(view.title, view.name)
        self.axis.setCurrentText(draft.axis)
        self.view.setCurrentIndex(self.view.findData(draft.view))
        self.view.setEnabled(session.film.view is None and not draft.landmarks)
        self.side.setCurrentText(draft.laterality or UNSTATED)
        self.side.setEnabled(session.film.laterality is None)
        self.notes.setText("\n".join(f"▲ {note}" for note in session.measured(session.current).notes))
