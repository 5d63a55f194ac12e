"""The points of a landmark, as a reader puts, moves and takes them on a film. No Qt."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import numpy as np

from measure.errors import ReadingError
from measure.reading import CONFIRMED, PROPOSED, Landmark
from measure.sites import LandmarkRow

Point = tuple[float, float]
Shape = tuple[int, ...]  # rows and columns of a film


def on_film(point: Point, shape: Shape) -> Point:
    """Return a point as it is. Raises ReadingError where it does not lie on the film."""
    row, column = float(point[0]), float(point[1])
    height, width = shape
    if not (-0.5 <= row <= height - 0.5 and -0.5 <= column <= width - 0.5):
        raise ReadingError("That place is not on the film. Click on the film.")
    return row, column


def nearest_on_film(point: Point, shape: Shape) -> Point:
    """Return the place of the film, between its outermost pixel centres, that is nearest to a point."""
    (row, column), (height, width) = point, shape
    return min(max(row, 0.0), height - 1.0), min(max(column, 0.0), width - 1.0)


def with_point(old: Landmark | None, row: LandmarkRow, point: Point, u_px: float | None) -> Landmark:
    """Return a landmark with one more point.

    One that is full, or proposed, has its nearest point moved there instead. A proposal of one point is
    thereby confirmed; one of several stays proposed. u_px is the point's standard uncertainty where it was
    snapped; a landmark has one only where all its points have, that of the least sure.

    Raises ReadingError where a point lies at this very place.
    """
    if old is None or not old.located:
        return Landmark(CONFIRMED, (point,), u_px=u_px)
    proposed = old.status == PROPOSED
    if point in old.points and not proposed:
        raise ReadingError(
            f"{row.title} has a point at this very place already. Move first, then place the next one."
        )
    room = len(old.points) < row.points[1] and not proposed
    points = (*old.points, point) if room else _nearest_replaced(old.points, point)
    if len(points) > 1:
        u_px = max(u_px, old.u_px) if u_px and old.u_px else None
    return Landmark(PROPOSED if proposed and len(points) > 1 else CONFIRMED, points, u_px=u_px)


def with_moved(old: Landmark, number: int, point: Point) -> Landmark:
    """Return a landmark with one point elsewhere. A proposal stays a proposal."""
    points = (*old.points[:number], point, *old.points[number + 1 :])
    return replace(old, points=points, origin="placed", u_px=None)


def without_point(old: Landmark | None, number: int | None) -> Landmark | None:
    """Return a landmark without its numbered point; None where no point is left, or no number is given."""
    kept = () if old is None or number is None else old.points[:number] + old.points[number + 1 :]
    return replace(old, points=kept, origin="placed", u_px=None) if old and kept else None


def is_usable(landmark: Landmark, row: LandmarkRow, shape: Shape) -> bool:
    """Whether a proposal has the points that its row asks for, all on the film."""
    low, high = row.points
    limits = np.array(shape) - 0.5
    inside = bool(np.all((landmark.array >= -0.5) & (landmark.array <= limits)))
    return landmark.located and low <= len(landmark.points) <= high and inside


def _nearest_replaced(points: Sequence[Point], point: Point) -> tuple[Point, ...]:
    distances = [np.hypot(point[0] - row, point[1] - column) for row, column in points]
    nearest = int(np.argmin(distances))
    return tuple(point if number == nearest else old for number, old in enumerate(points))
