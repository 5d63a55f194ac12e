"""What moved between two films, and how differently the films were taken.

One linear model explains all landmarks of a later film by those of an earlier one. The film may lie
otherwise (place and turn in its plane), be enlarged otherwise, and the limb may be turned out of the
plane: tilt and rotation move whatever lies off the bone's plane by its depth times the turn. Beside
that, the proximal fragment and each pin may have moved. What cannot have changed (the distal fragment,
the pins' own length, the distance between the pins in depth) says which of these happened.

Each hypothesis (every pin still, backed out or loose; the fragment still or moved) is one such model with
Gaussian priors, so that its fit, its uncertainty and its probability have closed forms (Bayesian linear
regression; Gelman et al., Bayesian Data Analysis, chapter 14; model comparison by the marginal
likelihood, Kass & Raftery, J Am Stat Assoc 1995;90:773).
"""

from __future__ import annotations

import itertools
import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from functools import cached_property

import numpy as np

from measure.geometry import Points
from measure.sites import View
from measure.ties import (
    ARCS,
    MOBILE,
    PINS,
    REFERENCE,
    Array,
    Depths,
    Pin,
    Placed,
    Ties,
    body_of,
    frame_of,
    pins_of,
    ties_of,
    with_pins_exchanged,
)

# Of one film against another, about each axis: 4 degrees a film; common practice, no source.
TURN_U = math.radians(6.0)
# A turn by d between films that lie at a and b shortens lengths by d (a + b) / 2: of second order. a + b is
# as unknown as the turn is beforehand; derived.
SHORTENING = TURN_U / 2
Names = tuple[tuple[str, str], ...]
MOTIONS = ("along", "across", "swing")
STILL, BACKED_OUT, LOOSE, MOVED = "still", "backed out", "loose", "moved"
# How far a body goes where it has moved: mm along, mm across, radians. Mean pull-out 2.4 to 5.5 mm
# (JSES 2014, PMID 24875733); the others are common practice, no source.
BACK_OUT, BACK_OUT_U, SLIP_U, SWING_U = 3.0, 2.5, 1.5, math.radians(4.0)
FRAGMENT_U = (3.0, 2.0, math.radians(4.0))
# Where the slanting rays of the cone touch the outlines, off the bone's plane: the joint lies some 30 mm
# off the central ray of a 1 m beam, on a surface curved by about 1/40 mm; derived.
OUTLINES, OUTLINE_U = "outlines", 1.5
FOCUS_MM = 1000.0  # from the source to the bone; usual, common practice
SLIDE_U = 1.0  # mm: how far a crossing of pin and cortex goes where the pin goes sideways; derived
# That depths from the other view lie on the side they seem to: its pins may be exchanged, the beam reversed.
SIDE_KNOWN = 0.95  # our choice
CHANCE_EXCHANGED = 0.02  # that a reader calls pin 1 on one film what was pin 2 on the other; our choice
WIDE = 4.0  # times that where nothing is to be supposed
CHANCE_MOVED = 0.25  # of each body, before the films are seen; back-out in 8 of 44 (BESS, 87-B Supp II)
FILM = ("x", "y", "turn", "size", "foreshortening", "tilt", "rotation")
PARALLAX = ("depth x", "depth y", "depth swing")
FREE_MM, FREE_TURN = 100.0, 0.5  # how the film lies is not known beforehand
PASSES = 2  # the second knows the turn, and so how much an unknown depth matters


@dataclass(frozen=True)
class Hypothesis:
    """One way in which bodies moved: its probability, mean (p,) and covariance (p, p) of all parameters.

    `misfit` is the sum of squares of the data over their expected spread, chi-squared with as many degrees
    of freedom as there are ties where the hypothesis is true.
    """

    states: Mapping[str, str]
    probability: float
    mean: Array
    covariance: Array
    misfit: float


