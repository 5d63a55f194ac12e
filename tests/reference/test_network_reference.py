"""Receiving and sending, against programs that are not ours: DCMTK's, and a DICOM server of Debian's.

DCMTK's servers listen on every interface, so each test with one runs in a network of its own that has
nothing but loopback; where the system lets nobody make one, on free ports of this computer.
"""

from __future__ import annotations

import contextlib
import functools
import json
import os
import shutil
import socket
import subprocess
import sys
from collections.abc import Callable, Iterator
from pathlib import Path

import pydicom
import pytest

from measure.film import read_film
from measure.receive import Terms, Told, receiver
from measure.review import review
from measure.structured_report import write_structured_report

ROOT = Path(__file__).parents[2]
WriteFilm = Callable[..., Path]
SAMPLES = ROOT / "sample_images" / "HF-0001"


def run(*command: str | Path, **options: object) -> subprocess.CompletedProcess[str]:
    """Run a program, which may not take long."""
    return subprocess.run([*map(str, command)], capture_output=True, text=True, timeout=60, **options)  # type: ignore[call-overload,no-any-return]


@pytest.fixture
def told() -> list[Told]:
    """Gather what the receiver tells."""
    return []


@pytest.fixture
def port(tmp_path: Path, told: list[Told]) -> Iterator[int]:
    """Port of a receiver of films from STORESCU and ECHOSCU, as DCMTK's programs call themselves."""
    terms = Terms(("STORESCU", "ECHOSCU"), port=0, spare_bytes=0)
    with receiver(tmp_path / "in", terms, told.append) as port:
        yield port


def test_echoscu_is_answered(port: int) -> None:
    """And a caller that is not on the list is not."""
    assert run("/usr/bin/echoscu", "-aec", "HOLDFAST", "127.0.0.1", str(port)).returncode == 0
    refused = run("/usr/bin/echoscu", "-aet", "STRANGER", "-aec", "HOLDFAST", "127.0.0.1", str(port))
    assert refused.returncode != 0
    assert "Calling AE Title Not Recognized" in refused.stderr


@pytest.mark.parametrize("syntax", ["-xe", "-xi", "-xb", "-xt"])
def test_storescu_sends_films(
    port: int, told: list[Told], tmp_path: Path, write_film: WriteFilm, syntax: str
) -> None:
    """Explicit, implicit, big-endian and JPEG-LS: the pixels come through, and sent again they count once."""
    films = [write_film(tmp_path / "out" / f"{number}.dcm", number) for number in range(3)]
    if syntax == "-xt":
        for film in films:
            assert run("dcmcjpls", film, film).returncode == 0
    for _ in range(2):
        sent = run("/usr/bin/storescu", syntax, "-aec", "HOLDFAST", "127.0.0.1", str(port), *films)
        assert sent.returncode == 0, sent.stderr
    received = sorted((tmp_path / "in").rglob("*.dcm"))
    assert [read_film(path).digest for path in received] == [read_film(path).digest for path in films]
    assert [about.words for about in told] == 3 * ["filed"] + 3 * ["here already"]


def test_storescu_sends_a_folder_of_everything(port: int, tmp_path: Path, write_film: WriteFilm) -> None:
    """What is no film of ours is not taken, and the rest is."""
    write_film(tmp_path / "out" / "a.dcm")
    write_film(tmp_path / "out" / "ct.dcm", 2, SOPClassUID="1.2.840.10008.5.1.4.1.1.2", Modality="CT")
    (tmp_path / "out" / "words.dcm").write_text("words", encoding="ascii")
    run("/usr/bin/storescu", "-nh", "+sd", "-aec", "HOLDFAST", "127.0.0.1", str(port), tmp_path / "out")
    assert [path.name for path in (tmp_path / "in").rglob("*.dcm")] == ["1.2.3.1.dcm"]


# --- Sending back ---

OWN_NETWORK = ("unshare", "-rn", "sh", "-c", 'ip link set lo up && exec "$@"', "sh")
HERE = ()
BESIDE = ROOT / "tests" / "in_a_network.py"


@functools.cache
def alone() -> tuple[str, ...]:
    """Words before a command that give it a network of its own; none where that is not to be had."""
    try:
        return OWN_NETWORK if run(*OWN_NETWORK, "true").returncode == 0 else HERE
    except OSError:
        return HERE


@pytest.fixture
def ports() -> list[int]:
    """Three ports that are free."""
    with contextlib.ExitStack() as taken:
        sockets = [taken.enter_context(socket.create_server(("127.0.0.1", 0))) for _ in range(3)]
        return [each.getsockname()[1] for each in sockets]


def beside(
    port: int, server: list[str | Path], script: str, folder: Path, network: tuple[str, ...]
) -> subprocess.CompletedProcess[str]:
    """Run a shell script beside a server that listens on a port."""
    environment = os.environ | {"PYTHONPATH": str(ROOT), "HOLDFAST": f"{sys.executable} -m measure"}
    inner = [sys.executable, BESIDE, port, *server, "--", script]
    return run(*network, *inner, cwd=folder, env=environment)


