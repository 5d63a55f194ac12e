"""Fracture-line contrast: how far the line stands out from the bone beside it. For research; never flagged.

Along the fracture line, from one end that the reader placed to the other, the grey in a band over the gap is
taken from the mean of the bone on both sides: the step. It is divided by how far the shaft stands out from
what lies just beyond both its edges on the same film. In a film whose values follow the logarithm of the
exposure, exposure drops out of each difference and the display's gain and polarity out of their ratio; a
curved display does not, nor does scatter. So 1 means: as much bone is missing in the line as the shaft has;
0: the line is filled like its neighbours. A line as narrow as the blur and the band's rim gives less than its
due, so a gap that closes lowers it as one that fills. The shaft is the patient's own and another bone may lie
over its edges, so the number is for one patient's films of one view alone. Metal is left out with a rim;
where too little is left there is no value.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from measure.film import Film
from measure.propagate import SEED
from measure.quantity import Quantity
from measure.reading import CONFIRMED, Reading
from measure.scale import Scale
from measure.sites import Profile, load_site

Array = NDArray[np.float64]
Mask = NDArray[np.bool_]
Ends = tuple[tuple[str, str], tuple[str, str]]

# The two ends of the fracture line at each site and view, each as (proximal, distal) landmark. Not the
# patella, which has no shaft to measure against, nor the tubercles, whose line is placed at one end only.
LINES: dict[tuple[str, str], Ends] = {
    ("olecranon", "lateral"): (
        ("dorsal_edge_proximal", "dorsal_edge_distal"),
        ("articular_edge_proximal", "articular_edge_distal"),
    ),
    ("olecranon", "ap"): (
        ("ulnar_edge_proximal", "ulnar_edge_distal"),
        ("radial_edge_proximal", "radial_edge_distal"),
    ),
    ("medial_malleolus", "ap"): (
        ("medial_edge_proximal", "medial_edge_distal"),
        ("articular_edge_proximal", "articular_edge_distal"),
    ),
}
# Millimetres; our choice. The band reaches beyond the placed margins by RIM, for they are not placed exactly;
# the bone beside it begins GUARD further on, out of the margins' blur, and is BONE wide.
RIM, GUARD, BONE = 0.3, 0.7, 2.5
TRIM = 1.5  # left out at each end, where the cortex is cut at a slant
STEP = 0.25  # between stations along the line
BLOCK = 3  # stations whose mean counts as one sample of the bone's texture
METAL, METAL_RIM = 0.35, 0.6  # share of the way from bone to the pins' grey; mm left out around
INSIDE, BESIDE = (0.05, 0.95), ((-0.2, -0.08), (1.08, 1.2))  # shares of the shaft's width, from its near edge
LEAST_CLEAR, LEAST_BLOCKS = 0.25, 3  # share of the line, and blocks, that must be clear of metal
LEAST_SHADOW = 2.0  # times its spread along the shaft that it must stand out
MOST_CLIPPED = 0.05  # share of places at the film's darkest or lightest value
ACROSS = 9  # samples across each band
LEVELS = 48  # along the shaft
DRAWS = 100
PINS = (("pin1_tip", "pin1_straight"), ("pin2_tip", "pin2_straight"))


@dataclass(frozen=True)
class Contrast:
    """The contrast, in steps of the shaft, or why there is none; `clear` is the share of line used."""

    quantity: Quantity | None = None
    reason: str | None = None
    clear: float = 0.0

    def text(self) -> str:
        """Say it in words."""
        if self.quantity is None:
            return f"none: {self.reason}"
        return f"{self.quantity.text()}, over {100 * self.clear:.0f} % of the line"


def fracture_contrast(
    film: Film, reading: Reading, scale: Scale | None, profile: Profile | None = None
) -> Contrast:
    """Measure the contrast of the fracture line on one film.

    Its uncertainty is that of the bone's texture, along the line and along the shaft, and of placing
    the landmarks, the latter by drawing them anew (JCGM 101:2008). `profile` says how well they are placed;
    default the site's.
    """
    ends = LINES.get((reading.site, reading.view))
    if ends is None:
        return Contrast(reason="it is not defined for this site and view")
    if scale is None:
        return Contrast(reason="no scale")
    axis = load_site(reading.site).views[reading.view].axis
    needed = [*ends[0], *ends[1], axis["near"], axis["far"]]
    if lacking := [name for name in needed if not _placed(reading, name)]:
        return Contrast(reason=f"not placed and confirmed: {', '.join(lacking)}")
    pins = [(tip, end) for tip, end in PINS if _placed(reading, tip) and _placed(reading, end)]
    if not pins:
        return Contrast(reason="no pin is placed, so metal cannot be told from bone")
    size = np.array(scale.mm_per_px)
    profile = profile or load_site(reading.site).profile
    drawn = {name: _drawn(reading, name, profile, size) for name in needed}
    along = np.concatenate([np.linspace(*(reading.landmarks[n].array[0] for n in pin)) for pin in pins])
    shaft = _pixels(shaft_bands(drawn[axis["near"]], drawn[axis["far"]]), size)
    bands = _pixels(line_bands(*(drawn[name][:, 0] for pair in ends for name in pair)), size)
    values = film.values()
    part, corner = _part_around(values, size, bands, shaft, along.T)
    grey = exposure_logarithm(film, part)
    clear = clear_of_metal(grey, _from(corner, along.T), _from(corner, shaft[:, 0, 0]), size)
    extremes = exposure_logarithm(film, np.array([values.min(), values.max()]))
    return _put_together(_Sampled(grey, clear, corner), bands, shaft, extremes, reading.film_id)


def _placed(reading: Reading, name: str) -> bool:
    mark = reading.landmarks.get(name)
    return mark is not None and mark.status == CONFIRMED


def _drawn(reading: Reading, name: str, profile: Profile, size: Array) -> Array:
    """Points (DRAWS + 1, n, 2) in mm: as placed, then drawn anew by how well they are placed."""
    points = reading.landmarks[name].array * size
    u = profile.placement(name) * load_site(reading.site).views[reading.view].landmark[name].spread
    rng = np.random.default_rng([SEED, *name.encode()])
    errors = rng.normal(0.0, u, (DRAWS, *points.shape))
    return np.asarray(points + np.concatenate([np.zeros((1, *points.shape)), errors]))


def exposure_logarithm(film: Film, values: NDArray[np.float32]) -> Array:
    """Turn a film's values to what follows the logarithm of the exposure, up to a factor and a constant."""
    wide = values.astype(np.float64)
    return np.log(np.maximum(wide, 1.0)) if film.grey.linear else wide


