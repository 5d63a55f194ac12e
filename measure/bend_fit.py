"""Bends that leave a pin's straight axis, fitted on the film.

A bend is looked for as half an ellipse that leaves the pin's straight axis to either side and stands out of
the film on both its sides. The likely ones are fitted by the profile of the pin itself (its own diameter,
blur and scatter) across the bend at many places, so that the edge is that of the cylinder and not the half
height of a blurred chord; places that a wire or another bend crosses count little. Lengths here are mm in the
pin's own frame: along, outwards beyond its straight end, and across.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property

import cv2
import numpy as np

from measure.lines import Array
from measure.pin_fit import STEEL_PER_MM, BarFit, bars_seen
from measure.prepare import Prepared

STARTS_MM = np.arange(-12.0, 5.01, 0.25)  # beyond the straight end as found, where a bend may begin
RADII_MM = np.arange(2.0, 3.61, 0.2)  # of the bend's middle, along the pin
WIDE = (0.8, 0.9, 1.0)  # of that across the pin: a hook turned out of the film's plane is narrower
ARM_MM = np.array([-1.8, -1.2, -0.6])  # of the straight part, looked at too
ANGLES = np.radians(np.arange(0.0, 161.0, 10.0))  # looked at, from where the bend begins
FITTED = np.radians(np.arange(30.0, 151.0, 6.0))
BOTTOM = np.abs(FITTED - np.pi / 2.0) < np.radians(55.0)
BESIDE, HALF = 2.1, 1.7  # radii from the bend's middle: where it must be darker; what is fitted
FULL = 0.5  # of the pin's height, where a place counts as metal for sure
LEAST_SCORE, MOST_TRIES, APART_MM = 0.5, 8, 0.8
OFFSETS_MM = np.arange(-0.7, 0.701, 0.05)
ROUNDS, STEPS = 3, 6
LIKE = (0.90, 0.98)  # correlation with the pin's profile, from where and to where a place counts more
PRIOR_MM = np.array([np.inf, 0.8, 0.8, 0.15])  # how far start, radius, width and axis may be off; as SD
NOISE_MM = 0.03  # least error of a place
RADIUS_MM, LEAST_WIDE = (1.5, 4.2), 0.55  # that a bend may have; width over radius
EXPECTED_MM = (3.2, 6.9)  # of the edge beyond the straight end as found, whose own error is part of it
MOST_ASIDE_MM = 0.12  # of the bend's own axis from the pin's


@dataclass(frozen=True)
class Frame:
    """A pin's own frame, mm; 0 at its straight end as found. along: unit vector from the bend to the tip."""

    film: Prepared
    straight: Array
    along: Array
    fit: BarFit

    @property
    def radius(self) -> float:
        """Of the pin, mm."""
        return self.fit.radius * self.film.mm_per_px

    @cached_property
    def profiles(self) -> tuple[Array, Array, Array]:
        """Samples (m,) across the pin, mm; what takes a sloping background away (m, m); and profiles.

        Profiles (offsets, m) are the pin's at `OFFSETS_MM`, without background, of unit length.
        """
        fit, radius, mm = self.fit, self.radius, self.film.mm_per_px
        samples = np.arange(-HALF * radius, HALF * radius, max(0.1 * radius, 0.5 * mm))
        samples -= samples.mean()
        strength = STEEL_PER_MM * 2.0 * radius
        shapes = bars_seen(samples, OFFSETS_MM[None], radius, fit.blur * mm, fit.scatter, strength)
        base = np.stack([np.ones_like(samples), samples], axis=1)
        flat = np.eye(len(samples)) - base @ np.linalg.pinv(base)
        shapes = shapes @ flat
        return samples, flat, shapes / np.linalg.norm(shapes, axis=1, keepdims=True)

    def on_film(self, places: Array) -> Array:
        """Film places of places (..., 2) along and across."""
        along, mm = self.along, self.film.mm_per_px
        aside = np.array([-along[1], along[0]])
        ways = np.stack([-along, aside]) / mm
        return np.asarray(self.straight + (places.reshape(-1, 2) @ ways).reshape(places.shape))

    def values(self, places: Array) -> Array:
        """Density at places (n, m, 2)."""
        where = self.on_film(places).astype(np.float32)
        seen = cv2.remap(
            self.film.density, where[..., 1], where[..., 0], cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE
        )
        return np.asarray(seen, dtype=float)


@dataclass(frozen=True)
class BendFit:
    """A bend fitted: free is start, radius, half-width (signed) and distance of its axis from the pin's.

    edge: of the metal, furthest along; u: its standard uncertainty, as the fit gives it. seen: share of the
    bend's bottom that looks like the pin.
    """

    free: Array
    edge: float
    u: float
    seen: float

    @property
    def possible(self) -> bool:
        """Whether a pin may be bent so."""
        _, radius, width, aside = self.free
        return bool(
            RADIUS_MM[0] < radius < RADIUS_MM[1]
            and LEAST_WIDE < abs(width) / radius < 1.0 / LEAST_WIDE
            and abs(aside) < MOST_ASIDE_MM
        )


