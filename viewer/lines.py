"""What to draw on a film for a measurement: lines from its landmarks, by the function that it names.

Points are (n, 2) in (row, column) in an isotropic unit; every drawing is a list of (kind, polyline).
Kinds: "axis" is what a value is measured against, "span" is what is measured. No Qt, no napari.
"""

from __future__ import annotations

import functools
from collections.abc import Callable, Mapping

import numpy as np

from measure.geometry import Points, axis_frame, dot, fit_circle, point, unit
from measure.reading import Landmark
from measure.sites import MeasurementRow

AXIS, SPAN = "axis", "span"
Line = tuple[str, Points]
Drawing = Callable[..., list[Line]]

ARC_STEPS = 24
BEYOND_ENDS = 0.12  # share of its length by which an axis is drawn beyond its points


def _polyline(*places: Points) -> Points:
    return np.stack([np.asarray(place, dtype=np.float64).reshape(2) for place in places])


def _axis(near: Points, far: Points) -> Line:
    """Return the bone axis, as long as its cortex points reach, and a little longer."""
    origin, along, _ = axis_frame(near, far)
    reach = dot(np.concatenate([near, far]) - origin, along)
    low, high = reach.min(), reach.max()
    more = BEYOND_ENDS * (high - low)
    return AXIS, _polyline(origin + (low - more) * along, origin + (high + more) * along)


def _pin(straight: Points, tip: Points) -> Line:
    return AXIS, _polyline(point(straight), point(tip))


def _distance(a: Points, b: Points) -> list[Line]:
    return [(SPAN, _polyline(point(a), point(b)))]


def _along(start: Points, stop: Points, direction: Points) -> Line:
    """From start to where stop lies along the direction."""
    first = point(start)
    return SPAN, _polyline(first, first + dot(point(stop) - first, direction) * direction)


def _along_axis(start: Points, stop: Points, near: Points, far: Points) -> list[Line]:
    return [_axis(near, far), _along(start, stop, axis_frame(near, far)[1])]


def _across_axis(start: Points, stop: Points, near: Points, far: Points) -> list[Line]:
    return [_axis(near, far), _along(start, stop, axis_frame(near, far)[2])]


def _along_axis_to_line(place: Points, a: Points, b: Points, near: Points, far: Points) -> list[Line]:
    _, along, _ = axis_frame(near, far)
    normal = unit(np.array([-(b - a)[0, 1], (b - a)[0, 0]]))
    lean = dot(along, normal)
    height = dot(point(place) - point(a), normal) / np.where(lean != 0, lean, np.nan)
    return [
        (AXIS, _polyline(point(a), point(b))),
        (SPAN, _polyline(point(place), point(place) - height * along)),
    ]


def _along_pin(start: Points, stop: Points, straight: Points, tip: Points) -> list[Line]:
    return [_pin(straight, tip), _along(start, stop, unit(point(tip) - point(straight)))]


def _angle_to_axis(straight: Points, tip: Points, near: Points, far: Points) -> list[Line]:
    return [_axis(near, far), (SPAN, _pin(straight, tip)[1])]


def _two_pins(straight_a: Points, tip_a: Points, straight_b: Points, tip_b: Points, *_: Points) -> list[Line]:
    return [(SPAN, _pin(straight_a, tip_a)[1]), (SPAN, _pin(straight_b, tip_b)[1])]


def _spacing(straight_a: Points, tip_a: Points, straight_b: Points, tip_b: Points, *_: Points) -> list[Line]:
    middles = 0.5 * (point(straight_a) + point(tip_a)), 0.5 * (point(straight_b) + point(tip_b))
    return [_pin(straight_a, tip_a), _pin(straight_b, tip_b), (SPAN, _polyline(*middles))]


def _circle_arc(arc: Points, *others: Points) -> Line:
    """Return the fitted circle from the first to the last of its points, and on to the other places."""
    centre, radius = fit_circle(arc)
    spokes = np.concatenate([arc, *others]) - centre
    middle = unit(point(arc) - centre)
    turn = np.arctan2(middle[0] * spokes[:, 1] - middle[1] * spokes[:, 0], spokes @ middle)
    angles = np.arctan2(middle[1], middle[0]) + np.linspace(turn.min(), turn.max(), ARC_STEPS)
    return AXIS, centre + radius * np.stack([np.cos(angles), np.sin(angles)], axis=-1)


