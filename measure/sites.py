"""Site tables: which landmarks, measurements, changes and thresholds belong to which fracture.

A site is a TOML file in `measure/sites/` (or the user's own), one row a landmark, a measurement, a
change, a threshold, so that a clinician can review it without reading code. This module reads a table
into frozen rows and refuses one that is not whole.
"""

from __future__ import annotations

import dataclasses
import functools
import sys
import tomllib
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from measure.errors import HoldfastError, LimitError, SiteError, ThresholdError
from measure.limits import refuse_beyond

SITES_FOLDER = Path(__file__).parent / "sites"
SITE_FORMAT = "holdfast-site"
SITE_VERSION = "1"
THRESHOLDS_FORMAT = "holdfast-thresholds"
LEVELS = ("possible", "clear")
SIDES = ("above", "below", "either", "present")
PARTS = ("proximal", "distal", "pin", "wire", "neighbour")
BASES = ("change", "value")
USUAL_LEAN = 0.035  # slope: 2 degrees; common practice, no source


@dataclass(frozen=True)
class Spread:
    """How readings of a quantity scatter: standard deviations from film to film and reader to reader."""

    placement: float
    habit: float


@dataclass(frozen=True)
class Profile:
    """How well a landmark is placed, millimetres at the bone, standard uncertainty of each coordinate.

    `placement_mm` is new on every film; `habit_mm` is a reader's own way of seeing a landmark, the
    same on every film of that reader, so that it cancels in a change. `quantities` holds the spread of
    those whose readings were measured; it takes the place of what the landmarks give.
    """

    name: str
    placement_mm: float
    habit_mm: float
    source: str
    landmarks: Mapping[str, float] = dataclasses.field(default_factory=dict)
    quantities: Mapping[str, Spread] = dataclasses.field(default_factory=dict)

    def text(self) -> str:
        """Say its name and its two parts."""
        return f"{self.name} ({self._parts()})"

    def nameless(self) -> str:
        """Say its two parts, and its name only where it is a published one: another may name somebody."""
        return f"{self.name if PROFILES.get(self.name) == self else 'own profile'} ({self._parts()})"

    def _parts(self) -> str:
        return f"placement {self.placement_mm:g} mm, habit {self.habit_mm:g} mm"

    def placement(self, landmark: str) -> float:
        """Placement uncertainty of one landmark."""
        return self.landmarks.get(landmark, self.placement_mm)


# Readers' noise as published, for readers of whom nobody knows better; `series.measure` takes any. A gap or
# step is a difference of two places, so each place has its error over root 2; derived from each source.
PROFILES = {
    profile.name: profile
    for profile in (
        # A short distance on a phantom film has an SD of 0.5 mm. The habit is about as large as the
        # placement: readers differ from each other by 3 mm where they do from themselves by 2 (Kreder).
        Profile("Fowler 2011", 0.35, 0.3, "phantom films (PMID 20972654); habit: Kreder 1996 (PMID 8775193)"),
        # Absolute error 0.62, SD 0.53 mm: root mean square 0.82, a place 0.58; half of its square is habit.
        Profile("McCallister 2004", 0.41, 0.41, "ideal cadaver films (10.1016/j.jhsa.2004.04.019)"),
        # One reader differs from himself by over 2 mm in 10 % (SD 1.22, a place 0.61), two by over 3 mm.
        Profile("Kreder 1996", 0.61, 0.68, "healed fractures on clinical films (PMID 8775193)"),
    )
}
DEFAULT_PROFILE = PROFILES["Fowler 2011"]


@dataclass(frozen=True)
class LandmarkRow:
    """One landmark: what to click, how many points, and what it is fixed to.

    `depth_mm`: how far off the bone's plane it lies, standard uncertainty. `spread`: how many times
    the usual placement uncertainty it carries. `grazed`: a cortex along the bone axis that a pin crosses at a
    small angle, so that all errors across it count 1 / sin of that angle along the pin.
    `own_depth`: lies at another depth than the rest of its body: the tip of a pin that leans off the plane.
    `tie`: what of it is the same place on every film: the point, a circle's centre, only how far it lies
    across the bone axis or along its pin, or none. Default: a single point on bone or pin is.
    """

    name: str
    title: str
    prompt: str
    part: str
    points: tuple[int, int] = (1, 1)
    optional: bool = False
    depth_mm: float = 0.0
    spread: float = 1.0
    tie: str = ""
    grazed: bool = False
    own_depth: bool = False

    def __post_init__(self) -> None:
        single = self.points == (1, 1) and self.part not in ("wire", "neighbour")
        object.__setattr__(self, "tie", self.tie or ("point" if single else "none"))

    @functools.cached_property
    def body(self) -> str:
        """What shifts as one where the limb is turned: a pin, an edge of both fragments; a crossing alone."""
        alone = self.tie == "along pin" or self.grazed or self.own_depth
        return self.name if alone else self.name.split("_")[0]


