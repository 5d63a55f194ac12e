"""The commands: one row of a table each. What they run stands in the modules named `..._commands`."""

from __future__ import annotations

import os
from argparse import ArgumentTypeError, Namespace
from collections.abc import Callable, Sequence
from pathlib import Path
from typing import Any, NamedTuple

from measure.film_commands import (
    run_cohort,
    run_deidentify,
    run_demo,
    run_export,
    run_read,
    run_report,
    run_review,
    run_sites,
)
from measure.network_commands import run_intake, run_receive, run_send
from measure.store_commands import run_store_check, run_store_export, run_store_import, run_store_list
from measure.study_commands import (
    run_agreement_analyse,
    run_agreement_demo,
    run_agreement_list,
    run_agreement_profile,
    run_agreement_size,
)


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


def address(text: str) -> str:
    """Check that a text is HOST:PORT."""
    host, colon, port = text.rpartition(":")
    if not (host and colon and port.isdecimal() and 0 < int(port) < 65536):
        raise ValueError
    return text


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
    Command("review", "measure, compare and flag the films under a folder", run_review, (
        FOLDER, TABLES, FRAME, THRESHOLDS, STORE, PROFILE,
        option("--no-proposals", action="store_true",
               help="list films without a reading, and do not measure them by unconfirmed proposals"),
        BODY_PART, *SIZES,
    )),
    Command("demo", "review the sample films", run_demo, (TABLES, THRESHOLDS, PROFILE)),
    Command("report", "write a page for the clinic for each case, PDF and HTML", run_report, (
        FOLDER, OUT, FRAME, THRESHOLDS, STORE, PROFILE,
        option("--patient", action="store_true", help="name the patient's identifier on the page"),
        option("--paper", choices=("A4", "Letter"), default="A4"),
        option("--structured", action="store_true",
               help="also DICOM of each film: structured report and drawing"),
    )),
    Command("export", "write tables for research, nobody named", run_export, (
        FOLDER, OUT, FRAME, THRESHOLDS, STORE, PROFILE, KEY, REMARKS,
        option("--format", nargs="+", choices=("csv", "parquet"), default=["csv"]),
        option("--wide", action="store_true", help="also a table with one row a reading"),
    )),
    Command("deidentify", "write films and readings without the patient", run_deidentify, (
        FOLDER, OUT, KEY, REMARKS,
        option("--blank", type=region, action="append", default=[], metavar="ROW:ROW,COLUMN:COLUMN",
               help="make this region black on films that may have writing burned in; may be repeated"),
    )),
    Command("intake", "file films from folders, discs and archives by patient, side, view, visit",
            run_intake, (
        option("sources", type=Path, nargs="*", metavar="SOURCE",
               help="folders, DICOMDIR discs, zip archives or films; without any, only answers are read"),
        OUT,
    )),
    Command("cohort", "measure a whole tree of films into one table, each by itself (changes: see export), "
            "on all cores or a cluster", run_cohort, (
        FOLDER, OUT, FRAME, THRESHOLDS, STORE, PROFILE, BODY_PART, *SIZES,
        option("--key", type=Path, metavar="FILE", required=True,
               help="the secret key of the pseudonyms, made where there is none; keep it apart"),
        option("--workers", type=int, default=os.cpu_count() or 1, metavar="N", help="processes; all cores"),
        option("--cluster", metavar="ADDRESS",
               help="a Dask scheduler, such as tcp://host:8786, whose workers see the same paths"),
        option("--readings", type=Path, metavar="DIR", help="look for readings here, too"),
        option("--readings-only", action="store_true", help="propose nothing for films without a reading"),
    )),
    Command("receive", "receive films by DICOM from callers that you name", run_receive, (
        OUT,
        option("--from", dest="callers", nargs="+", required=True, metavar="TITLE", help="who may send"),
        option("--title", default="HOLDFAST", metavar="TITLE", help="our own (HOLDFAST)"),
        option("--address", default="127.0.0.1", help="where to listen: this computer only, unless told"),
        option("--port", type=int, default=11112),
        option("--most-films", type=int, default=10_000, metavar="N", help="then refuse more (10000)"),
        option("--most-gigabytes", type=float, default=200.0, metavar="N", help="then refuse more (200)"),
        *TLS,
    )),
    Command("send", "send structured reports and drawings back by DICOM", run_send, (
        option("folder", type=Path, metavar="FOLDER", help="of report --structured; or one file"),
        option("--to", type=address, required=True, metavar="HOST:PORT"),
        option("--called", required=True, metavar="TITLE", help="the peer's title"),
        option("--title", default="HOLDFAST", metavar="TITLE", help="our own (HOLDFAST)"),
        *TLS,
    )),
    Command("store", "keep readings in a database"),
    Command("store import", "keep every *.reading.json file under a folder", run_store_import,
            (READINGS, AT)),
    Command("store export", "write every reading to a file, a study's as --list wants them",
            run_store_export, (
        option("folder", type=Path, metavar="DIR",
               help="write here; put a study's list.json into the folder of its name"),
        AT,
    )),
    Command("store list", "list the readings that stand", run_store_list, (AT,)),
    Command("store check", "read all of it and name every fault", run_store_check, (AT,)),
    Command("agreement", "study how far readers agree"),
    Command("agreement list", "plan who reads which film when, at random and blind", run_agreement_list, (
        FILMS, SITE, OUT,
        option("--view", required=True, metavar="VIEW", help="which films: lateral, ap, ..."),
        option("--readers", nargs="+", required=True, metavar="NAME"),
        option("--repeats", type=int, default=2, metavar="N", help="how often each reads each film (2)"),
        option("--seed", type=int, required=True, metavar="N", help="of the random order"),
        option("--films", type=int, metavar="N", help="so many films, chosen at random; else all"),
        option("--wait-days", type=int, default=14, metavar="N", help="between two rounds (14)"),
        option("--title", default="", help="of the study"),
    )),
    Command("agreement analyse", "work out how far readers agree: tables, report", run_agreement_analyse, (
        FILMS, LIST, *KIND, OUT,
        option("--truth", type=Path, metavar="FILE", help="true values, as sample_images/truth.json"),
        option("--proposals", action="store_true", help="also against what the program proposes itself"),
        option("--unblind", action="store_true", help="name the films' files in values.csv"),
    )),
    Command("agreement profile", "keep what was found as an uncertainty profile for review and report",
            run_agreement_profile, (
        FILMS, LIST, *KIND,
        option("--name", required=True, metavar="NAME",
               help="by which --profile finds it (in HOLDFAST_PROFILES or ~/.holdfast); or a path, *.toml"),
    )),
    Command("agreement size", "say how many films a study needs", run_agreement_size, (
        option("--icc", type=float, default=0.8, help="the ICC that is expected (0.8)"),
        option("--readers", type=int, default=2, metavar="N", help="how many read each film (2)"),
        option("--width", type=float, default=0.2, help="whole width wanted of its 95 %% interval (0.2)"),
        option("--limits", type=float, metavar="SD",
               help="instead: half width wanted of the limits' intervals, in SD of the differences"),
    )),
    Command("agreement demo", "an invented study on the sample films, analysed", run_agreement_demo, (OUT,)),
    Command("read", "open the reading room, to place landmarks on films", run_read, (
        option("folder", type=Path, nargs="?", metavar="FOLDER", help="films, at any depth"),
        option("--reader", metavar="NAME", help="who reads: a name, initials or a number"),
        SITE,
        option("--view", metavar="VIEW", help="of films that do not say it: lateral, ap, ..."),
        option("--list", type=Path, metavar="DIR", help="read a list of 'agreement list', blind"),
        option("--store", metavar="FILE or URL",
               help="keep each finished reading in this store too; else HOLDFAST_STORE, if set"),
        PROFILE,
    )),
    Command("sites", "show a site's landmarks, measurements, thresholds and observations", run_sites, (
        option("name", nargs="?", help="olecranon, patella, ...; without it the sites are listed"),
    )),
)  # fmt: skip
