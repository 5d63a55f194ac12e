"""Measured uncertainties: kept under a name, checked, and used in place of the defaults."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import numpy as np
import pytest

from measure.__main__ import main
from measure.errors import ProfileError
from measure.film import Film, read_film
from measure.measurements import as_measured
from measure.profiles import find_profiles, load_profiles, profile_path, save_profiles
from measure.quantity import Quantity, difference
from measure.reading import Landmark, Reading, save_reading
from measure.series import measure
from measure.sites import PROFILES, Profile, Spread, load_site, site_names

CLINIC = Profile(
    "clinic", 0.25, 0.1, 'a study of "ours"', {"pin1_tip": 0.2}, {"articular_gap": Spread(0.9, 0.4)}
)
HEAD = 'format = "holdfast-profile"\nname = "a"\nsource = "b"\n'
WHOLE = "[olecranon.lateral]\nplacement_mm = 1\nhabit_mm = 1\n"
KEY = ("olecranon", "lateral")


def test_there_and_back(tmp_path: Path) -> None:
    """A file holds what was saved, and is never overwritten."""
    path = save_profiles(
        {KEY: CLINIC, ("olecranon", "ap"): Profile("clinic", 0.3, 0.2, 'a study of "ours"')},
        tmp_path / "clinic.toml",
    )
    found = load_profiles(path)
    assert found[KEY] == CLINIC
    assert found["olecranon", "ap"].placement_mm == 0.3
    with pytest.raises(ProfileError, match="never overwritten"):
        save_profiles({KEY: CLINIC}, path)


def test_where_a_name_is_looked_for(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """A name is a file of the folder of profiles; a path is itself."""
    monkeypatch.setenv("HOLDFAST_PROFILES", str(tmp_path))
    assert profile_path("clinic") == tmp_path / "clinic.toml"
    assert profile_path("elsewhere/clinic.toml") == Path("elsewhere/clinic.toml")


@pytest.mark.parametrize(
    ("content", "words"),
    [
        ("x = 1", "expected 'holdfast-profile'"),
        ('format = "holdfast-profile"', "name is missing.*source is missing"),
        ("[knee.lateral]", "'knee' is not one of the sites"),
        ("[olecranon.oblique]\nplacement_mm = 1\nhabit_mm = 1", "oblique: the site has no such view"),
        ("[olecranon.lateral]\nplacement_mm = 1", "needs placement_mm and habit_mm"),
        ("[olecranon.lateral]\nplacement_mm = -1\nhabit_mm = 1", "placement_mm -1 is no standard deviation"),
        ("[olecranon.lateral]\nplacement_mm = 1\nhabit_mm = nan", "habit_mm nan is no standard deviation"),
        (f"{WHOLE}[olecranon.lateral.landmarks]\nnose = 1", "unknown landmark 'nose'"),
        (f"{WHOLE}[olecranon.lateral.quantities]\nnose = 1", "unknown quantity 'nose'"),
        (f"{WHOLE}[olecranon.lateral.quantities]\narticular_gap = 1", "needs placement and habit"),
        (f"{WHOLE}landmarks = 3", "must be tables"),
    ],
)
def test_files_that_cannot_be_used(tmp_path: Path, content: str, words: str) -> None:
    """What is wrong is said, with what was found."""
    path = tmp_path / "bad.toml"
    path.write_text((HEAD if "[" in content else "") + content, encoding="utf-8")
    with pytest.raises(ProfileError, match=words):
        load_profiles(path)
    with pytest.raises(ProfileError, match="cannot be read"):
        load_profiles(tmp_path / "none.toml")


def test_measured_spread_takes_the_place_of_the_landmarks() -> None:
    """Placing and habit are each scaled to what was measured; signs, shares and other sources stay."""
    plain = Quantity(
        2.0,
        "mm",
        {"point:f:a": 0.3, "point:f:b": -0.4, "habit:r:a": 0.1, "parallax:f:pin": 0.2, "nonlinear:f": 0.3},
    )
    found = as_measured(plain, Spread(1.0, 0.5))
    assert found.parts == pytest.approx(
        {"point:f:a": 0.6, "point:f:b": -0.8, "habit:r:a": 0.5, "parallax:f:pin": 0.2}
    )
    assert found.u == pytest.approx(np.sqrt(1.0 + 0.25 + 0.04))


def test_a_measured_quantity_on_a_film(
    make_film: Callable[..., Film], make_reading: Callable[..., Reading]
) -> None:
    """The gap of a film has the measured spread, and a change of one reader is free of habit."""
    films = [make_film(number, day=number) for number in (1, 2)]
    gaps = [measure(film, make_reading(film), CLINIC).find("articular_gap") for film in films]
    quantities = [gap.quantity for gap in gaps if gap and gap.quantity]
    for one in quantities:
        placed = [part for source, part in one.parts.items() if source.startswith("point:")]
        habit = [part for source, part in one.parts.items() if source.startswith("habit:")]
        assert np.hypot.reduce(placed) == pytest.approx(0.9)
        assert np.hypot.reduce(habit) == pytest.approx(0.4)
    change = difference(quantities[1], quantities[0])
    assert (
        np.hypot.reduce([part for source, part in change.parts.items() if source.startswith("habit:")]) < 0.02
    )
    default = measure(films[0], make_reading(films[0])).find("articular_gap")
    assert default
    assert default.quantity
    assert default.quantity.u != pytest.approx(quantities[0].u, rel=0.2)


def test_a_fitted_landmark_keeps_its_own(
    make_film: Callable[..., Film], make_reading: Callable[..., Reading]
) -> None:
    """Readers' spread says nothing of a landmark that a fit has placed with its own uncertainty."""
    film = make_film()
    reading = make_reading(film)
    edge = reading.landmarks["articular_edge_distal"]
    fitted = Landmark(edge.status, edge.points, origin="snapped", u_px=0.2)
    gap = measure(film, make_reading(film, landmarks={"articular_edge_distal": fitted}), CLINIC).find(
        "articular_gap"
    )
    assert gap
    assert gap.quantity
    placed = [part for source, part in gap.quantity.parts.items() if source.startswith("point:")]
    assert np.hypot.reduce(placed) < 0.45


