"""Site tables: what every table must hold, and what is refused.

Published limits are checked against the paper that the row names.
"""

from __future__ import annotations

import inspect
import io
import itertools
from collections.abc import Iterator
from pathlib import Path

import pytest
from rich.console import Console

from measure import sites
from measure.definitions import FUNCTIONS
from measure.errors import SiteError, ThresholdError
from measure.measurements import Measurement, measure_film
from measure.reading import CONFIRMED, Landmark, Reading
from measure.report import sites_table
from measure.scale import Scale
from measure.sites import PARTS, load_site, read_site, site_names, with_thresholds

VIEWS = [(name, view) for name in site_names() for view in load_site(name).views]
ROWS = [(name, view, row) for name, view in VIEWS for row in load_site(name).views[view].measurements]


# --- What every table holds ---


def test_the_sites() -> None:
    """The five sites are there, each under its own file's name."""
    assert site_names() == (
        "greater_trochanter",
        "greater_tuberosity",
        "medial_malleolus",
        "olecranon",
        "patella",
    )
    assert [load_site(name).name for name in site_names()] == list(site_names())


# Parameter of a geometry function to the fewest points that it needs; any other needs one.
FEWEST = {"near": 2, "far": 2, "line": 2, "ends": 2, "arc": 3}


@pytest.mark.parametrize(("site", "view", "row"), ROWS, ids=lambda value: getattr(value, "name", None))
def test_a_measurement_fits_its_function(site: str, view: str, row: sites.MeasurementRow) -> None:
    """The function gives the row's unit and takes as many landmarks, points enough and the view's axis."""
    table = load_site(site).views[view]
    assert FUNCTIONS[row.function].unit == row.unit
    parameters = inspect.signature(FUNCTIONS[row.function].function).parameters
    needed = [name for name, parameter in parameters.items() if parameter.default is parameter.empty]
    assert len(needed) <= len(row.landmarks)
    assert len(row.landmarks) + len(row.optional) <= len(parameters)
    taken = dict(zip(parameters, row.landmarks, strict=False))
    for parameter, name in taken.items():
        assert table.landmark[name].points[0] >= FEWEST.get(parameter, 1), (parameter, name)
    assert {side: taken[side] for side in ("near", "far") if side in taken} in (
        {}, {side: table.axis[side] for side in ("near", "far")},
    )  # fmt: skip


@pytest.mark.parametrize(("site", "view"), VIEWS)
def test_a_view_is_whole(site: str, view: str) -> None:
    """Names are unique, nothing is idle or left unfilled, and every row says its source, sign and prompt."""
    table = load_site(site).views[view]
    names = [row.name for row in table.landmarks]
    quantities = [(row.name, row.target) for row in (*table.measurements, *table.changes)]
    assert len(set(names)) == len(names)
    assert len(set(quantities)) == len(quantities)
    used = {name for row in table.measurements for name in (*row.landmarks, *row.optional)}
    assert set(names) == used | ({table.arcs.near, table.arcs.far} if table.arcs else set())
    assert {row.part for row in table.landmarks} <= set(PARTS)
    texts = [text for row in table.landmarks for text in (row.title, row.prompt)]
    texts += [
        text for row in (*table.measurements, *table.changes) for text in (row.title, row.sign, row.source)
    ]
    texts += [row.source for row in (*table.thresholds, *table.technique)]
    assert all(text.strip() and "{" not in text for text in texts)
    assert table.axis["side"]


@pytest.mark.parametrize(("site", "view"), VIEWS)
def test_every_view_says_how_deep_its_pins_lie(site: str, view: str) -> None:
    """Each pin has a depth and its uncertainty; where they lie apart, one is on either side of the plane."""
    table = load_site(site).views[view]
    pins = {row.target for row in table.measurements if row.target.startswith("pin")}
    assert set(table.depths) == pins
    assert sum(depth for depth, _ in table.depths.values()) == 0
    assert all(u > 0 for _, u in table.depths.values())


@pytest.mark.parametrize(("site", "view"), VIEWS)
def test_no_flag_rests_on_one_millimetre(site: str, view: str) -> None:
    """No gap or step of 1 mm or less counts (Watson 2016, 10.1186/s12880-016-0147-7)."""
    thresholds = load_site(site).views[view].thresholds
    assert all(row.floor >= 1.0 for row in thresholds if row.quantity.endswith(("_gap", "_step")))


