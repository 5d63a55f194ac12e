"""What leaves the reading room in one action: the clinic's report, tables for research. No Qt.

Both rest on the readings that are saved in the folder, never on a draft.
"""

from __future__ import annotations

from pathlib import Path

from measure.errors import HoldfastError
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


HAND_OVERS = {"Write report": write_report, "Write research tables": write_tables}


def hand_over(action: str, folder: Path | None) -> str:
    """Do one of HAND_OVERS, and say what came of it."""
    if folder is None:
        return "These films came without a folder, so there is nowhere to write to. Open a folder of films."
    try:
        found = review(folder)
        if not found.cases:
            return (
                "Nothing was written: no reading is saved in this folder yet. Finish one first (Ctrl+Enter)."
            )
        written = HAND_OVERS[action](found, folder)
    except HoldfastError as error:
        return str(error)
    except ImportError as error:
        return f"Nothing was written: {error.name} is not installed. pip install 'holdfast[report,research]'"
    left = [f"{len(found.unread)} films without a reading"] if found.unread else []
    left += [f"{len(found.problems)} files that could not be used"] if found.problems else []
    without = f", without {' and '.join(left)}" if left else ""
    return f"{len(written)} files are in {written[0].parent.name}, from the saved readings{without}. {CHECK}"
