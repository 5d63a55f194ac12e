"""What a file may bring: each limit refuses what goes beyond it, and lets pass what does not."""

from __future__ import annotations

import io
import os
import struct
import time
import tracemalloc
from collections.abc import Callable
from pathlib import Path

import imagecodecs
import numpy as np
import pytest
from pydicom.dataset import Dataset
from pydicom.encaps import encapsulate
from pydicom.sequence import Sequence
from pydicom.uid import JPEG2000, ExplicitVRBigEndian, ImplicitVRLittleEndian, RLELossless

from measure.errors import FilmError, LimitError
from measure.film import read_film, search
from measure.film_walk import refuse_absurd_header
from measure.limits import LIMITS, Limit, refuse_beyond
from measure.review import review

WriteFilm = Callable[..., Path]


def with_header(path: Path, extra: bytes, at: bytes) -> Path:
    """Put bytes into a film's header, before the element whose tag is given."""
    data = path.read_bytes()
    place = data.index(at, 300)
    path.write_bytes(data[:place] + extra + data[place:])
    return path


def nested(levels: int, *, defined: bool) -> bytes:
    """Explicit private sequences within each other, with lengths or delimiters."""
    inner = b""
    for _ in range(levels):
        length = struct.pack("<L", len(inner)) if defined else b"\xff\xff\xff\xff"
        ends = ("", "") if defined else (b"\xfe\xff\x0d\xe0\0\0\0\0", b"\xfe\xff\xdd\xe0\0\0\0\0")
        item = b"\xfe\xff\x00\xe0" + length + inner + (ends[0] or b"")
        size = struct.pack("<L", len(item)) if defined else b"\xff\xff\xff\xff"
        inner = b"\x09\0\x10\x10SQ\0\0" + size + item + (ends[1] or b"")
    return inner


BEFORE = b"\x10\0\x20\0"  # the patient's identifier


@pytest.mark.parametrize("defined", [True, False])
def test_deep_nesting_is_refused(write_film: WriteFilm, tmp_path: Path, defined: bool) -> None:
    """With lengths or with delimiters; what films really need passes."""
    most = LIMITS["nesting"].most
    read_film(with_header(write_film(tmp_path / "a.dcm"), nested(most, defined=defined), BEFORE))
    deep = with_header(write_film(tmp_path / "b.dcm"), nested(most + 1, defined=defined), BEFORE)
    with pytest.raises(LimitError, match="sequences within sequences may have at most 24 levels"):
        read_film(deep)


def test_many_levels_take_no_time(write_film: WriteFilm, tmp_path: Path) -> None:
    """Ten thousand levels are refused at the first too many."""
    deep = with_header(write_film(tmp_path / "a.dcm"), nested(10_000, defined=False), BEFORE)
    started = time.perf_counter()
    with pytest.raises(LimitError):
        read_film(deep)
    assert time.perf_counter() - started < 1.0


def test_a_huge_private_element_is_refused_unread(write_film: WriteFilm, tmp_path: Path) -> None:
    """Its length alone is looked at, whether the file holds that much or not."""
    for claimed in (2**27, 2**31):
        film = write_film(tmp_path / "a.dcm")
        element = b"\x09\0\x10\x10UN\0\0" + struct.pack("<L", claimed)
        tracemalloc.start()
        with pytest.raises(LimitError, match="one element of a header may have at most 67,108,864 bytes"):
            read_film(with_header(film, element, BEFORE))
        assert tracemalloc.get_traced_memory()[1] < 2**24
        tracemalloc.stop()


@pytest.mark.parametrize("uid", [ImplicitVRLittleEndian, ExplicitVRBigEndian])
def test_other_encodings_are_walked(uid: str) -> None:
    """Implicit and big-endian headers keep the same limits, and ordinary ones pass."""
    ordinary, absurd = Dataset(), Dataset()
    ordinary.PatientID = absurd.PatientID = "P1"
    ordinary.AnatomicRegionSequence = Sequence([Dataset()])
    absurd.add_new(0x00091010, "UN", bytes(2**20))
    implicit, little = uid == ImplicitVRLittleEndian, uid != ExplicitVRBigEndian
    for dataset, refused in ((ordinary, False), (absurd, True)):
        file = io.BytesIO()
        dataset.save_as(file, implicit_vr=implicit, little_endian=little)
        file.seek(0)
        with pytest.MonkeyPatch.context() as patch:
            patch.setitem(LIMITS, "element_bytes", Limit(2**19, "bytes", "one element"))
            if refused:
                with pytest.raises(LimitError):
                    refuse_absurd_header(file, big_endian=not little)
            else:
                refuse_absurd_header(file, big_endian=not little)
                assert file.tell() == 0


@pytest.mark.parametrize(
    ("name", "most"), [("header_elements", 10), ("header_bytes", 100), ("film_bytes", 1000), ("frames", 0)]
)
def test_each_limit_is_kept(
    write_film: WriteFilm, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, name: str, most: int
) -> None:
    """A film passes as limits are, and is refused where one is set below what it has."""
    film = write_film(tmp_path / "a.dcm")
    read_film(film)
    monkeypatch.setitem(LIMITS, name, Limit(most, "pieces", "it"))
    with pytest.raises(LimitError, match=f"it may have at most {most:,} pieces, received"):
        read_film(film)


