"""Time of `read_film` on a 3000 x 2400 film, as a ratio to pydicom's bare decode of the same file.

Run: .venv/bin/python tests/benchmarks/film.py [repeats]

Both use the same decoder. The bare decode is `pydicom.pixels.pixel_array(path)`, which reads no more of
the header than the pixels need. pydicom cannot decode a deflated file so, there it is
`dcmread(path).pixel_array`. The two take turns. Every result is kept until the other's turn, as a folder's
films are kept, and the first calls of a turn are not counted: they would be given the memory that the
other's results left. The machine may be shared, so it is processor time (both run in one thread), and the
best of each: what others do only ever adds to it.
"""

from __future__ import annotations

import sys
import tempfile
import time
from collections.abc import Callable
from pathlib import Path
from typing import NamedTuple

import imagecodecs
import numpy as np
from numpy.typing import NDArray
from pydicom import dcmread
from pydicom.dataset import Dataset, FileMetaDataset
from pydicom.encaps import encapsulate
from pydicom.pixels import pixel_array
from pydicom.uid import UID, DeflatedExplicitVRLittleEndian, ExplicitVRBigEndian, generate_uid
from scipy import ndimage

sys.path.insert(0, str(Path(__file__).parents[2]))
from measure.film import read_film

ROWS, COLUMNS = 3000, 2400
AIM = 1.3
Encode = Callable[[NDArray[np.uint16]], bytes]


class Case(NamedTuple):
    """A transfer syntax, pydicom's decoder for it, and how its films are encoded (by pydicom if not said)."""

    name: str
    uid: str
    decoder: str = ""
    encode: Encode | None = None
    bits: int = 12


def jpeg(**options: object) -> Encode:
    """Make an encoder of 12-bit JPEG."""
    return lambda pixels: imagecodecs.jpeg8_encode(pixels, bitspersample=12, **options)


CASES = (
    Case("implicit little endian", "1.2.840.10008.1.2"),
    Case("explicit little endian", "1.2.840.10008.1.2.1"),
    Case("explicit big endian", "1.2.840.10008.1.2.2"),
    Case("deflated", "1.2.840.10008.1.2.1.99"),
    Case("RLE", "1.2.840.10008.1.2.5", "pylibjpeg"),
    Case("JPEG baseline (8 bits)", "1.2.840.10008.1.2.4.50", "pillow",
         lambda pixels: imagecodecs.jpeg8_encode((pixels >> 4).astype(np.uint8), level=90), bits=8),
    Case("JPEG extended", "1.2.840.10008.1.2.4.51", "pylibjpeg", jpeg(level=90)),
    Case("JPEG lossless", "1.2.840.10008.1.2.4.57", "pylibjpeg", jpeg(lossless=True, predictor=4)),
    Case("JPEG lossless, predictor 1", "1.2.840.10008.1.2.4.70", "pylibjpeg",
         jpeg(lossless=True, predictor=1)),
    Case("JPEG-LS lossless", "1.2.840.10008.1.2.4.80", "pyjpegls"),
    Case("JPEG-LS near-lossless", "1.2.840.10008.1.2.4.81", "pyjpegls",
         lambda pixels: imagecodecs.jpegls_encode(pixels, level=2)),
    Case("JPEG 2000 lossless", "1.2.840.10008.1.2.4.90", "pylibjpeg"),
    Case("JPEG 2000", "1.2.840.10008.1.2.4.91", "pylibjpeg",
         lambda pixels: imagecodecs.jpeg2k_encode(pixels, level=60, codecformat="J2K", bitspersample=12)),
    Case("high-throughput JPEG 2000", "1.2.840.10008.1.2.4.201", "pylibjpeg",
         lambda pixels: imagecodecs.htj2k_encode(pixels, reversible=True)),
)  # fmt: skip


def picture() -> NDArray[np.uint16]:
    """12-bit film with the smoothness and the noise of a radiograph."""
    rng = np.random.default_rng(1)
    smooth = ndimage.zoom(rng.random((30, 24)), 100, order=1)
    return np.clip(300 + 3000 * smooth + rng.normal(0, 8, (ROWS, COLUMNS)), 0, 4095).astype(np.uint16)


