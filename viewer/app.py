"""The reading room as a program of its own: `holdfast read FOLDER`."""

from __future__ import annotations

from pathlib import Path
from typing import Any

from measure.errors import HoldfastError

SIZE = (1600, 1000)
# napari's docks that a reader has no use for; they come back from its Window menu.
UNUSED_DOCKS = ("layer list", "layer controls")


def run(folder: Path | None = None, reader: str | None = None) -> None:
    """Open the window, on a folder if one is given, and return when it is closed.

    Raises HoldfastError where napari or Qt is not installed, or the folder is not there.
    """
    if folder is not None and not folder.is_dir():
        raise HoldfastError(f"There is no folder {folder.name!r} at the path given. Check the path.")
    try:
        import napari
    except ImportError as error:
        raise HoldfastError(
            f"The reading room needs napari and Qt ({error.name or error} is not installed). "
            "Install them: pip install 'holdfast[viewer-pyqt6]'"
        ) from None
    open_room(folder, reader)
    napari.run()


def open_room(folder: Path | None = None, reader: str | None = None) -> tuple[Any, Any]:
    """Open a napari window with the reading room in it; return both. The caller runs the event loop."""
    import napari
    from qtpy.QtWidgets import QDockWidget

    from viewer.window import ReadingRoom

    viewer = napari.Viewer(title="holdfast: reading room")
    viewer.window.resize(*SIZE)
    room = ReadingRoom(viewer, reader=reader)
    viewer.window.add_dock_widget(room, name="Reading room", area="right")
    for dock in room.window().findChildren(QDockWidget):
        if dock.objectName() in UNUSED_DOCKS:
            dock.hide()
    if folder is not None:
        room.open_folder(folder)
    return viewer, room
