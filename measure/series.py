"""Films of one fracture over time: visits, and what changed between them.

Two films are compared only where they are known to show the same patient, side, site and view.
Every quantity is defined in the bone's own frame, so that how the film lay does not enter a change.
"""

from __future__ import annotations

import dataclasses
import datetime
import itertools
from collections.abc import Iterable, Sequence
from dataclasses import dataclass

from measure.errors import ComparisonError
from measure.measurements import Measurement, measure_film
from measure.quantity import COVERAGE_95, Quantity, difference
from measure.film import Film
from measure.reading import Reading
from measure.scale import Agreement, Scale, compare_scales, scales_for, why_no_scale
from measure.sites import ChangeRow, Estimate, MeasurementRow, Profile, View, load_site

INDEX, LAST = "since index", "since last visit"


@dataclass(frozen=True)
class MeasuredFilm:
    """One film with one reading and all that was measured; it holds no pixels.

    `scale` is the one used, `agreements` compare it with the others; `notes` are said to the reader.
    """

    name: str
    patient_key: str | None
    laterality: str | None
    date: datetime.date | None
    time: datetime.time | None
    sop_instance_uid: str | None
    reading: Reading
    scale: Scale | None
    agreements: tuple[Agreement, ...]
    measurements: tuple[Measurement, ...]
    notes: tuple[str, ...] = ()

    @property
    def view(self) -> View:
        """The reading's view, with its tables."""
        return load_site(self.reading.site).views[self.reading.view]

    def find(self, name: str, target: str = "") -> Measurement | None:
        """Return the measurement of a quantity and target, if this view has it."""
        return next((m for m in self.measurements if m.key == (name, target)), None)


@dataclass(frozen=True)
class Change:
    """How one quantity changed from an earlier film to a later one.

    `row` is the measurement's, or that of a change with several estimates; `estimates` are those,
    in words, with their values. `quantity` is None where `reason` says why.
    """

    row: MeasurementRow | ChangeRow
    basis: str
    earlier: MeasuredFilm
    later: MeasuredFilm
    quantity: Quantity | None = None
    reason: str | None = None
    confirmed: bool = False
    estimates: tuple[tuple[str, Quantity], ...] = ()
    note: str | None = None

    @property
    def key(self) -> tuple[str, str]:
        """Quantity name and target."""
        return self.row.name, self.row.target


@dataclass(frozen=True)
class Case:
    """One patient's fracture in one view: films in order of time, the index film first."""

    films: tuple[MeasuredFilm, ...]
    changes: tuple[Change, ...]

    @property
    def index(self) -> MeasuredFilm:
        """The first film."""
        return self.films[0]

    @property
    def current(self) -> MeasuredFilm:
        """The latest film."""
        return self.films[-1]


def measure(film: Film, reading: Reading, profile: Profile | None = None) -> MeasuredFilm:
    """Measure one film with one reading, by the scale the reader chose or else the surest there is."""
    scales = scales_for(film, reading.film_id, reading.scale_inputs)
    chosen = [s for s in scales if reading.scale_use and s.source_id.startswith(f"{reading.scale_use}:")]
    notes = list(film.warnings)
    if reading.scale_use and not chosen:
        notes.append(f"the scale chosen ({reading.scale_use}) is not on this film; the surest is used instead")
    if not scales:
        notes.append(f"no millimetres: {why_no_scale(film.spacing)}")
    ordered = [*chosen, *(s for s in scales if s not in chosen)]
    scale = ordered[0] if ordered else None
    agreements = compare_scales(ordered) if ordered else ()
    notes += [agreement.text() for agreement in agreements if not agreement.agrees]
    return MeasuredFilm(
        name=film.name,
        patient_key=film.patient_key,
        laterality=film.laterality or reading.laterality,
        date=film.date,
        time=film.time,
        sop_instance_uid=film.sop_instance_uid,
        reading=reading,
        scale=scale,
        agreements=agreements,
        measurements=measure_film(reading, scale, film.aspect, profile=profile),
        notes=tuple(notes),
    )


def why_not_comparable(earlier: MeasuredFilm, later: MeasuredFilm) -> tuple[str, ...]:
    """All reasons why two films must not be compared; none where they may."""
    reasons = []
    if None in (earlier.patient_key, later.patient_key):
        reasons.append("a film does not say whose it is")
    elif earlier.patient_key != later.patient_key:
        reasons.append("the films are of two patients")
    sides = (earlier.laterality, later.laterality)
    if None in sides:
        reasons.append("a film does not say which side it shows; set it in the reading")
    elif sides[0] != sides[1]:
        reasons.append(f"the films show two sides ({sides[0]}, {sides[1]})")
    for word in ("site", "view"):
        pair = getattr(earlier.reading, word), getattr(later.reading, word)
        if pair[0] != pair[1]:
            reasons.append(f"the films show two {word}s ({pair[0]}, {pair[1]})")
    if earlier.reading.film_digest == later.reading.film_digest:
        reasons.append("both are the same film")
    return tuple(reasons)


def compare(earlier: MeasuredFilm, later: MeasuredFilm, basis: str = INDEX) -> tuple[Change, ...]:
    """Change of every quantity from an earlier film to a later one.

    Raises ComparisonError, with all reasons, for films of two patients, sides, sites or views, or
    films that do not say.
    """
    reasons = why_not_comparable(earlier, later)
    if reasons:
        raise ComparisonError(f"Not compared: {'; '.join(reasons)}. Choose films of one patient, side and view.")
    plain = [_plain(m, earlier.find(*m.key), basis, earlier, later) for m in later.measurements]
    by_key = {change.key: change for change in plain}
    joined = [_joined(row, by_key, basis, earlier, later) for row in later.view.changes]
    return (*joined, *plain)


