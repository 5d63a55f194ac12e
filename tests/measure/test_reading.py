"""Readings: kept without loss, written whole or not at all, and refused in words where they are bad."""

from __future__ import annotations

import copy
import errno
import json
import os
import signal
import subprocess
import sys
import threading
from concurrent.futures import ThreadPoolExecutor
from dataclasses import replace
from pathlib import Path

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from measure.errors import ReadingError
from measure.measurements import measure_film
from measure.reading import (
    MOST_BYTES,
    READING_VERSION,
    Landmark,
    Reading,
    check_film,
    checksum,
    from_json,
    load_reading,
    save_reading,
    to_json,
)
from measure.scale import Scale, ScaleInput

SHARED_FIXTURES = settings(
    deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture], max_examples=200
)


@pytest.fixture
def reading(make_film, make_reading) -> Reading:
    return make_reading(
        make_film(),
        landmarks={
            "knot1": Landmark("not assessable", reason="metal hides it: ü, 手, 'quoted'"),
            "pin1_tip": Landmark("proposed", ((500.123456789012, 200.1),), origin="detected", u_px=0.4),
        },
        scale_inputs=(ScaleInput("marker", ((10.25, 10), (10, 130.5)), 30.0, tolerance_mm=0.05),),
        scale_use="marker",
        surgery_date="2031-03-02",
    )


@pytest.fixture
def content(reading) -> dict:
    """JSON content of a good reading."""
    return json.loads(to_json(reading))


def signed(content: dict) -> str:
    """JSON text with the checksum made to fit, as one who edits by hand with care would."""
    return json.dumps(content | {"checksum": checksum(content)})


class TestKept:
    """What is saved comes back the same."""

    def test_round_trip_through_text(self, reading) -> None:
        """Every field of every landmark and scale input comes back equal."""
        assert from_json(to_json(reading)) == reading

    def test_round_trip_through_a_file(self, reading, tmp_path) -> None:
        """The same through a file in a folder that is not there yet."""
        path = save_reading(reading, tmp_path / "new" / "film.reading.json")
        assert load_reading(path) == reading

    def test_second_text_is_the_first(self, reading) -> None:
        """Saving what was loaded gives the same bytes: nothing is rounded or reordered."""
        assert to_json(from_json(to_json(reading))) == to_json(reading)

    @given(
        row=st.floats(-0.5, 639.5, allow_nan=False),
        column=st.floats(-0.5, 419.5),
        u_px=st.floats(1e-300, 640),
    )
    @SHARED_FIXTURES
    def test_every_float_survives(self, reading, row, column, u_px) -> None:
        """Coordinates come back to the last bit, the smallest and signed zeros too."""
        tip = Landmark("confirmed", ((row, column),), u_px=u_px)
        changed = replace(reading, landmarks={"pin1_tip": tip})
        back = from_json(to_json(changed)).landmarks["pin1_tip"]
        assert (back.points[0][0].hex(), back.points[0][1].hex()) == (row.hex(), column.hex())
        assert back == tip

    def test_the_file_says_what_it_is(self, content) -> None:
        """Format, version and checksum stand in the file, and each landmark says how it came about."""
        assert content["format"] == "holdfast-reading"
        assert content["version"] == READING_VERSION == 2
        assert content["landmarks"]["knot1"]["reason"].startswith("metal")
        assert content["landmarks"]["pin1_tip"]["origin"] == "detected"

    def test_no_patient_in_the_file(self, make_film, make_reading) -> None:
        """A reading names its film by digest, and no patient."""
        assert "MARKER-77" not in to_json(make_reading(make_film(patient_key="MARKER-77")))

    def test_a_new_reading_gets_a_time_and_an_id(self, make_film, make_reading) -> None:
        """Two readings of one film are two, and their times carry an offset."""
        film = make_film()
        first, second = make_reading(film, time=""), make_reading(film, time="")
        assert first.uid != second.uid
        assert first.time.endswith("+00:00")

    def test_points_cannot_be_changed_in_place(self, reading) -> None:
        """A landmark's array is read-only, and its mapping too."""
        with pytest.raises(ValueError, match="read-only"):
            reading.landmarks["hole"].array[0, 0] = 1.0
        with pytest.raises(TypeError):
            reading.landmarks["hole"] = Landmark("absent")


