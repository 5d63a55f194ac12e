"""Films of the phantom: from line integrals to a 12-bit image.

Physics, in the order it happens: attenuation by Beer-Lambert at one effective energy, the metal's paths by
formula (round bars cut at their mitres, trocar or round tips, spheres) on a grid three times finer than the
film and averaged per pixel; the bones' and the soft tissue's paths by marching along each ray through the
phantom's solids, taking the solid as linear between steps of under a millimetre; scatter as a broad blur
of what the tissue lets through; quantum noise (Gaussian of Poisson's variance) and then the detector's
blur, so that the noise is correlated as it is in a scintillator; a little white electronic noise.

Display: "log" is linear in -log(signal); "sigmoid" is an S-curve of that, with the middle of the bone's
range at its steepest. A saturated film puts the metal above the top, clipped flat. Attenuation
coefficients are round figures for about 60 kV, chosen for looks (no source).

The same case and generator state give the same pixels: marching uses only
arithmetic that is the same on every processor, and what is summed and blurred is in double precision.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from functools import lru_cache
from itertools import pairwise
from typing import TYPE_CHECKING, Any

import cv2
import numpy as np
from numpy.typing import NDArray

from measure import phantom
from measure.phantom import Array, Bar, Case, Motion, Pose

if TYPE_CHECKING:
    pass

# Attenuation, 1/mm. Bone is what it adds to the soft tissue it displaces.
MUSCLE, FAT = 0.0215, 0.0180
CORTEX, CANCELLOUS, MARROW = 0.072, 0.021, 0.003
LEAD = 5.0
TOP = 4095  # of 12 bits
STILL = Motion(np.eye(3), np.zeros(3))
FINER = 3  # grid of the metal, per pixel
CHUNK = 24_000  # rays marched at once, to stay in the processor's cache

STRIP = 200  # rows of the film whose metal is worked out at once

Window = tuple[int, int, int, int]  # first row, last row plus one, the same of columns
Parts = Callable[[Any, Any, Any], tuple[Any, Any]]  # x, y, z -> depth in the whole, depth in the inner part
Cut = Callable[[Any, Any, Any], Any]  # x, y, z -> depth in a part of the ulna


@dataclass(frozen=True)
class Body:
    """A solid to march through. parts and box (2, 3) are in its own frame; inner may hold no hard outside."""

    parts: Parts
    box: Array
    place: Motion
    outer: float  # attenuation of the whole less the inner part, 1/mm
    inner: Callable[[Array], Array | float]  # attenuation of the inner part, by position along the box's x
    grain: float  # strength of texture in the inner part
    coarser: int = 1  # film pixels per marched ray, each way
    step: float = 0.8  # mm


# ------------------------------------------------------------------------------------------- bones' shapes


def _tube(a: Any, b: Any, half_a: Any, half_b: Any) -> Any:
    """Radial distance from an ellipse with the given half-axes, negative inside."""
    out = np.sqrt(a * a + b * b) + np.float32(1e-6)
    one, two = a / half_a, b / half_b
    return out - out / (np.sqrt(one * one + two * two) + np.float32(1e-9))


@lru_cache(maxsize=64)
def _profile(places: tuple[float, ...], values: tuple[float, ...]) -> NDArray[np.float32]:
    """Values every half millimetre from -60 to 180 mm, through the given ones, with their corners rounded."""
    fine = np.interp(np.arange(-80.0, 200.5, 0.5), places, values)
    return _blur(fine[None], (1.0, 5.0))[0, 40:-40].astype(np.float32)


def _along(x: Any, places: tuple[float, ...], values: tuple[float, ...]) -> Any:
    """Look up a smooth profile at x, mm."""
    table = _profile(places, values)
    place = np.clip((x + np.float32(60.0)) * np.float32(2.0), 0, len(table) - 2)
    index = place.astype(np.int32)
    share = place - index.astype(np.float32)
    return table[index] * (1 - share) + table[index + 1] * share


def _merge(a: Any, b: Any, soft: float) -> Any:
    """Union of two depths with a fillet of about `soft` mm."""
    overlap = np.maximum(soft - np.abs(a - b), 0.0)
    return np.minimum(a, b) - overlap * overlap / (4.0 * soft)


def _cut(a: Any, b: Any, soft: float) -> Any:
    """Take the part common to two depths, its edge rounded by about `soft` mm."""
    return -_merge(-a, -b, soft)


def _distal_cut(case: Case) -> Cut:
    """Depth in what is distal to the fracture, the wire's drill hole left out."""
    wire = case.fixation.wire
    hole = None if wire is None else phantom.hole_place(case)

    def cut(x: Any, y: Any, z: Any) -> Any:
        side = phantom.fracture(y, case.anatomy) - x
        if hole is None or wire is None:
            return side
        across, deep = x - float(hole[0]), y - float(hole[1])
        return np.maximum(side, wire.hole_diameter / 2.0 - np.sqrt(across * across + deep * deep))

    return cut


