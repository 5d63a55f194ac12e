"""Time from the command to the first film shown: `holdfast read` on the sample films, in fresh processes.

    python tests/benchmarks/first_film.py [repeats]

Each stage is the time since the process began, best of the repeats: others on a shared machine only ever add
time. Baseline: the napari window alone, empty, which is not ours to make faster.
"""

from __future__ import annotations

import os
import subprocess
import sys
import time
from pathlib import Path

ROOT = Path(__file__).resolve().parents[2]
sys.path[:0] = [str(ROOT), str(ROOT / "tests")]

from virtual_screen import start_virtual_screen  # noqa: E402

PARTS = ("baseline", "first_film")
STAGES = ("baseline: an empty napari window", "the room with its folder asked for", "first film shown")


def baseline() -> None:
    """Open napari's window and draw it."""
    import napari
    from qtpy.QtWidgets import QApplication

    napari.Viewer()
    QApplication.processEvents()
    print(time.perf_counter() - START, time.process_time())


def first_film() -> None:
    """Open the room on the sample films and draw the first."""
    from qtpy.QtTest import QTest
    from qtpy.QtWidgets import QApplication

    from viewer.app import open_room

    _, room = open_room(ROOT / "sample_images")
    print(time.perf_counter() - START, time.process_time())
    while room.reading is None:
        QTest.qWait(2)
    QApplication.processEvents()
    print(time.perf_counter() - START, time.process_time())


def stages(part: str) -> None:
    """Run one part in this process, on a virtual screen of its own, and end without waiting for workers."""
    {"baseline": baseline, "first_film": first_film}[part]()
    sys.stdout.flush()
    os._exit(0)


def main() -> None:
    """Print the figures."""
    repeats = int(sys.argv[1]) if len(sys.argv) > 1 else 3
    best = dict.fromkeys(STAGES, (float("inf"), float("inf")))
    for _ in range(repeats):
        said = ""
        for part in PARTS:
            run = [sys.executable, __file__, part]
            said += subprocess.run(run, stdout=subprocess.PIPE, text=True, check=True).stdout
        for stage, line in zip(STAGES, said.splitlines(), strict=True):
            wall, processor = map(float, line.split())
            best[stage] = min(best[stage][0], wall), min(best[stage][1], processor)
    for stage, (wall, processor) in best.items():
        ratio = processor / best[STAGES[0]][1]
        print(f"{stage:<40} {wall:6.2f} s  processor {processor:5.2f} s  {ratio:4.2f} of the baseline")


if __name__ == "__main__":
    if sys.argv[1:2] and sys.argv[1] in PARTS:
        start_virtual_screen()
        START = time.perf_counter()
        stages(sys.argv[1])
    main()
