"""Figures drawn by hand on the tables of patella, tuberosity, trochanter and malleolus, with known answers.

The outside check of the tables: each answer follows from 3-4-5 and 7-24-25 triangles worked out on paper.
Figures are given as (along the axis distally, across it from near to far) in millimetres.
"""

from __future__ import annotations

import dataclasses
import datetime
import itertools
import math
from collections.abc import Mapping

import numpy as np
import pytest

from measure.flags import BEYOND, find_flags
from measure.measurements import Measurement, measure_film
from measure.reading import ABSENT, CONFIRMED, Landmark, Reading
from measure.scale import Scale
from measure.series import INDEX, Case, Change, MeasuredFilm, compare
from measure.sites import View, load_site, site_names

Figure = dict[str, np.ndarray]
SHAPE = (4000, 6000)  # rows, columns
MIDDLE_MM = np.array([280.0, 300.0])
TOLERANCE = 1e-6  # mm, degrees


def pin(name: str, straight: tuple[float, float], tip: tuple[float, float], **places: float) -> Figure:
    """Draw a straight pin; each further place by its distance from the tip, towards the bend."""
    start, stop = np.array(tip, dtype=float), np.array(straight, dtype=float)
    towards_bend = (stop - start) / np.linalg.norm(stop - start)
    further = {f"{name}_{place}": start + far * towards_bend for place, far in places.items()}
    return {f"{name}_tip": start, f"{name}_straight": stop, **further}


def drawn(*pins: Figure, **landmarks: object) -> Figure:
    points = {name: np.array(value, dtype=float).reshape(-1, 2) for name, value in landmarks.items()}
    return points | {name: value.reshape(1, 2) for pin in pins for name, value in pin.items()}


@dataclasses.dataclass(frozen=True)
class Sketch:
    """A figure of one view, its known values, and their changes where the mobile fragment moves 6 mm away."""

    site: str
    view: str
    mobile: str
    points: Figure
    values: Mapping[str, float]
    apart: Mapping[str, float]

    @property
    def table(self) -> View:
        return load_site(self.site).views[self.view]


A_7_24 = math.degrees(math.atan2(7, 24))
A_3_4 = math.degrees(math.atan2(3, 4))

PATELLA_LATERAL = Sketch(
    "patella", "lateral", "distal",
    drawn(
        pin("pin1", (-2, 8), (46, 8), exit=46, end=52, far_cortex=2),
        pin("pin2", (-2, 6), (46, 20), exit=47.5, end=55, far_cortex=-3),
        anterior_surface=[(5, 0), (17, 0)], joint_surface=[(5, 20), (17, 20)],
        articular_edge_proximal=(20, 20), articular_edge_distal=(23.5, 21),
        anterior_edge_proximal=(20, 0), anterior_edge_distal=(24.2, 0),
        wire_break=[(10, -3), (13, 1)],
        medial_condyle_arc=[(20, 45), (30, 50), (40, 45)], lateral_condyle_arc=[(22, 44), (30, 48), (38, 44)],
    ),
    {
        "articular_gap": 3.5, "articular_step": 1.0, "anterior_gap": 4.2, "pin_angle pin1": 0.0,
        "pin_angle pin2": A_7_24, "pin_to_pin_angle": A_7_24,
        "pin_spacing": 4.9,  # middles 5 mm apart: 5 across pin 1, 0.96 of it across pin 2
        "pin_prominence pin1": 6.0, "pin_prominence pin2": 7.5, "pin_tip_beyond pin1": 2.0,
        "pin_tip_beyond pin2": -3.0, "wire_break": 5.0,
    },
    {"articular_gap": 6.0, "anterior_gap": 6.0, "pin_tip_beyond pin1": -6.0, "pin_tip_beyond pin2": -5.76},
)  # fmt: skip

