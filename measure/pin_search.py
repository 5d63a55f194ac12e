"""Where pins run, coarsely: one or two straight bars of one width within a strip of film.

A strip's metal (its top-hat, 1 on a pin and 0 beside it) is compared with boxes one pin wide along a fan of
lines. What a line gains is the sum of 2 x metal - 1 within its box, so that a box which explains the metal
gains and one that does not loses; a second pin gains only what the first has not covered. Where along the
line the pin lies is the run of greatest sum (Kadane's algorithm).
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import cv2
import numpy as np
from numpy.typing import NDArray

from measure.lines import Array, Line
from measure.strip import Strip, cut_strip, span

REACH_MM = 6.5  # half-width of the strip
BACKGROUND_MM = 5.2  # what is wider than this is no metal
BLOCK_MM = 1.5  # length of a station
WINDOW_MM = 80.0  # about a pin's length
FAR_MM = 75.0  # from the middle of the metal that is looked at
TOLL = 0.1  # what a box must gain more than nothing, per width
OFFSETS_MM = np.arange(-4.5, 4.51, 0.25)
SLOPES = np.tan(np.radians(np.arange(-4.0, 4.01, 0.25)))


@dataclass(frozen=True)
class Bar:
    """A straight bar on the film: its two ends, (row, column), and what it gains, in mm times widths."""

    start: Array
    stop: Array
    gain: float

    @property
    def length(self) -> float:
        """Pixels from end to end."""
        return float(np.linalg.norm(self.stop - self.start))

    @property
    def along(self) -> Array:
        """Unit vector from start to stop."""
        return np.asarray((self.stop - self.start) / self.length)

    def off(self, point: Array) -> float:
        """Signed distance of a point from the bar's line, pixels."""
        away = point - self.start
        return float(-self.along[1] * away[0] + self.along[0] * away[1])


_NO_BAR = Bar(np.zeros(2), np.ones(2), 0.0)


def metal(strip: Strip, mm_per_px: float) -> NDArray[np.float32]:
    """Find what stands out of a strip's background across it, (stations, samples)."""
    step = strip.across[1] - strip.across[0]
    width = round(BACKGROUND_MM / mm_per_px / step) | 1
    smooth = cv2.GaussianBlur(strip.values, (0, 0), sigmaX=0.6, sigmaY=0.3)
    kernel = np.ones((1, width), np.uint8)
    return np.asarray(cv2.morphologyEx(smooth, cv2.MORPH_TOPHAT, kernel, borderType=cv2.BORDER_REPLICATE))


def _rises(gain: Array) -> tuple[Array, Array]:
    """Sum of each row (n, stations) up to each station, and the greatest of a run that ends there."""
    total = np.cumsum(np.pad(gain, ((0, 0), (1, 0))), axis=1)
    return total, total - np.minimum.accumulate(total, axis=1)


def _best_runs(gain: Array) -> tuple[Array, Array, Array]:
    """Greatest sum of a run of each row (n, stations), and its first and last-plus-one station."""
    total, rise = _rises(gain)
    stop = np.argmax(rise, axis=1)
    before = np.where(np.arange(total.shape[1]) <= stop[:, None], total, np.inf)
    return rise[np.arange(len(gain)), stop], np.argmin(before, axis=1), stop


class _Fan:
    """Every line through a strip, at (lines,) offsets and slopes about a pivot, and what its box gains."""

    def __init__(self, strip: Strip, share: Array, mm_per_px: float, pivot: float, width: float) -> None:
        offsets, slopes = np.meshgrid(OFFSETS_MM / mm_per_px, SLOPES, indexing="ij")
        self.offset, self.slope = offsets.ravel(), slopes.ravel()
        self.pivot, self.half = pivot, width / 2.0
        self.at = self.offset[:, None] + self.slope[:, None] * (strip.along - pivot)
        value = np.pad(2.0 * share - 1.0 - TOLL, ((0, 0), (0, 1)))
        self.value, self.count = value.ravel(), value.shape[1]
        self.sums = (np.cumsum(value, axis=1) - value).ravel()  # before each sample
        self.first = float(strip.across[0]) - 0.5
        self.alone = self._between(self.at - self.half, self.at + self.half)

    def _between(self, left: Array, right: Array) -> Array:
        low = np.clip(left - self.first, 0, self.count - 1.001)
        high = np.clip(right - self.first, 0, self.count - 1.001)
        return self._sum_to(high) - self._sum_to(low)

    def _sum_to(self, place: Array) -> Array:
        index = place.astype(np.intp)
        share = place - index
        index += np.arange(place.shape[1]) * self.count
        return np.asarray(self.sums.take(index) + share * self.value.take(index))

    def beside(self, other: int) -> Array:
        """Tell what each line gains (lines, stations) where another's box is taken already."""
        left = np.maximum(self.at, self.at[other]) - self.half
        right = np.minimum(self.at, self.at[other]) + self.half
        shared = right > left
        both = np.zeros(self.at.shape)
        rows = np.flatnonzero(shared.any(axis=1))
        both[rows] = np.where(shared[rows], self._between(left[rows], np.maximum(left, right)[rows]), 0.0)
        return np.asarray(self.alone - both)


