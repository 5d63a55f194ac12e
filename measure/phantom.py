"""A digital elbow with tension-band wiring: what it is made of, how it is filmed, and the truth.

Frame: the distal fragment's. x runs distally along the ulnar shaft's axis, y volarly, z radially, in
millimetres; the origin lies on the axis at the level of the trochlear notch's centre. For a right elbow
this frame is right-handed; a left elbow is its mirror image. Points are arrays (..., 3); film points are
(..., 2) as (row, col), 0-based at pixel centres.

The bone is an implicit solid: a function that is negative inside. The metal is a set of bent round bars.
Anatomy is invented, sized after published figures: shaft 15 mm, notch radius 11 mm (groove of
the trochlea 17 mm across plus the joint space), olecranon 22 mm wide, dorsal bend 5.7 degrees on average
(Rouleau 2010), pins 1.6 mm, wire 1.0 mm.

Truth comes in two forms, and neither uses `measure.geometry`:

- `landmarks`: where each landmark of the olecranon's site table lies on this film and in space. Outlines
  (cortex, notch, exits) are found as the rays that just touch the solid, so they are where the rendered
  film shows the edge, at any pose.
- `quantities`: each measured value by a plain formula in the distal fragment's frame, as a parallel beam
  at right angles to the shaft would show it: x and y for the lateral film, x and z for the AP film. None
  depends on the pose. A film agrees with them where it is not rotated or tilted and the landmarks lie in
  the bone's plane; metal off that plane (the pins, the knots) is magnified by its own depth, about 0.1 %
  per millimetre. Under rotation or tilt every one of them looks different; step, spacing and pin angles
  most, which is what the comparison of films has to bear.
"""

from __future__ import annotations

from collections.abc import Callable, Hashable
from dataclasses import dataclass, field
from functools import lru_cache, partial, update_wrapper
from typing import Literal, TypeVar

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]
Solid = Callable[[Array], Array]
Segments = dict[str, tuple[Array, Array]]
Invention = TypeVar("Invention", bound=Hashable)
View = Literal["lateral", "ap"]
Side = Literal["R", "L"]

SHAFT_LEVELS = (69.0, 92.0)  # x of the two levels of the shaft's axis, distal to the longest pin
_FAR = 400.0  # mm along a pin's axis within which the far cortex is sought


@dataclass(frozen=True)
class Anatomy:
    """The intact bones, in mm and degrees. Half-widths are from the centre line of the ulna."""

    notch_radius: float = 11.0
    notch_floor: float = 2.0  # volar of the centre line
    notch_ridge: float = 0.012  # 1/mm: the notch is deeper beside its middle ridge by this times z squared
    shaft_dorsal: float = 7.5
    shaft_volar: float = 7.5
    shaft_side: float = 6.8
    olecranon_dorsal: float = 8.0
    olecranon_volar: float = 14.0
    olecranon_side: float = 11.0
    tip: float = -23.0  # x of the olecranon's proximal end
    bend: float = 3.0  # dorsal angulation of the proximal ulna, apex dorsal
    bend_apex: float = 25.0  # its x
    cortex: float = 3.0  # thickness in the shaft
    fracture_at: float = 10.0  # where the fracture meets the notch: degrees proximal of the notch's floor
    fracture_slant: float = 10.0  # degrees: positive where the line runs distally as it goes dorsally
    fracture_wave: float = 0.4  # mm by which the margin waves about the straight line
    grain: int = 1  # seed of the bone's and soft tissue's texture, the same on all films of a limb


@dataclass(frozen=True)
class Displacement:
    """Where the proximal fragment lies, by the place of its articular edge and its turn about that edge.

    gap, step and shift in mm, the rest in degrees. gap is along the notch's arc, positive apart; step is
    positive where the fragment stands proud into the joint; opening is positive where it gapes dorsally;
    shift is radial; yaw is about y (positive opens the ulnar side) and roll about x.
    """

    gap: float = 0.3
    step: float = 0.0
    opening: float = 0.0
    shift: float = 0.0
    yaw: float = 0.0
    roll: float = 0.0


@dataclass(frozen=True)
class Pin:
    """A bent pin. Its axis crosses the level x = 0 at (y, z); angles and lengths as at the operation."""

    y: float
    z: float
    volar_angle: float = 6.0  # degrees to the shaft's axis in the x-y plane, positive volarly
    radial_angle: float = 0.0  # degrees in the x-z plane, positive radially
    bend_at: float = -24.5  # x where the straight part ends proximally, before any back-out
    length: float = 78.0  # mm of the straight part, tip included
    diameter: float = 1.6
    tip: Literal["trocar", "round"] = "trocar"
    bend_radius: float = 2.6  # mm, of the centre line
    bend_angle: float = 165.0
    hook: float = 5.0  # mm of the straight end after the bend
    hook_roll: float = 0.0  # degrees about the pin's axis; at 0 the hook turns volarly, positive radially
    back_out: float = 0.0  # mm the whole pin has moved proximally along its axis since the operation


@dataclass(frozen=True)
class Wire:
    """A figure-of-eight wire in mm. The hole runs along z; each limb has a twist knot."""

    diameter: float = 1.0
    hole_distance: float = 40.0  # along the axis, from the line between the distal fragment's fracture edges
    hole_depth: float = 0.35  # share of the shaft's width, 0 at the dorsal cortex
    hole_diameter: float = 2.0
    crossing: float = 13.0  # x where the limbs cross dorsally
    knots: tuple[float, float] = (22.0, 16.0)  # mm proximal of the hole: radial limb, ulnar limb
    knot_length: float = 7.0
    slack: float = 0.3  # mm between the proximal loop's wire and the bone
    break_length: float = 0.0  # mm; the break lies in the radial limb between knot and hole


@dataclass(frozen=True)
class Fixation:
    """The metal: two pins, 1 and 2, and a wire (or none)."""

    pins: tuple[Pin, ...] = (Pin(y=1.2, z=3.6, radial_angle=0.8), Pin(y=0.2, z=-3.6, volar_angle=6.8))
    wire: Wire | None = Wire()


@dataclass(frozen=True)
class Marker:
    """A steel ball. across: (col, row) mm from the central ray; height: mm above the bone's plane."""

    diameter: float = 25.0
    across: tuple[float, float] = (30.0, -38.0)
    height: float = 0.0


