"""How far a comparison of two films can be trusted: phantom pairs with known truth, through all of it.

`make validate` runs it on all cores and writes the page and figures in validation/. Beside it, on the same
pairs, the naive way: one usual magnification for all films, a ruler, fixed thresholds.
"""

from __future__ import annotations

import argparse
import datetime
import itertools
import os
import sys
from collections.abc import Callable, Iterable, Iterator, Mapping
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np

sys.path.insert(0, str(Path(__file__).parent.parent))

from measure import phantom
from measure.comparability import FRAGMENT_MOVED, UNDECIDED
from measure.flags import BEYOND, judge
from measure.geometry import axis_frame
from measure.measurements import measure_film
from measure.reading import ABSENT, CONFIRMED, Landmark, Reading
from measure.scale import USUAL_MAGNIFICATION, Scale
from measure.series import Change, MeasuredFilm, compare
from measure.sites import Profile
from measure.ties import MOBILE

FIRST_DAY = datetime.date(2026, 1, 1)
QUANTITIES = (
    "back_out", "articular_gap", "articular_step", "dorsal_gap", "mean_gap", "ulnar_gap", "radial_gap",
    "pin_angle", "pin_prominence", "pin_tip_from_hole", "pin_spacing",
)  # fmt: skip
MEASURED = {*QUANTITIES, "pin_tip_beyond"}


@dataclass(frozen=True)
class Films:
    """How a pair was taken and read: turn of the later film against the earlier, and the rest."""

    title: str
    turn: float  # degrees, in a random direction
    magnification: float  # later over earlier
    reader_mm: float
    scale_u: float
    metal_mm: float | None = None  # of landmarks on metal where they are snapped; default as the reader's
    arcs: bool = False  # whether the arcs of the humerus are placed
    view: phantom.View = "lateral"
    other_view: bool = False  # whether the first visit also has a film of the other view
    missing: float = 0.0  # share of landmarks that cannot be seen, each on either film
    habit_mm: float = (
        0.0  # of two readers, one a film: each sees every landmark a little aside in his own way
    )


CLASSES = {
    "A": Films("alike (3°), markers, two readings averaged, metal snapped", 3, 1.05, 0.25, 0.015, 0.1),
    "B": Films("alike (3°), markers, one reading", 3, 1.05, 0.35, 0.015),
    "C": Films("turned by 6°, magnification 10 % apart, markers", 6, 1.10, 0.35, 0.015),
    "D": Films("turned by 10°, magnification 15 % apart, markers", 10, 1.15, 0.35, 0.015),
    "D+": Films("as D, with the two arcs of the humerus placed", 10, 1.15, 0.35, 0.015, arcs=True),
    "D++": Films(
        "as D+, and an AP film of the first visit", 10, 1.15, 0.35, 0.015, arcs=True, other_view=True
    ),
    "E": Films("turned by 10°, magnification 15 % apart, no marker (5 %), hasty reader", 10, 1.15, 0.6, 0.05),
    "AP": Films("AP films, as C", 6, 1.10, 0.35, 0.015, view="ap"),
    "M": Films(
        "as B, each landmark but the shaft's missing on either film by 10 %",
        3,
        1.05,
        0.35,
        0.015,
        missing=0.1,
    ),
    "R": Films("as B, two readers with habits of 0.3 mm", 3, 1.05, 0.35, 0.015, habit_mm=0.3),
}
EVENTS = {
    "nothing": "nothing changed",
    "back-out": "one pin 2 mm back",
    "gap": "gap 2 mm wider",
    "step": "step 1.5 mm more or less",
    "pin turned": "one pin turned by 5°",
}
UNSEEN = {("AP", "step")}  # a step does not show on this view
SHARE_UNCHANGED = 0.4


@dataclass(frozen=True)
class Outcome:
    """What came out for one pair."""

    films: str
    event: str
    moved: frozenset[str]  # the bodies that did: pin1, pin2, mobile
    verdict: frozenset[tuple[str, str]]  # finding and body
    flagged: frozenset[str]
    naive: frozenset[str]
    errors: tuple[tuple[str, float, float, float, float], ...]  # name, raw error, its u, joint error, its u


