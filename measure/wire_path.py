"""The wire's visible path: middle lines of its metal, their ends, and polylines along them.

Places are (station, sample) of a `wire_map.WireMap`.
"""

from __future__ import annotations

import cv2
import numpy as np
from numpy.typing import NDArray
from scipy.ndimage import convolve, gaussian_filter1d, label

from measure.lines import Array
from measure.pins import PIN_MM
from measure.wire_map import Mask, WireMap

LEAST_MM, CUT_MM = 2.0, 1.0  # of a piece of wire; of one that a pin cuts short
TWIG_MM = 1.2  # shorter side branches of a middle line are none
ARM_MM = 2.5  # over which an end's way is told
SMOOTH_MM = 0.3  # over which a path is smoothed
REACH_MM = 0.75  # to either side, within which a path is moved to the metal's middle
DENSE = 0.75  # of the wire's usual height, a piece of it has at least
BESIDE = 0.45  # of a wire's height, less than this is left beside it
UNDER_MM = 0.8  # from a pin's edge: an end so near goes behind the pin
UNDER_SHARE = 0.7  # of what joins two such ends, which lies under pins
UNDER_AIM = 1.7  # cosines of how far the one points past the other, both together
LONGEST_MM = 25.0  # of what is hidden at one place
STRAIGHT_MM, BENT_MM = 5.0, 0.06  # a straight stretch's length, and how far its path leaves the chord's fit
APART_MM = 1.2  # of a straight stretch from pins and from its line's ends
ONE = 1.25  # the mass of one wire alone, of the film's least
# Of its middle's height, one wire is below to either side; its width at half height.
ROUND, ROUND_MM = 0.24, 0.95


def middle_lines(wmap: WireMap) -> tuple[Mask, Array]:
    """Middle lines of the wire, and their ends (n, 2) as (station, sample)."""
    from skimage.morphology import skeletonize

    bones = np.asarray(skeletonize(wmap.mask), dtype=bool)
    numbers, _ = label(bones, np.ones((3, 3)))
    least = np.where(_reach(numbers, ~wmap.clear), CUT_MM, LEAST_MM)
    kept = np.bincount(numbers.ravel()) * wmap.px_mm >= least
    kept[0] = False
    bones = kept[numbers]
    neighbours = convolve(bones.astype(int), np.ones((3, 3), int), mode="constant") - 1
    forks = (bones & (neighbours > 2)).astype(np.uint8)
    size = 2 * round(TWIG_MM / wmap.px_mm) + 1
    twigs, _ = label(cv2.dilate(forks, np.ones((size, size), np.uint8)))
    ends = np.argwhere(bones & (neighbours == 1))
    at = twigs[tuple(ends.T)]
    lines_ends = [
        end
        for end, fork in zip(ends, at, strict=True)
        if not fork or ((at == fork).sum() > 1 and _furthest(end, ends[at == fork], twigs == fork))
    ]
    return bones, np.array(lines_ends, dtype=float).reshape(-1, 2)


def _reach(numbers: NDArray[np.intp], pins: Mask) -> Mask:
    """Whether numbered lines (0 is none) come within half a wire of what pins hide: by number."""
    near = cv2.dilate(pins.astype(np.uint8), np.ones((9, 9), np.uint8)) > 0
    found = np.zeros(numbers.max() + 1, dtype=bool)
    found[np.unique(numbers[near])] = True
    return found


def _furthest(end: NDArray[np.intp], ends: NDArray[np.intp], fork: Mask) -> bool:
    """Whether an end lies furthest from its fork of all that lie near it: a line's end, not a side branch."""
    away = np.linalg.norm(ends - np.argwhere(fork).mean(axis=0), axis=1)
    return bool(np.all(end == ends[np.argmax(away)]))


