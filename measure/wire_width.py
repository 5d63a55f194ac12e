"""Millimetres per pixel from the width of the cerclage wire, on AP films.

The profile (`measure.pin_profile`) is fitted to each straight stretch of one wire alone (`Wire.straight`),
which says where its axis runs; then to all stretches as to one bar, with scatter smooth from one to the next.
A wire is too thin to tell its width from the film's gain, so the pins' profiles tell that.
On lateral films the limbs lie over or beside each other nearly everywhere, and give no scale.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import cv2
import numpy as np

from measure.lines import Array, Line
from measure.pin_profile import GAIN, STEEL, Profile, Stations, fit_profile
from measure.pin_width import MOST_DENSE, Width, steel_blur_gain
from measure.pins import PIN_MM, Pin
from measure.prepare import Prepared
from measure.scale import ScaleInput, check_size, found_input
from measure.strip import Strip, cut_strip
from measure.wire import Wire

KIND = "wire profile"
HALF_MM, BLOCK = 2.5, 2  # of the strips cut along the stretches: half width, pixels to a station
BARE_HEIGHT = 0.7  # of a pin's height a wire has, about; to start from
STEEL_U = 0.15  # of the logarithm of steel's strength that the pins tell
GAIN_U = 0.3  # of the logarithm of the gain that the pins tell, for their densities are not the wire's
# Rise of the film from beside the wire to as far as this (in its diameters), as a share of its height: from
# there on other metal lies beside it.
FLANK, MOST_FLANK = (0.35, 1.5), 0.1
LEAST_STRETCHES = 2
MOST_APART = 0.03  # standard deviation of the stretches' own widths, relative
QUIETEST, MOST_OFF = 0.2, 2.0  # stations fitted: no more off than so many times this quantile
LIKELY = (0.7, 1.4)  # of the width that the pins let expect
# Relative, of what the model may be off, with scatter, curve and the wire's height off the bone's plane as
# phantom films have them (tests/validation_metal.py), steel's attenuation from 1.0 to 2.6 per mm: the wire,
# thinner than the pins, tells that worse than they do.
MODEL_U = 0.025


@dataclass(frozen=True)
class _Start:
    """Logarithms of steel's strength over the usual, blur (pixels) and gain; the wire's height, density."""

    steel: float
    blur: float
    gain: float
    height: float


@dataclass(frozen=True)
class _Stretch:
    """A straight stretch, cut along its axis: its strip, and its own fitted profile."""

    strip: Strip
    profile: Profile


def wire_width(film: Prepared, pins: Sequence[Pin], wire: Wire, diameter_mm: float) -> Width:
    """Fit the wire's diameter, pooled over its straight stretches; diameter_mm: as it is stated."""
    expected = diameter_mm / PIN_MM * float(np.median([pin.width for pin in pins]))
    known = steel_blur_gain(film, pins)
    if isinstance(known, str):
        return Width(expected, np.inf, f"no pin shows how the film renders metal: {known}")
    steel, blur, gain = known
    start = _Start(steel, blur, gain, BARE_HEIGHT * pins[0].trace.fit.height)
    found = [_stretch(film, start, piece, expected, diameter_mm) for piece in wire.straight]
    usable = [one for one in found if isinstance(one, _Stretch)]
    if len(usable) < LEAST_STRETCHES:
        reasons = dict.fromkeys(one for one in found if isinstance(one, str))
        few = (
            f"{len(usable)} of {len(found)} straight stretches may be used, and {LEAST_STRETCHES} are needed"
        )
        return Width(expected, np.inf, "; ".join([few, *reasons]))
    own = np.array([one.profile.radius for one in usable])
    if (apart := float(own.std() / own.mean())) > MOST_APART:
        why = f"the wire's stretches differ in width by {100 * apart:.0f} %: two limbs may lie on each other"
        return Width(expected, np.inf, why)
    profile = _pooled(usable, start, expected, diameter_mm)
    low, high = LIKELY
    sound = low < 2.0 * profile.radius / expected < high
    u = float(np.hypot(profile.u, MODEL_U))
    return Width(2.0 * profile.radius, u, None if sound else "the wire's profile is not that of a round bar")


