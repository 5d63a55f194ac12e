"""Clicks moved to the film's own features, and scales found on it, without a window."""

from __future__ import annotations

import json
import time
from pathlib import Path

import numpy as np
import pytest

from measure.film import Film, read_film
from measure.samples import samples_folder
from measure.scale import FOUND, METHODS, ScaleInput
from measure.snap import REACH_MM
from viewer.scale_panel import USUAL_SIZES, WHAT_TO_CLICK
from viewer.session import Session
from viewer.snapping import Snapper

NAME = "HF-0001/2025-03-04-lateral.dcm"
SNAP_SECONDS = 0.005
CLICK_OFF = (4.0, -3.0)  # pixels; some 0.7 mm


@pytest.fixture(scope="module")
def film() -> Film:
    return read_film(Path(samples_folder()) / NAME)


@pytest.fixture(scope="module")
def snapper(film: Film) -> Snapper:
    known = Snapper()
    assert not known.knows(film, "lateral")
    known.look(film, "lateral")
    assert known.knows(film, "lateral")
    return known


def place(film_file: str, name: str) -> tuple[float, float]:
    films = json.loads((samples_folder() / "truth.json").read_text())["films"].values()
    (landmarks,) = (one["landmarks"] for one in films if one["file"] == film_file)
    row, column = landmarks[name]["film"][0]
    return row, column


@pytest.mark.parametrize(("name", "limit"), [("pin1_tip", 4.0), ("shaft_dorsal", 4.0), ("hole", 12.0)])
def test_a_click_goes_to_the_feature(snapper: Snapper, film: Film, name: str, limit: float) -> None:
    """Within a limit (pixels of 0.14 mm) of the truth, quickly, and only from near by.

    A cortex takes a click straight to it, so that how far along it the click lay stays.
    """
    truth = np.array(place(NAME, name))
    taken = []
    for _ in range(5):
        started = time.process_time()
        found = snapper.snap(film, "lateral", name, tuple(truth + CLICK_OFF))
        taken.append(time.process_time() - started)
    assert min(taken) <= SNAP_SECONDS
    assert found is not None
    assert np.linalg.norm(found.point - truth) < limit
    assert found.u_px > 0.0
    assert np.linalg.norm(np.subtract(found.point, truth + CLICK_OFF)) * 0.14 < REACH_MM


def test_nothing_to_snap_to(snapper: Snapper, film: Film) -> None:
    """No landmark in hand, one without a feature of its own, a click far off, or a film not looked at."""
    point = place(NAME, "pin1_tip")
    assert snapper.snap(film, "lateral", None, point) is None
    assert snapper.snap(film, "lateral", "pin1_tip", (20.0, 20.0)) is None
    assert snapper.snap(film, "lateral", "articular_edge_distal", point) is None
    assert Snapper().snap(film, "lateral", "pin1_tip", point) is None
    assert snapper.snap(film, "ap", "pin1_tip", point) is None  # not looked at as one of that view


def test_a_snapped_point_keeps_its_uncertainty(film: Film) -> None:
    """A landmark has one where all its points were snapped, that of the least sure."""
    session = Session([film])
    session.select("shaft_dorsal")
    session.place((500.0, 300.0), 0.7)
    assert session.draft.landmarks["shaft_dorsal"].u_px == 0.7
    session.place((500.0, 100.0), 0.9)
    assert session.draft.landmarks["shaft_dorsal"].u_px == 0.9
    session.select("shaft_volar")
    session.place((400.0, 300.0), 0.7)
    session.place((400.0, 100.0))
    assert session.draft.landmarks["shaft_volar"].u_px is None


def test_the_panel_knows_every_kind() -> None:
    """Each kind that a reader may choose has a usual size and says what to click."""
    kinds = set(METHODS) - set(FOUND.values())
    assert "wire width" in kinds
    assert set(USUAL_SIZES) == set(WHAT_TO_CLICK) == kinds


def test_a_found_scale_is_kept_and_removed(film: Film) -> None:
    session = Session([film])
    ends = ((100.0, 100.0), (100.0, 112.0))
    session.add_found_scale(ScaleInput(FOUND["pin width"], ends, 1.6))
    session.add_found_scale(ScaleInput(FOUND["pin width"], ends, 1.8))
    assert [given.mm for given in session.draft.scale_inputs] == [1.8]
    session.remove_scale("pin width")
    assert session.draft.scale_inputs == ()
