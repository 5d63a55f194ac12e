"""The clinic report as one page of PDF: selectable text, embedded fonts, the same bytes for the same page."""

from __future__ import annotations

import importlib.util
import io
from collections.abc import Iterable, Iterator, Sequence
from html import escape
from pathlib import Path

from PIL import Image
from reportlab.lib import pagesizes
from reportlab.lib.styles import ParagraphStyle
from reportlab.lib.utils import ImageReader
from reportlab.pdfbase import pdfmetrics
from reportlab.pdfbase.ttfonts import TTFont
from reportlab.pdfgen.canvas import Canvas
from reportlab.platypus import BaseDocTemplate, Flowable, Frame, PageTemplate, Paragraph, Spacer, TableStyle
from reportlab.platypus import Table as Grid

from measure.clinic_page import BANDS, LEGEND, TRENDS_LEGEND, Page, Table, outcome_colour
from measure.errors import HoldfastError
from measure.figure import Figure, Line, Mark, Picture, Words
from measure.report import HEALING, HOLDING

MARGIN, GAP = 32.0, 4.0
# Sizes of the text and of the films' drawings, tried in turn until all is on the page.
SIZES = (
    (1.0, 1.0), (0.95, 1.0), (0.95, 0.9), (0.9, 0.9), (0.9, 0.75), (0.85, 0.75), (0.85, 0.6), (0.8, 0.6),
    (0.75, 0.5), (0.7, 0.45),
)  # fmt: skip
PLAIN, _BOLD = "HoldfastSans", "HoldfastSansBold"
_INK, GREY = "#1a1a1a", "#777777"
_SEEN = "Seen by ____________________  on ____________"
_FLAG_SHARES = (0.12, 0.22, 0.66)
_FIRST_SHARES = (0.03, 0.35)  # of the table of values; the other columns share the rest


def page_pdf(page: Page, paper: str = "A4") -> bytes:
    """Return the page as PDF; what does not fit even in small type runs on to a second page.

    Raises HoldfastError for a paper other than A4 or Letter.
    """
    use_fonts()
    sheet = sheet_size(paper)
    width, height = (side - 2 * MARGIN for side in sheet)
    blocks: list[Flowable] = []
    for size, drawn in SIZES:
        blocks = list(_blocks(page, width, size, drawn))
        if sum(block.wrap(width, height)[1] + GAP for block in blocks) <= height:
            break
    return whole_pdf(f"{page.heading}: {page.label}", blocks, sheet)


def sheet_size(paper: str) -> tuple[float, float]:
    """Width and height of a paper, points. Raises HoldfastError for one other than A4 or Letter."""
    sizes: dict[str, tuple[float, float]] = {"A4": pagesizes.A4, "Letter": pagesizes.letter}
    if paper not in sizes:
        raise HoldfastError(f"Paper {paper!r} is not one of {', '.join(sizes)}.")
    return sizes[paper]


def whole_pdf(title: str, blocks: Iterable[Flowable], sheet: tuple[float, float]) -> bytes:
    """Lay blocks out one after the other on as many pages as they need; same blocks, same bytes."""
    width, height = (side - 2 * MARGIN for side in sheet)
    frame = Frame(MARGIN, MARGIN, width, height, 0, 0, 0, 0)
    buffer = io.BytesIO()
    document = BaseDocTemplate(
        buffer, pagesize=sheet, pageTemplates=[PageTemplate(frames=[frame])], invariant=1, lang="en",
        title=title, creator="holdfast", initialFontName=PLAIN,
    )  # fmt: skip
    document.build([part for block in blocks for part in (block, Spacer(0, GAP))])
    return buffer.getvalue()


def use_fonts() -> None:
    """Load the fonts that matplotlib brings; they cover Latin, Greek and Cyrillic."""
    if PLAIN in pdfmetrics.getRegisteredFontNames():
        return
    found = importlib.util.find_spec("matplotlib")
    if found is None or not found.submodule_search_locations:
        raise HoldfastError('The report\'s fonts are missing. Install them: pip install "holdfast[report]"')
    folder = Path(found.submodule_search_locations[0], "mpl-data", "fonts", "ttf")
    pdfmetrics.registerFont(TTFont(PLAIN, folder / "DejaVuSans.ttf"))
    pdfmetrics.registerFont(TTFont(_BOLD, folder / "DejaVuSans-Bold.ttf"))
    pdfmetrics.registerFontFamily(PLAIN, normal=PLAIN, bold=_BOLD, italic=PLAIN, boldItalic=_BOLD)


