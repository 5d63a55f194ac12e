"""Tables for research: true numbers, a dictionary that fits them, and nobody's name."""

from __future__ import annotations

import json
from collections.abc import Callable
from pathlib import Path

import pandas as pd
import pytest
from conftest import Elbow

from measure.errors import HoldfastError, ReadingError
from measure.pseudonym import Pseudonyms
from measure.reading import Landmark, Reading, save_reading
from measure.research_export import CHANGES, LANDMARKS, VALUES, write_research
from measure.review import Review, review
from measure.sites import PROFILES, Profile, load_site, with_thresholds

KEY = Pseudonyms(b"k" * 32)
NAMES = (
    "Doe",
    "SECRET",
    "Łukasiewicz",
    "1.2.3.",
    "2031-",
    "203103",
    "said by the porter",
    "jane",
    "typed-uid",
)


@pytest.fixture
def reviewed(tmp_path: Path, write_film: Callable[..., Path], make_reading: Callable[..., Reading]) -> Review:
    """Two patients, three films, with what could name somebody in every place there is."""
    from measure.film import read_film

    typed = Landmark("not assessable", reason="said by the porter, J. Doe (ward 3)")
    for number, (patient, day) in enumerate((("SECRET-1", 0), ("SECRET-1", 40), ("SECRET-2", 0)), start=1):
        path = write_film(
            tmp_path / "in" / f"jane-doe-{number}.dcm",
            number,
            day=day,
            PatientID=patient,
            PatientName="Doe^J",
        )
        reading = make_reading(
            read_film(path), Elbow(gap=float(number)), reader="Zoë Łukasiewicz", surgery_date="2031-03-01",
            uid=f"typed-uid-{number}", landmarks={"hole": typed},
        )  # fmt: skip
        save_reading(reading, tmp_path / "in" / f"{number}.reading.json")
    return review(tmp_path / "in")


def test_names_of_profiles_and_limits_stay_here(reviewed: Review, tmp_path: Path) -> None:
    """A profile or limit of the user's own is not called by its name, even one called as if published."""
    site, folder = load_site("olecranon"), tmp_path / "in"
    limits = tmp_path / "limits.toml"
    limits.write_text(
        'format = "holdfast-thresholds"\n[[threshold]]\nsite = "olecranon"\nview = "lateral"\n'
        'quantity = "articular_gap"\nbasis = "change"\nside = "above"\nlimit = 1.5\nlevel = "clear"\n'
        'source = "Dr Doe of the SECRET clinic"\n',
        encoding="utf-8",
    )
    for name in ("Doe clinic", "Kreder 1996"):
        profiles = {("olecranon", "lateral"): Profile(name, 0.2, 0.1, "SECRET")}
        found = review(folder, {"olecranon": with_thresholds(site, limits)}, profiles=profiles)
        write_research(found, tmp_path / "out", KEY)
        for table in ("values", "changes"):
            rows = pd.read_csv(tmp_path / "out" / f"{table}.csv")
            assert set(rows["reader_noise"]) == {"own profile (placement 0.2 mm, habit 0.1 mm)"}
            assert not rows["threshold_source"].astype(str).str.contains("Doe").any()
        assert (rows["threshold_source"] == "a limit of the user's own").any()
    write_research(reviewed, tmp_path / "out", KEY)
    rows = pd.read_csv(tmp_path / "out" / "changes.csv")
    assert set(rows["reader_noise"]) == {PROFILES["Fowler 2011"].text()}
    built_in = {row.source for row in site.views["lateral"].thresholds}
    assert set(rows["threshold_source"].dropna()) <= built_in


def test_values_are_those_of_the_review(reviewed: Review, tmp_path: Path) -> None:
    """Pandas and pyarrow read both formats; the numbers are those measured, and both formats agree."""
    write_research(reviewed, tmp_path / "out", KEY, ("csv", "parquet"))
    table = pd.read_csv(tmp_path / "out" / "values.csv")
    measured = [m for case in reviewed.cases for film in case.films for m in film.measurements]
    assert list(table.columns) == [column.name for column in VALUES]
    assert len(table) == len(measured)
    for row, measurement in zip(table.itertuples(), measured, strict=True):
        if measurement.quantity is None:
            assert pd.isna(row.value)
        else:
            assert row.value == pytest.approx(measurement.quantity.value, rel=1e-5, abs=1e-9)
            assert (row.interval_low, row.interval_high) == pytest.approx(
                measurement.quantity.interval, rel=1e-4, abs=1e-5
            )
    stored = pd.read_parquet(tmp_path / "out" / "values.parquet")
    pd.testing.assert_series_equal(table["value"], stored["value"])
    assert (pd.to_datetime(table["visit_date"]) == pd.to_datetime(stored["visit_date"])).all()