def _proximal_cut(case: Case) -> Cut:
    """Depth in what is proximal to the fracture."""
    return lambda x, y, z: x - phantom.fracture(y, case.anatomy)


def _gap_cut(case: Case) -> Cut:
    """Depth in the gap between the distal fragment and the proximal one where it is now."""
    moved = phantom.motion(case)

    def cut(x: Any, y: Any, z: Any) -> Any:
        before = moved.back(np.stack([x, y, z], axis=-1))
        beyond = phantom.fracture(before[..., 1], case.anatomy) - before[..., 0]
        return np.maximum(x - phantom.fracture(y, case.anatomy), beyond)

    return cut


def _ulna_parts(case: Case, cut_off: Cut) -> Parts:
    """Depths in a piece of the ulna, with its cortex and its notch's hard plate."""
    anatomy = case.anatomy

    def parts(x: Any, y: Any, z: Any) -> tuple[Any, Any]:
        tube = phantom.tube_depth(x, y, z, anatomy)
        notch = phantom.notch_depth(x, y, z, anatomy)
        end = phantom.cap(y, z, anatomy) - x
        cut = cut_off(x, y, z)
        whole = np.maximum(np.maximum(tube, notch), np.maximum(end, cut))
        shell = 1.3 + (anatomy.cortex - 1.3) * phantom.blend(x, 4.0, 42.0)
        hard = np.maximum(np.maximum(tube + shell, notch + 1.2), end + 1.3)
        return whole, np.maximum(hard, cut)

    return parts


def ulna_bodies(case: Case) -> list[Body]:
    """Both fragments, and what has grown between them."""
    anatomy = case.anatomy
    edges = np.array([phantom.articular_edge(anatomy)[0], phantom.dorsal_edge(anatomy)[0]])
    side, rise = anatomy.olecranon_side + 0.5, float(phantom.centre_line(anatomy.tip, anatomy)) + 0.5
    low, high = -anatomy.olecranon_dorsal - 0.5, anatomy.olecranon_volar + rise
    first, last = float(edges.min()) - 3.0, float(edges.max()) + 3.0
    distal, proximal, gap = (_ulna_parts(case, cut(case)) for cut in (_distal_cut, _proximal_cut, _gap_cut))

    def inner(x: Array) -> Array:
        return CANCELLOUS + (MARROW - CANCELLOUS) * phantom.blend(x, 15.0, 55.0)

    def body(parts: Parts, box: list[list[float]], place: Motion, filled: float = 1.0) -> Body:
        return Body(parts, np.array(box), place, filled * CORTEX, lambda x: filled * inner(x), 0.15)

    shaft = anatomy.shaft_side + 1.8
    wide = case.displacement.gap + 10.0
    grown = body(gap, [[first - wide, low, -side], [last, high, side]], STILL, case.filled)
    return [
        *([grown] if case.filled else []),
        body(distal, [[first, low, -side], [38.0, high, side]], STILL),
        body(distal, [[38.0, low, -shaft], [160.0, 9.0, shaft]], STILL),
        body(proximal, [[anatomy.tip - 0.5, low, -side], [last, high, side]], phantom.motion(case)),
    ]


