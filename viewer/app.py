"""The reading room as a program of its own: `holdfast read FOLDER`."""

from __future__ import annotations

from pathlib import Path
from typing import Any

from measure.errors import HoldfastError
from measure.profiles import Profiles
from measure.reading_list import load_list
from measure.sites import load_site
from viewer.session import SITE

SIZE = (1600, 1000)
# napari's docks that a reader has no use for; they come back from its Window menu.
UNUSED_DOCKS = ("layer list", "layer controls")


def run(
    folder: Path | None = None,
    *,
    site: str = SITE,
    reader: str | None = None,
    view: str | None = None,
    plan: Path | None = None,
    profiles: Profiles | None = None,
) -> None:
    """Open the window, on a folder if one is given, and return when it is closed.

    Site, reader, view and profiles are as in `viewer.session.Session`, `plan` as in `ReadingRoom`. Raises
    HoldfastError where napari or Qt is not installed, the folder is not there, the site or view is unknown,
    or the list cannot be read.
    """
    views = load_site(site).views
    if view is not None and view not in views:
        raise HoldfastError(f"The {site} has no view {view!r}. Its views are: {', '.join(views)}.")
    if folder is not None and not folder.is_dir():
        raise HoldfastError(f"There is no folder {folder.name!r} at the path given. Check the path.")
    if plan is not None:
        if folder is None or reader is None:
            raise HoldfastError("A reading list needs the folder of its films, and --reader.")
        if view is not None or profiles:
            raise HoldfastError(
                "A reading list says its own view, and shows no values that a profile would change. "
                "Leave out --view and --profile; review and the reports take the profile later."
            )
        load_list(plan).tasks_of(reader)  # or say at once what is wrong with it
    try:
        import napari
    except ImportError as error:
        raise HoldfastError(
            f"The reading room needs napari and Qt ({error.name or error} is not installed). "
            "Install them: pip install 'holdfast[viewer-pyqt6]'"
        ) from None
    open_room(folder, site=site, reader=reader, view=view, plan=plan, profiles=profiles)
    napari.run()


def open_room(folder: Path | None = None, **reading: Any) -> tuple[Any, Any]:
    """Open a napari window with the reading room in it; return both. The caller runs the event loop.

    Other arguments are the room's own.
    """
    import napari
    from qtpy.QtWidgets import QDockWidget

    from viewer.window import ReadingRoom

    viewer = napari.Viewer(title="holdfast: reading room")
    viewer.window.resize(*SIZE)
    room = ReadingRoom(viewer, **reading)
    viewer.window.add_dock_widget(room, name="Reading room", area="right")
    for dock in room.window().findChildren(QDockWidget):
        if dock.objectName() in UNUSED_DOCKS:
            dock.hide()
    if folder is not None:
        room.open_folder(folder)
    return viewer, room