def _pixels(places: Array, size: Array) -> Array:
    """Places (..., 2) in mm as pixels (2, ...): rows and columns apart are quick to sample by."""
    return np.stack([places[..., 0] / size[0], places[..., 1] / size[1]])


def _from(corner: NDArray[np.intp], pixels: Array) -> Array:
    """Pixels (2, ...) of a film as those of its part that begins at a corner."""
    return np.asarray(pixels - corner.reshape(2, *[1] * (pixels.ndim - 1)))


def _part_around(
    values: NDArray[np.float32], size: Array, *groups: Array
) -> tuple[NDArray[np.float32], NDArray[np.intp]]:
    """Cut out what lies around pixels (2, ...), with a margin for metal's rim; and say where it begins."""
    margin, end = np.ceil(METAL_RIM / size) + 2, np.array(values.shape)
    low = np.min([group.reshape(2, -1).min(axis=1) for group in groups], axis=0) - margin
    high = np.max([group.reshape(2, -1).max(axis=1) for group in groups], axis=0) + margin + 1
    (top, left), (bottom, right) = (
        np.clip(low, 0, end - 1).astype(np.intp),
        np.clip(high, 1, end).astype(np.intp),
    )
    return values[top:bottom, left:right], np.array([top, left])


def line_bands(one: Array, two: Array, three: Array, four: Array) -> Array:
    """Places (draws, 3, stations, across, 2), mm, of the bone before, the band and the bone beyond.

    Parameters
    ----------
    one, two, three, four
        (draws, 2), mm: both margins' points at one end of the line, then at the other.
    """
    start, stop = (one + two) / 2.0, (three + four) / 2.0
    length = np.linalg.norm(stop - start, axis=-1, keepdims=True)
    along = (stop - start) / length
    across = np.stack([-along[:, 1], along[:, 0]], axis=-1)
    count = BLOCK * max(1, int((length[0, 0] - 2 * TRIM) / (STEP * BLOCK)))
    place = TRIM + (length - 2 * TRIM) * (np.arange(count) + 0.5) / count  # (draws, stations)
    gaps = [np.sum((b - a) * across, axis=-1, keepdims=True) for a, b in ((one, two), (three, four))]
    half = np.abs(gaps[0] + (gaps[1] - gaps[0]) * place / length) / 2.0 + RIM
    outer = half[..., None] + GUARD + BONE * np.linspace(0.0, 1.0, ACROSS)
    offsets = np.stack([-outer, half[..., None] * np.linspace(-1.0, 1.0, ACROSS), outer], axis=1)
    middle = start[:, None] + place[..., None] * along[:, None]
    return _each_way(lambda way: middle[:, None, :, None, way] + offsets * across[:, None, None, None, way])


def shaft_bands(near: Array, far: Array) -> Array:
    """Places (draws, 2, stations, across, 2), mm, in the shaft and just beyond its edges.

    Parameters
    ----------
    near, far
        (draws, n, 2), mm: points on the two cortices at the same levels.
    """
    last = min(near.shape[1], far.shape[1]) - 1
    level = np.linspace(0.0, 1.0, LEVELS)[:, None]
    edge, other = (side[:, :1] + level * (side[:, last : last + 1] - side[:, :1]) for side in (near, far))
    inside = np.linspace(*INSIDE, 2 * ACROSS)
    share = np.stack([inside, np.concatenate([np.linspace(*zone, ACROSS) for zone in BESIDE])])
    width = (other - edge)[:, None, :, None]
    return _each_way(lambda way: edge[:, None, :, None, way] + share[:, None] * width[..., way])


