"""A seeded reader who does anything at all, 2,000 times: nothing is lost or renamed, the numbers are true."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import numpy as np
import pytest
from viewer_films import SHAPE, make_film

from measure.errors import HoldfastError
from measure.reading import Landmark, load_reading, standing
from measure.series import measure
from viewer.drafts import Draft, to_reading
from viewer.grading import CLEAR, DOWN, UP, WHY, Sheet
from viewer.session import Session

ACTIONS = 2_000
KEEPS_GRADES = ("place", "place_snapped", "move", "drag", "nudge", "clear", "confirm", "propose", "scale")


class Walker:
    """Session with a reader's random hand, and what must hold after every action."""

    def __init__(self, folder: Path, seed: int) -> None:
        self.folder, self.rng = folder, np.random.default_rng(seed)
        self.films = [make_film(n, folder) for n in range(3)] + [make_film(7, folder, patient_key="INV-2")]
        self.session = Session(self.films, reader="AB", folder=folder)
        self.sheet = Sheet(self.session)
        self.refusals = self.grades = 0
        self.files: dict[Path, bytes] = {}

    def point(self) -> tuple[float, float]:
        return tuple(self.rng.uniform((-20, -20), np.array(SHAPE) + 20))

    def name(self) -> str:
        return str(self.rng.choice([row.name for row in self.session.view.landmarks]))

    def place(self) -> None:
        self.session.place(self.point())

    def place_snapped(self) -> None:
        self.session.place(self.point(), u_px=float(self.rng.uniform(0.3, 2.0)))

    def grade(self) -> None:
        for key in self.rng.choice(["1", "2", "3", "4", "9", WHY, UP, DOWN, CLEAR], 3):
            self.sheet.press(str(key))
        self.grades += self.session.draft.observations != self.before.observations

    def remark(self) -> None:
        self.session.remark(str(self.rng.choice(["seen twice", ""])))

    def move(self) -> None:
        self.session.move(self.name(), int(self.rng.integers(3)), self.point())

    def drag(self) -> None:
        name = self.name()
        for _ in range(4):
            self.session.drag(name, 0, self.point())
        if self.rng.random() < 0.7:  # else the button is still down when the next action comes
            self.session.drop()

    def nudge(self) -> None:
        self.session.nudge(self.name(), 0, *self.rng.normal(0, 5, 2))

    def clear(self) -> None:
        self.session.clear(self.name(), None if self.rng.random() < 0.5 else 0)

    def skip(self) -> None:
        self.session.skip("metal hides it", self.name())

    def absent(self) -> None:
        self.session.absent(self.name())

    def select(self) -> None:
        self.session.select(self.name())

    def confirm(self) -> None:
        self.session.confirm(self.name())

    def undo(self) -> None:
        for _ in range(self.rng.integers(1, 5)):
            self.session.undo()

    def redo(self) -> None:
        self.session.redo()

    def show(self) -> None:
        self.session.show(int(self.rng.integers(len(self.films))))

    def propose(self) -> None:
        self.session.propose(
            self.session.current,
            {
                self.name(): Landmark("proposed", (self.point(), self.point()), origin="carried")
                for _ in range(4)
            },
        )

    def scale(self) -> None:
        self.session.add_scale("marker", (self.point(), self.point()), float(self.rng.uniform(-5, 40)))

    def axis(self) -> None:
        self.session.use_axis(str(self.rng.choice(self.session.site.axes)))

    def finish(self) -> None:
        path = self.session.finish()
        self.files[path] = path.read_bytes()

    def reopen(self) -> None:
        readings = [load_reading(path) for path in self.files]
        saved = {
            film.digest: next(reversed(standing(r for r in readings if r.film_digest == film.digest)), None)
            for film in self.films
        }
        before = [self.session.draft_of(n) for n in range(len(self.films))]
        self.session.drop()
        current = self.session.current
        before[current] = self.session.draft_of(current)
        self.session = Session(
            self.films, reader="AB", folder=self.folder, saved={k: v for k, v in saved.items() if v}
        )
        self.sheet = Sheet(self.session)
        assert [self.session.draft_of(n) for n in range(len(self.films))] == before
        assert not self.session.troubles

    def act(self) -> None:
        actions = ["place"] * 10 + ["place_snapped"] * 3 + ["grade"] * 3 + ["move"] * 3 + ["remark"] + [
            "drag", "drag", "nudge", "clear", "skip", "absent", "select", "select", "confirm", "undo", "undo",
            "redo", "show", "propose", "scale", "axis", "finish",
        ]  # fmt: skip
        action = "reopen" if self.rng.random() < 0.02 else str(self.rng.choice(actions))
        self.touched(action, self.session.draft)
        try:
            getattr(self, action)()
        except HoldfastError:
            self.refusals += 1

    def touched(self, action: str, before: Draft) -> None:
        """Remember the draft before an action, to see what the action did beyond its own landmark."""
        self.action, self.before, self.current = action, before, self.session.current

    def walk(self, check: Callable[[], None]) -> None:
        for _ in range(ACTIONS):
            self.act()
            check()

    def check(self) -> None:
        session = self.session
        draft = session.draft
        assert set(draft.landmarks) <= set(session.view.landmark)
        assert session.active is None or session.active in session.view.landmark
        if session.current == self.current and self.action in ("grade", "remark"):
            assert draft.landmarks == self.before.landmarks, f"{self.action} changed landmarks"
        if session.current == self.current and self.action in (*KEEPS_GRADES, "skip", "absent"):
            assert draft.observations == self.before.observations, f"{self.action} changed grades"
        if session.current == self.current and self.action in (
            "place",
            "place_snapped",
            "move",
            "drag",
            "nudge",
            "clear",
            "skip",
            "absent",
        ):
            changed = {
                name for name in {*draft.landmarks, *self.before.landmarks}
                if draft.landmarks.get(name) != self.before.landmarks.get(name)
            }  # fmt: skip
            assert len(changed) <= 1, f"{self.action} changed {changed}"

    def check_numbers(self) -> None:
        session = self.session
        assert set(session.visits) in ({0, 1, 2}, {3})
        assert session.current in session.visits
        number = session.current
        film = session.films[number]
        fresh = measure(film, to_reading(session.draft, film, session.site))
        same = session.measured(number).measurements == fresh.measurements
        assert same, "these numbers are not what a fresh computation gives"
        assert session.measured(number).scale == fresh.scale
        session.result()