@dataclass(frozen=True)
class MeasurementRow:
    """One quantity of one film: the function and the landmarks it takes, in order.

    `absent` is the value where a landmark was looked for and is absent (no break: 0 mm).
    """

    name: str
    title: str
    unit: str
    function: str
    landmarks: tuple[str, ...]
    sign: str
    source: str
    optional: tuple[str, ...] = ()
    target: str = ""
    absent: float | None = None


@dataclass(frozen=True)
class Estimate:
    """A quantity whose change, times the factor, estimates a change row."""

    quantity: str
    factor: float


@dataclass(frozen=True)
class ChangeRow:
    """A change between films that estimates against two fragments must agree on.

    The value is the surest estimate against the reference fragment, else against the mobile one.
    """

    name: str
    title: str
    unit: str
    sign: str
    source: str
    mobile: tuple[Estimate, ...] = ()
    reference: tuple[Estimate, ...] = ()
    target: str = ""


@dataclass(frozen=True)
class Threshold:
    """When a change, or a value, counts. `floor` is the size below which nothing is flagged."""

    quantity: str
    basis: str
    side: str
    limit: float
    level: str
    source: str
    floor: float = 0.0


@dataclass(frozen=True)
class Usual:
    """What is usual for a value of the index film; shown, never graded."""

    quantity: str
    usual: str
    source: str


@dataclass(frozen=True)
class Arcs:
    """Two arcs of the neighbouring bone, one behind the other, whose offset tells how a film is rotated.

    `apart_mm` (and its uncertainty) is how far apart they lie in depth. A film rotated by more than
    `warn_deg` is said to be; beyond `withhold_deg` the changes in `withholds` are not given.
    """

    near: str
    far: str
    apart_mm: float
    apart_u_mm: float
    warn_deg: float
    withhold_deg: float
    withholds: tuple[str, ...]
    source: str


@dataclass(frozen=True)
class View:
    """One radiographic view of a site; `lean` is the rms slope of its pins off the film's plane."""

    name: str
    title: str
    axis: Mapping[str, str]
    landmarks: tuple[LandmarkRow, ...]
    measurements: tuple[MeasurementRow, ...]
    changes: tuple[ChangeRow, ...]
    thresholds: tuple[Threshold, ...]
    technique: tuple[Usual, ...]
    depths: Mapping[str, tuple[float, float]] = dataclasses.field(default_factory=dict)
    arcs: Arcs | None = None
    lean: float = USUAL_LEAN

    @functools.cached_property
    def landmark(self) -> Mapping[str, LandmarkRow]:
        """Landmark rows by name."""
        return {row.name: row for row in self.landmarks}

    @functools.cached_property
    def body_depth(self) -> Mapping[str, float]:
        """Greatest depth off the bone's plane of each body's landmarks, mm."""
        return {
            row.body: max(other.depth_mm for other in self.landmarks if other.body == row.body)
            for row in self.landmarks
        }

    def units(self) -> dict[str, str]:
        """Return the unit of every quantity and change by name."""
        rows: tuple[MeasurementRow | ChangeRow, ...] = (*self.measurements, *self.changes)
        return {row.name: row.unit for row in rows}


@dataclass(frozen=True)
class Site:
    """One fracture site: its views and what its two fragments are called.

    `proposes`: whether holdfast's own proposals were tried on its films, and are made.
    """

    name: str
    title: str
    version: str
    region: str
    fragments: Mapping[str, str]
    axes: tuple[str, ...]
    views: Mapping[str, View]
    profile: Profile = DEFAULT_PROFILE
    proposes: bool = False


def site_names() -> tuple[str, ...]:
    """Names of the sites that come with holdfast."""
    return tuple(sorted(path.stem for path in SITES_FOLDER.glob("*.toml")))


