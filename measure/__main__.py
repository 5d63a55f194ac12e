"""The command line. Heavy imports wait until a command needs them, so that --help is quick.

Exit codes: 0 done; 1 stopped by the user; 2 the command was not understood; 3 done, but some files
could not be used (each is named); 4 nothing could be done; 5 a fault of holdfast's own.
"""

from __future__ import annotations

import argparse
import codecs
import io
import os
import sys
from collections.abc import Iterable, Iterator, Sequence
from pathlib import Path
from typing import TYPE_CHECKING

from measure import __version__

if TYPE_CHECKING:
    from rich.console import Console

DONE, STOPPED, MISUSED, SOME_UNUSED, NOTHING_DONE, FAULT = 0, 1, 2, 3, 4, 5
PAPER_WIDTH = 160  # columns where there is no terminal to ask
MANY_FILMS = 12  # from here on a progress bar is shown
# For a code page that lacks them. "?" must not stand for a sign of its own: it means "cannot tell".
PLAIN_LETTERS = {"▲": "!", "·": ".", "±": "+/-", "–": "--", "°": " deg", "×": "x"}


def _plain_letters(error: UnicodeError) -> tuple[str, int]:
    """Replace what an encoding lacks by plain letters, or "_"."""
    if not isinstance(error, UnicodeEncodeError):
        raise error
    lacking = error.object[error.start : error.end]
    return "".join(PLAIN_LETTERS.get(letter, "_") for letter in lacking), error.end


codecs.register_error("plain letters", _plain_letters)


def main(arguments: Sequence[str] | None = None) -> int:
    """Run a command and return its exit code; nothing ends in a traceback, which could name a patient."""
    for stream in (sys.stdout, sys.stderr):
        if isinstance(stream, io.TextIOWrapper):  # an old code page must not stop a review
            stream.reconfigure(errors="plain letters")
    options = _parser().parse_args(arguments)
    from measure.errors import HoldfastError

    try:
        return int(options.run(options))
    except HoldfastError as error:
        return _say(str(error), NOTHING_DONE)
    except KeyboardInterrupt:
        return _say("stopped; nothing was left half written.", STOPPED)
    except BrokenPipeError:
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())  # or Python complains as it ends
        return STOPPED
    except Exception as error:
        return _say(f"a fault of its own: {_where(error)}. Please report this line.", FAULT)


def _say(words: str, code: int) -> int:
    print(f"holdfast: {words}", file=sys.stderr)
    return code


def _where(error: BaseException) -> str:
    """Kind of an error and where it arose; its message is left out, since it may quote a file."""
    trace = error.__traceback__
    while trace and trace.tb_next:
        trace = trace.tb_next
    place = f" at {Path(trace.tb_frame.f_code.co_filename).name}:{trace.tb_lineno}" if trace else ""
    return f"{type(error).__name__}{place}"


def _parser() -> argparse.ArgumentParser:
    parser = argparse.ArgumentParser(
        prog="holdfast",
        description="Measure serial radiographs after tension-band wiring: is the fixation holding?",
        epilog="A measuring aid, not a diagnosis. Exit codes: 0 done, 1 stopped, 2 not understood, "
        "3 done but some files could not be used, 4 nothing could be done, 5 a fault of holdfast's own.",
    )
    parser.add_argument("--version", action="version", version=f"holdfast {__version__}")
    commands = parser.add_subparsers(title="commands", required=True, metavar="COMMAND")

    review = commands.add_parser("review", help="measure, compare and flag the films under a folder")
    review.add_argument(
        "folder", type=Path, metavar="FOLDER", help="films and *.reading.json files, at any depth"
    )
    review.add_argument("--frame", type=int, metavar="N", help="which frame to take of films with several")
    review.set_defaults(run=_review)
    demo = commands.add_parser("demo", help="review the sample films")
    demo.set_defaults(run=_demo, frame=None)
    for command in (review, demo):
        command.add_argument(
            "--out", type=Path, metavar="DIR", help="write measurements.csv and changes.csv here"
        )
        command.add_argument(
            "--thresholds", type=Path, metavar="FILE", help="a TOML file of your own thresholds"
        )

    sites = commands.add_parser("sites", help="show a site's landmarks, measurements and thresholds")
    sites.add_argument("name", nargs="?", help="olecranon, patella, ...; without it the sites are listed")
    sites.set_defaults(run=_sites)
    return parser


def _demo(options: argparse.Namespace) -> int:
    from measure.samples import samples_folder

    options.folder = samples_folder()
    return _review(options)


def _review(options: argparse.Namespace) -> int:
    from measure.export import write_csv
    from measure.report import print_review
    from measure.review import review
    from measure.sites import load_site, site_names, with_thresholds

    sites = {}
    if options.thresholds:
        sites = {name: with_thresholds(load_site(name), options.thresholds) for name in site_names()}
    result = review(options.folder, sites, track=_progress, frame=options.frame)
    print_review(result, _console())
    if not result.cases and not result.unread:
        return NOTHING_DONE
    if options.out:
        for path in write_csv(result, options.out):
            print(f"Wrote {path}")
    return SOME_UNUSED if result.problems else DONE


def _console() -> Console:
    """Console as wide as the terminal or as COLUMNS says."""
    from rich.console import Console

    known = sys.stdout.isatty() or "COLUMNS" in os.environ
    return Console(highlight=False, width=None if known else PAPER_WIDTH)


def _progress(paths: Sequence[Path]) -> Iterable[Path]:
    if len(paths) < MANY_FILMS or not sys.stderr.isatty():
        return paths
    return _bar(paths)


def _bar(paths: Sequence[Path]) -> Iterator[Path]:
    from rich.console import Console
    from rich.progress import track

    yield from track(paths, description="Reading films", console=Console(stderr=True), transient=True)


def _sites(options: argparse.Namespace) -> int:
    from measure.report import sites_table
    from measure.sites import load_site, site_names

    if options.name:
        _console().print(sites_table(load_site(options.name)))
    else:
        print("\n".join(site_names()))
    return DONE


if __name__ == "__main__":
    sys.exit(main())
