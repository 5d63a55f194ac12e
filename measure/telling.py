"""What a command tells: how it ended, what was written, what could not be used, how far it is."""

from __future__ import annotations

import os
import sys
from collections.abc import Callable, Iterable, Sequence
from pathlib import Path
from typing import TYPE_CHECKING, TypeVar

if TYPE_CHECKING:
    from rich.console import Console

DONE, STOPPED, MISUSED, SOME_UNUSED, NOTHING_DONE, FAULT = 0, 1, 2, 3, 4, 5
PAPER_WIDTH = 160  # columns where there is no terminal to ask
MANY = 12  # from so many films, files or cases on a progress bar is shown
Each = TypeVar("Each")


def tell(written: Iterable[Path]) -> None:
    """Name what was written."""
    for path in written:
        print(f"Wrote {path}")


def name_unused(problems: Iterable[tuple[str, str]], words: str = "Not used") -> int:
    """Name what could not be used, by (name, why), and return the exit code that this makes."""
    problems = list(problems)
    for name, why in problems:
        print(f"{words}: {name}: {why}", file=sys.stderr)
    return SOME_UNUSED if problems else DONE


def finish(written: Sequence[Path], problems: Iterable[tuple[str, str]]) -> int:
    """Name what was written and what could not be used, and return the exit code."""
    tell(written)
    code = name_unused(problems)
    return code if written else NOTHING_DONE


def console() -> Console:
    """Console as wide as the terminal or as COLUMNS says."""
    from rich.console import Console

    known = sys.stdout.isatty() or "COLUMNS" in os.environ
    return Console(highlight=False, width=None if known else PAPER_WIDTH)


def progress(words: str) -> Callable[[Sequence[Each]], Iterable[Each]]:
    """Return what shows, on a terminal, how far a long list is done."""

    def track(each: Sequence[Each]) -> Iterable[Each]:
        if len(each) < MANY or not sys.stderr.isatty():
            return each
        from rich.console import Console
        from rich.progress import track as shown

        return shown(each, description=words, console=Console(stderr=True), transient=True)

    return track
