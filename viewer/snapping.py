"""Clicks moved to what their landmark means, once a film's metal is found. No Qt.

What is found is kept for each film; finding takes a second or so and is for a worker. A film that was not
looked at yet snaps nothing, nor does one on which no pin is told: its bone may not be what it seems either.
"""

from __future__ import annotations

from measure.film import Film
from measure.snap import Features, Snapped, find_features, snap

Point = tuple[float, float]


class Snapper:
    """What was found on each film, by its digest."""

    def __init__(self) -> None:
        self._found: dict[str, Features] = {}

    def knows(self, film: Film) -> bool:
        """Whether a film was looked at."""
        return film.digest in self._found

    def look(self, film: Film) -> None:
        """Find a film's features, at most once."""
        if not self.knows(film):
            self._found[film.digest] = find_features(film)

    def snap(self, film: Film, landmark: str | None, point: Point) -> Snapped | None:
        """Return where a click for a landmark goes, and how sure that is; None where it stays."""
        features = self._found.get(film.digest)
        return snap(features, landmark, point) if features and features.pins and landmark else None
