"""Damaged readings, tables, archives and discs, and what a sender may bring: taken, or refused in words."""

from __future__ import annotations

import contextlib
import random
import socket
import threading
from collections.abc import Iterator
from pathlib import Path

import pytest
from fuzzing import TARGETS, THRESHOLDS, damaged, plain_film, run, take_thresholds
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from pynetdicom import AE

from measure.errors import ThresholdError
from measure.network import discreet
from measure.receive import Terms, receiver

# The peer's side is the library alone, which leaves closed connections to the collector.
pytestmark = pytest.mark.filterwarnings("ignore::pytest.PytestUnraisableExceptionWarning")
SEED = 20310303
WIRE_CASES = 300


@pytest.mark.filterwarnings("ignore")
@pytest.mark.parametrize("name", [name for name in TARGETS if name != "film"])
def test_damaged(name: str, tmp_path: Path) -> None:
    """Each kind of file; what is taken and what is refused are both among them."""
    target = TARGETS[name]
    assert run(target, SEED, target.cases, tmp_path) > 0


def test_there_are_enough_cases() -> None:
    """At least 20,000 in all."""
    assert sum(target.cases for target in TARGETS.values()) >= 20_000


VALUE = st.one_of(
    st.text(max_size=20).filter(lambda text: "\\" not in text and '"' not in text and text.isprintable()).map(
        lambda text: f'"{text}"'
    ),
    st.sampled_from(["nan", "inf", "1e400", "true", "[]", "{}", "2031-03-03", "9" * 400, '"above"']),
    st.integers().map(str),
    st.floats(allow_nan=False, allow_infinity=False).map(str),
)  # fmt: skip
NAMES = [line.split(" = ")[0] for line in THRESHOLDS.decode().splitlines() if " = " in line]


@settings(max_examples=400, deadline=5000, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(values=st.dictionaries(st.sampled_from([*NAMES, "extra"]), VALUE, min_size=1))
def test_any_values_in_thresholds(values: dict[str, str], tmp_path: Path) -> None:
    """Sound TOML with anything for a value."""
    lines = THRESHOLDS.decode().splitlines()
    kept = [line for line in lines if line.split(" = ")[0] not in values]
    text = "\n".join([*kept, *(f"{name} = {value}" for name, value in values.items())])
    with contextlib.suppress(ThresholdError):
        take_thresholds(text.encode(), tmp_path)


# --- On the wire ---


@contextlib.contextmanager
def recorder(to: int, said: bytearray) -> Iterator[int]:
    """Pass a connection on to a port, and keep what the first side says."""
    listening = socket.create_server(("127.0.0.1", 0))

    def pump(source: socket.socket, target: socket.socket, keep: bytearray | None) -> None:
        with contextlib.suppress(OSError):
            while data := source.recv(65536):
                if keep is not None:
                    keep += data
                target.sendall(data)
            target.shutdown(socket.SHUT_WR)

    def serve() -> None:
        client, _ = listening.accept()
        with client, socket.create_connection(("127.0.0.1", to)) as server:
            back = threading.Thread(target=pump, args=(server, client, None))
            back.start()
            pump(client, server, said)
            back.join()

    thread = threading.Thread(target=serve)
    thread.start()
    try:
        yield listening.getsockname()[1]
    finally:
        thread.join()
        listening.close()


def send(port: int) -> int:
    """Send the plain film, and return the answer's status."""
    entity = AE("CLINIC")
    film = plain_film()
    entity.add_requested_context(film.SOPClassUID, film.file_meta.TransferSyntaxUID)
    association = entity.associate("127.0.0.1", port, ae_title="HOLDFAST")
    status = int(association.send_c_store(film).Status)
    association.release()
    return status


def test_damaged_on_the_wire(tmp_path: Path, capfd: pytest.CaptureFixture[str]) -> None:
    """A real sender's words, damaged: the receiver answers the next sender, and shows nothing."""
    rng, said = random.Random(SEED), bytearray()
    terms = Terms(("CLINIC",), port=0, spare_bytes=0)
    with discreet(), receiver(tmp_path / "in", terms, lambda about: None) as port:
        with recorder(port, said) as through:
            assert send(through) == 0
        whole = bytes(said)
        for _ in range(WIRE_CASES):
            with (
                socket.create_connection(("127.0.0.1", port), timeout=10) as peer,
                contextlib.suppress(OSError),
            ):
                peer.sendall(damaged(whole, [whole], rng))
                peer.shutdown(socket.SHUT_WR)
                while peer.recv(65536):
                    pass
        assert send(port) == 0
    names = [path.name for path in (tmp_path / "in").iterdir()]
    assert "1.2.3" in names
    assert set("".join(names)) <= set("0123456789.")
    assert not list((tmp_path / "in").rglob(".*"))
    shown = capfd.readouterr()
    assert shown.out + shown.err == ""
