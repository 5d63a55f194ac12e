"""Where along its axis a pin ends: its tip, and where its straight part gives way to the bend.

How much of the pin is there at each place along the axis is solved linearly from the profile that was
fitted to the whole pin, beside any other bar. A tip's share of the full section is known: that of a cone of
three facets (trocar) or of half a ball.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import cv2
import numpy as np
from scipy.ndimage import median_filter

from measure.lines import Array, Line
from measure.pin_fit import STEEL_PER_MM, WINDOW, BarFit, bars_seen
from measure.prepare import Prepared
from measure.strip import Strip, cut_strip

BEYOND_MM = 14.0  # looked at beyond a bar's run
STEP_MM = 0.25  # length of a place
SUSTAINED_MM = 4.0  # what is shorter is a wire that crosses
TROCAR_DEGREES = 16.0  # of a facet to the axis; common practice, no source
THIN = 0.5  # by how much a thin section weighs more than its area, against the full profile
TIP_WINDOW_MM = 6.0
BEND_MM = 2.8  # from where the straight part ends to where a bend of usual radius has left the axis
ABOUT_MM = 8.0
BESIDE_MM = 14.0
VOTES = np.array([1.0, 0.5, 5.0])


@dataclass(frozen=True)
class Trace:
    """How much of one bar of a fit is there along it.

    places: along the strip of the fit. share: of the bar, about 1 on it. low, high: where it falls to half for
    good at its two ends.
    """

    strip: Strip
    fit: BarFit
    number: int
    places: Array
    share: Array
    low: float
    high: float

    def on_film(self, place: Array | float) -> Array:
        """Film points of places along the bar's axis."""
        return self.strip.on_film(place, self.fit.at(place)[self.number])


@dataclass(frozen=True)
class Ends:
    """The tip and the proximal end of the straight part, on the film; u_tip along the pin, pixels."""

    tip: Array
    straight: Array
    shape: str
    u_tip: float


def presence(
    film: Prepared, strip: Strip, fit: BarFit, runs: Sequence[tuple[float, float]], number: int
) -> tuple[Array, Array]:
    """Places along the strip, and the share (about 1) of a bar that is there at each."""
    start, stop = runs[number]
    beyond = BEYOND_MM / film.mm_per_px
    block = max(1, round(STEP_MM / film.mm_per_px))
    slope = fit.lines[number, 1]
    along = (strip.direction + slope * strip.normal) / np.hypot(1.0, slope)
    first = start - beyond
    origin = strip.on_film(first, fit.at(first)[number])
    stretch = float(np.hypot(1.0, slope))
    length = (stop - start + 2 * beyond) * stretch
    width = 2.0 * fit.radius
    fine = cut_strip(film.density, Line(origin, along, 0.0), 3.2 * width, block, (0.0, length))
    places = first + fine.along / stretch  # along the strip of the fit
    own = np.zeros((1, len(places)))
    others = [other for other in range(len(runs)) if other != number]
    rest = (fit.at(places)[others] - fit.at(places)[number]) / stretch
    here = np.array([(places > runs[other][0]) & (places < runs[other][1]) for other in others]).reshape(rest.shape)
    rest = np.where(here, rest, 1e6)
    strength = STEEL_PER_MM * width * film.mm_per_px

    def shape(centres: Array) -> Array:
        return bars_seen(fine.across, centres, fit.radius, fit.blur, fit.scatter, strength)

    both, less = shape(np.concatenate([own, rest])), shape(np.concatenate([own + 1e6, rest]))
    near = np.abs(fine.across) < WINDOW * width
    near = near | (np.abs(fine.across - rest[..., None]) < WINDOW * width).any(axis=0) if others else np.broadcast_to(near, both.shape)
    base = np.stack([both - less, less, np.ones_like(both), np.broadcast_to(fine.across / width, both.shape)], axis=1)
    weighted = base * near[:, None]
    normal = weighted @ base.transpose(0, 2, 1) + 1e-6 * np.eye(4)
    answer = np.linalg.solve(normal, weighted @ fine.values[..., None].astype(float))[:, 0, 0]
    inside = (places > start + 0.15 * (stop - start)) & (places < stop - 0.15 * (stop - start))
    return places, answer / max(float(np.median(answer[inside])), 1e-9)


