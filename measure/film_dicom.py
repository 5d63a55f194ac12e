"""A DICOM file's film: which elements are read, what is refused, how the pixels are decoded (PS3.5).

Reading is tolerant; only what stands between the file and its pixels is refused. pydicom is imported
where a file is read, so that importing this module costs nothing.
"""

from __future__ import annotations

import contextlib
import functools
import io
import logging
import math
import os
import re
import struct
import threading
import warnings
import zlib
from collections.abc import Iterator
from pathlib import Path
from typing import Any, BinaryIO, NamedTuple

import numpy as np
from numpy.typing import NDArray

from measure.errors import FilmError, LimitError, SeveralFramesError
from measure.film_elements import Elements, whole
from measure.film_header import KEYWORDS, LOSSY, Header, dicom_header
from measure.film_walk import UNDEFINED, refuse_absurd_header
from measure.limits import LIMITS, refuse_beyond

_UNREADABLE = "The DICOM header cannot be read: the file is damaged or cut short. Export it again."


class _Syntax(NamedTuple):
    """How a transfer syntax is decoded: always by one decoder, so that a film has one digest everywhere."""

    name: str
    decoder: str = ""  # pydicom's name for it; none is needed where nothing is compressed
    lossy: bool = False
    may_be_lossy: bool = False  # the syntax allows both
    panics: bool = False  # whether the decoder writes to the screen before it gives up
    remedy: str = "Install it anew: pip install --force-reinstall holdfast"


_EXTRA = 'Install it: pip install "holdfast[jpeg]"'
_SYNTAXES = {
    "1.2.840.10008.1.2": _Syntax("implicit little endian"),
    "1.2.840.10008.1.2.1": _Syntax("explicit little endian"),
    "1.2.840.10008.1.2.2": _Syntax("explicit big endian"),
    "1.2.840.10008.1.2.5": _Syntax("RLE", "pylibjpeg", panics=True),
    "1.2.840.10008.1.2.4.50": _Syntax("JPEG baseline", "pillow", lossy=True),
    "1.2.840.10008.1.2.4.51": _Syntax("JPEG extended", "pylibjpeg", lossy=True, remedy=_EXTRA),
    "1.2.840.10008.1.2.4.57": _Syntax("JPEG lossless", "pylibjpeg", remedy=_EXTRA),
    "1.2.840.10008.1.2.4.70": _Syntax("JPEG lossless", "pylibjpeg", remedy=_EXTRA),
    "1.2.840.10008.1.2.4.80": _Syntax("JPEG-LS lossless", "pyjpegls"),
    "1.2.840.10008.1.2.4.81": _Syntax("JPEG-LS near-lossless", "pyjpegls", lossy=True),
    "1.2.840.10008.1.2.4.90": _Syntax("JPEG 2000 lossless", "pylibjpeg"),
    "1.2.840.10008.1.2.4.91": _Syntax("JPEG 2000", "pylibjpeg", may_be_lossy=True),
    "1.2.840.10008.1.2.4.201": _Syntax("high-throughput JPEG 2000 lossless", "pylibjpeg"),
    "1.2.840.10008.1.2.4.202": _Syntax("high-throughput JPEG 2000 lossless", "pylibjpeg"),
    "1.2.840.10008.1.2.4.203": _Syntax("high-throughput JPEG 2000", "pylibjpeg", may_be_lossy=True),
}
STORED = tuple(_SYNTAXES)  # what films may be sent and kept as
_DEFLATED = "1.2.840.10008.1.2.1.99"
_INFLATED = "1.2.840.10008.1.2.1"
_BIG_ENDIAN = "1.2.840.10008.1.2.2"
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
    *("ExtendedOffsetTable", "ExtendedOffsetTableLengths"),
)


@functools.cache
def _tags() -> list[Any]:
    from pydicom.tag import Tag

    return [Tag(keyword) for keyword in (*_PIXEL_KEYWORDS, *KEYWORDS)]


# Warning filters belong to the whole process, so two threads must not change them at once.
_SILENCE = threading.RLock()


@contextlib.contextmanager
def quiet() -> Iterator[None]:
    """Keep from logs and screen what the libraries warn of: their words may name a patient."""
    log = logging.getLogger("pydicom")
    with _SILENCE, warnings.catch_warnings():
        warnings.simplefilter("ignore")
        propagate, log.propagate = log.propagate, False
        try:
            yield
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
        error = SeveralFramesError(
            f"The file holds {count} frames. Say which one to read, from 1 to {count} (--frame)."
        )
        error.count = count
        raise error
    if frame is not None and not 1 <= frame <= count:
        raise FilmError(f"Frame {frame} was asked for, but the file holds frames 1 to {count}.")
    return (frame or 1) - 1


