"""Drawings for a report: annotated films and trends, as parts that a PDF and an HTML page draw alike.

Places in a figure are (x, y) in points, x to the right and y downwards from the top left corner.
"""

from __future__ import annotations

import itertools
import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from measure.export import days_since_surgery
from measure.film import Film
from measure.flags import Flag, effective_limit
from measure.geometry import axis_frame
from measure.quantity import UNIT_TEXT
from measure.reading import CONFIRMED
from measure.report import title
from measure.series import INDEX, Case, Change, MeasuredFilm

Place = tuple[float, float]

# Colours that colour-blind eyes tell apart (Okabe & Ito); a shape of its own says the same.
PART_STYLES = {
    "distal": ("#56B4E9", "circle", "distal fragment"),
    "proximal": ("#E69F00", "square", "proximal fragment"),
    "pin": ("#F0E442", "triangle", "pin"),
    "wire": ("#FF8FD0", "diamond", "wire"),
}
_OTHER = ("#FFFFFF", "circle", "other")
INK, GREY, RED = "#1a1a1a", "#777777", "#b00020"
_AROUND_MM = 14.0  # bone shown beyond the outermost landmark
_AROUND = 0.15  # the same as a share of their extent, on a film without a scale
_PX_PER_POINT = 3.0  # pixels kept for each point of the page: 216 to the inch


@dataclass(frozen=True)
class Line:
    """A line through places."""

    places: tuple[Place, ...]
    colour: str
    width: float = 0.8
    dashed: bool = False


@dataclass(frozen=True)
class Mark:
    """A small circle, square, triangle or diamond; hollow where nobody has confirmed what it marks."""

    place: Place
    shape: str
    colour: str
    filled: bool = True
    radius: float = 1.7

    def outline(self) -> tuple[Place, ...]:
        """Corners; a circle has sixteen."""
        corners, first = {"circle": (16, 0), "square": (4, 45), "triangle": (3, -90), "diamond": (4, 0)}[
            self.shape
        ]
        angles = (math.radians(first + 360 * i / corners) for i in range(corners))
        x, y = self.place
        return tuple((x + self.radius * math.cos(a), y + self.radius * math.sin(a)) for a in angles)


@dataclass(frozen=True)
class Words:
    """Text on one line; `anchor` is "start", "middle" or "end"."""

    place: Place
    text: str
    colour: str = INK
    size: float = 6.5
    anchor: str = "start"
    bold: bool = False


@dataclass(frozen=True, eq=False)
class Picture:
    """Grey pixels (rows, columns), uint8, filling a box of (x, y, width, height)."""

    pixels: NDArray[np.uint8]
    box: tuple[float, float, float, float]


@dataclass(frozen=True)
class Figure:
    """A drawing of a given size; `words` say what it shows to those who cannot see it."""

    width: float
    height: float
    words: str
    parts: tuple[Line | Mark | Words | Picture, ...]


# --- Annotated film ---


@dataclass(frozen=True)
class Window:
    """The part of a film that is shown: its middle (row, column), and points of the page for each pixel."""

    middle: Place
    per_px: Place
    size: Place

    def place(self, point: Sequence[float]) -> Place:
        """Where a (row, column) of the film lies on the drawing, (x, y)."""
        row, column = point
        x = self.size[0] / 2 + (column - self.middle[1]) * self.per_px[1]
        y = self.size[1] / 2 + (row - self.middle[0]) * self.per_px[0]
        return x, y


def film_figures(
    films: Sequence[tuple[Film, MeasuredFilm]], width: float, heights: tuple[float, float]
) -> tuple[Figure, ...]:
    """Films with their landmarks, to stand side by side at one scale where every film has one.

    `heights` are the least and the greatest; between them the bone decides.
    """
    spans = [_span(film, measured) for film, measured in films]
    wanted = max((width * rows / columns for _, rows, columns in spans), default=heights[0])
    height = min(max(wanted, heights[0]), heights[1])
    per_unit = [min(height / rows, width / columns) for _, rows, columns in spans]
    if all(measured.scale for _, measured in films):
        per_unit = [min(per_unit)] * len(per_unit)
    figures = []
    for (film, measured), (middle, _, _), unit in zip(films, spans, per_unit, strict=True):
        size = _pixel_size(film, measured)
        window = Window(middle, (size[0] * unit, size[1] * unit), (width, height))
        figures.append(_film_figure(film, measured, window, unit))
    return tuple(figures)


def _pixel_size(film: Film, measured: MeasuredFilm) -> tuple[float, float]:
    """(row, column) in mm at the bone, or in column pixels where there is no scale."""
    return measured.scale.mm_per_px if measured.scale else film.aspect