def make_pair(films: Films, event: str, rng: np.random.Generator) -> tuple[phantom.Case, phantom.Case]:
    """Two films of one phantom; the earlier one within 4 degrees of a true view, on average."""
    usual = (1.03, 1.22 / films.magnification)
    first = phantom.random_case(rng, phantom.random_pose(rng, films.view, turn=0.0, magnification=usual))
    start, heading = rng.normal(0.0, 2.8, 2), rng.uniform(0, 2 * np.pi)
    stop = start + films.turn * np.array([np.cos(heading), np.sin(heading)])
    early = replace(first.pose, rotation=start[0], tilt=start[1])
    late = phantom.random_pose(rng, films.view, early.side, turn=0.0)
    late = replace(
        late, rotation=stop[0], tilt=stop[1], magnification=early.magnification * films.magnification
    )
    if rng.random() < 0.5:
        early, late = (
            replace(early, magnification=late.magnification),
            replace(late, magnification=early.magnification),
        )
    good = phantom.Displacement(
        rng.uniform(0, 1), rng.uniform(-0.5, 0.5), rng.uniform(-1, 1), rng.uniform(-0.5, 0.5),
        rng.uniform(-1, 1), rng.uniform(-1, 1),
    )  # fmt: skip
    first = replace(first, pose=early, displacement=good)
    second = happened(event, first, films.view, rng)
    return first, replace(second, pose=late)


def happened(event: str, case: phantom.Case, view: str, rng: np.random.Generator) -> phantom.Case:
    """Give the same limb after an event; a pin turns in the plane of the view."""
    place, pins, which = case.displacement, list(case.fixation.pins), int(rng.integers(2))
    pin = pins[which]
    if event == "gap":
        place = replace(place, gap=place.gap + 2.0)
    elif event == "step":
        place = replace(place, step=place.step + rng.choice([-1.5, 1.5]))
    elif event == "back-out":
        pins[which] = replace(pin, back_out=pin.back_out + 2.0)
    elif event == "pin turned" and view == "ap":
        pins[which] = replace(pin, radial_angle=pin.radial_angle + 5.0)
    elif event == "pin turned":
        pins[which] = replace(pin, volar_angle=pin.volar_angle + 5.0)
    return replace(case, displacement=place, fixation=replace(case.fixation, pins=tuple(pins)))


def bodies_moved(before: phantom.Case, after: phantom.Case) -> frozenset[str]:
    """Name the bodies that moved between two films."""
    pins = zip(before.fixation.pins, after.fixation.pins, strict=True)
    moved = {f"pin{number}" for number, (one, other) in enumerate(pins, start=1) if one != other}
    return frozenset(moved | ({MOBILE} if before.displacement != after.displacement else set()))


def arcs(case: phantom.Case) -> dict[str, np.ndarray]:
    """Two arcs about the elbow's axis on the film: of the capitellum and of the trochlea's medial lip."""
    angles = np.radians(np.linspace(-60.0, 80.0, 5))
    found = {}
    for name, radius, depth in (("capitellum_arc", 9.5, 19.0), ("trochlea_arc", 11.0, -16.0)):
        around = np.stack([np.sin(angles) * radius, np.cos(angles) * radius, np.full(5, depth)], axis=-1)
        found[name] = phantom.project(phantom.notch_centre(case.anatomy) + around, case.pose)
    return found


def clicked(
    case: phantom.Case, films: Films, rng: np.random.Generator
) -> tuple[dict[str, Landmark], dict[str, float]]:
    """Landmarks as one reader clicks them, and the standard deviation of the noise on each."""
    size = np.array(case.pose.bone_scale)
    places = {name: place.film for name, place in phantom.landmarks(case).items()}
    if films.arcs and case.pose.view == "lateral":
        places |= arcs(case)
    shaft = SHAFTS[case.pose.view]
    bone = np.stack(axis_frame(*(places[name] * size for name in shaft))[1:])
    metal = films.reader_mm if films.metal_mm is None else films.metal_mm
    landmarks, u = {"wire_break": Landmark(ABSENT)}, {}
    for name, place in places.items():
        u[name] = metal if name.startswith("pin") and name.endswith(METAL_ENDS) else films.reader_mm
        aside = rng.normal(0, films.habit_mm, 2) @ bone / size
        noisy = (
            place + rng.normal(0, u[name], place.shape) / size + aside + 10_000.0
        )  # none lies off the film
        if name in shaft or rng.random() >= films.missing:
            landmarks[name] = Landmark(CONFIRMED, tuple(map(tuple, noisy)))
    return landmarks, u


