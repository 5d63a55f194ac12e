"""Films of one fracture over time: visits, and what changed between them.

Two films are compared only where they are known to show the same patient, side, site and view.
Every quantity is defined in the bone's own frame, so that how the film lay does not enter a change.
"""

from __future__ import annotations

import dataclasses
import datetime
import itertools
import math
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field

import numpy as np

from measure.comparability import (
    Comparison,
    joint_estimate,
    rotation_by_arcs,
    rotation_note,
    unfollowed,
    why_withheld,
    with_turn,
)
from measure.contrast import Contrast
from measure.errors import ComparisonError
from measure.film import Film
from measure.measurements import Measurement, measure_film
from measure.movement import compare_places, exchanged
from measure.quantity import COVERAGE_95, Quantity, difference
from measure.reading import ABSENT, Reading
from measure.scale import Agreement, Scale, compare_scales, doubts, scales_for, why_no_scale, widened
from measure.sites import ChangeRow, Estimate, MeasurementRow, Profile, View, load_site
from measure.ties import PINS, Depths, Placed, depths_of

Visit = tuple[object, ...]
INDEX, LAST = "since index", "since last visit"
# What a film must say of itself before it is compared with another.
UNSTATED = {"patient_key": "whose it is", "laterality": "which side it shows", "date": "when it was taken"}


@dataclass(frozen=True)
class MeasuredFilm:
    """One film with one reading and all that was measured; it holds no pixels.

    `scale` is the one used, `agreements` compare it with the others; `notes` are said to the reader;
    `contrast` is that of the fracture line, where it was worked out. Its repr, which may end up in a log,
    leaves the patient out.
    """

    name: str
    patient_key: str | None = field(repr=False)
    laterality: str | None
    date: datetime.date | None
    time: datetime.time | None
    sop_instance_uid: str | None
    reading: Reading
    scale: Scale | None
    agreements: tuple[Agreement, ...]
    measurements: tuple[Measurement, ...]
    notes: tuple[str, ...] = ()
    path: str = ""
    frame: int | None = None
    birth_date: str | None = field(default=None, repr=False)
    profile: Profile | None = None
    contrast: Contrast | None = None

    @property
    def view(self) -> View:
        """The reading's view, with its tables."""
        return load_site(self.reading.site).views[self.reading.view]

    @property
    def uncertainty(self) -> Profile:
        """Where the uncertainty of placing its landmarks comes from: a measured profile, or the site's."""
        return self.profile or load_site(self.reading.site).profile

    @property
    def rotation(self) -> Quantity | None:
        """How far the film is rotated off the true view, degrees, where arcs that tell it are placed."""
        if self.scale is None:
            return None
        return rotation_by_arcs(_placed(self, self.scale, habit=False), self.view, self.reading.film_id)

    @property
    def surgery(self) -> datetime.date | None:
        """Date of the operation, as the reader gave it."""
        stated = self.reading.surgery_date
        return datetime.date.fromisoformat(stated) if stated else None

    def find(self, name: str, target: str = "") -> Measurement | None:
        """Return the measurement of a quantity and target, if this view has it."""
        return next((m for m in self.measurements if m.key == (name, target)), None)


