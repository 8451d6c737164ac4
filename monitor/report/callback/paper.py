"""The pack on A4 paper: the same blocks as the page, set by reportlab, which needs nothing but its wheel."""

from __future__ import annotations

import io
from collections.abc import Sequence
from functools import cache
from pathlib import Path
from typing import Any
from xml.sax.saxutils import escape

import matplotlib
from PIL import Image as Pictures
from reportlab.lib.colors import HexColor
from reportlab.lib.enums import TA_RIGHT
from reportlab.lib.pagesizes import A4
from reportlab.lib.styles import ParagraphStyle
from reportlab.lib.units import mm
from reportlab.pdfbase import pdfmetrics
from reportlab.pdfbase.ttfonts import TTFont
from reportlab.platypus import (
    BaseDocTemplate,
    CondPageBreak,
    Flowable,
    Frame,
    Image,
    KeepTogether,
    PageTemplate,
    Spacer,
    Table,
)
from reportlab.platypus import Paragraph as Set

from monitor.report import style
from monitor.report.callback.blocks import Block, Cell, Grid, Heading, Listing, Paragraph, Shown
from monitor.report.callback.pack import Pack
from monitor.report.words import one_line

_MARGIN, _FOOT = 17 * mm, 20 * mm
_WIDTH = A4[0] - 2 * _MARGIN
_PICTURE = 108 * mm
_LEAST_NUMBER, _APART = 15 * mm, 5 * mm  # of a column of numbers: its width at the least, and what lies between
_TABLE_ROOM = 55 * mm  # a table begins where that much is left of a page
_WITH_HEAD = 2  # flowables that stay with the heading above them
_WORDS = (0.44, 0.32, 0.24)  # of the width, for tables of words
_INK, _SOFT, _RULE, _TINT = (HexColor(style.LIGHT[name]) for name in ("ink", "soft", "rule", "tint"))


def callback_paper(pack: Pack, blocks: Sequence[Block]) -> bytes:
    """The blocks as a PDF with numbered pages."""
    out = io.BytesIO()
    first, last = pack.asked
    foot = one_line(f"{pack.fleet}: {pack.site.site.name}, {first} to {last}", 110)
    document = BaseDocTemplate(
        out, pagesize=A4, leftMargin=_MARGIN, rightMargin=_MARGIN, topMargin=_MARGIN, bottomMargin=_FOOT,
        title=one_line(f"{pack.site.site.name}, {first} to {last}"), author=one_line(pack.fleet), lang="en",
        invariant=1,
    )  # fmt: skip
    frame = Frame(_MARGIN, _FOOT, _WIDTH, A4[1] - _MARGIN - _FOOT, 0, 0, 0, 0)
    document.addPageTemplates(PageTemplate(frames=[frame], onPage=lambda canvas, _: _footer(canvas, foot)))
    document.build(_story(blocks))
    return out.getvalue()


def _story(blocks: Sequence[Block]) -> list[Flowable]:
    """Flowables; a heading stays with what follows it."""
    story: list[Flowable] = []
    waiting: list[Flowable] = []
    for block in blocks:
        made = _flowables(block)
        if isinstance(block, Heading):
            waiting += made
        elif isinstance(block, Shown):
            story.append(KeepTogether([*waiting, *made]))
            waiting = []
        elif waiting and not isinstance(block, Grid):
            story.append(KeepTogether([*waiting, *made[:_WITH_HEAD]]))
            story += made[_WITH_HEAD:]
            waiting = []
        else:
            story += [CondPageBreak(_TABLE_ROOM) if isinstance(block, Grid) else Spacer(1, 0), *waiting, *made]
            waiting = []
    return story + waiting


def _flowables(block: Block) -> list[Flowable]:
    if isinstance(block, Heading):
        over = [Set(_text(block.over), _styles()["over"])] if block.over else []
        title = Set(_text(block.text), _styles()[f"h{block.level}"])
        return [*over, title] if block.level == 1 else [title, *over]
    if isinstance(block, Paragraph):
        strong = f"<b>{_text(block.strong)}</b> " if block.strong else ""
        return [Set(strong + _text(block.text), _styles()[block.tone])]
    if isinstance(block, Listing):
        items = [f"<b>{_text(name)}</b> {_text(text)}" for name, text in block.items]
        return [Set(item, _styles()["item"], bulletText="•") for item in items]
    if isinstance(block, Shown):
        return _picture(block)
    return _grid(block)


def _picture(block: Shown) -> list[Flowable]:
    with Pictures.open(io.BytesIO(block.png)) as picture:
        wide, tall = picture.size
    width = _PICTURE if wide > 1.15 * tall else 0.8 * _PICTURE
    parts: list[Flowable] = [Image(io.BytesIO(block.png), width, width * tall / wide, hAlign="LEFT")]
    if block.caption:
        parts.append(Set(_text(block.caption), _styles()["soft"]))
    return [Spacer(1, 4), *parts, Spacer(1, 4)]