MAKER = "holdfast"  # what our own objects name as their manufacturer
_OWN_CLASSES = (  # PS3.4, Annex B.5: Comprehensive SR, Grayscale Softcopy Presentation State
    "1.2.840.10008.5.1.4.1.1.88.33",
    "1.2.840.10008.5.1.4.1.1.11.1",
)
_MANUFACTURER = 0x00080070
_BEGINNING = 4096  # bytes; class and manufacturer stand among the first elements


def is_own_object(path: Path) -> bool:
    """Whether a file is a report or drawing that holdfast wrote; cheap for any other file, never raises."""
    try:
        if not path.is_file():  # a pipe would be waited for
            return False
        with path.open("rb") as file:
            beginning = file.read(_BEGINNING)
        if MAKER.encode() not in beginning or not any(uid.encode() in beginning for uid in _OWN_CLASSES):
            return False
        from pydicom.filereader import read_partial

        with quiet():
            found = read_partial(io.BytesIO(beginning), lambda tag, *_: tag > _MANUFACTURER)
        return found.SOPClassUID in _OWN_CLASSES and found.Manufacturer == MAKER
    except Exception:  # whatever pydicom meets in a damaged file, which is told of when it is read
        return False


def size_problem(rows: int, columns: int) -> str | None:
    """Say what is wrong with a picture's size, before anything of that size is made."""
    if rows < 1 or columns < 1:
        return f"its size is {rows} x {columns} pixels"
    side, whole_picture = LIMITS["side_pixels"].most, LIMITS["picture_pixels"].most
    if max(rows, columns) > side or rows * columns > whole_picture:
        return (
            f"its size, {rows} x {columns} pixels, is beyond any film "
            f"(at most {side} a side and {whole_picture:,} in all)"
        )
    return None


class _Stored(NamedTuple):
    """Pixels as they lie in the file: `source` stands at their first byte."""

    source: BinaryIO
    uid: str
    vr: str
    length: int

    @property
    def syntax(self) -> _Syntax:
        return _SYNTAXES[self.uid]


def read_dicom(path: Path, frame: int | None) -> tuple[NDArray[Any], Header]:
    """Read the stored pixels (rows, columns) and the header of one DICOM film.

    Raises FilmError, without anything that names the patient.
    """
    with quiet(), path.open("rb") as file:
        dataset, stored = _open(*_data_set(file, path))
        _refuse_other_than_films(dataset)
        frames = whole(dataset, "NumberOfFrames") or 1
        refuse_beyond("frames", frames)
        index = frame_index(frames, frame)
        elements = Elements(dataset, index)
        _refuse_damaged(stored, elements, frames)
        pixels = _decode(stored, elements, index)
        photometric = _photometric(dataset)
        header = dicom_header(
            elements,
            photometric=photometric if photometric in _GREY else "MONOCHROME2",
            signed=pixels.dtype.kind == "i",
            frame=frame if frames > 1 else None,
        )
    return pixels, header


def _data_set(file: BinaryIO, path: Path) -> tuple[BinaryIO, str]:
    """Where to read the data set from, and its transfer syntax, empty where the file does not name it."""
    from pydicom.filereader import read_file_meta_info

    has_preamble = file.read(132)[128:] == b"DICM"
    try:
        meta: Any = read_file_meta_info(path) if has_preamble else {}
        uid = str(meta.get("TransferSyntaxUID") or "")
        start = 132 + 12 + meta.FileMetaInformationGroupLength if uid == _DEFLATED else 0
    except Exception:  # pydicom raises what it meets, and its words may hold the file's values
        raise FilmError(_UNREADABLE) from None
    file.seek(start)
    return (io.BytesIO(_inflate(file.read())), _INFLATED) if start else (file, uid)


def _inflate(deflated: bytes) -> bytes:
    """Inflate a data set up to a limit: a small file could otherwise fill the memory."""
    inflater = zlib.decompressobj(-zlib.MAX_WBITS)
    try:
        inflated = inflater.decompress(deflated, LIMITS["inflated_bytes"].most)
    except zlib.error:
        raise FilmError(_UNREADABLE) from None
    if inflater.unconsumed_tail:
        raise FilmError("Inflated, the file is larger than any film. Export it again, uncompressed.")
    if not inflater.eof:
        raise FilmError(_UNREADABLE)
    return inflated


