"""Films: every transfer syntax, what a header says, what is refused, and that nothing else is ever raised.

The films are written here with pydicom, Pillow and imagecodecs from invented values. What the greys and
pixels should be according to others is in tests/reference/test_film_reference.py.
"""

from __future__ import annotations

import datetime
import io
import threading
import warnings
from collections.abc import Callable
from pathlib import Path
from typing import Any

import imagecodecs
import numpy as np
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from PIL import Image
from pydicom.dataset import Dataset, FileMetaDataset
from pydicom.encaps import encapsulate
from pydicom.pixels import get_decoder
from pydicom.sequence import Sequence
from pydicom.uid import UID, DeflatedExplicitVRLittleEndian, ExplicitVRBigEndian, ExplicitVRLittleEndian

from measure.errors import FilmError
from measure.film import Film, GreyScale, Spacing, peek, read_film, search
from measure.limits import LIMITS, Limit

SHAPE = (22, 17)  # rows, columns: not square and odd, so that swapped axes and padding bytes show
NAME, PATIENT = "Invented^Person", "INVENTED-77"
Pixels = np.ndarray[Any, Any]


def noise(bits: int = 12, *, signed: bool = False, seed: int = 5) -> Pixels:
    """Pixels that use the whole range of their bits."""
    low, high = (-(2 ** (bits - 1)), 2 ** (bits - 1)) if signed else (0, 2**bits)
    dtype = ("int" if signed else "uint") + ("8" if bits == 8 else "16")
    pixels = np.random.default_rng(seed).integers(low, high, SHAPE).astype(dtype)
    pixels[0, :2] = low, high - 1
    return pixels


def data_set(pixels: Pixels, bits: int = 12, **elements: Any) -> Dataset:
    """DX film that says all it should; elements by keyword change it, None leaves one out."""
    signed = pixels.dtype.kind == "i"
    usual = {
        "SOPClassUID": "1.2.840.10008.5.1.4.1.1.1.1", "SOPInstanceUID": "1.2.3.4",
        "StudyInstanceUID": "1.2.3", "SeriesInstanceUID": "1.2.3.1", "Modality": "DX",
        "PatientName": NAME, "PatientID": PATIENT, "PatientBirthDate": "19010203",
        "ImageLaterality": "L", "ViewPosition": "LL", "BodyPartExamined": "ELBOW",
        "AcquisitionDate": "20310304", "AcquisitionTime": "101530.25",
        "ImagerPixelSpacing": [0.2, 0.1],
        "Rows": pixels.shape[-2], "Columns": pixels.shape[-1], "SamplesPerPixel": 1,
        "PhotometricInterpretation": "MONOCHROME2", "PixelRepresentation": int(signed),
        "BitsAllocated": 8 * pixels.dtype.itemsize, "BitsStored": bits, "HighBit": bits - 1,
        "PixelData": pixels.tobytes() + b"\0" * (pixels.nbytes % 2),
    }  # fmt: skip
    dataset = Dataset()
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")  # some of these are meant to be wrong
        for keyword, value in (usual | elements).items():
            if value is not None:
                setattr(dataset, keyword, value)
    return dataset


def save(path: Path, dataset: Dataset, uid: str = ExplicitVRLittleEndian) -> Path:
    """Write a film as it is; its pixels must already be in the form of the transfer syntax."""
    if not hasattr(dataset, "file_meta"):
        dataset.file_meta = FileMetaDataset()
        dataset.file_meta.TransferSyntaxUID = UID(uid)
    if "PixelData" in dataset:
        encapsulated = dataset.file_meta.TransferSyntaxUID.is_encapsulated
        dataset["PixelData"].VR = "OB" if encapsulated or dataset.get("BitsAllocated") == 8 else "OW"
        dataset["PixelData"].is_undefined_length = encapsulated
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        dataset.save_as(path, enforce_file_format=True)
    return path


Encode = Callable[[Pixels, int], bytes]


def jpeg(**options: Any) -> Encode:
    """Make an encoder of JPEG at the film's own bits."""
    return lambda pixels, bits: imagecodecs.jpeg8_encode(pixels, bitspersample=bits, **options)


def jpeg2000(pixels: Pixels, bits: int) -> bytes:
    """Reversible JPEG 2000 at the film's own bits."""
    return imagecodecs.jpeg2k_encode(pixels, reversible=True, codecformat="J2K", bitspersample=bits)


# uid: name, encoder of one frame (None where pydicom encodes, or nothing is compressed)
LOSSLESS: dict[str, tuple[str, Encode | None]] = {
    "1.2.840.10008.1.2": ("implicit", None),
    "1.2.840.10008.1.2.1": ("explicit", None),
    "1.2.840.10008.1.2.2": ("big endian", None),
    "1.2.840.10008.1.2.1.99": ("deflated", None),
    "1.2.840.10008.1.2.5": ("RLE", None),
    "1.2.840.10008.1.2.4.57": ("JPEG lossless", jpeg(lossless=True, predictor=4)),
    "1.2.840.10008.1.2.4.70": ("JPEG lossless, predictor 1", jpeg(lossless=True, predictor=1)),
    "1.2.840.10008.1.2.4.80": ("JPEG-LS", None),
    "1.2.840.10008.1.2.4.90": ("JPEG 2000 lossless", jpeg2000),
    "1.2.840.10008.1.2.4.91": ("JPEG 2000", jpeg2000),
    "1.2.840.10008.1.2.4.201": (
        "high-throughput JPEG 2000",
        lambda pixels, bits: imagecodecs.htj2k_encode(pixels, reversible=True),
    ),
}
LOSSY: dict[str, tuple[str, Encode | None]] = {
    "1.2.840.10008.1.2.4.50": ("JPEG baseline", jpeg(level=95)),
    "1.2.840.10008.1.2.4.51": ("JPEG extended", jpeg(level=95)),
    "1.2.840.10008.1.2.4.81": (
        "JPEG-LS near-lossless",
        lambda pixels, bits: imagecodecs.jpegls_encode(pixels, level=2),
    ),
}
NATIVE = ("implicit", "explicit", "big endian", "deflated")
ALL = LOSSLESS | LOSSY


def encoded(pixels: Pixels, bits: int, uid: str, **elements: Any) -> Dataset:
    """Film in one transfer syntax, ready to be saved."""
    dataset = data_set(pixels, bits, **elements)
    name, encode = ALL[uid]
    dataset.file_meta = FileMetaDataset()
    dataset.file_meta.TransferSyntaxUID = ExplicitVRLittleEndian
    if encode:
        dataset.PixelData = encapsulate([encode(pixels, bits)])
    elif name not in NATIVE:
        dataset.compress(UID(uid), generate_instance_uid=False)
    elif uid == ExplicitVRBigEndian and pixels.dtype.itemsize == 2:
        dataset.PixelData = pixels.byteswap().tobytes()
    dataset.file_meta.TransferSyntaxUID = UID(uid)
    return dataset


def syntaxes(table: dict[str, tuple[str, Encode | None]]) -> list[Any]:
    """Parameters of a test over a table of syntaxes."""
    return [pytest.param(uid, id=name) for uid, (name, _) in table.items()]


@pytest.fixture
def write(tmp_path: Path) -> Callable[..., Path]:
    """Write an uncompressed film of noise: write(pixels=None, bits=12, **elements)."""

    def write(pixels: Pixels | None = None, bits: int = 12, **elements: Any) -> Path:
        return save(
            tmp_path / "film.dcm", data_set(noise(bits) if pixels is None else pixels, bits, **elements)
        )

    return write


