"""Reports sent back to where the films came from: DICOM C-STORE of structured reports and drawings.

Films are not sent: what is given is looked at, and only what holdfast writes for the patient's study goes.
"""

from __future__ import annotations

import socket
from collections.abc import Iterable
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from pydicom import dcmread
from pynetdicom import AE
from pynetdicom.presentation import PresentationContext, build_context

from measure.errors import HoldfastError, NetworkError
from measure.film import Found, search
from measure.film_dicom import quiet
from measure.network import SECONDS, Tls, discreet, title

# PS3.4, Annex B.5
REPORTS = {
    "1.2.840.10008.5.1.4.1.1.88.22": "Enhanced SR",
    "1.2.840.10008.5.1.4.1.1.88.33": "Comprehensive SR",
    "1.2.840.10008.5.1.4.1.1.88.34": "Comprehensive 3D SR",
    "1.2.840.10008.5.1.4.1.1.11.1": "Grayscale Softcopy Presentation State",
}
NO_REPORT = "no structured report or drawing; films and other files are not sent"
NO_ANSWER = "no answer; whether it arrived is not known. Send it again: it is the same report and counts once"


@dataclass(frozen=True)
class Peer:
    """Whom to send to: host, port and title; by which title of ours; and TLS, if any."""

    host: str
    port: int
    title: str
    ours: str = "HOLDFAST"
    tls: Tls | None = None


@dataclass(frozen=True)
class Sent:
    """Reports that the peer says it has, and name and reason of each file that it has not."""

    sent: tuple[Path, ...]
    problems: tuple[tuple[str, str], ...]


def send_reports(folder: Path, peer: Peer) -> Sent:
    """Send every report under a folder, or one file, to a peer.

    Raises NetworkError where the peer cannot be reached or does not take us; FilmError where the folder
    cannot be read.
    """
    found = search(folder) if folder.is_dir() else Found((folder,))
    problems = list(found.refused)
    reports = dict(_reports(sorted((*found.films, *found.own)), problems))
    if not reports:
        raise HoldfastError("There is no report to send. Write some first: holdfast report --structured.")
    sent = []
    with discreet():
        association = _associate(peer, reports.values())
        try:
            for path, report in reports.items():
                if reason := _store(association, report):
                    problems.append((path.name, reason))
                else:
                    sent.append(path)
        finally:
            association.release() if association.is_established else association.abort()
    return Sent(tuple(sent), tuple(problems))


def _reports(paths: Iterable[Path], problems: list[tuple[str, str]]) -> Iterable[tuple[Path, Any]]:
    """Give each report under its path; of the rest the reasons go to `problems`."""
    for path in paths:
        try:
            with quiet():
                report = dcmread(path)
            if report.SOPClassUID in REPORTS and report.SOPInstanceUID:
                yield path, report
                continue
        except Exception:  # noqa: S110 (pydicom raises what it meets; the file is told of below)
            pass
        problems.append((path.name, NO_REPORT))


def _associate(peer: Peer, reports: Iterable[Any]) -> Any:
    try:
        socket.create_connection((peer.host, peer.port), timeout=SECONDS).close()
    except OSError as error:  # the library would only say that it failed
        why = error.strerror or "no answer"
        raise NetworkError(f"{peer.host}:{peer.port} cannot be reached: {why}. Check the address.") from None
    entity = AE(title(peer.ours))
    entity.acse_timeout = entity.dimse_timeout = entity.network_timeout = SECONDS
    secure = (peer.tls.context(server=False), peer.host) if peer.tls else None
    association = entity.associate(
        peer.host, peer.port, _contexts(reports), ae_title=title(peer.title), tls_args=secure
    )
    if association.is_established:
        return association
    answer: Any = association.acceptor.primitive
    if association.is_rejected:
        why = f"it refused us ({answer.reason_str}). Check both titles"
    else:
        why = "it ended the connection. Check both titles, and whether it wants TLS"
    raise NetworkError(f"Nothing was sent to {peer.title} at {peer.host}:{peer.port}: {why}.")


def _contexts(reports: Iterable[Any]) -> list[PresentationContext]:
    pairs = sorted({(str(r.SOPClassUID), str(r.file_meta.TransferSyntaxUID)) for r in reports})
    return [build_context(sop_class, syntax) for sop_class, syntax in pairs]


def _store(association: Any, report: Any) -> str | None:
    """Send one report; why it was not taken, or None where it was."""
    try:
        status = association.send_c_store(report).get("Status")
    except (RuntimeError, ValueError) as error:
        offered = isinstance(error, ValueError)
        return "the peer does not take reports of this kind" if offered else NO_ANSWER
    if status is None:
        return NO_ANSWER
    if status == 0 or status >> 12 == 0xB:  # a warning: kept, perhaps with something changed
        return None
    return f"the peer refused it (status {status:04X}); ask its keeper"
