"""Two views of one visit.

The pins in space against the phantom's truth, and films that contradict each other.
"""

from __future__ import annotations

import datetime
import functools
from dataclasses import replace

import numpy as np
import pytest

from measure import phantom
from measure.measurements import measure_film
from measure.quantity import COVERAGE_95
from measure.reading import ABSENT, CONFIRMED, Landmark, Reading
from measure.scale import Scale
from measure.series import MeasuredFilm
from measure.sites import Profile
from measure.space import VIEWS, InSpace, in_space, visits_in_space

NOISE_MM, SCALE_U, VISITS = 0.35, 0.015, 30
PROFILE = Profile("put in", NOISE_MM, 0.0, "put in")


def film(case: phantom.Case, number: int, rng: np.random.Generator) -> MeasuredFilm:
    """One noisy film of a phantom."""
    size = np.array(case.pose.bone_scale)
    landmarks = {"wire_break": Landmark(ABSENT)}
    for name, place in phantom.landmarks(case).items():
        noisy = place.film + rng.normal(0, NOISE_MM, place.film.shape) / size + 10_000.0
        landmarks[name] = Landmark(CONFIRMED, tuple(map(tuple, noisy)))
    reading = Reading(
        film_digest=f"sha256:{number:016x}", rows=10**6, columns=10**6, site="olecranon", site_version="1",
        view=case.pose.view, axis="ulnar shaft", reader="simulated", landmarks=landmarks,
    )  # fmt: skip
    scale = Scale(
        tuple(size * (1 + rng.normal(0, SCALE_U))), "put in", f"scale:{number}", {f"scale:{number}": SCALE_U}
    )
    wanted = ("pin_angle", "pin_spacing", "pin_to_pin_angle")
    values = measure_film(reading, scale, profile=PROFILE, wanted=lambda row: row.name in wanted)
    day = datetime.date(2026, 1, 1)
    return MeasuredFilm(
        "film", "HF-TEST", "right", day, None, None, reading, scale, (), values, profile=PROFILE
    )


@functools.cache
def visits() -> list[tuple[phantom.Case, MeasuredFilm, MeasuredFilm]]:
    """Random visits: both views within 4 degrees of true, on average."""
    rng, found = np.random.default_rng(20261125), []
    while len(found) < VISITS:
        case = phantom.random_case(rng, phantom.random_pose(rng, turn=4.0))
        pins = tuple(replace(pin, radial_angle=rng.uniform(-6.0, 6.0)) for pin in case.fixation.pins)
        case = replace(case, fixation=replace(case.fixation, pins=pins))
        other = replace(case, pose=phantom.random_pose(rng, "ap", case.pose.side, turn=4.0))
        found.append((case, film(case, 2 * len(found), rng), film(other, 2 * len(found) + 1, rng)))
    return found


def errors(name: str, single: str = "") -> np.ndarray:
    """Error in space and its u, (n, 2), over all visits; `single` takes the one view's value instead."""
    rows = []
    for case, lateral, ap in visits():
        seen, truth = in_space(lateral, ap), phantom.pins_in_space(case)
        if name == "pin_angle":
            for pin, angle in seen.angles.items():
                value = lateral.find(name, pin).quantity if single else angle
                rows.append((value.value - truth[name, pin], value.u))
        else:
            found = (
                lateral.find(name).quantity
                if single
                else {"pin_spacing": seen.spacing, "pin_to_pin_angle": seen.between}[name]
            )
            rows.append((abs(found.value) - truth[name, ""], found.u))
    return np.array(rows)


@pytest.mark.parametrize("name", ["pin_angle", "pin_spacing"])
def test_pins_in_space_are_the_phantom_s(name: str) -> None:
    """Errors are as large as stated, not half as large again; the lateral film alone does not show them."""
    error, u = errors(name).T
    assert np.mean(np.abs(error) <= COVERAGE_95 * u) >= 0.85
    assert 0.6 < np.sqrt(np.mean((error / u) ** 2)) < 1.25
    alone, alone_u = errors(name, single="lateral").T
    assert np.mean(np.abs(alone) <= COVERAGE_95 * alone_u) < np.mean(np.abs(error) <= COVERAGE_95 * u)


def test_angle_between_the_pins() -> None:
    """Never negative, and its interval holds."""
    error, u = errors("pin_to_pin_angle").T
    assert np.mean(np.abs(error) <= COVERAGE_95 * u) >= 0.85


def test_views_agree() -> None:
    """The films of one visit agree on what they share, in at least 85 of 100 checks.

    No pins look exchanged by chance often.
    """
    seen = [in_space(lateral, ap) for _, lateral, ap in visits()]
    checks = [check.agrees for one in seen for check in one.checks]
    assert len(checks) == 3 * VISITS
    assert np.mean(checks) >= 0.85
    assert np.mean([one.exchanged for one in seen]) <= 0.15


def changed(measured: MeasuredFilm, move) -> MeasuredFilm:
    """Change a film's landmarks: move(name) gives the name of the one to take instead."""
    landmarks = {name: measured.reading.landmarks[move(name)] for name in measured.reading.landmarks}
    return replace(measured, reading=replace(measured.reading, landmarks=landmarks))


def test_exchanged_pins_are_told() -> None:
    """Tips that differ by more than 6 mm along the bone, with pins 1 and 2 exchanged on the AP film."""
    swap = {"pin1": "pin2", "pin2": "pin1"}
    told = []
    for case, lateral, ap in visits():
        tips = [phantom.pin_places(pin).tip[0] for pin in case.fixation.pins]
        if abs(tips[0] - tips[1]) > 6.0:
            wrong = changed(ap, lambda name: swap.get(name[:4], name[:4]) + name[4:])
            seen: InSpace = in_space(lateral, wrong)
            told.append(seen.exchanged and any("pin 1 on the one film" in line for line in seen.lines()))
            assert not seen.exchanged or not (seen.angles or seen.between)
            assert in_space(lateral, ap).angles
    assert len(told) >= 5
    assert np.mean(told) >= 0.9


def test_a_wrong_scale_is_told() -> None:
    """An AP film 12 % too large contradicts the lateral one on the pins' lengths."""
    _, lateral, ap = visits()[0]
    wide = Scale(tuple(np.array(ap.scale.mm_per_px) * 1.12), "wrong", "wrong", dict(ap.scale.parts))
    seen = in_space(lateral, replace(ap, scale=wide))
    assert not all(check.agrees for check in seen.checks)
    assert any("do NOT agree" in line for line in seen.lines())


def test_only_films_of_one_day_are_paired() -> None:
    """A lateral and an AP film of two days, or two patients, are no visit."""
    _, lateral, ap = visits()[0]
    assert len(visits_in_space([lateral, ap])) == 1
    assert [film.reading.view for film in (lateral, ap)] == list(VIEWS)
    later = replace(ap, date=ap.date + datetime.timedelta(1))
    assert visits_in_space([lateral, later]) == ()
    assert visits_in_space([lateral, replace(ap, patient_key="HF-OTHER")]) == ()
