# ruff: noqa: E501
"""How well the film's metal is found: random phantom films, measured against the phantom's truth.

Run it (`python tests/validation_metal.py [FILMS] [FIRST_SEED] [proposals]`) for a Markdown table. Films are rendered once
and kept in the temporary folder. Seeds from 900000 are for the published figures (validation/metal.md) and were
used in setting no limit; those below may have been. Half the films are lateral, half AP; 8 % have one pin only, 30 % a broken wire, a third a ball.
"""

from __future__ import annotations

import pickle
import sys
import tempfile
import time
from collections import defaultdict
from collections.abc import Collection, Mapping
from dataclasses import replace
from pathlib import Path

import numpy as np
from cramer_rao import Arriving, ball_bounds, pin_bounds
from detectability import break_detectability
from numpy.typing import NDArray
from scipy.spatial import cKDTree

from measure import phantom, phantom_film
from measure.bone import across_from, shaft_cortices
from measure.exits import bone_end, far_crossings, pin_exits
from measure.features import ROWS, Features, filled
from measure.film import Film, Spacing
from measure.fracture import EDGES, fracture_edges
from measure.marker import find_marker
from measure.notch import notch_arc
from measure.pin_bend import pin_bends
from measure.pin_width import pin_input, pin_widths
from measure.pins import Pin, find_pins
from measure.prepare import Prepared, prepare
from measure.propose import propose
from measure.reading import Landmark
from measure.scale import from_input
from measure.sites import load_site
from measure.snap import snap
from measure.wire import Wire, find_wire
from measure.wire_loop import wire_loop
from measure.wire_width import wire_input

FOUND_DEGREES, FOUND_MM = 1.0, 0.5  # what counts as found
BOUND_EVERY = 6  # films, of which two are held against Cramér and Rao's bound: it takes a second each
STEEL_EVERY = 4  # films, of which two are rendered anew with another steel
STEEL_PER_MM = (1.0, 1.9)
OFF_PLANE = 0.005  # of a pin's scale, for it lies some mm off the bone's plane
BOUNDED = ("angle", "offset", "tip", "width", "ball centre", "ball diameter")
NOUNS = {"pins": "pins", "scales": "films"}
TITLES = {"width": "pin's width", "scale": "film's scale by its pins"}
OFF_MM = 0.6  # what counts as beside the wire
# Of a fracture along the notch, mm.
GAPS = {"gap below 1.5 mm": (0.0, 1.5), "1.5 to 2.5 mm": (1.5, 2.5), "2.5 mm and more": (2.5, 99.0)}
# An ideal observer's d' of a break; a single decision with equal errors is wrong in 7 % at 3, in 0.6 % at 5.
DETECTABLE = {"below 10": (0.0, 10.0), "10 to 100": (10.0, 100.0), "100 and more": (100.0, np.inf)}
FRACTURED = {
    "articular": "articular edges",
    "dorsal_edge_proximal": "proximal dorsal edge",
}
SHAFT = {"lateral": ("shaft_dorsal", "shaft_volar"), "ap": ("shaft_ulnar", "shaft_radial")}


def make_case(seed: int) -> tuple[phantom.Case, NDArray[np.uint16]]:
    """One random film and its truth; the same for the same seed."""
    kept = Path(tempfile.gettempdir()) / "holdfast-validation" / f"{seed}.pkl"
    if kept.exists():
        return pickle.loads(kept.read_bytes())
    made = invent_case(seed)
    kept.parent.mkdir(exist_ok=True)
    kept.write_bytes(pickle.dumps(made))
    return made


def invent_case(seed: int) -> tuple[phantom.Case, NDArray[np.uint16]]:
    """Make that film anew."""
    rng = np.random.default_rng(seed)
    pose = phantom.random_pose(rng, "lateral" if seed % 2 == 0 else "ap")
    case = phantom.random_case(rng, pose, broken=rng.random() < 0.3)
    if rng.random() < 0.08:
        case = replace(case, fixation=replace(case.fixation, pins=case.fixation.pins[:1]))
    return case, phantom_film.render(case, rng).pixels


def as_film(case: phantom.Case, pixels: NDArray[np.uint16]) -> Film:
    """Film with no more of a header than most have: detector spacing, no magnification."""
    return Film(
        pixels=pixels,
        photometric=f"MONOCHROME{case.exposure.monochrome}",
        bits=12,
        spacing=Spacing(imager=case.pose.pitch),
        view=case.pose.view,
    )


def true_pins(case: phantom.Case) -> list[tuple[NDArray[np.float64], NDArray[np.float64]]]:
    """Straight end and tip of each pin on the film."""
    marks = phantom.landmarks(case)
    names = [f"pin{number}" for number in range(1, len(case.fixation.pins) + 1)]
    return [(marks[f"{name}_straight"].film[0], marks[f"{name}_tip"].film[0]) for name in names]


def match(pin: Pin, case: phantom.Case, taken: Collection[int] = ()) -> tuple[int, float, float, float]:
    """Nearest true pin: its number, angle (degrees), offset (mm) and how far the tip is off along it (mm).

    Where the axis is right for two pins that coincide, the one whose tip is nearer, of those not taken yet; the
    one whose axis is nearer, if the tip is not told.
    """
    size = case.pose.bone_scale[0]
    rows = []
    for number, (straight, tip) in enumerate(true_pins(case)):
        along = (tip - straight) / np.linalg.norm(tip - straight)
        across = np.array([-pin.along[1], pin.along[0]])
        angle = float(np.degrees(np.arccos(np.clip(pin.along @ along, -1, 1))))
        offset = float(abs(((straight + tip) / 2 - pin.tip) @ across)) * size
        rows.append((number, angle, offset, float((pin.tip - tip) @ along) * size))
    right = [row for row in rows if row[1] < FOUND_DEGREES and row[2] < FOUND_MM and row[0] not in taken]
    if right:
        return min(right, key=lambda row: abs(row[3]) if pin.tip_clear else row[2])
    return min(rows, key=lambda row: row[1] + 2 * row[2])