def _unprintable(page: Page) -> set[str]:
    """Letters on the page for which the fonts have no shape."""
    shapes = pdfmetrics.getFont(PLAIN).face.charToGlyph
    return {
        letter for text in page.texts() for letter in text if letter != "\n" and ord(letter) not in shapes
    }


# --- Blocks ---


def _blocks(page: Page, width: float, size: float, drawn: float) -> Iterator[Flowable]:
    yield side_by_side(
        [
            text(f"<b>{escape(page.heading)}</b>", 13, size),
            text(f"<b>{escape(page.label)}</b>", 9, size, right=True),
        ],
        [0.7 * width, 0.3 * width],
    )
    yield text(escape(page.visits), 8.5, size)
    if unprintable := _unprintable(page):
        words = f"{len(unprintable)} letters on this page cannot be printed here; the HTML page shows them."
        yield text(words, 7, size)
    yield _band(page, width, size)
    yield text(f"<b>{HEALING}.</b> {escape(page.healing)}", 8.5, size)
    yield from _pictures(page, width, size, drawn)
    yield from grid(page.flags, width, _FLAG_SHARES, size)
    if page.trends:
        drawings: list[Flowable] = [Drawing(figure) for figure in page.trends]
        yield side_by_side(drawings, [width / max(len(drawings), 4)] * len(drawings))
        yield text(escape(TRENDS_LEGEND), 6, size, colour=GREY)
    others = len(page.values.columns) - 2
    shares = (*_FIRST_SHARES, *[(1 - sum(_FIRST_SHARES)) / others] * others)
    yield from grid(page.values, width, shares, size)
    for title, lines in page.notes:
        yield text(f"<b>{escape(title)}.</b> {' '.join(map(escape, lines))}", 6.4, size)
    yield text(f"<b>{escape(page.caution)}</b>", 7, size)
    yield side_by_side(
        [
            text(escape(page.made_from), 5.5, size, colour=GREY),
            text(_SEEN, 7, size, right=True),
        ],
        [0.6 * width, 0.4 * width],
    )


def text(
    markup: str,
    points: float,
    size: float,
    *,
    right: bool = False,
    colour: str = _INK,
) -> Paragraph:
    """Set a paragraph of so many points, times the page's size of type."""
    style = ParagraphStyle(
        "text", fontName=PLAIN, fontSize=points * size, leading=1.18 * points * size,
        alignment=2 if right else 0, textColor=colour,
    )  # fmt: skip
    return Paragraph(markup, style)


def side_by_side(cells: list[Flowable], widths: list[float]) -> Grid:
    """Lay out blocks beside each other."""
    return _grid_of([cells], widths, [("VALIGN", (0, 0), (-1, -1), "TOP")])


def _grid_of(
    rows: list[list[Flowable]],
    widths: list[float],
    style: Sequence[tuple[object, ...]],
    padding: float = 0,
    head: int = 0,
) -> Grid:
    """Lay out cells without room beside what the style asks for; `head` rows come again on each page."""
    everywhere = (0, 0), (-1, -1)
    plain = [
        ("FONTNAME", *everywhere, PLAIN),
        ("LEFTPADDING", *everywhere, padding), ("RIGHTPADDING", *everywhere, 0),
        ("TOPPADDING", *everywhere, 0), ("BOTTOMPADDING", *everywhere, 0),
    ]  # fmt: skip
    return Grid(rows, colWidths=widths, style=TableStyle([*plain, *style]), hAlign="LEFT", repeatRows=head)


def _band(page: Page, width: float, size: float) -> Grid:
    colour, tint = BANDS[page.outcome]
    sign = text(f"<b>{escape(page.sign)}</b>", 17, size, colour=colour)
    said = f'<font size="{7.5 * size}">{HOLDING}.</font> <b>{escape(page.words)}</b>'
    words = text(said, 11, size, colour=colour)
    style = [
        ("BACKGROUND", (0, 0), (-1, -1), tint), ("LINEBEFORE", (0, 0), (0, -1), 4, colour, "butt"),
        ("VALIGN", (0, 0), (-1, -1), "MIDDLE"),
        ("TOPPADDING", (0, 0), (-1, -1), 5), ("BOTTOMPADDING", (0, 0), (-1, -1), 6),
    ]  # fmt: skip
    return _grid_of([[sign, words]], [28, width - 28], style, 8)


