"""The reading room's window: joins a session, the films on the canvas and the panels. It computes nothing."""

from __future__ import annotations

from collections.abc import Callable, Generator
from pathlib import Path
from typing import Any

from qtpy.QtCore import QEvent, QObject, Qt, QTimer
from qtpy.QtGui import QKeySequence, QShortcut
from qtpy.QtWidgets import (
    QComboBox,
    QFileDialog,
    QHBoxLayout,
    QLabel,
    QMainWindow,
    QMessageBox,
    QProgressBar,
    QPushButton,
    QSizePolicy,
    QStackedWidget,
    QTabWidget,
    QVBoxLayout,
    QWidget,
)

from measure.carry import carry_forward
from measure.errors import HoldfastError
from measure.export import CAUTION, days_since_surgery
from measure.film import Film
from measure.reading import Landmark, Reading
from measure.report import outcome_words
from viewer.canvas import ARRANGEMENTS, BLINKING, SIDE_BY_SIDE, FilmPair, canvas_widget, grid, scene
from viewer.drawings import DRAWINGS
from viewer.folder import Folder, load_folder
from viewer.guide_panel import GuidePanel
from viewer.overlays import INSET_PX, Caption, Inset
from viewer.results_panel import ResultsPanel
from viewer.rows import result_rows, trend
from viewer.scale_panel import WHAT_TO_CLICK, FilmPanel, ScalePanel
from viewer.session import Point, Session
from viewer.style import SHEET

FRAME_MS = 16
RESULTS_PX = 330  # height of the table to begin with: films are mostly wider than high
STEPS = {"": 1.0, "Shift+": 10.0, "Ctrl+": 0.1, "Ctrl+Shift+": 100.0}  # pixels an arrow key moves by
ARROWS = {"Up": (-1, 0), "Down": (1, 0), "Left": (0, -1), "Right": (0, 1)}


