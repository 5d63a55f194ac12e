"""Where the sample films are, in a checkout and in an installed wheel."""

from __future__ import annotations

from pathlib import Path

from measure.errors import FilmError


def samples_folder() -> Path:
    """Folder of the sample series; FilmError where the installation lacks it."""
    here = Path(__file__).resolve().parent
    for folder in (here / "sample_images", here.parent / "sample_images"):
        if next(folder.rglob("*.dcm"), None):
            return folder
    raise FilmError("The sample films are not in this installation. Install holdfast anew from its wheel.")
