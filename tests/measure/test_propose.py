"""Proposals as the command line makes them, and the table of what is looked for."""

from __future__ import annotations

import shutil
from dataclasses import fields
from pathlib import Path

import numpy as np
import pydicom
import pytest
from metal_films import rendered

from measure import features
from measure.__main__ import main
from measure.features import ROWS, Features, Row, filled, find_features
from measure.film import Film, read_film
from measure.phantom_dicom import Label, write_film
from measure.phantom_film import Rendered
from measure.prepare import prepare
from measure.propose import propose, propose_scale
from measure.review import proposed
from measure.samples import samples_folder
from measure.sites import load_site

AP = Path("HF-0001") / "2025-03-18-ap.dcm"


def words_of(folder: Path, capsys: pytest.CaptureFixture[str], *options: str) -> str:
    main(["review", str(folder), *options])
    return " ".join(capsys.readouterr().out.split())


def test_the_stated_size_of_the_wire_makes_a_scale(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """`--wire-mm`: a false size contradicts the film's own scale, and is named; the true one fits it."""
    case, film = rendered(700_005)
    pixels = Rendered(film.pixels, 0.0, 1.0, (0.0, 4095.0))
    write_film(tmp_path / "film.dcm", case, pixels, Label())
    assert "wire of" not in words_of(tmp_path, capsys)
    assert "DISAGREE" not in words_of(tmp_path, capsys, "--wire-mm", "1.0")
    told = words_of(tmp_path, capsys, "--wire-mm", "1.25")
    assert "scales DISAGREE" in told
    assert "wire of 1.25 mm" in told


def test_a_wire_that_gives_no_scale_says_why(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """A sample whose pins lie by other metal."""
    shutil.copy(samples_folder() / AP, tmp_path)
    assert "other metal lies along most of the pin" in words_of(tmp_path, capsys, "--wire-mm", "1.0")


@pytest.mark.parametrize(("region", "given"), [("Elbow joint", True), ("Hip joint", False)])
def test_a_coded_body_part_tells_the_site(region: str, given: bool, tmp_path: Path) -> None:
    """A film whose only body part is a code's meaning is measured by proposals, at that region's site."""
    dataset = pydicom.dcmread(samples_folder() / AP)
    del dataset.BodyPartExamined
    dataset.AnatomicRegionSequence[0].CodeMeaning = region
    dataset.save_as(tmp_path / "film.dcm")
    assert (proposed(read_film(tmp_path / "film.dcm")) is not None) == given


def test_the_view_must_be_known_for_the_wires_scale() -> None:
    blank = Film(pixels=np.full((600, 700), 40, np.uint16))
    given, why = propose_scale(blank, "", "wire width", 1.0)
    assert given is None
    assert "does not say its view" in why
    assert "view" not in propose_scale(blank, "ap", "wire width", 1.0)[1]


class TestTable:
    """The rows of what is looked for."""

    def test_each_needs_only_what_stands_before(self) -> None:
        known = {"film", "view"}
        for row in ROWS:
            assert set(row.needs) <= known, row.name
            known.add(row.name)
        assert known == {field.name for field in fields(Features)}

    def test_only_what_is_wanted_is_looked_for(self) -> None:
        """The arc needs the pins, and nothing else is looked for; on an AP film it is not at all."""
        film = rendered(700_000)[1]
        found = find_features(film, "lateral", ["arc"])
        assert found.pins
        assert found.wire is None
        assert found.cortices is None
        assert find_features(film, "ap", ["arc"]).arc is None

    def test_one_row_more_is_one_kind_more(self, monkeypatch: pytest.MonkeyPatch) -> None:
        """A row added to the table is proposed without any other change."""

        def hole(found: Features) -> list[features.Place]:
            return [features.Place("hole", np.array([[5.0, 6.0]]), 1.0, "hole")]

        row = Row("marker", lambda film: None, ("film",), hole)
        monkeypatch.setattr(features, "ROWS", (row,))
        assert next(filled(Features(prepare(rendered(700_000)[1])), [row]).places()).name == "hole"
        monkeypatch.setattr("measure.propose.ROWS", (row,))
        landmarks = propose(rendered(700_000)[1], load_site("olecranon"), "lateral").landmarks
        assert set(landmarks) == {"hole"}

    def test_the_wire_is_looked_for_once(self, monkeypatch: pytest.MonkeyPatch) -> None:
        """Also where its size is stated."""
        calls = []
        rows = tuple(
            Row(row.name, lambda *_: calls.append(1), row.needs, row.places) if row.name == "wire" else row
            for row in ROWS
            if row.name in ("pins", "wire")
        )
        monkeypatch.setattr(features, "ROWS", rows)
        monkeypatch.setattr("measure.propose.ROWS", rows)
        propose(rendered(700_001)[1], load_site("olecranon"), "ap", {"wire width": 1.0})
        assert len(calls) == 1
