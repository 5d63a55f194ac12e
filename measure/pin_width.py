"""Millimetres per pixel from the width of the film's own pins.

The profile (`measure.pin_profile`) is fitted to the stations that no wire touches: first to those that the
search of the pins left quietest, then to all that these fit about as well; by either display curve. Both are
averaged by how well they fit the film's pins.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import cv2
import numpy as np
from numpy.typing import NDArray
from scipy.special import expit

from measure.display_curve import SIGMOID, STRAIGHT, steepness, undone
from measure.lines import Array, Line
from measure.pin_profile import ALIKE, BLUR, GAIN, STEEL, Profile, Stations, fit_profile
from measure.pins import PIN_MM, Pin
from measure.prepare import Prepared
from measure.scale import ScaleInput, check_size, found_input
from measure.strip import cut_strip

KIND = "pin profile"
QUIETEST = 0.3  # share of the stations that the first fit takes
MOST_OFF, GOOD = 3.0, 0.1  # times what is left at the best tenth of the stations
LEAST_STATIONS = 8
LIKELY = (0.7, 1.4)  # of the width that the search found
# Of the stated size, the width by the film's own pixels. Those of a detector are taken to be enlarged by
# USUAL_MAGNIFICATION, where 1.0 to 1.4 may be: other metal than a pin, or another size, lies beyond.
AS_STATED = (0.85, 1.25)
APART = 3.0  # standard uncertainties by which two widths on one film may differ
MOST_CLIPPED = 0.02  # share of the pin's core at the top of the film's range
MOST_BESIDE = 0.12  # what the pin's first fit may leave: a wire along most of it is taken for its width
MOST_DENSE = 0.93  # of the film's range: above it display curves flatten the metal
# Relative, of what the model may be off, with scatter and wire as phantom films have them
# (tests/validation_metal.py).
MODEL_U = 0.005


@dataclass(frozen=True)
class Width:
    """A pin's fitted diameter, pixels; its relative standard uncertainty; why it gives no scale."""

    pixels: float
    u: float
    refused: str | None


@dataclass(frozen=True)
class _Tried:
    """A strip fitted by either curve, and the evidence for the sigmoid (logarithm of a ratio)."""

    straight: Profile
    sigmoid: Profile
    evidence: float


def pin_widths(film: Prepared, pins: Sequence[Pin], diameter_mm: float = PIN_MM) -> tuple[Width, ...]:
    """Fit the diameter of each pin; pins whose strip is shared are fitted together and get one diameter.

    diameter_mm: as it is stated, of which only follows how much of the beam the metal takes.
    """
    tried = _all_tried(film, pins, diameter_mm)
    fits = {id(one): one for one in tried if isinstance(one, _Tried)}.values()
    sigmoid = float(expit(sum(one.evidence for one in fits)))
    return tuple(
        Width(pin.width, np.inf, one) if isinstance(one, str) else _width(one, sigmoid, pin)
        for one, pin in zip(tried, pins, strict=True)
    )


def steel_blur_gain(film: Prepared, pins: Sequence[Pin]) -> Array | str:
    """Logarithms (3,) of what a film's pins tell of it, by the straight curve.

    Of how strongly its steel takes the beam, over what is usual; of blur (pixels); of gain (density).
    Where no pin may be fitted, why.
    """
    tried = _all_tried(film, pins, PIN_MM)
    fits = [one.straight.free for one in tried if isinstance(one, _Tried)]
    if not fits:
        return "; ".join(dict.fromkeys(str(one) for one in tried))
    return np.asarray(np.mean([one[[STEEL, BLUR, GAIN]] for one in fits], axis=0))


def _all_tried(film: Prepared, pins: Sequence[Pin], diameter_mm: float) -> list[_Tried | str]:
    """Each pin's strip as fitted, or why it is not."""
    tried: list[_Tried | str] = []
    for number, pin in enumerate(pins):
        shared = [tried[one] for one in range(number) if pins[one].trace.fit is pin.trace.fit]
        if why := _why_not(film, pin, alone=len(pins) == 1):
            tried.append(why)
        elif shared and isinstance(shared[0], _Tried):
            tried.append(shared[0])
        else:
            tried.append(_fitted(film, pin, diameter_mm))
    return tried