# Pixels


@pytest.mark.parametrize("uid", syntaxes(LOSSLESS))
def test_each_lossless_syntax_gives_the_stored_pixels(uid: str, tmp_path: Path) -> None:
    """Pixels, type and digest are the same in each, and are read-only."""
    lossless = encoded(noise(), 12, uid, LossyImageCompression="00")
    film = read_film(save(tmp_path / "film.dcm", lossless))
    np.testing.assert_array_equal(film.pixels, noise())
    assert film.pixels.dtype == np.dtype("<u2")
    assert film.digest == read_film(save(tmp_path / "plain.dcm", data_set(noise()))).digest
    assert film.warnings == ()
    with pytest.raises(ValueError, match="read-only"):
        film.pixels[0, 0] = 1


@pytest.mark.parametrize("uid", syntaxes(LOSSY))
def test_each_lossy_syntax_is_read_and_said_to_be_lossy(uid: str, tmp_path: Path) -> None:
    """A smooth film comes back within the codec's error, and differs from what was stored."""
    bits = 8 if uid.endswith(".50") else 12
    rows, columns = np.indices(SHAPE)
    pixels = ((rows * 3 + columns * 5) * 2 ** (bits - 8)).astype(np.uint8 if bits == 8 else np.uint16)
    film = read_film(save(tmp_path / "film.dcm", encoded(pixels, bits, uid)))
    error = np.abs(film.pixels.astype(int) - pixels)
    assert 0 < error.max() <= 6 * 2 ** (bits - 8)
    assert film.warnings == ("lossy compression",)


@pytest.mark.parametrize("signed", [False, True])
@pytest.mark.parametrize("bits", range(8, 17))
@pytest.mark.parametrize("uid", ["1.2.840.10008.1.2", "1.2.840.10008.1.2.5", "1.2.840.10008.1.2.4.80"])
def test_each_depth_and_sign(uid: str, bits: int, signed: bool, tmp_path: Path) -> None:
    """8 to 16 bits, signed and not, keep their extremes; 8 signed bits are widened."""
    pixels = noise(bits, signed=signed)
    film = read_film(save(tmp_path / "film.dcm", encoded(pixels, bits, uid)))
    np.testing.assert_array_equal(film.pixels, pixels)
    assert film.bits == bits
    assert film.pixels.dtype.name == ("int16" if signed else pixels.dtype.name)
    assert film.warnings == ()


def test_the_digest_tells_films_apart(write: Callable[..., Path]) -> None:
    """One pixel, the shape or the type changes it; the header does not."""
    digest = read_film(write()).digest
    assert digest.startswith("sha256:")
    assert len(digest) == 71
    assert read_film(write(PatientID="OTHER", WindowCenter=7, WindowWidth=9)).digest == digest
    changed = noise()
    changed[-1, -1] ^= 1
    others = [changed, noise().T.copy(), noise().astype(np.int16)]
    assert digest not in {read_film(write(pixels)).digest for pixels in others}


def test_unused_bits_are_cut_off_and_told(write: Callable[..., Path]) -> None:
    """An overlay in the upper bits is no part of the value (PS3.5 8.1.1)."""
    film = read_film(write(noise() | np.uint16(0x8000)))
    np.testing.assert_array_equal(film.pixels, noise())
    assert film.warnings == ("values go beyond Bits Stored (12): the bits above were cut off",)
    signed = noise(signed=True)
    film = read_film(write(signed & np.int16(0x0FFF)))  # without their sign in the upper bits
    np.testing.assert_array_equal(film.pixels, signed)


def test_a_wrong_high_bit_is_told(write: Callable[..., Path]) -> None:
    """The low bits are read all the same."""
    film = read_film(write(HighBit=15))
    np.testing.assert_array_equal(film.pixels, noise())
    assert film.warnings == ("High Bit contradicts Bits Stored; the low bits were read",)


def test_the_digest_is_the_same_without_padding_bytes(write: Callable[..., Path]) -> None:
    """More pixel data than the header asks for is left out, and told."""
    film = read_film(write(PixelData=noise().tobytes() + b"\1" * 64))
    np.testing.assert_array_equal(film.pixels, noise())
    assert film.warnings == ("more pixel data than the header asks for; the rest was left out",)


# Frames

FRAMES = np.stack([noise(seed=seed) for seed in (1, 2, 3)])


@pytest.mark.parametrize("uid", ["1.2.840.10008.1.2.1", "1.2.840.10008.1.2.5", "1.2.840.10008.1.2.4.80"])
def test_a_frame_has_to_be_chosen(uid: str, tmp_path: Path) -> None:
    """A file of three frames names them; the one chosen is read, counted from 1."""
    path = save(tmp_path / "film.dcm", encoded(FRAMES, 12, uid, NumberOfFrames=3))
    with pytest.raises(FilmError, match=r"holds 3 frames. Say which one to read, from 1 to 3"):
        read_film(path)
    for wrong in (0, -1, 4):
        with pytest.raises(FilmError, match=f"Frame {wrong} was asked for, but the file holds frames 1 to 3"):
            read_film(path, frame=wrong)
    for number in (1, 2, 3):
        film = read_film(path, frame=number)
        assert film.frame == number
        np.testing.assert_array_equal(film.pixels, FRAMES[number - 1])


def test_a_single_picture_has_no_frame(write: Callable[..., Path]) -> None:
    """Its first frame may be asked for."""
    assert read_film(write(NumberOfFrames=1)).frame is None
    assert read_film(write(), frame=1).frame is None
    with pytest.raises(FilmError, match="holds frames 1 to 1"):
        read_film(write(), frame=2)


def item(**elements: Any) -> Dataset:
    """Item of a sequence."""
    dataset = Dataset()
    for keyword, value in elements.items():
        setattr(dataset, keyword, value)
    return dataset


def test_a_frame_of_an_enhanced_film_has_its_own_header(write: Callable[..., Path]) -> None:
    """Side, window and spacing come from the frame's group, then the shared one, then the file."""

    def frame(side: str, width: float) -> Dataset:
        return item(
            FrameAnatomySequence=Sequence([item(FrameLaterality=side)]),
            FrameVOILUTSequence=Sequence([item(WindowCenter=100, WindowWidth=width)]),
        )

    path = write(
        FRAMES,
        NumberOfFrames=3,
        ImageLaterality=None,
        WindowWidth=5,
        PerFrameFunctionalGroupsSequence=Sequence([frame("L", 10), frame("R", 20), frame("L", 30)]),
        SharedFunctionalGroupsSequence=Sequence(
            [item(PixelMeasuresSequence=Sequence([item(PixelSpacing=[0.3, 0.4])]))]
        ),
    )
    film = read_film(path, frame=2)
    assert (film.laterality, film.grey.window.width if film.grey.window else None) == ("right", 20)
    assert (film.spacing.pixel, film.spacing.imager) == ((0.3, 0.4), (0.2, 0.1))


# Greys


