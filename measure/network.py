"""What receiving and sending share: the peer, secure connections, and the quiet of the network library."""

from __future__ import annotations

import contextlib
import logging
import ssl
import threading
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

from measure.errors import NetworkError

SECONDS = 60.0  # what a peer may take to answer, or to send one unit of data
LOOPBACK = "127.0.0.1"


@dataclass(frozen=True)
class Tls:
    """Files for a secure connection: our certificate and its key, and whom the peer's must be signed by."""

    certificate: Path
    key: Path
    authority: Path

    def context(self, *, server: bool) -> ssl.SSLContext:
        """Both sides show a certificate of the authority. Raises NetworkError where a file is no use."""
        context = ssl.SSLContext(ssl.PROTOCOL_TLS_SERVER if server else ssl.PROTOCOL_TLS_CLIENT)
        context.minimum_version = ssl.TLSVersion.TLSv1_2
        context.verify_mode = ssl.CERT_REQUIRED
        try:
            context.load_cert_chain(self.certificate, self.key)
            context.load_verify_locations(self.authority)
        except OSError as error:  # also of ssl
            reason = error.strerror or type(error).__name__
            raise NetworkError(
                f"The certificate, its key or the authority cannot be used ({reason}). Give PEM files; the "
                "key must belong to the certificate."
            ) from None
        return context


def title(text: str) -> str:
    """Check an application entity's title (PS3.5, 6.2: AE). Raises NetworkError."""
    plain = text.strip()
    if not 1 <= len(plain) <= 16 or not plain.isascii() or not plain.isprintable() or "\\" in plain:
        raise NetworkError("A title has 1 to 16 plain letters, digits or signs, without a backslash.")
    return plain


@contextlib.contextmanager
def discreet() -> Iterator[None]:
    """Keep off logs and screen what the network library says of a peer's data, tracebacks included."""
    log, hook = logging.getLogger("pynetdicom"), threading.excepthook
    propagate, log.propagate = log.propagate, False

    def drop(given: threading.ExceptHookArgs) -> None:
        if not type(given.thread).__module__.startswith("pynetdicom"):
            hook(given)
        elif guard := getattr(getattr(given.thread, "assoc", None), "guard", None):
            guard.close()  # else its association would wait for the thread that died

    threading.excepthook = drop
    try:
        yield
    finally:
        log.propagate, threading.excepthook = propagate, hook