def _span(film: Film, measured: MeasuredFilm) -> tuple[Place, float, float]:
    """Middle of the landmarks (row, column), and the height and width to show, in mm (or column pixels)."""
    located = [landmark.array for landmark in measured.reading.landmarks.values() if landmark.located]
    rows, columns = film.pixels.shape
    points = np.concatenate(located) if located else np.array([[0, 0], [rows - 1, columns - 1]])
    low, high = points.min(axis=0), points.max(axis=0)
    extent = (high - low) * np.array(_pixel_size(film, measured))
    around = 2 * _AROUND_MM if measured.scale else 2 * _AROUND * extent.max()
    middle = 0.5 * (low + high)
    return (float(middle[0]), float(middle[1])), float(extent[0] + around), float(extent[1] + around)


def _film_figure(film: Film, measured: MeasuredFilm, window: Window, unit: float) -> Figure:
    width, height = window.size
    parts = [Picture(_shown(film, window), (0.0, 0.0, width, height)), *drawing(measured, window)]
    if measured.scale:
        parts += [
            Line(((8.0, height - 8.0), (8.0 + 20 * unit, height - 8.0)), "#FFFFFF", 1.5),
            Words((8.0, height - 11.0), "20 mm at the bone", "#FFFFFF", 6.0),
        ]
    return Figure(width, height, "Film with its landmarks and lines", tuple(parts))


def _shown(film: Film, window: Window) -> NDArray[np.uint8]:
    """Window of the film as it is meant to be seen, bone white; black beyond its edges."""
    width, height = (max(1, round(side * _PX_PER_POINT)) for side in window.size)
    rows_per, columns_per = (1 / (per * _PX_PER_POINT) for per in window.per_px)  # film pixels for one shown
    # Destination pixel centres to source ones; both have their first centre at 0.
    to_film = np.array(
        [
            [columns_per, 0, window.middle[1] - (width / 2 - 0.5) * columns_per],
            [0, rows_per, window.middle[0] - (height / 2 - 0.5) * rows_per],
        ]
    )
    shades = film.display()
    if max(rows_per, columns_per) > 1:  # smooth before taking fewer pixels
        sigma = (0.5 * max(0.0, columns_per - 1) + 1e-3, 0.5 * max(0.0, rows_per - 1) + 1e-3)
        shades = cv2.GaussianBlur(shades, (0, 0), sigmaX=sigma[0], sigmaY=sigma[1])
    flags = cv2.INTER_LINEAR | cv2.WARP_INVERSE_MAP
    shown = cv2.warpAffine(
        shades, to_film, (width, height), flags=flags, borderMode=cv2.BORDER_CONSTANT, borderValue=0
    )
    grey: NDArray[np.uint8] = np.clip(np.rint(255 * shown), 0, 255).astype(np.uint8)
    return grey


def drawing(measured: MeasuredFilm, window: Window) -> Iterator[Line | Mark | Words]:
    """Bone axis, pins, outlines, then every landmark."""
    located = {name: mark for name, mark in measured.reading.landmarks.items() if mark.located}
    yield from _axis_line(measured, window)
    for row in measured.view.measurements:
        if row.function == "angle_to_axis" and row.target:
            ends = [located[name].points[0] for name in row.landmarks[:2] if name in located]
            if len(ends) == 2:
                yield Line(tuple(window.place(end) for end in ends), PART_STYLES["pin"][0], 0.6)
                x, y = window.place(ends[0])
                yield Words((x - 7, y - 3), row.target.lstrip("pin"), PART_STYLES["pin"][0], 7.0, bold=True)
    for name, landmark in located.items():
        colour, shape, _ = PART_STYLES.get(measured.view.landmark[name].part, _OTHER)
        places = tuple(window.place(point) for point in landmark.points)
        if len(places) > 1:
            yield Line(places, colour, 0.6)
        for place in places:
            yield Mark(place, shape, colour, landmark.status == CONFIRMED)


def _axis_line(measured: MeasuredFilm, window: Window) -> Iterator[Line]:
    sides = (
        [measured.reading.landmarks.get(measured.view.axis[side]) for side in ("near", "far")]
        if measured.view.axis
        else []
    )
    near, far = sides if len(sides) == 2 else (None, None)
    if near is None or far is None or not (near.located and far.located) or len(near.points) < 2:
        return
    size = np.array(window.per_px)
    origin, along, _ = axis_frame(near.array * size, far.array * size)
    reach = 0.5 * max(window.size)
    ends = [(origin + side * reach * along) / size for side in (-1.3, 0.7)]
    yield Line(tuple(window.place(end) for end in ends), "#FFFFFF", 0.5, dashed=True)


# --- Trend ---