def _radius_parts(x: Any, y: Any, z: Any) -> tuple[Any, Any]:
    """Depths in the radius; x as the ulna's, y and z from its head's middle."""
    half = _along(
        x,
        (0, 12, 14, 17, 20, 23, 28, 34, 40, 46, 56),
        (6, 9.6, 10.8, 11.2, 10.8, 8.8, 6.6, 6.8, 7.9, 7.3, 7),
    )
    bow_y = _along(x, (14, 30, 45, 70, 160), (0, 0.3, -0.6, -2.0, -3.0))
    bow_z = _along(x, (14, 30, 60, 100, 160), (0, -1.0, 0.2, 2.0, 2.5))
    tube = _tube(y - bow_y, z - bow_z, half, half * np.float32(0.96))
    dish = 14.0 - np.sqrt((x + 1.4) ** 2 + y * y + z * z)  # hollow that faces the capitellum
    shell = _along(x, (12, 22, 34, 60), (0.9, 1.0, 2.0, 3.0))
    return _cut(tube, dish, 2.5), np.maximum(tube + shell, dish + 1.1)


def _humerus_parts(trochlea: float) -> Parts:
    """Depths in the distal humerus; from the elbow's axis x proximally, y anteriorly, z radially."""

    def parts(x: Any, y: Any, z: Any) -> tuple[Any, Any]:
        spool = _cut(np.sqrt(x * x + y * y) - (trochlea + 0.013 * z * z), np.abs(z + 2.5) - 12.0, 5.0)
        knob = np.sqrt(x * x + (y - 1.0) ** 2 + (z - 19.0) ** 2) - 10.2
        deep = _along(x, (-2, 4, 9, 16, 24, 40, 70), (1, 5.5, 7.5, 6.8, 6.5, 8.0, 9.5))
        wide = _along(x, (-2, 3, 8, 13, 20, 30, 44, 60), (8, 17, 25, 28.0, 26, 20, 14.0, 11.3))
        back = _along(x, (-4, 6, 20, 40), (1, -1, -5, -8.5))
        flare = np.maximum(_tube(y - back, z - 1.5, deep, wide), -x)
        shaft = _merge(_merge(spool, knob, 3.0), flare, 5.0)
        behind = 10.0 - np.sqrt((x - 19.0) ** 2 + (y + 15.0) ** 2 + 0.7 * (z - 0.5) ** 2)
        before = 7.5 - np.sqrt((x - 16.0) ** 2 + (y - 8.0) ** 2 + 0.6 * (z - 0.5) ** 2)
        fossae = np.maximum(behind, before)
        shell = _along(x, (0, 15, 35, 60), (0.9, 1.1, 2.2, 3.4))
        return _cut(shaft, fossae, 2.0), np.maximum(shaft + shell, fossae + 0.8)

    return parts


def _arm_parts(case: Case) -> Parts:
    """Soft tissue of the forearm and the upper arm; the inner part is what lies under the fat."""
    centre = phantom.notch_centre(case.anatomy)
    bend = np.radians(case.pose.flexion)
    cosine, sine = float(np.cos(bend)), float(np.sin(bend))

    def limb(along: Any, deep: Any, wide: Any, halves: tuple[float, ...]) -> Any:
        half = _along(along, (-20, 0, 35, 70, 160), halves)
        short = np.minimum(along - 4.0, 0.0) / np.float32(32.0)  # rounds the end at the elbow
        half = half * np.sqrt(np.maximum(1.0 - short * short, 0.01))
        return np.maximum(_tube(deep, wide, half, half * np.float32(1.2)), -26.0 - along)

    def parts(x: Any, y: Any, z: Any) -> tuple[Any, Any]:
        rise = y - float(centre[1])
        forearm = limb(x, y - 20.0, z - 8.0, (34, 34.5, 35, 33, 25))
        along, ahead = rise * sine - x * cosine, x * sine + rise * cosine
        upper = limb(along, ahead - 2.0, z - 4.0, (36, 36, 38, 42, 46))
        skin = _merge(forearm, upper, 16.0)
        return skin, skin + 5.0

    return parts


