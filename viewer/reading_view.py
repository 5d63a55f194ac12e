"""The view of one session: films, panels, keys and what is drawn when. It computes nothing."""

from __future__ import annotations

import functools
import itertools
from collections.abc import Callable
from typing import Any

from qtpy.QtCore import QObject, Qt, QTimer
from qtpy.QtGui import QKeySequence, QShortcut
from qtpy.QtWidgets import (
    QComboBox,
    QLabel,
    QMainWindow,
    QMessageBox,
    QPushButton,
    QSizePolicy,
    QTabWidget,
    QVBoxLayout,
    QWidget,
)

from measure.errors import HoldfastError
from measure.scale import ScaleInput
from viewer.canvas import canvas_widget
from viewer.drawings import DRAWINGS
from viewer.errands import Errands
from viewer.film_choice import FilmChoice
from viewer.film_pair import ARRANGEMENTS, BLINKING, SIDE_BY_SIDE, FilmPair
from viewer.grading import BACK, Sheet
from viewer.guide_panel import GuidePanel
from viewer.hand_over import KEEP, store_place
from viewer.key_hand import KeyHand
from viewer.legends import Legends
from viewer.mouse import HIDDEN, Mouse
from viewer.observation_sheet import ObservationSheet
from viewer.outcomes import Outcomes
from viewer.points import Point
from viewer.results_panel import ResultsPanel
from viewer.scale_panel import WHAT_TO_CLICK, FilmPanel, ScalePanel
from viewer.session import Session
from viewer.style import dress

FRAME_MS = 16
LOOK_MS = 400  # the film comes first: it is looked at once it is drawn
REST_MS = 80  # a point that has not moved for so long rests: changes and outcomes are worked out
RESULTS_PX = 370  # height of the table to begin with: films are mostly wider than high
RESULTS_SHARE = 0.42  # of the window's height, at most
LANDMARK_TAB, SCALE_TAB, FILM_TAB, SHEET_TAB = 0, 1, 2, 3
PROPOSED_WORDS = "{} landmarks are proposed from the earlier film. Each waits for you: Enter confirms."
PINS_WORDS = " Those of pins that could not be followed for sure are left for you to place."
STEPS = {"": 1.0, "Shift+": 10.0, "Ctrl+": 0.1, "Ctrl+Shift+": 100.0}  # pixels an arrow key moves by
ARROWS = {"Up": (-1, 0), "Down": (1, 0), "Left": (0, -1), "Right": (0, 1)}


