"""Is it healing: score, sentences, and how what the eye saw reaches every table and report."""

from __future__ import annotations

import json
import subprocess
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

import pandas as pd
import pydicom
import pytest

from measure.__main__ import main
from measure.clinic_html import page_html
from measure.clinic_page import clinic_page
from measure.deidentify import LEFT_OUT, deidentify_folder
from measure.export import write_csv
from measure.film import Film, read_film
from measure.flags import find_flags
from measure.healing import (
    Healing,
    eye_lines,
    healing_of,
    healing_of_cases,
    healing_words,
    seen_of_holding,
)
from measure.observations import observation_table, view_rows
from measure.pseudonym import Pseudonyms
from measure.reading import Observation, Reading, load_reading, save_reading
from measure.report import holding_words
from measure.research_export import write_research
from measure.review import Review, review
from measure.series import Case, MeasuredFilm, group, measure
from measure.store import Store
from measure.structured_report import (
    SCHEME,
    read_observations,
    read_structured_report,
    write_structured_report,
)

LATERAL = {"bridging_dorsal": "bridged", "bridging_articular": "callus"}
AP = {"bridging_ulnar": "callus", "bridging_radial": "none"}
HIDDEN = Observation(reason="metal hides it")
TYPED = Observation(reason="said by the porter, J. Doe")
KEY = Pseudonyms(b"k" * 32)


def seen(grades: dict[str, str], **others: Observation) -> dict[str, Observation]:
    return {name: Observation(grade) for name, grade in grades.items()} | others


def whole_sheet(view: str) -> dict[str, Observation]:
    """Every observation of a view graded, each as its first grade."""
    rows = view_rows("olecranon", view).values()
    return {row.name: Observation(row.kind.grades[0].name) for row in rows}


@pytest.fixture
def film(make_film: Callable[..., Film], make_reading: Callable[..., Reading]) -> Callable[..., MeasuredFilm]:
    """Measure a film with observations: film(number, day, view, observations, **fields of the reading)."""

    def make(
        number: int = 1,
        day: int = 0,
        view: str = "lateral",
        observations: dict[str, Observation] | None = None,
        **fields: object,
    ) -> MeasuredFilm:
        taken = make_film(number, day=day, view=view)
        return measure(taken, make_reading(taken, view=view, observations=observations or {}, **fields))

    return make


@pytest.fixture
def visit(film: Callable[..., MeasuredFilm]) -> Callable[..., Healing]:
    """Put a visit together from the grades of its lateral and its AP film."""

    def make(lateral: dict[str, Observation], ap: dict[str, Observation], **fields: object) -> Healing:
        return healing_of([film(1, 0, "lateral", lateral), film(2, 0, "ap", ap, **fields)])

    return make


class TestScore:
    """A total where all four cortices are assessed, else the share assessed and why there is none."""

    @pytest.mark.parametrize(
        ("lateral", "ap", "score"),
        [
            (("none", "none"), ("none", "none"), 4),
            (("bridged", "callus"), ("callus", "none"), 8),
            (("bridged", "bridged"), ("bridged", "bridged"), 12),
        ],
    )
    def test_four_cortices(
        self, visit: Callable[..., Healing], lateral: tuple[str, str], ap: tuple[str, str], score: int
    ) -> None:
        """Source: Whelan 2010 (from memory): 1, 2 or 3 a cortex, 4 to 12 in all."""
        made = visit(seen(dict(zip(LATERAL, lateral, strict=True))), seen(dict(zip(AP, ap, strict=True))))
        assert (made.score, made.why) == (score, "")

    def test_one_hidden_cortex_leaves_no_total(self, visit: Callable[..., Healing]) -> None:
        made = visit(seen(LATERAL), seen({"bridging_ulnar": "callus"}, bridging_radial=HIDDEN))
        assert (made.score, made.why, len(made.grades)) == (None, "it needs all 4 cortices", 3)
        words = healing_words(made)
        assert "3 of 4 cortices assessed: 1 bridged, 2 with callus." in words
        assert "No score: it needs all 4 cortices." in words
        assert "Not assessed: radial cortex (metal hides it)." in words

    def test_one_view_alone(self, film: Callable[..., MeasuredFilm]) -> None:
        made = healing_of([film(observations=seen(LATERAL))])
        assert made.score is None
        assert "ulnar cortex, radial cortex (its view was not read)" in healing_words(made)

    def test_two_readers_make_no_total(self, visit: Callable[..., Healing]) -> None:
        made = visit(seen(LATERAL), seen(AP), reader="reader-b")
        assert (made.score, made.why) == (None, "the two views were graded by different readers")

    def test_a_site_with_two_cortices_has_none(
        self, make_film: Callable[..., Film], make_reading: Callable[..., Reading]
    ) -> None:
        taken = make_film(view="ap")
        reading = replace(
            make_reading(taken, view="ap"), site="medial_malleolus", axis="tibial shaft", landmarks={},
            observations=seen({"bridging_medial": "bridged", "bridging_articular": "bridged"}),
        )  # fmt: skip
        made = healing_of([measure(taken, reading)])
        assert made.score is None
        assert "show 2 cortices" in made.why

    def test_contradictory_grades_do_not_count(self, visit: Callable[..., Healing]) -> None:
        made = visit(seen(LATERAL | {"fracture_line": "not_visible"}), seen(AP))
        assert made.score is None
        assert "joint surface, fracture line (contradictory grades)" in healing_words(made)