@dataclass(frozen=True)
class Change:
    """How one quantity changed from an earlier film to a later one.

    `row` is the measurement's, or that of a change with several estimates; `estimates` are those,
    in words, with their values. `quantity` is None where `reason` says why; `withheld` where it could be had
    but must not be shown. `joint` is the change as all
    landmarks of both films together say, beside the raw one; `comparison` says how comparable the films are.
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
    joint: Quantity | None = None
    withheld: bool = False
    comparison: Comparison | None = field(default=None, repr=False)

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
    ordered = sorted(scales, key=lambda scale: scale.kind != reading.scale_use)  # else the surest first
    agreements = compare_scales(ordered)
    notes = [*film.warnings, *doubts(film.spacing)]
    if reading.scale_use and not any(scale.kind == reading.scale_use for scale in scales):
        notes.append(
            f"the scale chosen ({reading.scale_use}) is not on this film; the surest is used instead"
        )
    if not scales:
        notes.append(f"no millimetres: {why_no_scale(film.spacing)}")
    notes += [agreement.text() for agreement in agreements if not agreement.agrees]
    if reading.laterality and not film.laterality:
        notes.append(f"the side ({reading.laterality}) is what the reader says, not the film")
    read_on = datetime.datetime.fromisoformat(reading.time).date()
    if film.date and film.date > read_on + datetime.timedelta(days=1):  # a day for the time zones
        notes.append(f"the film is dated {film.date}, yet it was read on {read_on}: one of the two is wrong")
    notes += [
        f"grades do not go together: {words}" for words in dict.fromkeys(reading.contradictions.values())
    ]
    scale = widened(ordered[0], agreements) if ordered else None
    measured = MeasuredFilm(
        name=film.name,
        patient_key=film.patient_key,
        birth_date=film.birth_date,
        laterality=film.laterality or reading.laterality,
        date=film.date,
        time=film.time,
        sop_instance_uid=film.sop_instance_uid,
        reading=reading,
        scale=scale,
        agreements=agreements,
        measurements=measure_film(reading, scale, film.aspect, profile=profile),
        notes=tuple(notes),
        path=film.path,
        frame=film.frame,
        profile=profile,
    )
    rotated = rotation_note(measured.rotation, measured.view)
    return dataclasses.replace(measured, notes=(*notes, rotated)) if rotated else measured


def why_not_comparable(earlier: MeasuredFilm, later: MeasuredFilm) -> tuple[str, ...]:
    """All reasons why two films must not be compared; none where they may."""
    pair = (earlier, later)
    reasons = [
        f"a film does not say {words}"
        for name, words in UNSTATED.items()
        if any(getattr(film, name) is None for film in pair)
    ]
    if len({film.patient_key for film in pair} - {None}) > 1:
        reasons.append("the films are of two patients")
    elif len({film.birth_date for film in pair} - {None}) > 1:
        reasons.append("the films give two dates of birth, so they are of two patients")
    for word, first, second in (
        ("sides", earlier.laterality, later.laterality),
        ("sites", earlier.reading.site, later.reading.site),
        ("views", earlier.reading.view, later.reading.view),
    ):
        if first and second and first != second:
            reasons.append(f"the films show two {word} ({first}, {second})")
    if earlier.reading.film_digest == later.reading.film_digest:
        reasons.append("both are the same film")
    if earlier.date and later.date and later.date < earlier.date:
        reasons.append(f"the film given as the later was taken first ({later.date}, {earlier.date})")
    operations = {film.surgery for film in pair if film.surgery}
    if _operations_by(earlier, operations) != _operations_by(later, operations):
        reasons.append("an operation lies between the films")
    return tuple(reasons)


def compare(
    earlier: MeasuredFilm, later: MeasuredFilm, basis: str = INDEX, beside: Sequence[MeasuredFilm] = ()
) -> tuple[Change, ...]:
    """Change of every quantity from an earlier film to a later one.

    `beside` are the visits' films of the other view, if any, which tell how deep the pins lie.

    Raises ComparisonError, with all reasons, for films of two patients, sides, sites or views, films
    that do not say, and films in the wrong order.
    """
    if reasons := why_not_comparable(earlier, later):
        raise ComparisonError(
            f"Not compared: {'; '.join(reasons)}. "
            "Choose films of one patient, side and view, in order of time."
        )
    blank = Change(
        later.view.measurements[0], basis, earlier, later, comparison=_comparison(earlier, later, beside)
    )
    plain = [_plain(m, earlier.find(*m.key), blank) for m in later.measurements]
    by_key = {change.key: change for change in plain}
    joined = [_joined(row, by_key, blank) for row in later.view.changes]
    rotations = earlier.rotation, later.rotation
    return tuple(_kept(change, rotations) for change in (*joined, *plain))


def _comparison(
    earlier: MeasuredFilm, later: MeasuredFilm, beside: Sequence[MeasuredFilm]
) -> Comparison | None:
    """How comparable two films are; None where there are no millimetres, or too few landmarks to tell."""
    if earlier.scale is None or later.scale is None:
        return None
    shared = {*earlier.scale.parts, *later.scale.parts}
    size_u = math.hypot(*(later.scale.parts.get(s, 0.0) - earlier.scale.parts.get(s, 0.0) for s in shared))
    same_reader = earlier.reading.reader == later.reading.reader
    first = _placed(earlier, earlier.scale, habit=not same_reader)
    second = _placed(later, later.scale, habit=not same_reader)
    depths = _depths(beside)
    movement = compare_places(first, second, later.view, size_u=size_u, depths=depths)
    if movement is None:
        return None
    pair_id = f"{earlier.reading.film_id}-{later.reading.film_id}"
    swapped = exchanged(movement, first, second, later.view, size_u=size_u, depths=depths)
    return Comparison(movement, pair_id, unfollowed(movement, later.view), swapped)


def _depths(beside: Sequence[MeasuredFilm]) -> Depths:
    """Depths of the pins by the first film of the other view that shows both."""
    found = (depths_of(_placed(film, film.scale, habit=True), film.view) for film in beside if film.scale)
    return next((depths for depths in found if len(depths) == len(PINS)), {})


def _placed(film: MeasuredFilm, scale: Scale, *, habit: bool) -> Placed:
    """Give a film's located landmarks in millimetres; a reader's habit counts only between two readers."""
    size = np.array(scale.mm_per_px)
    profile = film.uncertainty
    located = {name: landmark for name, landmark in film.reading.landmarks.items() if landmark.located}
    own = profile.habit_mm if habit else 0.0
    u = {
        name: math.hypot(
            landmark.u_px * float(size.mean()) if landmark.u_px
            else profile.placement(name) * film.view.landmark[name].spread,
            own,
        )
        for name, landmark in located.items()
    }  # fmt: skip
    return Placed({name: landmark.array * size for name, landmark in located.items()}, u)


def _kept(change: Change, rotations: Sequence[Quantity | None]) -> Change:
    """Withhold a change that the turn between the films, or exchanged pins, could have made."""
    if change.quantity is None:
        return change
    reason = why_withheld(change.quantity, change.row, change.later.view, change.comparison, rotations)
    if reason is None:
        return change
    return dataclasses.replace(
        change, quantity=None, joint=None, reason=reason, estimates=(), note=None, withheld=True
    )


def _plain(after: Measurement, before: Measurement | None, given: Change) -> Change:
    blank = dataclasses.replace(given, row=after.row)
    if before is None or before.quantity is None or after.quantity is None:
        lacking = [
            f"{word} film: {m.reason if m else 'not measured'}"
            for word, m in (("earlier", before), ("later", after))
            if m is None or m.quantity is None
        ]
        return dataclasses.replace(blank, reason="; ".join(lacking))
    if before.axis != after.axis:
        return dataclasses.replace(blank, reason=f"measured against two axes ({before.axis}, {after.axis})")
    quantity, joint, view = difference(after.quantity, before.quantity), None, blank.later.view
    if blank.comparison:
        quantity = with_turn(quantity, after.quantity, view, blank.comparison)
        joint = joint_estimate(after.row, blank.comparison, view)
        joint = joint if joint and joint.u < quantity.u else None  # offered where it is surer
    return dataclasses.replace(
        blank, quantity=quantity, joint=joint, confirmed=before.confirmed and after.confirmed
    )


def _joined(
    row: ChangeRow,
    changes: dict[tuple[str, str], Change],
    given: Change,
) -> Change:
    """Join the estimates of a change against the mobile and the reference fragment."""
    blank = dataclasses.replace(given, row=row)
    named = load_site(given.later.reading.site).fragments
    fragments = {named["mobile"]: row.mobile, named["reference"]: row.reference}
    found = {
        f"against the {fragment}": best
        for fragment, rows in fragments.items()
        if (best := _estimate(rows, row.target, changes))
    }
    if not found:
        wanted = [estimate.quantity for rows in fragments.values() for estimate in rows]
        reasons = [c.reason for name in wanted if (c := changes.get((name, row.target))) and c.reason]
        return dataclasses.replace(blank, reason="; ".join(dict.fromkeys(reasons)) or "no estimate")
    first, *others = (quantity for quantity, _ in found.values())
    joint = [
        known.joint.scaled(estimate.factor)
        for estimate in (*row.reference, *row.mobile)
        if (known := changes.get((estimate.quantity, row.target))) and known.joint
    ]
    return dataclasses.replace(
        blank,
        joint=joint[0] if joint else None,
        quantity=others[0] if others else first,
        confirmed=all(confirmed for _, confirmed in found.values()),
        estimates=tuple((words, quantity) for words, (quantity, _) in found.items()),
        note=_check(first, others[0], named) if others else f"one estimate only, {next(iter(found))}",
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


def _check(mobile: Quantity, reference: Quantity, fragments: Mapping[str, str]) -> str:
    """Say whether the pin's movement against the two fragments is the same, within its uncertainty.

    The two are not averaged: that they agree within 1 or 2 mm does not show that the fragments stood still.
    """
    apart = difference(reference, mobile)
    shown = f"shown is the pin against the {fragments['reference']}"
    if abs(apart.value) <= COVERAGE_95 * apart.u:
        return f"both estimates agree; {shown}"
    return (
        f"not the pin alone: the two estimates differ by {apart.text()}, "
        f"so the fragments moved along the pin or the films differ; {shown}"
    )


def group(films: Iterable[MeasuredFilm]) -> tuple[tuple[Case, ...], tuple[str, ...]]:
    """Sort measured films into cases and compare each film with the index film and the one before.

    Returns the cases and, in words, every film that is compared with nothing or left out, and why.
    Films of one day and view are one visit: the last by time stands for it.
    """
    notes: list[str] = []
    films = list(films)
    for film in films:
        lacking = [words for name, words in UNSTATED.items() if getattr(film, name) is None]
        if lacking and len(films) > 1:
            notes.append(f"{film.name}: compared with nothing, since it does not say {', '.join(lacking)}")
    operations: dict[tuple[str, ...], set[datetime.date]] = {}
    for film in films:
        operations.setdefault(_fracture(film), set()).update({film.surgery} if film.surgery else ())
    notes += _notes_on_surgery(films, operations)
    notes += _notes_on_metal(films, operations)
    births = _births(films, notes)

    def case_of(film: MeasuredFilm) -> tuple[object, ...]:
        person = film.birth_date or "not stated" if film.patient_key in births else ""
        return *_case(film), person, _operations_by(film, operations[_fracture(film)])

    films.sort(key=lambda film: (case_of(film), _when(film)))
    visits_of_all = by_visit(films)
    cases = []
    for _, members in itertools.groupby(films, key=case_of):
        first, *others = _one_a_day(members, notes)
        visits = [first, *(_told_of_exchange(first, film) for film in others)]
        pairs = [(visits[0], film, INDEX) for film in visits[1:]]
        pairs += [(before, film, LAST) for before, film in itertools.pairwise(visits[1:])]
        changes = (c for pair in pairs for c in compare(*pair, beside=beside(pair[:2], visits_of_all)))
        cases.append(Case(tuple(visits), tuple(changes)))
    return tuple(cases), tuple(notes)


def _visit(film: MeasuredFilm) -> Visit:
    """Return what films of one visit share, whatever the view."""
    return *_fracture(film), film.birth_date, film.date


def by_visit(films: Iterable[MeasuredFilm]) -> dict[Visit, list[MeasuredFilm]]:
    """Sort films by visit, whatever the view."""
    visits: dict[Visit, list[MeasuredFilm]] = {}
    for film in films:
        visits.setdefault(_visit(film), []).append(film)
    return visits


def beside(
    pair: Sequence[MeasuredFilm], visits: Mapping[Visit, Sequence[MeasuredFilm]]
) -> list[MeasuredFilm]:
    """Give the films of a pair's visits in the other view, those of the earlier visit first."""
    return [
        other
        for film in pair
        for other in visits.get(_visit(film), ())
        if other.reading.view != film.reading.view
    ]


