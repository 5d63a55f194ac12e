"""Plane geometry on arrays of points: no clinical words, no files, no units of its own.

Every function takes points of shape (..., n, 2), in (row, column) order and in one isotropic length
unit, and gives (...). Leading dimensions broadcast: one film, a cohort or ten thousand draws in one
call. Nothing depends on whether the film is mirrored or turned, since every sign is taken from points.
A result that the points do not determine (coincident points, a line for a circle) is NaN.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

Points = NDArray[np.float64]
Values = NDArray[np.float64]

CIRCLE_STEPS = 12  # Gauss-Newton steps; an arc of 60 degrees settles to 1e-9 of its radius in five


def dot(a: Points, b: Points) -> Values:
    """Scalar product of vectors (..., 2)."""
    return np.einsum("...i,...i->...", a, b)


def cross(a: Points, b: Points) -> Values:
    """Signed area spanned by vectors (..., 2), positive where b is turned from a by row-to-column."""
    result: Values = a[..., 0] * b[..., 1] - a[..., 1] * b[..., 0]
    return result


def unit(vector: Points) -> Points:
    """Vector (..., 2) at length one; NaN where it has no length."""
    length = np.linalg.norm(vector, axis=-1, keepdims=True)
    result: Points = vector / np.where(length > 0, length, np.nan)
    return result


def signed_angle(a: Points, b: Points) -> Values:
    """Angle in radians from vector a to vector b (..., 2), in (-pi, pi], positive from row to column."""
    result: Values = np.arctan2(cross(a, b), dot(a, b))
    return result


def point(points: Points) -> Points:
    """Return the single point (..., 2) of a landmark (..., 1, 2), or the mean of several."""
    result: Points = points.mean(axis=-2)
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
    along = unit(direction * np.sign(dot(direction, distally))[..., None])
    width = (far - near).mean(axis=-2)
    across = unit(width - dot(width, along)[..., None] * along)
    return origin, along, across


def principal_direction(points: Points) -> Points:
    """Unit direction (..., 2), of either sign, of the line that fits (..., n, 2) best by orthogonal distance."""
    centred = points - points.mean(axis=-2, keepdims=True)
    rows, columns = centred[..., 0], centred[..., 1]
    turn = 0.5 * np.arctan2(
        2 * np.sum(rows * columns, axis=-1), np.sum(rows**2, axis=-1) - np.sum(columns**2, axis=-1)
    )  # of the larger axis of the 2 x 2 scatter
    return np.stack([np.cos(turn), np.sin(turn)], axis=-1)


def fit_circle(points: Points) -> tuple[Points, Values]:
    """Circle of least orthogonal distance: centre (..., 2) and radius (...).

    Gauss-Newton on sum (|p - c| - r)^2 from the algebraic (Kasa) start; Gander, Golub & Strebel,
    BIT 1994;34:558. Points (..., n, 2), n >= 3; NaN where they lie on a line.
    """
    mean = points.mean(axis=-2, keepdims=True)
    local = points - mean
    size = np.sqrt(np.mean(np.sum(local**2, axis=-1), axis=-1))[..., None, None]
    local = local / np.where(size > 0, size, np.nan)
    design = np.concatenate([2 * local, np.ones_like(local[..., :1])], axis=-1)
    algebraic = _least_squares(design, np.sum(local**2, axis=-1))
    centre = algebraic[..., :2]
    radius = np.sqrt(algebraic[..., 2] + np.sum(centre**2, axis=-1))
    for _ in range(CIRCLE_STEPS):
        offset = local - centre[..., None, :]
        distance = np.linalg.norm(offset, axis=-1)
        jacobian = np.concatenate([offset / distance[..., None], np.ones_like(offset[..., :1])], axis=-1)
        step = _least_squares(jacobian, distance - radius[..., None])
        centre = centre + step[..., :2]
        radius = radius + step[..., 2]
    scale = size[..., 0, 0]
    return centre * scale[..., None] + mean[..., 0, :], radius * scale


def _least_squares(design: Points, target: Values) -> Values:
    """Solve the normal equations of (..., n, 3) against (..., n); NaN where they are singular."""
    normal = np.einsum("...ni,...nj->...ij", design, design)
    right = np.einsum("...ni,...n->...i", design, target)
    usable = np.isfinite(normal).all(axis=(-2, -1))
    scale = np.einsum("...ii->...", np.where(usable[..., None, None], normal, 1.0)) / 3.0
    normal = np.where(usable[..., None, None], normal / scale[..., None, None], np.eye(3))
    usable &= np.abs(np.linalg.det(normal)) > 1e-14  # of a matrix of mean diagonal one
    normal = np.where(usable[..., None, None], normal, np.eye(3))
    solution = np.linalg.solve(normal, (right / scale[..., None])[..., None])[..., 0]
    result: Values = np.where(usable[..., None], solution, np.nan)
    return result


# --- The functions that site tables name. Landmarks in, one number out. ---


def distance(a: Points, b: Points) -> Values:
    """Distance between two single points (..., 1, 2)."""
    result: Values = np.linalg.norm(point(b) - point(a), axis=-1)
    return result


def along_axis(start: Points, stop: Points, near: Points, far: Points) -> Values:
    """Distance from start to stop along the bone axis, positive distally."""
    _, along, _ = axis_frame(near, far)
    return dot(point(stop) - point(start), along)


def along_axis_to_line(place: Points, line_a: Points, line_b: Points, near: Points, far: Points) -> Values:
    """How far a place lies distal to the line through two points, measured along the bone axis."""
    _, along, _ = axis_frame(near, far)
    normal = point(line_b) - point(line_a)
    lean = cross(normal, along)
    return cross(normal, point(place) - point(line_a)) / np.where(lean != 0, lean, np.nan)


def share_across(place: Points, near_edge: Points, far_edge: Points, near: Points, far: Points) -> Values:
    """Where a place lies between two edges across the bone axis: 0 at the near edge, 1 at the far one."""
    _, _, across = axis_frame(near, far)
    width = dot(point(far_edge) - point(near_edge), across)
    return dot(point(place) - point(near_edge), across) / np.where(width != 0, width, np.nan)


def along_pin(start: Points, stop: Points, straight: Points, tip: Points) -> Values:
    """Distance from start to stop along a pin, positive proximally (from the tip to the bend)."""
    return dot(point(stop) - point(start), unit(point(straight) - point(tip)))


def angle_to_axis(straight: Points, tip: Points, near: Points, far: Points) -> Values:
    """Angle in degrees of a pin to the bone axis, positive where it runs from near to far as it goes distally."""
    _, along, across = axis_frame(near, far)
    pin = point(tip) - point(straight)
    pin = np.where(np.linalg.norm(pin, axis=-1, keepdims=True) > 0, pin, np.nan)
    result: Values = np.degrees(np.arctan2(dot(pin, across), dot(pin, along)))
    return result


def angle_between(
    straight_a: Points, tip_a: Points, straight_b: Points, tip_b: Points, near: Points, far: Points
) -> Values:
    """Angle in degrees of pin b less that of pin a, each against the bone axis; in (-180, 180]."""
    turn = angle_to_axis(straight_b, tip_b, near, far) - angle_to_axis(straight_a, tip_a, near, far)
    return -((180.0 - turn) % 360.0 - 180.0)


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
        normal = normal * np.sign(dot(normal, across))[..., None]
        total = total + 0.5 * dot(offset, normal)
    return total


def arc_step(arc: Points, reference_edge: Points, mobile_edge: Points) -> Values:
    """Step at a concave joint surface: |D - c| - |P - c| for the circle (c, r) through the arc.

    Positive where the mobile edge P stands nearer to the centre, proud into the joint, than D.
    """
    centre, _ = fit_circle(arc)
    result: Values = np.linalg.norm(point(reference_edge) - centre, axis=-1) - np.linalg.norm(
        point(mobile_edge) - centre, axis=-1
    )
    return result


def arc_gap(arc: Points, reference_edge: Points, mobile_edge: Points) -> Values:
    """Gap along a joint arc: r times the angle about its centre from the reference edge to the mobile one.

    Positive where the mobile edge lies beyond the reference edge, away from the reference arc.
    """
    centre, radius = fit_circle(arc)
    reference = point(reference_edge) - centre
    outwards = np.sign(signed_angle(point(arc) - centre, reference))
    return radius * outwards * signed_angle(reference, point(mobile_edge) - centre)


def _joint_line(line: Points, reference_edge: Points) -> tuple[Points, Points]:
    """Mean point of a nearly straight joint surface, and its unit direction towards the fracture."""
    middle = line.mean(axis=-2)
    direction = principal_direction(line)
    towards = np.sign(dot(direction, point(reference_edge) - middle))
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
    into_joint = -np.sign(dot(normal, point(bone_side) - middle))
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
    reference = _margin(reference_inner, reference_between, reference_outer)
    mobile = _margin(mobile_inner, mobile_between, mobile_outer)
    leading = np.broadcast_shapes(reference.shape[:-2], mobile.shape[:-2])
    outline = np.concatenate(
        [np.broadcast_to(reference, leading + reference.shape[-2:]),
         np.broadcast_to(mobile, leading + mobile.shape[-2:])[..., ::-1, :]],
        axis=-2,
    )  # fmt: skip
    area = 0.5 * cross(outline, np.roll(outline, -1, axis=-2)).sum(axis=-1)
    length = np.linalg.norm(np.diff(reference, axis=-2), axis=-1).sum(axis=-1)
    chord = point(reference_outer) - point(reference_inner)
    away = -np.sign(cross(chord, point(reference_bone) - point(reference_inner)))
    return area * away / np.where(length > 0, length, np.nan)


def _margin(inner: Points, between: Points | None, outer: Points) -> Points:
    pieces = [inner, outer] if between is None else [inner, between, outer]
    leading = np.broadcast_shapes(*(piece.shape[:-2] for piece in pieces))
    return np.concatenate([np.broadcast_to(p, leading + p.shape[-2:]) for p in pieces], axis=-2)


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


def across_axis(start: Points, stop: Points, near: Points, far: Points) -> Values:
    """Distance from start to stop across the bone axis, positive from near to far."""
    _, _, across = axis_frame(near, far)
    return dot(point(stop) - point(start), across)
