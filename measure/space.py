"""AP and lateral film of one visit: the pins in space, and whether the two films agree on what they share.

Both films show the bone along its axis; the lateral one shows the dorsal-volar plane, the AP one the ulnar-
radial plane. A pin that slopes by a on the one and by b on the other runs at atan(hypot(tan a, tan b)) to
the axis.
"""

from __future__ import annotations

import itertools
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from measure.definitions import LENGTH
from measure.measurements import measure_row
from measure.propagate import SEED
from measure.quantity import COVERAGE_95, Quantity, difference
from measure.series import MeasuredFilm
from measure.sites import MeasurementRow
from measure.ties import PINS

Array = NDArray[np.float64]

VIEWS = ("lateral", "ap")
APART_U = 5.0  # degrees by which two views are not at right angles; common practice, no source
EXCHANGED = 0.25  # share of the difference that exchanging the pins must leave at most; our choice
DRAWS = 10_000


@dataclass(frozen=True)
class Check:
    """Something that both films show, and by how much they differ in it."""

    what: str
    difference: Quantity

    @property
    def agrees(self) -> bool:
        """Whether the difference lies within its 95 % interval."""
        return abs(self.difference.value) <= COVERAGE_95 * self.difference.u


@dataclass(frozen=True)
class InSpace:
    """The pins of one visit in space; `exchanged` where pin 1 on one film looks to be pin 2 on the other.

    `angles` to the bone axis by pin; `between` the pins' angle to each other, `spacing` their distance at the
    middle. Each None where a film lacks what it takes; angles also where the pins look exchanged.
    """

    lateral: MeasuredFilm
    ap: MeasuredFilm
    angles: Mapping[str, Quantity]
    between: Quantity | None
    spacing: Quantity | None
    checks: tuple[Check, ...]
    exchanged: bool

    def lines(self) -> Iterator[str]:
        """Say the pins in space beside the single views, then what the films do not agree on."""
        for pin, angle in self.angles.items():
            seen = [_value(film, "pin_angle", pin) for film in (self.lateral, self.ap)]
            words = ", ".join(f"{name} {q.text()}" for name, q in zip(VIEWS, seen, strict=True) if q)
            yield f"{pin.replace('pin', 'pin ')} to the axis, in space: {angle.text()} ({words})"
        if apart := [q.text() + word for q, word in ((self.between, ""), (self.spacing, " apart")) if q]:
            yield f"pins to each other, in space: {', '.join(apart)}"
        for check in self.checks:
            if not check.agrees:
                yield f"the two films do NOT agree on {check.what}: they differ by {check.difference.text()}"
        if self.exchanged:
            yield "pin 1 on the one film looks to be pin 2 on the other, so no angles: check which is which"
        elif self.checks and all(check.agrees for check in self.checks):
            yield "the two films agree on all that they share"


def visits_in_space(films: Iterable[MeasuredFilm]) -> tuple[InSpace, ...]:
    """Pair the lateral and the AP film of each patient, side, site and day."""

    def visit(film: MeasuredFilm) -> tuple[str, str, str, str]:
        return film.patient_key or "", film.laterality or "", film.reading.site, str(film.date)

    known = [film for film in films if None not in (film.patient_key, film.laterality, film.date)]
    found = []
    for _, members in itertools.groupby(sorted(known, key=visit), key=visit):
        by_view = {film.reading.view: film for film in members}
        if set(VIEWS) <= by_view.keys():
            found.append(in_space(by_view["lateral"], by_view["ap"]))
    return tuple(found)


def in_space(lateral: MeasuredFilm, ap: MeasuredFilm) -> InSpace:
    """Put one visit's two films together.

    Uncertainties are by Monte Carlo over both films' sources and the views' angle to each other (JCGM
    101:2008), since an angle in space is never negative: root mean square about the value.
    """
    checks, exchanged = _checks(lateral, ap)
    slopes = {
        pin: (a, b)
        for pin in (() if exchanged else PINS)
        if (a := _value(lateral, "pin_angle", pin)) and (b := _value(ap, "pin_angle", pin))
    }
    offsets = [_value(film, "pin_spacing", "") for film in (lateral, ap)]
    angles = {
        pin: _by_draws(lambda d: angle_to_axis(d[0], d[1]), pair, "deg") for pin, pair in slopes.items()
    }
    between = spacing = None
    if len(slopes) == len(PINS):
        four = (*slopes["pin1"], *slopes["pin2"])
        between = _by_draws(lambda d: angle_between(d[0], d[1], d[2], d[3]), four, "deg")
    if offsets[0] and offsets[1]:
        spacing = _by_draws(lambda d: np.hypot(d[0], d[1]), (offsets[0], offsets[1]), LENGTH, turned=False)
    return InSpace(lateral, ap, angles, between, spacing, checks, exchanged)


