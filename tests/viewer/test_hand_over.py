"""What leaves the reading room: without a window, and by its button in a real one."""

from __future__ import annotations

import gc
import shutil
from pathlib import Path

import pytest

from measure.film import read_film
from measure.samples import samples_folder
from viewer.hand_over import HAND_OVERS, REPORT_FOLDER, TABLES_FOLDER, hand_over
from viewer.session import Session


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    """Copy a patient's films with their saved readings."""
    return Path(shutil.copytree(samples_folder() / "HF-0002", tmp_path / "films"))


@pytest.mark.parametrize(
    ("action", "where", "first"),
    [("Write report", REPORT_FOLDER, "case-001.pdf"), ("Write research tables", TABLES_FOLDER, "values.csv")],
)
def test_each_writes_its_files_and_names_nobody(folder: Path, action: str, where: str, first: str) -> None:
    words = hand_over(action, folder)
    assert f"files are in {where}" in words
    written = list((folder / where).iterdir())
    assert first in {path.name for path in written}
    assert not any(b"HF-0002" in path.read_bytes() for path in written)


def test_nothing_saved_nothing_written(folder: Path) -> None:
    for reading in folder.glob("*.reading.json"):
        reading.unlink()
    assert hand_over("Write report", folder).startswith("Nothing was written")
    assert not (folder / REPORT_FOLDER).exists()


def test_without_a_folder_it_says_so() -> None:
    for action in HAND_OVERS:
        assert "nowhere to write to" in hand_over(action, None)


def test_what_cannot_be_written_is_said(folder: Path) -> None:
    """A file stands where the folder should be."""
    (folder / REPORT_FOLDER).write_text("in the way")
    words = hand_over("Write report", folder)
    assert "files are in" not in words
    assert "HF-0002" not in words


@pytest.mark.usefixtures("qapp")
def test_one_click_in_the_window(folder: Path) -> None:
    """The button works off the window's thread, shows that it does, and says what came of it."""
    from qtpy.QtTest import QTest

    from viewer.app import open_room

    viewer, room = open_room()
    try:
        films = [read_film(path) for path in sorted(folder.glob("*lateral.dcm"))]
        view = room.open(Session(films, reader="AB", folder=folder))
        view.film_panel.hand_overs["Write report"].click()
        assert view.busy_words.text() == "Write report…"
        assert not view.busy.isHidden()
        for _ in range(600):
            QTest.qWait(100)
            if view.busy.isHidden():
                break
        assert "files are in" in view.message.text()
        assert (folder / REPORT_FOLDER / "case-001.pdf").exists()
    finally:
        room.leave()
        viewer.close()
        QTest.qWait(50)
        gc.collect()
