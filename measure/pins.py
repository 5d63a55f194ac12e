"""Find the pins of a film: axes, tips, bends, width.

`find_pins` proposes what it can stand for and is silent otherwise. Which pin is called 1: the one on the
side where more tissue lies, at the middle of the pins. That is the volar one on a lateral film of an elbow
(the forearm lies there, skin and air dorsally) and the radial one on an AP film (the radius lies there).
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from measure.lines import Array, Line, find_lines
from measure.pin_ends import Trace, find_ends, is_a_pin, trace_bars
from measure.pin_fit import BarFit, fit_bars
from measure.pin_search import Bar, Found, search
from measure.prepare import Prepared, shrink
from measure.strip import Strip, cut_strip

PIN_MM = 1.6  # the pin looked for; common practice, no source
WIDTHS_MM = (1.1, 2.4)  # fitted widths that a pin may have; the scale itself may be 10 % off
SIDE_MM = 1.0  # size of a pixel at which the sides are weighed
SEARCH_MM = 0.27  # size of a pixel in the search
HALF_MM = 7.0  # half-width of the strip that bars are fitted in, at least
MOST_TIP_U_MM = 0.5
LEAST_MM = 40.0  # shortest straight part that is taken for a pin
MOST_MM = 125.0
LEAST_SHARE = 0.33  # of what a full box would gain along the whole run
LEAST_CONTRAST = 0.02  # of the film's range
MOST_LEFT = 0.3  # what a fit may leave, of the pin's own strength
TWO_BETTER = 0.87  # two bars must leave less than this share of what one leaves
CLEAN_WIDTH = 1.3  # one of two pins that run apart is not fitted wider than this, of its true width
ONE_WIDTH = 1.15  # one bar fitted to two is wider than this, of its true width, unless they nearly coincide
APART_MM = {
    True: 0.35,
    False: 0.6,
}  # how far apart two bars must lie at an end, where one bar comes out wide or not
MOST_CROSSING = 5.0  # degrees between two bars that overlap for long
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
    u_across, u_along
        Standard uncertainties as the fits give them, for white noise alone (on phantom films the
        axis errs some ten times more, from bone and wires): of the axis (across it, at its ends) and
        of the tip.
    shape
        Of the tip: "trocar" or "round".
    tip_clear
        Whether the tip is seen beside other pins, so that it can be trusted.
    trace
        The fit that it comes from.
    confidence
        0 to 1.
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


def find_pins(film: Prepared) -> tuple[Pin, ...]:
    """Find one or two pins, pin 1 first; none where nothing can be told from a pin for sure."""
    shrunk = shrink(film.density, SEARCH_MM / film.mm_per_px)
    factor = film.density.shape[0] / shrunk.shape[0]
    mm_per_px = film.mm_per_px * factor
    bars = _coarse(shrunk, mm_per_px)
    if not bars:
        return ()
    whole = [Bar((bar.start + 0.5) * factor - 0.5, (bar.stop + 0.5) * factor - 0.5, bar.gain) for bar in bars]
    pins = _finish(film, _groups(whole, film.mm_per_px))
    return tuple(_in_order(film, pins))


# ------------------------------------------------------------------------------------------ coarse search


def _coarse(image: NDArray[np.float32], mm_per_px: float) -> list[Bar]:
    """Give the bars, one or two, on the image of the search."""
    lines = find_lines(image, PIN_MM / mm_per_px)
    looked = [search(image, line, mm_per_px, PIN_MM) for line in lines]
    found = [one for one in looked if one is not None and _may_be_pin(one, mm_per_px)]
    if not found:
        return []
    found.sort(key=lambda one: -one.contrast * one.bar.gain)
    best = found[0]
    single = _fit(image, [best.bar], mm_per_px)
    if single is None:
        return []
    partner = _partner(image, best, found[1:], mm_per_px)
    if partner is not None and _clean(single, mm_per_px):
        return [*single.bars(), *partner.bars()]
    strips = [one for one in found[:4] if _same_place(one.bar, best.bar, mm_per_px)]
    return _one_or_two(image, strips, single, partner, mm_per_px)


def _clean(fitted: _Fitted, mm_per_px: float) -> bool:
    """Whether a fit is as good as that of one pin, and no two that overlap."""
    width = 2.0 * fitted.fit.radius * mm_per_px
    return fitted.left < MOST_LEFT and width < CLEAN_WIDTH * PIN_MM


def _may_be_pin(one: Found, mm_per_px: float) -> bool:
    length = one.bar.length * mm_per_px
    return (
        LEAST_MM <= length <= MOST_MM
        and one.contrast >= LEAST_CONTRAST
        and one.bar.gain >= LEAST_SHARE * min(length, 90.0)
    )


def _same_place(one: Bar, other: Bar, mm_per_px: float) -> bool:
    """Whether two bars run within one strip."""
    near = abs(other.off((one.start + one.stop) / 2)) * mm_per_px < 4.0
    return near and abs(float(one.along @ other.along)) > np.cos(np.radians(3.5))


def _one_or_two(
    image: NDArray[np.float32],
    strips: Sequence[Found],
    single: _Fitted,
    partner: _Fitted | None,
    mm_per_px: float,
) -> list[Bar]:
    """Fit two bars from several starts, and keep what is right; none where nothing fits."""
    pairs = [
        fitted
        for bars in _pairs_to_try(strips, single, mm_per_px)
        if (fitted := _fit(image, bars, mm_per_px)) is not None and _are_two(fitted, single, mm_per_px)
    ]
    best = min(pairs, key=lambda fitted: _cost(fitted, mm_per_px), default=None)
    if best is not None and _cost(best, mm_per_px) < TWO_BETTER * _cost(single, mm_per_px):
        return best.bars() if best.left < 2 * MOST_LEFT else []
    if single.left > 2 * MOST_LEFT:
        return []
    return single.bars() + (partner.bars() if partner is not None else [])


def _cost(fitted: _Fitted, mm_per_px: float) -> float:
    """Weigh what a fit leaves, the more the further its bars are from a pin's width."""
    width = 2.0 * fitted.fit.radius * mm_per_px
    return fitted.fit.typical * (1.0 + 2.0 * max(0.0, abs(float(np.log(width / PIN_MM))) - 0.12))


