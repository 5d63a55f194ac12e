"""Quantities: combined uncertainty, sums with shared sources, angles, and the text a reader sees.

Outside check: JCGM 100:2008, 5.1 and 5.2 in matrix form (numpy), on random parts; `uncertainties` and the
GUM's own examples stand in tests/reference.
"""

from __future__ import annotations

import copy
import math
import pickle
import re

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from measure.quantity import (
    Quantity,
    chance_text,
    covariance,
    decimals,
    difference,
    weighted_sum,
    wrap_degrees,
)

SOURCES = ("point:a", "point:b", "habit", "scale", "parallax")
part = st.floats(-5, 5)
parts = st.dictionaries(st.sampled_from(SOURCES), part)
quantities = st.builds(Quantity, st.floats(-100, 100), st.just("mm"), parts)


def row(quantity: Quantity) -> np.ndarray:
    return np.array([quantity.parts.get(source, 0.0) for source in SOURCES])


def test_the_combined_uncertainty_is_the_root_sum_of_squares() -> None:
    """3 and -4 combine to 5, and the interval is 1.96 of it each way."""
    quantity = Quantity(10.0, "mm", {"a": 3.0, "b": -4.0})
    assert quantity.u == 5.0
    assert quantity.interval == pytest.approx((10 - 9.79982, 10 + 9.79982))


def test_a_quantity_cannot_be_changed() -> None:
    """Neither the parts given nor those held change it afterwards."""
    given_parts = {"a": 1.0}
    quantity = Quantity(1.0, "mm", given_parts)
    given_parts["a"] = 9.0
    assert quantity.u == 1.0
    with pytest.raises(TypeError, match="does not support item assignment"):
        quantity.parts["a"] = 9.0


@pytest.mark.parametrize(
    ("value", "bad"), [(math.nan, 1.0), (math.inf, 1.0), (1.0, math.nan), (1.0, -math.inf)]
)
def test_a_quantity_needs_finite_numbers(value: float, bad: float) -> None:
    """What could not be computed is no quantity."""
    with pytest.raises(ValueError, match="needs finite numbers"):
        Quantity(value, "mm", {"a": bad})


@given(st.lists(st.tuples(part, quantities), min_size=1, max_size=4))
def test_a_sum_agrees_with_the_matrix_form(terms: list[tuple[float, Quantity]]) -> None:
    """u(sum w q)^2 = w' J J' w (JCGM 100:2008, 5.2.2), where J holds each quantity's parts."""
    weights, jacobian = np.array([w for w, _ in terms]), np.array([row(q) for _, q in terms])
    total = weighted_sum(terms)
    assert total.value == pytest.approx(weights @ [q.value for _, q in terms], abs=1e-9)
    assert total.u**2 == pytest.approx(weights @ jacobian @ jacobian.T @ weights, abs=1e-9)


@given(quantities, quantities)
def test_covariance_comes_from_the_shared_sources(a: Quantity, b: Quantity) -> None:
    """Cov(a, b) = J_a J_b', and the variance of the difference follows from it."""
    assert covariance(a, b) == pytest.approx(row(a) @ row(b), abs=1e-9)
    assert covariance(a, a) == pytest.approx(a.u**2)
    assert difference(a, b).u ** 2 == pytest.approx(a.u**2 + b.u**2 - 2 * covariance(a, b), abs=1e-9)


def test_shared_errors_cancel_and_others_add() -> None:
    """The same scale error of 2 % leaves 2 % of the change; two scales leave both; signs are kept."""
    before, after = Quantity(40.0, "mm", {"scale": 0.8}), Quantity(42.0, "mm", {"scale": 0.84})
    assert difference(after, before).u == pytest.approx(0.04)
    apart = Quantity(42.0, "mm", {"scale of the later film": 0.84})
    assert difference(apart, before).u == pytest.approx(math.hypot(0.8, 0.84))
    mirrored = Quantity(42.0, "mm", {"scale": -0.84})  # a lost sign would not be seen in u
    assert difference(mirrored, before).u == pytest.approx(1.64)
    assert after.scaled(-1).parts["scale"] == -0.84