def test_monochrome1_is_shown_inverted(write: Callable[..., Path]) -> None:
    """Low values are white; the stored pixels stay as they are."""
    window = {"WindowCenter": 2048, "WindowWidth": 3000}
    plain = read_film(write(**window))
    inverse = read_film(
        write(**window, PhotometricInterpretation="MONOCHROME1", PresentationLUTShape="INVERSE")
    )
    assert inverse.warnings == ()
    np.testing.assert_allclose(inverse.display(), 1 - plain.display(), atol=1e-6)
    np.testing.assert_array_equal(inverse.pixels, plain.pixels)
    np.testing.assert_array_equal(inverse.values(), plain.values())
    assert inverse.display()[0, 0] == 1  # the lowest value
    told = read_film(write(PresentationLUTShape="INVERSE")).warnings
    assert told == ("Presentation LUT Shape contradicts Photometric Interpretation; the latter was used",)


def test_a_film_without_a_window_is_spread_over_its_own_values(write: Callable[..., Path]) -> None:
    """Padding does not count."""
    pixels = np.full(SHAPE, 300, np.uint16)
    pixels[0, :3] = 0, 100, 500
    shown = read_film(write(pixels, PixelPaddingValue=0)).display()
    np.testing.assert_allclose(shown[0, :4], [0, 0, 1, 0.5])
    assert read_film(write(np.full(SHAPE, 7, np.uint16))).display().max() == 0  # one value has no range


@pytest.mark.parametrize(
    ("signed", "value", "limit", "padded"),
    [
        pytest.param(False, 4095, None, {4095}, id="one value"),
        pytest.param(False, 0, 2, {0, 1, 2}, id="a range"),
        pytest.param(False, 2, 0, {0, 1, 2}, id="a range from above"),
        pytest.param(True, -2048, None, {-2048}, id="signed"),
        pytest.param(True, -2048, -2046, {-2048, -2047, -2046}, id="signed range"),
    ],
)
@pytest.mark.parametrize("photometric", ["MONOCHROME1", "MONOCHROME2"])
def test_padding_is_black(
    photometric: str,
    signed: bool,
    value: int,
    limit: int | None,
    padded: set[int],
    write: Callable[..., Path],
) -> None:
    """Its mask is where the stored value is padding, whatever the photometric interpretation."""
    pixels = noise(signed=signed)
    pixels[1, :3] = sorted(padded)[0], sorted(padded)[-1], 100
    film = read_film(
        write(
            pixels,
            PhotometricInterpretation=photometric,
            PixelPaddingValue=value,
            PixelPaddingRangeLimit=limit,
            WindowCenter=0,
            WindowWidth=3000,
        )
    )
    mask = film.padding_mask()
    assert mask is not None
    np.testing.assert_array_equal(mask, np.isin(pixels, list(padded)))
    assert mask.any()
    assert film.display()[mask].max() == 0
    assert film.display()[~mask].max() > 0
    assert not mask[1, 2]


def test_a_signed_padding_value_may_be_named_unsigned(tmp_path: Path) -> None:
    """Files often name the wrong one of US and SS."""
    dataset = data_set(noise(signed=True))
    dataset.add_new("PixelPaddingValue", "US", 0x10000 - 2048)
    assert read_film(save(tmp_path / "film.dcm", dataset)).grey.padding == (-2048, -2048)


def test_a_film_without_padding_has_no_mask(write: Callable[..., Path]) -> None:
    """None, so that nothing is computed."""
    assert read_film(write()).padding_mask() is None


@pytest.mark.parametrize(
    ("elements", "warning"),
    [
        ({"WindowCenter": 10, "WindowWidth": 0}, "the film's window is not usable and was left out"),
        ({"WindowCenter": 10, "WindowWidth": 0.5}, "the film's window is not usable and was left out"),
        (
            {"WindowCenter": 10, "WindowWidth": 5, "VOILUTFunction": "CUBIC"},
            "the film's window is not usable",
        ),
        ({"RescaleSlope": 0, "RescaleIntercept": 5}, "Rescale Slope is 0 and was left out"),
        ({"VOILUTSequence": Sequence([item(LUTExplanation="empty")])}, "VOI LUT Sequence is not usable"),
        (
            {"ModalityLUTSequence": Sequence([item(ModalityLUTType="US")])},
            "Modality LUT Sequence is not usable",
        ),
    ],
)
def test_unusable_greys_are_left_out(
    elements: dict[str, Any], warning: str, write: Callable[..., Path]
) -> None:
    """The film opens, is shown over its own values, and says what was left out."""
    film = read_film(write(**elements))
    assert any(told.startswith(warning) for told in film.warnings), film.warnings
    np.testing.assert_array_equal(film.values(), noise())
    np.testing.assert_allclose(film.display(), noise() / 4095, atol=1e-6)


# Spacing


def test_spacing_is_told_as_it_stands(write: Callable[..., Path]) -> None:
    """Each element goes to its own field, rows before columns."""
    spacing = read_film(
        write(
            ImagerPixelSpacing=[0.2, 0.1],
            PixelSpacing=[0.18, 0.09],
            PixelSpacingCalibrationType="FIDUCIAL",
            PixelSpacingCalibrationDescription="disc of 25 mm",
            EstimatedRadiographicMagnificationFactor=1.11,
            DistanceSourceToDetector=1150,
            DistanceSourceToPatient=1000,
            NominalScannedPixelSpacing=[0.4, 0.2],
        )
    ).spacing
    assert (spacing.imager, spacing.pixel, spacing.nominal) == ((0.2, 0.1), (0.18, 0.09), (0.4, 0.2))
    assert (spacing.calibration_type, spacing.calibration_description) == ("FIDUCIAL", "disc of 25 mm")
    assert (spacing.magnification, spacing.source_detector_mm, spacing.source_patient_mm) == (
        1.11,
        1150,
        1000,
    )
    assert spacing.aspect is None


@pytest.mark.parametrize(
    ("elements", "aspect"),
    [
        pytest.param({"ImagerPixelSpacing": [0.2, 0.1]}, 2.0, id="imager"),
        pytest.param({"ImagerPixelSpacing": None, "PixelSpacing": [0.1, 0.4]}, 0.25, id="pixel"),
        pytest.param({"ImagerPixelSpacing": None, "NominalScannedPixelSpacing": [3, 2]}, 1.5, id="nominal"),
        pytest.param({"ImagerPixelSpacing": None, "PixelAspectRatio": [6, 5]}, 1.2, id="ratio"),
        pytest.param({"ImagerPixelSpacing": None}, 1.0, id="nothing"),
    ],
)
def test_the_shape_of_a_pixel(elements: dict[str, Any], aspect: float, write: Callable[..., Path]) -> None:
    """Row over column, from whatever says it."""
    assert read_film(write(**elements)).aspect == pytest.approx((aspect, 1.0))