def _pairs_to_try(strips: Sequence[Found], single: _Fitted, mm_per_px: float) -> Iterator[list[Bar]]:
    """Pairs of bars to start from: what the search found, and one bar split."""
    for one in strips[:2]:
        first, second, _ = one.pair()
        if min(first.length, second.length) * mm_per_px > LEAST_MM:
            yield [first, second]
    (bar,) = single.bars()
    aside = np.array([-bar.along[1], bar.along[0]])
    half = max(0.35, single.fit.radius * mm_per_px - PIN_MM / 2.0) / mm_per_px
    for start, stop in ((0.8 / mm_per_px, -0.8 / mm_per_px), (half, half)):
        yield [
            Bar(bar.start + way * start * aside, bar.stop + way * stop * aside, bar.gain) for way in (1, -1)
        ]


def _are_two(fitted: _Fitted, single: _Fitted, mm_per_px: float) -> bool:
    """Whether two bars lie far enough apart, at one end, for what one bar alone made of them."""
    low = max(run[0] for run in fitted.runs)
    high = min(run[1] for run in fitted.runs)
    places = fitted.fit.at(np.array([low, high]))
    wide = single.fit.radius * 2.0 * mm_per_px > ONE_WIDTH * PIN_MM
    apart = float(np.abs(places[0] - places[1]).max()) * mm_per_px
    turn = float(np.abs(fitted.fit.lines[0, 1] - fitted.fit.lines[1, 1]))
    return high > low and apart > APART_MM[wide] and turn < np.tan(np.radians(MOST_CROSSING))


def _partner(
    image: NDArray[np.float32], best: Found, others: Sequence[Found], mm_per_px: float
) -> _Fitted | None:
    """Fit a second pin that runs apart from the first, as on AP films."""
    bar = best.bar
    for one in others:
        away = [bar.off(end) * mm_per_px for end in (one.bar.start, one.bar.stop)]
        if (
            one.contrast > PARTNER_CONTRAST * best.contrast
            and away[0] * away[1] > 0
            and min(np.abs(away)) > 1.0
            and 2.5 < max(np.abs(away)) < PARTNER_MM
            and abs(float(one.bar.along @ bar.along)) > np.cos(np.radians(PARTNER_DEGREES))
        ):
            fitted = _fit(image, [one.bar], mm_per_px)
            if fitted is not None and _clean(fitted, mm_per_px):
                return fitted
    return None


