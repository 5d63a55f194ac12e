"""How comparable two films are, what that does to each change, and what moved.

Rests on `measure.movement`. A turn of the limb out of the film's plane shifts whatever lies off the bone's
plane; each change carries that as signed parts, and is withheld by name where it could be all there is.
Beside the raw change stands the joint estimate: the earlier film's landmarks, moved as all landmarks
together say, measured again.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from functools import cached_property

import numpy as np

from measure.definitions import FUNCTIONS, LENGTH
from measure.measurements import OBLIQUITY_U
from measure.movement import BACKED_OUT, LOOSE, MOTIONS, MOVED, SHORTENING, STILL, TURN_U, Movement
from measure.quantity import COVERAGE_95, Quantity, chance_text
from measure.sites import ChangeRow, MeasurementRow, View
from measure.ties import MOBILE, PINS, Array, Placed, body_of, centre

# Probabilities needed; set on phantom pairs of another seed than those reported. Reassuring takes more.
SURE_MOVED, SURE_STILL = 0.55, 0.9
TOLD_SHARE = 0.9  # of the turn's assumed uncertainty; above it the films have told nothing
TURN_WARNING = 5.0  # degrees; our choice (facts: rotation of a lateral film above 5 is worth a word)
BACK_OUT, PIN_MOVED, FRAGMENT_MOVED = "pin backed out", "pin turned or slipped", "fragment moved"
MOVEMENTS = (BACK_OUT, PIN_MOVED, FRAGMENT_MOVED)
EXCHANGED = "the pins look exchanged between the films; check which is which"
NOTHING, DIFFER, UNDECIDED = "nothing changed", "films differ", "cannot tell"
# Least change that counts of a quantity without a limit of its own; our choice, after the others' limits.
USUAL_LIMIT = {"mm": 2.0, "deg": 5.0, "1": 0.1}
# How well two films compare, by the share of the limit that how they were taken may fake; our choice.
COMPARABLE, WORST_COMPARABLE = {"well": 0.25, "fairly": 0.5}, "poorly"
TAKEN_SOURCES = ("turn", "depth", "scale", "size")  # first words of ids of errors of how films were taken
TURN_SOURCES = ("turn", "depth")  # first words of the source ids that a turn of the limb puts into a change


@dataclass(frozen=True)
class Comparison:
    """Two films against each other, the pair filed under `pair_id`.

    `unfollowed` are the fragment and pins of the view that the two films do not both show: nothing can be
    said of them. `exchanged`: pin 1 on the one film looks to be pin 2 on the other.
    """

    movement: Movement
    pair_id: str
    unfollowed: tuple[str, ...] = ()
    exchanged: bool = False

    def turn(self, which: str) -> Quantity:
        """Give tilt or rotation of the later film against the earlier, degrees.

        Positive shifts pin 1, against pin 2, distally (tilt) or to the far cortex (rotation).
        """
        value, u = (math.degrees(number) for number in self.movement.value("film", which))
        return Quantity(value, "deg", {f"turn:{self.pair_id}:{which}": u})

    @property
    def size(self) -> Quantity:
        """How much larger the later film shows the same things than the two scales say: a ratio, less one."""
        value, u = self.movement.value("film", "size")
        return Quantity(value, "1", {f"size:{self.pair_id}": u})

    @property
    def turn_rms(self) -> Array:
        """(2,): how large tilt and rotation may be, root mean square, radians."""
        return np.array([math.hypot(*self.movement.value("film", which)) for which in ("tilt", "rotation")])

    @cached_property
    def findings(self) -> tuple[tuple[str, str, float], ...]:
        """What happened, as (finding, body, probability): every body that moved, or one other verdict."""
        movement = self.movement
        if movement.worst or self.exchanged:
            return ((UNDECIDED, "", 1 - movement.all_still),)
        found = []
        for pin in movement.pins:
            chance = movement.probability(pin.name, BACKED_OUT, LOOSE)
            if chance >= SURE_MOVED:
                found.append((BACK_OUT if self._slid(pin.name) else PIN_MOVED, pin.name, chance))
        chance = movement.probability(MOBILE, MOVED)
        if chance >= SURE_MOVED:
            found.append((FRAGMENT_MOVED, "", chance))
        if found:
            return tuple(found)
        if self.unfollowed:
            return ((UNDECIDED, "", 1 - movement.all_still),)
        if movement.all_still >= SURE_STILL:
            return ((NOTHING, "", movement.all_still),)
        return ((DIFFER if self._turned() else UNDECIDED, "", 1 - movement.all_still),)

    @property
    def chance(self) -> float:
        """Probability that all of the findings are so together, whatever else moved."""
        moved = [body or MOBILE for name, body, _ in self.findings if name in MOVEMENTS]
        if not moved:
            return self.findings[0][2]
        return math.fsum(
            h.probability for h in self.movement.hypotheses if all(h.states[body] != STILL for body in moved)
        )

    def _slid(self, pin: str) -> bool:
        at = self.movement.index(pin, "along")
        free = self.movement.free
        return float(free.mean[at]) > COVERAGE_95 * math.sqrt(free.covariance[at, at])

    def _turned(self) -> bool:
        turns = [self.turn(which) for which in ("tilt", "rotation")]
        return any(
            abs(turn.value) > TURN_WARNING and abs(turn.value) > COVERAGE_95 * turn.u for turn in turns
        )

    @property
    def verdict(self) -> str:
        """The findings in words."""
        return " and ".join(
            f"{name} ({body.replace('pin', 'pin ')})" if body else name for name, body, _ in self.findings
        )

    def text(self) -> str:
        """Say the verdict, and how differently the films were taken."""
        if self.exchanged:
            return f"{self.verdict}: {EXCHANGED}"
        if self.movement.worst:
            return (
                f"{self.verdict}: the landmarks of the two films cannot all be right, whatever moved; "
                f"look first at {self.movement.worst.replace('_', ' ')}"
            )
        both = " of all of it together" if len(self.findings) > 1 else ""
        told = self.verdict not in (UNDECIDED, DIFFER)
        sure = f" (probability{both} {chance_text(self.chance)})" if told else ""
        blind = f"; not followed, since not placed on both films: {self._blind()}" if self.unfollowed else ""
        return (
            f"{self.verdict}{sure}{blind}; {self._turn_text('tilt')}, {self._turn_text('rotation')}, "
            f"enlarged by {100 * self.size.value:+.1f} ± {196 * self.size.u:.1f} % beyond what the scales say"
        )

    def _blind(self) -> str:
        names = {MOBILE: "the mobile fragment"}
        return ", ".join(names.get(body, body.replace("pin", "pin ")) for body in self.unfollowed)

    def _turn_text(self, which: str) -> str:
        """Say the turn, or that the films do not show it: its uncertainty is still what was assumed."""
        turn = self.turn(which)
        if turn.u > TOLD_SHARE * math.degrees(TURN_U):
            return f"{which} not to be told (within {COVERAGE_95 * math.degrees(TURN_U):.0f}° assumed)"
        return f"{which} {turn.text()}"


def unfollowed(movement: Movement, view: View) -> tuple[str, ...]:
    """Name the mobile fragment and pins of a view that two films do not both show."""
    bodies = {body_of(row.name, view) for row in view.landmarks}
    pins = {row.name.split("_")[0] for row in view.landmarks if row.part == "pin"}
    followed = {body for body in movement.hypotheses[0].states if movement.ties.of(body).any()}
    return tuple(sorted((pins | {MOBILE}) & bodies - followed))


def rotation_by_arcs(film: Placed, view: View, film_id: str) -> Quantity | None:
    """How far a film is rotated off the true view, degrees, by the offset of two concentric arcs' centres.

    Never negative. None where the view has no such arcs, or they are not placed.
    """
    arcs = view.arcs
    if arcs is None or any(name not in film.points for name in (arcs.near, arcs.far)):
        return None
    (near, near_spread), (far, far_spread) = (
        centre(film.points[n], film.u[n]) for n in (arcs.near, arcs.far)
    )
    offset = float(np.hypot(*(near - far)))
    sine = min(offset / arcs.apart_mm, 1.0)
    direction = (near - far) / offset if offset else np.array([1.0, 0.0])
    offset_u = math.sqrt(direction @ (near_spread + far_spread) @ direction)
    slope = math.degrees(1.0 / (arcs.apart_mm * math.sqrt(max(1.0 - sine**2, 0.01))))
    parts = {
        f"arcs:{film_id}": slope * offset_u,
        "arcs:depth": slope * offset * arcs.apart_u_mm / arcs.apart_mm,
    }
    return Quantity(math.degrees(math.asin(sine)), "deg", parts)


def rotation_note(rotation: Quantity | None, view: View) -> str | None:
    """Warn of a film that is rotated; None where it is not, or nobody can tell."""
    if rotation is None or view.arcs is None or rotation.value <= view.arcs.warn_deg:
        return None
    held = ", ".join(name.replace("_", " ") for name in view.arcs.withholds)
    last = (
        f"; no change of {held} is given" if rotation.value > view.arcs.withhold_deg else f"; mind the {held}"
    )
    return f"rotated off the true view by {rotation.text()} (offset of the concentric arcs){last}"


def with_turn(change: Quantity, later: Quantity, view: View, comparison: Comparison) -> Quantity:
    """Replace a change's guess of each film's obliquity by what the pair's own turn does.

    `later` is the later film's value: its parallax parts tell how a shift of each body changes it.
    """
    slopes = _slopes(later, view)
    depths = {pin.name: (pin.depth, pin.depth_u) for pin in comparison.movement.pins}
    parts = {source: part for source, part in change.parts.items() if not source.startswith("parallax:")}
    for which, word, rms in zip(("along", "across"), ("tilt", "rotation"), comparison.turn_rms, strict=True):
        common = 0.0
        for (body, direction), slope in slopes.items():
            if direction != which:
                continue
            depth, depth_u = depths.get(body, (0.0, view.body_depth[body]))
            common += slope * depth * float(rms)
            parts[f"depth:{comparison.pair_id}:{body}:{word}"] = slope * depth_u * float(rms)
        parts[f"turn:{comparison.pair_id}:{word}"] = common
    if change.unit == LENGTH:
        parts[f"turn:{comparison.pair_id}:foreshortening"] = (
            later.value * SHORTENING * float(comparison.turn_rms[0])
        )
    return Quantity(change.value, change.unit, {source: part for source, part in parts.items() if part})


def _slopes(quantity: Quantity, view: View) -> dict[tuple[str, str], float]:
    """Change of a quantity for each body's shift by 1 mm, by (body, direction)."""
    found = {}
    for source, part in quantity.parts.items():
        if source.startswith("parallax:"):
            body, direction = source.split(":")[-2:]
            found[body, direction] = part / (view.body_depth[body] * OBLIQUITY_U)
    return found


