"""The drafts of a session, and every change of them as one step that can be undone. No Qt."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, replace

from viewer.drafts import Draft


@dataclass(frozen=True)
class Step:
    """One change that can be undone: which film, its draft before and after, and the landmark in hand."""

    number: int
    before: Draft
    after: Draft
    active: str | None


class Steps:
    """`drafts` by the session's numbers of films; all that is dragged until `drop` is one step."""

    def __init__(self, drafts: Iterable[Draft]) -> None:
        self.drafts = list(drafts)
        self._undo: list[Step] = []
        self._redo: list[Step] = []
        self._grip: Step | None = None  # how a drag that is under way began

    def change(self, number: int, draft: Draft, active: str | None) -> bool:
        """Put a draft in the place of another; whether that changes anything."""
        before = self.drafts[number]
        if draft == before:
            return False
        self.drafts[number] = draft
        self._record(Step(number, before, draft, active))
        return True

    def drag(self, number: int, draft: Draft, active: str | None) -> None:
        """Put a draft in the place of another while a point moves; `drop` makes it one step."""
        self._grip = self._grip or Step(number, self.drafts[number], draft, active)
        self.drafts[number] = draft

    @property
    def dragging(self) -> bool:
        """Whether a point is being dragged and its step is not yet done."""
        return self._grip is not None

    def drop(self) -> Step | None:
        """End a drag and return its step; None where there is none, or it ended where it began."""
        grip, self._grip = self._grip, None
        if grip is None or self.drafts[grip.number] == grip.before:
            return None
        return self._record(replace(grip, after=self.drafts[grip.number]))

    def _record(self, step: Step) -> Step:
        self._undo.append(step)
        self._redo.clear()
        return step

    @property
    def can_undo(self) -> bool:
        """Whether there is a step to take back."""
        return bool(self._undo) or self.dragging

    @property
    def can_redo(self) -> bool:
        """Whether there is a step to take again."""
        return bool(self._redo)

    def undo(self) -> Step | None:
        """Take the last step back and return it, if there is one."""
        if not self._undo:
            return None
        step = self._undo.pop()
        self._redo.append(step)
        self.drafts[step.number] = step.before
        return step

    def redo(self) -> Step | None:
        """Take the last undone step again and return it, if there is one."""
        if not self._redo:
            return None
        step = self._redo.pop()
        self._undo.append(step)
        self.drafts[step.number] = step.after
        return step
