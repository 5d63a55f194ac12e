"""Agreement statistics against sources that are not ours.

* Shrout & Fleiss, Psychol Bull 1979;86:420, table 2 (4 judges, 6 targets) and the six ICCs of table 4.
* Bland & Altman, Lancet 1986;1:307, two peak flow meters: mean -2.1, SD 38.8, limits -79.7 and 75.5 (mean
  plus and minus 2 SD), and the intervals printed there (from memory): mean -22.0 to 17.8, limits -114.3 to
  -45.1 and 40.9 to 110.1.
* pingouin's data sets: "icc" (wine, real-statistics.com; values as its documentation prints them) and
  "blandaltman" (Giavarina, Biochem Med 2015;25:141: mean -27.17, limits -95.39 and 41.05).
* statsmodels' mixed model, started otherwise than ours and with films as fixed effects.
* scipy's chi-square interval of a variance (exact for the repeat component).
* Simulation: known variance components, SEM and ICC are covered by their intervals at the stated rate.
* Cohen, Psychol Bull 1968;70:213, weighted kappa .348 (unweighted .492); Agresti, Categorical Data
  Analysis, pathologists: kappa .493, squared weights .784 (from memory); scikit-learn's cohen_kappa_score.
* Bonett, Stat Med 2002;21:1331: the width of pingouin's interval at the number of films that he gives.
"""

from __future__ import annotations

import numpy as np
import pandas
import pingouin
import pytest
import statsmodels.formula.api as formulas
from numpy.typing import NDArray
from scipy import stats
from sklearn.metrics import cohen_kappa_score

from measure.agreement import (
    BETWEEN,
    BOTH,
    FILM,
    READER,
    REPEAT,
    SERIAL,
    WITHIN,
    Components,
    Ratings,
    components,
    grades_agreement,
    icc_forms,
    limits,
    weighted_kappa,
)
from measure.sample_size import films_for_icc, films_for_limits

Array = NDArray[np.float64]

JUDGES = np.array(
    [[9, 2, 5, 8], [6, 1, 3, 2], [8, 4, 6, 8], [7, 1, 2, 6], [10, 5, 6, 9], [6, 2, 4, 7]], dtype=float
)
FLOW = np.array([
    [494, 512], [395, 430], [516, 520], [434, 428], [476, 500], [557, 600], [413, 364], [442, 380],
    [650, 658], [433, 445], [417, 432], [656, 626], [267, 260], [478, 477], [178, 259], [423, 350],
    [427, 451],
], dtype=float)  # fmt: skip
PUT_IN = {FILM: 4.0, READER: 0.25, BOTH: 0.09, REPEAT: 0.16}


def simulated(rng: np.random.Generator, films: int, readers: int, repeats: int) -> Ratings:
    """Make readings with the variances of PUT_IN."""
    shape = films, readers, repeats
    sizes = {
        FILM: (films, 1, 1),
        READER: (1, readers, 1),
        BOTH: (films, readers, 1),
        REPEAT: shape,
    }
    values = np.zeros(shape)
    for name, size in sizes.items():
        values += rng.normal(0, PUT_IN[name] ** 0.5, size)
    return Ratings(values, tuple(map(str, range(films))), tuple(map(str, range(readers))))


# --- ICC ---


def test_shrout_and_fleiss() -> None:
    """The six forms of their example, in their order."""
    found = icc_forms(JUDGES)
    published = {
        "ICC(1,1)": 0.17,
        "ICC(A,1)": 0.29,
        "ICC(C,1)": 0.71,
        "ICC(1,k)": 0.44,
        "ICC(A,k)": 0.62,
        "ICC(C,k)": 0.91,
    }
    assert {name: round(one.value, 2) for name, one in found.items()} == published
    changed = JUDGES.copy()
    changed[0, 0] = 2  # one judge misread
    assert {name: round(one.value, 2) for name, one in icc_forms(changed).items()} != published


def test_wine_of_pingouin() -> None:
    """Its documented ICC and interval, unrounded by us, and the option that rounds is put back."""
    data = pingouin.read_dataset("icc").pivot(index="Wine", columns="Judge", values="Scores")
    kept = pingouin.options["round.column.CI95"]
    found = icc_forms(data.to_numpy(float))["ICC(A,1)"]
    assert (round(found.value, 3), round(found.low, 2), round(found.high, 2)) == (0.728, 0.43, 0.93)
    assert found.low != round(found.low, 2)
    assert pingouin.options["round.column.CI95"] == kept


def test_icc_from_the_components() -> None:
    """ICC(A,1) is the film's share of all variances (McGraw & Wong 1996, case 2A)."""
    found = components(Ratings(JUDGES[:, :, None], tuple("abcdef"), tuple("ABCD")))
    assert found is not None
    share = found.variances[FILM].value / sum(part.value for part in found.variances.values())
    assert share == pytest.approx(icc_forms(JUDGES)["ICC(A,1)"].value, abs=1e-9)


