"""The command line: it reads what was typed, runs the command, and turns faults into words.

Exit codes: 0 done; 1 stopped by the user; 2 the command was not understood; 3 done, but some files
could not be used (each is named); 4 nothing could be done; 5 a fault of holdfast's own.
"""

from __future__ import annotations

import argparse
import codecs
import io
import os
import sys
from collections.abc import Sequence
from pathlib import Path

from measure import __version__
from measure.commands import COMMANDS
from measure.telling import FAULT, NOTHING_DONE, STOPPED

# Which extra brings a library that is not there.
EXTRAS = {
    "sqlalchemy": "store", "psycopg": "store", "reportlab": "report", "matplotlib": "report",
    "pyarrow": "research", "pingouin": "agreement", "statsmodels": "agreement", "pandas": "agreement",
    "highdicom": "dicom", "dicomanonymizer": "dicom",
    "pynetdicom": "network", "distributed": "cluster",
}  # fmt: skip
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
    except ModuleNotFoundError as error:
        extra = EXTRAS.get((error.name or "").split(".")[0])
        if extra is None:
            return _say(f"a fault of its own: {_where(error)}. Please report this line.", FAULT)
        return _say(f'this needs {error.name}. Install it: pip install "holdfast[{extra}]"', NOTHING_DONE)
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
    groups = {"": parser.add_subparsers(title="commands", required=True, metavar="COMMAND")}
    for row in COMMANDS:
        group, _, name = row.name.rpartition(" ")
        command = groups[group].add_parser(name, help=row.help, description=row.help)
        for flag, settings in row.options:
            command.add_argument(flag, **settings)
        if row.run:
            command.set_defaults(run=row.run)
        else:
            groups[row.name] = command.add_subparsers(title="what to do", required=True, metavar="ACTION")
    return parser


if __name__ == "__main__":
    sys.exit(main())
