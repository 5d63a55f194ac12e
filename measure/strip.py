"""A band of film along a line, straightened: stations along it, samples across it.

Lengths are in film pixels unless a name says otherwise. `along` runs from 0 at the first station; `across`
is 0 on the line and positive to its `Line.across` side.
"""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from measure.lines import Array, Line


@dataclass(frozen=True)
class Strip:
    """values (stations, samples), averaged over `block` pixels along; origin is at along = 0, across = 0."""

    values: NDArray[np.float32]
    origin: Array
    direction: Array
    block: float
    along: Array
    across: Array

    @property
    def normal(self) -> Array:
        """Unit vector across."""
        return np.array([-self.direction[1], self.direction[0]])

    def on_film(self, along: Array | float, across: Array | float) -> Array:
        """Film points (..., 2) of places in the strip."""
        along, across = np.asarray(along)[..., None], np.asarray(across)[..., None]
        return np.asarray(self.origin + along * self.direction + across * self.normal)


def span(line: Line, shape: tuple[int, ...]) -> tuple[float, float]:
    """First and last distance from the line's point, along it, on a film of a shape; equal where off it."""
    low, high = -np.inf, np.inf
    for place, way, length in zip(line.point, line.along, shape, strict=True):
        if abs(way) < 1e-9:
            continue
        ends = sorted(((0.0 - place) / way, (length - 1.0 - place) / way))
        low, high = max(low, ends[0]), min(high, ends[1])
    return (low, max(low, high)) if np.isfinite(low) and np.isfinite(high) else (0.0, 0.0)


def cut_strip(
    image: NDArray[np.float32],
    line: Line,
    half: float,
    block: int,
    between: tuple[float, float],
    step: float = 1.0,
    how: int = cv2.INTER_LINEAR,
) -> Strip:
    """Sample a strip of a half-width along a line, between two distances from its point.

    how: OpenCV's way of interpolating; the usual one broadens edges by about 1 % of a pin's width. What lies
    off the film repeats its border.
    """
    count = max(1, int((between[1] - between[0]) / block))
    fine = np.arange(count * block) + between[0]
    reach = int(np.ceil(half / step))
    across = np.asarray(np.arange(-reach, reach + 1) * step, dtype=np.float64)
    rows = line.point[0] + fine[:, None] * line.along[0] + across * line.across[0]
    columns = line.point[1] + fine[:, None] * line.along[1] + across * line.across[1]
    values = cv2.remap(
        image,
        columns.astype(np.float32),
        rows.astype(np.float32),
        how,
        borderMode=cv2.BORDER_REPLICATE,
    )
    values = values.reshape(count, block, -1).mean(axis=1)
    along = np.asarray((np.arange(count) + 0.5) * block - 0.5, dtype=np.float64)
    return Strip(values, line.point + between[0] * line.along, line.along, float(block), along, across)
