"""Films against what others make of the same files.

Sources: DICOM PS3.3 C.11.1 and C.11.2 (modality and VOI stages) as pydicom implements them; the image files
that pydicom carries in its own package; imagecodecs, tifffile and OpenCV for the pixels of compressed files.
Known limits of pydicom, not compared: VOI tables of 8 bits overflow beyond 256 entries, modality tables are
of 8 or 16 bits, and a VOI table cannot follow a table of the modality unless that gives whole numbers.
"""

from __future__ import annotations

import warnings
from pathlib import Path
from typing import Any

import cv2
import imagecodecs
import numpy as np
import pydicom
import pytest
import tifffile
from pydicom.dataset import Dataset, FileMetaDataset
from pydicom.encaps import encapsulate
from pydicom.pixels import apply_modality_lut, apply_voi_lut
from pydicom.sequence import Sequence
from pydicom.uid import UID, ExplicitVRLittleEndian

from measure.errors import FilmError
from measure.film import Film, read_film

SHAPE = (128, 32)  # rows, columns: as many pixels as 12 bits have values
CARRIED = Path(pydicom.__file__).parent / "data"
Pixels = np.ndarray[Any, Any]


def save(path: Path, pixels: Pixels, bits: int, uid: str = ExplicitVRLittleEndian, **elements: Any) -> Path:
    """Write a film, with elements by keyword."""
    dataset = Dataset()
    dataset.file_meta = FileMetaDataset()
    dataset.file_meta.TransferSyntaxUID = UID(uid)
    dataset.SOPClassUID, dataset.SOPInstanceUID = "1.2.840.10008.5.1.4.1.1.1.1", "1.2.3"
    dataset.Rows, dataset.Columns = pixels.shape
    dataset.SamplesPerPixel, dataset.PhotometricInterpretation = 1, "MONOCHROME2"
    dataset.BitsAllocated, dataset.BitsStored, dataset.HighBit = 8 * pixels.dtype.itemsize, bits, bits - 1
    dataset.PixelRepresentation = int(pixels.dtype.kind == "i")
    dataset.PixelData = pixels.tobytes()
    for keyword, value in elements.items():
        setattr(dataset, keyword, value)
    dataset["PixelData"].VR = "OB" if dataset["PixelData"].is_undefined_length else "OW"
    if UID(uid).is_encapsulated:
        dataset["PixelData"].VR, dataset["PixelData"].is_undefined_length = "OB", True
    dataset.save_as(path, enforce_file_format=True)
    return path


# Greys


def every_value(bits: int, signed: bool) -> Pixels:
    """Every value of up to 12 bits, or 16 bits evenly spread with both ends."""
    low = -(2 ** (bits - 1)) if signed else 0
    count = SHAPE[0] * SHAPE[1]
    spread = np.linspace(low, low + 2**bits - 1, count).round()
    return spread.astype(np.int16 if signed else np.uint16).reshape(SHAPE)


def table(entries: Pixels, first: int, bits: int) -> Sequence:
    """Sequence of one look-up table."""
    item = Dataset()
    item.add_new("LUTDescriptor", "SS" if first < 0 else "US", [len(entries) % 65536, first, bits])
    item.add_new("LUTData", "OW", entries.astype("<u2").tobytes())
    return Sequence([item])


def theirs(path: Path) -> tuple[Pixels, Pixels]:
    """Output of pydicom's modality stage, and of its VOI stage from 0 to 1 by the range PS3.3 gives it."""
    dataset = pydicom.dcmread(path)
    values = apply_modality_lut(dataset.pixel_array, dataset)
    with np.errstate(over="ignore"):  # of its sigmoid, far from the window
        shown = apply_voi_lut(values, dataset).astype(float)
        if "VOILUTSequence" in dataset:
            low, high = 0, 2 ** dataset.VOILUTSequence[0].LUTDescriptor[2] - 1
        else:
            low, high = apply_voi_lut(np.array([-1e9, 1e9]), dataset)  # far below and above the window
    return values, (shown - low) / (high - low)


