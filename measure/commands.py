"""The commands: one row of a table each, and what it runs.

Heavy imports wait inside the functions, so that --help is quick.
"""

from __future__ import annotations

import os
import sys
from argparse import ArgumentTypeError, Namespace
from collections.abc import Callable, Iterable, Iterator, Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any, NamedTuple, TypeVar

if TYPE_CHECKING:
    from rich.console import Console

    from measure.pseudonym import Pseudonyms
    from measure.review import Review

DONE, STOPPED, MISUSED, SOME_UNUSED, NOTHING_DONE, FAULT = 0, 1, 2, 3, 4, 5
PAPER_WIDTH = 160  # columns where there is no terminal to ask
MANY = 12  # from so many films, files or cases on a progress bar is shown
Each = TypeVar("Each")


class Option(NamedTuple):
    """What argparse's add_argument is given."""

    flag: str
    settings: dict[str, Any]


class Command(NamedTuple):
    """One command; "store list" is the action "list" of the command "store", which runs nothing itself."""

    name: str
    help: str
    run: Callable[[Namespace], int] | None = None
    options: Sequence[Option] = ()


def option(flag: str, **settings: Any) -> Option:
    """Write an option as add_argument takes it."""
    return Option(flag, settings)


def region(text: str) -> tuple[int, int, int, int]:
    """Read "10:60,0:400" as rows 10 to 60 and columns 0 to 400."""
    try:
        rows, columns = text.split(",")
        (top, bottom), (left, right) = (map(int, part.split(":")) for part in (rows, columns))
    except ValueError:
        raise ArgumentTypeError(
            f"{text!r} is no region. Give rows and columns in pixels, each from the first to the one after "
            "the last, such as 0:60,0:400"
        ) from None
    return top, bottom, left, right


def _demo(options: Namespace) -> int:
    from measure.samples import samples_folder

    options.folder = samples_folder()
    return _review(options)


def _read(options: Namespace) -> int:
    import importlib

    window = importlib.import_module("viewer.app")  # by name: nothing in measure imports a window
    if options.store:
        os.environ["HOLDFAST_STORE"] = options.store  # where the reading room looks, as a plugin too
    window.run(options.folder, site=options.site, reader=options.reader, view=options.view)
    return DONE


def _review(options: Namespace) -> int:
    from measure.export import write_csv
    from measure.report import print_review

    result = _reviewed(options)
    print_review(result, _console())
    if not result.cases and not result.unread:
        return NOTHING_DONE
    if options.out:
        _tell(write_csv(result, options.out))
    return SOME_UNUSED if result.problems else DONE


def _reviewed(options: Namespace) -> Review:
    from measure.review import review
    from measure.sites import load_site, site_names, with_thresholds

    sites = {}
    if options.thresholds:
        sites = {name: with_thresholds(load_site(name), options.thresholds) for name in site_names()}
    given = vars(options)  # not every command has every option
    what = (options.folder, sites, _track("Reading films"), given.get("frame"), given.get("propose", False))
    stated = {"pin width": given.get("pin_mm"), "marker": given.get("ball_mm")}
    sizes = {kind: size for kind, size in stated.items() if size is not None}
    if not given.get("store"):
        return review(*what, sizes=sizes)
    from measure.store import Store

    with Store(options.store, new=False) as store:
        return review(*what, store.texts, sizes)


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


def _read_cases(options: Namespace) -> Review:
    """Review a folder for something that leaves it, and say what is not in that."""
    from measure.errors import ReadingError
    from measure.review import NO_CASES

    result = _reviewed(options)
    for film in result.unread:
        print(f"Left out: {film.name}: no reading", file=sys.stderr)
    for note in result.notes:
        print(f"To note: {note}", file=sys.stderr)
    if not result.cases:
        raise ReadingError(NO_CASES)
    return result