PATELLA_AP = Sketch(
    "patella", "ap", "distal",
    drawn(
        pin("pin1", (-2, 16), (46, 16), exit=47, end=52, far_cortex=2),
        pin("pin2", (-2, 34), (46, 20), exit=47.5, end=55, far_cortex=-3),
        medial_border=[(5, 2), (17, 2)], lateral_border=[(5, 42), (17, 42)],
        medial_edge_proximal=(20, 1), medial_edge_distal=(22.5, 0),
        lateral_edge_proximal=(20, 43), lateral_edge_distal=(23.25, 44),
        wire_break=[(10, 20), (13, 24)],
    ),
    {
        "medial_gap": 2.5, "lateral_gap": 3.25, "pin_angle pin1": 0.0, "pin_angle pin2": -A_7_24,
        "pin_to_pin_angle": -A_7_24, "pin_spacing": 10.78,  # middles 11 mm apart: 11 and 0.96 of it
        "pin_prominence pin1": 5.0, "pin_prominence pin2": 7.5, "pin_tip_beyond pin1": 2.0,
        "pin_tip_beyond pin2": -3.0, "wire_break": 5.0,
    },
    {"medial_gap": 6.0, "lateral_gap": 6.0, "pin_tip_beyond pin1": -6.0, "pin_tip_beyond pin2": -5.76},
)  # fmt: skip

TUBEROSITY = Sketch(
    "greater_tuberosity", "ap", "proximal",
    drawn(
        pin("pin1", (-14, 4), (34, 18), exit=47, end=54),
        pin("pin2", (-8, -4), (24, 20), exit=38, end=43.5),
        shaft_lateral=[(60, 10), (90, 10)], shaft_medial=[(60, 34), (90, 34)],
        head_arc=[(-25, 30), (-20, 45), (-15, 50), (-7, 54), (0, 55)],  # centre (0, 30), radius 25
        tuberosity_top=(-19, 2), lateral_edge_proximal=(16, -1), lateral_edge_distal=(22.5, 1.5),
        hole=(45, 12), wire_break=[(30, 5), (33, 9)],
    ),
    {
        "tuberosity_height": -6.0, "lateral_gap": 6.5, "lateral_shift": 2.5, "pin_angle pin1": A_7_24,
        "pin_angle pin2": A_3_4, "pin_to_pin_angle": A_3_4 - A_7_24,
        "pin_spacing": -1.76,  # middles (-2, -3) apart: -2.32 across pin 1, -1.20 across pin 2
        "pin_prominence pin1": 7.0, "pin_prominence pin2": 5.5,
        "pin_tip_from_hole pin1": 8.88, "pin_tip_from_hole pin2": 12.0, "hole_distance": 22.5,
        "wire_break": 5.0,
    },
    {"tuberosity_height": 6.0, "lateral_gap": 6.0, "pin_prominence pin1": -5.76, "pin_prominence pin2": -4.8},
)  # fmt: skip

TROCHANTER = Sketch(
    "greater_trochanter", "ap", "proximal",
    drawn(
        pin("pin1", (-14, 6), (34, 20), exit=47, end=54),
        pin("pin2", (-8, 2), (32, 32), exit=48, end=53.5),
        shaft_lateral=[(80, 0), (120, 0)], shaft_medial=[(80, 30), (120, 30)],
        head_arc=[(-25, 60), (-20, 75), (-15, 80), (0, 85), (15, 80)],  # centre (0, 60), radius 25
        trochanter_tip=(-12, 4), lateral_edge_proximal=(20, -2), lateral_edge_distal=(31.5, 0),
        hole=(55, 14), wire_break=[(30, 5), (33, 9)],
    ),
    {
        "trochanter_height": 12.0, "lateral_gap": 11.5, "pin_angle pin1": A_7_24, "pin_angle pin2": A_3_4,
        "pin_to_pin_angle": A_3_4 - A_7_24,
        "pin_spacing": 2.64,  # middles (2, 4) apart: 3.28 across pin 1, 2.00 across pin 2
        "pin_prominence pin1": 7.0, "pin_prominence pin2": 5.5,
        "pin_tip_from_hole pin1": 18.48, "pin_tip_from_hole pin2": 7.6, "hole_distance": 23.5,
        "wire_break": 5.0,
    },
    {"trochanter_height": 6.0, "lateral_gap": 6.0, "pin_prominence pin1": -5.76, "pin_prominence pin2": -4.8},
)  # fmt: skip