def judge(seed: int, found: dict[str, list[float]]) -> None:
    """Measure one film and note every error, in mm, degrees or shares."""
    case, pixels = make_case(seed)
    film = prepare(as_film(case, pixels))
    started = time.process_time()
    pins = find_pins(film, case.pose.view)
    found["seconds"].append(time.process_time() - started)
    taken: set[int] = set()
    found["pins"].append(len(case.fixation.pins))
    for pin in pins:
        number, angle, offset, tip = match(pin, case, taken)
        right = angle < FOUND_DEGREES and offset < FOUND_MM and number not in taken
        found["right" if right else "wrong"].append(seed)
        if not right:
            continue
        taken.add(number)
        found["angle"].append(angle)
        found["offset"].append(offset)
        found["tips"].append(1.0)
        if pin.tip_clear:
            found["tip"].append(tip)
    judge_width(case, film, pins, found)
    judge_wire_width(case, film, pins, found)
    if seed % STEEL_EVERY < 2:
        judge_steel(seed, found)
    if seed % BOUND_EVERY < 2:
        judge_bounds(case, film, pins, found)
    judge_marker(case, film, found)
    judge_wire(case, film, pins, found)
    judge_cortex(case, film, pins, found, np.random.default_rng(seed))
    judge_outlines(case, film, pins, found)
    judge_loop(case, film, pins, found)
    judge_fracture(case, film, pins, found)
    judge_bends(case, film, pins, found)
    judge_snaps(case, film, pins, found, np.random.default_rng(seed))
    judge_shaft_lines(case, film, pins, found)


def judge_width(
    case: phantom.Case, film: Prepared, pins: tuple[Pin, ...], found: dict[str, list[float]]
) -> None:
    """Note the relative error of each pin's width, over its uncertainty too, and of the film's scale by it.

    The phantom's pins are as wide as stated, so what the stated size may be off is left out of u.
    """
    size = case.pose.bone_scale[0]
    kind = "clipped" if case.exposure.saturated else case.exposure.curve
    for pin, width in zip(pins, pin_widths(film, pins), strict=True):
        _, angle, offset, _ = match(pin, case)
        if angle < FOUND_DEGREES and offset < FOUND_MM:
            found[f"pins {kind}"].append(1.0)
            if width.refused is None:
                error = width.pixels * size / 1.6 - 1.0
                found[f"width {kind}"].append(error)
                found[f"width z {kind}"].append(error / np.hypot(width.u, OFF_PLANE))
    found[f"scales {kind}"].append(1.0)
    given, _ = pin_input(film, pins)
    if given is not None:
        scale = from_input(replace(given, tolerance_mm=0.0), "film", (1.0, 1.0))
        found[f"scale {kind}"].append(scale.mm_per_px[0] / size - 1.0)
        found[f"scale z {kind}"].append(found[f"scale {kind}"][-1] / scale.u)


def judge_steel(seed: int, found: dict[str, list[float]]) -> None:
    """Note the error of pins' width and film's scale where the beam is not as hard as the fit takes it to be.

    The phantom's usual steel is the very one that the fit is drawn to, so only coverage here counts.
    """
    case, _ = make_case(seed)
    if case.exposure.saturated:
        return
    rng = np.random.default_rng(seed)
    noted: dict[str, list[float]] = defaultdict(list)
    case = replace(case, exposure=replace(case.exposure, steel=rng.uniform(*STEEL_PER_MM)))
    film = prepare(as_film(case, phantom_film.render(case, rng).pixels))
    judge_width(case, film, find_pins(film), noted)
    for name in TITLES:
        for part in (name, f"{name} z"):
            found[f"{part} any steel"] += noted[f"{part} {case.exposure.curve}"]


def steel_rows(found: dict[str, list[float]]) -> list[tuple[str, str, str]]:
    """Rows of the table about films of another steel."""
    rows = []
    for name, title in TITLES.items():
        z = np.abs(found[f"{name} z any steel"])
        covered = f", covered {100 * np.mean(z <= 1.96):.0f} %" if len(z) else ""
        figures = f"{spread(found[f'{name} any steel'])}{covered}"
        rows.append((f"{title}, steel {' to '.join(map(str, STEEL_PER_MM))} per mm", figures, "95 %"))
    return rows


def judge_wire_width(
    case: phantom.Case, film: Prepared, pins: tuple[Pin, ...], found: dict[str, list[float]]
) -> None:
    """Note the relative error of an AP film's scale by its wire, and over u, that of the stated size apart."""
    if case.pose.view != "ap" or case.fixation.wire is None:
        return
    kind = "clipped" if case.exposure.saturated else case.exposure.curve
    found[f"wires {kind}"].append(1.0)
    given, _ = wire_input(film, pins, find_wire(film, pins, "ap"), "ap", case.fixation.wire.diameter)
    if given is not None:
        scale = from_input(replace(given, tolerance_mm=0.0), "film", (1.0, 1.0))
        found[f"by wire {kind}"].append(scale.mm_per_px[0] / case.pose.bone_scale[0] - 1.0)
        found[f"by wire z {kind}"].append(found[f"by wire {kind}"][-1] / scale.u)


def wire_width_rows(found: dict[str, list[float]]) -> list[tuple[str, str, str]]:
    """Rows of the table about the wire's width."""
    rows = []
    for kind in ("log", "sigmoid", "clipped"):
        z = np.abs(found[f"by wire z {kind}"])
        covered = f", covered {100 * np.mean(z <= 1.96):.0f} %" if len(z) else ""
        given = (
            f"given on {len(z)} of {len(found[f'wires {kind}'])} films: {spread(found[f'by wire {kind}'])}"
        )
        rows.append((f"AP film's scale by its wire, {kind}", given + covered, "-"))
    return rows


def own_size(case: phantom.Case, number: int) -> float:
    """Millimetres per pixel at a pin's own distance from the source."""
    ends = phantom.to_camera(phantom.metal(case)[number].points[:2], case.pose)
    return float(case.pose.pitch[0] * ends[:, 2].mean() / case.pose.source_detector)


