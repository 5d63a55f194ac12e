"""Small drawings of where each landmark lies: our own, in millimetres of invented bones. No Qt.

A drawing is a few outlines and, for each landmark of a view, where it is. Distal is to the right. Up is
volar (olecranon, lateral), radial (olecranon, AP), anterior (patella, lateral) and else lateral.
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


def _drawing(
    frame: Spots, bones: tuple[Spots, ...], metal: tuple[Spots, ...], places: dict[str, Spots]
) -> Drawing:
    """Draw with y up, within a frame from its lower left to its upper right corner."""
    (left, bottom), (right, top) = frame

    def down(points: Spots) -> Spots:
        return tuple((x - left, top - y) for x, y in points)

    shapes = [Shape(down(bone), BONE_EDGE, 1.4, BONE) for bone in bones]
    shapes += [Shape(down(line), METAL, 1.8) for line in metal]
    size = right - left, top - bottom
    return Drawing(size, tuple(shapes), {name: down(spots) for name, spots in places.items()})


_OLECRANON_LATERAL = _drawing(
    frame=((-33, -15), (103, 19)),
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

_OLECRANON_AP = _drawing(
    frame=((-33, -15), (103, 19)),
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

_PATELLA_LATERAL = _drawing(
    frame=((-34, -14), (32, 16)),
    bones=(
        ((-22, 4), (-19, 8), (-12, 10), (1, 11), (1, -9.5), (-8, -10.5), (-17, -8.5), (-21, -3)),
        ((3, 10.8), (12, 8.5), (20, 3), (22, -2), (18, -5), (10, -8), (3, -9.3)),
    ),
    metal=(
        ((17.5, 1.2), (-23.5, 3.5), (-25.2, 4.2), (-26.0, 6.0), (-25.2, 8.0), (-21.0, 9.5)),
        ((17.0, -1.8), (-23.5, 0.0), (-25.6, 0.6), (-26.6, 2.4), (-26.0, 4.4), (-23.0, 6.0)),
        ((-24.0, 1.0), (-20.0, 9.5), (-8.0, 12.0), (4.0, 12.6), (14.0, 9.6), (22.0, 3.5), (22.5, 0.0)),
    ),
    places={
        "anterior_surface": ((-15, 9.1), (-3, 10.7)),
        "joint_surface": ((-15, -9.0), (-3, -10.0)),
        "articular_edge_proximal": ((1, -9.5),),
        "articular_edge_distal": ((3, -9.3),),
        "anterior_edge_proximal": ((1, 11),),
        "anterior_edge_distal": ((3, 10.8),),
        "pin1_tip": ((17.5, 1.2),),
        "pin1_straight": ((-23.5, 3.5),),
        "pin1_end": ((-26.5, 6.0),),
        "pin1_exit": ((-22.0, 3.4),),
        "pin1_far_cortex": ((20.8, 1.0),),
        "pin2_tip": ((17.0, -1.8),),
        "pin2_straight": ((-23.5, 0.0),),
        "pin2_end": ((-27.1, 2.4),),
        "pin2_exit": ((-21.5, -0.1),),
        "pin2_far_cortex": ((22.0, -2.0),),
        "wire_break": ((1.0, 12.5), (5.5, 12.3)),
    },
)  # fmt: skip

_PATELLA_AP = _drawing(
    frame=((-34, -24), (32, 24)),
    bones=(
        ((1, 21), (-8, 21), (-16, 17), (-21, 9), (-22, 0), (-21, -9), (-16, -17), (-8, -21), (1, -21)),
        ((3, 20.5), (10, 16), (18, 7), (22, 0), (18, -7), (10, -16), (3, -20.5)),
    ),
    metal=(
        ((15.0, 7.0), (-26.5, 7.0)),
        ((15.0, -7.0), (-26.5, -7.0)),
        ((-25, 8.5), (-10, 4), (4, -2), (18, -8), (22.5, -5), (23.5, 0), (22.5, 5), (18, 8), (4, 2),
         (-10, -4), (-25, -8.5), (-26, 0), (-25, 8.5)),
    ),
    places={
        "medial_border": ((-14, -18), (-4, -21)),
        "lateral_border": ((-14, 18), (-4, 21)),
        "medial_edge_proximal": ((1, -21),),
        "medial_edge_distal": ((3, -20.5),),
        "lateral_edge_proximal": ((1, 21),),
        "lateral_edge_distal": ((3, 20.5),),
        "pin1_tip": ((15, 7),),
        "pin1_straight": ((-24, 7),),
        "pin1_end": ((-27, 7),),
        "pin1_exit": ((-21.2, 7),),
        "pin1_far_cortex": ((18, 7),),
        "pin2_tip": ((15, -7),),
        "pin2_straight": ((-24, -7),),
        "pin2_end": ((-27, -7),),
        "pin2_exit": ((-21.2, -7),),
        "pin2_far_cortex": ((18, -7),),
        "wire_break": ((-15, -5.5), (-10, -4)),
    },
)  # fmt: skip

_GREATER_TUBEROSITY_AP = _drawing(
    frame=((-26, -39), (111, 27)),
    bones=(
        ((16, 16), (26, 13), (45, 11.5), (110, 11), (110, -11), (45, -11.5), (30, -14), (24, -20),
         (16.8, -30.6), (10, -34.6), (2, -36), (-5.9, -34.6), (-12.8, -30.6), (-18, -24.5), (-20.6, -17),
         (-20.8, -9), (-17.9, -1.5), (-10, 2), (4, 8)),
        ((13, 17), (4, 19), (-6, 17.5), (-13, 12), (-14.5, 6), (-11, 4), (2, 9.5)),
    ),
    metal=(
        ((48, -8), (-17, 13.5), (-19, 14.5), (-19.8, 16.5), (-18.8, 18.5), (-15, 20)),
        ((56, -4), (-11, 18.2), (-13, 19.2), (-13.8, 21.2), (-12.8, 23), (-9, 24)),
        ((60, 8.5), (48, 13), (30, 14.5), (10, 9), (-12, 9.5), (-18, 12.5), (-18, 19), (-10, 21.5), (6, 20.8),
         (26, 12), (46, 7), (60, 8.5)),
    ),
    places={
        "shaft_lateral": ((75, 11.3), (100, 11.1)),
        "shaft_medial": ((75, -11.3), (100, -11.1)),
        "head_arc": ((10, -34.6), (-9.5, -33), (-20.8, -14)),
        "tuberosity_top": ((-14.5, 6),),
        "lateral_edge_proximal": ((13, 17),),
        "lateral_edge_distal": ((16, 16),),
        "pin1_tip": ((48, -8),),
        "pin1_straight": ((-17, 13.5),),
        "pin1_end": ((-20.3, 16.4),),
        "pin1_exit": ((-13.2, 12.2),),
        "pin2_tip": ((56, -4),),
        "pin2_straight": ((-11, 18.2),),
        "pin2_end": ((-14.3, 21.1),),
        "pin2_exit": ((-7.3, 17.0),),
        "hole": ((60, 8.5),),
        "wire_break": ((28, 11.5), (23, 13.3)),
    },
)  # fmt: skip

_GREATER_TROCHANTER_AP = _drawing(
    frame=((-28, -60), (117, 26)),
    bones=(
        ((22, 16), (32, 15.5), (116, 14), (116, -14), (60, -14.5), (48, -19), (42, -20), (36, -16.5),
         (30, -20), (24, -26), (20.8, -31), (22, -38), (20.8, -44.8), (14.9, -53.3), (9, -56.7), (2, -58),
         (-5, -56.7), (-10.9, -53.3), (-16.8, -44.8), (-18, -38), (-15.3, -28), (-8, -18), (-3, -8), (6, 0)),
        ((19, 17), (8, 18.5), (-6, 16), (-14, 9), (-15, 3), (-9, -4), (-5, -6.5), (4, 2)),
    ),
    metal=(
        ((62, -8), (-18, 9), (-20, 9.8), (-21, 11.8), (-20, 14), (-16, 16)),
        ((66, 0), (-11, 17), (-13, 17.8), (-14, 19.8), (-13, 22), (-9, 23.5)),
        ((70, 9), (56, 16.5), (36, 17), (14, 8), (-12, 5.5), (-20, 8.5), (-20, 17), (-12, 20.5), (8, 20.5),
         (30, 13), (54, 6.5), (70, 9)),
    ),
    places={
        "shaft_lateral": ((85, 14.5), (108, 14.1)),
        "shaft_medial": ((85, -14.2), (108, -14.1)),
        "head_arc": ((20.8, -44.8), (2, -58), (-16.8, -44.8)),
        "trochanter_tip": ((-15, 3),),
        "lateral_edge_proximal": ((19, 17),),
        "lateral_edge_distal": ((22, 16),),
        "pin1_tip": ((62, -8),),
        "pin1_straight": ((-18, 9),),
        "pin1_end": ((-21.5, 11.7),),
        "pin1_exit": ((-14.1, 8.2),),
        "pin2_tip": ((66, 0),),
        "pin2_straight": ((-11, 17),),
        "pin2_end": ((-14.5, 19.7),),
        "pin2_exit": ((-6, 15.9),),
        "hole": ((70, 9),),
        "wire_break": ((32, 12.5), (38, 10.9)),
    },
)  # fmt: skip

_MEDIAL_MALLEOLUS_AP = _drawing(
    frame=((-78, -32), (24, 24)),
    bones=(
        ((-76, 12), (-35, 12.5), (-15, 16), (-3, 21), (0, 20), (1, 4), (0, -8), (0, -11), (-6, -22),
         (-15, -18.5), (-35, -13), (-76, -12)),
        ((2, -11.5), (7, -12.5), (12, -14), (15, -18), (13, -22), (6, -24), (-3.5, -23.4)),
    ),
    metal=(
        ((-40, -2), (17, -17.5), (19, -18.6), (19.8, -20.6), (18.8, -22.8), (15, -24.5)),
        ((-43, -7.5), (13.5, -23), (15.5, -24.1), (16.3, -26.1), (15.3, -28.3), (11.5, -30)),
        ((-30, -8), (-20, -18.5), (-4, -25), (12, -27), (19, -24), (19.5, -18), (14, -14.5), (2, -13),
         (-14, -14), (-30, -8)),
    ),
    places={
        "shaft_lateral": ((-68, 12.1), (-45, 12.4)),
        "shaft_medial": ((-68, -12.2), (-45, -12.8)),
        "joint_line": ((5, -12.1), (11, -13.7)),
        "articular_edge_proximal": ((0, -11),),
        "articular_edge_distal": ((2, -11.5),),
        "medial_edge_proximal": ((-6, -22),),
        "medial_edge_distal": ((-3.5, -23.4),),
        "pin1_tip": ((-40, -2),),
        "pin1_straight": ((17, -17.5),),
        "pin1_end": ((20.3, -20.5),),
        "pin1_exit": ((14.1, -16.7),),
        "pin2_tip": ((-43, -7.5),),
        "pin2_straight": ((13.5, -23),),
        "pin2_end": ((16.8, -26),),
        "pin2_exit": ((11.3, -22.4),),
        "hole": ((-30, -8),),
        "wire_break": ((-14, -14), (-8, -13.6)),
    },
)  # fmt: skip

DRAWINGS = {
    ("olecranon", "lateral"): _OLECRANON_LATERAL,
    ("olecranon", "ap"): _OLECRANON_AP,
    ("patella", "lateral"): _PATELLA_LATERAL,
    ("patella", "ap"): _PATELLA_AP,
    ("greater_tuberosity", "ap"): _GREATER_TUBEROSITY_AP,
    ("greater_trochanter", "ap"): _GREATER_TROCHANTER_AP,
    ("medial_malleolus", "ap"): _MEDIAL_MALLEOLUS_AP,
}
