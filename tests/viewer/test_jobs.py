"""Work off the window's thread: heard once, not at all once it is dropped, and waited for at the end."""

from __future__ import annotations

import os
import subprocess
import sys
import threading
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import pytest

ROOT = Path(__file__).resolve().parents[2]
# A worker that outlives the last line of a program, as one does whose window was just closed.
ENDS_EARLY = """
import time
from qtpy.QtCore import QObject
from qtpy.QtWidgets import QApplication
from viewer.jobs import Jobs
{without}
application, owner = QApplication([]), QObject()
Jobs(owner).start(time.sleep, 0.6)
time.sleep(0.2)
application.processEvents()
"""


@pytest.fixture
def owner(qapp: object) -> Iterator[Any]:
    """Parent of the jobs."""
    from qtpy.QtCore import QObject

    owner = QObject()
    yield owner
    owner.deleteLater()


def wait(until: Callable[[], bool]) -> None:
    """Let Qt work until something is so, for at most ten seconds."""
    from qtpy.QtTest import QTest

    for _ in range(1000):
        QTest.qWait(10)
        if until():
            return
    raise AssertionError("it did not come about")


def test_what_comes_back_is_heard_in_the_window_s_thread(owner: Any) -> None:
    """Results and errors, each by its own way; then nothing is under way."""
    from viewer.jobs import Jobs

    jobs = Jobs(owner)
    heard: list[object] = []
    threads: list[threading.Thread] = []

    def hear(result: object) -> None:
        heard.append(result)
        threads.append(threading.current_thread())

    jobs.start(lambda: 7, done=hear, words="Seven…")
    assert list(jobs.spoken_of().values()) == ["Seven…"]
    wait(lambda: bool(heard))
    assert heard == [7]
    assert threads == [threading.main_thread()]
    assert not jobs.spoken_of()


def test_progress_is_heard_until_the_job_is_dropped(owner: Any) -> None:
    """A generator stops at its next step, and its result is not heard."""
    from qtpy.QtTest import QTest

    from viewer.jobs import Jobs

    jobs, go_on, last = Jobs(owner), threading.Event(), threading.Event()
    steps: list[int] = []
    ended: list[object] = []

    def work() -> Iterator[int]:
        yield 1
        go_on.wait(10)
        last.set()
        yield 2
        steps.append(3)

    job = jobs.start(work, progress=steps.append, done=ended.append)
    wait(lambda: steps == [1])
    jobs.drop(job)
    go_on.set()
    wait(last.is_set)
    QTest.qWait(100)
    assert steps == [1]
    assert not ended


def test_an_owner_that_is_gone_hears_nothing(qapp: object) -> None:
    """What a worker finds after its window was destroyed goes nowhere."""
    from qtpy.QtCore import QObject
    from qtpy.QtTest import QTest

    from viewer.jobs import Jobs

    owner, go_on, ended = QObject(), threading.Event(), threading.Event()
    jobs = Jobs(owner)
    heard: list[object] = []

    def work() -> None:
        go_on.wait(10)
        ended.set()

    jobs.start(work, done=heard.append, words="Working…")
    owner.deleteLater()
    QTest.qWait(50)
    go_on.set()
    wait(ended.is_set)
    QTest.qWait(100)
    assert not heard


@pytest.mark.parametrize("waits", [True, False])
def test_a_program_waits_for_its_workers(screen: str, waits: bool) -> None:
    """A worker that ends after the window does not bring the program down; without the wait it does."""
    without = "" if waits else "import viewer.jobs; viewer.jobs._wait_at_the_end = lambda: None"
    ended = subprocess.run(
        [sys.executable, "-c", ENDS_EARLY.format(without=without)],
        env={**os.environ, "DISPLAY": screen, "PYTHONPATH": str(ROOT)},
        cwd=ROOT,
        capture_output=True,
        text=True,
    )
    assert (ended.returncode == 0) is waits, ended.stderr
    assert ("has been deleted" in ended.stderr or "already deleted" in ended.stderr) is not waits
