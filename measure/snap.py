"""A click moved to what its landmark means: a pin's tip, bend, axis or exit, a cortex, the notch, the ball.

All but the cortex's edge is found on the film before (`find_features`), so that a snap costs no more than
that. Nothing near enough: None, and the click stays where it is.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from functools import partial
from types import MappingProxyType
from typing import TypeVar

import cv2
import numpy as np

from measure.bone import EDGE_U_MM, shaft_cortices
from measure.exits import Crossing, far_crossings, pin_exits
from measure.film import Film
from measure.fracture import EDGES, Edge, fracture_edges
from measure.geometry import Points, fit_circle
from measure.lines import Array, Line
from measure.marker import Marker, find_marker
from measure.notch import Arc, notch_arc
from measure.pin_bend import Bend, pin_bends
from measure.pins import Pin, bearer, find_pins
from measure.prepare import Prepared, prepare
from measure.strip import cut_strip
from measure.wire import Wire, find_wire

REACH_MM = 1.75  # a click further from the feature is meant for something else
PATCH_MM = 2.6  # looked at about a click on a cortex
BLUR_MM = 0.25
# The outline of a round bone lies outside the steepest place of its edge, which a ray first meets where
# the bone is thick enough to show. Median over phantom shafts (tests/validation_metal.py).
OUTSIDE_MM = 0.235
LEAST_U_MM = 0.1  # the fit's own is some ten times too small: bone and wires are no white noise

_Found = TypeVar("_Found")


@dataclass(frozen=True)
class Snapped:
    """Where a click was moved to, (row, column), and the standard uncertainty of each coordinate, pixels."""

    point: tuple[float, float]
    u_px: float


@dataclass(frozen=True)
class Features:
    """What was found on a film, to snap to."""

    film: Prepared
    pins: Sequence[Pin] = ()
    marker: Marker | None = None
    wire: Wire | None = None
    exits: Sequence[Crossing] = ()
    far_cortices: Sequence[Crossing] = ()
    bends: Sequence[Bend] = ()
    arc: Arc | None = None
    edges: Mapping[str, Edge] = field(default_factory=dict)


def find_features(film: Film) -> Features:
    """Find all that a click on a film may snap to."""
    prepared = prepare(film)
    pins, view = find_pins(prepared), film.view or ""
    found = Features(prepared, pins, find_marker(prepared), find_wire(prepared, pins, view))
    if view != "lateral":  # the one view on which these outlines are seen from the side
        return found
    cortices = shaft_cortices(prepared, pins, view)
    far = far_crossings(pins, cortices[1], prepared.mm_per_px) if cortices else ()
    arc = notch_arc(prepared, pins)
    return replace(
        found,
        exits=pin_exits(prepared, pins),
        far_cortices=far,
        bends=pin_bends(prepared, pins),
        arc=arc,
        edges=fracture_edges(prepared, pins, arc),
    )


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
    kind = _KINDS.get(name) or next((how for end, how in _ENDINGS.items() if name.endswith(end)), None)
    if kind in _ENDINGS.values():
        features = replace(features, pins=_pins_of(features, name, placed))
    found = kind(features, np.array(click, dtype=float)) if kind else None
    if found is None or np.hypot(*np.subtract(found.point, click)) * features.film.mm_per_px > REACH_MM:
        return None
    return found


def _pins_of(features: Features, name: str, placed: Mapping[str, Points]) -> Sequence[Pin]:
    """Give the pins that a landmark may lie on, by what is placed of its own number and of others."""
    own = name.partition("_")[0]
    owners: dict[str, list[Points]] = {}
    for other, points in placed.items():
        number, _, part = other.partition("_")
        if other != name and f"_{part}" in _ENDINGS and part != "end":  # a bend lies off the axis
            owners.setdefault(number, []).append(points)
    reach = REACH_MM / features.film.mm_per_px
    borne = {number: bearer(features.pins, np.vstack(points), reach) for number, points in owners.items()}
    if own in borne:
        return [pin for pin in features.pins if pin is borne[own]]
    return [pin for pin in features.pins if all(pin is not other for other in borne.values())]


def _snapped(point: Array, u_px: float, film: Prepared) -> Snapped:
    return Snapped((float(point[0]), float(point[1])), max(u_px, LEAST_U_MM / film.mm_per_px))


def _nearest(click: Array, found: Iterable[_Found], place: Callable[[_Found], Array]) -> _Found | None:
    return min(found, key=lambda one: float(np.hypot(*(place(one) - click))), default=None)


def _tip(features: Features, click: Array) -> Snapped | None:
    pin = _nearest(click, features.pins, lambda one: one.tip)
    return (
        None if pin is None else _snapped(pin.tip, float(np.hypot(pin.u_across, pin.u_along)), features.film)
    )


def _axis(features: Features, click: Array) -> Snapped | None:
    """Foot of the click on the nearest pin's axis."""
    feet = [(pin, pin.tip + ((click - pin.tip) @ pin.along) * pin.along) for pin in features.pins]
    best = _nearest(click, feet, lambda pair: pair[1])
    return None if best is None else _snapped(best[1], best[0].u_across, features.film)


def _end(features: Features, click: Array) -> Snapped | None:
    """Find the outer edge of the nearest bend."""
    own = [one for one in features.bends if any(one.pin is pin for pin in features.pins)]
    best = _nearest(click, own, lambda one: one.end)
    return None if best is None else _snapped(best.end, best.u_px, features.film)


def _exit(features: Features, click: Array) -> Snapped | None:
    """Where the pin leaves the bone, as found; else the foot on its axis."""
    return _crossing(features, features.exits, click) or _axis(features, click)


