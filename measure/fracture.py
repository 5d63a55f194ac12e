"""Where a fracture line meets joint surface and dorsal cortex, on both fragments, of a lateral film.

Between the notch and the dorsal cortex a gap shows as a dark band across the pins. Its two margins are fitted
as straight lines at which the film falls and rises again, blurred alike, to all that metal leaves free; they
are then carried on to the surfaces. The joint surface is the notch's circle, which on the proximal fragment
is looked for anew. The dorsal cortex mostly lies under the wire: where bone is seen on the wire's one side
and soft tissue on its other, it lies between.

For clicks to snap to, not proposed: they are told on few films, and less surely than other landmarks. A gap
so narrow, or so smeared by a film tilted against it, that its two margins are not told apart gives nothing:
its width and its depth cannot be known separately then.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
from scipy.ndimage import map_coordinates
from scipy.optimize import least_squares
from scipy.special import ndtr

from measure.geometry import fit_circle
from measure.lines import Array
from measure.notch import OUTSIDE_MM, Arc, Facing, straightened
from measure.pins import Pin
from measure.prepare import Prepared

# Looked at: along the pins from before the notch's floor, and across from the joint to short of the cortex.
ALONG_MM, JOINT_MM, DORSAL_MM, VOLAR_MM = (-17.0, 11.0), 0.6, 6.0, 4.0
BLOCK_MM, LEAST_FREE = (0.3, 0.75), 0.7  # means are taken of, and the share of one that must be free
LEAST_MEANS, LEAST_UNEVEN = 100, 1e-6  # clipped bone shows nothing
MIDDLE_MM = 3.5  # dorsal of the pins, where the margins' places are told
# Tried first: where the gap's middle lies from the notch's floor, its slope and its width.
PLACES_MM, SLOPES, WIDTHS_MM = np.arange(-10.0, 6.1, 0.8), np.arange(-0.4, 0.41, 0.2), (0.5, 1.5, 3.0)
# What is known before, with its standard uncertainty: the margins' blur (logarithm of mm), their slopes, and
# how these differ. Our choice, from phantom films.
BLUR, U_BLUR, U_SLOPE, U_OPENING, U_WIDTH_MM = np.log(0.5), 0.5, 0.35, 0.1, 0.2
CORRELATED = 2.0  # bone's texture leaves so much more than as many independent samples would
LEAST_DEEP, LEAST_GAIN = 3.5, 0.3  # over what the fit leaves, and share of the film's unevenness it explains
GAP_MM, MOST_BLUR_MM, MOST_U_MM = (1.9, 7.0), 1.0, 0.8
# A margin is not straight: it may lie off by so much, and by more the further it is carried on (a tangent).
# From phantom films, whose margins wave by up to 0.6 mm.
U_STRAIGHT_MM, U_CARRIED = 0.3, 0.08
# The proximal fragment's circle: moved along and across, and how near its centre keeps to the gap's width.
MOVES_MM = np.arange(-5.1, 0.7, 0.3), np.arange(-3.0, 3.1, 0.15)
LAST_MM, U_MOVE_MM, SEEN_DEGREES = 0.3, 2.0, np.arange(4.0, 36.0)
ON_ARC = np.radians(np.arange(8.0, 50.0))  # of the distal fragment's
LEAST_SEEN = 0.5  # share of an arc, or of what is looked at beside a margin
# How far its rise must stand out among other circles', and of the rise along the distal fragment's arc.
LEAST_CLEAR, LEAST_SHARE = 1.5, 0.42
# The dorsal cortex under the wire: bone looked at beside the margin, where, and the widest wire.
BESIDE_MM, CORTEX_MM, MOST_HIDDEN_MM = np.arange(0.3, 3.3, 0.15), (14.0, 2.0), 3.2
STEP_MM, LEAST_STEP = 0.15, 2.5  # of the fall across the wire, in falls of the soft tissue beyond

# The distal fragment's dorsal edge is left out: on phantom films its uncertainty did not cover it.
EDGES = ("articular_edge_proximal", "articular_edge_distal", "dorsal_edge_proximal")


@dataclass(frozen=True)
class Edge:
    """Where a margin meets a surface, (row, column), and the standard uncertainty of each coordinate, px."""

    point: Array
    u_px: float


@dataclass(frozen=True)
class _Gap:
    """Both margins, as place along at `middle` (away from the pins) and slope of each, then the log of blur.

    All in mm; the proximal margin comes first.
    """

    factors: Array
    covariance: Array
    middle: float

    @property
    def width(self) -> float:
        return float(self.factors[2] - self.factors[0])

    def at(self, margin: int, away: Array | float) -> Array:
        """Place along of a margin (0 proximal, 1 distal) at places away from the pins."""
        place, slope = self.factors[2 * margin : 2 * margin + 2]
        return np.asarray(place + slope * (np.asarray(away) - self.middle))

    def u_at(self, margin: int, away: float) -> float:
        ways = np.zeros(5)
        ways[2 * margin : 2 * margin + 2] = 1.0, away - self.middle
        bent = U_STRAIGHT_MM**2 + (U_CARRIED * (away - self.middle)) ** 2
        return float(np.sqrt(ways @ self.covariance @ ways + bent))


def fracture_edges(film: Prepared, pins: Sequence[Pin], arc: Arc | None) -> Mapping[str, Edge]:
    """Find the fracture's edges on a lateral film, by the names of their landmarks; none where unclear.

    arc: the notch on the distal fragment, as found on the film.
    """
    if not pins or arc is None:
        return {}
    view = straightened(film, pins)
    centre, radius = fit_circle(view.places_of(arc.points))
    lowest = min(_away_at(view, pin, float(centre[0])) for pin in pins)
    gap = _fitted(*_bone(view, centre, float(radius), lowest), float(centre[0]), lowest - MIDDLE_MM)
    if gap is None:
        return {}
    distal = _meets(gap, 1, centre, float(radius))
    near = _meets(gap, 0, centre, float(radius))
    moved = None if near is None else _moved_circle(view, gap, near, centre, float(radius))
    proximal = None if moved is None else _meets(gap, 0, moved, float(radius))
    if distal is None or proximal is None:  # a line that misses the joint is no fracture's
        return {}
    found = {
        name: (place, gap.u_at(margin, place[1]))
        for margin, (name, place) in enumerate(zip(EDGES, (proximal, distal), strict=False))
        if gap.u_at(margin, place[1]) < MOST_U_MM
    }
    hidden = _under_wire(view, gap, lowest)
    if hidden is not None:
        away, half = hidden
        place = np.array([gap.at(0, away), away])
        found[EDGES[2]] = place, max(half / np.sqrt(3.0), gap.u_at(0, away))
    return {
        name: Edge(view.on_film(place[None])[0], float(u_mm) / film.mm_per_px)
        for name, (place, u_mm) in found.items()
    }


def _away_at(view: Facing, pin: Pin, along: float) -> float:
    """Place of a pin's axis away from the middle of the view at a place along it, mm."""
    first, last = view.places_of(np.stack([pin.straight, pin.tip]))
    return float(first[1] + (last - first)[1] * (along - first[0]) / (last - first)[0])


