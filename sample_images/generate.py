"""Make the sample films: two invented patients, each with a lateral and an AP film at four visits.

    python sample_images/generate.py [FOLDER]

HF-0001's fixation holds. HF-0002's first pin backs out and the articular gap opens, while the magnification
changes from film to film. Every film has its own seed, so that each can be made again alone; a test asserts
that the files here come out the same, byte for byte. Nobody was filmed: all of it is `measure.phantom`.

`truth.json` holds, by SOP Instance UID, what was put in: the landmarks on the film (row, col) and in space,
the quantities, and the scale at the bone.
"""

from __future__ import annotations

import datetime
import json
import sys
import uuid
from collections.abc import Iterator
from dataclasses import asdict, dataclass, replace
from pathlib import Path
from typing import Any, Literal

import numpy as np

from measure import phantom, phantom_dicom, phantom_film
from measure.film import read_film
from measure.observations import view_rows
from measure.phantom import Anatomy, Case, Displacement, Exposure, Fixation, Marker, Pin, Pose, Wire
from measure.reading import (
    ABSENT,
    CONFIRMED,
    NOT_ASSESSABLE,
    SUFFIX,
    Landmark,
    Observation,
    Reading,
    for_film,
    save_reading,
)
from measure.scale import ScaleInput
from measure.sites import load_site

HERE = Path(__file__).resolve().parent
SEED = 20250304
VIEWS: tuple[phantom.View, ...] = ("lateral", "ap")
PLAIN = Exposure(collimation=4.0)


@dataclass(frozen=True)
class View:
    """How one film was taken. turns: rotation, tilt, in plane, degrees. ball: the marker's height, mm."""

    magnification: float
    turns: tuple[float, float, float] = (0.0, 0.0, 0.0)
    geometry: Literal["distances", "factor", "detector"] = "distances"
    exposure: Exposure = PLAIN
    ball: float | None = None


@dataclass(frozen=True)
class Visit:
    """One visit: days after the operation, where the proximal fragment is, how far pin 1 has backed out."""

    day: int
    displacement: Displacement
    back_out: float
    lateral: View
    ap: View


@dataclass(frozen=True)
class Patient:
    """An invented patient with one operated elbow."""

    name: str
    side: phantom.Side
    operation: datetime.date
    anatomy: Anatomy
    fixation: Fixation
    visits: tuple[Visit, ...]


@dataclass(frozen=True)
class SampleFilm:
    """One film to be made. path is relative to the folder of samples."""

    path: Path
    patient: Patient
    visit: int
    case: Case
    label: phantom_dicom.Label
    seed: tuple[int, ...]

    @property
    def uid(self) -> str:
        """SOP Instance UID."""
        return phantom_dicom.film_uid(self.case, self.label)


