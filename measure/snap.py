"""A click moved to what its landmark means: on a pin, the wire, a cortex, the notch, a fracture, the ball.

All but the cortex's edge is found on the film before (`measure.features`), so that a snap costs no more than
that. Nothing near or sure enough: None, and the click stays where it is.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from types import MappingProxyType

import cv2
import numpy as np

from measure.bone import EDGE_U_MM
from measure.features import Features
from measure.geometry import Points, fit_circle
from measure.lines import Array, Line
from measure.pins import Pin, bearer
from measure.strip import cut_strip

REACH_MM = 1.75  # a click further from the feature is meant for something else
PATCH_MM = 2.6  # looked at about a click on a cortex
BLUR_MM = 0.25
# The outline of a round bone lies outside the steepest place of its edge, which a ray first meets where
# the bone is thick enough to show. Median over phantom shafts (tests/validation_metal.py).
OUTSIDE_MM = 0.235
# Of several places, the nearest is meant if it is so much nearer than others that lie apart from it.
CLEARLY, SAME_MM = 0.6, 0.4
MOST_U_MM = 0.8  # of a place: what is told no better than by a click stays where that was made
MOST_U_MM_OF = {"tip": 0.2}  # where less will do: so few tips are far off that their SD stays below 0.1 mm
RIVAL, APART_MM = 0.8, 0.6  # of a cortex's slope, what another edge so far from it may have
TURNED, OFF_LINE_MM = np.cos(np.radians(30.0)), 0.6  # of an edge from its shaft's way, and from its line
LEAST_U_MM = 0.1  # the fit's own is some ten times too small: bone and wires are no white noise


@dataclass(frozen=True)
class Snapped:
    """Where a click was moved to, (row, column), and the standard uncertainty of each coordinate, pixels."""

    point: tuple[float, float]
    u_px: float


@dataclass(frozen=True)
class _Click:
    """A click for a kind of landmark, at a point (2,), that may lie on some of the pins."""

    features: Features
    kind: str
    point: Array
    pins: Sequence[Pin]

    @property
    def mm(self) -> float:
        """Of a pixel."""
        return self.features.film.mm_per_px

    def moved(self, point: Array, u_px: float) -> Snapped | None:
        """Move it to a point, if that is in reach."""
        if np.hypot(*(point - self.point)) * self.mm > REACH_MM:
            return None
        return Snapped((float(point[0]), float(point[1])), max(u_px, LEAST_U_MM / self.mm))


def snap(
    features: Features,
    name: str,
    click: tuple[float, float],
    placed: Mapping[str, Points] = MappingProxyType({}),
) -> Snapped | None:
    """Move a click for a landmark of the site's table, or "marker"; None where it has nothing to go to.

    placed: landmarks that stand already, each (n, 2). One on a pin's axis says which pin bears that number,
    and none other is then taken for it.
    """
    number, part = _named(name)
    pins = _pins_of(features, number, name, placed) if part else ()
    made = _Click(features, part or number.rstrip("12"), np.array(click, dtype=float), pins)
    return _WAYS.get(made.kind, _to_place)(made)


def _named(name: str) -> tuple[str, str]:
    """Split a landmark's name into the pin's and the part's; that of no pin has no part."""
    on_pin = re.fullmatch(r"(pin\d+)_(\w+)", name)
    return (on_pin[1], on_pin[2]) if on_pin else (name, "")


def _pins_of(features: Features, number: str, name: str, placed: Mapping[str, Points]) -> Sequence[Pin]:
    """Give the pins that a landmark may lie on, by what is placed of its own number and of others."""
    owners: dict[str, list[Points]] = {}
    for other, points in placed.items():
        owner, part = _named(other)
        if other != name and part and part != "end":  # a bend lies off the axis
            owners.setdefault(owner, []).append(points)
    reach = REACH_MM / features.film.mm_per_px
    borne = {owner: bearer(features.pins, np.vstack(points), reach) for owner, points in owners.items()}
    if number in borne:
        return [pin for pin in features.pins if pin is borne[number]]
    return [pin for pin in features.pins if all(pin is not other for other in borne.values())]


def _to_place(click: _Click) -> Snapped | None:
    """Go to the nearest place that was found for such a landmark."""
    found = [
        (point, place.u_px)
        for place in click.features.places()
        if place.kind == click.kind and (place.pin is None or any(place.pin is pin for pin in click.pins))
        for point in place.points
    ]
    return _to_nearest(click, found)


def _to_nearest(click: _Click, found: Sequence[tuple[Array, float]]) -> Snapped | None:
    """Go to the nearest point (with its u), unless another may be meant or it is no surer than a click."""
    away = [float(np.hypot(*(point - click.point))) for point, _ in found]
    if not found:
        return None
    point, u_px = found[best := int(np.argmin(away))]
    others = [
        far
        for far, (other, _) in zip(away, found, strict=True)
        if np.hypot(*(other - point)) * click.mm > SAME_MM
    ]
    most_u = MOST_U_MM_OF.get(click.kind, MOST_U_MM)
    if away[best] > CLEARLY * min(others, default=np.inf) or u_px * click.mm > most_u:
        return None
    return click.moved(point, u_px)