def trace(
    film: Prepared, strip: Strip, fit: BarFit, runs: Sequence[tuple[float, float]], number: int
) -> Trace | None:
    """Follow one bar to both its ends; None where it has none."""
    places, share = presence(film, strip, fit, runs, number)
    step = (places[1] - places[0]) * film.mm_per_px
    smooth = median_filter(np.clip(share, -0.5, 2.0), size=max(3, round(SUSTAINED_MM / step)), mode="nearest")
    middle = len(places) // 2
    before, after = np.flatnonzero(smooth[:middle] <= 0.5), np.flatnonzero(smooth[middle:] <= 0.5)
    if not len(before) or not len(after) or not len(after) or smooth[middle] <= 0.5:
        return None
    return Trace(strip, fit, number, places, share, float(places[before[-1]]), float(places[middle + after[0]]))


def find_ends(film: Prepared, traces: Sequence[Trace]) -> list[Ends]:
    """Tell tips from bends, for all pins together, and find both."""
    tipwards = _tipwards(film, traces)
    ways = [1 if float(one.strip.direction @ tipwards) > 0 else -1 for one in traces]
    mm = film.mm_per_px
    left = {
        shape: sum(_fit_tip(one, way, shape, mm)[2] for one, way in zip(traces, ways, strict=True))
        for shape in ("trocar", "round")
    }
    shape = min(left, key=lambda name: left[name])
    found = []
    for one, way in zip(traces, ways, strict=True):
        tip, u_tip, _ = _fit_tip(one, way, shape, mm)
        straight = (one.low if way > 0 else one.high) + way * BEND_MM / mm
        found.append(Ends(one.on_film(tip), one.on_film(straight), shape, u_tip))
    return found


def tip_share(depth: Array, shape: str) -> Array:
    """Share of the full section at a depth behind the tip, in radii: 0 at the tip, 1 further back."""
    depth = np.maximum(depth, 0.0)
    if shape == "round":
        area = 1.0 - np.maximum(1.0 - depth, 0.0) ** 2
        return np.asarray(area * (1.0 + THIN * (1.0 - area)))
    # Three facets whose section is an equilateral triangle with this inscribed radius, cut by the circle.
    inner = np.minimum(depth * np.tan(np.radians(TROCAR_DEGREES)), 1.0)
    whole = 3.0 * np.sqrt(3.0) * inner**2
    outside = 3.0 * (np.arccos(inner) - inner * np.sqrt(1.0 - inner**2))  # circle beyond the three facets
    area = np.where(inner < 0.5, whole, np.pi - outside) / np.pi
    return np.asarray(area * (1.0 + THIN * (1.0 - area)))


def _fit_tip(one: Trace, way: int, shape: str, mm_per_px: float) -> tuple[float, float, float]:
    """Place of the tip at an end, its standard uncertainty, and what the fit leaves (mean square)."""
    places, share, fit = one.places, one.share, one.fit
    first = one.high if way > 0 else one.low
    window = np.abs(places - first) * mm_per_px < TIP_WINDOW_MM
    place, value = places[window], share[window]
    tries = first + np.arange(-3.0, 4.01, 0.1) / mm_per_px
    depth = way * (tries[:, None] - place)
    spread = fit.blur + 0.3 * (places[1] - places[0])
    nodes = np.array([-1.22, 0.0, 1.22]) * spread  # Gauss-Hermite of three points
    weights = np.array([0.296, 0.408, 0.296])
    model = np.einsum("k,ktp->tp", weights, tip_share((depth + nodes[:, None, None]) / fit.radius, shape))
    base = np.stack([model, 1.0 - model], axis=1)
    normal = base @ base.transpose(0, 2, 1) + 1e-9 * np.eye(2)
    answer = np.linalg.solve(normal, base @ value[:, None])
    left = ((value - np.einsum("tkp,tk->tp", base, answer[..., 0])) ** 2).sum(axis=1)
    best = int(np.argmin(left))
    if not 0 < best < len(tries) - 1:
        return float(tries[best]), 1.0 / mm_per_px, float(left[best]) / len(value)
    low, middle, high = left[best - 1 : best + 2]
    bend = max(low - 2 * middle + high, 1e-12)
    step = tries[1] - tries[0]
    place_at = tries[best] + step * 0.5 * (low - high) / bend
    variance = middle / max(len(value) - 3, 1)
    return float(place_at), float(step * np.sqrt(2.0 * variance / bend)), float(middle) / len(value)