@functools.cache
def load_site(name: str) -> Site:
    """Load a site by name; SiteError, naming the sites there are, where it is unknown."""
    if name not in site_names():
        raise SiteError(f"No site is called {name!r}. The sites are: {', '.join(site_names())}.")
    return read_site(SITES_FOLDER / f"{name}.toml")


def read_site(path: Path) -> Site:
    """Read a site table from a TOML file; SiteError lists all that is wrong with it."""
    table = read_toml(path, SiteError)
    if (table.get("format"), table.get("version")) != (SITE_FORMAT, SITE_VERSION):
        raise SiteError(
            f"{path.name} says format {table.get('format')!r} version {table.get('version')!r}; "
            f"expected {SITE_FORMAT!r} version {SITE_VERSION!r}."
        )
    try:
        each: dict[str, list[str]] = table.get("each", {})
        views = {name: _view(name, view, each) for name, view in table["views"].items()}
        site = Site(
            table["name"], table["title"], table["version"], table["region"], table["fragments"],
            tuple(table["axes"]), views, proposes=table.get("proposes", False),
        )  # fmt: skip
    except (KeyError, TypeError, AttributeError, ValueError) as error:
        raise SiteError(
            f"{path.name} lacks or misnames a field: {error}. See DEVELOPERS.md, 'Add a site'."
        ) from None
    problems = [*_bad_fields(site), *([] if site.views else ["it has no view"])]
    problems += [f"{view.name}: {problem}" for view in site.views.values() for problem in _problems(view)]
    if problems:
        raise SiteError(f"{path.name} is not whole: " + "; ".join(problems) + ".")
    return site


def read_toml(path: Path, error_type: type[HoldfastError]) -> dict[str, Any]:
    """Read a TOML file; an error of the given type says why it cannot be read."""
    try:
        refuse_beyond("table_bytes", path.stat().st_size)
        return tomllib.loads(path.read_text(encoding="utf-8"))
    except LimitError as error:
        raise error_type(f"{path.name}: {error}") from None
    except RecursionError:
        raise error_type(f"{path.name} nests too deeply. Mend the file.") from None
    except OSError as error:
        raise error_type(f"{path.name} cannot be read: {error.strerror}. Check the path.") from None
    except (tomllib.TOMLDecodeError, UnicodeDecodeError) as error:
        raise error_type(f"{path.name} is not valid TOML: {error}. Mend the file.") from None


def _expand(rows: Sequence[Mapping[str, Any]], each: Mapping[str, list[str]]) -> Iterator[dict[str, Any]]:
    """Repeat every row that says `each` for each of its targets, and put the target's name in."""
    for row in rows:
        kind = row.get("each")
        plain = {key: value for key, value in row.items() if key != "each"}
        if kind is None:
            yield plain
            continue
        for target in each[kind]:
            spoken = f"{kind.capitalize()} {target.removeprefix(kind)}"
            filled = {key: _fill(value, f"{{{kind}}}", target) for key, value in plain.items()}
            filled["title"] = _fill(plain["title"], f"{{{kind}}}", spoken)
            yield filled | {"target": target}


def _fill(value: Any, placeholder: str, word: str) -> Any:
    if isinstance(value, str):
        return value.replace(placeholder, word)
    if isinstance(value, list):
        return [_fill(member, placeholder, word) for member in value]
    return value


def _view(name: str, table: Mapping[str, Any], each: Mapping[str, list[str]]) -> View:
    return View(
        name=name,
        title=table["title"],
        axis=table["axis"],
        landmarks=tuple(_landmark(row) for row in _expand(table["landmarks"], each)),
        measurements=tuple(
            MeasurementRow(**_tupled(row, "landmarks", "optional"))
            for row in _expand(table["measurements"], each)
        ),
        changes=tuple(_change(row) for row in _expand(table.get("changes", []), each)),
        thresholds=tuple(Threshold(**row) for row in table.get("thresholds", [])),
        technique=tuple(Usual(**row) for row in table.get("technique", [])),
        depths={body: (depth, u) for body, (depth, u) in table.get("depths", {}).items()},
        arcs=Arcs(**_tupled(table["arcs"], "withholds")) if "arcs" in table else None,
        lean=table.get("lean", USUAL_LEAN),
    )