@dataclass(frozen=True)
class Pose:
    """How the limb lies in a cone beam from a point source.

    Without turns a lateral film of a right elbow has distal to the right and volar up, with the beam from
    the radial side; an AP film has distal down and radial to the left, with the beam from the volar side.
    A left elbow is mirrored in the columns. Turns in degrees, done in this order: rotation about the
    shaft's axis (x, right-handed), tilt (the shaft's distal end lifts towards the source), in_plane
    (clockwise as seen on the film).
    """

    view: View = "lateral"
    side: Side = "R"
    rotation: float = 0.0
    tilt: float = 0.0
    in_plane: float = 0.0
    flexion: float = 90.0  # of the elbow, degrees
    source_detector: float = 1100.0  # mm
    magnification: float = 1.10  # at the bone's plane, that of `aim`
    aim: tuple[float, float, float] = (31.0, 0.0, 0.0)
    offset: tuple[float, float] = (0.0, 0.0)  # mm (col, row) of `aim` from the central ray, at its plane
    pitch: tuple[float, float] = (0.15, 0.15)  # mm (row, col) on the detector
    shape: tuple[int, int] = (900, 1100)

    @property
    def source_object(self) -> float:
        """Distance from the source to the bone's plane, mm."""
        return self.source_detector / self.magnification

    @property
    def bone_scale(self) -> tuple[float, float]:
        """Millimetres at the bone's plane per pixel, (row, col)."""
        return self.pitch[0] / self.magnification, self.pitch[1] / self.magnification

    @property
    def matrix(self) -> Array:
        """(3, 3): from the distal fragment's frame to the film's (col, row, away from the source).

        Its determinant is -1 for a left elbow, whose frame is left-handed.
        """
        if self.view == "lateral":
            view, lift = np.array([[1.0, 0, 0], [0, -1, 0], [0, 0, -1]]), _turn(1, -self.tilt)
        else:
            view, lift = np.array([[0.0, 0, -1], [1, 0, 0], [0, -1, 0]]), _turn(2, self.tilt)
        mirror = np.diag([-1.0 if self.side == "L" else 1.0, 1.0, 1.0])
        turned: Array = _turn(2, self.in_plane) @ mirror @ view @ lift @ _turn(0, self.rotation)
        return turned

    @property
    def shift(self) -> Array:
        """(3,): what is added after `matrix`, so that the source is at the origin. Mm."""
        return np.asarray(np.array([*self.offset, self.source_object]) - self.matrix @ np.array(self.aim))

    @property
    def source(self) -> Array:
        """(3,): the source in the distal fragment's frame, mm."""
        return np.asarray(-self.matrix.T @ self.shift)

    @property
    def centre(self) -> Array:
        """(2,): where the central ray meets the film, (row, col)."""
        return (np.array(self.shape) - 1.0) / 2.0


@dataclass(frozen=True)
class Exposure:
    """What the beam and the detector do to the film; see `phantom_film.render`."""

    photons: float = 4000.0  # per pixel in the open beam
    blur: float = 0.12  # mm on the detector, standard deviation of a Gaussian point spread
    scatter: float = 0.25  # scattered over primary, averaged over the film
    texture: float = 1.0  # strength of trabecular and soft-tissue texture; 0 for none
    curve: Literal["log", "sigmoid"] = "log"
    saturated: bool = False  # the metal's top clipped flat
    monochrome: Literal[1, 2] = 2
    collimation: float | None = 6.0  # mm of the detector shut off at each side
    shutter: bool = True  # what is shut off is shown black, as if cut away, not white
    letter: bool = True  # lead side letter
    kvp: float = 55.0
    steel: float = 1.4  # attenuation of the metal at the beam's one effective energy, 1/mm; no source


@dataclass(frozen=True)
class Case:
    """One film's whole invention."""

    anatomy: Anatomy = Anatomy()
    displacement: Displacement = Displacement()
    fixation: Fixation = field(default_factory=Fixation)
    pose: Pose = Pose()
    exposure: Exposure = Exposure()
    marker: Marker | None = None
    filled: float = 0.0  # share of the bone beside it that has grown into the fracture gap


@dataclass(frozen=True)
class Landmark:
    """film: (n, 2) as (row, col); space: (n, 3) in the distal fragment's frame, mm."""

    film: Array
    space: Array


@dataclass(frozen=True)
class Bar:
    """A round bar of metal along a polyline (n, 3), mm. The first point is the tip where it has one."""

    name: str
    points: Array
    diameter: float
    tip: Literal["trocar", "round", "flat"] = "flat"


# ---------------------------------------------------------------------------------------------- projection


def _turn(axis: int, degrees: float) -> Array:
    """(3, 3): right-handed turn about a coordinate axis."""
    cosine, sine = np.cos(np.radians(degrees)), np.sin(np.radians(degrees))
    one, two = (axis + 1) % 3, (axis + 2) % 3
    turn = np.eye(3)
    turn[[one, two], [one, two]] = cosine
    turn[one, two], turn[two, one] = -sine, sine
    return turn


def to_camera(points: Array, pose: Pose) -> Array:
    """Points (..., 3) of the distal fragment's frame as (col, row, depth from the source), mm."""
    return np.asarray(points, dtype=float) @ pose.matrix.T + pose.shift


def project(points: Array, pose: Pose) -> Array:
    """Film points (..., 2) as (row, col) of points (..., 3) in the distal fragment's frame."""
    camera = to_camera(points, pose)
    on_detector = camera[..., 1::-1] / camera[..., 2:] * pose.source_detector
    return np.asarray(pose.centre + on_detector / np.array(pose.pitch))


def ray_directions(film: Array, pose: Pose) -> Array:
    """Give unit vectors (..., 3) from the source through film points (..., 2), in the distal frame."""
    on_detector = (np.asarray(film, dtype=float) - pose.centre) * np.array(pose.pitch)
    distance = np.full((*on_detector.shape[:-1], 1), pose.source_detector)
    rays = np.concatenate([on_detector[..., ::-1], distance], axis=-1) @ pose.matrix
    unit: Array = rays / np.linalg.norm(rays, axis=-1, keepdims=True)
    return unit


# ---------------------------------------------------------------------------------------- the ulna's shape


def _kept(place: Callable[[Invention], Array]) -> Callable[[Invention], Array]:
    """Remember the last places worked out, read-only: each is asked for many times for one film."""

    def read_only(invention: Invention) -> Array:
        found = place(invention)
        found.setflags(write=False)
        return found

    kept: Callable[[Invention], Array] = update_wrapper(lru_cache(maxsize=8)(read_only), place)
    return kept


def blend(x: Array, start: float, stop: float) -> Array:
    """0 before start, 1 after stop, smooth (Hermite) between."""
    share = np.minimum(np.maximum((x - start) / (stop - start), 0.0), 1.0)
    blended: Array = share * share * (3.0 - 2.0 * share)
    return blended


def centre_line(x: Array | float, anatomy: Anatomy) -> Array:
    """Give the y of the ulna's centre line at x: zero in the shaft, bent volarly further proximally."""
    run, half = np.asarray(anatomy.bend_apex - x), 8.0
    inside = np.minimum(np.maximum(run + half, 0.0), 2.0 * half)
    slope = float(np.tan(np.radians(anatomy.bend)))
    shift: Array = slope * (inside * inside / (4.0 * half) + np.maximum(run - half, 0.0))
    return shift


