"""What napari is told of the plugin, and what it gets: manifest, reader, sample data, imports."""

from __future__ import annotations

import subprocess
import sys
from importlib import import_module, metadata
from pathlib import Path

import numpy as np
import pytest

from measure.errors import FilmError
from measure.samples import samples_folder
from viewer._reader import get_reader
from viewer._sample_data import sample_films

MANIFEST = Path(__file__).parents[2] / "viewer" / "napari.yaml"


@pytest.fixture(scope="module")
def sample() -> Path:
    """One of the sample films."""
    return sorted(samples_folder().rglob("*lateral.dcm"))[0]


def test_manifest_is_valid_and_points_to_what_there_is() -> None:
    """npe2 takes it, its name is the distribution's, and every command can be imported."""
    from npe2 import PluginManifest

    manifest = PluginManifest.from_file(MANIFEST)
    manifest.validate_imports()
    assert manifest.name == "holdfast"
    for command in manifest.contributions.commands or []:
        module, name = str(command.python_name).split(":")
        assert callable(getattr(import_module(module), name))


def test_manifest_with_a_wrong_command_is_refused(tmp_path: Path) -> None:
    """The check above can fail."""
    from npe2 import PluginManifest

    wrong = tmp_path / "napari.yaml"
    wrong.write_text(MANIFEST.read_text().replace("_reader:get_reader", "_reader:nothing"))
    with pytest.raises(ValueError, match="nothing"):
        PluginManifest.from_file(wrong).validate_imports()


def test_reader_takes_films_and_gives_their_pixels(sample: Path) -> None:
    """A sample film comes as one image layer of the film's own size."""
    reader = get_reader(str(sample))
    assert reader
    ((shades, attributes, kind),) = reader(str(sample))
    assert (shades.ndim, kind) == (2, "image")
    assert np.ptp(shades) > 0.5
    assert attributes["scale"][0] < 0.2


def test_reader_peeks_and_never_raises(tmp_path: Path, sample: Path) -> None:
    """Text, nothing, a folder and a missing file are declined; a damaged film fails only when it is read."""
    text = tmp_path / "words.dcm"
    text.write_text("not a film")
    for path in (text, tmp_path, tmp_path / "missing.dcm", tmp_path / "\0"):
        assert get_reader(str(path)) is None
    assert get_reader([str(sample), str(text)]) is None
    cut = tmp_path / "cut.dcm"
    cut.write_bytes(sample.read_bytes()[:3000])
    reader = get_reader(str(cut))
    assert reader
    with pytest.raises(FilmError):
        reader(str(cut))


def test_sample_films_are_one_patients_visits() -> None:
    """One layer a visit, the first visit uppermost."""
    names = [attributes["name"] for _, attributes, _ in sample_films()]
    assert len(names) >= 2
    assert names == sorted(names, reverse=True)


QT_FREE = ("viewer.session", "viewer.drafts", "viewer.folder", "viewer.layers", "viewer.lines", "viewer.rows",
           "viewer.drawings", "viewer._reader", "viewer._sample_data", "measure.carry")  # fmt: skip


WINDOWS = ("napari", "qtpy", "PyQt6", "PySide6", "vispy")


def test_logic_imports_neither_qt_nor_napari() -> None:
    """Session, layers and all that is tested without a window load no window."""
    code = (
        f"import sys; [__import__(name) for name in {QT_FREE!r}]; windows = {WINDOWS!r}; "
        "print([name for name in sys.modules if name.split('.')[0] in windows])"
    )
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert done.stdout.strip() == "[]"


def test_installed_distribution_offers_the_plugin() -> None:
    """The entry point that napari looks for names the manifest inside the package."""
    points = [p for p in metadata.entry_points(group="napari.manifest") if p.name == "holdfast"]
    if not points:  # run from a checkout that is not installed: the declaration itself is read
        import tomllib

        project = tomllib.loads((MANIFEST.parents[1] / "pyproject.toml").read_text())["project"]
        assert project["entry-points"]["napari.manifest"] == {"holdfast": "viewer:napari.yaml"}
    else:
        assert points[0].value == "viewer:napari.yaml"


@pytest.mark.parametrize(
    ("arguments", "words"),
    [
        (["read", "/nowhere/films"], "There is no folder 'films'"),
        (["read", "--site", "nose"], "No site is called 'nose'"),
        (["read", "--view", "skyline"], "no view 'skyline'"),
    ],
)
def test_command_says_what_is_wrong(
    arguments: list[str], words: str, capsys: pytest.CaptureFixture[str]
) -> None:
    """`holdfast read` refuses in words, before any window is opened."""
    from measure.__main__ import main

    assert main(arguments) == 4
    assert words in capsys.readouterr().err
