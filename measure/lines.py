"""Long straight ridges: where on a film a pin may run. Points and directions are (row, column)."""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]


@dataclass(frozen=True)
class Line:
    """A straight line: a point on it, its unit direction, and how much ridge lies along it."""

    point: Array
    along: Array
    weight: float

    @property
    def across(self) -> Array:
        """Unit vector at right angles to the line."""
        return np.array([-self.along[1], self.along[0]])


def ridges(image: NDArray[np.float32], width: float) -> tuple[Array, Array, Array]:
    """Find bright ridges of about a width (pixels): places (n, 2), angles and contrast (n,).

    Contrast is two-sided: against the brighter of both flanks, so that an edge has none.
    """
    smooth = cv2.GaussianBlur(image, (0, 0), 0.3 * width)
    rr = cv2.Sobel(smooth, cv2.CV_32F, 0, 2, ksize=3)
    cc = cv2.Sobel(smooth, cv2.CV_32F, 2, 0, ksize=3)
    rc = cv2.Sobel(smooth, cv2.CV_32F, 1, 1, ksize=3)
    root = np.sqrt((rr - cc) ** 2 + 4.0 * rc * rc)
    bend = (root - rr - cc) / 2.0  # minus the smaller eigenvalue
    rows, columns = np.nonzero(bend > np.quantile(bend[::4, ::4], 0.85))
    # The eigenvector of the smaller eigenvalue points across the ridge.
    twice = np.arctan2(2.0 * rc[rows, columns], rr[rows, columns] - cc[rows, columns])
    down, right = -np.sin(twice / 2.0), np.cos(twice / 2.0)
    middle = smooth[rows, columns]

    def beside(distance: float) -> NDArray[np.float32]:
        row, column = (
            np.clip(np.rint(at + distance * way).astype(np.intp), 0, length - 1)
            for at, way, length in zip((rows, columns), (down, right), image.shape, strict=True)
        )
        return np.asarray(smooth[row, column])

    # The further flanks are for two bars side by side, of which each would be the other's flank.
    flanks = [np.maximum(beside(far * width), beside(-far * width)) for far in (1.15, 2.3)]
    contrast = middle - np.minimum(*flanks)
    crest = (middle >= np.maximum(beside(1.0), beside(-1.0))) & (contrast > 0)
    places = np.stack([rows[crest], columns[crest]], axis=1).astype(float)
    return places, np.arctan2(right[crest], -down[crest]), contrast[crest].astype(float)


def find_lines(image: NDArray[np.float32], width: float, count: int = 8) -> list[Line]:
    """Find the straight lines with most ridge of a width (pixels) along them, the first the strongest."""
    places, angles, contrast = ridges(image, width)
    if not len(places):
        return []
    centre = (np.array(image.shape) - 1) / 2.0
    weight = np.minimum(contrast, np.quantile(contrast, 0.98))
    steps, reach = 360, int(np.ceil(np.hypot(*image.shape) / 2.0)) + 2
    votes = np.zeros((steps, 2 * reach), np.float32)
    ways = np.arange(steps) * np.pi / steps
    sines, cosines = np.sin(ways), np.cos(ways)  # a line's direction, (row, column)
    course = np.round(angles / np.pi * steps).astype(int)
    offset = places - centre
    for turn in range(-8, 9):
        index = (course + turn) % steps
        away = np.round(sines[index] * offset[:, 1] - cosines[index] * offset[:, 0]).astype(int)
        np.add.at(votes, (index, away + reach), weight * (1.0 - abs(turn) / 9.0))
    votes = cv2.blur(votes, (3, 1))
    lines = []
    for _ in range(count):
        step, place = divmod(int(np.argmax(votes)), votes.shape[1])
        slope = step * np.pi / steps
        along = np.array([np.sin(slope), np.cos(slope)])
        across = np.array([-along[1], along[0]])
        lines.append(Line(centre + across * (place - reach), along, float(votes[step, place])))
        near = int(np.ceil(1.5 * width))
        for turn in range(-16, 17):  # a line's own flanks are no other lines
            other = (step + turn) % steps
            flip = (step + turn) < 0 or (step + turn) >= steps
            middle = 2 * reach - place if flip else place
            votes[other, max(0, middle - near) : middle + near + 1] = 0
    return lines
