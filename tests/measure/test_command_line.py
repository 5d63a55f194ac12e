"""The command line as a user meets it: exit codes, words, and no patient where none belongs."""

from __future__ import annotations

import os
import re
import subprocess
import sys
from pathlib import Path

import numpy as np
import pytest
from conftest import SHAPE, Elbow, to_pixels

from measure import __version__
from measure.__main__ import main
from measure.export import CAUTION
from measure.film import read_film
from measure.reading import Landmark, save_reading
from measure.sites import load_site
from measure.telling import DONE, FAULT, MISUSED, NOTHING_DONE, SOME_UNUSED, STOPPED

ROOT = Path(__file__).parents[2]
MARKER = "ZZMARKERZZ"


def run(*arguments: object, **environment: str) -> subprocess.CompletedProcess[bytes]:
    """Run the command in a process of its own."""
    return subprocess.run(
        [sys.executable, "-m", "measure", *map(str, arguments)],
        capture_output=True,
        cwd=ROOT,
        env=os.environ | environment,
        check=False,
    )


@pytest.fixture(autouse=True)
def _no_stated_width(monkeypatch) -> None:
    """Output as wide as where nobody says how wide: the test runner itself may set COLUMNS."""
    monkeypatch.delenv("COLUMNS", raising=False)


@pytest.fixture
def folder(tmp_path, write_film, make_reading) -> Path:
    """Two patients: three visits of one that fails, two of one that holds, and a film without a reading."""
    films = tmp_path / "films"
    holds = Elbow(beyond=(-6.0, -6.0))  # tips so far short of the cortex that grazing it leaves no doubt
    visits = [
        ("p1-0", 0, "P1", Elbow(), {}),
        ("p1-1", 14, "P1", Elbow(gap=2.0), {}),
        (
            "p1-2",
            42,
            "P1",
            Elbow(gap=6.0, back_out=(9.0, 0.0)),
            {"knot1": Landmark("not assessable", reason="cast")},
        ),
        ("p2-0", 0, "P2", holds, {}),
        (
            "p2-1",
            30,
            "P2",
            holds,
            {"hole": Landmark("proposed", to_pixels([(38.0, -1.0)]), origin="detected")},
        ),
    ]
    for number, (name, day, patient, elbow, landmarks) in enumerate(visits, start=1):
        path = write_film(films / f"{name}.dcm", number, day, PatientID=patient)
        save_reading(
            make_reading(read_film(path), elbow, landmarks=landmarks), path.with_suffix(".reading.json")
        )
    write_film(films / "unread.dcm", 9, 3, PatientID="P3")
    return films


