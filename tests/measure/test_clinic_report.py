"""The clinic report: what the page says, that PDF and HTML both say it, and that it gives nobody away.

pdftotext, pdffonts and pdftoppm (poppler) read the PDF back; none of it is by us.
"""

from __future__ import annotations

import dataclasses
import html
import re
import subprocess
from collections.abc import Callable
from pathlib import Path

import numpy as np
import pytest
from conftest import SHAPE, Elbow
from PIL import Image

from measure import figure
from measure.clinic_html import page_html
from measure.clinic_page import Page, clinic_page
from measure.clinic_pdf import page_pdf
from measure.clinic_report import write_reports
from measure.errors import HoldfastError
from measure.figure import Mark, Picture, Words, film_figures, trend_figures
from measure.film import Film, Spacing, read_film
from measure.flags import find_flags
from measure.reading import Landmark, Reading, save_reading
from measure.review import review
from measure.series import Case, group, measure

IDENTIFIERS = ("P1-secret-77", "Doe^Jane", "19480517", "ACC-990", "jane-doe", "1.2.3.1", "General Hospital")


@pytest.fixture
def folder(
    tmp_path: Path, write_film: Callable[..., Path], make_reading: Callable[..., Reading]
) -> Callable[..., Path]:
    """Write a series of lateral films whose headers and names are full of identifiers, with readings."""

    def write(elbows: list[Elbow], **fields: object) -> Path:
        where = tmp_path / "films"
        for number, elbow in enumerate(elbows, start=1):
            path = write_film(
                where / f"jane-doe-{number}.dcm", number, day=40 * number, PatientID="P1-secret-77",
                PatientName="Doe^Jane", PatientBirthDate="19480517", AccessionNumber="ACC-990",
                InstitutionName="General Hospital",
            )  # fmt: skip
            reading = make_reading(read_film(path), elbow, surgery_date="2031-03-01", **fields)
            save_reading(reading, where / f"{number}.reading.json")
        return where

    return write


BACKING_OUT = [Elbow(), Elbow(gap=2.0, back_out=(1.0, 0.0)), Elbow(gap=5.5, back_out=(9.0, 0.0))]


@pytest.fixture
def page(make_film: Callable[..., Film], make_reading: Callable[..., Reading]) -> Callable[..., Page]:
    """Make a page from elbows: page([Elbow(), ...], **fields of the reading)."""

    def make(elbows: list[Elbow], **fields: object) -> Page:
        case, films = _case(make_film, make_reading, elbows, **fields)
        flags = find_flags(case)
        shown = [films[0], films[-1]] if len(films) > 1 else films
        return clinic_page(case, flags, "Case 1", shown)

    return make


def _case(
    make_film: Callable[..., Film],
    make_reading: Callable[..., Reading],
    elbows: list[Elbow],
    **fields: object,
) -> tuple[Case, list[Film]]:
    films = [make_film(number, day=40 * number) for number in range(1, len(elbows) + 1)]
    readings = [
        make_reading(film, elbow, surgery_date="2031-03-01", uid=f"{number:08d}", **fields)
        for number, (film, elbow) in enumerate(zip(films, elbows, strict=True))
    ]
    (case,), _ = group(measure(film, reading) for film, reading in zip(films, readings, strict=True))
    return case, films


def pdf_text(path: Path) -> str:
    """Text of a PDF in the order it was written, by pdftotext."""
    return subprocess.run(["pdftotext", "-raw", path, "-"], capture_output=True, check=True, text=True).stdout


def without_space(text: str) -> str:
    return re.sub(r"\s+", "", text)


def html_text(text: str) -> str:
    return html.unescape(re.sub(r"<[^>]*>", " ", text.split("</style>")[1]))


def test_outcome_in_words_comes_first(page: Callable[..., Page]) -> None:
    made = page(BACKING_OUT)
    assert made.words.startswith("Beyond the limit: ")
    assert made.sign == "▲"
    assert made.heading == "Right olecranon, lateral view"
    beyond = [row for row in made.flags.rows if row[0].startswith("▲ beyond")]
    assert "Pin back-out, pin 1" in {row[1] for row in beyond}
    body = html_text(page_html(made))
    assert body.index(made.words) < body.index("Flags") < body.index("Quantity") < body.index("Who confirmed")


