"""How far a cohort is and how long it will take, on a terminal or in a log."""

from __future__ import annotations

import contextlib
import sys
import time
from collections.abc import Callable, Iterator

from measure.cohort import Progress

EVERY_S = 30.0  # between two lines of a log


def left(seconds: float | None) -> str:
    """Say a time left: "2 h 05 min", "12 min", "40 s"."""
    if seconds is None:
        return "time left unknown"
    minutes = round(seconds / 60)
    if minutes < 2:
        return f"{seconds:.0f} s left"
    return f"{minutes // 60} h {minutes % 60:02} min left" if minutes >= 60 else f"{minutes} min left"


def words(progress: Progress) -> str:
    """Say how far it is, in one line."""
    failed = f", {progress.failed} not used" if progress.failed else ""
    return f"{progress.done} of {progress.films} films{failed}, {left(progress.seconds_left)}"


@contextlib.contextmanager
def lines() -> Iterator[Callable[[Progress], None]]:
    """Tell by a line at the first film, every half minute and at the end, as a log wants it."""
    last = -EVERY_S

    def told(progress: Progress) -> None:
        nonlocal last
        now = time.monotonic()
        if now - last >= EVERY_S or progress.done == progress.films:
            print(words(progress), file=sys.stderr, flush=True)
            last = now

    yield told


@contextlib.contextmanager
def bar() -> Iterator[Callable[[Progress], None]]:
    """Tell by a bar that grows."""
    from rich.console import Console
    from rich.progress import BarColumn, TextColumn
    from rich.progress import Progress as Bar

    with Bar(
        BarColumn(), TextColumn("{task.description}"), console=Console(stderr=True), transient=True
    ) as shown:
        task = shown.add_task("")

        def told(progress: Progress) -> None:
            shown.update(task, description=words(progress), completed=progress.done, total=progress.films)

        yield told