def other_bodies(case: Case) -> list[Body]:
    """Radius and humerus, at half the film's sharpness where it is fine; soft tissue much coarser."""
    anatomy, pixel = case.anatomy, min(case.pose.bone_scale)
    centre = phantom.notch_centre(anatomy)
    bend = np.radians(case.pose.flexion)
    turn = np.array([[-np.cos(bend), np.sin(bend), 0.0], [np.sin(bend), np.cos(bend), 0.0], [0.0, 0.0, 1.0]])
    head = Motion(np.eye(3), np.array([0.0, centre[1] - 1.0, 20.0]))
    fine, coarse = max(1, round(0.25 / pixel)), max(1, round(1.2 / pixel))
    spongy = 0.8 * CANCELLOUS
    return [
        Body(
            parts=_radius_parts,
            box=np.array([[10.0, -15.0, -12.5], [160.0, 12.5, 13.5]]),
            place=head,
            outer=CORTEX,
            inner=lambda x: CANCELLOUS + (MARROW - CANCELLOUS) * phantom.blend(x, 20.0, 45.0),
            grain=0.14,
            coarser=fine,
        ),
        Body(
            parts=_humerus_parts(anatomy.notch_radius - 2.4),
            box=np.array([[-12.5, -20.0, -31.0], [130.0, 13.0, 32.0]]),
            place=Motion(turn, centre),
            outer=CORTEX,
            inner=lambda x: spongy + (MARROW - spongy) * phantom.blend(x, 15.0, 55.0),
            grain=0.14,
            coarser=fine,
            step=1.2,
        ),
        Body(
            parts=_arm_parts(case),
            box=np.array([[-130.0, -50.0, -60.0], [130.0, 150.0, 70.0]]),
            place=STILL,
            outer=FAT,
            inner=lambda x: np.full_like(x, MUSCLE),
            grain=0.02,
            coarser=coarse,
            step=3.0,
        ),
    ]


# ---------------------------------------------------------------------------------------------- marching


def _rays_in_box(body: Body, pose: Pose, film: Array) -> tuple[Array, Array, Array]:
    """Give starts and runs (m, 3), in a body's frame, of rays of film points (n, 2) in its box; hits (n,)."""
    source = body.place.back(pose.source)
    rays = phantom.ray_directions(film, pose) @ body.place.turn
    rays = np.where(np.abs(rays) < 1e-12, 1e-12, rays)
    walls = (body.box[:, None, :] - source) / rays
    enter, leave = walls.min(axis=0).max(axis=1), walls.max(axis=0).min(axis=1)
    hits = leave > enter
    enter, leave, rays = enter[hits, None], leave[hits, None], rays[hits]
    return source + enter * rays, (leave - enter) * rays, hits


def _pixels_of(body: Body, pose: Pose, rows: Array, cols: Array) -> NDArray[np.bool_]:
    """Mask (len(rows), len(cols)) of a regular grid of film points that may see the body's box."""
    corners = np.array(np.meshgrid(*body.box.T)).reshape(3, -1).T
    seen = phantom.project(body.place.forward(corners), pose)
    grid = (seen - [rows[0], cols[0]]) / [rows[1] - rows[0], cols[1] - cols[0]]
    hull = cv2.convexHull(np.round(np.clip(grid[:, ::-1], -8000, 8000)).astype(np.int32))
    mask = np.zeros((len(rows), len(cols)), np.uint8)
    cv2.fillConvexPoly(mask, hull, 1)
    return np.asarray(cv2.dilate(mask, np.ones((3, 3), np.uint8)), dtype=bool)


def _march(body: Body, start: Array, run: Array) -> tuple[Array, Array]:
    """Lengths (n,) in the whole body and in its inner part, mm, of rays from start over run (n, 3).

    Each depth is taken as linear between steps, so that a crossing is placed to a small part of a step.
    """
    length = np.sqrt(np.sum(run * run, axis=1))
    steps = max(2, int(np.ceil(length.max() / body.step)))
    x, y, z = (np.ascontiguousarray(start[:, axis], dtype=np.float32) for axis in range(3))
    dx, dy, dz = ((run[:, axis] / steps).astype(np.float32) for axis in range(3))
    before = body.parts(x, y, z)
    sums = [np.zeros_like(x), np.zeros_like(x)]
    for step in range(1, steps + 1):
        share = np.float32(step)
        after = body.parts(x + share * dx, y + share * dy, z + share * dz)
        for total, one, two in zip(sums, before, after, strict=True):
            inside = np.minimum(one, 0.0) + np.minimum(two, 0.0)
            total -= inside / (np.abs(one) + np.abs(two) + np.float32(1e-9))
        before = after
    stride = length / steps
    return sums[0] * stride, sums[1] * stride