# The malleolar joint surface runs by 7-24-25 from its edge (62, 20); the tibia's edge lies 2.5 mm back
# along it, (-2.4, -0.7), and 1.5 mm off it to the lateral side, the joint's: (0.42, -1.44).
MALLEOLUS = Sketch(
    "medial_malleolus", "ap", "distal",
    drawn(
        pin("pin1", (74, 34), (26, 20), exit=48, end=53),
        pin("pin2", (72, 30), (40, 6), exit=39.5, end=43),
        shaft_lateral=[(0, 0), (30, 0)], shaft_medial=[(0, 40), (30, 40)],
        joint_line=[(64.4, 20.7), (74, 23.5)],
        articular_edge_distal=(62, 20), articular_edge_proximal=(60.02, 17.86),
        medial_edge_proximal=(57, 40), medial_edge_distal=(59.25, 41),
        hole=(20, 36), wire_break=[(30, 42), (33, 46)],
    ),
    {
        "articular_gap": 2.5, "articular_step": 1.5, "medial_gap": 2.25, "pin_angle pin1": A_7_24,
        "pin_angle pin2": A_3_4, "pin_to_pin_angle": A_3_4 - A_7_24,
        "pin_spacing": -10.56,  # middles (6, -9) apart: -10.32 across pin 1, -10.80 across pin 2
        "pin_prominence pin1": 5.0, "pin_prominence pin2": 3.5,
        "pin_tip_from_hole pin1": 1.28, "pin_tip_from_hole pin2": -2.0, "hole_distance": 37.0,
        "wire_break": 5.0,
    },
    {
        "articular_gap": 5.76, "articular_step": -1.68, "medial_gap": 6.0,
        "pin_prominence pin1": -5.76, "pin_prominence pin2": -4.8,
    },
)  # fmt: skip

SKETCHES = [PATELLA_LATERAL, PATELLA_AP, TUBEROSITY, TROCHANTER, MALLEOLUS]
sketches = pytest.mark.parametrize("sketch", SKETCHES, ids=lambda sketch: f"{sketch.site}-{sketch.view}")


# --- From a figure to values ---


@dataclasses.dataclass(frozen=True)
class Lie:
    """How a figure lies on its film: mirrored as on the other side, turned, and the size of its pixels."""

    mirrored: bool = False
    turn: float = 0.0
    mm_per_px: tuple[float, float] = (0.2, 0.12)

    def landmarks(self, points: Figure) -> dict[str, Landmark]:
        cos, sin = math.cos(math.radians(self.turn)), math.sin(math.radians(self.turn))
        moved = np.diag([1.0, -1.0 if self.mirrored else 1.0]) @ np.array([[cos, sin], [-sin, cos]])
        pixels = {name: (value @ moved + MIDDLE_MM) / self.mm_per_px for name, value in points.items()}
        return {
            name: Landmark(CONFIRMED, tuple(map(tuple, value.tolist()))) for name, value in pixels.items()
        }


LIES = [
    Lie(mirrored, turn, size)
    for mirrored, turn, size in itertools.product(
        (False, True), (0.0, 37.0, 180.0, 251.0), ((0.2, 0.12), (0.15, 0.15))
    )
]


def read(sketch: Sketch, points: Figure | None = None, lie: Lie = LIES[0], film: int = 1) -> Reading:
    return Reading(
        film_digest=f"sha256:{film:016x}{0:048x}", rows=SHAPE[0], columns=SHAPE[1],
        site=sketch.site, site_version="1", view=sketch.view,
        axis=load_site(sketch.site).axes[0], reader="reader 1",
        landmarks=lie.landmarks(sketch.points if points is None else points),
    )  # fmt: skip


def scale_of(lie: Lie) -> Scale:
    return Scale(lie.mm_per_px, "known", "known")


def values(rows: tuple[Measurement, ...] | tuple[Change, ...]) -> dict[str, float]:
    return {" ".join(filter(None, row.key)): row.quantity.value for row in rows if row.quantity}


def disagreements(found: Mapping[str, float], known: Mapping[str, float]) -> set[str]:
    """Names whose value is missing, unknown, or not the known one."""
    return {
        name for name in {*found, *known}
        if not abs(found.get(name, math.nan) - known.get(name, math.nan)) <= TOLERANCE
    }  # fmt: skip


