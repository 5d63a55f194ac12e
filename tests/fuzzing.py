"""Whatever comes from outside, damaged at random: what reads it, what is damaged, and what to watch.

A target may take what it is given or refuse it in words. Anything else is a finding: another exception, more
time or more memory than is allowed, anything on the screen. Damage is drawn from a seeded generator, so that
a finding is made again by its target, seed and number.
"""

from __future__ import annotations

import functools
import hashlib
import io
import json
import random
import struct
import tempfile
import time
import zipfile
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any
from unittest import mock

import numpy as np
from conftest import LAYOUTS, Elbow, to_pixels
from PIL import Image
from pydicom import dcmread
from pydicom.dataset import Dataset, FileMetaDataset
from pydicom.encaps import encapsulate
from pydicom.sequence import Sequence
from pydicom.uid import UID, MediaStorageDirectoryStorage

from measure.errors import HoldfastError
from measure.film import Film, read_film
from measure.inbox import Arrival, Inbox, RefusedError
from measure.reading import Landmark, from_json, to_json
from measure.reading import for_film as reading_of
from measure.sites import SITES_FOLDER, load_site, read_site, with_thresholds
from measure.unpack import films_in

MOST_SECONDS = 5.0  # for one case
MOST_MEMORY = 1200 * 2**20  # bytes more than before, while the limits allow a picture of 240 million bytes
PATIENT = "Invented^Person"
Take = Callable[[bytes, Path], object]


@dataclass(frozen=True)
class Target:
    """Something that reads what comes from outside: how, what is damaged, and how many cases in CI."""

    name: str
    take: Take
    seeds: Callable[[], list[bytes]]
    cases: int
    mend: Callable[[bytes], bytes] = lambda data: data


class FindingError(AssertionError):
    """A case that was neither taken nor refused in words."""


# --- Damage ---

_NUMBERS = (0, 1, 0x7F, 0x80, 0xFF, 0x7FFF, 0xFFFF, 0x10000, 0x7FFFFFFF, 0x80000000, 0xFFFFFFFE, 0xFFFFFFFF)


def damaged(seed: bytes, others: list[bytes], rng: random.Random) -> bytes:
    """Return a file with one to four kinds of damage, more often near its start, where headers are."""
    data = bytearray(seed)
    for _ in range(rng.choice((1, 1, 2, 4))):
        end = len(data) if rng.random() < 0.4 else min(len(data), 1500)
        at = rng.randrange(end + 1)
        length = rng.choice((1, 2, 4, 8, 64, 500))
        kind = rng.randrange(7)
        if kind == 0:
            data[at : at + 1] = bytes([rng.randrange(256)])
        elif kind == 1:
            number = struct.pack(rng.choice("<>") + "L", rng.choice(_NUMBERS))[: rng.choice((1, 2, 4))]
            data[at : at + len(number)] = number
        elif kind == 2:
            del data[at : at + length]
        elif kind == 3:
            data[at:at] = data[at : at + length] * rng.choice((1, 1, 50))
        elif kind == 4:
            data[at : at + length] = rng.randbytes(rng.choice((0, length)))
        elif kind == 5:
            other = rng.choice(others)
            data[at:] = other[min(at, len(other)) :]
        else:
            del data[at:]
    return bytes(data)


# --- Watching ---


def cases(target: Target, seed: int, count: int) -> Iterator[bytes]:
    """Cases of a target; the first are its seeds, undamaged."""
    rng = random.Random(f"{target.name} {seed}")
    seeds = target.seeds()
    yield from seeds[:count]
    for _ in range(count - len(seeds)):
        yield target.mend(damaged(rng.choice(seeds), seeds, rng))