def _each_way(places: Callable[[int], Array]) -> Array:
    """Places (..., 2) from a function that gives their rows (0) or columns (1), kept apart in memory."""
    return np.moveaxis(np.stack([places(0), places(1)]), 0, -1)


def clear_of_metal(grey: Array, pins: Array, shaft: Array, size: Array) -> Mask:
    """Mask (rows, columns) of what is neither metal nor its rim.

    Told by the grey at pixels on pins (2, n) and within the shaft (2, ...).
    """
    bone, metal = (float(np.median(_at(grey, pixels))) for pixels in (shaft, pins))
    import cv2

    light = (grey - bone) / ((metal - bone) or np.inf) > METAL  # of either polarity
    rows, columns = (2 * int(np.ceil(METAL_RIM / length)) + 1 for length in size)
    rim = cv2.getStructuringElement(cv2.MORPH_ELLIPSE, (columns, rows))
    return np.asarray(cv2.dilate(light.astype(np.uint8), rim) == 0)


def _at(image: Array, pixels: Array) -> Array:
    """Values (...) of an image at pixels (2, ...), between them linearly."""
    from scipy.ndimage import map_coordinates  # slow to load

    return np.asarray(map_coordinates(image, pixels, order=1, mode="nearest"))


@dataclass(frozen=True)
class _Sampled:
    """Part of a film to take means from: grey and what is clear of metal (rows, columns).

    `corner` is the film's pixel at which the part begins.
    """

    grey: Array
    clear: Mask
    corner: NDArray[np.intp]

    def means(self, pixels: Array) -> Array:
        """Mean over the last way of what is clear, (...) of pixels (2, ..., across); nan where too little."""
        values, usable = self._taken(pixels)
        count = usable.sum(axis=-1)
        total = np.where(usable, values, 0.0).sum(axis=-1)
        return np.asarray(np.where(count >= pixels.shape[-1] / 2.0, total / np.maximum(count, 1), np.nan))

    def clipped(self, pixels: Array, extremes: Array) -> bool:
        """Whether the film is cut flat, dark or light, at many of the clear pixels."""
        values, usable = self._taken(pixels)
        values = values[usable]
        return bool(np.mean((values <= extremes[0]) | (values >= extremes[1])) > MOST_CLIPPED)

    def _taken(self, pixels: Array) -> tuple[Array, Mask]:
        """Grey at pixels, and whether they are clear of metal."""
        nearest = (
            np.clip(np.round(place).astype(np.intp) - first, 0, size - 1)
            for place, first, size in zip(pixels, self.corner, self.clear.shape, strict=True)
        )
        return _at(self.grey, _from(self.corner, pixels)), np.asarray(self.clear[tuple(nearest)])


def _put_together(sampled: _Sampled, bands: Array, shaft: Array, extremes: Array, film_id: str) -> Contrast:
    """Contrast from pixels (2, draws, 3, ...) along the line and (2, draws, 2, ...) along the shaft.

    `extremes` are the film's least and greatest grey.
    """
    before, band, beyond = np.moveaxis(sampled.means(bands), 1, 0)
    inside, beside = np.moveaxis(sampled.means(shaft), 1, 0)
    steps, shadows = (before + beyond) / 2.0 - band, inside - beside
    clear = float(np.mean(np.isfinite(steps[0])))
    blocks, levels = _blocks(steps[0]), _blocks(shadows[0])
    if clear < LEAST_CLEAR or len(blocks) < LEAST_BLOCKS:
        return Contrast(reason=f"metal hides the line: {100 * clear:.0f} % of it is clear", clear=clear)
    if len(levels) < LEAST_BLOCKS or abs(levels.mean()) <= LEAST_SHADOW * levels.std(ddof=1):
        return Contrast(reason="the shaft does not stand out from what lies beside it", clear=clear)
    if sampled.clipped(bands[:, 0], extremes) or sampled.clipped(shaft[:, 0], extremes):
        return Contrast(reason="the film is clipped there: over- or under-exposed", clear=clear)
    values = _mean(steps) / _mean(shadows)
    rough, uneven = (group.std(ddof=1) / np.sqrt(len(group)) for group in (blocks, levels))
    parts = {
        f"contrast:{film_id}:texture": float(rough / levels.mean()),
        f"contrast:{film_id}:shaft": float(values[0] * uneven / levels.mean()),
        f"contrast:{film_id}:placing": float(np.nanstd(values[1:])),
    }
    return Contrast(Quantity(float(values[0]), "1", parts), None, clear)


def _mean(values: Array) -> Array:
    """Mean (draws,) over stations (draws, stations) that have a value; nan where none has."""
    known = np.isfinite(values)
    count = np.where(known.any(axis=-1), known.sum(axis=-1), np.nan)
    return np.asarray(np.where(known, values, 0.0).sum(axis=-1) / count)


def _blocks(steps: Array) -> Array:
    """Means of stretches of what is clear of a line: samples of the texture."""
    known = steps[np.isfinite(steps)]
    return np.asarray(known[: len(known) // BLOCK * BLOCK].reshape(-1, BLOCK).mean(axis=1))