@pytest.mark.parametrize(
    ("keyword", "value", "warning"),
    [
        ("ImagerPixelSpacing", [0, 0], "Imager Pixel Spacing is 0 and 0, not 2 positive numbers"),
        ("ImagerPixelSpacing", [-0.1, 0.1], "Imager Pixel Spacing is -0.1 and 0.1, not 2 positive numbers"),
        ("ImagerPixelSpacing", [0.1], "Imager Pixel Spacing is 0.1, not 2 positive numbers"),
        ("ImagerPixelSpacing", [0.1, 0.1, 0.1], "Imager Pixel Spacing is 0.1 and 0.1 and 0.1, not 2"),
        ("ImagerPixelSpacing", ["nan", "nan"], "Imager Pixel Spacing is no usable number"),
        ("ImagerPixelSpacing", ["inf", "0.1"], "Imager Pixel Spacing is no usable number"),
        ("ImagerPixelSpacing", ["0,1", "0,1"], "Imager Pixel Spacing is no usable number"),
        ("DistanceSourceToDetector", 0, "Distance Source to Detector is 0, not one positive number"),
        ("EstimatedRadiographicMagnificationFactor", -1, "Estimated Radiographic Magnification Factor is -1"),
        ("PixelSpacingCalibrationType", "GUESS", "Pixel Spacing Calibration Type is neither GEOMETRY nor"),
    ],
)
def test_unusable_spacing_is_absent(keyword: str, value: Any, warning: str, tmp_path: Path) -> None:
    """The film opens without it and says why."""
    dataset = data_set(noise(), ImagerPixelSpacing=None)
    text = "\\".join(map(str, value)) if isinstance(value, list) else str(value)
    dataset.add_new(keyword, "LO", text)  # a representation that takes any text
    path = save(tmp_path / "film.dcm", dataset, "1.2.840.10008.1.2")  # which implicit does not write
    film = read_film(path)
    spacing = film.spacing
    assert (spacing.imager, spacing.source_detector_mm, spacing.magnification, spacing.calibration_type) == (
        None,
    ) * 4
    assert len(film.warnings) == 1
    assert film.warnings[0].startswith(warning)


def test_pixels_of_two_shapes_are_told(write: Callable[..., Path]) -> None:
    """Imager and pixel spacing may differ in size, not in shape."""
    assert read_film(write(PixelSpacing=[0.16, 0.08])).warnings == ()
    told = read_film(write(PixelSpacing=[0.16, 0.16])).warnings
    assert told == ("Imager Pixel Spacing and Pixel Spacing contradict each other on a pixel's shape",)


# Side and view


@pytest.mark.parametrize(
    ("elements", "side", "warning"),
    [
        ({"ImageLaterality": "L"}, "left", None),
        ({"ImageLaterality": "R"}, "right", None),
        ({"Laterality": "R"}, "right", None),
        ({"Laterality": "R", "ImageLaterality": "R", "SeriesDescription": "Right elbow lat"}, "right", None),
        ({"Laterality": "L", "ImageLaterality": "R"}, None,
         "the film contradicts itself about its side: Laterality says left, Image Laterality says right"),
        ({"ImageLaterality": "L", "SeriesDescription": "RT elbow"}, None,
         "the film contradicts itself about its side: "
         "Image Laterality says left, Series Description says right"),
        ({"SeriesDescription": "left elbow"}, "left",
         "the side (left) was taken from free text: Series Description"),
        ({"SeriesDescription": "left and right"}, None, "the film does not say its side"),
        ({"ProtocolName": "ELBOW_LT"}, "left", "the side (left) was taken from free text: Protocol Name"),
        ({"SeriesDescription": "bright, L spine, r/o fracture"}, None, "the film does not say its side"),
        ({"ImageLaterality": "B"}, None, "Image Laterality is neither left nor right"),
        ({"ImageLaterality": "U"}, None, "the film does not say its side"),
        ({}, None, "the film does not say its side"),
    ],
)  # fmt: skip
def test_side(
    elements: dict[str, str], side: str | None, warning: str | None, write: Callable[..., Path]
) -> None:
    """It is what all sources agree on, or none; free text alone is told."""
    film = read_film(write(**({"ImageLaterality": None} | elements)))
    assert film.laterality == side
    assert not film.warnings if warning is None else warning in film.warnings


def view_code(value: str) -> Sequence:
    """View Code Sequence."""
    return Sequence([item(CodeValue=value, CodingSchemeDesignator="SCT", CodeMeaning="a view")])


@pytest.mark.parametrize(
    ("elements", "view", "warning"),
    [
        *[({"ViewPosition": code}, "lateral", None) for code in ("LL", "RL", "LAT", "ML", "LM")],
        ({"ViewPosition": "AP"}, "ap", None),
        ({"ViewPosition": "PA"}, "ap", "taken from behind (PA) and treated as ap"),
        ({"ViewPosition": "LPO"}, "oblique", None),
        ({"ViewPosition": "XX"}, None, "View Position is not one that is known here"),
        ({"ViewCodeSequence": view_code("399067008")}, "lateral", None),
        ({"ViewCodeSequence": view_code("399348003")}, "ap", None),
        ({"ViewCodeSequence": view_code("R-10206")}, "ap", None),
        ({"ViewCodeSequence": view_code("272479007")}, "ap", "taken from behind (PA) and treated as ap"),
        ({"ViewPosition": "AP", "ViewCodeSequence": view_code("399067008")}, None,
         "the film contradicts itself about its view: "
         "View Position says ap, View Code Sequence says lateral"),
        ({"SeriesDescription": "Elbow lat."}, "lateral",
         "the view (lateral) was taken from free text: Series Description"),
        ({"SeriesDescription": "Elbow AP/lat"}, None, "the film does not say its view"),
        ({"ViewPosition": "AP", "SeriesDescription": "Elbow AP/lat"}, "ap", None),
        ({"ViewPosition": "AP", "ProtocolName": "lateral"}, None,
         "the film contradicts itself about its view: View Position says ap, Protocol Name says lateral"),
        ({}, None, "the film does not say its view"),
    ],
)  # fmt: skip
def test_view(
    elements: dict[str, Any], view: str | None, warning: str | None, write: Callable[..., Path]
) -> None:
    """It is what all sources agree on, or none; free text alone is told."""
    film = read_film(write(**({"ViewPosition": None} | elements)))
    assert film.view == view
    assert not film.warnings if warning is None else warning in film.warnings


# Date, patient, identifiers

STUDY = "no acquisition date: the date is the study's"
NONE = {"AcquisitionDate": None, "AcquisitionTime": None}


@pytest.mark.parametrize(
    ("elements", "date", "time", "warnings"),
    [
        ({}, (2031, 3, 4), (10, 15, 30, 250000), ()),
        ({"AcquisitionTime": "0915"}, (2031, 3, 4), (9, 15), ()),
        ({"AcquisitionTime": "23"}, (2031, 3, 4), (23, 0), ()),
        ({"AcquisitionTime": "235960"}, (2031, 3, 4), (23, 59, 59), ()),
        ({"AcquisitionTime": "997700"}, (2031, 3, 4), None, ()),
        ({"AcquisitionTime": None}, (2031, 3, 4), None, ()),
        ({"AcquisitionDate": "2031.03.05"}, (2031, 3, 5), (10, 15, 30, 250000), ()),
        (NONE | {"AcquisitionDateTime": "20310306081500.5+0100"}, (2031, 3, 6), (8, 15, 0, 500000), ()),
        (NONE | {"ContentDate": "20310307", "ContentTime": "120000", "StudyDate": "20310308"},
         (2031, 3, 7), (12, 0), ("no acquisition date: the date is the content's",)),
        (NONE | {"StudyDate": "20310308", "StudyTime": "0700"}, (2031, 3, 8), (7, 0), (STUDY,)),
        (NONE | {"StudyDate": "20310308", "ContentTime": "0700"}, (2031, 3, 8), None, (STUDY,)),
        ({"AcquisitionDate": "20311332", "StudyDate": "20310308"}, (2031, 3, 8), None,
         ("Acquisition Date is no usable date and was left out", STUDY)),
        ({"AcquisitionDate": "00010101"}, None, None,
         ("Acquisition Date is no usable date and was left out", "missing date")),
        ({"AcquisitionDate": "yesterday"}, None, None,
         ("Acquisition Date is no usable date and was left out", "missing date")),
        (NONE, None, None, ("missing date",)),
    ],
)  # fmt: skip
def test_date(
    elements: dict[str, Any], date: Any, time: Any, warnings: tuple[str, ...], write: Callable[..., Path]
) -> None:
    """The acquisition's, else the content's, else the study's, with the time that belongs to it."""
    film = read_film(write(**elements))
    assert film.date == (datetime.date(*date) if date else None)
    assert film.time == (datetime.time(*time) if time else None)
    assert film.warnings == warnings


