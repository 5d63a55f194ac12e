"""Damaged films: read or refused in words, soon, within the memory, and without the patient's name."""

from __future__ import annotations

import contextlib
import warnings
from pathlib import Path

import pytest
from fuzzing import TARGETS, FindingError, Target, plain_film, run, take_film
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from pydicom.datadict import dictionary_VR
from pydicom.dataset import Dataset
from pydicom.filebase import DicomBytesIO
from pydicom.filewriter import write_dataset

from measure.errors import FilmError
from measure.film_header import KEYWORDS

SEED = 20310303
VALUES = sorted(word for word in KEYWORDS if dictionary_VR(word) != "SQ")


@pytest.mark.filterwarnings("ignore")
def test_damaged_films(tmp_path: Path) -> None:
    """Damage anywhere, in every kind of syntax; some are still read."""
    target = TARGETS["film"]
    assert 0 < run(target, SEED, target.cases, tmp_path) < target.cases


def raw(values: dict[str, bytes]) -> bytes:
    """Bare explicit film with raw values in place of some of its own."""
    film = plain_film()
    parts = []
    for element in film:
        one = Dataset()
        one.add(element)
        if element.keyword in values:
            value = values[element.keyword]
            value += b"\0" * (len(value) % 2)
            head = element.tag.group.to_bytes(2, "little") + element.tag.element.to_bytes(2, "little")
            parts.append(head + element.VR.encode() + len(value).to_bytes(2, "little") + value)
            continue
        file = DicomBytesIO()
        file.is_implicit_VR, file.is_little_endian = False, True
        write_dataset(file, one)
        parts.append(file.getvalue())
    return b"".join(parts)


@settings(max_examples=400, deadline=5000, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(values=st.dictionaries(st.sampled_from(VALUES), st.binary(max_size=80), min_size=1, max_size=6))
def test_any_values_in_a_header(values: dict[str, bytes], tmp_path: Path) -> None:
    """Each element that is used, holding anything at all, in a header whose form is sound."""
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        data = raw(values)
    with contextlib.suppress(FilmError):
        take_film(data, tmp_path)


def test_the_watch_sees_what_it_is_for(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """A target with a traceback, one that is slow, one that fills the memory, one that names the patient."""
    import time

    from measure.errors import HoldfastError

    monkeypatch.setattr("fuzzing.MOST_SECONDS", 0.05)
    monkeypatch.setattr("fuzzing.MOST_MEMORY", 2**26)

    def named(data: bytes, folder: Path) -> None:
        raise HoldfastError("Invented^Person is not a film")

    faults = {
        "KeyError": lambda data, folder: {}["gone"],
        "it took": lambda data, folder: time.sleep(0.1),
        "MiB": lambda data, folder: len(bytearray(b"\1") * 2**27),
        "names the patient": named,
    }
    for words, fault in faults.items():
        with pytest.raises(FindingError, match=words):
            run(Target("faulty", fault, lambda: [b"seed"], 1), 1, 1, tmp_path)
        if words == "it took":
            monkeypatch.setattr("fuzzing.MOST_SECONDS", 60.0)
