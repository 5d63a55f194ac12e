"""Receiving films and sending reports: who may, what is kept, and what a hostile peer brings about.

The peer here is the same library as ours; DCMTK's programs are in tests/reference/test_network_reference.py.
"""

from __future__ import annotations

import errno
import gc
import os
import shutil
import socket
import subprocess
import time
import warnings
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any, NamedTuple

import pydicom
import pytest
from pydicom.filebase import DicomBytesIO
from pydicom.filewriter import write_dataset
from pynetdicom import AE

from measure.errors import NetworkError
from measure.film import read_film
from measure.film_dicom import quiet
from measure.inbox import (
    BESIDE,
    FILED,
    MISMATCH,
    NOT_UNDERSTOOD,
    OUT_OF_RESOURCES,
    REPEATED,
    SUCCESS,
    Arrival,
    Inbox,
    RefusedError,
)
from measure.limits import LIMITS, Limit
from measure.network import Tls
from measure.receive import CLASSES, Terms, Told, receiver
from measure.send import Peer, send_reports

# The peer's side is the library alone, which leaves closed connections to the collector.
pytestmark = pytest.mark.filterwarnings("ignore::pytest.PytestUnraisableExceptionWarning")
DX = "1.2.840.10008.5.1.4.1.1.1.1"
EXPLICIT = "1.2.840.10008.1.2.1"
ECHO = "1.2.840.10008.1.1"
WriteFilm = Callable[..., Path]


@pytest.fixture(autouse=True)
def _library_closes_late() -> Iterator[None]:
    """Collect what the library's client leaves open where we end the connection first."""
    yield
    with warnings.catch_warnings():
        warnings.simplefilter("ignore", ResourceWarning)
        gc.collect()


def arrival(path: Path, **changes: Any) -> Arrival:
    """Arrival of a film as a sender would bring it."""
    data = path.read_bytes()
    encoded = data[144 + int.from_bytes(data[140:144], "little") :]
    uid = str(pydicom.dcmread(path, stop_before_pixels=True).SOPInstanceUID)
    usual = {"encoded": encoded, "sop_class": DX, "sop_instance": uid, "syntax": EXPLICIT}
    return Arrival(**(usual | changes))


def inbox_at(folder: Path, films: int = 100, size: int = 2**30, spare: int = 0) -> Inbox:
    """Inbox with room."""
    return Inbox(folder, films, size, spare)


def files(folder: Path) -> list[str]:
    """Every file under a folder, hidden ones too."""
    return sorted(path.relative_to(folder).as_posix() for path in folder.rglob("*") if path.is_file())


# --- Filing ---


def test_a_film_is_filed_by_study(write_film: WriteFilm, tmp_path: Path) -> None:
    """As it came: its pixels, its header, and nothing else beside it."""
    film = write_film(tmp_path / "film.dcm")
    assert inbox_at(tmp_path / "in").file(arrival(film)) == FILED
    assert files(tmp_path / "in") == ["1.2.4/1.2.3.1.dcm"]
    kept = tmp_path / "in" / "1.2.4" / "1.2.3.1.dcm"
    assert read_film(kept).digest == read_film(film).digest
    assert pydicom.dcmread(kept) == pydicom.dcmread(film)


def test_what_is_sent_again_counts_once(write_film: WriteFilm, tmp_path: Path) -> None:
    """The same film is there already; another of the same UID is kept beside it, and never in its place."""
    here = inbox_at(tmp_path / "in")
    first, other = write_film(tmp_path / "a.dcm"), write_film(tmp_path / "b.dcm", ViewPosition="AP")
    outcomes = [here.file(arrival(film)) for film in (first, first, other, other, first)]
    assert outcomes == [FILED, REPEATED, BESIDE, REPEATED, REPEATED]
    assert len(files(tmp_path / "in")) == 2
    assert read_film(tmp_path / "in" / "1.2.4" / "1.2.3.1.dcm").view == "lateral"


@pytest.mark.parametrize(
    "uid", ["../../../etc/passwd", "/etc/passwd", "1.2/3", "..", "1..2", "", "1.2.x", "1." * 40 + "1"]
)
def test_no_uid_leads_out_of_the_folder(write_film: WriteFilm, tmp_path: Path, uid: str) -> None:
    """Whether it is the study's or the instance's, the film is refused and nothing is written."""
    here = inbox_at(tmp_path / "in")
    film = write_film(tmp_path / "film.dcm")
    dataset = pydicom.dcmread(film)
    with quiet():
        dataset.StudyInstanceUID = uid
    study = write_bare(dataset)
    for given in (arrival(film, encoded=study), arrival(film, sop_instance=uid)):
        with pytest.raises(RefusedError) as refused:
            here.file(given)
        assert refused.value.status in (NOT_UNDERSTOOD, MISMATCH)
    assert files(tmp_path / "in") == []
    assert sorted(path.name for path in tmp_path.iterdir()) == ["film.dcm", "in"]


