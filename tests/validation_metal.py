# ruff: noqa: E501
"""How well the film's metal is found: random phantom films, measured against the phantom's truth.

Run it (`python tests/validation_metal.py [FILMS] [FIRST_SEED]`) for a Markdown table. Films are rendered once
and kept in the temporary folder. Seeds from 500000 were not used in setting any limit; those from 1000 to
1079 were. Half the films are lateral, half AP; 8 % have one pin only, 30 % a broken wire, a third a ball.
"""

from __future__ import annotations

import pickle
import sys
import tempfile
import time
from collections import defaultdict
from dataclasses import replace
from pathlib import Path

import numpy as np
from cramer_rao import Arriving, ball_bounds, pin_bounds
from numpy.typing import NDArray

from measure import phantom, phantom_film
from measure.bone import shaft_cortices
from measure.film import Film, Spacing
from measure.marker import find_marker
from measure.pin_width import pin_input, pin_widths
from measure.pins import Pin, find_pins
from measure.prepare import Prepared, prepare
from measure.scale import from_input
from measure.snap import Features, snap
from measure.wire import find_wire

FOUND_DEGREES, FOUND_MM = 1.0, 0.5  # what counts as found
BOUND_EVERY = 6  # films, of which two are held against Cramér and Rao's bound: it takes a second each
OFF_PLANE = 0.005  # of a pin's scale, for it lies some mm off the bone's plane
BOUNDED = ("angle", "offset", "tip", "width", "ball centre", "ball diameter")
NOUNS = {"pins": "pins", "scales": "films"}
TITLES = {"width": "pin's width", "scale": "film's scale by its pins"}
SHAFT = {"lateral": ("shaft_dorsal", "shaft_volar"), "ap": ("shaft_ulnar", "shaft_radial")}


def make_case(seed: int) -> tuple[phantom.Case, NDArray[np.uint16]]:
    """One random film and its truth; the same for the same seed."""
    kept = Path(tempfile.gettempdir()) / "holdfast-validation" / f"{seed}.pkl"
    if kept.exists():
        return pickle.loads(kept.read_bytes())
    rng = np.random.default_rng(seed)
    pose = phantom.random_pose(rng, "lateral" if seed % 2 == 0 else "ap")
    case = phantom.random_case(rng, pose, broken=rng.random() < 0.3)
    if rng.random() < 0.08:
        case = replace(case, fixation=replace(case.fixation, pins=case.fixation.pins[:1]))
    made = case, phantom_film.render(case, rng).pixels
    kept.parent.mkdir(exist_ok=True)
    kept.write_bytes(pickle.dumps(made))
    return made


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


def match(pin: Pin, case: phantom.Case) -> tuple[int, float, float, float]:
    """Nearest true pin: its number, angle (degrees), offset (mm) and how far the tip is off along it (mm)."""
    size = case.pose.bone_scale[0]
    rows = []
    for number, (straight, tip) in enumerate(true_pins(case)):
        along = (tip - straight) / np.linalg.norm(tip - straight)
        across = np.array([-pin.along[1], pin.along[0]])
        angle = float(np.degrees(np.arccos(np.clip(abs(pin.along @ along), 0, 1))))
        offset = float(abs(((straight + tip) / 2 - pin.tip) @ across)) * size
        rows.append((number, angle, offset, float((pin.tip - tip) @ along) * size))
    return min(rows, key=lambda row: row[1] + 2 * row[2])


def judge(seed: int, found: dict[str, list[float]]) -> None:
    """Measure one film and note every error, in mm, degrees or shares."""
    case, pixels = make_case(seed)
    film = prepare(as_film(case, pixels))
    started = time.process_time()
    pins = find_pins(film)
    found["seconds"].append(time.process_time() - started)
    taken = set()
    found["pins"].append(len(case.fixation.pins))
    for pin in pins:
        number, angle, offset, tip = match(pin, case)
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
    if seed % BOUND_EVERY < 2:
        judge_bounds(case, film, pins, found)
    judge_marker(case, film, found)
    judge_wire(case, film, pins, found)
    judge_cortex(case, film, pins, found, np.random.default_rng(seed))


