"""Run a server on port 11113 and a shell script beside it: SERVER... -- SCRIPT, in a network of its own.

    unshare -rn sh -c 'ip link set lo up && exec "$@"' sh python tests/in_a_network.py SERVER... -- SCRIPT

With `ask` in place of a server: list what the server keeps (its HTTP port is 11114), and have it send its
films to the peer it calls "holdfast".
"""

from __future__ import annotations

import json
import socket
import subprocess
import sys
import time
import urllib.request
from typing import Any

AT = "http://127.0.0.1:11114"


def beside(server: list[str], script: str) -> int:
    """Run the script while the server runs."""
    with subprocess.Popen(server, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL) as running:
        try:
            _await(11113)
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


def ask(path: str, data: bytes | None = None) -> Any:
    """Ask the server by its own interface."""
    with urllib.request.urlopen(AT + path, data) as answer:  # noqa: S310 (the address is ours)
        return json.load(answer)


def have_films_sent() -> None:
    """Print the UIDs that the server keeps, and have its films sent once our receiver listens."""
    _await(11115)
    tags = {each: ask(f"/instances/{each}/simplified-tags") for each in ask("/instances")}
    print(json.dumps(sorted(kept["SOPInstanceUID"] for kept in tags.values())))
    films = [each for each, kept in tags.items() if kept["Modality"] == "DX"]
    ask("/modalities/holdfast/store", json.dumps(films).encode())


if __name__ == "__main__":
    if sys.argv[1:] == ["ask"]:
        have_films_sent()
    else:
        at = sys.argv.index("--")
        sys.exit(beside(sys.argv[1:at], sys.argv[at + 1]))
