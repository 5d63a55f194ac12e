"""A film: its pixels as stored, and what its file says about it.

`read_film` reads DICOM (CR, DX, RF, SC) and 8- or 16-bit PNG, JPEG and TIFF. Points on a film are
(row, column), 0-based, at pixel centres, of the array returned here, which is never turned, cropped
or resampled.
"""

from __future__ import annotations

import functools
import hashlib
import os
import stat
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from measure.errors import FilmError
from measure.film_dicom import (
    frame_index,
    is_own_object,
    looks_like_dicom,
    quiet,
    read_dicom,
    size_problem,
)
from measure.film_grey import GreyScale
from measure.film_header import Header, Spacing
from measure.limits import LIMITS, refuse_beyond

__all__ = [
    "Film",
    "Found",
    "GreyScale",
    "Header",
    "Spacing",
    "looks_like_film",
    "peek",
    "read_film",
    "search",
]

_PICTURE_STARTS = {
    b"\x89PNG\r\n\x1a\n": "PNG",
    b"\xff\xd8\xff": "JPEG",
    b"II*\0": "TIFF",
    b"MM\0*": "TIFF",
    b"II+\0": "TIFF",
    b"MM\0+": "TIFF",
}
_SUFFIXES = {".dcm", ".dicom", ".png", ".jpg", ".jpeg", ".tif", ".tiff"}
_ORIENTATION, _PHOTOMETRIC = 274, 262  # TIFF 6.0 tags
_HEAD = 132  # up to the end of DICOM's "DICM"


@dataclass(frozen=True, eq=False, kw_only=True, repr=False)
class Film(Header):
    """One film: the fields of `Header`, its pixels and where they came from.

    Parameters
    ----------
    pixels
        (rows, columns), read-only: stored values as decoded, uint8, uint16 or int16.
    path
        File it was read from.
    """

    pixels: NDArray[Any]
    path: str = ""

    def __post_init__(self) -> None:
        if self.pixels.ndim != 2 or self.pixels.dtype.name not in ("uint8", "uint16", "int16"):
            raise FilmError(
                "A film is a 2-D array of uint8, uint16 or int16; "
                f"received {self.pixels.ndim}-D {self.pixels.dtype.name}."
            )
        little_endian = self.pixels.dtype.newbyteorder("<")  # as the digest and the grey scale expect
        pixels = np.ascontiguousarray(self.pixels, dtype=little_endian).view()
        pixels.flags.writeable = False
        object.__setattr__(self, "pixels", pixels)

    def __repr__(self) -> str:
        # Without what names the patient: a repr ends up in logs.
        rows, columns = self.pixels.shape
        return (
            f"Film({rows} x {columns}, {self.photometric}, {self.bits} bits, {self.view}, {self.laterality})"
        )

    @property
    def name(self) -> str:
        """File's name without its folders."""
        return Path(self.path).name

    @functools.cached_property
    def digest(self) -> str:
        """`sha256:` and the hash of shape, data type and pixels: the same in every lossless syntax."""
        rows, columns = self.pixels.shape
        digest = hashlib.sha256(f"{rows} {columns} {self.pixels.dtype.name}\n".encode())
        digest.update(self.pixels.data)
        return f"sha256:{digest.hexdigest()}"

    @property
    def aspect(self) -> tuple[float, float]:
        """(row, column) size of a pixel with the column's as unit; (1, 1) where the file says nothing."""
        spacing = self.spacing
        size = spacing.imager or spacing.pixel or spacing.nominal or spacing.aspect or (1.0, 1.0)
        return size[0] / size[1], 1.0

    def values(self) -> NDArray[np.float32]:
        """Output of the modality stage (PS3.3 C.11.1), (rows, columns)."""
        return self._look_up(self.grey.values(_every_value(self.pixels.dtype)))

    def display(self) -> NDArray[np.float32]:
        """Film as it is meant to be shown (PS3.3 C.11.2), (rows, columns), 0 black to 1 white (dense bone).

        The first VOI table or window applies; a film without one is spread over its own values.
        MONOCHROME1 is inverted, and padding is black.
        """
        stored = _every_value(self.pixels.dtype)
        values, padding = self.grey.values(stored), self.grey.is_padding(stored)
        shades = self.grey.shades(values, self._span(values, padding))
        if self.photometric == "MONOCHROME1":
            shades = 1 - shades
        return self._look_up(np.where(padding, 0.0, shades))

    def padding_mask(self) -> NDArray[np.bool_] | None:
        """Where the film is padding and no picture, (rows, columns); None where it has no padding value."""
        return self.grey.is_padding(self.pixels) if self.grey.padding else None

    @property
    def _patterns(self) -> NDArray[Any]:
        """Pixels as unsigned bit patterns, which index a table of every stored value."""
        return self.pixels.view(f"u{self.pixels.dtype.itemsize}")

    def _look_up(self, table: NDArray[np.float64]) -> NDArray[np.float32]:
        # The grey scale is a function of the stored value, so it is worked out once for each value.
        import cv2

        return np.asarray(cv2.LUT(self._patterns, table.astype(np.float32)))

    def _span(self, values: NDArray[np.float64], padding: NDArray[np.bool_]) -> tuple[float, float]:
        """Lowest and highest value on the film beside padding; needed only where no VOI stage is there."""
        if self.grey.voi or self.grey.window:
            return 0.0, 1.0
        present = np.zeros(values.shape, dtype=bool)
        present[self._patterns] = True
        shown = values[present & ~padding]
        return (float(shown.min()), float(shown.max())) if shown.size else (0.0, 1.0)