def turn_u(change: Quantity) -> float:
    """Give what the turn between the films contributes to a change's standard uncertainty."""
    return math.sqrt(
        math.fsum(p * p for source, p in change.parts.items() if source.split(":")[0] in TURN_SOURCES)
    )


def why_withheld(
    change: Quantity,
    row: MeasurementRow | ChangeRow,
    view: View,
    comparison: Comparison | None,
    rotations: Sequence[Quantity | None],
) -> str | None:
    """Say why a change must not be shown; None where it may.

    The pins look exchanged, a film is rotated too far, or what the turn alone may do reaches its limit.
    """
    if comparison and comparison.exchanged and _rests_on_pins(row, view):
        return EXCHANGED
    if view.arcs and row.name in view.arcs.withholds:
        for rotation in rotations:
            if rotation and rotation.value > view.arcs.withhold_deg:
                limit = f"{view.arcs.withhold_deg:g}°"
                return f"a film is rotated off the true view by {rotation.text()}, more than {limit}"
    if COVERAGE_95 * turn_u(change) < least_limit(row, view):
        return None
    words = Quantity(0.0, change.unit, {"turn": turn_u(change)}).text()
    return f"the films were taken at different rotations, which alone can change it by {words.split('± ')[1]}"


def _rests_on_pins(row: MeasurementRow | ChangeRow, view: View) -> bool:
    """Whether a change is another one where the pins are exchanged."""
    landmarks = row.landmarks if isinstance(row, MeasurementRow) else ()
    return row.target in PINS or any(view.landmark[name].part == "pin" for name in landmarks)