def half_widths(x: Array | float, anatomy: Anatomy) -> tuple[Array, Array, Array]:
    """Dorsal, volar and side half-widths at x, mm, before the notch is cut."""
    x = np.asarray(x)
    shaft, coronoid = blend(x, 8.0, 40.0), blend(x, 13.0, 36.0)
    dorsal = anatomy.olecranon_dorsal + (anatomy.shaft_dorsal - anatomy.olecranon_dorsal) * shaft
    end = 1.0 - blend(x, anatomy.tip - 3.0, anatomy.tip + 13.0)  # rounds the olecranon's corners
    volar = anatomy.olecranon_volar - 5.0 * end + (anatomy.shaft_volar - anatomy.olecranon_volar) * coronoid
    side = anatomy.olecranon_side - 3.0 * end + (anatomy.shaft_side - anatomy.olecranon_side) * shaft
    return dorsal, volar, side


@_kept
def notch_centre(anatomy: Anatomy) -> Array:
    """(3,): the centre of the notch's middle ridge."""
    return np.array([0.0, anatomy.notch_floor + anatomy.notch_radius + float(centre_line(0.0, anatomy)), 0.0])


def tube_depth(x: Array, y: Array, z: Array, anatomy: Anatomy) -> Array:
    """Radial distance (...) from the ulna's outside, negative inside; the notch is not cut."""
    dorsal, volar, side = half_widths(x, anatomy)
    across = y - centre_line(x, anatomy)
    out = np.sqrt(across * across + z * z) + 1e-9
    # Each section is two half ellipses that meet at the widest place, without a corner.
    deep, wide = across / np.where(across < 0, dorsal, volar), z / side
    depth: Array = out - out / (np.sqrt(deep * deep + wide * wide) + 1e-12)
    return depth


def notch_depth(x: Array, y: Array, z: Array, anatomy: Anatomy) -> Array:
    """Distance (...) into the joint from the notch's surface, negative in the bone."""
    rise = y - float(notch_centre(anatomy)[1])
    depth: Array = anatomy.notch_radius + anatomy.notch_ridge * z * z - np.sqrt(x * x + rise * rise)
    return depth


def cap(y: Array | float, z: Array | float, anatomy: Anatomy) -> Array:
    """Give the x of the olecranon's proximal end at (y, z)."""
    rise = y - float(centre_line(anatomy.tip, anatomy)) + 1.0
    square = z * z
    return np.asarray(anatomy.tip + 0.022 * rise * rise + (0.012 + 0.0005 * square) * square)


def ulna(points: Array, anatomy: Anatomy) -> Array:
    """Depth in the whole ulna, not broken: (...) for points (..., 3), negative inside, about mm."""
    x, y, z = points[..., 0], points[..., 1], points[..., 2]
    joint = np.maximum(notch_depth(x, y, z, anatomy), cap(y, z, anatomy) - x)
    depth: Array = np.maximum(tube_depth(x, y, z, anatomy), joint)
    return depth


def fracture(y: Array | float, anatomy: Anatomy) -> Array:
    """Give the x of the fracture surface at y (it contains z)."""
    edge = articular_edge(anatomy)
    run = float(edge[1]) - np.asarray(y)
    turn = run / 6.0 - 2.0 * np.floor(run / 12.0 + 0.5)
    wave = 4.0 * turn * (1.0 - np.abs(turn))  # nearly a sine
    slant = float(np.tan(np.radians(anatomy.fracture_slant)))
    return np.asarray(float(edge[0]) + slant * run + anatomy.fracture_wave * wave)


def around_notch(degrees: Array | float, anatomy: Anatomy, radius: Array | float | None = None) -> Array:
    """Points (..., 3) about the notch's centre, at z = 0; degrees proximal of the notch's floor."""
    angle = np.radians(degrees)
    away = anatomy.notch_radius if radius is None else radius
    out = np.stack([-np.sin(angle) * away, -np.cos(angle) * away, np.zeros_like(angle * away)], axis=-1)
    around: Array = notch_centre(anatomy) + out
    return around


@_kept
def articular_edge(anatomy: Anatomy) -> Array:
    """(3,): where the fracture meets the notch's ridge."""
    return around_notch(anatomy.fracture_at, anatomy)


@_kept
def dorsal_edge(anatomy: Anatomy) -> Array:
    """(3,): where the fracture meets the dorsal outline, at z = 0."""
    x = 0.0
    for _ in range(12):  # the outline is nearly level, so this settles at once
        y = float(centre_line(x, anatomy) - half_widths(x, anatomy)[0])
        x = float(fracture(y, anatomy))
    return np.array([x, y, 0.0])


@_kept
def side_edges(anatomy: Anatomy) -> Array:
    """(2, 3): where the fracture meets the ulnar and the radial outline, at the widest place."""
    x = 0.0
    for _ in range(12):
        y = float(centre_line(x, anatomy))
        x = float(fracture(y, anatomy))
    side = float(half_widths(x, anatomy)[2])
    return np.array([[x, y, -side], [x, y, side]])


def margin(shares: Array, anatomy: Anatomy) -> Array:
    """Points (n, 3) along the fracture at z = 0; share 0 at the joint, 1 at the dorsal cortex."""
    y = articular_edge(anatomy)[1] + shares * (dorsal_edge(anatomy)[1] - articular_edge(anatomy)[1])
    return np.stack([fracture(y, anatomy), y, np.zeros_like(y)], axis=-1)


@dataclass(frozen=True)
class Motion:
    """A rigid motion: turn (3, 3), then shift (3,), mm."""

    turn: Array
    shift: Array

    def forward(self, points: Array) -> Array:
        """Points (..., 3) of the proximal fragment before the fracture moved it, where they are now."""
        return np.asarray(points) @ self.turn.T + self.shift

    def back(self, points: Array) -> Array:
        """Undo `forward`."""
        return (np.asarray(points) - self.shift) @ self.turn


def motion(case: Case) -> Motion:
    """How the proximal fragment has moved from its place in the intact bone."""
    moved, anatomy = case.displacement, case.anatomy
    turn = _turn(2, -moved.opening) @ _turn(1, moved.yaw) @ _turn(0, moved.roll)
    angle = anatomy.fracture_at + np.degrees(moved.gap / anatomy.notch_radius)
    place = around_notch(angle, anatomy, anatomy.notch_radius - moved.step) + np.array(
        [0.0, 0.0, moved.shift]
    )
    return Motion(turn, place - turn @ articular_edge(anatomy))


# -------------------------------------------------------------------------------------------------- metal


@dataclass(frozen=True)
class PinPlaces:
    """A pin's places in space, (3,) each, mm. along is the unit vector from bend to tip."""

    tip: Array
    straight: Array
    end: Array
    along: Array
    aside: Array


def pin_places(pin: Pin) -> PinPlaces:
    """Where a pin's tip, straight end and outermost bend are, after its back-out."""
    slope = np.array([1.0, np.tan(np.radians(pin.volar_angle)), np.tan(np.radians(pin.radial_angle))])
    along = slope / np.linalg.norm(slope)
    straight = np.array([0.0, pin.y, pin.z]) + slope * pin.bend_at - along * pin.back_out
    volar = np.array([0.0, 1.0, 0.0]) - along * along[1]
    volar /= np.linalg.norm(volar)
    roll = np.radians(pin.hook_roll)
    aside = np.cos(roll) * volar + np.sin(roll) * np.cross(along, volar)
    end = straight - along * (pin.bend_radius + pin.diameter / 2.0) + aside * pin.bend_radius
    return PinPlaces(straight + along * pin.length, straight, end, along, aside)


