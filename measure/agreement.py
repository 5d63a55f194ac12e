"""How far readers agree: reliability, error of a reading, smallest detectable change, limits of agreement.

Tables of readings in, frozen results out; nothing here knows a film. One quantity is an array (films,
readers, repeats), not a number where a reading is missing. ICC is pingouin's, the mixed model and kappa are
statsmodels'. Every result says what it rests on; what cannot be had is None, and `notes` say why.
"""

from __future__ import annotations

import itertools
import warnings
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
from numpy.typing import NDArray
from scipy import stats

from measure.quantity import COVERAGE_95

Array = NDArray[np.float64]

DETECTABLE = float(COVERAGE_95 * np.sqrt(2))  # times the SEM: a change of two readings (de Vet 2006)
DRAWS, SEED = (
    20_000,
    19790301,
)  # of the mean squares; fixed, so that the same readings give the same intervals
FILM, READER, BOTH, REPEAT = "film", "reader", "film by reader", "repeat"
# Whose two readings: any two readers'; one reader's of two films; one reader's of one film twice.
BETWEEN, SERIAL, WITHIN = "any reader", "one reader, film after film", "one reader, one film twice"
IDENTICAL = 1e-12  # differences this small against the values themselves are rounding

INTER_MODEL = ("ICC(A,1)", "two-way random effects", "single reading", "absolute agreement")
INTRA_MODEL = ("ICC(A,1)", "two-way mixed effects", "single reading", "absolute agreement")


@dataclass(frozen=True)
class Ratings:
    """One quantity as it was read: `values` (films, readers, repeats), nan where a reading is missing."""

    values: Array
    films: tuple[str, ...]
    readers: tuple[str, ...]

    def __post_init__(self) -> None:
        values = np.array(self.values, dtype=np.float64)
        if values.ndim != 3 or values.shape[:2] != (len(self.films), len(self.readers)):
            raise ValueError(
                f"Ratings need an array (films, readers, repeats); received {values.shape} for "
                f"{len(self.films)} films and {len(self.readers)} readers."
            )
        values.flags.writeable = False
        object.__setattr__(self, "values", values)

    @property
    def complete(self) -> Array:
        """Films that every reader read every time, (n, readers, repeats)."""
        return self.values[np.isfinite(self.values).all(axis=(1, 2))]

    def part(self, readers: Sequence[str]) -> Ratings:
        """Return some readers' readings."""
        return Ratings(
            self.values[:, [self.readers.index(name) for name in readers]], self.films, tuple(readers)
        )


@dataclass(frozen=True)
class Estimate:
    """A number with its 95 % confidence interval; an end that is not known is nan."""

    value: float
    low: float = float("nan")
    high: float = float("nan")

    def holds(self, number: float) -> bool:
        """Whether the interval covers a number."""
        return self.low <= number <= self.high


@dataclass(frozen=True)
class Reliability:
    """An intraclass correlation: which one (McGraw & Wong 1996), of whom, from how many films."""

    form: str
    model: str
    type: str
    definition: str
    readers: tuple[str, ...]
    films: int
    icc: Estimate


@dataclass(frozen=True)
class Components:
    """What the readings vary by: variances by name (FILM, READER, BOTH, REPEAT), in squared units.

    `sem` is the standard error of measurement by whose readings are meant: BETWEEN, SERIAL or WITHIN.
    `method` says how it was estimated, `films` on how many films the intervals rest.
    """

    variances: dict[str, Estimate]
    sem: dict[str, Estimate]
    films: int
    method: str

    @property
    def detectable(self) -> dict[str, Estimate]:
        """Smallest change of two readings that is real, 95 %, by whose readings are meant."""
        return {whose: _times(DETECTABLE, sem) for whose, sem in self.sem.items()}


@dataclass(frozen=True)
class Limits:
    """Limits of agreement of two series on the same films: `first` less `second`.

    95 % of the differences are expected between `lower` and `upper`. Bland & Altman 1999
    (10.1177/096228029900800204), 2.
    """

    first: str
    second: str
    bias: Estimate
    lower: Estimate
    upper: Estimate
    sd: float
    films: int


