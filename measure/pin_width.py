"""Millimetres per pixel from the width of the film's own pins.

The cylinder's profile is fitted once more to the stations that no wire touches. What each station alone
says of the radius (one linear step) shows how far the film bears the model out: its spread is the
uncertainty, beside what the model itself may be off.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from measure.lines import Array
from measure.pin_fit import STEEL_PER_MM, BarFit, bars_seen, fit_bars
from measure.pins import PIN_MM, Pin
from measure.prepare import Prepared
from measure.scale import ScaleInput, found_input

KIND = "pin profile"
CLEANEST = 0.4  # share of the stations that are used
MOST_CLIPPED = 0.02  # share of the pin's core at the top of the film's range
MOST_FLAT = 1.5  # scatter that the fit makes up for a flattened top
MOST_LEFT = 0.075  # what the fit may leave, of the pin's height
MOST_BESIDE = 0.12  # what the pin's first fit may leave: a wire along most of it is taken for its width
# Relative, of what the model may be off: where two pins were fitted together, and where wires run beside
# one fitted alone. From phantom films (tests/validation_metal.py).
MODEL_U = {True: 0.02, False: 0.045}
MOST_DENSE = 0.93  # of the film's range: above it display curves bend


@dataclass(frozen=True)
class Width:
    """A pin's fitted diameter, pixels; its relative standard uncertainty; why it gives no scale."""

    pixels: float
    u: float
    refused: str | None


def pin_width(film: Prepared, pin: Pin) -> Width:
    """Fit the diameter of a pin (and of what was fitted with it) to its cleanest stations."""
    one, mm = pin.trace, film.mm_per_px
    first, strip = one.fit, one.strip
    if (share := clipped_share(film, pin)) > MOST_CLIPPED:
        return Width(pin.width, np.inf, f"the pin's top is clipped flat over {100 * share:.0f} % of it")
    if (top := core_density(film, pin)) > MOST_DENSE:
        return Width(
            pin.width,
            np.inf,
            f"the pin's top lies at {100 * top:.0f} % of the film's range, where curves bend",
        )
    quality = first.misfit / np.where(first.gain > 0, first.gain, np.nan)
    known = np.isfinite(quality)
    clean = known & (quality <= np.nanquantile(quality, CLEANEST))
    excluded = np.broadcast_to(~clean[:, None], strip.values.shape)
    ends = (float(strip.along[0]) - 9.0 / mm, float(strip.along[-1]) + 9.0 / mm)
    fit = fit_bars(
        strip, first.lines, first.pivot, [ends] * len(first.lines), pin.width, mm, excluded, rounds=1
    )
    if fit is None:
        return Width(pin.width, np.inf, "too little of the pin is free of other metal")
    steps = _radius_steps(strip.values[fit.used].astype(float), strip.across, strip.along[fit.used], fit, mm)
    spread = 1.4826 * float(np.median(np.abs(steps - np.median(steps))))
    radius = fit.radius * float(np.exp(np.median(steps)))
    u = float(np.hypot(spread / np.sqrt(max(len(steps) / 2.0, 1.0)), MODEL_U[len(fit.lines) > 1]))
    refused = None
    if fit.scatter > MOST_FLAT:
        refused = "the display curve flattens the pin's top"
    elif fit.typical / fit.height > MOST_LEFT or first.typical / first.height > MOST_BESIDE:
        refused = "other metal lies along most of the pin"
    return Width(2.0 * radius, u, refused)


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


def _radius_steps(values: Array, across: Array, along: Array, fit: BarFit, mm_per_px: float) -> Array:
    """Tell what each station (rows of values) alone would change of the radius's logarithm."""
    strength = STEEL_PER_MM * 2.0 * fit.radius * mm_per_px
    centres = fit.at(along)

    def shape(grow: float = 0.0, move: float = 0.0) -> Array:
        return bars_seen(across, centres + move, fit.radius * np.exp(grow), fit.blur, fit.scatter, strength)

    near = np.asarray(np.any(np.abs(across - centres[..., None]) < 2.7 * fit.radius, axis=0))
    middle = shape()
    base = np.stack(
        [
            middle,
            (shape(grow=0.02) - shape(grow=-0.02)) / 0.04,
            (shape(move=0.1) - shape(move=-0.1)) / 0.2,
            np.ones_like(middle),
            np.broadcast_to(across / np.abs(across).max(), middle.shape),
        ],
        axis=1,
    ) * near[:, None]  # fmt: skip
    normal = base @ base.transpose(0, 2, 1) + 1e-9 * np.eye(5)
    answer = np.linalg.solve(normal, base @ (values * near)[..., None])[..., 0]
    return np.asarray(answer[:, 1] / answer[:, 0])


def pin_input(
    film: Prepared, pins: Sequence[Pin], diameter_mm: float = PIN_MM
) -> tuple[ScaleInput | None, str]:
    """Scale from the width of the pins, pooled, and why there is none (else "").

    Raises ScaleError for a diameter that is not positive.
    """
    widths = [(pin, pin_width(film, pin)) for pin in pins]
    usable = [(pin, width) for pin, width in widths if width.refused is None]
    if not usable:
        return None, "; ".join(dict.fromkeys(str(width.refused) for _, width in widths)) or "no pin was found"
    weights = np.array([width.u for _, width in usable]) ** -2.0
    pixels = float(np.average([width.pixels for _, width in usable], weights=weights))
    pin, _ = usable[0]
    middle, across = (pin.tip + pin.straight) / 2.0, np.array([-pin.along[1], pin.along[0]])
    u = min(width.u for _, width in usable)
    return found_input(KIND, middle.tolist(), across.tolist(), pixels, u, diameter_mm), ""
