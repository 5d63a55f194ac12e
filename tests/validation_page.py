"""The page that `make validate` writes: tables and figure of what came out for the phantom pairs."""

from __future__ import annotations

import itertools
from collections.abc import Callable, Sequence
from pathlib import Path

import numpy as np
from scipy.stats import binomtest

from measure.comparability import BACK_OUT, DIFFER, FRAGMENT_MOVED, MOVEMENTS, NOTHING, PIN_MOVED, UNDECIDED
from measure.quantity import COVERAGE_95
from measure.scale import USUAL_MAGNIFICATION
from validation import CLASSES, EVENTS, QUANTITIES, UNSEEN, Outcome

FIGURE = "rates.png"
FEWEST = 30  # values for a row of the error table
# The findings that are right, what the naive way should alarm for, the quantity and how large it is.
ASKED = {
    "back-out": ({BACK_OUT, PIN_MOVED}, "pin", "back_out", 2.0),
    "gap": ({FRAGMENT_MOVED}, "fragment", "articular_gap", 2.0),
    "step": ({FRAGMENT_MOVED}, "fragment", "articular_step", 1.5),
    "pin turned": ({BACK_OUT, PIN_MOVED}, "pin", "pin_angle", 5.0),
}
IN_AP = {"articular_gap": "ulnar_gap"}
AIM, ALARM_AIM, COVERED = 0.9, 0.02, (0.93, 0.97)
ENOUGH = 4.0  # standard uncertainties that a change takes to be told nine times in ten; see the page
FEW_U, CAREFUL = "▽", "◇"  # marks of a missed aim, by its reason
MAIN = ("back_out", "articular_gap", "articular_step")
Test = Callable[[Outcome], bool]


def named(outcome: Outcome) -> set[str]:
    """Bodies that the verdict says moved."""
    return {body for finding, body in outcome.verdict if finding in MOVEMENTS}


def kind_right(outcome: Outcome) -> bool:
    """Whether the verdict says what kind of thing happened; or, where nothing did, that nothing changed."""
    asked = ASKED[outcome.event][0] if outcome.event in ASKED else {NOTHING}
    return any(finding in asked for finding, _ in outcome.verdict)


def body_right(outcome: Outcome) -> bool:
    """Whether it names the very bodies that moved, and no other."""
    return kind_right(outcome) and named(outcome) == outcome.moved


def body_wrong(outcome: Outcome) -> bool:
    """Whether it names a body that did not move."""
    return bool(named(outcome) - outcome.moved)


def said(*findings: str) -> Test:
    """Whether the verdict is one of these."""
    return lambda outcome: any(finding in findings for finding, _ in outcome.verdict)


def naive_right(outcome: Outcome) -> bool:
    """Whether the naive way alarms where it should, and not where nothing changed."""
    return ASKED[outcome.event][1] in outcome.naive if outcome.event in ASKED else not outcome.naive


def naive_wrong(outcome: Outcome) -> bool:
    """Whether the naive way alarms for the wrong kind of body."""
    return bool(outcome.naive - ({ASKED[outcome.event][1]} if outcome.event in ASKED else set()))


def share(outcomes: Sequence[Outcome], test: Test) -> float:
    """Share of outcomes that pass a test."""
    return sum(map(test, outcomes)) / max(1, len(outcomes))


def of(outcomes: Sequence[Outcome], name: str, event: str) -> list[Outcome]:
    """Outcomes of one class of films (or of all) and one event."""
    return [o for o in outcomes if name in (o.films, "all") and o.event == event]


def cells() -> list[tuple[str, str]]:
    """Every class of films with every event that its view shows."""
    return [cell for cell in itertools.product(CLASSES, EVENTS) if cell not in UNSEEN]


def errors_of(outcomes: Sequence[Outcome], name: str, quantity: str) -> np.ndarray:
    """Raw error, its u, joint error, its u: (n, 4), of one class of films (or of all)."""
    rows = [e[1:] for o in outcomes if name in (o.films, "all") for e in o.errors if e[0] == quantity]
    return np.array(rows).reshape(-1, 4)