def _tipwards(film: Prepared, traces: Sequence[Trace]) -> Array:
    """Unit vector from the bends to the tips: hooks, loop and most of the wire lie towards the bends."""
    along = traces[0].strip.direction
    votes = np.zeros(3)
    for one in traces:
        sign = 1.0 if float(one.strip.direction @ along) > 0 else -1.0
        low, high = (_metal_about(film, one.on_film(end), one.fit.height) for end in (one.low, one.high))
        votes[0] += sign * np.log((low + 1.0) / (high + 1.0))
        ends = [
            min(_fit_tip(one, way, shape, film.mm_per_px)[2] for shape in ("trocar", "round")) for way in (-1, 1)
        ]
        votes[1] += sign * 0.5 * np.log((ends[0] + 1e-3) / (ends[1] + 1e-3))
    votes[:2] /= len(traces)
    votes[2] = -_middle_of_metal(film, traces)
    _tipwards.debug = votes
    return along if float(votes @ VOTES) > 0 else -along


def _metal_about(film: Prepared, point: Array, height: float) -> float:
    """Metal within a few millimetres of a point, in mm2 of a pin's height."""
    mm = film.mm_per_px
    line = Line(point, np.array([0.0, 1.0]), 0.0)
    reach = ABOUT_MM + 4.0
    patch = cut_strip(film.density, line, reach / mm, max(1, round(0.3 / mm)), (-reach / mm, reach / mm), max(1.0, 0.3 / mm))
    top = _standing_out(patch, mm, height)
    near = np.hypot(patch.along[:, None] - reach / mm, patch.across) * mm < ABOUT_MM
    return float(top[near].sum()) * patch.block * (patch.across[1] - patch.across[0]) * mm**2


def _standing_out(patch: Strip, mm_per_px: float, height: float) -> Array:
    """What stands out of a patch's background, as a share of a height, 0 to 1; nothing below a third."""
    size = int(round(5.0 / mm_per_px / patch.block)) | 1
    kernel = cv2.getStructuringElement(cv2.MORPH_ELLIPSE, (size, size))
    top = cv2.morphologyEx(cv2.GaussianBlur(patch.values, (3, 3), 0), cv2.MORPH_TOPHAT, kernel) / height
    return np.where(top > 0.35, np.clip(top, 0.0, 1.0), 0.0)


def _middle_of_metal(film: Prepared, traces: Sequence[Trace]) -> float:
    """Where the middle of the metal beside the pins lies along the first, in its length from its middle."""
    first, mm = traces[0], film.mm_per_px
    low, high, beyond = first.low, first.high, 8.0 / mm
    line = Line(first.on_film(low), first.strip.direction, 0.0)
    ends = (-beyond, high - low + beyond)
    band = cut_strip(film.density, line, BESIDE_MM / mm, max(1, round(0.4 / mm)), ends, max(1.0, 0.4 / mm))
    share = _standing_out(band, mm, first.fit.height)
    where = band.on_film(band.along[:, None], band.across)
    for one in traces:
        start, stop = one.on_film(one.low), one.on_film(one.high)
        way = (stop - start) / np.linalg.norm(stop - start)
        away = where - start
        beside = np.abs(away[..., 0] * -way[1] + away[..., 1] * way[0])
        share[(beside < 1.8 * one.fit.radius) & (away @ way > 0) & (away @ way < np.linalg.norm(stop - start))] = 0.0
    places = band.along - beyond
    return float((share * (places / (high - low) - 0.5)[:, None]).sum() / max(share.sum(), 1e-9))