class TestVisits:
    """Which films belong together."""

    def test_views_of_one_day_and_patient_alone(self, film: Callable[..., MeasuredFilm]) -> None:
        lateral, ap = film(1, 0, "lateral", seen(LATERAL)), film(2, 0, "ap", seen(AP))
        later, stranger = film(3, 40, "ap", seen(AP)), replace(film(4, 0, "ap", seen(AP)), patient_key="P2")
        cases, _ = group([lateral, ap, later, stranger])
        found = {
            one.reading.uid: {each.reading.uid for each in healing.films}
            for case, rows in zip(cases, healing_of_cases(cases), strict=True)
            for one, healing in zip(case.films, rows, strict=True)
        }
        assert found[lateral.reading.uid] == found[ap.reading.uid] == {lateral.reading.uid, ap.reading.uid}
        assert found[later.reading.uid] == {later.reading.uid}
        assert found[stranger.reading.uid] == {stranger.reading.uid}

    def test_films_that_do_not_say_whose_they_are(self, film: Callable[..., MeasuredFilm]) -> None:
        unknown = [replace(film(n, 0, view), patient_key=None) for n, view in ((1, "lateral"), (2, "ap"))]
        cases = [Case((one,), ()) for one in unknown]
        assert [len(rows[0].films) for rows in healing_of_cases(cases)] == [1, 1]


class TestWords:
    """Calm sentences that hide nothing."""

    def test_not_graded_is_said(self, film: Callable[..., MeasuredFilm]) -> None:
        one = film()
        assert healing_words(healing_of([one])) == "Not graded on these films."
        assert list(eye_lines(Case((one,), ()))) == ["nothing was graded on these films"]

    def test_progress_since_the_index_visit(self, visit: Callable[..., Healing]) -> None:
        before = visit(seen(LATERAL), seen(AP))
        now = visit(seen(dict.fromkeys(LATERAL, "callus")), seen(dict.fromkeys(AP, "callus")))
        words = healing_words(now, before)
        assert "Since the index visit: further at 1, the same at 2, less far at 1." in words
        assert "Since" not in healing_words(now, now)

    def test_what_is_not_as_usual_is_named_with_its_view(self, visit: Callable[..., Healing]) -> None:
        lateral = seen({"wire": "slack", "pin1": "straight", "new_fracture": "seen"})
        made = visit(
            lateral | seen({"prominence": "seen", "film_crop": "cropped"}),
            seen({"wire": "intact", "pin1": "bent", "film_crop": "cropped"}),
        )
        held, healed = seen_of_holding(made), healing_words(made)
        assert held == "pin 1 bent (AP, not lateral), wire slack (lateral, not AP), new fracture (lateral)"
        prominent = "soft-tissue prominence over metal (lateral)"
        assert f"Also seen: {prominent}, film: field cropped (lateral, AP)." in healed
        assert "wire" not in healed

    def test_what_was_not_looked_at_is_said(self, visit: Callable[..., Healing]) -> None:
        """Silence on the wire is not a wire that was found whole."""
        words = healing_words(visit(seen(LATERAL), seen(AP, wire=HIDDEN)))
        assert "Not assessed: wire (metal hides it). Not graded: 13 more." in words
        assert "Not" not in healing_words(visit(whole_sheet("lateral"), whole_sheet("ap")))

    def test_another_reader_is_not_compared_with(self, visit: Callable[..., Healing]) -> None:
        before = visit(seen(LATERAL), seen(AP), reader="reader-b")
        words = healing_words(visit(seen(LATERAL), seen(AP)), before)
        assert (
            "Since the index visit: the same at 2, not compared at 2, graded by another reader then." in words
        )

    def test_holding_says_what_the_eye_saw_and_where_a_wide_gap_is_graded_bridged(
        self, film: Callable[..., MeasuredFilm]
    ) -> None:
        """All within its limits and a new fracture: both stand in the first line."""
        grades = seen({"bridging_dorsal": "bridged", "bridging_articular": "callus", "new_fracture": "seen"})
        (case,), _ = group([film(1, 0), film(2, 40, observations=grades)])
        now = healing_of([case.current])
        flags = find_flags(case)
        words = holding_words(case, flags, now)
        assert "Seen by eye, not measured: new fracture (lateral)." in words
        assert words in clinic_page(case, flags, "Case 1", ()).words
        assert "Graded bridged" not in words
        wide = [replace(flag, outcome="beyond") for flag in flags]
        assert "Graded bridged all the same: dorsal cortex; look at both again." in holding_words(
            case, wide, now
        )

    def test_page_says_both_first(self, film: Callable[..., MeasuredFilm]) -> None:
        """Holding and healing stand before the flags, on the screen's page as on paper."""
        (case,), _ = group([film(1, 0, observations=seen(LATERAL)), film(2, 40, observations=seen(LATERAL))])
        page = clinic_page(case, find_flags(case), "Case 1", ())
        text = page_html(page)
        assert "2 of 4 cortices assessed: 1 bridged, 1 with callus." in page.healing
        places = [text.index(words) for words in ("Holding, as measured", "Healing, as graded", "<h2>Flags")]
        assert places == sorted(places)
        assert page.healing in list(page.texts())


