"""What leaves the reading room in one action: the clinic's report, tables for research. No Qt.

Both rest on the readings that are saved in the folder, never on a draft.
"""

from __future__ import annotations

from pathlib import Path

from measure.errors import HoldfastError
from measure.review import review

CHECK = "Read them before they leave the department."
REPORT_FOLDER, TABLES_FOLDER = "holdfast-report", "holdfast-tables"


def write_report(folder: Path) -> tuple[Path, ...]:
    """Write a page for each case of the folder, as PDF and HTML, without the patient's identifier."""
    from measure.clinic_report import write_reports

    return write_reports(review(folder), folder / REPORT_FOLDER)


def write_tables(folder: Path) -> tuple[Path, ...]:
    """Write the research tables of the folder, under pseudonyms whose key is not kept."""
    from measure.pseudonym import Pseudonyms
    from measure.research_export import write_research

    return write_research(review(folder), folder / TABLES_FOLDER, Pseudonyms())


HAND_OVERS = {"Write report": write_report, "Write research tables": write_tables}


def hand_over(action: str, folder: Path | None) -> str:
    """Do one of HAND_OVERS, and say what came of it."""
    if folder is None:
        return "These films came without a folder, so there is nowhere to write to. Open a folder of films."
    try:
        written = HAND_OVERS[action](folder)
    except HoldfastError as error:
        return str(error)
    if not written:
        return "Nothing was written: no reading is saved in this folder yet. Finish one first (Ctrl+Enter)."
    return f"{len(written)} files are in {written[0].parent.name}, from the saved readings. {CHECK}"
