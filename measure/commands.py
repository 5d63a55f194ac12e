"""The commands: one row of a table each, and what it runs.

Heavy imports wait inside the functions, so that --help is quick.
"""

from __future__ import annotations

import contextlib
import hashlib
import os
import signal
import sys
import threading
from argparse import ArgumentTypeError, Namespace
from collections import Counter
from collections.abc import Callable, Iterable, Iterator, Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any, NamedTuple, TypeVar

if TYPE_CHECKING:
    from rich.console import Console

    from measure.agreement_study import Study
    from measure.cohort import Progress
    from measure.film import Film
    from measure.network import Tls
    from measure.profiles import Profiles
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
    window.run(
        options.folder, site=options.site, reader=options.reader, view=options.view, plan=options.list,
        profiles=_profiles(options),
    )  # fmt: skip
    return DONE


def _profiles(options: Namespace) -> Profiles:
    from measure.profiles import find_profiles

    return find_profiles(options.profile) if options.profile else {}


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

    given = vars(options)  # not every command has every option
    how = _tables(options) | {
        "track": _track("Reading films"),
        "frame": given.get("frame"),
        "propose": not given.get("no_proposals", True),
        "site": given.get("site"),
    }
    if not given.get("store"):
        return review(options.folder, **how)
    from measure.store import Store

    with Store(options.store, new=False) as store:
        return review(options.folder, **how, kept=store.texts)


def _tables(options: Namespace) -> dict[str, Any]:
    """Thresholds, profiles and stated sizes, as `review` and a cohort take them."""
    from measure.sites import load_site, site_names, with_thresholds

    sites = {}
    if options.thresholds:
        sites = {name: with_thresholds(load_site(name), options.thresholds) for name in site_names()}
    given = vars(options)  # not every command has every option
    options_of = {"pin width": "pin_mm", "wire width": "wire_mm", "marker": "ball_mm"}
    stated = {kind: given.get(name) for kind, name in options_of.items()}
    return {
        "sites": sites,
        "profiles": _profiles(options),
        "sizes": {kind: size for kind, size in stated.items() if size is not None},
    }


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
    written = write_research(
        result, options.out, pseudonyms, options.format, wide=options.wide, remarks=options.remarks
    )
    return _finish(written, ((problem.name, problem.message) for problem in result.problems))


def _deidentify(options: Namespace) -> int:
    from measure.deidentify import deidentify_folder

    done = deidentify_folder(
        options.folder, options.out, _pseudonyms(options), options.blank,
        remarks=options.remarks, track=_track("Cleaning films"),
    )  # fmt: skip
    return _finish(done.written, done.problems)


def _pseudonyms(options: Namespace) -> Pseudonyms:
    from measure.pseudonym import Pseudonyms, open_key

    return open_key(options.key, options.out) if options.key else Pseudonyms()


def _intake(options: Namespace) -> int:
    from measure.intake import DOUBTS, WAITING, take_in

    done = take_in(options.sources, options.out)
    print(f"{done.filed} films filed, {done.repeated} were here already, {done.left_out} left out.")
    if done.waiting:
        print(
            f"{len(done.waiting)} wait in {options.out / WAITING}: fill in the column 'answer' of "
            f"{options.out / DOUBTS} and run this again."
        )
    _finish((), done.problems)
    return SOME_UNUSED if done.problems or done.waiting else DONE


def _cohort(options: Namespace) -> int:
    from measure.cohort import How, run_cohort
    from measure.pseudonym import open_key

    os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")  # every core has a worker of its own
    how = How(
        propose=not options.readings_only, frame=options.frame, site=options.site, **_tables(options)
    )  # fmt: skip
    readings = [options.readings] if options.readings else []
    damaged: Sequence[tuple[str, str]] = ()
    if options.store:
        kept, damaged = _out_of_store(options.store, options.out / "working")
        readings.append(kept)
    with _countdown() as told:
        done = run_cohort(
            options.folder, options.out, open_key(options.key, options.out), workers=options.workers,
            cluster=options.cluster, how=how, readings=readings, told=told,
        )  # fmt: skip
    print(f"{done.films} films in the table, {len(done.failures)} files not used; {done.new} measured anew.")
    _finish((done.table, done.observations, done.failures_file), damaged)
    if not done.films:
        return NOTHING_DONE
    return SOME_UNUSED if done.failures or damaged else DONE