@pytest.mark.parametrize(
    ("elements", "key"),
    [
        ({}, PATIENT),
        ({"PatientID": f"  {PATIENT} "}, PATIENT),  # blanks around are not significant (PS3.5 6.2, LO)
        ({"IssuerOfPatientID": "WARD 1"}, f"WARD 1\\{PATIENT}"),
        ({"PatientID": "a^B.01"}, "a^B.01"),
        ({"PatientID": None}, None),
        ({"PatientID": ""}, None),
        ({"PatientID": None, "IssuerOfPatientID": "WARD 1"}, None),
    ],
)
def test_patient_key(elements: dict[str, Any], key: str | None, write: Callable[..., Path]) -> None:
    """Issuer and identifier as received; a film without an identifier says so."""
    film = read_film(write(**elements))
    assert film.patient_key == key
    assert film.warnings == (() if key else ("no patient identifier",))


def test_two_patients_cannot_share_a_key(write: Callable[..., Path]) -> None:
    """An issuer that ends as another's identifier starts does not make them one."""
    first = read_film(write(IssuerOfPatientID="A", PatientID="B C")).patient_key
    second = read_film(write(IssuerOfPatientID="A B", PatientID="C")).patient_key
    assert first != second


def test_identifiers_and_body_part(write: Callable[..., Path]) -> None:
    """They are as received; a missing body part is looked for among the regions."""
    film = read_film(write())
    assert (film.sop_instance_uid, film.series_instance_uid, film.study_instance_uid) == (
        "1.2.3.4", "1.2.3.1", "1.2.3",
    )  # fmt: skip
    assert (film.sop_class_uid, film.modality, film.body_part) == (
        "1.2.840.10008.5.1.4.1.1.1.1",
        "DX",
        "elbow",
    )
    region = Sequence([item(CodeValue="16953009", CodeMeaning="Elbow joint")])
    assert read_film(write(BodyPartExamined=None, AnatomicRegionSequence=region)).body_part == "elbow joint"
    assert read_film(write(BodyPartExamined=None)).body_part is None


@pytest.mark.parametrize(
    ("elements", "warning"),
    [
        ({"BurnedInAnnotation": "YES"}, "burned-in annotation"),
        ({"LossyImageCompression": "01"}, "lossy compression"),
        ({"Modality": "CT"}, "its modality is not that of a radiograph"),
    ],
)
def test_what_a_reader_should_know(
    elements: dict[str, Any], warning: str, write: Callable[..., Path]
) -> None:
    """It is a warning of the film."""
    assert read_film(write(**elements)).warnings == (warning,)


# Bad input: DICOM


def test_a_damaged_element_that_is_not_needed_stops_nothing(tmp_path: Path) -> None:
    """Neither an unknown representation, a malformed number, nor an unknown character set."""
    dataset = data_set(noise(), SpecificCharacterSet="ISO_IR 999", WindowCenter=1, WindowWidth=2)
    dataset.add_new("KVP", "DS", "60")
    data = bytearray(save(tmp_path / "film.dcm", dataset).read_bytes())
    at = data.index(b"\x18\x00\x60\x00DS")
    data[at + 4 : at + 10] = b"ZZ\x02\x00ab"
    (tmp_path / "film.dcm").write_bytes(data)
    film = read_film(tmp_path / "film.dcm")
    np.testing.assert_array_equal(film.pixels, noise())
    assert film.patient_key == PATIENT


def test_nothing_of_the_patient_leaves_the_film(
    tmp_path: Path, caplog: pytest.LogCaptureFixture, capfd: pytest.CaptureFixture[str]
) -> None:
    """Neither logs, screen, warnings, errors nor repr hold a word of it, whatever pydicom complains of."""
    tolerated = (
        *(
            "AcquisitionTime",
            "AcquisitionDate",
            "StudyDate",
            "RescaleSlope",
            "WindowCenter",
            "PixelAspectRatio",
        ),
        *("ImagerPixelSpacing", "PixelSpacingCalibrationType", "SOPInstanceUID", "Modality", "ViewPosition"),
        *("ImageLaterality", "BodyPartExamined"),
    )
    refused = ("Rows", "BitsStored", "PhotometricInterpretation", "SamplesPerPixel")
    paths = []
    for keywords in (tolerated, *((keyword,) for keyword in refused)):
        dataset = data_set(noise(), **dict.fromkeys(keywords))
        for keyword in keywords:
            dataset.add_new(keyword, "LO", NAME)
        paths.append(save(tmp_path / f"{keywords[0]}.dcm", dataset, "1.2.840.10008.1.2"))
    caplog.clear()
    capfd.readouterr()
    film = read_film(paths[0])
    assert len(film.warnings) > 6
    texts = [repr(film), str(film.warnings)]
    for path in paths[1:]:
        with pytest.raises(FilmError) as error:
            read_film(path)
        texts.append(str(error.value))
    assert not [text for text in texts if any(word in text for word in ("Invented", PATIENT, "1901"))]
    assert (caplog.text, *capfd.readouterr()) == ("", "", "")


def no_pixels(**elements: Any) -> Dataset:
    """Make a data set of another kind than a picture."""
    return data_set(noise(), PixelData=None, Rows=None, Columns=None, **elements)


COLOUR = np.random.default_rng(3).integers(0, 256, (*SHAPE, 3)).astype(np.uint8)
RGB = {"SamplesPerPixel": 3, "PlanarConfiguration": 0, "PhotometricInterpretation": "RGB",
       "Rows": SHAPE[0], "Columns": SHAPE[1]}  # fmt: skip


@pytest.mark.parametrize(
    ("dataset", "words"),
    [
        (no_pixels(SOPClassUID="1.2.840.10008.5.1.4.1.1.481.5"),
         r"holds no picture \(it is: RT Plan Storage\), or is cut short"),
        (no_pixels(SOPClassUID="1.2.3.4.5"), r"holds no picture, or is cut short"),
        (data_set(noise(), PixelData=None, FloatPixelData=b"\0" * 4 * noise().size), "holds no picture"),
        (data_set(noise(), Rows=None), "Rows cannot be read"),
        (data_set(noise(), Rows=0), "its size is 0 x 17 pixels"),
        (data_set(noise(), BitsStored=17), "BitsStored is 17, expected 1 to 16"),
        (data_set(noise(), BitsAllocated=32), "BitsAllocated is 32, expected 8 or 16"),
        (data_set(noise(), BitsAllocated=1, PixelRepresentation=7, Rows=40000),
         "BitsAllocated is 1, expected 8 or 16; PixelRepresentation is 7, expected 0 or 1; its size, 40000"),
        (data_set(noise(), PhotometricInterpretation="PALETTE COLOR"), "expected MONOCHROME1 or 2"),
        (data_set(noise(), Rows=21000, Columns=21000), "beyond any film"),
        (data_set(noise(), Rows=23), "cut short: it holds 748 bytes of pixels, its header asks for 782"),
        (data_set(COLOUR, 8, **RGB), "in colour, no radiograph"),
        (data_set(COLOUR, 8, **(RGB | {"PhotometricInterpretation": "YBR_FULL"})), "in colour"),
    ],
)  # fmt: skip
def test_what_is_no_film_is_refused(dataset: Dataset, words: str, tmp_path: Path) -> None:
    """It is said what was received, what was expected and what to do, all at once."""
    with pytest.raises(FilmError, match=words) as refused:
        read_film(save(tmp_path / "film.dcm", dataset))
    assert str(refused.value).endswith(".")