def judge_bounds(
    case: phantom.Case, film: Prepared, pins: tuple[Pin, ...], found: dict[str, list[float]]
) -> None:
    """Note errors of pins and ball over the least that any unbiased estimate could have on this film."""
    arriving = Arriving.of(case)
    bounds = pin_bounds(case, arriving)
    for pin, width in zip(pins, pin_widths(film, pins), strict=True):
        number, angle, offset, tip = match(pin, case)
        if angle >= FOUND_DEGREES or offset >= FOUND_MM:
            continue
        errors = {"angle": angle, "offset": offset}
        if pin.tip_clear:
            errors["tip"] = tip
        if width.refused is None:
            errors["width"] = width.pixels * own_size(case, number) - 1.6
        for name, error in errors.items():
            found[f"bound {name}"].append(error / bounds[number][name])
            found[f"fair {name}"].append(error / bounds[number][f"fair {name}"])
    marker = find_marker(film)
    if marker is not None and case.marker is not None:
        least, (centre, diameter) = ball_bounds(case, case.marker, arriving), phantom.marker_on_film(case)
        scale = case.marker.diameter / diameter  # mm at the ball per mm of the detector
        down, right = (marker.centre - centre) * case.pose.pitch * scale
        found["bound ball centre"] += [down / least["down"], right / least["right"]]
        found["fair ball centre"] += [down / least["fair down"], right / least["fair right"]]
        error = marker.diameter * case.pose.pitch[0] * scale - case.marker.diameter
        found["bound ball diameter"].append(error / least["diameter"])
        found["fair ball diameter"].append(error / least["fair diameter"])


def judge_wire(
    case: phantom.Case, film: Prepared, pins: tuple[Pin, ...], found: dict[str, list[float]]
) -> None:
    """Note whether a break was found near its place, and how far drill hole, path and knots are off, mm."""
    if not pins:
        return
    view, size, marks = case.pose.view, case.pose.bone_scale[0], phantom.landmarks(case)
    wire = find_wire(film, pins, view)
    found[f"holes {view}"].append(1.0)
    if wire is not None:
        if wire.hole is not None:
            off = (wire.hole - marks["hole"].film[0]) * size
            found[f"hole {view}"].append(float(np.linalg.norm(off)))
            found[f"hole z {view}"] += (off / wire.u_mm[1]).tolist()
        if wire.path:
            judge_path(case, wire, found)
            judge_knots(case, wire, found)
    breaks = () if wire is None else wire.breaks
    if "wire_break" not in marks:
        found[f"whole {view}"].append(float(bool(breaks)))
        return
    ends = marks["wire_break"].film
    if np.linalg.norm(ends[1] - ends[0]) * size >= 2.0:
        away = [np.linalg.norm(pair.mean(axis=0) - ends.mean(axis=0)) * size for pair in breaks]
        found[f"broken {view}"].append(float(any(one < 3.0 for one in away)))
        found["break d"].append(break_detectability(case))
        found["break found"].append(found[f"broken {view}"][-1])
        if not found[f"broken {view}"][-1]:
            found[f"missed {view}"].append(float(pin_away(ends, case).min()))
        elif wire is not None:
            pair = breaks[int(np.argmin(away))]
            off = min(((one - ends) * size for one in (pair, pair[::-1])), key=lambda one: np.abs(one).sum())
            found[f"break z {view}"] += (off / wire.u_mm[0]).ravel().tolist()


def pin_away(places: NDArray[np.float64], case: phantom.Case) -> NDArray[np.float64]:
    """Distance (n,) of film places (n, 2) to the nearest true pin's straight part, mm."""
    found = []
    for straight, tip in true_pins(case):
        way = tip - straight
        share = np.clip((places - straight) @ way / (way @ way), 0.0, 1.0)
        found.append(np.linalg.norm(places - straight - share[:, None] * way, axis=1))
    return np.asarray(np.min(found, axis=0) * case.pose.bone_scale[0])


def course(case: phantom.Case, name: str) -> NDArray[np.float64]:
    """Film places (n, 2) of the metal of a name, close together."""
    pieces = [
        phantom.project(bar.points, case.pose) for bar in phantom.metal(case) if bar.name.startswith(name)
    ]
    return np.vstack([np.linspace(piece[:-1], piece[1:], 8).reshape(-1, 2) for piece in pieces])


def judge_path(case: phantom.Case, wire: Wire, found: dict[str, list[float]]) -> None:
    """Note how far the path is from wire or knots, and what share of the wire that pins leave free it covers."""
    view, size = case.pose.view, case.pose.bone_scale[0]
    path, true, knots = np.vstack(wire.path), course(case, "wire"), course(case, "knot")
    off = cKDTree(np.vstack([true, knots])).query(path)[0] * size
    found[f"path {view}"] += off[off < OFF_MM].tolist()
    found[f"path off {view}"].append(float(np.mean(off >= OFF_MM)))
    straight, tip = (np.mean(ends, axis=0) for ends in zip(*true_pins(case), strict=True))
    distal = (true - straight) @ (tip - straight) / np.linalg.norm(tip - straight) * size > 10.0
    clear = true[distal & (pin_away(true, case) > 1.6)]
    found[f"path covers {view}"].append(float(np.mean(cKDTree(path).query(clear)[0] * size < OFF_MM)))
    stretches = [float(cKDTree(true).query(one)[0].max()) * size for one in wire.straight]
    found[f"straight {view}"].append(float(len(stretches)))
    found[f"straight off {view}"] += [float(one > OFF_MM) for one in stretches]


def judge_knots(case: phantom.Case, wire: Wire, found: dict[str, list[float]]) -> None:
    """Note which knots were found, how far their feet are off, and how many knots there are none."""
    view, size, marks = case.pose.view, case.pose.bone_scale[0], phantom.landmarks(case)
    middles = np.array([course(case, f"knot{number}").mean(axis=0) for number in (1, 2)])
    found[f"knots {view}"].append(2.0)
    hit = set()
    for knot in wire.knots:
        away = np.linalg.norm(middles - knot.middle, axis=1) * size
        number = int(np.argmin(away)) + 1
        if away.min() > 3.0:
            found[f"knots false {view}"].append(1.0)
            continue
        hit.add(number)
        if knot.foot is not None:
            off = (knot.foot - marks[f"knot{number}"].film[0]) * size
            found[f"foot {view}"].append(float(np.linalg.norm(off)))
            found[f"foot z {view}"] += (off / wire.u_mm[2]).tolist()
    found[f"knots found {view}"].append(float(len(hit)))


