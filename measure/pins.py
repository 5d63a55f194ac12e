"""Find the pins of a film: axes, tips, bends, width.

`find_pins` proposes what it can stand for and is silent otherwise. Which pin is called 1: the one on the
side where more tissue lies, at the middle of the pins. That is the volar one on a lateral film of an elbow
(the forearm lies there, skin and air dorsally) and the radial one on an AP film (the radius lies there).
"""

from __future__ import annotations

import itertools
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace

import numpy as np

from measure.lines import Array, Line, find_lines
from measure.pin_behind import is_behind, is_wide
from measure.pin_ends import LEAST_PX, Ends, Trace, find_ends, is_a_pin, trace_bars
from measure.pin_fit import BarFit, fit_bars
from measure.pin_search import Bar, Found, search
from measure.prepare import Prepared
from measure.strip import Strip, cut_strip

COARSELY = 4  # of the small film, every 4th row and column, where the sides are weighed
PIN_MM = 1.6  # the pin looked for; common practice, no source
ROUGH_MM, FINE_MM = (1.5, 0.12), (0.8, 0.0)  # stations along, samples across: to decide, and at last
HALF_MM, BESIDE_MM = 4.0, 3.0  # half-width of the strip that bars are fitted in, at least; beside a bar
MOST_TIP_U_MM = {False: 0.45, True: 0.26}  # of a tip, by whether another pin covers it
BORDER_MM = 1.0
LEAST_MM = 40.0  # shortest straight part that is taken for a pin
MOST_MM = 125.0
LEAST_SHARE = 0.33  # of what a full box would gain along the whole run
LEAST_CONTRAST = 0.02  # of the film's range
MOST_TRIES = 2  # of what it may be, before silence: more tries find more in pictures without metal
LEAST_STRENGTH = 0.4  # of the strongest candidate's
SAME_MM, SAME_DEGREES = 0.8, 1.5
MOST_LEFT = 0.3  # what a fit may leave, of the pin's own strength
CLEAN_MM = (1.1, 2.2)  # fitted widths that a pin may have; the scale itself may be 10 % off
UNION_MM = 2.6  # fitted width of two pins that cover each other
COVERED_U_MM = 0.15  # standard uncertainty of the axis of a pin that covers another
MOST_BLUR = 0.45  # of a pin's sides, in radii
# What two bars cost, of what one costs, at most, where they lie clear of each other at an end or not. Single
# pins come to 0.84 and more, with two bars at most 1.4 mm apart.
CLEAR_MM, TWO_BETTER = 1.5, {False: 0.8, True: 0.97}
FAR_BETTER = 0.5  # no better start is looked for
LEAST_APART_MM = 0.35  # between two bars, at one end
MOST_CROSSING = 5.0  # degrees between two bars that overlap for long
SPLITS_MM = ((0.8, -0.8), (0.4, 0.4), (0.85, 0.85), (0.7, 0.05), (0.05, 0.7))  # to either side, at both ends
APART_MM = 2.5  # at one end: from there on pins are fitted one by one
NEAR_MM = 3.2  # bars that come nearer are fitted together
PARTNER_MM, PARTNER_DEGREES = 18.0, 12.0
PARTNER_CONTRAST = 0.5


@dataclass(frozen=True)
class Pin:
    """One pin, places as (row, column) on the film, lengths in pixels.

    Parameters
    ----------
    tip, straight
        Ends of the straight part, both on the axis.
    width
        Fitted diameter.
    u_across
        Standard uncertainty of the axis, across it, at its ends, as the fit gives it, for white noise alone
        (on phantom films it errs some ten times more, from bone and wires).
    u_along
        Standard uncertainty of the tip, along the pin; covers its error on phantom films.
    shape
        Of the tip: "trocar" or "round".
    tip_clear
        Whether the tip can be trusted: seen well, its shape told, and surely this pin's.
    trace
        The fit that it comes from.
    confidence
        0 to 1.
    covered
        Whether it was fitted with another pin, one behind the other, as one bar.
    """

    tip: Array
    straight: Array
    width: float
    u_across: float
    u_along: float
    shape: str
    tip_clear: bool
    trace: Trace
    confidence: float
    covered: bool = False

    @property
    def along(self) -> Array:
        """Unit vector from the bend to the tip."""
        away = self.tip - self.straight
        return np.asarray(away / np.linalg.norm(away))


