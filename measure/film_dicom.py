"""A DICOM file's film: which elements are read, what is refused, how the pixels are decoded (PS3.5).

Reading is tolerant; only what stands between the file and its pixels is refused. pydicom is imported
where a file is read, so that importing this module costs nothing.
"""

from __future__ import annotations

import contextlib
import functools
import io
import logging
import re
import struct
import threading
import warnings
import zlib
from collections.abc import Iterator, Sequence
from dataclasses import replace
from pathlib import Path
from typing import Any, NamedTuple

import numpy as np
from numpy.typing import NDArray

from measure.errors import FilmError
from measure.film_elements import Elements, whole
from measure.film_header import KEYWORDS, Header, dicom_header

# Beyond any film: the largest digitised ones have some 60 million pixels.
MOST_PER_SIDE = 20_000
_MOST_BYTES = 2 * MOST_PER_SIDE**2


class _Syntax(NamedTuple):
    """How a transfer syntax is decoded: always by one decoder, so that a film has one digest everywhere."""

    name: str
    decoder: str = ""  # pydicom's name for it; none is needed where nothing is compressed
    lossy: bool = False
    remedy: str = "Install it anew: pip install --force-reinstall holdfast"


_EXTRA = 'Install it: pip install "holdfast[jpeg]"'
_SYNTAXES = {
    "1.2.840.10008.1.2": _Syntax("implicit little endian"),
    "1.2.840.10008.1.2.1": _Syntax("explicit little endian"),
    "1.2.840.10008.1.2.2": _Syntax("explicit big endian"),
    "1.2.840.10008.1.2.5": _Syntax("RLE", "pylibjpeg"),
    "1.2.840.10008.1.2.4.50": _Syntax("JPEG baseline", "pillow", lossy=True),
    "1.2.840.10008.1.2.4.51": _Syntax("JPEG extended", "pylibjpeg", lossy=True, remedy=_EXTRA),
    "1.2.840.10008.1.2.4.57": _Syntax("JPEG lossless", "pylibjpeg", remedy=_EXTRA),
    "1.2.840.10008.1.2.4.70": _Syntax("JPEG lossless", "pylibjpeg", remedy=_EXTRA),
    "1.2.840.10008.1.2.4.80": _Syntax("JPEG-LS lossless", "pyjpegls"),
    "1.2.840.10008.1.2.4.81": _Syntax("JPEG-LS near-lossless", "pyjpegls", lossy=True),
    "1.2.840.10008.1.2.4.90": _Syntax("JPEG 2000 lossless", "pylibjpeg"),
    "1.2.840.10008.1.2.4.91": _Syntax("JPEG 2000", "pylibjpeg"),  # lossy or not: the header says
    "1.2.840.10008.1.2.4.201": _Syntax("high-throughput JPEG 2000 lossless", "pylibjpeg"),
    "1.2.840.10008.1.2.4.202": _Syntax("high-throughput JPEG 2000 lossless", "pylibjpeg"),
    "1.2.840.10008.1.2.4.203": _Syntax("high-throughput JPEG 2000", "pylibjpeg"),
}
_DEFLATED = "1.2.840.10008.1.2.1.99"
_INFLATED = "1.2.840.10008.1.2.1"
_BY_ENCODING = {  # (implicit, little endian), of a file that does not name its syntax
    (True, True): "1.2.840.10008.1.2",
    (False, True): "1.2.840.10008.1.2.1",
    (False, False): "1.2.840.10008.1.2.2",
}

_GREY = ("MONOCHROME1", "MONOCHROME2")
# Colour is decoded only to see whether it is grey stored as colour.
_COLOUR = ("RGB", "YBR_FULL", "YBR_FULL_422", "YBR_ICT", "YBR_RCT")
_NEEDED: dict[str, tuple[int, ...]] = {  # keyword to what is allowed; any number where nothing is listed
    "Rows": (),
    "Columns": (),
    "SamplesPerPixel": (1, 3),
    "BitsAllocated": (8, 16),
    "BitsStored": (),
    "PixelRepresentation": (0, 1),
}
_PIXEL_KEYWORDS = (
    *_NEEDED,
    *("PhotometricInterpretation", "PlanarConfiguration", "NumberOfFrames"),
    *("PixelData", "ExtendedOffsetTable", "ExtendedOffsetTableLengths"),
)


