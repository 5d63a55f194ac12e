"""What the commands on agreement studies run; heavy imports wait inside the functions."""

from __future__ import annotations

import sys
from argparse import Namespace
from collections.abc import Iterable, Iterator
from pathlib import Path
from typing import TYPE_CHECKING

from measure.telling import DONE, finish, progress

if TYPE_CHECKING:
    from measure.agreement_study import Study
    from measure.film import Film


def run_agreement_list(options: Namespace) -> int:
    from measure.film import search
    from measure.reading_list import check_apart, choose_films, make_list, save_list

    check_apart(options.out, options.folder)
    found = search(options.folder)
    problems = list(found.refused)
    readable = _readable(progress("Reading films")(found.films), problems)
    films, notes = choose_films(readable, options.view, options.films, options.seed)
    plan = make_list(
        [film.digest for film in films], options.readers, options.repeats, options.seed,
        site=options.site, view=options.view, title=options.title, wait_days=options.wait_days,
    )  # fmt: skip
    for note in notes:
        print(f"To note: {note}", file=sys.stderr)
    print(f"{len(plan.films)} films, {len(plan.readers)} readers, {len(plan.tasks)} readings.")
    return finish([save_list(plan, options.out)], problems)


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
        return study_of_list(options.folder, options.list, propose=propose, track=progress("Reading films"))
    kind = {"site": options.site, "view": options.view}
    return study_of_folder(options.folder, **kind, propose=propose, track=progress("Reading films"))


def run_agreement_analyse(options: Namespace) -> int:
    from measure.agreement_page import analyse
    from measure.agreement_report import write_agreement
    from measure.agreement_study import truth_of

    study = _agreement_study(options)
    truth = truth_of(options.truth, study) if options.truth else None
    written = write_agreement(analyse(study, truth), options.out, unblind=options.unblind)
    return finish(written, study.problems)


def run_agreement_profile(options: Namespace) -> int:
    from measure.agreement_study import measured_profile
    from measure.profiles import profile_path, save_profiles

    study = _agreement_study(options)
    path = profile_path(options.name)
    return finish([save_profiles(measured_profile(study, path.stem), path)], study.problems)


def run_agreement_size(options: Namespace) -> int:
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


def run_agreement_demo(options: Namespace) -> int:
    from measure.agreement_demo import write_demo
    from measure.agreement_page import analyse
    from measure.agreement_report import write_agreement
    from measure.agreement_study import study_of_list, truth_of

    films, _ = write_demo(options.out / "study")
    study = study_of_list(films, options.out / "study", track=progress("Reading films"))
    analysis = analyse(study, truth_of(films / "truth.json", study))
    return finish(write_agreement(analysis, options.out), study.problems)