def test_intervals_stay_and_dates_do_not(reviewed: Review, tmp_path: Path) -> None:
    write_research(reviewed, tmp_path / "out", KEY)
    table = pd.read_csv(tmp_path / "out" / "values.csv", parse_dates=["visit_date"])
    films = table.groupby("film_uid").first().sort_values(["patient", "visit_date"])
    assert sorted(films["days_since_surgery"]) == [2, 2, 42]
    (pair,) = (group for _, group in films.groupby("patient") if len(group) == 2)
    assert (pair["visit_date"].iloc[1] - pair["visit_date"].iloc[0]).days == 40
    assert (films["visit_date"] < "2031-01-01").all()
    changes = pd.read_csv(tmp_path / "out" / "changes.csv", parse_dates=["earlier_date", "later_date"])
    assert ((changes["later_date"] - changes["earlier_date"]).dt.days == 40).all()
    assert changes["detectable_change"].dropna().gt(0).any()


@pytest.mark.parametrize("formats", [("csv",), ("parquet",)])
def test_nobody_is_named(reviewed: Review, tmp_path: Path, formats: tuple[str, ...]) -> None:
    written = write_research(reviewed, tmp_path / "out", KEY, formats, wide=True)
    for path in written:
        content = path.read_bytes()
        assert [word for word in NAMES if word.encode() in content] == [], path.name
        shown = (pd.read_parquet(path) if path.suffix == ".parquet" else pd.DataFrame()).to_csv()
        assert [word for word in NAMES if word in shown] == [], path.name


def test_typed_words_within_typed_words(
    tmp_path: Path, write_film: Callable[..., Path], make_reading: Callable[..., Reading]
) -> None:
    """A short reason that stands within a longer one, on the same film or the other, leaves nothing of it."""
    from measure.film import read_film

    long = Landmark("not assessable", reason="Mr Quibblesworth's cast (hidden) at the elbow")
    short = Landmark("not assessable", reason="hidden")
    marks = ({"hole": short, "loop": long}, {"hole": long, "loop": short})
    for number, landmarks in enumerate(marks, start=1):
        film = read_film(write_film(tmp_path / "in" / f"{number}.dcm", number, day=number))
        save_reading(make_reading(film, landmarks=landmarks), tmp_path / "in" / f"{number}.reading.json")
    for path in write_research(review(tmp_path / "in"), tmp_path / "out", KEY):
        assert "Quibblesworth" not in path.read_text(encoding="utf-8")
        assert "at the elbow" not in path.read_text(encoding="utf-8")


def test_the_check_for_names_can_fail(reviewed: Review, tmp_path: Path) -> None:
    """The clinic's own table, which does name, is caught by the same words."""
    from measure.export import write_csv

    found = b"".join(path.read_bytes() for path in write_csv(reviewed, tmp_path / "clinic"))
    caught = {word for word in NAMES if word.encode() in found}
    assert caught == set(NAMES) - {"203103", "jane"}


def test_one_key_links_two_exports(reviewed: Review, tmp_path: Path) -> None:
    paths = [
        write_research(reviewed, tmp_path / name, key)
        for name, key in (("a", KEY), ("b", KEY), ("c", Pseudonyms()))
    ]
    tables = [pd.read_csv(files[0]) for files in paths]
    assert tables[0].equals(tables[1])
    assert not set(tables[0]["patient"]) & set(tables[2]["patient"])


def test_landmarks_in_pixels(reviewed: Review, tmp_path: Path) -> None:
    write_research(reviewed, tmp_path / "out", KEY)
    table = pd.read_csv(tmp_path / "out" / "landmarks.csv")
    assert list(table.columns) == [column.name for column in LANDMARKS]
    films = [film for case in reviewed.cases for film in case.films]
    points = {
        (mark, number): point
        for mark, lm in films[0].reading.landmarks.items()
        for number, point in enumerate(lm.points)
    }
    mine = table[table["film_uid"] == KEY.uid(films[0].sop_instance_uid or "")]
    for row in mine.dropna(subset=["number"]).itertuples():
        assert (row.row, row.column) == pytest.approx(points[(row.landmark, int(row.number))])
    assert len(mine.dropna(subset=["number"])) == len(points)
    assert set(mine[mine["number"].isna()]["landmark"]) == {"hole", "wire_break"}


def test_the_dictionary_describes_every_column_and_quantity(reviewed: Review, tmp_path: Path) -> None:
    write_research(reviewed, tmp_path / "out", KEY, wide=True)
    content = json.loads((tmp_path / "out" / "dictionary.json").read_text(encoding="utf-8"))
    for name, table in content["tables"].items():
        frame = pd.read_csv(tmp_path / "out" / f"{name}.csv")
        assert list(frame.columns) == list(table["columns"])
        assert len(frame) == table["rows"]
        assert all(column["meaning"] for column in table["columns"].values())
    lateral = content["sites"]["olecranon"]["views"]["lateral"]["quantities"]
    described = {(row["quantity"], row["target"]) for row in lateral}
    for name in ("values", "changes"):
        frame = pd.read_csv(tmp_path / "out" / f"{name}.csv", keep_default_na=False)
        assert set(zip(frame["quantity"], frame["target"], strict=True)) <= described
    assert content["sites"]["olecranon"]["version"] == load_site("olecranon").version
    assert all(row["sign"] and row["source"] and row["unit"] for row in lateral)