def _groups(bars: list[Bar], mm_per_px: float) -> list[list[Bar]]:
    """Bars that come near each other are fitted together, others each alone."""
    if len(bars) < 2:
        return [bars]
    one, other = bars
    away = [one.off(end) * mm_per_px for end in (other.start, other.stop)]
    together = min(abs(away[0]), abs(away[1])) < 4.5 or away[0] * away[1] < 0
    return [bars] if together else [[one], [other]]


def _fit(
    image: NDArray[np.float32], bars: Sequence[Bar], mm_per_px: float, final: bool = False
) -> _Fitted | None:
    """Fit bars in a strip along the first; the final fit is at the film's own resolution, in two rounds."""
    main = bars[0]
    line = Line((main.start + main.stop) / 2, main.along, 0.0)
    ends = np.array([[bar.start, bar.stop] for bar in bars]) - line.point
    along, across = ends @ line.along, ends @ line.across
    low = float(along.min()) - 2.0 / mm_per_px
    block = max(1, round((0.8 if final else 1.5) / mm_per_px))
    half = max(HALF_MM / mm_per_px, float(np.abs(across).max()) + 4.0 / mm_per_px)
    strip = cut_strip(image, line, half, block, (low, float(along.max()) + 2.0 / mm_per_px))
    slopes = (across[:, 1] - across[:, 0]) / (along[:, 1] - along[:, 0])
    lines = np.stack([across[:, 0] - slopes * along[:, 0], slopes], axis=1)
    runs = [(float(min(pair)) - low, float(max(pair)) - low) for pair in along]
    fit = fit_bars(strip, lines, -low, runs, PIN_MM / mm_per_px, mm_per_px, rounds=2)
    return None if fit is None else _Fitted(fit, strip, runs)


# ------------------------------------------------------------------------------------------------ finish


def _finish(film: Prepared, groups: list[list[Bar]]) -> list[Pin]:
    """Fit bars on the film itself and find their ends; none of those that are no pins after all."""
    traces: list[Trace] = []
    for bars in groups:
        fitted = _fit(film.density, bars, film.mm_per_px, final=True)
        if fitted is None or fitted.left > MOST_LEFT:
            continue
        if WIDTHS_MM[0] < 2.0 * fitted.fit.radius * film.mm_per_px < WIDTHS_MM[1]:
            traces += trace_bars(film, fitted.strip, fitted.fit, fitted.runs)
    traces = [one for one in traces if is_a_pin(one, film.mm_per_px)]
    if not traces:
        return []
    pins = []
    for one, ends in zip(traces, find_ends(film, traces), strict=False):  # no ends, no pins
        left = one.fit.typical / one.fit.height
        pins.append(
            Pin(
                tip=ends.tip,
                straight=ends.straight,
                width=2.0 * one.fit.radius,
                u_across=_u_across(one),
                u_along=ends.u_tip,
                shape=ends.shape,
                tip_clear=ends.u_tip * film.mm_per_px < MOST_TIP_U_MM and not _hidden(ends.tip, one, traces),
                trace=one,
                confidence=float(np.clip(1.0 - left / MOST_LEFT, 0.0, 1.0)),
            )
        )
    return pins


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
    shrunk = shrink(film.density, SIDE_MM / film.mm_per_px)
    factor = film.density.shape[0] / shrunk.shape[0]
    middle = np.mean([(pin.tip + pin.straight) / 2 for pin in pins], axis=0)
    along = pins[0].along
    aside = np.array([-along[1], along[0]])
    away = np.moveaxis(np.indices(shrunk.shape), 0, -1) * factor - middle
    reach = float(np.linalg.norm(pins[0].tip - pins[0].straight)) / 2.0
    near = (np.abs(away @ along) < reach) & (np.abs(away @ aside) < reach)
    return np.asarray(
        aside * (1.0 if np.sum(np.where(near, shrunk * np.sign(away @ aside), 0.0)) > 0 else -1.0)
    )


def _in_order(film: Prepared, pins: list[Pin]) -> list[Pin]:
    """Pin 1 first: the one on the side with more tissue."""
    if len(pins) < 2:
        return pins
    heavier = heavier_side(film, pins)
    return sorted(pins, key=lambda pin: -float((pin.tip + pin.straight) @ heavier))