@dataclass(frozen=True)
class Movement:
    """All hypotheses about two films, each with its probability; `free` lets every body move.

    `names` are the parameters', as (body, which); turns in radians, lengths in mm. `places` are the earlier
    film's landmarks (n, 2) in its bone's frame. `evidence` is the log marginal likelihood of the later film
    over all hypotheses, up to a constant. `worst` is the landmark that fits least, where they cannot all be
    right whatever moved; else None.
    """

    names: tuple[tuple[str, str], ...]
    hypotheses: tuple[Hypothesis, ...]
    free: Hypothesis
    ties: Ties
    pins: tuple[Pin, ...]
    places: Mapping[str, Points]
    evidence: float
    worst: str | None = None

    def index(self, body: str, which: str) -> int:
        """Place of a parameter."""
        return self.names.index((body, which))

    def probability(self, body: str, *states: str) -> float:
        """Probability that a body is in one of these states."""
        return math.fsum(h.probability for h in self.hypotheses if h.states.get(body) in states)

    @property
    def all_still(self) -> float:
        """Probability that no body moved."""
        return math.fsum(h.probability for h in self.hypotheses if set(h.states.values()) == {STILL})

    @cached_property
    def mixed(self) -> tuple[Array, Array]:
        """Mean (p,) and covariance (p, p) over all hypotheses."""
        weights = np.array([h.probability for h in self.hypotheses])
        means = np.array([h.mean for h in self.hypotheses])
        return mixture(weights, means, np.array([h.covariance for h in self.hypotheses]))

    def value(self, body: str, which: str) -> tuple[float, float]:
        """Mean and standard uncertainty of one parameter over all hypotheses."""
        mean, covariance = self.mixed
        at = self.index(body, which)
        return float(mean[at]), float(np.sqrt(covariance[at, at]))

    def moved(self, name: str, view: View, motions: Array) -> Points:
        """Give a landmark's points (m or 1, n, 2) after m sets of all bodies' motions (m, 3 a body)."""
        body = body_of(name, view)
        bodies = [owner for owner, which in self.names if which == "along"]
        points = self.places[name]
        if body not in bodies:
            return points[None]  # broadcasts: what rests on it alone is worked out once
        middle, proximal = self._pivot(body)
        along, across, swing = (motions[:, 3 * bodies.index(body) + n, None, None] for n in range(3))
        aside = np.array([-proximal[1], proximal[0]])
        out = points - middle
        turned = out * np.cos(swing) + np.stack([-out[:, 1], out[:, 0]], axis=-1) * np.sin(swing)
        return np.asarray(middle + turned + along * proximal + across * aside)

    def _pivot(self, body: str) -> tuple[Array, Array]:
        """Give the place about which a body swings, and its unit vector proximally."""
        pin = next((pin for pin in self.pins if pin.name == body), None)
        if pin:
            return pin.middle, pin.proximal
        return self.ties.place[self.ties.of(body)].mean(axis=0), np.array([-1.0, 0.0])


def compare_places(
    earlier: Placed,
    later: Placed,
    view: View,
    *,
    size_u: float,
    depths: Depths | None = None,
) -> Movement | None:
    """Explain a later film's landmarks by an earlier film's.

    Parameters
    ----------
    earlier, later
        Landmarks in mm; those that both have are used as the view's table says.
    size_u
        Relative standard uncertainty of the two films' scales against each other.
    depths
        Each pin's depth off the bone's plane towards the source, and its uncertainty, mm, where the other
        view of a visit gives them (`ties.depths_of`); default the view's.

    None where the films share no bone axis, or too few landmarks of the distal fragment.
    """
    frame = frame_of(earlier, later, view)
    if frame is None:
        return None
    pins = tuple(pins_of(earlier, view, frame, {**view.depths, **(depths or {})}))
    ties = ties_of(earlier, later, view, frame, pins)
    if ties.of(REFERENCE).sum() < 5:  # as many as the film's own place, turn and size, and one to spare
        return None
    places = {name: frame.first(points) for name, points in earlier.points.items()}
    # Which pin is nearer to the source is not seen on one view: both sides are tried, and the films decide.
    sides = (
        {1.0: SIDE_KNOWN, -1.0: 1 - SIDE_KNOWN} if depths else {1.0: 0.5, -1.0: 0.5} if pins else {1.0: 1.0}
    )
    names, designs = _designs(ties, pins, view.arcs.apart_mm if view.arcs else 0.0, tuple(sides))
    side_chance = np.log(list(sides.values()))
    turn_rms = np.array([TURN_U, TURN_U])
    worst = None
    for known in range(PASSES):
        hypotheses, free, side, evidence = _weigh(ties, pins, names, designs, side_chance, size_u, turn_rms)
        if not known:  # a turn that was fitted to a wrong click would excuse it
            worst = _worst(ties, designs[side], free)
        movement = Movement(names, hypotheses, free, ties, pins, places, evidence, worst)
        mean, covariance = movement.mixed
        at = [movement.index("film", which) for which in ("tilt", "rotation")]
        turn_rms = np.sqrt(mean[at] ** 2 + np.diag(covariance)[at])
    return movement


