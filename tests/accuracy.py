"""How right the numbers are: random phantom films, noisy landmarks and scale, against the phantom's truth.

Run it (`python tests/accuracy.py [PAIRS]`) for the table in README.md; test_accuracy.py asserts it on fewer.
The truth comes from `measure.phantom`, which does not use `measure.geometry`.
"""

from __future__ import annotations

import datetime
import sys
from dataclasses import dataclass, replace

import numpy as np

from measure import phantom
from measure.measurements import measure_film
from measure.quantity import COVERAGE_95, Quantity
from measure.reading import ABSENT, CONFIRMED, Landmark, Reading
from measure.scale import Scale
from measure.series import MeasuredFilm, compare
from measure.sites import Profile

NOISE_MM = 0.3  # of each landmark coordinate, at the bone
SCALE_U = 0.02  # relative
FIRST_DAY = datetime.date(2026, 1, 1)
UNSEEN_TURN = 3.0  # degrees
PROFILE = Profile("noise of the simulation", NOISE_MM, 0.0, "put in")
FIGURES = (  # what the table shows, in its order
    "articular_gap", "articular_step", "dorsal_gap", "mean_gap", "pin_angle", "pin_prominence",
    "hole_distance", "change of articular_gap", "change of articular_step", "change of pin_angle",
    "back_out",
)  # fmt: skip


@dataclass(frozen=True)
class Errors:
    """Errors (value less truth) and their standard uncertainties, arrays (n,)."""

    error: np.ndarray
    u: np.ndarray

    @property
    def bias(self) -> float:
        return float(np.mean(self.error))

    @property
    def rms(self) -> float:
        return float(np.sqrt(np.mean(self.error**2)))

    @property
    def coverage(self) -> float:
        return float(np.mean(np.abs(self.error) <= COVERAGE_95 * self.u))


def noisy_film(case: phantom.Case, number: int, rng: np.random.Generator) -> MeasuredFilm:
    """Measure one phantom film with noisy landmarks and a noisy scale."""
    size = np.array(case.pose.bone_scale)
    landmarks = {
        name: Landmark(
            CONFIRMED, tuple(map(tuple, place.film + rng.normal(0, NOISE_MM, place.film.shape) / size))
        )
        for name, place in phantom.landmarks(case).items()
    }
    landmarks.setdefault("wire_break", Landmark(ABSENT))
    reading = Reading(
        film_digest=f"sha256:{number:016x}",
        rows=10**6, columns=10**6, site="olecranon", site_version="1", view="lateral", axis="ulnar shaft",
        reader="simulated", landmarks=shifted(landmarks),
    )  # fmt: skip
    error = 1 + rng.normal(0, SCALE_U)
    scale = Scale(tuple(size * error), "simulated", f"scale:{number}", {f"scale:{number}": SCALE_U})
    measurements = measure_film(reading, scale, profile=PROFILE)
    return MeasuredFilm(
        "film", "HF-TEST", "right", FIRST_DAY + datetime.timedelta(number), None, None, reading, scale, (),
        measurements,
    )  # fmt: skip


def shifted(landmarks: dict[str, Landmark], by: float = 10_000.0) -> dict[str, Landmark]:
    """Move all landmarks alike, so that none lies off the film: only their differences count."""
    return {
        name: replace(mark, points=tuple((r + by, c + by) for r, c in mark.points))
        for name, mark in landmarks.items()
    }


def random_pair(rng: np.random.Generator) -> tuple[phantom.Case, phantom.Case]:
    """Index and follow-up film of one patient: other magnification, place and turn in the film's plane.

    Each is rotated and tilted by up to 3 degrees, as no reader would see; follow-up pixels may not be square.
    """
    first = phantom.random_case(rng, phantom.random_pose(rng, turn=UNSEEN_TURN))
    pose = phantom.random_pose(rng, side=first.pose.side, turn=UNSEEN_TURN)
    stretch = rng.choice([1.0, 1.4])
    pose = replace(pose, pitch=(pose.pitch[0] * stretch, pose.pitch[1]))
    pins = tuple(replace(pin, back_out=pin.back_out + rng.uniform(0, 6)) for pin in first.fixation.pins)
    second = replace(
        first,
        pose=pose,
        displacement=phantom.random_displacement(rng),
        fixation=replace(first.fixation, pins=pins),
    )
    return first, second


def simulate(pairs: int, seed: int) -> dict[str, Errors]:
    """Errors of every quantity on the follow-up film, and of every change, over random pairs."""
    rng = np.random.default_rng(seed)
    found: dict[str, list[tuple[float, float]]] = {}

    def note(name: str, quantity: Quantity | None, truth: float) -> None:
        if quantity is not None:
            found.setdefault(name, []).append((quantity.value - truth, quantity.u))

    for number in range(pairs):
        cases = random_pair(rng)
        films = [noisy_film(case, 2 * number + order, rng) for order, case in enumerate(cases)]
        before, after = (phantom.quantities(case) for case in cases)
        for measurement in films[1].measurements:
            note(measurement.row.name, measurement.quantity, after[measurement.key])
        for change in compare(*films):
            name = change.row.name if change.row.name == "back_out" else f"change of {change.row.name}"
            note(name, change.quantity, after[change.key] - before[change.key])
    return {name: Errors(*np.array(rows).T) for name, rows in found.items()}


def table(results: dict[str, Errors]) -> str:
    """Markdown table of bias, RMS error, mean uncertainty and coverage."""
    lines = ["| Quantity | n | Bias | RMS error | Mean u | Coverage of 95 % |", "|---|---|---|---|---|---|"]
    for name in FIGURES:
        e = results[name]
        unit = "°" if "angle" in name else " mm"
        lines.append(
            f"| {name.replace('_', ' ')} | {len(e.error)} | {e.bias:+.3f}{unit} | {e.rms:.3f}{unit} "
            f"| {e.u.mean():.3f}{unit} | {100 * e.coverage:.1f} % |"
        )
    return "\n".join(lines)


if __name__ == "__main__":
    print(table(simulate(int(sys.argv[1]) if len(sys.argv) > 1 else 400, seed=7)))