@pytest.fixture
def folder(tmp_path: Path, write_film: Callable[..., Path], make_reading: Callable[..., Reading]) -> Path:
    """Write a lateral film with grades, a typed reason and a remark."""
    path = write_film(tmp_path / "in" / "film.dcm", 1, BurnedInAnnotation="NO")
    reading = make_reading(
        read_film(path),
        observations=seen(
            {"bridging_dorsal": "callus", "pin1": "bent"}, bridging_articular=HIDDEN, wire=TYPED
        ),
        remark="ask Dr Doe on ward 3",
    )
    save_reading(reading, tmp_path / "in" / "film.reading.json")
    return tmp_path / "in"


@pytest.fixture
def reviewed(folder: Path) -> Review:
    return review(folder)


class TestTables:
    """CSV for the clinic, tables for research, and clean films."""

    def test_csv_holds_every_observation_and_the_remark(self, reviewed: Review, tmp_path: Path) -> None:
        write_csv(reviewed, tmp_path / "out")
        table = pd.read_csv(tmp_path / "out" / "observations.csv", keep_default_na=False).set_index(
            "observation"
        )
        assert table.loc["bridging_dorsal", "grade"] == "callus"
        assert int(table.loc["bridging_dorsal", "grade_number"]) == 2
        assert table.loc["bridging_articular", "not_assessable_reason"] == "metal hides it"
        assert (table.loc["joint", "grade"], table.loc["joint", "not_assessable_reason"]) == ("", "")
        healing = pd.read_csv(tmp_path / "out" / "healing.csv").iloc[0]
        assert (healing.cortices, healing.assessed, healing.callus) == (4, 1, 1)
        assert pd.isna(healing.score)
        assert healing.remark == "ask Dr Doe on ward 3"

    @pytest.mark.parametrize("remarks", [False, True])
    def test_research_keeps_typed_words_only_where_chosen(
        self, reviewed: Review, tmp_path: Path, remarks: bool
    ) -> None:
        write_research(reviewed, tmp_path / "out", KEY, ("csv", "parquet"), remarks=remarks)
        said = b"".join(path.read_bytes() for path in (tmp_path / "out").iterdir())
        assert b"porter" not in said
        assert (b"ward 3" in said) == remarks
        table = pd.read_parquet(tmp_path / "out" / "observations.parquet").set_index("observation")
        assert table.loc["bridging_articular", "not_assessable_reason"] == "metal hides it"
        assert table.loc["wire", "not_assessable_reason"] == "in the reader's words, left out"
        dictionary = json.loads((tmp_path / "out" / "dictionary.json").read_text())
        view = dictionary["sites"]["olecranon"]["views"]["lateral"]["observations"]
        assert view["bridging_dorsal"]["grades"]["callus"] == "callus, line still seen"
        assert set(dictionary["tables"]["healing"]["columns"]) >= {"score", "fracture_line_contrast"}

    @pytest.mark.parametrize("remarks", [False, True])
    def test_clean_readings_keep_grades_and_not_typed_words(
        self, folder: Path, tmp_path: Path, remarks: bool
    ) -> None:
        done = deidentify_folder(folder, tmp_path / "clean", KEY, remarks=remarks)
        assert not done.problems
        (path,) = (tmp_path / "clean").rglob("*.reading.json")
        clean = load_reading(path)
        assert clean.observations["bridging_articular"] == HIDDEN
        assert clean.observations["wire"].reason == LEFT_OUT
        assert clean.remark == ("ask Dr Doe on ward 3" if remarks else "")

    @pytest.mark.parametrize("command", ["export", "deidentify"])
    def test_the_command_keeps_remarks_where_asked_for(
        self, folder: Path, tmp_path: Path, command: str
    ) -> None:
        for chosen in ([], ["--remarks"]):
            out = tmp_path / f"out-{len(chosen)}"
            assert main([command, str(folder), "--out", str(out), *chosen]) == 0
            said = b"".join(path.read_bytes() for path in out.rglob("*") if path.is_file())
            assert (b"ward 3" in said) == bool(chosen)

    def test_the_store_keeps_them(self, folder: Path, tmp_path: Path) -> None:
        kept = load_reading(folder / "film.reading.json")
        with Store(tmp_path / "kept.sqlite") as store:
            store.import_folder(folder)
            (row,) = store.find(standing=True)
            assert row.reading() == kept