@dataclass(frozen=True)
class ReaderBias:
    """How far one reader lies from the mean of all readers, over the films that all of them read."""

    reader: str
    bias: Estimate
    films: int

    @property
    def systematic(self) -> bool:
        """Whether the interval leaves zero out."""
        return not self.bias.holds(0.0) and bool(np.isfinite(self.bias.low))


@dataclass(frozen=True)
class Agreement:
    """All that one quantity's readings say of how far readers agree."""

    inter: Reliability | None
    intra: tuple[Reliability, ...]
    components: Components | None
    readers: tuple[ReaderBias, ...]
    pairs: tuple[Limits, ...]
    notes: tuple[str, ...]


def agreement(ratings: Ratings) -> Agreement:
    """Work out everything that these readings allow; `notes` say in words what they do not.

    Readings that never differ tell of no error, not of one of zero: nothing is given of it.
    """
    untold = _untold(ratings)
    if BETWEEN in untold:
        return Agreement(inter_reader(ratings), _intra(ratings), None, (), (), tuple(_notes(ratings)))
    pairs = itertools.combinations(range(len(ratings.readers)), 2)
    first = ratings.values[:, :, 0]
    found = (limits(first[:, a], first[:, b], ratings.readers[a], ratings.readers[b]) for a, b in pairs)
    return Agreement(
        inter=inter_reader(ratings),
        intra=_intra(ratings),
        components=_without(components(ratings), untold),
        readers=reader_biases(ratings),
        pairs=tuple(pair for pair in found if pair),
        notes=tuple(_notes(ratings)),
    )


def _intra(ratings: Ratings) -> tuple[Reliability, ...]:
    return tuple(icc for name in ratings.readers if (icc := intra_reader(ratings, name)))


def _untold(ratings: Ratings) -> tuple[str, ...]:
    """Whose error the readings say nothing of, since those that would show it never differ."""
    if not _differ(ratings.values, (1, 2)):
        return BETWEEN, SERIAL, WITHIN
    return () if _differ(ratings.values, (2,)) else (WITHIN,)


def _differ(values: Array, axes: tuple[int, ...]) -> bool:
    """Whether any two readings differ that are alike in all but the axes given."""
    read = np.isfinite(values)
    most, least = (
        np.where(read, values, -np.inf).max(axis=axes),
        np.where(read, values, np.inf).min(axis=axes),
    )
    return bool((most - least > _rounding(values[read])).any()) if read.any() else False


def _without(parts: Components | None, untold: Sequence[str]) -> Components | None:
    """Leave out the errors, and a variance, of which the readings say nothing."""
    if parts is None or not untold:
        return parts
    return replace(
        parts,
        variances={name: part for name, part in parts.variances.items() if name != REPEAT},
        sem={whose: sem for whose, sem in parts.sem.items() if whose not in untold},
    )


def _notes(ratings: Ratings) -> Iterator[str]:
    values, complete = ratings.values, ratings.complete
    films, readers, repeats = values.shape
    read = np.isfinite(values)
    if readers == 1:
        yield "one reader: nothing can be said of agreement between readers"
    if repeats == 1:
        yield "each film was read once by each reader: nothing can be said of a reader's second reading"
    if read.any(axis=(1, 2)).sum() == 1:
        spread = float(np.ptp(values[read]))
        yield f"one film: no ICC, SEM or limits; its {read.sum()} readings lie {spread:.3g} apart"
    elif not read.any():
        yield "no reading has a value"
    elif len(complete) < films:
        yield (
            f"{len(complete)} of {films} films have every reading; ICC and intervals rest on these, "
            "variances, SEM and smallest detectable change on all readings"
            if len(complete) > 1
            else f"{len(complete)} of {films} films have every reading: variances from all readings by a "
            "mixed model, without intervals"
        )
    if read.any():
        yield from _alike_notes(ratings, int(read.sum()))


def _alike_notes(ratings: Ratings, count: int) -> Iterator[str]:
    """Say where readings never differ; `count` are all there are."""
    untold, (_, readers, repeats) = _untold(ratings), ratings.values.shape
    below = f"lies below what {count} readings can tell, so there is no SEM or detectable change"
    if BETWEEN in untold and count > 1 and not _differ(ratings.values, (0, 1, 2)):
        yield f"all values are equal: an ICC has no meaning, and the spread {below}"
    elif BETWEEN in untold and readers * repeats > 1:
        yield f"no two readings of a film differ: the spread {below}"
    elif WITHIN in untold and repeats > 1:
        yield f"no reader's second reading of a film differs from the first: that spread {below} of it"