def exchanged(
    movement: Movement,
    earlier: Placed,
    later: Placed,
    view: View,
    *,
    size_u: float,
    depths: Depths | None = None,
) -> bool:
    """Whether the films are better explained by the two pins exchanged on the later one.

    Tried only where both pins seem to have moved, since exchanging them moves both.
    """
    still = max((movement.probability(pin.name, STILL) for pin in movement.pins), default=1.0)
    if len(movement.pins) < len(PINS) or still > 0.5:
        return False
    other = compare_places(earlier, with_pins_exchanged(later), view, size_u=size_u, depths=depths)
    odds = math.log(CHANCE_EXCHANGED / (1 - CHANCE_EXCHANGED))
    return other is not None and other.evidence + odds > movement.evidence


def _worst(ties: Ties, design: Array, free: Hypothesis) -> str | None:
    """Name the landmark that fits least, where they cannot all be right whatever moved; else None."""
    count = len(ties.shift)
    # 99.9 % point of chi-squared (Wilson & Hilferty 1931)
    if free.misfit <= count * (1 - 2 / (9 * count) + 3.09 * math.sqrt(2 / (9 * count))) ** 3:
        return None
    slid = np.array([SLIDE_U if pin else 0.0 for pin in ties.slides])
    expected = np.sqrt(ties.u**2 + (ties.depth_u * TURN_U) ** 2 + slid**2)
    return ties.landmark[int(np.argmax(np.abs(ties.shift - design @ free.mean) / expected))]


def _weigh(
    ties: Ties,
    pins: tuple[Pin, ...],
    names: Names,
    designs: Sequence[Array],
    side_chance: Array,
    size_u: float,
    turn_rms: Array,
) -> tuple[tuple[Hypothesis, ...], Hypothesis, int, float]:
    """Fit every hypothesis, and the one in which every body is free and nothing is supposed of it.

    Also gives which design is the likeliest, and the evidence for all of it. `side_chance` is the logarithm
    of each design's probability beforehand;
    `turn_rms` (2,) says how far the limb was turned, for what depths that are not known may do.
    """
    bodies = [*([MOBILE] if ties.of(MOBILE).any() else []), *(pin.name for pin in pins)]
    choices = [(STILL, MOVED) if body == MOBILE else (STILL, BACKED_OUT, LOOSE) for body in bodies]
    states = [dict(zip(bodies, picked, strict=True)) for picked in itertools.product(*choices)]
    states.append(states[-1])  # all moved; once more, for the free one
    prior_u = np.array([[_prior_u(name, one, pins, size_u, turn_rms) for name in names] for one in states])
    prior = np.array([[_expected(name, one) for name in names] for one in states])
    prior_u[-1] *= [WIDE if which in MOTIONS else 1.0 for _, which in names]
    prior[-1] = 0.0
    slid = np.array([[one.get(pin) == LOOSE for pin in ties.slides] for one in states])
    noise = ties.u**2 + ties.depth_u**2 * (ties.direction**2 @ turn_rms**2) + SLIDE_U**2 * slid
    fits = [regress(design, ties.shift, noise, prior_u, prior) for design in designs]
    chance = np.array([fitted + [_log_chance(one, choices) for one in states] for *_, fitted, _ in fits])
    chance += side_chance[:, None]
    top = chance[:, :-1].max()
    weights = np.exp(chance[:, :-1] - top)
    evidence = float(top + np.log(weights.sum()))
    weights /= weights.sum()
    hypotheses = tuple(
        Hypothesis(*row)
        for (mean, covariance, _, misfit), chances in zip(fits, weights, strict=True)
        for row in zip(
            states[:-1], chances.tolist(), mean[:-1], covariance[:-1], misfit[:-1].tolist(), strict=True
        )
    )
    by_side = weights.sum(axis=1)
    free = _mixed(by_side, [[part[-1] for part in fit] for fit in fits], states[-1])
    return hypotheses, free, int(np.argmax(by_side)), evidence