CURVE = (np.linspace(0, 1, 4096) ** 2 * 4095).round().astype(np.uint16)
GREYS = {
    "linear": (12, False, {"WindowCenter": 2048, "WindowWidth": 4096}),
    "linear, narrow": (12, False, {"WindowCenter": 1000.5, "WindowWidth": 20}),
    "linear, width 2": (12, False, {"WindowCenter": 1000, "WindowWidth": 2}),
    "linear, threshold": (12, False, {"WindowCenter": 1000, "WindowWidth": 1}),
    "linear, exact": (12, False, {"WindowCenter": 2000, "WindowWidth": 30, "VOILUTFunction": "LINEAR_EXACT"}),
    "linear, exact, thin": (
        12, False, {"WindowCenter": 99, "WindowWidth": 0.8, "VOILUTFunction": "LINEAR_EXACT"},
    ),
    "sigmoid": (12, False, {"WindowCenter": 2000, "WindowWidth": 700, "VOILUTFunction": "SIGMOID"}),
    "sigmoid, steep": (16, False, {"WindowCenter": 2000, "WindowWidth": 3, "VOILUTFunction": "SIGMOID"}),
    "first of two windows": (12, False, {"WindowCenter": [900, 2000], "WindowWidth": [300, 4000]}),
    "signed": (12, True, {"WindowCenter": -40, "WindowWidth": 400}),
    "rescaled": (
        12, False, {"RescaleSlope": 0.25, "RescaleIntercept": -100, "WindowCenter": 40, "WindowWidth": 300},
    ),
    "rescaled, falling": (
        12, False, {"RescaleSlope": -1, "RescaleIntercept": 4095, "WindowCenter": 1000, "WindowWidth": 900},
    ),
    "16 bits": (16, False, {"WindowCenter": 30000, "WindowWidth": 20000}),
    "modality table": (
        12, False,
        {"ModalityLUTSequence": table(CURVE[::-1], 0, 16), "WindowCenter": 1000, "WindowWidth": 900},
    ),
    "modality table, short": (
        12, False, {"ModalityLUTSequence": table(CURVE[:100], 50, 16), "WindowCenter": 3, "WindowWidth": 5},
    ),
    "VOI table": (12, False, {"VOILUTSequence": table(CURVE, 0, 12)}),
    "VOI table, short": (12, False, {"VOILUTSequence": table(CURVE[::40], 700, 12)}),
    "VOI table, signed": (12, True, {"VOILUTSequence": table(CURVE, -2048, 12)}),
    "VOI table of 65536": (
        16, False, {"VOILUTSequence": table(np.arange(65536, dtype=np.uint16)[::-1], 0, 16)},
    ),
    "VOI table of 8 bits": (8, False, {"VOILUTSequence": table(np.arange(256)[::-1], 0, 8)}),
    "VOI table before window": (
        12, False, {"VOILUTSequence": table(CURVE, 0, 12), "WindowCenter": 5, "WindowWidth": 9},
    ),
    "both tables": (
        12, False,
        {"ModalityLUTSequence": table(CURVE[::-1], 0, 16), "VOILUTSequence": table(CURVE, 0, 12)},
    ),
}  # fmt: skip


def grey_film(name: str, folder: Path) -> tuple[Film, Pixels, Pixels]:
    """Film of a row of GREYS, with pydicom's two stages."""
    bits, signed, elements = GREYS[name]
    path = save(folder / "film.dcm", every_value(bits, signed), bits, **elements)
    return read_film(path), *theirs(path)


@pytest.mark.parametrize("name", GREYS)
def test_greys_are_those_of_pydicom(name: str, tmp_path: Path) -> None:
    """Modality and VOI stage of each kind, over all values of the pixel."""
    film, values, shown = grey_film(name, tmp_path)
    np.testing.assert_allclose(film.values(), values, rtol=1e-6)
    np.testing.assert_allclose(film.display(), shown, atol=2e-6)


@pytest.mark.parametrize("name", GREYS)
def test_the_check_of_greys_rejects_a_window_half_a_value_off(name: str, tmp_path: Path) -> None:
    """Leaving out the half that LINEAR takes from the centre shows, and so does a table one entry off."""
    film, _, shown = grey_film(name, tmp_path)
    grey = film.grey
    if grey.voi:
        wrong = grey.voi._replace(first=grey.voi.first + (40 if "short" in name else 1))
        off = Film(pixels=film.pixels, grey=type(grey)(grey.slope, grey.intercept, grey.modality, wrong))
    else:
        assert grey.window is not None
        wrong_window = grey.window._replace(centre=grey.window.centre + 0.5)
        window = type(grey)(grey.slope, grey.intercept, grey.modality, None, wrong_window)
        off = Film(pixels=film.pixels, grey=window)
    with pytest.raises(AssertionError):
        np.testing.assert_allclose(off.display(), shown, atol=2e-6)


def test_the_linear_window_of_the_standard() -> None:
    """The note of PS3.3 C.11.2.1.2.1: c=2048, w=4096 maps 0 to 0 and 4095 to 1, and w=1 is a threshold at c.

    Values and formula from memory of the standard.
    """
    from measure.film_grey import GreyScale, Window

    values = np.array([0.0, 2047.5, 4095.0])
    whole = GreyScale(window=Window(2048, 4096, "LINEAR")).shades(values, (0, 1))
    np.testing.assert_allclose(whole, [0, 0.5, 1])
    threshold = GreyScale(window=Window(2048, 1, "LINEAR")).shades(np.array([2047.0, 2048.0]), (0, 1))
    np.testing.assert_array_equal(threshold, [0, 1])