class TestWritten:
    """Whole or not at all, and never over another."""

    def test_existing_is_never_overwritten(self, reading, tmp_path) -> None:
        """The old file keeps its bytes, and nothing is left beside it."""
        path = save_reading(reading, tmp_path / "a.reading.json")
        before = path.read_bytes()
        with pytest.raises(ReadingError, match=r"never overwritten.*new name"):
            save_reading(replace(reading, reader="other"), path)
        assert path.read_bytes() == before
        assert os.listdir(tmp_path) == ["a.reading.json"]

    def test_of_many_savers_exactly_one_wins(self, reading, tmp_path) -> None:
        """Eight at once, twenty times over: one file, whole, of the one that was told it had won."""
        for turn in range(20):
            path, start = tmp_path / f"{turn}.reading.json", threading.Barrier(8)

            def save(number: int, path: Path = path, start: threading.Barrier = start) -> int | None:
                mine = replace(reading, reader=f"reader-{number}")
                start.wait()
                try:
                    save_reading(mine, path)
                except ReadingError:
                    return None
                return number

            with ThreadPoolExecutor(8) as pool:
                winners = [number for number in pool.map(save, range(8)) if number is not None]
            assert len(winners) == 1
            assert load_reading(path).reader == f"reader-{winners[0]}"
        assert not [name for name in os.listdir(tmp_path) if name.endswith(".part")]

    @pytest.mark.parametrize("moment", ["os.fsync", "os.link"])
    def test_killed_in_the_middle(self, reading, tmp_path, moment) -> None:
        """A process killed before the file is whole leaves no file of that name, and no reading at all."""
        source = tmp_path / "source.json"
        source.write_text(to_json(reading), encoding="utf-8")
        script = (
            "import os, signal, sys\n"
            "from pathlib import Path\n"
            "from measure.reading import from_json, save_reading\n"
            "reading = from_json(Path(sys.argv[1]).read_text(encoding='utf-8'))\n"
            f"{moment} = lambda *a, **k: os.kill(os.getpid(), signal.SIGKILL)\n"
            "save_reading(reading, Path(sys.argv[2]))\n"
        )
        target = tmp_path / "out" / "film.reading.json"
        done = subprocess.run([sys.executable, "-c", script, source, target], check=False)
        assert done.returncode == -signal.SIGKILL
        assert not target.exists()
        assert list(target.parent.glob("*.reading.json")) == []
        save_reading(reading, target)  # what was left behind is in nobody's way
        assert load_reading(target) == reading

    def test_disk_without_hard_links(self, reading, tmp_path, monkeypatch) -> None:
        """On FAT and many a network share a reading is kept too, and still never overwritten."""

        def fail(*_: object) -> None:
            raise PermissionError(errno.EPERM, os.strerror(errno.EPERM))

        monkeypatch.setattr("os.link", fail)
        path = save_reading(reading, tmp_path / "a.reading.json")
        assert load_reading(path) == reading
        with pytest.raises(ReadingError, match="never overwritten"):
            save_reading(replace(reading, reader="another"), path)
        assert load_reading(path) == reading
        assert os.listdir(tmp_path) == [path.name]

    @pytest.mark.parametrize("code", [errno.ENOSPC, errno.EIO, errno.EROFS])
    def test_failing_disk(self, reading, tmp_path, monkeypatch, code) -> None:
        """A full, broken or read-only disk is told in words; nothing is left behind."""

        def fail(_: int) -> None:
            raise OSError(code, os.strerror(code))

        monkeypatch.setattr("os.fsync", fail)
        with pytest.raises(ReadingError, match=f"{os.strerror(code)}.*Nothing was changed"):
            save_reading(reading, tmp_path / "a.reading.json")
        assert os.listdir(tmp_path) == []

    def test_folder_that_is_a_file(self, reading, tmp_path) -> None:
        """A path through a file is refused in words."""
        (tmp_path / "file").write_text("")
        with pytest.raises(ReadingError, match=r"could not be written|exists"):
            save_reading(reading, tmp_path / "file" / "a.reading.json")

    def test_colleagues_can_read_it(self, reading, tmp_path) -> None:
        """Permissions are those of any new file here."""
        plain = tmp_path / "plain"
        plain.write_text("")
        path = save_reading(reading, tmp_path / "a.reading.json")
        assert path.stat().st_mode == plain.stat().st_mode


