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

    def settle(self) -> None:
        """Let the window draw."""
        from qtpy.QtTest import QTest

        QTest.qWait(45)

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


@pytest.fixture
def open_hand(screen: str, qapp: Any) -> Iterator[Callable[[Session], Hand]]:
    """Return a function that opens a window on a session."""
    from viewer.app import open_room

    opened: list[tuple[Any, Any]] = []

    def open_session(session: Session) -> Hand:
        viewer, room = open_room()
        opened.append((viewer, room))
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
    for viewer, room in opened:
        closed(room, viewer)


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
    hand.view._chosen_film(2)
    hand.settle()
    assert session.current == 0
    assert "two patients" in hand.view.message.text()
    assert hand.view.case_choice.currentIndex() == 0
    next(b for b in hand.view._box.buttons() if "own case" in b.text()).click()
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
    hand.view._drop_carry()
    assert grid(hand.viewer).enabled
    hand.click((500.0, 500.0))
    assert session.draft.landmarks["shaft_dorsal"].points[0] == pytest.approx((500, 500), abs=3)
    before = session.draft
    QTest.mouseClick(hand.canvas, Qt.MouseButton.LeftButton, pos=QPoint(100, hand.canvas.height() // 2))
    hand.settle()
    assert session.draft == before
    assert "placed on the current film" in hand.view.message.text()
    captions = [" ".join(caption._lines) for caption in hand.view.captions]
    assert "Index film" in captions[0]
    assert all(word in captions[1] for word in ("Current film", "lateral", "right", "2026-01-19", "mm/px"))


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
    assert hand.viewer.mouse_drag_callbacks.count(hand.view.pair._on_press) == 1
    hand.click((300.0, 300.0))
    assert session.draft.landmarks["shaft_dorsal"].points == (pytest.approx((300, 300), abs=3),)


def test_leaving_a_session_leaves_nothing_behind(
    open_hand: Callable[[Session], Hand], session: Session
) -> None:
    """No layer, callback or listener stays."""
    hand = open_hand(session)
    pair = hand.view.pair
    hand.room.leave()
    assert not hand.viewer.layers
    assert not session.listeners
    assert pair._on_press not in hand.viewer.mouse_drag_callbacks
    assert pair._on_move not in hand.viewer.mouse_move_callbacks
    hand.room.open(session)
    assert len(hand.viewer.layers) == 6


def test_a_drag_is_not_a_storm(
    open_hand: Callable[[Session], Hand], session: Session, monkeypatch: Any
) -> None:
    """Forty moves within a frame are drawn once."""
    hand = open_hand(session)
    hand.click((300.0, 300.0))
    drawn: list[int] = []
    result = session.result
    monkeypatch.setattr(session, "result", lambda: drawn.append(1) or result())
    for column in range(40):
        session.drag("shaft_dorsal", 0, (300.0, 300.0 + column))
        hand.view.pair.moving.emit()
    hand.settle()
    assert len(drawn) == 1


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

    def carry(earlier: Any, later: Any, reading: Any) -> Any:
        threads.append(threading.current_thread().name)
        return {
            n: Landmark("proposed", m.points, origin="carried")
            for n, m in reading.landmarks.items()
            if m.located
        }

    monkeypatch.setattr("viewer.reading_view.carry_forward", carry)
    session = Session([make_film(0), make_film(1)], folder=tmp_path)
    place_all(session, truth)
    hand = open_hand(session)
    hand.view._visit(1)
    for _ in range(60):
        hand.settle()
        if session.draft.landmarks:
            break
    assert session.current == 1
    assert {m.status for m in session.draft.landmarks.values()} == {"proposed"}
    assert "MainThread" not in threads
    assert not hand.view.busy.isVisible()
    from qtpy.QtCore import Qt

    while session.active != "wire_break":
        hand.key(Qt.Key.Key_Return)
    hand.key(Qt.Key.Key_A)
    assert not session.remaining()
    assert hand.keys == 25  # one for each landmark


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