def ways(bones: Mask, ends: Array, arm: float) -> Array:
    """Tell the ways (n, 2), unit vectors, in which the ends point, from an arm's length of their lines."""
    found = np.zeros((len(ends), 2))
    for number, end in enumerate(ends):
        away = end - _arm(bones, end, arm).mean(axis=0)
        found[number] = away / max(float(np.linalg.norm(away)), 1e-9)
    return found


def _arm(bones: Mask, end: Array, arm: float) -> Array:
    """Places (n, 2) of the line that an end (2,) belongs to, within an arm's length of it either way."""
    low = np.maximum(end - np.ceil(arm), 0).astype(int)
    high = (end + np.ceil(arm) + 1).astype(int)
    near, _ = label(bones[low[0] : high[0], low[1] : high[1]], np.ones((3, 3)))
    return np.asarray(np.argwhere(near == near[tuple((end - low).astype(int))]) + low, dtype=float)


def arm_line(wmap: WireMap, bones: Mask, end: Array, length_mm: float) -> Array:
    """Line (n, 2) that leads to an end (2,), of about a length."""
    return _smooth(wmap, _in_order(_arm(bones, end, length_mm / wmap.px_mm)))


def polylines(wmap: WireMap, bones: Mask) -> list[Array]:
    """Follow the middle lines: polylines (n, 2), a pixel from place to place, from fork to fork."""
    neighbours = convolve(bones.astype(int), np.ones((3, 3), int), mode="constant") - 1
    forks = cv2.dilate((bones & (neighbours > 2)).astype(np.uint8), np.ones((3, 3), np.uint8)) > 0
    numbers, count = label(bones & ~forks, np.ones((3, 3)))
    places = np.argwhere(numbers)
    number = numbers[tuple(places.T)]
    found = (_in_order(places[number == each]) for each in range(1, count + 1))
    return [_centred(wmap, line) for line in found if len(line) * wmap.px_mm >= TWIG_MM]


def is_thin(wmap: WireMap, line: Array) -> bool:
    """Whether metal along a line (n, 2) is as high as a wire and falls off to either side: no cortex."""
    profile = np.median(across(wmap, line)[0], axis=0)
    thin = (profile[0] + profile[-1]) / 2.0 < BESIDE * profile.max()
    return bool(thin and profile.max() > DENSE * wmap.height)


def _in_order(places: Array) -> Array:
    """Sort the places (n, 2) of a line without forks from one end to the other."""
    from scipy.sparse.csgraph import dijkstra
    from scipy.spatial import cKDTree

    joints = cKDTree(places).sparse_distance_matrix(cKDTree(places), 1.5, output_type="coo_matrix").tocsr()
    far = dijkstra(joints, indices=0)
    return np.asarray(places[np.argsort(dijkstra(joints, indices=int(np.argmax(far))))], dtype=float)


def _centred(wmap: WireMap, line: Array) -> Array:
    """Smooth a line (n, 2), and move it across to the middle of the metal."""
    smooth = _smooth(wmap, line)
    profile, away, aside = across(wmap, smooth)
    weight = np.clip(profile - 0.5 * profile.max(axis=1, keepdims=True), 0.0, None) + 1e-9
    shift = (weight * away).sum(axis=1) / weight.sum(axis=1)
    return _smooth(wmap, smooth + shift[:, None] * aside)


def _smooth(wmap: WireMap, line: Array) -> Array:
    return np.asarray(gaussian_filter1d(line, SMOOTH_MM / wmap.px_mm, axis=0, mode="nearest"))


def across(wmap: WireMap, line: Array) -> tuple[Array, Array, Array]:
    """Sample metal (n, m) across a line (n, 2), at distances (m,) in pixels along unit vectors (n, 2)."""
    along = np.gradient(line, axis=0)
    along /= np.maximum(np.linalg.norm(along, axis=1, keepdims=True), 1e-9)
    aside = np.stack([-along[:, 1], along[:, 0]], axis=1)
    reach = REACH_MM / wmap.px_mm
    away = np.linspace(-reach, reach, 31)
    places = (line[:, None] + away[:, None] * aside[:, None]).astype(np.float32)
    seen = cv2.remap(wmap.metal, places[..., 1], places[..., 0], cv2.INTER_LINEAR)
    return np.asarray(seen, dtype=float), away, aside