class TestFilm:
    """A reading belongs to one film."""

    def test_its_own_film(self, make_film, make_reading) -> None:
        """Passes without a word."""
        film = make_film()
        check_film(make_reading(film), film)

    def test_all_reasons_at_once(self, make_film, make_reading) -> None:
        """Other pixels, side and view are told together, with what to do."""
        reading = make_reading(make_film(1))
        other = make_film(2, laterality="left", view="ap")
        with pytest.raises(ReadingError, match=r"digest differs.*left.*right.*ap.*lateral.*Choose the film"):
            check_film(reading, other)

    def test_a_film_that_does_not_say_takes_the_reader_s_word(self, make_film, make_reading) -> None:
        """An unstated side or view contradicts nothing."""
        film = make_film(laterality=None, view=None)
        check_film(make_reading(film, view="lateral", laterality="right"), film)


class TestContents:
    """What keeps a reading from being used, each in words and all at once."""

    @pytest.mark.parametrize(
        ("fields", "words"),
        [
            ({"site": "femur"}, "No site is called 'femur'"),
            ({"site_version": "0"}, "version '0' of the site table"),
            ({"view": "oblique"}, "view 'oblique' is not one of lateral, ap"),
            ({"axis": "canal"}, "axis 'canal' is not one of ulnar shaft"),
            ({"laterality": "R"}, "laterality 'R' is not left or right"),
            ({"film_digest": "md5:00"}, "does not say which film"),
            ({"rows": 0}, "does not say which film"),
            ({"reader": "  "}, "does not say who read"),
            ({"time": "yesterday"}, "time 'yesterday' is not an ISO 8601 time"),
            ({"time": "2031-03-03T10:00:00"}, "with its offset from UTC"),
            ({"surgery_date": "03/03/2031"}, "surgery date '03/03/2031'"),
            ({"surgery_date": ""}, "surgery date ''"),
            ({"reader": 7}, "reader 7 is not text"),
            ({"rows": True}, "rows True is not a whole number"),
            ({"rows": 10**20}, "rows is too large"),
            ({"uid": "x" * 2000}, "uid is no usable text"),
            ({"reader": "\ud800"}, "reader is no usable text"),
        ],
    )
    def test_fields(self, reading, fields, words) -> None:
        """Each field is checked by its own words."""
        with pytest.raises(ReadingError, match=words):
            replace(reading, **fields)

    @pytest.mark.parametrize(
        ("name", "landmark", "words"),
        [
            ("pin3_tip", Landmark("absent"), "'pin3_tip' is not in the lateral table"),
            ("hole", Landmark("seen", ((1, 1),)), "status 'seen'"),
            ("hole", Landmark("confirmed", ((1, 1),), origin="guessed"), "origin 'guessed'"),
            ("hole", Landmark("not assessable"), "no reason is given"),
            ("hole", Landmark("confirmed"), "0 points, expected 1"),
            ("hole", Landmark("confirmed", ((1, 1), (2, 2))), "2 points, expected 1"),
            ("joint_arc", Landmark("confirmed", ((1, 1), (2, 2))), "2 points, expected 3 to 9"),
            ("hole", Landmark("absent", ((1, 1),)), "absent, yet it has points"),
            ("hole", Landmark("confirmed", ((float("nan"), 1),)), "not a number"),
            ("hole", Landmark("confirmed", ((float("inf"), 1),)), "not a number"),
            ("hole", Landmark("confirmed", ((639.6, 1),)), r"\(639.6, 1.0\) lies off the film of 640 rows"),
            ("hole", Landmark("confirmed", ((1, -0.6),)), "lies off the film"),
            ("hole", Landmark("confirmed", ((1, 1),), u_px=0.0), "uncertainty 0.0 px is not positive"),
            ("shaft_volar", Landmark("confirmed", ((1, 1), (2, 2), (3, 3))), "shaft_dorsal has 2 points and"),
        ],
    )
    def test_landmarks(self, reading, name, landmark, words) -> None:
        """Each landmark is checked against the site's table and the film."""
        with pytest.raises(ReadingError, match=words):
            replace(reading, landmarks={**reading.landmarks, name: landmark})

    def test_edges_of_the_film_belong_to_it(self, reading) -> None:
        """Half a pixel beyond the outer pixels' centres is still the film."""
        corner = Landmark("confirmed", ((-0.5, 419.5),))
        replace(reading, landmarks={**reading.landmarks, "hole": corner})

    @pytest.mark.parametrize(
        ("given", "words"),
        [
            (ScaleInput("ruler", ((1, 1), (9, 9)), 30.0), "kind 'ruler'"),
            (ScaleInput("marker", ((1, 1), (1, 1)), 30.0), "less than a pixel apart"),
            (ScaleInput("marker", ((1, 1), (9, 9)), 0.0), "not positive"),
            (ScaleInput("marker", ((1, 1), (9, 9)), 30.0, tolerance_mm=-1.0), "from zero to 1000"),
            (ScaleInput("marker", ((1, 1), (900, 9)), 30.0), "scale input: point .* lies off the film"),
        ],
    )
    def test_scale_inputs(self, reading, given, words) -> None:
        """Scale inputs are checked as where they are used."""
        with pytest.raises(ReadingError, match=words):
            replace(reading, scale_inputs=(given,))

    def test_all_at_once(self, reading) -> None:
        """One message names all that is wrong."""
        with pytest.raises(ReadingError, match=r"(?s)laterality 'x'.*time 'y'.*0 points.*Mend these"):
            replace(reading, laterality="x", time="y", landmarks={"hole": Landmark("confirmed")})


