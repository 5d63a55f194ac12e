"""Where along its axis a pin ends: its tip, and where its straight part gives way to the bend.

How much of the pin is there at each place along the axis is solved linearly from the profile that was
fitted to the whole pin, beside any other bar. A tip's share of the full section is known: that of a cone of
three facets (trocar) or of half a ball.
"""

from __future__ import annotations

import itertools
from collections.abc import Sequence
from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray
from scipy.ndimage import median_filter

from measure.lines import Array, Line
from measure.pin_fit import STEEL_PER_MM, WINDOW, BarFit, bars_seen
from measure.prepare import Prepared
from measure.strip import Strip, cut_strip, span

BEYOND_MM = 14.0  # looked at beyond a bar's run
FURTHER_MM = 45.0  # beyond which no end is sought
STEP_MM = 0.25  # length of a place
TROCAR_DEGREES = 16.0  # of a facet to the axis; common practice, no source
THIN = 0.5  # by how much a thin section weighs more than its area, against the full profile
TIP_WINDOW_MM = 6.0
BEND_MM = 2.8  # from where the straight part ends to where a bend of usual radius has left the axis
ABOUT_MM = 8.0
BESIDE_MM = 14.0
SHARPNESS = (0.03, 0.42)  # blur over radius
MOST_HEIGHT = 0.62  # of the film's range: thin metal does not span it
LENGTHS_MM = (42.0, 130.0)
LEAST_VOTE = 0.25
VOTES = np.array([1.2, 1.0, 1.5, 1.0])


@dataclass(frozen=True)
class Trace:
    """How much of one bar of a fit is there along it.

    places: along the strip of the fit. share: of the bar, about 1 on it. low, high: where it
    falls to half for good at its two ends.
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
    here = np.array([(places > runs[other][0]) & (places < runs[other][1]) for other in others]).reshape(
        rest.shape
    )
    rest = np.where(here, rest, 1e6)
    strength = STEEL_PER_MM * width * film.mm_per_px

    def shape(centres: Array) -> Array:
        return bars_seen(fine.across, centres, fit.radius, fit.blur, fit.scatter, strength)

    both, less = shape(np.concatenate([own, rest])), shape(np.concatenate([own + 1e6, rest]))
    near = np.abs(fine.across) < WINDOW * width
    near = (
        near | (np.abs(fine.across - rest[..., None]) < WINDOW * width).any(axis=0)
        if others
        else np.broadcast_to(near, both.shape)
    )
    base = np.stack(
        [both - less, less, np.ones_like(both), np.broadcast_to(fine.across / width, both.shape)], axis=1
    )
    weighted = base * near[:, None]
    normal = weighted @ base.transpose(0, 2, 1) + 1e-6 * np.eye(4)
    answer = np.linalg.solve(normal, weighted @ fine.values[..., None].astype(float))[:, 0, 0]
    inside = (places > start + 0.15 * (stop - start)) & (places < stop - 0.15 * (stop - start))
    return places, answer / max(float(np.median(answer[inside])), 1e-9)


def trace_bars(film: Prepared, strip: Strip, fit: BarFit, runs: Sequence[tuple[float, float]]) -> list[Trace]:
    """Follow every bar of a fit to both its ends, as far as it is likelier there than not."""
    found = _likeliest_runs(film, strip, fit, runs)
    traces = []
    for number, (low, high) in enumerate(found):
        places, share = presence(film, strip, fit, found, number)
        traces.append(Trace(strip, fit, number, places, share, low, high))
    return traces


def _likeliest_runs(
    film: Prepared, strip: Strip, fit: BarFit, runs: Sequence[tuple[float, float]]
) -> list[tuple[float, float]]:
    """Find each bar's ends, such that least is left over all stations together.

    Each bar is one piece about the middle of what all share. The strength is that of the fit, smoothed.
    """
    mm = film.mm_per_px
    first = min(run[0] for run in runs) - FURTHER_MM / mm
    last = max(run[1] for run in runs) + FURTHER_MM / mm
    line = Line(strip.on_film(first, 0.0), strip.direction, 0.0)
    band = cut_strip(
        film.density, line, -float(strip.across[0]), max(1, round(0.8 / mm)), (0.0, last - first)
    )
    places = band.along + first
    known = np.isfinite(fit.gain)
    smooth = median_filter(fit.gain[known], size=max(3, int(25.0 / mm / strip.block)), mode="nearest")
    gain = np.interp(places, strip.along[known], smooth)
    centres = fit.at(places)
    near = np.any(np.abs(band.across - centres[..., None]) < 2.0 * WINDOW * fit.radius, axis=0)
    states = list(itertools.product((False, True), repeat=len(runs)))
    left = {state: _left_by(state, centres, band, near, fit, gain, mm) for state in states}
    least = np.min(list(left.values()), axis=0)
    # What a wrong state may cost is bounded, for at a wire that crosses they are all wrong.
    costs = {state: np.minimum(value - least, 1.0) for state, value in left.items()}
    middle = (max(run[0] for run in runs) + min(run[1] for run in runs)) / 2.0
    split = int(np.clip(np.searchsorted(places, middle), 1, len(places) - 1))
    up = _outermost({state: cost[split:] for state, cost in costs.items()})
    down = _outermost({state: cost[:split][::-1] for state, cost in costs.items()})
    half = 0.5 * band.block
    return [
        (float(places[split] - half - d * band.block), float(places[split] - half + u * band.block))
        for d, u in zip(down, up, strict=True)
    ]


def _left_by(
    state: tuple[bool, ...],
    centres: Array,
    band: Strip,
    near: NDArray[np.bool_],
    fit: BarFit,
    gain: Array,
    mm: float,
) -> Array:
    """Tell what is left at each station where only some bars are there, in units of one bar's own squares."""
    strength = STEEL_PER_MM * 2.0 * fit.radius * mm

    def level(image: Array) -> Array:
        """Take a sloping background away from what lies near the bars."""
        count = np.maximum(near.sum(axis=1), 1)[:, None]
        middle = np.where(near, band.across, 0.0).sum(axis=1, keepdims=True) / count
        centred = np.where(near, band.across - middle, 0.0)
        mean = np.where(near, image, 0.0).sum(axis=1, keepdims=True) / count
        slope = (image * centred).sum(axis=1, keepdims=True) / np.maximum(
            (centred**2).sum(axis=1, keepdims=True), 1e-9
        )
        return np.where(near, image - mean - slope * centred, 0.0)

    def seen(shown: Array) -> Array:
        return bars_seen(band.across, shown, fit.radius, fit.blur, fit.scatter, strength)

    shown = np.where(np.array(state)[:, None], centres, 1e6)
    rest = level(band.values - gain[:, None] * seen(shown))
    alone = level(gain[:, None] * seen(centres[:1]))
    return np.asarray((rest**2).sum(axis=1) / np.maximum((alone**2).sum(axis=1), 1e-12))


