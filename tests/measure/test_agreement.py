"""Agreement of readers: what is done with few, equal, missing and unbalanced readings."""

from __future__ import annotations

import math

import numpy as np
import pytest

from measure.agreement import (
    BETWEEN,
    BOTH,
    FILM,
    READER,
    REPEAT,
    SERIAL,
    WITHIN,
    Agreement,
    Ratings,
    against,
    agreement,
    components,
    grades_agreement,
    limits,
    reader_biases,
)
from measure.errors import HoldfastError
from measure.sample_size import films_for_icc, films_for_limits


def ratings(values: object) -> Ratings:
    """Ratings with made-up names of films and readers."""
    array = np.array(values, dtype=float)
    return Ratings(array, tuple(f"film-{n}" for n in range(len(array))), tuple("ABCDE"[: array.shape[1]]))


def some(films: int = 8, readers: int = 3, repeats: int = 2, seed: int = 1) -> np.ndarray:
    """Make readings of films that differ, by readers of whom the second reads 1 too high."""
    rng = np.random.default_rng(seed)
    bias = np.array([0.0, 1.0, 0.0, 0.0])[:readers]
    return rng.normal(0, 2, (films, 1, 1)) + bias[:, None] + rng.normal(0, 0.3, (films, readers, repeats))


def words(found: Agreement) -> str:
    return "; ".join(found.notes)


def test_a_whole_study() -> None:
    """Everything is there, each ICC says which it is, and nothing is noted."""
    found = agreement(ratings(some()))
    assert found.inter is not None
    assert (found.inter.form, found.inter.model) == ("ICC(A,1)", "two-way random effects")
    assert (found.inter.type, found.inter.definition) == ("single reading", "absolute agreement")
    assert [icc.readers for icc in found.intra] == [("A",), ("B",), ("C",)]
    assert {icc.model for icc in found.intra} == {"two-way mixed effects"}
    assert found.components is not None
    assert set(found.components.sem) == {BETWEEN, SERIAL, WITHIN}
    assert len(found.pairs) == 3
    assert not found.notes


def test_a_reader_who_reads_too_high() -> None:
    """The reader is named with the size of the difference; the others are not."""
    found = {one.reader: one for one in reader_biases(ratings(some()))}
    assert found["B"].bias.value == pytest.approx(2 / 3, abs=0.15)
    assert found["B"].systematic
    even = some()
    even[:, 1] -= 1
    assert not any(one.systematic for one in reader_biases(ratings(even)))


def test_one_reader() -> None:
    """Only what one reader says against themselves, said in words."""
    found = agreement(ratings(some(readers=1)))
    assert found.inter is None
    assert len(found.intra) == 1
    assert found.components is not None
    assert set(found.components.sem) == {WITHIN}
    assert not found.pairs
    assert not found.readers
    assert "one reader" in words(found)


def test_each_film_once() -> None:
    """No figure of repeats; the SEM of any reader is there."""
    found = agreement(ratings(some(repeats=1)))
    assert not found.intra
    assert found.components is not None
    assert set(found.components.sem) == {BETWEEN, SERIAL}
    assert BOTH not in found.components.variances
    assert "read once" in words(found)


def test_one_reader_once() -> None:
    """Nothing can be said, and both reasons are."""
    found = agreement(ratings(some(readers=1, repeats=1)))
    assert (found.inter, found.intra, found.components, found.pairs) == (None, (), None, ())
    assert len(found.notes) == 2


def test_one_film() -> None:
    """No ICC, no SEM, no limits; how far its readings lie apart is said."""
    values = some(films=1)
    found = agreement(ratings(values))
    assert (found.inter, found.components, found.pairs, found.readers) == (None, None, (), ())
    assert f"its 6 readings lie {np.ptp(values):.3g} apart" in words(found)


def test_one_film_with_readings_among_several() -> None:
    """Films that nobody could read do not count as films."""
    values = some(films=4)
    values[1:] = np.nan
    found = agreement(ratings(values))
    assert found.components is None
    assert "one film" in words(found)


def test_all_values_equal() -> None:
    """An ICC of nothing over nothing is not given, and readings that never differ show no error of zero."""
    found = agreement(ratings(np.full((5, 2, 2), 7.0)))
    assert (found.inter, found.components, found.pairs, found.readers) == (None, None, (), ())
    assert "all values are equal" in words(found)
    assert "the spread lies below what 20 readings can tell" in words(found)


def test_second_readings_that_never_differ() -> None:
    """What readers differ by is given; of a reader's own second reading it is said that nothing is known."""
    values = np.repeat(some(films=6, readers=2, repeats=1), 2, axis=2)
    found = agreement(ratings(values))
    assert found.components is not None
    assert set(found.components.sem) == {BETWEEN, SERIAL}
    assert REPEAT not in found.components.variances
    assert "second reading of a film differs from the first" in words(found)
    assert "24 readings can tell" in words(found)
    values[0, 0, 1] += 0.1
    assert WITHIN in agreement(ratings(values)).components.sem


def test_readers_who_agree_to_the_last_digit() -> None:
    """ICC is 1, without an interval that nothing supports."""
    values = np.repeat(some(readers=1, repeats=1), 3, axis=1)
    found = agreement(ratings(values))
    assert found.inter is not None
    assert found.inter.icc.value == 1
    assert math.isnan(found.inter.icc.low)
    assert found.components is None
    assert "no two readings of a film differ: the spread lies below" in words(found)