def _every_value(dtype: np.dtype[Any]) -> NDArray[Any]:
    """Every value of an 8- or 16-bit type, in order of its bit pattern."""
    unsigned = np.dtype(f"u{dtype.itemsize}")
    return np.arange(2 ** (8 * dtype.itemsize), dtype=unsigned).view(dtype)


def read_film(path: str | os.PathLike[str], *, frame: int | None = None) -> Film:
    """Read one film.

    Parameters
    ----------
    path
        A DICOM file, with or without its preamble, or an 8- or 16-bit PNG, JPEG or TIFF. The contents
        decide, not the name.
    frame
        Which frame of a file with several, counted from 1 as DICOM counts.

    Raises
    ------
    FilmError
        The file is missing, damaged, in colour, holds no picture, or holds several and `frame` does
        not say which. The message holds neither path nor patient: the caller names the file.
    """
    path = Path(path)
    try:
        _refuse_special(path)
        with path.open("rb") as file:
            head = file.read(_HEAD)
        if looks_like_dicom(head):
            pixels, header = read_dicom(path, frame)
        elif kind := _picture_kind(head):
            pixels, header = _read_picture(path, kind, frame)
        else:
            what = "The file is empty." if not head else "The file is neither DICOM nor PNG, JPEG or TIFF."
            raise FilmError(f"{what} Give the film as it was exported.")
    except OSError as error:
        why = error.strerror or "it is damaged or cut short"
        raise FilmError(f"The file cannot be read: {why}.") from None
    return Film(**vars(header), pixels=pixels, path=str(path))


def _refuse_special(path: Path) -> None:
    """Refuse what would hang or fill the memory when read: a device, a pipe, a huge file. Raises OSError."""
    status = path.stat()
    if not (stat.S_ISREG(status.st_mode) or stat.S_ISDIR(status.st_mode)):  # a folder raises when opened
        raise FilmError("This is no ordinary file (a device, pipe or socket). Give the film as a file.")
    refuse_beyond("film_bytes", status.st_size)


def peek(path: str | os.PathLike[str]) -> bool:
    """Whether the file starts as a film would; cheap, and never raises."""
    try:
        if not Path(path).is_file():  # a pipe would be waited for
            return False
        with Path(path).open("rb") as file:
            head = file.read(_HEAD)
    except (OSError, ValueError):
        return False
    return looks_like_film(head)


def looks_like_film(head: bytes) -> bool:
    """Whether a file that starts with these bytes (132 or more) should be a film."""
    return looks_like_dicom(head) or _picture_kind(head) is not None


@dataclass(frozen=True)
class Found:
    """What lies under a folder: the films' paths, and name and reason of each part that was not looked at.

    `own` are the reports and drawings that holdfast wrote.
    """

    films: tuple[Path, ...]
    refused: tuple[tuple[str, str], ...] = ()
    own: tuple[Path, ...] = ()


def search(folder: str | os.PathLike[str]) -> Found:
    """Find the files under a folder, at any depth, that should be films, sorted.

    These are *.dcm, *.dicom, *.png, *.jpg, *.jpeg, *.tif and *.tiff by their names, and files without
    an extension (or with a number for one, as UIDs have) that start as DICOM does. Hidden files and
    DICOMDIR are left out. Symbolic links are not followed, since they may lead anywhere; these and folders
    that cannot be read are `refused`, what holdfast wrote is `own`. Raises FilmError where the folder itself
    cannot be read.
    """
    try:
        os.listdir(folder)
    except OSError as error:
        raise FilmError(f"The folder cannot be read: {error.strerror}.") from None
    files: list[Path] = []
    refused: list[tuple[str, str]] = []

    def unreadable(error: OSError) -> None:
        refused.append((Path(error.filename).name, f"The folder cannot be read: {error.strerror}."))

    deepest = len(Path(folder).parts) + LIMITS["folder_depth"].most
    for parent, folders, names in os.walk(folder, onerror=unreadable):
        links = [name for name in folders if Path(parent, name).is_symlink()]
        refused += [(name, _LINK) for name in links if not name.startswith(".")]
        folders[:] = [name for name in folders if not name.startswith(".")]
        if folders and len(Path(parent).parts) >= deepest:
            refused.append((Path(parent).name, f"Folders deeper than {LIMITS['folder_depth'].most} levels."))
            folders.clear()
        for path in (Path(parent, name) for name in names):
            if _is_film_file(path):
                files.append(path) if not path.is_symlink() else refused.append((path.name, _LINK))
    own = frozenset(filter(is_own_object, files))
    films = tuple(sorted(path for path in files if path not in own))
    return Found(films, tuple(sorted(refused)), tuple(sorted(own)))