def test_pdf_and_html_both_say_all_of_it(page: Callable[..., Page], tmp_path: Path) -> None:
    """Every sentence and cell of the page can be selected in the PDF and stands in the HTML."""
    made = page(BACKING_OUT, reader="Zoë Łukasiewicz <Дмитро> & Ελένη")
    path = tmp_path / "page.pdf"
    path.write_bytes(page_pdf(made))
    for shown in (pdf_text(path), html_text(page_html(made))):
        bare = without_space(shown)
        assert [text for text in made.texts() if without_space(text) not in bare] == []
        assert without_space("never said anywhere") not in bare  # the check can fail


def test_one_page_with_embedded_fonts_and_the_same_bytes_twice(
    page: Callable[..., Page], tmp_path: Path
) -> None:
    made = page(BACKING_OUT)
    for paper in ("A4", "Letter"):
        path = tmp_path / f"{paper}.pdf"
        path.write_bytes(page_pdf(made, paper))
        assert page_pdf(page(BACKING_OUT), paper) == path.read_bytes()
        info = subprocess.run(["pdfinfo", path], capture_output=True, check=True, text=True).stdout
        assert re.search(r"Pages:\s+1\n", info)
        assert paper in info or paper.lower() in info
        fonts = subprocess.run(
            ["pdffonts", path], capture_output=True, check=True, text=True
        ).stdout.splitlines()[2:]
        assert fonts
        assert all(re.search(r"\byes yes yes\b", line) for line in fonts)  # embedded, subset, unicode
    assert page_html(made) == page_html(page(BACKING_OUT))


def test_letters_without_a_shape_are_told(page: Callable[..., Page], tmp_path: Path) -> None:
    path = tmp_path / "page.pdf"
    path.write_bytes(page_pdf(page([Elbow()], reader="王 小明")))
    assert "3 letters on this page cannot be printed here; the HTML page shows them." in pdf_text(path)
    path.write_bytes(page_pdf(page([Elbow()], reader="Дмитро Łukasiewicz")))
    assert "cannot be printed" not in pdf_text(path)


def test_one_film_alone(page: Callable[..., Page]) -> None:
    made = page([Elbow()])
    notes = dict(made.notes)
    assert len(made.pictures) == 1
    assert made.trends == ()
    assert notes["Scale and comparability"][0] == "One film: compared with nothing."
    assert "Technique (shown, not graded)" in notes
    page_pdf(made)


def test_what_lies_between_the_films_is_told_apart(page: Callable[..., Page]) -> None:
    """Since the index film and since the last visit each have a paragraph of their own."""
    notes = dict(page(BACKING_OUT).notes)
    for basis in ("since index", "since last visit"):
        moved, compared = notes[f"Between the films, {basis}"]
        assert "tilt" in moved
        assert compared.startswith("How the films compare (±")


def test_what_nobody_confirmed_and_what_cannot_be_seen_is_said(page: Callable[..., Page]) -> None:
    changed = {
        "hole": Landmark("not assessable", reason="hidden by the knot"),
        "loop": Landmark("proposed", ((90.0, 160.0),)),
    }
    notes = dict(page(BACKING_OUT, landmarks=changed).notes)
    *_, confirmed, noise = notes["Who confirmed what"]
    assert "Uncertainty of placing landmarks: profile Fowler 2011 (placement 0.35 mm, habit 0.3 mm)" in noise
    assert "not assessable: Drill hole of the wire" in confirmed
    assert "proposed, not confirmed: Proximal wire loop" in confirmed
    missing = " ".join(notes["Not measured"])
    assert "Hole to the fracture" in missing
    assert "hidden by the knot" in missing


def test_no_scale_is_said_and_no_millimetres_shown(
    make_film: Callable[..., Film], make_reading: Callable[..., Reading]
) -> None:
    film = make_film(spacing=Spacing())
    (case,), _ = group([measure(film, make_reading(film))])
    made = clinic_page(case, find_flags(case), "Case 1", [film])
    assert any("no scale, so no millimetres" in line for line in dict(made.notes)["Scale and comparability"])
    assert not any(" mm" in cell for row in made.values.rows for cell in row[1:])
    assert not any(isinstance(part, Words) and "mm" in part.text for part in made.pictures[0][0].parts)


# --- Identifiers ---


