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
STEP_WINDOW_MM, MOST_FALL = 10.0, 0.45  # before and after a place; of the share, where a cortex goes on
# A tip's uncertainty from that of its fit, which is for white noise alone; from phantom films.
TIP_U_MM, TIP_U_TIMES = 0.08, 4.5
LEAST_LEFT = 3e-4  # what every fit of a tip leaves, share squared
LEAST_TOLD = 0.15  # of the shapes' log ratio
LEAST_EXCHANGE = 1.0  # what exchanging two bars' ends must cost, stations
BEND_MM = 2.8  # from where the straight part ends to where a bend of usual radius has left the axis
# Of a pin's end, where a hook is looked for: past it, along it, to either side; with room for the background.
PAST_MM, ABOUT_MM, BESIDE_MM, ROOM_MM = 1.5, 8.0, 3.0, 6.0
SHARPNESS = (0.03, 0.33)  # blur over radius
HEIGHTS = (0.08, 0.75)  # of the film's range: thin metal does not span it
LENGTHS_MM = (42.0, 130.0)
FULL, TOP = 0.97, 0.95  # of the film's range: where the middle of metal cut flat is fitted to lie, and lies
LEAST_ROOM = 0.1  # of it, between bone and the top
LEVEL = 0.15  # how far metal cut flat may be from the top, as a share, to be even
MERGED = 0.7  # of a bar beyond its end, where it goes on within another
LEAST_PX = 6.5  # across a pin: of less, its profile is not seen, and a line in a photograph passes for one
# What tells tips from bends: log odds by logistic regression on phantom films, and the least sum.
METAL_ODDS, SHAPE_ODDS, BONE_ODDS = 7.7, 3.3, 10.7
LEAST_ODDS = 0.5


@dataclass(frozen=True)
class Trace:
    """How much of one bar of a fit is there along it.

    places: along the strip of the fit. share: of the bar, about 1 on it. low, high: where it
    falls to half for good at its two ends. sure: for each of both, whether it is this bar's end, and not as
    likely that of another fitted with it.
    """

    strip: Strip
    fit: BarFit
    number: int
    places: Array
    share: Array
    low: float
    high: float
    sure: tuple[bool, bool]

    def on_film(self, place: Array | float) -> Array:
        """Film points of places along the bar's axis."""
        return self.strip.on_film(place, self.fit.at(place)[self.number])


@dataclass(frozen=True)
class Ends:
    """The tip and the proximal end of the straight part, on the film; u_tip along the pin, pixels.

    sure: whether the tip's shape is told, and the tip is this pin's.
    """

    tip: Array
    straight: Array
    shape: str
    u_tip: float
    sure: bool


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
    answer, _, ground, _ = np.linalg.solve(normal, weighted @ fine.values[..., None].astype(float))[..., 0].T
    inside = (places > start + 0.15 * (stop - start)) & (places < stop - 0.15 * (stop - start))
    if np.median(answer[inside] * fit.peak + ground[inside]) > FULL:
        # Metal cut flat rises to the top from whatever bone it lies on.
        answer = answer / np.maximum(1.0 - ground, LEAST_ROOM)
    return places, answer / max(float(np.median(answer[inside])), 1e-9)


def trace_bars(film: Prepared, strip: Strip, fit: BarFit, runs: Sequence[tuple[float, float]]) -> list[Trace]:
    """Follow every bar of a fit to both its ends, as far as it is likelier there than not."""
    found, sure = _likeliest_runs(film, strip, fit, runs)
    traces = []
    for number in range(len(found)):
        places, share = presence(film, strip, fit, found, number)
        low, high = found[number]
        kept = _cut_back(places, share, low, high, film.mm_per_px)
        if kept != (low, high):
            found[number] = low, high = kept
            places, share = presence(film, strip, fit, found, number)
        merged = _merged(fit, found, number, places, share, film.mm_per_px)
        if any(merged):
            other = found[1 - number]
            low, high = found[number] = (other[0] if merged[0] else low, other[1] if merged[1] else high)
            places, share = presence(film, strip, fit, found, number)
        told = (sure[0] and not merged[0], sure[1] and not merged[1])
        traces.append(Trace(strip, fit, number, places, share, low, high, told))
    return traces


def _merged(
    fit: BarFit,
    runs: Sequence[tuple[float, float]],
    number: int,
    places: Array,
    share: Array,
    mm_per_px: float,
) -> tuple[bool, bool]:
    """Whether a bar goes on, at each of its ends, within the other that runs further there."""
    if len(runs) < 2:
        return False, False
    (low, high), (first, last) = runs[number], runs[1 - number]
    near = [float(np.abs(np.subtract(*fit.at(end)))) < 2.0 * fit.radius for end in (low, high)]
    before, after = (
        _median(share[(away > 2.0 / mm_per_px) & (away < 8.0 / mm_per_px)]) > MERGED
        for away in (low - places, places - high)
    )
    return first < low and near[0] and before, last > high and near[1] and after