def _out_of_store(place: str, working: Path) -> tuple[Path, Sequence[tuple[str, str]]]:
    """Write a store's readings to files, where every worker finds them; name and fault of damaged ones.

    Each store has its own folder.
    """
    from measure.store import Store

    folder = working / f"store-{hashlib.sha256(place.encode()).hexdigest()[:8]}"
    with Store(place, new=False) as store:
        _, damaged = store.export_folder(folder, track=_track("Reading readings"))
    return folder, damaged


@contextlib.contextmanager
def _countdown() -> Iterator[Callable[[Progress], None]]:
    """Tell of a long run's progress: a bar on a terminal, else a line at times."""
    from measure.countdown import bar, lines

    with (bar if sys.stderr.isatty() else lines)() as told:
        yield told


def _receive(options: Namespace) -> int:
    from measure.receive import Terms, Told, receiver

    counted: Counter[str] = Counter()

    def told(about: Told) -> None:
        counted["refused" if about.refused else "received"] += 1
        if about.worth_telling:
            print(f"{about.caller}: {'refused: ' if about.refused else ''}{about.words}", file=sys.stderr)

    terms = Terms(
        tuple(options.callers), options.title, options.address, options.port, _tls(options),
        options.most_films, int(options.most_gigabytes * 2**30),
    )  # fmt: skip
    stopped = threading.Event()
    for asked in (signal.SIGINT, signal.SIGTERM):
        signal.signal(asked, lambda number, frame: stopped.set())
    with receiver(options.out, terms, told) as port:
        print(f"Receiving as {terms.title} at {terms.address}:{port}. Ctrl-C ends it.", flush=True)
        while not stopped.wait(1.0):  # a wait without an end cannot be interrupted everywhere
            pass
    print(f"{counted['received']} films received, {counted['refused']} refused.")
    return SOME_UNUSED if counted["refused"] else DONE


def _send(options: Namespace) -> int:
    from measure.send import Peer, send_reports

    host, _, port = options.to.rpartition(":")
    done = send_reports(options.folder, Peer(host, int(port), options.called, options.title, _tls(options)))
    print(f"{len(done.sent)} reports sent to {options.called}.")
    for name, words in done.problems:
        print(f"Not sent: {name}: {words}", file=sys.stderr)
    if not done.sent:
        return NOTHING_DONE
    return SOME_UNUSED if done.problems else DONE


def _tls(options: Namespace) -> Tls | None:
    from measure.errors import NetworkError
    from measure.network import Tls

    files = [options.certificate, options.certificate_key, options.authority]
    if any(files) and not all(files):
        raise NetworkError("TLS needs all three: --certificate, --certificate-key and --authority.")
    return Tls(*files) if all(files) else None


def address(text: str) -> str:
    """Check that a text is HOST:PORT."""
    host, colon, port = text.rpartition(":")
    if not (host and colon and port.isdecimal() and 0 < int(port) < 65536):
        raise ValueError
    return text


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
        records, unusable = store.import_records(options.folder)
        if records:
            print(f"Kept {records} new records of agreement studies.")
    _finish((), (*problems, *unusable))
    return SOME_UNUSED if problems or unusable else DONE


def _store_export(options: Namespace) -> int:
    from measure.store import Store

    with Store(_store_place(options), new=False) as store:
        new, damaged = store.export_folder(options.folder, track=_track("Writing readings"))
        print(f"Wrote {new} readings to {options.folder}")
        records, unusable = store.export_records(options.folder)
        if records:
            print(
                f"Wrote {records} records of agreement studies; put each study's list.json into its folder."
            )
    _finish((), (*damaged, *unusable))
    return SOME_UNUSED if damaged or unusable else DONE


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


def _agreement_list(options: Namespace) -> int:
    from measure.film import search
    from measure.reading_list import check_apart, choose_films, make_list, save_list

    check_apart(options.out, options.folder)
    found = search(options.folder)
    problems = list(found.refused)
    readable = _readable(_track("Reading films")(found.films), problems)
    films, notes = choose_films(readable, options.view, options.films, options.seed)
    plan = make_list(
        [film.digest for film in films], options.readers, options.repeats, options.seed,
        site=options.site, view=options.view, title=options.title, wait_days=options.wait_days,
    )  # fmt: skip
    for note in notes:
        print(f"To note: {note}", file=sys.stderr)
    print(f"{len(plan.films)} films, {len(plan.readers)} readers, {len(plan.tasks)} readings.")
    return _finish([save_list(plan, options.out)], problems)