def read(
    case: phantom.Case, number: int, films: Films, rng: np.random.Generator, day: int | None = None
) -> tuple[MeasuredFilm, MeasuredFilm]:
    """Read one film with noise; the same clicks with the film's own scale, and with the naive one."""
    size = np.array(case.pose.bone_scale)
    landmarks, u = clicked(case, films, rng)
    reader = f"reader {number}" if films.habit_mm else "simulated"
    reading = Reading(
        film_digest=f"sha256:{number:016x}", rows=10**6, columns=10**6, site="olecranon", site_version="1",
        view=case.pose.view, axis="ulnar shaft", reader=reader, landmarks=landmarks,
    )  # fmt: skip
    profile = Profile("noise put in", films.reader_mm, films.habit_mm, "put in", u)
    scale = f"scale:{number}"
    marked = Scale(tuple(size * (1 + rng.normal(0, films.scale_u))), "marker", scale, {scale: films.scale_u})
    usual = Scale(tuple(np.array(case.pose.pitch) / USUAL_MAGNIFICATION), "usual", "usual", {})
    date = FIRST_DAY + datetime.timedelta(number if day is None else day)

    def measured(scale: Scale, wanted: Iterable[str]) -> MeasuredFilm:
        values = measure_film(reading, scale, profile=profile, wanted=lambda row: row.name in wanted)
        return MeasuredFilm(
            "film", "HF-TEST", "right", date, None, None, reading, scale, (), values, profile=profile
        )

    return measured(marked, MEASURED), measured(usual, NAIVE_AP)


SHAFTS = {"lateral": ("shaft_dorsal", "shaft_volar"), "ap": ("shaft_ulnar", "shaft_radial")}
METAL_ENDS = ("_tip", "_straight", "_end")
NAIVE = {  # the fixed thresholds of a ruler: mm, degrees
    "pin_prominence": ("pin", 2.0, False), "articular_gap": ("fragment", 2.0, False),
    "articular_step": ("fragment", 1.5, True), "pin_angle": ("pin", 5.0, True),
    "ulnar_gap": ("fragment", 2.0, False), "radial_gap": ("fragment", 2.0, False),
}  # fmt: skip
NAIVE_AP = NAIVE | {"pin_tip_from_hole": ("pin", 2.0, False)}  # no prominence is seen there


def other_view(case: phantom.Case, films: Films, rng: np.random.Generator) -> list[MeasuredFilm]:
    """Give the first visit's AP film where the class has one, within 4 degrees of a true view on average."""
    if not films.other_view:
        return []
    pose = phantom.random_pose(rng, "ap", case.pose.side, turn=0.0)
    pose = replace(pose, rotation=rng.normal(0.0, 2.8), tilt=rng.normal(0.0, 2.8))
    return [read(replace(case, pose=pose), 2, films, rng, day=0)[0]]


