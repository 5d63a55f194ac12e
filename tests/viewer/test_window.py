"""A real window on a virtual screen: films rendered from the phantom, real mouse and key events.

The virtual screen (Xvfb) is started by the fixture `screen`; without Xvfb the tests fail and say so.
"""

from __future__ import annotations

import gc
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from viewer_films import Truth, lateral_truth, make_film

from measure.measurements import measure_film
from measure.reading import Landmark, for_film, load_reading
from measure.series import measure
from measure.snap import Snapped
from viewer.drafts import to_reading
from viewer.session import Session

Act = Callable[..., None]


class Hand:
    """A reader at the window: mouse and keys as Qt events, nothing else."""

    def __init__(self, viewer: Any, room: Any) -> None:
        from viewer.canvas import canvas_widget

        self.viewer, self.room, self.view = viewer, room, room.reading
        self.canvas = canvas_widget(viewer)
        self.clicks = self.keys = 0

    @property
    def session(self) -> Session:
        return self.view.session

    def on_screen(self, point: tuple[float, float]) -> Any:
        """Where a place of the current film is on the canvas."""
        from qtpy.QtCore import QPoint

        from viewer.canvas import grid, scene

        camera = scene(self.viewer).camera
        beside = grid(self.viewer).enabled
        width, height = self.canvas.width() / (2 if beside else 1), self.canvas.height()
        middle = np.array([height / 2, width / 2 + (width if beside else 0)])
        place = middle + (self.view.pair.to_room(point) - np.array(camera.center[-2:])) * camera.zoom
        return QPoint(round(place[1]), round(place[0]))

    def click(self, point: tuple[float, float]) -> None:
        from qtpy.QtCore import Qt
        from qtpy.QtTest import QTest

        QTest.mouseClick(self.canvas, Qt.MouseButton.LeftButton, pos=self.on_screen(point))
        self.clicks += 1
        self.settle()

    def double_click(self, point: tuple[float, float]) -> None:
        """Send the second of two quick clicks as Qt does: a double click in place of the press."""
        from qtpy.QtCore import QEvent, QPointF, Qt
        from qtpy.QtGui import QMouseEvent
        from qtpy.QtTest import QTest
        from qtpy.QtWidgets import QApplication

        at, left = self.on_screen(point), Qt.MouseButton.LeftButton
        event = QMouseEvent(
            QEvent.Type.MouseButtonDblClick, QPointF(at), QPointF(self.canvas.mapToGlobal(at)), left, left,
            Qt.KeyboardModifier.NoModifier,
        )  # fmt: skip
        QApplication.sendEvent(self.canvas, event)
        QTest.mouseRelease(self.canvas, left, pos=at)
        self.settle()

    def type(self, words: str) -> None:
        """Type into what has the focus."""
        from qtpy.QtTest import QTest
        from qtpy.QtWidgets import QApplication

        QTest.keyClicks(QApplication.focusWidget(), words)
        self.settle()

    def press(self, key: Any) -> None:
        """Press a key where the focus is, wherever that is."""
        from qtpy.QtTest import QTest
        from qtpy.QtWidgets import QApplication

        QTest.keyClick(QApplication.focusWidget(), key)
        self.settle()

    def tab_to(self, wanted: Any) -> None:
        """Press Tab until a control has the focus."""
        from qtpy.QtCore import Qt
        from qtpy.QtWidgets import QApplication

        for _ in range(40):
            if QApplication.focusWidget() is wanted:
                return
            self.press(Qt.Key.Key_Tab)
        raise AssertionError(f"Tab does not reach {wanted}")

    def drag(self, start: tuple[float, float], stop: tuple[float, float]) -> None:
        from qtpy.QtCore import QEvent, QPointF, Qt
        from qtpy.QtGui import QMouseEvent
        from qtpy.QtTest import QTest
        from qtpy.QtWidgets import QApplication

        first, last = self.on_screen(start), self.on_screen(stop)
        left, none = Qt.MouseButton.LeftButton, Qt.KeyboardModifier.NoModifier
        QTest.mousePress(self.canvas, left, pos=first)
        for share in np.linspace(0.2, 1.0, 5):
            at = QPointF(first) + share * (QPointF(last) - QPointF(first))
            event = QMouseEvent(
                QEvent.Type.MouseMove, at, QPointF(self.canvas.mapToGlobal(at.toPoint())),
                Qt.MouseButton.NoButton, left, none,
            )  # fmt: skip
            QApplication.sendEvent(self.canvas, event)
            QTest.qWait(20)
        QTest.mouseRelease(self.canvas, left, pos=last)
        self.settle()

    def key(self, key: Any, *, ctrl: bool = False, shift: bool = False) -> None:
        from qtpy.QtCore import Qt
        from qtpy.QtTest import QTest

        modifier = Qt.KeyboardModifier.NoModifier
        if ctrl:
            modifier |= Qt.KeyboardModifier.ControlModifier
        if shift:
            modifier |= Qt.KeyboardModifier.ShiftModifier
        QTest.keyClick(self.canvas, key, modifier)
        self.keys += 1
        self.settle()

    def key_now(self, key: Any, *, ctrl: bool = False, shift: bool = False) -> None:
        """Press a key and go on at once, as a key that is held down does."""
        settle, self.settle = self.settle, lambda: None  # type: ignore[method-assign]
        self.key(key, ctrl=ctrl, shift=shift)
        self.settle = settle  # type: ignore[method-assign]

    def point_at(self, point: Any) -> None:
        """Move the cross to a whole pixel by arrow keys, 100, 10 and 1 at a time, and place there."""
        from qtpy.QtCore import Qt

        pair, key = self.view.pair, Qt.Key
        if pair.aim is None:
            self.key(key.Key_Space)
        for place, keys in enumerate(((key.Key_Up, key.Key_Down), (key.Key_Left, key.Key_Right))):
            off = round(point[place] - pair.aim[place])
            for step, ctrl, shift in ((100, True, True), (10, False, True), (1, False, False)):
                count, off_left = divmod(abs(off), step)
                for _ in range(count):
                    self.key_now(keys[off > 0], ctrl=ctrl, shift=shift)
                off = off_left if off > 0 else -off_left
        self.key(key.Key_Return)

    def settle(self) -> None:
        """Let the window draw."""
        from qtpy.QtTest import QTest

        QTest.qWait(45)

    def rest(self) -> None:
        """Wait until the window has worked out all that follows from the last action."""
        from qtpy.QtTest import QTest

        self.settle()
        while self.view._timer.isActive() or self.view._rest.isActive():
            QTest.qWait(20)

    def zoom_to(self, point: tuple[float, float], zoom: float) -> None:
        """Look closely at a place of the current film."""
        from viewer.canvas import scene

        scene(self.viewer).camera.center = tuple(self.view.pair.to_room(point))
        scene(self.viewer).camera.zoom = zoom
        self.settle()