def _readable(paths: Iterable[Path], problems: list[tuple[str, str]]) -> Iterator[Film]:
    """Read films one after the other; what cannot be read is added to the problems."""
    from measure.errors import FilmError
    from measure.film import read_film

    for path in paths:
        try:
            yield read_film(path)
        except FilmError as error:
            problems.append((path.name, str(error)))


def _agreement_study(options: Namespace) -> Study:
    from measure.agreement_study import study_of_folder, study_of_list

    propose = getattr(options, "proposals", False)
    if options.list:
        return study_of_list(options.folder, options.list, propose=propose, track=_track("Reading films"))
    kind = {"site": options.site, "view": options.view}
    return study_of_folder(options.folder, **kind, propose=propose, track=_track("Reading films"))


def _agreement_analyse(options: Namespace) -> int:
    from measure.agreement_page import analyse
    from measure.agreement_report import write_agreement
    from measure.agreement_study import truth_of

    study = _agreement_study(options)
    truth = truth_of(options.truth, study) if options.truth else None
    written = write_agreement(analyse(study, truth), options.out, unblind=options.unblind)
    return _finish(written, study.problems)


def _agreement_profile(options: Namespace) -> int:
    from measure.agreement_study import measured_profile
    from measure.profiles import profile_path, save_profiles

    study = _agreement_study(options)
    path = profile_path(options.name)
    return _finish([save_profiles(measured_profile(study, path.stem), path)], study.problems)


def _agreement_size(options: Namespace) -> int:
    from measure.sample_size import films_for_icc, films_for_limits

    if options.limits is not None:
        films = films_for_limits(options.limits)
        print(f"{films} films for limits of agreement known to ± {options.limits:g} SD (Bland & Altman 1986)")
    else:
        films = films_for_icc(options.icc, options.readers, options.width)
        print(
            f"{films} films read by {options.readers} readers for a 95 % interval {options.width:g} wide "
            f"around an ICC of {options.icc:g} (Bonett 2002)"
        )
    return DONE


def _agreement_demo(options: Namespace) -> int:
    from measure.agreement_demo import write_demo
    from measure.agreement_page import analyse
    from measure.agreement_report import write_agreement
    from measure.agreement_study import study_of_list, truth_of

    films, _ = write_demo(options.out / "study")
    study = study_of_list(films, options.out / "study", track=_track("Reading films"))
    analysis = analyse(study, truth_of(films / "truth.json", study))
    return _finish(write_agreement(analysis, options.out), study.problems)


FOLDER = option("folder", type=Path, metavar="FOLDER", help="films and *.reading.json files, at any depth")
OUT = option("--out", type=Path, metavar="DIR", required=True, help="write here")
TABLES = option("--out", type=Path, metavar="DIR", help="write the tables (CSV) here")
FRAME = option(
    "--frame", type=int, metavar="N", help="which frame to take of films with several, the same of all"
)
THRESHOLDS = option("--thresholds", type=Path, metavar="FILE", help="a TOML file of your own thresholds")
PROFILE = option(
    "--profile", metavar="NAME",
    help="uncertainties in place of the defaults: published ones (such as 'Kreder 1996'), the name given to "
    "'agreement profile', or a file",
)  # fmt: skip
KEY = option(
    "--key", type=Path, metavar="FILE",
    help="the secret key of the pseudonyms, made where there is none; keep it apart. Without it a key is "
    "used once and thrown away",
)  # fmt: skip
REMARKS = option(
    "--remarks", action="store_true",
    help="keep readers' remarks, which are in their own words and may name somebody",
)  # fmt: skip
AT = option(
    "--at", metavar="FILE or URL",
    help="an SQLite file, or postgresql://user@host/name; else HOLDFAST_STORE, or readings.sqlite",
)  # fmt: skip
READINGS = option("folder", type=Path, metavar="FOLDER", help="of *.reading.json files")
STORE = option("--store", metavar="FILE or URL", help="use the films' readings in this store too")

