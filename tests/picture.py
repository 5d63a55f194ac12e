"""Take the README's picture of the reading room: HF-0002's third visit, its reading just begun.

    python tests/picture.py [FILE] [WIDTHxHEIGHT]

The sample films are read in a copy, on a virtual screen. The third visit's own reading is left out, so that
its landmarks are proposals carried over from the second; the first of them are confirmed.
"""

from __future__ import annotations

import shutil
import sys
import tempfile
import time
from pathlib import Path
from typing import Any

ROOT = Path(__file__).resolve().parents[1]
sys.path[:0] = [str(ROOT), str(ROOT / "tests")]

from virtual_screen import SIZE, start_virtual_screen  # noqa: E402

PICTURE = ROOT / "viewer" / "resources" / "reading-room.png"
VISIT, CONFIRMED = "2025-06-24-lateral", 12
PATIENCE_S, REST_MS = 60, 1500  # proposals take seconds; then all that waits for a rest is drawn
COLOURS = 255  # a palette keeps the file small


def begun(folder: Path) -> Any:
    """Return the room's window on a copy of the sample films, with the reading of the visit begun."""
    from qtpy.QtTest import QTest

    from viewer.app import open_room

    for path in (ROOT / "sample_images" / "HF-0002").glob("*-lateral.*"):
        if not (path.stem.startswith(VISIT) and path.suffix != ".dcm"):
            shutil.copy(path, folder)
    viewer, room = open_room(folder, reader="AB")
    while room.reading is None:
        QTest.qWait(20)
    session = room.reading.session
    session.show(next(n for n, film in enumerate(session.films) if film.name.startswith(VISIT)))
    late = time.monotonic() + PATIENCE_S
    while not session.draft.landmarks and time.monotonic() < late:
        QTest.qWait(20)
    for _ in range(CONFIRMED):
        session.confirm()
    return viewer, room


def main() -> None:
    """Write the picture."""
    path = Path(sys.argv[1]) if sys.argv[1:] else PICTURE
    size = sys.argv[2] if sys.argv[2:] else SIZE
    start_virtual_screen(size)
    from PIL import Image
    from qtpy.QtTest import QTest
    from qtpy.QtWidgets import QApplication

    with tempfile.TemporaryDirectory() as folder:
        viewer, room = begun(Path(folder))
        window = room.window()
        window.setGeometry(QApplication.primaryScreen().geometry())
        room.reading.pair.fit()
        QTest.qWait(REST_MS)
        QApplication.primaryScreen().grabWindow(0).save(str(path), "PNG")
        room.leave()
        viewer.close()
    with Image.open(path) as picture:
        picture.convert("RGB").quantize(COLOURS).save(path, optimize=True)
    print(f"{path}: {path.stat().st_size / 1000:.0f} kB")


if __name__ == "__main__":
    main()