def _births(films: Iterable[MeasuredFilm], notes: list[str]) -> set[str]:
    """Return identifiers that films give several dates of birth with, and say so."""
    dates: dict[str, set[str]] = {}
    for film in films:
        if film.patient_key and film.birth_date:
            dates.setdefault(film.patient_key, set()).add(film.birth_date)
    several = {key for key, found in dates.items() if len(found) > 1}
    if several:
        notes.append(
            f"{len(several)} patient identifier(s) come with two dates of birth: "
            "their films are kept apart as those of two patients; check who they are"
        )
    return several


def _case(film: MeasuredFilm) -> tuple[str, ...]:
    """Return what films must share to be compared; a film that does not say shares with none."""
    alone = film.reading.film_digest if None in (film.patient_key, film.laterality, film.date) else ""
    return film.patient_key or "", film.laterality or "", film.reading.site, film.reading.view, alone


def _told_of_exchange(index: MeasuredFilm, film: MeasuredFilm) -> MeasuredFilm:
    """Return a film with a note where its pins lie the other way round than on the index film, surely."""
    found = []
    for after in film.measurements:
        before = index.find(*after.key)
        if after.row.function != "spacing" or not (before and before.quantity and after.quantity):
            continue
        (low, high), (other_low, other_high) = before.quantity.interval, after.quantity.interval
        if high < 0 < other_low or other_high < 0 < low:
            found.append(
                f"the pins lie the other way round than on the index film ({before.quantity.text()} then, "
                f"{after.quantity.text()} now): the reader has exchanged them, or the film is turned. "
                "Where they are exchanged, each pin's changes are false"
            )
    return dataclasses.replace(film, notes=(*film.notes, *found)) if found else film