@functools.cache
def _tags() -> list[Any]:
    from pydicom.tag import Tag

    return [Tag(keyword) for keyword in (*_PIXEL_KEYWORDS, *KEYWORDS)]


# Warning filters belong to the whole process, so two threads must not change them at once.
_SILENCE = threading.RLock()


@contextlib.contextmanager
def quiet() -> Iterator[list[warnings.WarningMessage]]:
    """Keep from logs and screen what the libraries warn of: their words may name a patient."""
    log = logging.getLogger("pydicom")
    with _SILENCE, warnings.catch_warnings(record=True) as caught:
        warnings.simplefilter("always")
        propagate, log.propagate = log.propagate, False
        try:
            yield caught
        finally:
            log.propagate = propagate


_BARE_START = re.compile(rb"(?:[\x02\x08]\0..|\0[\x02\x08]..)(?:[A-Z]{2}|..\0\0)", re.DOTALL)


def looks_like_dicom(head: bytes) -> bool:
    """Whether a file that starts with these bytes (132 or more) is DICOM, with its preamble or without.

    One without starts with an element of group 2 or 8, explicit or implicit.
    """
    return head[128:132] == b"DICM" or bool(_BARE_START.match(head))


def frame_index(count: int, frame: int | None) -> int:
    """Index of the frame asked for (from 1) in a file of `count`. Raises FilmError where it is not clear."""
    if frame is None and count > 1:
        raise FilmError(f"The file holds {count} frames. Say which one to read, from 1 to {count}.")
    if frame is not None and not 1 <= frame <= count:
        raise FilmError(f"Frame {frame} was asked for, but the file holds frames 1 to {count}.")
    return (frame or 1) - 1


def size_problem(rows: int, columns: int) -> str | None:
    """Say what is wrong with a picture's size, before anything of that size is made."""
    if rows < 1 or columns < 1:
        return f"its size is {rows} x {columns} pixels"
    if max(rows, columns) > MOST_PER_SIDE:
        return f"its size, {rows} x {columns} pixels, is beyond any film (at most {MOST_PER_SIDE} a side)"
    return None


def read_dicom(path: Path, frame: int | None) -> tuple[NDArray[Any], Header]:
    """Read the stored pixels (rows, columns) and the header of one DICOM film.

    Raises FilmError, without anything that names the patient.
    """
    with quiet() as caught:
        dataset, syntax = _parse(path)
        _refuse_other_than_films(dataset)
        frames = whole(dataset, "NumberOfFrames") or 1
        index = frame_index(frames, frame)
        elements = Elements(dataset, index)
        pixels = _decode(elements, syntax, index, frames)
        photometric = _photometric(dataset)
        header = dicom_header(
            elements,
            photometric=photometric if photometric in _GREY else "MONOCHROME2",
            signed=pixels.dtype.kind == "i",
            lossy=syntax.lossy,
            frame=frame if frames > 1 else None,
        )
    return pixels, _with_warnings(header, caught)


def _parse(path: Path) -> tuple[Any, _Syntax]:
    """Elements of `_tags` in the file, and its transfer syntax."""
    try:
        dataset = _read_elements(path)
        uid = str(dataset.file_meta.get("TransferSyntaxUID") or _BY_ENCODING[dataset.original_encoding])
        dataset.file_meta.TransferSyntaxUID = uid
    except (FilmError, OSError):
        raise
    except Exception:  # pydicom raises what it meets, and its words may hold the file's values
        raise FilmError(
            "The DICOM header cannot be read: the file is damaged or cut short. Export it again."
        ) from None
    if uid not in _SYNTAXES:
        raise FilmError("Its transfer syntax cannot be decoded. Export the film uncompressed or as JPEG-LS.")
    return dataset, _SYNTAXES[uid]


