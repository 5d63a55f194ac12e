"""Import every module of the reading room and open its window once, with the Qt binding PySide6.

    python tests/viewer_with_pyside.py

`make test` runs it in an environment of its own (.venv-pyside6) that holds no other binding: in one
process there can be but one. It places a landmark by a click, moves it by a key, and ends with status 0.
"""

from __future__ import annotations

import importlib
import os
import pkgutil
import sys
import tempfile
from pathlib import Path

ROOT = Path(__file__).resolve().parents[1]
sys.path[:0] = [str(ROOT), str(ROOT / "tests")]
os.environ["QT_API"] = BINDING = "pyside6"

from virtual_screen import start_virtual_screen  # noqa: E402


def main() -> None:
    """Raise where a module does not import or the window does not do as it should."""
    start_virtual_screen()
    import qtpy

    if (qtpy.API, qtpy.PYSIDE6) != (BINDING, True):
        raise RuntimeError(f"This is to run with {BINDING}; found {qtpy.API}.")
    import viewer

    names = [module.name for module in pkgutil.iter_modules(viewer.__path__, "viewer.")]
    for name in names:
        importlib.import_module(name)
    with tempfile.TemporaryDirectory() as folder:
        read_a_little(Path(folder))
    others = [name for name in ("PyQt5", "PyQt6", "PySide2") if name in sys.modules]
    if others:
        raise RuntimeError(f"Another binding was loaded too: {', '.join(others)}.")
    what = f"{len(names)} modules of the reading room, and its window"
    print(f"{what}, work with {BINDING} {qtpy.PYSIDE_VERSION}")


def read_a_little(folder: Path) -> None:
    """Open a session in the window, click, press keys, change the film, and leave."""
    from qtpy.QtCore import QPoint, Qt
    from qtpy.QtTest import QTest
    from viewer_films import make_film

    from viewer.app import open_room
    from viewer.canvas import canvas_widget
    from viewer.session import Session

    session = Session([make_film(number, folder) for number in range(2)], folder=folder)
    viewer, room = open_room()
    view = room.open(session)
    canvas = canvas_widget(viewer)
    canvas.window().activateWindow()
    canvas.setFocus()
    QTest.qWait(300)
    middle = QPoint(canvas.width() // 2, canvas.height() // 2)
    for place in (middle, middle + QPoint(60, 0)):
        QTest.mouseClick(canvas, Qt.MouseButton.LeftButton, pos=place)
        QTest.qWait(300)
    if session.active != "shaft_volar":
        raise RuntimeError(f"Two clicks did not place a landmark. {view.message.text()}")
    placed = session.draft.landmarks["shaft_dorsal"].points[0]
    for key in (Qt.Key.Key_P, Qt.Key.Key_Right):
        QTest.keyClick(canvas, key)
        QTest.qWait(300)
    moved = session.draft.landmarks["shaft_dorsal"].points[0]
    if moved != (placed[0], placed[1] + 1.0):
        raise RuntimeError(f"The arrow key moved the point from {placed} to {moved}.")
    session.show(1)
    QTest.qWait(300)
    if not view.results.table.rowCount() or "Current film" not in view.legends.captions[1].rows[0]:
        raise RuntimeError("The window does not show the second film.")
    room.leave()
    viewer.close()
    QTest.qWait(100)


if __name__ == "__main__":
    main()
