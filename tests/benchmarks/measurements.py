"""Processor time of measuring one lateral film with its uncertainties, as a ratio to the bare functions.

Run: .venv/bin/python tests/benchmarks/measurements.py [repeats]

The baseline calls the same functions of `measure.geometry` once each on the same landmarks, in numpy and
without any uncertainty. Time is the processor's, since the machine may be shared; of all repeats the best
counts. Films differ in how many of their rows need Monte Carlo. Aim: all rows within a frame of 16 ms on the
median film, so that values follow a landmark that is dragged.
"""

from __future__ import annotations

import sys
import time
from collections.abc import Callable
from pathlib import Path

import numpy as np

sys.path.insert(0, str(Path(__file__).parents[1]))
sys.path.insert(0, str(Path(__file__).parents[2]))
from accuracy import noisy_film

from measure import phantom, propagate
from measure.definitions import FUNCTIONS
from measure.measurements import measure_film
from measure.series import MeasuredFilm

AIM_MS = 16.0
FILMS = 9
BASELINE = "bare functions, no uncertainty"
MOVED = ("hole", "joint_arc", "shaft_dorsal")


def bare(film: MeasuredFilm) -> Callable[[], None]:
    """Call every row's function once on the film's landmarks."""
    size = np.array(film.scale.mm_per_px)
    points = {name: mark.array * size for name, mark in film.reading.landmarks.items() if mark.located}
    calls = [
        (FUNCTIONS[m.row.function].function, [points[name] for name in m.row.landmarks])
        for m in film.measurements
        if all(name in points for name in m.row.landmarks)
    ]

    def run() -> None:
        for function, arguments in calls:
            function(*arguments)

    return run


def tasks(film: MeasuredFilm) -> dict[str, Callable[[], object]]:
    """List what is timed, the baseline first."""
    found: dict[str, Callable[[], object]] = {BASELINE: bare(film)}
    found["all rows"] = lambda: measure_film(film.reading, film.scale)
    for name in MOVED:
        found[f"rows that {name} touches"] = lambda name=name: measure_film(
            film.reading, film.scale, wanted=lambda row: name in row.landmarks
        )
    found["gap by Monte Carlo"] = gap_by_monte_carlo(film)
    return found


def gap_by_monte_carlo(film: MeasuredFilm) -> Callable[[], object]:
    """Measure the articular gap with errors so large that first order is not trusted."""
    size = np.array(film.scale.mm_per_px)
    names = ["joint_arc", "articular_edge_distal", "articular_edge_proximal"]
    landmarks = {
        name: propagate.UncertainPoints(film.reading.landmarks[name].array * size, 1.2, placement_id=name)
        for name in names
    }
    function = FUNCTIONS["arc_gap"].function
    result = propagate.propagate(function, names, landmarks, "mm")
    if result is None or result[1] != "Monte Carlo":
        raise RuntimeError(
            f"Expected Monte Carlo, received {result}. Choose other errors for this benchmark."
        )
    return lambda: propagate.propagate(function, names, landmarks, "mm")


def main() -> int:
    """Print a table; 1 where the aim is missed."""
    repeats = int(sys.argv[1]) if len(sys.argv) > 1 else 15
    rng = np.random.default_rng(3)
    timed = [tasks(noisy_film(phantom.random_case(rng), number, rng)) for number in range(FILMS)]
    best = {name: np.full(FILMS, np.inf) for name in timed[0]}
    for film in [*range(FILMS)] * repeats:
        for name, task in timed[film].items():
            start = time.process_time()
            task()
            best[name][film] = min(best[name][film], 1e3 * (time.process_time() - start))
    baseline = np.median(best[BASELINE])
    print(f"{FILMS} lateral films, best of {repeats} runs each")
    print(f"{'task':32} {'median, ms':>10} {'ratio':>6} {'slowest, ms':>12}")
    for name, milliseconds in best.items():
        median = np.median(milliseconds)
        print(f"{name:32} {median:10.2f} {median / baseline:6.1f} {milliseconds.max():12.2f}")
    missed = np.median(best["all rows"]) > AIM_MS
    print(f"aim {AIM_MS:g} ms for all rows: {'missed' if missed else 'met'}")
    return int(missed)


if __name__ == "__main__":
    sys.exit(main())