def table(columns: str, rows: Sequence[Sequence[str]], words: int = 1) -> str:
    """Lay out a Markdown table: column names parted by "|", the first `words` columns to the left."""
    count = columns.count("|") + 1
    rule = "|" + "---|" * words + "--:|" * (count - words)
    return "\n".join([f"| {columns} |", rule, *(f"| {' | '.join(row)} |" for row in rows)])


def percent(rate: float) -> str:
    """Write a rate in per cent."""
    return f"{100 * rate:.1f} %"


def alarm_table(outcomes: Sequence[Outcome]) -> str:
    """Count false alarms where nothing changed, with each rate's 95 % interval (Clopper & Pearson 1934)."""
    tests: tuple[Test, ...] = (lambda o: bool(named(o)), lambda o: bool(o.flagged), lambda o: bool(o.naive))
    rows = []
    for name in [*CLASSES, "all"]:
        mine = of(outcomes, name, "nothing")
        rows.append([name, str(len(mine)), *(_rate(sum(map(test, mine)), len(mine)) for test in tests)])
    return table("Films|Pairs|Verdict|Limits (beyond)|Naive", rows)


def _rate(found: int, count: int) -> str:
    interval = binomtest(found, count).proportion_ci()
    return f"{100 * found / count:.1f} % ({100 * interval.low:.1f} to {100 * interval.high:.1f})"


def rate_table(outcomes: Sequence[Outcome]) -> str:
    """Verdicts by class of films and event."""
    tests = (
        kind_right, body_right, body_wrong, said(NOTHING), said(UNDECIDED, DIFFER), naive_right, naive_wrong
    )  # fmt: skip
    rows = []
    for name, event in cells():
        mine = of(outcomes, name, event)
        rows.append([name, EVENTS[event], str(len(mine)), *(percent(share(mine, test)) for test in tests)])
    return table(
        "Films|Truth|Pairs|Verdict right|Body right|Wrong body named|Said: nothing changed"
        "|Cannot tell, or films differ|Naive: right|Naive: wrong alarm", rows, words=2,
    )  # fmt: skip


def times_u(outcomes: Sequence[Outcome], name: str, event: str) -> float:
    """How many standard uncertainties of the surer estimate an event is large."""
    *_, quantity, size = ASKED[event]
    if CLASSES[name].view == "ap":
        quantity = IN_AP.get(quantity, quantity)
    rows = errors_of(outcomes, name, quantity)
    return float(size / np.nanmean(np.fmin(rows[:, 1], rows[:, 3])))


def detection_table(outcomes: Sequence[Outcome]) -> str:
    """Share of pairs in which what moved is named, and how many of its own u the change is large."""
    rows = []
    for name in CLASSES:
        row = [name]
        for event in ASKED:
            if (name, event) in UNSEEN:
                row.append("not seen")
                continue
            rate, times = share(of(outcomes, name, event), kind_right), times_u(outcomes, name, event)
            why = "" if rate >= AIM else f" {FEW_U if times < ENOUGH else CAREFUL}"
            row.append(f"{100 * rate:.0f} % ({times:.1f} u){why}")
        rows.append(row)
    return table("Films|" + "|".join(EVENTS[event] for event in ASKED), rows)


def missed(outcomes: Sequence[Outcome]) -> str:
    """Name every aim that is missed."""
    lines = []
    for event in ASKED:
        low = [
            f"{name} {100 * rate:.0f} %"
            for name in CLASSES
            if (name, event) not in UNSEEN and (rate := share(of(outcomes, name, event), kind_right)) < AIM
        ]
        lines += [f"- Detection of {EVENTS[event]}, aim 90 %: {', '.join(low)}."] if low else []
    alarms = [
        f"{name} {100 * rate:.1f} %"
        for name in CLASSES
        if (rate := share(of(outcomes, name, "nothing"), lambda o: bool(named(o)))) > ALARM_AIM
    ]
    lines += [f"- False alarms, aim at most 2 %: {', '.join(alarms)}."] if alarms else []
    for column, word in ((0, "raw"), (2, "joint")):
        for low, words in ((True, "under 93 % (intervals too narrow)"), (False, "over 97 % (too wide)")):
            off = _badly_covered(outcomes, column, low=low)
            lines += [f"- Coverage of the {word} values, {words}: {', '.join(off)}."] if off else []
    return "\n".join(lines) or "None."