def write_bare(dataset: pydicom.Dataset) -> bytes:
    """Bytes of a data set as a sender encodes it."""
    file = DicomBytesIO()
    file.is_implicit_VR, file.is_little_endian = False, True
    with quiet():
        write_dataset(file, dataset)
    return file.getvalue()


def test_another_film_than_announced_is_refused(write_film: WriteFilm, tmp_path: Path) -> None:
    """Its UID must be the one that the sender gave."""
    with pytest.raises(RefusedError, match="not the one it was announced by") as refused:
        inbox_at(tmp_path / "in").file(arrival(write_film(tmp_path / "a.dcm"), sop_instance="1.2.3.99"))
    assert refused.value.status == MISMATCH


@pytest.mark.parametrize("fault", [errno.ENOSPC, errno.EIO])
def test_a_full_disk_loses_nothing(
    write_film: WriteFilm, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, fault: int
) -> None:
    """The film is refused as out of resources, nothing half written stays, and later it is taken."""
    here = inbox_at(tmp_path / "in", films=1)
    film = arrival(write_film(tmp_path / "a.dcm"))

    def full(handle: int) -> None:
        raise OSError(fault, os.strerror(fault))

    with monkeypatch.context() as patch:
        patch.setattr(os, "fsync", full)
        for _ in range(3):
            with pytest.raises(RefusedError, match=r"disk is full|cannot be written") as refused:
                here.file(film)
            assert refused.value.status == OUT_OF_RESOURCES
    assert files(tmp_path / "in") == []
    assert here.file(film) == FILED


def test_a_really_full_disk(write_film: WriteFilm, tmp_path: Path) -> None:
    """A film larger than a process may write, by the system's own limit on a file's size."""
    film = write_film(tmp_path / "a.dcm")
    code = (
        "import resource, signal, sys; signal.signal(signal.SIGXFSZ, signal.SIG_IGN);"
        "resource.setrlimit(resource.RLIMIT_FSIZE, (20000, 20000)); sys.path.insert(0, 'tests/measure');"
        "from pathlib import Path; from test_receive import *;"
        "here = inbox_at(Path(sys.argv[1]) / 'in')\n"
        "try: here.file(arrival(Path(sys.argv[1]) / 'a.dcm'))\n"
        "except RefusedError as error: print(hex(error.status), error, files(here.folder))"
    )
    import sys

    done = subprocess.run([sys.executable, "-c", code, str(tmp_path)], capture_output=True, text=True)
    assert film.exists()
    assert done.stdout == "0xa700 the disk is full []\n", done.stderr


def test_some_disk_is_left_free(write_film: WriteFilm, tmp_path: Path) -> None:
    """A film that would eat into what is spared is refused before it is written."""
    free = shutil.disk_usage(tmp_path).free
    with pytest.raises(RefusedError, match="nearly full"):
        inbox_at(tmp_path / "in", spare=2 * free).file(arrival(write_film(tmp_path / "a.dcm")))


@pytest.mark.parametrize("limits", [{"films": 2}, {"size": 700_000}])
def test_no_more_than_agreed(write_film: WriteFilm, tmp_path: Path, limits: dict[str, int]) -> None:
    """Number and size end; what is here already takes no room."""
    here = inbox_at(tmp_path / "in", **limits)
    films = [arrival(write_film(tmp_path / f"{n}.dcm", n)) for n in range(3)]
    assert [here.file(film) for film in films[:2]] == [FILED, FILED]
    with pytest.raises(RefusedError, match="as many films"):
        here.file(films[2])


def test_a_killed_receiver_leaves_nothing_half_written(write_film: WriteFilm, tmp_path: Path) -> None:
    """Hidden parts go when the next one starts; films stay."""
    inbox_at(tmp_path / "in").file(arrival(write_film(tmp_path / "a.dcm")))
    (tmp_path / "in" / "1.2.4" / ".0123.part").write_bytes(b"half a film")
    inbox_at(tmp_path / "in")
    assert files(tmp_path / "in") == ["1.2.4/1.2.3.1.dcm"]


# --- On the wire ---


