"""A document as a PDF: A4 or US letter, embedded fonts, vector charts, numbered pages."""

from __future__ import annotations

import io
from collections.abc import Iterator
from typing import Any
from xml.sax.saxutils import escape

from reportlab.graphics.shapes import Drawing
from reportlab.lib.colors import HexColor
from reportlab.lib.pagesizes import A4, letter
from reportlab.lib.styles import ParagraphStyle
from reportlab.pdfgen.canvas import Canvas
from reportlab.platypus import (
    BaseDocTemplate,
    CondPageBreak,
    Flowable,
    Frame,
    Image,
    KeepInFrame,
    KeepTogether,
    ListFlowable,
    PageBreak,
    PageTemplate,
    Spacer,
)
from reportlab.platypus import Paragraph as Text
from reportlab.platypus import Table as Grid

from logbench.report import fonts
from logbench.report.blocks import (
    Block,
    Bullets,
    Document,
    Facts,
    Figure,
    Heading,
    Paragraph,
    Picture,
    Table,
)

MARGIN = 48.0
PAGES = {"A4": A4, "letter": letter}
MOST_CELL = 900
"""Characters of a cell: a row must fit on a page."""
_INK, _GREY, _LINE = HexColor("#1A1A1A"), HexColor("#555555"), HexColor("#BBBBBB")
_MARK, _CAUTION = HexColor("#FBE9DD"), HexColor("#FFF6DC")


def _style(name: str, size: float, **how: Any) -> ParagraphStyle:
    how.setdefault("fontName", fonts.REGULAR)
    how.setdefault("leading", size * 1.36)
    how.setdefault("textColor", _INK)
    return ParagraphStyle(name, fontSize=size, **how)


def _styles() -> dict[str, ParagraphStyle]:
    return {
        "title": _style("title", 17, fontName=fonts.BOLD, spaceAfter=2),
        "subtitle": _style("subtitle", 9.5, textColor=_GREY, spaceAfter=8),
        "h1": _style("h1", 12.5, fontName=fonts.BOLD, spaceBefore=12, spaceAfter=4),
        "h2": _style("h2", 10, fontName=fonts.BOLD, spaceBefore=8, spaceAfter=3),
        "normal": _style("normal", 9.2, spaceAfter=4),
        "lead": _style("lead", 10.4, spaceAfter=5),
        "small": _style("small", 7.6, textColor=_GREY, spaceAfter=3),
        "quote": _style("quote", 9.6, fontName=fonts.ITALIC, leftIndent=10, spaceAfter=5),
        "caution": _style(
            *("caution", 8.8),
            backColor=_CAUTION,
            borderPadding=(4, 5, 4, 5),
            spaceBefore=6,
            spaceAfter=7,
            leftIndent=5,
            rightIndent=5,
        ),
        "caption": _style("caption", 7.8, textColor=_GREY, spaceBefore=2, spaceAfter=7),
        "cell": _style("cell", 8.2),
        "cell small": _style("cell small", 7.2),
        "head": _style("head", 8.2, fontName=fonts.BOLD),
        "head small": _style("head small", 7.2, fontName=fonts.BOLD),
        "shop": _style("shop", 8, textColor=_GREY, alignment=2),
        "shop name": _style("shop name", 9.5, fontName=fonts.BOLD, alignment=2),
    }


def render_pdf(document: Document, paper: str = "A4") -> bytes:
    """The whole PDF. `paper`: `A4` or `letter`."""
    fonts.register()
    size = PAGES[paper]
    out = io.BytesIO()
    template = BaseDocTemplate(
        out,
        pagesize=size,
        leftMargin=MARGIN,
        rightMargin=MARGIN,
        topMargin=MARGIN * 0.8,
        bottomMargin=MARGIN,
        title=document.title,
        author=document.shop[0] if document.shop else "",
        subject="Vehicle diagnosis report",
        creator="logbench",
    )
    frame = Frame(
        *(MARGIN, MARGIN, size[0] - 2 * MARGIN, size[1] - 1.8 * MARGIN),
        leftPadding=0,
        rightPadding=0,
        topPadding=0,
        bottomPadding=0,
    )
    template.addPageTemplates([PageTemplate("page", [frame])])
    width, height = frame.width, frame.height
    story = list(_story(document, width))
    if document.one_page:
        story = [KeepInFrame(width, height - 1, story, mode="shrink")]

    def numbered(*args: Any, **kwargs: Any) -> _NumberedCanvas:
        return _NumberedCanvas(*args, foot=document.foot, **kwargs)

    template.build(story, canvasmaker=numbered)
    return out.getvalue()