def test_nothing_names_the_patient_unless_asked(
    folder: Callable[..., Path], write_film: Callable[..., Path], tmp_path: Path
) -> None:
    where = folder(BACKING_OUT)
    write_film(where / "jane-doe-unread.dcm", 9, day=300, PatientID="P1-secret-77")
    found = review(where)
    assert any("has no reading" in note for note in found.cases[0].current.notes)
    for path in write_reports(found, tmp_path / "out"):
        text = pdf_text(path) if path.suffix == ".pdf" else path.read_text(encoding="utf-8")
        info = (
            subprocess.run(["pdfinfo", path], capture_output=True, text=True, check=True).stdout
            if path.suffix == ".pdf"
            else ""
        )
        assert [word for word in IDENTIFIERS if word in text + info + path.name] == []
    for path in write_reports(found, tmp_path / "named", patient=True):
        text = pdf_text(path) if path.suffix == ".pdf" else path.read_text(encoding="utf-8")
        assert "P1-secret-77" in text


def test_writing_burned_into_a_film_is_not_shown(
    write_film: Callable[..., Path], make_reading: Callable[..., Reading], tmp_path: Path
) -> None:
    path = write_film(tmp_path / "in" / "film.dcm", BurnedInAnnotation="YES")
    save_reading(make_reading(read_film(path)), tmp_path / "in" / "1.reading.json")
    found = review(tmp_path / "in")
    (plain,) = write_reports(found, tmp_path / "out", ["html"])
    assert "Not drawn: a film has writing burned in" in plain.read_text(encoding="utf-8")
    assert "data:image" not in plain.read_text(encoding="utf-8")
    (named,) = write_reports(found, tmp_path / "named", ["html"], patient=True)
    assert "data:image" in named.read_text(encoding="utf-8")


def test_a_film_that_changed_since_is_not_drawn(
    folder: Callable[..., Path], write_film: Callable[..., Path], tmp_path: Path
) -> None:
    where = folder(BACKING_OUT)
    found = review(where)
    write_film(where / "jane-doe-1.dcm", 99, PatientID="P1-secret-77")
    (path,) = write_reports(found, tmp_path / "out", ["html"])
    assert "could not be read again to be drawn" in path.read_text(encoding="utf-8")
    assert "data:image" not in path.read_text(encoding="utf-8")


def test_a_folder_that_cannot_be_written(folder: Callable[..., Path], tmp_path: Path) -> None:
    (tmp_path / "out").write_text("a file is in the way")
    with pytest.raises(HoldfastError, match="The report could not be written to 'out'"):
        write_reports(review(folder([Elbow()])), tmp_path / "out")


def test_a_paper_that_is_not_known(page: Callable[..., Page]) -> None:
    with pytest.raises(HoldfastError, match="Paper 'A3' is not one of A4, Letter"):
        page_pdf(page([Elbow()]), "A3")


def test_what_does_not_fit_runs_on_and_is_never_cut(page: Callable[..., Page], tmp_path: Path) -> None:
    made = page(BACKING_OUT)
    sentences = tuple(f"Sentence number {number} of many." for number in range(1000))
    path = tmp_path / "page.pdf"
    path.write_bytes(page_pdf(dataclasses.replace(made, notes=(("More", sentences),))))
    bare = without_space(pdf_text(path))
    assert all(without_space(sentence) in bare for sentence in (*sentences, made.caution))


# --- Drawings ---


def test_landmarks_are_drawn_where_they_lie_on_the_film(
    make_film: Callable[..., Film], make_reading: Callable[..., Reading]
) -> None:
    """A bright square about a landmark is found in the picture under that landmark's own mark."""
    plain = make_film()
    reading = make_reading(plain)
    row, column = (round(x) for x in reading.landmarks["hole"].points[0])
    pixels = np.zeros(SHAPE, dtype=np.uint8)
    pixels[row - 3 : row + 4, column - 3 : column + 4] = 255
    film = Film(
        pixels=pixels,
        **{name: getattr(plain, name) for name in ("spacing", "patient_key", "laterality", "view", "date")},
    )
    measured = measure(
        film, make_reading(film, landmarks={"hole": Landmark("confirmed", ((float(row), float(column)),))})
    )
    (drawn,) = film_figures([(film, measured)], 258.0, (100.0, 300.0))
    (picture,) = [part for part in drawn.parts if isinstance(part, Picture)]
    rows, columns = np.nonzero(picture.pixels > 128)
    seen = (
        (columns.mean() + 0.5) * drawn.width / picture.pixels.shape[1],
        (rows.mean() + 0.5) * drawn.height / picture.pixels.shape[0],
    )
    nearest = min(np.hypot(*np.subtract(part.place, seen)) for part in drawn.parts if isinstance(part, Mark))
    assert nearest < 0.3  # points of the page
    assert (
        min(np.hypot(*np.subtract(part.place, seen[::-1])) for part in drawn.parts if isinstance(part, Mark))
        > 0.3
    )