def bearer(pins: Sequence[Pin], points: Array, within: float) -> Pin | None:
    """Give the pin on whose axis points (n, 2) lie, to so many pixels; the nearest, None where on none."""
    far = [
        (float(np.abs((points - pin.tip) @ np.array([-pin.along[1], pin.along[0]])).max()), pin)
        for pin in pins
    ]
    away, pin = min(far, key=lambda pair: pair[0], default=(np.inf, None))
    return pin if away <= within else None


@dataclass(frozen=True)
class _Fitted:
    """Bars fitted together in one strip, with the strip's places where each begins and ends."""

    fit: BarFit
    strip: Strip
    runs: list[tuple[float, float]]

    @property
    def left(self) -> float:
        """What the fit leaves, of the bars' strength; infinite for impossible bars."""
        height = self.fit.height
        return self.fit.typical / height if height > 0 else np.inf

    def bars(self) -> list[Bar]:
        """Give the bars on the strip's image."""
        found = []
        for number, run in enumerate(self.runs):
            ends = np.array(run)
            places = self.strip.on_film(ends, self.fit.at(ends)[number])
            found.append(Bar(places[0], places[1], 0.0))
        return found


def find_pins(film: Prepared, view: str = "") -> tuple[Pin, ...]:
    """Find one or two pins, pin 1 first; none where nothing can be told from a pin for sure.

    view: of the film, where known. On an AP film pins lie side by side, and none is taken to cover another.
    Nor are any found on films so coarse that a pin is less than 6.5 pixels across.
    """
    if CLEAN_MM[1] / film.mm_per_px < LEAST_PX:
        return ()
    for settled in itertools.islice(_settle(film, _candidates(film)), MOST_TRIES):
        pins = _finish(film, settled, view != "ap")
        if pins:
            return tuple(_in_order(film, pins))
    return ()


# -------------------------------------------------------------------------------------------- one or two


@dataclass(frozen=True)
class _Candidate:
    """A bar the search found, on the film, and one bar fitted there."""

    found: Found
    factor: float  # of the search's pixels to the film's
    bar: Bar
    single: _Fitted

    def halves(self) -> tuple[Bar, Bar]:
        """Give the two bars that it may be instead."""
        first, second, _ = self.found.pair()
        return _enlarged(first, self.factor), _enlarged(second, self.factor)


def _candidates(film: Prepared) -> list[_Candidate]:
    """Where a pin may run, the strongest first, each place once."""
    image = film.small
    factor = film.density.shape[0] / image.shape[0]
    mm = film.mm_per_px * factor
    looked = [search(image, line, mm, PIN_MM) for line in find_lines(image, PIN_MM / mm)]
    found = [one for one in looked if one is not None and _may_be_pin(one, mm)]
    found.sort(key=lambda one: -one.strength)
    candidates: list[_Candidate] = []
    for one in found:
        bar = _enlarged(one.bar, factor)
        if one.strength < LEAST_STRENGTH * found[0].strength:
            break
        if any(_same_place(bar, other.bar, film.mm_per_px) for other in candidates):
            continue
        single = _fit(film, [bar])
        if single is not None:
            candidates.append(_Candidate(one, factor, bar, single))
    return candidates


def _enlarged(bar: Bar, factor: float) -> Bar:
    """Give a bar of a shrunk image on the film itself."""
    return Bar((bar.start + 0.5) * factor - 0.5, (bar.stop + 0.5) * factor - 0.5, bar.gain)


def _may_be_pin(one: Found, mm_per_px: float) -> bool:
    length = one.bar.length * mm_per_px
    return (
        LEAST_MM <= length <= MOST_MM
        and one.contrast >= LEAST_CONTRAST
        and one.bar.gain >= LEAST_SHARE * min(length, 90.0)
    )


def _same_place(one: Bar, other: Bar, mm_per_px: float) -> bool:
    """Whether two bars are the same but for the search's steps."""
    near = max(abs(other.off(end)) for end in (one.start, one.stop)) * mm_per_px < SAME_MM
    return near and abs(float(one.along @ other.along)) > np.cos(np.radians(SAME_DEGREES))