class _NumberedCanvas(Canvas):  # type: ignore[misc]
    """Writes 'page n of m' when all pages are known."""

    def __init__(self, *args: Any, foot: str = "", **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        self._foot = foot
        self._states: list[dict[str, Any]] = []

    def showPage(self) -> None:
        self._states.append(dict(self.__dict__))
        self._startPage()

    def save(self) -> None:
        total = len(self._states)
        for state in self._states:
            self.__dict__.update(state)
            self._draw_foot(total)
            super().showPage()
        super().save()

    def _draw_foot(self, total: int) -> None:
        width = self._pagesize[0]
        self.setStrokeColor(_LINE)
        self.setLineWidth(0.4)
        self.line(MARGIN, MARGIN - 10, width - MARGIN, MARGIN - 10)
        self.setFont(fonts.REGULAR, 7)
        self.setFillColor(_GREY)
        page = f"page {self._pageNumber} of {total}"
        room = width - 2 * MARGIN - fonts.width_of(page, 7) - 12
        self.drawString(MARGIN, MARGIN - 20, fonts.fitted(self._foot, 7, room))
        self.drawRightString(width - MARGIN, MARGIN - 20, page)


def _story(document: Document, width: float) -> Iterator[Flowable]:
    styles = _styles()
    yield from _head(document, styles, width)
    following: list[Block | None] = [*document.blocks[1:], None]
    for block, after in zip(document.blocks, following, strict=True):
        flowables = list(_flowables(block, styles, width))
        if document.one_page:
            yield from flowables
            continue
        if isinstance(block, Heading):
            if block.new_page:
                yield PageBreak()
            # a heading stays with at least the beginning of what it heads
            yield CondPageBreak(_needed(after, width))
        yield from [KeepTogether(flowables)] if isinstance(block, Figure | Picture) else flowables


def _needed(after: Block | None, width: float) -> float:
    """Points that must be left on a page for a heading, by what follows it."""
    if isinstance(after, Figure):
        return float(after.drawing.height * width / after.drawing.width) + 60
    return {Picture: 330.0, Bullets: 130.0}.get(type(after), 70.0)


def _head(
    document: Document, styles: dict[str, ParagraphStyle], width: float
) -> Iterator[Flowable]:
    left = [_text(document.title, styles["title"]), _text(document.subtitle, styles["subtitle"])]
    right: list[Flowable] = []
    if document.logo is not None:
        right.append(_image(document.logo, 120, 46, align="RIGHT"))
    for index, line in enumerate(document.shop):
        right.append(_text(line, styles["shop name" if index == 0 else "shop"]))
    if not right:
        yield from left
        return
    grid = Grid([[left, right]], colWidths=[width * 0.64, width * 0.36], hAlign="LEFT")
    align = ("ALIGN", (1, 0), (1, 0), "RIGHT")
    grid.setStyle([("VALIGN", (0, 0), (-1, -1), "TOP"), align, *_no_padding()])
    yield grid
    yield Spacer(1, 4)


def _flowables(block: Block, styles: dict[str, ParagraphStyle], width: float) -> Iterator[Flowable]:
    if isinstance(block, Heading):
        yield _text(block.text, styles[f"h{block.level}"])
    elif isinstance(block, Paragraph):
        for part in block.text.split("\n\n"):
            yield _text(part, styles[block.kind])
    elif isinstance(block, Bullets):
        yield ListFlowable(
            [_text(item, styles[block.kind]) for item in block.items],
            bulletType="bullet",
            start="•",
            leftIndent=12,
            bulletFontName=fonts.REGULAR,
            bulletFontSize=8,
        )
        yield Spacer(1, 3)
    elif isinstance(block, Facts):
        yield _facts(block, styles, width)
        yield Spacer(1, 4)
    elif isinstance(block, Table):
        yield _table(block, styles, width)
        yield Spacer(1, 7)
    elif isinstance(block, Figure):
        yield _scaled(block.drawing, width)
        yield _text(block.caption, styles["caption"])
    else:
        yield _image(block, width * 0.75, 260)
        yield _text(block.caption, styles["caption"])


def _facts(block: Facts, styles: dict[str, ParagraphStyle], width: float) -> Flowable:
    cell, head = styles["cell"], styles["head"]
    rows = [[_text(name, head), _text(_clamped(value), cell)] for name, value in block.pairs]
    grid = Grid(rows, colWidths=[width * 0.28, width * 0.72], hAlign="LEFT")
    grid.setStyle([("VALIGN", (0, 0), (-1, -1), "TOP"), *_tight()])
    return grid


def _table(block: Table, styles: dict[str, ParagraphStyle], width: float) -> Flowable:
    size = " small" if block.small else ""
    cell, head = styles[f"cell{size}"], styles[f"head{size}"]
    total = sum(block.widths)
    columns = [width * share / total for share in block.widths]
    rows: list[list[Flowable]] = [[_text(name, head) for name in block.header]]
    for row in block.rows:
        rows.append(
            [
                _scaled(item, min(columns[i] - 8, 80))
                if isinstance(item, Drawing)
                else _text(_clamped(item), cell)
                for i, item in enumerate(row)
            ]
        )
    grid = Grid(rows, colWidths=columns, repeatRows=1, splitInRow=1, hAlign="LEFT")
    style: list[tuple[Any, ...]] = [
        ("VALIGN", (0, 0), (-1, -1), "TOP"),
        ("LINEBELOW", (0, 0), (-1, 0), 0.8, _GREY),
        ("LINEBELOW", (0, 1), (-1, -1), 0.3, _LINE),
        *_tight(),
    ]
    style += [("BACKGROUND", (0, i + 1), (-1, i + 1), _MARK) for i in sorted(block.marked)]
    grid.setStyle(style)
    return grid


def _scaled(drawing: Drawing, width: float) -> Drawing:
    scale = width / drawing.width
    scaled = Drawing(width, drawing.height * scale)
    scaled.contents = list(drawing.contents)
    scaled.transform = (scale, 0, 0, scale, 0, 0)
    return scaled


def _image(picture: Picture, most_width: float, most_height: float, align: str = "LEFT") -> Image:
    scale = min(most_width / picture.width_px, most_height / picture.height_px, 1.0)
    return Image(
        io.BytesIO(picture.jpeg),
        width=picture.width_px * scale,
        height=picture.height_px * scale,
        hAlign=align,
    )


def _text(text: str, style: ParagraphStyle) -> Text:
    return Text(escape(text).replace("\n", "<br/>"), style)


def _clamped(text: str) -> str:
    return text if len(text) <= MOST_CELL else text[:MOST_CELL].rstrip() + " … (shortened)"


def _tight() -> list[tuple[Any, ...]]:
    return [
        ("LEFTPADDING", (0, 0), (-1, -1), 3),
        ("RIGHTPADDING", (0, 0), (-1, -1), 3),
        ("TOPPADDING", (0, 0), (-1, -1), 1.8),
        ("BOTTOMPADDING", (0, 0), (-1, -1), 2.2),
    ]


def _no_padding() -> list[tuple[Any, ...]]:
    sides = ("LEFTPADDING", "RIGHTPADDING", "TOPPADDING", "BOTTOMPADDING")
    return [(side, (0, 0), (-1, -1), 0) for side in sides]