def test_grey_stored_as_colour_is_read(tmp_path: Path) -> None:
    """Three equal channels are one film, and said so."""
    grey = noise(8)
    film = read_film(save(tmp_path / "film.dcm", data_set(np.stack([grey] * 3, axis=-1), 8, **RGB)))
    np.testing.assert_array_equal(film.pixels, grey)
    assert film.photometric == "MONOCHROME2"
    assert film.warnings == ("grey stored as colour: one of three equal channels was read",)


@pytest.mark.parametrize("uid", ["1.2.840.10008.1.2.4.100", "1.2.3.4", "1.2.840.10008.1.2.4.94"])
def test_other_transfer_syntaxes_are_refused(uid: str, tmp_path: Path) -> None:
    """Film clips, private and remote ones cannot be decoded."""
    path = save(tmp_path / "film.dcm", data_set(noise()))
    data = path.read_bytes().replace(b"1.2.840.10008.1.2.1\0", uid.encode().ljust(20, b"\0")[:20])
    path.write_bytes(data)
    with pytest.raises(FilmError, match="transfer syntax cannot be decoded"):
        read_film(path)


@pytest.mark.parametrize("uid", syntaxes(ALL))
def test_a_film_that_is_cut_short_is_refused(uid: str, tmp_path: Path) -> None:
    """At each of some hundred lengths: never is a part of a film read as the whole."""
    bits = 8 if uid.endswith(".50") else 12
    path = save(tmp_path / "film.dcm", encoded(noise(bits), bits, uid))
    data = path.read_bytes()
    ending = 8 if UID(uid).is_encapsulated else 0  # the delimiter's length, which holds nothing
    for length in {*range(0, len(data) - ending, 17), len(data) - ending - 1, len(data) - 9}:
        path.write_bytes(data[:length])
        with pytest.raises(FilmError, match=r"cut short|damaged|neither DICOM nor|empty|cannot be decoded"):
            read_film(path)


@pytest.mark.parametrize("uid", [uid for uid in ALL if uid.startswith("1.2.840.10008.1.2.4.")])
def test_a_compressed_picture_of_another_size_is_refused(uid: str, tmp_path: Path) -> None:
    """Neither a larger nor a smaller one is cut to the header's size; the sizes are told."""
    bits = 8 if uid.endswith(".50") else 12
    for rows, columns in ((10, 17), (22, 16), (40, 40)):
        dataset = encoded(noise(bits), bits, uid)
        dataset.Rows, dataset.Columns = rows, columns
        with pytest.raises(FilmError, match=f"is 22 x 17 pixels, its header says {rows} x {columns}"):
            read_film(save(tmp_path / "film.dcm", dataset))


@pytest.mark.parametrize("uid", ["1.2.840.10008.1.2.5", "1.2.840.10008.1.2.4.70", "1.2.840.10008.1.2.4.80"])
def test_compressed_pixels_are_never_taken_for_plain_ones(uid: str, tmp_path: Path) -> None:
    """Nor plain ones for compressed: a header that says so is refused."""
    path = save(tmp_path / "film.dcm", encoded(np.zeros((60, 50), np.uint16), 12, uid))
    plain = b"1.2.840.10008.1.2.1"
    name = uid.encode() + b"\0" * (len(uid) % 2)
    path.write_bytes(path.read_bytes().replace(name, plain.ljust(len(name), b"\0")))
    with pytest.raises(FilmError, match="pixels are compressed, but the header says explicit little endian"):
        read_film(path)
    path = save(tmp_path / "film.dcm", data_set(noise()))
    path.write_bytes(path.read_bytes().replace(plain + b"\0", b"1.2.840.10008.1.2.5\0"))
    with pytest.raises(FilmError, match="compressed pixels are cut short or damaged"):
        read_film(path)


