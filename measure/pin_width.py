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

from measure.film import Film
from measure.lines import Array
from measure.pin_fit import STEEL_PER_MM, BarFit, bars_seen, fit_bars
from measure.pins import PIN_MM, Pin
from measure.prepare import Prepared
from measure.scale import PER_MM_OFF_PLANE, Scale

KIND = "pin profile"
CLEANEST = 0.4  # share of the stations that are used
MOST_CLIPPED = 0.02  # share of the pin's core at the top of the film's range
MOST_FLAT = 1.5  # scatter that the fit makes up for a flattened top
MOST_LEFT = 0.075  # what the fit may leave, of the pin's height
# Relative, of what the model may be off: where two pins were fitted together, and where wires run beside
# one fitted alone. From phantom films (tests/validation_metal.py).
MODEL_U = {True: 0.02, False: 0.045}
MOST_DENSE = 0.93  # of the film's range: above it display curves bend
HEIGHT_U_MM = 3.0  # of a pin off the bone's plane; as for a pin clicked across its width
TOLERANCE_MM = 0.02  # of the stated diameter; common practice, no source


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
    elif fit.typical / fit.height > MOST_LEFT:
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


def pin_scale(
    film: Film, prepared: Prepared, pins: Sequence[Pin], film_id: str, diameter_mm: float = PIN_MM,
    tolerance_mm: float = TOLERANCE_MM,
) -> tuple[Scale | None, str]:  # fmt: skip
    """Scale from the width of the pins, pooled, and why there is none (else "").

    Raises ValueError for a diameter that is not positive.
    """
    if not diameter_mm > 0:
        raise ValueError(f"A pin's diameter must be positive; received {diameter_mm} mm. Type it anew.")
    widths = [pin_width(prepared, pin) for pin in pins]
    usable = [width for width in widths if width.refused is None]
    if not usable:
        return None, "; ".join(dict.fromkeys(width.refused or "" for width in widths)) or "no pin was found"
    weights = np.array([width.u for width in usable]) ** -2.0
    pixels = float(np.average([width.pixels for width in usable], weights=weights))
    row, column = film.aspect
    size = diameter_mm / pixels / np.sqrt(row * column)
    scale = Scale(
        mm_per_px=(row * size, column * size),
        method=f"profile of {len(usable)} pin{'s' * (len(usable) > 1)} of {diameter_mm:g} mm",
        source_id=f"{KIND}:{film_id}",
        parts={
            f"scale-profile:{film_id}": float(min(width.u for width in usable)),
            f"scale-size:pin:{diameter_mm:g}": tolerance_mm / diameter_mm,
            f"scale-height:{KIND}:{film_id}": HEIGHT_U_MM * PER_MM_OFF_PLANE,
        },
    )
    return scale, ""
