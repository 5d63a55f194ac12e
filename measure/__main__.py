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

    from measure.pseudonym import Pseudonyms
    from measure.review import Review

DONE, STOPPED, MISUSED, SOME_UNUSED, NOTHING_DONE, FAULT = 0, 1, 2, 3, 4, 5
PAPER_WIDTH = 160  # columns where there is no terminal to ask
MANY_FILMS = 12  # from here on a progress bar is shown
# Which extra brings a library that is not there.
EXTRAS = {
    "sqlalchemy": "store", "psycopg": "store", "reportlab": "report", "matplotlib": "report",
    "pyarrow": "research", "highdicom": "dicom", "dicomanonymizer": "dicom",
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
    commands = parser.add_subparsers(title="commands", required=True, metavar="COMMAND")

    review = commands.add_parser("review", help="measure, compare and flag the films under a folder")
    review.add_argument(
        "--propose",
        action="store_true",
        help="also measure films without a reading, by unconfirmed proposals",
    )
    review.add_argument(
        "--pin-mm", type=float, metavar="MM", help="with --propose: true diameter of the pins, for a scale"
    )
    review.add_argument(
        "--ball-mm", type=float, metavar="MM", help="with --propose: true diameter of the marker ball"
    )
    review.set_defaults(run=_review)
    demo = commands.add_parser("demo", help="review the sample films")
    demo.set_defaults(run=_demo, frame=None)
    for command in (review, demo):
        command.add_argument(
            "--out", type=Path, metavar="DIR", help="write measurements.csv and changes.csv here"
        )
    report = commands.add_parser("report", help="write a page for the clinic for each case, PDF and HTML")
    report.add_argument("--patient", action="store_true", help="name the patient's identifier on the page")
    report.add_argument("--paper", choices=("A4", "Letter"), default="A4")
    report.add_argument(
        "--structured", action="store_true", help="also DICOM of each film: structured report and drawing"
    )
    report.set_defaults(run=_report)
    export = commands.add_parser("export", help="write tables for research, nobody named")
    export.add_argument("--format", nargs="+", choices=("csv", "parquet"), default=["csv"])
    export.add_argument("--wide", action="store_true", help="also a table with one row a film")
    export.set_defaults(run=_export)
    deidentify = commands.add_parser("deidentify", help="write films and readings without the patient")
    deidentify.add_argument(
        "--blank", type=region, action="append", default=[], metavar="ROW:ROW,COLUMN:COLUMN",
        help="make this region black on films that may have writing burned in; may be repeated",
    )  # fmt: skip
    deidentify.set_defaults(run=_deidentify)
    for command in (review, report, export, deidentify):
        command.add_argument(
            "folder", type=Path, metavar="FOLDER", help="films and *.reading.json files, at any depth"
        )
    for command in (report, export, deidentify):
        command.add_argument("--out", type=Path, metavar="DIR", required=True, help="write here")
    for command in (review, report, export):
        command.add_argument(
            "--frame", type=int, metavar="N", help="which frame to take of films with several"
        )
    for command in (review, demo, report, export):
        command.add_argument(
            "--thresholds", type=Path, metavar="FILE", help="a TOML file of your own thresholds"
        )
    for command in (export, deidentify):
        command.add_argument(
            "--key", type=Path, metavar="FILE",
            help="the secret key of the pseudonyms, made where there is none; keep it apart. Without it "
            "a key is used once and thrown away",
        )  # fmt: skip
    _add_store(commands.add_parser("store", help="keep readings in a database"))

    read = commands.add_parser("read", help="open the reading room, to place landmarks on films")
    read.add_argument("folder", type=Path, nargs="?", metavar="FOLDER", help="films, at any depth")
    read.add_argument("--reader", metavar="NAME", help="who reads: a name, initials or a number")
    read.add_argument("--site", default="olecranon", metavar="SITE", help="olecranon (default), patella, ...")
    read.add_argument("--view", metavar="VIEW", help="of films that do not say it: lateral, ap, ...")
    read.set_defaults(run=_read)

    sites = commands.add_parser("sites", help="show a site's landmarks, measurements and thresholds")
    sites.add_argument("name", nargs="?", help="olecranon, patella, ...; without it the sites are listed")
    sites.set_defaults(run=_sites)
    return parser


def _add_store(store: argparse.ArgumentParser) -> None:
    store.add_argument(
        "--at", metavar="FILE or URL", default=os.environ.get("HOLDFAST_STORE", "readings.sqlite"),
        help="an SQLite file, or postgresql://user@host/name; else HOLDFAST_STORE, or readings.sqlite",
    )  # fmt: skip
    actions = store.add_subparsers(title="what to do", required=True, metavar="ACTION")
    for name, words in (
        ("import", "keep every *.reading.json file under a folder"),
        ("export", "write every reading to a file of its own"),
    ):
        action = actions.add_parser(name, help=words)
        action.add_argument("folder", type=Path, metavar="FOLDER")
        action.set_defaults(run=_store_import if name == "import" else _store_export)
    actions.add_parser("list", help="list the readings that stand").set_defaults(run=_store_list)
    actions.add_parser("check", help="read all of it and name every fault").set_defaults(run=_store_check)


def region(text: str) -> tuple[int, int, int, int]:
    """Read "10:60,0:400" as rows 10 to 60 and columns 0 to 400."""
    rows, columns = text.split(",")
    (top, bottom), (left, right) = (map(int, part.split(":")) for part in (rows, columns))
    return top, bottom, left, right


def _demo(options: argparse.Namespace) -> int:
    from measure.samples import samples_folder

    options.folder = samples_folder()
    return _review(options)


def _read(options: argparse.Namespace) -> int:
    import importlib

    window = importlib.import_module("viewer.app")  # by name: nothing in measure imports a window
    window.run(options.folder, site=options.site, reader=options.reader, view=options.view)
    return DONE


def _review(options: argparse.Namespace) -> int:
    from measure.export import write_csv
    from measure.report import print_review

    result = _reviewed(options)
    print_review(result, _console())
    if not result.cases and not result.unread:
        return NOTHING_DONE
    if options.out:
        _tell(write_csv(result, options.out))
    return SOME_UNUSED if result.problems else DONE


def _reviewed(options: argparse.Namespace) -> Review:
    from measure.review import review
    from measure.sites import load_site, site_names, with_thresholds

    sites = {}
    if options.thresholds:
        sites = {name: with_thresholds(load_site(name), options.thresholds) for name in site_names()}
    stated = {"pin width": getattr(options, "pin_mm", None), "marker": getattr(options, "ball_mm", None)}
    sizes = {kind: size for kind, size in stated.items() if size is not None}
    propose = getattr(options, "propose", False)
    return review(options.folder, sites, _progress, options.frame, propose, sizes)


def _tell(written: Iterable[Path]) -> None:
    for path in written:
        print(f"Wrote {path}")


def _finish(written: Sequence[Path], problems: Iterable[tuple[str, str]]) -> int:
    """Name what was written and what could not be used."""
    _tell(written)
    problems = list(problems)
    for name, words in problems:
        print(f"Not used: {name}: {words}", file=sys.stderr)
    if not written:
        return NOTHING_DONE
    return SOME_UNUSED if problems else DONE


def _read_cases(options: argparse.Namespace) -> Review:
    """Review a folder for something that leaves it, and say what is not in that."""
    from measure.errors import ReadingError

    result = _reviewed(options)
    for film in result.unread:
        print(f"Left out: {film.name}: no reading", file=sys.stderr)
    for note in result.notes:
        print(f"To note: {note}", file=sys.stderr)
    if not result.cases:
        raise ReadingError("Nothing was written: no reading was found with its film. Place landmarks first.")
    return result


def _report(options: argparse.Namespace) -> int:
    from measure.clinic_report import write_reports

    result = _read_cases(options)
    written = [*write_reports(result, options.out, patient=options.patient, paper=options.paper)]
    problems = [(problem.name, problem.message) for problem in result.problems]
    if options.structured:
        written += _structured(result, options.out, problems)
    return _finish(written, problems)


def _structured(result: Review, out: Path, problems: list[tuple[str, str]]) -> Iterator[Path]:
    from measure.errors import HoldfastError
    from measure.presentation_state import write_presentation_state
    from measure.structured_report import write_structured_report

    for number, case in enumerate(result.cases, start=1):
        for visit, film in enumerate(case.films, start=1):
            try:
                name = f"case-{number:03d}-visit-{visit}"
                yield write_structured_report(film, out / f"{name}-report.dcm")
                yield write_presentation_state(film, out / f"{name}-drawing.dcm")
            except HoldfastError as error:
                problems.append((film.name, str(error)))


def _export(options: argparse.Namespace) -> int:
    from measure.research_export import write_research

    result = _read_cases(options)
    pseudonyms = _pseudonyms(options)
    written = write_research(result, options.out, pseudonyms, options.format, wide=options.wide)
    return _finish(written, ((problem.name, problem.message) for problem in result.problems))


def _deidentify(options: argparse.Namespace) -> int:
    from measure.deidentify import deidentify_folder

    done = deidentify_folder(
        options.folder, options.out, _pseudonyms(options), options.blank, track=_progress
    )
    return _finish(done.written, done.problems)


def _pseudonyms(options: argparse.Namespace) -> Pseudonyms:
    from measure.pseudonym import Pseudonyms, open_key

    return open_key(options.key, options.out) if options.key else Pseudonyms()


def _store_import(options: argparse.Namespace) -> int:
    from measure.store import Store

    with Store(options.at) as store:
        new, problems = store.import_folder(options.folder)
        print(f"Kept {new} new readings; the store holds {len(store)}.")
    _finish((), problems)
    return SOME_UNUSED if problems else DONE


def _store_export(options: argparse.Namespace) -> int:
    from measure.store import Store

    with Store(options.at, new=False) as store:
        print(f"Wrote {store.export_folder(options.folder)} readings to {options.folder}")
    return DONE


def _store_list(options: argparse.Namespace) -> int:
    from measure.store import Store

    with Store(options.at, new=False) as store:
        for kept in store.find(standing=True):
            print("\t".join((kept.time, kept.site, kept.view, kept.reader, kept.uid)))
    return DONE


def _store_check(options: argparse.Namespace) -> int:
    from measure.store import Store

    with Store(options.at, new=False) as store:
        problems = store.check()
        print(f"{len(store)} readings, {len(problems)} faults.")
    _finish((), (("store", words) for words in problems))
    return SOME_UNUSED if problems else DONE


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
