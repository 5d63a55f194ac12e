"""What comes of a session's readings as it is shown: values, changes, outcomes, verdict and one trend."""

from __future__ import annotations

from measure.export import CAUTION
from measure.healing import healing_of
from measure.report import holding_words
from measure.series import Case
from viewer.results_panel import ResultsPanel
from viewer.rows import ResultRow, moving_rows, result_rows, trend, verdict
from viewer.session import Session

MOVING = "A landmark is moving. Changes (≈) and outcomes are worked out as soon as it rests."
Key = tuple[str, str]


class Outcomes:
    """The results of a session on their panel: in full where its points rest, in short while one moves."""

    def __init__(self, session: Session, panel: ResultsPanel) -> None:
        self.session, self.panel = session, panel
        panel.caution.setText(CAUTION)
        self._full: tuple[Case, list[ResultRow]] | None = None  # the last result in full, of the film shown
        self._trend_key: Key | None = None

    def forget(self) -> None:
        """Keep nothing of the last result: another film is shown, or the same otherwise."""
        self._full = None

    def show_sources(self) -> None:
        """Say what the uncertainty of placing rests on, and show a trend that the film's view has."""
        session = self.session
        noise = session.measured(session.current).uncertainty
        self.panel.caution.setText(f"Uncertainty of placing landmarks: profile {noise.text()}. {CAUTION}")
        self.panel.caution.setToolTip(f"Source of the uncertainty of placing: {noise.source}.")
        if self._trend_key is None or trend(session, self._trend_key) is None:
            view = session.view
            first = view.changes[0] if view.changes else view.measurements[0]
            self._trend_key = first.name, first.target

    def show(self) -> None:
        """Work out and show all that comes of the readings."""
        session = self.session
        case, flags, reason = session.result()
        rows = result_rows(case, flags)
        self._full = case, rows
        held = holding_words(case, flags, healing_of([case.current]))
        self.panel.show_rows(rows, f"{reason} {held}" if reason else held, verdict(case))
        self.panel.plot.show_trend(trend(session, self._trend_key) if self._trend_key else None)

    def show_moving(self) -> bool:
        """Show the last result as a moving point leaves it; whether there is one and something moves."""
        session = self.session
        if self._full is None or session.is_measured() or self._full[0].current.view != session.view:
            return False
        case, rows = self._full
        self.panel.show_rows(moving_rows(rows, case, session.glance(session.current)), MOVING)
        return True

    def choose_trend(self, key: Key) -> None:
        """Choose the quantity whose trend is shown from now on."""
        self._trend_key = key

    def behind(self, key: Key | None) -> frozenset[Key]:
        """Return a quantity with those that it is made of; nothing where there is none."""
        if key is None:
            return frozenset()
        made_of = {
            (estimate.quantity, row.target)
            for row in self.session.view.changes
            if (row.name, row.target) == key
            for estimate in (*row.mobile, *row.reference)
        }
        return frozenset({key} | made_of)