def _badly_covered(outcomes: Sequence[Outcome], column: int, *, low: bool) -> list[str]:
    """Name quantities and classes whose coverage is off the aim by more than chance (95 % interval)."""
    found = []
    for quantity, name in itertools.product(QUANTITIES, CLASSES):
        rows = errors_of(outcomes, name, quantity)[:, column : column + 2]
        rows = rows[np.isfinite(rows[:, 0])]
        if len(rows) >= FEWEST:
            inside = int(np.sum(np.abs(rows[:, 0]) <= COVERAGE_95 * rows[:, 1]))
            ends = binomtest(inside, len(rows)).proportion_ci()
            if ends.high < COVERED[0] if low else ends.low > COVERED[1]:
                found.append(f"{quantity.replace('_', ' ')} {name} {100 * inside / len(rows):.0f} %")
    return found


def error_table(outcomes: Sequence[Outcome], quantities: Sequence[str], names: Sequence[str]) -> str:
    """Bias, RMS and coverage of the raw change and of the joint estimate."""
    rows = []
    for quantity, name in itertools.product(quantities, names):
        found = errors_of(outcomes, name, quantity)
        if len(found) < FEWEST:
            continue
        row = [quantity.replace("_", " "), name]
        for error, u in (found[:, :2].T, found[:, 2:].T):
            row += _figures(error[np.isfinite(error)], u[np.isfinite(error)])
        rows.append(row)
    columns = "Change of|Films|Raw: n|bias|RMS|Mean u|Coverage|Joint: n|bias|RMS|Mean u|Coverage"
    return table(columns, rows, words=2)


def _figures(error: np.ndarray, u: np.ndarray) -> list[str]:
    """How many, bias, RMS, mean u and coverage; dashes where there are too few."""
    if len(error) < FEWEST:
        return [str(len(error)), *["–"] * 4]
    inside = np.abs(error) <= COVERAGE_95 * u
    rms = np.sqrt(np.mean(error**2))
    return [str(len(error)), f"{error.mean():+.2f}", f"{rms:.2f}", f"{u.mean():.2f}", percent(inside.mean())]


def figure(outcomes: Sequence[Outcome], path: Path) -> None:
    """Draw detection, false alarms and errors by class of films."""
    import matplotlib as mpl

    mpl.use("Agg")
    import matplotlib.pyplot as plt

    canvas, (rates, errors) = plt.subplots(2, 1, figsize=(9, 8.5), layout="constrained")
    places = np.arange(len(CLASSES))
    for (event, _), colour in zip(ASKED.items(), ("C0", "C1", "C2", "C3"), strict=True):
        mine = [[] if (name, event) in UNSEEN else of(outcomes, name, event) for name in CLASSES]
        for test, style in ((kind_right, "o-"), (naive_right, "x:")):
            shares = [100 * share(each, test) if each else np.nan for each in mine]
            rates.plot(places, shares, style, color=colour, label=EVENTS[event] if style == "o-" else None)
    still = [of(outcomes, name, "nothing") for name in CLASSES]
    rates.plot(
        places, [100 * share(each, lambda o: bool(named(o))) for each in still], "ks-", label="false alarms"
    )
    rates.plot(places, [100 * share(each, lambda o: bool(o.naive)) for each in still], "kx:")
    rates.axhline(100 * AIM, color="0.7", linewidth=0.8, zorder=0)
    rates.set(ylabel="% of pairs", ylim=(-3, 103))
    rates.set_title("Named by the verdict (full), by the naive way (dotted); grey: the aim")
    for quantity, colour in zip(MAIN, ("C0", "C1", "C2"), strict=True):
        for column, style in ((0, "o:"), (2, "o-")):
            rms = [_rms(errors_of(outcomes, name, quantity)[:, column]) for name in CLASSES]
            label = quantity.replace("_", " ") if column else None
            errors.plot(places, rms, style, color=colour, label=label)
    errors.set(ylabel="RMS error, mm", ylim=(0, None))
    errors.set_title("Error of the joint estimate (full), of the raw change (dotted)")
    for plot in (rates, errors):
        plot.set(xticks=places, xticklabels=list(CLASSES), xlabel="films")
        plot.legend(fontsize=8, loc="center left", bbox_to_anchor=(1.0, 0.5))
    canvas.savefig(path, dpi=110)
    plt.close(canvas)


