"""The least error that any unbiased estimate can have on a phantom film: Cramér and Rao's bound.

For a signal in Gaussian noise of known variance the information on parameters is the sum of the products
of the signal's derivatives over the variance (Kay, Fundamentals of Statistical Signal Processing, 1993,
eq. 3.31; from memory). Signal and variance here are what arrives at the detector and its quanta: blur,
electronic noise, the display curve and rounding come after them and can only lose information. All else on
the film (bone, scatter, blur, what else is metal) is taken as known, so the bound is below what is possible.

A fair bound has these unknown too, and estimated together with the rest (Schur's complement of the whole
information; ibid., ch. 3): blur, scatter, the display's curve, and beside the metal a level and a slope of
their own on every short stretch, as bone may have.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace

import cv2
import numpy as np
from numpy.typing import NDArray

from measure import phantom, phantom_film
from measure.phantom import Bar, Case, Marker

Array = NDArray[np.float64]
STEP_MM = 0.02  # of the derivatives
NEAR_MM, STRETCH_MM = 1.2, 2.0  # beside the metal that is looked at; over which bone is a level and a slope


def information(slopes: Array, variance: Array) -> Array:
    """Fisher's information (p, p) of derivatives (p, ...) of a signal in noise of a variance (...)."""
    flat = slopes.reshape(len(slopes), -1)
    return np.asarray((flat / variance.ravel()) @ flat.T)


def bound(slopes: Array, variance: Array) -> Array:
    """Least standard deviations (p,) of parameters, from a signal's derivatives (p, ...)."""
    return np.asarray(np.sqrt(np.diag(np.linalg.inv(information(slopes, variance)))))


def fair_bound(slopes: Array, unknown: Array, variance: Array) -> Array:
    """Least standard deviations (p,) of parameters where others, of derivatives (q, ...), are unknown too."""
    whole, few = information(np.concatenate([slopes, unknown]), variance), len(slopes)
    rest = whole[few:, few:] + 1e-9 * np.diag(np.diag(whole[few:, few:]))
    left = whole[:few, :few] - whole[:few, few:] @ np.linalg.solve(rest, whole[few:, :few])
    return np.asarray(np.sqrt(np.diag(np.linalg.inv(left))))


def unknowns(total: Array, near: NDArray[np.bool_], stretch: Array, across: Array) -> Array:
    """Give derivatives (q, pixels) of what arrives, where `near`, by all that is not known of a film.

    stretch: (rows, cols), number of the stretch a pixel belongs to; across: its place across, any unit.
    """
    seen, level = total[near], -np.log(total[near])
    blur = cv2.Laplacian(total, cv2.CV_64F)[near]
    owned = np.unique(stretch[near])[:, None] == stretch[near]
    whole = np.stack([blur, np.ones_like(seen), *(seen * level**power for power in (1, 2, 3))])
    return np.concatenate([whole, seen * owned, seen * owned * across[near]])


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
        self, seen: Callable[[str, float], Array], steps: dict[str, float], case: Case, frame: Array
    ) -> dict[str, float]:
        """Bounds by name, of what one piece of metal lets through when a parameter is changed by a step.

        The fair ones as "fair ...". frame: (2, rows, cols), `unknowns`'s stretch and across.
        """
        through = np.maximum(seen("", 0.0), 1e-6)
        slopes = [(seen(name, step) - seen(name, -step)) / (2.0 * step) for name, step in steps.items()]
        changes = np.stack(slopes) * self.primary / through
        variance = self.total / case.exposure.photons
        reach = round(NEAR_MM / min(case.pose.bone_scale))
        near = cv2.dilate((through < 0.99).astype(np.uint8), np.ones((2 * reach + 1,) * 2, np.uint8)) > 0
        rest = unknowns(self.total, near, *frame)
        fair = fair_bound(changes[:, near], rest, variance[near])
        names = [*steps, *(f"fair {name}" for name in steps)]
        return dict(zip(names, [*bound(changes, variance), *fair], strict=True))


def pin_bounds(case: Case, arriving: Arriving) -> list[dict[str, float]]:
    """Bounds of each pin: angle (degrees), offset, tip and width, mm at the bone."""
    alone, found = replace(case, marker=None), []
    steps = {"angle": STEP_MM / 40.0, "offset": STEP_MM, "tip": STEP_MM, "width": STEP_MM}
    for bar in phantom.metal(case)[: len(case.fixation.pins)]:

        def seen(name: str, step: float, bar: Bar = bar) -> Array:
            return phantom_film.metal_transmission([moved(bar, case, name, step)], alone)

        least = arriving.least(seen, steps, case, pin_frame(bar, case))
        found.append(least | {name: float(np.degrees(least[name])) for name in ("angle", "fair angle")})
    return found


def pin_frame(bar: Bar, case: Case) -> Array:
    """(2, rows, cols): number of the stretch along a pin, and place across, mm."""
    tip, straight = phantom.project(bar.points[:2], case.pose)
    along = (straight - tip) / np.linalg.norm(straight - tip)
    away = (np.moveaxis(np.indices(case.pose.shape), 0, -1) - tip) * case.pose.bone_scale
    return np.stack([away @ along // STRETCH_MM, away @ np.array([-along[1], along[0]])])


def ball_frame(case: Case) -> Array:
    """(2, rows, cols): number of the sector about the ball's centre, and distance from it, mm."""
    centre, diameter = phantom.marker_on_film(case)
    down, right = (np.moveaxis(np.indices(case.pose.shape), 0, -1) - centre).T * case.pose.pitch[0]
    sector = np.arctan2(down, right).T * diameter / 2.0 // STRETCH_MM
    return np.stack([sector, np.hypot(down, right).T - diameter / 2.0])


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

    return arriving.least(seen, dict.fromkeys(("down", "right", "diameter"), STEP_MM), case, ball_frame(case))
