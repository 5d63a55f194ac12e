"""Scales against sources that are not ours.

* DICOM PS3.3 10.7 (Basic Pixel Spacing Calibration) and C.8.11.5 (DX Positioning), from memory: headers
  written by pydicom, from the file to millimetres at the bone.
* JCGM 100:2008, 5.1 and 5.2 (GUM), through the `uncertainties` package: the scale of a clicked distance
  and the agreement of two scales that share an error.
* JCGM 101:2008 in numpy: the same distance by Monte Carlo.
* JCGM 100:2008, 4.3.7: standard uncertainty of a rectangular distribution, by scipy.
"""

from __future__ import annotations

import math

import numpy as np
import pytest
from scipy import stats
from uncertainties import ufloat
from uncertainties.umath import sqrt

from measure.film import Spacing, read_film
from measure.scale import (
    USUAL_MAGNIFICATION,
    USUAL_MAGNIFICATION_U,
    ScaleInput,
    compare_scales,
    from_input,
    from_spacing,
    scales_for,
)

# What the header holds, and millimetres per pixel at the bone by the standard's definitions.
HEADERS = [
    # Imager Pixel Spacing / (Distance Source to Detector / Distance Source to Patient)
    (
        {
            "ImagerPixelSpacing": [0.15, 0.15],
            "EstimatedRadiographicMagnificationFactor": None,
            "DistanceSourceToDetector": 1150,
            "DistanceSourceToPatient": 1000,
        },
        0.15 * 1000 / 1150,
    ),
    # Imager Pixel Spacing / Estimated Radiographic Magnification Factor
    (
        {"ImagerPixelSpacing": [0.15, 0.15], "EstimatedRadiographicMagnificationFactor": "1.2"},
        0.125,
    ),
    # Pixel Spacing differs from Imager Pixel Spacing: it has been corrected
    (
        {
            "ImagerPixelSpacing": [0.15, 0.15],
            "EstimatedRadiographicMagnificationFactor": None,
            "PixelSpacing": [0.13, 0.13],
        },
        0.13,
    ),
    # calibrated against an object of known size, no Imager Pixel Spacing
    (
        {
            "ImagerPixelSpacing": None,
            "EstimatedRadiographicMagnificationFactor": None,
            "PixelSpacing": [0.131, 0.131],
            "PixelSpacingCalibrationType": "FIDUCIAL",
        },
        0.131,
    ),
]


@pytest.mark.parametrize(("elements", "expected"), HEADERS)
def test_header_to_millimetres(elements, expected, write_film, tmp_path) -> None:
    """PS3.3: from a written file to the size of a pixel at the bone."""
    film = read_film(write_film(tmp_path / "film.dcm", **elements))
    scale = scales_for(film, "film")[0]
    assert scale.mm_per_px == pytest.approx((expected, expected), rel=1e-9)


@pytest.mark.parametrize(("elements", "expected"), HEADERS)
def test_the_check_rejects_an_uncorrected_answer(elements, expected, write_film, tmp_path) -> None:
    """Shown failing: the detector's own spacing, given for the bone's, is outside the tolerance."""
    film = read_film(write_film(tmp_path / "film.dcm", **elements))
    uncorrected = (film.spacing.imager or (0.15, 0.15))[0]
    assert uncorrected != pytest.approx(expected, rel=1e-9)


@pytest.mark.parametrize(
    "elements",
    [
        {"ImagerPixelSpacing": None, "EstimatedRadiographicMagnificationFactor": None},
        {"ImagerPixelSpacing": None, "PixelSpacing": [0.15, 0.15]},
        {"ImagerPixelSpacing": [0.15, 0.15], "PixelSpacing": [0.3, 0.3]},
    ],
)
def test_header_that_supports_no_millimetres(elements, write_film, tmp_path) -> None:
    """PS3.3 10.7.1.3: unknown calibration, or none, gives no scale; nor do two that contradict."""
    film = read_film(write_film(tmp_path / "film.dcm", **elements))
    assert scales_for(film, "film") == ()


