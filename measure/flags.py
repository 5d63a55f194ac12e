"""What counts: each change and value against its thresholds, with three outcomes and a probability."""

from __future__ import annotations

import dataclasses
import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass

from measure.measurements import Measurement
from measure.quantity import UNIT_TEXT, Quantity, chance_text
from measure.series import Case, Change, MeasuredFilm
from measure.sites import LEVELS, Site, Threshold, View, load_site

BEYOND, WITHIN, CANNOT_TELL = "beyond", "within", "cannot tell"
OUTCOMES = (BEYOND, CANNOT_TELL, WITHIN)  # what needs looking at comes first
SURE = 0.95  # probability needed to say beyond, or within; our choice


@dataclass(frozen=True)
class Flag:
    """One threshold applied to one value.

    `probability` that the true value lies beyond the limit; None where that cannot be computed.
    `why` says, for "cannot tell", what is missing or what would decide; for "beyond", whether a higher
    level is in question.
    """

    threshold: Threshold
    subject: Change | Measurement
    outcome: str
    probability: float | None = None
    why: str | None = None

    @property
    def key(self) -> tuple[str, str]:
        """Quantity name and target."""
        return self.subject.key

    @property
    def limit_text(self) -> str:
        """Limit with its side and unit: "> 2 mm", "> 5° either way", "any"."""
        if self.threshold.side == "present":
            return "any"
        sign, ways = {"above": (">", ""), "below": ("<", ""), "either": (">", " either way")}[
            self.threshold.side
        ]
        return f"{sign} {effective_limit(self.threshold):g}{UNIT_TEXT[self.subject.row.unit]}{ways}"


def effective_limit(threshold: Threshold) -> float:
    """Limit that counts: the threshold's own, but never nearer to zero than its floor."""
    if not threshold.floor:
        return threshold.limit
    if threshold.side == "below":
        return min(threshold.limit, -threshold.floor)
    return max(threshold.limit, threshold.floor)


def probability_beyond(quantity: Quantity, threshold: Threshold) -> float:
    """Probability that the true value lies beyond a limit, for a normal error of the quantity's u."""
    limit = effective_limit(threshold)
    if threshold.side == "above":
        return _normal_above(limit, quantity)
    if threshold.side == "below":
        return _normal_above(-limit, quantity.scaled(-1.0))
    return _normal_above(limit, quantity) + _normal_above(limit, quantity.scaled(-1.0))


def _normal_above(limit: float, quantity: Quantity) -> float:
    if quantity.u == 0:
        return float(quantity.value > limit)
    return 0.5 * math.erfc((limit - quantity.value) / (quantity.u * math.sqrt(2)))


def judge(subject: Change | Measurement, threshold: Threshold) -> Flag:
    """Apply one threshold to one change or measurement."""
    if threshold.side == "present":
        return _judge_presence(subject, threshold)
    if subject.quantity is None:
        return Flag(threshold, subject, CANNOT_TELL, why=subject.reason)
    probability = probability_beyond(subject.quantity, threshold)
    if probability >= SURE:
        return Flag(threshold, subject, BEYOND, probability)
    if probability <= 1 - SURE:
        return Flag(threshold, subject, WITHIN, probability)
    return Flag(threshold, subject, CANNOT_TELL, probability, what_would_decide(subject.quantity))


def _judge_presence(subject: Change | Measurement, threshold: Threshold) -> Flag:
    present = subject.present if isinstance(subject, Measurement) else None
    if present is None:
        why = subject.reason or "nothing that is there or not is looked for here"
        return Flag(threshold, subject, CANNOT_TELL, why=why)
    return Flag(threshold, subject, BEYOND if present else WITHIN, float(present))


# First word of a source id to what would make that source smaller.
REMEDIES = {
    "scale": "a film with a marker at the bone's height, or a typed distance",
    "point": "a second reading, or a clearer film",
    "habit": "both films read by the same reader",
    "parallax": "a film at the same rotation as the earlier one",
    "nonlinear": "landmarks further apart, or a second reading",
}


def what_would_decide(quantity: Quantity) -> str:
    """Say what would lessen the largest part of a value's uncertainty."""
    shares: dict[str, float] = {}
    for source, part in quantity.parts.items():
        kind = source.split(":", 1)[0].split("-", 1)[0]
        shares[kind] = shares.get(kind, 0.0) + part * part
    remedy = REMEDIES.get(max(shares, key=lambda kind: shares[kind], default=""), "a better film")
    return f"too near the limit for its uncertainty; would decide: {remedy}"


def find_flags(case: Case, site: Site | None = None, film: MeasuredFilm | None = None) -> tuple[Flag, ...]:
    """Every threshold of the case's view applied to one of its films, and to its changes.

    `site` may carry thresholds other than the site table's own; `film` is the current one unless given.
    Of several levels of one threshold the highest that is beyond is given; where none is, the lowest
    that cannot be told, else the lowest. Beyond comes first, then what cannot be told.
    """
    film = film or case.current
    view = (site or load_site(film.reading.site)).views[film.reading.view]
    flags = _highest([*_value_flags(film, view), *_change_flags(case, film, view)])
    return tuple(sorted(flags, key=lambda flag: OUTCOMES.index(flag.outcome)))


def _value_flags(film: MeasuredFilm, view: View) -> Iterator[Flag]:
    for threshold in _rows(view, "value"):
        for measurement in film.measurements:
            if measurement.row.name == threshold.quantity:
                yield judge(measurement, threshold)


def _change_flags(case: Case, film: MeasuredFilm, view: View) -> Iterator[Flag]:
    for threshold in _rows(view, "change"):
        for change in case.changes:
            if change.later is film and change.row.name == threshold.quantity:
                yield judge(change, threshold)


def _rows(view: View, basis: str) -> list[Threshold]:
    return [row for row in view.thresholds if row.basis == basis]


def _highest(flags: Sequence[Flag]) -> Iterator[Flag]:
    """One flag for all levels of a threshold."""
    grouped: dict[tuple[object, ...], list[Flag]] = {}
    for flag in flags:
        since = flag.subject.basis if isinstance(flag.subject, Change) else "value"
        grouped.setdefault((flag.key, since), []).append(flag)
    for levels in grouped.values():
        yield _one_of(sorted(levels, key=lambda flag: LEVELS.index(flag.threshold.level)))


def _one_of(levels: Sequence[Flag]) -> Flag:
    """Choose among the levels of one threshold, the lowest first."""
    beyond = [flag for flag in levels if flag.outcome == BEYOND]
    unsure = [flag for flag in levels if flag.outcome == CANNOT_TELL]
    higher = unsure[-1] if unsure else None
    if beyond and higher and higher.probability is not None:
        chance = f"{chance_text(higher.probability)} chance of {higher.limit_text}"
        return dataclasses.replace(beyond[-1], why=f"cannot tell whether {higher.threshold.level}: {chance}")
    return (beyond[-1:] or unsure or levels)[0]