def _settle(film: Prepared, candidates: Sequence[_Candidate]) -> Iterator[list[_Fitted]]:
    """Decide on two pins apart, two that overlap, or one; the likeliest first, nothing where nothing fits."""
    mm = film.mm_per_px
    for one in candidates:
        others = [other for other in candidates if other is not one]
        clean = _clean(one.single, mm)
        least = PARTNER_CONTRAST * one.found.contrast
        beside = [other.single for other in others if other.found.contrast > least]
        apart = [other for other in beside if clean and _apart(one.single, other, mm)]
        if apart:
            yield _together(film, one.single, apart[0])
        elif (pair := _best_pair(film, one, others)) is not None:
            yield [pair]
        elif _clean(one.single, mm, UNION_MM):
            yield [one.single]


def _together(film: Prepared, one: _Fitted, other: _Fitted) -> list[_Fitted]:
    """Fit two bars together where they come near each other and that is better, else leave each alone."""
    mm, first, second = film.mm_per_px, one.bars()[0], other.bars()[0]
    if _nearest(first, second, mm) < NEAR_MM:
        pair = _fit(film, [first, second])
        if pair is not None and _clean(pair, mm) and _cost(pair, mm) < max(_cost(one, mm), _cost(other, mm)):
            return [pair]
    return [one, other]


def _nearest(one: Bar, other: Bar, mm_per_px: float) -> float:
    """How near a bar comes to another's line, mm."""
    away = [one.off(end) * mm_per_px for end in (other.start, other.stop)]
    return 0.0 if away[0] * away[1] < 0 else float(np.abs(away).min())


def _clean(fitted: _Fitted, mm_per_px: float, widest: float = CLEAN_MM[1]) -> bool:
    """Whether a fit is as good as that of pins, in what it leaves, their width and their sharp sides."""
    width, sharp = 2.0 * fitted.fit.radius * mm_per_px, fitted.fit.blur / fitted.fit.radius
    return fitted.left < MOST_LEFT and CLEAN_MM[0] < width < widest and sharp < MOST_BLUR


def _apart(one: _Fitted, other: _Fitted, mm_per_px: float) -> bool:
    """Whether a clean bar runs apart from another, at one end at least, as a second pin does."""
    (first,), (second,) = one.bars(), other.bars()
    away = np.abs([first.off(end) * mm_per_px for end in (second.start, second.stop)])
    return (
        _clean(other, mm_per_px)
        and APART_MM < away.max() < PARTNER_MM
        and abs(float(first.along @ second.along)) > np.cos(np.radians(PARTNER_DEGREES))
    )


def _best_pair(film: Prepared, one: _Candidate, others: Sequence[_Candidate]) -> _Fitted | None:
    """Fit two bars from several starts; the pair that costs least of those that are two, if any is."""
    mm, best = film.mm_per_px, None
    for bars in _pairs_to_try(one, others, mm):
        if min(bar.length for bar in bars) * mm < LEAST_MM:
            continue
        pair = _fit(film, bars)
        if pair is None or not _are_two(pair, one.single, mm):
            continue
        if best is None or _cost(pair, mm) < _cost(best, mm):
            best = pair
        if _cost(best, mm) < FAR_BETTER * _cost(one.single, mm):
            break
    return best


def _cost(fitted: _Fitted, mm_per_px: float) -> float:
    """Weigh what a fit leaves, the more the further its bars are from a pin's width."""
    width = 2.0 * fitted.fit.radius * mm_per_px
    return fitted.fit.typical * (1.0 + 2.0 * max(0.0, abs(float(np.log(width / PIN_MM))) - 0.12))


def _pairs_to_try(one: _Candidate, others: Sequence[_Candidate], mm_per_px: float) -> Iterator[Sequence[Bar]]:
    """Pairs of bars to start from: what the search found, bars that come near, and one bar split."""
    yield one.halves()
    for other in others:
        if _nearest(one.bar, other.bar, mm_per_px) < NEAR_MM:
            yield one.bar, other.bar
    (bar,) = one.single.bars()
    aside = np.array([-bar.along[1], bar.along[0]]) / mm_per_px
    for start, stop in SPLITS_MM:
        yield [Bar(bar.start + way * start * aside, bar.stop + way * stop * aside, 0.0) for way in (1, -1)]


