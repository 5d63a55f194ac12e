"""A reading list in a real window: blind, one film after the other, paused and gone on with."""

from __future__ import annotations

import dataclasses
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import pytest
from viewer_films import Truth, make_film

from measure.errors import HoldfastError
from measure.film import Film
from measure.reading_list import done_readings, load_list, make_list, save_list
from measure.sites import DEFAULT_PROFILE
from viewer.app import open_room, run
from viewer.folder import Folder
from viewer.session import Session

KNOWN = ("HF-TEST", "2026-01", "2.25.7", "secret")  # patient, dates, UIDs and files of the films


@pytest.fixture
def films() -> list[Film]:
    """Two films that say a great deal of themselves."""
    return [
        dataclasses.replace(
            make_film(seed),
            patient_key="HF-TEST",
            sop_instance_uid=f"2.25.7{seed}",
            path=f"secret-{seed}.dcm",
        )
        for seed in range(2)
    ]


@pytest.fixture
def room(qapp: object, films: list[Film], tmp_path: Path) -> Iterator[Any]:
    """Open the reading room on a list of two films, two rounds without a wait between them."""
    plan = make_list(
        [film.digest for film in films], ["A"], 2, 4, site="olecranon", view="lateral", wait_days=0
    )
    save_list(plan, tmp_path)
    viewer, room = open_room(plan=tmp_path, reader="A")
    room.open_list(tmp_path, Folder(tmp_path, films))
    yield room
    room.leave()
    viewer.close()


def words(room: Any) -> str:
    """Everything written in the window: labels, tables, choices, captions, layers and titles."""
    from qtpy.QtWidgets import QComboBox, QLabel, QLineEdit

    window = room.window()
    said = [label.text() for label in window.findChildren(QLabel) if label.isVisible()]
    said += [field.text() for field in window.findChildren(QLineEdit) if field.isVisible()]
    said += [c.itemText(n) for c in window.findChildren(QComboBox) for n in range(c.count())]
    said += [layer.name for layer in room.viewer.layers] + [window.windowTitle(), room.viewer.title]
    return "\n".join(said)


def test_nothing_identifying_is_in_the_window(room: Any) -> None:
    """Code and place in the list stand there; patient, date, UID, file and values do not."""
    assert "Film 1 of 4" in words(room)
    room.next_film()
    said = words(room)
    assert f"Film 1 of 4 · {room.list_page.run.task.code}" in said
    for known in KNOWN:
        assert known not in said
    assert not room.reading.results.isVisible()
    assert not room.reading.choice.isVisible()


def test_the_check_sees_what_identifies(qapp: object, films: list[Film], tmp_path: Path) -> None:
    """The test above can fail: without a list the same window says whose film it is."""
    viewer, room = open_room()
    room.open(Session(films, reader="A", folder=tmp_path))
    said = words(room)
    room.leave()
    viewer.close()
    assert "HF-TEST" in said
    assert "2026-01" in said


def test_grading_is_asked_for_and_stays_blind(
    room: Any, truth: Truth, place_all: Callable[[Session, Truth], int], tmp_path: Path
) -> None:
    """The page names the key; the sheet works in a list, names nothing, and its grades are kept."""
    assert "G opens the sheet" in words(room)
    room.next_film()
    view = room.reading
    view._film_keys()["G"]()
    assert view.tabs.currentWidget() is view.sheet
    view.sheet.pressed.emit("1")
    said = words(room)
    for known in KNOWN:
        assert known not in said
    assert len(view.session.films) == 1  # so nothing of another visit can stand beside it
    place_all(view.session, truth)
    view.finish()
    ((_, reading),) = done_readings(tmp_path, load_list(tmp_path))[0]
    assert list(reading.observations) == ["bridging_dorsal"]


def test_films_follow_each_other(
    room: Any, truth: Truth, place_all: Callable[[Session, Truth], int], tmp_path: Path
) -> None:
    """Finishing a film shows the next; after the last the page says that all is read."""
    room.next_film()
    codes = []
    while room.reading is not None:
        codes.append(room.list_page.run.task.code)
        room.reading.finish()
        assert "not answered" in room.reading.message.text()  # and nothing is kept
        place_all(room.reading.session, truth)
        room.reading.finish()
    assert codes == [task.code for task in load_list(tmp_path).tasks]
    assert len(done_readings(tmp_path, load_list(tmp_path))[0]) == 4
    assert room.list_page.place.text() == "All films of this list are read."
    assert not room.list_page.begin.isEnabled()


def test_pause_takes_the_film_away(room: Any, truth: Truth) -> None:
    """Nothing of the film stays in sight; going on brings back what was placed."""
    room.next_film()
    session = room.reading.session
    session.place(tuple(truth[session.active][0]))
    room.reading.pause.click()
    assert room.reading is None
    assert not room.viewer.layers
    assert room.list_page.run.paused
    room.list_page.begin.click()
    assert len(room.reading.session.draft.landmarks) == 1
    assert not room.list_page.run.paused


def test_a_list_that_cannot_be_opened(qapp: object, films: list[Film], tmp_path: Path) -> None:
    """What is wrong is said on the first page, or before a window opens."""
    viewer, room = open_room(plan=tmp_path, reader="A")
    room.open_list(tmp_path, Folder(tmp_path, films))
    assert "cannot be read" in room.message.text()
    viewer.close()
    with pytest.raises(HoldfastError, match="--reader"):
        run(tmp_path, plan=tmp_path)
    with pytest.raises(HoldfastError, match="cannot be read"):
        run(tmp_path, reader="A", plan=tmp_path)
    for ignored in ({"view": "lateral"}, {"profiles": {("olecranon", "lateral"): DEFAULT_PROFILE}}):
        with pytest.raises(HoldfastError, match="Leave out"):
            run(tmp_path, reader="A", plan=tmp_path, **ignored)
