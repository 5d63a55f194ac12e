"""What the commands on a folder of films run; heavy imports wait inside the functions."""

from __future__ import annotations

import contextlib
import os
import sys
from argparse import Namespace
from collections.abc import Callable, Iterator, Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any

from measure.store_commands import out_of_store
from measure.telling import DONE, NOTHING_DONE, SOME_UNUSED, console, finish, progress, tell

if TYPE_CHECKING:
    from measure.cohort import Progress
    from measure.profiles import Profiles
    from measure.pseudonym import Pseudonyms
    from measure.review import Review


def run_demo(options: Namespace) -> int:
    from measure.samples import samples_folder

    options.folder = samples_folder()
    return run_review(options)


def run_read(options: Namespace) -> int:
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


def run_review(options: Namespace) -> int:
    from measure.export import write_csv
    from measure.report import print_review

    result = _reviewed(options)
    print_review(result, console())
    if not result.cases and not result.unread:
        return NOTHING_DONE
    if options.out:
        tell(write_csv(result, options.out))
    return SOME_UNUSED if result.problems else DONE


def _reviewed(options: Namespace) -> Review:
    from measure.review import review

    given = vars(options)  # not every command has every option
    how = _tables(options) | {
        "track": progress("Reading films"),
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


def run_report(options: Namespace) -> int:
    from measure.clinic_report import write_reports

    result = _read_cases(options)
    written = [*write_reports(
        result, options.out, patient=options.patient, paper=options.paper, track=progress("Writing reports")
    )]  # fmt: skip
    problems = [(problem.name, problem.message) for problem in result.problems]
    if options.structured:
        written += _structured(result, options.out, problems)
    return finish(written, problems)


def _structured(result: Review, out: Path, problems: list[tuple[str, str]]) -> Iterator[Path]:
    from measure.errors import HoldfastError
    from measure.presentation_state import write_presentation_state
    from measure.structured_report import write_structured_report

    for number, case in enumerate(progress("Writing DICOM")(result.cases), start=1):
        for visit, film in enumerate(case.films, start=1):
            try:
                name = f"case-{number:03d}-visit-{visit}"
                yield write_structured_report(film, out / f"{name}-report.dcm")
                yield write_presentation_state(film, out / f"{name}-drawing.dcm")
            except HoldfastError as error:
                problems.append((film.name, str(error)))


def run_export(options: Namespace) -> int:
    from measure.research_export import write_research

    result = _read_cases(options)
    pseudonyms = _pseudonyms(options)
    written = write_research(
        result, options.out, pseudonyms, options.format, wide=options.wide, remarks=options.remarks
    )
    return finish(written, ((problem.name, problem.message) for problem in result.problems))


def run_deidentify(options: Namespace) -> int:
    from measure.deidentify import deidentify_folder

    done = deidentify_folder(
        options.folder, options.out, _pseudonyms(options), options.blank,
        remarks=options.remarks, track=progress("Cleaning films"),
    )  # fmt: skip
    return finish(done.written, done.problems)


def _pseudonyms(options: Namespace) -> Pseudonyms:
    from measure.pseudonym import Pseudonyms, open_key

    return open_key(options.key, options.out) if options.key else Pseudonyms()


def run_cohort(options: Namespace) -> int:
    from measure.cohort import How
    from measure.cohort import run_cohort as run
    from measure.pseudonym import open_key

    os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")  # every core has a worker of its own
    how = How(
        propose=not options.readings_only, frame=options.frame, site=options.site, **_tables(options)
    )  # fmt: skip
    readings = [options.readings] if options.readings else []
    damaged: Sequence[tuple[str, str]] = ()
    if options.store:
        kept, damaged = out_of_store(options.store, options.out / "working")
        readings.append(kept)
    with _countdown() as told:
        done = run(
            options.folder, options.out, open_key(options.key, options.out), workers=options.workers,
            cluster=options.cluster, how=how, readings=readings, told=told,
        )  # fmt: skip
    print(f"{done.films} films in the table, {len(done.failures)} files not used; {done.new} measured anew.")
    code = finish((done.table, done.observations, done.failures_file), damaged)
    if not done.films:
        return NOTHING_DONE
    return SOME_UNUSED if done.failures else code


@contextlib.contextmanager
def _countdown() -> Iterator[Callable[[Progress], None]]:
    """Tell of a long run's progress: a bar on a terminal, else a line at times."""
    from measure.countdown import bar, lines

    with (bar if sys.stderr.isatty() else lines)() as told:
        yield told


def run_sites(options: Namespace) -> int:
    from measure.report import sites_table
    from measure.sites import load_site, site_names

    if options.name:
        console().print(sites_table(load_site(options.name)))
    else:
        print("\n".join(site_names()))
    return DONE