def test_equal_spacings_mean_the_detector(write_film, tmp_path) -> None:
    """PS3.3 10.7.1.3: Pixel Spacing equal to Imager Pixel Spacing has not been corrected."""
    elements = {"EstimatedRadiographicMagnificationFactor": None, "PixelSpacing": [0.15, 0.15]}
    film = read_film(write_film(tmp_path / "film.dcm", ImagerPixelSpacing=[0.15, 0.15], **elements))
    (scale,) = scales_for(film, "film")
    assert scale.kind == "detector spacing"


ASPECT = (2.0, 1.0)
CLICKS = ((40.0, 25.0), (190.0, 110.0))
MM, TOLERANCE, CLICK = 60.0, 0.4, 1.2


def test_click_uncertainty_against_uncertainties() -> None:
    """GUM 5.1: clicks and size of a slanted distance on non-square pixels; the height is left out."""
    given = ScaleInput("marker", CLICKS, MM, tolerance_mm=TOLERANCE, click_px=CLICK)
    scale = from_input(given, "film", ASPECT)
    (r0, c0), (r1, c1) = [[ufloat(number, CLICK) for number in point] for point in CLICKS]
    length = sqrt(((r1 - r0) * ASPECT[0]) ** 2 + ((c1 - c0) * ASPECT[1]) ** 2)
    expected = ASPECT[0] * ufloat(MM, TOLERANCE) / length
    assert scale.mm_per_px[0] == pytest.approx(expected.nominal_value, rel=1e-12)
    ours = math.hypot(*(part for source, part in scale.parts.items() if "height" not in source))
    assert ours == pytest.approx(expected.std_dev / expected.nominal_value, rel=1e-9)
    square = math.hypot(math.sqrt(2) * CLICK / length.nominal_value, TOLERANCE / MM)
    assert ours != pytest.approx(square, rel=1e-3)  # shown failing: pixels taken for square


def test_click_uncertainty_against_monte_carlo() -> None:
    """JCGM 101: 200 000 draws of the same clicks and size."""
    given = ScaleInput("marker", CLICKS, MM, tolerance_mm=TOLERANCE, click_px=CLICK)
    scale = from_input(given, "film", ASPECT)
    rng = np.random.default_rng(1)
    points = np.array(CLICKS) + CLICK * rng.standard_normal((200_000, 2, 2))
    lengths = np.linalg.norm((points[:, 1] - points[:, 0]) * ASPECT, axis=-1)
    drawn = ASPECT[0] * (MM + TOLERANCE * rng.standard_normal(len(lengths))) / lengths
    ours = math.hypot(*(part for source, part in scale.parts.items() if "height" not in source))
    assert ours == pytest.approx(np.std(drawn) / np.mean(drawn), rel=0.01)


def test_agreement_against_uncertainties() -> None:
    """GUM 5.2: the ratio of two scales that share one source, by correlated propagation."""
    spacing = Spacing(
        imager=(0.144, 0.144), magnification=1.15, source_detector_mm=1150.0, source_patient_mm=1000.0
    )
    first, second = from_spacing(spacing, "film")
    sources = {source: ufloat(0.0, 1.0) for source in {*first.parts, *second.parts}}
    relative = [
        1 + sum(part * sources[source] for source, part in scale.parts.items()) for scale in (first, second)
    ]
    expected = relative[0] / relative[1]
    (agreement,) = compare_scales((first, second))
    assert agreement.u == pytest.approx(expected.std_dev, rel=1e-9)
    assert agreement.u != pytest.approx(math.hypot(first.u, second.u), rel=0.1)  # taken as independent


def test_usual_magnification_is_rectangular() -> None:
    """GUM 4.3.7: half-width over root three, from scipy's uniform distribution."""
    uniform = stats.uniform(1.05, 0.20)
    assert uniform.mean() == pytest.approx(USUAL_MAGNIFICATION)
    assert uniform.std() / uniform.mean() == pytest.approx(USUAL_MAGNIFICATION_U)
