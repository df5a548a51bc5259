"""A report drawn as PDF: A4, black on white, text that can be searched and copied."""

from __future__ import annotations

import io
from collections.abc import Iterator, Sequence
from functools import cache
from typing import Any
from xml.sax.saxutils import escape

from service.web.report.contents import Contents

__all__ = ["draw_pdf"]

MARGIN_MM, WIDTH_MM = 18.0, 174.0
INSET = 6.0
"""Points by which the library sets text in from the margin."""

PHOTO_MM = 76.0
MOST_PHOTOS = 6

Sections = Sequence[tuple[str, Sequence[str]]]

INK, SOFT, HAIR = "#1b1613", "#584e46", "#c6c7be"

STYLE = """
.level, .hour { stroke: #c6c7be; stroke-width: 1; }
.course-tick { fill: #584e46; font-size: 12px; font-family: Vera; }
.course-name { fill: #1b1613; font-size: 12px; font-family: VeraBd; }
.line { fill: none; stroke-width: 1.6; }
.line-air { stroke: #9a2410; stroke-width: 2.2; }
.line-dew { stroke: #0d5f8a; stroke-dasharray: 6 3; }
.line-rh { stroke: #584e46; }
.line-wood { stroke: #b86e12; stroke-width: 2.2; }
.line-goes { stroke: #584e46; stroke-dasharray: 2 2; stroke-width: 1; }
.fan { stroke: none; fill: #dcdcd3; }
.measure { fill: none; stroke: #584e46; stroke-width: 2; }
.coat-mark { fill: #1b1613; }
.coat-line { stroke: #1b1613; stroke-width: 1; stroke-dasharray: 2 3; }
.flaw-line { stroke: #9a2410; stroke-width: 2.5; }
.strip-bed { fill: #dcdcd3; }
.strip-fill { fill: #b86e12; }
"""
"""The figure's classes on paper; the pages have theirs from the style sheet."""


def draw_pdf(contents: Contents) -> bytes:
    """Draw the report."""
    from reportlab.lib.pagesizes import A4
    from reportlab.lib.units import mm
    from reportlab.platypus import SimpleDocTemplate

    _fonts()
    out = io.BytesIO()
    document = SimpleDocTemplate(
        out,
        pagesize=A4,
        leftMargin=MARGIN_MM * mm,
        rightMargin=MARGIN_MM * mm,
        topMargin=16 * mm,
        bottomMargin=18 * mm,
        title=contents.title,
        subject=contents.say("Flaw report"),
        creator="Boothglass",
    )

    def foot(canvas: Any, page: Any) -> None:
        canvas.setFont("Vera", 7)
        canvas.setFillColor(SOFT)
        canvas.drawString(MARGIN_MM * mm + INSET, 10 * mm, contents.made)
        canvas.drawRightString((MARGIN_MM + WIDTH_MM) * mm - INSET, 10 * mm, f"{page.page}")

    document.build(list(_flow(contents)), onFirstPage=foot, onLaterPages=foot)
    return out.getvalue()


@cache
def _fonts() -> None:
    """Make the fonts known that the library brings: they are put into the file."""
    from reportlab.pdfbase.pdfmetrics import registerFont, registerFontFamily
    from reportlab.pdfbase.ttfonts import TTFont

    for name in ("Vera", "VeraBd", "VeraIt", "VeraBI"):
        registerFont(TTFont(name, f"{name}.ttf"))
    registerFontFamily("Vera", normal="Vera", bold="VeraBd", italic="VeraIt", boldItalic="VeraBI")


def _styles() -> dict[str, Any]:
    from reportlab.lib.styles import ParagraphStyle

    body = ParagraphStyle("body", fontName="Vera", fontSize=8.5, leading=12, textColor=INK)
    return {
        "body": body,
        "title": ParagraphStyle("title", body, fontName="VeraBd", fontSize=18, leading=23),
        "h2": ParagraphStyle(
            "h2",
            body,
            fontName="VeraBd",
            fontSize=11,
            leading=15,
            spaceBefore=10,
            spaceAfter=3,
            keepWithNext=1,
        ),
        "h3": ParagraphStyle("h3", body, fontName="VeraBd", spaceBefore=5, keepWithNext=1),
        "small": ParagraphStyle("small", body, fontSize=7, leading=9.5, textColor=SOFT),
        "item": ParagraphStyle("item", body, leftIndent=10, bulletIndent=1),
        "cell": ParagraphStyle("cell", body, fontSize=7.5, leading=10),
        "code": ParagraphStyle("code", body, fontName="Courier", fontSize=8),
    }


