"""Hand-made readings and tiny DICOM films, shared by the tests.

An elbow is laid out by hand in millimetres in the bone's own frame, (distal, volar) on the lateral film
and (distal, radial) on the AP film, from the values it is to have; nothing here calls `measure.geometry`.
"""

from __future__ import annotations

import datetime
import math
import os
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from hypothesis import settings

from measure.film import Film, Spacing
from measure.reading import Landmark, Reading, for_film
from measure.sites import load_site

# In CI the same examples every time: whether a change lands must not hang on luck.
settings.register_profile("ci", derandomize=True, deadline=None, print_blob=True)
if os.environ.get("CI"):
    settings.load_profile("ci")

SHAPE = (640, 420)  # rows, columns
MM_PER_PX = 0.25  # at the bone
DETECTOR_MM = MM_PER_PX * 1.15
FIRST_DAY = datetime.date(2031, 3, 3)


@dataclass(frozen=True)
class Elbow:
    """Values of one film, mm and degrees; the tuples are pin 1 and pin 2.

    `back_out` is against the distal fragment; `fragment_shift` is how far the proximal fragment has moved
    proximally along each pin, which takes its cortex away from under the pin's bend.
    """

    gap: float = 0.4
    step: float = 0.2
    dorsal_gap: float = 0.6
    angles: tuple[float, float] = (6.0, 8.5)
    prominence: tuple[float, float] = (4.0, 5.0)
    beyond: tuple[float, float] = (3.0, 2.0)
    back_out: tuple[float, float] = (0.0, 0.0)
    fragment_shift: float = 0.0


NOTCH = (0.0, 12.0)
NOTCH_RADIUS = 11.0


def _on_notch(degrees: float, radius: float = NOTCH_RADIUS) -> tuple[float, float]:
    """Point at an angle from the floor of the notch, positive distally."""
    turn = math.radians(degrees)
    return NOTCH[0] + radius * math.sin(turn), NOTCH[1] - radius * math.cos(turn)


def lateral(elbow: Elbow) -> dict[str, list[tuple[float, float]]]:
    """Landmarks of a lateral film, (distal, volar) in mm."""
    points = {
        "shaft_dorsal": [(70.0, -7.5), (95.0, -7.5)],
        "shaft_volar": [(70.0, 7.5), (95.0, 7.5)],
        "joint_arc": [_on_notch(angle) for angle in (-8.0, 10.0, 30.0, 45.0, 60.0)],
        "articular_edge_distal": [_on_notch(-10.0)],
        "articular_edge_proximal": [
            _on_notch(-10.0 - math.degrees(elbow.gap / NOTCH_RADIUS), NOTCH_RADIUS - elbow.step)
        ],
        "dorsal_edge_distal": [(-2.0, -8.0)],
        "dorsal_edge_proximal": [(-2.0 - elbow.dorsal_gap, -8.0)],
        "hole": [(38.0, -1.0)],
        "hole_dorsal": [(38.0, -7.5)],
        "hole_volar": [(38.0, 7.5)],
        "knot1": [(20.0, -9.0)],
        "knot2": [(18.0, -10.0)],
        "loop": [(-26.0, -9.0)],
        "loop_seat": [(-25.5, -8.5)],
    }
    for number, (start, angle) in enumerate(zip(((-25.0, -3.0), (-25.0, 1.0)), elbow.angles, strict=True)):
        direction = np.array([math.cos(math.radians(angle)), math.sin(math.radians(angle))])  # distally
        tip0 = np.array(start) + 75.0 * direction  # at the operation
        moved = -elbow.back_out[number] * direction
        places = {
            "straight": np.array(start) + moved,
            "tip": tip0 + moved,
            "end": np.array(start) - 3.0 * direction + moved,
            "exit": np.array(start) + (elbow.prominence[number] - 3.0 - elbow.fragment_shift) * direction,
            "far_cortex": tip0 - elbow.beyond[number] * direction,
        }
        points |= {f"pin{number + 1}_{name}": [tuple(place)] for name, place in places.items()}
    return points


def anteroposterior(elbow: Elbow) -> dict[str, list[tuple[float, float]]]:
    """Landmarks of an AP film, (distal, radial) in mm."""
    points = {
        "shaft_ulnar": [(70.0, -7.0), (95.0, -7.0)],
        "shaft_radial": [(70.0, 7.0), (95.0, 7.0)],
        "ulnar_edge_distal": [(0.0, -10.0)],
        "ulnar_edge_proximal": [(-elbow.gap, -10.0)],
        "radial_edge_distal": [(0.0, 10.0)],
        "radial_edge_proximal": [(-elbow.gap, 10.0)],
        "hole": [(38.0, 0.0)],
        "knot1": [(20.0, 9.0)],
        "knot2": [(18.0, -9.0)],
    }
    for number, start in enumerate(((-25.0, -4.0), (-25.0, 4.0))):
        points[f"pin{number + 1}_straight"] = [(start[0] - elbow.back_out[number], start[1])]
        points[f"pin{number + 1}_tip"] = [(start[0] + 75.0 - elbow.back_out[number], start[1])]
    return points


LAYOUTS = {"lateral": lateral, "ap": anteroposterior}