def judge_marker(case: phantom.Case, film: Prepared, found: dict[str, list[float]]) -> None:
    """Note whether the ball was found, and its diameter's relative error."""
    marker = find_marker(film)
    if case.marker is None:
        found["false balls"] += [1.0] * (marker is not None)
        return
    found["balls"].append(1.0)
    if marker is not None:
        centre, diameter = phantom.marker_on_film(case)
        found["ball"].append(marker.diameter * case.pose.pitch[0] / diameter - 1.0)
        found["ball z"].append(found["ball"][-1] / (marker.u_diameter / marker.diameter))
        found["ball centre"].append(float(np.hypot(*(marker.centre - centre))) * case.pose.bone_scale[0])


def judge_cortex(
    case: phantom.Case,
    film: Prepared,
    pins: tuple[Pin, ...],
    found: dict[str, list[float]],
    rng: np.random.Generator,
) -> None:
    """Note errors of clicks snapped to the shaft's cortices, and of the shaft's axis as proposed."""
    size, marks = case.pose.bone_scale[0], phantom.landmarks(case)
    names = SHAFT[case.pose.view]
    features = Features(film, pins)
    for name, other in (names, names[::-1]):
        for place, across in zip(marks[name].film, marks[other].film, strict=True):
            outward = (place - across) / np.linalg.norm(place - across)
            angle, away = rng.uniform(0, 2 * np.pi), rng.uniform(0, 1.5) / size
            click = place + away * np.array([np.cos(angle), np.sin(angle)])
            got = snap(features, name, (float(click[0]), float(click[1])))
            found["cortex clicks"].append(1.0)
            if got is not None:
                found["cortex"].append(float((np.array(got.point) - place) @ outward) * size)
    shafts = shaft_cortices(film, pins, case.pose.view)
    found["shafts"].append(1.0)
    if shafts is not None:
        true = np.mean([marks[name].film for name in names], axis=0)
        seen = np.mean(shafts, axis=0)
        ways = [ends[1] - ends[0] for ends in (true, seen)]
        turn = np.cross([*ways[0], 0.0], [*ways[1], 0.0])[2] / np.prod([np.linalg.norm(way) for way in ways])
        far = np.linalg.norm(np.mean(seen, axis=0) - np.mean(true, axis=0)) * size > 25.0
        other = (
            np.abs(np.cross([*(ways[0] / np.linalg.norm(ways[0])), 0.0], [*(seen[0] - true[0]), 0.0])[2])
            * size
            > 4.0
        )
        found["shaft wrong"] += [1.0] * bool(far or other)
        found["shaft angle"].append(float(np.degrees(np.arcsin(np.clip(turn, -1, 1)))))


def notch_errors(case: phantom.Case, points: NDArray[np.float64]) -> NDArray[np.float64]:
    """How far points (n, 2) lie from the notch's outline on the film, mm (n,), without sign."""
    anatomy, centre = case.anatomy, phantom.notch_centre(case.anatomy)
    angles = np.linspace(anatomy.fracture_at + 6.0, -79.0, 40)
    beyond = phantom.around_notch(angles, anatomy, anatomy.notch_radius + 3.0)
    segments = {"arc": (np.broadcast_to(centre, beyond.shape), beyond)}
    outline = phantom.outlines(lambda places: phantom.ulna(places, anatomy), segments, case.pose)["arc"].film
    fine = np.arange(0.0, len(outline) - 1, 0.02)
    dense = np.stack([np.interp(fine, np.arange(len(outline)), part) for part in outline.T], axis=1)
    away = np.linalg.norm(points[:, None] - dense, axis=-1).min(axis=1)
    return np.asarray(away * case.pose.bone_scale[0])


def off_lines(lines: NDArray[np.float64], case: phantom.Case, names: tuple[str, ...]) -> NDArray[np.float64]:
    """How far true places on both cortices lie off straight lines (2, 2, 2) along them, mm (2, n)."""
    marks, size = phantom.landmarks(case), case.pose.bone_scale[0]
    ways = lines[:, 1] - lines[:, 0]
    ways /= np.linalg.norm(ways, axis=1, keepdims=True)
    across = np.stack([-ways[:, 1], ways[:, 0]], axis=1)
    pairs = zip(names, lines, across, strict=True)
    return np.array([(marks[name].film - line[0]) @ normal for name, line, normal in pairs]) * size


def judge_shaft_lines(
    case: phantom.Case, film: Prepared, pins: tuple[Pin, ...], found: dict[str, list[float]]
) -> None:
    """Note how far the shaft's cortices, as proposed, lie off the true ones, and those at the drill hole."""
    view = case.pose.view
    cortices = shaft_cortices(film, pins, view)
    found[f"shafts {view}"].append(1.0)
    if cortices is None:
        return
    found[f"shaft off {view}"].append(float(np.abs(off_lines(np.array(cortices), case, SHAFT[view])).max()))
    hole = phantom.landmarks(case)["hole"].film[0] if view == "lateral" else None
    beside = None if hole is None else across_from(cortices, hole, film.mm_per_px)
    if beside is not None:
        places, u_px = beside
        lines = np.stack([places, places + np.subtract(*cortices[0][::-1])], axis=1)
        off = off_lines(lines, case, ("hole_dorsal", "hole_volar"))
        found["hole sides"] += np.abs(off).ravel().tolist()
        found["hole sides z"] += np.abs(off / (u_px * case.pose.bone_scale[0])).ravel().tolist()


def shaft_rows(found: dict[str, list[float]]) -> list[tuple[str, str, str]]:
    """Rows of the table about the shaft's cortices."""
    rows = []
    for view in SHAFT:
        off = np.array(found[f"shaft off {view}"])
        rows.append((
            f"shaft's cortices, {view}: proposed, worst of four places, median / 95th, wrong by more than 2 mm",
            f"{100 * len(off) / max(len(found[f'shafts {view}']), 1):.0f} %, {np.median(off):.2f} / "
            f"{np.quantile(off, 0.95):.2f} mm, {100 * np.mean(off > 2.0):.1f} %" if len(off) else "none", "-",
        ))  # fmt: skip
    off, z = np.array(found["hole sides"]), np.array(found["hole sides z"])
    rows.append((
        "cortices at the drill hole: given, median / 95th, covered",
        f"{100 * len(off) / 2 / max(len(found['shafts lateral']), 1):.0f} %, {np.median(off):.2f} / "
        f"{np.quantile(off, 0.95):.2f} mm, {100 * np.mean(z <= 1.96):.0f} %" if len(off) else "none", "-",
    ))  # fmt: skip
    return rows