def _flow(contents: Contents) -> Iterator[Any]:
    from reportlab.platypus import Paragraph, Spacer

    style, say = _styles(), contents.say

    def text(said: str, name: str = "body", bullet: str | None = None) -> Any:
        return Paragraph(escape(said), style[name], bulletText=bullet)

    def sections(titled: Sections) -> Iterator[Any]:
        for title, lines in titled:
            yield text(title, "h3")
            yield from (text(line, "item", "•") for line in lines)

    yield text(contents.title, "title")
    yield _table([[text(a, "small"), text(b)] for a, b in contents.head], (26, 148))
    if contents.note:
        yield Spacer(1, 5)
        yield text(say("“{note}”", note=contents.note))
    yield from _photos(contents, text)
    yield text(say("The record behind it"), "h2")
    yield text(
        say(
            "Facts as they were recorded, reckoned from the readings as they stand and corrected "
            "as stated below. They do not prove a cause."
        ),
        "small",
    )
    if contents.changed:
        later = say("Figures of some coats have changed since it was logged: see below.")
        yield text(later, "item", "!")
    yield from _figure(contents.figure)
    if contents.figure:
        yield text(contents.caption, "small")
    yield from _coats(contents, text)
    yield from (
        text(say("Not known: {what}.", what=line), "item", "!") for line in contents.not_known
    )
    yield from sections(contents.facts)
    if contents.changed:
        yield from sections([(say("Not what it was when it was logged"), contents.changed)])
    yield text(say("What may be behind it"), "h2")
    no_verdict = say("A likelihood from the record and from assumed weights is no verdict.")
    yield text(f"{contents.verdict} {no_verdict}")
    yield from sections(contents.causes)
    yield text(say("What is usually done"), "h2")
    yield from (text(line, "item", "•") for line in contents.remedies)
    yield from (text(line, "item", "!") for line in contents.cautions)
    yield text(say("Digest"), "h2")
    yield text(contents.digest, "code")
    yield text(contents.digest_of, "small")


def _table(rows: list[list[Any]], widths_mm: tuple[float, ...], *, head: bool = False) -> Any:
    from reportlab.lib.units import mm
    from reportlab.platypus import Table, TableStyle

    look: list[Any] = [
        ("VALIGN", (0, 0), (-1, -1), "TOP"),
        ("LINEBELOW", (0, 0), (-1, -1), 0.4, HAIR),
        ("LEFTPADDING", (0, 0), (-1, -1), 0),
        ("TOPPADDING", (0, 0), (-1, -1), 2),
        ("BOTTOMPADDING", (0, 0), (-1, -1), 2),
    ]
    if head:
        look.append(("LINEBELOW", (0, 0), (-1, 0), 1.0, INK))
    made = Table(rows, colWidths=[w * mm for w in widths_mm], repeatRows=1 if head else 0)
    made.hAlign = "LEFT"
    made.setStyle(TableStyle(look))
    return made


def _coats(contents: Contents, text: Any) -> Iterator[Any]:
    if not contents.coats:
        return
    say = contents.say
    names = (
        say("Coat"), say("Went on"), say("Material"), say("Wet"), say("Air"), say("RH"),
        say("Film over dew"), say("Waited"),
    )  # fmt: skip
    rows = [[text(name, "small") for name in names]]
    for coat in contents.coats:
        cells = (
            coat.number, coat.went_on, coat.material, coat.wet, coat.air, coat.humidity,
            coat.margin, coat.waited,
        )  # fmt: skip
        rows.append([text(cell, "cell") for cell in cells])
    yield _table(rows, (12, 29, 45, 16, 20, 12, 24, 16), head=True)
    if any(coat.number.endswith("*") for coat in contents.coats):
        yield text(say("* the coat that the flaw was said to lie in"), "small")


def _photos(contents: Contents, text: Any) -> Iterator[Any]:
    from reportlab.lib.units import mm
    from reportlab.platypus import Image, Spacer

    cells = []
    for path, digest in contents.photos[:MOST_PHOTOS]:
        picture = Image(str(path), lazy=0)
        scale = PHOTO_MM * mm / max(picture.imageWidth, picture.imageHeight)
        picture.drawWidth, picture.drawHeight = (
            picture.imageWidth * scale,
            picture.imageHeight * scale,
        )
        cells.append([picture, text(f"SHA-256 {digest}…", "small")])
    rows = [cells[n : n + 2] for n in range(0, len(cells), 2)]
    for row in rows:
        yield Spacer(1, 6)
        yield _table([[*row, *[""] * (2 - len(row))]], (87, 87))
    left = len(contents.photos) - MOST_PHOTOS
    if left > 0:
        yield text(contents.say("and {count} more photos in the record", count=left), "small")


def _figure(svg: str) -> Iterator[Any]:
    """Draw the strip of the page, with the colours of paper."""
    if not svg:
        return
    from reportlab.lib.units import mm
    from svglib.svglib import svg2rlg

    head, _, rest = svg.partition(">")
    styled = f'{head} xmlns="http://www.w3.org/2000/svg">  <style>{STYLE}</style>{rest}'
    drawing = svg2rlg(io.BytesIO(styled.encode()))
    if drawing is None:
        return
    scale = min(1.15, WIDTH_MM * mm / drawing.width)
    drawing.scale(scale, scale)
    drawing.width, drawing.height = drawing.width * scale, drawing.height * scale
    yield drawing