def run_pair(job: tuple[str, str, int]) -> Outcome:
    """Make, read and compare one pair; everything follows from the seed."""
    name, event, seed = job
    films = CLASSES[name]
    for attempt in itertools.count():  # a pin turned too far may miss the cortex: another phantom then
        rng = np.random.default_rng([seed, attempt])
        try:
            pair = make_pair(films, event, rng)
            read_films = [read(case, number, films, rng) for number, case in enumerate(pair)]
            beside = other_view(pair[0], films, rng)
            break
        except ValueError:
            continue
    (earlier, naive_earlier), (later, naive_later) = read_films
    changes = compare(earlier, later, beside=beside)
    flagged = {
        change.row.name for change in changes for threshold in later.view.thresholds
        if threshold.basis == "change" and threshold.quantity == change.row.name
        and judge(change, threshold).outcome == BEYOND
    }  # fmt: skip
    comparison = changes[0].comparison
    found = comparison.findings if comparison else ((UNDECIDED, "", 0.0),)
    verdict = frozenset(
        (finding, MOBILE if finding == FRAGMENT_MOVED else body) for finding, body, _ in found
    )
    naive = naive_alarms(naive_earlier, naive_later)
    errors = tuple(errors_of(changes, *(phantom.quantities(case) for case in pair)))
    return Outcome(name, event, bodies_moved(*pair), verdict, frozenset(flagged), naive, errors)


def errors_of(
    changes: Iterable[Change], before: Mapping[tuple[str, str], float], after: Mapping[tuple[str, str], float]
) -> Iterator[tuple[str, float, float, float, float]]:
    """Name, error of the raw change and its u, error of the joint estimate and its u (or NaN)."""
    for change in changes:
        if change.row.name in QUANTITIES and change.quantity:
            truth, joint = after[change.key] - before[change.key], change.joint
            both = (joint.value - truth, joint.u) if joint else (np.nan, np.nan)
            yield change.row.name, change.quantity.value - truth, change.quantity.u, *both


def naive_alarms(earlier: MeasuredFilm, later: MeasuredFilm) -> frozenset[str]:
    """Which kinds of bodies a ruler with fixed thresholds says moved."""
    limits, found = NAIVE if later.reading.view == "lateral" else NAIVE_AP, set()
    for measurement in later.measurements:
        before = earlier.find(*measurement.key)
        if before and before.quantity and measurement.quantity and measurement.row.name in limits:
            kind, limit, either = limits[measurement.row.name]
            value = measurement.quantity.value - before.quantity.value
            if (abs(value) if either else value) >= limit:
                found.add(kind)
    return frozenset(found)


def jobs(pairs: int, seed: int) -> list[tuple[str, str, int]]:
    """Every class of films alike; 4 of 10 pairs unchanged, the rest shared by the events."""
    each = pairs / len(CLASSES)
    counts = {
        event: each * (SHARE_UNCHANGED if event == "nothing" else (1 - SHARE_UNCHANGED) / 4)
        for event in EVENTS
    }
    cells = [
        (name, event)
        for name in CLASSES
        for event in EVENTS
        if (name, event) not in UNSEEN
        for _ in range(round(counts[event]))
    ]
    return [(name, event, seed * 1_000_000 + number) for number, (name, event) in enumerate(cells)]


def run(
    pairs: int, seed: int, track: Callable[..., Iterable[Outcome]] = lambda found, **_: found
) -> list[Outcome]:
    """Run all pairs on all cores."""
    todo = jobs(pairs, seed)
    with ProcessPoolExecutor(initializer=_one_thread) as pool:
        return list(track(pool.map(run_pair, todo, chunksize=4), total=len(todo)))


def _one_thread() -> None:
    os.environ["OPENBLAS_NUM_THREADS"] = "1"


def main() -> None:
    """Run, and write the page and its figure."""
    parser = argparse.ArgumentParser(description=__doc__.split("\n")[0])
    parser.add_argument("--pairs", type=int, default=3000)
    parser.add_argument("--seed", type=int, default=4711)
    parser.add_argument("--out", type=Path, default=Path(__file__).parent.parent / "validation")
    options = parser.parse_args()
    from rich.console import Console
    from rich.progress import track
    from validation_page import FIGURE, figure, page

    console = Console(stderr=True)
    outcomes = run(
        options.pairs, options.seed, lambda found, total: track(found, "Comparing", total, console=console)
    )
    options.out.mkdir(parents=True, exist_ok=True)
    (options.out / "README.md").write_text(page(outcomes, options.seed), encoding="utf-8")
    figure(outcomes, options.out / FIGURE)
    console.print(f"Wrote {options.out / 'README.md'}")


if __name__ == "__main__":
    main()