class TestBadFiles:
    """Files that are no readings, or are no longer."""

    @pytest.mark.parametrize(
        "text", ["", "{", "[]", "null", '"text"', "{}", '{"format": "other"}', "\ufeff{}"]
    )
    def test_no_reading(self, text) -> None:
        """Other JSON, and no JSON, is refused in words."""
        with pytest.raises(ReadingError, match=r"not valid JSON|not a holdfast reading"):
            from_json(text)

    @pytest.mark.parametrize("version", [0, 3, "1", None, [1]])
    def test_unknown_version(self, content, version) -> None:
        """Another version is refused, with what reads it."""
        with pytest.raises(ReadingError, match=r"expected 1.*holdfast that wrote it, or a newer"):
            from_json(signed(content | {"version": version}))

    def test_edited_by_hand(self, content) -> None:
        """One number changed: the checksum does not fit, and nothing of it is used."""
        content["landmarks"]["hole"]["points"][0][0] += 0.001
        with pytest.raises(ReadingError, match=r"changed after it was saved.*record the correction"):
            from_json(json.dumps(content))

    def test_reformatting_is_no_change(self, content, reading) -> None:
        """Other spaces and another order of entries leave the contents as they are."""
        assert from_json(json.dumps(dict(reversed(content.items())), indent=4)) == reading

    @pytest.mark.parametrize("word", ["NaN", "Infinity", "-Infinity"])
    def test_not_a_number(self, reading, word) -> None:
        """JSON knows no NaN."""
        text = to_json(reading).replace("500.123456789012", word)
        with pytest.raises(ReadingError, match="is not a number"):
            from_json(text)

    def test_overflowing_number(self, content) -> None:
        """1e999 is read as infinite, and refused as no number."""
        text = signed(content).replace("500.123456789012", "1e999")
        bare = json.loads(text)
        with pytest.raises(ReadingError, match="is not a number"):
            from_json(
                text.replace(content["checksum"], checksum(bare)).replace(bare["checksum"], checksum(bare))
            )

    def test_truncated_anywhere(self, reading) -> None:
        """Cut short at any place, it is refused."""
        text = to_json(reading).rstrip()
        for end in range(0, len(text), 97):
            with pytest.raises(ReadingError):
                from_json(text[:end])

    def test_deeply_nested(self) -> None:
        """A hundred thousand brackets are refused, not followed."""
        for text in ("[" * 100_000, '{"format":' * 20_000, '{"a":' * 900 + "1" + "}" * 900):
            with pytest.raises(ReadingError, match=r"not valid JSON|not a holdfast reading"):
                from_json(text)

    def test_number_of_ten_thousand_digits(self) -> None:
        """Python's own limit is told as a bad file."""
        with pytest.raises(ReadingError, match="not valid JSON"):
            from_json('{"format": ' + "9" * 10_000 + "}")

    def test_not_utf8(self, tmp_path) -> None:
        """Bytes that are no text."""
        path = tmp_path / "a.reading.json"
        path.write_bytes(b'{"format": "\xff\xfe"}')
        with pytest.raises(ReadingError, match="cannot be read"):
            load_reading(path)

    def test_huge_file(self, tmp_path) -> None:
        """A file beyond any reading's size is not even read."""
        path = tmp_path / "a.reading.json"
        with path.open("wb") as file:
            file.truncate(MOST_BYTES + 1)
        with pytest.raises(ReadingError, match="too large for a reading"):
            load_reading(path)

    def test_no_file(self, tmp_path) -> None:
        """A missing file, a folder, and a pipe that would wait for ever."""
        os.mkfifo(tmp_path / "pipe")
        (tmp_path / "folder").mkdir()
        for name in ("missing", "folder", "pipe"):
            with pytest.raises(ReadingError, match="Check it"):
                load_reading(tmp_path / name)

    @pytest.mark.parametrize("where", [(), ("landmarks", "hole"), ("scale_inputs", 0)])
    def test_missing_and_unknown_entries(self, content, where) -> None:
        """An entry too few or too many is told by what is expected: none is made up in silence."""
        for change in ("missing", "unknown"):
            edited = copy.deepcopy(content)
            target = edited
            for key in where:
                target = target[key]
            if change == "missing":
                del target[next(key for key in target if key not in ("format", "version", "checksum"))]
            else:
                target["colour"] = "red"
            with pytest.raises(ReadingError, match="needs exactly the entries"):
                from_json(signed(edited))

    @pytest.mark.parametrize("entry", ["time", "uid"])
    def test_blank_time_and_id_are_not_made_up(self, content, entry) -> None:
        """A file without its own time or id would get new ones at every load."""
        with pytest.raises(ReadingError, match="must be filled in"):
            from_json(signed(content | {entry: ""}))

    def test_message_is_short_however_long_the_file(self, content) -> None:
        """A wrong entry of a megabyte is cut short where it is quoted."""
        with pytest.raises(ReadingError) as caught:
            from_json(signed(content | {"view": ["x" * 1_000_000]}))
        assert len(str(caught.value)) < 500


