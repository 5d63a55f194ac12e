"""The clinic report as one HTML page that needs no other file."""

from __future__ import annotations

import base64
from collections.abc import Iterable, Iterator
from html import escape

import cv2

from measure.clinic_page import BANDS, LEGEND, TRENDS_LEGEND, Page, Table, outcome_colour
from measure.figure import Figure, Line, Mark, Picture, Words
from measure.report import HEALING, HOLDING

_STYLE = """
body { font: 13px/1.4 "DejaVu Sans", Verdana, sans-serif; color: #1a1a1a; max-width: 62em;
       margin: 1.5em auto; padding: 0 1em }
header { display: flex; justify-content: space-between; gap: 2em }
h1 { font-size: 1.35em; margin: 0 }
h2 { font-size: 1em; margin: 1.1em 0 .3em }
.outcome { font-size: 1.3em; font-weight: bold; padding: .5em .8em; border-left: .5em solid }
.outcome small { font-size: .7em }
.healing { font-size: 1.1em; margin: 0 .8em }
.figures { display: flex; flex-wrap: wrap; gap: 1em }
figure { margin: .6em 0 }
figcaption { font-weight: bold }
table { border-collapse: collapse; width: 100% }
th, td { text-align: left; padding: .15em .6em .15em 0; border-bottom: 1px solid #ddd; vertical-align: top }
td.number, th.number { text-align: right }
ul { margin: 0; padding-left: 1.2em }
footer { margin-top: 1.2em; border-top: 1px solid #777; padding-top: .5em }
"""


def page_html(page: Page) -> str:
    """Return the page as HTML text; the same page gives the same text."""
    band, tint = BANDS[page.outcome]
    body = [
        f"<header><div><h1>{escape(page.heading)}</h1>{escape(page.visits)}</div>"
        f"<div>{escape(page.label)}</div></header>",
        f'<p class="outcome" style="border-color:{band};color:{band};background:{tint}">'
        f"{escape(page.sign)} <small>{HOLDING}.</small> <span>{escape(page.words)}</span></p>",
        f'<p class="healing"><strong>{HEALING}.</strong> {escape(page.healing)}</p>',
        *_figures(page),
        table_html(page.flags),
        *_trends(page),
        table_html(page.values),
        *(list_html(title, lines) for title, lines in page.notes),
    ]
    return whole_html(f"{page.heading}: {page.label}", body, page.caution, page.made_from)


def whole_html(title: str, body: Iterable[str], caution: str, made_from: str) -> str:
    """Put the parts of a page into one HTML text with its style and its foot."""
    foot = f"<footer><p><strong>{escape(caution)}</strong></p><p>{escape(made_from)}</p></footer>"
    return (
        '<!DOCTYPE html>\n<html lang="en">\n<head><meta charset="utf-8">'
        f"<title>{escape(title)}</title><style>{_STYLE}</style></head>\n<body>\n"
        + "\n".join(part for part in (*body, foot) if part)
        + "\n</body>\n</html>\n"
    )


def _figures(page: Page) -> Iterator[str]:
    if page.pictures:
        shown = (
            f"<figure>{figure_svg(f)}<figcaption>{escape(caption)}</figcaption></figure>"
            for f, caption in page.pictures
        )
        yield f'<div class="figures">{"".join(shown)}</div>'
        yield f"<p>{escape(LEGEND)}</p>"
    if page.picture_note:
        yield f"<p>{escape(page.picture_note)}</p>"


def _trends(page: Page) -> Iterator[str]:
    if page.trends:
        yield f'<div class="figures">{"".join(map(figure_svg, page.trends))}</div>'
        yield f"<p>{escape(TRENDS_LEGEND)}</p>"


def table_html(table: Table) -> str:
    """Write a table with its heading and legend."""

    def cells(tag: str, row: tuple[str, ...]) -> str:
        kinds = (
            (' class="number"' if i in table.numbers else "") + f' style="color:{outcome_colour(cell)}"'
            for i, cell in enumerate(row)
        )
        return "".join(
            f"<{tag}{kind}>{escape(cell).replace(chr(10), '<br>')}</{tag}>"
            for kind, cell in zip(kinds, row, strict=True)
        )

    rows = "".join(f"<tr>{cells('td', row)}</tr>" for row in table.rows)
    grid = f"<table><thead><tr>{cells('th', table.columns)}</tr></thead><tbody>{rows}</tbody></table>"
    legend = f"<p>{escape(table.legend)}</p>" if table.legend else ""
    return f"<h2>{escape(table.title)}</h2>{grid if table.rows else ''}{legend}"


def list_html(title: str, lines: tuple[str, ...]) -> str:
    """Write sentences as a list under a heading."""
    return f"<h2>{escape(title)}</h2><ul>{''.join(f'<li>{escape(line)}</li>' for line in lines)}</ul>"


def figure_svg(figure: Figure) -> str:
    """Draw a figure as SVG."""
    width, height = figure.width, figure.height
    parts = "".join(map(_part, figure.parts))
    return (
        f'<svg role="img" aria-label="{escape(figure.words)}" viewBox="0 0 {width:g} {height:g}" '
        f'width="{1.6 * width:.0f}" height="{1.6 * height:.0f}">{parts}</svg>'
    )


def _part(part: Line | Mark | Words | Picture) -> str:
    if isinstance(part, Picture):
        _, png = cv2.imencode(".png", part.pixels)
        data = base64.b64encode(png.tobytes()).decode()
        x, y, width, height = part.box
        box = f'x="{x:g}" y="{y:g}" width="{width:g}" height="{height:g}"'
        return f'<image {box} href="data:image/png;base64,{data}"/>'
    if isinstance(part, Words):
        x, y = part.place
        weight = ' font-weight="bold"' if part.bold else ""
        return (
            f'<text x="{x:.2f}" y="{y:.2f}" font-size="{part.size:g}" fill="{part.colour}" '
            f'text-anchor="{part.anchor}"{weight}>{escape(part.text)}</text>'
        )
    if isinstance(part, Mark):
        fill = part.colour if part.filled else "none"
        corners = _points(part.outline())
        return f'<polygon points="{corners}" fill="{fill}" stroke="{part.colour}" stroke-width="0.6"/>'
    dash = ' stroke-dasharray="3 2"' if part.dashed else ""
    return (
        f'<polyline points="{_points(part.places)}" fill="none" stroke="{part.colour}" '
        f'stroke-width="{part.width:g}"{dash}/>'
    )


def _points(places: tuple[tuple[float, float], ...]) -> str:
    return " ".join(f"{x:.2f},{y:.2f}" for x, y in places)
