"""Which landmarks of a film a reader is led through, and which of them still wait. No Qt."""

from __future__ import annotations

from dataclasses import dataclass

from measure.errors import ReadingError
from measure.reading import PROPOSED
from measure.sites import LandmarkRow, View
from viewer.drafts import Draft, lacks_points


@dataclass(frozen=True)
class Checklist:
    """A view's landmarks against what a draft has of them."""

    view: View
    draft: Draft

    def row(self, name: str) -> LandmarkRow:
        """Return a landmark's row of the table. Raises ReadingError where the view has no such landmark."""
        try:
            return self.view.landmark[name]
        except KeyError:
            raise ReadingError(f"{self.view.title} has no landmark {name!r}.") from None

    @property
    def asked(self) -> tuple[str, ...]:
        """Landmarks that the reader is led through: those a quantity cannot do without, and those begun."""
        needed = {name for row in self.view.measurements for name in row.landmarks}
        begun = {name for name in self.draft.landmarks if self.lacks_points(name)}
        return tuple(
            row.name for row in self.view.landmarks if not row.optional or row.name in needed | begun
        )

    def is_open(self, name: str) -> bool:
        """Whether a landmark still waits for the reader: not placed, half placed, or only proposed."""
        landmark = self.draft.landmarks.get(name)
        return landmark is None or landmark.status == PROPOSED or self.lacks_points(name)

    @property
    def remaining(self) -> tuple[str, ...]:
        """Names of the asked landmarks that are open, in protocol order."""
        return tuple(name for name in self.asked if self.is_open(name))

    @property
    def proposed(self) -> frozenset[str]:
        """Landmarks that wait to be confirmed."""
        marks = self.draft.landmarks.items()
        return frozenset(name for name, mark in marks if mark.status == PROPOSED)

    def next_open(self, after: str | None = None) -> str | None:
        """Return the next open landmark after one, or from the first, going round; None where none is."""
        left = self.remaining
        rows = [row.name for row in self.view.landmarks]
        start = rows.index(after) if after else -1
        return next((name for name in left if rows.index(name) > start), left[0] if left else None)

    def neighbour(self, name: str | None, by: int) -> str:
        """Return the next (+1) or the previous (-1) landmark of the list, going round, whatever its state."""
        names = [row.name for row in self.view.landmarks]
        at = names.index(name) if name else (-1 if by > 0 else len(names))
        return names[(at + by) % len(names)]

    def lacks_points(self, name: str) -> bool:
        """Whether a landmark is placed by fewer points than it needs."""
        landmark = self.draft.landmarks.get(name)
        return landmark is not None and lacks_points(landmark, self._wanted(name))

    def _wanted(self, name: str) -> int:
        """Points a landmark needs; each cortex needs as many as the other has."""
        least = self.view.landmark[name].points[0]
        cortices = set(self.view.axis.values())
        others = [self.draft.landmarks.get(other) for other in cortices - {name} if name in cortices]
        return max([least, *(len(other.points) for other in others if other and other.located)])

    def may_be_absent(self, name: str) -> bool:
        """Whether a quantity has a value for this landmark's absence."""
        return any(row.absent is not None and name in row.landmarks for row in self.view.measurements)

    def unanswered(self) -> str:
        """Say which landmarks are still open, and which of them are proposals; nothing where none is."""
        left = self.remaining
        if not left:
            return ""
        titles = "; ".join(self.view.landmark[name].title for name in left)
        words = f"{len(left)} landmarks are not answered: {titles}."
        if proposed := self.proposed & set(left):
            words += (
                f"\n\n{len(proposed)} of them are proposals; they are saved as proposals, not as confirmed."
            )
        return words
