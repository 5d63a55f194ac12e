"""Films, landmarks and lines as layer data, and back. No Qt, no napari.

Layer data are in the film's own pixels, (row, column), 0-based at pixel centres. A layer's affine turns
them into the room's plane: the index film's pixels, made square. Numbers are never taken from there.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from measure.film import Film
from measure.geometry import Points
from measure.measurements import Measurement
from measure.reading import CONFIRMED, PROPOSED, Landmark
from measure.scale import scales_for
from measure.series import MeasuredFilm
from measure.sites import View
from viewer import placing
from viewer.drafts import Draft
from viewer.lines import AXIS, SPAN, Line, lines_for

Affine = NDArray[np.float64]


@dataclass(frozen=True)
class Look:
    """How a state is drawn: shape, words and colour say the same thing three times."""

    symbol: str
    colour: str
    words: str
    sign: str


# Blue against amber against violet-grey are apart in lightness too, for every common colour blindness.
LOOKS = {
    CONFIRMED: Look("disc", "#62c8ff", "confirmed", "●"),
    PROPOSED: Look("diamond", "#ffb224", "proposed: confirm it", "◇"),
    "not assessable": Look("x", "#c9b3d9", "not assessable", "✕"),
    "absent": Look("ring", "#c9b3d9", "looked for, absent", "∅"),
    "half placed": Look("triangle_up", "#ffffff", "needs more points", "△"),
    "to do": Look("ring", "#8d99a6", "to do", "○"),
}
LINE_COLOURS = {AXIS: "#7fa8c9", SPAN: "#f4f4f4"}
HIGHLIGHT = "#ff7ac8"
AIM_LOOK = Look("cross", "#ffffff", "where the keyboard points", "+")
SCALE_LOOK = Look("square", "#9be39b", "scale", "■")


def film_layer(film: Film) -> tuple[Any, dict[str, Any], str]:
    """Image layer of one film in its own pixels; scale in millimetres only where the file supports one.

    The name holds date, view and side, and nothing that names the patient.
    """
    shades = film.display()
    date = film.date.isoformat() if film.date else "no date"
    attributes: dict[str, Any] = {
        "name": f"{date} {film.view or 'view not stated'} {film.laterality or 'side not stated'}",
        "contrast_limits": starting_window(shades, film.padding_mask()),
        "colormap": "gray",
    }
    scales = scales_for(film, film.digest)
    if scales:
        attributes |= {"scale": scales[0].mm_per_px, "units": ("mm", "mm")}
    return shades, attributes, "image"


@dataclass(frozen=True)
class Mark:
    """One point on a film: whose it is, where, and how it is drawn."""

    name: str
    number: int
    point: tuple[float, float]
    look: Look
    label: str
    in_hand: bool


def look_of(landmark: Landmark | None, least: int) -> Look:
    """How a landmark is shown in the list and on the film."""
    if landmark is None:
        return LOOKS["to do"]
    if landmark.status == CONFIRMED and len(landmark.points) < least:
        return LOOKS["half placed"]
    return LOOKS[landmark.status]


def marks(draft: Draft, view: View, in_hand: str | None = None) -> list[Mark]:
    """Every point of a draft in the table's order, and of its clicked scales; what is in hand comes last."""
    found = []
    for place, row in enumerate(view.landmarks, start=1):
        landmark = draft.landmarks.get(row.name)
        if landmark is None:
            continue
        look = look_of(landmark, row.points[0])
        for number, point in enumerate(landmark.points):
            letter = chr(ord("a") + number) if row.points[1] > 1 else ""
            doubt = "?" if landmark.status == PROPOSED else ""
            found.append(Mark(row.name, number, point, look, f"{place}{letter}{doubt}", row.name == in_hand))
    for given in draft.scale_inputs:
        for number, point in enumerate(given.points):
            label = f"{given.mm:g} mm" if number else ""
            found.append(Mark(f"scale {given.kind}", number, point, SCALE_LOOK, label, False))
    return sorted(found, key=lambda mark: mark.in_hand)  # what is in hand lies uppermost