def measured(sketch: Sketch, points: Figure | None = None, lie: Lie = LIES[0]) -> dict[str, float]:
    return values(measure_film(read(sketch, points, lie), scale_of(lie)))


def film_of(sketch: Sketch, points: Figure, lie: Lie, film: int) -> MeasuredFilm:
    reading = read(sketch, points, lie, film)
    rows = measure_film(reading, scale_of(lie))
    day = datetime.date(2031, 1, film)
    return MeasuredFilm(
        f"film {film}", "patient 1", "left", day, None, None, reading, scale_of(lie), (), rows
    )


def shifted(sketch: Sketch, part: str, by: Mapping[str, np.ndarray]) -> Figure:
    """Move what is fixed to one part: each pin by its own vector, all else by that of ''."""
    table = sketch.table.landmark
    return {
        name: value + by.get(name.split("_")[0], by.get("", np.zeros(2)))
        if table[name].part == part
        else value
        for name, value in sketch.points.items()
    }


def fragment_moved(sketch: Sketch, mm: float) -> Figure:
    """Move the mobile fragment away from the other one, along the axis."""
    return shifted(sketch, sketch.mobile, {"": np.array([mm if sketch.mobile == "distal" else -mm, 0.0])})


def pins_backed_out(sketch: Sketch, mm: float) -> Figure:
    """Move both pins along themselves, towards their bends."""
    runs = {
        pin: (sketch.points[f"{pin}_straight"] - sketch.points[f"{pin}_tip"])[0] for pin in ("pin1", "pin2")
    }
    return shifted(sketch, "pin", {pin: mm * run / np.linalg.norm(run) for pin, run in runs.items()})


# --- Known answers ---


def test_every_view_has_a_figure() -> None:
    """Each view of each site is drawn here; the olecranon's is the phantom's."""
    views = {(name, view) for name in site_names() if name != "olecranon" for view in load_site(name).views}
    assert {(sketch.site, sketch.view) for sketch in SKETCHES} == views
    assert all(set(sketch.points) == set(sketch.table.landmark) for sketch in SKETCHES)


@sketches
@pytest.mark.parametrize("lie", LIES, ids=lambda lie: f"{lie.mirrored}-{lie.turn}-{lie.mm_per_px[1]}")
def test_values_and_signs_of_the_figure(sketch: Sketch, lie: Lie) -> None:
    """Every quantity has its known value and sign: either side, turned, pixels not square."""
    assert not disagreements(measured(sketch, lie=lie), sketch.values)


@sketches
def test_a_misplaced_landmark_is_seen(sketch: Sketch) -> None:
    """The check above fails where the first point of any landmark is 0.05 mm off, so none is idle."""

    def unseen(name: str, move: tuple[float, float]) -> bool:
        off = sketch.points[name].copy()
        off[0] += move
        return not disagreements(measured(sketch, sketch.points | {name: off}), sketch.values)

    own = [name for name in sketch.points if sketch.table.landmark[name].part != "neighbour"]
    assert not [name for name in own if unseen(name, (0.05, 0.0)) and unseen(name, (0.0, 0.05))]


@sketches
def test_a_wrong_sign_or_pixel_shape_is_seen(sketch: Sketch) -> None:
    """The check fails for every value of the other sign, and for pixels taken for square."""
    flipped = {name: -value for name, value in sketch.values.items()}
    assert disagreements(measured(sketch), flipped) == {
        name for name, value in sketch.values.items() if value
    }
    square = values(measure_film(read(sketch, lie=Lie(turn=37.0)), Scale((0.2, 0.2), "square", "square")))
    assert disagreements(square, sketch.values) == {name for name, value in sketch.values.items() if value}


@sketches
def test_without_a_scale_there_are_angles_and_no_lengths(sketch: Sketch) -> None:
    """Angles need only the shape of a pixel; every length says that there is no scale."""
    rows = measure_film(read(sketch), None, aspect=(0.2, 0.12))
    angles = {row.name for row in sketch.table.measurements if row.unit == "deg"}
    assert {name.split()[0] for name in values(rows)} == angles
    assert not disagreements(values(rows), {k: v for k, v in sketch.values.items() if k.split()[0] in angles})
    assert {row.reason for row in rows if row.row.unit == "mm"} == {
        "no scale on this film, so no millimetres"
    }