def _pictures(page: Page, width: float, size: float, drawn: float) -> Iterator[Flowable]:
    if page.picture_note:
        yield text(escape(page.picture_note), 7, size)
    if page.pictures:
        count = len(page.pictures)
        captions = [text(f"<b>{escape(caption)}</b>", 7.5, size) for _, caption in page.pictures]
        yield side_by_side(captions, [width / count] * count)
        yield side_by_side([Drawing(figure, drawn) for figure, _ in page.pictures], [width / count] * count)
        yield text(escape(LEGEND), 6, size, colour=GREY)


def grid(table: Table, width: float, shares: tuple[float, ...], size: float) -> Iterator[Flowable]:
    """Lay out a table with its heading and legend; `shares` are its columns' of the width."""
    yield text(f"<b>{escape(table.title)}</b>", 8, size)
    if not table.rows:
        return
    rows = [
        [
            text(f"<b>{escape(cell)}</b>", 6.6, size, right=i in table.numbers)
            for i, cell in enumerate(table.columns)
        ]
    ]
    rows += [
        [
            text(
                escape(cell).replace("\n", "<br/>"),
                6.6,
                size,
                right=i in table.numbers,
                colour=outcome_colour(cell),
            )
            for i, cell in enumerate(row)
        ]
        for row in table.rows
    ]
    style = [
        ("LINEBELOW", (0, 0), (-1, 0), 0.6, "#777777"), ("LINEBELOW", (0, 1), (-1, -1), 0.25, "#dddddd"),
        ("RIGHTPADDING", (0, 0), (-1, -1), 6), ("VALIGN", (0, 0), (-1, -1), "TOP"),
        ("TOPPADDING", (0, 0), (-1, -1), 0.5), ("BOTTOMPADDING", (0, 0), (-1, -1), 1.2),
    ]  # fmt: skip
    yield _grid_of(rows, [share * width for share in shares], style, head=1)
    if table.legend:
        yield text(escape(table.legend), 6, size, colour=GREY)


class Drawing(Flowable):  # type: ignore[misc]
    """A figure drawn on the page at a share of its size."""

    def __init__(self, figure: Figure, shrink: float = 1.0) -> None:
        super().__init__()
        self.figure, self.shrink = figure, shrink

    def wrap(self, *_: float) -> tuple[float, float]:  # noqa: D102 reportlab's
        return self.figure.width * self.shrink, self.figure.height * self.shrink

    def draw(self) -> None:  # noqa: D102 reportlab's
        canvas = self.canv
        canvas.scale(self.shrink, self.shrink)
        frame = canvas.beginPath()
        frame.rect(0, 0, self.figure.width, self.figure.height)
        canvas.clipPath(frame, stroke=0, fill=0)
        for part in self.figure.parts:
            _paint(canvas, part, self.figure.height)


def _paint(canvas: Canvas, part: Line | Mark | Words | Picture, height: float) -> None:
    if isinstance(part, Line):
        _paint_line(canvas, part, height)
    elif isinstance(part, Mark):
        _paint_mark(canvas, part, height)
    elif isinstance(part, Words):
        _paint_words(canvas, part, height)
    else:
        _paint_picture(canvas, part, height)


def _paint_line(canvas: Canvas, line: Line, height: float) -> None:
    canvas.setStrokeColor(line.colour)
    canvas.setLineWidth(line.width)
    canvas.setDash([3, 2] if line.dashed else [])
    _trace(canvas, line.places, height, close=False, fill=False)


def _paint_mark(canvas: Canvas, mark: Mark, height: float) -> None:
    canvas.setStrokeColor(mark.colour)
    canvas.setFillColor(mark.colour)
    canvas.setLineWidth(0.6)
    canvas.setDash([])
    _trace(canvas, mark.outline(), height, close=True, fill=mark.filled)


def _trace(
    canvas: Canvas, places: tuple[tuple[float, float], ...], height: float, *, close: bool, fill: bool
) -> None:
    path = canvas.beginPath()
    for i, (x, y) in enumerate(places):
        draw = path.lineTo if i else path.moveTo
        draw(x, height - y)
    if close:
        path.close()
    canvas.drawPath(path, stroke=1, fill=int(fill))


def _paint_words(canvas: Canvas, words: Words, height: float) -> None:
    canvas.setFont(_BOLD if words.bold else PLAIN, words.size)
    canvas.setFillColor(words.colour)
    draw = {"start": canvas.drawString, "middle": canvas.drawCentredString, "end": canvas.drawRightString}
    draw[words.anchor](words.place[0], height - words.place[1], words.text)


def _paint_picture(canvas: Canvas, picture: Picture, height: float) -> None:
    x, y, width, tall = picture.box
    canvas.drawImage(ImageReader(Image.fromarray(picture.pixels)), x, height - y - tall, width, tall)