def in_order(found: Sequence[Mark], drawn: Sequence[Mark]) -> list[Mark]:
    """Return marks in the order in which they were drawn, new ones last; labels and sizes then hold."""
    places = {(mark.name, mark.number): place for place, mark in enumerate(drawn)}
    return sorted(found, key=lambda mark: places.get((mark.name, mark.number), len(places)))


def points_layer(found: Sequence[Mark]) -> dict[str, Any]:
    """Return data and attributes of the points layer."""
    return {
        "data": np.array([mark.point for mark in found], dtype=np.float64).reshape(-1, 2),
        "symbol": [mark.look.symbol for mark in found],
        "border_color": [HIGHLIGHT if mark.in_hand else mark.look.colour for mark in found],
    }


def label_offsets(found: Sequence[Mark], places: Points) -> list[placing.Offset | None]:
    """From each mark at (n, 2) places on the screen to its label; None where that has no room.

    What is in hand is labelled first, and always; then what waits for the reader, at some distance if need
    be; then the rest in the table's order, but close by or not at all, so that the film is seen.
    """
    rank = [(not mark.in_hand, mark.look is LOOKS[CONFIRMED], number) for number, mark in enumerate(found)]
    certain = frozenset(number for number, mark in enumerate(found) if mark.in_hand)
    near = frozenset(number for other, sure, number in rank if other and sure)
    order = [number for *_, number in sorted(rank)]
    return placing.label_offsets(places, [mark.label for mark in found], order, certain, near)


def drawn_rows(view: View) -> set[str]:
    """Quantities whose lines are always drawn: those that a threshold, or a change with one, rests on."""
    judged = {row.quantity for row in view.thresholds}
    behind = {
        estimate.quantity
        for change in view.changes
        if change.name in judged
        for estimate in (*change.mobile, *change.reference)
    }
    return judged | behind


def film_lines(
    film: MeasuredFilm, aspect: tuple[float, float], highlighted: Iterable[tuple[str, str]] = ()
) -> list[tuple[str, Line]]:
    """Return (colour, line) of what is drawn on a film; highlighted quantities come last, in their colour."""
    chosen = set(highlighted)
    usual = drawn_rows(film.view)
    plain: list[tuple[str, Line]] = []
    bright: list[tuple[str, Line]] = []
    for measurement in film.measurements:
        if measurement.key in chosen:
            bright += [(HIGHLIGHT, line) for line in _lines(measurement, film, aspect)]
        elif measurement.row.name in usual:
            plain += [(LINE_COLOURS[line[0]], line) for line in _lines(measurement, film, aspect)]
    return [*plain, *bright]


def _lines(measurement: Measurement, film: MeasuredFilm, aspect: tuple[float, float]) -> list[Line]:
    return lines_for(measurement.row, film.reading.landmarks, aspect) if measurement.quantity else []


def vectors_layer(coloured: Sequence[tuple[str, Line]]) -> tuple[NDArray[np.float64], list[str]]:
    """Vectors (n, 2, 2) of start and way for every piece of every line, and the colour of each."""
    pieces = [np.stack([line[:-1], np.diff(line, axis=0)], axis=1) for _, (_, line) in coloured]
    colours = [colour for (colour, _), piece in zip(coloured, pieces, strict=True) for _ in piece]
    return (np.concatenate(pieces) if pieces else np.empty((0, 2, 2))), colours


# --- The room's plane ---


def index_affine(film: Film) -> Affine:
    """Affine (3, 3) of the index film: its pixels made square."""
    return np.diag([*film.aspect, 1.0])


