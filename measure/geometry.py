"""Plane geometry on arrays of points: no clinical words, no files, no units of its own.

Every function takes points of shape (..., n, 2), in (row, column) order and in one isotropic length
unit, and gives (...). Leading dimensions broadcast: one film, a cohort or ten thousand draws in one
call. Nothing depends on whether the film is mirrored or turned, since every sign is taken from points.
A result that the points do not determine (coincident points, a line for a circle) is NaN.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from measure.quantity import wrap_degrees

Points = NDArray[np.float64]
Values = NDArray[np.float64]

CIRCLE_STEPS = 20  # at most; an arc of 90 degrees settles in about 6, a short one slowly (see fit_circle)
CIRCLE_SETTLED = 1e-9  # last step over radius
SAME_DIRECTION = 1e-12  # below this share of the scatter, rounding alone says which axis is the longer


def dot(a: Points, b: Points) -> Values:
    """Scalar product of vectors (..., 2)."""
    result: Values = np.einsum("...i,...i->...", a, b)
    return result


def cross(a: Points, b: Points) -> Values:
    """Signed area spanned by vectors (..., 2), positive where b is turned from a by row-to-column."""
    result: Values = a[..., 0] * b[..., 1] - a[..., 1] * b[..., 0]
    return result


def unit(vector: Points) -> Points:
    """Vector (..., 2) at length one; NaN where it has no length."""
    result: Points = vector / _nonzero(np.linalg.norm(vector, axis=-1, keepdims=True))
    return result


def _nonzero(value: Values) -> Values:
    """Give back the value; NaN where it is zero and nothing can be divided by it."""
    return np.where(value != 0, value, np.nan)


def _side(value: Values) -> Values:
    """1 or -1 by sign; NaN for zero, where the points do not say which side."""
    return np.where(value > 0, 1.0, np.where(value < 0, -1.0, np.nan))


def signed_angle(a: Points, b: Points) -> Values:
    """Angle in radians from vector a to vector b (..., 2), in (-pi, pi], positive from row to column."""
    result: Values = np.arctan2(cross(a, b), dot(a, b))
    return result


def point(points: Points) -> Points:
    """Return the single point (..., 2) of a landmark (..., 1, 2), or the mean of several."""
    result: Points = points[..., 0, :] if points.shape[-2] == 1 else points.mean(axis=-2)
    return result


def axis_frame(near: Points, far: Points) -> tuple[Points, Points, Points]:
    """Bone axis through the mid-points of paired cortex points.

    Parameters
    ----------
    near, far
        (..., n, 2), n >= 2: the two cortices at the same n levels, the proximal level first.

    Returns
    -------
    origin, along, across
        (..., 2): the mean mid-point, the unit vector distally along the line that fits the
        mid-points best (orthogonal distance), and the unit vector across it from near to far.
    """
    middles = 0.5 * (near + far)
    origin = middles.mean(axis=-2)
    direction = principal_direction(middles)
    distally = middles[..., -1, :] - middles[..., 0, :]
    along = direction * _side(dot(direction, distally))[..., None]
    width = (far - near).mean(axis=-2)
    across = unit(width - dot(width, along)[..., None] * along)
    return origin, along, across


def principal_direction(points: Points) -> Points:
    """Direction (..., 2), of either sign, of the line nearest to points (..., n, 2) by orthogonal distance.

    NaN where the points coincide, or scatter alike in every direction.
    """
    rows, columns = np.moveaxis(_centred(points), -1, 0)
    twist = 2 * np.sum(rows * columns, axis=-1)
    stretch = np.sum(rows**2, axis=-1) - np.sum(columns**2, axis=-1)
    scatter = np.sum(rows**2, axis=-1) + np.sum(columns**2, axis=-1)
    told = np.hypot(twist, stretch) > SAME_DIRECTION * scatter
    turn = np.where(told, 0.5 * np.arctan2(twist, stretch), np.nan)  # of the larger axis of the scatter
    return np.stack([np.cos(turn), np.sin(turn)], axis=-1)


def _centred(points: Points) -> Points:
    """Points (..., n, 2) less their mean; exactly zero where they coincide."""
    local = points - points[..., :1, :]
    result: Points = local - local.mean(axis=-2, keepdims=True)
    return result


def fit_circle(points: Points) -> tuple[Points, Values]:
    """Circle of least orthogonal distance: centre (..., 2) and radius (...).

    Gauss-Newton on sum (|p - c| - r)^2 from the algebraic (Kasa) start; Gander, Golub & Strebel,
    BIT 1994;34:558. For a given centre the best radius is the mean distance, so only the centre is
    sought. Points (..., n, 2), n >= 3; NaN where they lie on a line.

    Where noise hides the curve of a short arc, the centre creeps away without end, by a radius a step
    at most, and is left where it is after `CIRCLE_STEPS`. The radius means little then; gaps and steps
    hardly depend on it.
    """
    around = np.ascontiguousarray(np.moveaxis(_centred(points), (-1, -2), (0, 1)))  # (2, n, ...): quick sums
    centre = _two_unknowns(around, 0.5 * np.sum(around**2, axis=0))
    for _ in range(CIRCLE_STEPS):
        spokes = around - centre[:, None]
        lengths = np.sqrt(np.sum(spokes**2, axis=0))
        radius = lengths.mean(axis=0)
        directions = spokes / _nonzero(lengths)
        step = _two_unknowns(directions - directions.mean(axis=1, keepdims=True), lengths)
        reach = np.hypot(*step)
        step = step * np.where(reach > radius, radius / _nonzero(reach), 1.0)
        centre = centre + np.nan_to_num(step)
        if not (reach > CIRCLE_SETTLED * radius).any():
            break
    radius = np.sqrt(np.sum((around - centre[:, None]) ** 2, axis=0)).mean(axis=0)
    return points.mean(axis=-2) + np.moveaxis(centre, 0, -1), radius


def _two_unknowns(design: NDArray[np.float64], target: NDArray[np.float64]) -> NDArray[np.float64]:
    """Least-squares solution (2, ...) of design (2, n, ...) against target (n, ...); NaN where singular."""
    aa, bb = np.sum(design**2, axis=1)
    ab = np.sum(design[0] * design[1], axis=0)
    a, b = np.sum(design * target, axis=1)
    determinant = aa * bb - ab**2
    determinant = np.where(determinant > SAME_DIRECTION * (aa + bb) ** 2, determinant, np.nan)
    return np.stack([bb * a - ab * b, aa * b - ab * a]) / determinant


# --- The functions that site tables name. Landmarks in, one number out. ---


def distance(a: Points, b: Points) -> Values:
    """Distance between two single points (..., 1, 2)."""
    result: Values = np.linalg.norm(point(b) - point(a), axis=-1)
    return result


def along_axis(start: Points, stop: Points, near: Points, far: Points) -> Values:
    """Distance from start to stop along the bone axis, positive distally."""
    _, along, _ = axis_frame(near, far)
    return dot(point(stop) - point(start), along)


def across_axis(start: Points, stop: Points, near: Points, far: Points) -> Values:
    """Distance from start to stop across the bone axis, positive from near to far."""
    _, _, across = axis_frame(near, far)
    return dot(point(stop) - point(start), across)


def along_axis_to_line(place: Points, line_a: Points, line_b: Points, near: Points, far: Points) -> Values:
    """How far a place lies distal to the line through two points, measured along the bone axis."""
    _, along, _ = axis_frame(near, far)
    normal = point(line_b) - point(line_a)
    return cross(normal, point(place) - point(line_a)) / _nonzero(cross(normal, along))


def share_across(place: Points, near_edge: Points, far_edge: Points, near: Points, far: Points) -> Values:
    """Where a place lies between two edges across the bone axis: 0 at the near edge, 1 at the far one."""
    _, _, across = axis_frame(near, far)
    width = dot(point(far_edge) - point(near_edge), across)
    return dot(point(place) - point(near_edge), across) / _nonzero(width)


def along_pin(start: Points, stop: Points, straight: Points, tip: Points) -> Values:
    """Distance from start to stop along a pin, positive proximally (from the tip to the bend)."""
    return dot(point(stop) - point(start), unit(point(straight) - point(tip)))


def angle_to_axis(straight: Points, tip: Points, near: Points, far: Points) -> Values:
    """Angle in degrees of a pin to the bone axis, positive where it runs to the far cortex distally."""
    _, along, across = axis_frame(near, far)
    pin = unit(point(tip) - point(straight))
    result: Values = np.degrees(np.arctan2(dot(pin, across), dot(pin, along)))
    return result


def angle_between(
    straight_a: Points, tip_a: Points, straight_b: Points, tip_b: Points, near: Points, far: Points
) -> Values:
    """Angle in degrees of pin b less that of pin a, each against the bone axis; in (-180, 180]."""
    return wrap_degrees(
        angle_to_axis(straight_b, tip_b, near, far) - angle_to_axis(straight_a, tip_a, near, far)
    )


def spacing(
    straight_a: Points, tip_a: Points, straight_b: Points, tip_b: Points, near: Points, far: Points
) -> Values:
    """Offset of pin b from pin a across the pins, positive towards far.

    Mean of: middle of b from the line of a, and middle of a from the line of b, so that the two pins
    are treated alike.
    """
    _, _, across = axis_frame(near, far)
    middle_a, middle_b = 0.5 * (point(straight_a) + point(tip_a)), 0.5 * (point(straight_b) + point(tip_b))
    offset = middle_b - middle_a
    total = np.zeros(())
    for straight, tip in ((straight_a, tip_a), (straight_b, tip_b)):
        direction = unit(point(tip) - point(straight))
        normal = np.stack([-direction[..., 1], direction[..., 0]], axis=-1)
        total = total + 0.5 * dot(offset, normal) * _side(dot(normal, across))
    return total


def arc_step(
    arc: Points, reference_edge: Points, mobile_edge: Points, bone_side: Points | None = None
) -> Values:
    """Step at a concave joint surface: |D - c| - |P - c| for the circle (c, r) through the arc.

    Positive where the mobile edge P stands nearer to the centre, proud into the joint, than D.
    `bone_side` is any point on the bone's side of the arc, well away from it. Without it noise on a
    short arc (below about 60 degrees) can put the centre on the wrong side and turn the sign.
    """
    centre, _ = fit_circle(arc)
    step: Values = np.linalg.norm(point(reference_edge) - centre, axis=-1) - np.linalg.norm(
        point(mobile_edge) - centre, axis=-1
    )
    if bone_side is None:
        return step
    return step * -_side(dot(centre - point(arc), point(bone_side) - point(arc)))


def arc_gap(arc: Points, reference_edge: Points, mobile_edge: Points) -> Values:
    """Gap along a joint arc: r times the angle about its centre from the reference edge to the mobile one.

    Positive where the mobile edge lies beyond the reference edge, away from the reference arc.
    """
    centre, radius = fit_circle(arc)
    reference = point(reference_edge) - centre
    outwards = _side(signed_angle(point(arc) - centre, reference))
    return radius * outwards * signed_angle(reference, point(mobile_edge) - centre)


def _joint_line(line: Points, reference_edge: Points) -> tuple[Points, Points]:
    """Mean point of a nearly straight joint surface, and its unit direction towards the fracture."""
    middle = line.mean(axis=-2)
    direction = principal_direction(line)
    towards = _side(dot(direction, point(reference_edge) - middle))
    return middle, direction * towards[..., None]


def line_gap(line: Points, reference_edge: Points, mobile_edge: Points) -> Values:
    """Gap along a nearly straight joint surface, positive where the fragments are apart."""
    _, direction = _joint_line(line, reference_edge)
    return dot(point(mobile_edge) - point(reference_edge), direction)


def line_step(line: Points, reference_edge: Points, mobile_edge: Points, bone_side: Points) -> Values:
    """Step across a nearly straight joint surface, positive where the mobile edge is proud into the joint.

    `bone_side` is any point on the bone's side of the surface, well away from it.
    """
    middle, direction = _joint_line(line, reference_edge)
    normal = np.stack([-direction[..., 1], direction[..., 0]], axis=-1)
    into_joint = -_side(dot(normal, point(bone_side) - middle))
    return dot(point(mobile_edge) - point(reference_edge), normal) * into_joint


def mean_gap(
    reference_inner: Points,
    reference_outer: Points,
    mobile_inner: Points,
    mobile_outer: Points,
    reference_bone: Points,
    reference_between: Points | None = None,
    mobile_between: Points | None = None,
) -> Values:
    """Signed area between two fracture margins over the length of the reference margin.

    A margin runs from its inner (joint) to its outer (cortical) edge through the points between, if
    any. Positive where the mobile margin lies away from the reference bone; where margins cross, the
    overlapping part counts negative (shoelace formula).
    """
    reference = _line_of(reference_inner, reference_between, reference_outer)
    mobile = _line_of(mobile_inner, mobile_between, mobile_outer)
    outline = _line_of(reference, mobile[..., ::-1, :]) - point(reference)[..., None, :]
    area: Values = 0.5 * cross(outline, np.roll(outline, -1, axis=-2)).sum(axis=-1)
    length = np.linalg.norm(np.diff(reference, axis=-2), axis=-1).sum(axis=-1)
    chord = point(reference_outer) - point(reference_inner)
    away = -_side(cross(chord, point(reference_bone) - point(reference_inner)))
    return area * away / _nonzero(length)


def _line_of(*pieces: Points | None) -> Points:
    """Points (..., n, 2) of all pieces in their order, without those that are None."""
    there = [piece for piece in pieces if piece is not None]
    leading = np.broadcast_shapes(*(piece.shape[:-2] for piece in there))
    result: Points = np.concatenate([np.broadcast_to(p, leading + p.shape[-2:]) for p in there], axis=-2)
    return result


def length_of_break(ends: Points) -> Values:
    """Distance between the two ends (..., 2, 2) of an interruption."""
    result: Values = np.linalg.norm(ends[..., 1, :] - ends[..., 0, :], axis=-1)
    return result


def height_above_circle(place: Points, arc: Points, near: Points, far: Points) -> Values:
    """How far a place stands proximal to the top of a circle, along the bone axis."""
    centre, radius = fit_circle(arc)
    _, along, _ = axis_frame(near, far)
    return -dot(point(place) - centre, along) - radius


def height_above_centre(place: Points, arc: Points, near: Points, far: Points) -> Values:
    """How far a place stands proximal to a circle's centre, along the bone axis."""
    centre, _ = fit_circle(arc)
    _, along, _ = axis_frame(near, far)
    return -dot(point(place) - centre, along)