def _stretch(film: Prepared, start: _Start, piece: Array, expected: float, mm: float) -> _Stretch | str:
    """Cut a stretch (n, 2) along its fitted axis; else why it says nothing of the wire's width."""
    middle = piece.mean(axis=0)
    along = np.linalg.svd(piece - middle, full_matrices=False)[2][0]
    reach = float(np.abs((piece - middle) @ along).max())
    half = HALF_MM / mm * expected

    def cut(line: Line) -> Strip:
        return cut_strip(film.density, line, half, BLOCK, (-reach, reach), how=cv2.INTER_CUBIC)

    first = cut(Line(middle, along, 0.0))
    if why := _why_not(film, first, expected):
        return why
    course = _fitted(_bar(first, first.values.astype(float), first.along, expected, mm), start)
    offset, slope = course.lines[0]
    way = along + slope * first.normal
    straight = cut(Line(middle + offset * first.normal, way / np.linalg.norm(way), 0.0))
    return _Stretch(straight, course)


def _why_not(film: Prepared, strip: Strip, expected: float) -> str | None:
    """Why a stretch is not fitted, or None."""
    away, seen = np.abs(strip.across) / expected, np.median(strip.values, axis=0)
    rows, columns = np.moveaxis(
        np.round(strip.on_film(strip.along[:, None], strip.across[away < 0.3])).astype(int), -1, 0
    )
    last = np.array(film.density.shape) - 1
    if film.clipped[np.clip(rows, 0, last[0]), np.clip(columns, 0, last[1])].any():
        return "its top is clipped flat"
    top = float(seen[away < FLANK[0]].max())
    if top > MOST_DENSE:
        return f"its top lies above {100 * MOST_DENSE:.0f} % of the film's range, where curves bend"
    near = (away > FLANK[0]) & (away < FLANK[1])
    sides = [seen[near & (strip.across > 0)], seen[near & (strip.across < 0)][::-1]]
    height = top - max(float(side.min()) for side in sides)
    rise = max(float((side - np.minimum.accumulate(side)).max()) for side in sides)
    return "other metal lies beside it" if rise > MOST_FLANK * height else None


def _bar(strip: Strip, values: Array, along: Array, expected: float, mm: float) -> Stations:
    return Stations.along_bars(
        values,
        strip.across,
        along,
        float(along.mean()),
        np.zeros((1, 2)),
        expected / 2.0,
        mm / expected,
    )


def _fitted(stations: Stations, start: _Start) -> Profile:
    free, backs = stations.start(float(np.exp(start.blur)), start.height)
    free[STEEL], free[GAIN] = start.steel, start.gain
    return fit_profile(stations, free, backs, free, gain_u=GAIN_U, steel_u=STEEL_U)


def _pooled(stretches: Sequence[_Stretch], start: _Start, expected: float, mm: float) -> Profile:
    """Fit one bar to all stretches, ordered along the way in which they are spread most."""
    places = np.vstack([one.strip.on_film(one.strip.along, 0.0) for one in stretches])
    places -= places.mean(axis=0)
    along = places @ np.linalg.svd(places, full_matrices=False)[2][0]
    order = np.argsort(along)
    values = np.vstack([one.strip.values for one in stretches])[order].astype(float)
    stations = _bar(stretches[0].strip, values, along[order], expected, mm)
    left = (_fitted(stations, start).left_over ** 2).sum(axis=1) / stations.weight.sum(axis=1)
    return _fitted(stations.only(left <= MOST_OFF**2 * np.quantile(left, QUIETEST)), start)


def wire_input(
    film: Prepared, pins: Sequence[Pin], wire: Wire | None, view: str, diameter_mm: float
) -> tuple[ScaleInput | None, str]:
    """Scale from the width of the wire, and why there is none (else "").

    Raises ScaleError for a diameter that is not positive.
    """
    check_size(diameter_mm)
    if not view:
        return None, "the film does not say its view, and only AP films give one"
    if view != "ap":
        return None, "only AP films give one: on lateral films the wire's limbs lie over or beside each other"
    if wire is None or not wire.straight:
        return None, "no straight stretch of one wire alone was seen"
    width = wire_width(film, pins, wire, diameter_mm)
    if width.refused is not None:
        return None, width.refused
    piece = wire.straight[0]
    across = np.linalg.svd(piece - piece.mean(axis=0), full_matrices=False)[2][1]
    middle = piece.mean(axis=0)
    return found_input(KIND, middle.tolist(), across.tolist(), width.pixels, width.u, diameter_mm), ""