class TestStructured:
    """Coded findings in the structured report."""

    def test_grades_come_back_and_the_numbers_still_do(self, reviewed: Review, tmp_path: Path) -> None:
        (film,) = reviewed.cases[0].films
        path = write_structured_report(film, tmp_path / "report.dcm")
        assert read_observations(path) == {
            "bridging_dorsal": "callus, line still seen",
            "bridging_articular": "Not assessable: metal hides it",
            "pin1": "bent",
            "wire": "Not assessable: said by the porter, J. Doe",
        }
        assert {each.name for each in read_structured_report(path)} == {m.row.name for m in film.measurements}

    def test_every_grade_is_coded_and_others_accept_it(
        self, tmp_path: Path, write_film: Callable[..., Path], make_reading: Callable[..., Reading]
    ) -> None:
        """Source: dciodvfy (dicom3tools). Codes are our own scheme's or those of the table."""
        film = read_film(write_film(tmp_path / "film.dcm"))
        grades = {
            "bridging_dorsal": "none",
            "new_fracture": "seen",
            "film_exposure": "over",
            "joint": "narrowed",
        }
        path = write_structured_report(
            measure(film, make_reading(film, observations=seen(grades))), tmp_path / "report.dcm"
        )
        said = subprocess.run(["dciodvfy", "-new", path], capture_output=True, text=True).stderr
        assert "Error" not in said, said
        known = {g.code for kind in observation_table().kinds.values() for g in kind.grades if g.code}
        coded = [
            (code.CodingSchemeDesignator, code.CodeValue, code.CodeMeaning)
            for part in pydicom.dcmread(path).ContentSequence[-1].ContentSequence[-1].ContentSequence
            if part.ValueType == "CODE" and part.ConceptNameCodeSequence[0].CodingSchemeDesignator == SCHEME
            for code in part.ConceptCodeSequence
        ]
        assert len(coded) == 4
        assert set(coded) <= known

    def test_a_long_reason_comes_back_whole(
        self, tmp_path: Path, write_film: Callable[..., Path], make_reading: Callable[..., Reading]
    ) -> None:
        """Longer than a code's meaning may be, with letters and signs of any kind; dciodvfy accepts it."""
        reason = "plaster, drawn \\ by Łucja" + 20 * ", a splint lies over it"
        film = read_film(write_film(tmp_path / "film.dcm"))
        reading = make_reading(film, observations={"wire": Observation(reason=reason)})
        path = write_structured_report(measure(film, reading), tmp_path / "report.dcm")
        assert read_observations(path) == {"wire": f"Not assessable: {reason}"}
        for command in (("dciodvfy", "-new", path), ("dsrdump", path)):
            done = subprocess.run(command, capture_output=True, text=True)
            assert "Error" not in done.stderr, done.stderr
        assert "Reason" in done.stdout

    def test_nothing_graded_adds_nothing(
        self, tmp_path: Path, write_film: Callable[..., Path], make_reading: Callable[..., Reading]
    ) -> None:
        film = read_film(write_film(tmp_path / "film.dcm"))
        path = write_structured_report(measure(film, make_reading(film)), tmp_path / "report.dcm")
        assert read_observations(path) == {}
