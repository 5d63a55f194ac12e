"""Processor time of comparing two measured films, as a ratio to plain differences of their values.

Run: .venv/bin/python tests/benchmarks/change.py [repeats]

The baseline subtracts the two films' quantities, with the errors they share. Time is the processor's, since
the machine may be shared; of all repeats the best counts. Aim: the whole comparison with 10,000 Monte Carlo
draws of what every body did, pushed through every quantity that has a joint estimate, within 50 ms.
"""

from __future__ import annotations

import sys
import time
from collections.abc import Callable
from pathlib import Path

import numpy as np

sys.path.insert(0, str(Path(__file__).parents[1]))
sys.path.insert(0, str(Path(__file__).parents[2]))
from accuracy import noisy_film, random_pair

from measure.comparability import change_by_motion
from measure.movement import MOTIONS
from measure.quantity import difference
from measure.series import Change, MeasuredFilm, compare

AIM_MS = 50.0
DRAWS = 10_000


def plain(earlier: MeasuredFilm, later: MeasuredFilm) -> None:
    """Subtract the quantities that both films have."""
    for measurement in later.measurements:
        before = earlier.find(*measurement.key)
        if before and before.quantity and measurement.quantity:
            difference(measurement.quantity, before.quantity)


def monte_carlo(changes: tuple[Change, ...]) -> list[float]:
    """Spread of every joint estimate of a quantity with a limit, by draws."""
    comparison = changes[0].comparison
    assert comparison is not None
    movement, view = comparison.movement, changes[0].later.view
    at = [n for n, (_, which) in enumerate(movement.names) if which in MOTIONS]
    root = np.linalg.cholesky(movement.free.covariance[np.ix_(at, at)] + 1e-12 * np.eye(len(at)))
    draws = movement.free.mean[at] + np.random.default_rng(1).standard_normal((DRAWS, len(at))) @ root.T
    limits = {row.quantity for row in view.thresholds} | {"pin_tip_from_hole"}
    rows = [change.row for change in changes if change.joint and change.row.name in limits]
    return [
        float(np.std(change_by_motion(row, list(row.landmarks), movement, view, draws)))
        for row in rows
        if hasattr(row, "landmarks")
    ]


def best(task: Callable[[], object], repeats: int) -> float:
    """Least processor time in ms."""
    times = []
    for _ in range(repeats):
        start = time.process_time()
        task()
        times.append(1e3 * (time.process_time() - start))
    return min(times)


def main(repeats: int = 15) -> None:
    """Print the times."""
    rng = np.random.default_rng(3)
    earlier, later = (noisy_film(case, n, rng) for n, case in enumerate(random_pair(rng)))
    changes = compare(earlier, later)
    tasks: dict[str, Callable[[], object]] = {
        "plain differences": lambda: plain(earlier, later),
        "comparison": lambda: compare(earlier, later),
        f"comparison and {DRAWS} draws": lambda: monte_carlo(compare(earlier, later)),
    }
    times = {name: best(task, repeats) for name, task in tasks.items()}
    base = times["plain differences"]
    for name, each in times.items():
        print(f"{name:32s} {each:8.2f} ms  {each / base:8.1f} times the baseline")
    print(f"{len(monte_carlo(changes))} quantities; aim {AIM_MS:g} ms for the last")


if __name__ == "__main__":
    main(*map(int, sys.argv[1:]))