def _arc_gap(arc: Points, reference: Points, mobile: Points, *_: Points) -> list[Line]:
    return [_circle_arc(arc, reference, mobile), *_distance(reference, mobile)]


def _arc_step(arc: Points, reference: Points, mobile: Points, *_: Points) -> list[Line]:
    centre = fit_circle(arc)[0]
    spoke = point(mobile) - centre
    level = centre + unit(spoke) * np.linalg.norm(point(reference) - centre)
    return [_circle_arc(arc, reference, mobile), (SPAN, _polyline(point(mobile), level))]


def _line_gap(line: Points, reference: Points, mobile: Points, *_: Points) -> list[Line]:
    return [(AXIS, line), *_distance(reference, mobile)]


def _share_across(place: Points, near_edge: Points, far_edge: Points, *_: Points) -> list[Line]:
    return [
        (AXIS, _polyline(point(near_edge), point(far_edge))),
        (SPAN, _polyline(point(near_edge), point(place))),
    ]


def _mean_gap(
    reference_inner: Points, reference_outer: Points, mobile_inner: Points, mobile_outer: Points, _: Points,
    reference_between: Points | None = None, mobile_between: Points | None = None,
) -> list[Line]:  # fmt: skip
    none = np.empty((0, 2))
    return [
        (SPAN, np.concatenate([inner, none if between is None else between, outer]))
        for inner, between, outer in (
            (reference_inner, reference_between, reference_outer),
            (mobile_inner, mobile_between, mobile_outer),
        )
    ]


def _length_of_break(ends: Points) -> list[Line]:
    return [(SPAN, ends)]


def _above_circle(place: Points, arc: Points, near: Points, far: Points) -> list[Line]:
    centre, _ = fit_circle(arc)
    return [_circle_arc(arc), _axis(near, far), _along(centre[None], place, axis_frame(near, far)[1])]


DRAWINGS: dict[str, Drawing] = {
    "distance": _distance,
    "along_axis": _along_axis,
    "across_axis": _across_axis,
    "along_axis_to_line": _along_axis_to_line,
    "share_across": _share_across,
    "along_pin": _along_pin,
    "angle_to_axis": _angle_to_axis,
    "angle_between": _two_pins,
    "spacing": _spacing,
    "arc_gap": _arc_gap,
    "arc_step": _arc_step,
    "line_gap": _line_gap,
    "line_step": _line_gap,
    "mean_gap": _mean_gap,
    "length_of_break": _length_of_break,
    "height_above_circle": _above_circle,
    "height_above_centre": _above_circle,
}


def lines_for(
    row: MeasurementRow, landmarks: Mapping[str, Landmark], aspect: tuple[float, float] = (1.0, 1.0)
) -> list[Line]:
    """Lines of one measurement on a film, in the film's own pixels; none where a landmark is not located.

    `aspect` is the (row, column) size of a pixel: lines are found in an isotropic unit and turned back.
    """
    placed = {name: mark.points for name, mark in landmarks.items() if mark.located}
    if not all(name in placed for name in row.landmarks):
        return []
    return list(_drawn(row.function, tuple(map(placed.get, (*row.landmarks, *row.optional))), aspect))


@functools.lru_cache(maxsize=256)  # a few films' rows: a moving point leaves most lines where they are
def _drawn(
    function: str, places: tuple[tuple[tuple[float, float], ...] | None, ...], aspect: tuple[float, float]
) -> tuple[Line, ...]:
    size = np.array(aspect)
    points = [None if at is None else np.array(at, dtype=np.float64) * size for at in places]
    lines = [(kind, line / size) for kind, line in DRAWINGS[function](*points) if np.isfinite(line).all()]
    for _, line in lines:
        line.flags.writeable = False  # one for all who ask
    return tuple(lines)