class ReadingRoom(QWidget):
    """Main widget of the plugin: choose a folder, then read its films."""

    def __init__(self, napari_viewer: Any, reader: str | None = None) -> None:
        super().__init__()
        self.viewer = napari_viewer
        self._reader = reader
        self.session: Session | None = None
        self.pair: FilmPair | None = None
        self._worker: Any = None
        self._carrying: Any = None
        self._results_dock: Any = None
        self._highlighted: frozenset[tuple[str, str]] = frozenset()
        self._trend_key: tuple[str, str] | None = None
        self._point_in_hand = 0
        self._timer = QTimer(self)
        self._timer.setSingleShot(True)
        self._timer.setInterval(FRAME_MS)
        self._timer.timeout.connect(self.refresh)
        self.setStyleSheet(SHEET)
        self._build()
        self._connect()
        self._shortcuts()

    # --- Building ---

    def _build(self) -> None:
        self.patient = _label("patient")
        self.message = _label("message")
        self.case_choice = QComboBox()
        self.case_choice.setToolTip("Films of the folder; a film of another patient, side or view opens its own case")
        self.earlier, self.later = QPushButton("◀ Earlier"), QPushButton("Later ▶")
        self.guide, self.scale, self.film_panel = GuidePanel(), ScalePanel(), FilmPanel(ARRANGEMENTS)
        self.results = ResultsPanel()
        self.results.setStyleSheet(SHEET)
        tabs = QTabWidget()
        for name, panel in (("Landmarks", self.guide), ("Scale", self.scale), ("Film and case", self.film_panel)):
            tabs.addTab(panel, name)
        self.tabs = tabs
        visits = QHBoxLayout()
        visits.addWidget(self.earlier)
        visits.addWidget(self.case_choice, 1)
        visits.addWidget(self.later)
        room = QWidget()
        layout = QVBoxLayout(room)
        layout.setContentsMargins(10, 8, 10, 8)
        layout.addWidget(self.patient)
        layout.addLayout(visits)
        layout.addWidget(self.message)
        layout.addWidget(self._busy_row())
        layout.addWidget(tabs, 1)
        self.stack = QStackedWidget()
        self.stack.addWidget(self._welcome())
        self.stack.addWidget(room)
        outer = QVBoxLayout(self)
        outer.setContentsMargins(0, 0, 0, 0)
        outer.addWidget(self.stack)
        self.setMinimumWidth(410)
        # Without this napari adds a stretch below, and the list of landmarks is left short.
        self.setSizePolicy(QSizePolicy.Policy.Preferred, QSizePolicy.Policy.Expanding)

    def _busy_row(self) -> QWidget:
        self.busy = QWidget()
        words = _label("quiet")
        words.setText("Laying the earlier film over this one…")
        bar = QProgressBar()
        bar.setRange(0, 0)
        bar.setMaximumWidth(70)
        self.stop_carrying = QPushButton("Do without")
        row = QHBoxLayout(self.busy)
        row.setContentsMargins(0, 0, 0, 0)
        row.addWidget(words, 1)
        row.addWidget(bar)
        row.addWidget(self.stop_carrying)
        self.busy.hide()
        return self.busy

    def _welcome(self) -> QWidget:
        page = QWidget()
        layout = QVBoxLayout(page)
        title = _label("title")
        title.setText("Open the films of a patient")
        words = _label("quiet")
        words.setText(
            "A folder of DICOM films, or pictures. Working readings are kept in a folder .holdfast inside it; "
            "finished readings are saved beside the films and are never overwritten.\n\n" + CAUTION
        )
        self.open_folder_button, self.open_samples_button = QPushButton("Open a folder…"), QPushButton("Open the sample films")
        self.progress, self.cancel = QProgressBar(), QPushButton("Cancel")
        self.progress.hide()
        self.cancel.hide()
        self.welcome_message = _label("message")
        for widget in (title, words, self.open_folder_button, self.open_samples_button, self.progress, self.cancel):
            layout.addWidget(widget)
        layout.addWidget(self.welcome_message)
        layout.addStretch(1)
        return page

    def _connect(self) -> None:
        self.open_folder_button.clicked.connect(self._ask_folder)
        self.open_samples_button.clicked.connect(self.open_samples)
        self.cancel.clicked.connect(self._cancel)
        self.stop_carrying.clicked.connect(self._drop_carry)
        self.earlier.clicked.connect(lambda: self._visit(-1))
        self.later.clicked.connect(lambda: self._visit(1))
        self.case_choice.activated.connect(self._chosen_film)
        guide = self.guide
        guide.chosen.connect(self._do(lambda s, name: s.select(name)))
        guide.confirmed.connect(self._do(lambda s: s.confirm()))
        guide.declared_absent.connect(self._do(lambda s: s.absent()))
        guide.cleared.connect(self._clear)
        guide.undone.connect(self._do(lambda s: s.undo()))
        guide.redone.connect(self._do(lambda s: s.redo()))
        guide.skipped.connect(self._do(lambda s, reason: s.skip(reason)))
        guide.finished.connect(self.finish)
        self.scale.wanted.connect(self._collect_scale)
        self.scale.used.connect(self._do(lambda s, kind: s.use_scale(kind)))
        self.scale.removed.connect(self._do(lambda s, kind: s.remove_scale(kind)))
        panel = self.film_panel
        panel.windowed.connect(lambda limits: self.pair and self.pair.set_window(tuple(limits)))
        panel.inverted.connect(lambda: self.pair and self.pair.invert())
        panel.fitted.connect(lambda: self.pair and self.pair.fit())
        panel.arranged.connect(self._arrange)
        panel.reader_said.connect(self._do(lambda s, text: s.set_reader(text)))
        panel.surgery_said.connect(self._do(lambda s, text: s.set_surgery_date(text or None)))
        panel.axis_said.connect(self._do(lambda s, text: s.use_axis(text)))
        panel.side_said.connect(self._do(lambda s, text: s.describe(s.current, laterality=text) if text in ("left", "right") else None))
        self.results.hovered.connect(self._hover)
        self.results.chosen.connect(self._show_trend)

    def _shortcuts(self) -> None:
        keys: dict[str, Callable[[], object]] = {
            "Return": self._enter, "Enter": self._enter, "Space": self._place_at_aim,
            "N": self._do(lambda s: s.step(1)), "P": self._do(lambda s: s.step(-1)),
            "X": lambda: self.session and self.guide.open_reasons(), "A": self._do(lambda s: s.absent()),
            "Delete": self._clear, "Backspace": self._clear,
            "Ctrl+Z": self._do(lambda s: s.undo()), "Ctrl+Shift+Z": self._do(lambda s: s.redo()),
            "Ctrl+Y": self._do(lambda s: s.redo()), "Ctrl+Return": self.finish, "Ctrl+Enter": self.finish,
            "PgUp": lambda: self._visit(-1), "PgDown": lambda: self._visit(1),
            "[": lambda: self._pick_point(-1), "]": lambda: self._pick_point(1),
            "I": lambda: self.pair and self.pair.invert(), "F": lambda: self.pair and self.pair.fit(),
            "C": self._centre, "B": lambda: self._arrange(BLINKING), "S": lambda: self._arrange(SIDE_BY_SIDE),
            "+": lambda: self._zoom(1.25), "=": lambda: self._zoom(1.25), "-": lambda: self._zoom(0.8),
        }  # fmt: skip
        for modifier, step in STEPS.items():
            for arrow, (rows, columns) in ARROWS.items():
                keys[modifier + arrow] = lambda r=rows * step, c=columns * step: self._arrow(r, c)
        self._keys = []
        for key, action in keys.items():
            shortcut = QShortcut(QKeySequence(key), self)
            shortcut.setContext(Qt.ShortcutContext.WindowShortcut)
            shortcut.activated.connect(action)
            self._keys.append(shortcut)

    # --- Opening ---

    def _ask_folder(self) -> None:
        chosen = QFileDialog.getExistingDirectory(self, "Folder of films")
        if chosen:
            self.open_folder(Path(chosen))

    def open_samples(self) -> None:
        """Open a copy of the sample films, to practise on; what is read there is thrown away."""
        import shutil
        import tempfile

        from measure.samples import samples_folder

        try:
            source = samples_folder()
        except HoldfastError as error:
            self._say(str(error))
            return
        self._practice = tempfile.TemporaryDirectory(prefix="holdfast-practice-")
        folder = Path(self._practice.name)
        for path in source.rglob("*.dcm"):
            target = folder / path.relative_to(source)
            target.parent.mkdir(parents=True, exist_ok=True)
            shutil.copy(path, target)
        self.open_folder(folder)

    def open_folder(self, folder: Path) -> None:
        """Read a folder off the window's thread, with progress, and open it."""
        from napari.qt.threading import create_worker

        self._cancel()
        self.stack.setCurrentIndex(0)
        self.progress.show()
        self.cancel.show()
        self.progress.setRange(0, 0)
        worker = create_worker(_loading, folder, _start_thread=False)
        worker.yielded.connect(self._loaded_some)
        worker.returned.connect(self._loaded)
        worker.finished.connect(self._load_ended)
        self._worker = worker
        worker.start()

    def _loaded_some(self, progress: tuple[int, int]) -> None:
        self.progress.setRange(0, progress[1])
        self.progress.setValue(progress[0])

    def _loaded(self, folder: Folder | str | None) -> None:
        if isinstance(folder, str):
            self._say(folder)
        if not isinstance(folder, Folder):
            return
        try:
            session = Session(folder.films, folder=folder.path, saved=folder.saved, reader=self._reader)
        except HoldfastError as error:
            self._say(str(error))
            return
        self.open(session)
        if folder.problems:
            self._say(f"{len(folder.problems)} files could not be used: " + " · ".join(folder.problems))

    def _load_ended(self) -> None:
        self._worker = None
        self.progress.hide()
        self.cancel.hide()

    def _cancel(self) -> None:
        if self._worker is not None:
            self._worker.quit()
            self._say("Cancelled; nothing was opened.")

    def open(self, session: Session) -> None:
        """Read with a session; another one that is open is left, its drafts kept."""
        self.leave()
        self.session = session
        self.pair = FilmPair(self.viewer, session, self)
        self.pair.pointed.connect(self._pointed)
        self.pair.moving.connect(self._later)
        self.pair.refused.connect(self._say)
        session.listeners.append(self._later)
        canvas = canvas_widget(self.viewer)
        self.captions = (Caption(canvas), Caption(canvas))
        self.inset = Inset(canvas)
        for overlay in (*self.captions, self.inset):
            overlay.setStyleSheet(SHEET)
        canvas.installEventFilter(self)
        scene(self.viewer).camera.events.zoom.connect(self._caption)
        self._fill_films()
        self._dock_results()
        self.stack.setCurrentIndex(1)
        self.results.caution.setText(CAUTION)
        self._shown = (-1, -1)
        for trouble in session.troubles:
            self._say(trouble)
        self.refresh()

    def leave(self) -> None:
        """Let go of the session: no callback, layer or overlay is left behind."""
        if self.session is None or self.pair is None:
            return
        self._timer.stop()
        self._drop_carry()
        self.session.drop()
        self.session.listeners.remove(self._later)
        self.pair.remove()
        canvas = canvas_widget(self.viewer)
        canvas.removeEventFilter(self)
        scene(self.viewer).camera.events.zoom.disconnect(self._caption)
        for overlay in (*self.captions, self.inset):
            overlay.deleteLater()
        self.session = self.pair = None
        self.stack.setCurrentIndex(0)

    def _dock_results(self) -> None:
        if self._results_dock is None:
            window = self.window()
            if isinstance(window, QMainWindow):  # the landmarks need the whole height of the window
                window.setCorner(Qt.Corner.BottomRightCorner, Qt.DockWidgetArea.RightDockWidgetArea)
            self._results_dock = self.viewer.window.add_dock_widget(
                self.results, name="Measurements", area="bottom", add_vertical_stretch=False
            )
            if isinstance(window, QMainWindow):
                window.resizeDocks([self._results_dock], [RESULTS_PX], Qt.Orientation.Vertical)
        self._results_dock.show()

    def showEvent(self, event: Any) -> None:  # noqa: N802 Qt's name
        """Listen again when the dock comes back."""
        super().showEvent(event)
        if self.session is not None and self.pair is not None:
            self.pair.attach()
            if self._later not in self.session.listeners:
                self.session.listeners.append(self._later)
            if self._results_dock is not None:
                self._results_dock.show()
            self._later()

    def hideEvent(self, event: Any) -> None:  # noqa: N802 Qt's name
        """Stop listening when the dock is closed; its cross does not send a close event."""
        super().hideEvent(event)
        if self.session is not None and self.pair is not None:
            self.session.drop()
            self.pair.detach()
            if self._later in self.session.listeners:
                self.session.listeners.remove(self._later)

    def eventFilter(self, watched: QObject | None, event: QEvent | None) -> bool:  # noqa: N802 Qt's name
        """Keep captions in their corners when the canvas changes its size."""
        if event is not None and event.type() == QEvent.Type.Resize:
            QTimer.singleShot(0, self._caption)
        return False

    # --- Redrawing ---

    def _later(self) -> None:
        """Redraw within a frame, once however often it is asked for."""
        if not self._timer.isActive():
            self._timer.start()

    def refresh(self) -> None:
        """Draw everything that has changed since the last time."""
        session, pair = self.session, self.pair
        if session is None or pair is None:
            return
        if self._shown != (session.index, session.current):
            self._shown = (session.index, session.current)
            pair.show()
            self._film_changed()
        case, flags, reason = session.result()
        pair.update(self._highlighted)
        sentence = outcome_words(case, flags)
        self.results.show_rows(result_rows(case, flags), f"Not compared. {reason} {sentence}" if reason else sentence)
        self.results.plot.show_trend(trend(session, self._trend_key) if self._trend_key else None)
        if session.dragging:  # nothing is answered while a point moves; the rest is drawn when it is dropped
            return
        drawing = DRAWINGS.get((session.site.name, session.draft.view))
        self.guide.show_session(session, drawing)
        if self.tabs.currentIndex() == 1:
            self.scale.show_session(session)
        self._label_film()
        self._follow()

    def _film_changed(self) -> None:
        session, pair = self.session, self.pair
        assert session and pair
        self.case_choice.setCurrentIndex(session.current)
        self.film_panel.show_session(session, pair.window_of(session.current), pair.arrangement)
        self.scale.show_session(session)
        visits = session.visits
        place = visits.index(session.current) if session.current in visits else 0
        self.earlier.setEnabled(place > 0)
        self.later.setEnabled(place + 1 < len(visits))
        self._say("")
        self._default_trend()
        self._caption()
        self._carry()

    # --- Proposals from the film before ---

    def _carry(self) -> None:
        """Propose the last visit's landmarks on a film that has none, off the window's thread."""
        from napari.qt.threading import create_worker

        session = self.session
        assert session
        self._drop_carry()
        number, source = session.current, session.carry_source(session.current)
        if source is None:
            return
        reading = session.measured(source).reading
        worker = create_worker(_proposals, session.films[source], session.film, reading, _start_thread=False)
        worker.returned.connect(lambda proposals: self._carried(worker, number, proposals))
        self._carrying = worker
        self.busy.show()
        worker.start()

    def _carried(self, worker: Any, number: int, proposals: dict[str, Landmark] | str) -> None:
        if worker is not self._carrying or self.session is None or self.pair is None:
            return
        self._drop_carry()
        if isinstance(proposals, str):
            self._say(f"No proposals. {proposals}")
            return
        laid = self.session.propose(number, proposals)
        if laid and number == self.session.current:
            self.pair.show()
            self._say(f"{laid} landmarks are proposed from the earlier film. Each one waits for you: Enter confirms.")

    def _drop_carry(self) -> None:
        """Want no proposals any more; what a worker still finds is not laid."""
        self._carrying = None
        self.busy.hide()

    def _default_trend(self) -> None:
        assert self.session
        if self._trend_key is None or trend(self.session, self._trend_key) is None:
            rows = (*self.session.view.changes, *self.session.view.measurements)
            self._trend_key = (rows[0].name, rows[0].target) if rows else None

    def _label_film(self) -> None:
        session = self.session
        assert session
        film = session.film
        side = session.draft.laterality or "side not stated"
        self.patient.setText(f"{film.patient_key or 'Patient not stated'} · {side} {session.site.title.lower()} · {session.view.title.lower()}")
        self._caption()

    def _caption(self, event: object = None) -> None:
        session, pair = self.session, self.pair
        if session is None or pair is None or pair.current.affine is None:
            return
        canvas, beside = canvas_widget(self.viewer), grid(self.viewer).enabled
        width = canvas.width() // (2 if beside else 1)
        shown = [(self.captions[0], session.index, 0)] if beside else []
        shown.append((self.captions[1], session.current, width if beside else 0))
        self.captions[0].setVisible(beside)
        for caption, number, left in shown:
            caption.say(*self._caption_of(number), width - 16)
            caption.move(left + 10, 10)
            caption.show()
        self.inset.move(canvas.width() - INSET_PX - 10, canvas.height() - INSET_PX - 10)

    def _caption_of(self, number: int) -> tuple[tuple[str, ...], float | None]:
        session, pair = self.session, self.pair
        assert session and pair
        film, draft, measured = session.films[number], session.draft_of(number), session.measured(number)
        role = "Index film" if number == session.index else "Current film"
        if number == session.index == session.current:
            role = "Index film (current)"
        days = days_since_surgery(measured)
        since = f" · day {days} after surgery" if days else ""
        date = film.date.isoformat() if film.date else "date not stated"
        state = "reading saved" if session.is_finished(number) else "working reading" if draft.landmarks else "not read yet"
        scale = measured.scale.text() if measured.scale else "no scale: no millimetres"
        lines = (
            f"{role} · {date}{since}",
            f"{draft.view} · {draft.laterality or 'side not stated'} · {state}",
            scale,
        )
        if measured.scale is None:
            return lines, None
        shown = pair.index if number == pair.index.number and grid(self.viewer).enabled else pair.current
        assert shown.affine is not None
        across = float((shown.affine[:2, 1] ** 2).sum() ** 0.5)  # room units to a column's pixel
        return lines, scene(self.viewer).camera.zoom * across / measured.scale.mm_per_px[1]

    def _follow(self) -> None:
        """Bring a proposal in hand into view."""
        session, pair = self.session, self.pair
        assert session and pair
        state = (session.current, session.active)
        if state == getattr(self, "_followed", None):
            return
        self._followed = state
        self._point_in_hand = 0
        landmark = session.draft.landmarks.get(session.active or "")
        if landmark is not None and landmark.points:
            pair.look_at(landmark.points[0])

    # --- Acting ---

    def _do(self, action: Callable[..., object]) -> Callable[..., None]:
        """Return a slot that acts on the session and says why it could not."""

        def act(*arguments: object) -> None:
            if self.session is None:
                return
            try:
                self._say("")
                action(self.session, *[a for a in arguments if not isinstance(a, bool)])
            except HoldfastError as error:
                self._say(str(error))
            self._later()

        return act

    def _say(self, words: str) -> None:
        self.message.setText(words)
        self.message.setVisible(bool(words))
        self.welcome_message.setText(words)

    def _fill_films(self) -> None:
        assert self.session
        self.case_choice.clear()
        for number, film in enumerate(self.session.films):
            draft = self.session.draft_of(number)
            date = film.date.isoformat() if film.date else "no date"
            side = draft.laterality or "side ?"
            self.case_choice.addItem(f"{date} · {draft.view or 'view ?'} · {side} · {film.patient_key or 'patient ?'}")

    def _chosen_film(self, number: int) -> None:
        session = self.session
        if session is None or number == session.current:
            return
        try:
            session.show(number)
        except HoldfastError as error:
            self.case_choice.setCurrentIndex(session.current)
            self._refused_film(number, str(error))

    def _refused_film(self, number: int, reason: str) -> None:
        """Say why a film is not shown beside the index film, and offer its own case."""
        assert self.session
        self._say(reason)
        if self.session.readable(number) is not None:
            return
        box = QMessageBox(QMessageBox.Icon.Warning, "Not compared", reason, parent=self)
        own = box.addButton("Open as its own case", QMessageBox.ButtonRole.AcceptRole)
        box.addButton("Stay here", QMessageBox.ButtonRole.RejectRole)
        box.finished.connect(lambda _: self._do(lambda s: s.open_case(number))() if box.clickedButton() is own else None)
        self._box = box
        box.open()

    def _visit(self, by: int) -> None:
        session = self.session
        if session is None:
            return
        visits = session.visits
        place = visits.index(session.current) + by
        if 0 <= place < len(visits):
            self._do(lambda s: s.show(visits[place]))()

    def _clear(self) -> None:
        self._do(lambda s: s.clear(s.active))()

    def _enter(self) -> None:
        """Confirm a proposal, or place at the keyboard's cross, or go on."""
        session = self.session
        if session is None or session.active is None:
            return
        landmark = session.draft.landmarks.get(session.active)
        if landmark is not None and landmark.status == "proposed":
            self._do(lambda s: s.confirm())()
        elif self.pair and self.pair.aim:
            self._place_at_aim()
        else:
            self._do(lambda s: s.advance())()

    def _place_at_aim(self) -> None:
        pair = self.pair
        if pair is None:
            return
        if pair.aim is None:
            pair.show_aim(pair.middle())
            self._say("Arrow keys move the cross (Shift 10, Ctrl 0.1, Ctrl+Shift 100 pixels); Space places there.")
            return
        aim = pair.aim
        self._do(lambda s: s.place(aim))()

    def _arrow(self, rows: float, columns: float) -> None:
        """Nudge the point in hand, or move the keyboard's cross where none is placed."""
        session, pair = self.session, self.pair
        if session is None or pair is None:
            return
        landmark = session.draft.landmarks.get(session.active or "")
        if session.active and landmark is not None and landmark.points and not pair._waits_for_points():
            number = min(self._point_in_hand, len(landmark.points) - 1)
            self._do(lambda s: s.nudge(s.active, number, rows, columns))()
            return
        row, column = pair.aim or pair.middle()
        height, width = session.film.pixels.shape
        place = (min(max(row + rows, 0.0), height - 1.0), min(max(column + columns, 0.0), width - 1.0))
        pair.show_aim(place)
        self._pointed(place)

    def _pick_point(self, by: int) -> None:
        session = self.session
        landmark = session.draft.landmarks.get(session.active or "") if session else None
        if landmark is not None and landmark.points:
            self._point_in_hand = (self._point_in_hand + by) % len(landmark.points)
            self._say(f"Point {self._point_in_hand + 1} of {len(landmark.points)} in hand.")

    def _centre(self) -> None:
        session, pair = self.session, self.pair
        landmark = session.draft.landmarks.get(session.active or "") if session else None
        if pair and landmark is not None and landmark.points:
            scene(self.viewer).camera.center = tuple(pair.to_room(landmark.points[0]))

    def _zoom(self, factor: float) -> None:
        scene(self.viewer).camera.zoom = scene(self.viewer).camera.zoom * factor

    def _arrange(self, arrangement: str) -> None:
        if self.pair:
            self.pair.arrange(arrangement)
            self.film_panel.arrangement.setCurrentText(arrangement)
            self._caption()

    def _hover(self, key: tuple[str, str] | None) -> None:
        keys = frozenset({key, *self._behind(key)} if key else ())
        if keys != self._highlighted:
            self._highlighted = keys
            self._later()

    def _behind(self, key: tuple[str, str]) -> set[tuple[str, str]]:
        """Quantities that a change is made of."""
        assert self.session
        return {
            (estimate.quantity, row.target)
            for row in self.session.view.changes
            if (row.name, row.target) == key
            for estimate in (*row.mobile, *row.reference)
        }

    def _show_trend(self, key: tuple[str, str] | None) -> None:
        if key:
            self._trend_key = key
            self._later()

    def _pointed(self, point: Point | None) -> None:
        session, pair = self.session, self.pair
        if session is None or pair is None:
            return
        number = session.current
        self.inset.look(pair.shades_of(number), pair.window_of(number), number in pair.inverted, point)

    def _collect_scale(self, kind: str, mm: float) -> None:
        if self.pair is None:
            return
        self.scale.hint.setText(WHAT_TO_CLICK[kind])
        self._say(WHAT_TO_CLICK[kind])

        def done(points: list[Point]) -> None:
            self.scale.hint.setText("")
            self._do(lambda s: s.add_scale(kind, (points[0], points[1]), mm))()

        self.pair.collect(2, done)

    def finish(self) -> None:
        """Save the current film's reading; what is not answered is named first."""
        session = self.session
        if session is None:
            return
        left = session.remaining()
        if not left:
            self._finish()
            return
        titles = [session.view.landmark[name].title for name in left]
        proposed = [n for n in left if n in session.draft.landmarks and session.draft.landmarks[n].status == "proposed"]
        words = f"{len(left)} landmarks are not answered: {'; '.join(titles)}."
        if proposed:
            words += f"\n\n{len(proposed)} of them are proposals; they are saved as proposals, not as confirmed."
        box = QMessageBox(QMessageBox.Icon.Question, "Finish all the same?", words, parent=self)
        finish = box.addButton("Finish all the same", QMessageBox.ButtonRole.AcceptRole)
        box.addButton("Go on reading", QMessageBox.ButtonRole.RejectRole)
        box.finished.connect(lambda _: self._finish() if box.clickedButton() is finish else None)
        self._box = box
        box.open()

    def _finish(self) -> None:
        def finish(session: Session) -> None:
            path = session.finish()
            self._say(f"Saved as {path.name}.")

        self._do(finish)()


def _label(name: str) -> QLabel:
    label = QLabel()
    label.setObjectName(name)
    label.setWordWrap(True)
    label.setSizePolicy(QSizePolicy.Policy.Preferred, QSizePolicy.Policy.Minimum)
    return label


# What goes wrong in a worker is returned in words: raised, it would be shown as a fault of the program.


def _loading(folder: Path) -> Generator[tuple[int, int], None, Folder | str | None]:
    """Load a folder as a worker: gives progress, returns the folder or what was wrong with it."""
    result: Folder | None = None
    try:
        for done, total, result in load_folder(folder):
            yield done, total
    except HoldfastError as error:
        return str(error)
    return result


def _proposals(earlier: Film, later: Film, reading: Reading) -> dict[str, Landmark] | str:
    """Carry landmarks forward as a worker: the proposals, or why there are none."""
    try:
        return carry_forward(earlier, later, reading)
    except HoldfastError as error:
        return str(error)