def _plain(
    after: Measurement, before: Measurement | None, basis: str, earlier: MeasuredFilm, later: MeasuredFilm
) -> Change:
    blank = Change(after.row, basis, earlier, later)
    if before is None or before.quantity is None or after.quantity is None:
        lacking = [
            f"{word} film: {m.reason if m else 'not measured'}"
            for word, m in (("earlier", before), ("later", after))
            if m is None or m.quantity is None
        ]
        return dataclasses.replace(blank, reason="; ".join(lacking))
    if before.axis != after.axis:
        return dataclasses.replace(blank, reason=f"measured against two axes ({before.axis}, {after.axis})")
    return dataclasses.replace(
        blank, quantity=difference(after.quantity, before.quantity), confirmed=before.confirmed and after.confirmed
    )


def _joined(
    row: ChangeRow, changes: dict[tuple[str, str], Change], basis: str, earlier: MeasuredFilm, later: MeasuredFilm
) -> Change:
    """Join the estimates of a change against the proximal and the distal fragment."""
    blank = Change(row, basis, earlier, later)
    proximal = _estimate([row.proximal] if row.proximal else [], row.target, changes)
    distal = _estimate(row.distal, row.target, changes)
    found = [("proximal fragment", proximal)] * bool(proximal) + [("distal fragment", distal)] * bool(distal)
    if not found:
        wanted = [e.quantity for e in (row.proximal, *row.distal) if e]
        reasons = [c.reason for name in wanted if (c := changes.get((name, row.target))) and c.reason]
        return dataclasses.replace(blank, reason="; ".join(dict.fromkeys(reasons)) or "no estimate")
    estimates = tuple((f"against the {name}", quantity) for name, (quantity, _) in found if quantity)
    confirmed = all(pair[1] for _, pair in found if pair)
    both = proximal and distal
    note = _check(proximal[0], distal[0]) if both else f"one estimate only, {estimates[0][0]}"
    return dataclasses.replace(
        blank, quantity=estimates[-1][1], confirmed=confirmed, estimates=estimates, note=note
    )


def _estimate(
    rows: Sequence[Estimate], target: str, changes: dict[tuple[str, str], Change]
) -> tuple[Quantity, bool] | None:
    """Return the surest of several estimates against one fragment, and whether it is confirmed."""
    usable = [
        (change.quantity.scaled(row.factor), change.confirmed)
        for row in rows
        if (change := changes.get((row.quantity, target))) and change.quantity
    ]
    return min(usable, key=lambda pair: pair[0].u, default=None)


def _check(proximal: Quantity, distal: Quantity) -> str:
    """Say whether the pin's movement against the two fragments is the same, within its uncertainty.

    The two are not averaged: that they agree within 1 or 2 mm does not show that the fragments stood still.
    """
    apart = difference(distal, proximal)
    if abs(apart.value) <= COVERAGE_95 * apart.u:
        return "both estimates agree; shown is the pin against the distal fragment"
    return (
        f"not the pin alone: the two estimates differ by {apart.text()}, so the fragments moved along the pin "
        "or the films differ; shown is the pin against the distal fragment"
    )


def group(films: Iterable[MeasuredFilm]) -> tuple[tuple[Case, ...], tuple[str, ...]]:
    """Sort measured films into cases and compare each film with the index film and the one before.

    Returns the cases and, in words, every film left out and why. Films of one day and view are one
    visit: the last by time stands for it.
    """
    notes: list[str] = []
    films = list(films)
    for film in films:
        lacking = [word for word in ("patient_key", "laterality", "date") if getattr(film, word) is None]
        if lacking and len(films) > 1:
            words = ", ".join(UNSTATED[word] for word in lacking)
            notes.append(f"{film.name}: measured alone and compared with nothing, since it does not say {words}")

    cases = []
    for _, members in itertools.groupby(sorted(films, key=lambda film: (_case(film), _when(film))), key=_case):
        visits = _one_a_day(members, notes)
        pairs = [(visits[0], film, INDEX) for film in visits[1:]]
        pairs += [(before, film, LAST) for before, film in itertools.pairwise(visits[1:])]
        cases.append(Case(tuple(visits), tuple(c for pair in pairs for c in compare(*pair))))
    return tuple(cases), tuple(notes)


UNSTATED = {"patient_key": "whose it is", "laterality": "which side it shows", "date": "when it was taken"}


def _case(film: MeasuredFilm) -> tuple[str, ...]:
    """What films must share to be compared; a film that does not say shares with none."""
    alone = film.reading.film_digest if None in (film.patient_key, film.laterality, film.date) else ""
    return film.patient_key or "", film.laterality or "", film.reading.site, film.reading.view, alone


def _when(film: MeasuredFilm) -> tuple[datetime.date, datetime.time]:
    return film.date or datetime.date.min, film.time or datetime.time.min


def _one_a_day(films: Iterable[MeasuredFilm], notes: list[str]) -> list[MeasuredFilm]:
    visits: list[MeasuredFilm] = []
    for film in films:
        if visits and visits[-1].date == film.date:
            notes.append(f"{visits[-1].name}: a later film of that day and view, {film.name}, stands for the visit")
            visits.pop()
        visits.append(film)
    return visits