def test_review_and_report_use_it_by_name(
    tmp_path: Path,
    write_film: Callable[..., Path],
    make_reading: Callable[..., Reading],
    monkeypatch: pytest.MonkeyPatch,
    capsys: pytest.CaptureFixture[str],
) -> None:
    """The numbers change with the profile, and the page names it, or the defaults with their sources."""
    films = tmp_path / "films"
    save_reading(make_reading(read_film(write_film(films / "film.dcm"))), films / "film.reading.json")
    monkeypatch.setenv("HOLDFAST_PROFILES", str(tmp_path))
    save_profiles({KEY: CLINIC}, tmp_path / "clinic.toml")
    said = []
    for profile in ([], ["--profile", "clinic"]):
        assert main(["review", str(films), *profile]) == 0
        assert main(["report", str(films), "--out", str(tmp_path / "out"), *profile]) == 0
        page = (tmp_path / "out" / "case-001.html").read_text(encoding="utf-8")
        said.append((capsys.readouterr().out, page))
    for (plain, own), name in zip(zip(*said, strict=True), ("screen", "page"), strict=True):
        assert "profile Fowler 2011 (placement" in plain, name
        assert "profile clinic (placement" in own, name
    assert "0.4 ± 1.3" in said[0][0]
    assert "0.4 ± 1.9" in said[1][0]  # 1.96 times the root of 0.9² + 0.4² and the scale's
    assert main(["review", str(films), "--profile", "unknown"]) == 4
    assert (
        "No profile is called 'unknown'. Published: Fowler 2011, McCallister 2004, Kreder 1996. Your own, by "
        "HOLDFAST_PROFILES (the folder it names): clinic. Give one of these"
    ) in capsys.readouterr().err


def test_a_profile_that_is_not_there(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Without HOLDFAST_PROFILES the message says which folder was looked in, and how to name another."""
    monkeypatch.delenv("HOLDFAST_PROFILES", raising=False)
    monkeypatch.setenv("HOME", str(tmp_path))
    words = r"by HOLDFAST_PROFILES \(~/.holdfast, since it names no other folder\): none"
    with pytest.raises(ProfileError, match=words):
        find_profiles("unknown")


@pytest.mark.parametrize("name", PROFILES)
def test_published_profiles_by_name(name: str, tmp_path: Path) -> None:
    """They hold for every view of every site, and no profile of a study hides behind one."""
    found = find_profiles(name)
    views = {(site, view) for site in site_names() for view in load_site(site).views}
    assert found == dict.fromkeys(views, PROFILES[name])
    with pytest.raises(ProfileError, match=f"'{name}' is a published profile"):
        save_profiles({KEY: CLINIC}, tmp_path / f"{name}.toml")


def test_the_worse_reader_has_the_wider_intervals(
    make_film: Callable[..., Film], make_reading: Callable[..., Reading]
) -> None:
    """Kreder's readers of healed films were less sure than Fowler's of phantom films."""
    film = make_film()
    gaps = [
        measure(film, make_reading(film), find_profiles(name)[KEY]).find("articular_gap") for name in PROFILES
    ]
    fowler, mccallister, kreder = (gap.quantity.u for gap in gaps if gap and gap.quantity)
    assert fowler < mccallister < kreder