class Running(NamedTuple):
    """A receiver that runs, and what it has told."""

    port: int
    folder: Path
    told: list[Told]


@pytest.fixture
def running(tmp_path: Path) -> Iterator[Running]:
    """Receiver of films from CLINIC."""
    told: list[Told] = []
    with receiver(tmp_path / "in", Terms(("CLINIC",), port=0, spare_bytes=0), told.append) as port:
        yield Running(port, tmp_path / "in", told)


def associate(port: int, *, ours: str = "CLINIC", theirs: str = "HOLDFAST", tls: Any = None) -> Any:
    """Associate with a receiver, for every kind of film."""
    entity = AE(ours)
    entity.acse_timeout = entity.dimse_timeout = entity.network_timeout = 10
    for sop_class in (ECHO, *CLASSES):
        entity.add_requested_context(sop_class, EXPLICIT)
    return entity.associate("127.0.0.1", port, ae_title=theirs, tls_args=tls)


def echo(port: int) -> bool:
    """Whether the receiver answers."""
    association = associate(port)
    answered = association.is_established and association.send_c_echo().get("Status") == SUCCESS
    association.release()
    return answered


def test_films_are_received(write_film: WriteFilm, tmp_path: Path, running: Running) -> None:
    """Each is answered for and filed; one that is refused has its own status, and the rest go on."""
    association = associate(running.port)
    assert association.is_established
    statuses = []
    for number in range(4):
        film = pydicom.dcmread(write_film(tmp_path / f"{number}.dcm", number))
        if number == 2:
            del film.StudyInstanceUID
        statuses.append(association.send_c_store(film).Status)
    association.release()
    assert statuses == [SUCCESS, SUCCESS, NOT_UNDERSTOOD, SUCCESS]
    assert files(running.folder) == [f"1.2.4/1.2.3.{number}.dcm" for number in (0, 1, 3)]
    assert running.told[2] == Told("CLINIC", "its UIDs are missing, or no UIDs", refused=True)


@pytest.mark.parametrize("titles", [{"ours": "STRANGER"}, {"theirs": "OTHER"}])
def test_strangers_are_rejected(running: Running, titles: dict[str, str]) -> None:
    """A title that is not on the list, or that asks for somebody else."""
    assert associate(running.port, **titles).is_rejected
    assert echo(running.port)


def test_only_this_computer_is_listened_to(running: Running) -> None:
    """Unless told, the port is open on loopback alone."""
    table = Path("/proc/net/tcp").read_text(encoding="ascii").split("\n")[1:]
    listening = [row.split()[1] for row in table if row and row.split()[3] == "0A"]
    assert f"0100007F:{running.port:04X}" in listening
    assert f"00000000:{running.port:04X}" not in listening


@pytest.mark.parametrize(
    "attack",
    [
        b"\x04\0\xff\xff\xff\xff" + bytes(1000),  # a unit of data of 4 gigabytes
        b"\x01\0\xff\xff\xff\xff" + bytes(1000),
        b"GET / HTTP/1.1\r\n\r\n",
        b"\x01\0\0\0\0\x04\0\0\0\0",
        b"\x04\0\0\0\0\x05\0\0\0\x01\x01",  # an empty piece of data
        bytes(100),
    ],
)
def test_what_is_no_sender_is_cut_off(
    running: Running, attack: bytes, capfd: pytest.CaptureFixture[str]
) -> None:
    """The connection ends, nothing is written or said, and the receiver answers others."""
    with socket.create_connection(("127.0.0.1", running.port), timeout=10) as peer:
        peer.sendall(attack)
        peer.shutdown(socket.SHUT_WR)
        while peer.recv(4096):
            pass
    assert echo(running.port)
    assert files(running.folder) == []
    said = capfd.readouterr()
    assert said.out + said.err == ""


