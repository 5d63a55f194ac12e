"""What counts: each change and value against its thresholds, with three outcomes and a probability."""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass

from measure.measurements import Measurement
from measure.quantity import Quantity
from measure.series import Case, Change
from measure.sites import LEVELS, Site, Threshold, View, load_site

BEYOND, WITHIN, CANNOT_TELL = "beyond", "within", "cannot tell"
SURE = 0.95  # probability needed to say beyond, or within; our choice


@dataclass(frozen=True)
class Flag:
    """One threshold applied to one value.

    `probability` that the true value lies beyond the limit; None where that cannot be computed.
    `why` says, for "cannot tell", what is missing or what would decide.
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


def probability_beyond(quantity: Quantity, threshold: Threshold) -> float:
    """Probability that the true value lies beyond a limit, for a normal error of the quantity's u."""
    limit = max(threshold.limit, threshold.floor)
    above = _normal_above(limit, quantity)
    below = 1.0 - _normal_above(-limit if threshold.side == "either" else limit, quantity)
    return {"above": above, "below": below, "either": above + below}[threshold.side]


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
    return Flag(threshold, subject, CANNOT_TELL, probability, what_would_decide(subject.quantity, threshold))


def _judge_presence(subject: Change | Measurement, threshold: Threshold) -> Flag:
    present = subject.present if isinstance(subject, Measurement) else None
    if present is None:
        return Flag(threshold, subject, CANNOT_TELL, why=subject.reason)
    return Flag(threshold, subject, BEYOND if present else WITHIN, float(present))


# First word of a source id to what would make that source smaller.
REMEDIES = {
    "scale": "a film with a marker at the bone's height, or a typed distance",
    "point": "a second reading, or a clearer film",
    "habit": "both films read by the same reader",
    "parallax": "a film at the same rotation as the earlier one",
    "nonlinear": "landmarks further apart, or a second reading",
}


def what_would_decide(quantity: Quantity, threshold: Threshold) -> str:
    """Say how sure the value would have to be, and what the largest part of its uncertainty comes from."""
    shares: dict[str, float] = {}
    for source, part in quantity.parts.items():
        kind = source.split(":", 1)[0].split("-", 1)[0]
        shares[kind] = shares.get(kind, 0.0) + part * part
    remedy = REMEDIES[max(shares, key=lambda kind: shares[kind])] if shares else "a better film"
    return f"{quantity.text()} straddles {threshold.limit:g}; would decide: {remedy}"


def find_flags(case: Case, site: Site | None = None) -> tuple[Flag, ...]:
    """Every threshold of the case's view applied to the current film and to its changes.

    `site` may carry thresholds other than the site table's own. Of several levels of one threshold the highest that is beyond is given; where none is, the first
    that cannot be told, else the lowest. Beyond comes first, then what cannot be told.
    """
    view = (site or load_site(case.current.reading.site)).views[case.current.reading.view]
    flags = [*_value_flags(case, view), *_change_flags(case, view)]
    return tuple(sorted(_highest(flags), key=lambda f: (BEYOND, CANNOT_TELL, WITHIN).index(f.outcome)))


def _value_flags(case: Case, view: View) -> Iterator[Flag]:
    for threshold in _rows(view, "value"):
        for measurement in case.current.measurements:
            if measurement.row.name == threshold.quantity:
                yield judge(measurement, threshold)


def _change_flags(case: Case, view: View) -> Iterator[Flag]:
    for threshold in _rows(view, "change"):
        for change in case.changes:
            if change.later is case.current and change.row.name == threshold.quantity:
                yield judge(change, threshold)


def _rows(view: View, basis: str) -> list[Threshold]:
    return [row for row in view.thresholds if row.basis == basis]


def _highest(flags: list[Flag]) -> Iterator[Flag]:
    grouped: dict[tuple[object, ...], list[Flag]] = {}
    for flag in flags:
        since = flag.subject.basis if isinstance(flag.subject, Change) else "value"
        grouped.setdefault((flag.key, since), []).append(flag)
    for levels in grouped.values():
        levels.sort(key=lambda flag: -LEVELS.index(flag.threshold.level))
        beyond = [flag for flag in levels if flag.outcome == BEYOND]
        unsure = [flag for flag in levels if flag.outcome == CANNOT_TELL]
        yield (beyond or unsure[-1:] or levels[-1:])[0]