def _open(source: BinaryIO, uid: str) -> tuple[Any, _Stored]:
    """Elements of `_tags` before the pixels, and where the pixels are."""
    from pydicom import dcmread

    refuse_absurd_header(source, big_endian=uid == _BIG_ENDIAN)
    try:
        dataset = dcmread(source, force=True, stop_before_pixels=True, specific_tags=_tags())
    except Exception:  # as in `_data_set`
        raise FilmError(_UNREADABLE) from None
    uid = uid or _BY_ENCODING.get(dataset.original_encoding, "")
    if uid not in _SYNTAXES:
        raise FilmError("Its transfer syntax cannot be decoded. Export the film uncompressed or as JPEG-LS.")
    order = "<" if dataset.original_encoding[1] else ">"
    head = source.read(8)  # PS3.5 7.1: tag, then a length, or a representation, two bytes and a length
    if len(head) < 8 or struct.unpack(f"{order}2H", head[:4]) != (0x7FE0, 0x0010):
        raise FilmError(
            f"The DICOM file holds no picture{_kind(dataset)}, or is cut short before it. "
            "Give the film itself."
        )
    explicit = head[4:6] in (b"OB", b"OW", b"UN")
    length = source.read(4) if explicit else head[4:]
    vr = head[4:6].decode() if explicit else "OW"
    return dataset, _Stored(source, uid, vr, int.from_bytes(length, "little" if order == "<" else "big"))


def _refuse_other_than_films(dataset: Any) -> None:
    """Raise FilmError with every reason why the file holds no film."""
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

    try:
        uid = UID(str(dataset.get("SOPClassUID", "")))
    except Exception:  # a damaged element; what is said is said without it
        return ""
    return f" (it is: {uid.name})" if uid.type == "SOP Class" else ""


def _photometric(dataset: Any) -> str:
    try:
        return str(dataset.get("PhotometricInterpretation")).strip().upper()
    except Exception:  # whatever pydicom meets in a damaged value
        return ""


def _refuse_damaged(stored: _Stored, elements: Elements, frames: int) -> None:
    """Raise FilmError where the pixels are fewer, or of another size, than the header says.

    A decoder would fill up what is missing, or make room for any size. Notes lossy compression.
    """
    needed = {keyword: whole(elements.dataset, keyword) or 0 for keyword in _NEEDED}
    size = (needed["Rows"], needed["Columns"])
    if stored.syntax.decoder:
        coded = _coded(stored.source)
        if coded.irreversible or stored.syntax.lossy:
            elements.warn(LOSSY)
        elif stored.syntax.may_be_lossy and elements.code("LossyImageCompression") not in ("00", "01"):
            elements.warn("its compression may be lossy: the file does not say")
        for other in coded.sizes - {size}:
            raise FilmError(
                f"The compressed picture is {other[0]} x {other[1]} pixels, its header says "
                f"{size[0]} x {size[1]}. Export the film again."
            )
        return
    if stored.length == UNDEFINED:
        raise FilmError(
            f"The pixels are compressed, but the header says {stored.syntax.name}. Export the film again."
        )
    samples = 2 if _photometric(elements.dataset) == "YBR_FULL_422" else needed["SamplesPerPixel"]
    expected = math.prod(size) * samples * needed["BitsAllocated"] // 8 * frames
    if stored.length < expected:
        raise FilmError(
            f"The file is cut short: it holds {stored.length} bytes of pixels, its header asks for "
            f"{expected}. Export the film again."
        )
    if stored.length > expected + expected % 2:
        elements.warn("more pixel data than the header asks for; the rest was left out")


class _Coded(NamedTuple):
    """What the code streams of encapsulated pixel data say of themselves."""

    sizes: frozenset[tuple[int, int]]  # (rows, columns)
    irreversible: bool  # whether a JPEG 2000 stream was made by the transform that loses detail


def _coded(source: BinaryIO) -> _Coded:
    """Look into encapsulated pixel data (PS3.5 A.4). Raises FilmError where the last of it is cut short."""
    from pydicom.encaps import parse_basic_offsets

    start, sizes, irreversible, pieces = source.tell(), set(), False, 0
    try:
        parse_basic_offsets(source)
        while (tag := source.read(4)) == _ITEM:
            pieces += 1
            refuse_beyond("fragments", pieces)
            (length,) = struct.unpack("<L", source.read(4))
            after = source.tell() + length
            code = source.read(min(length, _CODE_HEADER))
            sizes.add(_coded_size(code))
            irreversible |= _is_irreversible(code)
            source.seek(after)
    except LimitError:
        raise
    except (ValueError, struct.error):
        tag = b""
    if not pieces or tag != _SEQUENCE_END:
        raise FilmError("The compressed pixels are cut short or damaged. Export the film again.")
    source.seek(start)
    return _Coded(frozenset(size for size in sizes if size), irreversible)


_ITEM, _SEQUENCE_END = b"\xfe\xff\x00\xe0", b"\xfe\xff\xdd\xe0"
_CODE_HEADER = 2**20  # bytes; a code stream's size is near its start
_JPEG_FRAME_HEADERS = {*range(0xC0, 0xD0), 0xF7} - {0xC4, 0xC8, 0xCC}  # SOF0-15, and JPEG-LS's SOF55


