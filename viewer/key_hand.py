"""The hand at the keyboard: what keys do to the landmark in hand, and the cross that they move."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

from measure.reading import PROPOSED, Landmark
from viewer.mouse import Mouse
from viewer.points import nearest_on_film

STALE_AIM = (
    "The cross has not been moved for this landmark. Arrow keys move it; Space places where it stands."
)
AIM_WORDS = (
    "Arrow keys move the cross (Shift 10, Ctrl 0.1, Ctrl+Shift 100 pixels). Enter places on what is seen "
    "near it, Space exactly there."
)


class KeyHand:
    """Places, nudges and confirms by key on the current film of a pair.

    Parameters
    ----------
    mouse
        Clicks for the keyboard, which has a cross for a cursor: `FilmPair.aim`.
    do
        Returns a slot that lets a function act on the session, and says why it could not.
    say
        Tells the reader something.
    """

    def __init__(
        self, mouse: Mouse, do: Callable[..., Callable[..., None]], say: Callable[[str], None]
    ) -> None:
        self.mouse, self.pair, self.session = mouse, mouse.pair, mouse.session
        self._do, self._say = do, say
        self._point = 0  # number of the point in hand, of a landmark that has several
        self._aimed: tuple[int, str | None] | None = None  # film and landmark that the cross was moved for

    @property
    def _landmark(self) -> Landmark | None:
        return self.session.draft.landmarks.get(self.session.active or "")

    @property
    def _film_and_landmark(self) -> tuple[int, str | None]:
        return self.session.current, self.session.active

    def take_first_point(self) -> None:
        """Begin anew with another landmark's first point."""
        self._point = 0

    def enter(self) -> None:
        """Place at the cross if it was moved for this landmark; else confirm, or go on."""
        session, pair, landmark = self.session, self.pair, self._landmark
        active, proposed = session.active, landmark is not None and landmark.status == PROPOSED
        moved = pair.aim is not None and self._aimed == self._film_and_landmark
        if moved and (active or self.mouse.collecting):
            self.place(exact=False)
        elif self.mouse.collecting or (pair.aim and not proposed and self._waits(active)):
            self._say(STALE_AIM)
        elif proposed:
            self._do(lambda s: s.confirm())()
        elif active:
            self._do(lambda s: s.advance())()

    def _waits(self, name: str | None) -> bool:
        return name is not None and self.session.checklist.is_open(name)

    def place(self, exact: bool = True) -> None:
        """Place at the cross, or on what is seen near it; where there is none yet, show it in the middle."""
        pair = self.pair
        aim = pair.aim
        if aim is None:
            pair.show_aim(pair.middle())
            self._say(AIM_WORDS)
            return
        self._aimed = None
        self._do(lambda _: self.mouse.click(aim, exact=exact))()

    def clear(self) -> None:
        """Take the landmark in hand off the film."""
        self._do(lambda s: s.clear(s.active))()

    def arrow(self, rows: float, columns: float) -> None:
        """Nudge the point in hand, or move the cross where none is placed."""
        session, pair, landmark = self.session, self.pair, self._landmark
        if landmark is not None and landmark.points and not self.mouse.waits_for_points():
            number = min(self._point, len(landmark.points) - 1)
            self._do(lambda s: s.nudge(s.active, number, rows, columns))()
            return
        row, column = pair.aim or pair.middle()
        place = nearest_on_film((row + rows, column + columns), session.film.pixels.shape)
        pair.show_aim(place)
        self._aimed = self._film_and_landmark
        self.mouse.pointed.emit(place)

    def pick_point(self, by: int) -> None:
        """Take the next (+1) or the previous (-1) point of the landmark in hand."""
        landmark = self._landmark
        if landmark is not None and landmark.points:
            self._point = (self._point + by) % len(landmark.points)
            self._say(f"Point {self._point + 1} of {len(landmark.points)} in hand.")

    def centre(self) -> None:
        """Bring the landmark in hand to the middle of the view."""
        landmark = self._landmark
        if landmark is not None and landmark.points:
            self._camera.center = tuple(self.pair.to_room(landmark.points[0]))

    def zoom(self, factor: float) -> None:
        """Show the film so many times larger."""
        self._camera.zoom = self._camera.zoom * factor

    @property
    def _camera(self) -> Any:
        return self.pair.canvas.camera
