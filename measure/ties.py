"""What must lie in the same place on two films: landmarks laid on each other in the earlier bone's frame."""

from __future__ import annotations

import dataclasses
import math
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from measure.geometry import Points, axis_frame, fit_circle, unit
from measure.sites import LandmarkRow, View

Array = NDArray[np.float64]

REFERENCE, MOBILE = "reference", "mobile"  # the fragment that the bone axis belongs to, and the other
ARCS = "arcs"  # of the neighbouring bone; how their centres lie to each other shows the turn
PINS = ("pin1", "pin2")
Depths = Mapping[str, tuple[float, float]]  # each pin's depth off the bone's plane and its uncertainty, mm
ACROSS_VIEWS_U = 0.6  # mm: two views not quite at right angles, 5 degrees of some 7 mm; derived
AXIS_DEPTH_U = 1.0  # mm, of the mid-point between two cortices, whose outlines slide alike; derived
ACROSS = np.array([0.0, 1.0])


@dataclass(frozen=True)
class Placed:
    """A film's landmarks, each (n, 2), and the standard uncertainty of a coordinate of each, mm."""

    points: Mapping[str, Points]
    u: Mapping[str, float]

    def has(self, *names: str) -> bool:
        """Whether all of these landmarks are placed."""
        return all(name in self.points for name in names)


@dataclass(frozen=True)
class Tie:
    """One displacement, measured along one direction. See `Ties`."""

    landmark: str
    body: str
    place: Array
    direction: Array
    shift: float
    u: float
    depth_u: float = 0.0
    slides: str = ""


@dataclass(frozen=True)
class Ties:
    """What must lie in the same place on both films, unless its body moved: k measured displacements.

    In the frame of the earlier film's bone: x along (distally), y across, mm.

    Parameters
    ----------
    landmark, body
        (k,) what was clicked, and what it is fixed to.
    place
        (k, 2) where it lies on the earlier film.
    direction, shift, u
        (k, 2), (k,), (k,): the direction in which its displacement was measured, the displacement, and its
        standard uncertainty.
    depth_u
        (k,) how far off the bone's plane it may lie, as an outline's own error.
    slides
        (k,) the pin on whose axis a place of the bone lies (else empty): it is another place of the bone
        where that pin went sideways.
    """

    landmark: tuple[str, ...]
    body: tuple[str, ...]
    place: Array
    direction: Array
    shift: Array
    u: Array
    depth_u: Array
    slides: tuple[str, ...]

    def __len__(self) -> int:
        return len(self.shift)

    def of(self, body: str) -> NDArray[np.bool_]:
        """(k,): whether each belongs to a body."""
        return np.array([name == body for name in self.body])


@dataclass(frozen=True)
class Pin:
    """A pin on the earlier film.

    Middle and unit vector proximally (2,), its depth and how sure that is, mm, and how steeply it may run off
    the film's plane (rms slope).
    """

    name: str
    middle: Array
    proximal: Array
    depth: float
    depth_u: float
    lean: float


def body_of(landmark: str, view: View) -> str:
    """Name what a landmark is fixed to: a fragment (reference or mobile), a pin, the wire, another bone."""
    part = view.landmark[landmark].part
    if part == "pin":
        return landmark.split("_")[0]
    if part in ("wire", "neighbour"):
        return part
    return REFERENCE if part == view.landmark[view.axis["near"]].part else MOBILE


@dataclass(frozen=True)
class Frame:
    """Lays the points of both films into the earlier bone's frame: x along (distally), y across."""

    origin: Array
    axes: Array
    later_origin: Array
    later_axes: Array

    def first(self, points: Points) -> Points:
        """Points (..., 2) of the earlier film in the frame."""
        return np.asarray((points - self.origin) @ self.axes.T)

    def second(self, points: Points) -> Points:
        """Points (..., 2) of the later film in the frame."""
        return np.asarray((points - self.later_origin) @ self.later_axes.T)


def with_pins_exchanged(film: Placed) -> Placed:
    """Give a film on which pin 1 is called pin 2, and pin 2 pin 1."""
    other = dict(zip(PINS, reversed(PINS), strict=True))

    def renamed(name: str) -> str:
        return other.get(name[:4], name[:4]) + name[4:]

    return Placed(
        {renamed(name): points for name, points in film.points.items()},
        {renamed(name): u for name, u in film.u.items()},
    )