# --- Reliability ---


def inter_reader(ratings: Ratings) -> Reliability | None:
    """ICC between readers, of the first reading of each; None with fewer than two readers or films."""
    return _icc(ratings.values[:, :, 0], ratings.readers, INTER_MODEL)


def intra_reader(ratings: Ratings, reader: str) -> Reliability | None:
    """ICC of one reader's repeats; None with fewer than two repeats or films."""
    return _icc(ratings.part([reader]).values[:, 0, :], (reader,), INTRA_MODEL)


def _icc(table: Array, readers: tuple[str, ...], named: tuple[str, str, str, str]) -> Reliability | None:
    """ICC of a table (films, readings), of the films that are complete."""
    table = table[np.isfinite(table).all(axis=1)]
    if min(table.shape) < 2 or np.ptp(table) <= _rounding(table):
        return None
    if np.ptp(table, axis=1).max() <= _rounding(table):
        found = Estimate(1.0)  # F is infinite: no interval
    else:
        forms = icc_forms(table)
        found = forms[named[0]]
    return Reliability(*named, readers, len(table), found)


def icc_forms(table: Array) -> dict[str, Estimate]:
    """Six forms of ICC of a whole table (films, readings), by their names in McGraw & Wong."""
    import pandas
    import pingouin

    film, reading = np.indices(table.shape)
    long = pandas.DataFrame({"film": film.ravel(), "reading": reading.ravel(), "value": table.ravel()})
    key = "round.column.CI95"
    kept = pingouin.options[key]
    pingouin.options[key] = None  # or the interval is rounded to two places
    try:
        with warnings.catch_warnings():
            warnings.simplefilter("ignore", DeprecationWarning)  # of pandas, to pingouin
            warnings.simplefilter("ignore", RuntimeWarning)  # of an interval where a mean square is zero
            found = pingouin.intraclass_corr(long, targets="film", raters="reading", ratings="value")
    finally:
        pingouin.options[key] = kept
    return {
        row.Type: Estimate(float(row.ICC), float(row.CI95[0]), float(row.CI95[1]))
        for row in found.itertuples()
    }


# --- Variance components ---


def components(ratings: Ratings) -> Components | None:
    """Variances of film, reader, both together and repeat, with SEM; None where they cannot be had.

    From the mean squares of the films that are complete (expected mean squares of the random model); their
    intervals by generalised pivotal quantities (Weerahandi 1993, 10.1080/01621459.1993.10476355). Where
    readings are missing, the variances come from all readings by REML, the intervals from the complete films.
    An interval that does not hold the number beside it is left out. Mean squares that no variances of zero or
    more could give are pooled (Thompson 1962, Ann. Math. Statist. 33, 273; cited from memory), so that a
    variance below zero becomes zero, and the SEM of fewer causes is never above that of more. One repeat
    leaves REPEAT holding what film by reader adds too.
    """
    whole = np.isfinite(ratings.values).all()
    balanced = _balanced(ratings.complete)
    if whole or not np.isfinite(ratings.values).any():
        return balanced
    mixed = _mixed_model(ratings)
    if mixed is None:
        return balanced
    if balanced is None:
        return _named(mixed, None, 0, "REML, all readings")
    return _named(mixed, balanced, balanced.films, "REML, all readings; intervals from the complete films")


def _balanced(values: Array) -> Components | None:
    """Components from a whole table (films, readers, repeats)."""
    films, readers, repeats = values.shape
    if films < 2 or readers * repeats < 2:
        return None
    squares, freedom, to_variance = _mean_squares(values)
    chi = np.random.default_rng(SEED).chisquare(list(freedom.values()), (DRAWS, len(freedom)))
    pivots = np.array(list(squares.values())) * np.array(list(freedom.values())) / chi
    pooled = _pooled(squares, freedom)
    point = {
        name: sum(weight * pooled[part] for part, weight in row.items()) for name, row in to_variance.items()
    }
    order = list(squares)
    drawn = {
        name: sum(weight * pivots[:, order.index(part)] for part, weight in row.items())
        for name, row in to_variance.items()
    }
    sums = _error_sums(point)
    return Components(
        {name: _above_zero(point[name], drawn[name]) for name in point},
        {
            whose: square_root(_above_zero(sum(point[n] for n in names), sum(drawn[n] for n in names)))
            for whose, names in sums.items()
        },
        films,
        "mean squares, complete films",
    )


