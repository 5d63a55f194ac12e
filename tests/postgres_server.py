"""A real PostgreSQL server for the tests, in a folder of its own and on the loopback only."""

from __future__ import annotations

import contextlib
import os
import shutil
import socket
import subprocess
import tempfile
from collections.abc import Iterator
from pathlib import Path


def _program(name: str) -> str:
    found = sorted(Path("/usr/lib/postgresql").glob(f"*/bin/{name}"))
    program = str(found[-1]) if found else shutil.which(name)
    if program is None:
        raise RuntimeError(
            f"PostgreSQL's {name} is not installed: apt-get install postgresql (make test does)."
        )
    return program


class Server:
    """One server: its folder, its port, and the user who owns it (PostgreSQL refuses to run as root)."""

    def __init__(self, folder: Path, fsync: bool) -> None:
        self.folder, self.fsync = folder, "on" if fsync else "off"
        self.owner = "postgres" if os.geteuid() == 0 else None
        with socket.socket() as probe:
            probe.bind(("127.0.0.1", 0))
            self.port = probe.getsockname()[1]

    def run(self, program: str, *arguments: str) -> None:
        """Run one of PostgreSQL's programs as the owner."""
        subprocess.run(
            [_program(program), *arguments],
            check=True, cwd=self.folder, user=self.owner, group=self.owner, stdout=subprocess.DEVNULL,
        )  # fmt: skip

    def start(self) -> None:
        """Start it; returns when it answers."""
        options = f"-p {self.port} -k {self.folder} -c listen_addresses=127.0.0.1 -c fsync={self.fsync}"
        self.run(
            "pg_ctl",
            "-D",
            str(self.folder / "data"),
            "-l",
            str(self.folder / "log"),
            "-o",
            options,
            "-w",
            "start",
        )

    def stop(self, mode: str = "fast") -> None:
        """Stop it: "fast" breaks off what is under way, "immediate" as a crash would."""
        self.run("pg_ctl", "-D", str(self.folder / "data"), "-m", mode, "-w", "stop")

    def url(self, database: str) -> str:
        """Make a new database and return its URL."""
        self.run("createdb", "-h", "127.0.0.1", "-p", str(self.port), "-U", "keeper", database)
        return f"postgresql://keeper@127.0.0.1:{self.port}/{database}"


@contextlib.contextmanager
def postgres_server(*, fsync: bool = False) -> Iterator[Server]:
    """Run a server for the length of a with block; RuntimeError where PostgreSQL is not installed.

    Without fsync it is quick, and safe against all but a power cut, which no test here makes.
    """
    with tempfile.TemporaryDirectory(prefix="holdfast-postgres-") as name:
        folder = Path(name)
        server = Server(folder, fsync)
        if server.owner:
            shutil.chown(folder, server.owner, server.owner)
        server.run(
            "initdb",
            "-D",
            str(folder / "data"),
            "-U",
            "keeper",
            "-A",
            "trust",
            "-E",
            "UTF8",
            "--no-locale",
            "--no-sync",
        )
        server.start()
        try:
            yield server
        finally:
            server.stop("immediate")  # nothing of it is kept
