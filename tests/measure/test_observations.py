"""What the eye sees: the table of observations, how readings carry them, and what contradicts itself."""

from __future__ import annotations

import hashlib
import json
from collections.abc import Callable
from dataclasses import replace

import pytest
from pydicom.sr.codedict import codes

from measure.errors import ReadingError
from measure.film import Film
from measure.observations import cortices, observation_table, site_rows, view_rows
from measure.reading import Landmark, Observation, Reading, from_json, to_json
from measure.series import measure
from measure.sites import load_site, site_names

VIEWS = [(site, view) for site in site_names() for view in load_site(site).views]


@pytest.fixture
def reading(make_film: Callable[..., Film], make_reading: Callable[..., Reading]) -> Reading:
    return make_reading(make_film(), landmarks={"wire_break": None})


def graded(reading: Reading, **grades: str) -> Reading:
    return replace(reading, observations={name: Observation(grade) for name, grade in grades.items()})


def signed(content: dict) -> str:
    """JSON text with a checksum that fits, as another program would write it."""
    body = {key: value for key, value in content.items() if key != "checksum"}
    text = json.dumps(body, sort_keys=True, separators=(",", ":"), ensure_ascii=True)
    return json.dumps(body | {"checksum": "sha256:" + hashlib.sha256(text.encode()).hexdigest()})


class TestTable:
    """Every site and view has its rows, and every code is one that the dictionaries carry."""

    @pytest.mark.parametrize(("site", "view"), VIEWS)
    def test_each_view_shows_two_cortices_and_the_hardware(self, site: str, view: str) -> None:
        """Two cortices a view, as the published scheme counts them, then what every view shows."""
        rows = view_rows(site, view)
        assert [row.kind.name for row in rows.values()].count("bridging") == 2
        assert {"fracture_line", "pin1", "pin2", "wire", "joint", "new_fracture", "film_view"} <= set(rows)

    @pytest.mark.parametrize("site", site_names())
    def test_names_are_there_once_and_views_are_the_sites(self, site: str) -> None:
        names = [row.name for row in site_rows(site)]
        assert len(set(names)) == len(names)
        assert {view for row in site_rows(site) for view in row.views} <= set(load_site(site).views)

    def test_every_site_has_rows_and_no_other(self) -> None:
        assert set(observation_table().rows) == {*site_names(), "every"}

    def test_usual_grades_and_contradictions_name_what_is_there(self) -> None:
        table = observation_table()
        assert all(kind.usual in ("", *kind.grade) for kind in table.kinds.values())
        rows = {row.name: row.kind for site in table.rows.values() for row in site}
        for row in table.contradictions:
            assert set(row.grades) <= set(rows[row.observation].grade)
            assert bool(row.kind) != bool(row.landmark)
            if row.kind:
                assert set(row.others) <= set(table.kinds[row.kind].grade)

    def test_bridging_scores_are_those_of_the_published_scheme(self) -> None:
        """Source: Whelan 2010, J Trauma 68:629 (from memory): 1 no callus, 2 callus, 3 bridged; 4 to 12."""
        scores = [grade.score for grade in observation_table().kinds["bridging"].grades]
        assert scores == [1, 2, 3]
        assert (4 * min(scores), 4 * max(scores)) == (4, 12)

    def test_codes_are_in_the_dictionaries(self) -> None:
        """Source: the SNOMED CT and DCM dictionaries of pydicom, made from PS3.16."""
        given = [
            grade.code for kind in observation_table().kinds.values() for grade in kind.grades if grade.code
        ]
        assert len(given) >= 8
        assert [code for code in given if not in_dictionary(*code)] == []

    @pytest.mark.parametrize(
        "wrong",
        [("SCT", "52101005", "Present"), ("SCT", "52101004", "Absent"), ("DCM", "52101004", "Present")],
    )
    def test_a_wrong_code_is_seen(self, wrong: tuple[str, str, str]) -> None:
        """The check above rejects a wrong digit, a wrong meaning and a wrong scheme."""
        assert not in_dictionary(*wrong)


def in_dictionary(scheme: str, value: str, meaning: str) -> bool:
    """Whether pydicom's dictionary of a scheme has a code of this value and meaning, capitals aside."""
    known = {"SCT": codes.SCT, "DCM": codes.DCM}[scheme].concepts.values()
    return any(code.value == value and code.meaning.lower() == meaning.lower() for code in known)


