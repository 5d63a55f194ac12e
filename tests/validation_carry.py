"""How far landmarks carried to a later film are off, on pairs of random phantom films.

Run it (`python tests/validation_carry.py VIEW [PAIRS] [FIRST_SEED]`) for a Markdown table, one row a pair.
Between the films pins back out by 4 to 8 mm, and rotation and tilt change by up to 2 degrees.
"""

from __future__ import annotations

import sys
from dataclasses import replace
from typing import Any

import numpy as np
from validation_metal import as_film

from measure import phantom, phantom_film
from measure.carry import carry_forward, register
from measure.errors import CarryError
from measure.geometry import Points
from measure.reading import Landmark, for_film
from measure.sites import load_site

SITE = load_site("olecranon")


def visits(seed: int, view: Any) -> list[tuple[phantom.Case, Any]]:
    """Film an elbow twice, its pins backed out in between."""
    rng = np.random.default_rng(seed)
    pose = phantom.random_pose(rng, view)
    case = phantom.random_case(rng, pose, marked=False)
    rotation, tilt = rng.uniform(-2.0, 2.0, 2)
    later = replace(
        pose,
        rotation=pose.rotation + rotation,
        tilt=pose.tilt + tilt,
        in_plane=pose.in_plane + rng.uniform(-5.0, 5.0),
        offset=(pose.offset[0] + rng.uniform(-3.0, 3.0), pose.offset[1] + rng.uniform(-3.0, 3.0)),
    )
    made = []
    for seen, out in ((pose, (0.0, 0.0)), (later, tuple(rng.uniform(4.0, 8.0, 2)))):
        pins = [replace(pin, back_out=float(mm)) for pin, mm in zip(case.fixation.pins, out, strict=True)]
        one = replace(case, pose=seen, fixation=replace(case.fixation, pins=tuple(pins)))
        made.append((one, as_film(one, phantom_film.render(one, rng).pixels)))
    return made


def errors(seed: int, view: str) -> dict[str, tuple[float, float]]:
    """Tell how far each landmark is off, mm: by the films' registration alone, and as carried."""
    (before, earlier), (after, later) = visits(seed, view)
    truth, rows = phantom.landmarks(after), SITE.views[view].landmark
    marks = {
        name: mark.film[: rows[name].points[0]]
        for name, mark in phantom.landmarks(before).items()
        if name in rows and name != "wire_break"
    }
    placed = {name: Landmark("confirmed", tuple(map(tuple, at.tolist()))) for name, at in marks.items()}
    carried = carry_forward(earlier, later, for_film(earlier, SITE, view, "AB", landmarks=placed))
    whole = register(earlier, later)

    def off(name: str, points: Points) -> float:
        away = points - truth[name].film[: len(points)]
        return float(np.linalg.norm(away, axis=1).mean()) * after.pose.bone_scale[0]

    return {name: (off(name, whole(marks[name])), off(name, mark.array)) for name, mark in carried.items()}


def row(seed: int, view: str) -> str:
    """One line of the table."""
    try:
        off = errors(seed, view)
    except CarryError as error:
        return f"| {seed} | {error} | | |"
    cells = [str(seed)]
    for pin in ("pin1", "pin2"):
        both = np.median(
            [off[f"{pin}_{end}"] for end in ("tip", "straight") if f"{pin}_{end}" in off], axis=0
        )
        cells.append(f"{both[0]:.1f} to {both[1]:.2f}")
    kept = [
        pair[1] for name, pair in off.items() if SITE.views[view].landmark[name].part not in ("pin", "wire")
    ]
    return f"| {' | '.join([*cells, f'{np.median(kept):.2f}'])} |"


if __name__ == "__main__":
    view = sys.argv[1]
    pairs = int(sys.argv[2]) if len(sys.argv) > 2 else 10
    first = int(sys.argv[3]) if len(sys.argv) > 3 else 830_000
    print("| Pair | Pin 1, mm: by registration, as carried | Pin 2 | Bone |\n|---|---|---|---|")
    for seed in range(first, first + pairs):
        print(row(seed, view), flush=True)