# --- Limits of agreement ---


def test_bland_and_altman_1986() -> None:
    """Mean, SD and limits as printed (their factor is 2, ours 1.96), and the intervals within 2 l/min."""
    found = limits(*FLOW.T)
    assert found is not None
    assert found.bias.value == pytest.approx(-2.1, abs=0.05)
    assert found.sd == pytest.approx(38.8, abs=0.05)
    assert found.bias.value + 2 * np.array([-1, 1]) * found.sd == pytest.approx([-79.7, 75.5], abs=0.15)
    assert (found.bias.low, found.bias.high) == pytest.approx((-22.0, 17.8), abs=0.1)
    # Their standard error is sqrt(3/n) SD; the one of 1999 has z²/(2(n-1)) for 2/n, half a per cent more.
    assert found.lower.high - found.lower.low == pytest.approx(-45.1 + 114.3, rel=0.015)
    assert found.upper.high - found.upper.low == pytest.approx(110.1 - 40.9, rel=0.015)


def test_giavarina_2015() -> None:
    """The data set of two methods that pingouin carries."""
    data = pingouin.read_dataset("blandaltman")
    found = limits(data.A.to_numpy(float), data.B.to_numpy(float))
    assert found is not None
    values = [found.bias.value, found.lower.value, found.upper.value]
    assert values == pytest.approx([-27.17, -95.39, 41.05], abs=0.01)
    swapped = limits(data.B.to_numpy(float), data.A.to_numpy(float))
    assert swapped is not None
    assert swapped.bias.value == pytest.approx(27.17, abs=0.01)  # the sign is that of first less second


# --- Variance components ---


def reml(ratings: Ratings) -> dict[str, float]:
    """Variances of reader, film by reader and repeat by statsmodels, films as fixed effects."""
    film, reader, repeat = np.nonzero(np.isfinite(ratings.values))
    data = pandas.DataFrame({"f": film, "r": reader, "y": ratings.values[film, reader, repeat], "all": 1})
    parts = {READER: "0 + C(r)", BOTH: "0 + C(f):C(r)"}
    model = formulas.mixedlm("y ~ C(f)", data, groups="all", vc_formula=parts)
    fit = model.fit(reml=True)
    return dict(zip(model.exog_vc.names, fit.vcomp, strict=True)) | {REPEAT: fit.scale}


@pytest.mark.parametrize("share_missing", [0.0, 0.1])
@pytest.mark.filterwarnings("ignore::statsmodels.tools.sm_exceptions.ConvergenceWarning")
def test_components_against_statsmodels(share_missing: float) -> None:
    """Whole tables by mean squares, others by our REML, agree with the mixed model of fixed films."""
    rng = np.random.default_rng(11)
    whole = simulated(rng, 20, 4, 2)
    values = np.where(rng.random(whole.values.shape) < share_missing, np.nan, whole.values)
    ratings = Ratings(100 * (np.arange(20) + 1.0)[:, None, None] + values, whole.films, whole.readers)
    found = components(ratings)  # films differ a thousand times more than readings: where REML may go astray
    assert found is not None
    for name, variance in reml(ratings).items():
        assert found.variances[name].value == pytest.approx(variance, abs=0.012), name
    assert ("REML" in found.method) == bool(share_missing)


def test_repeat_interval_against_chi_square() -> None:
    """The interval of the repeat variance is the exact one, to what 20,000 draws can tell."""
    ratings = simulated(np.random.default_rng(2), 15, 3, 2)
    found = components(ratings)
    assert found is not None
    freedom = 15 * 3
    ends = freedom * found.variances[REPEAT].value / stats.chi2.ppf([0.975, 0.025], freedom)
    assert (found.variances[REPEAT].low, found.variances[REPEAT].high) == pytest.approx(
        tuple(ends), rel=0.015
    )


def coverage(found: list[Components], truth: dict[str, float], factor: float = 1.0) -> dict[str, float]:
    """Share of intervals that hold the true variance or SEM times a factor."""
    held: dict[str, list[bool]] = {name: [] for name in truth}
    for one in found:
        for name, value in truth.items():
            held[name].append((one.sem if name in one.sem else one.variances)[name].holds(factor * value))
    return {name: float(np.mean(each)) for name, each in held.items()}