SIZES = (
    option("--pin-mm", type=float, metavar="MM",
           help="true diameter of the pins, for a scale of films that are measured by proposals"),
    option("--wire-mm", type=float, metavar="MM",
           help="true diameter of the wire, for a scale of AP films that are measured by proposals"),
    option("--ball-mm", type=float, metavar="MM",
           help="true diameter of the marker ball, for a scale of films that are measured by proposals"),
)  # fmt: skip
FILMS = option("folder", type=Path, metavar="FOLDER", help="films, at any depth")
SITE = option("--site", default="olecranon", metavar="SITE", help="olecranon (default), patella, ...")
BODY_PART = option(
    "--site", metavar="SITE",
    help="the site of films without a reading whose file does not name the body part",
)  # fmt: skip
LIST = option("--list", type=Path, metavar="DIR", help="the list that was read; else the folder's readings")
KIND = (
    option("--site", metavar="SITE", help="without a list: readings of this site"),
    option("--view", metavar="VIEW", help="without a list: readings of this view"),
)
TLS = (
    option("--certificate", type=Path, metavar="FILE", help="ours, PEM: makes the connection secure (TLS)"),
    option("--certificate-key", type=Path, metavar="FILE", help="the certificate's key"),
    option("--authority", type=Path, metavar="FILE", help="whom the peer's certificate must be signed by"),
)