def least_limit(row: MeasurementRow | ChangeRow, view: View) -> float:
    """Give the least change of a quantity that counts: its least limit, else its unit's usual one."""
    limits = [
        limit.limit for limit in view.thresholds if (limit.quantity, limit.basis) == (row.name, "change")
    ]
    return min(limits, default=USUAL_LIMIT[row.unit])


def comparable(change: Quantity, limit: float) -> str:
    """Say in a word how well two films can be compared in a quantity, by its least change that counts.

    By the share of that limit which how the films were taken (turn and scale) may make up or hide.
    """
    share = COVERAGE_95 * taken_u(change) / limit
    return next((word for word, most in COMPARABLE.items() if share <= most), WORST_COMPARABLE)


def taken_u(change: Quantity) -> float:
    """Give what turn and scale contribute to a change's standard uncertainty."""
    taken = [p for source, p in change.parts.items() if source.split(":")[0].split("-")[0] in TAKEN_SOURCES]
    return math.hypot(*taken)


def joint_estimate(row: MeasurementRow, comparison: Comparison, view: View) -> Quantity | None:
    """Estimate the change of a quantity from all landmarks of both films together.

    None where it rests on landmarks whose body is not followed (the wire), or on one body alone.
    """
    movement = comparison.movement
    names = [*row.landmarks, *(name for name in row.optional if name in movement.places)]
    if any(name not in movement.places or view.landmark[name].part == "wire" for name in names):
        return None
    at = [n for n, (body, which) in enumerate(movement.names) if which in MOTIONS]
    spread = movement.free.covariance[np.ix_(at, at)]
    root = np.linalg.cholesky(spread + 1e-12 * np.eye(len(at)))
    mean = movement.free.mean[at]
    values = change_by_motion(
        row, names, movement, view, mean + np.concatenate([np.zeros((1, len(at))), root.T, -root.T])
    )
    if not np.isfinite(values).all():
        return None
    plus, minus = np.split(values[1:], 2)
    parts = {f"joint:{comparison.pair_id}:{n}": float(p) for n, p in enumerate(0.5 * (plus - minus))}
    return Quantity(float(values[0]), row.unit, parts) if any(parts.values()) else None


def change_by_motion(
    row: MeasurementRow, names: list[str], movement: Movement, view: View, motions: Array
) -> Array:
    """Change (m,) of a quantity for m sets of all bodies' motions (m, 3 a body, as in `movement.names`)."""
    before = {name: movement.places[name][None] for name in names}
    after = {name: movement.moved(name, view, motions) for name in names}
    function = FUNCTIONS[row.function].function

    def value(points: Mapping[str, Array]) -> Array:
        optional = [points.get(name) for name in row.optional]
        return np.asarray(function(*(points[name] for name in row.landmarks), *optional))

    turn = value(after) - value(before)
    return -((180.0 - turn) % 360.0 - 180.0) if row.unit == "deg" else turn