def judge_width(
    case: phantom.Case, film: Prepared, pins: tuple[Pin, ...], found: dict[str, list[float]]
) -> None:
    """Note the relative error of each pin's width, over its uncertainty too, and of the film's scale by it."""
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
        scale = from_input(given, "film", (1.0, 1.0))
        found[f"scale {kind}"].append(scale.mm_per_px[0] / size - 1.0)
        found[f"scale z {kind}"].append(found[f"scale {kind}"][-1] / scale.u)


def judge_bounds(
    case: phantom.Case, film: Prepared, pins: tuple[Pin, ...], found: dict[str, list[float]]
) -> None:
    """Note errors of pins and ball over the least that any unbiased estimate could have on this film."""
    arriving, size = Arriving.of(case), case.pose.bone_scale[0]
    bounds = pin_bounds(case, arriving)
    for pin, width in zip(pins, pin_widths(film, pins), strict=True):
        number, angle, offset, tip = match(pin, case)
        if angle >= FOUND_DEGREES or offset >= FOUND_MM:
            continue
        errors = {"angle": angle, "offset": offset}
        if pin.tip_clear:
            errors["tip"] = tip
        if width.refused is None:
            errors["width"] = width.pixels * size - 1.6
        for name, error in errors.items():
            found[f"bound {name}"].append(error / bounds[number][name])
    marker = find_marker(film)
    if marker is not None and case.marker is not None:
        least, (centre, diameter) = ball_bounds(case, case.marker, arriving), phantom.marker_on_film(case)
        scale = case.marker.diameter / diameter  # mm at the ball per mm of the detector
        down, right = (marker.centre - centre) * case.pose.pitch * scale
        found["bound ball centre"] += [down / least["down"], right / least["right"]]
        error = marker.diameter * case.pose.pitch[0] * scale - case.marker.diameter
        found["bound ball diameter"].append(error / least["diameter"])


def judge_wire(
    case: phantom.Case, film: Prepared, pins: tuple[Pin, ...], found: dict[str, list[float]]
) -> None:
    """Note whether a break was found near its place, and how far the drill hole is off, mm."""
    if not pins:
        return
    view, size, marks = case.pose.view, case.pose.bone_scale[0], phantom.landmarks(case)
    wire = find_wire(film, pins, view)
    found[f"holes {view}"].append(1.0)
    if wire is not None and wire.hole is not None:
        found[f"hole {view}"].append(float(np.linalg.norm(wire.hole - marks["hole"].film[0])) * size)
    breaks = () if wire is None else wire.breaks
    if "wire_break" not in marks:
        found[f"whole {view}"].append(float(bool(breaks)))
        return
    ends = marks["wire_break"].film
    if np.linalg.norm(ends[1] - ends[0]) * size >= 2.0:
        away = [np.linalg.norm(pair.mean(axis=0) - ends.mean(axis=0)) * size for pair in breaks]
        found[f"broken {view}"].append(float(any(one < 3.0 for one in away)))


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
        ]  # fmt: skip
    for name in BOUNDED:
        ratios = np.array(found[f"bound {name}"])
        if len(ratios):
            figures = f"{robust_size(ratios):.1f} / {np.sqrt(np.mean(ratios**2)):.1f} times, n {len(ratios)}"
            rows.append((f"{name} over Cramér and Rao's bound, robust / RMS", figures, "-"))
    lines = ["| Figure | Measured | Target |", "|---|---|---|"]
    return "\n".join(lines + [f"| {' | '.join(row)} |" for row in rows])


def robust_size(ratios: NDArray[np.float64]) -> float:
    """Estimate the root mean square from the median."""
    return 1.4826 * float(np.median(np.abs(ratios)))


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
    result = validate(films, first)
    print(f"{films} films from seed {first}; wrong: {result['wrong']}\n")
    print(table(result))