def test_an_inflating_file_is_refused(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """A deflated file that grows beyond any film is not inflated further."""
    path = save(tmp_path / "film.dcm", data_set(noise()), DeflatedExplicitVRLittleEndian)
    monkeypatch.setitem(LIMITS, "inflated_bytes", Limit(500, "bytes", "a deflated film"))
    with pytest.raises(FilmError, match="larger than any film"):
        read_film(path)


def test_a_missing_decoder_is_named_with_its_remedy(tmp_path: Path) -> None:
    """JPEG lossless needs the extra, whose installation is told."""
    uid = "1.2.840.10008.1.2.4.70"
    path = save(tmp_path / "film.dcm", encoded(noise(), 12, uid))
    decoder = get_decoder(UID(uid))
    decoder.remove_plugin("pylibjpeg")
    try:
        with pytest.raises(FilmError, match=r'No decoder for JPEG lossless.*pip install "holdfast\[jpeg\]"'):
            read_film(path)
    finally:
        decoder.add_plugin("pylibjpeg", ("pydicom.pixels.decoders.pylibjpeg", "_decode_frame"))
    assert read_film(path).pixels.shape == SHAPE


@pytest.mark.parametrize("uid", ["1.2.840.10008.1.2", "1.2.840.10008.1.2.1", "1.2.840.10008.1.2.2"])
def test_a_film_without_its_preamble_is_read(uid: str, tmp_path: Path) -> None:
    """With or without the file's own header, as long as it starts as DICOM does."""
    path = save(tmp_path / "film", encoded(noise(), 12, uid))
    data = path.read_bytes()
    length = int.from_bytes(data[140:144], "little")  # of group 2
    path.write_bytes(data[144 + length :])
    np.testing.assert_array_equal(read_film(path).pixels, noise())
    assert peek(path)
    if uid.endswith(".1"):
        path.write_bytes(data[132:])
        np.testing.assert_array_equal(read_film(path).pixels, noise())


@pytest.mark.parametrize(
    ("data", "words"),
    [
        (b"", "The file is empty"),
        (b"hello", "neither DICOM nor PNG, JPEG or TIFF"),
        (np.random.default_rng(1).bytes(5000), "neither DICOM nor PNG, JPEG or TIFF"),
        (
            b"\0" * 128 + b"DICM" + np.random.default_rng(1).bytes(5000),
            "damaged|cut short|cannot be decoded|Refused",
        ),
        (
            b"\x08\0\x05\0CS\x0a\0ISO_IR 100" + np.random.default_rng(1).bytes(500),
            "damaged|cut short|no picture",
        ),
        (b"\x89PNG\r\n\x1a\n" + np.random.default_rng(1).bytes(500), "damaged"),
        (b"\xff\xd8\xff" + np.random.default_rng(1).bytes(500), "damaged"),
        (b"II*\0" + np.random.default_rng(1).bytes(500), "damaged"),
    ],
)
def test_bytes_of_no_film_are_refused(data: bytes, words: str, tmp_path: Path) -> None:
    """Random ones, and random ones that start as a film does."""
    path = tmp_path / "film.dcm"
    path.write_bytes(data)
    with pytest.raises(FilmError, match=words):
        read_film(path)


def test_what_cannot_be_opened_is_refused(tmp_path: Path) -> None:
    """A missing file and a folder, without their path in the message."""
    for path in (tmp_path / "Invented_Person.dcm", tmp_path):
        with pytest.raises(
            FilmError, match=r"The file cannot be read: (No such file|Is a directory)"
        ) as refused:
            read_film(path)
        assert str(tmp_path) not in str(refused.value)
        assert "Invented" not in str(refused.value)


# Bad input: mutations


def survives(data: bytes, path: Path) -> bool:
    """Whether mutated bytes are read; if not, they must be refused with FilmError and nothing else."""
    path.write_bytes(data)
    try:
        film = read_film(path)
    except FilmError:
        return False
    assert film.pixels.ndim == 2
    for shown in (film.display(), film.values()):
        assert shown.shape == film.pixels.shape
    assert film.digest.startswith("sha256:")
    film.padding_mask()
    assert min(film.aspect) > 0
    return True


# The RLE decoder panics on some: caught, but it writes to the screen, so these run with their output kept.
@pytest.mark.parametrize("uid", syntaxes(ALL))
def test_mutated_films_raise_nothing_else(uid: str, tmp_path: Path) -> None:
    """Seeded changes of bytes, anywhere and in the header, are read or refused."""
    bits = 8 if uid.endswith(".50") else 12
    rich = {
        "WindowCenter": 2000,
        "WindowWidth": 900,
        "PixelPaddingValue": 0,
        "RescaleSlope": 1,
        "RescaleIntercept": 0,
    }
    original = save(tmp_path / "film.dcm", encoded(noise(bits), bits, uid, **rich)).read_bytes()
    rng = np.random.default_rng(11)
    outcomes = set()
    for _ in range(60):
        data = bytearray(original)
        first, last = (128, len(data)) if rng.random() < 0.5 else (300, 900)
        for at in rng.integers(first, min(last, len(data)), rng.integers(1, 6)):
            data[at] = rng.choice([0, 1, 127, 255, rng.integers(256)])
        if rng.random() < 0.2:
            at = rng.integers(200, len(data))
            data[at : at + rng.integers(0, 9)] = rng.bytes(rng.integers(0, 9))
        outcomes.add(survives(bytes(data), tmp_path / "film.dcm"))
    assert outcomes == {True, False}  # the changes are neither all harmless nor all fatal


@settings(max_examples=150, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(
    changes=st.lists(
        st.tuples(st.integers(0, 1700), st.binary(min_size=1, max_size=6)), min_size=1, max_size=6
    ),
    length=st.integers(0, 1700),
)
def test_any_change_of_a_film_is_read_or_refused(
    changes: list[tuple[int, bytes]], length: int, tmp_path: Path
) -> None:
    """Bytes put in anywhere, and the file cut anywhere."""
    table = Sequence([item(LUTDescriptor=[16, 0, 8], LUTData=bytes(range(16)))])
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        table[0]["LUTDescriptor"].VR, table[0]["LUTData"].VR = "US", "OW"
        dataset = data_set(noise(8), 8, VOILUTSequence=table, ViewCodeSequence=view_code("399067008"))
        data = bytearray(save(tmp_path / "film.dcm", dataset).read_bytes())
    for at, put in changes:
        data[at : at + len(put)] = put
    survives(bytes(data[: max(length, 1)]) if length < 300 else bytes(data), tmp_path / "film.dcm")


# Pictures


def picture(path: Path, pixels: Pixels, **options: Any) -> Path:
    """Write a PNG, JPEG or TIFF."""
    Image.fromarray(pixels).save(path, **options)
    return path


@pytest.mark.parametrize(
    ("name", "bits", "options"),
    [
        ("film.png", 8, {}),
        ("film.png", 16, {}),
        ("film.tif", 8, {}),
        ("film.tif", 16, {}),
        ("film.tif", 8, {"compression": "tiff_lzw"}),
        ("film.tiff", 16, {"compression": "tiff_adobe_deflate"}),
        ("film.tif", 16, {"compression": "packbits"}),
    ],
)
def test_pictures_are_read_as_stored(name: str, bits: int, options: dict[str, Any], tmp_path: Path) -> None:
    """8 and 16 bits, whatever the compression; they say that they have no scale."""
    film = read_film(picture(tmp_path / name, noise(bits), **options))
    np.testing.assert_array_equal(film.pixels, noise(bits))
    assert (film.bits, film.pixels.dtype.itemsize) == (bits, bits // 8)
    kind = "PNG" if name.endswith("png") else "TIFF"
    assert film.warnings == (f"a {kind} file: no scale, patient, side, view or date",)
    assert vars(film.spacing) == vars(Spacing())
    assert (film.patient_key, film.laterality, film.view, film.date, film.aspect) == (
        None,
        None,
        None,
        None,
        (1, 1),
    )
    assert film.name == name


def test_a_jpeg_is_read_and_said_to_be_lossy(tmp_path: Path) -> None:
    """Its pixels are those that Pillow decodes."""
    path = picture(tmp_path / "film.jpeg", noise(8))
    film = read_film(path)
    with Image.open(path) as image:
        np.testing.assert_array_equal(film.pixels, np.asarray(image))
    assert film.warnings[1:] == ("lossy compression",)


def test_the_same_pixels_have_one_digest_in_any_form(tmp_path: Path) -> None:
    """DICOM, PNG and TIFF of the same 16 bits."""
    paths = [
        save(tmp_path / "film.dcm", data_set(noise(16), 16)),
        picture(tmp_path / "film.png", noise(16)),
        picture(tmp_path / "film.tif", noise(16)),
    ]
    assert len({read_film(path).digest for path in paths}) == 1


@pytest.mark.parametrize("name", ["film.png", "film.jpg", "film.tif"])
def test_pictures_in_colour(name: str, tmp_path: Path) -> None:
    """Colour is refused; three equal channels are one film, and said so."""
    with pytest.raises(FilmError, match="in colour, no radiograph"):
        read_film(picture(tmp_path / name, COLOUR))
    film = read_film(picture(tmp_path / name, np.stack([noise(8)] * 3, axis=-1)))
    assert "grey stored as colour: one of three equal channels was read" in film.warnings
    assert film.pixels.shape == SHAPE
    if name != "film.jpg":
        np.testing.assert_array_equal(film.pixels, noise(8))


@pytest.mark.parametrize(
    ("name", "pixels"),
    [
        ("film.png", noise(8) > 100),
        ("film.tif", noise(8) > 100),
        ("film.tif", noise(8).astype(np.float32)),
        ("film.tif", noise(8).astype(np.int32)),
    ],
)
def test_pictures_of_other_depths_are_refused(name: str, pixels: Pixels, tmp_path: Path) -> None:
    """Bilevel, floating-point and 32-bit."""
    with pytest.raises(FilmError, match=r"neither 8- nor 16-bit greyscale.*Save it as 16-bit greyscale"):
        read_film(picture(tmp_path / name, pixels))


@pytest.mark.parametrize("name", ["film.png", "film.tif"])
def test_sixteen_bit_colour_is_refused(name: str, tmp_path: Path) -> None:
    """Pillow would cut it to 8 bits, and no one would know."""
    pixels = np.stack([noise(16)] * 3, axis=-1)
    encode = imagecodecs.png_encode if name.endswith("png") else None
    if encode:
        (tmp_path / name).write_bytes(encode(pixels))
    else:
        import tifffile

        tifffile.imwrite(tmp_path / name, pixels, photometric="rgb")
    with pytest.raises(FilmError, match="neither 8- nor 16-bit greyscale"):
        read_film(tmp_path / name)


@pytest.mark.parametrize(("bits", "byteorder"), [(8, "<"), (8, ">"), (16, "<")])
def test_a_tiff_whose_zero_is_white(bits: int, byteorder: str, tmp_path: Path) -> None:
    """Its stored values are kept, and it is MONOCHROME1."""
    import tifffile

    tifffile.imwrite(tmp_path / "film.tif", noise(bits), photometric="miniswhite", byteorder=byteorder)
    film = read_film(tmp_path / "film.tif")
    np.testing.assert_array_equal(film.pixels, noise(bits))
    assert film.photometric == "MONOCHROME1"
    assert film.display()[0, 0] == 1


def test_an_orientation_tag_turns_nothing(tmp_path: Path) -> None:
    """PNG and JPEG stay as stored and say so; a TIFF, which Pillow turns, is refused."""
    exif = Image.Exif()
    exif[274] = 6
    for name in ("film.jpg", "film.png"):
        film = read_film(picture(tmp_path / name, noise(8), exif=exif))
        assert film.pixels.shape == SHAPE
        assert (
            "an orientation tag asks for the picture to be turned; the pixels are as stored" in film.warnings
        )
    with pytest.raises(FilmError, match=r"orientation tag that turns it. Save it again without one"):
        read_film(picture(tmp_path / "film.tif", noise(8), exif=exif))


def test_a_page_of_a_tiff_has_to_be_chosen(tmp_path: Path) -> None:
    """As a frame of DICOM has."""
    pages = [Image.fromarray(noise(16, seed=seed)) for seed in (1, 2)]
    pages[0].save(tmp_path / "film.tif", save_all=True, append_images=pages[1:])
    with pytest.raises(FilmError, match="holds 2 frames"):
        read_film(tmp_path / "film.tif")
    film = read_film(tmp_path / "film.tif", frame=2)
    np.testing.assert_array_equal(film.pixels, noise(16, seed=2))
    assert film.frame == 2


def test_unequal_dots_per_inch_tell_the_shape_of_a_pixel(tmp_path: Path) -> None:
    """Not its size: 200 dots across and 100 down make a pixel twice as high as wide."""
    film = read_film(picture(tmp_path / "film.tif", noise(8), dpi=(200, 100)))
    assert film.aspect == pytest.approx((2.0, 1.0))
    assert film.spacing.imager is None
    assert read_film(picture(tmp_path / "film.tif", noise(8), dpi=(200, 200))).spacing.aspect is None


def test_an_absurdly_large_picture_is_refused_undecoded(tmp_path: Path) -> None:
    """Its size is told before room is made for it."""
    buffer = io.BytesIO()
    Image.new("L", (30000, 2)).save(buffer, "PNG")
    (tmp_path / "film.png").write_bytes(buffer.getvalue())
    with pytest.raises(FilmError, match="2 x 30000 pixels, is beyond any film"):
        read_film(tmp_path / "film.png")


@pytest.mark.parametrize("name", ["film.png", "film.jpg", "film.tif"])
def test_mutated_pictures_raise_nothing_else(name: str, tmp_path: Path) -> None:
    """Cut short or changed, they are read or refused."""
    path = picture(tmp_path / name, noise(8))
    original, rng = path.read_bytes(), np.random.default_rng(2)
    for length in range(0, len(original) - 20, 29):
        assert not survives(original[:length], path)
    for _ in range(150):
        data = bytearray(original)
        for at in rng.integers(0, len(data), 3):
            data[at] = rng.integers(256)
        survives(bytes(data), path)


# The film itself, and where films are found


def test_a_film_can_be_made_in_memory() -> None:
    """Of three types of pixel; anything else is refused."""
    film = Film(pixels=noise())
    assert film.grey.padding is None
    assert film.display().max() == 1
    turned = Film(pixels=noise().astype(">u2"))  # the order of bytes is no part of a film
    assert turned.digest == film.digest
    np.testing.assert_array_equal(turned.display(), film.display())
    for wrong in (noise().astype(np.float32), FRAMES):
        with pytest.raises(FilmError, match="A film is a 2-D array of uint8, uint16 or int16; received"):
            Film(pixels=wrong)


def test_making_a_film_leaves_the_array_writeable() -> None:
    """Only the film's own view of it is read-only."""
    pixels = noise()
    assert not Film(pixels=pixels).pixels.flags.writeable
    assert pixels.flags.writeable


def test_greys_of_a_film_in_memory() -> None:
    """Rescale and padding apply as they would from a file."""
    film = Film(pixels=noise(), grey=GreyScale(slope=2, intercept=-5, padding=(0, 0)))
    np.testing.assert_allclose(film.values(), noise() * 2.0 - 5)
    assert film.values().dtype == film.display().dtype == np.float32


def test_reading_in_threads_leaves_the_warnings_as_they_were(tmp_path: Path) -> None:
    """Warning filters belong to the process; readers take turns with them."""
    path = save(tmp_path / "film.dcm", data_set(noise(), AcquisitionTime="noon"))
    before, films = list(warnings.filters), []
    threads = [
        threading.Thread(target=lambda: films.extend(read_film(path) for _ in range(10))) for _ in range(4)
    ]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    assert len(films) == 40
    assert warnings.filters == before


def test_films_are_found_by_name_and_by_content(tmp_path: Path) -> None:
    """At any depth, sorted; what is no film, hidden or a directory of films is left out."""
    film = save(tmp_path / "b.dcm", data_set(noise())).read_bytes()
    wanted = ["IM0001", "a/c.PNG", "a/d/e.jpeg", "a/d/f.tif", "b.dcm", "broken.dcm", "1.2.840.7"]
    others = [
        "notes.txt",
        "README",
        "DICOMDIR",
        ".hidden.dcm",
        ".cache/g.dcm",
        "reading.json",
        "noise.5",
        "film.bin",
    ]
    for name in wanted + others:
        path = tmp_path / name
        path.parent.mkdir(parents=True, exist_ok=True)
        is_film = name in wanted or name in ("DICOMDIR", "film.bin")
        path.write_bytes(film if is_film else b"words")
    (tmp_path / "broken.dcm").write_bytes(b"words")  # its name promises a film: reading it says what is wrong
    assert search(tmp_path).films == tuple(sorted(tmp_path / name for name in wanted))
    assert [peek(tmp_path / name) for name in ("IM0001", "broken.dcm", "notes.txt", "none", "a")] == [
        True, False, False, False, False,
    ]  # fmt: skip


def test_a_folder_that_is_not_there_is_refused(tmp_path: Path) -> None:
    """Without its path in the message."""
    with pytest.raises(FilmError, match="The folder cannot be read: No such file or directory"):
        search(tmp_path / "none")


def test_a_damaged_class_is_left_unsaid(write_film: Callable[..., Path], tmp_path: Path) -> None:
    """A file without a picture whose class has no known representation is refused in words."""
    path = write_film(tmp_path / "film.dcm")
    data = path.read_bytes()
    at = data.index(b"\x08\x00\x16\x00UI")
    cut = data.index(b"\xe0\x7f\x10\x00")
    path.write_bytes(data[: at + 4] + b"UE" + data[at + 6 : cut])
    with pytest.raises(FilmError, match="holds no picture"):
        read_film(path)
