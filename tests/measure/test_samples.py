"""The main job on the sample films, from the installed place, against the phantom's truth."""

from __future__ import annotations

import functools
import json
import shutil
from dataclasses import replace
from pathlib import Path

import generate  # sample_images/generate.py
import numpy as np
import pytest

from measure.__main__ import main
from measure.errors import SiteError
from measure.film import read_film
from measure.flags import BEYOND, WITHIN
from measure.reading import SUFFIX, load_reading
from measure.review import Review, proposed, review
from measure.samples import samples_folder
from measure.series import INDEX, Change
from measure.telling import DONE

ALL = sorted(path.relative_to(samples_folder()).as_posix() for path in samples_folder().rglob("*.dcm"))


@functools.cache
def reviewed() -> Review:
    return review(samples_folder())


@functools.cache
def truth() -> dict[str, dict]:
    return json.loads((samples_folder() / "truth.json").read_text(encoding="utf-8"))["films"]


@pytest.mark.parametrize("name", ALL)
def test_the_readings_are_what_the_generator_makes(name: str) -> None:
    """Each committed reading comes out the same again; the films are checked in test_phantom_film.py."""
    film = next(film for film in generate.sample_films() if film.path.as_posix() == name)
    path = samples_folder() / name
    assert load_reading(path.with_name(path.stem + SUFFIX)) == generate.reading_of(film, path)


def test_all_films_are_measured_without_a_problem() -> None:
    result = reviewed()
    assert [len(case.films) for case in result.cases] == [4, 4, 4, 4]
    assert not result.unread
    assert not result.problems


def test_the_fixation_that_fails_is_flagged_and_the_one_that_holds_is_not() -> None:
    outcomes = {
        (case.current.patient_key.split("\\")[-1], case.current.reading.view): {
            flag.key: flag.outcome
            for flag in flags[-1]
            if isinstance(flag.subject, Change) and flag.subject.basis == INDEX
        }
        for case, flags in zip(reviewed().cases, reviewed().flags, strict=True)
    }
    failing, holding = outcomes["HF-0002", "lateral"], outcomes["HF-0001", "lateral"]
    assert failing["back_out", "pin1"] == BEYOND
    assert failing["back_out", "pin2"] != BEYOND
    assert failing["articular_gap", ""] == BEYOND
    assert BEYOND not in holding.values()
    assert holding["back_out", "pin1"] == holding["articular_gap", ""] == WITHIN


def test_values_and_changes_agree_with_the_truth() -> None:
    """Source: the truth put into the phantom. Of some 400 values about 95 % lie within their interval."""
    pulls = []
    for case in reviewed().cases:
        for film in case.films:
            known = truth()[film.sop_instance_uid]["quantities"]
            pulls += [
                (m.quantity.value - known[m.row.name][m.row.target]) / m.quantity.u
                for m in film.measurements
                if m.quantity and m.quantity.u
            ]
        for change in case.changes:
            if change.row.name == "back_out" and change.basis == INDEX and change.quantity:
                before, after = (
                    truth()[film.sop_instance_uid]["quantities"]["back_out"][change.row.target]
                    for film in (change.earlier, change.later)
                )
                pulls.append((change.quantity.value - (after - before)) / change.quantity.u)
    pulls = np.array(pulls)
    assert len(pulls) > 250
    assert np.mean(np.abs(pulls) < 1.96) > 0.9
    assert np.max(np.abs(pulls)) < 4.5
    assert np.mean(np.abs(pulls + 1.5) < 1.96) < 0.9  # the check sees values that are wrong


def test_a_film_measured_by_proposals_is_marked(tmp_path: Path) -> None:
    """A film without a reading is listed; with `propose` it is measured, and no value counts as confirmed."""
    name = "2025-03-04-ap.dcm"
    shutil.copy(samples_folder() / "HF-0001" / name, tmp_path / name)
    plain = review(tmp_path)
    assert not plain.cases
    assert [film.name for film in plain.unread] == [name]
    (case,) = review(tmp_path, propose=True).cases
    measured = [m for m in case.current.measurements if m.quantity]
    assert {"pin_angle", "pin_to_pin_angle"} <= {m.row.name for m in measured}
    assert not any(m.confirmed for m in measured)
    known = truth()[case.current.sop_instance_uid]["quantities"]["pin_to_pin_angle"][""]
    (angle,) = [m.quantity for m in measured if m.row.name == "pin_to_pin_angle"]
    assert abs(angle.value - known) < 3 * angle.u


def test_proposals_need_a_site_that_has_them(tmp_path: Path) -> None:
    """A film that names no body part is proposed on where its site is stated; another site's never."""
    film = read_film(samples_folder() / "HF-0001" / "2025-03-04-ap.dcm")
    assert film.body_part == "elbow"
    unnamed = replace(film, body_part=None)
    assert proposed(unnamed) is None
    assert proposed(unnamed, site="patella") is None
    assert proposed(replace(film, body_part="knee")) is None
    assert proposed(replace(film, body_part="knee"), site="olecranon") is None
    stated = proposed(unnamed, site="olecranon")
    assert stated is not None
    assert stated.reading.landmarks == proposed(film).reading.landmarks
    with pytest.raises(SiteError, match="No site is called"):
        proposed(unnamed, site="elbow")


def test_review_proposes_by_itself_and_keeps_what_was_read(tmp_path: Path, capsys, monkeypatch) -> None:
    """An unread last film is measured and marked; what the film before it showed is still said."""
    monkeypatch.setenv("COLUMNS", "200")
    for path in (samples_folder() / "HF-0002").glob("*ap*"):
        if path.name != "2025-08-12-ap.reading.json":
            shutil.copy(path, tmp_path / path.name)
    assert main(["review", str(tmp_path)]) == DONE
    said = " ".join(capsys.readouterr().out.split())
    assert "Beyond the limit: pin back-out (pin 1*)" in said
    assert "On the last film that was read, of 2025-06-24: nothing known to be beyond" in said
    assert "trend of pin back-out, pin 1*" in said
    assert "Healing, as graded: 2 of 4 cortices assessed" in said
    assert "values rest on proposals, to be confirmed" in said
    assert main(["review", str(tmp_path), "--no-proposals"]) == DONE
    said = " ".join(capsys.readouterr().out.split())
    assert "pin 1*" not in said
    assert "On the last film that was read" not in said
    assert "2025-08-12 has no reading" in said