_LINK = "A symbolic link is not followed. Give the folder or copy the film it points to."


def _is_film_file(path: Path) -> bool:
    if path.name.startswith(".") or path.name.upper() == "DICOMDIR":
        return False
    if path.suffix.lower() in _SUFFIXES:
        return True
    return (not path.suffix or path.suffix[1:].isdigit()) and peek(path)


def _picture_kind(head: bytes) -> str | None:
    return next((kind for start, kind in _PICTURE_STARTS.items() if head.startswith(start)), None)


def _read_picture(path: Path, kind: str, frame: int | None) -> tuple[NDArray[Any], Header]:
    """Pixels and what little a picture file says. Raises FilmError."""
    from PIL import Image

    notes = [f"a {kind} file: no scale, patient, side, view or date"]
    with quiet():
        try:
            with Image.open(path, formats=(kind,)) as image:
                several = getattr(image, "n_frames", 1) > 1
                image.seek(frame_index(getattr(image, "n_frames", 1), frame))
                pixels, photometric = _picture_pixels(image, kind, notes)
                aspect = _aspect(image.info.get("dpi"))
        except FilmError:
            raise
        except Exception as error:
            raise FilmError(
                f"The {kind} file is damaged, cut short or of a kind that is not read. "
                "Save it as 16-bit greyscale PNG."
            ) from error
    header = Header(
        photometric=photometric,
        bits=8 * pixels.dtype.itemsize,
        spacing=Spacing(aspect=aspect),
        frame=frame if several else None,
        warnings=tuple(notes),
    )
    return pixels, header


def _picture_pixels(image: Any, kind: str, notes: list[str]) -> tuple[NDArray[Any], str]:
    """Give stored values and photometric interpretation of the present frame; adds to `notes`."""
    if problem := size_problem(image.height, image.width):
        raise FilmError(f"This is no film: {problem}.")
    sixteen_bit = any(";16" in str(tile) for tile in image.tile)  # gone once anything else is asked of it
    white_is_zero = kind == "TIFF" and image.tag_v2.get(_PHOTOMETRIC) == 0
    turned = image.getexif().get(_ORIENTATION, 1) != 1
    if turned and kind == "TIFF":  # Pillow turns these, and the pixels as stored cannot be had
        raise FilmError("The TIFF has an orientation tag that turns it. Save it again without one.")
    if turned:
        notes.append("an orientation tag asks for the picture to be turned; the pixels are as stored")
    if kind == "JPEG":
        notes.append("lossy compression")
    pixels = _grey_channel(image, sixteen_bit, notes)
    if white_is_zero and image.mode == "L":
        pixels = 255 - pixels  # Pillow inverts these, at 8 bits only
    return pixels, "MONOCHROME1" if white_is_zero else "MONOCHROME2"


def _grey_channel(image: Any, sixteen_bit: bool, notes: list[str]) -> NDArray[Any]:
    if image.mode == "L" or image.mode.startswith("I;16"):
        pixels = np.asarray(image)
        return pixels.astype(pixels.dtype.newbyteorder("<"))
    if image.mode not in ("RGB", "RGBA", "YCbCr", "P", "PA", "LA") or sixteen_bit:
        raise FilmError(
            "The picture is neither 8- nor 16-bit greyscale (bilevel, floating-point, 32-bit and 16-bit "
            "colour are not read). Save it as 16-bit greyscale."
        )
    colour = np.asarray(image.convert("RGB"))
    if not (colour[..., :1] == colour[..., 1:]).all():
        raise FilmError("The picture is in colour, no radiograph. Save it in greyscale.")
    notes.append("grey stored as colour: one of three equal channels was read")
    return np.ascontiguousarray(colour[..., 0])


def _aspect(dpi: Any) -> tuple[float, float] | None:
    """(row, column) relative pixel size from (column, row) dots per inch, where these differ."""
    try:
        across, down = (float(number) for number in dpi)
    except (TypeError, ValueError):
        return None
    return (1 / down, 1 / across) if min(across, down) > 0 and across != down else None