def directions(lateral: Array, ap: Array) -> Array:
    """Vectors (..., 3; distally, volarly, radially) along pins from their slopes (degrees) on both views."""
    one = np.ones(np.broadcast_shapes(np.shape(lateral), np.shape(ap)))
    return np.stack([one, np.tan(np.radians(lateral)) * one, np.tan(np.radians(ap)) * one], axis=-1)


def angle_to_axis(lateral: Array, ap: Array) -> Array:
    """Angle (degrees) of a pin to the axis in space, from its slopes (degrees) on the two views."""
    return np.asarray(np.degrees(np.arctan(np.hypot(np.tan(np.radians(lateral)), np.tan(np.radians(ap))))))


def angle_between(lateral_1: Array, ap_1: Array, lateral_2: Array, ap_2: Array) -> Array:
    """Angle (degrees) between two pins in space, from their slopes (degrees) on the two views."""
    a, b = directions(lateral_1, ap_1), directions(lateral_2, ap_2)
    return np.asarray(np.degrees(np.arctan2(np.linalg.norm(np.cross(a, b), axis=-1), np.sum(a * b, axis=-1))))


def _by_draws(
    function: Callable[[Array], Array], given: Sequence[Quantity], unit: str, *, turned: bool = True
) -> Quantity:
    """Evaluate a function of quantities, alternately of the lateral and the AP view; u by draws."""
    rng = np.random.default_rng(SEED)
    sources = sorted({source for quantity in given for source in quantity.parts})
    parts = np.array([[quantity.parts.get(source, 0.0) for source in sources] for quantity in given])
    values = np.array([quantity.value for quantity in given])
    draws = values[:, None] + parts @ rng.standard_normal((len(sources), DRAWS))
    skew = np.radians(APART_U) * rng.standard_normal(DRAWS)
    if turned:  # an AP view that is not at right angles sees some of the lateral slope
        draws[1::2] = np.degrees(
            np.arctan(np.tan(np.radians(draws[1::2])) + skew * np.tan(np.radians(draws[::2])))
        )
    else:
        draws[1::2] += skew * draws[::2]
    value = float(function(values))
    u = float(np.sqrt(np.mean((function(draws) - value) ** 2)))
    return Quantity(value, unit, {"two views": u})


def _value(film: MeasuredFilm, name: str, target: str) -> Quantity | None:
    found = film.find(name, target)
    return found.quantity if found else None


def _checks(lateral: MeasuredFilm, ap: MeasuredFilm) -> tuple[tuple[Check, ...], bool]:
    """Compare what both films show along the bone: the pins' lengths, one tip beyond the other."""
    checks = []
    for pin in PINS:
        long, short = (_along(film, f"{pin}_straight", f"{pin}_tip") for film in (lateral, ap))
        if long and short:
            what = f"the length of {pin.replace('pin', 'pin ')} along the bone"
            checks.append(Check(what, difference(long, short)))
    tips = [_along(film, "pin1_tip", "pin2_tip") for film in (lateral, ap)]
    if not (tips[0] and tips[1]):
        return tuple(checks), False
    apart = Check("how far one pin's tip lies beyond the other's", difference(tips[0], tips[1]))
    exchanged = abs(difference(tips[0], tips[1].scaled(-1.0)).value) < EXCHANGED * abs(apart.difference.value)
    return (*checks, apart), not apart.agrees and exchanged


def _along(film: MeasuredFilm, start: str, stop: str) -> Quantity | None:
    axis = film.view.axis
    if not axis or any(name not in film.view.landmark for name in (start, stop)):
        return None
    landmarks = (start, stop, axis["near"], axis["far"])
    row = MeasurementRow("along", "", LENGTH, "along_axis", landmarks, "positive distally", "both views")
    return measure_row(row, film.reading, film.scale, profile=film.profile).quantity