class TestReview:
    """holdfast review."""

    def test_done(self, folder, capsys) -> None:
        """Exit code 0, the outcome of both cases, and the caution once."""
        assert main(["review", str(folder)]) == DONE
        out, err = capsys.readouterr()
        assert err == ""
        out = " ".join(out.split())
        assert "Beyond the limit: articular gap, pin back-out (pin 1)" in out
        assert "All that was measured lies within its limits. Some values rest on proposed landmarks" in out
        assert out.count(CAUTION) == 1

    @pytest.mark.parametrize("columns", [80, 120, 160])
    def test_reads_at_any_width(self, folder, capsys, monkeypatch, columns) -> None:
        """No line is longer than the terminal, no number is broken, and the worst comes first."""
        monkeypatch.setenv("COLUMNS", str(columns))
        main(["review", str(folder)])
        out = capsys.readouterr().out
        assert max(len(line) for line in out.splitlines()) <= columns
        assert "…" not in out
        assert "9.0 ± 1." in out
        order = [
            "2 cases",
            "▲ beyond",
            "· within",
            "Flags",
            "Values",
            "Films (day",
            "Not measured",
            "Technique",
        ]
        places = [out.index(words) for words in order]
        assert places == sorted(places)
        assert out.index("Films without a reading") > out.rindex("Technique")

    def test_a_reason_is_said_of_the_comparison_it_belongs_to(
        self, tmp_path, write_film, make_reading, capsys
    ) -> None:
        """The fragment slid between the first two visits and held since: the note stands at one of them."""
        elbows = (
            Elbow(),
            Elbow(gap=4.0, fragment_shift=8.0),
            Elbow(gap=4.0, fragment_shift=8.0, back_out=(4.0, 0.0)),
        )
        for number, elbow in enumerate(elbows, start=1):
            path = write_film(tmp_path / f"{number}.dcm", number, 20 * number)
            save_reading(make_reading(read_film(path), elbow), path.with_suffix(".reading.json"))
        main(["review", str(tmp_path)])
        out = " ".join(capsys.readouterr().out.split())
        assert "since index: not the pin alone: the two estimates differ by 8" in out
        assert "since last visit: both estimates agree" in out

    def test_everything_is_accounted_for(self, folder, capsys) -> None:
        """Every quantity of the current film stands in the table, and what has no value says why."""
        main(["review", str(folder)])
        out = " ".join(capsys.readouterr().out.split())
        for row in load_site("olecranon").views["lateral"].measurements:
            assert row.title in out
        assert "Knot to the hole, knot 1: current film: not assessable: Knot 1: twist knot (cast)" in out
        assert "unread.dcm: P3 · right · lateral" in out

    def test_tables_are_written_where_told(self, folder, tmp_path, capsys) -> None:
        """--out makes the folder and says what it wrote."""
        assert main(["review", str(folder), "--out", str(tmp_path / "new" / "out")]) == DONE
        out = capsys.readouterr().out
        for name in ("measurements.csv", "changes.csv"):
            assert (tmp_path / "new" / "out" / name).is_file()
            assert f"{name}\n" in out

    def test_some_files_unusable(self, folder, capsys) -> None:
        """Exit code 3; each is named with what to do, and the rest is reviewed all the same."""
        (folder / "cut.dcm").write_bytes((folder / "unread.dcm").read_bytes()[:1000])
        (folder / "bad.reading.json").write_text("{")
        assert main(["review", str(folder)]) == SOME_UNUSED
        out = capsys.readouterr().out
        assert "Not used" in out
        assert "cut.dcm: " in out
        assert "bad.reading.json: This is not valid JSON" in out
        assert "2 cases" in out

    def test_one_film(self, folder, capsys) -> None:
        """A film by its path: its own values, and that there is nothing to compare it with."""
        assert main(["review", str(folder / "p1-2.dcm")]) == DONE
        assert "One film only" in capsys.readouterr().out

    def test_one_frame_of_several(self, tmp_path, write_film, make_reading, capsys) -> None:
        """A film with several frames is refused with what to do, and read with --frame."""
        frames = np.stack([np.full(SHAPE, grey, dtype=np.uint8) for grey in (1, 2, 3)])
        path = write_film(tmp_path / "run.dcm", NumberOfFrames=3, PixelData=frames.tobytes())
        assert main(["review", str(path)]) == NOTHING_DONE
        assert "holds 3 frames. Say which one to read, from 1 to 3 (--frame)" in capsys.readouterr().out
        assert main(["review", str(path), "--frame", "2"]) == DONE
        assert "run.dcm" in capsys.readouterr().out

    def test_a_frame_is_chosen_only_where_there_are_several(self, tmp_path, write_film, capsys) -> None:
        """In a mixed folder --frame leaves films of one frame alone; a frame that is not there is refused."""
        write_film(tmp_path / "one.dcm", 9)
        pixels = np.zeros((3, *SHAPE), dtype=np.uint8).tobytes()
        write_film(tmp_path / "run.dcm", 8, NumberOfFrames=3, PixelData=pixels)
        assert main(["review", str(tmp_path), "--frame", "2"]) == DONE
        assert main(["review", str(tmp_path), "--frame", "4"]) == SOME_UNUSED
        assert "Frame 4 was asked for" in capsys.readouterr().out

    def test_every_dash_has_its_reason(self, tmp_path, write_film, make_reading, capsys) -> None:
        """Where the index film is what keeps a change from having a value, that is told too."""
        for number, lacking in ((1, "knot1"), (2, "loop")):
            film = read_film(write_film(tmp_path / f"{number}.dcm", number, number))
            reading = make_reading(film, landmarks={lacking: Landmark("not assessable", reason="hidden")})
            save_reading(reading, tmp_path / f"{number}.reading.json")
        assert main(["review", str(tmp_path)]) == DONE
        out = capsys.readouterr().out
        told = (
            "Knot to the hole, knot 1: since index: earlier film: not assessable: Knot 1: twist knot (hidden)"
        )
        assert told in out
        assert "Loop off bone or bend: current film: not assessable: Proximal wire loop (hidden)" in out

    def test_own_thresholds(self, folder, tmp_path, capsys) -> None:
        """--thresholds replaces limits: with 20 mm for all that was beyond, nothing is."""
        rows = [
            f'[[threshold]]\nsite="olecranon"\nview="lateral"\nquantity="{name}"\nbasis="{basis}"\nside="above"\n'
            f'limit=20\nlevel="{level}"\n'
            for name, basis, level in (
                ("articular_gap", "change", "clear"), ("articular_gap", "value", "clear"),
                ("mean_gap", "change", "clear"), ("back_out", "change", "possible"),
                ("back_out", "change", "clear"),
            )
        ]  # fmt: skip
        path = tmp_path / "mine.toml"
        path.write_text('format = "holdfast-thresholds"\n' + "".join(rows))
        assert main(["review", str(folder), "--thresholds", str(path)]) == DONE
        assert "▲ beyond  " not in capsys.readouterr().out