def _pin_bar(name: str, pin: Pin) -> Bar:
    """Build the pin from tip to hook end."""
    places = pin_places(pin)
    angles = np.radians(np.linspace(0.0, pin.bend_angle, 25))[:, None]
    centre = places.straight + places.aside * pin.bend_radius
    bend = centre - pin.bend_radius * (np.cos(angles) * places.aside + np.sin(angles) * places.along)
    last = np.sin(angles[-1]) * places.aside - np.cos(angles[-1]) * places.along
    points = np.vstack([places.tip, bend, bend[-1] + last * pin.hook])
    return Bar(name, points, pin.diameter, pin.tip)


def _smooth(controls: Array, step: float = 0.3, closed: bool = False) -> Array:
    """Centripetal Catmull-Rom curve (m, 3) through controls (n, 3), points about `step` mm apart."""
    if closed:
        controls = np.vstack([controls[-1], controls, controls[:2]])
    else:
        controls = np.vstack([2 * controls[0] - controls[1], controls, 2 * controls[-1] - controls[-2]])
    pieces = []
    for p0, p1, p2, p3 in zip(controls, controls[1:], controls[2:], controls[3:], strict=False):
        t1 = np.sqrt(np.linalg.norm(p1 - p0))
        t2 = t1 + np.sqrt(np.linalg.norm(p2 - p1))
        t3 = t2 + np.sqrt(np.linalg.norm(p3 - p2))
        count = max(2, round(np.linalg.norm(p2 - p1) / step))
        t = np.linspace(t1, t2, count, endpoint=False)[:, None]
        a1, a2, a3 = (
            (t1 - t) / t1 * p0 + t / t1 * p1,
            (t2 - t) / (t2 - t1) * p1 + (t - t1) / (t2 - t1) * p2,
            (t3 - t) / (t3 - t2) * p2 + (t - t2) / (t3 - t2) * p3,
        )
        b1, b2 = (t2 - t) / t2 * a1 + t / t2 * a2, (t3 - t) / (t3 - t1) * a2 + (t - t1) / (t3 - t1) * a3
        pieces.append((t2 - t) / (t2 - t1) * b1 + (t - t1) / (t2 - t1) * b2)
    return np.vstack([*pieces, controls[-2]])


def _on_surface(x: float, degrees: float, lift: float, anatomy: Anatomy) -> Array:
    """Give a point `lift` mm off the ulna's outside: degrees from volar towards radial, 180 dorsal."""
    dorsal, volar, side = half_widths(x, anatomy)
    cosine, sine = np.cos(np.radians(degrees)), np.sin(np.radians(degrees))
    radial = np.array([0.0, (dorsal if cosine < 0 else volar) * cosine, side * sine])
    radial *= 1.0 + lift / np.linalg.norm(radial)
    return np.asarray(np.array([x, float(centre_line(x, anatomy)), 0.0]) + radial)


@_kept
def hole_place(case: Case) -> Array:
    """(3,): the middle of the drill hole."""
    wire, anatomy = case.fixation.wire or Wire(), case.anatomy
    first, second = articular_edge(anatomy), dorsal_edge(anatomy)
    slope = (second[0] - first[0]) / (second[1] - first[1])
    x, y = wire.hole_distance, 0.0
    for _ in range(12):  # the shaft's width hardly changes here
        dorsal, volar, _ = half_widths(x, anatomy)
        y = float(centre_line(x, anatomy) - dorsal + wire.hole_depth * (dorsal + volar))
        x = wire.hole_distance + first[0] + slope * (y - first[1])
    return np.array([x, y, 0.0])


@dataclass(frozen=True)
class WirePlaces:
    """The wire's places in space, mm: its pieces (each (n, 3)), knots' feet, loop, seat and break's ends."""

    pieces: tuple[Array, ...]
    knots: Array
    loop: Array
    seat: Array
    break_ends: Array | None


def _distal_limb(case: Case, wire: Wire, sign: float) -> list[Array]:
    """From the hole's mouth on one side to just before the dorsal crossing. sign: +1 radial, -1 ulnar."""
    anatomy, hole = case.anatomy, hole_place(case)
    lift = wire.diameter / 2.0 + 0.3
    dorsal, _, side = (float(width) for width in half_widths(hole[0], anatomy))
    mouth = side * np.sqrt(1.0 - ((hole[1] - float(centre_line(hole[0], anatomy))) / dorsal) ** 2)
    # The two limbs run at different heights, as real ones do, so that a lateral film shows both.
    lead, knot = (9.0, wire.knots[0]) if sign > 0 else (4.0, wire.knots[1])
    level = np.degrees(np.arccos(np.clip((hole[1] - float(centre_line(hole[0], anatomy))) / dorsal, -1, 1)))
    return [
        hole + np.array([0.0, 0.0, sign * (mouth - 1.0)]),
        hole + np.array([-1.0, -0.2, sign * (mouth + lift)]),
        _on_surface(hole[0] - lead, sign * (level + (18.0 if sign > 0 else 22.0)), lift, anatomy),
        _on_surface(hole[0] - knot, sign * (158.0 if sign > 0 else 150.0), lift + 0.2, anatomy),
    ]


def _proximal_limb(case: Case, wire: Wire, sign: float) -> list[Array]:
    """From just proximal of the crossing to the loop's side, on the proximal fragment."""
    anatomy, lift = case.anatomy, wire.diameter / 2.0 + 0.3
    pins = [pin_places(pin) for pin in case.fixation.pins]
    heights = [p.straight[1] for p in pins] or [0.0]
    reach = max([abs(p.straight[2]) for p in pins] or [3.0])
    away = lift + wire.slack
    corner = float(centre_line(anatomy.tip, anatomy)) - anatomy.olecranon_dorsal
    middle = float(np.mean(heights))
    local = [
        _on_surface(-8.0, sign * 155.0, lift, anatomy),
        _on_surface(anatomy.tip + 6.0, sign * 152.0, lift, anatomy),
        np.array([cap(corner + 2.0, 0.0, anatomy) - lift * 0.6, corner + 1.2, sign * (reach + 1.8)]),
        np.array([cap(middle, reach, anatomy) - away, middle, sign * (reach + 1.5)]),
        np.array([cap(middle + 1.8, 2.0, anatomy) - away, max(heights) + 1.8, sign * 0.6 * reach]),
    ]
    return list(motion(case).forward(np.array(local)))