def _why_not(film: Prepared, pin: Pin, alone: bool) -> str | None:
    """Why a pin's width is not even looked at, or None."""
    if (share := clipped_share(film, pin)) > MOST_CLIPPED:
        return f"the pin's top is clipped flat over {100 * share:.0f} % of it"
    if (top := core_density(film, pin)) > MOST_DENSE:
        return f"the pin's top lies at {100 * top:.0f} % of the film's range, where curves bend"
    if pin.trace.fit.typical / pin.trace.fit.height > MOST_BESIDE:
        return "other metal lies along most of the pin"
    if alone:
        return "only one pin was found, and another may lie behind it"
    if pin.covered:
        return "another pin lies behind it"
    return None


def _fitted(film: Prepared, pin: Pin, diameter_mm: float) -> _Tried | str:
    """Fit by either curve; else why there is no width."""
    first = pin.trace.fit
    quality = first.misfit / np.where(first.gain > 0, first.gain, np.nan)
    known = np.isfinite(first.misfit)
    if np.isfinite(quality).sum() < LEAST_STATIONS / QUIETEST:
        return "too little of the pin is free of other metal"
    quiet = np.nan_to_num(quality[known], nan=np.inf) <= np.nanquantile(quality, QUIETEST)
    stations = _stations(film, pin, known, diameter_mm)
    straight, sigmoid = (_profile(stations, quiet, pin, curve) for curve in (STRAIGHT, SIGMOID))
    return _Tried(straight[0], sigmoid[0], _evidence(straight[1], sigmoid[1]))


def _profile(density: Stations, quiet: NDArray[np.bool_], pin: Pin, curve: float) -> tuple[Profile, Array]:
    """Fit as by a curve: first the quiet stations, then all that these fit about as well.

    With what it leaves, density (stations, samples), NaN where nothing is fitted.
    """
    first, top = pin.trace.fit, float(np.median(np.quantile(density.signal, 0.98, axis=1)))
    height = float(undone(top, curve) - undone(top - first.height, curve))
    stations = replace(density, signal=undone(np.clip(density.signal, 0.0, 1.0), curve))
    start, backs = stations.start(first.blur, height)
    profile = fit_profile(stations.only(quiet), start, backs[quiet], start)
    everywhere = fit_profile(stations, profile.free, backs, start, shape_too=False)
    left = np.sqrt((everywhere.left_over**2).sum(axis=1) / stations.weight.sum(axis=1))
    good = left <= MOST_OFF * np.quantile(left, GOOD)
    if good.sum() < LEAST_STATIONS:
        good = quiet
    else:
        profile = fit_profile(stations.only(good), profile.free, backs[good], start)
    off = np.full(stations.signal.shape, np.nan)
    shown_off = profile.left_over * steepness(stations.signal[good], curve)
    off[good] = np.where(stations.only(good).weight > 0, shown_off, np.nan)
    return profile, off


def _evidence(straight: Array, sigmoid: Array) -> float:
    """Logarithm of how much likelier what the sigmoid leaves (density) is than what the straight one leaves.

    Of normal errors of unknown size, over the samples that both fitted.
    """
    both = np.isfinite(straight) & np.isfinite(sigmoid)
    ratio = float((straight[both] ** 2).sum() / (sigmoid[both] ** 2).sum()) if both.any() else 1.0
    return 0.5 * float(both.sum()) / ALIKE * float(np.log(ratio))


def _width(tried: _Tried, sigmoid: float, pin: Pin) -> Width:
    """Average over the curves, by how likely each is (Hoeting et al., Stat Sci 1999;14:382, from memory).

    sigmoid: how likely that one is. The variance is the mean one, and that of the curves' widths about it.
    """
    found = 2.0 * np.array([tried.straight.radius, tried.sigmoid.radius])
    own = np.array([tried.straight.u, tried.sigmoid.u])
    likely = np.array([1.0 - sigmoid, sigmoid])
    pixels, low, high = float(likely @ found), *LIKELY
    by_curve = float(np.sqrt(likely @ (found - pixels) ** 2)) / pixels
    u = float(np.linalg.norm([np.sqrt(likely @ own**2), MODEL_U, by_curve]))
    sound = low < pixels / pin.width < high
    return Width(pixels, u, None if sound else "the pin's profile is not that of a round bar")