HOLDS = Patient(
    name="HF-0001",
    side="R",
    operation=datetime.date(2025, 3, 3),
    anatomy=Anatomy(grain=11, fracture_at=12.0, fracture_slant=14.0),
    fixation=Fixation(
        pins=(
            Pin(y=1.6, z=3.7, volar_angle=8.0, radial_angle=0.9, bend_at=-24.6, length=72.0, hook_roll=8.0),
            Pin(
                y=0.4, z=-3.4, volar_angle=8.7, radial_angle=-0.4, bend_at=-25.2, length=73.0, hook_roll=-12.0
            ),
        ),
        wire=Wire(hole_distance=39.0, hole_depth=0.38),
    ),
    visits=(
        Visit(
            1,
            Displacement(gap=0.4, step=0.1, opening=0.3),
            0.0,
            View(1.08, (0.5, 0.3, -2.0), ball=0.0),
            View(1.11, (0.0, 0.8, 1.5)),
        ),
        Visit(
            15,
            Displacement(gap=0.4, step=0.1, opening=0.3),
            0.0,
            View(1.12, (-2.5, 0.8, 1.0), exposure=replace(PLAIN, photons=1800.0, blur=0.15)),
            View(1.09, (2.0, -1.0, -3.0), "factor"),
        ),
        Visit(
            42,
            Displacement(gap=0.3, step=0.1, opening=0.2),
            0.1,
            View(1.10, (1.5, -1.2, 3.0), "factor", replace(PLAIN, saturated=True)),
            View(1.12, (-1.0, 0.5, 0.0), "detector"),
        ),
        Visit(
            92,
            Displacement(gap=0.2, step=0.1, opening=0.1),
            0.1,
            View(1.07, (3.0, 0.6, -1.0), exposure=replace(PLAIN, curve="sigmoid"), ball=8.0),
            View(1.10, (0.5, 1.5, 2.0), exposure=replace(PLAIN, letter=False)),
        ),
    ),
)
FAILS = Patient(
    name="HF-0002",
    side="L",
    operation=datetime.date(2025, 5, 12),
    anatomy=Anatomy(
        grain=29,
        notch_radius=10.6,
        bend=4.5,
        fracture_at=4.0,
        fracture_slant=-6.0,
        shaft_side=6.4,
        cortex=2.7,
    ),
    fixation=Fixation(
        pins=(
            Pin(y=2.6, z=3.2, volar_angle=4.6, radial_angle=1.6, bend_at=-25.0, length=71.0, tip="round"),
            Pin(y=0.9, z=-3.8, volar_angle=5.9, radial_angle=-0.6, bend_at=-25.6, length=74.0, tip="round"),
        ),
        wire=Wire(hole_distance=41.5, hole_depth=0.32, knots=(21.0, 17.0), slack=0.6),
    ),
    visits=(
        Visit(
            1,
            Displacement(gap=0.3),
            0.0,
            View(1.06, (0.0, 0.4, 2.0)),
            View(1.10, (1.0, 0.0, -2.0)),
        ),
        Visit(
            16,
            Displacement(gap=0.8, opening=0.5),
            0.8,
            View(1.15, (2.0, -0.8, -1.5), exposure=replace(PLAIN, monochrome=1, photons=2500.0)),
            View(1.08, (-1.5, 1.0, 1.0), "factor"),
        ),
        Visit(
            43,
            Displacement(gap=2.4, step=0.4, opening=1.6),
            2.6,
            View(1.18, (-3.0, 1.0, 0.5), "factor", replace(PLAIN, shutter=False)),
            View(1.12, (2.5, -0.5, 3.0)),
        ),
        Visit(
            92,
            Displacement(gap=3.5, step=0.6, opening=2.6),
            5.5,
            View(1.10, (4.0, 0.5, -3.0), exposure=replace(PLAIN, saturated=True, blur=0.14), ball=-6.0),
            View(1.16, (0.0, -1.5, -1.0), "detector"),
        ),
    ),
)
PATIENTS = (HOLDS, FAILS)


def _case(patient: Patient, visit: Visit, view: phantom.View) -> Case:
    """Put one film's case together."""
    taken = visit.lateral if view == "lateral" else visit.ap
    lateral = view == "lateral"
    first, *others = patient.fixation.pins
    mirror = -1.0 if patient.side == "L" else 1.0
    across = (mirror * 43.0, -41.0) if lateral else (mirror * 40.0, 44.0)
    return Case(
        anatomy=patient.anatomy,
        displacement=visit.displacement,
        fixation=replace(patient.fixation, pins=(replace(first, back_out=visit.back_out), *others)),
        pose=Pose(
            view=view,
            side=patient.side,
            rotation=taken.turns[0],
            tilt=taken.turns[1],
            in_plane=taken.turns[2],
            flexion=88.0 + visit.day / 15.0 if lateral else 14.0,
            magnification=taken.magnification,
            offset=(0.0, 19.0) if lateral else (0.0, 0.0),
            shape=(900, 1100) if lateral else (1100, 900),
        ),
        exposure=taken.exposure,
        marker=None if taken.ball is None else Marker(25.0, across, taken.ball),
    )


