"""Pseudonyms: the same for one key, another for another; the key stays apart."""

from __future__ import annotations

import stat
from pathlib import Path

import pytest
from pydicom.uid import UID

from measure.errors import HoldfastError
from measure.pseudonym import LONGEST_SHIFT, Pseudonyms, open_key


def test_one_key_gives_one_name_and_another_key_another() -> None:
    one, again, other = Pseudonyms(b"1" * 32), Pseudonyms(b"1" * 32), Pseudonyms(b"2" * 32)
    assert one.name("patient", "Zoë 王") == again.name("patient", "Zoë 王") != other.name("patient", "Zoë 王")
    assert one.name("patient", "a") != one.name("patient", "b")
    assert one.name("patient", "a")[8:] != one.name("reader", "a")[7:]
    assert one.name("patient", "") == ""


def test_without_a_key_nobody_can_do_it_again() -> None:
    assert Pseudonyms().name("patient", "a") != Pseudonyms().name("patient", "a")


def test_uids_are_valid_and_consistent() -> None:
    """By pydicom's own rule for UIDs (PS3.5, 9.1)."""
    names = Pseudonyms(b"1" * 32)
    made = {names.uid(f"1.2.3.{number}") for number in range(500)}
    assert len(made) == 500
    assert all(UID(uid).is_valid and uid.startswith("2.25.") and len(uid) <= 64 for uid in made)
    assert names.uid("1.2.3.4") == names.uid("1.2.3.4")


def test_every_patient_has_one_shift_into_the_past() -> None:
    names = Pseudonyms(b"1" * 32)
    shifts = {names.shift(f"patient {number}").days for number in range(300)}
    assert len(shifts) > 250
    assert all(-LONGEST_SHIFT <= days <= -1 for days in shifts)
    assert names.shift("a") == names.shift("a")


def test_a_key_is_made_once_for_its_owner_alone(tmp_path: Path) -> None:
    path = tmp_path / "secret.key"
    made = open_key(path, tmp_path / "out")
    assert stat.S_IMODE(path.stat().st_mode) == 0o600
    assert open_key(path, tmp_path / "out") == made
    assert made.key.hex() not in repr(made)


def test_a_key_among_what_leaves_is_refused(tmp_path: Path) -> None:
    with pytest.raises(HoldfastError, match="would lie in the folder that is given away"):
        open_key(tmp_path / "out" / "deep" / ".." / "secret.key", tmp_path / "out")
    assert not (tmp_path / "out").exists()


@pytest.mark.parametrize(
    "content", ["", "holdfast-pseudonym-key 1\n", "holdfast-pseudonym-key 1\nzz\n", "x\n" + "0" * 64, "ü"]
)
def test_a_file_that_is_no_key_is_refused(tmp_path: Path, content: str) -> None:
    path = tmp_path / "secret.key"
    path.write_text(content, encoding="utf-8")
    with pytest.raises(HoldfastError, match=r"secret.key is not a holdfast pseudonym key"):
        open_key(path, tmp_path / "out")