def _cut_back(places: Array, share: Array, low: float, high: float, mm_per_px: float) -> tuple[float, float]:
    """End a run where its share falls to less than half for long: a cortex goes on from the pin."""
    width = max(1, round(STEP_WINDOW_MM / mm_per_px / (places[1] - places[0])))
    total = np.cumsum(np.concatenate([[0.0], share]))
    level = (total[width:] - total[:-width]) / width  # of the window that starts at each place
    middle, margin = (low + high) / 2.0, STEP_WINDOW_MM / mm_per_px
    here = places[width:-width]  # between a window before and one after
    before, after = level[:-width][: len(here)], level[width:][: len(here)]
    for up in (True, False):
        inner, outer = (before, after) if up else (after, before)
        within = (here > middle) & (here < high - margin) if up else (here < middle) & (here > low + margin)
        fall = np.where(within & (inner > 0.0), outer / np.maximum(inner, 1e-9), 1.0)
        if fall.size and fall.min() < MOST_FALL:
            low, high = (low, float(here[np.argmin(fall)])) if up else (float(here[np.argmin(fall)]), high)
    return low, high


def _likeliest_runs(
    film: Prepared, strip: Strip, fit: BarFit, runs: Sequence[tuple[float, float]]
) -> tuple[list[tuple[float, float]], tuple[bool, bool]]:
    """Find each bar's ends, such that least is left over all stations together, and whether whose is sure.

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
    up, sure_up = _outermost({state: cost[split:] for state, cost in costs.items()})
    down, sure_down = _outermost({state: cost[:split][::-1] for state, cost in costs.items()})
    half = 0.5 * band.block
    found = [
        (float(places[split] - half - d * band.block), float(places[split] - half + u * band.block))
        for d, u in zip(down, up, strict=True)
    ]
    return found, (sure_down, sure_up)


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


def _outermost(costs: dict[tuple[bool, ...], Array]) -> tuple[list[int], bool]:
    """How many stations, going outwards, each bar is there, at least cost; and whether whose end is whose."""
    sums = {state: np.concatenate([[0.0], np.cumsum(cost)]) for state, cost in costs.items()}
    steps = np.arange(len(next(iter(sums.values()))))
    if len(next(iter(sums))) == 1:
        total = sums[True,] - sums[False,]
        return [int(np.argmin(total))], True
    one, other = steps[:, None], steps[None, :]
    short, long = np.minimum(one, other), np.maximum(one, other)
    alone = np.where(
        one > other,
        sums[True, False][long] - sums[True, False][short],
        sums[False, True][long] - sums[False, True][short],
    )
    none = sums[False, False]
    total = sums[True, True][short] + alone + none[-1] - none[long]
    first, second = (int(place) for place in np.unravel_index(int(np.argmin(total)), total.shape))
    exchanged = float(total[second, first] - total[first, second])
    return [first, second], first == second or exchanged > LEAST_EXCHANGE


def find_ends(film: Prepared, traces: Sequence[Trace]) -> list[Ends]:
    """Tell tips from bends, for all pins together, and find both; none where they cannot be told apart."""
    tipwards = _tipwards(film, traces)
    if tipwards is None:
        return []
    ways = [1 if float(one.strip.direction @ tipwards) > 0 else -1 for one in traces]
    mm = film.mm_per_px
    fits = [
        {shape: _fit_tip(one, way, shape, mm) for shape in ("trocar", "round")}
        for one, way in zip(traces, ways, strict=True)
    ]
    # Pins of one patient are alike. Of each pin counts by how much one shape fits better, not how well.
    told = sum(np.log((fit["round"][2] + LEAST_LEFT) / (fit["trocar"][2] + LEAST_LEFT)) for fit in fits)
    shape = "trocar" if told > 0 else "round"
    found = []
    for one, way, fit in zip(traces, ways, fits, strict=True):
        tip, u_fit, _ = fit[shape]
        u_tip = float(np.hypot(TIP_U_MM / mm, TIP_U_TIMES * u_fit))
        straight = (one.low if way > 0 else one.high) + way * BEND_MM / mm
        sure = bool(abs(told) > LEAST_TOLD) and one.sure[way > 0]
        found.append(Ends(one.on_film(tip), one.on_film(straight), shape, u_tip, sure))
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
    """Find the unit vector from bends to tips, None where it is not told.

    A hook folds back at the bend, a tip ends as tips do, and bone goes on beyond it.
    """
    along = traces[0].strip.direction
    odds = 0.0
    for one in traces:
        low, high = (_metal_at(film, one, way) for way in (-1, 1))
        left = [
            min(_fit_tip(one, way, shape, film.mm_per_px)[2] for shape in ("trocar", "round"))
            for way in (-1, 1)
        ]
        bone = [_bone_beyond(film, one, way) for way in (-1, 1)]
        metal = METAL_ODDS * np.log((low + 0.1) / (high + 0.1))
        shape = SHAPE_ODDS * 0.5 * np.log((left[0] + 1e-3) / (left[1] + 1e-3))
        sign = 1.0 if float(one.strip.direction @ along) > 0 else -1.0
        odds += sign * float(metal + shape + BONE_ODDS * (bone[1] - bone[0])) / len(traces)
    return along * np.sign(odds) if abs(odds) > LEAST_ODDS else None


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


def _metal_at(film: Prepared, one: Trace, way: int) -> float:
    """Mean width of the metal on and beside the last of a bar at an end, mm: a hook folds back there."""
    mm = film.mm_per_px
    end = one.high if way > 0 else one.low
    line = Line(one.on_film(end), -way * one.strip.direction, 0.0)
    patch = cut_strip(
        film.density,
        line,
        ROOM_MM / mm,
        max(1, round(0.3 / mm)),
        (-PAST_MM / mm, ABOUT_MM / mm),
        max(1.0, 0.3 / mm),
    )
    top = _standing_out(patch, mm, one.fit.height)
    near = np.abs(patch.across) * mm < BESIDE_MM
    return float(top[:, near].sum(axis=1).mean() * (patch.across[1] - patch.across[0]) * mm)


def _standing_out(patch: Strip, mm_per_px: float, height: float) -> Array:
    """Find what stands out of a patch's background, as a share of a height, 0 to 1; nothing below a third."""
    size = round(5.0 / mm_per_px / patch.block) | 1
    kernel = cv2.getStructuringElement(cv2.MORPH_ELLIPSE, (size, size))
    top = cv2.morphologyEx(cv2.GaussianBlur(patch.values, (3, 3), 0), cv2.MORPH_TOPHAT, kernel) / height
    return np.where(top > 0.35, np.clip(top, 0.0, 1.0), 0.0)