@pytest.mark.parametrize(("site", "view"), VIEWS)
def test_clear_takes_more_than_possible(site: str, view: str) -> None:
    """Where one quantity has both levels, the limit of the clear one is the higher."""
    thresholds = load_site(site).views[view].thresholds
    for possible, clear in itertools.product(thresholds, thresholds):
        if (possible.quantity, possible.basis, possible.level, clear.level) == (
            clear.quantity, clear.basis, "possible", "clear",
        ):  # fmt: skip
            assert possible.limit < clear.limit


@pytest.mark.parametrize(
    ("site", "quantity", "basis", "level", "limit", "source"),
    [
        ("patella", "articular_gap", "change", "possible", 2.0, "Smith 1997"),
        ("patella", "articular_gap", "change", "clear", 3.0, "Hargett"),
        ("patella", "articular_gap", "value", "clear", 3.0, "Hargett"),
        ("patella", "articular_step", "change", "clear", 2.0, "Hargett"),
        ("patella", "articular_step", "value", "clear", 2.0, "Hargett"),
        ("patella", "pin_prominence", "value", "possible", 5.0, "Gupta 2022"),
        ("greater_tuberosity", "tuberosity_height", "change", "clear", 5.0, "PMID 24270356"),
        ("greater_tuberosity", "lateral_gap", "change", "clear", 5.0, "PMID 24270356"),
        ("greater_tuberosity", "lateral_gap", "value", "possible", 5.0, "up to 13 mm (PMID 24270356)"),
        ("greater_trochanter", "trochanter_height", "change", "clear", 10.0, "León 2019"),
        ("greater_trochanter", "wire_break", "value", "clear", 0.0, "41 to 61 %"),
        ("medial_malleolus", "articular_gap", "change", "clear", 2.0, "Hoelsbrekken 2013"),
        ("medial_malleolus", "articular_step", "value", "clear", 2.0, "Hoelsbrekken 2013"),
        ("medial_malleolus", "medial_gap", "change", "clear", 2.0, "Hoelsbrekken 2013"),
    ],
)
def test_published_limits(
    site: str, quantity: str, basis: str, level: str, limit: float, source: str
) -> None:
    """Default limits are those of the paper that the row names."""
    found = [
        row for view in load_site(site).views.values() for row in view.thresholds
        if (row.quantity, row.basis, row.level) == (quantity, basis, level)
    ]  # fmt: skip
    assert found
    assert all(row.limit == limit and source in row.source for row in found)


@pytest.mark.parametrize("name", site_names())
def test_the_table_reads_whole_on_a_screen(name: str) -> None:
    """150 columns hold every prompt, sign and source without cutting a word."""
    console = Console(width=150, file=io.StringIO())
    console.print(sites_table(load_site(name)))
    text = console.file.getvalue()
    assert max(map(len, text.splitlines())) <= 150
    assert "…" not in text
    words = {word.strip(",") for word in text.split()}
    for view in load_site(name).views.values():
        shown = [row.prompt for row in view.landmarks] + [row.source for row in view.thresholds]
        shown += [
            text for row in (*view.measurements, *view.changes) for text in (row.title, row.sign, row.source)
        ]
        assert {word.strip(",") for line in shown for word in line.split()} <= words


# --- Tables that are refused ---

GOOD = (sites.SITES_FOLDER / "medial_malleolus.toml").read_text(encoding="utf-8")


def refused(tmp_path: Path, *swaps: tuple[str, str]) -> str:
    """Message with which a table is refused after each first text is replaced by the second."""
    text = GOOD
    for old, new in swaps:
        assert old in text
        text = text.replace(old, new)
    (tmp_path / "ankle.toml").write_text(text, encoding="utf-8")
    with pytest.raises(SiteError) as caught:
        read_site(tmp_path / "ankle.toml")
    return str(caught.value)


@pytest.mark.parametrize("depth", ["[4.0]", "[4.0, 1.5, 1.0]", '[4.0, "far"]', "[4.0, -1.5]", "[nan, 1.5]"])
def test_depths_that_are_none_are_refused(tmp_path: Path, depth: str) -> None:
    """Each is a depth and its uncertainty; fuzzing found a traceback in their place."""
    assert "ankle.toml" in refused(tmp_path, ("pin1 = [4.0, 1.5]", f"pin1 = {depth}"))


