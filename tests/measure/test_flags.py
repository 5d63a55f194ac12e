"""Flags: three outcomes and their probability, floors, sides, presence, levels, the user's own limits."""

from __future__ import annotations

import math
import random

import pytest
from conftest import Elbow, to_pixels
from scipy import stats

from measure.flags import (
    BEYOND,
    CANNOT_TELL,
    SURE,
    WITHIN,
    effective_limit,
    find_flags,
    judge,
    probability_beyond,
    what_would_decide,
)
from measure.measurements import Measurement
from measure.quantity import Quantity
from measure.reading import Landmark
from measure.series import INDEX, LAST, Change, group, measure
from measure.sites import MeasurementRow, Threshold, load_site, with_thresholds

ROW = MeasurementRow("gap", "Gap", "mm", "distance", ("a", "b"), "positive apart", "by hand")


def threshold(side: str = "above", limit: float = 2.0, **fields) -> Threshold:
    return Threshold(
        **({"quantity": "gap", "basis": "value", "level": "clear", "source": ""} | fields),
        side=side,
        limit=limit,
    )


def value(number: float, u: float = 0.5, source: str = "point:x") -> Measurement:
    return Measurement(ROW, Quantity(number, "mm", {source: u}))


class TestProbability:
    """Against scipy.stats.norm, for every side."""

    @pytest.mark.parametrize("limit", [0.0, 2.0, 5.0])
    @pytest.mark.parametrize("u", [0.05, 0.7, 3.0])
    @pytest.mark.parametrize("number", [-6.0, -2.0, 0.0, 1.9, 2.0, 2.1, 9.0])
    def test_against_scipy(self, number, u, limit) -> None:
        """Above is the upper tail, below the lower, either both."""
        quantity, normal = Quantity(number, "mm", {"point:x": u}), stats.norm(number, u)
        expected = {
            "above": normal.sf(limit),
            "below": normal.cdf(limit),
            "either": normal.sf(limit) + normal.cdf(-limit),
        }
        for side, probability in expected.items():
            found = probability_beyond(quantity, threshold(side, limit))
            assert found == pytest.approx(probability, rel=1e-9, abs=1e-300), side

    def test_negative_limits(self) -> None:
        """'Below -3' is below -3, not below 0; 'above -3' likewise."""
        quantity, normal = Quantity(-2.0, "mm", {"point:x": 1.0}), stats.norm(-2.0, 1.0)
        assert probability_beyond(quantity, threshold("below", -3.0)) == pytest.approx(normal.cdf(-3.0))
        assert probability_beyond(quantity, threshold("above", -3.0)) == pytest.approx(normal.sf(-3.0))

    @pytest.mark.parametrize(("number", "expected"), [(2.1, 1.0), (2.0, 0.0), (1.9, 0.0)])
    def test_exact_value(self, number, expected) -> None:
        """A value without uncertainty is beyond or is not; at the limit it is not."""
        assert probability_beyond(Quantity(number, "mm"), threshold()) == expected

    def test_exact_value_below(self) -> None:
        """The same for the other side: at the limit it is not beyond."""
        assert probability_beyond(Quantity(2.0, "mm"), threshold("below")) == 0.0
        assert probability_beyond(Quantity(-2.0, "mm"), threshold("either")) == 0.0
        assert probability_beyond(Quantity(-2.1, "mm"), threshold("either")) == 1.0

    def test_far_tail_is_no_zero_by_rounding(self) -> None:
        """Thirty standard uncertainties off, the probability is tiny and not 1 - 1."""
        found = probability_beyond(Quantity(17.0, "mm", {"point:x": 0.5}), threshold("below"))
        assert 0 < found == pytest.approx(stats.norm.cdf(-30.0))