@lru_cache(maxsize=8)
def wire_places(case: Case) -> WirePlaces:
    """Lay the course of the figure-of-eight wire. Raises ValueError where the fixation has none."""
    wire = case.fixation.wire
    if wire is None:
        raise ValueError("The fixation has no wire. Give it one, or do not ask for the wire's places.")
    anatomy, move = case.anatomy, motion(case)
    radial, ulnar = _distal_limb(case, wire, 1.0), _distal_limb(case, wire, -1.0)
    up_ulnar, up_radial = _proximal_limb(case, wire, -1.0), _proximal_limb(case, wire, 1.0)
    lift = wire.diameter / 2.0 + 0.3
    under = _on_surface(wire.crossing, 180.0, lift, anatomy)
    over = _on_surface(wire.crossing, 180.0, lift + 1.15 * wire.diameter, anatomy)
    height = max([pin_places(pin).straight[1] for pin in case.fixation.pins] or [0.0]) + 1.9
    away = wire.diameter / 2.0 + wire.slack
    apex = np.array([float(cap(height, 0.0, anatomy)), height, 0.0])
    outward = _cap_normal(apex, anatomy)
    hole = hole_place(case)
    controls = [
        hole,
        *radial,
        under,
        *up_ulnar,
        move.forward(apex + outward * away),
        *up_radial[::-1],
        over,
        *ulnar[::-1],
    ]
    curve = _smooth(np.array(controls), closed=True)
    knots = np.array([radial[-1], ulnar[-1]])
    break_ends, pieces = _broken(curve, (radial[1], radial[2]), wire.break_length)
    return WirePlaces(pieces, knots, move.forward(apex + outward * away), move.forward(apex), break_ends)


def _cap_normal(place: Array, anatomy: Anatomy) -> Array:
    """(3,): the olecranon's outward normal at a place on its proximal end with z = 0."""
    slope = (cap(place[1] + 1e-4, 0.0, anatomy) - cap(place[1] - 1e-4, 0.0, anatomy)) / 2e-4
    return np.array([-1.0, float(slope), 0.0]) / np.hypot(1.0, slope)


def _broken(
    curve: Array, between: tuple[Array, Array], length: float
) -> tuple[Array | None, tuple[Array, ...]]:
    """Take a stretch out of the closed curve (n, 3), half-way between two of its places."""
    if length <= 0:
        return None, (curve,)
    start, stop = (int(np.argmin(np.linalg.norm(curve - place, axis=1))) for place in between)
    middle = (start + stop) // 2
    away = np.linalg.norm(curve - curve[middle], axis=1)
    before = middle - int(np.argmax(away[middle::-1] >= length / 2.0))
    after = middle + int(np.argmax(away[middle:] >= length / 2.0))
    half = length / 2.0
    ends = np.array(
        [
            _at_distance(curve, before, curve[middle], half, 1),
            _at_distance(curve, after, curve[middle], half, -1),
        ]
    )
    open_curve = np.vstack([ends[1], curve[after:-1], curve[: before + 1], ends[0]])
    return ends, (open_curve,)


def _at_distance(curve: Array, index: int, centre: Array, distance: float, inward: int) -> Array:
    """Give the point between curve[index] and its inner neighbour that lies `distance` from the centre."""
    outer, inner = curve[index], curve[index + inward]
    far, near = np.linalg.norm(outer - centre), np.linalg.norm(inner - centre)
    point: Array = inner + (outer - inner) * (distance - near) / (far - near)
    return point


def _knot_bars(places: WirePlaces, wire: Wire) -> list[Bar]:
    """Each twist: a pair of helices from its foot, dorsally outwards and proximally."""
    turns = np.linspace(0.0, 2.0 * np.pi * wire.knot_length / 2.4, 90)[:, None]
    bars = []
    for index, (foot, sign) in enumerate(zip(places.knots, (1.0, -1.0), strict=True), start=1):
        along = np.array([-0.8, -0.3, 0.5]) if sign > 0 else np.array([-0.3, -0.75, -0.6])
        along /= np.linalg.norm(along)
        first = np.cross(along, [0.0, 0.0, 1.0])
        first /= np.linalg.norm(first)
        second = np.cross(along, first)
        axis = foot + along * turns / turns[-1] * wire.knot_length
        for phase in (0.0, np.pi):
            around = np.cos(turns + phase) * first + np.sin(turns + phase) * second
            bars.append(Bar(f"knot{index}", axis + around * wire.diameter * 0.52, wire.diameter))
    return bars


def metal(case: Case) -> list[Bar]:
    """Every bar of metal in the limb, in the distal fragment's frame."""
    bars = [_pin_bar(f"pin{number}", pin) for number, pin in enumerate(case.fixation.pins, start=1)]
    wire = case.fixation.wire
    if wire is not None:
        places = wire_places(case)
        bars += [Bar("wire", piece, wire.diameter) for piece in places.pieces]
        bars += _knot_bars(places, wire)
    return bars


# ------------------------------------------------------------------------------------- outlines on the film


def _least_on_rays(solid: Solid, rays: Array, source: Array, about: Array) -> tuple[Array, Array]:
    """Find the least value (n,) of a solid along unit rays (n, 3) from the source, and where (n, 3).

    Looks within 16 mm of the place on each ray that is nearest to `about` (n, 3).
    """
    middle, half = np.sum((about - source) * rays, axis=-1), 16.0
    for _ in range(3):
        depths = middle[:, None] + np.linspace(-half, half, 25)
        places = source + depths[..., None] * rays[:, None, :]
        values = solid(places)
        best = np.argmin(values, axis=1)[:, None]
        middle, half = np.take_along_axis(depths, best, 1)[:, 0], half / 10.0
    return (
        np.take_along_axis(values, best, 1)[:, 0],
        np.take_along_axis(places, best[..., None], 1)[:, 0],
    )


def outlines(solid: Solid, segments: Segments, pose: Pose) -> dict[str, Landmark]:
    """Find where the solid's outline crosses the film images of segments in space.

    segments: by name, the starts (n, 3) and stops (n, 3); of each pair one must be seen on the solid and
    the other beside it, ValueError where not. The space of what is found is where the ray touches.
    """
    start = np.vstack([ends[0] for ends in segments.values()])
    stop = np.vstack([ends[1] for ends in segments.values()])
    source, first, last = pose.source, project(start, pose), project(stop, pose)
    low, high = np.zeros(len(first)), np.ones(len(first))

    def look(share: Array) -> tuple[Array, Array]:
        film = first + share[:, None] * (last - first)
        about = start + share[:, None] * (stop - start)
        return _least_on_rays(solid, ray_directions(film, pose), source, about)

    on_start = look(low)[0] < 0
    if np.any(on_start == (look(high)[0] < 0)):
        missed = np.flatnonzero(on_start == (look(high)[0] < 0))
        raise ValueError(f"Segments {missed.tolist()} of {list(segments)} do not cross the bone's outline.")
    for _ in range(20):
        middle = (low + high) / 2.0
        value, place = look(middle)
        same = (value < 0) == on_start
        low, high = np.where(same, middle, low), np.where(same, high, middle)
    film = first + middle[:, None] * (last - first)
    cuts = np.cumsum([len(ends[0]) for ends in segments.values()])[:-1]
    pieces = zip(np.split(film, cuts), np.split(place, cuts), strict=True)
    return {name: Landmark(*piece) for name, piece in zip(segments, pieces, strict=True)}