def sample_films() -> Iterator[SampleFilm]:
    """List every film, in the order of patients, visits and views."""
    for number, patient in enumerate(PATIENTS):
        for count, visit in enumerate(patient.visits):
            date = patient.operation + datetime.timedelta(days=visit.day)
            for place, view in enumerate(VIEWS):
                taken = visit.lateral if view == "lateral" else visit.ap
                label = phantom_dicom.Label(
                    patient=patient.name,
                    date=f"{date:%Y%m%d}",
                    time=f"09{10 * place:02d}00",
                    visit=count,
                    geometry=taken.geometry,
                )
                yield SampleFilm(
                    path=Path(patient.name) / f"{date.isoformat()}-{view}.dcm",
                    patient=patient,
                    visit=count,
                    case=_case(patient, visit, view),
                    label=label,
                    seed=(SEED, number, count, place),
                )


def write(film: SampleFilm, folder: Path) -> Path:
    """Render one film and write it under the folder; gives its path."""
    path = folder / film.path
    path.parent.mkdir(parents=True, exist_ok=True)
    rendered = phantom_film.render(film.case, np.random.default_rng(film.seed))
    phantom_dicom.write_film(path, film.case, rendered, film.label)
    return path


def truth_of(film: SampleFilm) -> dict[str, Any]:
    """Describe what was put into one film: pixels to 0.001, millimetres and degrees to 0.0001."""
    pose = film.case.pose
    quantities: dict[str, dict[str, float]] = {}
    for (name, target), value in phantom.quantities(film.case).items():
        quantities.setdefault(name, {})[target] = round(value, 4)
    return {
        "file": film.path.as_posix(),
        "patient": film.patient.name,
        "side": pose.side,
        "view": pose.view,
        "date": film.path.name[:10],
        "visit": film.visit,
        "operation": film.patient.operation.isoformat(),
        "magnification": pose.magnification,
        "bone_scale": [round(size, 8) for size in pose.bone_scale],
        "turns": {"rotation": pose.rotation, "tilt": pose.tilt, "in_plane": pose.in_plane},
        "displacement": asdict(film.case.displacement),
        "landmarks": {
            name: {"film": place.film.round(3).tolist(), "space": place.space.round(4).tolist()}
            for name, place in phantom.landmarks(film.case).items()
        },
        "quantities": quantities,
    }


def truth() -> dict[str, Any]:
    """Describe every film, by SOP Instance UID."""
    return {
        "format": "holdfast-phantom-truth",
        "version": "1",
        "frame": "space: x distal along the shaft, y volar, z radial, mm; film: (row, col) at pixel centres",
        "films": {film.uid: truth_of(film) for film in sample_films()},
    }


def to_text(value: Any, indent: int = 0) -> str:
    """Write JSON with short values on one line, so that a person can read it."""
    line = json.dumps(value)
    if not isinstance(value, dict) or len(line) < 100:
        return line
    pad = " " * (indent + 1)
    rows = (f"{pad}{json.dumps(key)}: {to_text(part, indent + 1)}" for key, part in value.items())
    return "{\n" + ",\n".join(rows) + "\n" + " " * indent + "}"


# ------------------------------------------------------------------------------------------ readings

READER = "Reader A"  # invented, like the patients
NOISE_MM = 0.25  # of each landmark coordinate, at the bone
HIDDEN = {  # what the invented reader could not see: film to landmark and reason
    ("HF-0001", 2, "lateral"): {"loop": "the pins' bends hide it", "loop_seat": "the pins' bends hide it"},
    ("HF-0002", 1, "ap"): {"knot2": "lies over the ulna's edge"},
}
# What the invented reader saw, film by film, where it is not as usual; "?" and the reason where it is not
# assessable. The grades are as invented as the films: nothing grows in the phantom's gap.
UNUSUAL: dict[tuple[str, phantom.View], tuple[dict[str, str], ...]] = {
    ("HF-0001", "lateral"): (
        {},
        {},
        {"bridging_dorsal": "callus", "bridging_articular": "?film quality", "film_exposure": "over"},
        {"bridging_dorsal": "bridged", "bridging_articular": "bridged", "fracture_line": "not_visible"},
    ),
    ("HF-0001", "ap"): (
        {},
        {"bridging_radial": "?metal hides it"},
        {"bridging_ulnar": "callus", "bridging_radial": "?metal hides it"},
        {"bridging_ulnar": "bridged", "bridging_radial": "callus"},
    ),
    ("HF-0002", "lateral"): (
        {},
        {"prominence": "seen"},
        {"prominence": "seen", "joint": "widened", "film_view": "turned"},
        {"prominence": "seen", "joint": "widened", "wire": "slack", "bridging_articular": "?metal hides it"},
    ),
    ("HF-0002", "ap"): ({}, {}, {"pin1_halo": "seen"}, {"pin1_halo": "seen"}),
}


