"""Fuzz for as long as wanted, with seeds never used before: `python tests/fuzz/longer.py [MINUTES]`.

Ends with 1 at a finding, which is kept as a file and named with its target, seed and number.
"""

from __future__ import annotations

import faulthandler
import sys
import tempfile
import time
import warnings
from pathlib import Path

sys.path[:0] = [str(Path(__file__).parents[1]), str(Path(__file__).parents[2])]
from fuzzing import MOST_SECONDS, TARGETS, FindingError, peak_memory, run  # noqa: E402

AT_A_TIME = 500

if __name__ == "__main__":
    minutes = float(sys.argv[1]) if len(sys.argv) > 1 else 30.0
    warnings.simplefilter("ignore")
    started, seed, count = time.monotonic(), time.time_ns(), 0
    with tempfile.TemporaryDirectory() as folder:
        while time.monotonic() - started < 60 * minutes:
            seed += 1
            for target in TARGETS.values():
                faulthandler.dump_traceback_later(AT_A_TIME * MOST_SECONDS, exit=True)  # a hang in a decoder
                try:
                    run(target, seed, AT_A_TIME, Path(folder))
                except FindingError as finding:
                    sys.exit(f"after {count} cases: {finding}")
                count += AT_A_TIME
    took, peak = time.monotonic() - started, peak_memory() / 2**20
    print(f"{count} cases in {took:.0f} s, no finding; peak {peak:.0f} MiB")