@pytest.mark.parametrize("photometric", ["MONOCHROME1", "MONOCHROME2"])
def test_bone_is_white_on_black(
    photometric: str, make_film: Callable[..., Film], make_reading: Callable[..., Reading]
) -> None:
    film = make_film()
    bone = np.full(SHAPE, 20, dtype=np.uint8)
    bone[250:350] = 220
    stored = 255 - bone if photometric == "MONOCHROME1" else bone
    film = Film(
        pixels=stored, photometric=photometric, spacing=film.spacing, laterality="right", view="lateral"
    )
    (drawn,) = film_figures([(film, measure(film, make_reading(film)))], 258.0, (100.0, 300.0))
    shown = next(part for part in drawn.parts if isinstance(part, Picture)).pixels
    assert shown[shown.shape[0] // 2].max() > 200
    assert np.median(shown) < 60


def test_unconfirmed_marks_are_hollow(
    make_film: Callable[..., Film], make_reading: Callable[..., Reading]
) -> None:
    film = make_film()
    reading = make_reading(film, landmarks={"hole": Landmark("proposed", ((300.0, 200.0),))})
    (drawn,) = film_figures([(film, measure(film, reading))], 258.0, (100.0, 300.0))
    assert sum(not part.filled for part in drawn.parts if isinstance(part, Mark)) == 1


def test_trend_shows_value_interval_and_limit(
    make_film: Callable[..., Film], make_reading: Callable[..., Reading]
) -> None:
    """Heights read back off the drawing, by its own ticks, are the change, its interval and its limit."""
    case, _ = _case(make_film, make_reading, BACKING_OUT)
    drawn = trend_figures(case, find_flags(case), 4, 129.0, 86.0)
    (back_out,) = [each for each in drawn if each.words.startswith("Pin back-out, pin 1")]
    ticks = [p for p in back_out.parts if isinstance(p, Words) and p.anchor == "end"]
    scale = np.polyfit([tick.place[1] - 2 for tick in ticks], [float(tick.text) for tick in ticks], 1)
    marks = [part for part in back_out.parts if isinstance(part, Mark)]
    changes = [
        c for c in case.changes if c.key == ("back_out", "pin1") and c.basis == "since index" and c.quantity
    ]
    assert np.allclose(
        [np.polyval(scale, m.place[1]) for m in marks], [0, *(c.quantity.value for c in changes)], atol=1e-6
    )
    bars = [
        p
        for p in back_out.parts
        if isinstance(p, figure.Line) and p.places[0][0] == p.places[1][0] == marks[-1].place[0]
    ]
    ends = [np.polyval(scale, y) for _, y in bars[0].places]
    assert np.allclose(sorted(ends), changes[-1].quantity.interval, atol=1e-6)
    limits = [p.places[0][1] for p in back_out.parts if isinstance(p, figure.Line) and p.dashed]
    shown = next(p.text for p in back_out.parts if isinstance(p, Words) and p.text.startswith("limit"))
    size = abs(float(shown.split()[1]))  # either way counts
    assert np.allclose(sorted(np.polyval(scale, limits)), [-size, size])


def test_the_page_as_a_picture(page: Callable[..., Page], tmp_path: Path) -> None:
    """Rendered by pdftoppm: the red band stands near the top, nothing touches the paper's edge."""
    path = tmp_path / "page.pdf"
    path.write_bytes(page_pdf(page(BACKING_OUT)))
    subprocess.run(["pdftoppm", "-r", "50", "-png", path, tmp_path / "page"], check=True)
    pixels = np.asarray(Image.open(next(tmp_path.glob("page*.png"))).convert("RGB")).astype(int)
    red = (pixels[..., 0] > 150) & (pixels[..., 1] < 60) & (pixels[..., 2] < 90)
    assert red[: pixels.shape[0] // 4].any()
    edges = np.concatenate(
        [pixels[:15].ravel(), pixels[-15:].ravel(), pixels[:, :15].ravel(), pixels[:, -15:].ravel()]
    )
    assert (edges == 255).all()