def _to_axis(click: _Click) -> Snapped | None:
    """Go to the foot on the nearest pin's axis."""
    feet = [(pin.tip + ((click.point - pin.tip) @ pin.along) * pin.along, pin.u_across) for pin in click.pins]
    return _to_nearest(click, feet)


def _to_arc(click: _Click) -> Snapped | None:
    """Go to the nearest place on the notch's arc, where it was seen."""
    arc = click.features.arc
    if arc is None:
        return None
    ends = arc.points[[0, -1]]
    centre, radius = fit_circle(arc.points)
    way = (click.point - centre) / max(float(np.linalg.norm(click.point - centre)), 1e-9)
    bounds = (ends - centre) / radius
    if min(float(way @ bound) for bound in bounds) < float(bounds[0] @ bounds[1]):  # beyond the arc's ends
        return None
    return click.moved(centre + radius * way, arc.u_px)


def _to_cortex(click: _Click) -> Snapped | None:
    """Go to the bone's outer edge nearest to the click, along the way the film is steepest there."""
    film, mm = click.features.film, click.mm
    half = int(np.ceil(PATCH_MM / mm))
    row, column = (round(part) for part in click.point)
    if not (half < row < film.density.shape[0] - half and half < column < film.density.shape[1] - half):
        return None
    patch = film.density[row - half : row + half + 1, column - half : column + half + 1]
    smooth = cv2.GaussianBlur(patch, (0, 0), BLUR_MM / mm)
    down, right = cv2.Sobel(smooth, cv2.CV_32F, 0, 1), cv2.Sobel(smooth, cv2.CV_32F, 1, 0)
    twice = np.arctan2(2.0 * (down * right).sum(), (down**2 - right**2).sum())
    inward = np.array([np.cos(twice / 2.0), np.sin(twice / 2.0)])  # across the edge, way of steepest rise
    inward *= np.sign((down * inward[0] + right * inward[1]).sum()) or 1.0
    level, _, side = click.kind.partition("_")
    if level == "hole" and click.features.cortices is None:  # the shaft widens there, among other edges
        return None
    if not _is_inward(click.features, side, inward):
        return None
    line = Line(click.point, inward, 0.0)
    reach = PATCH_MM / mm
    strip = cut_strip(film.density, line, 1.2 / mm, 1, (-reach, reach))
    profile = cv2.GaussianBlur(strip.values.mean(axis=1)[None], (0, 0), BLUR_MM / mm)[0]
    slopes = np.gradient(profile)
    places = click.point + (strip.along - reach)[:, None] * inward
    off = _off_line(click.features, side, places)
    inside = (np.abs(strip.along - reach) < REACH_MM / mm) & (np.abs(off) * mm < OFF_LINE_MM)
    slope = np.where(inside, slopes, 0.0)
    best = int(np.argmax(slope))
    noise = float(np.median(np.abs(np.diff(profile)))) + 1e-9
    if not 0 < best < len(slope) - 1 or slope[best] < 2.0 * noise or slope[best] < 1e-4:
        return None
    apart = np.abs(np.arange(len(slope)) - best) * mm > APART_MM
    if slope[apart].max() > RIVAL * slope[best]:
        return None
    low, middle, high = slopes[best - 1 : best + 2]
    if max(low, high) > middle:  # the flank of an edge that lies further
        return None
    place = best + 0.5 * (low - high) / min(low - 2.0 * middle + high, -1e-12) - reach
    return click.moved(click.point + (place - OUTSIDE_MM / mm) * inward, EDGE_U_MM / mm)


def _is_inward(features: Features, side: str, inward: Array) -> bool:
    """Whether an edge runs as a shaft's side does, with the bone on the side where that side has it."""
    if features.heavier is None:
        return True
    return bool(float(inward @ features.heavier) * (1.0 if side in NEAR_SIDES else -1.0) > TURNED)


def _off_line(features: Features, side: str, points: Array) -> Array:
    """How far points (n, 2) lie from that side of the shaft, carried on; 0 where it was not found."""
    if features.cortices is None:
        return np.zeros(len(points))
    ends = features.cortices[side not in NEAR_SIDES]
    way = (ends[1] - ends[0]) / np.linalg.norm(ends[1] - ends[0])
    away = points - ends[0]
    return np.asarray(way[0] * away[:, 1] - way[1] * away[:, 0])


NEAR_SIDES = "dorsal", "ulnar"  # with less tissue beyond
_CORTICES = "shaft_dorsal", "shaft_volar", "shaft_ulnar", "shaft_radial", "hole_dorsal", "hole_volar"
# Where a kind of landmark goes that does not go to the nearest place found. An exit or a far cortex is not
# sent to the pin's axis: that is sure across the pin alone, and what is measured lies along it.
_WAYS: Mapping[str, Callable[[_Click], Snapped | None]] = {
    "straight": _to_axis,
    "joint_arc": _to_arc,
    **dict.fromkeys(_CORTICES, _to_cortex),
}