def test_a_table_with_many_faults_names_them_all(tmp_path: Path) -> None:
    """One refusal names every reference to something that is not there, and every bad number."""
    message = refused(
        tmp_path,
        ('far = "shaft_medial", side', 'far = "shaft_middle", side'),
        ('title = "Joint surface, malleolar fragment", points = [2, 6]', 'title = "x", points = [6, 2]'),
        ('landmarks = ["hole", "medial_edge_proximal"', 'landmarks = ["hull", "medial_edge"'),
        ('reference = [{ quantity = "pin_tip_from_hole"', 'reference = [{ quantity = "pin_tip_from_hull"'),
        ('quantity = "pin_angle", basis = "change", side = "either", limit = 5.0,',
         'quantity = "pin_slope", basis = "trend", side = "around", limit = nan, floor = -1.0,'),
        ('level = "possible"', 'level = "sure"'),
        ('{ quantity = "pin_to_pin_angle", usual', '{ quantity = "pin_to_pin", usual'),
    )  # fmt: skip
    for fault in (
        "ankle.toml is not whole", "axis far 'shaft_middle' is no landmark", "joint_line wants 6 to 2 points",
        "hole_distance names unknown landmarks hull, medial_edge", "names unknown quantity pin_tip_from_hull",
        "unknown quantity 'pin_slope'", "'trend' is not one of", "'around' is not one of",
        "back_out: 'sure' is not one of",
        "limit nan is not a finite number", "floor -1.0 is negative", "technique names unknown pin_to_pin",
    ):  # fmt: skip
        assert fault in message


@pytest.mark.parametrize(
    ("old", "new", "message"),
    [
        ('format = "holdfast-site"', 'format = "a list"', "expected 'holdfast-site' version '1'"),
        ('version = "1"', 'version = "2"', "version '2'; expected"),
        ('title = "Medial malleolus"', "", "lacks or misnames a field: 'title'"),
        ("[views.ap]", "[views.ap", "is not valid TOML"),
        (
            'each = "pin", part = "distal"',
            'each = "nail", part = "distal"',
            "lacks or misnames a field: 'nail'",
        ),
        ('part = "wire", prompt', 'part = "wire", hint = "x", prompt', "hint"),
        ("points = [2, 6]", "points = [2]", "joint_line wants 2 points"),
        ("points = [2, 6]", 'points = ["a", "b"]', "joint_line wants a to b points"),
        ('{ quantity = "wire_break"', '{ quantity = ["wire_break"]', "quantity ['wire_break'] is not text"),
        ('name = "hole", title', 'name = "joint_line", title', "joint_line is there twice"),
        ('name = "medial_gap", title', 'name = "articular_gap", title', "articular_gap is there twice"),
        ('source = "common practice, no source"', 'source = ""', "source '' is not text"),
        ('part = "wire"', 'part = "cable"', "wire_break: part 'cable' is not one of"),
        ("depth_mm = 4.0", 'depth_mm = "4"', "depth_mm '4' is not a finite number"),
        ("depth_mm = 4.0", "spread = 0.0", "makes no sense"),
        ('unit = "deg", function = "angle_between"', 'unit = "deg", formula = "angle_between"', "formula"),
    ],
)
def test_a_malformed_table_is_refused(tmp_path: Path, old: str, new: str, message: str) -> None:
    """Format, version, TOML and the names of fields are checked, each with the file's name."""
    found = refused(tmp_path, (old, new))
    assert found.startswith("ankle.toml")
    assert message in found


def test_a_missing_table_and_an_unknown_site(tmp_path: Path) -> None:
    """A file that is not there and a site that is not known are refused, with what there is."""
    with pytest.raises(SiteError, match=r"none\.toml cannot be read"):
        read_site(tmp_path / "none.toml")
    with pytest.raises(
        SiteError, match=r"No site is called 'elbow'\. The sites are: greater_trochanter, .*patella"
    ):
        load_site("elbow")