def judge_outlines(
    case: phantom.Case, film: Prepared, pins: tuple[Pin, ...], found: dict[str, list[float]]
) -> None:
    """Note how far pin exits, far cortex and notch are off on a lateral film, mm, and over their u."""
    if case.pose.view != "lateral" or not pins:
        return
    marks, size = phantom.landmarks(case), case.pose.bone_scale[0]
    cortices = shaft_cortices(film, pins, "lateral")
    far = far_crossings(pins, cortices[1], film.mm_per_px) if cortices else ()
    started = time.process_time()
    exits, arc = pin_exits(film, pins, bone_end(film, pins)), notch_arc(film, pins)
    found["seconds outlines"].append(time.process_time() - started)
    found["lateral pins"] += [1.0] * len(pins)
    for name, crossings in (("exit", exits), ("far_cortex", far)):
        for one in crossings:
            mark = marks[f"pin{match(one.pin, case)[0] + 1}_{name}"].film[0]
            found[name].append(float((one.point - mark) @ one.pin.along) * size)
            found[f"{name} z"].append(found[name][-1] / (one.u_px * size))
    found["notches"].append(1.0)
    if arc is not None:
        errors = notch_errors(case, arc.points)
        found["notch"] += errors.tolist()
        found["notch z"] += (errors / (arc.u_px * size)).tolist()


def judge_loop(
    case: phantom.Case, film: Prepared, pins: tuple[Pin, ...], found: dict[str, list[float]]
) -> None:
    """Note how far the wire's loop and its seat on the bone are off on a lateral film, mm, and over their u."""
    if case.pose.view != "lateral":
        return
    marks, size = phantom.landmarks(case), case.pose.bone_scale[0]
    wire, end = find_wire(film, pins, "lateral"), bone_end(film, pins)
    started = time.process_time()
    loop = wire_loop(film, pins, wire, end)
    found["seconds loop"].append(time.process_time() - started)
    if loop is None:
        return
    for name, place, u_px in (("loop", loop.middle, loop.u_px), ("loop_seat", loop.seat, loop.u_seat_px)):
        if place is not None:
            off = place - marks[name].film[0]
            found[name].append(float(np.hypot(*off)) * size)
            found[f"{name} z"] += (off / u_px).tolist()


def loop_rows(found: dict[str, list[float]]) -> list[tuple[str, str, str]]:
    """Rows of the table about the wire's loop."""
    rows = []
    for name, title in (("loop", "wire's loop, lateral"), ("loop_seat", "its seat on the bone")):
        off, z = np.array(found[name]), np.abs(found[f"{name} z"])
        rows.append((
            f"{title}: given, median / 95th, wrong by more than 2 mm, covered",
            f"{100 * len(off) / max(len(found['seconds loop']), 1):.0f} %, {np.median(off):.2f} / {np.quantile(off, 0.95):.2f} mm, "
            f"{100 * np.mean(off > 2.0):.1f} %, {100 * np.mean(z <= 1.96):.0f} %" if len(off) else "none", "-",
        ))  # fmt: skip
    return rows


def judge_bends(
    case: phantom.Case, film: Prepared, pins: tuple[Pin, ...], found: dict[str, list[float]]
) -> None:
    """Note how far the bends' outer edges and the straight ends are off along the pins on a lateral film, mm."""
    if case.pose.view != "lateral":
        return
    marks, size, taken = phantom.landmarks(case), case.pose.bone_scale[0], set[int]()
    started = time.process_time()
    bends = pin_bends(film, pins)
    found["seconds bends"].append(time.process_time() - started)
    found["bent pins"] += [1.0] * len(pins)
    for pin in pins:
        number = match(pin, case, taken)[0]
        taken.add(number)
        for bend in bends:
            if bend.pin is pin:
                off = (bend.end - marks[f"pin{number + 1}_end"].film[0]) @ -pin.along
                straight = (bend.straight - marks[f"pin{number + 1}_straight"].film[0]) @ -pin.along
                found["bend"].append(float(off) * size)
                found["bend z"].append(float(off) / bend.u_px)
                found["bend straight"].append(float(straight) * size)


def bend_rows(found: dict[str, list[float]]) -> list[tuple[str, str, str]]:
    """Rows of the table about the pins' bends."""
    off, z, straight = (np.array(found[name]) for name in ("bend", "bend z", "bend straight"))
    if not len(off):
        return [("bend's outer edge along the pin, lateral", "none", "-")]
    return [
        ("bend's outer edge along the pin, lateral: proposed, bias, median / 95th, wrong by more than 2 mm, covered",
         f"{100 * len(off) / len(found['bent pins']):.0f} %, {np.median(off):+.2f}, {np.median(np.abs(off)):.2f} / "
         f"{np.quantile(np.abs(off), 0.95):.2f} mm, {100 * np.mean(np.abs(off) > 2.0):.1f} %, "
         f"{100 * np.mean(np.abs(z) <= 1.96):.0f} %", "-"),
        ("straight end along the pin, by the bend: bias, SD", f"{np.median(straight):+.2f}, {straight.std():.2f} mm", "-"),
        ("processor time for bends, median", f"{np.median(found['seconds bends']):.3f} s", "-"),
    ]  # fmt: skip


def outline_rows(found: dict[str, list[float]]) -> list[tuple[str, str, str]]:
    """Rows of the table about exits, far cortex and notch."""
    rows = []
    for title, name, asked in (
        ("pin exit, lateral", "exit", len(found["lateral pins"])),
        ("far cortex along the pin, lateral", "far_cortex", len(found["lateral pins"])),
        ("points of the notch's arc", "notch", 5 * len(found["notches"])),
    ):
        off, z = np.abs(found[name]), np.abs(found[f"{name} z"])
        rows.append((
            f"{title}: proposed, median / 95th, wrong by more than 2 mm, covered",
            f"{100 * len(off) / max(asked, 1):.0f} %, {np.median(off):.2f} / {np.quantile(off, 0.95):.2f} mm, "
            f"{100 * np.mean(off > 2.0):.1f} %, {100 * np.mean(z <= 1.96):.0f} %" if len(off) else "none", "-",
        ))  # fmt: skip
    rows.append(
        ("processor time for exits and notch, median", f"{np.median(found['seconds outlines']):.3f} s", "-")
    )
    return rows