def _bone(view: Facing, centre: Array, radius: float, lowest: float) -> tuple[Array, Array]:
    """Give means of the film (n,) in bone that metal leaves free, and their places (2, n) along and away."""
    size = view.area.px_mm
    along, away = (np.arange(count) * size for count in view.values.shape)
    away = away - view.middle * size
    rows = (along > centre[0] + ALONG_MM[0]) & (along < centre[0] + ALONG_MM[1])
    columns = (away > lowest - DORSAL_MM) & (away < centre[1] - radius + VOLAR_MM)
    places = np.stack(np.meshgrid(along[rows], away[columns], indexing="ij"))
    apart = np.hypot(*(places - centre[:, None, None]))
    free = view.free[np.ix_(rows, columns)] & (apart > radius + JOINT_MM)
    block = tuple(max(1, round(length / size)) for length in BLOCK_MM)

    def means(image: Array) -> Array:
        whole = [count // one * one for count, one in zip(image.shape, block, strict=True)]
        cut = image[: whole[0], : whole[1]]
        return np.asarray(
            cut.reshape(whole[0] // block[0], block[0], whole[1] // block[1], block[1]).mean(axis=(1, 3))
        )

    share = means(free.astype(float))
    values = means(view.values[np.ix_(rows, columns)] * free) / np.maximum(share, 1e-9)
    used = share > LEAST_FREE
    return values[used], np.stack([means(part)[used] for part in places])


def _fitted(values: Array, places: Array, floor: float, middle: float) -> _Gap | None:
    """Fit a dark band with two straight margins to a film that else is even; None where it is not clear."""
    along, away = places
    u, v = (along - floor) / 10.0, (away - middle) / 5.0
    if len(values) < LEAST_MEANS:
        return None
    even, _ = np.linalg.qr(np.stack([np.ones_like(u), u, v, v * v, u * v, u * u], axis=1))
    rest = values - even @ (even.T @ values)
    if np.std(rest) < LEAST_UNEVEN:
        return None

    def band(factors: Array) -> Array:
        """Bands (..., n) of unit depth, less what an even film would show of them."""
        near, slope_near, far, slope_far, blur = np.moveaxis(factors[..., None], -2, 0)
        lines = near + slope_near * (away - middle), far + slope_far * (away - middle)
        dark = ndtr((along - lines[1]) / np.exp(blur)) - ndtr((along - lines[0]) / np.exp(blur))
        return np.asarray(dark - (dark @ even) @ even.T)

    def left(factors: Array) -> Array:
        shape = band(factors)
        return rest - shape * (shape @ rest) / (shape @ shape)

    place, slope, width = (
        part.ravel() for part in np.meshgrid(floor + PLACES_MM, SLOPES, WIDTHS_MM, indexing="ij")
    )
    tries = np.stack(
        [place - width / 2.0, slope, place + width / 2.0, slope, np.full(len(place), BLUR)], axis=-1
    )
    shapes = band(tries)
    first = tries[int(np.argmax(shapes @ rest / np.linalg.norm(shapes, axis=1)))]
    noise = CORRELATED * float(np.std(left(first)))

    def weighted(factors: Array) -> Array:
        near, slope_near, far, slope_far, blur = factors
        known = [
            (blur - BLUR) / U_BLUR,
            slope_near / U_SLOPE,
            slope_far / U_SLOPE,
            (slope_near - slope_far) / U_OPENING,
            min(far - near, 0.0) / U_WIDTH_MM,
        ]
        return np.concatenate([left(factors) / noise, known])

    best = least_squares(weighted, first, x_scale=(0.3, 0.1, 0.3, 0.1, 0.3), max_nfev=40)
    shape, remains = band(best.x), float(np.std(left(best.x)))
    deep = float(shape @ rest / (shape @ shape)) / remains
    gain = 1.0 - remains**2 / float(np.var(rest))
    gap = _Gap(best.x, np.asarray(np.linalg.pinv(best.jac.T @ best.jac)), middle)
    clear = deep > LEAST_DEEP and gain > LEAST_GAIN and np.exp(best.x[4]) < MOST_BLUR_MM
    return gap if clear and GAP_MM[0] < gap.width < GAP_MM[1] else None


def _meets(gap: _Gap, margin: int, centre: Array, radius: float) -> Array | None:
    """Go along a margin to a circle, on its dorsal side; None where it passes beside."""
    away = centre[1] - radius
    for _ in range(20):
        below = radius**2 - (float(gap.at(margin, away)) - centre[0]) ** 2
        if below <= 0.0:
            return None
        away = centre[1] - np.sqrt(below)
    return np.array([gap.at(margin, away), away])


def _moved_circle(view: Facing, gap: _Gap, near: Array, centre: Array, radius: float) -> Array | None:
    """Find the centre of the proximal fragment's joint surface: that of most rise out of the joint.

    None where it is not clear among others, and beside the distal fragment's.
    """
    edge = np.arctan2(near[0] - centre[0], centre[1] - near[1])
    angles = edge - np.radians(SEEN_DEGREES)
    moves = np.stack([part.ravel() for part in np.meshgrid(*MOVES_MM, indexing="ij")], axis=-1)
    centres = centre + moves
    rise, seen = _rise(view, centres, angles, radius)
    usable = seen > LEAST_SEEN
    if not usable.any():
        return None
    known = ((moves[:, 0] + gap.width - LAST_MM) / U_MOVE_MM) ** 2
    score = np.where(usable, rise / np.std(rise[usable]) - known, -np.inf)
    best = int(np.argmax(score))
    distal = float(_rise(view, centre[None], ON_ARC, radius + OUTSIDE_MM)[0][0])
    if score[best] < LEAST_CLEAR or rise[best] < LEAST_SHARE * distal:
        return None
    return np.asarray(centres[best] + [0.0, OUTSIDE_MM])


def _rise(view: Facing, centres: Array, angles: Array, radius: float) -> tuple[Array, Array]:
    """Mean rise of the film outwards along arcs about centres (n, 2), per mm, and what share is free."""
    places = view.places(centres.T[..., None], angles, radius)
    free = map_coordinates(view.free.astype(float), places, order=0, mode="constant") > 0.5
    down, right = (np.gradient(view.values, view.area.px_mm, axis=axis) for axis in (0, 1))
    outwards = map_coordinates(down, places, order=1) * np.sin(angles)
    outwards -= map_coordinates(right, places, order=1) * np.cos(angles)
    return (outwards * free).sum(axis=1) / np.maximum(free.sum(axis=1), 1), free.mean(axis=1)


def _under_wire(view: Facing, gap: _Gap, lowest: float) -> tuple[float, float] | None:
    """Where the dorsal cortex lies beside the proximal margin: its place and half of what is hidden.

    None where the film does not fall from bone to soft tissue across a narrow stretch of metal.
    """
    away = np.arange(lowest - CORTEX_MM[0], lowest - CORTEX_MM[1], STEP_MM)
    along = gap.at(0, away)[:, None] - (BESIDE_MM + np.exp(gap.factors[4]))
    size = view.area.px_mm
    places = np.stack([along / size, np.broadcast_to(away[:, None] / size + view.middle, along.shape)])
    free = map_coordinates(view.free.astype(float), places, order=0, mode="constant") > 0.5
    seen = free.mean(axis=1) > LEAST_SEEN
    values = map_coordinates(view.values, places, order=1)
    film = (values * free).sum(axis=1) / np.maximum(free.sum(axis=1), 1)
    hidden = np.flatnonzero(~seen)
    if not len(hidden) or seen[-1] == 0:
        return None
    stop = int(hidden[-1]) + 1  # bone from here on
    start = int(np.flatnonzero(seen[:stop])[-1]) if seen[:stop].any() else 0
    beyond = max(0, start - round(1.5 / STEP_MM))
    if start - beyond < 4 or not seen[beyond:start].all():
        return None
    width = (stop - start) * STEP_MM
    usual = (film[start] - film[beyond]) * width / ((start - beyond) * STEP_MM)
    if width > MOST_HIDDEN_MM or film[stop] - film[start] < LEAST_STEP * max(usual, 0.0):
        return None
    return float(away[stop] - width / 2.0), width / 2.0
