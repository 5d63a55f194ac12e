"""Small drawings of where each landmark lies: our own, in millimetres of an invented elbow. No Qt.

A drawing is a few outlines and, for each landmark of a view, where it is. Sites without one are read
by their prompts alone. Distal is to the right; volar (lateral) or radial (AP) is up.
"""

from __future__ import annotations

from dataclasses import dataclass

BONE, BONE_EDGE, METAL = "#39434d", "#8fa0ad", "#e4e8eb"
Spots = tuple[tuple[float, float], ...]


@dataclass(frozen=True)
class Shape:
    """One outline; `width` in screen pixels, filled where there is a `fill`."""

    points: Spots
    colour: str
    width: float
    fill: str | None = None


@dataclass(frozen=True)
class Drawing:
    """Outlines and places, x to the right and y down, within `size`."""

    size: tuple[float, float]
    shapes: tuple[Shape, ...]
    places: dict[str, Spots]


_LEFT, _TOP = 33.0, 19.0  # what is added to x, and what y is taken from


def _down(points: Spots) -> Spots:
    return tuple((x + _LEFT, _TOP - y) for x, y in points)


def _drawing(bones: tuple[Spots, ...], metal: tuple[Spots, ...], places: dict[str, Spots]) -> Drawing:
    shapes = [Shape(_down(bone), BONE_EDGE, 1.4, BONE) for bone in bones]
    shapes += [Shape(_down(line), METAL, 1.8) for line in metal]
    return Drawing((136.0, 34.0), tuple(shapes), {name: _down(spots) for name, spots in places.items()})


_LATERAL = _drawing(
    bones=(
        ((102, 7.5), (34.8, 7.6), (29.4, 8.8), (17.2, 13.8), (11.2, 14.7), (10.1, 10.0), (7.6, 6.3),
         (3.8, 4.0), (-0.8, 3.3), (-1.9, 3.5), (-0.9, -1.6), (-0.5, -6.7), (21.4, -7.6), (102, -7.5)),
        ((-3.8, 4.0), (-5.1, 4.6), (-8.6, 7.4), (-10.6, 11.3), (-11.0, 15.8), (-14.6, 15.1), (-20.2, 12.8),
         (-22.3, 7.2), (-23.0, 1.6), (-21.8, -5.5), (-3.1, -6.2), (-3.2, -1.0)),
    ),
    metal=(
        ((53.1, 6.8), (-24.5, -1.4), (-26.5, -0.7), (-27.4, 0.9), (-26.7, 2.9), (-21.0, 5.4)),
        ((57.0, 3.6), (-24.5, -4.9), (-26.5, -4.3), (-27.4, -2.7), (-26.8, -0.6), (-21.1, 1.9)),
        ((38.9, -2.3), (20.7, -7.4), (11.9, -9.0), (-16.3, -6.8), (-23.5, -5.1), (-26.0, -1.0), (-25.4, 2.5)),
        ((16.9, -8.2), (15.2, -10.0), (13.8, -9.8), (12.0, -11.6)),
        ((22.9, -7.4), (22.0, -9.4), (22.1, -11.0), (20.3, -12.6)),
    ),
    places={
        "shaft_dorsal": ((69, -7.5), (92, -7.5)),
        "shaft_volar": ((69, 7.5), (92, 7.5)),
        "joint_arc": ((0.5, 3.4), (6.6, 5.5), (10.8, 12.0)),
        "articular_edge_distal": ((-1.9, 3.5),),
        "articular_edge_proximal": ((-3.8, 4.0),),
        "dorsal_edge_distal": ((-0.5, -6.7),),
        "dorsal_edge_proximal": ((-3.1, -6.2),),
        "margin_distal": ((-0.9, -1.6),),
        "margin_proximal": ((-3.2, -1.0),),
        "pin1_tip": ((53.1, 6.8),),
        "pin1_straight": ((-24.5, -1.4),),
        "pin1_end": ((-28.0, 0.9),),
        "pin1_exit": ((-22.6, -1.2),),
        "pin1_far_cortex": ((59.8, 7.5),),
        "pin2_tip": ((57.0, 3.6),),
        "pin2_straight": ((-24.5, -4.9),),
        "pin2_end": ((-28.0, -2.7),),
        "pin2_exit": ((-22.0, -4.6),),
        "pin2_far_cortex": ((93.0, 7.5),),
        "hole": ((38.9, -2.3),),
        "hole_dorsal": ((38.9, -7.5),),
        "hole_volar": ((38.9, 7.5),),
        "knot1": ((16.9, -8.2),),
        "knot2": ((22.9, -7.4),),
        "loop": ((-26.0, -1.0),),
        "loop_seat": ((-23.0, 1.6),),
        "wire_break": ((32.0, -4.3), (27.0, -5.7)),
        "capitellum_arc": ((-7.0, 10.6), (0.0, 6.6), (7.0, 10.6)),
        "trochlea_arc": ((-9.2, 10.2), (-0.6, 4.4), (9.2, 10.2)),
    },
)  # fmt: skip

_AP = _drawing(
    bones=(
        ((102, 6.8), (38.4, 6.8), (12.0, 10.8), (-1.2, 11.0), (-1.2, -11.0), (12.0, -10.8), (38.4, -6.8),
         (102, -6.8)),
        ((-3.2, 11.0), (-10.8, 11.0), (-22.1, 8.4), (-23.0, 0.0), (-22.1, -8.4), (-10.8, -11.0),
         (-3.2, -11.0)),
    ),
    metal=(
        ((53.1, 4.3), (-27.4, 3.2)),
        ((53.0, -3.6), (-27.4, -3.6)),
        ((38.5, 6.7), (35.1, 7.6), (23.9, 6.2), (16.4, 3.9), (12.5, -0.3), (2.0, -3.2), (-12.3, -5.2),
         (-25.8, -5.4), (-26.1, 0.0), (-25.8, 5.4), (-11.3, 5.1), (-0.1, 3.4), (13.0, 0.0), (22.9, -5.1),
         (34.5, -6.0), (38.4, -6.7), (38.5, 6.7)),
        ((16.7, 4.3), (14.2, 6.0), (13.3, 6.1), (11.3, 8.0)),
        ((23.4, -5.1), (21.8, -6.8), (21.8, -7.6), (20.3, -9.1)),
    ),
    places={
        "shaft_ulnar": ((69, -6.8), (92, -6.8)),
        "shaft_radial": ((69, 6.8), (92, 6.8)),
        "ulnar_edge_distal": ((-1.2, -11.0),),
        "ulnar_edge_proximal": ((-3.2, -11.0),),
        "radial_edge_distal": ((-1.2, 11.0),),
        "radial_edge_proximal": ((-3.2, 11.0),),
        "pin1_tip": ((53.1, 4.3),),
        "pin1_straight": ((-24.5, 3.3),),
        "pin2_tip": ((53.0, -3.6),),
        "pin2_straight": ((-24.5, -3.6),),
        "hole": ((38.5, 0.0),),
        "knot1": ((16.7, 4.3),),
        "knot2": ((23.4, -5.1),),
        "wire_break": ((30.0, -5.6), (34.5, -6.0)),
    },
)  # fmt: skip

DRAWINGS = {("olecranon", "lateral"): _LATERAL, ("olecranon", "ap"): _AP}