def _stations(film: Prepared, pin: Pin, known: NDArray[np.bool_], diameter_mm: float) -> Stations:
    """Cut the pin's strip anew, by cubic interpolation."""
    old, fit = pin.trace.strip, pin.trace.fit
    reach = len(old.along) * old.block + 0.5
    line = Line(old.origin, old.direction, 0.0)
    strip = cut_strip(
        film.density, line, float(old.across[-1]), int(old.block), (0.0, reach), how=cv2.INTER_CUBIC
    )
    signal = strip.values[known].astype(float)
    return Stations.along_bars(
        signal,
        strip.across,
        strip.along[known],
        fit.pivot,
        fit.lines,
        pin.width / 2.0,
        diameter_mm / pin.width,
    )


def _core(film: Prepared, pin: Pin) -> tuple[NDArray[np.intp], NDArray[np.intp]]:
    """Rows and columns of the pixels along the pin's middle."""
    one = pin.trace
    places = one.places[(one.places > one.low) & (one.places < one.high)]
    aside = np.array([-0.3, 0.0, 0.3])[:, None] * one.fit.radius
    points = one.strip.on_film(
        np.broadcast_to(places, (3, len(places))), one.fit.at(places)[one.number] + aside
    )
    rows, columns = np.moveaxis(np.round(points).astype(np.intp), -1, 0)
    shape = film.density.shape
    return np.clip(rows, 0, shape[0] - 1), np.clip(columns, 0, shape[1] - 1)


def clipped_share(film: Prepared, pin: Pin) -> float:
    """Share of the pin's core that is at the very top of the film's range."""
    return float(film.clipped[_core(film, pin)].mean())


def core_density(film: Prepared, pin: Pin) -> float:
    """Density that the pin's core reaches, but for its topmost tenth."""
    return float(np.quantile(film.density[_core(film, pin)], 0.9))


def pin_input(
    film: Prepared, pins: Sequence[Pin], diameter_mm: float = PIN_MM
) -> tuple[ScaleInput | None, str]:
    """Scale from the width of the pins, pooled, and why there is none (else "").

    Raises ScaleError for a diameter that is not positive.
    """
    check_size(diameter_mm)
    widths = list(zip(pins, pin_widths(film, pins, diameter_mm), strict=True))
    usable = [(pin, width) for pin, width in widths if width.refused is None]
    if not usable:
        return None, "; ".join(dict.fromkeys(str(width.refused) for _, width in widths)) or "no pin was found"
    own = list(dict.fromkeys(width for _, width in usable))  # pins fitted together have one
    if why := _unlike(film, own, diameter_mm):
        return None, why
    weights = np.array([width.u for width in own]) ** -2.0
    # Pins fitted apart share the film's curve, steel and scatter, so that two are hardly surer than one.
    pixels, u = np.average([(width.pixels, width.u) for width in own], axis=0, weights=weights)
    pin, _ = usable[0]
    middle, across = (pin.tip + pin.straight) / 2.0, np.array([-pin.along[1], pin.along[0]])
    return found_input(KIND, middle.tolist(), across.tolist(), float(pixels), float(u), diameter_mm), ""


def _unlike(film: Prepared, widths: Sequence[Width], diameter_mm: float) -> str:
    """Say why widths are not those of pins of the stated size, or "" where they may be."""
    for width in widths:
        seen = width.pixels * film.mm_per_px
        if film.scaled and not AS_STATED[0] < seen / diameter_mm < AS_STATED[1]:
            return f"a pin of {diameter_mm:g} mm was stated, and what is seen is about {seen:.1f} mm wide"
    narrow, wide = (choose(widths, key=lambda width: width.pixels) for choose in (min, max))
    if wide.pixels - narrow.pixels > APART * np.hypot(wide.u * wide.pixels, narrow.u * narrow.pixels):
        return f"the pins' widths differ by {100 * (wide.pixels / narrow.pixels - 1.0):.0f} %"
    return ""