def _mean_squares(values: Array) -> tuple[dict[str, float], dict[str, int], dict[str, dict[str, float]]]:
    """Mean squares and degrees of freedom, and each variance as a sum of weighted mean squares."""
    n, r, k = values.shape
    mean = values.mean()
    film, reader, cell = values.mean(axis=(1, 2)), values.mean(axis=(0, 2)), values.mean(axis=2)
    sums = {FILM: r * k * ((film - mean) ** 2).sum(), REPEAT: ((values - cell[:, :, None]) ** 2).sum()}
    freedom = {FILM: n - 1, REPEAT: n * r * (k - 1)}
    if r > 1:
        sums[READER] = n * k * ((reader - mean) ** 2).sum()
        sums[BOTH] = k * ((cell - film[:, None] - reader + mean) ** 2).sum()
        freedom |= {READER: r - 1, BOTH: (n - 1) * (r - 1)}
    if r == 1:
        rows = {FILM: {FILM: 1 / k, REPEAT: -1 / k}, REPEAT: {REPEAT: 1.0}}
    elif k == 1:
        rows = {
            FILM: {FILM: 1 / r, BOTH: -1 / r}, READER: {READER: 1 / n, BOTH: -1 / n}, REPEAT: {BOTH: 1.0},
        }  # fmt: skip
    else:
        rows = {
            FILM: {FILM: 1 / (r * k), BOTH: -1 / (r * k)},
            READER: {READER: 1 / (n * k), BOTH: -1 / (n * k)},
            BOTH: {BOTH: 1 / k, REPEAT: -1 / k},
            REPEAT: {REPEAT: 1.0},
        }
    used = [part for part in sums if freedom[part]]
    return {part: float(sums[part] / freedom[part]) for part in used}, {p: freedom[p] for p in used}, rows


def _pooled(squares: dict[str, float], freedom: dict[str, int]) -> dict[str, float]:
    """Pool, the smallest first, each mean square that lies below another which is part of what it expects."""
    expects = {BOTH: REPEAT, READER: BOTH, FILM: BOTH if BOTH in squares else REPEAT}
    mean, weight, group = dict(squares), dict(freedom), {part: part for part in squares}

    def below(part: str) -> str | None:
        return group.get(expects.get(part, ""))

    while low := [part for part in mean if (under := below(part)) and mean[part] < mean[under]]:
        part = min(low, key=lambda one: mean[one])
        under = group[expects[part]]
        both = weight[part] + weight[under]
        mean[under] = (mean.pop(part) * weight[part] + mean[under] * weight[under]) / both
        weight[under] = both
        group = {one: under if at == part else at for one, at in group.items()}
    return {part: mean[at] for part, at in group.items()}


def _error_sums(variances: dict[str, Any]) -> dict[str, list[str]]:
    """Which variances the error of a reading is made of, by whose reading."""
    error = [name for name in variances if name != FILM]
    sums = {
        BETWEEN: error if READER in variances else [],
        SERIAL: [name for name in error if name != READER] if READER in variances else [],
        WITHIN: [REPEAT] if BOTH in variances or READER not in variances else [],
    }
    return {whose: names for whose, names in sums.items() if names}


def _mixed_model(ratings: Ratings) -> dict[str, float] | None:
    """Variances by REML from all readings there are, crossed random effects; None where they do not say.

    statsmodels' own start lets the film's variance flow into the others where films differ much more than
    readings do, and calls that converged: so it starts from rough variances of each kind.
    """
    import pandas
    import statsmodels.formula.api as formulas
    from statsmodels.regression.mixed_linear_model import MixedLMParams

    film, reader, repeat = np.nonzero(np.isfinite(ratings.values))
    values = ratings.values[film, reader, repeat]
    data = pandas.DataFrame({"film": film, "reader": reader, "value": values, "all": 1})
    rough = _rough_variances(data)
    if rough is None:
        return None
    terms = {FILM: "0 + C(film)", READER: "0 + C(reader)", BOTH: "0 + C(film):C(reader)"}
    model = formulas.mixedlm(
        "value ~ 1", data, groups="all", vc_formula={part: terms[part] for part in rough if part != REPEAT}
    )
    ratios = [max(rough[part] / rough[REPEAT], 0.3) for part in model.exog_vc.names]
    start = MixedLMParams.from_components(
        fe_params=np.array([values.mean()]), cov_re=np.zeros((0, 0)), vcomp=np.array(ratios)
    )
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")  # a variance of zero lies on the edge, of which it warns
        fit = model.fit(start_params=start, reml=True)
    return dict(zip(model.exog_vc.names, map(float, fit.vcomp), strict=True)) | {REPEAT: float(fit.scale)}