def _report(options: Namespace) -> int:
    from measure.clinic_report import write_reports

    result = _read_cases(options)
    track = _track("Writing reports")
    written = [*write_reports(result, options.out, patient=options.patient, paper=options.paper, track=track)]
    problems = [(problem.name, problem.message) for problem in result.problems]
    if options.structured:
        written += _structured(result, options.out, problems)
    return _finish(written, problems)


def _structured(result: Review, out: Path, problems: list[tuple[str, str]]) -> Iterator[Path]:
    from measure.errors import HoldfastError
    from measure.presentation_state import write_presentation_state
    from measure.structured_report import write_structured_report

    for number, case in enumerate(_track("Writing DICOM")(result.cases), start=1):
        for visit, film in enumerate(case.films, start=1):
            try:
                name = f"case-{number:03d}-visit-{visit}"
                yield write_structured_report(film, out / f"{name}-report.dcm")
                yield write_presentation_state(film, out / f"{name}-drawing.dcm")
            except HoldfastError as error:
                problems.append((film.name, str(error)))


def _export(options: Namespace) -> int:
    from measure.research_export import write_research

    result = _read_cases(options)
    pseudonyms = _pseudonyms(options)
    written = write_research(result, options.out, pseudonyms, options.format, wide=options.wide)
    return _finish(written, ((problem.name, problem.message) for problem in result.problems))


def _deidentify(options: Namespace) -> int:
    from measure.deidentify import deidentify_folder

    track = _track("Cleaning films")
    done = deidentify_folder(options.folder, options.out, _pseudonyms(options), options.blank, track=track)
    return _finish(done.written, done.problems)


def _pseudonyms(options: Namespace) -> Pseudonyms:
    from measure.pseudonym import Pseudonyms, open_key

    return open_key(options.key, options.out) if options.key else Pseudonyms()


def _store_place(options: Namespace) -> str:
    return options.at or os.environ.get("HOLDFAST_STORE") or "readings.sqlite"


def _store_import(options: Namespace) -> int:
    from measure.errors import ReadingError
    from measure.reading import SUFFIX, reading_files
    from measure.store import Store

    if not options.folder.is_dir() or not reading_files(options.folder):
        raise ReadingError(f"There is no *{SUFFIX} file under {options.folder.name!r}. Check the path.")
    with Store(_store_place(options)) as store:
        new, problems = store.import_folder(options.folder, track=_track("Reading readings"))
        print(f"Kept {new} new readings; the store holds {len(store)}.")
    _finish((), problems)
    return SOME_UNUSED if problems else DONE


def _store_export(options: Namespace) -> int:
    from measure.store import Store

    with Store(_store_place(options), new=False) as store:
        new = store.export_folder(options.folder, track=_track("Writing readings"))
        print(f"Wrote {new} readings to {options.folder}")
    return DONE


def _store_list(options: Namespace) -> int:
    from measure.store import Store

    with Store(_store_place(options), new=False) as store:
        for kept in store.find(standing=True):
            print("\t".join((kept.time, kept.site, kept.view, kept.reader, kept.uid)))
    return DONE


def _store_check(options: Namespace) -> int:
    from measure.store import Store

    with Store(_store_place(options), new=False) as store:
        problems = store.check()
        print(f"{len(store)} readings, {len(problems)} faults.")
    _finish((), (("store", words) for words in problems))
    return SOME_UNUSED if problems else DONE


def _console() -> Console:
    """Console as wide as the terminal or as COLUMNS says."""
    from rich.console import Console

    known = sys.stdout.isatty() or "COLUMNS" in os.environ
    return Console(highlight=False, width=None if known else PAPER_WIDTH)


def _track(words: str) -> Callable[[Sequence[Each]], Iterable[Each]]:
    """Return what shows, on a terminal, how far a long list is done."""

    def track(each: Sequence[Each]) -> Iterable[Each]:
        if len(each) < MANY or not sys.stderr.isatty():
            return each
        from rich import progress
        from rich.console import Console

        return progress.track(each, description=words, console=Console(stderr=True), transient=True)

    return track


