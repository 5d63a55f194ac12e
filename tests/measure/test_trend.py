"""Trend over visits: slope, the film that does not fit, and when the next film would decide."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
import statsmodels.api as sm
from conftest import Elbow

from measure.flags import BEYOND, judge
from measure.report import trend_lines
from measure.series import INDEX, group, measure
from measure.sites import Profile
from measure.trend import fit_trend, line_through_origin, odd_one, slope_u_with, trends

DAYS = (0, 14, 42, 90, 180)
CAREFUL = Profile("careful", 0.15, 0.0, "put in")


@pytest.fixture
def case(make_film, make_reading):
    """One case from the back-out of pin 1 at each visit."""

    def make(back_outs, days=DAYS, profile=CAREFUL):
        films = []
        for number, (day, back_out) in enumerate(zip(days, back_outs, strict=False)):
            film = make_film(number + 1, day)
            elbow = Elbow(back_out=(back_out, 0.0), prominence=(4.0 + back_out, 5.0))
            films.append(measure(film, make_reading(film, elbow), profile))
        (found,), _ = group(films)
        return found

    return make


def of(case, name="back_out", target="pin1"):
    return next(trend for trend in trends(case) if trend.changes[0].key == (name, target))


def test_slope_is_the_one_laid_out(case) -> None:
    """Half a millimetre a month: found within 2 u; another pin does not grow."""
    made = case([0.5 * day / 30 for day in DAYS])
    found = of(made)
    assert abs(found.slope.value - 0.5) < 2 * found.slope.u
    assert found.growing
    assert "growing" in found.text()
    assert not of(made, target="pin2").growing


def test_slow_back_out_is_seen_before_the_threshold(case) -> None:
    """At 1.6 mm after 90 days nothing is beyond 2 mm yet, but the pin is on its way.

    And a later film would decide.
    """
    made = case([0.0, 0.25, 0.75, 1.15, 1.6], days=(0, 14, 42, 65, 90))
    found = of(made)
    last = next(
        c
        for c in made.changes
        if c.later is made.current and c.basis == INDEX and c.key == ("back_out", "pin1")
    )
    assert judge(last, found.threshold).outcome != BEYOND
    assert found.growing
    assert made.current.date < found.decides
    assert found.decides.isoformat() in found.text()
    assert (found.decides - made.index.date).days < 200


def test_nothing_grows_where_nothing_does(case) -> None:
    """A level course has no growth and no deciding day."""
    found = of(case([0.0, 0.1, -0.1, 0.0]))
    assert not found.growing
    assert found.decides is None


def test_one_bad_film_raises_no_alarm(case) -> None:
    """Four millimetres on one film and nothing before or after: that film is left out and named."""
    made = case([0.0, 0.0, 4.0, 0.0, 0.0])
    found = of(made)
    assert found.left_out.later.date == made.films[2].date
    assert not found.growing
    assert str(made.films[2].date) in found.text()
    changes = [c for c in made.changes if c.basis == INDEX and c.key == ("back_out", "pin1")]
    with_it, _ = line_through_origin(
        np.array([14.0, 42.0, 90.0, 180.0]), np.array([c.quantity.value for c in changes]), np.eye(4)
    )
    assert abs(with_it * 30) > 3 * abs(found.slope.value)


def test_a_sudden_failure_is_never_left_out(case) -> None:
    """Four millimetres on the last film may be a bad film or a failure: it stays, and says what it rests on.

    The trend raises no alarm; the change itself is beyond its limit.
    """
    made = case([0.0, 0.0, 0.0, 0.0, 4.0])
    found = of(made)
    assert found.left_out is None
    assert found.rests_on_last
    assert not found.growing
    assert "resting on the last film alone" in found.text()
    assert any("resting on the last film alone" in line for line in trend_lines(made))
    assert judge(found.changes[-1], found.threshold).outcome == BEYOND


def test_growth_on_all_films_does_not_rest_on_the_last(case) -> None:
    """Half a millimetre a month shows without the last film too; noise alone rests on nothing."""
    assert not of(case([0.5 * day / 30 for day in DAYS])).rests_on_last
    assert not of(case([0.0, 0.1, -0.1, 0.0, 0.1])).rests_on_last


def test_the_next_film_shares_the_index_film_s_error() -> None:
    """The slope with one more film is as sure as statsmodels' GLS says on all films, the new one among them.

    The check can fail: a film that shared nothing would be another matter.
    """
    days, index_u, own_u = np.array([20.0, 50.0, 90.0]), 0.4, np.array([0.3, 0.5, 0.35])
    spread = index_u**2 + np.diag(own_u**2)
    (found,) = slope_u_with(np.array([140.0]), days, spread)
    more = np.append(days, 140.0)
    for shared, same in ((index_u, True), (0.0, False)):
        whole = np.full((4, 4), index_u**2)
        whole[3, :3] = whole[:3, 3] = shared**2
        whole[np.diag_indices(4)] = index_u**2 + np.append(own_u, own_u[-1]) ** 2
        fit = sm.GLS(0.01 * more, more[:, None], sigma=whole).fit(cov_type="fixed scale")
        assert (fit.bse[0] == pytest.approx(found, rel=1e-9)) == same


def test_two_films_have_no_trend(case) -> None:
    """A line through two films is their difference."""
    assert trends(case([0.0, 1.0])) == ()


def test_errors_of_the_index_film_are_shared(case) -> None:
    """The slope is less sure than it would be were the changes independent.

    They all lean on the index film.
    """
    made = case([0.0, 0.2, 0.6, 1.3])
    changes = [c for c in made.changes if c.basis == INDEX and c.key == ("back_out", "pin1")]
    found = fit_trend(changes, of(made).threshold)
    days = np.array([(c.later.date - c.earlier.date).days for c in changes], dtype=float)
    apart = np.diag([c.quantity.u**2 for c in changes])
    assert found.slope.u != pytest.approx(30 * line_through_origin(days, days, apart)[1], rel=0.02)
    parts = dict(changes[0].quantity.parts)
    assert any(source in changes[-1].quantity.parts for source in parts)
    assert replace(found) == found


@pytest.mark.parametrize("n", [3, 5])
def test_slope_covers(n: int) -> None:
    """Ten thousand random courses in one call.

    The 95 % interval of the slope holds 93.5 to 96.5 %; half of it does not.
    """
    rng = np.random.default_rng(n)
    days = np.cumsum(rng.uniform(10, 60, n))
    root = np.column_stack([np.full(n, 0.5), np.diag(rng.uniform(0.3, 0.8, n))])
    values = 0.02 * days + rng.normal(size=(10_000, n + 1)) @ root.T
    found = np.array([line_through_origin(days, one, root @ root.T) for one in values[:2000]])
    inside = np.abs(found[:, 0] - 0.02) <= 1.96 * found[:, 1]
    assert 0.935 < inside.mean() < 0.965
    assert (np.abs(found[:, 0] - 0.02) <= 0.98 * found[:, 1]).mean() < 0.9


def test_noise_alone_leaves_no_film_out() -> None:
    """Of 500 level courses of five films, at most 2 % have a film left out."""
    rng = np.random.default_rng(4)
    days = np.array([14.0, 42.0, 90.0, 180.0])
    spread = 0.25 + 0.3 * np.eye(4)
    root = np.linalg.cholesky(spread)
    left = [odd_one(days, root @ rng.normal(size=4), spread) is not None for _ in range(500)]
    assert np.mean(left) <= 0.02