def _outermost(costs: dict[tuple[bool, ...], Array]) -> list[int]:
    """How many stations, going outwards, each bar is there, at least cost."""
    sums = {state: np.concatenate([[0.0], np.cumsum(cost)]) for state, cost in costs.items()}
    steps = np.arange(len(next(iter(sums.values()))))
    if len(next(iter(sums))) == 1:
        total = sums[True,] - sums[False,]
        return [int(np.argmin(total))]
    one, other = steps[:, None], steps[None, :]
    short, long = np.minimum(one, other), np.maximum(one, other)
    alone = np.where(
        one > other,
        sums[True, False][long] - sums[True, False][short],
        sums[False, True][long] - sums[False, True][short],
    )
    none = sums[False, False]
    total = sums[True, True][short] + alone + none[-1] - none[long]
    return [int(place) for place in np.unravel_index(int(np.argmin(total)), total.shape)]


def find_ends(film: Prepared, traces: Sequence[Trace]) -> list[Ends]:
    """Tell tips from bends, for all pins together, and find both; none where they cannot be told apart."""
    tipwards = _tipwards(film, traces)
    if tipwards is None:
        return []
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


def _tipwards(film: Prepared, traces: Sequence[Trace]) -> Array | None:
    """Find the unit vector from bends to tips: hooks, loop and most of the wire lie towards the bends."""
    along = traces[0].strip.direction
    votes = np.zeros(4)
    for one in traces:
        sign = 1.0 if float(one.strip.direction @ along) > 0 else -1.0
        low, high = (_metal_about(film, one.on_film(end), one.fit.height) for end in (one.low, one.high))
        votes[0] += sign * np.log((low + 1.0) / (high + 1.0))
        ends = [
            min(_fit_tip(one, way, shape, film.mm_per_px)[2] for shape in ("trocar", "round"))
            for way in (-1, 1)
        ]
        bone = [_bone_beyond(film, one, way) for way in (-1, 1)]
        votes[3] += sign * (bone[1] - bone[0])
        votes[1] += sign * 0.5 * np.log((ends[0] + 1e-3) / (ends[1] + 1e-3))
    votes /= len(traces)
    votes[2] = -_middle_of_metal(film, traces)
    vote = float(votes @ VOTES)
    return along * np.sign(vote) if abs(vote) > LEAST_VOTE else None


