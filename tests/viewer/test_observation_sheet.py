"""The sheet of what the eye sees in a real window on a virtual screen, graded with real keys."""

from __future__ import annotations

import gc
from collections.abc import Callable, Iterator
from typing import Any

import pytest

from measure.reading import Observation, load_reading
from viewer.session import Session


@pytest.fixture
def view(screen: str, qapp: Any, session: Session) -> Iterator[Any]:
    """Open a reading view in a window of its own, the film in hand."""
    from qtpy.QtTest import QTest

    from viewer.app import open_room
    from viewer.canvas import canvas_widget

    viewer, room = open_room()
    shown = room.open(session)
    qapp.processEvents()
    viewer.window._qt_window.activateWindow()
    canvas_widget(viewer).setFocus()
    QTest.qWait(30)
    yield shown
    room.leave()
    viewer.close()
    QTest.qWait(50)
    gc.collect()


@pytest.fixture
def press(view: Any) -> Callable[[str], None]:
    """Press keys one after the other on whatever has the focus: letters, digits, or a name of Qt's."""
    from qtpy.QtCore import Qt
    from qtpy.QtTest import QTest
    from qtpy.QtWidgets import QApplication

    def keys(words: str) -> None:
        for word in words.split():
            focus = QApplication.focusWidget()
            assert focus is not None
            QTest.keyClick(focus, getattr(Qt.Key, f"Key_{word}"))
            QTest.qWait(30)

    return keys


def shown(condition: Callable[[], bool]) -> bool:
    """Whether the window comes to show something, within two seconds."""
    from qtpy.QtTest import QTest

    for _ in range(100):
        if condition():
            return True
        QTest.qWait(20)
    return False


@pytest.mark.usefixtures("qapp")
def test_a_film_is_graded_by_keys_alone(view: Any, press: Callable[[str], None], session: Session) -> None:
    """G opens the sheet, a digit grades and goes on, X asks why, Esc gives the keys back to the film."""
    from qtpy.QtWidgets import QApplication

    from viewer.canvas import canvas_widget, grid

    press("PageDown")
    assert session.current == 1
    press("G")
    assert view.tabs.currentWidget() is view.sheet
    assert QApplication.focusWidget() is view.sheet
    assert grid(view.viewer).enabled  # the index film stands beside the film being graded
    press("2 X 1 1")
    given = dict(session.draft.observations)
    assert given == {
        "bridging_dorsal": Observation("callus"),
        "bridging_articular": Observation(reason="metal hides it"),
        "fracture_line": Observation("visible"),
    }
    press("Up Delete")
    assert set(session.draft.observations) == {"bridging_dorsal", "bridging_articular"}
    press("Up X Escape 3")
    assert session.draft.observations["bridging_articular"] == Observation("bridged")
    assert QApplication.focusWidget() is view.sheet
    press("1 1 2 1 1 1 2 1 1 1 1 1 1 1")
    assert len(session.draft.observations) == 16
    assert shown(lambda: view.sheet.progress.text() == "16 of 16 graded. Finish: Ctrl+Enter.")
    assert "1 bridged, 1 with callus" in view.sheet.healing.text()
    press("Escape")
    assert QApplication.focusWidget() is canvas_widget(view.viewer)
    assert view.tabs.currentWidget() is view.guide
    landmarks = dict(session.draft.landmarks)
    press("1 2 3")  # nothing on the film is graded by these
    assert dict(session.draft.landmarks) == landmarks
    assert len(load_reading(session.finish()).observations) == 16


@pytest.mark.usefixtures("qapp")
def test_nothing_covers_the_fracture_while_it_is_graded(
    view: Any, press: Callable[[str], None], session: Session
) -> None:
    """Marks, lines and labels of both films are hidden, and none can be placed or moved unseen."""
    from qtpy.QtWidgets import QApplication

    from viewer.canvas import canvas_widget
    from viewer.mouse import HIDDEN

    session.place((100.0, 100.0))
    press("PageDown")
    pair = view.pair

    def drawn() -> list[bool]:
        return [layer.visible for film in (pair.index, pair.current) for layer in (film.lines, film.marks)]

    assert shown(lambda: all(drawn()))
    press("G")
    assert not any(drawn())
    assert pair.index.image.visible
    assert pair.current.image.visible
    pair.show_labels()
    assert not pair.labels.shown
    before = session.draft
    view.mouse.click((120.0, 120.0))
    assert shown(lambda: view.message.text() == HIDDEN)
    canvas_widget(view.viewer).setFocus()
    press("Space A X Delete Right Return")
    assert session.draft == before
    press("B S PageUp PageDown")
    assert not any(drawn())
    press("Escape")
    assert shown(lambda: all(drawn()))
    assert QApplication.focusWidget() is canvas_widget(view.viewer)
    press("Space")
    press("Right Space")
    assert session.draft != before


@pytest.mark.usefixtures("qapp")
def test_a_remark_is_typed_and_kept(view: Any, press: Callable[[str], None], session: Session) -> None:
    """Digits typed into the remark grade nothing."""
    from qtpy.QtTest import QTest

    press("G")
    view.sheet.remark.setFocus()
    QTest.keyClicks(view.sheet.remark, "seen on 2 films, x")
    press("Return")
    assert session.draft.remark == "seen on 2 films, x"
    assert not session.draft.observations


@pytest.mark.usefixtures("qapp")
def test_grading_by_mouse_and_what_contradicts(
    view: Any, press: Callable[[str], None], session: Session
) -> None:
    from qtpy.QtCore import Qt
    from qtpy.QtTest import QTest

    press("G")
    sheet = view.sheet
    names = [row.name for row in view.grading.rows]
    QTest.qWait(100)  # the tab takes its place
    sheet.list.scrollToItem(sheet.list.item(names.index("wire")))
    place = sheet.list.visualItemRect(sheet.list.item(names.index("wire"))).center()
    QTest.mouseClick(sheet.list.viewport(), Qt.MouseButton.LeftButton, pos=place)
    assert shown(lambda: sheet.title.text() == "Wire")
    QTest.mouseClick(sheet.choices[2], Qt.MouseButton.LeftButton)
    assert session.draft.observations == {"wire": Observation("broken")}
    session.select("wire_break")
    session.absent()
    assert shown(lambda: sheet.list.item(names.index("wire")).text().startswith("▲"))