def _across(places: Array, pose: Pose) -> Array:
    """Give unit vectors (n, 3), in space, seen at right angles to the shaft's axis at each place (n, 3).

    They point towards +y on a lateral film and towards +z on an AP film.
    """
    beam = ray_directions(project(places, pose), pose)
    across = np.cross(beam, [1.0, 0.0, 0.0])
    across /= np.linalg.norm(across, axis=-1, keepdims=True)
    wanted = np.array([0.0, 1.0, 0.0] if pose.view == "lateral" else [0.0, 0.0, 1.0])
    across *= np.sign(across @ wanted)[:, None]
    return across


# --------------------------------------------------------------------------------------------------- truth


def pin_exit(pin: Pin, case: Case) -> Array:
    """(3,): where the pin's axis, seen along z, crosses the olecranon's outline; z is the axis's own."""
    places, move, anatomy = pin_places(pin), motion(case), case.anatomy

    def outside(away: float) -> float:
        x, y, _ = places.straight + places.along * away
        x, y, _ = move.back(np.array([x, y, case.displacement.shift]))
        dorsal = centre_line(x, anatomy) - half_widths(x, anatomy)[0]
        return float(max(cap(y, 0.0, anatomy) - x, dorsal - y))

    return places.straight + places.along * _root(outside, -20.0, 25.0)


def pin_far_cortex(pin: Pin, case: Case) -> Array:
    """(3,): where the pin's axis, prolonged, crosses the volar outline seen along z; z is the axis's own."""
    places, anatomy = pin_places(pin), case.anatomy

    def outside(away: float) -> float:
        place = places.straight + places.along * away
        return float(place[1] - centre_line(place[0], anatomy) - half_widths(place[0], anatomy)[1])

    level = (12.0 - places.straight[0]) / places.along[0]  # under the coronoid, where every pin is in bone
    return places.straight + places.along * _root(outside, level, _FAR)


def _root(function: Callable[[float], float], low: float, high: float) -> float:
    """Bisection; ValueError where the ends do not straddle zero."""
    sign = function(low) > 0
    if sign == (function(high) > 0):
        raise ValueError(f"No crossing between {low} and {high} mm along the pin.")
    for _ in range(36):
        middle = (low + high) / 2.0
        low, high = (middle, high) if (function(middle) > 0) == sign else (low, middle)
    return (low + high) / 2.0


def _in_space(points: Array, pose: Pose) -> Landmark:
    """Project a landmark that is a place, not an outline."""
    places = np.atleast_2d(points)
    return Landmark(project(places, pose), places)


def landmarks(case: Case) -> dict[str, Landmark]:
    """Every landmark of the olecranon's site table for this film's view, by its name there.

    Shapes: one row a point, as the table counts them: two for each shaft cortex (proximal level first), five
    for joint_arc, three for each margin, two for wire_break, which is there only where the wire is broken.
    Landmarks may lie off the film. Raises ValueError where the fixation has no wire or a pin never meets the
    volar cortex.
    """
    found = _lateral_bone(case) if case.pose.view == "lateral" else _ap_bone(case)
    found |= _metal_landmarks(case)
    return found


def _fragments(case: Case) -> tuple[Solid, Solid]:
    """Give the outsides of the distal and of the proximal fragment, each as if it were the whole ulna."""
    distal, move = partial(ulna, anatomy=case.anatomy), motion(case)
    return distal, lambda points: distal(move.back(points))


def _straight_across(near: str, far: str, places: Array, pose: Pose) -> Segments:
    """Lay segments from places (n, 3) in the shaft to beside both its cortices."""
    across = 14.0 * _across(places, pose)
    return {near: (places, places - across), far: (places, places + across)}


def _levels(anatomy: Anatomy) -> Array:
    """(2, 3): the shaft's centre at the two levels of its axis."""
    return np.array([[x, float(centre_line(x, anatomy)), 0.0] for x in SHAFT_LEVELS])


def _lateral_bone(case: Case) -> dict[str, Landmark]:
    """Cortex, notch, fracture and pin crossings of a lateral film."""
    anatomy, pose, move = case.anatomy, case.pose, motion(case)
    centre = notch_centre(anatomy)
    angles = np.linspace(anatomy.fracture_at - 6.0, -78.0, 5)
    arc = around_notch(angles, anatomy, anatomy.notch_radius + 3.0)
    joint = np.array([centre, around_notch(anatomy.fracture_at, anatomy, anatomy.notch_radius + 3.0)])
    inner, edge = margin(np.array([0.98, 1.0]), anatomy)
    down = (edge - inner) / np.linalg.norm(edge - inner)
    dorsal = np.array([edge - 3.0 * down, edge + 5.0 * down])
    distal: Segments = {
        "joint_arc": (np.broadcast_to(centre, arc.shape), arc),
        "articular_edge_distal": (joint[:1], joint[1:]),
        "dorsal_edge_distal": (dorsal[:1], dorsal[1:]),
    }
    distal |= _straight_across("shaft_dorsal", "shaft_volar", _levels(anatomy), pose)
    distal |= _straight_across("hole_dorsal", "hole_volar", hole_place(case)[None], pose)
    proximal: Segments = {
        "articular_edge_proximal": (move.forward(joint[:1]), move.forward(joint[1:])),
        "dorsal_edge_proximal": (move.forward(dorsal[:1]), move.forward(dorsal[1:])),
    }
    for number, pin in enumerate(case.fixation.pins, start=1):
        along = pin_places(pin).along
        leave, far = pin_exit(pin, case)[None], pin_far_cortex(pin, case)[None]
        proximal[f"pin{number}_exit"] = leave + 10.0 * along, leave - 10.0 * along
        distal[f"pin{number}_far_cortex"] = far - 25.0 * along, far + 80.0 * along
    if case.fixation.wire is not None:
        places = wire_places(case)
        outward = (places.loop - places.seat) / np.linalg.norm(places.loop - places.seat)
        proximal["loop_seat"] = (places.seat - 3.0 * outward)[None], (places.seat + 4.0 * outward)[None]
    solids, shares = _fragments(case), np.array([0.25, 0.5, 0.75])
    return {
        **outlines(solids[0], distal, pose),
        **outlines(solids[1], proximal, pose),
        "margin_distal": _in_space(margin(shares, anatomy), pose),
        "margin_proximal": _in_space(move.forward(margin(shares, anatomy)), pose),
    }


def _ap_bone(case: Case) -> dict[str, Landmark]:
    """Cortex and fracture of an AP film."""
    anatomy, pose, move = case.anatomy, case.pose, motion(case)
    edges = side_edges(anatomy)
    out = np.array([[0.0, 0.0, -1.0], [0.0, 0.0, 1.0]])
    start, stop = edges - 4.0 * out, edges + 5.0 * out
    distal: Segments = {
        "ulnar_edge_distal": (start[:1], stop[:1]),
        "radial_edge_distal": (start[1:], stop[1:]),
    }
    distal |= _straight_across("shaft_ulnar", "shaft_radial", _levels(anatomy), pose)
    start, stop = move.forward(start), move.forward(stop)
    proximal: Segments = {
        "ulnar_edge_proximal": (start[:1], stop[:1]),
        "radial_edge_proximal": (start[1:], stop[1:]),
    }
    solids = _fragments(case)
    return outlines(solids[0], distal, pose) | outlines(solids[1], proximal, pose)