def test_simulated_components_are_covered() -> None:
    """95 % intervals hold what was put in, in 90 to 99.5 % of 200 studies (three standard errors)."""
    rng = np.random.default_rng(7)
    found = [one for _ in range(200) if (one := components(simulated(rng, 16, 4, 2)))]
    within = PUT_IN[REPEAT]
    truth = PUT_IN | {
        BETWEEN: (PUT_IN[READER] + PUT_IN[BOTH] + within) ** 0.5,
        SERIAL: (PUT_IN[BOTH] + within) ** 0.5,
        WITHIN: within**0.5,
    }
    for name, share in coverage(found, truth).items():
        assert 0.90 <= share <= 0.995, f"{name}: {share}"
    wrong = coverage(found, {SERIAL: truth[SERIAL]}, factor=1.3)  # the check sees a wrong answer
    assert wrong[SERIAL] < 0.5


def test_simulated_icc_is_covered() -> None:
    """The interval of ICC(A,1) holds the true share in 88 % or more of 80 studies, read once."""
    rng = np.random.default_rng(8)
    truth = PUT_IN[FILM] / sum(PUT_IN.values())
    found = [icc_forms(simulated(rng, 16, 4, 1).values[:, :, 0])["ICC(A,1)"] for _ in range(80)]
    assert np.mean([one.holds(truth) for one in found]) >= 0.88
    assert np.mean([one.holds(truth - 0.3) for one in found]) < 0.5


def test_detectable_change() -> None:
    """2.77 times the SEM (common practice; 1.96 √2)."""
    found = components(simulated(np.random.default_rng(3), 10, 3, 2))
    assert found is not None
    for whose, sem in found.sem.items():
        assert found.detectable[whose].value == pytest.approx(2.77 * sem.value, rel=1e-3)


# --- Grades ---


def test_cohen_1968() -> None:
    """Weighted kappa of his table with his weights, .348, and without, .492."""
    table = 200 * np.array([[0.44, 0.07, 0.09], [0.05, 0.20, 0.05], [0.01, 0.03, 0.06]])
    assert weighted_kappa(table, np.array([[0, 1, 3], [1, 0, 6], [3, 6, 0.0]])).value == pytest.approx(
        0.348, abs=5e-4
    )
    assert weighted_kappa(table, "none").value == pytest.approx(0.492, abs=5e-4)


def test_agresti_pathologists() -> None:
    """Two pathologists, four grades: .493 without weights, .784 with squared ones."""
    table = np.array([[22, 2, 2, 0], [5, 7, 14, 0], [0, 2, 36, 0], [0, 1, 17, 10.0]])
    assert weighted_kappa(table, "none").value == pytest.approx(0.493, abs=5e-4)
    assert weighted_kappa(table, "quadratic").value == pytest.approx(0.784, abs=5e-4)
    assert weighted_kappa(table.T[::-1], "quadratic").value != pytest.approx(0.784, abs=0.01)


@pytest.mark.parametrize("weights", ["none", "linear", "quadratic"])
def test_grades_against_scikit_learn(weights: str) -> None:
    """Kappa of three readers' pairs, and the share of equal grades."""
    rng = np.random.default_rng(4)
    true = rng.integers(0, 4, 60)
    coded = np.clip(true[:, None] + rng.integers(-1, 2, (60, 3)), 0, 3)
    words = ("none", "mild", "moderate", "severe")
    grades = [[words[place] for place in row] for row in coded]
    found = grades_agreement(grades, ("A", "B", "C"), words, weights)
    for one, (a, b) in zip(found, [(0, 1), (0, 2), (1, 2)], strict=True):
        expected = cohen_kappa_score(coded[:, a], coded[:, b], weights=None if weights == "none" else weights)
        assert one.kappa is not None
        assert one.kappa.value == pytest.approx(expected, abs=1e-12)
        assert one.kappa.low < expected < one.kappa.high
        assert one.same == pytest.approx(np.mean(coded[:, a] == coded[:, b]))


# --- Sample size ---


@pytest.mark.parametrize(("icc", "readers", "width"), [(0.8, 2, 0.2), (0.8, 3, 0.2), (0.6, 4, 0.3)])
def test_bonett_2002(icc: float, readers: int, width: float) -> None:
    """With as many films as he gives, pingouin's interval has the wanted width on average, to 10 %."""
    films = films_for_icc(icc, readers, width)

    def mean_width(films: int) -> float:
        rng = np.random.default_rng(5)
        scatter = (1 / icc - 1) ** 0.5
        widths = []
        for _ in range(40):
            values = rng.normal(0, 1, (films, 1)) + rng.normal(0, scatter, (films, readers))
            found = icc_forms(values)["ICC(1,1)"]
            widths.append(found.high - found.low)
        return float(np.mean(widths))

    assert mean_width(films) == pytest.approx(width, rel=0.1)
    assert mean_width(films // 2) > 1.2 * width  # half as many films would not do


def test_limits_at_a_hundred_films() -> None:
    """Bland's rule of thumb (from memory): 100 subjects give ± 0.34 SD, 200 give ± 0.24 SD."""
    assert (films_for_limits(0.34), films_for_limits(0.24)) == (100, 201)