def _are_two(pair: _Fitted, single: _Fitted, mm_per_px: float) -> bool:
    """Whether two bars are clean, apart at one end at least, and explain more than one bar does."""
    low, high = max(run[0] for run in pair.runs), min(run[1] for run in pair.runs)
    places = pair.fit.at(np.array([low, high]))
    apart = float(np.abs(places[0] - places[1]).max()) * mm_per_px
    turn = float(np.abs(pair.fit.lines[0, 1] - pair.fit.lines[1, 1]))
    return (
        _clean(pair, mm_per_px)
        and high > low
        and apart > LEAST_APART_MM
        and turn < np.tan(np.radians(MOST_CROSSING))
        and _cost(pair, mm_per_px) < TWO_BETTER[apart > CLEAR_MM] * _cost(single, mm_per_px)
    )


def _fit(
    film: Prepared,
    bars: Sequence[Bar],
    grain_mm: tuple[float, float] = ROUGH_MM,
    like: BarFit | None = None,
) -> _Fitted | None:
    """Fit bars in a strip along the first, in stations and samples of a length (not under a pixel)."""
    mm, main = film.mm_per_px, bars[0]
    line = Line((main.start + main.stop) / 2, main.along, 0.0)
    ends = np.array([[bar.start, bar.stop] for bar in bars]) - line.point
    along, across = ends @ line.along, ends @ line.across
    low = float(along.min()) - 2.0 / mm
    half = max(HALF_MM / mm, float(np.abs(across).max()) + BESIDE_MM / mm)
    block, step = max(1, round(grain_mm[0] / mm)), max(1.0, grain_mm[1] / mm)
    strip = cut_strip(film.density, line, half, block, (low, float(along.max()) + 2.0 / mm), step)
    slopes = (across[:, 1] - across[:, 0]) / (along[:, 1] - along[:, 0])
    lines = np.stack([across[:, 0] - slopes * along[:, 0], slopes], axis=1)
    runs = [(float(min(pair)) - low, float(max(pair)) - low) for pair in along]
    fit = fit_bars(strip, lines, -low, runs, PIN_MM / mm, mm, rounds=2, like=like)
    return None if fit is None else _Fitted(fit, strip, runs)


# ------------------------------------------------------------------------------------------------ finish


def _finish(film: Prepared, settled: Sequence[_Fitted], may_cover: bool) -> list[Pin]:
    """Fit bars finely and find their ends; none of those that are no pins after all.

    may_cover: whether a pin may lie behind another.
    """
    found = [_traces(film, rough) for rough in settled]
    if sum(map(len, found)) == 1 < len(settled):
        # Pins of one film are alike: the one that is told shows how wide and sharp the other is.
        (sure,) = itertools.chain(*found)
        found = [there or _traces(film, rough, sure.fit) for there, rough in zip(found, settled, strict=True)]
    traces = list(itertools.chain(*found))
    pairs = list(zip(traces, find_ends(film, traces) if traces else (), strict=False))  # no ends, no pins
    if may_cover and len(pairs) == 1 and is_behind(film, *pairs[0]):
        return _covering(film, *pairs[0])
    widest = CLEAN_MM[1] / film.mm_per_px
    return [_pin(film, one, ends, traces) for one, ends in pairs if 2.0 * one.fit.radius < widest]


def _pin(film: Prepared, one: Trace, ends: Ends, traces: Sequence[Trace]) -> Pin:
    """Give the pin that was traced, with its ends; traces are those of all the film's pins."""
    left = one.fit.typical / one.fit.height
    most = MOST_TIP_U_MM[_hidden(ends.tip, one, traces)]
    return Pin(
        tip=ends.tip,
        straight=ends.straight,
        width=2.0 * one.fit.radius,
        u_across=_u_across(one),
        u_along=ends.u_tip,
        shape=ends.shape,
        tip_clear=ends.sure and ends.u_tip * film.mm_per_px < most,
        trace=one,
        confidence=float(np.clip(1.0 - left / MOST_LEFT, 0.0, 1.0)),
    )


