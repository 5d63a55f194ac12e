"""Imports run one way through `measure`, never into a window, and the command line starts light."""

from __future__ import annotations

import ast
import subprocess
import sys
from pathlib import Path

import pytest

PACKAGE = Path(__file__).parents[2] / "measure"
# Each module imports only from those before it. A new module takes its place here.
ORDER = (
    "errors", "limits", "files", "quantity", "geometry", "film_elements", "film_grey", "film_header",
    "film_walk", "film_dicom", "film", "scale", "sites", "profiles", "observations", "reading", "propagate",
    "definitions", "measurements", "contrast", "ties", "movement", "comparability", "series", "space",
    "trend", "flags", "healing", "prepare", "lines", "display_curve", "strip", "pin_search", "pin_fit",
    "pin_ends", "bend_fit", "pin_behind", "pins", "pin_bend", "pin_carry", "carry", "pin_profile",
    "pin_width", "marker", "wire_map", "wire_path", "wire_knots", "wire_breaks", "wire", "wire_width",
    "metal", "tubes", "bone", "exits", "notch", "fracture", "wire_loop", "features", "snap", "propose",
    "review", "reading_list", "salvage", "store", "export", "report", "figure", "clinic_page",
    "clinic_html", "clinic_pdf", "clinic_report", "pseudonym", "research_export", "crew", "journal",
    "cohort", "countdown", "network", "inbox", "receive", "send", "unpack", "doubts", "intake",
    "structured_report", "presentation_state", "deidentify", "samples", "phantom", "phantom_film",
    "phantom_dicom", "agreement", "agreement_study", "agreement_grades", "agreement_page",
    "agreement_report", "agreement_demo", "sample_size", "telling", "store_commands", "film_commands",
    "network_commands", "study_commands", "commands", "__main__",
)  # fmt: skip
WINDOWS = ("viewer", "napari", "qtpy", "PyQt5", "PyQt6", "PySide2", "PySide6")


def imported(source: str) -> set[str]:
    """Full names of everything a module imports, at its top or within a function."""
    names: set[str] = set()
    for node in ast.walk(ast.parse(source)):
        if isinstance(node, ast.Import):
            names |= {alias.name for alias in node.names}
        elif isinstance(node, ast.ImportFrom):
            base = "measure" if node.level else ""
            module = ".".join(part for part in (base, node.module) if part)
            names |= {module} | {f"{module}.{alias.name}" for alias in node.names}
    return names


def wrong_way(module: str, source: str) -> set[str]:
    """Names of what a module imports although it stands after it, or is a window."""
    later = ORDER[ORDER.index(module) :]
    return {
        name
        for name in imported(source)
        if (name.startswith("measure.") and name.split(".")[1] in later) or name.split(".")[0] in WINDOWS
    }


def run(code: str) -> str:
    """Run code in a fresh interpreter and return what it prints."""
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, cwd=PACKAGE.parent)
    assert done.returncode == 0, done.stderr
    return done.stdout


def test_every_module_has_its_place() -> None:
    """The order names every module of `measure` and nothing else."""
    assert set(ORDER) == {path.stem for path in PACKAGE.glob("*.py")} - {"__init__"}


@pytest.mark.parametrize("module", ORDER)
def test_imports_run_one_way(module: str) -> None:
    """A module imports only from those before it, and no window."""
    assert not wrong_way(module, (PACKAGE / f"{module}.py").read_text(encoding="utf-8"))


@pytest.mark.parametrize(
    "line",
    [
        "from measure.series import compare", "from measure import series", "import measure.series",
        "from .series import compare", "def f():\n    from measure.geometry import dot",
        "import napari.layers",
        "from qtpy import QtWidgets", "from viewer import panel",
    ],
)  # fmt: skip
def test_an_import_the_wrong_way_is_seen(line: str) -> None:
    """The check above rejects each kind of import the wrong way."""
    assert wrong_way("geometry", line)


def test_measure_loads_no_window() -> None:
    """Importing all of `measure` brings in no viewer, napari or Qt."""
    modules = ", ".join(f"measure.{module}" for module in ORDER)
    loaded = run(f"import sys, {modules}; print(*{{name.split('.')[0] for name in sys.modules}})").split()
    assert "measure" in loaded
    assert not set(loaded) & set(WINDOWS)


def test_the_command_line_starts_light() -> None:
    """Neither `measure` nor its command line imports a library before a command needs it."""
    loaded = run("import sys, measure, measure.__main__; print(*sys.modules)").split()
    assert "measure.__main__" in loaded
    heavy = {"numpy", "pydicom", "scipy", "skimage", "cv2", "rich"}
    assert not {name.split(".")[0] for name in loaded} & heavy