def _rms(errors: np.ndarray) -> float:
    known = errors[np.isfinite(errors)]
    return float(np.sqrt(np.mean(known**2))) if len(known) else np.nan


def page(outcomes: Sequence[Outcome], seed: int) -> str:
    """Write the Markdown page."""
    classes = "\n".join(
        f"- **{name}**: {films.title}; {films.reader_mm:g} mm" for name, films in CLASSES.items()
    )
    return f"""# How far a comparison of two films can be trusted

Written by `make validate` ({len(outcomes)} phantom pairs, seed {seed}); do not edit. Every pair is two films
of one invented elbow with known truth (`measure.phantom`), read with noise and put through the whole
comparison. The priors and thresholds of the verdict were set on pairs of other seeds.

**This is the best case.** The noise is Gaussian, the program is told how large it is, and but for class R
no reader has habits. Real readers have coarse errors, habits and bad days; how large their noise is has to be
guessed or measured.

Films, from good to bad. The limb lies within about 4° of a true view on the earlier film, and is turned
against it by so much, in a random direction, on the later one. The last number is the reader's noise, each
coordinate (standard deviation; one reader on a phantom film: 0.35 mm, from Fowler 2011; what Kreder 1996
found on healed films is nearer to 0.6).

{classes}

Naive, on the same clicks: one usual magnification ({USUAL_MAGNIFICATION:.2f}) for every film, a ruler, fixed
thresholds (prominence, or on AP films tip to hole, 2 mm; gap 2 mm; step 1.5 mm; pin angle 5°). At the
threshold itself a ruler is right half of the time, whatever it does.

![Rates and errors]({FIGURE})

## Aims that are missed

{missed(outcomes)}

Coverage is named only where it is off by more than chance. Intervals come out too wide on like films (A, B):
nobody tells the program that they are alike, so it allows for a turn of some 6° about each axis.

## How often what moved is named

In brackets: the change over its own standard uncertainty u. With false alarms of at most 2 % over all that
may move, a change can be told nine times in ten where it is about {ENOUGH:g} u.

- {FEW_U} missed, and less than that: the films do not allow it; only better films or a second reading help.
- {CAREFUL} missed, though the films would allow it: the verdict weighs several ways to move against each
  other, and prefers "cannot tell".

{detection_table(outcomes)}

## False alarms where nothing changed

Pairs for which the verdict names a body that moved, a change is beyond its limit, or the naive way alarms;
with the rate's 95 % interval. Aim: at most 2 %.

{alarm_table(outcomes)}

## What the verdict says

Verdict right: it names what kind of thing happened (a pin, the fragment), or says that nothing changed. Body
right: it names that very pin, and nothing that did not move.

{rate_table(outcomes)}

## Errors of the changes

Raw: later value less earlier. Joint: from all landmarks of both films together, where that is the surer.
Bias, RMS and mean standard uncertainty in mm (angles: degrees); coverage of the 95 % interval,
aim 93 to 97 %.

{error_table(outcomes, QUANTITIES, ["all"])}

<details><summary>By class of films</summary>

{error_table(outcomes, QUANTITIES, list(CLASSES))}

</details>
"""