def _fracture(film: MeasuredFilm) -> tuple[str, ...]:
    """Return what films of one fracture share, whatever the view."""
    patient, side, site, _, alone = _case(film)
    return patient, side, site, alone


def _operations_by(film: MeasuredFilm, operations: Iterable[datetime.date]) -> int:
    """How many operations were done by the day of a film; one with another count shows other metal."""
    return sum(film.date is not None and day <= film.date for day in operations)


def _notes_on_surgery(
    films: Iterable[MeasuredFilm], operations: Mapping[tuple[str, ...], set[datetime.date]]
) -> Iterator[str]:
    """Say which films were taken before the operation, and where readings name several."""
    for film in films:
        days = operations[_fracture(film)]
        if days and film.date and film.date < min(days):
            yield f"{film.name}: taken before the operation, and compared with no film after it"
        elif len(days) > 1 and film.surgery:
            named = ", ".join(day.isoformat() for day in sorted(days))
            yield (
                f"{film.name}: the readings of this fracture name several operations ({named}); films are "
                "compared only where none lies between. If one is mistyped, record that reading anew"
            )


def _notes_on_metal(
    films: Sequence[MeasuredFilm], operations: dict[tuple[str, ...], set[datetime.date]]
) -> Iterator[str]:
    """Where no reading names an operation, take it as done by the first film with metal."""
    first: dict[tuple[str, ...], datetime.date] = {}
    for film in sorted(films, key=_when):
        if film.date and shows_metal(film) and not operations[_fracture(film)]:
            first.setdefault(_fracture(film), film.date)
    for film in films:
        day = first.get(_fracture(film))
        if day and film.date and film.date < day:
            operations[_fracture(film)] = {day}
            yield (
                f"{film.name}: no pin or wire is placed on it, and no reading dates the operation: taken as "
                f"before it, compared with no film after it; the index film is of {day}, the first with metal"
            )


def shows_metal(film: MeasuredFilm) -> bool:
    """Whether a reader placed a pin or wire on a film, or could not assess one."""
    return any(
        film.view.landmark[name].part in ("pin", "wire") and landmark.status != ABSENT
        for name, landmark in film.reading.landmarks.items()
    )


def _when(film: MeasuredFilm) -> tuple[datetime.date, datetime.time]:
    return film.date or datetime.date.min, film.time or datetime.time.min


def _one_a_day(films: Iterable[MeasuredFilm], notes: list[str]) -> list[MeasuredFilm]:
    visits: list[MeasuredFilm] = []
    for film in films:
        if visits and visits[-1].date == film.date:
            left_out = visits.pop().name
            notes.append(f"{left_out}: of the same day and view as {film.name}, which stands for the visit")
        visits.append(film)
    return visits