class TestOutcome:
    """Beyond, within, cannot tell."""

    @pytest.mark.parametrize("side", ["above", "below", "either"])
    def test_beyond_and_within_need_95_per_cent(self, side) -> None:
        """Just over 95 % is beyond, just under is not told; the same at 5 %."""
        u, sign = 0.5, -1.0 if side == "below" else 1.0
        edge = stats.norm.ppf(SURE) * u
        for offset, outcome in ((edge + 1e-6, BEYOND), (edge - 1e-6, CANNOT_TELL), (0.0, CANNOT_TELL),
                                (-edge + 1e-6, CANNOT_TELL), (-edge - 1e-6, WITHIN)):  # fmt: skip
            flag = judge(
                value(sign * (20.0 + offset), u), threshold(side, 20.0 * (sign if side == "below" else 1))
            )
            assert flag.outcome == outcome, (side, offset)

    def test_wider_uncertainty_cannot_tell(self) -> None:
        """The same value is beyond when sure, and not told when not."""
        assert judge(value(3.0, 0.4), threshold()).outcome == BEYOND
        assert judge(value(3.0, 2.0), threshold()).outcome == CANNOT_TELL

    def test_no_value_cannot_tell_and_says_why(self) -> None:
        """Without a value the reason stands where the probability would."""
        flag = judge(Measurement(ROW, reason="not placed: hole"), threshold())
        assert (flag.outcome, flag.probability, flag.why) == (CANNOT_TELL, None, "not placed: hole")

    def test_false_alarms_are_as_rare_as_stated(self) -> None:
        """True value at the limit, 4000 draws: beyond in 5 of 100, within in 5 of 100, give or take 3 SD."""
        rng = random.Random(3)
        outcomes = [judge(value(rng.gauss(2.0, 0.5)), threshold()).outcome for _ in range(4000)]
        for outcome in (BEYOND, WITHIN):
            assert outcomes.count(outcome) / 4000 == pytest.approx(
                0.05, abs=3 * math.sqrt(0.05 * 0.95 / 4000)
            )
        assert outcomes.count(BEYOND) / 4000 != pytest.approx(0.5, abs=0.1)  # a bare comparison's share


class TestFloor:
    """Nothing smaller than the floor is flagged, whatever the limit says."""

    @pytest.mark.parametrize(
        ("side", "limit", "floor", "expected"),
        [
            ("above", 0.5, 1.0, 1.0), ("above", 2.0, 1.0, 2.0), ("above", -3.0, 0.0, -3.0),
            ("below", -0.5, 1.0, -1.0), ("below", -2.0, 1.0, -2.0), ("below", -3.0, 0.0, -3.0),
            ("either", 0.5, 1.0, 1.0), ("either", 2.0, 1.0, 2.0),
        ],
    )  # fmt: skip
    def test_effective_limit(self, side, limit, floor, expected) -> None:
        """The limit farther from zero counts."""
        assert effective_limit(threshold(side, limit, floor=floor)) == expected

    def test_a_sure_change_below_the_floor_is_within(self) -> None:
        """0.9 mm, sure to 0.01 mm, beyond a limit of 0.5 mm, is not flagged under a floor of 1 mm."""
        assert judge(value(0.9, 0.01), threshold(limit=0.5)).outcome == BEYOND
        assert judge(value(0.9, 0.01), threshold(limit=0.5, floor=1.0)).outcome == WITHIN

    def test_what_is_shown_is_what_was_applied(self) -> None:
        """The limit told is the floor where that was used."""
        assert judge(value(0.9), threshold(limit=0.5, floor=1.0)).limit_text == "> 1 mm"
        assert judge(value(0.9), threshold("either", 5.0)).limit_text == "> 5 mm either way"
        assert judge(value(0.9), threshold("below", -2.0)).limit_text == "< -2 mm"


class TestPresence:
    """What is there or is not, such as a break."""

    @pytest.mark.parametrize(("present", "outcome"), [(True, BEYOND), (False, WITHIN)])
    def test_seen_or_not(self, present, outcome) -> None:
        """Any is beyond, none is within; no size is needed."""
        flag = judge(Measurement(ROW, Quantity(0.0, "mm"), present=present), threshold("present", 0.0))
        assert flag.outcome == outcome
        assert flag.limit_text == "any"

    def test_not_looked_for(self) -> None:
        """Not placed is not 'none': it cannot be told, with the reason."""
        flag = judge(Measurement(ROW, reason="not placed: break"), threshold("present", 0.0))
        assert (flag.outcome, flag.why) == (CANNOT_TELL, "not placed: break")

    def test_a_row_that_looks_for_nothing(self, make_film, make_reading) -> None:
        """A user's 'present' on a plain length, or on a change, cannot be told and says so."""
        assert judge(value(1.0), threshold("present", 0.0)).why
        film = measure(make_film(), make_reading(make_film()))
        flag = judge(Change(ROW, INDEX, film, film, Quantity(1.0, "mm")), threshold("present", 0.0))
        assert flag.outcome == CANNOT_TELL
        assert flag.why