def absorption(body: Body, case: Case) -> Array:
    """Find what a body takes from the beam, -log of its transmission, on the whole film (rows, cols)."""
    pose, size = case.pose, body.coarser
    rows, cols = (np.arange(0.0, length, size) + (size - 1) / 2.0 for length in pose.shape)
    mask = _pixels_of(body, pose, rows, cols)
    film = np.stack([part[mask] for part in np.meshgrid(rows, cols, indexing="ij")], axis=1)
    found = np.zeros(len(film))
    strength = body.grain * case.exposure.texture
    for first in range(0, len(film), CHUNK):
        piece = film[first : first + CHUNK]
        start, run, hits = _rays_in_box(body, pose, piece)
        if not hits.any():
            continue
        whole, inner = _march(body, start, run)
        middle = start + run / 2.0
        soft = inner * body.inner(middle[:, 0])
        if strength:
            soft = soft * (1.0 + strength * _grain_at(middle, case))
        found[first : first + CHUNK][hits] = body.outer * (whole - inner) + soft
    image = np.zeros(mask.shape)
    image[mask] = found
    if size == 1:
        return image
    image = cv2.resize(image, None, fx=size, fy=size, interpolation=cv2.INTER_LINEAR)
    return np.asarray(image[: pose.shape[0], : pose.shape[1]])


@lru_cache(maxsize=4)
def _grain(seed: int) -> Array:
    """Texture (512, 512) of unit variance that repeats: fine struts along the first way, and clouds."""
    white = np.random.default_rng(seed).standard_normal((512, 512))

    def blurred(long: float, short: float) -> Array:
        wrapped = np.pad(white, 64, mode="wrap")
        smooth = cv2.GaussianBlur(wrapped, (0, 0), sigmaX=short, sigmaY=long)[64:-64, 64:-64]
        return np.asarray(smooth / smooth.std())

    texture = blurred(2.2, 1.4) - 0.5 * blurred(6.0, 4.0) + 0.7 * blurred(9.0, 8.0) + blurred(24.0, 20.0)
    return np.asarray(texture / texture.std())


def _grain_at(places: Array, case: Case) -> Array:
    """Texture (n,) at places (n, 3) of a body's frame, so that it stays with the bone from film to film."""
    tile, spacing = _grain(case.anatomy.grain), 0.14  # mm per sample
    across = 1 if case.pose.view == "lateral" else 2
    along, beside = places[:, 0] / spacing, places[:, across] / spacing
    low_a, low_b = np.floor(along), np.floor(beside)
    part_a, part_b = along - low_a, beside - low_b
    one, two = low_a.astype(int) % 512, low_b.astype(int) % 512
    one_next, two_next = (one + 1) % 512, (two + 1) % 512
    near = tile[one, two] * (1 - part_b) + tile[one, two_next] * part_b
    far = tile[one_next, two] * (1 - part_b) + tile[one_next, two_next] * part_b
    return np.asarray(near * (1 - part_a) + far * part_a)


# ------------------------------------------------------------------------------------------------- metal


@dataclass(frozen=True)
class Piece:
    """A convex piece of metal in the camera's frame: a cylinder (or, without `along`, a ball) cut by planes.

    planes: (point, outward normal); what lies outwards of any is cut away. span: points that bound it.
    """

    centre: Array
    radius: float
    along: Array | None
    planes: list[tuple[Array, Array]]
    span: Array


def _unit(vector: Array) -> Array:
    return np.asarray(vector / np.linalg.norm(vector))


def _split(points: Array, longest: float = 4.0) -> Array:
    """Cut the polyline so that no piece is longer than `longest` mm: each then covers few pixels."""
    pieces = []
    for one, two in pairwise(points):
        count = max(1, int(np.ceil(np.linalg.norm(two - one) / longest)))
        pieces.append(one + (two - one) * (np.arange(count) / count)[:, None])
    return np.vstack([*pieces, points[-1:]])