def test_a_picture_of_too_many_pixels_is_refused(write_film: WriteFilm, tmp_path: Path) -> None:
    """Each side within its limit is not enough."""
    with pytest.raises(FilmError, match="19000 x 19000 pixels, is beyond any film"):
        read_film(write_film(tmp_path / "a.dcm", Rows=19_000, Columns=19_000))


def test_the_most_is_still_allowed() -> None:
    """A limit is the most that passes."""
    refuse_beyond("nesting", LIMITS["nesting"].most)
    with pytest.raises(LimitError):
        refuse_beyond("nesting", LIMITS["nesting"].most + 1)


def test_endless_fragments_are_refused(
    write_film: WriteFilm, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Compressed pixels in a great many pieces are not counted to the end."""
    path = write_film(tmp_path / "a.dcm")
    import pydicom

    dataset = pydicom.dcmread(path)
    dataset.compress(RLELossless, generate_instance_uid=False)
    dataset.save_as(path)
    read_film(path)
    monkeypatch.setitem(LIMITS, "fragments", Limit(0, "pieces", "it"))
    with pytest.raises(LimitError):
        read_film(path)


def test_a_pipe_is_no_film(tmp_path: Path) -> None:
    """It is refused at once rather than waited for, and so is a device."""
    os.mkfifo(tmp_path / "pipe.dcm")
    with pytest.raises(FilmError, match="no ordinary file"):
        read_film(tmp_path / "pipe.dcm")
    with pytest.raises(FilmError, match="no ordinary file"):
        read_film("/dev/zero")
    os.mkfifo(tmp_path / "IM0001")
    assert search(tmp_path).films == (tmp_path / "pipe.dcm",)


def test_links_are_told_and_not_followed(write_film: WriteFilm, tmp_path: Path) -> None:
    """Neither to a film nor to a folder; a circle of links ends."""
    film = write_film(tmp_path / "films" / "a.dcm")
    elsewhere = write_film(tmp_path / "elsewhere" / "b.dcm", 2)
    (film.parent / "link.dcm").symlink_to(elsewhere)
    (film.parent / "folder").symlink_to(elsewhere.parent)
    (film.parent / "circle").symlink_to(film.parent)
    found = search(film.parent)
    assert found.films == (film,)
    assert [name for name, _ in found.refused] == ["circle", "folder", "link.dcm"]
    assert [problem.name for problem in review(film.parent).problems] == ["circle", "folder", "link.dcm"]


def test_an_unreadable_folder_is_told(
    write_film: WriteFilm, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """What lies in it cannot be measured, and nobody is left to think that nothing was there."""
    write_film(tmp_path / "a.dcm")
    write_film(tmp_path / "closed" / "b.dcm", 2)
    scandir = os.scandir

    def closed(path: str) -> object:
        if os.fspath(path).endswith("closed"):
            raise PermissionError(13, "Permission denied", os.fspath(path))
        return scandir(path)

    monkeypatch.setattr(os, "scandir", closed)  # root may read anything, so modes would not do
    assert search(tmp_path).refused == (("closed", "The folder cannot be read: Permission denied."),)


def test_folders_without_end_are_told(
    write_film: WriteFilm, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Deeper than the limit nothing is looked at, and it is said."""
    write_film(tmp_path / "a" / "b" / "c" / "film.dcm")
    monkeypatch.setitem(LIMITS, "folder_depth", Limit(2, "levels", "folders"))
    found = search(tmp_path)
    assert found.films == ()
    assert found.refused == (("b", "Folders deeper than 2 levels."),)


def test_damaged_rle_says_nothing_of_its_own(
    write_film: WriteFilm, tmp_path: Path, capfd: pytest.CaptureFixture[str]
) -> None:
    """The decoder's panic stays off the screen, and later words get there."""
    path = write_film(tmp_path / "a.dcm")
    import pydicom

    dataset = pydicom.dcmread(path)
    dataset.compress(RLELossless, generate_instance_uid=False)
    dataset.PixelData = encapsulate([struct.pack("<16L", 1, 64, *[0] * 14) + b"\x7f\x01"])
    dataset.save_as(path)
    with pytest.raises(FilmError, match="cannot be decoded"):
        read_film(path)
    os.write(2, b"still here")
    assert capfd.readouterr().err == "still here"


@pytest.mark.parametrize(
    ("reversible", "level", "said", "told"),
    [
        (False, 30, None, "lossy compression"),
        (False, 30, "00", "lossy compression"),
        (True, 0, "00", None),
        (True, 0, None, "its compression may be lossy: the file does not say"),
    ],
)
def test_lossy_jpeg_2000_is_told(
    write_film: WriteFilm, tmp_path: Path, reversible: bool, level: int, said: str | None, told: str | None
) -> None:
    """By the transform that the picture itself names (ISO/IEC 15444-1), whatever the header says."""
    path = write_film(tmp_path / "a.dcm", LossyImageCompression=said)
    import pydicom

    dataset = pydicom.dcmread(path)
    code = imagecodecs.jpeg2k_encode(
        np.frombuffer(dataset.PixelData, np.uint8).reshape(dataset.Rows, dataset.Columns),
        reversible=reversible, level=level, codecformat="j2k",
    )  # fmt: skip
    dataset.PixelData = encapsulate([bytes(code)])
    dataset.file_meta.TransferSyntaxUID = JPEG2000
    dataset.save_as(path)
    warnings = [words for words in read_film(path).warnings if "lossy" in words]
    assert warnings == ([told] if told else [])
