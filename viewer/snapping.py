"""Clicks moved to what their landmark means, once a film's metal is found. No Qt.

What is found is kept for each film; finding takes a second or so and is for a worker. A film that was not
looked at yet snaps nothing, nor does one on which no pin is told: its bone may not be what it seems either.
"""

from __future__ import annotations

from collections.abc import Mapping
from types import MappingProxyType
from typing import TYPE_CHECKING

from measure.film import Film
from measure.reading import PROPOSED, Landmark
from viewer.points import Point

if TYPE_CHECKING:  # slow to load; the worker that looks at the first film does it, once that is shown
    from measure.features import Features
    from measure.snap import Snapped

NOTHING: Mapping[str, Landmark] = MappingProxyType({})


class Snapper:
    """What was found on each film, by its digest and the view that it is read as."""

    def __init__(self) -> None:
        self._found: dict[tuple[str, str], Features] = {}

    def knows(self, film: Film, view: str) -> bool:
        """Whether a film was looked at as one of a view."""
        return (film.digest, view) in self._found

    def look(self, film: Film, view: str) -> None:
        """Find a film's features in a view, at most once."""
        from measure.features import find_features

        if not self.knows(film, view):
            self._found[film.digest, view] = find_features(film, view)

    def snap(
        self,
        film: Film,
        view: str,
        landmark: str | None,
        point: Point,
        placed: Mapping[str, Landmark] = NOTHING,
    ) -> Snapped | None:
        """Return where a click for a landmark goes, and how sure that is; None where it stays.

        placed: the film's landmarks; those that a reader stands by tell which pin bears which number.
        """
        features = self._found.get((film.digest, view))
        if not (features and features.pins and landmark):
            return None
        from measure.snap import snap

        sure = {name: mark.array for name, mark in placed.items() if mark.located and mark.status != PROPOSED}
        return snap(features, landmark, point, sure)