def test_a_message_without_end_is_cut_off(
    write_film: WriteFilm, tmp_path: Path, running: Running, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A film beyond the limit is not gathered to its end; the sender sees the connection go."""
    monkeypatch.setitem(LIMITS, "film_bytes", Limit(100_000, "bytes", "a film's file"))
    film = pydicom.dcmread(write_film(tmp_path / "a.dcm"))
    association = associate(running.port)
    assert "Status" not in association.send_c_store(film)
    assert files(running.folder) == []
    monkeypatch.undo()
    assert echo(running.port)


def test_nobody_may_send_unless_named(tmp_path: Path) -> None:
    """There is no receiver without a list."""
    with pytest.raises(NetworkError, match="Name the titles"), receiver(tmp_path, Terms(()), print):
        pass


def test_a_taken_port_is_told(running: Running, tmp_path: Path) -> None:
    """In words."""
    terms = Terms(("CLINIC",), port=running.port)
    said = "cannot be used: Address already in use"
    with pytest.raises(NetworkError, match=said), receiver(tmp_path, terms, print):
        pass


# --- Secure connections ---


@pytest.fixture(scope="module")
def certificates(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Make an authority, a certificate of ours and one of the peer's, and a stranger's own."""
    folder = tmp_path_factory.mktemp("certificates")
    key = ["openssl", "req", "-x509", "-newkey", "rsa:2048", "-nodes", "-days", "2"]
    for name in ("authority", "stranger"):
        own = ["-subj", f"/CN={name}", "-keyout", f"{name}.key", "-out", f"{name}.pem"]
        subprocess.run([*key, *own], cwd=folder, check=True, capture_output=True)
    for name in ("ours", "peer"):
        signed = ["-CA", "authority.pem", "-CAkey", "authority.key", "-addext", "subjectAltName=IP:127.0.0.1"]
        own = ["-subj", f"/CN={name}", "-keyout", f"{name}.key", "-out", f"{name}.pem"]
        subprocess.run([*key, *signed, *own], cwd=folder, check=True, capture_output=True)
    return folder


def tls(folder: Path, name: str) -> Tls:
    """Certificate of a name, trusting the authority."""
    return Tls(folder / f"{name}.pem", folder / f"{name}.key", folder / "authority.pem")


def test_secure_connections(certificates: Path, write_film: WriteFilm, tmp_path: Path) -> None:
    """A peer of the authority is heard; a stranger, plain words and silence are not, and hold up nobody."""
    terms = Terms(("CLINIC",), port=0, tls=tls(certificates, "ours"), spare_bytes=0)
    with (
        receiver(tmp_path / "in", terms, lambda about: None) as port,
        socket.create_connection(("127.0.0.1", port)),  # says nothing
    ):
        context = tls(certificates, "peer").context(server=False)
        association = associate(port, tls=(context, "127.0.0.1"))
        assert association.is_established
        film = pydicom.dcmread(write_film(tmp_path / "a.dcm"))
        assert association.send_c_store(film).Status == SUCCESS
        association.release()
        assert not associate(port).is_established
        stranger = tls(certificates, "stranger").context(server=False)
        refused = associate(port, tls=(stranger, "127.0.0.1"))
        time.sleep(0.2)
        assert not (refused.is_established and refused.send_c_echo().get("Status") == SUCCESS)
        refused.abort()
    assert files(tmp_path / "in") == ["1.2.4/1.2.3.1.dcm"]


def test_unusable_certificates_are_told(tmp_path: Path, certificates: Path) -> None:
    """Before anything is opened."""
    wrong = Tls(certificates / "ours.pem", certificates / "peer.key", certificates / "authority.pem")
    for broken in (Tls(tmp_path / "none", tmp_path / "none", tmp_path / "none"), wrong):
        with pytest.raises(NetworkError, match="cannot be used"):
            broken.context(server=True)


# --- Sending ---


def report(path: Path, write_film: WriteFilm) -> Path:
    """Write a data set of a structured report's class."""
    write_film(path, SOPClassUID="1.2.840.10008.5.1.4.1.1.88.33", PixelData=None, Rows=None, Columns=None)
    return path


def test_films_are_not_sent(write_film: WriteFilm, tmp_path: Path, running: Running) -> None:
    """Only reports leave: a receiver of films does not take them, and each file is told of."""
    write_film(tmp_path / "out" / "film.dcm")
    sent_to = Peer("127.0.0.1", running.port, "HOLDFAST", ours="CLINIC")
    with pytest.raises(Exception, match="There is no report to send"):
        send_reports(tmp_path / "out", sent_to)
    report(tmp_path / "out" / "report.dcm", write_film)
    (tmp_path / "out" / "words.dcm").write_bytes(b"words")
    with pytest.raises(NetworkError, match=r"refused us|ended the connection"):
        send_reports(tmp_path / "out", sent_to)


def test_an_absent_peer_is_told(write_film: WriteFilm, tmp_path: Path) -> None:
    """Nobody listens there."""
    with socket.socket() as free:
        free.bind(("127.0.0.1", 0))
        port = free.getsockname()[1]
    with pytest.raises(NetworkError, match="cannot be reached"):
        send_reports(report(tmp_path / "report.dcm", write_film), Peer("127.0.0.1", port, "ARCHIVE"))