def _tupled(row: dict[str, Any], *keys: str) -> dict[str, Any]:
    return row | {key: tuple(row[key]) for key in keys if key in row}


def _landmark(row: dict[str, Any]) -> LandmarkRow:
    row.pop("target", None)
    return LandmarkRow(**_tupled(row, "points"))


def _change(row: dict[str, Any]) -> ChangeRow:
    estimates = {side: tuple(Estimate(**e) for e in row.get(side, [])) for side in ("mobile", "reference")}
    return ChangeRow(**(row | estimates))


def _problems(view: View) -> Iterator[str]:
    """Name everything in a view that is not of its kind, or refers to something that is not there."""
    for side in ("near", "far"):
        if view.axis and view.axis.get(side) not in [row.name for row in view.landmarks]:
            yield f"axis {side} {view.axis.get(side)!r} is no landmark"
    rows = (*view.landmarks, *view.measurements, *view.changes, *view.technique)
    bad = [f"{_called(row)}: {problem}" for row in (view, *rows) for problem in _bad_fields(row)]
    if bad:
        yield from bad
        return  # names that are not text cannot be looked up
    yield from _repeated(rows)
    yield from (problem for row in view.landmarks for problem in _landmark_problems(row))
    for row in view.measurements:
        missing = [name for name in (*row.landmarks, *row.optional) if name not in view.landmark]
        if missing:
            yield f"measurement {row.name} names unknown landmarks {', '.join(missing)}"
    arcs = (view.arcs.near, view.arcs.far) if view.arcs else ()
    yield from (f"arcs name unknown landmark {name}" for name in arcs if name not in view.landmark)
    yield from (
        f"depths of {body}: {depth!r} and {u!r} are no depth and uncertainty in mm"
        for body, (depth, u) in view.depths.items()
        if not (_finite(depth) and _finite(u) and u > 0)
    )
    quantities = {row.name for row in view.measurements}
    for change in view.changes:
        estimates = (*change.mobile, *change.reference)
        yield from (
            f"change {change.name} names unknown quantity {estimate.quantity}"
            for estimate in estimates
            if estimate.quantity not in quantities
        )
    known = view.units()
    yield from (problem for row in view.thresholds for problem in threshold_problems(row, view))
    unknown = [row.quantity for row in view.technique if row.quantity not in known]
    yield from (f"technique names unknown {quantity}" for quantity in unknown)


def _bad_fields(row: Any) -> Iterator[str]:
    """Name every field of a row that should be text and is not, or is empty, or is no finite number."""
    for field in dataclasses.fields(row):
        value, given = getattr(row, field.name), field.default is dataclasses.MISSING
        if field.type == "str" and not (isinstance(value, str) and (value.strip() or not given)):
            yield f"{field.name} {value!r} is not text"
        if field.type == "float" and not _finite(value):
            yield f"{field.name} {value!r} is not a finite number"


def _finite(value: Any) -> bool:
    return isinstance(value, int | float) and not isinstance(value, bool) and abs(value) <= sys.float_info.max


def _whole(pair: tuple[Any, ...]) -> bool:
    return len(pair) == 2 and all(type(number) is int for number in pair)


def _called(row: Any) -> str:
    return str(getattr(row, "name", None) or getattr(row, "quantity", "?"))


def _repeated(rows: Sequence[Any]) -> Iterator[str]:
    """Name every landmark, and every quantity of one target, that a table has twice."""
    named = [row for row in rows if not isinstance(row, Usual)]
    keys = [(isinstance(row, LandmarkRow), row.name, getattr(row, "target", "")) for row in named]
    twice = sorted({key for key in keys if keys.count(key) > 1})
    yield from (" ".join(filter(None, (name, target))) + " is there twice" for _, name, target in twice)


def _landmark_problems(row: LandmarkRow) -> Iterator[str]:
    if row.part not in PARTS:
        yield f"landmark {row.name}: part {row.part!r} is not one of {', '.join(PARTS)}"
    if not (_whole(row.points) and 1 <= row.points[0] <= row.points[1]):
        yield f"landmark {row.name} wants {' to '.join(map(str, row.points))} points"
    if row.depth_mm < 0 or row.spread <= 0:
        yield f"landmark {row.name}: depth_mm {row.depth_mm} or spread {row.spread} makes no sense"