# Files that pydicom carries


def carried() -> list[Path]:
    """Every file of data in pydicom's package that is not its code."""
    return sorted(
        path for path in CARRIED.rglob("*") if path.is_file() and path.suffix not in (".py", ".pyc")
    )


def decoded_by_pydicom(path: Path) -> Pixels | None:
    """One greyscale picture of up to 16 bits as pydicom reads it, or None where there is none."""
    try:
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")
            dataset = pydicom.dcmread(path, force=True)
            pixels: Pixels = dataset.pixel_array
    except Exception:
        return None
    grey = dataset.SamplesPerPixel == 1 and dataset.PhotometricInterpretation.startswith("MONOCHROME")
    return pixels if grey and dataset.BitsAllocated in (8, 16) and pixels.ndim == 2 else None


@pytest.mark.parametrize("path", carried(), ids=lambda path: str(path.relative_to(CARRIED)))
def test_each_file_that_pydicom_carries(path: Path) -> None:
    """It is read, to pydicom's own pixels, where pydicom sees one greyscale picture; else it is refused."""
    expected = decoded_by_pydicom(path)
    if expected is None:
        with pytest.raises(FilmError, match=r"\.$"):
            read_film(path)
        return
    film = read_film(path)
    np.testing.assert_array_equal(film.pixels, expected)
    assert film.display().shape == film.values().shape == expected.shape


def test_pydicom_carries_enough_to_tell() -> None:
    """Some fifty pictures in eight transfer syntaxes; were they gone, the test above would say nothing."""
    pictures = [path for path in carried() if decoded_by_pydicom(path) is not None]
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        syntaxes = {pydicom.dcmread(path).file_meta.TransferSyntaxUID for path in pictures}
    assert len(pictures) >= 50
    assert len(syntaxes) >= 8


# Pixels by other decoders


@pytest.mark.parametrize(
    ("uid", "bits", "encode", "decode"),
    [
        ("1.2.840.10008.1.2.4.50", 8, imagecodecs.jpeg8_encode, imagecodecs.jpeg8_decode),
        ("1.2.840.10008.1.2.4.81", 12, lambda pixels: imagecodecs.jpegls_encode(pixels, level=3),
         imagecodecs.jpegls_decode),
        ("1.2.840.10008.1.2.4.91", 12,
         lambda pixels: imagecodecs.jpeg2k_encode(pixels, level=50, codecformat="J2K", bitspersample=12),
         imagecodecs.jpeg2k_decode),
    ],
    ids=["JPEG baseline", "JPEG-LS near-lossless", "JPEG 2000"],
)  # fmt: skip
def test_lossy_pixels_are_those_of_another_decoder(
    uid: str, bits: int, encode: Any, decode: Any, tmp_path: Path
) -> None:
    """Imagecodecs (libjpeg-turbo, CharLS, OpenJPEG) decodes the same stream to the same pixels."""
    rng = np.random.default_rng(8)
    smooth = np.add.outer(np.arange(64.0), np.arange(48.0)) * 2 ** (bits - 7.2) + rng.normal(0, 3, (64, 48))
    pixels = np.clip(smooth, 0, 2**bits - 1).astype(np.uint8 if bits == 8 else np.uint16)
    code = encode(pixels)
    film = read_film(save(tmp_path / "film.dcm", pixels, bits, uid, PixelData=encapsulate([code])))
    assert (film.pixels != pixels).any()  # it is lossy, so that the decoders have something to differ in
    np.testing.assert_array_equal(film.pixels, decode(code))


@pytest.mark.parametrize("dtype", [np.uint8, np.uint16])
def test_pictures_are_those_of_other_readers(dtype: Any, tmp_path: Path) -> None:
    """OpenCV for PNG and JPEG, tifffile for TIFF."""
    pixels = np.random.default_rng(9).integers(0, np.iinfo(dtype).max, SHAPE, dtype=dtype)
    for name in ("film.png", "film.jpg", "film.tif"):
        path = tmp_path / name
        if name == "film.jpg" and dtype is np.uint16:
            continue  # JPEG of this kind has 8 bits
        assert cv2.imwrite(str(path), pixels)
        other = tifffile.imread(path) if name == "film.tif" else cv2.imread(str(path), cv2.IMREAD_UNCHANGED)
        np.testing.assert_array_equal(read_film(path).pixels, other)