def _mixed(weights: Array, fits: Sequence[Sequence[Array]], states: Mapping[str, str]) -> Hypothesis:
    """One hypothesis fitted with pin 1 on either side, each as probable as its weight says."""
    mean, covariance = mixture(weights, *(np.array([fit[part] for fit in fits]) for part in (0, 1)))
    misfit = min(float(fit[3]) for fit in fits)
    return Hypothesis(states, 0.0, mean, covariance, misfit)


def mixture(weights: Array, means: Array, covariances: Array) -> tuple[Array, Array]:
    """Mean (p,) and covariance (p, p) of Gaussians (h, p), (h, p, p) with weights (h,) of unit sum."""
    mean = weights @ means
    off = means - mean
    inside = np.tensordot(weights, covariances, axes=1)
    return mean, inside + (off * weights[:, None]).T @ off


def _expected(name: tuple[str, str], states: Mapping[str, str]) -> float:
    """How far a body is expected to have gone where it moved: pins back out, and hardly ever go in."""
    body, which = name
    return BACK_OUT if which == "along" and states.get(body) in (BACKED_OUT, LOOSE) else 0.0


def _log_chance(states: Mapping[str, str], choices: Sequence[tuple[str, ...]]) -> float:
    """Logarithm of a hypothesis's probability before the films are seen; all ways to move are alike."""
    each = [
        math.log(1 - CHANCE_MOVED if state == STILL else CHANCE_MOVED / (len(options) - 1))
        for state, options in zip(states.values(), choices, strict=True)
    ]
    return math.fsum(each)


def regress(
    design: Array, target: Array, noise: Array, prior_u: Array, prior: Array
) -> tuple[Array, Array, Array, Array]:
    """Linear models with Gaussian noise and priors, for h hypotheses at once.

    Parameters
    ----------
    design, target
        (k, p) and (k,), the same for all.
    noise
        (h, k): its variances.
    prior_u, prior
        (h, p): standard uncertainties and values of the parameters before; zero uncertainty holds one there.

    Returns
    -------
    Posterior mean (h, p), covariance (h, p, p), log marginal likelihood (h,) up to a constant, and misfit
    (h,).
    """
    pull = design * prior_u[:, None, :] ** 2  # (h, k, p): covariance of data and parameters
    spread = pull @ design.T + noise[:, :, None] * np.eye(len(target))
    rest = target - prior @ design.T
    whitened = np.linalg.solve(spread, np.concatenate([rest[..., None], pull], axis=-1))
    mean = prior + np.einsum("hkp,hk->hp", pull, whitened[..., 0])
    covariance = (
        prior_u[:, :, None] ** 2 * np.eye(prior_u.shape[1]) - np.swapaxes(pull, 1, 2) @ whitened[..., 1:]
    )
    misfit = np.sum(whitened[..., 0] * rest, axis=1)
    evidence = -0.5 * (misfit + np.linalg.slogdet(spread)[1])
    return mean, 0.5 * (covariance + np.swapaxes(covariance, 1, 2)), evidence, misfit


