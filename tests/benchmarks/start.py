"""Cold time of the command line, as a ratio to starting Python and doing nothing.

Run: .venv/bin/python tests/benchmarks/start.py [repeats]

Each command runs in a process of its own, in turn with the baseline; the best of each is compared: the
machine may be shared, and what others do only ever adds time. Aim: `--help` under 0.3 s.
"""

from __future__ import annotations

import subprocess
import sys
import time
from pathlib import Path

ROOT = Path(__file__).parents[2]
AIM_SECONDS = 0.3
BASELINE = "python -c pass"
COMMANDS = {
    BASELINE: ["-c", "pass"],
    "holdfast --help": ["-m", "measure", "--help"],
    "holdfast review --help": ["-m", "measure", "review", "--help"],
    "holdfast --version": ["-m", "measure", "--version"],
    "holdfast sites": ["-m", "measure", "sites"],
}
WITHOUT_FILMS = ("holdfast --help", "holdfast review --help", "holdfast --version")


def seconds(arguments: list[str]) -> float:
    """Wall time of one process."""
    start = time.perf_counter()
    subprocess.run([sys.executable, *arguments], cwd=ROOT, check=True, stdout=subprocess.DEVNULL)
    return time.perf_counter() - start


def main() -> int:
    """Print a table; 1 where the aim is missed."""
    repeats = int(sys.argv[1]) if len(sys.argv) > 1 else 10
    best = dict.fromkeys(COMMANDS, float("inf"))
    for _ in range(repeats):
        for name, arguments in COMMANDS.items():
            best[name] = min(best[name], seconds(arguments))
    print(f"{'command':24} {'best, s':>8} {'ratio':>6}   (best of {repeats})")
    for name, time_taken in best.items():
        print(f"{name:24} {time_taken:8.3f} {time_taken / best[BASELINE]:6.1f}")
    missed = [name for name in WITHOUT_FILMS if best[name] > AIM_SECONDS]
    print(f"aim {AIM_SECONDS} s: {'missed by ' + ', '.join(missed) if missed else 'met'}")
    return int(bool(missed))


if __name__ == "__main__":
    sys.exit(main())
