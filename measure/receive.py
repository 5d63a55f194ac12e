"""A receiver of films: DICOM C-ECHO and C-STORE, on loopback unless told otherwise, for known callers only.

Titles are no authentication: whoever reaches the port can claim one. Beyond loopback use TLS, where each
side shows a certificate.
"""

from __future__ import annotations

import contextlib
import socket
import threading
import time
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from pynetdicom import AE, evt
from pynetdicom.transport import RequestHandler, ThreadedAssociationServer

from measure.errors import NetworkError
from measure.film_dicom import STORED
from measure.inbox import BESIDE, SUCCESS, Arrival, Inbox, RefusedError
from measure.limits import LIMITS
from measure.network import LOOPBACK, SECONDS, Tls, discreet, title

PDU_BYTES = 128 * 1024  # asked of senders; the most that DCMTK sends
VERIFICATION = "1.2.840.10008.1.1"  # C-ECHO
# PS3.4, Annex B.5: radiographs, and what may be said of them.
CLASSES = {
    "1.2.840.10008.5.1.4.1.1.1": "CR",
    "1.2.840.10008.5.1.4.1.1.1.1": "DX for presentation",
    "1.2.840.10008.5.1.4.1.1.1.1.1": "DX for processing",
    "1.2.840.10008.5.1.4.1.1.7": "secondary capture",
    "1.2.840.10008.5.1.4.1.1.7.2": "secondary capture, 8-bit frames",
    "1.2.840.10008.5.1.4.1.1.7.3": "secondary capture, 16-bit frames",
    "1.2.840.10008.5.1.4.1.1.12.1": "XA",
    "1.2.840.10008.5.1.4.1.1.12.2": "RF",
}


@dataclass(frozen=True)
class Terms:
    """On what terms films are received.

    Parameters
    ----------
    callers
        Titles that may send; there is no "all".
    title
        Our own title, which callers must name.
    address, port
        Where to listen; port 0 takes any that is free.
    most_films, most_bytes, spare_bytes
        How much is received before more is refused, and what stays free on the disk.
    """

    callers: tuple[str, ...]
    title: str = "HOLDFAST"
    address: str = LOOPBACK
    port: int = 11112
    tls: Tls | None = None
    most_films: int = 10_000
    most_bytes: int = 200 * 2**30
    spare_bytes: int = 2**30


@dataclass(frozen=True)
class Told:
    """What came of one film: who sent it, what was done with it, and whether that was to refuse it."""

    caller: str
    words: str
    refused: bool

    @property
    def worth_telling(self) -> bool:
        """Whether anything but a plain film filed came of it."""
        return self.refused or self.words == BESIDE


@contextlib.contextmanager
def receiver(folder: Path, terms: Terms, told: Callable[[Told], None]) -> Iterator[int]:
    """Receive films into a folder for as long as the context lasts; gives the port.

    `told` is called in the sender's own thread. Raises NetworkError where the terms or the port cannot be
    used, or the folder cannot be made.
    """
    if not terms.callers:
        raise NetworkError("Name the titles that may send (--from): films of nobody else are received.")
    try:
        inbox = Inbox(folder, terms.most_films, terms.most_bytes, terms.spare_bytes)
    except OSError as error:
        raise NetworkError(f"The folder {folder.name!r} cannot be used: {error.strerror}.") from None
    entity = _entity(terms)
    context = terms.tls.context(server=True) if terms.tls else None
    handlers: list[Any] = [
        (evt.EVT_C_ECHO, lambda event: SUCCESS),
        (evt.EVT_C_STORE, _store, [inbox, told]),
        (evt.EVT_DIMSE_RECV, _message_is_whole),
    ]
    with discreet():
        try:
            server = entity.make_server(
                (terms.address, terms.port), terms.title, entity.supported_contexts, context, handlers,
                server_class=_Server, request_handler=_Handler,
            )  # fmt: skip
        except OSError as error:
            raise NetworkError(
                f"Port {terms.port} at {terms.address} cannot be used: {error.strerror}. Choose another."
            ) from None
        entity._servers.append(server)
        thread = threading.Thread(target=server.serve_forever, args=(0.1,), daemon=True)
        thread.start()
        try:
            yield int(server.server_address[1])
        finally:
            server.shutdown()
            entity.shutdown()
            thread.join()


def _entity(terms: Terms) -> AE:
    entity = AE(title(terms.title))
    entity.require_called_aet = True
    entity.require_calling_aet = [title(caller) for caller in terms.callers]
    entity.maximum_associations = LIMITS["associations"].most
    entity.maximum_pdu_size = PDU_BYTES
    entity.acse_timeout = entity.dimse_timeout = entity.network_timeout = SECONDS
    entity.add_supported_context(VERIFICATION)
    for sop_class in CLASSES:
        entity.add_supported_context(sop_class, list(STORED))
    return entity


def _store(event: Any, inbox: Inbox, told: Callable[[Told], None]) -> int:
    """Answer a C-STORE request (PS3.4, B.2.3)."""
    caller = "".join(letter for letter in event.assoc.requestor.ae_title if letter.isprintable())
    try:
        arrival = Arrival(
            event.request.DataSet.getvalue(),
            str(event.request.AffectedSOPClassUID or ""),
            str(event.request.AffectedSOPInstanceUID or ""),
            str(event.context.transfer_syntax),
        )
        outcome = inbox.file(arrival)
    except RefusedError as refused:
        told(Told(caller, str(refused), refused=True))
        return refused.status
    told(Told(caller, outcome, refused=False))
    return SUCCESS


# --- Limits on the wire ---


class _Guard:
    """Reads a connection in the library's place, so that no peer fills the memory by it or holds it for ever.

    The library would make room for any length that a peer claims, and gather any number of pieces.
    """

    def __init__(self, association: Any, connection: Any) -> None:
        self.association, self.connection = association, connection
        self.message_bytes = 0  # of the message that is coming in

    def recv(self, count: int) -> bytearray:
        """Read so many bytes, or what comes before the connection ends. Raises OSError beyond a limit."""
        self.message_bytes += count
        if count > LIMITS["pdu_bytes"].most or self.message_bytes > LIMITS["film_bytes"].most:
            raise OSError("more than is taken")
        received, got = bytearray(count), 0
        give_up = time.monotonic() + SECONDS
        while got < count and time.monotonic() < give_up:
            some = self.connection.recv_into(memoryview(received)[got:])
            if not some:
                break
            got += some
        return received[:got]

    def close(self) -> None:
        """Close the connection, even one that the peer has closed: the library would leave that open.

        An association that still waits to be asked for is told that nobody will, so as to free its place.
        """
        with contextlib.suppress(OSError):
            self.connection.shutdown(socket.SHUT_RDWR)
        self.connection.close()
        self.association.dul.to_user_queue.put(None)


class _Handler(RequestHandler):
    def _create_association(self) -> Any:
        association: Any = super()._create_association()
        association.guard = _Guard(association, self.request)
        association.dul.socket.recv = association.guard.recv
        association.dul.socket._shutdown_socket = association.guard.close
        return association


class _Server(ThreadedAssociationServer):
    def get_request(self) -> tuple[Any, Any]:
        """Accept a connection; its handshake is the connection's own affair, and holds up no other."""
        listening: Any = self.socket
        connection, address = listening.accept()
        connection.settimeout(SECONDS)
        if self.ssl_context:
            connection = self.ssl_context.wrap_socket(
                connection, server_side=True, do_handshake_on_connect=False
            )
        return connection, address


def _message_is_whole(event: Any) -> None:
    event.assoc.guard.message_bytes = 0