def _metal_landmarks(case: Case) -> dict[str, Landmark]:
    """Pins, hole, knots and break: places, so simply projected."""
    pose = case.pose
    found = {}
    for number, pin in enumerate(case.fixation.pins, start=1):
        places = pin_places(pin)
        found[f"pin{number}_tip"] = _in_space(places.tip, pose)
        found[f"pin{number}_straight"] = _in_space(places.straight, pose)
        if pose.view == "lateral":
            found[f"pin{number}_end"] = _in_space(places.end, pose)
    if case.fixation.wire is not None:
        wire = wire_places(case)
        found["hole"] = _in_space(hole_place(case), pose)
        found["knot1"], found["knot2"] = _in_space(wire.knots[0], pose), _in_space(wire.knots[1], pose)
        if wire.break_ends is not None:
            found["wire_break"] = _in_space(wire.break_ends, pose)
        if pose.view == "lateral":
            found["loop"] = _in_space(wire.loop, pose)
    return found


def quantities(case: Case) -> dict[tuple[str, str], float]:
    """Give the true values of this view's measurements, by (name, target): target is "", pin1, knot2...

    Lengths in mm, angles in degrees, signs as in the site table. As a parallel beam along z (lateral) or
    y (AP) would show them; none depends on the pose. back_out is as put in, since the operation.
    """
    view = case.pose.view
    found = _lateral_fracture(case) if view == "lateral" else _ap_fracture(case)
    keep = [0, 1] if view == "lateral" else [0, 2]
    found |= _pin_quantities(case, keep)
    if case.fixation.wire is not None:
        found |= _wire_quantities(case, keep)
    return found


def _lateral_fracture(case: Case) -> dict[tuple[str, str], float]:
    """Gaps and step, seen along z."""
    anatomy, move = case.anatomy, motion(case)
    dense = np.linspace(0.0, 1.0, 201)
    distal = margin(dense, anatomy)[:, :2]
    proximal = move.forward(margin(dense, anatomy))[:, :2]
    ring = np.vstack([distal, proximal[::-1]])
    area = 0.5 * np.sum(ring[:, 0] * np.roll(ring[:, 1], -1) - np.roll(ring[:, 0], -1) * ring[:, 1])
    length = np.sum(np.linalg.norm(np.diff(distal, axis=0), axis=1))
    return {
        ("articular_gap", ""): case.displacement.gap,
        ("articular_step", ""): case.displacement.step,
        ("dorsal_gap", ""): float(distal[-1, 0] - proximal[-1, 0]),
        ("mean_gap", ""): float(-area / length),
    }


def _ap_fracture(case: Case) -> dict[tuple[str, str], float]:
    """Gaps at both cortices, seen along y."""
    edges = side_edges(case.anatomy)
    gaps = edges[:, 0] - motion(case).forward(edges)[:, 0]
    return {("ulnar_gap", ""): float(gaps[0]), ("radial_gap", ""): float(gaps[1])}


def _pin_quantities(case: Case, keep: list[int]) -> dict[tuple[str, str], float]:
    """Work out what is measured on the pins, in the plane of the two coordinates kept."""
    found: dict[tuple[str, str], float] = {}
    angles, middles = [], []
    for number, pin in enumerate(case.fixation.pins, start=1):
        name, places = f"pin{number}", pin_places(pin)
        tip, straight = places.tip[keep], places.straight[keep]
        along = (tip - straight) / np.linalg.norm(tip - straight)
        angles.append(float(np.degrees(np.arctan2(along[1], along[0]))))
        middles.append((tip + straight) / 2.0)
        found["pin_angle", name] = angles[-1]
        found["back_out", name] = pin.back_out
        if case.fixation.wire is not None:
            found["pin_tip_from_hole", name] = float((hole_place(case)[keep] - tip) @ along)
        if keep == [0, 1]:
            found["pin_prominence", name] = float((pin_exit(pin, case)[keep] - places.end[keep]) @ along)
            found["pin_tip_beyond", name] = float((tip - pin_far_cortex(pin, case)[keep]) @ along)
    if len(angles) == 2:
        mean = np.radians(np.mean(angles))
        found["pin_to_pin_angle", ""] = angles[1] - angles[0]
        found["pin_spacing", ""] = float((middles[1] - middles[0]) @ [-np.sin(mean), np.cos(mean)])
    return found


def _wire_quantities(case: Case, keep: list[int]) -> dict[tuple[str, str], float]:
    """Work out what is measured on the wire, in the plane of the two coordinates kept."""
    wire, places, hole = case.fixation.wire or Wire(), wire_places(case), hole_place(case)[keep]
    found = {
        ("knot_distance", f"knot{number}"): float(np.linalg.norm(knot[keep] - hole))
        for number, knot in enumerate(places.knots, start=1)
    }
    ends = places.break_ends
    found["wire_break", ""] = 0.0 if ends is None else float(np.linalg.norm((ends[1] - ends[0])[keep]))
    if keep == [0, 1]:
        found["hole_distance", ""] = wire.hole_distance
        found["hole_depth", ""] = wire.hole_depth
        found["loop_distance", ""] = float(np.linalg.norm((places.loop - places.seat)[keep]))
    else:
        found["hole_distance", ""] = float(hole[0] - side_edges(case.anatomy)[0, 0])
    return found


def pins_in_space(case: Case) -> dict[tuple[str, str], float]:
    """Work out what no single film shows: angles (degrees) and distance (mm) of the pins in space."""
    places = [pin_places(pin) for pin in case.fixation.pins]
    found = {
        ("pin_angle", f"pin{number}"): float(np.degrees(np.arccos(place.along[0])))
        for number, place in enumerate(places, start=1)
    }
    if len(places) == 2:
        cosine = np.clip(places[0].along @ places[1].along, -1.0, 1.0)
        apart = (places[1].tip + places[1].straight - places[0].tip - places[0].straight) / 2.0
        mean = places[0].along + places[1].along
        mean /= np.linalg.norm(mean)
        found["pin_to_pin_angle", ""] = float(np.degrees(np.arccos(cosine)))
        found["pin_spacing", ""] = float(np.linalg.norm(apart - mean * (apart @ mean)))
    return found


def marker_on_film(case: Case) -> tuple[Array, float]:
    """Give the ball's centre (2,) as (row, col) and its diameter on the detector, mm, across its least width.

    Raises ValueError where there is no ball.
    """
    if case.marker is None:
        raise ValueError("This case has no marker ball.")
    place, pose = marker_in_camera(case), case.pose
    centre = pose.centre + place[1::-1] / place[2] * pose.source_detector / np.array(pose.pitch)
    radius, distance = case.marker.diameter / 2.0, np.linalg.norm(place)
    half = np.arcsin(radius / distance)  # half the cone that touches the ball
    # At right angles to the way outwards the cone is cut square, so its width there is the least.
    return centre, float(2.0 * pose.source_detector * np.tan(half) * distance / place[2])


