"""What stands out beside the pins, straightened along them: the map that the wire is read from.

Metal is what stands out of a few millimetres around by a good share of a pin's height. Places in the map are
(station, sample): station along the pins from beyond the bends to beyond the tips, sample across them.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from functools import cached_property

import cv2
import numpy as np
from numpy.typing import NDArray
from scipy.ndimage import label

from measure.lines import Array, Line
from measure.pins import PIN_MM, Pin, heavier_side
from measure.prepare import Prepared
from measure.strip import Strip, cut_strip

Mask = NDArray[np.bool_]

PIXEL_MM = 0.15
BEFORE_MM, AFTER_MM = 12.0, 4.0  # looked at beyond bends and tips
# To either side of the pins, away from and towards the side with more tissue: on a lateral film of an elbow
# the wire lies dorsal of them, with skin beyond.
SIDES_MM = {"lateral": (18.0, 0.0), "ap": (16.0, 16.0)}
BACKGROUND_MM = 5.0  # what is wider than this is no metal
BLUR_MM = 0.15
METAL, SURELY = 0.38, 0.55  # of a pin's height: metal, where it is joined to what is surely metal
OF_WIRE = 0.6, 0.85  # the same of the wire's own height, where that is less: pins that lie on each other
OTHER_MM = 3.5  # from the one pin found on a lateral film, within which another may lie that was not
BESIDE_PIN_MM = 0.1  # next to a pin's edge nothing is told
EDGE_REACH_MM, EDGE_STEP_MM, EDGE_SHARE = 2.0, 0.1, 0.25  # of a pin's blurred edges, which are taken away
HOOKS_MM = 4.0  # distal to the pins' bends, from where on the wire is told
WIDE_MM, WIDE_MM2 = 1.8, 25.0  # what is wider than a wire, and larger than a knot
SLANT_MM = 0.3  # over which a wire's slant is told


@dataclass(frozen=True)
class WireMap:
    """A strip of square pixels along the pins.

    Parameters
    ----------
    strip
        Where it lies on the film.
    metal
        (stations, samples), as a share of a pin's height.
    px_mm
        Size of a pixel, mm.
    beside
        (stations, samples): distance to the nearest pin's axis, mm.
    first
        Station of the most distal bend.
    view
        Of the film: only on an AP film do the limbs run far enough apart to be told from wider metal.
    """

    strip: Strip
    metal: NDArray[np.float32]
    px_mm: float
    beside: Array
    first: float
    view: str

    def on_film(self, places: Array) -> Array:
        """Film points (n, 2) of (station, sample) places."""
        along = np.interp(places[:, 0], np.arange(len(self.strip.along)), self.strip.along)
        across = np.interp(places[:, 1], np.arange(len(self.strip.across)), self.strip.across)
        return self.strip.on_film(along, across)

    @cached_property
    def mask(self) -> Mask:
        """Where there is metal of the wire: beside the pins, joined to what is surely metal."""
        first = joined(self.metal > METAL, self.metal > SURELY) & self.clear
        own = float(np.median(self.metal[first])) if first.any() else 1.0
        level, sure = (
            min(of_pin, share * own) for of_pin, share in zip((METAL, SURELY), OF_WIRE, strict=True)
        )
        mask = joined(self.metal > level, self.metal > sure) & self.clear
        return np.asarray(mask & ~_wide(mask, self.px_mm)) if self.view == "ap" else mask

    @cached_property
    def height(self) -> float:
        """Height of the wire's metal; 0 where there is none."""
        return float(np.median(self.metal[self.mask])) if self.mask.any() else 0.0

    @cached_property
    def pieces(self) -> NDArray[np.intp]:
        """(stations, samples): numbers of the pieces of the mask, 0 beside them."""
        return np.asarray(label(self.mask, np.ones((3, 3)))[0])

    @cached_property
    def clear(self) -> Mask:
        """Where the wire is told: beside the pins, distal to their hooks."""
        clear = self.beside > PIN_MM / 2.0 + BESIDE_PIN_MM
        clear[: int(self.first + HOOKS_MM / self.px_mm)] = False
        return np.asarray(clear)