def film_affine(index: MeasuredFilm, index_film: Film, later: MeasuredFilm, film: Film) -> Affine:
    """Affine (3, 3) that lays a later film's reference bone on the index film's.

    From the landmarks of the fragment that serves as reference, where both films have two or more of
    its points; else the films are laid centre on centre at one scale, or as high where that is not known.
    """
    size, index_size = np.array(film.aspect), np.array(index_film.aspect)
    pairs = _shared_points(index, later)
    if len(pairs[0]) >= 2:
        return similarity(pairs[1] * size, pairs[0] * index_size) @ index_affine(film)
    pixel, index_pixel = _pixel(later, film), _pixel(index, index_film)
    if pixel is not None and index_pixel is not None:
        ratio = pixel / index_pixel
    else:
        ratio = index_film.pixels.shape[0] * index_size[0] / (film.pixels.shape[0] * size[0])
    centres = [0.5 * (np.array(f.pixels.shape) - 1) * s for f, s in ((film, size), (index_film, index_size))]
    affine = np.diag([ratio, ratio, 1.0])
    affine[:2, 2] = centres[1] - ratio * centres[0]
    return affine @ index_affine(film)


def _pixel(measured: MeasuredFilm, film: Film) -> float | None:
    """Return a column's pixel size to lay films together by: at the bone, else on the detector; mm."""
    if measured.scale:
        return measured.scale.mm_per_px[1]
    spacing = film.spacing.imager or film.spacing.pixel
    return spacing[1] if spacing else None


def _shared_points(a: MeasuredFilm, b: MeasuredFilm) -> tuple[Points, Points]:
    """Points (n, 2) of the reference fragment that both films have, in the same order."""
    mine: list[Points] = []
    theirs: list[Points] = []
    for row in a.view.landmarks:
        one, other = a.reading.landmarks.get(row.name), b.reading.landmarks.get(row.name)
        single = row.part == "distal" and row.points == (
            1,
            1,
        )  # several points need not be at the same places
        if single and one and other and one.located and other.located:
            mine.append(one.array)
            theirs.append(other.array)
    empty = np.empty((0, 2))
    return np.concatenate([empty, *mine]), np.concatenate([empty, *theirs])


def similarity(source: Points, target: Points) -> Affine:
    """Affine (3, 3) of turn, scale and shift that takes (n, 2) source points to target by least squares.

    Umeyama 1991 without reflection, in complex numbers: target = a source + b.
    """
    s, t = source @ [1, 1j], target @ [1, 1j]
    centred = s - s.mean()
    factor = (np.conj(centred) @ (t - t.mean())) / (np.conj(centred) @ centred).real
    shift = t.mean() - factor * s.mean()
    a, b = factor.real, factor.imag
    return np.array([[a, -b, shift.real], [b, a, shift.imag], [0.0, 0.0, 1.0]])


def apply(affine: Affine, points: Points) -> Points:
    """Points (..., 2) taken through an affine (3, 3)."""
    result: Points = points @ affine[:2, :2].T + affine[:2, 2]
    return result


def inverse(affine: Affine) -> Affine:
    """Affine (3, 3) that undoes another."""
    result: Affine = np.linalg.inv(affine).astype(np.float64)
    return result


def starting_window(
    shades: NDArray[np.float32], padding: NDArray[np.bool_] | None = None
) -> tuple[float, float]:
    """Limits of grey to begin with: from the 1st to the 99.8th percentile of what is picture."""
    thinned = shades[::8, ::8]
    shown = thinned if padding is None else thinned[~padding[::8, ::8]]
    if not shown.size:
        return 0.0, 1.0
    low, high = np.percentile(shown, (1.0, 99.8))
    return (float(low), float(high)) if high > low else (0.0, 1.0)


def mean_grey(shades: NDArray[np.float32], limits: tuple[float, float], points: Points) -> float:
    """Mean of a film's greys at (n, 2) points as its limits show them, 0 to 1; off the film is black."""
    rows, columns = points.round().astype(int).T
    on = (rows >= 0) & (rows < shades.shape[0]) & (columns >= 0) & (columns < shades.shape[1])
    low, high = limits
    grey = np.clip((shades[rows[on], columns[on]] - low) / max(high - low, 1e-6), 0.0, 1.0)
    return float(grey.sum()) / len(points)