class TestKept:
    """A reading carries its grades, and an older one reads as one without any."""

    def test_grades_and_remark_come_back(self, reading: Reading) -> None:
        given = {
            "bridging_dorsal": Observation("callus"),
            "bridging_articular": Observation(reason="metal hides it"),
        }
        kept = replace(reading, observations=given, remark="seen with a colleague")
        assert from_json(to_json(kept)) == kept

    def test_an_older_reading_has_none(self, reading: Reading) -> None:
        """A file of version 1, as holdfast wrote it before there were observations."""
        content = json.loads(to_json(reading)) | {"version": 1}
        del content["observations"], content["remark"]
        older = from_json(signed(content))
        assert older == reading
        assert (dict(older.observations), older.remark) == ({}, "")

    def test_a_newer_reading_without_the_field_is_refused(self, reading: Reading) -> None:
        content = json.loads(to_json(reading))
        del content["observations"]
        with pytest.raises(ReadingError, match=r"needs exactly the entries .*observations"):
            from_json(signed(content))


class TestBad:
    """Grades that cannot be: every message says what was received and what is expected."""

    @pytest.mark.parametrize(
        ("name", "seen", "match"),
        [
            ("bridging_ulnar", Observation("callus"), r"lateral view does not show it; .* graded on: ap"),
            ("bridging_left", Observation("callus"), r"no such observation; there are: bridging_dorsal"),
            ("wire", Observation("snapped"), r"'snapped' is not one of intact, slack, broken"),
            (
                "wire",
                Observation(["intact", "broken"]),
                r"is not text or null \(an observation has one grade\)",
            ),
            ("wire", Observation(), r"not assessable, but no reason"),
            ("wire", Observation("slack", "metal hides it"), r"graded 'slack', yet there is a reason"),
        ],
    )
    def test_refused(self, reading: Reading, name: str, seen: Observation, match: str) -> None:
        with pytest.raises(ReadingError, match=match):
            replace(reading, observations={name: seen})

    def test_the_same_observation_twice(self, reading: Reading) -> None:
        """JSON would keep the last of two; broken wire and intact wire is told instead."""
        text = to_json(graded(reading, wire="intact"))
        twice = text.replace(' "wire": {', ' "wire": {"grade": "broken", "reason": null}, "wire": {')
        assert twice != text
        with pytest.raises(ReadingError, match=r"it says wire twice"):
            from_json(twice)

    def test_a_remark_that_is_no_text(self, reading: Reading) -> None:
        with pytest.raises(ReadingError, match=r"remark 7 is not text"):
            replace(reading, remark=7)


class TestContradictions:
    """Grades that cannot both be right are kept as given, told, and not relied on."""

    def test_line_gone_yet_seen_at_a_cortex(self, reading: Reading) -> None:
        both = graded(
            reading, fracture_line="not_visible", bridging_dorsal="callus", bridging_articular="bridged"
        )
        assert set(both.contradictions) == {"fracture_line", "bridging_dorsal"}

    @pytest.mark.parametrize(
        ("grade", "landmark", "clash"),
        [
            ("intact", Landmark("confirmed", ((10.0, 10.0), (12.0, 10.0))), True),
            ("slack", Landmark("confirmed", ((10.0, 10.0), (12.0, 10.0))), True),
            ("broken", Landmark("absent"), True),
            ("broken", Landmark("confirmed", ((10.0, 10.0), (12.0, 10.0))), False),
            ("intact", Landmark("absent"), False),
            ("intact", Landmark("proposed", ((10.0, 10.0), (12.0, 10.0))), False),
        ],
    )
    def test_wire_against_its_break(
        self, reading: Reading, grade: str, landmark: Landmark, clash: bool
    ) -> None:
        seen = replace(graded(reading, wire=grade), landmarks={**reading.landmarks, "wire_break": landmark})
        assert bool(seen.contradictions) == clash

    def test_they_are_told_beside_the_numbers(self, make_film: Callable[..., Film], reading: Reading) -> None:
        film = make_film()
        clash = graded(
            replace(reading, film_digest=film.digest), fracture_line="not_visible", bridging_dorsal="none"
        )
        (note,) = [note for note in measure(film, clash).notes if "do not go together" in note]
        assert "its line seen" in note

    def test_cortices_of_the_olecranon_are_on_two_views(self) -> None:
        assert [row.views for row in cortices("olecranon")] == [("lateral",), ("lateral",), ("ap",), ("ap",)]


def test_each_gap_named_at_a_cortex_is_measured_on_its_view() -> None:
    """A name that no site table has would silence what the first line says of it."""
    named = [(site, row) for site, rows in observation_table().rows.items() for row in rows if row.gap]
    assert len(named) == 12
    for site, row in named:
        measured = {each.name for each in load_site(site).views[row.views[0]].measurements}
        assert row.gap in measured