@pytest.fixture
def own_sites(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Iterator[Path]:
    """Put an empty folder in place of the site tables that come with holdfast."""
    monkeypatch.setattr(sites, "SITES_FOLDER", tmp_path)
    load_site.cache_clear()
    yield tmp_path
    load_site.cache_clear()


PLATE = """
format = "holdfast-site"
version = "1"
name = "plate"
title = "Plate"
region = "bench"
fragments = { reference = "one", mobile = "other" }
axes = []

[views.ap]
title = "From the front"
axis = {}
landmarks = [
  { name = "surface", title = "Surface", points = [2, 6], part = "distal", prompt = "Two points" },
  { name = "edge_distal", title = "Distal edge", part = "distal", prompt = "A point" },
  { name = "edge_proximal", title = "Proximal edge", part = "proximal", prompt = "A point" },
]

[[views.ap.measurements]]
name = "gap"
title = "Gap"
unit = "mm"
function = "FUNCTION"
landmarks = ["surface", "edge_distal", "edge_proximal"]
sign = "positive apart"
source = "common practice, no source"
"""


def plate(folder: Path, function: str) -> Measurement:
    (folder / "plate.toml").write_text(PLATE.replace("FUNCTION", function), encoding="utf-8")
    points = {
        "surface": ((40.0, 10.0), (20.0, 10.0)),
        "edge_distal": ((10.0, 10.0),),
        "edge_proximal": ((5.0, 10.0),),
    }
    reading = Reading(
        film_digest=f"sha256:{1:064x}", rows=100, columns=100, site="plate", site_version="1", view="ap",
        axis="", reader="reader 1",
        landmarks={name: Landmark(CONFIRMED, value) for name, value in points.items()},
    )  # fmt: skip
    return measure_film(reading, Scale((0.5, 0.5), "known", "known"))[0]


def test_a_view_may_have_no_axis(own_sites: Path) -> None:
    """Without a bone axis a table loads, is read and measured; the value rests on no axis."""
    found = plate(own_sites, "line_gap")
    assert found.quantity is not None
    assert found.quantity.value == pytest.approx(2.5)
    assert found.axis is None


@pytest.mark.parametrize("function", ["arc_length", "signed_angle", "angle_to_axis"])
def test_a_table_that_names_a_wrong_function_is_refused(own_sites: Path, function: str) -> None:
    """A function that is not there, is no measurement, or gives another unit: the functions are listed."""
    with pytest.raises(SiteError, match=rf"gap names function '{function}' in 'mm'.*line_gap \(mm\)"):
        plate(own_sites, function)


# --- A user's thresholds ---

HEAD = 'format = "holdfast-thresholds"\n'


def row(**fields: object) -> str:
    fields = {
        "site": "patella", "view": "lateral", "quantity": "articular_gap", "basis": "change",
        "side": "above", "limit": 4.0, "level": "clear",
    } | fields  # fmt: skip
    lines = [
        f'{key} = "{value}"' if isinstance(value, str) else f"{key} = {value}"
        for key, value in fields.items()
    ]
    return "[[threshold]]\n" + "\n".join(lines) + "\n"


def laid_over(tmp_path: Path, text: str, site: str = "patella") -> sites.Site:
    (tmp_path / "own.toml").write_text(text, encoding="utf-8")
    return with_thresholds(load_site(site), tmp_path / "own.toml")


def test_own_thresholds_replace_and_add(tmp_path: Path) -> None:
    """A row takes the place of the table's of like quantity, basis and level, or is added; the rest stays."""
    text = (
        HEAD + row(source="local protocol", floor=1.5) + row(quantity="pin_spacing", side="either", limit=3)
    )
    site = laid_over(tmp_path, text)
    before, after = load_site("patella").views["lateral"].thresholds, site.views["lateral"].thresholds
    added = [threshold for threshold in after if threshold not in before]
    assert added == [
        sites.Threshold("articular_gap", "change", "above", 4.0, "clear", "local protocol", 1.5),
        sites.Threshold("pin_spacing", "change", "either", 3, "clear", "the user's own"),
    ]
    assert [t for t in before if t not in after] == [
        t for t in before if (t.quantity, t.basis, t.level) == ("articular_gap", "change", "clear")
    ]
    assert site.views["ap"] == load_site("patella").views["ap"]


def test_own_thresholds_of_another_site_change_nothing(tmp_path: Path) -> None:
    """A file may serve several sites: rows of another are checked, and leave this one as it is."""
    assert laid_over(tmp_path, HEAD + row(), site="olecranon") == load_site("olecranon")
    with pytest.raises(ThresholdError, match="row 1: threshold for unknown quantity 'gap'"):
        laid_over(tmp_path, HEAD + row(quantity="gap"), site="olecranon")


def test_own_thresholds_never_lower_the_floor(tmp_path: Path) -> None:
    """No flag rests on a change of 1 mm or less in gap or step, whatever limit a user sets (Watson 2016)."""
    view = laid_over(tmp_path, HEAD + row(limit=0.5) + row(quantity="articular_step", floor=0.2)).views[
        "lateral"
    ]
    own = [t for t in view.thresholds if t.source == "the user's own"]
    assert [t.floor for t in own] == [1.0, 1.0]


@pytest.mark.parametrize(
    ("fields", "words"),
    [
        ({"quantity": "back_out", "basis": "value"}, "back_out: it is a change between films"),
        ({"side": "present"}, "articular_gap: only the value of wire_break can be present"),
        ({"quantity": "wire_break", "side": "present"}, "wire_break: only the value of wire_break"),
    ],
)
def test_own_thresholds_that_could_never_speak_are_refused(
    tmp_path: Path, fields: dict[str, str], words: str
) -> None:
    with pytest.raises(ThresholdError, match=words):
        laid_over(tmp_path, HEAD + row(**fields))


def test_own_thresholds_with_many_faults_name_them_all(tmp_path: Path) -> None:
    """Every bad row is named by number, and nothing of the file is used."""
    text = (
        HEAD
        + 'colour = "red"\n'
        + row(site="knee")
        + row(view="oblique")
        + row(quantity="gap")
        + row(limt=3.0)
    )
    text += (
        row(basis="trend", side="around", level="sure") + row(limit="nan") + row(limit=True) + row(floor=-1.0)
    )
    text = text.replace('limit = "nan"', "limit = nan").replace("limit = True", "limit = true")
    with pytest.raises(ThresholdError) as caught:
        laid_over(tmp_path, text)
    message = str(caught.value)
    for fault in (
        "own.toml", "row 1: site 'knee' is not one of greater_trochanter",
        "row 2: view 'oblique' is not one of lateral",
        "row 3: threshold for unknown quantity 'gap' (known: articular_gap", "row 4", "'limt'",
        "row 5: threshold for articular_gap: 'trend'", "'around' is not one of",
        "'sure' is not one of possible, clear",
        "row 6: threshold for articular_gap: limit nan", "row 7: threshold for articular_gap: limit True",
        "row 8: threshold for articular_gap: floor -1.0 is negative", "unknown entries colour",
        "Nothing of the file was used",
    ):  # fmt: skip
        assert fault in message


@pytest.mark.parametrize(
    ("text", "message"),
    [
        (row(), "expected 'holdfast-thresholds' on its first line"),
        (HEAD + "threshold = 3\n", r"expected \[\[threshold\]\] rows"),
        (HEAD + "[[threshold]\n", "is not valid TOML"),
        (HEAD + row(view=["ap"]), r"row 1: view \['ap'\] is not one of"),
        (HEAD + row(quantity=["gap"]), r"row 1: .*quantity \['gap'\] is not text"),
        (HEAD + row(source=3), "row 1: .*source 3 is not text"),
        (HEAD + row(limit=10**400), "row 1: .*is not a finite number"),
        (HEAD + row().replace("limit = 4.0\n", ""), "row 1: missing 1 required positional argument: 'limit'"),
    ],
)
def test_a_malformed_file_of_thresholds_is_refused(tmp_path: Path, text: str, message: str) -> None:
    """Format, TOML and fields are checked, each with the file's name."""
    with pytest.raises(ThresholdError, match=rf"own\.toml.*{message}"):
        laid_over(tmp_path, text)


def test_a_missing_file_of_thresholds_is_refused(tmp_path: Path) -> None:
    """A path at which there is no file is said so."""
    with pytest.raises(ThresholdError, match=r"none\.toml cannot be read"):
        with_thresholds(load_site("patella"), tmp_path / "none.toml")
