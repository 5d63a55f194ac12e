"""The reading room, the plugin's main widget: opens folders off the window's thread and shows a session."""

from __future__ import annotations

import shutil
import tempfile
from collections.abc import Generator
from pathlib import Path
from typing import Any

from qtpy.QtWidgets import (
    QComboBox,
    QFileDialog,
    QLabel,
    QProgressBar,
    QPushButton,
    QSizePolicy,
    QStackedWidget,
    QVBoxLayout,
    QWidget,
)

from measure.errors import HoldfastError
from measure.export import CAUTION
from measure.profiles import Profiles
from measure.samples import samples_folder
from measure.sites import load_site, site_names
from viewer.cases import UnstatedViewError
from viewer.describe_panel import DescribeFilms, Descriptions
from viewer.folder import Folder, load_folder
from viewer.jobs import Jobs
from viewer.list_run import ListRun
from viewer.list_view import ListPage, ListView
from viewer.reading_view import ReadingView
from viewer.session import SITE, Session
from viewer.style import dress

INTRODUCTION = (
    "A folder of DICOM films, or pictures. Working readings are kept in a folder .holdfast inside it; "
    "finished readings are saved beside the films and are never overwritten.\n\n" + CAUTION
)


class ReadingRoom(QWidget):
    """Choose a folder, then read its films in a `ReadingView`.

    Site, reader, view and profiles are as in `viewer.session.Session`; `plan` is the folder of a reading list
    that the reader reads. napari gives the viewer alone.
    """

    def __init__(
        self,
        napari_viewer: Any,
        *,
        site: str = SITE,
        reader: str | None = None,
        view: str | None = None,
        plan: Path | None = None,
        profiles: Profiles | None = None,
    ) -> None:
        super().__init__()
        self.viewer = napari_viewer
        self.reading: ReadingView | None = None
        self.plan = plan
        self.list_page: ListPage | None = None
        self._given: dict[str, Any] = {"reader": reader, "view": view, "profiles": profiles}
        self._jobs = Jobs(self)
        self._job: Any = None
        self._practice: tempfile.TemporaryDirectory[str] | None = None
        dress(self)
        self.setMinimumWidth(410)
        # Without this napari adds a stretch below, and the list of landmarks is left short.
        self.setSizePolicy(QSizePolicy.Policy.Preferred, QSizePolicy.Policy.Expanding)
        self.stack = QStackedWidget()
        self.stack.addWidget(self._welcome(site))
        layout = QVBoxLayout(self)
        layout.setContentsMargins(0, 0, 0, 0)
        layout.addWidget(self.stack)

    def _welcome(self, site: str) -> QWidget:
        page = QWidget()
        self.site = QComboBox()
        self.site.addItems(site_names())
        self.site.setCurrentText(site)
        title, words, self.message = QLabel("Open the films of a patient"), QLabel(INTRODUCTION), QLabel()
        folder, samples = QPushButton("Open a folder…"), QPushButton("Open the sample films")
        self.progress, self.cancel = QProgressBar(), QPushButton("Cancel")
        folder.clicked.connect(lambda: self._ask_folder())
        samples.clicked.connect(lambda: self.open_samples())
        self.cancel.clicked.connect(lambda: self.cancel_loading())
        layout = QVBoxLayout(page)
        for label, name in ((title, "title"), (words, "quiet"), (self.message, "message")):
            label.setObjectName(name)
            label.setWordWrap(True)
        for widget in (title, words, self.site, folder, samples, self.progress, self.cancel, self.message):
            layout.addWidget(widget)
        layout.addStretch(1)
        self._loading_shown(False)
        return page

    def _loading_shown(self, shown: bool) -> None:
        self.progress.setVisible(shown)
        self.cancel.setVisible(shown)

    # --- Opening ---

    def _ask_folder(self) -> None:
        chosen = QFileDialog.getExistingDirectory(self, "Folder of films")
        if chosen:
            self.open_folder(Path(chosen))

    def open_samples(self) -> None:
        """Open a copy of the sample films, to practise on; what is read there is thrown away."""
        try:
            source = samples_folder()
        except HoldfastError as error:
            self.message.setText(str(error))
            return
        self._practice = tempfile.TemporaryDirectory(prefix="holdfast-practice-")
        shutil.copytree(
            source, self._practice.name, dirs_exist_ok=True, ignore=shutil.ignore_patterns("*.json", "*.py")
        )
        self.open_folder(Path(self._practice.name))

    def open_folder(self, folder: Path) -> None:
        """Read a folder off the window's thread, with progress, and open it."""
        self.cancel_loading()
        self.stack.setCurrentIndex(0)
        self.message.setText("")
        self.progress.setRange(0, 0)
        self._loading_shown(True)
        self._job = self._jobs.start(_loading, folder, done=self._loaded, progress=self._loaded_some)

    def _loaded_some(self, progress: tuple[int, int]) -> None:
        done, total = progress
        self.progress.setRange(0, total)
        self.progress.setValue(done)

    def _loaded(self, result: Folder | str) -> None:
        self._job = None
        self._loading_shown(False)
        if isinstance(result, str):
            self.message.setText(result)
            return
        if self.plan is not None:
            self.open_list(self.plan, result)
            return
        self.open_films(result)

    def open_films(self, result: Folder, described: Descriptions | None = None) -> None:
        """Read a folder's films; where none says its view, the reader is asked first."""
        site = self.site.currentText()
        try:
            session = Session(
                result.films, site, folder=result.path, saved=result.saved, described=described, **self._given
            )
        except UnstatedViewError:
            self._ask_what_they_show(result, site)
            return
        except HoldfastError as error:
            self.message.setText(str(error))
            return
        view = self.open(session)
        if result.problems:
            view.say(f"{len(result.problems)} files could not be used: {' · '.join(result.problems)}")

    def _ask_what_they_show(self, result: Folder, site: str) -> None:
        asking = DescribeFilms([film for film in result.films if film.view is None], load_site(site))
        self.stack.addWidget(asking)
        self.stack.setCurrentWidget(asking)

        def described(said: Descriptions) -> None:
            self.stack.removeWidget(asking)
            asking.deleteLater()
            self.open_films(result, said)

        asking.described.connect(described)

    def cancel_loading(self) -> None:
        """Stop reading a folder; what is open stays open."""
        if self._job is not None:
            self._jobs.drop(self._job)
            self._job = None
            self.message.setText("Cancelled; nothing was opened.")
        self._loading_shown(False)
        if self.reading is not None:
            self.stack.setCurrentWidget(self.reading)

    def open(self, session: Session) -> ReadingView:
        """Read with a session; another one that is open is left, its drafts kept."""
        self.leave()
        return self._show(ReadingView(self.viewer, session))

    def _show(self, reading: ReadingView) -> ReadingView:
        self.reading = reading
        self.stack.addWidget(reading)
        self.stack.setCurrentWidget(reading)
        reading.start()
        return reading

    # --- A reading list ---

    def open_list(self, plan: Path, folder: Folder) -> None:
        """Read a list's films, which the folder holds; the list's page comes first."""
        try:
            self.list_page = ListPage(ListRun(plan, self._given["reader"] or "", folder.films))
        except HoldfastError as error:
            self.message.setText(str(error))
            return
        self.list_page.wanted.connect(self.next_film)
        self.stack.addWidget(self.list_page)
        self._show_list_page()

    def next_film(self) -> None:
        """Show the film of the reading list that is in hand, or the list's page where there is none now."""
        page = self.list_page
        if page is None:
            return
        self.leave()
        try:
            view = ListView(self.viewer, page.run)
        except HoldfastError:  # all is read, or the next round waits: the page says so
            self._show_list_page()
            return
        view.finished_film.connect(self.next_film)
        view.paused.connect(self.pause_list)
        self._show(view)

    def pause_list(self) -> None:
        """Lay the film of the reading list aside; nothing of it stays in sight."""
        if self.list_page is not None:
            self.list_page.run.pause()
            self.leave()
            self._show_list_page()

    def _show_list_page(self) -> None:
        if self.list_page is not None:
            self.list_page.refresh()
            self.stack.setCurrentWidget(self.list_page)

    def leave(self) -> None:
        """Let go of the session."""
        if self.reading is not None:
            self.stack.removeWidget(self.reading)
            self.reading.leave()
            self.reading = None
            self.stack.setCurrentIndex(0)

    # --- Coming and going ---

    def showEvent(self, event: Any) -> None:  # noqa: N802 Qt's name
        """Listen again when the dock comes back."""
        super().showEvent(event)
        if self.reading is not None:
            self.reading.attach()

    def hideEvent(self, event: Any) -> None:  # noqa: N802 Qt's name
        """Stop listening when the dock is closed; its cross does not send a close event."""
        super().hideEvent(event)
        if self.reading is not None:
            self.reading.detach()


def _loading(folder: Path) -> Generator[tuple[int, int], None, Folder | str]:
    """Load a folder as a worker: gives progress, returns the folder or what was wrong with it.

    A worker's error is returned in words: raised, it would be shown as a fault of the program.
    """
    result = Folder(folder)
    try:
        for done, total, result in load_folder(folder):  # noqa: B007 the last is what is returned
            yield done, total
    except HoldfastError as error:
        return str(error)
    return result
