"""Invented films for the tests of the reading room: a phantom's landmarks on films of noise."""

from __future__ import annotations

import datetime
from collections.abc import Mapping
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from measure import phantom
from measure.film import Film, Spacing

SHAPE = (900, 1100)
SPACING = Spacing(imager=(0.15, 0.15), magnification=1.1)
Truth = Mapping[str, NDArray[np.float64]]


def make_film(seed: int, folder: Path | None = None, **fields: object) -> Film:
    """Film of noise; fields as in `Film`."""
    pixels = np.random.default_rng(seed).integers(0, 4000, SHAPE).astype(np.uint16)
    usual: dict[str, object] = {
        "patient_key": "INV-1", "laterality": "right", "view": "lateral", "spacing": SPACING,
        "date": datetime.date(2026, 1, 5) + datetime.timedelta(days=14 * seed),
        "path": str(folder / f"film-{seed}.dcm") if folder else "",
    }  # fmt: skip
    return Film(pixels=pixels, **(usual | fields))


def lateral_truth(**displacement: float) -> Truth:
    """Landmarks of a phantom's lateral film, by name, as (row, column)."""
    case = phantom.Case(displacement=phantom.Displacement(**displacement))
    return {name: landmark.film for name, landmark in phantom.landmarks(case).items()}