def closed(room: Any, viewer: Any) -> None:
    """Close a window and let Qt forget it."""
    from qtpy.QtTest import QTest

    room.leave()
    viewer.close()
    QTest.qWait(50)
    gc.collect()


@pytest.fixture(scope="module")
def window(screen: str, qapp: Any) -> Iterator[tuple[Any, Any]]:
    """Viewer and room of one window for all tests: to open one takes seconds."""
    from viewer.app import open_room

    viewer, room = open_room()
    yield viewer, room
    closed(room, viewer)


@pytest.fixture
def open_hand(window: tuple[Any, Any], qapp: Any) -> Iterator[Callable[[Session], Hand]]:
    """Return a function that opens a session in the window; it is left at the end, and nothing may stay."""
    viewer, room = window
    mouse = (viewer.mouse_drag_callbacks, viewer.mouse_move_callbacks, viewer.mouse_double_click_callbacks)
    before = [list(callbacks) for callbacks in mouse]

    def open_session(session: Session) -> Hand:
        room.open(session)
        qapp.processEvents()
        viewer.window._qt_window.activateWindow()
        hand = Hand(viewer, room)
        hand.canvas.setFocus()
        hand.settle()
        hand.view.pair.fit()
        hand.settle()
        return hand

    yield open_session
    room.leave()
    qapp.processEvents()
    assert not viewer.layers
    assert [list(callbacks) for callbacks in mouse] == before


@pytest.fixture
def theme(window: tuple[Any, Any]) -> Iterator[Callable[[str], None]]:
    """Return a function that gives the window another theme; it has its own again at the end."""
    from qtpy.QtTest import QTest

    viewer, _ = window
    before = viewer.theme

    def set_theme(name: str) -> None:
        viewer.theme = name
        QTest.qWait(50)

    yield set_theme
    viewer.theme = before


def place_by_mouse(hand: Hand, truth: Truth) -> None:
    """Place every landmark that is asked for with the mouse; the wire's break is answered by key."""
    from qtpy.QtCore import Qt

    while name := hand.session.active:
        if name not in truth:
            hand.key(Qt.Key.Key_A)
            continue
        spread = np.linspace(0, len(truth[name]) - 1, hand.session.view.landmark[name].points[0])
        for row, column in truth[name][spread.round().astype(int)]:
            before = hand.session.draft
            hand.click((row, column))
            assert hand.session.draft != before, (
                f"the click on {name} did nothing: {hand.view.message.text()}"
            )


@pytest.mark.usefixtures("qapp")
def test_reads_a_lateral_film_by_mouse(
    open_hand: Callable[[Session], Hand], session: Session, truth: Truth
) -> None:
    """Every landmark by real clicks: within a screen pixel of the truth, the numbers are the library's."""
    from viewer.canvas import scene

    hand = open_hand(session)
    place_by_mouse(hand, truth)
    hand.rest()
    assert hand.clicks + hand.keys == 29
    pixel = 1 / scene(hand.viewer).camera.zoom
    for name, landmark in session.draft.landmarks.items():
        if landmark.located:
            nearest = [np.linalg.norm(truth[name] - point, axis=1).min() for point in landmark.points]
            assert max(nearest) < 1.0 * pixel, name
    reading = to_reading(session.draft, session.film, session.site)
    expected = measure_film(reading, session.measured(0).scale, session.film.aspect)
    assert session.measured(0).measurements == expected
    shown = {row.key: row.cells[1] for row in hand.view.results._rows}
    for measurement in expected:
        if measurement.quantity and measurement.present is not False:
            assert shown[measurement.key] == measurement.quantity.text()


def test_a_click_is_placed_on_the_feature_or_exactly(
    open_hand: Callable[[Session], Hand], session: Session, monkeypatch: pytest.MonkeyPatch
) -> None:
    """What is found near a click moves the point there, and says so; the aimed cross places exactly."""
    from qtpy.QtCore import Qt

    def found(*asked: Any) -> Snapped:
        """Stand in for a film's features; the point lies 9 rows below the click."""
        (row, column), placed = asked[4], asked[5]
        assert asked[2] == session.draft.view
        assert placed is session.draft.landmarks
        return Snapped((row + 9.0, column), 0.5)

    monkeypatch.setattr("viewer.snapping.Snapper.snap", found)
    hand = open_hand(session)
    hand.click((300.0, 300.0))
    mark = session.draft.landmarks["shaft_dorsal"]
    assert mark.points[0] == pytest.approx((309.0, 300.0), abs=3.0)
    assert mark.u_px == 0.5
    assert "Moved to what the film shows" in hand.view.message.text()
    hand.key(Qt.Key.Key_Space)
    hand.key(Qt.Key.Key_Right, shift=True)
    aim = hand.view.pair.aim
    hand.key(Qt.Key.Key_Space)
    assert session.draft.landmarks["shaft_dorsal"].points[1] == pytest.approx(aim)
    session.select("shaft_volar")
    hand.key(Qt.Key.Key_Right, shift=True)
    row, column = hand.view.pair.aim
    hand.key(Qt.Key.Key_Return)  # as a click does
    assert session.draft.landmarks["shaft_volar"].points[0] == pytest.approx((row + 9.0, column))