def judge_fracture(
    case: phantom.Case, film: Prepared, pins: tuple[Pin, ...], found: dict[str, list[float]]
) -> None:
    """Note by width of the gap how far the fracture's edges are off on a lateral film, mm, and over their u."""
    if case.pose.view != "lateral" or not pins:
        return
    marks, size = phantom.landmarks(case), case.pose.bone_scale[0]
    arc = notch_arc(film, pins)
    started = time.process_time()
    edges = fracture_edges(film, pins, arc)
    found["seconds fracture"].append(time.process_time() - started)
    gap = next(name for name, (low, high) in GAPS.items() if low <= case.displacement.gap < high)
    for surface in FRACTURED:
        found[f"fractures {surface} {gap}"] += [1.0] * sum(name.startswith(surface) for name in EDGES)
        for name, edge in edges.items():
            if name.startswith(surface):
                off = (edge.point - marks[name].film[0]) * size
                found[f"fracture {surface} {gap}"].append(float(np.linalg.norm(off)))
                found[f"fracture z {surface} {gap}"] += (off / (edge.u_px * size)).tolist()


def fracture_rows(found: dict[str, list[float]]) -> list[tuple[str, str, str]]:
    """Rows of the table about the fracture's edges."""
    rows = []
    for surface in FRACTURED:
        for gap in GAPS:
            off, z = (np.abs(found[f"fracture{part} {surface} {gap}"]) for part in ("", " z"))
            asked = len(found[f"fractures {surface} {gap}"])
            rows.append((
                f"fracture (snapping alone), {FRACTURED[surface]}, {gap}: found, median / 95th, wrong by more than 2 mm, covered",
                f"{100 * len(off) / max(asked, 1):.0f} % of {asked}, {np.median(off):.2f} / {np.quantile(off, 0.95):.2f} mm, "
                f"{100 * np.mean(off > 2.0):.1f} %, {100 * np.mean(z <= 1.96):.0f} %" if len(off) else f"none of {asked}", "-",
            ))  # fmt: skip
    seconds = found["seconds fracture"]
    return [*rows, ("processor time for the fracture's edges, median", f"{np.median(seconds):.3f} s", "-")]


SNAPPED = {
    "pin's tip": ("pin1_tip", "pin2_tip"),
    "pin's straight end": ("pin1_straight", "pin2_straight"),
    "pin's bend": ("pin1_end", "pin2_end"),
    "pin's exit": ("pin1_exit", "pin2_exit"),
    "far cortex": ("pin1_far_cortex", "pin2_far_cortex"),
    "cortex": ("shaft_dorsal", "shaft_volar", "shaft_ulnar", "shaft_radial", "hole_dorsal", "hole_volar"),
    "joint's arc": ("joint_arc",),
    "fracture's edge": EDGES,
    "drill hole": ("hole",),
    "knot": ("knot1", "knot2"),
    "break": ("wire_break",),
    "loop": ("loop",),
    "loop's seat": ("loop_seat",),
    "ball": ("marker",),
}
CLICK_MM, WORSE_MM = 1.5, 0.5  # how far clicks are off, at most; what counts as made worse


def judge_snaps(
    case: phantom.Case,
    film: Prepared,
    pins: tuple[Pin, ...],
    found: dict[str, list[float]],
    rng: np.random.Generator,
) -> None:
    """Note how far clicks are off before and after snapping, mm, by kind of landmark."""
    features = filled(Features(film, pins, case.pose.view), ROWS[1:])
    marks = {name: mark.film for name, mark in phantom.landmarks(case).items()}
    if case.marker is not None:
        marks["marker"] = phantom.marker_on_film(case)[0][None]
    for kind, names in SNAPPED.items():
        for name in names:
            for place in marks.get(name, ()):
                angle, away = rng.uniform(0, 2 * np.pi), CLICK_MM * np.sqrt(rng.uniform())
                click = place + away / case.pose.bone_scale[0] * np.array([np.cos(angle), np.sin(angle)])
                got = snap(features, name, (float(click[0]), float(click[1])))
                before = off_feature(name, click, place, marks, case)
                found[f"clicks {kind}"].append(before)
                if got is not None:
                    after = off_feature(name, np.array(got.point), place, marks, case)
                    found[f"moved {kind}"].append(after)
                    found[f"worse {kind}"] += [after] * bool(abs(after) - abs(before) > WORSE_MM)


def off_feature(
    name: str,
    point: NDArray[np.float64],
    place: NDArray[np.float64],
    marks: Mapping[str, NDArray[np.float64]],
    case: phantom.Case,
) -> float:
    """How far a point is off the place that it is meant for, mm: of axes and outlines only across them."""
    size, off = case.pose.bone_scale[0], point - place
    if name == "joint_arc":
        return float(notch_errors(case, point[None])[0])
    if name.endswith("_straight"):
        way = marks[name.replace("straight", "tip")][0] - place
    elif name.startswith(("shaft_", "hole_")):
        side = next(one for one in SHAFT[case.pose.view] if one.endswith(name.partition("_")[2]))
        way = marks[side][1] - marks[side][0]
    else:
        return float(np.hypot(*off)) * size
    return float(way[0] * off[1] - way[1] * off[0]) / float(np.hypot(*way)) * size


def snap_rows(found: dict[str, list[float]]) -> list[tuple[str, str, str]]:
    """Rows of the table about clicks that were moved."""
    rows = []
    for kind in SNAPPED:
        before, after = np.array(found[f"clicks {kind}"]), np.array(found[f"moved {kind}"])
        if not len(after):
            continue
        rows.append((
            f"clicks on {kind}: moved; off before, after: root mean square; SD of the 95 % best; worse by 0.5 mm",
            f"{100 * len(after) / len(before):.0f} % of {len(before)}; {np.sqrt(np.mean(before**2)):.2f}, "
            f"{np.sqrt(np.mean(after**2)):.2f} mm; {np.sqrt(np.mean(np.sort(after**2)[: round(0.95 * len(after))])):.3f} mm; "
            f"{100 * len(found[f'worse {kind}']) / len(before):.1f} %", "-",
        ))  # fmt: skip
    return rows


