"""The least error that any unbiased estimate can have on a phantom film: Cramér and Rao's bound.

For a signal in Gaussian noise of known variance the information on parameters is the sum of the products
of the signal's derivatives over the variance (Kay, Fundamentals of Statistical Signal Processing, 1993,
eq. 3.31; from memory). Signal and variance here are what arrives at the detector and its quanta: blur,
electronic noise, the display curve and rounding come after them and can only lose information. All else on
the film (bone, scatter, blur, what else is metal) is taken as known, so the bound is below what is possible.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from measure import phantom, phantom_film
from measure.phantom import Bar, Case, Marker

Array = NDArray[np.float64]
STEP_MM = 0.02  # of the derivatives


def information(slopes: Array, variance: Array) -> Array:
    """Fisher's information (p, p) of derivatives (p, ...) of a signal in noise of a variance (...)."""
    flat = slopes.reshape(len(slopes), -1)
    return np.asarray((flat / variance.ravel()) @ flat.T)


def bound(slopes: Array, variance: Array) -> Array:
    """Least standard deviations (p,) of parameters, from a signal's derivatives (p, ...)."""
    return np.asarray(np.sqrt(np.diag(np.linalg.inv(information(slopes, variance)))))


def moved(bar: Bar, case: Case, name: str, step: float) -> Bar:
    """Move a pin on its film by mm ("offset", "tip"), turn it by radians ("angle"), or widen it by mm."""
    if not name:
        return bar
    if name == "width":
        return replace(bar, diameter=bar.diameter + step)
    tip, straight = bar.points[0], bar.points[1]
    along = (tip - straight) / np.linalg.norm(tip - straight)
    if name == "tip":
        return replace(bar, points=np.vstack([tip + step * along, bar.points[1:]]))
    beam = case.pose.matrix.T @ np.array([0.0, 0.0, 1.0])
    across = np.cross(along, beam)
    across /= np.linalg.norm(across)
    arm = (bar.points - (tip + straight) / 2.0) @ along if name == "angle" else np.ones(len(bar.points))
    return replace(bar, points=bar.points + step * arm[:, None] * across)


@dataclass(frozen=True)
class Arriving:
    """What reaches the detector (rows, cols), shares of the beam: straight from the source, and in all."""

    primary: Array
    total: Array

    @classmethod
    def of(cls, case: Case) -> Arriving:
        """Work it out as `phantom_film.beam` does, but for the side letter."""
        bodies = [*phantom_film.ulna_bodies(case), *phantom_film.other_bodies(case)]
        tissue = np.sum([phantom_film.absorption(body, case) for body in bodies], axis=0)
        through = phantom_film.metal_transmission(phantom.metal(case), case)
        primary = np.exp(-tissue) * through * phantom_film._collimated(case)
        return cls(primary, primary + phantom_film._scattered(primary, case, tissue))

    def least(
        self, seen: Callable[[str, float], Array], steps: dict[str, float], case: Case
    ) -> dict[str, float]:
        """Bounds by name, of what one piece of metal lets through when a parameter is changed by a step."""
        through = np.maximum(seen("", 0.0), 1e-6)
        slopes = [(seen(name, step) - seen(name, -step)) / (2.0 * step) for name, step in steps.items()]
        changes = np.stack(slopes) * self.primary / through
        least = bound(changes, self.total / case.exposure.photons)
        return dict(zip(steps, least.tolist(), strict=True))


def pin_bounds(case: Case, arriving: Arriving) -> list[dict[str, float]]:
    """Bounds of each pin: angle (degrees), offset, tip and width, mm at the bone."""
    alone, found = replace(case, marker=None), []
    steps = {"angle": STEP_MM / 40.0, "offset": STEP_MM, "tip": STEP_MM, "width": STEP_MM}
    for bar in phantom.metal(case)[: len(case.fixation.pins)]:

        def seen(name: str, step: float, bar: Bar = bar) -> Array:
            return phantom_film.metal_transmission([moved(bar, case, name, step)], alone)

        least = arriving.least(seen, steps, case)
        found.append(least | {"angle": float(np.degrees(least["angle"]))})
    return found


def ball_bounds(case: Case, marker: Marker, arriving: Arriving) -> dict[str, float]:
    """Bounds of a ball's centre (down, right) and diameter, mm at the ball."""

    def seen(name: str, step: float) -> Array:
        right, down = marker.across
        ball = {
            "": marker,
            "down": replace(marker, across=(right, down + step)),
            "right": replace(marker, across=(right + step, down)),
            "diameter": replace(marker, diameter=marker.diameter + step),
        }[name]
        return phantom_film.metal_transmission([], replace(case, marker=ball))

    return arriving.least(seen, dict.fromkeys(("down", "right", "diameter"), STEP_MM), case)
