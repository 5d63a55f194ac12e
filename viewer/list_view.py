"""A reading list in the window: one film at a time, without values, and a page between sittings."""

from __future__ import annotations

from typing import Any

from qtpy.QtCore import Signal
from qtpy.QtWidgets import QHBoxLayout, QLabel, QProgressBar, QPushButton, QVBoxLayout, QWidget

from measure.errors import HoldfastError
from viewer.list_run import ListRun
from viewer.reading_view import ReadingView

BLIND = (
    "Each film bears a code number alone; values, dates and earlier readings are not shown. Place every "
    "landmark, or answer that it cannot be seen and why; G opens the sheet to grade what the eye sees. "
    "Ctrl+Enter finishes the film. What is placed is kept at once: a pause, or closing the window, loses "
    "nothing."
)


class ListView(ReadingView):
    """The film in hand of a reading list.

    Signals
    -------
    finished_film
        The reading is kept and the next film may be shown.
    paused
        The reader lays the film aside.
    """

    finished_film = Signal()
    paused = Signal()

    def __init__(self, viewer: Any, run: ListRun) -> None:
        self.run = run
        super().__init__(viewer, run.open())
        self.choice.hide()
        panel = self.film_panel
        for field in (panel.reader, panel.surgery, panel.axis, *panel.hand_overs.values()):
            field.setEnabled(False)
        self.progress, self.pause = QProgressBar(), QPushButton("Pause")
        self.progress.setRange(0, len(run.tasks))
        self.progress.setValue(run.done)
        self.pause.clicked.connect(lambda: self.paused.emit())
        row = QHBoxLayout()
        row.addWidget(self.progress, 1)
        row.addWidget(self.pause)
        self.layout().insertLayout(1, row)

    def attach(self) -> None:
        """Listen to session and mouse; the table of values stays out of sight."""
        super().attach()
        if self._dock is not None:
            self._dock.hide()

    def _label_film(self) -> None:
        self.patient.setText(self.run.words())
        self.legends.caption()

    def finish(self) -> None:
        """Keep the reading, or say what is still open."""
        try:
            self.run.finish()
        except HoldfastError as error:
            self.say(str(error))
            return
        self.finished_film.emit()


class ListPage(QWidget):
    """Before, between and after the films of a list.

    Signals
    -------
    wanted
        The reader begins, or goes on.
    """

    wanted = Signal()

    def __init__(self, run: ListRun) -> None:
        super().__init__()
        self.run = run
        title, words = QLabel(f"Reading list for {run.reader}"), QLabel(BLIND)
        self.place, self.message = QLabel(), QLabel()
        self.progress, self.begin = QProgressBar(), QPushButton("Begin")
        self.progress.setRange(0, len(run.tasks))
        self.begin.clicked.connect(lambda: self.wanted.emit())
        layout = QVBoxLayout(self)
        for label, name in (
            (title, "title"),
            (words, "quiet"),
            (self.place, "sentence"),
            (self.message, "message"),
        ):
            label.setObjectName(name)
            label.setWordWrap(True)
        for widget in (title, words, self.place, self.progress, self.begin, self.message):
            layout.addWidget(widget)
        layout.addStretch(1)
        self.refresh()

    def refresh(self) -> None:
        """Show how far the list is read, and whether it can go on now."""
        run = self.run
        self.place.setText(run.words())
        self.progress.setValue(run.done)
        wait = run.why_wait()
        self.message.setText(" ".join(filter(None, (wait, *run.troubles))))
        self.begin.setEnabled(run.task is not None and not wait)
        self.begin.setText("Go on" if run.done or run.session else "Begin")