def depths_of(beside: Placed, view: View) -> Depths:
    """Each pin's depth for the view at right angles to this film: from the bone axis to the pin's middle.

    Positive towards the far side of this film's axis. That is the side of the source where the beam comes, as
    is usual, from the radial side (lateral film) or from the volar side (AP film).
    """
    sides = view.axis.get("near", ""), view.axis.get("far", "")
    if not beside.has(*sides):
        return {}
    origin, _, across = axis_frame(*(beside.points[name] for name in sides))
    axis_u = math.hypot(*(beside.u[name] for name in sides)) / 2
    depths = {}
    for pin in PINS:
        ends = f"{pin}_straight", f"{pin}_tip"
        if beside.has(*ends):
            middle = 0.5 * (beside.points[ends[0]][0] + beside.points[ends[1]][0])
            pin_u = math.hypot(*(beside.u[name] for name in ends)) / 2
            depths[pin] = float((middle - origin) @ across), math.hypot(axis_u, pin_u, ACROSS_VIEWS_U)
    return depths


def frame_of(earlier: Placed, later: Placed, view: View) -> Frame | None:
    """Lay both films on each other: by the bone axis, then by the single points that both have.

    None where a film lacks the bone axis. What is left of place and turn is for the fit to find.
    """
    if not view.axis:
        return None
    sides = view.axis["near"], view.axis["far"]
    if not (earlier.has(*sides) and later.has(*sides)):
        return None
    origin, along, across = axis_frame(*(earlier.points[name] for name in sides))
    later_origin, later_along, later_across = axis_frame(*(later.points[name] for name in sides))
    rough = Frame(origin, np.stack([along, across]), later_origin, np.stack([later_along, later_across]))
    names = [
        row.name
        for row in view.landmarks
        if row.tie == "point" and earlier.has(row.name) and later.has(row.name)
    ]
    if len(names) < 2:
        return rough
    a = rough.first(np.array([earlier.points[name][0] for name in names]))
    b = rough.second(np.array([later.points[name][0] for name in names]))
    turn = _turn_between(a, b)
    back = np.array([[np.cos(turn), np.sin(turn)], [-np.sin(turn), np.cos(turn)]])
    shift = (b.mean(axis=0) - back.T @ a.mean(axis=0)) @ rough.later_axes
    return dataclasses.replace(rough, later_axes=back @ rough.later_axes, later_origin=later_origin + shift)


def _turn_between(a: Array, b: Array) -> float:
    """Angle (radians) that turns points a (n, 2) onto b best (Umeyama 1991, without scale)."""
    a, b = a - a.mean(axis=0), b - b.mean(axis=0)
    return float(np.arctan2(np.sum(a[:, 0] * b[:, 1] - a[:, 1] * b[:, 0]), np.sum(a * b)))


def pins_of(earlier: Placed, view: View, frame: Frame, depths: Depths) -> Iterator[Pin]:
    """Give every pin whose straight part is placed.

    One without a depth of its own lies about the bone's plane.
    """
    usual = {row.name.split("_")[0]: row.depth_mm for row in view.landmarks if row.part == "pin"}
    for name, depth_mm in usual.items():
        if earlier.has(f"{name}_straight", f"{name}_tip"):
            straight, tip = (frame.first(earlier.points[f"{name}_{end}"][0]) for end in ("straight", "tip"))
            depth, depth_u = depths.get(name, (0.0, depth_mm))
            yield Pin(name, 0.5 * (straight + tip), unit(straight - tip), depth, depth_u, view.lean)


def ties_of(earlier: Placed, later: Placed, view: View, frame: Frame, pins: Sequence[Pin]) -> Ties:
    """Tie everything that both films show, as the view's table says."""
    rows = [*_axis_ties(earlier, later, view, frame), *_arc_ties(earlier, later, view, frame)]
    placed = {pin.name for pin in pins}
    bodies = {REFERENCE, MOBILE, *placed}
    for row in view.landmarks:
        if (
            row.tie != "none"
            and earlier.has(row.name)
            and later.has(row.name)
            and body_of(row.name, view) in bodies
            and (row.tie != "along pin" or row.name.split("_")[0] in placed)
        ):
            rows += _landmark_ties(row, earlier, later, view, frame)
    return Ties(
        landmark=tuple(row.landmark for row in rows),
        body=tuple(row.body for row in rows),
        place=np.array([row.place for row in rows]),
        direction=np.array([row.direction for row in rows]),
        shift=np.array([row.shift for row in rows]),
        u=np.array([row.u for row in rows]),
        depth_u=np.array([row.depth_u for row in rows]),
        slides=tuple(row.slides for row in rows),
    )