@pytest.mark.parametrize("seed", [1])
def test_random_walk(tmp_path: Path, seed: int) -> None:
    """2,000 actions: no landmark lost or renamed, numbers as from nothing, saved readings untouched."""
    walker = Walker(tmp_path, seed)
    for step in range(ACTIONS):
        walker.act()
        walker.check()
        if step % 20 == 0:
            walker.check_numbers()
    assert 50 < walker.refusals < ACTIONS / 2
    assert len(walker.files) > 3
    assert walker.grades > 50
    assert all(path.read_bytes() == content for path, content in walker.files.items())
    for _ in range(ACTIONS * 2):  # a drag or a proposal may be a step of its own
        walker.session.undo()
    assert not walker.session.can_undo


def test_the_walk_notices_a_lost_landmark(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """A session that drops a neighbour when one is cleared does not pass."""
    walker = Walker(tmp_path, 1)
    honest = Session.clear

    def careless(self: Session, name: str | None = None, number: int | None = None) -> None:
        honest(self, name, number)
        for other in list(self.draft.landmarks)[:1]:
            self._drafts[self.current] = self.draft.with_landmark(other, None)

    monkeypatch.setattr(Session, "clear", careless)
    with pytest.raises(AssertionError, match="clear changed"):
        walker.walk(walker.check)


def test_the_walk_notices_stale_numbers(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """A session that measures only what names the landmark, and forgets the bone axis, does not pass."""
    monkeypatch.setattr("viewer.measuring._updated", lambda known, reading, film: known)
    walker = Walker(tmp_path, 1)
    with pytest.raises(AssertionError, match="not what a fresh computation gives"):
        walker.walk(walker.check_numbers)