ODD_VALUES = st.one_of(
    st.none(),
    st.booleans(),
    st.integers(-(10**30), 10**30),
    st.sampled_from([10**400, 1e308, -1e308, 0, -1, 2**63, "", "\ud800", "\x1b[2J"]),
    st.floats(allow_nan=False, allow_infinity=False),
    st.text(st.characters(), max_size=5),
    st.lists(st.one_of(st.floats(allow_nan=False, allow_infinity=False), st.text(max_size=2)), max_size=3),
    st.lists(st.lists(st.floats(-10, 700), min_size=2, max_size=2), max_size=6),
    st.dictionaries(st.text(max_size=3), st.integers(0, 3), max_size=2),
    st.sampled_from(["confirmed", "proposed", "absent", "lateral", "ap", "left", "patella", "marker"]),
)


def places(content: object, path: tuple = ()) -> list[tuple]:
    """Path to everything in JSON content."""
    found = [path] if path else []
    items = (
        content.items()
        if isinstance(content, dict)
        else enumerate(content)
        if isinstance(content, list)
        else ()
    )
    for key, value in items:
        found += places(value, (*path, key))
    return found


@given(data=st.data())
@SHARED_FIXTURES
def test_any_change_with_a_fitting_checksum_is_refused_in_words_or_used(content, data) -> None:
    """Up to three entries changed, dropped or renamed: a ReadingError, or a reading that can be measured."""
    edited = copy.deepcopy(content)
    for _ in range(data.draw(st.integers(1, 3))):
        found = places(edited)
        *parents, last = data.draw(st.sampled_from(found))
        target = edited
        for key in parents:
            target = target[key]
        action = data.draw(st.sampled_from(["change", "change", "change", "drop", "rename"]))
        if action == "change":
            target[last] = data.draw(ODD_VALUES)
        elif action == "drop":
            del target[last]
        elif isinstance(target, dict):
            target[data.draw(st.text(max_size=4))] = target.pop(last)
    try:
        reading = from_json(signed(edited))
    except ReadingError:
        return
    assert from_json(to_json(reading)) == reading
    measure_film(reading, Scale((0.25, 0.25), "by hand", "by hand", {"scale:by hand": 0.02}))


@given(st.binary(max_size=200) | st.text(max_size=200).map(lambda text: text.encode(errors="surrogatepass")))
@SHARED_FIXTURES
def test_any_bytes_are_refused_in_words(tmp_path, data) -> None:
    """Whatever a file holds, load_reading raises ReadingError and nothing else."""
    path = tmp_path / "a.reading.json"
    path.write_bytes(data)
    with pytest.raises(ReadingError):
        load_reading(path)