@sketches
def test_a_continuous_wire_has_no_break(sketch: Sketch) -> None:
    """'absent' is an observation, 0 mm; a break that was not looked for has no value."""
    reading = read(sketch)
    without = {name: landmark for name, landmark in reading.landmarks.items() if name != "wire_break"}
    for landmarks, present in ((without | {"wire_break": Landmark(ABSENT)}, False), (without, None)):
        rows = measure_film(dataclasses.replace(reading, landmarks=landmarks), scale_of(LIES[0]))
        row = next(row for row in rows if row.row.name == "wire_break")
        assert row.present is present
        assert (row.quantity.value if row.quantity else None) == (0.0 if present is False else None)


# --- Between two films that lie differently ---

PAIRS = [(LIES[0], Lie(False, 12.0, (0.15, 0.15))), (Lie(True, 300.0), Lie(True, 251.0, (0.3, 0.1)))]
pairs = pytest.mark.parametrize("lies", PAIRS, ids=("left", "right"))


def changes_between(sketch: Sketch, points: Figure, lies: tuple[Lie, Lie]) -> dict[str, Change]:
    films = (film_of(sketch, sketch.points, lies[0], 1), film_of(sketch, points, lies[1], 2))
    return {" ".join(filter(None, change.key)): change for change in compare(*films)}


@sketches
@pairs
def test_changes_where_the_fragment_moved(sketch: Sketch, lies: tuple[Lie, Lie]) -> None:
    """The mobile fragment 6 mm away: gap, height and prominence change as known, and nothing else does."""
    changes = changes_between(sketch, fragment_moved(sketch, 6.0), lies)
    plain = {name: change for name, change in changes.items() if not name.startswith("back_out")}
    assert not disagreements(
        values(tuple(plain.values())), dict.fromkeys(sketch.values, 0.0) | dict(sketch.apart)
    )
    for number in ("pin1", "pin2"):
        assert "not the pin alone" in (changes[f"back_out {number}"].note or "")


@sketches
@pairs
def test_changes_where_the_pins_backed_out(sketch: Sketch, lies: tuple[Lie, Lie]) -> None:
    """Pins 6 mm further out: positive back-out, both estimates agree, and angles and fragments stay."""
    changes = changes_between(sketch, pins_backed_out(sketch, 6.0), lies)
    for number in ("pin1", "pin2"):
        back_out = changes[f"back_out {number}"]
        assert (back_out.note or "").startswith("both estimates agree")
        assert [quantity.value for _, quantity in back_out.estimates] == pytest.approx(
            [6.0, 6.0], abs=TOLERANCE
        )
    still = [
        name for name in sketch.values if not name.startswith(("pin_prominence", "pin_tip", "pin_spacing"))
    ]
    found = {
        name: change.quantity.value for name, change in changes.items() if name in still and change.quantity
    }
    assert not disagreements(found, dict.fromkeys(still, 0.0))


@sketches
def test_a_clear_failure_is_flagged(sketch: Sketch) -> None:
    """A fragment 20 mm away, a pin 20 mm out or a broken wire are beyond; two like films are not."""
    first = film_of(sketch, sketch.points, LIES[0], 1)
    cases = {}
    for word, points in (
        ("apart", fragment_moved(sketch, 20.0)),
        ("out", pins_backed_out(sketch, 20.0)),
        ("like", sketch.points),
    ):
        later = film_of(sketch, points, LIES[1], 2)
        flags = find_flags(Case((first, later), compare(first, later, INDEX)))
        cases[word] = {
            flag.key[0] for flag in flags if flag.outcome == BEYOND and isinstance(flag.subject, Change)
        }
        assert "wire_break" in {flag.key[0] for flag in flags if flag.outcome == BEYOND}
    gaps = {name.split()[0] for name in sketch.apart} - {"pin_prominence", "pin_tip_beyond", "articular_step"}
    assert cases["apart"] >= gaps
    assert cases["out"] == {"back_out"}
    assert cases["like"] == set()