def _read_elements(path: Path) -> Any:
    from pydicom import dcmread
    from pydicom.filereader import read_file_meta_info

    with path.open("rb") as file:
        has_preamble = file.read(132)[128:] == b"DICM"
        meta = read_file_meta_info(path) if has_preamble else None
        if not (meta and meta.get("TransferSyntaxUID") == _DEFLATED):
            file.seek(0)
            return dcmread(file, force=True, specific_tags=_tags())
        file.seek(132 + 12 + meta.FileMetaInformationGroupLength)  # 12 are that element's own bytes
        dataset = dcmread(io.BytesIO(_inflate(file.read())), force=True, specific_tags=_tags())
    meta.TransferSyntaxUID = _INFLATED
    dataset.file_meta = meta
    return dataset


def _inflate(deflated: bytes) -> bytes:
    """Inflate a data set up to a limit: a small file could otherwise fill the memory."""
    inflater = zlib.decompressobj(-zlib.MAX_WBITS)
    inflated = inflater.decompress(deflated, _MOST_BYTES)
    if inflater.unconsumed_tail:
        raise FilmError("Inflated, the file is larger than any film. Export it again, uncompressed.")
    if not inflater.eof:
        raise FilmError("The deflated file is cut short. Export it again.")
    return inflated


def _refuse_other_than_films(dataset: Any) -> None:
    """Raise FilmError with every reason why the file holds no film."""
    if "PixelData" not in dataset:
        raise FilmError(
            f"The DICOM file holds no picture{_kind(dataset)}, or is cut short before it. "
            "Give the film itself."
        )
    values = {keyword: whole(dataset, keyword) for keyword in _NEEDED}
    missing = [keyword for keyword, value in values.items() if value is None]
    problems = [f"{', '.join(missing)} cannot be read"] if missing else []
    for keyword, allowed in _NEEDED.items():
        value = values[keyword]
        if allowed and value is not None and value not in allowed:
            problems.append(f"{keyword} is {value}, expected {' or '.join(map(str, allowed))}")
    if not missing:
        rows, columns, _, allocated, stored, _ = (value or 0 for value in values.values())
        problems += filter(None, [size_problem(rows, columns)])
        if not 1 <= stored <= allocated:
            problems.append(f"BitsStored is {stored}, expected 1 to {allocated}")
    if _photometric(dataset) not in (*_GREY, *_COLOUR):
        problems.append("PhotometricInterpretation is a colour map or unknown, expected MONOCHROME1 or 2")
    if problems:
        raise FilmError(f"This is no greyscale film: {'; '.join(problems)}. Export it again as a radiograph.")


def _kind(dataset: Any) -> str:
    """Name of the file's class in brackets, if DICOM has one for it."""
    from pydicom.uid import UID

    uid = UID(str(dataset.get("SOPClassUID", "")))
    return f" (it is: {uid.name})" if uid.type == "SOP Class" else ""


def _photometric(dataset: Any) -> str:
    try:
        return str(dataset.get("PhotometricInterpretation")).strip().upper()
    except Exception:  # whatever pydicom meets in a damaged value
        return ""


def _decode(elements: Elements, syntax: _Syntax, index: int, frames: int) -> NDArray[Any]:
    """One frame as stored: (rows, columns), uint8, uint16 or int16 in little-endian order."""
    dataset = elements.dataset
    if syntax.decoder:
        _refuse_without_decoder(dataset.file_meta.TransferSyntaxUID, syntax)
        _refuse_other_size(dataset, index, frames)
    pixels = _decoded(dataset, syntax, index)
    if pixels.ndim == 3:
        if not (pixels[..., :1] == pixels[..., 1:]).all():
            raise FilmError("The picture is in colour, no radiograph. Export it again in greyscale.")
        pixels = pixels[..., 0]
        elements.warn("grey stored as colour: one of three equal channels was read")
    if pixels.dtype == np.int8:
        pixels = pixels.astype(np.int16)
    pixels = np.ascontiguousarray(pixels, dtype=pixels.dtype.newbyteorder("<"))
    return _within_bits(pixels, int(dataset.BitsStored), elements)