def _covering(film: Prepared, one: Trace, ends: Ends) -> list[Pin]:
    """Give the two pins that were fitted as one bar: as far apart as it is wider than a pin, at its sides.

    Which of the ends is whose is not told.
    """
    aside = max(0.0, one.fit.radius - PIN_MM / 2.0 / film.mm_per_px) if is_wide(film, one) else 0.0
    pin = _pin(film, replace(one, sure=(False, False)), replace(ends, sure=False), [one])
    pin = replace(pin, covered=True)
    u_across = float(np.hypot(pin.u_across, COVERED_U_MM / film.mm_per_px))
    pins = []
    for way in (-aside, aside):
        fit = replace(one.fit, lines=one.fit.lines + np.array([way, 0.0]))
        step = way * one.strip.normal
        trace = replace(pin.trace, fit=fit)
        pins.append(
            replace(pin, tip=pin.tip + step, straight=pin.straight + step, u_across=u_across, trace=trace)
        )
    return pins


def _traces(film: Prepared, rough: _Fitted, like: BarFit | None = None) -> list[Trace]:
    """Fit bars finely, as wide and sharp as those of another fit if given, and follow those that are pins."""
    fitted = _fit(film, rough.bars(), FINE_MM, like)
    widest = UNION_MM if len(rough.runs) == 1 else CLEAN_MM[1]
    if fitted is None or not _clean(fitted, film.mm_per_px, widest):
        return []
    traces = trace_bars(film, fitted.strip, fitted.fit, fitted.runs)
    return [one for one in traces if is_a_pin(film, one) and _inside(film, one)]


def _inside(film: Prepared, one: Trace) -> bool:
    """Whether both ends of a bar lie within the film: what runs off it is no pin that can be told."""
    ends, margin = one.on_film(np.array([one.low, one.high])), BORDER_MM / film.mm_per_px
    return bool(np.all(ends > margin) and np.all(ends < np.array(film.density.shape) - 1 - margin))


def _hidden(tip: Array, one: Trace, traces: Sequence[Trace]) -> bool:
    """Whether another pin covers a tip."""
    for other in traces:
        if other is one:
            continue
        start, stop = other.on_film(other.low), other.on_film(other.high)
        bar = Bar(start, stop, 0.0)
        reach = float((tip - start) @ bar.along)
        margin = 3.0 * other.fit.radius
        if abs(bar.off(tip)) < 1.8 * other.fit.radius and -margin < reach < bar.length + margin:
            return True
    return False


def _u_across(one: Trace) -> float:
    """Give the standard uncertainty of the axis, across it, at the end where it is greater. Pixels."""
    part = one.fit.covariance[2 * one.number : 2 * one.number + 2, 2 * one.number : 2 * one.number + 2]
    arms = np.array([[1.0, end - one.fit.pivot] for end in (one.low, one.high)])
    return float(np.sqrt(max(np.einsum("ei,ij,ej->e", arms, part, arms).max(), 0.0)))


def heavier_side(film: Prepared, pins: Sequence[Pin]) -> Array:
    """Find the unit vector across the pins, to the side where more tissue lies along them."""
    coarse = film.small[::COARSELY, ::COARSELY]
    factor = COARSELY * film.density.shape[0] / film.small.shape[0]
    middle = np.mean([(pin.tip + pin.straight) / 2 for pin in pins], axis=0)
    along = pins[0].along
    aside = np.array([-along[1], along[0]])
    down, right = (np.arange(size) * factor - at for size, at in zip(coarse.shape, middle, strict=True))
    forward, across = (np.add.outer(down * way[0], right * way[1]) for way in (along, aside))
    reach = float(np.linalg.norm(pins[0].tip - pins[0].straight)) / 2.0
    near = (np.abs(forward) < reach) & (np.abs(across) < reach)
    return np.asarray(aside * (1.0 if float(coarse[near] @ np.sign(across[near])) > 0 else -1.0))


def down_the_bends(film: Prepared, pins: Sequence[Pin]) -> tuple[Line, float]:
    """Line down at least one pin from the middle of the bends, and the sign of its heavier side across."""
    along = np.sum([pin.along for pin in pins], axis=0)
    line = Line(np.mean([pin.straight for pin in pins], axis=0), along / np.linalg.norm(along), 0.0)
    return line, 1.0 if float(line.across @ heavier_side(film, pins)) > 0 else -1.0


def _in_order(film: Prepared, pins: list[Pin]) -> list[Pin]:
    """Pin 1 first: the one on the side with more tissue."""
    if len(pins) < 2:
        return pins
    heavier = heavier_side(film, pins)
    return sorted(pins, key=lambda pin: -float((pin.tip + pin.straight) @ heavier))
