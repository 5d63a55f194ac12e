"""Films and pictures that the tests of metal share: a few phantom films, and pictures that hold no metal."""

from __future__ import annotations

import functools
from dataclasses import replace

import numpy as np
from validation_metal import as_film

from measure import phantom, phantom_film
from measure.film import Film


@functools.cache
def rendered(seed: int, **exposure: object) -> tuple[phantom.Case, Film]:
    """Render a film at coarse pixels, to be quick; odd seeds are AP."""
    rng = np.random.default_rng(seed)
    pose = phantom.random_pose(rng, "ap" if seed % 2 else "lateral", pitch=(0.15, 0.2))
    case = phantom.random_case(rng, pose, marked=seed % 5 == 0)
    case = replace(case, exposure=replace(case.exposure, **({"saturated": False} | exposure)))
    return case, as_film(case, phantom_film.render(case, rng).pixels)


def photographs() -> list[tuple[str, np.ndarray]]:
    """Pictures that come with scikit-image itself; nothing is fetched."""
    from skimage import data

    return [(name, getattr(data, name)()) for name in ("camera", "coins", "text", "page", "moon", "brick")]


def slices() -> list[tuple[str, np.ndarray]]:
    """CT and MR images that come with pydicom."""
    import pydicom
    from pydicom.data import get_testdata_file

    names = ("CT_small.dcm", "MR_small.dcm", "693_J2KI.dcm", "JPGExtended.dcm")
    files = [(name, get_testdata_file(name, download=False)) for name in names]
    return [(name, pydicom.dcmread(file).pixel_array) for name, file in files if file]
