"""Clinic reports: one page of PDF and HTML for each case of a review.

Nothing names the patient unless the user asks for it. The same review gives the same bytes.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Sequence
from pathlib import Path

from measure.clinic_html import page_html
from measure.clinic_page import clinic_page
from measure.clinic_pdf import page_pdf
from measure.errors import HoldfastError
from measure.files import write_bytes
from measure.film import Film, read_film
from measure.reading import check_film
from measure.review import Review
from measure.series import Case


def write_reports(
    review: Review,
    folder: Path,
    kinds: Iterable[str] = ("pdf", "html"),
    *,
    patient: bool = False,
    paper: str = "A4",
    track: Callable[[Sequence[Case]], Iterable[Case]] = iter,
) -> tuple[Path, ...]:
    """Write one report of each kind for each case into a folder, and return their paths.

    Parameters
    ----------
    kinds
        "pdf" and "html".
    patient
        Name each case by its patient's identifier too; otherwise by its number alone.
    paper
        "A4" or "Letter".
    track
        Wraps the list of cases to show progress.

    Raises HoldfastError where the folder cannot be written.
    """
    written = []
    for number, (case, flags_by_film) in enumerate(
        zip(track(review.cases), review.flags, strict=True), start=1
    ):
        label = f"Case {number}"
        if patient:
            label += f", patient {case.current.patient_key or 'not stated'}"
        page = clinic_page(case, flags_by_film[-1], label, *_films_of(case, patient))
        for kind in kinds:
            content = page_pdf(page, paper) if kind == "pdf" else page_html(page).encode()
            written.append(write_bytes(content, folder / f"case-{number:03d}.{kind}", "The report"))
    return tuple(written)


def _films_of(case: Case, patient: bool) -> tuple[tuple[Film, ...], str]:
    """Read the films to be drawn again, or say why they cannot be."""
    try:
        places = dict.fromkeys((film.path, film.frame) for film in (case.index, case.current))
        films = [read_film(path, frame=frame) for path, frame in places]
        for film, measured in zip(films, (case.index, case.current), strict=False):
            check_film(measured.reading, film)
        if not patient and any("burned-in annotation" in film.warnings for film in films):
            return (), "Not drawn: a film has writing burned in, which may name the patient."
        return tuple(films), ""
    except HoldfastError:
        return (), "The films could not be read again to be drawn."
