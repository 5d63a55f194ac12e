"""Landmarks carried from film to film: near the truth on the samples, refused where films do not match."""

from __future__ import annotations

import json
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from measure.carry import carry_forward, register
from measure.errors import CarryError, TurnedError
from measure.film import Film, read_film
from measure.reading import Landmark, for_film
from measure.samples import samples_folder
from measure.sites import load_site


@pytest.fixture(scope="module")
def truth() -> dict[str, dict[str, np.ndarray]]:
    """File of each sample film to its landmarks."""
    films = json.loads((samples_folder() / "truth.json").read_text())["films"].values()
    return {
        film["file"]: {name: np.array(place["film"]) for name, place in film["landmarks"].items()}
        for film in films
    }


def film(name: str) -> Film:
    return read_film(Path(samples_folder()) / name)


@pytest.mark.parametrize(
    ("earlier", "later", "limit_mm"),
    [
        ("HF-0001/2025-03-04-lateral.dcm", "HF-0001/2025-03-18-lateral.dcm", 1.0),
        ("HF-0001/2025-03-04-ap.dcm", "HF-0001/2025-03-18-ap.dcm", 1.0),
        ("HF-0002/2025-06-24-lateral.dcm", "HF-0002/2025-08-12-lateral.dcm", 3.0),  # the fragments moved
    ],
)
def test_proposals_lie_near_the_truth(
    truth: dict[str, dict[str, np.ndarray]], earlier: str, later: str, limit_mm: float
) -> None:
    """The median proposal lies within the limit of where the landmark is; 0.14 mm to a pixel."""
    first, second = film(earlier), film(later)
    view = load_site("olecranon").views[str(first.view)]
    marks = {
        name: Landmark("confirmed", tuple(map(tuple, points[: view.landmark[name].points[0]].tolist())))
        for name, points in truth[earlier].items()
        if name in view.landmark and name != "wire_break"
    }
    reading = for_film(first, load_site("olecranon"), view.name, "AB", landmarks=marks)
    carried = carry_forward(first, second, reading)
    assert {(mark.status, mark.origin) for mark in carried.values()} == {("proposed", "carried")}
    far = [
        np.linalg.norm(mark.array - truth[later][name][: len(mark.points)], axis=1).mean()
        for name, mark in carried.items()
    ]
    stayed = [  # as if the later film had been taken to lie like the earlier one
        np.linalg.norm(marks[name].array - truth[later][name][: len(marks[name].points)], axis=1).mean()
        for name in carried
    ]
    assert 0.14 * np.median(far) < limit_mm
    assert 0.14 * np.median(stayed) > limit_mm  # the check can fail


def test_a_film_stored_turned_is_followed(truth: dict[str, dict[str, np.ndarray]]) -> None:
    """A later film stored turned by a quarter: the same landmarks, turned; not where they were unturned."""
    name, later = "HF-0001/2025-03-04-ap.dcm", "HF-0001/2025-03-18-ap.dcm"
    first, second = film(name), film(later)
    turned = replace(second, pixels=np.ascontiguousarray(np.rot90(second.pixels)))
    view = load_site("olecranon").views["ap"]
    marks = {
        mark: Landmark("confirmed", tuple(map(tuple, points[: view.landmark[mark].points[0]].tolist())))
        for mark, points in truth[name].items()
        if mark in view.landmark and mark != "wire_break"
    }
    carried = carry_forward(
        first, turned, for_film(first, load_site("olecranon"), "ap", "AB", landmarks=marks)
    )
    columns = second.pixels.shape[1]
    true = {mark: truth[later][mark][: len(carried[mark].points)] for mark in carried}
    far = [
        np.linalg.norm(
            mark.array - np.stack([columns - 1 - true[key][:, 1], true[key][:, 0]], axis=1), axis=1
        ).mean()
        for key, mark in carried.items()
    ]
    unturned = [np.linalg.norm(mark.array - true[key], axis=1).mean() for key, mark in carried.items()]
    assert 0.14 * np.median(far) < 1.0
    assert 0.14 * np.median(unturned) > 1.0  # the check can fail
    with pytest.raises(TurnedError, match="turned by"):
        register(first, turned)


@pytest.mark.parametrize(
    ("earlier", "later"),
    [
        ("HF-0001/2025-03-04-lateral.dcm", "HF-0001/2025-03-04-ap.dcm"),
        ("HF-0001/2025-03-04-lateral.dcm", "HF-0002/2025-05-13-lateral.dcm"),
    ],
)
def test_films_that_do_not_match_are_refused(earlier: str, later: str) -> None:
    """Two views, or two patients: no proposals, and the reason."""
    with pytest.raises(CarryError, match="could not be laid over each other"):
        register(film(earlier), film(later))


def test_an_empty_film_is_refused() -> None:
    """A blank film has nothing to be laid by."""
    blank = Film(pixels=np.zeros((400, 500), dtype=np.uint16))
    with pytest.raises(CarryError, match="0 features match"):
        register(blank, blank)


def test_a_cut_film_is_found_again() -> None:
    """The same film, cut: every place comes back within a pixel."""
    whole = film("HF-0001/2025-03-04-lateral.dcm")
    cut = Film(pixels=np.ascontiguousarray(whole.pixels[40:, 30:]), grey=whole.grey)
    corners = np.array([[200.0, 300.0], [600.0, 800.0], [500.0, 200.0]])
    assert np.abs(register(whole, cut)(corners) - (corners - [40, 30])).max() < 1.0


def test_registration_stops_when_asked() -> None:
    """It asks before each step; a step later nothing is done any more."""
    asked: list[int] = []

    def stopped() -> bool:
        asked.append(1)
        return len(asked) == 2

    blank = Film(pixels=np.zeros((400, 500), dtype=np.uint16))
    with pytest.raises(CarryError, match="Stopped, as asked"):
        register(blank, blank, stopped)
    assert len(asked) == 2