def _sites(options: Namespace) -> int:
    from measure.report import sites_table
    from measure.sites import load_site, site_names

    if options.name:
        _console().print(sites_table(load_site(options.name)))
    else:
        print("\n".join(site_names()))
    return DONE


FOLDER = option("folder", type=Path, metavar="FOLDER", help="films and *.reading.json files, at any depth")
OUT = option("--out", type=Path, metavar="DIR", required=True, help="write here")
TABLES = option("--out", type=Path, metavar="DIR", help="write measurements.csv and changes.csv here")
FRAME = option("--frame", type=int, metavar="N", help="which frame to take of films with several")
THRESHOLDS = option("--thresholds", type=Path, metavar="FILE", help="a TOML file of your own thresholds")
KEY = option(
    "--key", type=Path, metavar="FILE",
    help="the secret key of the pseudonyms, made where there is none; keep it apart. Without it a key is "
    "used once and thrown away",
)  # fmt: skip
AT = option(
    "--at", metavar="FILE or URL",
    help="an SQLite file, or postgresql://user@host/name; else HOLDFAST_STORE, or readings.sqlite",
)  # fmt: skip
READINGS = option("folder", type=Path, metavar="FOLDER", help="of *.reading.json files")
STORE = option("--store", metavar="FILE or URL", help="use the films' readings in this store too")

COMMANDS = (
    Command("review", "measure, compare and flag the films under a folder", _review, (
        FOLDER, TABLES, FRAME, THRESHOLDS, STORE,
        option("--propose", action="store_true",
               help="also measure films without a reading, by unconfirmed proposals"),
        option("--pin-mm", type=float, metavar="MM",
               help="with --propose: true diameter of the pins, for a scale"),
        option("--ball-mm", type=float, metavar="MM",
               help="with --propose: true diameter of the marker ball, for a scale"),
    )),
    Command("demo", "review the sample films", _demo, (TABLES, THRESHOLDS)),
    Command("report", "write a page for the clinic for each case, PDF and HTML", _report, (
        FOLDER, OUT, FRAME, THRESHOLDS, STORE,
        option("--patient", action="store_true", help="name the patient's identifier on the page"),
        option("--paper", choices=("A4", "Letter"), default="A4"),
        option("--structured", action="store_true",
               help="also DICOM of each film: structured report and drawing"),
    )),
    Command("export", "write tables for research, nobody named", _export, (
        FOLDER, OUT, FRAME, THRESHOLDS, STORE, KEY,
        option("--format", nargs="+", choices=("csv", "parquet"), default=["csv"]),
        option("--wide", action="store_true", help="also a table with one row a reading"),
    )),
    Command("deidentify", "write films and readings without the patient", _deidentify, (
        FOLDER, OUT, KEY,
        option("--blank", type=region, action="append", default=[], metavar="ROW:ROW,COLUMN:COLUMN",
               help="make this region black on films that may have writing burned in; may be repeated"),
    )),
    Command("store", "keep readings in a database"),
    Command("store import", "keep every *.reading.json file under a folder", _store_import, (READINGS, AT)),
    Command("store export", "write every reading to a file of its own", _store_export, (READINGS, AT)),
    Command("store list", "list the readings that stand", _store_list, (AT,)),
    Command("store check", "read all of it and name every fault", _store_check, (AT,)),
    Command("read", "open the reading room, to place landmarks on films", _read, (
        option("folder", type=Path, nargs="?", metavar="FOLDER", help="films, at any depth"),
        option("--reader", metavar="NAME", help="who reads: a name, initials or a number"),
        option("--site", default="olecranon", metavar="SITE", help="olecranon (default), patella, ..."),
        option("--view", metavar="VIEW", help="of films that do not say it: lateral, ap, ..."),
        option("--store", metavar="FILE or URL",
               help="keep each finished reading in this store too; else HOLDFAST_STORE, if set"),
    )),
    Command("sites", "show a site's landmarks, measurements and thresholds", _sites, (
        option("name", nargs="?", help="olecranon, patella, ...; without it the sites are listed"),
    )),
)  # fmt: skip
