"""Sessions for the tests of the reading room."""

from __future__ import annotations

import dataclasses
from collections.abc import Callable
from pathlib import Path

import numpy as np
import pytest
from viewer_films import Truth, lateral_truth, make_film
from virtual_screen import start_virtual_screen

from measure.film import Film
from viewer.session import Session


@pytest.fixture
def truth() -> Truth:
    """Where every landmark of the lateral film lies."""
    return lateral_truth()


@pytest.fixture
def films() -> list[Film]:
    """Three visits of one patient."""
    return [make_film(seed) for seed in range(3)]


@pytest.fixture
def session(films: list[Film], tmp_path: Path) -> Session:
    """Session on the three films, keeping its drafts in a fresh folder."""
    filed = [dataclasses.replace(film, path=str(tmp_path / f"film-{n}.dcm")) for n, film in enumerate(films)]
    return Session(filed, reader="AB", folder=tmp_path)


@pytest.fixture
def place_all() -> Callable[[Session, Truth], int]:
    """Return a reader who places everything that is asked for and says how many actions that took."""

    def place(session: Session, truth: Truth) -> int:
        actions = 0
        while session.active:
            name = session.active
            if name not in truth:
                session.absent()
                actions += 1
                continue
            spread = np.linspace(0, len(truth[name]) - 1, session.view.landmark[name].points[0])
            for row, column in truth[name][spread.round().astype(int)]:
                session.place((row, column))
                actions += 1
        return actions

    return place


@pytest.fixture(autouse=True)
def no_looking(request: pytest.FixtureRequest, monkeypatch: pytest.MonkeyPatch) -> None:
    """Windows do not search their films of noise for metal: that takes a second of every session's worker."""
    if "qapp" in request.fixturenames:
        monkeypatch.setattr("viewer.snapping.Snapper.look", lambda self, film, view: None)


@pytest.fixture(scope="session")
def screen() -> str:
    """Display of a virtual screen; without Xvfb this fails and says so."""
    return start_virtual_screen()


@pytest.fixture(scope="session")
def qapp(screen: str, qapp: object) -> object:
    """pytest-qt's application, on the virtual screen."""
    return qapp