def observed(film: SampleFilm) -> dict[str, Observation]:
    """Invent what a reader saw on one film."""
    view = film.case.pose.view
    unusual = UNUSUAL[film.patient.name, view][film.visit]
    seen = {}
    for name, row in view_rows("olecranon", view).items():
        grade = unusual.get(name, row.kind.usual or row.kind.grades[0].name)
        reason = grade.removeprefix("?") if grade.startswith("?") else None
        seen[name] = Observation(None if reason else grade, reason)
    return seen


def reading_of(film: SampleFilm, path: Path) -> Reading:
    """Invent a reading of one film: the truth with a reader's noise, confirmed; and the ball, if any."""
    rng = np.random.default_rng((*film.seed, 1))
    pose, size = film.case.pose, np.array(film.case.pose.bone_scale)
    marks = {
        name: _read_landmark(place.film + rng.normal(0.0, NOISE_MM, place.film.shape) / size, pose.shape)
        for name, place in phantom.landmarks(film.case).items()
        if not name.startswith("margin_")
    }
    marks.setdefault("wire_break", Landmark(ABSENT))
    hidden = HIDDEN.get((film.patient.name, film.visit, pose.view), {})
    marks |= {name: Landmark(NOT_ASSESSABLE, reason=reason) for name, reason in hidden.items()}
    date = film.patient.operation + datetime.timedelta(days=film.patient.visits[film.visit].day)
    return for_film(
        read_film(path),
        load_site("olecranon"),
        pose.view,
        READER,
        landmarks=marks,
        observations=observed(film),
        scale_inputs=_ball(film.case, rng),
        surgery_date=film.patient.operation.isoformat(),
        time=f"{date.isoformat()}T14:00:00+00:00",
        uid=str(uuid.uuid5(uuid.NAMESPACE_OID, film.uid)),
        software="holdfast, sample readings",
    )


def _read_landmark(points: phantom.Array, shape: tuple[int, int]) -> Landmark:
    if np.any(points < -0.5) or np.any(points > np.array(shape) - 0.5):
        return Landmark(NOT_ASSESSABLE, reason="off the film")
    return Landmark(CONFIRMED, tuple((round(float(row), 2), round(float(col), 2)) for row, col in points))


def _ball(case: Case, rng: np.random.Generator) -> tuple[ScaleInput, ...]:
    """Click the ball's left and right edge."""
    if case.marker is None:
        return ()
    (row, column), diameter = phantom.marker_on_film(case)
    half = diameter / case.pose.pitch[1] / 2.0
    edges = rng.normal([[row, column - half], [row, column + half]], 1.0)
    points = tuple((round(float(r), 2), round(float(c), 2)) for r, c in edges)
    return (ScaleInput("marker", points, case.marker.diameter, tolerance_mm=0.1),)


def write_reading(film: SampleFilm, path: Path) -> Path:
    """Write the invented reading beside its film, anew; gives its path."""
    kept = path.with_name(path.stem + SUFFIX)
    kept.unlink(missing_ok=True)
    return save_reading(reading_of(film, path), kept)


def main(folder: Path = HERE) -> None:
    """Write the films, their truth and an invented reading of each under the folder, anew."""
    for film in sample_films():
        print(write_reading(film, write(film, folder)))
    (folder / "truth.json").write_text(to_text(truth()) + "\n", encoding="utf-8")


if __name__ == "__main__":
    main(Path(sys.argv[1]) if len(sys.argv) > 1 else HERE)