@mock.patch("os.fsync", new=mock.Mock())  # what a case writes need not outlive a power cut
def run(target: Target, seed: int, count: int, folder: Path) -> int:
    """Give a target so many cases; return how many it took. Raises FindingError, with the case kept."""
    taken = 0
    _forget_peak()
    allowed = peak_memory() + MOST_MEMORY
    for number, data in enumerate(cases(target, seed, count)):
        started = time.perf_counter()
        try:
            target.take(data, folder)
            taken += 1
        except (HoldfastError, RefusedError) as refused:
            if PATIENT.split("^")[0] in str(refused):
                raise FindingError(_found(target, seed, number, data, "it names the patient")) from None
        except Exception as error:
            raise FindingError(_found(target, seed, number, data, repr(error))) from error
        took = time.perf_counter() - started
        if took > MOST_SECONDS:
            raise FindingError(_found(target, seed, number, data, f"it took {took:.1f} s"))
        if number % 200 == 0 and peak_memory() > allowed:
            raise FindingError(_found(target, seed, number, data, f"{peak_memory() / 2**20:.0f} MiB"))
    if peak_memory() > allowed:
        raise FindingError(f"{target.name}, seed {seed}: {peak_memory() / 2**20:.0f} MiB")
    return taken


def _found(target: Target, seed: int, number: int, data: bytes, what: str) -> str:
    kept = Path(tempfile.gettempdir(), f"holdfast-finding-{hashlib.sha256(data).hexdigest()[:12]}")
    kept.write_bytes(data)
    return f"{target.name}, seed {seed}, case {number}: {what}; kept as {kept}"


def _put(data: bytes, path: Path) -> None:
    """Write a case; a file written over would wait for the disk."""
    path.unlink(missing_ok=True)
    path.write_bytes(data)


def _forget_peak() -> None:
    Path("/proc/self/clear_refs").write_text("5", encoding="ascii")  # Linux: the peak begins anew


def peak_memory() -> int:
    """Most memory of this process since `run` began, bytes."""
    status = Path("/proc/self/status").read_text(encoding="ascii")
    return 1024 * int(status.split("VmHWM:")[1].split()[0])


# --- Films ---


@functools.cache
def plain_film() -> Dataset:
    """Small film that says all it should, and more."""
    film = Dataset()
    film.file_meta = FileMetaDataset()
    film.file_meta.TransferSyntaxUID = UID("1.2.840.10008.1.2.1")
    values: dict[str, Any] = {
        "SOPClassUID": "1.2.840.10008.5.1.4.1.1.1.1", "SOPInstanceUID": "1.2.3.4",
        "StudyInstanceUID": "1.2.3", "SeriesInstanceUID": "1.2.3.1", "Modality": "DX",
        "PatientName": PATIENT, "PatientID": "Invented-77",
        "ImageLaterality": "L", "ViewPosition": "LL", "BodyPartExamined": "ELBOW",
        "AcquisitionDate": "20310304", "AcquisitionTime": "101530.25", "ImagerPixelSpacing": [0.2, 0.1],
        "EstimatedRadiographicMagnificationFactor": 1.15, "WindowCenter": 2000, "WindowWidth": 900,
        "RescaleSlope": 1, "RescaleIntercept": 0, "PixelPaddingValue": 0, "Rows": 22, "Columns": 18,
        "SamplesPerPixel": 1, "PhotometricInterpretation": "MONOCHROME2", "PixelRepresentation": 0,
        "BitsAllocated": 16, "BitsStored": 12, "HighBit": 11,
    }  # fmt: skip
    for keyword, value in values.items():
        setattr(film, keyword, value)
    region = Dataset()
    region.CodeValue, region.CodingSchemeDesignator, region.CodeMeaning = "76505004", "SCT", "elbow"
    film.AnatomicRegionSequence = Sequence([region])
    pixels = np.random.default_rng(5).integers(0, 4096, (22, 18)).astype("<u2")
    film.PixelData = pixels.tobytes()
    return film


def _saved(film: Dataset, syntax: str = "") -> bytes:
    file = io.BytesIO()
    if syntax:
        film.file_meta.TransferSyntaxUID = UID(syntax)
    film.save_as(file, enforce_file_format=True)
    return file.getvalue()