def metal_pieces(bar: Bar, pose: Pose) -> list[Piece]:
    """Cut the bar into cylinders that meet at mitres, its tip shaped."""
    points = _split(phantom.to_camera(bar.points, pose))
    radius = bar.diameter / 2.0
    ways = [_unit(two - one) for one, two in pairwise(points)]
    closed = bool(np.allclose(points[0], points[-1]))
    cuts = [_unit(one + two) for one, two in pairwise(ways)]
    seam = _unit(ways[0] + ways[-1]) if closed else None
    cuts = [ways[0] if seam is None else seam, *cuts, ways[-1] if seam is None else seam]
    pieces = []
    for index, way in enumerate(ways):
        one, two = points[index], points[index + 1]
        planes = [(one, -cuts[index]), (two, cuts[index + 1])]
        pieces.append(Piece(one, radius, way, planes, np.array([one, two])))
    if bar.tip == "trocar":
        pieces[0] = _trocar(pieces[0])
    elif bar.tip == "round":
        pieces[:1] = _round(pieces[0])
    return pieces


def _trocar(piece: Piece) -> Piece:
    """Three facets at 16 degrees to the axis that meet at the tip."""
    way = np.asarray(piece.along)
    first = _unit(np.cross(way, [0.3, 0.5, 0.8]))
    second, steep = np.cross(way, first), np.radians(16.0)
    facets = []
    for turn in np.radians([0.0, 120.0, 240.0]):
        out = np.cos(turn) * first + np.sin(turn) * second
        facets.append((piece.span[0], np.cos(steep) * out - np.sin(steep) * way))
    return Piece(piece.centre, piece.radius, way, piece.planes + facets, piece.span)


def _round(piece: Piece) -> list[Piece]:
    """Half a ball at the tip, then the rest of the cylinder."""
    way = np.asarray(piece.along)
    centre = piece.span[0] + way * piece.radius
    ball = Piece(centre, piece.radius, None, [(centre, way)], np.array([piece.span[0], centre]))
    rest = Piece(
        centre, piece.radius, way, [(centre, -way), piece.planes[1]], np.array([centre, piece.span[1]])
    )
    return [ball, rest]


def _chords(piece: Piece, rays: Array) -> Array:
    """Lengths (...) of rays (..., 3) from the origin inside a piece, mm."""
    offset = -piece.centre
    if piece.along is None:
        across, start = rays, offset
    else:
        across = rays - (rays @ piece.along)[..., None] * piece.along
        start = offset - (offset @ piece.along) * piece.along
    square = np.sum(across * across, axis=-1) + 1e-15
    mixed = across @ start
    inside = mixed * mixed - square * (start @ start - piece.radius**2)
    root = np.sqrt(np.maximum(inside, 0.0))
    low, high = (-mixed - root) / square, (-mixed + root) / square
    for point, normal in piece.planes:
        slope, reach = rays @ normal, float(point @ normal)
        slope = np.where(np.abs(slope) < 1e-12, 1e-12, slope)
        limit = reach / slope
        high = np.where(slope > 0, np.minimum(high, limit), high)
        low = np.where(slope < 0, np.maximum(low, limit), low)
    return np.asarray(np.maximum(high - low, 0.0) * np.linalg.norm(rays, axis=-1))


def metal_paths(pieces: list[Piece], pose: Pose, finer: int = 1, window: Window | None = None) -> Array:
    """Paths in metal, mm, on a grid `finer` times as fine as the film or as a window of it."""
    top, bottom, left, right = window or (0, pose.shape[0], 0, pose.shape[1])
    paths = np.zeros(((bottom - top) * finer, (right - left) * finer), np.float32)
    for piece in pieces:
        r0, r1, c0, c1 = _window(piece, pose)
        r0, r1, c0, c1 = max(r0, top), min(r1, bottom), max(c0, left), min(c1, right)
        if r0 < r1 and c0 < c1:
            rays = _fine_rays((r0, r1, c0, c1), pose, finer)
            rows, cols = (
                slice((r0 - top) * finer, (r1 - top) * finer),
                slice((c0 - left) * finer, (c1 - left) * finer),
            )
            paths[rows, cols] += _chords(piece, rays).astype(np.float32)
    return paths.astype(float)