def marker_in_camera(case: Case) -> Array:
    """(3,): the ball's centre as (col, row, depth from the source), mm."""
    marker = case.marker or Marker()
    return np.array([*marker.across, case.pose.source_object - marker.height])


# ------------------------------------------------------------------------------------------- random cases

FIELD = (122.0, 148.0)  # mm at the bone's plane that a film covers, across and along the shaft


def random_anatomy(rng: np.random.Generator) -> Anatomy:
    """Bones that differ as adults' do; the fracture lies in the notch."""
    return Anatomy(
        notch_radius=rng.uniform(10.0, 12.0),
        notch_floor=rng.uniform(1.5, 3.0),
        shaft_dorsal=rng.uniform(7.0, 8.0),
        shaft_volar=rng.uniform(7.0, 8.0),
        shaft_side=rng.uniform(6.2, 7.4),
        bend=rng.uniform(0.0, 7.0),
        cortex=rng.uniform(2.5, 3.5),
        fracture_at=rng.uniform(-10.0, 25.0),
        fracture_slant=rng.uniform(-15.0, 25.0),
        fracture_wave=rng.uniform(0.0, 0.6),
        grain=int(rng.integers(1, 2**31)),
    )


def random_displacement(rng: np.random.Generator) -> Displacement:
    """From a good reduction to a failed one."""
    return Displacement(
        gap=rng.uniform(0.0, 4.0),
        step=rng.uniform(-2.0, 2.0),
        opening=rng.uniform(-1.0, 5.0),
        shift=rng.uniform(-1.0, 1.0),
        yaw=rng.uniform(-2.0, 2.0),
        roll=rng.uniform(-2.0, 2.0),
    )


def random_fixation(rng: np.random.Generator, anatomy: Anatomy, broken: bool = False) -> Fixation:
    """Two pins between the notch and the dorsal cortex that would cross the volar cortex on the film."""
    floor = float(centre_line(0.0, anatomy)) + anatomy.notch_floor
    first_crossing = rng.uniform(42.0, 82.0)
    tip: Literal["trocar", "round"] = "trocar" if rng.random() < 0.7 else "round"
    pins = []
    for side in (1.0, -1.0):
        y = floor - rng.uniform(1.4, 3.5)
        crossing = np.clip(first_crossing + rng.normal(0.0, 8.0), 40.0, 82.0)
        pins.append(
            Pin(
                y=y,
                z=side * rng.uniform(2.8, 4.2),
                volar_angle=float(np.degrees(np.arctan((anatomy.shaft_volar - y) / crossing))),
                radial_angle=rng.normal(0.0, 1.5),
                bend_at=rng.uniform(-27.0, -24.0),
                length=rng.uniform(70.0, 90.0),
                tip=tip,
                bend_radius=rng.uniform(2.2, 3.2),
                bend_angle=rng.uniform(150.0, 180.0),
                hook=rng.uniform(3.0, 7.0),
                hook_roll=rng.uniform(-25.0, 25.0),
                back_out=rng.choice([0.0, rng.uniform(0.0, 8.0)]),
            )
        )
    wire = Wire(
        hole_distance=rng.uniform(36.0, 44.0),
        hole_depth=rng.uniform(0.25, 0.5),
        crossing=rng.uniform(9.0, 14.0),
        knots=(rng.uniform(20.0, 24.0), rng.uniform(14.0, 18.0)),
        slack=rng.uniform(0.0, 2.0),
        break_length=rng.uniform(1.5, 4.0) if broken else 0.0,
    )
    return Fixation(tuple(pins), wire)


def random_pose(
    rng: np.random.Generator,
    view: View = "lateral",
    side: Side | None = None,
    magnification: tuple[float, float] = (1.03, 1.20),
    turn: float = 12.0,
    pitch: tuple[float, float] = (0.10, 0.20),
) -> Pose:
    """Pose a film of FIELD. Rotation and tilt are each within +-turn degrees; pixels are square."""
    times, spacing = rng.uniform(*magnification), rng.uniform(*pitch)
    across, along = (round(length * times / spacing) for length in FIELD)
    return Pose(
        view=view,
        side=side or rng.choice(["R", "L"]),
        rotation=rng.uniform(-turn, turn),
        tilt=rng.uniform(-turn, turn),
        in_plane=rng.uniform(-8.0, 8.0),
        flexion=rng.uniform(75.0, 100.0) if view == "lateral" else rng.uniform(5.0, 25.0),
        source_detector=rng.uniform(1000.0, 1150.0),
        magnification=times,
        offset=(rng.uniform(-2.0, 2.0), (20.0 if view == "lateral" else 0.0) + rng.uniform(-2.0, 2.0)),
        pitch=(spacing, spacing),
        shape=(across, along) if view == "lateral" else (along, across),
    )


def random_exposure(rng: np.random.Generator) -> Exposure:
    """From clean to poor, clipped or not, dark or bright side up."""
    return Exposure(
        photons=float(np.exp(rng.uniform(np.log(500.0), np.log(20000.0)))),
        blur=rng.uniform(0.06, 0.20),
        scatter=rng.uniform(0.05, 0.5),
        curve="log" if rng.random() < 0.6 else "sigmoid",
        saturated=bool(rng.random() < 0.4),
        monochrome=1 if rng.random() < 0.3 else 2,
        collimation=float(rng.uniform(2.0, 5.0)) if rng.random() < 0.7 else None,
        shutter=bool(rng.random() < 0.6),
        letter=bool(rng.random() < 0.7),
    )


def random_marker(rng: np.random.Generator, pose: Pose) -> Marker:
    """Put a ball beside the distal forearm, near the bone's height."""
    along, across = rng.uniform(40.0, 46.0), rng.uniform(38.0, 42.0)
    col, row = (along, -across) if pose.view == "lateral" else (across, along)
    mirror = -1.0 if pose.side == "L" else 1.0
    return Marker(float(rng.choice([25.0, 30.0])), (mirror * col, row), rng.uniform(-15.0, 15.0))


def random_case(
    rng: np.random.Generator,
    pose: Pose | None = None,
    broken: bool = False,
    marked: bool | None = None,
) -> Case:
    """One random film. Without a pose, a lateral one; without `marked`, a ball on about a third."""
    pose = pose or random_pose(rng)
    anatomy = random_anatomy(rng)
    has_ball = rng.random() < 1 / 3 if marked is None else marked
    return Case(
        anatomy=anatomy,
        displacement=random_displacement(rng),
        fixation=random_fixation(rng, anatomy, broken),
        pose=pose,
        exposure=random_exposure(rng),
        marker=random_marker(rng, pose) if has_ball else None,
    )