class TestMistakes:
    """A user's mistake: words, an exit code, no traceback."""

    def test_no_such_folder(self, tmp_path, capsys) -> None:
        """Says which, and to check the path."""
        assert main(["review", str(tmp_path / "nowhere")]) == NOTHING_DONE
        assert "There is no folder or film 'nowhere'" in capsys.readouterr().err

    def test_empty_folder(self, tmp_path, capsys) -> None:
        """Says what was expected."""
        assert main(["review", str(tmp_path)]) == NOTHING_DONE
        assert "Expected DICOM files" in capsys.readouterr().err

    def test_nothing_usable(self, tmp_path, capsys) -> None:
        """A folder with bad films alone: exit code 4, and no empty tables."""
        (tmp_path / "bad.dcm").write_bytes(b"\0" * 128 + b"DICM")
        assert main(["review", str(tmp_path), "--out", str(tmp_path / "out")]) == NOTHING_DONE
        assert "bad.dcm" in capsys.readouterr().out
        assert not (tmp_path / "out").exists()

    @pytest.mark.parametrize(
        ("text", "words"),
        [
            (None, "cannot be read"),
            ("format = [", "not valid TOML"),
            ('format = "other"', "expected 'holdfast-thresholds'"),
            ('format = "holdfast-thresholds"\n[[threshold]]\nsite="femur"', "site 'femur' is not one of"),
        ],
    )
    def test_thresholds(self, folder, tmp_path, capsys, text, words) -> None:
        """A missing, broken or foreign file, and unknown names; no film is read first."""
        path = tmp_path / "mine.toml"
        if text is not None:
            path.write_text(text)
        assert main(["review", str(folder), "--thresholds", str(path)]) == NOTHING_DONE
        out, err = capsys.readouterr()
        assert words in err
        assert out == ""

    def test_out_is_a_file(self, folder, tmp_path, capsys) -> None:
        """The review is still shown; the tables say what to do."""
        (tmp_path / "out").write_text("")
        assert main(["review", str(folder), "--out", str(tmp_path / "out")]) == NOTHING_DONE
        out, err = capsys.readouterr()
        assert "2 cases" in out
        assert "Choose another folder with --out" in err

    @pytest.mark.parametrize(
        "arguments", [[], ["revue"], ["review"], ["review", "a", "b"], ["review", "a", "--limit"]]
    )
    def test_not_understood(self, arguments, capsys) -> None:
        """Exit code 2, with the usage."""
        with pytest.raises(SystemExit) as ended:
            main(arguments)
        assert ended.value.code == MISUSED
        assert "usage: holdfast" in capsys.readouterr().err

    def test_stopped_by_the_user(self, folder, monkeypatch, capsys) -> None:
        """Control-C ends with code 1 and a word."""

        def stop(*_: object, **__: object) -> None:
            raise KeyboardInterrupt

        monkeypatch.setattr("measure.review.review", stop)
        assert main(["review", str(folder)]) == STOPPED
        assert "stopped" in capsys.readouterr().err

    def test_a_fault_of_its_own(self, folder, monkeypatch, capsys) -> None:
        """A bug is told by kind and place, without its message, which may quote a patient."""

        def fail(*_: object, **__: object) -> None:
            raise KeyError(MARKER)

        monkeypatch.setattr("measure.review.review", fail)
        assert main(["review", str(folder)]) == FAULT
        err = capsys.readouterr().err
        assert "fault of its own: KeyError at test_command_line.py:" in err
        assert MARKER not in err
        assert "Traceback" not in err

    def test_unknown_site(self, capsys) -> None:
        """Names the sites there are."""
        assert main(["sites", "femur"]) == NOTHING_DONE
        assert "olecranon" in capsys.readouterr().err