class ReadingView(QWidget):
    """Panels and films of one session. `leave` lets go of everything; a new session gets a new view."""

    def __init__(self, viewer: Any, session: Session) -> None:
        super().__init__()
        self.viewer, self.session = viewer, session
        self._highlighted: frozenset[tuple[str, str]] = frozenset()
        self._said = ("", 0)  # the words last said, beside how many troubles
        self._proposed = (0, "")  # landmarks last proposed: how many, and what was said of them
        self._shown = (-1, -1)  # index and current film on the canvas
        self._followed: tuple[int, str | None] | None = None
        self._dock: Any = None
        self._box: QMessageBox | None = None  # the question that is open
        self._timer = _later(FRAME_MS, self.refresh, self)
        self._rest = _later(REST_MS, self._show_result, self)
        self._shown_first = _later(LOOK_MS, self._look, self)
        self.errands = Errands(session, self)
        self._build()
        self.outcomes = Outcomes(session, self.results)
        self.pair = FilmPair(viewer, session, self)
        self.mouse, self.legends = Mouse(self.pair), Legends(self.pair)
        self.hand = KeyHand(self.mouse, self._do, self.say)
        self._connect_films()
        self._connect_panels()
        self._shortcuts()

    # --- Building ---

    def _build(self) -> None:
        self.patient = _label("patient")
        self.message = _label("message")
        self.choice = FilmChoice(self.session, self._do)
        self.guide, self.scale, self.film_panel = GuidePanel(), ScalePanel(), FilmPanel(ARRANGEMENTS)
        self.grading, self.sheet = Sheet(self.session), ObservationSheet()
        self.results = ResultsPanel()
        dress(self.results)
        tabs = QTabWidget()
        for name, panel in (
            ("Landmarks", self.guide),
            ("Scale", self.scale),
            ("Film and case", self.film_panel),
            ("Seen by eye", self.sheet),
        ):
            tabs.addTab(panel, name)
        self.tabs = tabs
        layout = QVBoxLayout(self)
        layout.setContentsMargins(10, 8, 10, 8)
        layout.addWidget(self.patient)
        layout.addWidget(self.choice)
        layout.addWidget(self.message)
        layout.addWidget(self.errands.busy)
        layout.addWidget(tabs, 1)

    def _connect_films(self) -> None:
        mouse, errands = self.mouse, self.errands
        mouse.pointed.connect(self.legends.magnify)
        mouse.moving.connect(self.redraw_soon)
        mouse.refused.connect(self.say)
        mouse.snapped.connect(self._snapped)
        mouse.taken.connect(lambda name: self.say(f"In hand: {self.session.view.landmark[name].title}."))
        errands.said.connect(self.say)
        errands.laid.connect(self._laid)
        errands.sought.connect(self._sought)
        errands.handing_over.connect(lambda busy: self.film_panel.let_hand_over(not busy))
        self.choice.said.connect(self.say)
        self.choice.described.connect(self._show_anew)

    def _connect_panels(self) -> None:
        guide, scale, panel, sheet = self.guide, self.scale, self.film_panel, self.sheet
        guide.chosen.connect(self._do(lambda s, name: s.select(name)))
        guide.confirmed.connect(self._do(lambda s: s.confirm()))
        guide.declared_absent.connect(self._do(lambda s: s.absent()))
        guide.cleared.connect(self.hand.clear)
        guide.undone.connect(self._do(lambda s: s.undo()))
        guide.redone.connect(self._do(lambda s: s.redo()))
        guide.skipped.connect(self._do(lambda s, reason: s.skip(reason)))
        guide.finished.connect(self.finish)
        scale.wanted.connect(self._collect_scale)
        scale.sought.connect(self.errands.seek_scale)
        scale.used.connect(self._do(lambda s, kind: s.use_scale(kind)))
        scale.removed.connect(self._do(lambda s, kind: s.remove_scale(kind)))
        panel.windowed.connect(lambda limits: self.pair.set_window(tuple(limits)))
        panel.inverted.connect(lambda: self.pair.invert())
        panel.fitted.connect(lambda: self.pair.fit())
        panel.arranged.connect(self._arrange)
        panel.reader_said.connect(self._do(lambda s, text: s.set_reader(text)))
        panel.surgery_said.connect(self._do(lambda s, text: s.set_surgery_date(text or None)))
        panel.axis_said.connect(self._do(lambda s, text: s.use_axis(text)))
        panel.handed_over.connect(self.errands.hand_over)
        panel.described.connect(self._describe)
        sheet.pressed.connect(self._do(lambda _, key: self.grading.press(key)))
        sheet.picked.connect(self._do(lambda _, place: self.grading.pick(place)))
        sheet.remarked.connect(self._do(lambda s, words: s.remark(words)))
        self.tabs.currentChanged.connect(self._tab_shown)
        self.results.hovered.connect(self._hover)
        self.results.chosen.connect(self._show_trend)

    def _describe(self, view: str, side: str) -> None:
        self.choice.describe({self.session.current: (view, side)})

    def _shortcuts(self) -> None:
        """Keys of the film act while the film has the focus, so that every control keeps its own."""
        canvas = canvas_widget(self.viewer)
        film, window = Qt.ShortcutContext.WidgetShortcut, Qt.ShortcutContext.WindowShortcut
        self._keys = [_shortcut(key, action, canvas, film) for key, action in self._film_keys().items()]
        self._keys += [_shortcut(key, action, self, window) for key, action in self._window_keys().items()]

    def _window_keys(self) -> dict[str, Callable[[], object]]:
        return {
            "Ctrl+Z": self._do(lambda s: s.undo()), "Ctrl+Shift+Z": self._do(lambda s: s.redo()),
            "Ctrl+Y": self._do(lambda s: s.redo()), "Ctrl+Return": self.finish, "Ctrl+Enter": self.finish,
            "Escape": self._escape,
        }  # fmt: skip

    def _film_keys(self) -> dict[str, Callable[[], object]]:
        pair, hand, choice = self.pair, self.hand, self.choice
        looking: dict[str, Callable[[], object]] = {
            "G": self._to_sheet, "PgUp": lambda: choice.visit(-1), "PgDown": lambda: choice.visit(1),
            "I": pair.invert, "F": pair.fit,
            "B": lambda: self._arrange(BLINKING), "S": lambda: self._arrange(SIDE_BY_SIDE),
            "+": lambda: hand.zoom(1.25), "=": lambda: hand.zoom(1.25), "-": lambda: hand.zoom(0.8),
        }  # fmt: skip
        return looking | {key: self._seen(action) for key, action in self._landmark_keys().items()}

    def _landmark_keys(self) -> dict[str, Callable[[], object]]:
        hand = self.hand
        keys: dict[str, Callable[[], object]] = {
            "Return": hand.enter, "Enter": hand.enter, "Space": hand.place,
            "N": self._do(lambda s: s.step(1)), "P": self._do(lambda s: s.step(-1)),
            "X": self.guide.open_reasons, "A": self._do(lambda s: s.absent()),
            "Delete": hand.clear, "Backspace": hand.clear, "C": hand.centre,
            "[": lambda: hand.pick_point(-1), "]": lambda: hand.pick_point(1),
        }  # fmt: skip
        for modifier, step in STEPS.items():
            for arrow, (rows, columns) in ARROWS.items():
                keys[modifier + arrow] = functools.partial(hand.arrow, rows * step, columns * step)
        return keys

    def _seen(self, action: Callable[[], object]) -> Callable[[], None]:
        """Return what a key of the landmarks does: nothing while they are hidden, but to say so."""

        def act() -> None:
            if self.pair.bare:
                self.say(HIDDEN)
            else:
                action()

        return act

    def _tab_order(self) -> None:
        """From the film to what is read first, through the tabs, to the table, and back to the film.

        A click on a button or a list leaves the keys with the film.
        """
        canvas = canvas_widget(self.viewer)
        for kind in (QComboBox, QPushButton):
            for control in self.findChildren(kind):
                control.setFocusPolicy(Qt.FocusPolicy.TabFocus)
        guide, choice = self.guide, self.choice
        order = [canvas, choice.earlier, choice.films, choice.later, self.tabs.tabBar(), guide.confirm,
                 guide.skip, guide.absent, guide.clear, guide.undo, guide.redo, guide.finish,
                 *self.scale.controls(), *self.film_panel.controls(), *self.sheet.controls(),
                 self.results.table]  # fmt: skip
        for before, after in itertools.pairwise(order):
            QWidget.setTabOrder(before, after)
        canvas.setFocus()

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
            height = min(RESULTS_PX, round(RESULTS_SHARE * window.height()))
            window.resizeDocks([self._dock], [height], Qt.Orientation.Vertical)
        self.legends.start()
        self._tab_order()
        self.attach()
        self.refresh()

    def attach(self) -> None:
        """Listen to session and mouse; twice is once."""
        self.pair.attach()
        self.mouse.attach()
        if self.redraw_soon not in self.session.listeners:
            self.session.listeners.append(self.redraw_soon)
        for shortcut in self._keys:
            shortcut.setEnabled(True)
        if self._dock is not None:
            self._dock.show()
        self._shown_first.start()
        self.redraw_soon()

    def detach(self) -> None:
        """Stop listening, as when the dock is closed; nothing that was read is lost."""
        for timer in (self._timer, self._rest, self._shown_first):
            timer.stop()
        for shortcut in self._keys:
            shortcut.setEnabled(False)
        self.session.drop()
        self.mouse.detach()
        self.pair.detach()
        if self.redraw_soon in self.session.listeners:
            self.session.listeners.remove(self.redraw_soon)

    def leave(self) -> None:
        """Let go of the session: no callback, layer, dock or overlay is left behind."""
        self.detach()
        self.errands.leave()
        self.legends.leave()
        self.pair.remove()
        for shortcut in self._keys:
            shortcut.deleteLater()
        self.viewer.window.remove_dock_widget(self.results)
        self.deleteLater()

    # --- Redrawing ---

    def redraw_soon(self) -> None:
        """Redraw within a frame, once however often it is asked for."""
        if not self._timer.isActive():
            self._timer.start()

    def refresh(self) -> None:
        """Draw everything that has changed since the last time."""
        session, pair = self.session, self.pair
        if self._shown != (session.index, session.current):
            self._shown = session.index, session.current
            self.outcomes.forget()
            pair.show()
            self._film_changed()
        if self._said[1] != len(session.troubles):
            self.say(self._said[0])
        pair.update(self._highlighted)
        if not self.outcomes.show_moving():
            self._show_result()
        elif not session.dragging:  # a key may be held down: the result waits for the last of its steps
            self._rest.start()
        if session.dragging:  # nothing is answered while a point moves; the rest is drawn when it is dropped
            return
        drawing = DRAWINGS.get((session.site.name, session.draft.view))
        self.guide.show_session(session, drawing)
        count, words = self._proposed
        if self._said[0] == words and len(session.checklist.proposed) < count:
            self.say("")  # it holds no longer
        self._follow()

    def _show_result(self) -> None:
        """Show all that comes of the readings, once no point moves."""
        if self.session.dragging:
            return
        self.outcomes.show()
        if self.tabs.currentIndex() == SCALE_TAB:
            self.scale.show_session(self.session)
        if self.tabs.currentIndex() == SHEET_TAB:
            self.sheet.show_sheet(self.grading)
        self._label_film()

    def _film_changed(self) -> None:
        session, pair = self.session, self.pair
        self.legends.inset.hide()  # it shows the film before
        self.choice.refresh()
        self.film_panel.show_session(session, pair.greys.window_of(session.current), pair.arrangement)
        self.scale.show_session(session)
        count = len(session.measured(session.current).notes)
        self.tabs.setTabText(FILM_TAB, f"Film and case  ▲ {count} to note" if count else "Film and case")
        self.outcomes.show_sources()
        self.say("")
        self.legends.caption()
        self.errands.carry()
        self._shown_first.start()

    def _label_film(self) -> None:
        session = self.session
        side = session.draft.laterality or "side not stated"
        shown = f"{side} {session.site.title.lower()} · {session.view.title.lower()}"
        self.patient.setText(f"{session.film.patient_key or 'Patient not stated'} · {shown}")
        self.legends.caption()

    def _follow(self) -> None:
        """Bring a proposal in hand into view."""
        session, pair = self.session, self.pair
        state = (session.current, session.active)
        if state == self._followed:
            return
        self._followed = state
        self.hand.take_first_point()
        landmark = session.draft.landmarks.get(session.active or "")
        if landmark is not None and landmark.points:
            pair.look_at(landmark.points[0])

    # --- What comes back from off the thread ---

    def _laid(self, count: int, without_pins: bool) -> None:
        self.pair.show()
        words = PROPOSED_WORDS.format(count) + PINS_WORDS * without_pins
        self._proposed = len(self.session.checklist.proposed), words
        self.say(self._proposed[1])

    def _sought(self, given: ScaleInput | None, why: str) -> None:
        if given is not None:
            self._do(lambda s: s.add_found_scale(given))()
        self.scale.hint.setText(f"No scale found: {why}." if why else "")

    def _look(self) -> None:
        self.errands.look(self.mouse.snapper)
        self.errands.fetch(self.pair.greys)

    def _snapped(self, u_px: float) -> None:
        words = f"Moved to what the film shows there, ± {1.96 * u_px:.1f} pixels. Alt+click places exactly."
        self.say(words if u_px else "")

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

    def _show_anew(self) -> None:
        """Draw all again, as when a film has joined another case and has another caption."""
        self._shown = (-1, -1)
        self.refresh()

    def _to_sheet(self) -> None:
        self.tabs.setCurrentIndex(SHEET_TAB)
        self.sheet.setFocus()

    def _tab_shown(self, tab: int) -> None:
        """Hand the keys to the sheet, with the index film beside the film that is graded, both bare."""
        self.pair.lay_bare(tab == SHEET_TAB)
        if tab == SHEET_TAB:
            self.mouse.stop_collecting()
            self.sheet.show_sheet(self.grading)
            self.sheet.setFocus()
            self._arrange(SIDE_BY_SIDE)

    def _escape(self) -> None:
        """Give up a question, the clicks for a scale, the keyboard's cross; the keys are the film's again."""
        if self.grading.asking:
            self._do(lambda _: self.grading.press(BACK))()
            return
        if self.tabs.currentIndex() == SHEET_TAB:  # the film's keys are the landmarks', which show again
            self.tabs.setCurrentIndex(LANDMARK_TAB)
        canvas_widget(self.viewer).setFocus()
        self.mouse.stop_collecting()
        self.pair.show_aim(None)
        self.scale.hint.setText("")
        self.say("")

    def _arrange(self, arrangement: str) -> None:
        self.pair.arrange(arrangement)
        self.film_panel.arrangement.setCurrentText(arrangement)
        self.legends.caption()

    def _hover(self, key: tuple[str, str] | None) -> None:
        keys = self.outcomes.behind(key)
        if keys != self._highlighted:
            self._highlighted = keys
            self.redraw_soon()

    def _show_trend(self, key: tuple[str, str] | None) -> None:
        if key:
            self.outcomes.choose_trend(key)
            self.redraw_soon()

    def _collect_scale(self, kind: str, mm: float) -> None:
        self.scale.hint.setText(WHAT_TO_CLICK[kind])
        canvas_widget(self.viewer).setFocus()
        self.say(WHAT_TO_CLICK[kind])

        def done(points: list[Point]) -> None:
            self.scale.hint.setText("")
            self._do(lambda s: s.add_scale(kind, (points[0], points[1]), mm))()

        self.mouse.collect(2, done)

    def finish(self) -> None:
        """Save the current film's reading; what is not answered is named first."""
        canvas_widget(self.viewer).setFocus()  # what is being typed is taken
        words = self.session.checklist.unanswered()
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
                self.errands.hand_over(KEEP)

        self._do(finish)()


def _later(ms: int, action: Callable[[], object], parent: QObject) -> QTimer:
    """Return a timer that acts once, so long after it was last started."""
    timer = QTimer(parent)
    timer.setSingleShot(True)
    timer.setInterval(ms)
    timer.timeout.connect(action)
    return timer


def _shortcut(
    key: str, action: Callable[[], object], parent: QWidget, context: Qt.ShortcutContext
) -> QShortcut:
    shortcut = QShortcut(QKeySequence(key), parent)
    shortcut.setContext(context)
    shortcut.activated.connect(action)
    return shortcut


def _label(name: str) -> QLabel:
    label = QLabel()
    label.setObjectName(name)
    label.setWordWrap(True)
    label.setSizePolicy(QSizePolicy.Policy.Preferred, QSizePolicy.Policy.Minimum)
    return label