def _bone_beyond(film: Prepared, one: Trace, way: int) -> float:
    """How far bone stands out of the soft tissue beside it, beyond an end, in units of the pin's height."""
    mm = film.mm_per_px
    end = one.high if way > 0 else one.low
    line = Line(one.on_film(end), way * one.strip.direction, 0.0)
    if not (np.all(line.point >= 0) and np.all(line.point < film.density.shape)):
        return 0.0
    _low, high = span(line, film.density.shape)
    first, last = 6.0 / mm, min(25.0 / mm, high)
    if last - first < 4.0 / mm:
        return 0.0
    band = cut_strip(
        film.density, line, 16.0 / mm, max(1, round(1.0 / mm)), (first, last), max(1.0, 0.5 / mm)
    )
    away = np.abs(band.across) * mm
    inside, beside = band.values[:, away < 5.0].mean(), band.values[:, (away > 11.0) & (away < 15.0)].mean()
    return float((inside - beside) / one.fit.height)


def _metal_about(film: Prepared, point: Array, height: float) -> float:
    """Metal within a few millimetres of a point, in mm2 of a pin's height."""
    mm = film.mm_per_px
    line = Line(point, np.array([0.0, 1.0]), 0.0)
    reach = ABOUT_MM + 4.0
    patch = cut_strip(
        film.density, line, reach / mm, max(1, round(0.3 / mm)), (-reach / mm, reach / mm), max(1.0, 0.3 / mm)
    )
    top = _standing_out(patch, mm, height)
    near = np.hypot(patch.along[:, None] - reach / mm, patch.across) * mm < ABOUT_MM
    return float(float(top[near].sum()) * patch.block * (patch.across[1] - patch.across[0]) * mm**2)


def _standing_out(patch: Strip, mm_per_px: float, height: float) -> Array:
    """Find what stands out of a patch's background, as a share of a height, 0 to 1; nothing below a third."""
    size = round(5.0 / mm_per_px / patch.block) | 1
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
        share[
            (beside < 1.8 * one.fit.radius) & (away @ way > 0) & (away @ way < np.linalg.norm(stop - start))
        ] = 0.0
    places = band.along - beyond
    return float((share * (places / (high - low) - 0.5)[:, None]).sum() / max(share.sum(), 1e-9))


def is_a_pin(one: Trace, mm_per_px: float) -> bool:
    """Whether what was traced has a pin's sharp sides, even strength and clear ends.

    The limits were set on phantom films against photographs, CT slices and films of the wrong polarity.
    """
    fit, places, share = one.fit, one.places, one.share
    on_pin = np.abs(share[(places > one.low) & (places < one.high)] - 1.0)
    gain = fit.gain[np.isfinite(fit.gain)]
    beyond = [
        _median(share[(away > 2.0 / mm_per_px) & (away < 8.0 / mm_per_px)])
        for away in (one.low - places, places - one.high)
    ]
    length = (one.high - one.low) * mm_per_px
    return bool(
        fit.height < MOST_HEIGHT
        and SHARPNESS[0] < fit.blur / fit.radius < SHARPNESS[1]
        and fit.typical / fit.height < 0.25
        and _median(on_pin) < 0.42
        and np.quantile(on_pin, 0.8) < 1.15
        and np.median(np.abs(gain / np.median(gain) - 1.0)) < 0.42
        and min(beyond) < 0.35
        and max(beyond) < 0.9
        and LENGTHS_MM[0] < length < LENGTHS_MM[1]
    )


def _median(values: Array) -> float:
    """Median, 0 where there is nothing (a bar that ends at the film's border)."""
    return float(np.median(values)) if values.size else 0.0
