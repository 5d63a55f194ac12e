"""The view of one session: films, panels, keys and what is drawn when. It computes nothing."""

from __future__ import annotations

import functools
from collections.abc import Callable
from typing import Any

from qtpy.QtCore import QEvent, QObject, Qt, QTimer
from qtpy.QtGui import QKeySequence, QShortcut
from qtpy.QtWidgets import (
    QAbstractSpinBox,
    QApplication,
    QComboBox,
    QHBoxLayout,
    QLabel,
    QLineEdit,
    QMainWindow,
    QMessageBox,
    QProgressBar,
    QPushButton,
    QSizePolicy,
    QTabWidget,
    QVBoxLayout,
    QWidget,
)

from measure.carry import carry_forward
from measure.errors import HoldfastError
from measure.export import CAUTION
from measure.film import Film
from measure.propose import propose_scale
from measure.reading import PROPOSED, Landmark, Reading
from measure.report import outcome_words
from measure.scale import FOUND, ScaleInput
from viewer.canvas import ARRANGEMENTS, BLINKING, SIDE_BY_SIDE, FilmPair, canvas_widget, grid, scene
from viewer.drawings import DRAWINGS
from viewer.guide_panel import GuidePanel
from viewer.hand_over import KEEP, hand_over, store_place
from viewer.overlays import INSET_PX, Caption, Inset
from viewer.results_panel import ResultsPanel
from viewer.rows import caption_lines, result_rows, trend
from viewer.scale_panel import WHAT_TO_CLICK, FilmPanel, ScalePanel
from viewer.session import Point, Session
from viewer.style import SHEET

FRAME_MS = 16
CARRY = "carry"
RESULTS_PX = 330  # height of the table to begin with: films are mostly wider than high
SCALE_TAB, FILM_TAB = 1, 2
AIM_WORDS = "Arrow keys move the cross (Shift 10, Ctrl 0.1, Ctrl+Shift 100 pixels); Space places there."
STEPS = {"": 1.0, "Shift+": 10.0, "Ctrl+": 0.1, "Ctrl+Shift+": 100.0}  # pixels an arrow key moves by
ARROWS = {"Up": (-1, 0), "Down": (1, 0), "Left": (0, -1), "Right": (0, 1)}