class TestWhatWouldDecide:
    """The largest part of the uncertainty names the remedy."""

    @pytest.mark.parametrize(
        ("source", "words"),
        [
            ("scale-height:set-up:f", "marker"),
            ("scale:any", "marker"),
            ("point:f:hole[0]:along", "second reading"),
            ("habit:r:olecranon:hole", "same reader"),
            ("parallax:f:pin1", "same rotation"),
            ("nonlinear:f:gap", "further apart"),
            ("something new:f", "better film"),
        ],
    )
    def test_by_largest_part(self, source, words) -> None:
        """A source that is larger than all others together decides."""
        quantity = Quantity(2.0, "mm", {source: 0.9, "point:other": 0.3, "scale:other": 0.3})
        assert words in what_would_decide(quantity)

    def test_one_film_has_one_reader_and_no_other_rotation(self) -> None:
        """What would decide a value of one film says nothing of a second film's reader or rotation."""
        for source, words in (("habit:r:hole", "a second reader"), ("parallax:f:pin1", "true view")):
            found = what_would_decide(Quantity(2.0, "mm", {source: 0.9}), change=False)
            assert words in found
            assert "same" not in found

    def test_many_small_parts_of_a_kind_add_up(self) -> None:
        """Ten clicks of 0.2 outweigh one scale of 0.5."""
        parts = {f"point:f:{number}": 0.2 for number in range(10)} | {"scale:f": 0.5}
        assert "second reading" in what_would_decide(Quantity(2.0, "mm", parts))


@pytest.fixture
def case_of(make_film, make_reading):
    """Make a case of films from elbows, in order of time: case_of(elbow, elbow, ..., landmarks={...})."""

    def make(*elbows, **reading):
        films = []
        for number, elbow in enumerate(elbows, start=1):
            film = make_film(number, 14 * number)
            last = reading if number == len(elbows) else {}
            films.append(measure(film, make_reading(film, elbow, **last)))
        ((case,), _) = group(films)
        return case

    return make


def flag_of(flags, name, target="", basis=None):
    (found,) = [f for f in flags if f.key == (name, target) and getattr(f.subject, "basis", None) == basis]
    return found


class TestCase:
    """The site table's thresholds over a case."""

    def test_order_and_one_flag_a_quantity_and_basis(self, case_of) -> None:
        """Beyond first, then what cannot be told; no quantity twice for one basis."""
        flags = find_flags(case_of(Elbow(), Elbow(gap=1.9), Elbow(gap=9.0, dorsal_gap=3.0)))
        outcomes = [flag.outcome for flag in flags]
        assert outcomes == sorted(outcomes, key=[BEYOND, CANNOT_TELL, WITHIN].index)
        assert set(outcomes) == {BEYOND, CANNOT_TELL, WITHIN}
        keys = [(flag.key, getattr(flag.subject, "basis", None)) for flag in flags]
        assert len(set(keys)) == len(keys)

    def test_quiet_case(self, case_of) -> None:
        """Three films alike, the tips well short of the cortex that the pins graze: everything is within."""
        quiet = Elbow(beyond=(-6.0, -6.0))
        assert {flag.outcome for flag in find_flags(case_of(quiet, quiet, quiet))} == {WITHIN}

    @pytest.mark.parametrize(
        ("back_out", "outcome", "level"),
        [
            (0.0, WITHIN, "possible"),
            (2.0, CANNOT_TELL, "possible"),
            (4.0, BEYOND, "possible"),
            (9.0, BEYOND, "clear"),
        ],
    )
    def test_levels(self, case_of, back_out, outcome, level) -> None:
        """Of two limits for back-out, 2 and 5 mm, the highest that is beyond is given, else the lowest."""
        flags = find_flags(case_of(Elbow(), Elbow(back_out=(back_out, 0.0))))
        flag = flag_of(flags, "back_out", "pin1", INDEX)
        assert (flag.outcome, flag.threshold.level) == (outcome, level)
        assert flag_of(flags, "back_out", "pin2", INDEX).outcome == WITHIN

    def test_a_higher_level_in_question_is_not_hidden(self, case_of) -> None:
        """5.5 mm is beyond 2 mm for sure; that it may be beyond 5 mm too is said, with its chance."""
        flag = flag_of(find_flags(case_of(Elbow(), Elbow(back_out=(5.5, 0.0)))), "back_out", "pin1", INDEX)
        assert (flag.outcome, flag.threshold.level) == (BEYOND, "possible")
        chance = 100 * probability_beyond(flag.subject.quantity, threshold(limit=5.0))
        assert f"cannot tell whether clear: {chance:.0f} % chance of > 5 mm either way" in flag.why

    def test_since_the_last_visit_as_well(self, case_of) -> None:
        """A gap that opened early and then held is beyond since the index and within since the last visit."""
        flags = find_flags(case_of(Elbow(), Elbow(gap=5.0), Elbow(gap=5.0)))
        assert flag_of(flags, "articular_gap", "", INDEX).outcome == BEYOND
        assert flag_of(flags, "articular_gap", "", LAST).outcome == WITHIN
        assert flag_of(flags, "articular_gap").outcome == BEYOND  # the value itself

    def test_an_earlier_film_s_flags(self, case_of) -> None:
        """Each film has flags of its own, by its own changes; the index film has values alone."""
        case = case_of(Elbow(), Elbow(gap=7.0), Elbow(gap=0.4))
        index, middle, current = (find_flags(case, film=film) for film in case.films)
        assert find_flags(case) == current
        assert {getattr(flag.subject, "basis", None) for flag in index} == {None}
        assert flag_of(middle, "articular_gap", "", INDEX).outcome == BEYOND
        assert flag_of(current, "articular_gap", "", INDEX).outcome == WITHIN

    def test_broken_wire(self, case_of) -> None:
        """A break placed is beyond whatever its length; not looked for cannot be told."""
        ends = to_pixels([(10.0, -9.0), (10.5, -9.0)])
        broken = case_of(Elbow(), Elbow(), landmarks={"wire_break": Landmark("confirmed", ends)})
        assert flag_of(find_flags(broken), "wire_break").outcome == BEYOND
        unseen = case_of(Elbow(), Elbow(), landmarks={"wire_break": None})
        assert flag_of(find_flags(unseen), "wire_break").outcome == CANNOT_TELL

    def test_hidden_landmark_cannot_tell(self, case_of) -> None:
        """A gap that metal hides is no gap within its limit."""
        hidden = Landmark("not assessable", reason="metal hides it")
        flags = find_flags(case_of(Elbow(), Elbow(), landmarks={"articular_edge_proximal": hidden}))
        for basis in (None, INDEX):
            flag = flag_of(flags, "articular_gap", "", basis)
            assert flag.outcome == CANNOT_TELL
            assert "metal hides it" in flag.why