def _coded_size(code: bytes) -> tuple[int, int] | None:
    """Rows and columns of a JPEG, JPEG-LS or JPEG 2000 code stream, if it is the start of one."""
    if code.startswith(b"\xff\x4f\xff\x51"):  # ISO/IEC 15444-1, A.5.1
        right, bottom, left, top = struct.unpack_from(">4I", code, 8)
        return bottom - top, right - left
    at = 2 if code.startswith(b"\xff\xd8") else len(code)  # ITU-T T.81, B.1.1
    while at + 9 <= len(code) and code[at] == 0xFF:
        if code[at + 1] in _JPEG_FRAME_HEADERS:
            rows, columns = struct.unpack_from(">2H", code, at + 5)
            return (rows, columns) if rows else None
        filling = code[at + 1] == 0xFF
        at += 1 if filling else 2 + struct.unpack_from(">H", code, at + 2)[0]
    return None


def _is_irreversible(code: bytes) -> bool:
    """Whether it is the start of a JPEG 2000 code stream by the 9-7 transform (ISO/IEC 15444-1, A.6.1)."""
    at = 2 if code.startswith(b"\xff\x4f\xff\x51") else len(code)
    while at + 14 <= len(code) and code[at] == 0xFF:
        if code[at + 1] == 0x52:  # COD; the transform is the last of its fixed part
            return code[at + 13] == 0
        at += 2 + struct.unpack_from(">H", code, at + 2)[0]
    return False


def _decode(stored: _Stored, elements: Elements, index: int) -> NDArray[Any]:
    """One frame as stored: (rows, columns), uint8, uint16 or int16 in little-endian order."""
    pixels = _decoded(stored, elements.dataset, index)
    if pixels.ndim == 3:
        if not (pixels[..., :1] == pixels[..., 1:]).all():
            raise FilmError("The picture is in colour, no radiograph. Export it again in greyscale.")
        pixels = pixels[..., 0]
        elements.warn("grey stored as colour: one of three equal channels was read")
    if pixels.dtype == np.int8:
        pixels = pixels.astype(np.int16)
    pixels = np.ascontiguousarray(pixels, dtype=pixels.dtype.newbyteorder("<"))
    return _within_bits(pixels, whole(elements.dataset, "BitsStored") or 0, elements)


def _decoded(stored: _Stored, dataset: Any, index: int) -> NDArray[Any]:
    """One frame as pydicom decodes it; colour as RGB."""
    from pydicom.pixels import as_pixel_options, get_decoder

    decoder, syntax = get_decoder(stored.uid), stored.syntax
    if syntax.decoder and syntax.decoder not in decoder.available_plugins:
        raise FilmError(f"No decoder for {syntax.name} is installed. {syntax.remedy}")
    try:
        with _no_panic() if syntax.panics else contextlib.nullcontext():
            pixels: NDArray[Any] = decoder.as_array(
                stored.source,
                index=index,
                decoding_plugin=syntax.decoder,
                pixel_keyword="PixelData",
                pixel_vr=stored.vr,
                correct_unused_bits=False,  # `_within_bits` does, only where they are set
                **as_pixel_options(dataset),
            )[0]
    except (KeyboardInterrupt, SystemExit):
        raise
    except BaseException as error:  # the RLE decoder's panic is no Exception
        raise FilmError(
            f"The pixels cannot be decoded ({syntax.name}): the file is damaged, cut short or not what its "
            "header says. Export it again."
        ) from error
    return pixels


@contextlib.contextmanager
def _no_panic() -> Iterator[None]:
    """Keep a decoder written in Rust from telling of its panic: it writes past Python, to the process's own.

    Called within `quiet`, so that no two threads change it at once.
    """
    try:
        screen = os.dup(2)
    except OSError:  # there is none, as in a program without a console
        yield
        return
    nowhere = os.open(os.devnull, os.O_WRONLY)
    try:
        os.dup2(nowhere, 2)
        yield
    finally:
        os.dup2(screen, 2)
        os.close(screen)
        os.close(nowhere)


def _within_bits(pixels: NDArray[Any], bits: int, elements: Elements) -> NDArray[Any]:
    """Cut off the bits above Bits Stored, which are no part of the value (PS3.5 8.1.1)."""
    spare = 8 * pixels.dtype.itemsize - bits
    low = -(2 ** (bits - 1)) if pixels.dtype.kind == "i" else 0
    if not spare or (pixels.max() < low + 2**bits and (not low or pixels.min() >= low)):
        return pixels
    elements.warn(f"values go beyond Bits Stored ({bits}): the bits above were cut off")
    return (pixels << spare) >> spare