def _decoded(dataset: Any, syntax: _Syntax, index: int) -> NDArray[Any]:
    from pydicom.pixels import pixel_array

    try:
        # Unused bits are seen to in `_within_bits`, so that no copy is made where they are not set.
        pixels: NDArray[Any] = pixel_array(
            dataset, index=index, decoding_plugin=syntax.decoder, view_only=True, correct_unused_bits=False
        )
    except Exception as error:
        raise FilmError(
            f"The pixels cannot be decoded ({syntax.name}): the file is damaged, cut short or not what its "
            "header says. Export it again."
        ) from error
    return pixels


def _refuse_without_decoder(uid: Any, syntax: _Syntax) -> None:
    from pydicom.pixels import get_decoder

    if syntax.decoder not in get_decoder(uid).available_plugins:
        raise FilmError(f"No decoder for {syntax.name} is installed. {syntax.remedy}")


def _refuse_other_size(dataset: Any, index: int, frames: int) -> None:
    """Raise FilmError where the compressed picture is of another size than the header says.

    A decoder would make room for the former, however large, or return a part of it.
    """
    from pydicom.encaps import get_frame

    try:
        size = _coded_size(get_frame(dataset.PixelData, index, number_of_frames=frames))
    except Exception:
        return  # the decoder meets the same, and it is refused there
    said = (int(dataset.Rows), int(dataset.Columns))
    if size and size != said:
        raise FilmError(
            f"The compressed picture is {size[0]} x {size[1]} pixels, its header says {said[0]} x {said[1]}. "
            "Export the film again."
        )


_JPEG_FRAME_HEADERS = {*range(0xC0, 0xD0), 0xF7} - {0xC4, 0xC8, 0xCC}  # SOF0-15, and JPEG-LS's SOF55


def _coded_size(code: bytes) -> tuple[int, int] | None:
    """Rows and columns that a JPEG, JPEG-LS or JPEG 2000 code stream says; None where not found."""
    if (start := code.find(b"\xff\x4f\xff\x51", 0, 1024)) >= 0:  # ISO/IEC 15444-1, A.5.1
        right, bottom, left, top = struct.unpack_from(">4I", code, start + 8)
        return bottom - top, right - left
    at = 2 if code[:2] == b"\xff\xd8" else len(code)  # ITU-T T.81, B.1.1
    while at + 9 <= len(code) and code[at] == 0xFF:
        if code[at + 1] in _JPEG_FRAME_HEADERS:
            rows, columns = struct.unpack_from(">2H", code, at + 5)
            return (rows, columns) if rows else None
        filling = code[at + 1] == 0xFF
        at += 1 if filling else 2 + struct.unpack_from(">H", code, at + 2)[0]
    return None


def _within_bits(pixels: NDArray[Any], bits: int, elements: Elements) -> NDArray[Any]:
    """Cut off the bits above Bits Stored, which are no part of the value (PS3.5 8.1.1)."""
    spare = 8 * pixels.dtype.itemsize - bits
    low = -(2 ** (bits - 1)) if pixels.dtype.kind == "i" else 0
    if not spare or (pixels.max() < low + 2**bits and (not low or pixels.min() >= low)):
        return pixels
    elements.warn(f"values go beyond Bits Stored ({bits}): the bits above were cut off")
    return (pixels << spare) >> spare


# Of pydicom's warnings, by words in them, those a reader should know of.
_TOLD = {
    "pixel data": "the length of the pixel data is not what the header says; the picture was read",
    "Bits Stored": "the compressed picture's bits are not what the header says; the picture was read",
}


def _with_warnings(header: Header, caught: Sequence[warnings.WarningMessage]) -> Header:
    texts = [str(warning.message) for warning in caught]
    ours = [ours for theirs, ours in _TOLD.items() if any(theirs in text for text in texts)]
    return replace(header, warnings=(*header.warnings, *ours)) if ours else header