def test_a_sum_refuses_mixed_units_and_nothing() -> None:
    """Millimetres and degrees do not add; neither does nothing."""
    with pytest.raises(ValueError, match=re.escape("received ['deg', 'mm']")):
        weighted_sum([(1, Quantity(1, "mm")), (1, Quantity(1, "deg"))])
    with pytest.raises(ValueError, match="one unit"):
        weighted_sum([])


@pytest.mark.parametrize(
    ("later", "earlier", "turn"),
    [(179, -179, -2), (-179, 179, 2), (10, 4, 6), (180, 0, 180), (0, 180, 180), (-170, 170, 20)],
)
def test_a_change_of_angle_goes_the_short_way(later: float, earlier: float, turn: float) -> None:
    """From -179 to 179 degrees is a turn of -2, not of 358."""
    assert difference(Quantity(later, "deg"), Quantity(earlier, "deg")).value == pytest.approx(turn)


def test_a_change_of_length_is_not_wrapped() -> None:
    """400 mm less 0 mm is 400 mm."""
    assert difference(Quantity(400, "mm"), Quantity(0, "mm")).value == 400


@given(st.floats(-1e4, 1e4))
def test_wrapping_is_a_whole_number_of_turns(angle: float) -> None:
    """The wrapped angle lies within half a turn and differs by whole turns; arrays as numbers."""
    wrapped = wrap_degrees(angle)
    assert -180 <= wrapped <= 180
    turns = (angle - wrapped) / 360
    assert turns == pytest.approx(round(turns), abs=1e-9)
    assert wrap_degrees(np.array([angle, angle])).tolist() == [wrapped, wrapped]


def test_half_a_turn_has_one_sign() -> None:
    """180 and -180 degrees are both written 180."""
    assert [wrap_degrees(angle) for angle in (-180.0, 180.0, 540.0)] == [180.0, 180.0, 180.0]


@pytest.mark.parametrize(
    ("value", "u", "unit", "text"),
    [
        (2.3449, 0.5, "mm", "2.3 ± 1.0 mm"),
        (2.3449, 0.05, "mm", "2.34 ± 0.10 mm"),
        (2.3449, 0.06, "mm", "2.34 ± 0.12 mm"),
        (2.3449, 0.25, "mm", "2.3 ± 0.5 mm"),
        (12.3, 3.0, "deg", "12 ± 6°"),
        (-0.04, 0.3, "mm", "0.0 ± 0.6 mm"),
        (-0.06, 0.3, "mm", "-0.1 ± 0.6 mm"),
        (0.467, 0.038, "1", "0.47 ± 0.07"),
        (0.0, 0.0, "mm", "0.0 ± 0.0 mm"),
        (123.4, 40.0, "mm", "123 ± 78 mm"),
    ],
)
def test_the_text_shows_no_more_than_is_known(value: float, u: float, unit: str, text: str) -> None:
    """Rounded to the first digit of the half-interval that counts, and never minus zero."""
    assert Quantity(value, unit, {"a": u}).text() == text


@given(st.floats(1e-6, 1e3))
def test_rounding_loses_little_of_the_interval(half: float) -> None:
    """Between 0.005 and 1000 the half-interval that is shown is within a third of itself."""
    shown = float(f"{half:.{decimals(half)}f}")
    assert 0 <= decimals(half) <= 3
    if half > 0.005:
        assert shown == pytest.approx(half, rel=0.34)


def test_a_quantity_travels_to_another_process() -> None:
    """Pickled and copied it is the same, and its parts are still read-only."""
    quantity = Quantity(2.0, "mm", {"scale": 0.1, "point": -0.2})
    twin = pickle.loads(pickle.dumps(quantity))
    assert twin == quantity == copy.deepcopy(quantity)
    with pytest.raises(TypeError):
        twin.parts["scale"] = 0.0


@pytest.mark.parametrize(
    ("probability", "words"),
    [(0.0, "< 1 %"), (0.009, "< 1 %"), (0.01, "1 %"), (0.944, "94 %"), (0.99, "99 %"), (0.9999, "> 99 %")],
)
def test_no_chance_is_certain(probability: float, words: str) -> None:
    """An estimated probability is never said to be 0 % or 100 %."""
    assert chance_text(probability) == words
