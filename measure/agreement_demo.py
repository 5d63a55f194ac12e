"""An invented study on the sample films: three simulated readers, of known noise and bias, read a list.

Each lands on a landmark's true place with a noise of its own, and sees some landmarks off to one side. Each
grades by eye as the sample readings do, but for slips to another grade. What was put in stands in `READERS`,
so that the analysis can be seen to find it.
"""

from __future__ import annotations

import datetime
import json
import uuid
from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from measure.film import Film, read_film, search
from measure.geometry import axis_frame
from measure.observations import view_rows
from measure.reading import (
    ABSENT,
    CONFIRMED,
    NOT_ASSESSABLE,
    Landmark,
    Observation,
    Reading,
    for_film,
    load_readings,
    standing,
)
from measure.reading_list import ReadingList, Record, Task, choose_films, make_list, save_done, save_list
from measure.samples import samples_folder
from measure.sites import load_site

SITE, VIEW, SEED, REPEATS = "olecranon", "lateral", 20261125, 2
FIRST_DAY = datetime.datetime(2026, 3, 2, 9, tzinfo=datetime.UTC)
HIDDEN_SHARE = 0.04  # of looks at a knot: "not assessable"
HIDDEN, REASON = ("knot1", "knot2"), "metal lies over it"


Grades = Mapping[str, Mapping[str, Observation]]  # by film and observation


@dataclass(frozen=True)
class SimulatedReader:
    """Noise, mm of each coordinate; `bias`: landmark to mm (along the bone axis, across it).

    `slips`: share of grades by eye that are not the sample reading's.
    """

    name: str
    noise_mm: float
    bias: Mapping[str, tuple[float, float]] = field(default_factory=dict)
    slips: float = 0.05


READERS = (
    SimulatedReader("reader-1", 0.2),
    SimulatedReader(
        "reader-2", 0.2, {"articular_edge_proximal": (-0.8, 0.0), "dorsal_edge_proximal": (-0.6, 0.0)}
    ),
    SimulatedReader("reader-3", 0.4, {"pin1_exit": (0.7, 0.0), "pin2_exit": (0.7, 0.0)}, slips=0.3),
)


def write_demo(folder: Path) -> tuple[Path, ReadingList]:
    """Make the list and all its readings in a new folder; return the folder of films, and the list.

    Raises StudyError where the folder holds a list already.
    """
    films_folder = samples_folder()
    films, _ = choose_films(map(read_film, search(films_folder).films), VIEW, None, SEED)
    plan = make_list(
        [film.digest for film in films], [reader.name for reader in READERS], REPEATS, SEED,
        site=SITE, view=VIEW, title="invented study of the sample films",
    )  # fmt: skip
    save_list(plan, folder)
    for reading, record in simulated(plan, films, _truth(films_folder), _grades(films_folder)):
        save_done(folder, reading, record)
    return films_folder, plan


def _truth(folder: Path) -> Mapping[str, Any]:
    known: Mapping[str, Any] = json.loads((folder / "truth.json").read_text(encoding="utf-8"))["films"]
    return known


def _grades(folder: Path) -> Grades:
    """Return what the sample readings say that the eye sees, by the film's digest."""
    filed, _ = load_readings(folder)
    return {
        digest: standing([reading for _, reading in mine])[-1].observations for digest, mine in filed.items()
    }


def simulated(
    plan: ReadingList,
    films: list[Film],
    truth: Mapping[str, Any],
    grades: Grades,
    readers: tuple[SimulatedReader, ...] = READERS,
) -> Iterator[tuple[Reading, Record]]:
    """Read every task of a list, each with a seed of its own."""
    by_digest = {film.digest: film for film in films}
    by_name = {reader.name: reader for reader in readers}
    for task in plan.tasks:
        film = by_digest[plan.digests[task.film]]
        rng = np.random.default_rng([plan.seed, int(task.code)])
        known = truth[film.sop_instance_uid or ""]
        marks = dict(_landmarks(by_name[task.reader], known, film.pixels.shape, rng))
        seen = dict(_seen(by_name[task.reader], grades.get(film.digest, {}), rng))
        start = FIRST_DAY + datetime.timedelta(
            days=(plan.wait_days + 1) * (task.round - 1), minutes=4 * task.number
        )
        yield _done(task, plan, film, marks, seen, start)


def _done(
    task: Task,
    plan: ReadingList,
    film: Film,
    marks: Mapping[str, Landmark],
    seen: Mapping[str, Observation],
    start: datetime.datetime,
) -> tuple[Reading, Record]:
    end = start + datetime.timedelta(minutes=3)
    uid = str(uuid.uuid5(uuid.NAMESPACE_OID, f"{plan.uid}:{task.code}"))
    reading = for_film(
        film, load_site(plan.site), plan.view, task.reader, landmarks=marks, observations=seen,
        time=end.isoformat(), uid=uid, software="holdfast, simulated reader",
    )  # fmt: skip
    sitting = f"{task.reader}-{task.round}"
    times = start.isoformat(), end.isoformat(), 180.0
    return reading, Record(plan.uid, task.code, task.reader, task.number, task.round, uid, sitting, *times)


def _landmarks(
    reader: SimulatedReader, known: Mapping[str, Any], shape: tuple[int, ...], rng: np.random.Generator
) -> Iterator[tuple[str, Landmark]]:
    """Every landmark as this reader sees it; what falls off the film is not assessable."""
    view = load_site(SITE).views[VIEW]
    size = np.array(known["bone_scale"])
    true = {name: np.array(place["film"]) for name, place in known["landmarks"].items()}
    frame = np.stack(axis_frame(*(true[view.axis[side]] * size for side in ("near", "far")))[1:])
    for row in view.landmarks:
        if row.name not in true:
            continue
        bias = np.array(reader.bias.get(row.name, (0.0, 0.0))) @ frame
        points = true[row.name] + (bias + rng.normal(0.0, reader.noise_mm, true[row.name].shape)) / size
        if row.name in HIDDEN and rng.random() < HIDDEN_SHARE:
            yield row.name, Landmark(NOT_ASSESSABLE, reason=REASON)
        elif np.any(points < -0.5) or np.any(points > np.array(shape) - 0.5):
            yield row.name, Landmark(NOT_ASSESSABLE, reason="off the film")
        else:
            yield row.name, Landmark(CONFIRMED, _pairs(points))
    yield "wire_break", Landmark(ABSENT)


def _seen(
    reader: SimulatedReader, true: Mapping[str, Observation], rng: np.random.Generator
) -> Iterator[tuple[str, Observation]]:
    """Every observation as this reader grades it: a slip goes to a grade next to the true one."""
    rows = view_rows(SITE, VIEW)
    for name, given in true.items():
        if given.grade is None or rng.random() >= reader.slips:
            yield name, given
            continue
        grades = list(rows[name].kind.grade)
        at = grades.index(given.grade)
        beside = [grades[i] for i in (at - 1, at + 1) if 0 <= i < len(grades)]
        yield name, Observation(str(rng.choice(beside)))


def _pairs(points: NDArray[np.float64]) -> tuple[tuple[float, float], ...]:
    return tuple((round(float(row), 2), round(float(column), 2)) for row, column in points)