def _course(bends: Array, angles: Array) -> tuple[Array, Array]:
    """Places and outward normals (bends, angles, 2) of bends (bends, 3): start, radius, half-width."""
    start, radius, width = (part[:, None] for part in bends.T)
    sine, cosine = np.sin(angles), np.cos(angles)
    places = np.stack([start + radius * sine, width * (1.0 - cosine)], axis=-1)
    normals = np.stack([np.abs(width) * sine, -np.sign(width) * radius * cosine], axis=-1)
    return places, normals / np.hypot(normals[..., 0], normals[..., 1])[..., None]


def _search(frame: Frame) -> tuple[Array, Array]:
    """Bends tried (n, 3) and how far each stands out on both sides, about 1 where it is one."""
    grid = np.meshgrid(STARTS_MM, RADII_MM, WIDE, (-1.0, 1.0), indexing="ij")
    start, radius, wide, side = (part.ravel() for part in grid)
    bends = np.stack([start, radius, side * wide * radius], axis=1)
    places, normals = _course(bends, ANGLES)
    arm = np.stack(np.broadcast_arrays(start[:, None] + ARM_MM, 0.0), axis=-1)
    places = np.concatenate([arm, places], axis=1)
    normals = np.concatenate([np.broadcast_to(normals[:, :1], arm.shape), normals], axis=1)
    beside = BESIDE * frame.radius * normals
    middle, outer, inner = (frame.values(places + way * beside) for way in (0.0, 1.0, -1.0))
    full = FULL * frame.fit.height
    out, both = (
        np.clip((middle - darker) / full, -0.5, 1.0).mean(axis=1)
        for darker in (outer, np.maximum(outer, inner))
    )
    return bends, (out + both) / 2.0


def likely_bends(frame: Frame) -> list[BendFit]:
    """Bends fitted from the best starts, each edge once, that a pin may have; the best seen first."""
    bends, scores = _search(frame)
    edges, firsts = bends[:, 0] + bends[:, 1], list[int]()
    for number in np.argsort(-scores):
        if len(firsts) == MOST_TRIES or scores[number] < LEAST_SCORE:
            break
        if all(abs(edges[number] - edges[other]) > APART_MM for other in firsts):
            firsts.append(int(number))
    fitted = [_fit(frame, bends[number]) for number in firsts]
    found: list[BendFit] = []
    for one in sorted(fitted, key=lambda one: -one.seen):
        if one.possible and all(abs(one.edge - other.edge) > APART_MM / 2.0 for other in found):
            found.append(one)
    return found


def _offsets(frame: Frame, places: Array, normals: Array) -> tuple[Array, Array]:
    """How far off places (n, 2) along normals the pin's profile lies, mm (n,), and how like it is, 0 to 1."""
    samples, flat, shapes = frame.profiles
    values = frame.values(places[:, None] + samples[:, None] * normals[:, None]) @ flat
    like = values @ shapes.T / np.maximum(np.linalg.norm(values, axis=1), 1e-9)[:, None]
    best = np.argmax(like, axis=1)
    inner = np.clip(best, 1, len(OFFSETS_MM) - 2)
    low, middle, high = (like[np.arange(len(best)), inner + step] for step in (-1, 0, 1))
    step = (OFFSETS_MM[1] - OFFSETS_MM[0]) * 0.5 * (low - high) / np.minimum(low - 2.0 * middle + high, -1e-9)
    share = np.clip((middle - LIKE[0]) / (LIKE[1] - LIKE[0]), 0.0, 1.0)
    return OFFSETS_MM[inner] + np.clip(step, -0.05, 0.05), np.where(best == inner, share, 0.0)


def _fit(frame: Frame, first: Array) -> BendFit:
    """Fit a bend to where the pin's profile lies across it, by weighted least squares, robust."""
    free, prior = np.array([*first, 0.0]), np.diag(PRIOR_MM**-2.0)
    sine, cosine = np.sin(FITTED), np.cos(FITTED)
    for _ in range(ROUNDS):
        places, normals = (part[0] for part in _course(free[None, :3], FITTED))
        off, like = _offsets(frame, places + np.array([0.0, free[3]]), normals)
        along, across = normals.T
        slopes = np.stack([along, along * sine, across * (1.0 - cosine), across], axis=1)
        pull = prior @ np.array([0.0, 0.0, 0.0, -free[3]])
        weight, change = like, np.zeros(4)
        for _ in range(STEPS):
            left = off - slopes @ change
            variance = max(float(weight @ left**2) / (float(weight.sum()) + 1e-9), NOISE_MM**2)
            normal = (slopes.T * weight) @ slopes / variance + prior + 1e-6 * np.eye(4)
            change = np.linalg.solve(normal, slopes.T @ (weight * off) / variance + pull)
            left = off - slopes @ change
            usual = max(1.4826 * float(np.median(np.abs(left[like > 0.0]))) if like.any() else 1.0, NOISE_MM)
            weight = like / (1.0 + (left / (2.0 * usual)) ** 2) ** 2
        free = free + change
    furthest = np.array([1.0, 1.0, 0.0, 0.0])
    u = float(np.sqrt(furthest @ np.linalg.solve(normal, furthest)))
    edge = float(free[0] + free[1] + frame.radius)
    return BendFit(free, edge, u, float(weight[BOTTOM].mean()))
