"""What the commands run that bring films in and send reports back; heavy imports wait inside."""

from __future__ import annotations

import signal
import sys
import threading
from argparse import Namespace
from collections import Counter
from typing import TYPE_CHECKING

from measure.telling import DONE, NOTHING_DONE, SOME_UNUSED, name_unused

if TYPE_CHECKING:
    from measure.network import Tls


def run_intake(options: Namespace) -> int:
    from measure.intake import DOUBTS, WAITING, take_in

    done = take_in(options.sources, options.out)
    print(f"{done.filed} films filed, {done.repeated} were here already, {done.left_out} left out.")
    if done.waiting:
        print(
            f"{len(done.waiting)} wait in {options.out / WAITING}: fill in the column 'answer' of "
            f"{options.out / DOUBTS} and run this again."
        )
    code = name_unused(done.problems)
    return SOME_UNUSED if done.waiting else code


def run_receive(options: Namespace) -> int:
    from measure.receive import Terms, Told, receiver

    counted: Counter[str] = Counter()

    def told(about: Told) -> None:
        counted["refused" if about.refused else "received"] += 1
        if about.worth_telling:
            print(f"{about.caller}: {'refused: ' if about.refused else ''}{about.words}", file=sys.stderr)

    terms = Terms(
        tuple(options.callers), options.title, options.address, options.port, _tls(options),
        options.most_films, int(options.most_gigabytes * 2**30),
    )  # fmt: skip
    stopped = threading.Event()
    for asked in (signal.SIGINT, signal.SIGTERM):
        signal.signal(asked, lambda number, frame: stopped.set())
    with receiver(options.out, terms, told) as port:
        print(f"Receiving as {terms.title} at {terms.address}:{port}. Ctrl-C ends it.", flush=True)
        while not stopped.wait(1.0):  # a wait without an end cannot be interrupted everywhere
            pass
    print(f"{counted['received']} films received, {counted['refused']} refused.")
    return SOME_UNUSED if counted["refused"] else DONE


def run_send(options: Namespace) -> int:
    from measure.send import Peer, send_reports

    host, _, port = options.to.rpartition(":")
    done = send_reports(options.folder, Peer(host, int(port), options.called, options.title, _tls(options)))
    print(f"{len(done.sent)} reports sent to {options.called}.")
    code = name_unused(done.problems, "Not sent")
    return code if done.sent else NOTHING_DONE


def _tls(options: Namespace) -> Tls | None:
    from measure.errors import NetworkError
    from measure.network import Tls

    files = [options.certificate, options.certificate_key, options.authority]
    if any(files) and not all(files):
        raise NetworkError("TLS needs all three: --certificate, --certificate-key and --authority.")
    return Tls(*files) if all(files) else None