class ReadingView(QWidget):
    """Panels and films of one session. `leave` lets go of everything; a new session gets a new view."""

    def __init__(self, viewer: Any, session: Session) -> None:
        super().__init__()
        self.viewer, self.session = viewer, session
        self._highlighted: frozenset[tuple[str, str]] = frozenset()
        self._trend_key: tuple[str, str] | None = None
        self._point_in_hand = 0
        self._said = ("", 0)  # the words last said, beside how many troubles
        self._shown = (-1, -1)  # index and current film on the canvas
        self._followed: tuple[int, str | None] | None = None
        self._carrying: Any = None
        self._under_way: dict[Any, str] = {}  # what works off the window's thread, in words: workers, CARRY
        self._dock: Any = None
        self._box: QMessageBox | None = None  # the question that is open
        self._timer = QTimer(self)
        self._timer.setSingleShot(True)
        self._timer.setInterval(FRAME_MS)
        self._timer.timeout.connect(self.refresh)
        self._build()
        self.pair = FilmPair(viewer, session, self)
        self._build_overlays()
        self._connect()
        self._shortcuts()
        self._fill_films()

    # --- Building ---

    def _build(self) -> None:
        self.patient = _label("patient")
        self.message = _label("message")
        self.case_choice = QComboBox()
        self.case_choice.setToolTip(
            "Films of the folder; one of another patient, side or view is a case of its own"
        )
        self.earlier, self.later = QPushButton("◀ Earlier"), QPushButton("Later ▶")
        self.guide, self.scale, self.film_panel = GuidePanel(), ScalePanel(), FilmPanel(ARRANGEMENTS)
        self.results = ResultsPanel()
        self.results.setStyleSheet(SHEET)
        self.results.caution.setText(CAUTION)
        tabs = QTabWidget()
        for name, panel in (
            ("Landmarks", self.guide),
            ("Scale", self.scale),
            ("Film and case", self.film_panel),
        ):
            tabs.addTab(panel, name)
        self.tabs = tabs
        visits = QHBoxLayout()
        visits.addWidget(self.earlier)
        visits.addWidget(self.case_choice, 1)
        visits.addWidget(self.later)
        layout = QVBoxLayout(self)
        layout.setContentsMargins(10, 8, 10, 8)
        layout.addWidget(self.patient)
        layout.addLayout(visits)
        layout.addWidget(self.message)
        layout.addWidget(self._busy_row())
        layout.addWidget(tabs, 1)

    def _busy_row(self) -> QWidget:
        self.busy = QWidget()
        self.busy_words = words = _label("quiet")
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

    def _build_overlays(self) -> None:
        canvas = canvas_widget(self.viewer)
        self.captions = (Caption(canvas), Caption(canvas))
        self.inset = Inset(canvas)
        for overlay in (*self.captions, self.inset):
            overlay.setStyleSheet(SHEET)

    def _connect(self) -> None:
        pair, guide, scale, panel = self.pair, self.guide, self.scale, self.film_panel
        pair.pointed.connect(self._pointed)
        pair.moving.connect(self.redraw_soon)
        pair.refused.connect(self.say)
        self.stop_carrying.clicked.connect(self._drop_carry)
        self.earlier.clicked.connect(lambda: self._visit(-1))
        self.later.clicked.connect(lambda: self._visit(1))
        self.case_choice.activated.connect(self._chosen_film)
        guide.chosen.connect(self._do(lambda s, name: s.select(name)))
        guide.confirmed.connect(self._do(lambda s: s.confirm()))
        guide.declared_absent.connect(self._do(lambda s: s.absent()))
        guide.cleared.connect(self._clear)
        guide.undone.connect(self._do(lambda s: s.undo()))
        guide.redone.connect(self._do(lambda s: s.redo()))
        guide.skipped.connect(self._do(lambda s, reason: s.skip(reason)))
        guide.finished.connect(self.finish)
        pair.snapped.connect(self._snapped)
        scale.wanted.connect(self._collect_scale)
        scale.sought.connect(self._seek_scale)
        scale.used.connect(self._do(lambda s, kind: s.use_scale(kind)))
        scale.removed.connect(self._do(lambda s, kind: s.remove_scale(kind)))
        panel.windowed.connect(lambda limits: self.pair.set_window(tuple(limits)))
        panel.inverted.connect(lambda: self.pair.invert())
        panel.fitted.connect(lambda: self.pair.fit())
        panel.arranged.connect(self._arrange)
        panel.reader_said.connect(self._do(lambda s, text: s.set_reader(text)))
        panel.surgery_said.connect(self._do(lambda s, text: s.set_surgery_date(text or None)))
        panel.axis_said.connect(self._do(lambda s, text: s.use_axis(text)))
        panel.handed_over.connect(self._hand_over)
        panel.side_said.connect(self._do(lambda s, side: s.describe(s.current, laterality=side)))
        self.results.hovered.connect(self._hover)
        self.results.chosen.connect(self._show_trend)

    def _shortcuts(self) -> None:
        keys: dict[str, Callable[[], object]] = {
            "Return": self._enter, "Enter": self._enter, "Space": self._place_at_aim,
            "N": self._do(lambda s: s.step(1)), "P": self._do(lambda s: s.step(-1)),
            "X": self.guide.open_reasons, "A": self._do(lambda s: s.absent()),
            "Delete": self._clear, "Backspace": self._clear,
            "Ctrl+Z": self._do(lambda s: s.undo()), "Ctrl+Shift+Z": self._do(lambda s: s.redo()),
            "Ctrl+Y": self._do(lambda s: s.redo()), "Ctrl+Return": self.finish, "Ctrl+Enter": self.finish,
            "PgUp": lambda: self._visit(-1), "PgDown": lambda: self._visit(1),
            "[": lambda: self._pick_point(-1), "]": lambda: self._pick_point(1),
            "I": lambda: self.pair.invert(), "F": lambda: self.pair.fit(),
            "Escape": self._escape,
            "C": self._centre, "B": lambda: self._arrange(BLINKING), "S": lambda: self._arrange(SIDE_BY_SIDE),
            "+": lambda: self._zoom(1.25), "=": lambda: self._zoom(1.25), "-": lambda: self._zoom(0.8),
        }  # fmt: skip
        for modifier, step in STEPS.items():
            for arrow, (rows, columns) in ARROWS.items():
                keys[modifier + arrow] = functools.partial(self._arrow, rows * step, columns * step)
        self._keys = []
        for key, action in keys.items():
            shortcut = QShortcut(QKeySequence(key), self)
            shortcut.setContext(Qt.ShortcutContext.WindowShortcut)
            shortcut.activated.connect(action)
            self._keys.append(shortcut)

    # --- Coming and going ---

    def start(self) -> None:
        """Dock the table and draw; to be called when the view has its place in a window."""
        window = self.window()
        if isinstance(window, QMainWindow):  # the landmarks need the whole height of the window
            window.setCorner(Qt.Corner.BottomRightCorner, Qt.DockWidgetArea.RightDockWidgetArea)
        self._dock = self.viewer.window.add_dock_widget(
            self.results, name="Measurements", area="bottom", add_vertical_stretch=False
        )
        if isinstance(window, QMainWindow):
            window.resizeDocks([self._dock], [RESULTS_PX], Qt.Orientation.Vertical)
        canvas_widget(self.viewer).installEventFilter(self)
        scene(self.viewer).camera.events.zoom.connect(self._caption)
        self.attach()
        self.refresh()

    def attach(self) -> None:
        """Listen to session and mouse; twice is once."""
        self.pair.attach()
        if self.redraw_soon not in self.session.listeners:
            self.session.listeners.append(self.redraw_soon)
        if self._dock is not None:
            self._dock.show()
        self.redraw_soon()

    def detach(self) -> None:
        """Stop listening, as when the dock is closed; nothing that was read is lost."""
        self._timer.stop()
        self.session.drop()
        self.pair.detach()
        if self.redraw_soon in self.session.listeners:
            self.session.listeners.remove(self.redraw_soon)

    def leave(self) -> None:
        """Let go of the session: no callback, layer, dock or overlay is left behind."""
        self.detach()
        self._drop_carry()
        self._under_way.clear()
        self.pair.remove()
        canvas_widget(self.viewer).removeEventFilter(self)
        scene(self.viewer).camera.events.zoom.disconnect(self._caption)
        for overlay in (*self.captions, self.inset):
            overlay.deleteLater()
        self.viewer.window.remove_dock_widget(self.results)
        self.deleteLater()

    def eventFilter(self, watched: QObject | None, event: QEvent | None) -> bool:  # noqa: N802 Qt's name
        """Keep captions in their corners when the canvas changes its size."""
        if event is not None and event.type() == QEvent.Type.Resize:
            QTimer.singleShot(0, self._caption)
        return False

    # --- Redrawing ---

    def redraw_soon(self) -> None:
        """Redraw within a frame, once however often it is asked for."""
        if not self._timer.isActive():
            self._timer.start()

    def refresh(self) -> None:
        """Draw everything that has changed since the last time."""
        session, pair = self.session, self.pair
        if self._shown != (session.index, session.current):
            self._shown = (session.index, session.current)
            pair.show()
            self._film_changed()
        if self._said[1] != len(session.troubles):
            self.say(self._said[0])
        case, flags, reason = session.result()
        pair.update(self._highlighted)
        words = f"{reason} {outcome_words(case, flags)}" if reason else outcome_words(case, flags)
        self.results.show_rows(result_rows(case, flags), words)
        self.results.plot.show_trend(trend(session, self._trend_key) if self._trend_key else None)
        if session.dragging:  # nothing is answered while a point moves; the rest is drawn when it is dropped
            return
        drawing = DRAWINGS.get((session.site.name, session.draft.view))
        self.guide.show_session(session, drawing)
        if self.tabs.currentIndex() == SCALE_TAB:
            self.scale.show_session(session)
        self._label_film()
        self._follow()

    def _film_changed(self) -> None:
        session, pair = self.session, self.pair
        self.case_choice.setCurrentIndex(session.current)
        self.film_panel.show_session(session, pair.window_of(session.current), pair.arrangement)
        self.scale.show_session(session)
        count = len(session.measured(session.current).notes)
        self.tabs.setTabText(FILM_TAB, f"Film and case  ▲ {count} to note" if count else "Film and case")
        visits = session.visits
        place = visits.index(session.current) if session.current in visits else 0
        self.earlier.setEnabled(place > 0)
        self.later.setEnabled(place + 1 < len(visits))
        self.say("")
        self._default_trend()
        self._caption()
        self._carry()
        self._look()

    def _default_trend(self) -> None:
        if self._trend_key is None or trend(self.session, self._trend_key) is None:
            view = self.session.view
            first = view.changes[0] if view.changes else view.measurements[0]
            self._trend_key = first.name, first.target

    def _label_film(self) -> None:
        session = self.session
        side = session.draft.laterality or "side not stated"
        shown = f"{side} {session.site.title.lower()} · {session.view.title.lower()}"
        self.patient.setText(f"{session.film.patient_key or 'Patient not stated'} · {shown}")
        self._caption()

    def _caption(self, event: object = None) -> None:
        session = self.session
        canvas, beside = canvas_widget(self.viewer), grid(self.viewer).enabled
        width = canvas.width() // (2 if beside else 1)
        shown = [(self.captions[0], session.index, 0)] if beside else []
        shown.append((self.captions[1], session.current, width if beside else 0))
        self.captions[0].setVisible(beside)
        for caption, number, left in shown:
            caption.say(caption_lines(session, number), self._mm_on_screen(number), width - 16)
            caption.move(left + 10, 10)
            caption.show()
        self.inset.move(canvas.width() - INSET_PX - 10, canvas.height() - INSET_PX - 10)

    def _mm_on_screen(self, number: int) -> float | None:
        """Screen pixels that a millimetre at the bone takes on a film; None without a scale."""
        scale = self.session.measured(number).scale
        pair = self.pair
        affine = (pair.index if number != self.session.current else pair.current).affine
        if scale is None:
            return None
        across = float((affine[:2, 1] ** 2).sum() ** 0.5)  # room units to a column's pixel
        return float(scene(self.viewer).camera.zoom) * across / scale.mm_per_px[1]

    def _follow(self) -> None:
        """Bring a proposal in hand into view."""
        session, pair = self.session, self.pair
        state = (session.current, session.active)
        if state == self._followed:
            return
        self._followed = state
        self._point_in_hand = 0
        landmark = session.draft.landmarks.get(session.active or "")
        if landmark is not None and landmark.points:
            pair.look_at(landmark.points[0])

    # --- Proposals from the film before ---

    def _carry(self) -> None:
        """Propose the last visit's landmarks on a film that has none, off the window's thread."""
        from napari.qt.threading import create_worker

        session = self.session
        self._drop_carry()
        number, source = session.current, session.carry_source(session.current)
        if source is None:
            return
        reading = session.measured(source).reading
        worker = create_worker(_proposals, session.films[source], session.film, reading, _start_thread=False)
        worker.returned.connect(lambda proposals: self._carried(worker, number, proposals))
        self._carrying = worker
        self._show_busy(CARRY, "Laying the earlier film over this one…")
        worker.start()

    def _carried(self, worker: Any, number: int, proposals: dict[str, Landmark] | str) -> None:
        if worker is not self._carrying:
            return
        self._drop_carry()
        if isinstance(proposals, str):
            self.say(f"No proposals. {proposals}")
            return
        laid = self.session.propose(number, proposals)
        if laid and number == self.session.current:
            self.pair.show()
            self.say(
                f"{laid} landmarks are proposed from the earlier film. Each waits for you: Enter confirms."
            )

    def _drop_carry(self) -> None:
        """Want no proposals any more; what a worker still finds is not laid."""
        self._carrying = None
        self._show_busy(CARRY, None)

    def _look(self) -> None:
        """Find what clicks on the current film may snap to, off the window's thread."""
        from napari.qt.threading import create_worker

        if not self.pair.snapper.knows(self.session.film):
            create_worker(self.pair.snapper.look, self.session.film, _start_thread=False).start()

    def _snapped(self, u_px: float) -> None:
        self.say(f"Moved to what the film shows there, ± {1.96 * u_px:.1f} pixels. Alt+click places exactly.")

    def _show_busy(self, job: Any, words: str | None) -> None:
        """Show what is under way; without words, a job is done with."""
        self._under_way.pop(job, None)
        if words:
            self._under_way[job] = words
        self.busy_words.setText("  ·  ".join(self._under_way.values()))
        self.stop_carrying.setVisible(CARRY in self._under_way)
        self.busy.setVisible(bool(self._under_way))

    def _hand_over(self, action: str) -> None:
        """Write what leaves the room, off the window's thread."""
        from napari.qt.threading import create_worker

        worker = create_worker(hand_over, action, self.session.folder, _start_thread=False)
        worker.returned.connect(lambda words: self._handed_over(worker, words))
        worker.errored.connect(
            lambda error: self._handed_over(worker, f"Nothing was written ({type(error).__name__}).")
        )
        self.film_panel.let_hand_over(False)
        self._show_busy(worker, f"{action}…")
        worker.start()

    def _handed_over(self, worker: Any, words: str) -> None:
        if worker not in self._under_way:
            return  # the session was left since
        self._show_busy(worker, None)
        self.film_panel.let_hand_over(self._under_way.keys() <= {CARRY})
        self.say(words)

    # --- Acting ---

    def _do(self, action: Callable[..., object]) -> Callable[..., None]:
        """Return a slot that acts on the session and says why it could not."""

        def act(*arguments: object) -> None:
            try:
                self.say("")
                action(self.session, *arguments)
            except HoldfastError as error:
                self.say(str(error))
            self.redraw_soon()

        return act

    def say(self, words: str) -> None:
        """Tell the reader something, until the next; what is wrong with the keeping stays beside it."""
        self._said = words, len(self.session.troubles)
        words = " ".join(filter(None, (*self.session.troubles, words)))
        self.message.setText(words)
        self.message.setVisible(bool(words))

    def _fill_films(self) -> None:
        self.case_choice.clear()
        for number, film in enumerate(self.session.films):
            draft = self.session.draft_of(number)
            date = film.date.isoformat() if film.date else "no date"
            said = draft.view or "view ?", draft.laterality or "side ?", film.patient_key or "patient ?"
            self.case_choice.addItem(" · ".join((date, *said)))

    def _chosen_film(self, number: int) -> None:
        session = self.session
        if number == session.current:
            return
        try:
            session.show(number)
        except HoldfastError as error:
            self.case_choice.setCurrentIndex(session.current)
            self._refused_film(number, str(error))

    def _refused_film(self, number: int, reason: str) -> None:
        """Say why a film is not shown beside the index film, and offer its own case."""
        self.say(reason)
        if self.session.readable(number) is not None:
            return
        box = QMessageBox(QMessageBox.Icon.Warning, "Not compared", reason, parent=self)
        own = box.addButton("Open as its own case", QMessageBox.ButtonRole.AcceptRole)
        box.addButton("Stay here", QMessageBox.ButtonRole.RejectRole)
        open_it = self._do(lambda s: s.open_case(number))
        box.finished.connect(lambda _: open_it() if box.clickedButton() is own else None)
        self._box = box
        box.open()

    def _visit(self, by: int) -> None:
        session = self.session
        visits = session.visits
        place = visits.index(session.current) + by
        if 0 <= place < len(visits):
            self._do(lambda s: s.show(visits[place]))()

    def _clear(self) -> None:
        self._do(lambda s: s.clear(s.active))()

    def _enter(self) -> None:
        """Confirm a proposal, or place at the keyboard's cross, or go on."""
        session, typed = self.session, QApplication.focusWidget()
        if isinstance(typed, (QLineEdit, QAbstractSpinBox)):  # Return ends the typing, and answers nothing
            typed.clearFocus()
            return
        if session.active is None:
            return
        landmark = session.draft.landmarks.get(session.active)
        if landmark is not None and landmark.status == PROPOSED:
            self._do(lambda s: s.confirm())()
        elif self.pair.aim:
            self._place_at_aim()
        else:
            self._do(lambda s: s.advance())()

    def _place_at_aim(self) -> None:
        pair = self.pair
        if pair.aim is None:
            pair.show_aim(pair.middle())
            self.say(AIM_WORDS)
            return
        self.say("")
        pair.click(pair.aim, exact=True)
        self.redraw_soon()

    def _escape(self) -> None:
        """Give up the clicks for a scale, and the keyboard's cross."""
        self.pair.stop_collecting()
        self.pair.show_aim(None)
        self.scale.hint.setText("")
        self.say("")

    def _arrow(self, rows: float, columns: float) -> None:
        """Nudge the point in hand, or move the keyboard's cross where none is placed."""
        session, pair = self.session, self.pair
        landmark = session.draft.landmarks.get(session.active or "")
        if session.active and landmark is not None and landmark.points and not pair.waits_for_points():
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
        landmark = session.draft.landmarks.get(session.active or "")
        if landmark is not None and landmark.points:
            self._point_in_hand = (self._point_in_hand + by) % len(landmark.points)
            self.say(f"Point {self._point_in_hand + 1} of {len(landmark.points)} in hand.")

    def _centre(self) -> None:
        session, pair = self.session, self.pair
        landmark = session.draft.landmarks.get(session.active or "")
        if landmark is not None and landmark.points:
            scene(self.viewer).camera.center = tuple(pair.to_room(landmark.points[0]))

    def _zoom(self, factor: float) -> None:
        scene(self.viewer).camera.zoom = scene(self.viewer).camera.zoom * factor

    def _arrange(self, arrangement: str) -> None:
        self.pair.arrange(arrangement)
        self.film_panel.arrangement.setCurrentText(arrangement)
        self._caption()

    def _hover(self, key: tuple[str, str] | None) -> None:
        keys = frozenset({key, *self._behind(key)} if key else ())
        if keys != self._highlighted:
            self._highlighted = keys
            self.redraw_soon()

    def _behind(self, key: tuple[str, str]) -> set[tuple[str, str]]:
        """Quantities that a change is made of."""
        return {
            (estimate.quantity, row.target)
            for row in self.session.view.changes
            if (row.name, row.target) == key
            for estimate in (*row.mobile, *row.reference)
        }

    def _show_trend(self, key: tuple[str, str] | None) -> None:
        if key:
            self._trend_key = key
            self.redraw_soon()

    def _pointed(self, point: Point | None) -> None:
        session, pair = self.session, self.pair
        number = session.current
        self.inset.look(pair.shades_of(number), pair.window_of(number), number in pair.inverted, point)

    def _collect_scale(self, kind: str, mm: float) -> None:
        self.scale.hint.setText(WHAT_TO_CLICK[kind])
        self.say(WHAT_TO_CLICK[kind])

        def done(points: list[Point]) -> None:
            self.scale.hint.setText("")
            self._do(lambda s: s.add_scale(kind, (points[0], points[1]), mm))()

        self.pair.collect(2, done)

    def _seek_scale(self, kind: str, mm: float) -> None:
        """Let a scale be found, off the window's thread; where it is not, the panel says why."""
        from napari.qt.threading import create_worker

        number = self.session.current
        worker = create_worker(propose_scale, self.session.film, kind, mm, _start_thread=False)
        worker.returned.connect(lambda found: self._sought(worker, number, found))
        worker.errored.connect(lambda error: self._sought(worker, number, (None, str(error))))
        self._show_busy(worker, f"Looking for the {FOUND[kind]}…")
        worker.start()

    def _sought(self, worker: Any, number: int, found: tuple[ScaleInput | None, str]) -> None:
        if worker not in self._under_way:
            return  # the session was left since
        self._show_busy(worker, None)
        if number != self.session.current:
            return
        given, why = found
        if given is not None:
            self._do(lambda s: s.add_found_scale(given))()
        self.scale.hint.setText(f"No scale found: {why}." if why else "")

    def finish(self) -> None:
        """Save the current film's reading; what is not answered is named first."""
        words = self.session.unanswered()
        if not words:
            self._finish()
            return
        box = QMessageBox(QMessageBox.Icon.Question, "Finish all the same?", words, parent=self)
        finish = box.addButton("Finish all the same", QMessageBox.ButtonRole.AcceptRole)
        box.addButton("Go on reading", QMessageBox.ButtonRole.RejectRole)
        box.finished.connect(lambda _: self._finish() if box.clickedButton() is finish else None)
        self._box = box
        box.open()

    def _finish(self) -> None:
        def finish(session: Session) -> None:
            path = session.finish()
            self.say(f"Saved as {path.name}.")
            if store_place():
                self._hand_over(KEEP)

        self._do(finish)()


def _label(name: str) -> QLabel:
    label = QLabel()
    label.setObjectName(name)
    label.setWordWrap(True)
    label.setSizePolicy(QSizePolicy.Policy.Preferred, QSizePolicy.Policy.Minimum)
    return label


def _proposals(earlier: Film, later: Film, reading: Reading) -> dict[str, Landmark] | str:
    """Carry landmarks forward as a worker: the proposals, or why there are none."""
    try:
        return carry_forward(earlier, later, reading)
    except HoldfastError as error:
        return str(error)