def _rough_variances(data: Any) -> dict[str, float] | None:
    """Order of size of each variance that the readings can tell; None where nothing was read twice."""
    films = data.groupby("film").value
    apart = data.value - films.transform("mean")
    freedom = len(data) - films.ngroups
    if films.ngroups < 2 or freedom < 2 or (apart**2).sum() <= _rounding(data.value.to_numpy()):
        return None
    rough = {FILM: float(films.mean().var()), REPEAT: float((apart**2).sum() / freedom)}
    if data.reader.nunique() > 1:
        rough[READER] = float(apart.groupby(data.reader).mean().var())
        again = data.duplicated(["film", "reader"])
        if again.any():
            cells = data.groupby(["film", "reader"]).value
            within = float(((data.value - cells.transform("mean")) ** 2).sum() / again.sum())
            rough[BOTH], rough[REPEAT] = rough[REPEAT], within or rough[REPEAT]
    return rough


def _named(mixed: dict[str, float], around: Components | None, films: int, method: str) -> Components:
    """Components of the mixed model's variances, with the intervals of another estimate."""

    def with_interval(value: float, known: Estimate | None) -> Estimate:
        held = known is not None and known.holds(value)  # or incomplete films differ too much from the others
        return Estimate(value, known.low, known.high) if known and held else Estimate(value)

    variances = {
        name: with_interval(value, around.variances.get(name) if around else None)
        for name, value in mixed.items()
    }
    sem = {
        whose: with_interval(
            float(np.sqrt(sum(mixed[name] for name in names))), around.sem.get(whose) if around else None
        )
        for whose, names in _error_sums(mixed).items()
    }
    return Components(variances, sem, films, method)


def _above_zero(point: Any, drawn: Any) -> Estimate:
    if not np.any(drawn):
        return Estimate(0.0)  # all readings alike: nothing to draw from
    low, high = np.maximum(np.quantile(drawn, [0.025, 0.975]), 0.0)
    return Estimate(max(float(point), 0.0), float(low), float(high))


def square_root(estimate: Estimate) -> Estimate:
    """Turn a variance into a standard deviation, its interval too."""
    return Estimate(*(float(np.sqrt(number)) for number in (estimate.value, estimate.low, estimate.high)))


def _times(factor: float, estimate: Estimate) -> Estimate:
    return Estimate(factor * estimate.value, factor * estimate.low, factor * estimate.high)


def _rounding(values: Array) -> float:
    return float(IDENTICAL * (1 + np.abs(values).max()))


# --- Differences ---


def limits(first: Array, second: Array, first_name: str = "", second_name: str = "") -> Limits | None:
    """Limits of agreement of two series (films,), over the films that both have; None with fewer than two.

    The interval of the mean difference is Student's; that of a limit has the standard error
    SD sqrt(1/n + z²/(2 (n - 1))).
    """
    differences = first - second
    differences = differences[np.isfinite(differences)]
    n = len(differences)
    if n < 2:
        return None
    bias, sd = float(differences.mean()), float(differences.std(ddof=1))
    reach = float(stats.t.ppf(0.975, n - 1)) * sd
    of_mean, of_limit = reach * np.sqrt(1 / n), reach * np.sqrt(1 / n + COVERAGE_95**2 / (2 * (n - 1)))
    lower, upper = bias - COVERAGE_95 * sd, bias + COVERAGE_95 * sd
    return Limits(
        first_name,
        second_name,
        _around(bias, of_mean),
        _around(lower, of_limit),
        _around(upper, of_limit),
        sd,
        n,
    )