def _pair(fan: _Fan, alone: Array) -> tuple[int, int, float]:
    """Find the two lines that gain most together: their numbers, and what the second adds."""
    starts: list[int] = []
    for number in np.argsort(-alone)[:150]:
        apart = [
            abs(fan.offset[number] - fan.offset[other]) > 4 * (fan.offset[len(SLOPES)] - fan.offset[0])
            or abs(fan.slope[number] - fan.slope[other]) > np.tan(np.radians(1.2))
            for other in starts
        ]
        if all(apart):
            starts.append(int(number))
        if len(starts) == 3:
            break
    best = (0, 0, -1.0)
    for first in starts:
        second = -1
        for _ in range(3):
            gains = _rises(fan.beside(first))[1].max(axis=1)
            partner = int(np.argmax(gains))
            total = float(alone[first] + gains[partner])
            if total > best[2]:
                best = (first, partner, total)
            if partner == second:
                break
            first, second = partner, first
    return best[0], best[1], best[2] - float(alone.max())


@dataclass(frozen=True)
class Found:
    """The bar that explains a strip's metal best, and how bright that metal is; `pair` looks for two."""

    bar: Bar
    contrast: float
    _fan: _Fan
    _strip: Strip
    _unit: float

    @property
    def strength(self) -> float:
        """How much metal the bar explains, and how bright."""
        return self.contrast * self.bar.gain

    def pair(self) -> tuple[Bar, Bar, float]:
        """Return the two bars that explain the metal best together, and what they gain over one alone."""
        gains, starts, stops = _best_runs(self._fan.alone)
        first, second, added = _pair(self._fan, gains)
        bars = [self._line(number, starts, stops, gains) for number in (first, second)]
        return bars[0], bars[1], added * self._unit

    def _line(self, number: int, starts: Array, stops: Array, gains: Array) -> Bar:
        fan, strip = self._fan, self._strip
        ends = np.array([starts[number], stops[number]]) * strip.block - 0.5
        across = fan.offset[number] + fan.slope[number] * (ends - fan.pivot)
        places = strip.on_film(ends, across)
        return Bar(places[0], places[1], float(gains[number]) * self._unit)


def search(image: NDArray[np.float32], line: Line, mm_per_px: float, width_mm: float) -> Found | None:
    """Look for a bar of a width near a line; None where there is no room or no metal."""
    low, high = span(line, image.shape)
    block = max(1, round(BLOCK_MM / mm_per_px))
    if high - low < 30.0 / mm_per_px:
        return None
    strip = cut_strip(image, line, 2.0 / mm_per_px, block, (low, high))
    core = metal(strip, mm_per_px).max(axis=1)
    bright = core > 0.5 * np.quantile(core, 0.9)
    window = np.ones(max(1, int(WINDOW_MM / mm_per_px / block)))
    middle = low + strip.along[int(np.argmax(np.convolve(bright, window, "same")))]
    low, high = max(low, middle - FAR_MM / mm_per_px), min(high, middle + FAR_MM / mm_per_px)
    strip = cut_strip(image, line, REACH_MM / mm_per_px, block, (low, high))
    seen = metal(strip, mm_per_px)
    pivot = middle - low
    inner = seen[np.ix_(np.abs(strip.along - pivot) < 35 / mm_per_px, np.abs(strip.across) < 4 / mm_per_px)]
    contrast = float(np.quantile(inner.max(axis=1), 0.4)) if inner.size else 0.0
    if contrast <= 0.0:
        return None
    fan = _Fan(strip, np.clip(seen / contrast, 0.0, 1.0), mm_per_px, pivot, width_mm / mm_per_px)
    gains, starts, stops = _best_runs(fan.alone)
    best = int(np.argmax(gains))
    if stops[best] <= starts[best]:
        return None
    found = Found(_NO_BAR, contrast, fan, strip, mm_per_px * block / fan.half / 2.0)
    return replace(found, bar=found._line(best, starts, stops, gains))