def _far_cortex(features: Features, click: Array) -> Snapped | None:
    """Where the pin's axis meets the far cortex, as found; else the foot on its axis."""
    return _crossing(features, features.far_cortices, click) or _axis(features, click)


def _crossing(features: Features, found: Sequence[Crossing], click: Array) -> Snapped | None:
    """Find the nearest crossing of a pin that the landmark may lie on, if it is in reach."""
    own = [one for one in found if any(one.pin is pin for pin in features.pins)]
    best = _nearest(click, own, lambda one: one.point)
    if best is None or np.hypot(*(best.point - click)) * features.film.mm_per_px > REACH_MM:
        return None
    return _snapped(best.point, best.u_px, features.film)


def _arc(features: Features, click: Array) -> Snapped | None:
    """Find the nearest place on the notch's arc where it was seen; where it was not, the bone's edge."""
    if features.arc is None:
        return _cortex(features, click)
    ends = features.arc.points[[0, -1]]
    centre, radius = fit_circle(features.arc.points)
    way = (click - centre) / max(float(np.linalg.norm(click - centre)), 1e-9)
    bounds = (ends - centre) / radius
    if min(float(way @ bound) for bound in bounds) < float(bounds[0] @ bounds[1]):  # beyond the arc's ends
        return _cortex(features, click)
    return _snapped(centre + radius * way, features.arc.u_px, features.film)


def _edge(features: Features, click: Array, name: str) -> Snapped | None:
    """Find the fracture's edge of that name, where it was seen."""
    edge = features.edges.get(name)
    return None if edge is None else _snapped(edge.point, edge.u_px, features.film)


def _marker(features: Features, click: Array) -> Snapped | None:
    marker = features.marker
    return None if marker is None else _snapped(marker.centre, 0.1 * marker.u_diameter, features.film)


def _hole(features: Features, click: Array) -> Snapped | None:
    wire = features.wire
    if wire is None or wire.hole is None:
        return None
    return _snapped(wire.hole, wire.u_mm[1] / features.film.mm_per_px, features.film)


def _break(features: Features, click: Array) -> Snapped | None:
    """Find the nearest end of a break in the wire."""
    wire = features.wire
    ends = [end for pair in wire.breaks for end in pair] if wire else []
    best = _nearest(click, ends, lambda end: end)
    if wire is None or best is None:
        return None
    return _snapped(best, wire.u_mm[0] / features.film.mm_per_px, features.film)


def _cortex(features: Features, click: Array) -> Snapped | None:
    """Outer edge of the bone nearest to the click, along the way the film is steepest there."""
    film, mm = features.film, features.film.mm_per_px
    half = int(np.ceil(PATCH_MM / mm))
    row, column = (round(part) for part in click)
    if not (half < row < film.density.shape[0] - half and half < column < film.density.shape[1] - half):
        return None
    patch = film.density[row - half : row + half + 1, column - half : column + half + 1]
    smooth = cv2.GaussianBlur(patch, (0, 0), BLUR_MM / mm)
    down, right = cv2.Sobel(smooth, cv2.CV_32F, 0, 1), cv2.Sobel(smooth, cv2.CV_32F, 1, 0)
    twice = np.arctan2(2.0 * (down * right).sum(), (down**2 - right**2).sum())
    inward = np.array([np.cos(twice / 2.0), np.sin(twice / 2.0)])  # across the edge, way of steepest rise
    inward *= np.sign((down * inward[0] + right * inward[1]).sum()) or 1.0
    line = Line(click, inward, 0.0)
    reach = PATCH_MM / mm
    strip = cut_strip(film.density, line, 1.2 / mm, 1, (-reach, reach))
    profile = cv2.GaussianBlur(strip.values.mean(axis=1)[None], (0, 0), BLUR_MM / mm)[0]
    slope = np.gradient(profile)
    slope[np.abs(strip.along - reach) > REACH_MM / mm] = 0.0
    best = int(np.argmax(slope))
    noise = float(np.median(np.abs(np.diff(profile)))) + 1e-9
    if not 0 < best < len(slope) - 1 or slope[best] < 2.0 * noise or slope[best] < 1e-4:
        return None
    low, middle, high = slope[best - 1 : best + 2]
    place = best + 0.5 * (low - high) / min(low - 2.0 * middle + high, -1e-12) - reach
    return _snapped(click + (place - OUTSIDE_MM / mm) * inward, EDGE_U_MM / mm, film)


def _knot(features: Features, click: Array) -> Snapped | None:
    """Find the nearest twist's foot."""
    wire = features.wire
    feet = [knot.foot for knot in wire.knots if knot.foot is not None] if wire else []
    best = _nearest(click, feet, lambda foot: foot)
    if wire is None or best is None:
        return None
    return _snapped(best, wire.u_mm[2] / features.film.mm_per_px, features.film)


_KINDS: dict[str, Callable[[Features, Array], Snapped | None]] = {
    "marker": _marker,
    "hole": _hole,
    "wire_break": _break,
    **dict.fromkeys(("knot1", "knot2"), _knot),
    "joint_arc": _arc,
    **{name: partial(_edge, name=name) for name in EDGES},
    **dict.fromkeys(
        (
            "shaft_dorsal",
            "shaft_volar",
            "shaft_ulnar",
            "shaft_radial",
            "hole_dorsal",
            "hole_volar",
        ),
        _cortex,
    ),
}
_ENDINGS: dict[str, Callable[[Features, Array], Snapped | None]] = {
    "_tip": _tip,
    "_straight": _axis,
    "_end": _end,
    "_exit": _exit,
    "_far_cortex": _far_cortex,
}