def _prior_u(
    name: tuple[str, str], states: Mapping[str, str], pins: tuple[Pin, ...], size_u: float, turn_rms: Array
) -> float:
    """Prior standard uncertainty of a parameter.

    Zero where the hypothesis says that the body did not do that.
    """
    body, which = name
    if body == "film":
        shortened = SHORTENING * float(turn_rms[0])
        return (FREE_MM, FREE_MM, FREE_TURN, size_u, shortened, TURN_U, TURN_U)[FILM.index(which)]
    if body == OUTLINES:
        return OUTLINE_U * float(turn_rms[PARALLAX.index(which)])
    if which in PARALLAX:
        pin = next(pin for pin in pins if pin.name == body)
        apart = (*(pin.depth_u * turn_rms), pin.lean * turn_rms[1])
        return float(dict(zip(PARALLAX, apart, strict=True))[which])
    moves = {
        (MOBILE, MOVED): dict(zip(MOTIONS, FRAGMENT_U, strict=True)),
        ("pin", BACKED_OUT): {"along": BACK_OUT_U},
        ("pin", LOOSE): {"along": BACK_OUT_U, "across": SLIP_U, "swing": SWING_U},
    }
    kind = MOBILE if body == MOBILE else "pin"
    return moves.get((kind, states[body]), {}).get(which, 0.0)


def _designs(
    ties: Ties, pins: tuple[Pin, ...], arcs_mm: float, sides: Sequence[float]
) -> tuple[Names, list[Array]]:
    """Names (p) of the parameters and what each does to every tie: (k, p) a side that pin 1 may be on."""
    out = ties.place - ties.place[ties.of(REFERENCE)].mean(axis=0)
    apart = ties.of(ARCS)
    depth = np.zeros(len(ties.shift))
    for pin in pins:
        depth[ties.of(pin.name)] = pin.depth
    x, y = ties.direction.T
    swing, grown = _swing(out, ties.direction), np.sum(out * ties.direction, axis=1)
    plane = (x, y, swing, grown, out[:, 0] * x)
    columns = {("film", which): column * ~apart for which, column in zip(FILM, plane, strict=False)}
    columns |= {("film", "tilt"): depth * x, ("film", "rotation"): depth * y}
    outline = (ties.depth_u > 0) & ~apart
    columns |= {(OUTLINES, PARALLAX[0]): x * outline, (OUTLINES, PARALLAX[1]): y * outline}
    if ties.of(MOBILE).any():
        columns |= _body(MOBILE, ties, ties.place[ties.of(MOBILE)].mean(axis=0), np.array([-1.0, 0.0]))
    for pin in pins:
        columns |= _body(pin.name, ties, pin.middle, pin.proximal)
        mine = ties.of(pin.name)
        unknown = (x * mine, y * mine, columns[pin.name, "swing"])
        columns |= {(pin.name, which): column for which, column in zip(PARALLAX, unknown, strict=True)}
    # What a turn brings nearer to the source is enlarged: a bone lying askew is seen as a keystone.
    askew = out * (-grown / FOCUS_MM * ~apart)[:, None] + arcs_mm * apart[:, None] * ties.direction
    designs = []
    for side in sides:
        turned = depth[:, None] * ties.direction + side * askew
        both = {("film", "tilt"): turned[:, 0], ("film", "rotation"): turned[:, 1]}
        designs.append(np.column_stack(list((columns | both).values())))
    return tuple(columns), designs


def _body(name: str, ties: Ties, middle: Array, proximal: Array) -> dict[tuple[str, str], Array]:
    """Give what a rigid body's movements do: along (positive proximally), across, swing about its middle."""
    mine = ties.of(name)
    across = np.array([-proximal[1], proximal[0]])
    return {
        (name, "along"): ties.direction @ proximal * mine,
        (name, "across"): ties.direction @ across * mine,
        (name, "swing"): _swing(ties.place - middle, ties.direction) * mine,
    }


def _swing(out: Array, direction: Array) -> Array:
    """How a unit turn (x to y) about the origin moves places (k, 2) along directions (k, 2)."""
    turned: Array = out[:, 0] * direction[:, 1] - out[:, 1] * direction[:, 0]
    return turned
