"""Measured uncertainties by site and view, kept under a name: a study of agreement writes, review uses them.

A file of them is TOML: `format`, `name`, `source`, and for each site and view a table with `placement_mm`,
`habit_mm`, `landmarks` (name to mm) and `quantities` (name to `placement` and `habit`, in its unit).
"""

from __future__ import annotations

import dataclasses
import json
import math
import os
from collections.abc import Iterator, Mapping
from pathlib import Path
from typing import Any

from measure.errors import ProfileError
from measure.files import whole_file
from measure.sites import PROFILES, Profile, Spread, View, load_site, read_toml, site_names

PROFILE_FORMAT = "holdfast-profile"
FOLDER_VARIABLE = "HOLDFAST_PROFILES"
SUFFIX = ".toml"
LEAST, MOST = 1e-6, 100.0  # mm, degrees or a ratio; beyond it a standard deviation is a slip of the pen
HEAD = ("format", "name", "source")

Profiles = Mapping[tuple[str, str], Profile]  # by site and view


def profile_path(name: str) -> Path:
    """File of a profile: NAME.toml in the folder HOLDFAST_PROFILES (or ~/.holdfast), or a path with .toml."""
    return Path(name) if name.endswith(SUFFIX) else _folder() / f"{name}{SUFFIX}"


def _folder() -> Path:
    return Path(os.environ.get(FOLDER_VARIABLE) or Path.home() / ".holdfast")


def find_profiles(name: str) -> Profiles:
    """Profiles by name: published ones, for every site and view; else those of a file (`profile_path`).

    Raises ProfileError, naming the profiles there are, where it is unknown, and as `load_profiles`.
    """
    if name in PROFILES:
        return {(site, view): PROFILES[name] for site in site_names() for view in load_site(site).views}
    path = profile_path(name)
    if not name.endswith(SUFFIX) and not path.exists():
        kept = ", ".join(sorted(found.stem for found in _folder().glob(f"*{SUFFIX}")))
        named = bool(os.environ.get(FOLDER_VARIABLE))
        place = "the folder it names" if named else "~/.holdfast, since it names no other folder"
        raise ProfileError(
            f"No profile is called {name!r}. Published: {', '.join(PROFILES)}. Your own, by "
            f"{FOLDER_VARIABLE} ({place}): {kept or 'none'}. Give one of these, or a {SUFFIX} file's path."
        )
    return load_profiles(path)


def save_profiles(profiles: Profiles, path: Path) -> Path:
    """Write the profiles of one study; a file that is there is never overwritten.

    Raises ProfileError where it exists, cannot be written, or would hide behind a published profile.
    """
    if path.stem in PROFILES:
        raise ProfileError(f"{path.stem!r} is a published profile, and stays. Choose another name.")
    first = next(iter(profiles.values()))
    lines = [
        f"{key} = {json.dumps(value, ensure_ascii=False)}"
        for key, value in zip(HEAD, (PROFILE_FORMAT, first.name, first.source), strict=True)
    ]
    for (site, view), profile in profiles.items():
        lines += ["", f"[{site}.{view}]", f"placement_mm = {profile.placement_mm:.4g}"]
        lines += [f"habit_mm = {profile.habit_mm:.4g}", f"[{site}.{view}.landmarks]"]
        lines += [f"{name} = {mm:.4g}" for name, mm in profile.landmarks.items()]
        lines += [f"[{site}.{view}.quantities]"]
        lines += [
            f"{name} = {{ placement = {spread.placement:.4g}, habit = {spread.habit:.4g} }}"
            for name, spread in profile.quantities.items()
        ]
    try:
        with whole_file(path, replace=False) as file:
            file.write("\n".join(lines) + "\n")
    except FileExistsError:
        raise ProfileError(
            f"A profile {path.name} exists and is never overwritten. Choose another name."
        ) from None
    except OSError as error:
        raise ProfileError(
            f"{path.name} cannot be written: {error.strerror}. Choose another folder."
        ) from None
    return path


def load_profiles(path: Path) -> dict[tuple[str, str], Profile]:
    """Read a file of profiles. Raises ProfileError with every problem at once."""
    table = read_toml(path, ProfileError)
    if table.get("format") != PROFILE_FORMAT:
        raise ProfileError(
            f"{path.name} says format {table.get('format')!r}; expected {PROFILE_FORMAT!r} on its first line."
        )
    problems = [f"{key} is missing or no text" for key in HEAD if not isinstance(table.get(key), str)]
    found: dict[tuple[str, str], Profile] = {}
    for site, views in table.items():
        if site in HEAD:
            continue
        if site not in site_names() or not isinstance(views, dict):
            problems.append(f"{site!r} is not one of the sites {', '.join(site_names())}")
            continue
        for view, row in views.items():
            if mine := list(_problems(row, load_site(site).views.get(view))):
                problems += [f"{site}, {view}: {problem}" for problem in mine]
            else:
                found[site, view] = _profile(table, row)
    if not found and not problems:
        problems.append("it holds no site")
    if problems:
        raise ProfileError(f"{path.name}: {'; '.join(problems)}. Nothing of the file was used.")
    return found


def _profile(table: Mapping[str, Any], row: Mapping[str, Any]) -> Profile:
    spreads = {name: Spread(**spread) for name, spread in row.get("quantities", {}).items()}
    return Profile(
        str(table["name"]),
        row["placement_mm"],
        row["habit_mm"],
        str(table["source"]),
        row.get("landmarks", {}),
        spreads,
    )


def _problems(row: Any, view: View | None) -> Iterator[str]:
    if view is None:
        yield "the site has no such view"
        return
    allowed = {field.name for field in dataclasses.fields(Profile)} - {"name", "source"}
    if not isinstance(row, dict) or not {"placement_mm", "habit_mm"} <= set(row) <= allowed:
        yield f"it needs placement_mm and habit_mm, and of others only {', '.join(sorted(allowed))}"
        return
    landmarks, quantities = row.get("landmarks", {}), row.get("quantities", {})
    if not isinstance(landmarks, dict) or not isinstance(quantities, dict):
        yield "landmarks and quantities must be tables"
        return
    measured = {known.name for known in view.measurements}
    yield from (f"unknown landmark {name!r}" for name in landmarks if name not in view.landmark)
    yield from (f"unknown quantity {name!r}" for name in quantities if name not in measured)
    numbers = {"placement_mm": row["placement_mm"], "habit_mm": row["habit_mm"], **landmarks}
    for name, number in numbers.items():
        if not _sensible(number, 0.0 if name == "habit_mm" else LEAST):
            yield f"{name} {number!r} is no standard deviation in mm"
    yield from (f"{name} needs placement and habit" for name, s in quantities.items() if not _is_spread(s))


def _is_spread(spread: Any) -> bool:
    return (
        isinstance(spread, dict)
        and set(spread) == {"placement", "habit"}
        and _sensible(spread["placement"], LEAST)
        and _sensible(spread["habit"], 0.0)
    )


def _sensible(number: Any, least: float) -> bool:
    return (
        isinstance(number, int | float)
        and not isinstance(number, bool)
        and math.isfinite(number)
        and least <= number <= MOST
    )