def metal_transmission(bars: list[Bar], case: Case) -> Array:
    """Share (rows, cols) of the beam that bars, and the case's marker ball, let through each pixel."""
    pose = case.pose
    pieces = [piece for bar in bars for piece in metal_pieces(bar, pose)]
    if case.marker is not None:
        centre = phantom.marker_in_camera(case)
        pieces.append(Piece(centre, case.marker.diameter / 2.0, None, [], centre[None]))
    share = np.ones(pose.shape)
    windows = np.array([_window(piece, pose) for piece in pieces]).reshape(-1, 4)
    for top in range(0, pose.shape[0], STRIP):  # strips, so that the fine grid stays small
        bottom = min(top + STRIP, pose.shape[0])
        here = (windows[:, 0] < bottom) & (windows[:, 1] > top) & (windows[:, 2] < windows[:, 3])
        if here.any():
            left, right = int(windows[here, 2].min()), int(windows[here, 3].max())
            some = [piece for piece, is_here in zip(pieces, here, strict=True) if is_here]
            paths = metal_paths(some, pose, FINER, (top, bottom, left, right))
            through = np.exp(-case.exposure.steel * paths)
            grid = through.reshape(bottom - top, FINER, right - left, FINER)
            share[top:bottom, left:right] = grid.mean(axis=(1, 3))
    return share


def _window(piece: Piece, pose: Pose) -> Window:
    """First and last-plus-one row and column of the film that a piece may touch."""
    scale = pose.source_detector / piece.span[:, 2:]
    film = pose.centre + piece.span[:, 1::-1] * scale / np.array(pose.pitch)
    reach = piece.radius * float(scale.max()) * 1.1 / np.array(pose.pitch) + 1.5
    low = np.clip(np.floor(film.min(axis=0) - reach), 0, pose.shape).astype(int)
    high = np.clip(np.ceil(film.max(axis=0) + reach) + 1, 0, pose.shape).astype(int)
    return int(low[0]), int(high[0]), int(low[1]), int(high[1])


def _fine_rays(window: Window, pose: Pose, finer: int) -> Array:
    """Rays (n, m, 3) in the camera's frame through the finer grid of a window of the film."""
    down, across = (
        (np.arange(first * finer, last * finer) + 0.5) / finer - 0.5
        for first, last in (window[:2], window[2:])
    )
    rays = np.empty((len(down), len(across), 3))
    rays[..., 0] = (across - pose.centre[1]) * pose.pitch[1]
    rays[..., 1] = ((down - pose.centre[0]) * pose.pitch[0])[:, None]
    rays[..., 2] = pose.source_detector
    return rays


# ------------------------------------------------------------------------------------------------- image


def _blur(image: Array, sigma: tuple[float, float]) -> Array:
    """Gaussian blur; sigma as (row, col) in pixels."""
    return np.asarray(cv2.GaussianBlur(image, (0, 0), sigmaX=sigma[1], sigmaY=sigma[0]))


def _collimated(case: Case) -> Array:
    """Share (rows, cols) of the beam that the collimator lets through; its edges are half a mm wide."""
    pose, shut = case.pose, case.exposure.collimation
    if shut is None:
        return np.ones(pose.shape)
    edges = []
    for count, pitch in zip(pose.shape, pose.pitch, strict=True):
        place = (np.arange(count) + 0.5) * pitch
        depth = np.minimum(place, count * pitch - place) - shut
        edges.append(np.clip(depth / 0.5 + 0.5, 0.0, 1.0))
    return np.asarray(edges[0][:, None] * edges[1])


def _letter(case: Case) -> Array:
    """Share (rows, cols) of the beam that the lead side letter lets through."""
    pose = case.pose
    across, down = (57.0, 46.0) if pose.view == "lateral" else (-52.0, 44.0)
    across *= -1.0 if pose.side == "L" else 1.0
    place = pose.centre + np.array([down, across]) * pose.magnification / np.array(pose.pitch)
    height = 8.0 / pose.pitch[0]
    ink = np.zeros(pose.shape, np.uint8)
    (width, tall), _ = cv2.getTextSize(pose.side, cv2.FONT_HERSHEY_SIMPLEX, 1.0, 1)
    size, thick = height / tall, max(1, round(1.5 / pose.pitch[0]))
    corner = (round(place[1] - width * size / 2), round(place[0] + height / 2))
    cv2.putText(ink, pose.side, corner, cv2.FONT_HERSHEY_SIMPLEX, size, 1, thick, cv2.LINE_8)
    return np.where(ink > 0, np.exp(-LEAD), 1.0)