def wire_map(film: Prepared, pins: Sequence[Pin], view: str) -> WireMap | None:
    """Map the metal beside pins; None where there are none, or the view is another."""
    if not pins or view not in SIDES_MM:
        return None
    mm = film.mm_per_px
    along = np.sum([pin.along for pin in pins], axis=0)
    along /= np.linalg.norm(along)
    ends = np.array([[pin.straight, pin.tip] for pin in pins])
    middle = ends.mean(axis=(0, 1))
    line = Line(middle, along, 0.0)
    run = (ends - middle) @ along
    block = max(1, round(PIXEL_MM / mm))
    low, high = float(run.min()) - BEFORE_MM / mm, float(run.max()) + AFTER_MM / mm
    strip = cut_strip(film.density, line, max(SIDES_MM[view]) / mm + 1.0, block, (low, high), float(block))
    px_mm = block * mm
    smooth = cv2.GaussianBlur(strip.values, (0, 0), BLUR_MM / px_mm)
    kernel = cv2.getStructuringElement(cv2.MORPH_ELLIPSE, (round(BACKGROUND_MM / px_mm) | 1,) * 2)
    height = float(np.median([pin.trace.fit.height for pin in pins]))
    metal = cv2.morphologyEx(smooth, cv2.MORPH_TOPHAT, kernel) / height
    aways = [_distance(strip, pin) * mm for pin in pins]
    for away in aways:
        metal -= _edges(metal, away)
    beside = np.min(np.abs(aways), axis=0)
    if view == "lateral" and len(pins) == 1:
        beside = np.maximum(beside - OTHER_MM, 0.0)
    light, heavy = SIDES_MM[view]
    towards = strip.across * mm * (1.0 if float(strip.normal @ heavier_side(film, pins)) > 0 else -1.0)
    metal[:, (towards < -light) | (towards > heavy)] = 0.0
    return WireMap(strip, metal, px_mm, beside, (float(run[:, 0].max()) - low) / block, view)


def _distance(strip: Strip, pin: Pin) -> Array:
    """Distance (stations, samples) to a pin's straight part, pixels, signed by the side."""
    along, away = pin.along, strip.origin - pin.straight
    forward, aside = (
        np.add.outer(
            (away + strip.along[:, None] * strip.direction) @ way, strip.across * (strip.normal @ way)
        )
        for way in (along, np.array([-along[1], along[0]]))
    )
    beyond = forward - np.clip(forward, 0.0, float((pin.tip - pin.straight) @ along))
    return np.asarray(np.copysign(np.hypot(beyond, aside), aside))


def _edges(metal: NDArray[np.float32], away: Array) -> NDArray[np.float32]:
    """Tell what a pin's blurred edges are: at each distance (mm) from its axis, what most of its length has.

    Less than most, for a wire may run beside it over long stretches.
    """
    edge = np.zeros_like(metal)
    near = np.abs(away) < EDGE_REACH_MM
    number = np.round((away[near] + EDGE_REACH_MM) / EDGE_STEP_MM).astype(int)
    seen = metal[near]
    levels = [
        np.quantile(seen[number == each], EDGE_SHARE) if np.any(number == each) else 0.0
        for each in range(number.max() + 1)
    ]
    edge[near] = np.array(levels, dtype=np.float32)[number]
    return edge


def joined(mask: Mask, sure: Mask) -> Mask:
    """Pieces of a mask that hold something sure."""
    numbers, _ = label(mask, np.ones((3, 3)))
    kept = np.zeros(numbers.max() + 1, bool)
    kept[np.unique(numbers[sure & mask])] = True
    kept[0] = False
    return np.asarray(kept[numbers])


def _wide(mask: Mask, px_mm: float) -> Mask:
    """Tell what of a mask is far wider than a wire, and more than a knot: cortices."""
    size = round(WIDE_MM / px_mm) | 1
    disc = cv2.getStructuringElement(cv2.MORPH_ELLIPSE, (size, size))
    numbers, _ = label(cv2.morphologyEx(mask.astype(np.uint8), cv2.MORPH_OPEN, disc))
    large = np.bincount(numbers.ravel()) * px_mm**2 > WIDE_MM2
    large[0] = False
    return np.asarray(large[numbers])


def slant(metal: NDArray[np.float32], px_mm: float) -> NDArray[np.float32]:
    """Tell the cosine of the angle between wire and pins at each place, from the structure tensor."""
    smooth = cv2.GaussianBlur(metal, (0, 0), BLUR_MM / px_mm)
    along, across = cv2.Sobel(smooth, cv2.CV_32F, 0, 1), cv2.Sobel(smooth, cv2.CV_32F, 1, 0)
    ways = (along * along, across * across, along * across)
    aa, cc, ac = (cv2.GaussianBlur(way, (0, 0), SLANT_MM / px_mm) for way in ways)
    return np.asarray(np.abs(np.cos(np.arctan2(2.0 * ac, cc - aa) / 2.0)), dtype=np.float32)