def _landmark_ties(
    row: LandmarkRow, earlier: Placed, later: Placed, view: View, frame: Frame
) -> Iterator[Tie]:
    name, body = row.name, body_of(row.name, view)
    first, second = frame.first(earlier.points[name]), frame.second(later.points[name])
    depth_u = 0.0 if row.part == "pin" else row.depth_mm  # a pin's depth is one for all of it
    if row.tie == "circle":
        (a, spread), (b, later_spread) = centre(first, earlier.u[name]), centre(second, later.u[name])
        variances, directions = np.linalg.eigh(
            spread + later_spread
        )  # along these its errors are independent
        for direction, variance in zip(directions.T, variances, strict=True):
            yield Tie(name, body, a, direction, float((b - a) @ direction), math.sqrt(variance), depth_u)
        return
    u = math.hypot(earlier.u[name], later.u[name])
    directions, slides = np.eye(2), ""
    if row.tie == "across":
        directions = ACROSS[None]
    elif row.tie == "along pin":
        slides = name.split("_")[0]
        straight, tip = (frame.first(earlier.points[f"{slides}_{end}"][0]) for end in ("straight", "tip"))
        directions = unit(straight - tip)[None]
    for direction in directions:
        yield Tie(
            name, body, first[0], direction, float((second[0] - first[0]) @ direction), u, depth_u, slides
        )


def _axis_ties(earlier: Placed, later: Placed, view: View, frame: Frame) -> Iterator[Tie]:
    """Each level of the earlier film's axis must lie on the later film's axis, wherever its levels are."""
    near, far = view.axis["near"], view.axis["far"]
    first = 0.5 * (frame.first(earlier.points[near]) + frame.first(earlier.points[far]))
    second = 0.5 * (frame.second(later.points[near]) + frame.second(later.points[far]))
    u, later_u = (0.5 * math.hypot(film.u[near], film.u[far]) for film in (earlier, later))
    line = np.linalg.pinv(np.column_stack([np.ones(len(second)), second[:, 0]]))  # straight, by least squares
    reach = np.column_stack([np.ones(len(first)), first[:, 0]]) @ line
    shifts = reach @ second[:, 1] - first[:, 1]
    variances = u**2 + later_u**2 * np.sum(reach**2, axis=1)
    for place, shift, variance in zip(first, shifts, variances, strict=True):
        yield Tie(near, REFERENCE, place, ACROSS, float(shift), math.sqrt(variance), AXIS_DEPTH_U)


def _arc_ties(earlier: Placed, later: Placed, view: View, frame: Frame) -> Iterator[Tie]:
    """How far the neighbouring bone's arcs moved against each other, along and across the bone."""
    arcs = view.arcs
    if arcs is None or not (earlier.has(arcs.near, arcs.far) and later.has(arcs.near, arcs.far)):
        return
    offsets, spread = [], np.zeros((2, 2))
    for film, lay in ((earlier, frame.first), (later, frame.second)):
        near, near_spread = centre(lay(film.points[arcs.near]), film.u[arcs.near])
        far, far_spread = centre(lay(film.points[arcs.far]), film.u[arcs.far])
        offsets.append(near - far)
        spread = spread + near_spread + far_spread
    for direction, variance in zip(np.eye(2), np.diag(spread), strict=True):
        shift = float((offsets[1] - offsets[0]) @ direction)
        yield Tie(arcs.near, ARCS, np.zeros(2), direction, shift, math.sqrt(variance), arcs.apart_u_mm)


def centre(points: Points, u: float) -> tuple[Array, Array]:
    """Centre (2,) of the circle through points (n, 2) and its covariance (2, 2), to first order."""
    steps = u * np.eye(points.size).reshape(-1, *points.shape)
    centres, _ = fit_circle(points + np.concatenate([np.zeros_like(steps[:1]), steps, -steps]))
    plus, minus = np.split(centres[1:], 2)
    slopes = 0.5 * (plus - minus)
    return centres[0], slopes.T @ slopes
