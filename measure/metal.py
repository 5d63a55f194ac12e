"""A stretch of film straightened along a way, with all metal masked, to look for bone's edges beside it."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from measure.lines import Array, Line
from measure.pins import Pin
from measure.prepare import Prepared
from measure.strip import Strip, cut_strip

PIXEL_MM = 0.15
# What is thinner than a kernel, and stands out by a share of a pin's height: single wires; where several
# overlap they are wider, but stand out more. The cortex is as thin as a wire, but weaker.
THIN_MM, THICK_MM = 2.8, 5.5
METAL, MUCH = 0.45, 0.8
BESIDE_MM = 0.55  # about metal, where its blur drowns an edge
ENCLOSED_MM2 = 20.0  # what metal encloses, and is smaller, shows no edge of bone
BLUR_MM = 0.3


@dataclass(frozen=True)
class Region:
    """A strip of square pixels of `px_mm`; `free` (stations, samples) is true away from metal."""

    strip: Strip
    free: NDArray[np.bool_]
    px_mm: float

    def on_film(self, along_mm: Array, across_mm: Array) -> Array:
        """Film points (n, 2) of places along the strip, from its first station on, and across it."""
        first, pixel = self.strip.along[0], self.strip.block / self.px_mm
        return self.strip.on_film(first + along_mm * pixel, across_mm * pixel)

    def place_of(self, point: Array) -> tuple[float, float]:
        """Place of a film point along the strip, from its first station on, and across it, mm."""
        away, size = point - self.strip.origin, self.px_mm / self.strip.block
        return (
            float(away @ self.strip.direction - self.strip.along[0]) * size,
            float(away @ self.strip.normal) * size,
        )

    def rise(self, axis: int) -> Array:
        """Slope of the smoothed film along (0) or across (1) the strip, per mm, 0 at metal."""
        smooth = cv2.GaussianBlur(self.strip.values, (0, 0), BLUR_MM / self.px_mm)
        slope = np.gradient(smooth, self.px_mm, axis=axis)
        return np.where(self.free, slope, 0.0).astype(float)


def region(
    film: Prepared, pins: Sequence[Pin], line: Line, half_mm: float, between_mm: tuple[float, float]
) -> Region:
    """Straighten a film along a line, to a half-width, between two distances from its point."""
    mm = film.mm_per_px
    block = max(1, round(PIXEL_MM / mm))
    ends = (between_mm[0] / mm, between_mm[1] / mm)
    strip = cut_strip(film.density, line, half_mm / mm, block, ends, float(block))
    px_mm = block * mm
    axes = np.vstack([np.linspace(pin.straight, pin.tip, 200) for pin in pins]) - strip.origin
    stations, samples = axes @ strip.direction / block, axes @ strip.normal / block + len(strip.across) // 2
    return Region(strip, ~_metal(strip.values, np.stack([stations, samples], axis=1), px_mm), px_mm)


def _metal(values: NDArray[np.float32], on_pins: Array, px_mm: float) -> NDArray[np.bool_]:
    """Tell what is metal, and what is next to it; on_pins: places (n, 2) that surely are."""
    smooth = cv2.GaussianBlur(values, (3, 3), 0)
    thin, thick = (
        cv2.morphologyEx(smooth, cv2.MORPH_TOPHAT, _disc(width / 2.0 / px_mm))
        for width in (THIN_MM, THICK_MM)
    )
    places = np.round(on_pins).astype(int)
    inside = np.all((places >= 0) & (places < values.shape), axis=1)
    height = float(np.quantile(thick[tuple(places[inside].T)], 0.75)) if inside.any() else np.inf
    metal = ((thin > METAL * height) | (thick > MUCH * height)).astype(np.uint8)
    free = 1 - cv2.dilate(metal, _disc(BESIDE_MM / px_mm))
    _, pieces, sizes, _ = cv2.connectedComponentsWithStats(free, connectivity=4)
    return np.asarray((free == 0) | (sizes[pieces, cv2.CC_STAT_AREA] * px_mm**2 < ENCLOSED_MM2))


def _disc(radius: float) -> NDArray[np.uint8]:
    size = 2 * max(1, round(radius)) + 1
    return np.asarray(cv2.getStructuringElement(cv2.MORPH_ELLIPSE, (size, size)), dtype=np.uint8)