COMMANDS = (
    Command("review", "measure, compare and flag the films under a folder", _review, (
        FOLDER, TABLES, FRAME, THRESHOLDS, STORE, PROFILE,
        option("--no-proposals", action="store_true",
               help="list films without a reading, and do not measure them by unconfirmed proposals"),
        BODY_PART, *SIZES,
    )),
    Command("demo", "review the sample films", _demo, (TABLES, THRESHOLDS, PROFILE)),
    Command("report", "write a page for the clinic for each case, PDF and HTML", _report, (
        FOLDER, OUT, FRAME, THRESHOLDS, STORE, PROFILE,
        option("--patient", action="store_true", help="name the patient's identifier on the page"),
        option("--paper", choices=("A4", "Letter"), default="A4"),
        option("--structured", action="store_true",
               help="also DICOM of each film: structured report and drawing"),
    )),
    Command("export", "write tables for research, nobody named", _export, (
        FOLDER, OUT, FRAME, THRESHOLDS, STORE, PROFILE, KEY, REMARKS,
        option("--format", nargs="+", choices=("csv", "parquet"), default=["csv"]),
        option("--wide", action="store_true", help="also a table with one row a reading"),
    )),
    Command("deidentify", "write films and readings without the patient", _deidentify, (
        FOLDER, OUT, KEY, REMARKS,
        option("--blank", type=region, action="append", default=[], metavar="ROW:ROW,COLUMN:COLUMN",
               help="make this region black on films that may have writing burned in; may be repeated"),
    )),
    Command("intake", "file films from folders, discs and archives by patient, side, view, visit", _intake, (
        option("sources", type=Path, nargs="*", metavar="SOURCE",
               help="folders, DICOMDIR discs, zip archives or films; without any, only answers are read"),
        OUT,
    )),
    Command("cohort", "measure a whole tree of films into one table, each by itself (changes: see export), "
            "on all cores or a cluster", _cohort, (
        FOLDER, OUT, FRAME, THRESHOLDS, STORE, PROFILE, BODY_PART, *SIZES,
        option("--key", type=Path, metavar="FILE", required=True,
               help="the secret key of the pseudonyms, made where there is none; keep it apart"),
        option("--workers", type=int, default=os.cpu_count() or 1, metavar="N", help="processes; all cores"),
        option("--cluster", metavar="ADDRESS",
               help="a Dask scheduler, such as tcp://host:8786, whose workers see the same paths"),
        option("--readings", type=Path, metavar="DIR", help="look for readings here, too"),
        option("--readings-only", action="store_true", help="propose nothing for films without a reading"),
    )),
    Command("receive", "receive films by DICOM from callers that you name", _receive, (
        OUT,
        option("--from", dest="callers", nargs="+", required=True, metavar="TITLE", help="who may send"),
        option("--title", default="HOLDFAST", metavar="TITLE", help="our own (HOLDFAST)"),
        option("--address", default="127.0.0.1", help="where to listen: this computer only, unless told"),
        option("--port", type=int, default=11112),
        option("--most-films", type=int, default=10_000, metavar="N", help="then refuse more (10000)"),
        option("--most-gigabytes", type=float, default=200.0, metavar="N", help="then refuse more (200)"),
        *TLS,
    )),
    Command("send", "send structured reports and drawings back by DICOM", _send, (
        option("folder", type=Path, metavar="FOLDER", help="of report --structured; or one file"),
        option("--to", type=address, required=True, metavar="HOST:PORT"),
        option("--called", required=True, metavar="TITLE", help="the peer's title"),
        option("--title", default="HOLDFAST", metavar="TITLE", help="our own (HOLDFAST)"),
        *TLS,
    )),
    Command("store", "keep readings in a database"),
    Command("store import", "keep every *.reading.json file under a folder", _store_import, (READINGS, AT)),
    Command("store export", "write every reading to a file, a study's as --list wants them", _store_export, (
        option("folder", type=Path, metavar="DIR",
               help="write here; put a study's list.json into the folder of its name"),
        AT,
    )),
    Command("store list", "list the readings that stand", _store_list, (AT,)),
    Command("store check", "read all of it and name every fault", _store_check, (AT,)),
    Command("agreement", "study how far readers agree"),
    Command("agreement list", "plan who reads which film when, at random and blind", _agreement_list, (
        FILMS, SITE, OUT,
        option("--view", required=True, metavar="VIEW", help="which films: lateral, ap, ..."),
        option("--readers", nargs="+", required=True, metavar="NAME"),
        option("--repeats", type=int, default=2, metavar="N", help="how often each reads each film (2)"),
        option("--seed", type=int, required=True, metavar="N", help="of the random order"),
        option("--films", type=int, metavar="N", help="so many films, chosen at random; else all"),
        option("--wait-days", type=int, default=14, metavar="N", help="between two rounds (14)"),
        option("--title", default="", help="of the study"),
    )),
    Command("agreement analyse", "work out how far readers agree: tables, report", _agreement_analyse, (
        FILMS, LIST, *KIND, OUT,
        option("--truth", type=Path, metavar="FILE", help="true values, as sample_images/truth.json"),
        option("--proposals", action="store_true", help="also against what the program proposes itself"),
        option("--unblind", action="store_true", help="name the films' files in values.csv"),
    )),
    Command("agreement profile", "keep what was found as an uncertainty profile for review and report",
            _agreement_profile, (
        FILMS, LIST, *KIND,
        option("--name", required=True, metavar="NAME",
               help="by which --profile finds it (in HOLDFAST_PROFILES or ~/.holdfast); or a path, *.toml"),
    )),
    Command("agreement size", "say how many films a study needs", _agreement_size, (
        option("--icc", type=float, default=0.8, help="the ICC that is expected (0.8)"),
        option("--readers", type=int, default=2, metavar="N", help="how many read each film (2)"),
        option("--width", type=float, default=0.2, help="whole width wanted of its 95 %% interval (0.2)"),
        option("--limits", type=float, metavar="SD",
               help="instead: half width wanted of the limits' intervals, in SD of the differences"),
    )),
    Command("agreement demo", "an invented study on the sample films, analysed", _agreement_demo, (OUT,)),
    Command("read", "open the reading room, to place landmarks on films", _read, (
        option("folder", type=Path, nargs="?", metavar="FOLDER", help="films, at any depth"),
        option("--reader", metavar="NAME", help="who reads: a name, initials or a number"),
        SITE,
        option("--view", metavar="VIEW", help="of films that do not say it: lateral, ap, ..."),
        option("--list", type=Path, metavar="DIR", help="read a list of 'agreement list', blind"),
        option("--store", metavar="FILE or URL",
               help="keep each finished reading in this store too; else HOLDFAST_STORE, if set"),
        PROFILE,
    )),
    Command("sites", "show a site's landmarks, measurements, thresholds and observations", _sites, (
        option("name", nargs="?", help="olecranon, patella, ...; without it the sites are listed"),
    )),
)  # fmt: skip