def test_a_missing_reading() -> None:
    """ICC rests on the complete films; variances on all readings, by REML; both are said."""
    values = some(films=12)
    values[0, 0, 1] = np.nan
    found = agreement(ratings(values))
    assert found.inter is not None
    assert found.inter.films == 12  # first readings are all there
    assert found.components is not None
    assert found.components.films == 11
    assert "REML" in found.components.method
    assert "11 of 12 films have every reading" in words(found)
    whole = components(ratings(values[1:]))
    assert whole is not None
    assert found.components.variances[REPEAT].value == pytest.approx(whole.variances[REPEAT].value, rel=0.1)


def test_an_interval_holds_its_number() -> None:
    """Where the films that lack a reading differ most, the complete films' interval is no interval of all."""
    values = some(films=8)
    values[4:] -= 40.0
    values[4:, 0, 0] = np.nan
    found = components(ratings(values))
    assert found is not None
    film = found.variances[FILM]
    assert film.value > 100.0
    assert np.isnan([film.low, film.high]).all()
    assert found.variances[REPEAT].holds(found.variances[REPEAT].value)


def test_errors_of_fewer_causes_are_never_larger() -> None:
    """Variances below zero are pooled away: REPEAT alone never makes more error than all causes do."""
    pooled = 0
    for seed in range(20):
        values = np.random.default_rng(seed).normal(0, 1, (6, 3, 2)) + np.arange(6.0)[:, None, None]
        found = components(ratings(values))
        assert found is not None
        sem = [found.sem[whose].value for whose in (WITHIN, SERIAL, BETWEEN)]
        assert sem == sorted(sem)
        total = sum(part.value for name, part in found.variances.items() if name != FILM)
        assert sem[-1] ** 2 == pytest.approx(total)
        pooled += found.variances[BOTH].value == 0.0
    assert pooled > 3  # the test met what it is about


def test_no_film_complete() -> None:
    """Variances from all readings without intervals, and no ICC of all readers."""
    values = some(films=9)
    values[::3, 0], values[1::3, 1], values[2::3, 2] = np.nan, np.nan, np.nan
    found = agreement(ratings(values))
    assert found.inter is None
    assert found.components is not None
    assert 0.2 < found.components.sem[WITHIN].value < 0.45  # 0.3 was put in
    assert found.components.variances[READER].value == pytest.approx(1 / 3, abs=0.1)
    assert math.isnan(found.components.sem[WITHIN].low)
    assert "without intervals" in words(found)


def test_nothing_read() -> None:
    """A quantity that nobody could read has no figure at all."""
    found = agreement(ratings(np.full((4, 2, 2), np.nan)))
    assert (found.inter, found.components, found.pairs) == (None, None, ())
    assert "no reading has a value" in words(found)


def test_films_that_differ_far_more_than_readings() -> None:
    """REML stays on course where films differ a thousand times more than readings do."""
    values = 1000 * np.arange(1.0, 21)[:, None, None] + some(20)
    values[3, 1, 1] = np.nan
    found = components(ratings(values))
    assert found is not None
    assert found.variances[REPEAT].value == pytest.approx(0.09, rel=0.4)


def test_ratings_of_another_shape() -> None:
    """Values that do not fit films and readers are refused."""
    with pytest.raises(ValueError, match=r"films, readers, repeats"):
        Ratings(np.zeros((3, 2)), ("a", "b", "c"), ("A", "B"))


def test_limits_leave_out_what_one_lacks() -> None:
    """A film that only one series has does not count; one film is no series."""
    found = limits(np.array([1.0, 2, np.nan, 4]), np.array([1.5, 2.5, 3, 5]))
    assert found is not None
    assert found.films == 3
    assert limits(np.array([1.0, np.nan]), np.array([1.0, 2.0])) is None


def test_against_a_reference() -> None:
    """Each reader is compared with it; the sign is reader less reference."""
    values = some()
    found = against(ratings(values), values[:, 0, 0] - 5, "truth")
    assert [(one.first, one.second) for one in found] == [("A", "truth"), ("B", "truth"), ("C", "truth")]
    assert found[0].bias.value == pytest.approx(5)


def test_grades_that_are_missing_or_unknown() -> None:
    """A film without a grade is left out of the pair; a grade of no category is refused."""
    found = grades_agreement(
        [["mild", "mild"], ["none", None], ["none", "mild"]], ("A", "B"), ("none", "mild")
    )
    assert (found[0].films, found[0].same) == (2, 0.5)
    assert found[0].kappa is not None
    assert math.isnan(found[0].kappa.low)  # one reader gave but one grade
    with pytest.raises(ValueError, match=r"Grades grim are none of none, mild"):
        grades_agreement([["grim", "mild"]], ("A", "B"), ("none", "mild"))


def test_the_interval_of_kappa_ends_at_one() -> None:
    """With few films the large-sample interval reaches beyond what a kappa can be."""
    grades = [("none", "none"), ("seen", "seen"), ("none", "seen"), ("none", "none"), ("seen", "seen")]
    (found,) = grades_agreement(grades, ("a", "b"), ("none", "seen"), "none")
    assert found.kappa is not None
    assert found.kappa.value < found.kappa.high == 1.0


def test_grades_all_alike() -> None:
    """Kappa has no meaning where only one grade was ever given; the share of equal grades has."""
    found = grades_agreement([["mild", "mild"]] * 4, ("A", "B"), ("none", "mild"))
    assert found[0].kappa is None
    assert found[0].same == 1


def test_sample_sizes_that_make_no_sense() -> None:
    """Every problem is named at once."""
    with pytest.raises(HoldfastError, match=r"received 1\.2; .* received 1; .* received 3"):
        films_for_icc(1.2, 1, 3)
    with pytest.raises(HoldfastError, match="above 0"):
        films_for_limits(0)