def is_a_pin(film: Prepared, one: Trace) -> bool:
    """Whether what was traced has a pin's sharp sides, even strength and clear ends.

    The limits were set on phantom films against photographs, CT slices and films of the wrong polarity.
    """
    fit, places, share, mm_per_px = one.fit, one.places, one.share, film.mm_per_px
    on_pin = np.abs(share[(places > one.low) & (places < one.high)] - 1.0)
    gain = fit.gain[np.isfinite(fit.gain)]
    beyond = [
        _median(share[(away > 2.0 / mm_per_px) & (away < 8.0 / mm_per_px)])
        for away in (one.low - places, places - one.high)
    ]
    length = (one.high - one.low) * mm_per_px
    past_sure = [past for past, sure in zip(beyond, one.sure, strict=True) if sure]
    even = fit.typical / fit.height < 0.22 and np.median(np.abs(gain / np.median(gain) - 1.0)) < 0.42
    return bool(
        HEIGHTS[0] < fit.height < HEIGHTS[1]
        and SHARPNESS[0] < fit.blur / fit.radius < SHARPNESS[1]
        and 2.0 * fit.radius > LEAST_PX
        and (even or (_cut_flat(film, one) and _median(on_pin) < LEVEL))
        and _median(on_pin) < 0.5
        and np.quantile(on_pin, 0.8) < (1.15 if len(fit.lines) == 1 else 1.3)
        and min(beyond) < 0.35
        and max(past_sure, default=0.0) < 1.0
        and LENGTHS_MM[0] < length < LENGTHS_MM[1]
    )


def _cut_flat(film: Prepared, one: Trace) -> bool:
    """Whether a bar's middle lies at the top of the film's range, as metal that is cut flat does."""
    places = np.linspace(one.low, one.high, 200)
    row, column = np.round(one.on_film(places)).astype(int).T
    inside = (row >= 0) & (column >= 0) & (row < film.density.shape[0]) & (column < film.density.shape[1])
    return float(np.median(film.density[row[inside], column[inside]])) > TOP


def _median(values: Array) -> float:
    """Median, 0 where there is nothing (a bar that ends at the film's border)."""
    return float(np.median(values)) if values.size else 0.0