IDENTIFIERS = {
    "PatientName": f"{MARKER}NAME^X",
    "PatientID": f"{MARKER}ID",
    "OtherPatientIDs": f"{MARKER}OTHER",
    "PatientBirthDate": "19011213",
    "AccessionNumber": f"{MARKER}ACC",
    "PatientAddress": f"{MARKER}STREET",
    "PatientComments": f"{MARKER}COMMENT",
    "ReferringPhysicianName": f"{MARKER}REF",
    "InstitutionName": f"{MARKER}PLACE",
    "StudyDescription": f"{MARKER}STUDY",
}


class TestPrivacy:
    """Patient identifiers stay out of errors; of all identifiers only the patient's ID is in the result."""

    def films(self, folder, write_film, make_reading) -> None:
        """Films full of identifiers, each with something wrong."""
        wrong = {
            "side": {"ImageLaterality": "R", "Laterality": "L"},
            "date": {"AcquisitionDate": "20311399"},
            "spacing": {"ImagerPixelSpacing": [0.0, -1.0]},
            "frames": {"NumberOfFrames": 3},
            "colour": {"SamplesPerPixel": 3, "PhotometricInterpretation": "RGB", "PlanarConfiguration": 0},
            "short": {"Rows": 6000},
            "good": {},
        }
        for number, (name, elements) in enumerate(wrong.items(), start=1):
            path = write_film(folder / f"{name}.dcm", number, **(IDENTIFIERS | elements))
            data = path.read_bytes()
            (folder / f"{name}-cut.dcm").write_bytes(data[: len(data) // 3])
            if name == "good":
                save_reading(make_reading(read_film(path), laterality="left"), folder / "good.reading.json")

    @pytest.mark.filterwarnings("ignore::UserWarning")  # pydicom, writing the bad values
    def test_no_identifier_in_errors(self, tmp_path, write_film, make_reading) -> None:
        """Not on stderr, and not in what was not used; names and dates of birth nowhere at all."""
        self.films(tmp_path, write_film, make_reading)
        done = run("review", tmp_path, "--out", tmp_path / "out")
        assert done.returncode == SOME_UNUSED
        assert MARKER.encode() not in done.stderr
        assert b"19011213" not in done.stderr
        assert b"Traceback" not in done.stderr
        out = done.stdout.decode()
        assert MARKER not in out[out.index("Not used") :]
        written = out + "".join(path.read_text() for path in (tmp_path / "out").iterdir())
        assert f"{MARKER}ID" in written
        assert MARKER not in written.replace(f"{MARKER}ID", "")
        assert "19011213" not in written


class TestTerminal:
    """Whatever a file holds, and whatever the terminal can show."""

    HOSTILE = "[/red][bold]x[link=http://a.b]:smile:\x1b[2J\x07\u202e"

    def test_text_from_files_is_plain(self, tmp_path, write_film, make_reading, capsys) -> None:
        """Markup is shown as it is, and control characters are not sent to the terminal."""
        for number in (1, 2):
            name = "[" + "/b]film" if number == 1 else "[red]film"
            path = write_film(
                tmp_path / f"{name.replace('/', '')}.dcm", number, 9 * number, PatientID="[/i]:cat:"
            )
            made = make_reading(
                read_film(path),
                reader=self.HOSTILE,
                landmarks={"hole": Landmark("not assessable", reason=self.HOSTILE)},
            )
            save_reading(made, tmp_path / f"{number}.reading.json")
        assert main(["review", str(tmp_path)]) == DONE
        out = capsys.readouterr().out
        assert "[/i]:cat:" in out
        assert "[/red][bold]x[link=http://a.b]:smile:" in " ".join(out.split())
        assert not {"\x1b", "\x07", "\u202e"} & set(out)

    def test_file_name_that_is_no_text(self, folder) -> None:
        """A name in another encoding is shown with stand-ins, here and in a terminal of plain ASCII."""
        name = os.fsencode(folder) + b"/caf\xe9.dcm"
        with open(name, "wb") as file:
            file.write(b"\0" * 128 + b"DICM")
        for encoding in ("utf-8", "ascii", "cp1252"):
            done = run("review", folder, PYTHONIOENCODING=encoding, PYTHONUTF8="0")
            assert done.returncode == SOME_UNUSED
            assert done.stderr == b""
            assert b"caf" in done.stdout
            assert b"beyond" in done.stdout

    @pytest.mark.parametrize("encoding", ["ascii", "cp1252"])
    def test_a_sign_never_turns_into_another(self, folder, encoding) -> None:
        """Where a code page lacks the sign of "beyond", what stands for it is not that of "cannot tell"."""
        out = run("review", folder, PYTHONIOENCODING=encoding, PYTHONUTF8="0").stdout.decode(encoding)
        beyond, unsure, within = re.search(r"(.) beyond, (.) cannot tell, (.) within;", out).groups()
        assert (beyond, unsure) == ("!", "?")
        assert within not in "!?"
        assert re.search(r"\d \? \d", out) is None  # nor has a value lost its plus/minus

    def test_a_proposed_break_is_marked(self, tmp_path, write_film, make_reading, capsys) -> None:
        """A break that only the program proposes is not called seen without its mark."""
        ends = tuple(to_pixels([(20.0, -9.0), (22.0, -9.0)]))
        for status, said in (("proposed", "now: seen*"), ("confirmed", "now: seen ")):
            film = read_film(write_film(tmp_path / status / "film.dcm"))
            reading = make_reading(film, landmarks={"wire_break": Landmark(status, ends)})
            save_reading(reading, tmp_path / status / "film.reading.json")
            assert main(["review", str(tmp_path / status)]) == DONE
            assert said in capsys.readouterr().out

    def test_reader_that_goes_away(self, folder) -> None:
        """`holdfast review ... | head -1` ends quietly."""
        command = f'"{sys.executable}" -m measure review "{folder}" | head -n 1'
        done = subprocess.run(["bash", "-c", command], capture_output=True, cwd=ROOT, check=False)
        assert done.stderr == b""
        assert done.stdout.count(b"\n") == 1


class TestStart:
    """What can be had without reading a film."""

    def test_help_tells_the_exit_codes(self, capsys) -> None:
        """All six, and that it is no diagnosis."""
        with pytest.raises(SystemExit) as ended:
            main(["--help"])
        out = " ".join(capsys.readouterr().out.split())
        assert ended.value.code == DONE
        assert "not a diagnosis" in out
        for code in (DONE, STOPPED, MISUSED, SOME_UNUSED, NOTHING_DONE, FAULT):
            assert f" {code} " in out

    def test_version(self, capsys) -> None:
        """Name and version."""
        with pytest.raises(SystemExit):
            main(["--version"])
        assert capsys.readouterr().out == f"holdfast {__version__}\n"

    @pytest.mark.parametrize("arguments", [["--help"], ["review", "--help"], ["--version"]])
    def test_help_imports_nothing_heavy(self, arguments) -> None:
        """Timed in tests/benchmarks/start.py; here by what is loaded."""
        script = (
            "import sys\n"
            "from measure.__main__ import main\n"
            "try:\n    main(sys.argv[1:])\n"
            "except SystemExit:\n    pass\n"
            "print(sorted({name.partition('.')[0] for name in sys.modules}), file=sys.stderr)\n"
        )
        done = subprocess.run(
            [sys.executable, "-c", script, *arguments], capture_output=True, cwd=ROOT, check=True
        )
        loaded = set(eval(done.stderr))  # noqa: S307, our own list
        assert "measure" in loaded
        heavy = {"numpy", "scipy", "cv2", "skimage", "pydicom", "PIL", "rich", "pandas", "napari", "qtpy"}
        assert not heavy & loaded

    def test_package_never_imports_a_window(self) -> None:
        """Reviewing loads neither napari nor Qt, nor what only tests and other issues need."""
        script = "import sys, measure.__main__, measure.report, measure.samples; print(*sys.modules)"
        done = subprocess.run([sys.executable, "-c", script], capture_output=True, cwd=ROOT, check=True)
        loaded = {name.partition(".")[0] for name in done.stdout.decode().split()}
        assert not {"napari", "qtpy", "PyQt6", "PySide6", "viewer", "pandas", "matplotlib"} & loaded

    def test_sites(self, capsys) -> None:
        """The sites by name, and one with its landmarks, quantities and limits with their sources."""
        assert main(["sites"]) == DONE
        assert "olecranon\n" in capsys.readouterr().out
        assert main(["sites", "olecranon"]) == DONE
        out = " ".join(capsys.readouterr().out.split())
        for words in ("Outer edge of the dorsal cortex", "Pin back-out (mm)", "common practice, no source"):
            assert words in out
        view = load_site("olecranon").views["lateral"]
        assert all(name in out for name in view.units())  # what a thresholds file must call them


class TestDemo:
    """holdfast demo."""

    def test_demo(self, tmp_path, capsys) -> None:
        """The sample films are all usable, and their tables are written."""
        assert main(["demo", "--out", str(tmp_path)]) == DONE
        out = capsys.readouterr().out
        assert "Not used" not in out
        assert (tmp_path / "changes.csv").stat().st_size > 0

    def test_installation_without_samples(self, monkeypatch, capsys, tmp_path) -> None:
        """Says so, and what to do."""
        monkeypatch.setattr("measure.samples.__file__", str(tmp_path / "measure" / "samples.py"))
        assert main(["demo"]) == NOTHING_DONE
        assert "Install holdfast anew" in capsys.readouterr().err


def test_progress_bar_only_for_many_films_at_a_terminal(monkeypatch) -> None:
    """Few films, or no terminal, give the list itself; many at a terminal pass through a bar, none lost."""
    from measure import telling

    many = [Path(str(number)) for number in range(telling.MANY)]
    track = telling.progress("Reading films")
    assert track(many) is many
    monkeypatch.setattr("sys.stderr.isatty", lambda: True, raising=False)
    assert track(many[1:]) is not many
    assert list(track(many)) == many