def to_pixels(
    points: list[tuple[float, float]],
    mm_per_px: tuple[float, float] = (MM_PER_PX, MM_PER_PX),
    turn: float = 0.0,
    mirrored: bool = False,
) -> tuple[tuple[float, float], ...]:
    """(distal, across) in mm to (row, column): distal is down the film, which is turned about its middle."""
    distal, across = (np.array(points) - [35.0, 0.0]).T
    across = -across if mirrored else across
    cosine, sine = math.cos(math.radians(turn)), math.sin(math.radians(turn))
    rows = (cosine * distal - sine * across) / mm_per_px[0] + SHAPE[0] / 2
    columns = (sine * distal + cosine * across) / mm_per_px[1] + SHAPE[1] / 2
    return tuple(zip(rows.tolist(), columns.tolist(), strict=True))


def spacing(**changes: Any) -> Spacing:
    """Detector spacing with a magnification factor of 1.15, unless told otherwise."""
    return Spacing(**({"imager": (DETECTOR_MM, DETECTOR_MM), "magnification": 1.15} | changes))


@pytest.fixture
def spacing_of() -> Callable[..., Spacing]:
    """Make a film's spacing: spacing_of(**changes)."""
    return spacing


@pytest.fixture
def make_film() -> Callable[..., Film]:
    """Make a film in memory: make_film(number, day=0, **fields); each number gives pixels of its own."""

    def make(number: int = 1, day: int = 0, **fields: Any) -> Film:
        pixels = np.full(SHAPE, 40, dtype=np.uint8)
        pixels[0, 0] = number
        usual = {
            "spacing": spacing(),
            "patient_key": "P1",
            "laterality": "right",
            "view": "lateral",
            "date": FIRST_DAY + datetime.timedelta(days=day),
            "sop_instance_uid": f"1.2.3.{number}",
            "path": f"film{number}.dcm",
        }
        return Film(pixels=pixels, **(usual | fields))

    return make


@pytest.fixture
def make_reading() -> Callable[..., Reading]:
    """Make a reading of a film: make_reading(film, elbow, landmarks={...: changed or None}, **fields)."""

    def make(
        film: Film, elbow: Elbow | None = None, *, landmarks: dict[str, Any] | None = None, **fields: Any
    ) -> Reading:
        view = fields.pop("view", film.view or "lateral")
        place = {name: fields.pop(name) for name in ("mm_per_px", "turn", "mirrored") if name in fields}
        placed = {
            name: Landmark("confirmed", to_pixels(points, **place))
            for name, points in LAYOUTS[view](elbow or Elbow()).items()
        }
        placed["wire_break"] = Landmark("absent")
        placed |= landmarks or {}
        usual = {"time": "2031-06-01T10:00:00+00:00"}
        return for_film(
            film,
            load_site("olecranon"),
            view,
            **({"reader": "reader-a"} | usual | fields),
            landmarks={name: landmark for name, landmark in placed.items() if landmark is not None},
        )

    return make


@pytest.fixture
def write_film() -> Callable[..., Path]:
    """Write a tiny DX film: write_film(path, number, day=0, **elements by keyword; None leaves one out)."""

    def write(path: Path, number: int = 1, day: int = 0, **elements: Any) -> Path:
        from pydicom.dataset import Dataset, FileMetaDataset
        from pydicom.uid import DigitalXRayImageStorageForPresentation, ExplicitVRLittleEndian

        pixels = np.full(SHAPE, 40, dtype=np.uint8)
        pixels[0, 0] = number
        usual = {
            "SOPClassUID": DigitalXRayImageStorageForPresentation,
            "SOPInstanceUID": f"1.2.3.{number}",
            "StudyInstanceUID": "1.2.4",
            "SeriesInstanceUID": "1.2.5",
            "Modality": "DX",
            "PatientID": "P1",
            "ImageLaterality": "R",
            "ViewPosition": "LL",
            "AcquisitionDate": (FIRST_DAY + datetime.timedelta(days=day)).strftime("%Y%m%d"),
            "ImagerPixelSpacing": [DETECTOR_MM, DETECTOR_MM],
            "EstimatedRadiographicMagnificationFactor": 1.15,
            "Rows": SHAPE[0],
            "Columns": SHAPE[1],
            "SamplesPerPixel": 1,
            "PhotometricInterpretation": "MONOCHROME2",
            "BitsAllocated": 8,
            "BitsStored": 8,
            "HighBit": 7,
            "PixelRepresentation": 0,
            "PixelData": pixels.tobytes(),
        }
        dataset = Dataset()
        for keyword, value in (usual | elements).items():
            if value is not None:
                setattr(dataset, keyword, value)
        dataset.file_meta = FileMetaDataset()
        dataset.file_meta.TransferSyntaxUID = ExplicitVRLittleEndian
        dataset.file_meta.MediaStorageSOPClassUID = dataset.SOPClassUID
        dataset.file_meta.MediaStorageSOPInstanceUID = dataset.SOPInstanceUID
        path.parent.mkdir(parents=True, exist_ok=True)
        dataset.save_as(path, enforce_file_format=True)
        return path

    return write