def _scattered(primary: Array, case: Case, tissue: Array) -> Array:
    """Scatter (rows, cols): a 15 mm blur of what the tissue lets through, as a share of the primary."""
    step = max(1, round(2.0 / min(case.pose.pitch)))
    small = cv2.resize(
        primary * (1.0 - np.exp(-tissue)), None, fx=1 / step, fy=1 / step, interpolation=cv2.INTER_AREA
    )
    sigma = 15.0 / (np.array(case.pose.pitch) * step)
    wide = _blur(small, (float(sigma[0]), float(sigma[1])))
    rows, cols = case.pose.shape
    return np.asarray(case.exposure.scatter * cv2.resize(wide, (cols, rows), interpolation=cv2.INTER_LINEAR))


@dataclass(frozen=True)
class Rendered:
    """A film as stored. least and greatest are the -log(signal) at the bottom and top of the display range.

    window: the (low, high) grey levels, as stored, between which soft tissue and bone lie.
    """

    pixels: NDArray[np.uint16]
    least: float
    greatest: float
    window: tuple[float, float]


def beam(case: Case) -> tuple[Array, Array]:
    """Work out what arrives over the open beam, without noise or blur, and what the metal lets through."""
    tissue = np.sum([absorption(body, case) for body in [*ulna_bodies(case), *other_bodies(case)]], axis=0)
    metal = metal_transmission(phantom.metal(case), case)
    primary = np.exp(-tissue) * metal * _collimated(case)
    if case.exposure.letter:
        primary *= _letter(case)
    return np.asarray(primary + _scattered(primary, case, tissue)), metal


def detected(arriving: Array, case: Case, rng: np.random.Generator | None) -> Array:
    """Detector signal (rows, cols) of what arrives; blurred, and with a generator noisy."""
    exposure = case.exposure
    row, col = (exposure.blur / pitch for pitch in case.pose.pitch)
    if rng is None:
        seen = _blur(arriving, (row, col))
    else:
        quanta = np.sqrt(arriving / exposure.photons) * rng.standard_normal(arriving.shape)
        seen = _blur(arriving + quanta, (row, col))
        seen += rng.standard_normal(arriving.shape) / exposure.photons
    return np.asarray(np.maximum(seen, 0.3 / exposure.photons))


def _ranges(arriving: Array, metal: Array, case: Case) -> tuple[float, float, float]:
    """-log(signal) at the display's bottom, at the end of bone, and at its top.

    The top lies above the metal, or so low that the pins' middles are clipped flat where saturated.
    """
    level = -np.log(np.maximum(arriving[::2, ::2], 1e-4))
    inside, thin = _collimated(case)[::2, ::2] > 0.99, metal[::2, ::2]
    bone = float(np.quantile(level[inside & (thin > 0.99)], 0.995))
    core = level[inside & (thin < 0.12)]
    if core.size == 0:
        return 0.15, bone, bone + 1.0
    if case.exposure.saturated:
        return 0.15, bone, float(np.quantile(core, 0.2))
    return 0.15, bone, float(np.quantile(core, 0.999)) + 0.4


def _shades(level: Array | float, least: float, greatest: float, case: Case) -> Array:
    """Shares (...) of the display range, 0 dark to 1 light, of -log(signal)."""
    share = (np.asarray(level) - least) / (greatest - least)
    if case.exposure.curve == "sigmoid":
        share = 1.06 / (1.0 + np.exp(-6.0 * (share - 0.5))) - 0.05
    return np.clip(share, 0.0, 1.0)


def render(case: Case, rng: np.random.Generator | None = None) -> Rendered:
    """Film the case. Without a generator, free of noise."""
    arriving, metal = beam(case)
    least, bone, greatest = _ranges(arriving, metal, case)
    shown = _shades(-np.log(detected(arriving, case, rng)), least, greatest, case)
    if case.exposure.shutter and case.exposure.collimation is not None:
        shown = np.where(_collimated(case) < 0.5, 0.0, shown)
    low, high = (float(_shades(level, least, greatest, case)) * TOP for level in (0.3, bone + 0.3))
    grey = np.round(shown * TOP).astype(np.uint16)
    if case.exposure.monochrome == 1:
        grey, low, high = np.asarray(TOP - grey, dtype=np.uint16), TOP - high, TOP - low
    return Rendered(grey, least, greatest, (low, high))
