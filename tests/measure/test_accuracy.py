"""Bias, spread and coverage on random phantom films, against the phantom's own truth.

Source of the truth: `measure.phantom`, plain formulas in the fragment's 3-D frame that share no code with
`measure.geometry`; ours, so the outside checks stand in tests/reference.
"""

from __future__ import annotations

import functools

import numpy as np
import pytest
from accuracy import FIGURES, Errors, simulate
from scipy.stats import binom, chi2

PAIRS = 120
ODDS = 1e-4  # of a false alarm, for each check


@functools.cache
def results() -> dict[str, Errors]:
    return simulate(PAIRS, seed=20261125)


def coverage_fits(errors: Errors) -> bool:
    """Whether the 95 % intervals cover about 95 %: 92 to 98 % and what chance adds for this many films."""
    n = len(errors.error)
    low, high = binom.ppf(ODDS, n, 0.92), binom.ppf(1 - ODDS, n, 0.98)
    return bool(low <= errors.coverage * n <= high)


def spread_fits(errors: Errors) -> bool:
    """Whether errors over their uncertainties spread by 0.85 to 1.15, and what chance adds."""
    n = len(errors.error)
    square = float(np.sum((errors.error / errors.u) ** 2))
    return bool(0.85**2 * chi2.ppf(ODDS, n) <= square <= 1.15**2 * chi2.ppf(1 - ODDS, n))


def bias_fits(errors: Errors) -> bool:
    """Whether the mean error is zero within 0.1 of the spread, and what chance adds."""
    limit = (0.1 + 4 / np.sqrt(len(errors.error))) * errors.rms
    return bool(abs(errors.bias) <= limit)


@pytest.mark.parametrize("name", FIGURES)
def test_value_and_uncertainty_are_right(name: str) -> None:
    errors = results()[name]
    assert len(errors.error) >= PAIRS
    assert bias_fits(errors), f"bias {errors.bias:.3f}, RMS {errors.rms:.3f}"
    assert coverage_fits(errors), f"coverage {errors.coverage:.3f}"
    assert spread_fits(errors), f"RMS {errors.rms:.3f}, mean u {errors.u.mean():.3f}"


@pytest.mark.parametrize("name", FIGURES)
def test_the_checks_reject_wrong_answers(name: str) -> None:
    good = results()[name]
    assert not spread_fits(Errors(good.error, 0.6 * good.u))
    assert not spread_fits(Errors(good.error, 1.7 * good.u))
    assert not coverage_fits(Errors(good.error, 0.5 * good.u))
    assert not bias_fits(Errors(good.error + good.rms, good.u))
