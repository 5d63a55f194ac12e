"""Run a server and a shell script beside it, once the server listens: PORT SERVER... -- SCRIPT.

    unshare -rn sh -c 'ip link set lo up && exec "$@"' sh python tests/in_a_network.py PORT SERVER -- SCRIPT

is that in a network of its own. With `ask HTTP_PORT RECEIVER_PORT`: list what the server keeps, and have it
send its films to the peer it calls "holdfast", once that listens.
"""

from __future__ import annotations

import json
import socket
import subprocess
import sys
import time
import urllib.request
from typing import Any


def beside(port: int, server: list[str], script: str) -> int:
    """Run the script while the server runs."""
    with subprocess.Popen(server, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL) as running:
        try:
            _await(port)
            return subprocess.run(["sh", "-c", script]).returncode
        finally:
            running.terminate()


def _await(port: int) -> None:
    for _ in range(200):
        try:
            socket.create_connection(("127.0.0.1", port), timeout=1).close()
        except OSError:
            time.sleep(0.05)
        else:
            return
    sys.exit(f"nothing listens on port {port}")


def ask(port: int, path: str, data: bytes | None = None) -> Any:
    """Ask the server by its own interface."""
    at = f"http://127.0.0.1:{port}{path}"
    with urllib.request.urlopen(at, data) as answer:
        return json.load(answer)


def have_films_sent(port: int, receiver: int) -> None:
    """Print the UIDs that the server keeps, and have its films sent once our receiver listens."""
    _await(receiver)
    tags = {each: ask(port, f"/instances/{each}/simplified-tags") for each in ask(port, "/instances")}
    print(json.dumps(sorted(kept["SOPInstanceUID"] for kept in tags.values())))
    films = [each for each, kept in tags.items() if kept["Modality"] == "DX"]
    ask(port, "/modalities/holdfast/store", json.dumps(films).encode())


if __name__ == "__main__":
    if sys.argv[1] == "ask":
        have_films_sent(*map(int, sys.argv[2:]))
    else:
        at = sys.argv.index("--")
        sys.exit(beside(int(sys.argv[1]), sys.argv[2:at], sys.argv[at + 1]))