def across_pin(
    points: NDArray[np.float64], marks: dict[str, phantom.Landmark], pin: str
) -> NDArray[np.float64]:
    """How far points (n, 2) lie from a true pin's axis, pixels (n,); infinite where there is no such pin."""
    if f"{pin}_tip" not in marks:
        return np.full(len(points), np.inf)
    straight, tip = marks[f"{pin}_straight"].film[0], marks[f"{pin}_tip"].film[0]
    along = (tip - straight) / np.linalg.norm(tip - straight)
    return np.abs((points - tip) @ np.array([-along[1], along[0]]))


def pin_apart(
    landmarks: Mapping[str, Landmark], pin: str, marks: dict[str, phantom.Landmark], other: str
) -> float:
    """How far a proposed pin lies from a true one: the worst of its ends across it."""
    placed = [landmarks[name].array for end in ("straight", "tip") if (name := f"{pin}_{end}") in landmarks]
    return float(across_pin(np.vstack(placed), marks, other).max()) if placed else np.inf


def judge_proposals(seed: int, found: dict[str, list[float]]) -> None:
    """Note by landmark how far what `propose` gives is off, mm: for straight parts and shafts across them."""
    case, pixels = make_case(seed)
    site, film = load_site("olecranon"), as_film(case, pixels)
    view, size, marks = site.views[case.pose.view], case.pose.bone_scale[0], phantom.landmarks(case)
    started = time.process_time()
    landmarks = propose(film, site, view.name).landmarks
    found["seconds"].append(time.process_time() - started)
    sides = view.axis["near"], view.axis["far"]
    numbers = {
        pin: min(("pin1", "pin2"), key=lambda other: pin_apart(landmarks, pin, marks, other))
        for pin in ("pin1", "pin2")
    }
    for name, mark in landmarks.items():
        # Which pin is called 1 is a convention, which the phantom does not share.
        number, _, part = name.partition("_")
        true_name = f"{numbers[number]}_{part}" if number in numbers else name
        points, true = mark.array, marks[true_name].film if true_name in marks else np.full((1, 2), np.inf)
        if name in sides:
            off = off_lines(np.array([points]), case, (name,))
        elif name.endswith("_straight"):
            off = across_pin(points, marks, numbers[number]) * size
        elif name == "joint_arc":
            off = notch_errors(case, points)
        elif name == "wire_break":
            off = (
                min((np.linalg.norm(points - ends, axis=1) for ends in (true, true[::-1])), key=np.max) * size
            )
        else:
            off = np.linalg.norm(points - true, axis=1) * size
        found[name].append(float(np.abs(off).max()))


def proposals_table(films: int, first: int) -> str:
    """Markdown table of proposals by landmark, and of all together."""
    found: dict[str, list[float]] = defaultdict(list)
    for seed in range(first, first + films):
        judge_proposals(seed, found)
    seconds = found.pop("seconds")
    rows = [*sorted(found.items()), ("all", [one for off in found.values() for one in off])]
    lines = ["| Landmark | Proposed | Median / 95th, mm | Wrong by more than 2 mm |", "|---|---|---|---|"]
    lines += [
        f"| {name} | {len(off)} | {np.median(off):.2f} / {np.quantile(off, 0.95):.2f} | "
        f"{100 * np.mean(np.array(off) > 2.0):.1f} % |"
        for name, off in rows
    ]
    return "\n".join(
        [*lines, "", f"All proposals of a film: {np.median(seconds):.2f} s of processor time, median"]
    )


def spread(errors: list[float]) -> str:
    """Count, mean and standard deviation, per cent."""
    values = 100 * np.array(errors)
    return f"{values.mean():+.1f} % (SD {values.std():.1f}, n {len(values)})" if len(values) else "none given"