def _around(value: float, half: float) -> Estimate:
    return Estimate(value, float(value - half), float(value + half))


def reader_biases(ratings: Ratings) -> tuple[ReaderBias, ...]:
    """Each reader against the mean of all, by their mean of repeats; none with one reader or film."""
    read = np.isfinite(ratings.values)
    shared = np.all(read.any(axis=2), axis=1)
    if len(ratings.readers) < 2 or shared.sum() < 2:
        return ()
    mean = np.nanmean(ratings.values[shared], axis=2)
    apart = mean - mean.mean(axis=1, keepdims=True)
    n = len(apart)
    half = stats.t.ppf(0.975, n - 1) * apart.std(axis=0, ddof=1) / np.sqrt(n)
    return tuple(
        ReaderBias(name, _around(float(value), float(width)), n)
        for name, value, width in zip(ratings.readers, apart.mean(axis=0), half, strict=True)
    )


def against(ratings: Ratings, reference: Array, name: str) -> tuple[Limits, ...]:
    """Limits of agreement of each reader's first readings with one value a film (films,), nan where none."""
    first = ratings.values[:, :, 0]
    found = (limits(first[:, i], reference, reader, name) for i, reader in enumerate(ratings.readers))
    return tuple(one for one in found if one)


# --- Grades ---


@dataclass(frozen=True)
class GradeAgreement:
    """Agreement of two readers on grades; `kappa` is None where all grades are one and the same."""

    first: str
    second: str
    weights: str
    kappa: Estimate | None
    same: float
    films: int


def grades_agreement(
    grades: Sequence[Sequence[str | None]],
    readers: Sequence[str],
    categories: Sequence[str],
    weights: str = "quadratic",
) -> tuple[GradeAgreement, ...]:
    """Weighted kappa and share of equal grades of each pair of readers.

    Parameters
    ----------
    grades
        One row a film, one column a reader; None where a reader gave none. Such films are left out of the
        pair.
    categories
        All grades in their order.
    weights
        "linear" or "quadratic" by the distance of two grades; "none" counts every difference alike.

    Raises ValueError for a grade that is no category. Kappa's interval is that of Fleiss, Cohen & Everitt
    1969 (10.1037/h0028106), by statsmodels.
    """
    place = {name: i for i, name in enumerate(categories)}
    if unknown := sorted({str(g) for row in grades for g in row if g is not None and g not in place}):
        raise ValueError(f"Grades {', '.join(unknown)} are none of {', '.join(categories)}.")
    codes = [[-1 if grade is None else place[grade] for grade in row] for row in grades]
    coded = np.array(codes, dtype=np.int64).reshape(-1, len(readers))
    found = []
    for a, b in itertools.combinations(range(len(readers)), 2):
        pair = coded[:, [a, b]]
        both = pair[pair.min(axis=1) >= 0]
        if not len(both):
            continue
        table = np.zeros((len(categories), len(categories)))
        np.add.at(table, tuple(both.T), 1)
        kappa = None if np.ptp(both) == 0 else weighted_kappa(table, weights)
        same = float((both[:, 0] == both[:, 1]).mean())
        found.append(GradeAgreement(readers[a], readers[b], weights, kappa, same, len(both)))
    return tuple(found)


def weighted_kappa(table: Array, weights: str | Array = "quadratic") -> Estimate:
    """Kappa of a table of counts (first reader's grades, second reader's), with its interval.

    `weights` is as in `grades_agreement`, or an array of how bad each disagreement is.
    """
    from statsmodels.stats.inter_rater import cohens_kappa

    if isinstance(weights, str):
        place = np.arange(float(len(table)))
        apart = np.abs(place[:, None] - place)
        weights = {"none": np.sign(apart), "linear": apart, "quadratic": apart**2}[weights]
    with np.errstate(invalid="ignore", divide="ignore"):  # a reader who gave but one grade
        found = cohens_kappa(table, weights=weights)
    if not found.std_kappa > 0:
        return Estimate(float(found.kappa))  # total agreement, or nothing to agree about: no interval
    low, high = np.clip([found.kappa_low, found.kappa_upp], -1.0, 1.0)  # large-sample, so it may reach beyond
    return Estimate(float(found.kappa), float(low), float(high))