def test_wide_has_one_row_a_film(reviewed: Review, tmp_path: Path) -> None:
    write_research(reviewed, tmp_path / "out", KEY, wide=True)
    wide, tidy = (pd.read_csv(tmp_path / "out" / f"{name}.csv") for name in ("wide", "values"))
    assert len(wide) == 3
    again = tidy[tidy["quantity"] == "articular_gap"].set_index("film_uid")["value"]
    assert wide.set_index("film_uid")["articular_gap_value"].to_dict() == again.to_dict()


def test_parquet_says_what_each_column_means(reviewed: Review, tmp_path: Path) -> None:
    """The schema, read by pyarrow, carries types and meanings."""
    from pyarrow import parquet

    write_research(reviewed, tmp_path / "out", KEY, ("parquet",))
    schema = parquet.read_schema(tmp_path / "out" / "changes.parquet")
    assert schema.names == [column.name for column in CHANGES]
    for column in CHANGES:
        assert schema.field(column.name).metadata[b"words"].decode() == column.words
    assert str(schema.field("later_date").type) == "date32[day]"
    assert str(schema.field("change").type) == "double"


def test_an_unknown_format_or_folder(reviewed: Review, tmp_path: Path) -> None:
    with pytest.raises(HoldfastError, match="Format xls is not one of csv, parquet"):
        write_research(reviewed, tmp_path / "out", KEY, ("csv", "xls"))
    (tmp_path / "out").write_text("in the way")
    with pytest.raises(HoldfastError, match="could not be written to 'out'"):
        write_research(reviewed, tmp_path / "out", KEY)


def test_every_reader_is_exported_and_one_reading_is_used(
    tmp_path: Path, write_film: Callable[..., Path], make_reading: Callable[..., Reading]
) -> None:
    """A corrected reading, another reader's, and the one the case rests on: each with its own values."""
    from measure.film import read_film

    film = read_film(write_film(tmp_path / "in" / "film.dcm", 1))
    plan = (("superseded", "one", "A", 1.0), ("standing", "two", "B", 2.0), ("used", "three", "A", 3.0))
    made = {
        use: make_reading(
            film, Elbow(gap=gap), reader=reader, uid=uid, supersedes="one" if uid == "three" else None,
            time=f"2031-04-01T10:00:0{gap:.0f}+00:00",
        )
        for use, uid, reader, gap in plan
    }  # fmt: skip
    for reading in made.values():
        save_reading(reading, tmp_path / "in" / f"{reading.uid}.reading.json")
    write_research(review(tmp_path / "in"), tmp_path / "out", KEY, ("csv", "parquet"), wide=True)
    tables = {name: pd.read_csv(tmp_path / "out" / f"{name}.csv") for name in ("values", "landmarks", "wide")}
    for table in tables.values():
        found = table.groupby("reading_use")["reading_uid"].unique().map(list).to_dict()
        assert found == {use: [KEY.uid(reading.uid)] for use, reading in made.items()}
    gaps = tables["wide"].set_index("reading_use")["articular_gap_value"]
    assert gaps.to_dict() == pytest.approx({"superseded": 1.0, "standing": 2.0, "used": 3.0}, abs=0.05)
    values = tables["values"]
    assert values[values["reading_use"] != "used"]["outcome"].isna().all()
    assert values[values["reading_use"] == "used"]["outcome"].notna().any()
    assert pd.read_parquet(tmp_path / "out" / "values.parquet")["reading_use"].tolist() == list(
        values["reading_use"]
    )


def test_without_a_reading_nothing_is_written(tmp_path: Path, write_film: Callable[..., Path]) -> None:
    write_film(tmp_path / "in" / "film.dcm")
    with pytest.raises(ReadingError, match="no reading was found with its film"):
        write_research(review(tmp_path / "in"), tmp_path / "out", KEY)
    assert not (tmp_path / "out").exists()


@pytest.mark.parametrize("formats", [("csv",), ("parquet",)])
def test_a_full_disk_is_said_and_leaves_nothing(
    reviewed: Review, tmp_path: Path, formats: tuple[str, ...], monkeypatch: pytest.MonkeyPatch
) -> None:
    """What the disk says reaches the user whichever library was writing."""
    import os

    def full(_: int) -> None:
        raise OSError(28, "No space left on device")

    monkeypatch.setattr(os, "fsync", full)
    with pytest.raises(HoldfastError, match=r"could not be written to 'out': No space left on device"):
        write_research(reviewed, tmp_path / "out", KEY, formats)
    assert list((tmp_path / "out").iterdir()) == []