def test_words_of_a_snap_go_with_the_next_click(
    open_hand: Callable[[Session], Hand], session: Session, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A click that stays where it was is not said to have been moved."""
    answers = [Snapped((309.0, 300.0), 0.5), None]
    monkeypatch.setattr("viewer.snapping.Snapper.snap", lambda *_: answers.pop(0))
    hand = open_hand(session)
    hand.click((300.0, 300.0))
    assert "Moved to what the film shows" in hand.view.message.text()
    hand.click((300.0, 600.0))
    assert hand.view.message.text() == ""


def test_words_are_read_on_a_light_theme(open_hand: Callable[[Session], Hand], session: Session) -> None:
    """The room brings its own dark ground: its pale words would be lost on that of a light theme."""
    hand = open_hand(session)
    hand.viewer.theme = "light"
    hand.settle()
    for panel in (hand.room, hand.view.results, hand.view.scale, hand.view.film_panel):
        ground = panel.grab().toImage().pixelColor(1, 1)
        assert ground.lightness() < 80, type(panel).__name__
    hand.viewer.theme = "dark"


def test_controls_are_seen_on_a_light_theme(
    open_hand: Callable[[Session], Hand], session: Session, theme: Callable[[str], None]
) -> None:
    """The arrow of a choice, the plus and minus of a number: pale on the room's dark ground in any theme."""
    hand = open_hand(session)
    hand.view.tabs.setCurrentIndex(1)
    assert hand.view.scale.find in hand.view.scale.controls()
    theme("light")
    for control in (hand.view.scale.use, hand.view.scale.true_size):
        image = control.grab().toImage()
        for start in (image.width() - 22,) if control is hand.view.scale.use else (4, image.width() - 16):
            seen = [image.pixelColor(x, image.height() // 2).lightness() for x in range(start, start + 14)]
            assert max(seen) > 170 > 90 > min(seen), type(control).__name__


@pytest.mark.parametrize("in_hand", [True, False])
def test_the_mark_in_hand_is_told_by_shape(qapp: Any, in_hand: bool) -> None:
    """Four bright corners stand round it: its colour fades into grey bone for who sees no green."""
    from qtpy.QtWidgets import QWidget

    from viewer.overlays import FRAME_PX, Label, Labels

    parent = QWidget()
    parent.setStyleSheet("background: #808080")
    parent.resize(120, 120)
    labels = Labels(parent)
    labels.say([Label("8", 60.0, 60.0, (30.0, 0.0), in_hand)])
    qapp.processEvents()
    image = parent.grab().toImage()
    spots = [(60 + x * (FRAME_PX - 1), 60 + y * FRAME_PX) for x in (-1, 1) for y in (-1, 1)]
    bright = [image.pixelColor(round(x), round(y)).lightness() > 180 for x, y in spots]
    assert all(bright) if in_hand else not any(bright)


def test_naparis_own_keys_leave_the_room_as_it_is(
    open_hand: Callable[[Session], Hand], session: Session
) -> None:
    """No key adds a mark that belongs to no landmark, turns the film, or sets one beside nothing."""
    from qtpy.QtCore import Qt

    from viewer.canvas import grid

    hand = open_hand(session)
    marks = hand.view.pair.current.marks
    for key in (Qt.Key.Key_2, Qt.Key.Key_3, Qt.Key.Key_5):
        hand.key(key)
        assert marks.mode == "pan_zoom"
    hand.click((300.0, 300.0))
    hand.rest()
    assert len(marks.data) == 1
    for number, beside in ((0, False), (1, True)):
        session.show(number)
        hand.settle()
        for key in (Qt.Key.Key_G, Qt.Key.Key_T, Qt.Key.Key_E):
            hand.key(key, ctrl=True)
            assert grid(hand.viewer).enabled == beside
            assert (hand.viewer.dims.ndisplay, hand.viewer.dims.order) == (2, (0, 1))
        hand.viewer.dims.ndisplay = 3
        assert hand.viewer.dims.ndisplay == 2


def test_blinking_says_which_film_is_up_and_places_on_it_alone(
    open_hand: Callable[[Session], Hand], session: Session, truth: Truth, place_all: Any
) -> None:
    """While the index film is up the caption and the marks are its own, and a click places nothing."""
    from qtpy.QtCore import Qt

    place_all(session, truth)
    session.show(1)
    hand = open_hand(session)
    pair = hand.view.pair
    hand.key(Qt.Key.Key_B)
    for _ in range(2):
        pair._blink.stop()  # the test is to say when
        pair._flip()
        film = pair.index if pair.index_is_up else pair.current
        assert ("Index" in hand.view.legends.captions[1].rows[0]) == pair.index_is_up
        assert (pair.index.marks.visible, pair.current.marks.visible) == (
            pair.index_is_up, not pair.index_is_up,
        )  # fmt: skip
        assert len(pair.labels.shown) == sum(offset is not None for offset in film.offsets)
        before = session.draft
        hand.click((300.0, 300.0))
        assert (session.draft == before) == pair.index_is_up
        assert ("index film is up" in hand.view.message.text()) == pair.index_is_up
    hand.key(Qt.Key.Key_S)
    assert pair.index.marks.visible
    assert pair.current.marks.visible


def test_words_of_proposals_go_once_one_is_answered(
    open_hand: Callable[[Session], Hand], session: Session
) -> None:
    """However it was answered: they would tell of more proposals than there are."""
    hand = open_hand(session)
    session.propose(0, {name: Landmark("proposed", ((9.0, 9.0),)) for name in ("hole", "loop", "pin1_tip")})
    hand.view.errands.laid.emit(3, False)
    hand.rest()
    assert hand.view.message.text().startswith("3 landmarks are proposed")
    session.confirm("hole")
    hand.rest()
    assert not hand.view.message.text()


def test_a_click_beside_another_mark_places_the_proposal_in_hand(
    open_hand: Callable[[Session], Hand], session: Session
) -> None:
    """Only a click on the very middle of a neighbour takes that in hand, and it says so."""
    from viewer.canvas import scene

    spots = {"shaft_dorsal": ((300.0, 300.0), (300.0, 500.0)), "hole": ((450.0, 400.0),)}
    session.propose(0, {name: Landmark("proposed", points) for name, points in spots.items()})
    session.propose(0, {"loop": Landmark("proposed", ((500.0, 700.0),))})
    hand = open_hand(session)
    session.select("hole")
    hand.settle()
    off = 6.0 / scene(hand.viewer).camera.zoom
    hand.click((500.0 + off, 700.0))
    assert session.draft.landmarks["hole"].status == "confirmed"
    assert session.draft.landmarks["hole"].points[0] == pytest.approx((500.0 + off, 700.0), abs=off / 3)
    session.undo()
    session.select("hole")
    hand.settle()
    hand.click((500.0, 700.0))
    assert session.active == "loop"
    assert session.draft.landmarks["hole"].status == "proposed"
    assert hand.view.message.text() == "In hand: Proximal wire loop."


def test_captions_have_room_and_the_inset_is_off_the_cursor(
    open_hand: Callable[[Session], Hand], session: Session, truth: Truth, place_all: Any
) -> None:
    """On a small canvas two small rows keep whole words, and the magnified inset leaves the cursor free."""
    from qtpy.QtCore import QPoint

    place_all(session, truth)
    session.show(1)
    session.set_surgery_date("2026-01-05")
    hand = open_hand(session)
    view = hand.view
    canvas, inset, captions = hand.canvas, view.legends.inset, view.legends.captions
    for room in (300, 420, 900):
        captions[1].say(("Current film · 2026-02-22 · day 20 after surgery", "x · y", "z"), 2.0, room)
        assert captions[1].width() <= room
        assert all(captions[1]._width(row, True) <= room for row in captions[1].rows)
    for row in range(5, 890, 110):
        for column in range(5, 1090, 120):
            at = hand.on_screen((float(row), float(column)))
            view.legends.magnify((float(row), float(column)))
            assert inset.isVisible()
            assert not inset.geometry().contains(QPoint(at.x(), at.y()))
            assert canvas.rect().contains(inset.geometry())
            assert not any(
                inset.geometry().intersects(caption.geometry()) for caption in view.legends.captions
            )


@pytest.mark.parametrize("width", [840, 1400])
def test_names_and_values_are_whole_on_a_laptop(window: Any, qapp: Any, width: int) -> None:
    """With every column shown, the first has room for a name with its pin, the others for what they hold."""
    from qtpy.QtGui import QFontMetrics

    from viewer.results_panel import ResultsPanel
    from viewer.rows import ResultRow
    from viewer.style import dress

    cells = (
        "Pin back-out, pin 1",
        "-20.5 ± 1.8 mm",
        "+2.5 ± 1.8 mm",
        "+2.1 ± 1.8 mm",
        "? cannot tell · proposed",
    )
    panel = ResultsPanel()
    dress(panel)
    panel.show_rows([ResultRow(("back_out", "pin 1"), cells, None, True, "")] * 30, "")
    panel.resize(width, 300)
    panel.show()
    qapp.processEvents()
    metrics = QFontMetrics(panel.table.font())
    for column, words in [*enumerate(cells), (4, "? cannot tell: not placed")]:
        assert metrics.horizontalAdvance(words) + 14 <= panel.table.columnWidth(column), words
    panel.close()


@pytest.mark.parametrize("width", [840, 1400])
def test_a_name_longer_than_its_column_takes_more_lines(window: Any, qapp: Any, width: int) -> None:
    """Every name of the tables is read whole, with all columns shown, on a laptop too; others keep a line."""
    from qtpy.QtCore import Qt
    from qtpy.QtGui import QFontMetrics

    from measure.sites import load_site
    from viewer.results_panel import ROW_PX, ResultsPanel
    from viewer.rows import ResultRow
    from viewer.style import dress

    views = load_site("olecranon").views.values()
    names = sorted({f"{row.title}, pin 1" for view in views for row in view.measurements})
    panel = ResultsPanel()
    dress(panel)
    panel.show_rows(
        [ResultRow((name, ""), (name, "1 mm", "0 mm", "0 mm", ""), None, False, "") for name in names], ""
    )
    panel.resize(width, 300)
    panel.show()
    qapp.processEvents()
    metrics, table = QFontMetrics(panel.table.font()), panel.table
    room = table.columnWidth(0) - 10
    for row, name in enumerate(names):
        box = metrics.boundingRect(0, 0, room, 0, Qt.TextFlag.TextWordWrap, name)
        assert box.width() <= room
        assert box.height() <= table.rowHeight(row), name
    assert min(map(table.rowHeight, range(len(names)))) == ROW_PX
    panel.close()


@pytest.mark.parametrize(("width", "lines"), [(860, 1), (1400, 3)])
def test_the_verdict_leaves_the_table_its_room(window: Any, qapp: Any, width: int, lines: int) -> None:
    """A narrow panel says the first line and where the others are; a wide one all that is meant for it."""
    from viewer.results_panel import MORE, ResultsPanel

    panel = ResultsPanel()
    panel.show_rows([], "", ("Since index: moved.\nSince last visit: still.\nA trend.", "All of it."))
    panel.resize(width, 300)
    panel.show()
    qapp.processEvents()
    said = panel.verdict.text().split("\n")
    assert len(said) == lines
    assert said[0].startswith("Since index: moved.")
    assert (MORE in said[0]) == (lines == 1)
    assert panel.verdict.toolTip() == "All of it."
    panel.close()


def test_drag_moves_one_point_once(open_hand: Callable[[Session], Hand], session: Session) -> None:
    """A real drag moves the mark under the cursor, does not pan the film, and is one step."""
    from viewer.canvas import scene

    hand = open_hand(session)
    hand.click((300.0, 300.0))
    hand.click((300.0, 600.0))
    centre = tuple(scene(hand.viewer).camera.center)
    hand.drag((300.0, 300.0), (350.0, 420.0))
    points = session.draft.landmarks["shaft_dorsal"].points
    assert points[0] == pytest.approx((350.0, 420.0), abs=1.5 / scene(hand.viewer).camera.zoom)
    assert points[1] == pytest.approx((300.0, 600.0), abs=1.5 / scene(hand.viewer).camera.zoom)
    assert tuple(scene(hand.viewer).camera.center) == centre
    session.undo()
    assert session.draft.landmarks["shaft_dorsal"].points[0] == pytest.approx((300, 300), abs=3)
    hand.drag((600.0, 300.0), (500.0, 300.0))  # nothing is there: the film is moved instead
    assert tuple(scene(hand.viewer).camera.center) != centre


def test_keyboard_alone_places_nudges_and_saves(
    open_hand: Callable[[Session], Hand], session: Session
) -> None:
    """Cross, arrows, Space, undo, redo, skip and save without the mouse."""
    from qtpy.QtCore import Qt

    hand = open_hand(session)
    hand.key(Qt.Key.Key_Space)  # the cross appears
    start = hand.view.pair.aim
    hand.key(Qt.Key.Key_Right, shift=True)
    hand.key(Qt.Key.Key_Down)
    hand.key(Qt.Key.Key_Space)
    assert session.draft.landmarks["shaft_dorsal"].points[0] == pytest.approx((start[0] + 1, start[1] + 10))
    hand.key(Qt.Key.Key_Left, ctrl=True, shift=True)
    hand.key(Qt.Key.Key_Space)
    assert session.active == "shaft_volar"
    hand.key(Qt.Key.Key_P)
    assert session.active == "shaft_dorsal"
    before = session.draft.landmarks["shaft_dorsal"].points[0]
    hand.key(Qt.Key.Key_Up, ctrl=True)
    assert session.draft.landmarks["shaft_dorsal"].points[0] == pytest.approx((before[0] - 0.1, before[1]))
    hand.key(Qt.Key.Key_Z, ctrl=True)
    assert session.draft.landmarks["shaft_dorsal"].points[0] == before
    hand.key(Qt.Key.Key_Z, ctrl=True, shift=True)
    assert session.draft.landmarks["shaft_dorsal"].points[0] != before
    hand.key(Qt.Key.Key_Delete)
    assert "shaft_dorsal" not in session.draft.landmarks
    hand.key(Qt.Key.Key_Z, ctrl=True)
    while session.active:
        session.skip("metal hides it")
    hand.settle()
    hand.key(Qt.Key.Key_Return, ctrl=True)
    assert session.is_finished(0)
    assert "Saved as" in hand.view.message.text()


def test_labels_stay_with_their_marks_in_a_drag(
    open_hand: Callable[[Session], Hand],
    session: Session,
    truth: Truth,
    place_all: Callable[[Session, Truth], int],
) -> None:
    """Taking another landmark in hand by dragging it never lends a mark its neighbour's number."""
    place_all(session, truth)
    hand = open_hand(session)
    marks = hand.view.pair.current
    for name in ("shaft_volar", "hole", "pin1_tip"):
        row, column = session.draft.landmarks[name].points[0]
        for moved in (0.0, 3.0, 6.0, None):
            if moved is None:
                session.drop()
            else:
                session.drag(name, 0, (row + moved, column))
            hand.view.refresh()
            assert len(marks.offsets) == len(marks.found)
            written = {(label.words, round(label.x), round(label.y)) for label in hand.view.pair.labels.shown}
            places = [hand.on_screen(mark.point) for mark in marks.found]
            marked = {(m.label, at.x(), at.y()) for m, at in zip(marks.found, places, strict=True)}
            assert written
            assert written <= marked
            assert np.allclose(marks.marks.data, [mark.point for mark in marks.found])


def test_scale_by_keyboard(open_hand: Callable[[Session], Hand], session: Session) -> None:
    """Two places of the cross, 100 pixels apart, are 25 mm; Escape gives the clicks up again."""
    from qtpy.QtCore import Qt

    hand = open_hand(session)
    hand.view._collect_scale("marker", 25.0)
    hand.key(Qt.Key.Key_Space)
    hand.key(Qt.Key.Key_Space)
    hand.key(Qt.Key.Key_Right, ctrl=True, shift=True)
    hand.key(Qt.Key.Key_Space)
    scale = next(given for given in session.draft.scale_inputs)
    assert (scale.kind, scale.mm) == ("marker", 25.0)
    assert scale.points[1][1] - scale.points[0][1] == pytest.approx(100.0)
    hand.view._collect_scale("marker", 30.0)
    hand.key(Qt.Key.Key_Escape)
    hand.click((300.0, 300.0))
    assert len(session.draft.landmarks) == 1
    assert session.draft.scale_inputs[0].mm == 25.0


def test_finish_with_open_landmarks_asks_first(
    open_hand: Callable[[Session], Hand], session: Session
) -> None:
    """What is not answered is named, and nothing is saved until the reader says so."""
    from qtpy.QtCore import Qt

    hand = open_hand(session)
    hand.click((300.0, 300.0))
    hand.click((300.0, 500.0))
    session.propose(0, {"hole": Landmark("proposed", ((5.0, 5.0),), origin="carried")})
    hand.key(Qt.Key.Key_Return, ctrl=True)
    box = hand.view._box
    assert "Volar cortex of the shaft" in box.text()
    assert "saved as proposals" in box.text()
    assert not session.is_finished(0)
    next(b for b in box.buttons() if "all the same" in b.text()).click()
    hand.settle()
    assert session.is_finished(0)
    (path,) = Path(session.film.path).parent.glob("*.reading.json")
    assert load_reading(path).landmarks["hole"].status == "proposed"


def test_wrong_patient_is_refused_in_the_window(open_hand: Callable[[Session], Hand], tmp_path: Path) -> None:
    """Choosing another patient's film shows the reason, changes nothing, and offers that case on its own."""
    session = Session([make_film(0), make_film(1), make_film(5, patient_key="INV-2")], folder=tmp_path)
    hand = open_hand(session)
    hand.view.choice.choose(2)
    hand.settle()
    assert session.current == 0
    assert "two patients" in hand.view.message.text()
    assert hand.view.choice.films.currentIndex() == 0
    next(b for b in hand.view.choice.question.buttons() if "own case" in b.text()).click()
    hand.settle()
    assert (session.index, session.current) == (2, 2)


def test_films_stand_side_by_side_and_follow_each_other(
    open_hand: Callable[[Session], Hand],
    session: Session,
    truth: Truth,
    place_all: Callable[[Session, Truth], int],
) -> None:
    """Clicks on the right-hand film land on it; a click on the index film is refused with a word."""
    from qtpy.QtCore import QPoint, Qt
    from qtpy.QtTest import QTest

    from viewer.canvas import grid

    place_all(session, truth)
    session.show(1)
    hand = open_hand(session)
    hand.view.errands.drop_carry()
    assert grid(hand.viewer).enabled
    hand.click((500.0, 500.0))
    assert session.draft.landmarks["shaft_dorsal"].points[0] == pytest.approx((500, 500), abs=3)
    before = session.draft
    QTest.mouseClick(hand.canvas, Qt.MouseButton.LeftButton, pos=QPoint(100, hand.canvas.height() // 2))
    hand.settle()
    assert session.draft == before
    assert "placed on the current film" in hand.view.message.text()
    captions = [" ".join(caption.rows) for caption in hand.view.legends.captions]
    assert "Index film" in captions[0]
    assert all(word in captions[1] for word in ("Current film", "lateral", "right", "2026-01-19", "mm/px"))


def test_films_are_laid_together_by_landmarks_placed_since(
    open_hand: Callable[[Session], Hand], session: Session, truth: Truth, place_all: Any
) -> None:
    """Where nothing could be carried over, the next arrangement lays bone on bone; and only what changes."""
    from qtpy.QtCore import Qt

    place_all(session, truth)
    session.show(1)
    hand = open_hand(session)
    hand.view.errands.drop_carry()
    shifted = {name: points + np.array([40.0, -25.0]) for name, points in truth.items()}
    place_all(session, shifted)
    hand.settle()
    pair, name = hand.view.pair, "articular_edge_distal"

    def apart() -> float:
        edges = [session.draft_of(number).landmarks[name].points[0] for number in (0, 1)]
        on_canvas = pair.index.affine[:2, :2] @ edges[0] + pair.index.affine[:2, 2]
        return float(np.linalg.norm(pair.to_room(edges[1]) - on_canvas))

    assert apart() > 30
    hand.key(Qt.Key.Key_S)
    assert apart() < 1e-6
    drawn: list[Any] = []
    for layer in (*pair.index.every(), *pair.current.every()):
        for event in (layer.events.affine, layer.events.visible, layer.events.opacity):
            event.connect(drawn.append)
    hand.key(Qt.Key.Key_S)
    assert not drawn


def test_a_move_chooses_no_labels_and_leaves_the_other_film(
    open_hand: Callable[[Session], Hand],
    session: Session,
    truth: Truth,
    place_all: Any,
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    """Not even a drag's first move, which takes another mark in hand; once dropped, it is in hand on both."""
    from viewer import layers

    place_all(session, truth)
    session.show(1)
    place_all(session, truth)
    hand = open_hand(session)
    hand.rest()
    chosen: list[int] = []
    choose = layers.label_offsets
    monkeypatch.setattr(layers, "label_offsets", lambda *given: chosen.append(1) or choose(*given))
    pair, (row, column) = hand.view.pair, session.draft.landmarks["pin1_tip"].points[0]
    session.select("shaft_volar")
    hand.rest()
    chosen.clear()
    for step in range(3):
        session.drag("pin1_tip", 0, (row + step, column))
        hand.view.refresh()
        assert [mark.name for mark in pair.current.found if mark.in_hand] == ["pin1_tip"]
        assert {mark.name for mark in pair.index.found if mark.in_hand} == {"shaft_volar"}
    assert not chosen
    session.drop()
    hand.rest()
    assert chosen
    for film in (pair.current, pair.index):
        assert [mark.name for mark in film.found if mark.in_hand] == ["pin1_tip"]
        assert film.found[-1].name == "pin1_tip"


def test_closing_and_reopening_leaves_one_listener(
    open_hand: Callable[[Session], Hand], session: Session
) -> None:
    """The dock closed and opened three times: one click is one point, and nothing listens twice."""
    hand = open_hand(session)
    dock = hand.room.parent()
    for _ in range(3):
        dock.hide()
        hand.settle()
        assert hand.view.redraw_soon not in session.listeners
        dock.show()
        hand.settle()
    assert session.listeners.count(hand.view.redraw_soon) == 1
    assert hand.viewer.mouse_drag_callbacks.count(hand.view.mouse._on_press) == 1
    hand.click((300.0, 300.0))
    assert session.draft.landmarks["shaft_dorsal"].points == (pytest.approx((300, 300), abs=3),)


def test_leaving_a_session_leaves_nothing_behind(
    open_hand: Callable[[Session], Hand], session: Session
) -> None:
    """No layer, callback or listener stays."""
    hand = open_hand(session)
    mouse = hand.view.mouse
    hand.room.leave()
    assert not hand.viewer.layers
    assert not session.listeners
    assert mouse._on_press not in hand.viewer.mouse_drag_callbacks
    assert mouse._on_move not in hand.viewer.mouse_move_callbacks
    hand.room.open(session)
    assert len(hand.viewer.layers) == 6


def test_a_drag_is_not_a_storm(
    open_hand: Callable[[Session], Hand], session: Session, monkeypatch: Any
) -> None:
    """Forty moves within a frame are drawn once; changes and outcomes wait until the point rests."""
    from viewer import outcomes

    hand = open_hand(session)
    hand.click((300.0, 300.0))
    hand.rest()
    drawn: list[int] = []
    full: list[int] = []
    result, moving_rows = session.result, outcomes.moving_rows
    monkeypatch.setattr(session, "result", lambda: full.append(1) or result())
    monkeypatch.setattr(outcomes, "moving_rows", lambda *given: drawn.append(1) or moving_rows(*given))
    for column in range(40):
        session.drag("shaft_dorsal", 0, (300.0, 300.0 + column))
        hand.view.mouse.moving.emit()
    hand.rest()
    assert (len(drawn), len(full)) == (1, 0)
    assert "is moving" in hand.view.results.sentence.text()
    session.drop()
    hand.rest()
    assert len(full) == 1
    assert "is moving" not in hand.view.results.sentence.text()


def test_a_moving_point_shows_what_waits(
    open_hand: Callable[[Session], Hand], session: Session, place_all: Callable[[Session, Truth], int]
) -> None:
    """On a follow-up, a held point shows its value and a plain change; the outcome comes afterwards."""
    for number, gap in enumerate((0.3, 3.0)):
        session.show(number)
        place_all(session, lateral_truth(gap=gap))
    hand = open_hand(session)
    hand.rest()
    gap_at = [row.key[0] for row in hand.view.results._rows].index("articular_gap")
    table = hand.view.results.table
    before = [table.item(gap_at, column).text() for column in range(5)]
    assert before[2].startswith("+")
    assert before[4]
    row, column = session.draft.landmarks["articular_edge_proximal"].points[0]
    session.drag("articular_edge_proximal", 0, (row, column - 30.0))
    hand.view.refresh()
    now = [table.item(gap_at, column).text() for column in range(5)]
    assert now[1] != before[1]
    assert now[2].startswith("≈ +")
    assert now[4] == "…"
    session.drop()
    hand.rest()
    rows = {row.key[0]: row for row in hand.view.results._rows}
    assert "±" in rows["articular_gap"].cells[2]
    assert not any(row.pending for row in rows.values())
    assert hand.view.results.verdict.text()


def test_a_fast_second_click_is_a_click(open_hand: Callable[[Session], Hand], session: Session) -> None:
    """What Qt calls a double click places the second point, and the film is not zoomed."""
    from viewer.canvas import scene

    hand = open_hand(session)
    zoom = scene(hand.viewer).camera.zoom
    hand.click((300.0, 300.0))
    hand.double_click((300.0, 304.0))
    assert len(session.draft.landmarks["shaft_dorsal"].points) == 2
    assert scene(hand.viewer).camera.zoom == zoom
    hand.room.leave()
    assert [call.__name__ for call in hand.viewer.mouse_double_click_callbacks] == ["double_click_to_zoom"]


def test_a_film_by_keyboard_alone(
    open_hand: Callable[[Session], Hand], session: Session, truth: Truth
) -> None:
    """Tab reaches the scale's controls, a distance is typed and placed; then every landmark, and saved."""
    from qtpy.QtCore import Qt

    hand = open_hand(session)
    view, scale = hand.view, hand.view.scale
    hand.tab_to(view.tabs.tabBar())
    hand.press(Qt.Key.Key_Right)
    assert view.tabs.currentWidget() is scale
    hand.tab_to(scale.kind)
    hand.press(Qt.Key.Key_End)
    assert scale.kind.currentText() == "typed distance"
    hand.tab_to(scale.true_size)
    scale.true_size.selectAll()
    hand.type("40")
    hand.press(Qt.Key.Key_Tab)
    hand.tab_to(scale.add)
    hand.press(Qt.Key.Key_Space)
    assert hand.canvas.hasFocus()

    for point in ((500.0, 300.0), (500.0, 500.0)):
        hand.point_at(point)
    (given,) = session.draft.scale_inputs
    assert (given.kind, given.mm) == ("typed distance", 40.0)
    while name := session.active:
        if name not in truth:
            hand.key(Qt.Key.Key_A)
            continue
        spread = np.linspace(0, len(truth[name]) - 1, session.view.landmark[name].points[0])
        for point in truth[name][spread.round().astype(int)]:
            hand.point_at(point)
    for name, landmark in session.draft.landmarks.items():
        if landmark.located:
            nearest = [np.linalg.norm(truth[name] - point, axis=1).min() for point in landmark.points]
            assert max(nearest) < 1.0, name
    hand.key(Qt.Key.Key_Return, ctrl=True)
    assert session.is_finished(0)


def test_a_click_beside_a_proposal_says_where_it_belongs(
    open_hand: Callable[[Session], Hand], session: Session
) -> None:
    """Within reach of its own mark too: the proposal in hand is moved and confirmed, not only selected."""
    session.propose(0, {"hole": Landmark("proposed", ((400.0, 500.0),), origin="carried")})
    session.select("hole")
    hand = open_hand(session)
    hand.click((404.0, 504.0))
    hole = session.draft.landmarks["hole"]
    assert hole.status == "confirmed"
    assert hole.points[0] == pytest.approx((404.0, 504.0), abs=2.5)


def test_enter_does_not_place_at_a_stale_cross(
    open_hand: Callable[[Session], Hand], session: Session
) -> None:
    """Enter places where the cross was moved to for this landmark, once; else it says so."""
    from qtpy.QtCore import Qt

    hand = open_hand(session)
    hand.key(Qt.Key.Key_Space)
    hand.key(Qt.Key.Key_Return)
    assert not session.draft.landmarks
    assert "has not been moved" in hand.view.message.text()
    hand.key(Qt.Key.Key_Right)
    hand.key(Qt.Key.Key_Return)
    assert len(session.draft.landmarks["shaft_dorsal"].points) == 1
    hand.key(Qt.Key.Key_Return)
    assert "has not been moved" in hand.view.message.text()
    hand.key(Qt.Key.Key_Space)
    assert "already" in hand.view.message.text()
    assert len(session.draft.landmarks["shaft_dorsal"].points) == 1


def test_what_films_do_not_say_is_said_in_the_window(
    open_hand: Callable[[Session], Hand], session: Session, tmp_path: Path
) -> None:
    """Pictures without view and side: asked for on opening; one case has one side, and says so."""
    from viewer.describe_panel import DescribeDialog, DescribeFilms
    from viewer.folder import Folder

    films = [make_film(n, view=None, laterality=None) for n in range(3)]
    hand = open_hand(session)
    hand.room.open_films(Folder(tmp_path, films))
    asking = hand.room.stack.currentWidget()
    assert isinstance(asking, DescribeFilms)
    assert not asking.read.isEnabled()
    for film in films[:2]:
        view, side = asking.choices(film)
        view.setCurrentIndex(view.findData("lateral"))
        side.setCurrentIndex(side.findData("left"))
    asking.read.click()
    hand.settle()
    session, view = hand.room.reading.session, hand.room.reading
    assert session.visits == (0, 1)
    view.choice.visit(1)
    view.errands.drop_carry()
    view.film_panel.side.setCurrentText("right")
    view.film_panel.side.textActivated.emit("right")
    assert "one case has one side" in view.message.text()
    assert view.film_panel.side.currentText() == "left"
    view.choice.visit(-1)
    assert session.current == 0
    view.choice.choose(2)
    dialog = view.choice.question
    assert isinstance(dialog, DescribeDialog)
    choices = dialog.films.choices(films[2])
    choices[0].setCurrentIndex(choices[0].findData("lateral"))
    choices[1].setCurrentIndex(choices[1].findData("left"))
    dialog.films.read.click()
    hand.settle()
    view.errands.drop_carry()
    assert session.current == 2
    assert session.visits == (0, 1, 2)
    view.film_panel.side.setCurrentText("not stated")
    view.film_panel.side.textActivated.emit("not stated")
    assert (session.index, session.current, session.visits) == (2, 2, (2,))
    view.choice.visit(-1)  # nowhere to go, and nothing breaks


def test_verdict_and_trend_are_those_of_the_report(
    open_hand: Callable[[Session], Hand], session: Session, place_all: Callable[[Session, Truth], int]
) -> None:
    """The box says what `holdfast review` says: what moved since which film, and how it grows."""
    from measure.report import between_lines, trend_lines
    from measure.series import group

    for number, shift in enumerate((0.3, 2.5, 5.0)):
        session.show(number)
        place_all(session, lateral_truth(gap=shift))
    hand = open_hand(session)
    hand.rest()
    shown = hand.view.results.verdict.text().lower()
    (case,), _ = group(session.measured(number) for number in range(3))
    lines = [*between_lines(case), *trend_lines(case)]
    assert any(line.startswith("trend of") for line in lines)
    assert lines[0].split("; ")[0].lower() in shown
    assert next(line for line in lines if line.startswith("trend of")).lower() in shown
    everything = " ".join(hand.view.results.verdict.toolTip().lower().split())
    for line in lines:
        assert line.lower() in everything


def test_a_short_walk_through_the_window(open_hand: Callable[[Session], Hand], session: Session) -> None:
    """60 random clicks, drags and keys at the real window: the table shows what the library computes."""
    from qtpy.QtCore import Qt

    hand = open_hand(session)
    rng = np.random.default_rng(4)
    keys = [Qt.Key.Key_N, Qt.Key.Key_P, Qt.Key.Key_A, Qt.Key.Key_Delete, Qt.Key.Key_Return, Qt.Key.Key_Left,
            Qt.Key.Key_PageDown, Qt.Key.Key_PageUp, Qt.Key.Key_I, Qt.Key.Key_BracketRight]  # fmt: skip
    for _ in range(60):
        point, other = rng.uniform((150, 150), (750, 950), (2, 2)).tolist()
        deed = rng.choice(["click", "click", "click", "drag", "key", "undo", "redo"])
        if deed == "click":
            hand.click(point)
        elif deed == "drag":
            hand.drag(point, other)
        elif deed == "key":
            hand.key(keys[rng.integers(len(keys))])
        else:
            hand.key(Qt.Key.Key_Z, ctrl=True, shift=deed == "redo")
    film = session.film
    expected = measure(film, to_reading(session.draft, film, session.site)).measurements
    assert session.measured(session.current).measurements == expected
    hand.rest()
    shown = {row.key: row.cells[1] for row in hand.view.results._rows}
    assert all(
        shown[m.key] == ("none" if m.present is False else m.quantity.text() if m.quantity else "–")
        for m in expected
    )


def test_carried_landmarks_come_as_proposals(
    open_hand: Callable[[Session], Hand],
    tmp_path: Path,
    truth: Truth,
    place_all: Callable[[Session, Truth], int],
    monkeypatch: Any,
) -> None:
    """On a later film the work is done off the window's thread and laid as proposals."""
    import threading

    threads: list[str] = []

    def carry(earlier: Any, later: Any, reading: Any, stopped: Any) -> Any:
        threads.append(threading.current_thread().name)
        return {
            n: Landmark("proposed", m.points, origin="carried")
            for n, m in reading.landmarks.items()
            if m.located
        }

    monkeypatch.setattr("viewer.errands.carry_forward", carry)
    session = Session([make_film(0), make_film(1)], folder=tmp_path)
    place_all(session, truth)
    hand = open_hand(session)
    hand.view.choice.visit(1)
    for _ in range(60):
        hand.settle()
        if session.draft.landmarks:
            break
    assert session.current == 1
    assert {m.status for m in session.draft.landmarks.values()} == {"proposed"}
    assert "MainThread" not in threads
    assert not hand.view.errands.busy.isVisible()
    from qtpy.QtCore import Qt

    while session.active != "wire_break":
        hand.key(Qt.Key.Key_Return)
    hand.key(Qt.Key.Key_A)
    assert not session.checklist.remaining
    assert hand.keys == 25  # one for each landmark


@pytest.mark.parametrize("left_out", ["pin1_", "loop"])
def test_pins_that_are_not_followed_are_said(
    left_out: str,
    open_hand: Callable[[Session], Hand],
    session: Session,
    truth: Truth,
    place_all: Any,
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    """The reader is told that a pin's landmarks are to be placed; of others that are missing, nothing."""

    def carry(earlier: Any, later: Any, reading: Any, stopped: Any) -> Any:
        stays = {f"{left_out}{part}" for part in ("", "tip", "straight", "end")}
        return {n: m for n, m in reading.landmarks.items() if m.located and n not in stays}

    monkeypatch.setattr("viewer.errands.carry_forward", carry)
    place_all(session, truth)
    hand = open_hand(session)
    hand.view.choice.visit(1)
    for _ in range(60):
        hand.settle()
        if session.draft.landmarks:
            break
    assert ("could not be followed for sure" in hand.view.message.text()) == (left_out == "pin1_")


@pytest.mark.parametrize("turned", [1, 2])
def test_where_the_last_visit_cannot_be_laid_the_first_is(
    turned: int,
    open_hand: Callable[[Session], Hand],
    session: Session,
    truth: Truth,
    place_all: Any,
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    """A film lying turned costs its own proposals, not the next film's; where none can be laid it is said."""
    from measure.errors import CarryError

    def carry(earlier: Any, later: Any, reading: Any, stopped: Any) -> Any:
        if session.films.index(earlier) >= 2 - turned:
            raise CarryError(f"Film {session.films.index(earlier)} lies turned.")
        return {"hole": Landmark("proposed", reading.landmarks["hole"].points, origin="carried")}

    monkeypatch.setattr("viewer.errands.carry_forward", carry)
    for number in (0, 1):
        session.show(number)
        place_all(session, truth)
    hand = open_hand(session)
    hand.view.choice.visit(1)
    for _ in range(60):
        hand.settle()
        if session.draft.landmarks or "No proposals" in hand.view.message.text():
            break
    assert bool(session.draft.landmarks) == (turned == 1)
    assert ("No proposals. Film 1 lies turned." in hand.view.message.text()) == (turned == 2)


def test_proposals_can_be_done_without(
    open_hand: Callable[[Session], Hand],
    tmp_path: Path,
    truth: Truth,
    place_all: Callable[[Session, Truth], int],
    monkeypatch: Any,
) -> None:
    """The button stops the worker at its next step, and nothing of it is laid."""
    import threading

    from measure.errors import CarryError

    begun, ended = threading.Event(), threading.Event()

    def carry(earlier: Any, later: Any, reading: Any, stopped: Callable[[], bool]) -> Any:
        begun.set()
        while not stopped():
            pass
        ended.set()
        raise CarryError("Stopped, as asked.")

    monkeypatch.setattr("viewer.errands.carry_forward", carry)
    session = Session([make_film(0), make_film(1)], folder=tmp_path)
    place_all(session, truth)
    hand = open_hand(session)
    hand.view.choice.visit(1)
    for _ in range(60):
        hand.settle()
        if begun.is_set():
            break
    assert hand.view.errands.busy.stop.isVisible()
    hand.view.errands.busy.stop.click()
    assert ended.wait(5)
    hand.settle()
    assert not session.draft.landmarks
    assert not hand.view.errands.busy.isVisible()


def test_the_next_films_are_ready_before_they_are_asked_for(
    open_hand: Callable[[Session], Hand], tmp_path: Path
) -> None:
    """The visits beside the current film have their greys made beforehand; no other film keeps its own."""
    from viewer.layers import starting_window

    session = Session([make_film(n) for n in range(5)], folder=tmp_path)
    hand = open_hand(session)
    pair = hand.view.pair

    def ready(numbers: set[int]) -> bool:
        for _ in range(100):
            hand.settle()
            if set(pair.greys.shades) == numbers:
                return True
        return False

    assert ready({0, 1})
    np.testing.assert_array_equal(pair.greys.shades[1], session.films[1].display())
    assert pair.greys.windows[1] == starting_window(session.films[1].display())
    pair.greys.windows[1] = (0.2, 0.8)  # what the reader has set stays
    for number, numbers in ((1, {0, 1, 2}), (2, {0, 1, 2, 3}), (4, {0, 3, 4}), (1, {0, 1, 2})):
        session.show(number)
        assert ready(numbers), number
    assert pair.greys.windows[1] == (0.2, 0.8)


def test_folder_opens_off_the_thread(
    open_hand: Callable[[Session], Hand], session: Session, tmp_path: Path
) -> None:
    """Opening a folder that holds nothing says so in words and leaves the window usable."""
    hand = open_hand(session)
    empty = tmp_path / "empty"
    empty.mkdir()
    hand.room.open_folder(empty)
    for _ in range(40):
        hand.settle()
        if hand.room.message.text():
            break
    assert "No film was found" in hand.room.message.text()


def test_reading_from_the_window_is_a_library_reading(
    open_hand: Callable[[Session], Hand], session: Session, truth: Truth
) -> None:
    """What the window saves is what the library would have made of the same points."""
    from qtpy.QtCore import Qt

    hand = open_hand(session)
    place_by_mouse(hand, truth)
    hand.key(Qt.Key.Key_Return, ctrl=True)
    (path,) = Path(session.film.path).parent.glob("*.reading.json")
    saved = load_reading(path)
    own = for_film(session.film, session.site, "lateral", "AB", landmarks=saved.landmarks)
    assert measure(session.film, saved).measurements == measure(session.film, own).measurements
    assert saved.reader == "AB"
    assert lateral_truth().keys() >= {name for name, m in saved.landmarks.items() if m.located}