def header(bits: int) -> Dataset:
    """DX header of the usual length, without its pixels."""
    dataset = Dataset()
    dataset.file_meta = FileMetaDataset()
    dataset.SOPClassUID, dataset.SOPInstanceUID = UID("1.2.840.10008.5.1.4.1.1.1.1"), generate_uid()
    dataset.StudyInstanceUID, dataset.SeriesInstanceUID = generate_uid(), generate_uid()
    dataset.PatientID, dataset.PatientName = "INVENTED-1", "Invented^One"
    dataset.Modality, dataset.ViewPosition, dataset.ImageLaterality = "DX", "LL", "L"
    dataset.StudyDate, dataset.AcquisitionDate, dataset.AcquisitionTime = "20240102", "20240102", "101500"
    dataset.ImagerPixelSpacing, dataset.PixelSpacing = [0.143, 0.143], [0.143, 0.143]
    dataset.DistanceSourceToDetector, dataset.DistanceSourceToPatient = 1150, 1050
    dataset.WindowCenter, dataset.WindowWidth = 2048, 3000
    dataset.RescaleSlope, dataset.RescaleIntercept, dataset.RescaleType = 1, 0, "US"
    dataset.Rows, dataset.Columns = ROWS, COLUMNS
    dataset.SamplesPerPixel, dataset.PhotometricInterpretation = 1, "MONOCHROME2"
    dataset.BitsAllocated, dataset.BitsStored, dataset.HighBit = (8 if bits == 8 else 16), bits, bits - 1
    dataset.PixelRepresentation = 0
    dataset.add_new(0x00090010, "LO", "INVENTED CREATOR")
    for element in range(0x10, 0x70):
        dataset.add_new(0x00091000 + element, "LO", f"private {element}")
    return dataset


def write(folder: Path, pixels: NDArray[np.uint16], case: Case) -> Path:
    """Film in one transfer syntax."""
    dataset, syntax = header(case.bits), UID(case.uid)
    dataset.file_meta.TransferSyntaxUID = syntax
    if case.encode:
        dataset.PixelData = encapsulate([case.encode(pixels)])
    elif case.decoder:
        dataset.compress(syntax, pixels, generate_instance_uid=False)
    else:
        dataset.PixelData = (pixels.byteswap() if syntax == ExplicitVRBigEndian else pixels).tobytes()
    dataset["PixelData"].VR = "OB" if case.decoder else "OW"
    dataset["PixelData"].is_undefined_length = bool(case.decoder)
    path = folder / f"{case.uid}.dcm"
    dataset.save_as(path, enforce_file_format=True)
    return path


def turn(function: Callable[[], object], uncounted: int = 2, counted: int = 3) -> float:
    """Seconds of the fastest of some calls, all of whose results are kept."""
    times, kept = [], []
    for _ in range(uncounted + counted):
        start = time.process_time()
        kept.append(function())
        times.append(time.process_time() - start)
    return min(times[uncounted:])


def compare(path: Path, case: Case, repeats: int) -> tuple[float, float]:
    """Best seconds of the bare decode and of `read_film`."""

    def bare() -> object:
        if case.uid == DeflatedExplicitVRLittleEndian:
            return dcmread(path).pixel_array
        return pixel_array(path, decoding_plugin=case.decoder)

    def ours() -> object:
        return read_film(path)

    if not np.array_equal(bare(), ours().pixels):  # also warms both up
        raise SystemExit(f"{case.name}: the pixels differ")
    turns = [(turn(bare), turn(ours)) for _ in range(repeats)]
    return min(first for first, _ in turns), min(second for _, second in turns)


def main() -> None:
    repeats = int(sys.argv[1]) if len(sys.argv) > 1 else 5
    pixels = picture()
    print(f"{'read_film, 3000 x 2400':<28}{'bare ms':>9}{'ours ms':>9}{'ratio':>7}")
    with tempfile.TemporaryDirectory() as folder:
        for case in CASES:
            path = write(Path(folder), pixels, case)
            bare, ours = compare(path, case, repeats)
            path.unlink()
            ratio = ours / bare
            verdict = "" if ratio <= AIM else f"  over {AIM}"
            print(f"{case.name:<28}{1e3 * bare:>9.1f}{1e3 * ours:>9.1f}{ratio:>7.2f}{verdict}")


if __name__ == "__main__":
    main()