def hidden_mm(wmap: WireMap, bones: Mask, ends: Array) -> float:
    """Length of wire that pins hide, mm: between ends at pins that point at each other across them."""
    ends = ends[_at_pin(wmap, ends)]
    if len(ends) < 2:
        return 0.0
    arms = ways(bones, ends, ARM_MM / wmap.px_mm)
    apart = ends[None] - ends[:, None]
    length = np.linalg.norm(apart, axis=-1)
    aim = np.einsum("ijk,ik->ij", apart, arms) / np.maximum(length, 1e-9)
    pairs = (aim + aim.T > UNDER_AIM) & (length * wmap.px_mm < LONGEST_MM)
    total, used = 0.0, set[int]()
    for one, other in sorted(np.argwhere(np.triu(pairs)).tolist(), key=lambda pair: length[*pair]):
        between = np.linspace(ends[one], ends[other], 41)
        if not used & {one, other} and _at_pin(wmap, between).mean() > UNDER_SHARE:
            total += float(length[one, other]) * wmap.px_mm
            used |= {one, other}
    return total


def overlaid_mm(wmap: WireMap, knots: Mask) -> float:
    """Length over which the limbs of a lateral film's wire lie on each other, distal to its knots, mm."""
    first = int(np.flatnonzero(knots.any(axis=1))[-1]) + 1 if knots.any() else 0
    largest = wmap.pieces == np.argmax(np.bincount(wmap.pieces[wmap.mask])) if wmap.mask.any() else wmap.mask
    limbs = np.count_nonzero(np.diff(largest[first:].astype(int), axis=1, prepend=0) == 1, axis=1)
    return float(np.sum(limbs == 1)) * wmap.px_mm


def _at_pin(wmap: WireMap, places: Array) -> Mask:
    rows, columns = np.round(places).astype(int).T
    return np.asarray(wmap.beside[rows, columns] < PIN_MM / 2.0 + UNDER_MM)


def straight_stretches(wmap: WireMap, lines: list[Array], knotted: Mask) -> list[Array]:
    """Cut out of the path what is one wire alone, straight, off pins and knots: polylines (n, 2).

    One alone is told from two on each other by the mass across it, against the least on the film.
    """
    size, margin = round(STRAIGHT_MM / wmap.px_mm), round(APART_MM / wmap.px_mm)
    found: list[tuple[float, Array]] = []
    for line in lines:
        for start in range(margin, len(line) - margin - size, size):
            piece = line[start : start + size]
            rows, columns = np.round(piece).astype(int).T
            off = wmap.beside[rows, columns].min() > PIN_MM / 2.0 + APART_MM
            if off and not knotted[rows, columns].any() and _bent(piece) * wmap.px_mm < BENT_MM:
                metal = across(wmap, piece)[0]
                if _is_round(np.median(metal, axis=0)):
                    found.append((float(metal.mean()), piece))
    if not found:
        return []
    least = float(np.quantile([mass for mass, _ in found], 0.2))
    return [piece for mass, piece in found if mass < ONE * least]


def _is_round(profile: Array) -> bool:
    """Whether a profile (m,) across a line is narrow and falls off to both sides, as no cortex does."""
    least, middle = max(profile[0], profile[-1]), profile.max()
    width = 2.0 * REACH_MM * float(np.mean(profile > middle / 2.0))
    return bool(least < ROUND * middle and width < ROUND_MM)


def _bent(piece: Array) -> float:
    """Tell the standard deviation of a piece's places (n, 2) across the line that fits them best, pixels."""
    return float(np.linalg.svd(piece - piece.mean(axis=0), compute_uv=False)[1] / np.sqrt(len(piece)))
