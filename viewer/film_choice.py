"""The row that chooses the film to be shown, with the questions that a film raises before it is."""

from __future__ import annotations

from collections.abc import Callable, Mapping

from qtpy.QtCore import Signal
from qtpy.QtWidgets import QComboBox, QHBoxLayout, QMessageBox, QPushButton, QWidget

from measure.errors import HoldfastError
from viewer.describe_panel import DescribeDialog, Descriptions
from viewer.rows import frame_words
from viewer.session import Session


class FilmChoice(QWidget):
    """The films of a session, as a list and by steps through the visits of the open case.

    Parameters
    ----------
    session
        Whose films.
    do
        Returns a slot that lets a function act on the session, and says why it could not.

    Signals
    -------
    said
        Words for the reader.
    described
        Views or sides of films were said, or refused: all that is shown may be otherwise.
    """

    said = Signal(str)
    described = Signal()

    def __init__(self, session: Session, do: Callable[..., Callable[..., None]]) -> None:
        super().__init__()
        self.session, self._do = session, do
        self.question: QMessageBox | DescribeDialog | None = None  # the one that is open, or was last
        self.films = QComboBox()
        self.films.setToolTip(
            "Films of the folder; one of another patient, side or view is a case of its own"
        )
        self.earlier, self.later = QPushButton("◀ Earlier"), QPushButton("Later ▶")
        row = QHBoxLayout(self)
        row.setContentsMargins(0, 0, 0, 0)
        row.addWidget(self.earlier)
        row.addWidget(self.films, 1)
        row.addWidget(self.later)
        self.earlier.clicked.connect(lambda: self.visit(-1))
        self.later.clicked.connect(lambda: self.visit(1))
        self.films.activated.connect(self.choose)
        self._fill()

    def _fill(self) -> None:
        self.films.clear()
        for number, film in enumerate(self.session.films):
            draft = self.session.draft_of(number)
            date = film.date.isoformat() if film.date else "no date"
            said = draft.view or "view ?", draft.laterality or "side ?", film.patient_key or "patient ?"
            self.films.addItem(f"{date} · {frame_words(film)}{' · '.join(said)}")

    def refresh(self) -> None:
        """Show which film is the current one, and whether there is an earlier or a later visit."""
        visits, place = self._visits()
        self.films.setCurrentIndex(self.session.current)
        self.earlier.setEnabled(place > 0)
        self.later.setEnabled(place + 1 < len(visits))

    def _visits(self) -> tuple[tuple[int, ...], int]:
        """Visits of the open case, and which of them is shown."""
        visits, current = self.session.visits, self.session.current
        return visits, visits.index(current) if current in visits else 0

    def visit(self, by: int) -> None:
        """Show the next (+1) or the previous (-1) visit, if there is one."""
        visits, place = self._visits()
        if 0 <= place + by < len(visits):
            self._do(lambda s: s.show(visits[place + by]))()

    def choose(self, number: int) -> None:
        """Show a film of the list, or ask what is to be done about it."""
        session = self.session
        if number == session.current:
            return
        try:
            session.show(number)
        except HoldfastError as error:
            self.films.setCurrentIndex(session.current)
            self.said.emit(str(error))
            draft = session.draft_of(number)
            if not (draft.view and draft.laterality):
                self._ask_what_it_shows(number)
            elif session.readable(number) is None:
                self._offer_own_case(number, str(error))

    def _ask_what_it_shows(self, number: int) -> None:
        """Let the reader say the view and side of a film that does not, then show it."""
        film = self.session.films[number]
        dialog = DescribeDialog(film, self.session.site, self.session.draft_of(number), parent=self)

        def said(descriptions: Descriptions) -> None:
            dialog.accept()
            if self.describe({number: descriptions[film.digest]}):
                self.choose(number)

        dialog.films.described.connect(said)
        self.question = dialog
        dialog.open()

    def describe(self, said: Mapping[int, tuple[str, str | None]]) -> bool:
        """Say views and sides of films, by number; whether they were taken."""
        refused = ""
        try:
            for number, (view, side) in said.items():
                self.session.describe(number, view=view or None, laterality=side or "")
        except HoldfastError as error:
            refused = str(error)
        self._fill()
        self.described.emit()
        self.said.emit(refused)
        return not refused

    def _offer_own_case(self, number: int, reason: str) -> None:
        """Say why a film is not shown beside the index film, and offer its own case."""
        box = QMessageBox(QMessageBox.Icon.Warning, "Not compared", reason, parent=self)
        own = box.addButton("Open as its own case", QMessageBox.ButtonRole.AcceptRole)
        box.addButton("Stay here", QMessageBox.ButtonRole.RejectRole)
        open_it = self._do(lambda s: s.open_case(number))
        box.finished.connect(lambda _: open_it() if box.clickedButton() is own else None)
        self.question = box
        box.open()