def threshold_problems(row: Threshold, view: View) -> Iterator[str]:
    """Name everything wrong with a threshold of a view."""
    known = view.units()
    changes = [change.name for change in view.changes]
    seen = [measured.name for measured in view.measurements if measured.absent is not None]
    yield from (f"threshold for {row.quantity}: {problem}" for problem in _bad_fields(row))
    if row.quantity not in tuple(known):  # not hashed: a user may have written a list
        yield f"threshold for unknown quantity {row.quantity!r} (known: {', '.join(known)})"
    elif row.basis == "value" and row.quantity in changes:
        yield f"threshold for {row.quantity}: it is a change between films and has no value on one film"
    elif row.side == "present" and not (row.basis == "value" and row.quantity in seen):
        yield f"threshold for {row.quantity}: only the value of {', '.join(seen) or 'nothing'} can be present"
    for word, allowed in ((row.basis, BASES), (row.side, SIDES), (row.level, LEVELS)):
        if word not in allowed:
            yield f"threshold for {row.quantity}: {word!r} is not one of {', '.join(allowed)}"
    for name, number in (("limit", row.limit), ("floor", row.floor)):
        if _finite(number) and number < 0 and (name == "floor" or row.side == "either"):
            yield f"threshold for {row.quantity}: {name} {number} is negative"


def with_thresholds(site: Site, path: Path) -> Site:
    """Return the site with a user's TOML file of thresholds laid over its own.

    The file holds `format = "holdfast-thresholds"` and `[[threshold]]` rows with site, view,
    quantity, basis, side, limit, level, source and, if wanted, floor. A row replaces the site's row
    of the same view, quantity, basis and level, or is added. Rows of other sites are checked too.

    Raises ThresholdError with every problem of the file at once.
    """
    table = read_toml(path, ThresholdError)
    if table.get("format") != THRESHOLDS_FORMAT:
        raise ThresholdError(
            f"{path.name} says format {table.get('format')!r}; "
            f"expected {THRESHOLDS_FORMAT!r} on its first line."
        )
    problems: list[str] = []
    rows = table.get("threshold", [])
    if not isinstance(rows, list) or not all(isinstance(row, dict) for row in rows):
        raise ThresholdError(f"{path.name}: expected [[threshold]] rows; see README.md, 'Thresholds'.")
    views = dict(site.views)
    for number, row in enumerate(rows, start=1):
        placed = _place_threshold(dict(row), problems, f"row {number}")
        if placed and placed[0] == site.name:
            _, view_name, threshold = placed
            views[view_name] = _replace_threshold(views[view_name], threshold)
    unknown = sorted(set(table) - {"format", "threshold"})
    if unknown:
        problems.append(f"unknown entries {', '.join(unknown)}")
    if problems:
        raise ThresholdError(f"{path.name}: " + "; ".join(problems) + ". Nothing of the file was used.")
    return dataclasses.replace(site, views=views)


def _place_threshold(
    row: dict[str, Any], problems: list[str], where: str
) -> tuple[str, str, Threshold] | None:
    site_name, view_name = row.pop("site", None), row.pop("view", None)
    if site_name not in site_names():
        problems.append(f"{where}: site {site_name!r} is not one of {', '.join(site_names())}")
        return None
    views = load_site(site_name).views
    if view_name not in tuple(views):
        problems.append(f"{where}: view {view_name!r} is not one of {', '.join(views)}")
        return None
    row.setdefault("source", "the user's own")
    try:
        threshold = Threshold(**row)
    except TypeError as error:
        problems.append(f"{where}: {str(error).removeprefix('Threshold.__init__() ')}")
        return None
    found = [f"{where}: {problem}" for problem in threshold_problems(threshold, views[view_name])]
    problems.extend(found)
    return None if found else (site_name, view_name, threshold)


def _replace_threshold(view: View, new: Threshold) -> View:
    """Lay one threshold over a view's own. The floor stays: it is what films can show, not a preference."""

    def key(row: Threshold) -> tuple[str, str, str]:
        return row.quantity, row.basis, row.level

    alike = [row.floor for row in view.thresholds if (row.quantity, row.basis) == (new.quantity, new.basis)]
    new = dataclasses.replace(new, floor=max(new.floor, *alike, 0.0))
    kept = [row for row in view.thresholds if key(row) != key(new)]
    return dataclasses.replace(view, thresholds=(*kept, new))