def _grid(block: Grid) -> list[Flowable]:
    words = len(block.heads) - block.numbers
    rows: list[list[Any]] = [[_cell(Cell(head), "head", n >= words) for n, head in enumerate(block.heads)]]
    rows += [[_cell(cell, "cell", n >= words) for n, cell in enumerate(row)] for row in block.rows]
    numbers = [_needed(block, n) for n in range(words, len(block.heads))]
    widths = [_WIDTH - sum(numbers), *numbers] if numbers else [_WIDTH * part for part in _WORDS]
    table = Table(rows, colWidths=widths, repeatRows=1, hAlign="LEFT")
    table.setStyle([
        ("VALIGN", (0, 0), (-1, -1), "TOP"),
        ("NOSPLIT", (0, -2), (-1, -1)),  # the last row does not stand alone on a page
        ("LINEABOVE", (0, 1), (-1, -1), 0.4, _RULE),
        ("LEFTPADDING", (0, 0), (0, -1), 0),
        ("RIGHTPADDING", (-1, 0), (-1, -1), 0),
        ("TOPPADDING", (0, 0), (-1, -1), 2.5),
        ("BOTTOMPADDING", (0, 0), (-1, -1), 3.5),
    ])  # fmt: skip
    return [Set(_text(block.caption), _styles()["soft"]), table, Spacer(1, 8)]


def _needed(block: Grid, column: int) -> float:
    """The width of a column of numbers, so that none of them is broken."""
    texts = [block.heads[column], *(text for row in block.rows for text in (row[column].text, row[column].below))]
    _styles()  # so that the letters are known
    widest = max(float(pdfmetrics.stringWidth(text, "Sheet-Bold", 8.8)) for text in texts)
    return float(max(_LEAST_NUMBER, _APART + widest))


def _cell(cell: Cell, look: str, is_number: bool) -> list[Flowable]:
    ending = "_number" if is_number else ""
    text = f"<b>{_text(cell.text)}</b>" if cell.strong else _text(cell.text)
    below = [Set(_text(cell.below), _styles()[f"below{ending}"])] if cell.below else []
    return [Set(text, _styles()[f"{look}{ending}"]), *below]


def _footer(canvas: Any, text: str) -> None:
    canvas.saveState()
    canvas.setFont("Sheet", 7.5)
    canvas.setFillColor(_SOFT)
    canvas.drawString(_MARGIN, 11 * mm, text)
    canvas.drawRightString(A4[0] - _MARGIN, 11 * mm, str(canvas.getPageNumber()))
    canvas.restoreState()


def _text(text: str) -> str:
    """Text from outside as text: one line, and no mark-up."""
    return escape(one_line(text))


@cache
def _styles() -> dict[str, ParagraphStyle]:
    """Paragraph styles by name; the letters are those that come with matplotlib, so that any name can be set."""
    folder = Path(matplotlib.get_data_path()) / "fonts" / "ttf"
    for name, file in (("Sheet", "DejaVuSans.ttf"), ("Sheet-Bold", "DejaVuSans-Bold.ttf"),
                       ("Head", "DejaVuSerif-Bold.ttf")):  # fmt: skip
        pdfmetrics.registerFont(TTFont(name, str(folder / file)))
    pdfmetrics.registerFontFamily("Sheet", normal="Sheet", bold="Sheet-Bold", italic="Sheet", boldItalic="Sheet-Bold")

    def made(name: str, size: float, **more: Any) -> ParagraphStyle:
        base: dict[str, Any] = {"fontName": "Sheet", "leading": size * 1.36, "textColor": _INK, "splitLongWords": 1}
        return ParagraphStyle(name, fontSize=size, **(base | more))

    numbers: dict[str, Any] = {"alignment": TA_RIGHT}
    every = [
        made("h1", 17, fontName="Head", spaceAfter=4, leading=21),
        made("h2", 13, fontName="Head", spaceBefore=14, spaceAfter=4),
        made("h3", 10.5, fontName="Head", spaceBefore=9, spaceAfter=2),
        made("over", 8, textColor=_SOFT, spaceAfter=2),
        made("plain", 9, spaceAfter=4),
        made("lead", 11.5, spaceBefore=6, spaceAfter=6),
        made("soft", 7.8, textColor=_SOFT, spaceAfter=3),
        made("check", 8.6, backColor=_TINT, borderPadding=(5, 6, 6, 6), borderColor=_RULE, borderWidth=0.5,
             leftIndent=6, rightIndent=6, spaceBefore=8, spaceAfter=10),
        made("item", 9, leftIndent=11, bulletIndent=1, spaceAfter=2),
        made("head", 7.8, textColor=_SOFT),
        made("head_number", 7.8, textColor=_SOFT, **numbers),
        made("cell", 8.8),
        made("cell_number", 8.8, **numbers),
        made("below", 7.4, textColor=_SOFT, spaceBefore=1),
        made("below_number", 7.4, textColor=_SOFT, **numbers),
    ]  # fmt: skip
    return {one.name: one for one in every}