def table(found: dict[str, list[float]]) -> str:
    """Markdown table of what was found against the targets."""
    total, right, wrong = sum(found["pins"]), len(found["right"]), len(found["wrong"])
    angle, offset, tip = (np.abs(found[name]) for name in ("angle", "offset", "tip"))
    shaft = np.abs(found["shaft angle"])
    rows = [
        ("pins found", f"{100 * right / total:.1f} % of {total:.0f}", "95 %"),
        ("wrong proposals", f"{100 * wrong / max(right + wrong, 1):.1f} %", "1 %"),
        ("axis angle, median / 95th", f"{np.median(angle):.3f}° / {np.quantile(angle, 0.95):.3f}°", "0.05 / 0.3°"),
        ("axis offset, median / 95th", f"{np.median(offset):.3f} / {np.quantile(offset, 0.95):.3f} mm", "0.03 mm"),
        ("tips told", f"{100 * len(tip) / len(found['tips']):.0f} % of the pins found", "-"),
        ("tip, median / 90th / 95th", f"{np.median(tip):.2f} / {np.quantile(tip, 0.9):.2f} / "
         f"{np.quantile(tip, 0.95):.2f} mm", "95th 0.5 mm"),
        ("tip: bias, SD of the 90 % best", f"{np.median(found['tip']):+.3f} mm, "
         f"{np.std(np.array(found['tip'])[tip < np.quantile(tip, 0.9)]):.3f} mm", "SD 0.1 mm"),
        ("processor time for pins, median / 95th", f"{np.median(found['seconds']):.2f} / "
         f"{np.quantile(found['seconds'], 0.95):.2f} s", "0.5 s"),
    ]  # fmt: skip
    for kind in ("log", "sigmoid", "clipped"):
        for name, of, target in (("width", "pins", "1 %, SD 1.5 %"), ("scale", "scales", "-")):
            z = np.abs(found[f"{name} z {kind}"])
            covered = f", covered {100 * np.mean(z <= 1.96):.0f} %" if len(z) else ""
            given = f"given on {len(z)} of {len(found[f'{of} {kind}'])} {NOUNS[of]}: {spread(found[f'{name} {kind}'])}"
            rows.append((f"{TITLES[name]}, {kind}", given + covered, target))
    rows += steel_rows(found)
    rows += [
        ("ball found / false", f"{len(found['ball'])} of {len(found['balls'])} / {len(found['false balls'])}", "-"),
        ("ball diameter", f"{spread(found['ball'])}, covered {100 * np.mean(np.abs(found['ball z']) <= 1.96):.0f} %",
         "0.2 %"),
        ("ball centre, median", f"{np.median(found['ball centre']):.3f} mm", "-"),
        ("cortex by click: bias, SD", f"{np.median(found['cortex']):+.3f}, {robust(found['cortex']):.3f} mm "
         f"({100 * np.mean(np.abs(found['cortex']) > 0.5):.1f} % beyond 0.5 mm, "
         f"{100 * (1 - len(found['cortex']) / len(found['cortex clicks'])):.1f} % silent)", "SD 0.15 mm"),
        ("shaft axis: proposed, median, 95th", f"{100 * len(shaft) / len(found['shafts']):.0f} %, "
         f"{np.median(shaft):.2f}°, {np.quantile(shaft, 0.95):.2f}°; another bone on {len(found['shaft wrong'])}" if len(shaft) else "none", "-"),
    ]  # fmt: skip
    for view in ("lateral", "ap"):
        hole, broken, whole = (found[f"{name} {view}"] for name in ("hole", "broken", "whole"))
        rows += [
            (f"drill hole, {view}: told, median / 95th", f"{100 * len(hole) / max(len(found[f'holes {view}']), 1):.0f} %, "
             f"{np.median(hole):.2f} / {np.quantile(hole, 0.95):.2f} mm", "-"),
            (f"wire break of 2 mm and more, {view}: found / false", f"{100 * np.mean(broken):.0f} % of {len(broken)} / "
             f"{100 * np.mean(whole):.1f} % of {len(whole)}", "95 % / 2 %"),
            *wire_rows(found, view),
        ]  # fmt: skip
    rows += detectability_rows(found)
    for name in BOUNDED:
        for kind, known in (("bound", "all else known"), ("fair", "all else unknown")):
            ratios = np.array(found[f"{kind} {name}"])
            if len(ratios):
                figures = (
                    f"{robust_size(ratios):.1f} / {np.sqrt(np.mean(ratios**2)):.1f} times, n {len(ratios)}"
                )
                rows.append((f"{name} over Cramér and Rao's bound, {known}, robust / RMS", figures, "-"))
    rows += wire_width_rows(found) + shaft_rows(found) + outline_rows(found) + loop_rows(found)
    rows += fracture_rows(found) + bend_rows(found) + snap_rows(found)
    lines = ["| Figure | Measured | Target |", "|---|---|---|"]
    return "\n".join(lines + [f"| {' | '.join(row)} |" for row in rows])


def robust_size(ratios: NDArray[np.float64]) -> float:
    """Estimate the root mean square from the median."""
    return 1.4826 * float(np.median(np.abs(ratios)))


def wire_rows(found: dict[str, list[float]], view: str) -> list[tuple[str, str, str]]:
    """Rows on path, knots, coverage and what was missed, of a view."""
    path, foot, missed = (np.array(found[f"{name} {view}"]) for name in ("path", "foot", "missed"))
    covered = {
        name: 100 * np.mean(np.abs(found[f"{name} z {view}"]) <= 1.96) for name in ("break", "hole", "foot")
    }
    return [
        (f"wire breaks missed, {view}", f"{len(missed)}, of which {np.sum(missed < 1.6)} within 1.6 mm of a pin's axis", "-"),
        (f"wire's u covers, {view}: break, hole, knot", " / ".join(f"{share:.0f} %" for share in covered.values()), "95 %"),
        (f"wire path, {view}: median / 95th", f"{np.median(path):.2f} / {np.quantile(path, 0.95):.2f} mm, "
         f"{100 * np.mean(found[f'path off {view}']):.1f} % beside the wire; "
         f"{100 * np.mean(found[f'path covers {view}']):.0f} % of the wire off the pins seen", "-"),
        (f"straight stretches of wire, {view}", f"{np.mean(found[f'straight {view}']):.1f} a film, "
         f"{100 * np.mean(found[f'straight off {view}']):.1f} % beside the wire", "-"),
        (f"knots, {view}: found / false; foot: told, median / 95th", f"{100 * sum(found[f'knots found {view}']) / sum(found[f'knots {view}']):.0f} % / "
         f"{len(found[f'knots false {view}'])}; {100 * len(foot) / sum(found[f'knots {view}']):.0f} %, "
         f"{np.median(foot):.2f} / {np.quantile(foot, 0.95):.2f} mm", "-"),
    ]  # fmt: skip


def detectability_rows(found: dict[str, list[float]]) -> list[tuple[str, str, str]]:
    """Rows on breaks of both views by how well an ideal observer would tell them from a whole wire."""
    detectable, hit = np.array(found["break d"]), np.array(found["break found"])
    rows = []
    for name, (low, high) in DETECTABLE.items():
        within = (detectable >= low) & (detectable < high)
        share = f"{100 * hit[within].mean():.0f} % of {within.sum()}" if within.any() else "none"
        rows.append((f"wire break of 2 mm and more, detectability d' {name}: found", share, "-"))
    return rows


def robust(errors: list[float]) -> float:
    """Estimate the standard deviation from the median absolute deviation."""
    return 1.4826 * float(np.median(np.abs(np.array(errors) - np.median(errors))))


def validate(films: int, first: int) -> dict[str, list[float]]:
    """Every error on a number of films from a first seed on."""
    found: dict[str, list[float]] = defaultdict(list)
    for seed in range(first, first + films):
        judge(seed, found)
    return found


if __name__ == "__main__":
    films = int(sys.argv[1]) if len(sys.argv) > 1 else 240
    first = int(sys.argv[2]) if len(sys.argv) > 2 else 500_000
    if "proposals" in sys.argv:
        print(proposals_table(films, first))
        sys.exit()
    result = validate(films, first)
    print(f"{films} films from seed {first}; wrong: {result['wrong']}\n")
    print(table(result))