class TestUsersLimits:
    """A user's own file of thresholds."""

    def site(self, tmp_path, rows: str):
        path = tmp_path / "mine.toml"
        path.write_text(f'format = "holdfast-thresholds"\n{rows}', encoding="utf-8")
        return with_thresholds(load_site("olecranon"), path)

    def test_replaces_the_table_s(self, case_of, tmp_path) -> None:
        """A gap opening by 4 mm is beyond the table's 2 mm, and within the user's 8 mm."""
        row = '[[threshold]]\nsite="olecranon"\nview="lateral"\nquantity="articular_gap"\nbasis="change"\n'
        site = self.site(tmp_path, row + 'side="above"\nlimit=8\nlevel="clear"\n')
        case = case_of(Elbow(), Elbow(gap=4.4))
        assert flag_of(find_flags(case), "articular_gap", "", INDEX).outcome == BEYOND
        flag = flag_of(find_flags(case, site), "articular_gap", "", INDEX)
        assert (flag.outcome, flag.limit_text) == (WITHIN, "> 8 mm")
        assert flag.threshold.source == "the user's own"

    def test_adds_one_for_a_quantity_that_had_none(self, case_of, tmp_path) -> None:
        """Pin prominence has no limit in the table; the user may set one."""
        row = '[[threshold]]\nsite="olecranon"\nview="lateral"\nquantity="pin_prominence"\nbasis="value"\n'
        site = self.site(tmp_path, row + 'side="above"\nlimit=3\nlevel="possible"\n')
        case = case_of(Elbow(prominence=(12.0, 0.5)))
        assert flag_of(find_flags(case, site), "pin_prominence", "pin1").outcome == BEYOND
        assert flag_of(find_flags(case, site), "pin_prominence", "pin2").outcome == WITHIN

    def test_the_floor_stays(self, case_of, tmp_path) -> None:
        """A user's limit of 0.2 mm for the gap cannot flag what films cannot show."""
        row = '[[threshold]]\nsite="olecranon"\nview="lateral"\nquantity="articular_gap"\nbasis="change"\n'
        site = self.site(tmp_path, row + 'side="above"\nlimit=0.2\nlevel="clear"\n')
        flag = flag_of(find_flags(case_of(Elbow(), Elbow(gap=1.2)), site), "articular_gap", "", INDEX)
        assert flag.limit_text == "> 1 mm"
        assert flag.outcome != BEYOND