def trend_figures(
    case: Case, flags: Sequence[Flag], count: int, width: float, height: float
) -> tuple[Figure, ...]:
    """Draw the change since the index film of what matters most, with its 95 % bars and limit."""
    wanted = [flag for flag in flags if isinstance(flag.subject, Change) and flag.subject.basis == INDEX]
    chosen = list({flag.key: flag for flag in reversed(wanted)}.values())[::-1]
    return tuple(_trend(case, flag, width, height) for flag in chosen[:count] if _points(case, flag))


def _points(case: Case, flag: Flag) -> list[tuple[int, float, float, float]]:
    """Day, value and the ends of its 95 % interval of each visit that has one."""
    return [
        (_day(case, change.later), change.quantity.value, *change.quantity.interval)
        for change in case.changes
        if change.key == flag.key and change.basis == INDEX and change.quantity
    ]


def _day(case: Case, film: MeasuredFilm) -> int:
    since = days_since_surgery(film)
    if isinstance(since, int) and isinstance(days_since_surgery(case.index), int):
        return since
    return (film.date - case.index.date).days if film.date and case.index.date else case.films.index(film)


def _trend(case: Case, flag: Flag, width: float, height: float) -> Figure:
    points = _points(case, flag)
    first = (_day(case, case.index), 0.0, 0.0, 0.0)
    limits = _limits(flag)
    lows, highs = [p[2] for p in (first, *points)], [p[3] for p in (first, *points)]
    step = tick_step(max(*highs, *limits) - min(*lows, *limits))
    bottom = step * math.floor(min(*lows, *limits) / step - 0.05)
    top = step * math.ceil(max(*highs, *limits) / step + 0.05)
    left, right, head, foot = 22.0, width - 27.0, 15.0, height - 19.0
    days = [p[0] for p in (first, *points)]

    def place(day: float, value: float) -> Place:
        across = (day - days[0]) / max(1, days[-1] - days[0])
        return left + 4 + across * (right - left - 8), foot - (value - bottom) / (top - bottom) * (
            foot - head
        )

    parts: list[Line | Mark | Words | Picture] = []
    for tick in np.arange(bottom, top + step / 2, step):
        _, y = place(days[0], tick)
        parts += [
            Line(((left, y), (right, y)), "#dddddd", 0.4),
            Words((left - 3, y + 2), f"{tick + 0.0:g}", GREY, 6.0, "end"),
        ]
    for limit in limits:
        _, y = place(days[0], limit)
        parts += [
            Line(((left, y), (right, y)), RED, 0.8, dashed=True),
            Words((right + 2, y + 2), f"limit {limit:g}", RED, 6.0),
        ]
    parts.append(Line(tuple(place(day, value) for day, value, _, _ in (first, *points)), INK, 0.9))
    for day, value, low, high in (first, *points):
        (x, upper), (_, lower) = place(day, high), place(day, low)
        bar = [Line(((x, upper), (x, lower)), INK, 0.8)]
        caps = [Line(((x - 2, y), (x + 2, y)), INK, 0.8) for y in (upper, lower) if upper != lower]
        parts += [*bar, *caps, Mark(place(day, value), "circle", INK)]
    parts += [Words((place(day, 0)[0], foot + 8), str(day), GREY, 6.0, "middle") for day in _spread(days)]
    heading, since = _titles(case, flag)
    parts += [
        Words((0, 7), heading, size=6.2, bold=True),
        Words(((left + right) / 2, foot + 16), since, GREY, 6.0, "middle"),
    ]
    return Figure(width, height, f"{heading}: change since the index film by day", tuple(parts))


def _limits(flag: Flag) -> list[float]:
    limit = effective_limit(flag.threshold)
    return {"above": [limit], "below": [limit], "either": [-limit, limit]}[flag.threshold.side]


def _titles(case: Case, flag: Flag) -> tuple[str, str]:
    row = flag.subject.row
    unit = UNIT_TEXT[row.unit].strip()
    known = isinstance(days_since_surgery(case.index), int)
    return title(row) + (
        f" ({unit})" if unit else ""
    ), f"days since {'surgery' if known else 'the index film'}"


def tick_step(span: float) -> float:
    """Return a round distance of ticks that gives three to six of them."""
    rough = max(span, 1e-6) / 4
    power = 10 ** math.floor(math.log10(rough))
    return float(next(power * m for m in (1, 2, 5, 10) if power * m >= rough))


def _spread(days: Sequence[int]) -> list[int]:
    """Those days whose labels do not run into each other; the first and the last are kept."""
    least = (days[-1] - days[0]) / 7
    kept = [days[0]]
    for day, after in itertools.pairwise([*days[1:], math.inf]):
        if day - kept[-1] >= least and (after == math.inf or days[-1] - day >= least):
            kept.append(int(day))
    return kept