@pytest.fixture(scope="module")
def reports(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Folder of structured reports of a patient's films, and of one film, which is not to be sent."""
    folder = tmp_path_factory.mktemp("reports")
    case = review(SAMPLES).cases[0]
    for number, film in enumerate(case.films):
        write_structured_report(film, folder / f"{number}.dcm")
    shutil.copy(SAMPLES / "2025-03-04-ap.dcm", folder / "film.dcm")
    return folder


@pytest.mark.parametrize(
    "network", [alone, lambda: HERE], ids=["own network if there is one", "this computer"]
)
def test_storescp_has_the_reports(
    reports: Path, tmp_path: Path, ports: list[int], network: Callable[[], tuple[str, ...]]
) -> None:
    """DCMTK's receiver gets every report as it is, twice sent is one, and the film stays here."""
    (tmp_path / "got").mkdir()
    server = ["storescp", "-od", tmp_path / "got", "-aet", "ARCHIVE", str(ports[0])]
    send = f"$HOLDFAST send {reports} --to 127.0.0.1:{ports[0]} --called ARCHIVE"
    done = beside(ports[0], server, f"{send}; {send}", tmp_path, network())
    sent = [pydicom.dcmread(path) for path in sorted(reports.glob("[0-9].dcm"))]
    got = [pydicom.dcmread(path) for path in (tmp_path / "got").iterdir()]
    key = "SOPInstanceUID"
    assert sorted(got, key=lambda d: d[key].value) == sorted(sent, key=lambda d: d[key].value)
    assert done.stdout.count(f"{len(sent)} reports sent to ARCHIVE") == 2
    assert "Not sent: film.dcm: no structured report or drawing" in done.stderr
    assert done.returncode == 3


ARCHIVE = """
NetworkTCPPort = {port}
MaxPDUSize = 16384
MaxAssociations = 8
HostTable BEGIN
HostTable END
VendorTable BEGIN
VendorTable END
AETable BEGIN
ARCHIVE {folder} RW (200, 1024mb) ANY
AETable END
"""


def test_dcmqrscp_keeps_and_finds_the_reports(reports: Path, tmp_path: Path, ports: list[int]) -> None:
    """DCMTK's archive indexes what was sent: a query by the study's UID finds every report."""
    (tmp_path / "db").mkdir()
    settings = ARCHIVE.format(folder=tmp_path / "db", port=ports[0])
    (tmp_path / "archive.cfg").write_text(settings, encoding="ascii")
    study = pydicom.dcmread(reports / "0.dcm").StudyInstanceUID
    find = (
        f"findscu -S -aec ARCHIVE -k QueryRetrieveLevel=IMAGE -k StudyInstanceUID={study} "
        f"-k SeriesInstanceUID -k SOPInstanceUID -k Modality 127.0.0.1 {ports[0]}"
    )
    send = f"$HOLDFAST send {reports} --to 127.0.0.1:{ports[0]} --called ARCHIVE"
    server = ["dcmqrscp", "-c", tmp_path / "archive.cfg"]
    done = beside(ports[0], server, f"{send}; {find}", tmp_path, alone())
    said = done.stdout + done.stderr
    for path in reports.glob("[0-9].dcm"):
        report = pydicom.dcmread(path)
        if report.StudyInstanceUID == study:
            assert str(report.SOPInstanceUID) in said


@pytest.fixture
def debians_server() -> str:
    """Program of a DICOM server; what is skipped without it is named, and only where no package has it."""
    program = shutil.which("Orthanc", path=f"{os.environ['PATH']}:/usr/sbin")
    if program is None and not (shutil.which("apt-cache") and run("apt-cache", "show", "orthanc").stdout):
        pytest.skip(
            "this system offers no package orthanc: films sent to and from that server are not tested"
        )
    assert program, "orthanc is not installed: run .ci/system-packages"
    return program


def test_a_server_of_debians_keeps_and_gives_back(
    reports: Path, tmp_path: Path, ports: list[int], debians_server: str
) -> None:
    """Reports go into it and a film comes out of it to our receiver, the same as they went in."""
    port, http, ours = ports
    settings = {
        "Name": "peer", "StorageDirectory": str(tmp_path / "db"), "IndexDirectory": str(tmp_path / "db"),
        "DicomAet": "ARCHIVE", "DicomPort": port, "HttpPort": http, "RemoteAccessAllowed": False,
        "DicomAlwaysAllowEcho": True, "DicomAlwaysAllowStore": True, "DicomCheckCalledAet": True,
        "AuthenticationEnabled": False, "DicomModalities": {"holdfast": ["HOLDFAST", "127.0.0.1", ours]},
        "Plugins": [],
    }  # fmt: skip
    (tmp_path / "peer.json").write_text(json.dumps(settings), encoding="ascii")
    film = SAMPLES / "2025-03-04-lateral.dcm"
    script = f"""
    $HOLDFAST send {reports} --to 127.0.0.1:{port} --called ARCHIVE
    /usr/bin/storescu -xt -aec ARCHIVE 127.0.0.1 {port} {film}
    $HOLDFAST receive --out in --from ARCHIVE --port {ours} & receiver=$!
    {sys.executable} {BESIDE} ask {http} {ours}
    kill -TERM $receiver; wait $receiver
    """
    done = beside(port, [debians_server, tmp_path / "peer.json"], script, tmp_path, alone())
    kept = json.loads(next(line for line in done.stdout.splitlines() if line.startswith("[")))
    sent = [*sorted(reports.glob("[0-9].dcm")), film]
    assert kept == sorted(str(pydicom.dcmread(path).SOPInstanceUID) for path in sent), done.stderr
    (back,) = (tmp_path / "in").rglob("*.dcm")
    assert read_film(back).digest == read_film(film).digest
