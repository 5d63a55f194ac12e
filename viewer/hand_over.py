"""What leaves the reading room in one action: the clinic's report, tables for research, readings. No Qt.

All rest on the readings that are saved in the folder, never on a draft.
"""

from __future__ import annotations

import os
from pathlib import Path

from measure.errors import HoldfastError
from measure.profiles import Profiles
from measure.review import Review, review

CHECK = "Read them before they leave the department."
REPORT_FOLDER, TABLES_FOLDER = "holdfast-report", "holdfast-tables"


def write_report(found: Review, folder: Path) -> tuple[Path, ...]:
    """Write a page for each case, as PDF and HTML, without the patient's identifier."""
    from measure.clinic_report import write_reports

    return write_reports(found, folder / REPORT_FOLDER)


def write_tables(found: Review, folder: Path) -> tuple[Path, ...]:
    """Write the research tables, under pseudonyms whose key is not kept."""
    from measure.pseudonym import Pseudonyms
    from measure.research_export import write_research

    return write_research(found, folder / TABLES_FOLDER, Pseudonyms())


WRITERS = {"Write report": write_report, "Write research tables": write_tables}
KEEP = "Keep readings in store"
HAND_OVERS = (*WRITERS, KEEP)


def store_place() -> str | None:
    """Where finished readings are kept too, if anywhere: HOLDFAST_STORE, or `holdfast read --store`."""
    return os.environ.get("HOLDFAST_STORE")


def hand_over(action: str, folder: Path | None, profiles: Profiles | None = None) -> str:
    """Do one of HAND_OVERS, by measured uncertainties if there are any, and say what came of it."""
    if folder is None:
        return "These films came without a folder, so there is nowhere to write to. Open a folder of films."
    try:
        return keep(folder) if action == KEEP else _write(action, folder, profiles or {})
    except HoldfastError as error:
        return str(error)
    except ImportError as error:
        extras = "report,research,store"
        return f"Nothing was written: {error.name} is not installed. pip install 'holdfast[{extras}]'"


def keep(folder: Path) -> str:
    """Keep the folder's saved readings in the store; those that are there already stay as they are."""
    place = store_place()
    if not place:
        return (
            "No store is chosen. Start with `holdfast read FOLDER --store FILE`, or set HOLDFAST_STORE. "
            "The readings are saved beside their films."
        )
    from measure.store import Store

    try:
        with Store(place) as store:
            new, problems = store.import_folder(folder)
            name = store.name
    except HoldfastError as error:
        return f"Saved beside the film, but not kept in the store: {error}"
    left = f" {len(problems)} files could not be used." if problems else ""
    return f"Saved beside the film; {new} new readings are kept in the store {name}.{left}"


def _write(action: str, folder: Path, profiles: Profiles) -> str:
    found = review(folder, profiles=profiles)
    if not found.cases:
        return "Nothing was written: no reading is saved in this folder yet. Finish one first (Ctrl+Enter)."
    written = WRITERS[action](found, folder)
    left = [f"{len(found.unread)} films without a reading"] if found.unread else []
    left += [f"{len(found.problems)} files that could not be used"] if found.problems else []
    without = f", without {' and '.join(left)}" if left else ""
    return f"{len(written)} files are in {written[0].parent.name}, from the saved readings{without}. {CHECK}"
