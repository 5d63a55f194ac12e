"""What a cohort's workers may meet: functions that stand in for `measure.cohort.measure_file`.

They stand in a module of their own, since a worker imports them by name.
"""

from __future__ import annotations

import os
import signal
import sys
import time
from pathlib import Path

from measure.cohort import measure_file, run_cohort
from measure.journal import Entry
from measure.pseudonym import Pseudonyms

KEY = Pseudonyms(b"k" * 32)


def die_on_dead(path: str) -> Entry:
    """Be killed, as a decoder's crash or the memory's end does, on each film with "dead" in its name."""
    if "dead" in path:
        os.kill(os.getpid(), signal.SIGKILL)
    return measure_file(path)


def hang_on_slow(path: str) -> Entry:
    """Never come back from a film with "slow" in its name."""
    if "slow" in path:
        time.sleep(3600)
    return measure_file(path)


def slowly(path: str) -> Entry:
    """Take a while, so that there is time to stop the run."""
    time.sleep(0.2)
    return measure_file(path)


def clocked(path: str) -> Entry:
    """Note the processor's time that each film takes, in a file of this process in the folder CLOCKED."""
    started = time.process_time()
    entry = measure_file(path)
    with Path(os.environ["CLOCKED"], str(os.getpid())).open("a", encoding="ascii") as file:
        file.write(f"{time.process_time() - started}\n")
    return entry


if __name__ == "__main__":  # a run that is to be killed: FOLDER OUT
    run_cohort(Path(sys.argv[1]), Path(sys.argv[2]), KEY, workers=2, measure=slowly, told=lambda at: print(at.done, flush=True))  # fmt: skip  # noqa: E501