def film_seeds() -> list[bytes]:
    """Films in every kind of syntax, and pictures."""
    import imagecodecs

    plain = _saved(plain_film())
    pixels = plain_film().pixel_array
    seeds = [plain]
    for syntax in ("1.2.840.10008.1.2", "1.2.840.10008.1.2.1.99"):
        seeds.append(_saved(dcmread(io.BytesIO(plain)), syntax))
    compressors: dict[str, Callable[[Any], bytes]] = {
        "1.2.840.10008.1.2.4.70": lambda p: imagecodecs.jpeg8_encode(p, lossless=True, bitspersample=12),
        "1.2.840.10008.1.2.4.51": lambda p: imagecodecs.jpeg8_encode(p, level=90, bitspersample=12),
        "1.2.840.10008.1.2.4.90": lambda p: imagecodecs.jpeg2k_encode(
            p, reversible=True, codecformat="J2K", bitspersample=12
        ),
        "1.2.840.10008.1.2.4.80": imagecodecs.jpegls_encode,
    }
    for syntax, encode in compressors.items():
        film = dcmread(io.BytesIO(plain))
        film.PixelData = encapsulate([bytes(encode(pixels))])
        film["PixelData"].VR, film["PixelData"].is_undefined_length = "OB", True
        seeds.append(_saved(film, syntax))
    run_length = dcmread(io.BytesIO(plain))
    run_length.compress(UID("1.2.840.10008.1.2.5"), generate_instance_uid=False)
    seeds.append(_saved(run_length))
    for form in ("PNG", "JPEG", "TIFF"):
        file = io.BytesIO()
        Image.fromarray((pixels // 16).astype(np.uint8)).save(file, form)
        seeds.append(file.getvalue())
    return seeds


def take_film(data: bytes, folder: Path) -> None:
    """Read a film and use all of it."""
    path = folder / "film"
    _put(data, path)
    film = read_film(path)
    if film.pixels.size < 2**20:
        film.display()
        film.padding_mask()
    if PATIENT.split("^")[0] in repr(film) + " ".join(film.warnings):
        raise AssertionError("the patient is named")


# --- Tables ---


def reading_seeds() -> list[bytes]:
    """Make readings of a lateral and an AP film."""
    film = Film(pixels=np.full((640, 420), 40, np.uint8))
    return [
        to_json(
            reading_of(
                film, load_site("olecranon"), view, "reader-a", uid="1", time="2031-06-01T10:00:00+00:00",
                landmarks={
                    name: Landmark("confirmed", to_pixels(points)) for name, points in layout(Elbow()).items()
                },
            )
        ).encode()
        for view, layout in LAYOUTS.items()
    ]  # fmt: skip


def reseal(data: bytes) -> bytes:
    """Give damaged JSON its checksum again, so that what comes after it is reached."""
    try:
        content = json.loads(data)
        body = {key: value for key, value in content.items() if key != "checksum"}
        text = json.dumps(body, sort_keys=True, separators=(",", ":"), ensure_ascii=True)
        sealed = body | {"checksum": "sha256:" + hashlib.sha256(text.encode()).hexdigest()}
        return json.dumps(sealed).encode()
    except (ValueError, AttributeError, RecursionError):
        return data


def take_reading(data: bytes, folder: Path) -> None:
    """Read a reading, and write it again."""
    try:
        text = data.decode()
    except UnicodeDecodeError:  # `reading_text` refuses these
        text = data.decode("latin-1")
    to_json(from_json(text))


def take_site(data: bytes, folder: Path) -> None:
    """Read a site's table."""
    path = folder / "site.toml"
    _put(data, path)
    read_site(path)


def site_seeds() -> list[bytes]:
    """Tables that come with holdfast."""
    return [path.read_bytes() for path in sorted(SITES_FOLDER.glob("*.toml"))]


THRESHOLDS = b"""format = "holdfast-thresholds"

[[threshold]]
site = "olecranon"
view = "lateral"
quantity = "articular_gap"
basis = "change"
side = "above"
limit = 1.5
floor = 1.0
level = "clear"
source = "our protocol"
"""


def take_thresholds(data: bytes, folder: Path) -> None:
    """Read a user's thresholds."""
    path = folder / "thresholds.toml"
    _put(data, path)
    with_thresholds(load_site("olecranon"), path)


# --- Intake ---


def archive_seeds() -> list[bytes]:
    """Make archives of films, packed and not."""
    seeds = []
    for how in (zipfile.ZIP_DEFLATED, zipfile.ZIP_STORED, zipfile.ZIP_BZIP2, zipfile.ZIP_LZMA):
        file = io.BytesIO()
        with zipfile.ZipFile(file, "w", how) as packed:
            packed.writestr("a/IM1", _saved(plain_film()))
            packed.writestr("b.txt", b"words")
        seeds.append(file.getvalue())
    return seeds


def take_archive(data: bytes, folder: Path) -> None:
    """Unpack an archive; nothing may be left of it."""
    path = folder / "films.zip"
    _put(data, path)
    before = sorted(folder.iterdir())
    if data.startswith(b"PK\x03\x04"):
        list(films_in(path, []))
    if sorted(folder.iterdir()) != before:
        raise AssertionError("something was written")


def disc_seeds() -> list[bytes]:
    """Directory of a disc."""
    listed = Dataset()
    listed.file_meta = FileMetaDataset()
    listed.file_meta.TransferSyntaxUID = UID("1.2.840.10008.1.2.1")
    listed.file_meta.MediaStorageSOPClassUID = MediaStorageDirectoryStorage
    listed.file_meta.MediaStorageSOPInstanceUID = "1.2.9"
    record = Dataset()
    record.DirectoryRecordType, record.ReferencedFileID = "IMAGE", ["IMAGES", "IM1"]
    listed.DirectoryRecordSequence = [record, record]
    return [_saved(listed)]


def take_disc(data: bytes, folder: Path) -> None:
    """Look at a disc by its directory."""
    disc = folder / "disc"
    disc.mkdir(exist_ok=True)
    _put(data, disc / "DICOMDIR")
    list(films_in(disc, []))


# --- The receiver ---


def arrival_seeds() -> list[bytes]:
    """Encode data sets as senders do: explicit and implicit."""
    seeds = []
    for syntax in ("1.2.840.10008.1.2.1", "1.2.840.10008.1.2"):
        data = _saved(dcmread(io.BytesIO(_saved(plain_film()))), syntax)
        seeds.append(data[144 + int.from_bytes(data[140:144], "little") :])
    return seeds


@functools.cache
def _inbox(folder: Path) -> Inbox:
    return Inbox(folder / "in", 10**9, 2**50, 0)


def take_arrival(data: bytes, folder: Path) -> None:
    """File what a sender brings, under a UID that it may contradict."""
    for syntax in ("1.2.840.10008.1.2.1", "1.2.840.10008.1.2"):
        arrival = Arrival(data, "1.2.840.10008.5.1.4.1.1.1.1", "1.2.3.4", syntax)
        try:
            _inbox(folder).file(arrival)
        except RefusedError:
            continue
    names = [path.name for path in (folder / "in").iterdir()]
    if not all(set(name) <= set("0123456789.") and not name.startswith(".") for name in names):
        raise AssertionError(f"a folder of another name: {names}")


TARGETS = {
    target.name: target
    for target in (
        Target("film", take_film, film_seeds, 12_000),
        Target("reading", take_reading, reading_seeds, 2_000),
        Target("reading, sealed anew", take_reading, reading_seeds, 4_000, reseal),
        Target("site", take_site, site_seeds, 1_000),
        Target("thresholds", take_thresholds, lambda: [THRESHOLDS], 3_000),
        Target("arrival", take_arrival, arrival_seeds, 3_000),
        Target("archive", take_archive, archive_seeds, 1_000),
        Target("disc", take_disc, disc_seeds, 1_500),
    )
}
