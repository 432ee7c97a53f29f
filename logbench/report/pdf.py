"""A document as a PDF: A4 or US letter, embedded fonts, vector charts, numbered pages."""

from __future__ import annotations

import io
from collections.abc import Iterator
from functools import cache, partial
from typing import Any

from reportlab.graphics.shapes import Drawing, PolyLine, Rect, Shape, String
from reportlab.lib.colors import HexColor
from reportlab.lib.pagesizes import A4, letter
from reportlab.lib.styles import ParagraphStyle
from reportlab.pdfbase import pdfmetrics
from reportlab.pdfbase.ttfonts import TTFont
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
    Paragraph,
    Spacer,
    Table,
)

from logbench.foreign import in_html, in_label, joined
from logbench.report import blocks, fonts
from logbench.report.drawing import Chart, Label, Line, Mark

MARGIN = 48.0
PAGES = {"A4": A4, "letter": letter}
MOST_CELL = 900
"""Characters of a cell: a row must fit on a page."""
Styles = dict[str, ParagraphStyle]
_INK, _GRAY, _LINE = HexColor("#1A1A1A"), HexColor("#555555"), HexColor("#BBBBBB")
_MARK, _CAUTION = HexColor("#FBE9DD"), HexColor("#FFF6DC")


def _style(name: str, size: float, **how: Any) -> ParagraphStyle:
    how.setdefault("fontName", fonts.REGULAR)
    how.setdefault("leading", size * 1.36)
    how.setdefault("textColor", _INK)
    return ParagraphStyle(name, fontSize=size, **how)


def _styles() -> Styles:
    return {
        "title": _style("title", 17, fontName=fonts.BOLD, spaceAfter=2),
        "subtitle": _style("subtitle", 9.5, textColor=_GRAY, spaceAfter=8),
        "h1": _style("h1", 12.5, fontName=fonts.BOLD, spaceBefore=12, spaceAfter=4),
        "h2": _style("h2", 10, fontName=fonts.BOLD, spaceBefore=8, spaceAfter=3),
        "normal": _style("normal", 9.2, spaceAfter=4),
        "lead": _style("lead", 10.4, spaceAfter=5),
        "small": _style("small", 7.6, textColor=_GRAY, spaceAfter=3),
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
        "caption": _style("caption", 7.8, textColor=_GRAY, spaceBefore=2, spaceAfter=7),
        "cell": _style("cell", 8.2),
        "cell small": _style("cell small", 7.2),
        "head": _style("head", 8.2, fontName=fonts.BOLD),
        "head small": _style("head small", 7.2, fontName=fonts.BOLD),
        "shop": _style("shop", 8, textColor=_GRAY, alignment=2),
        "shop name": _style("shop name", 9.5, fontName=fonts.BOLD, alignment=2),
    }


def render_pdf(document: blocks.Document, paper: str = "A4") -> bytes:
    """The whole PDF. `paper`: `A4` or `letter`."""
    _register()
    size = PAGES[paper]
    out = io.BytesIO()
    template = BaseDocTemplate(
        out,
        pagesize=size,
        title=in_label(document.title),
        author=in_label(document.shop[0]) if document.shop else "",
        subject="Vehicle diagnosis report",
        creator="logbench",
        invariant=int(document.undated),
    )
    width, height = size[0] - 2 * MARGIN, size[1] - 1.8 * MARGIN
    frame = Frame(MARGIN, MARGIN, width, height, *(0, 0, 0, 0))
    template.addPageTemplates([PageTemplate("page", [frame])])
    story = list(_story(document, width))
    if document.one_page:
        story = [KeepInFrame(width, height - 1, story, mode="shrink")]

    template.build(story, canvasmaker=partial(_NumberedCanvas, foot=document.foot))
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
        self.setFillColor(_GRAY)
        page = f"page {self._pageNumber} of {total}"
        room = width - 2 * MARGIN - fonts.width_of(page, 7) - 12
        self.drawString(MARGIN, MARGIN - 20, fonts.fitted(in_label(self._foot), 7, room))
        self.drawRightString(width - MARGIN, MARGIN - 20, page)


def _story(document: blocks.Document, width: float) -> Iterator[Flowable]:
    styles = _styles()
    yield from _head(document, styles, width)
    following: list[blocks.Block | None] = [*document.blocks[1:], None]
    for block, after in zip(document.blocks, following, strict=True):
        flowables = list(_flowables(block, styles, width))
        if document.one_page:
            yield from flowables
            continue
        if isinstance(block, blocks.Heading):
            if block.new_page:
                yield PageBreak()
            # a heading stays with at least the beginning of what it heads
            yield CondPageBreak(_needed(after, width))
        whole = isinstance(block, blocks.Figure | blocks.Picture)
        yield from [KeepTogether(flowables)] if whole else flowables


def _needed(after: blocks.Block | None, width: float) -> float:
    """Points that must be left on a page for a heading, by what follows it."""
    if isinstance(after, blocks.Figure):
        return float(after.chart.height * width / after.chart.width) + 60
    return {blocks.Picture: 330.0, blocks.Bullets: 130.0}.get(type(after), 70.0)


def _head(document: blocks.Document, styles: Styles, width: float) -> Iterator[Flowable]:
    left = [_text(document.title, styles["title"]), _text(document.subtitle, styles["subtitle"])]
    right: list[Flowable] = []
    if document.logo is not None:
        right.append(_image(document.logo, 120, 46, align="RIGHT"))
    for index, line in enumerate(document.shop):
        right.append(_text(line, styles["shop name" if index == 0 else "shop"]))
    if not right:
        yield from left
        return
    grid = Table([[left, right]], colWidths=[width * 0.64, width * 0.36], hAlign="LEFT")
    grid.setStyle([("ALIGN", (1, 0), (1, 0), "RIGHT"), *_cells(0, 0, 0, 0)])
    yield grid
    yield Spacer(1, 4)


def _flowables(block: blocks.Block, styles: Styles, width: float) -> Iterator[Flowable]:
    if isinstance(block, blocks.Heading):
        yield _text(block.text, styles[f"h{block.level}"])
    elif isinstance(block, blocks.Paragraph):
        for part in block.text.split("\n\n"):
            yield _text(part, styles[block.kind])
    elif isinstance(block, blocks.Bullets):
        yield ListFlowable(
            [_text(item, styles[block.kind]) for item in block.items],
            bulletType="bullet",
            start="•",
            leftIndent=12,
            bulletFontName=fonts.REGULAR,
            bulletFontSize=8,
        )
        yield Spacer(1, 3)
    elif isinstance(block, blocks.Facts):
        yield _facts(block, styles, width)
        yield Spacer(1, 4)
    elif isinstance(block, blocks.Table):
        yield _table(block, styles, width)
        yield Spacer(1, 7)
    elif isinstance(block, blocks.Figure):
        yield _scaled(block.chart, width)
        yield _text(block.caption, styles["caption"])
    else:
        yield _image(block, width * 0.75, 260)
        yield _text(block.caption, styles["caption"])


def _facts(block: blocks.Facts, styles: Styles, width: float) -> Flowable:
    cell, head = styles["cell"], styles["head"]
    rows = [[_text(name, head), _text(_clamped(value), cell)] for name, value in block.pairs]
    grid = Table(rows, colWidths=[width * 0.28, width * 0.72], hAlign="LEFT")
    grid.setStyle(_cells())
    return grid


def _table(block: blocks.Table, styles: Styles, width: float) -> Flowable:
    size = " small" if block.small else ""
    cell, head = styles[f"cell{size}"], styles[f"head{size}"]
    total = sum(block.widths)
    columns = [width * share / total for share in block.widths]
    rows: list[list[Flowable]] = [[_text(name, head) for name in block.header]]
    rows += [
        [
            _text(_clamped(item), cell)
            if isinstance(item, str)
            else _scaled(item, min(column - 8, 80))
            for item, column in zip(row, columns, strict=True)
        ]
        for row in block.rows
    ]
    grid = Table(rows, colWidths=columns, repeatRows=1, splitInRow=1, hAlign="LEFT")
    style: list[tuple[Any, ...]] = [
        ("LINEBELOW", (0, 0), (-1, 0), 0.8, _GRAY),
        ("LINEBELOW", (0, 1), (-1, -1), 0.3, _LINE),
        *_cells(),
    ]
    style += [("BACKGROUND", (0, i + 1), (-1, i + 1), _MARK) for i in sorted(block.marked)]
    grid.setStyle(style)
    return grid


@cache
def _register() -> None:
    for name in (fonts.REGULAR, fonts.BOLD, fonts.ITALIC):
        pdfmetrics.registerFont(TTFont(name, str(fonts.FOLDER / f"{name}.ttf")))
    pdfmetrics.registerFontFamily(
        fonts.REGULAR,
        normal=fonts.REGULAR,
        bold=fonts.BOLD,
        italic=fonts.ITALIC,
        boldItalic=fonts.BOLD,
    )


def _scaled(chart: Chart, width: float) -> Drawing:
    scale = width / chart.width
    scaled = Drawing(width, chart.height * scale)
    scaled.transform = (scale, 0, 0, scale, 0, 0)
    for mark in chart.marks:
        for shape in _shapes(mark):
            scaled.add(shape)
    return scaled


def _shapes(mark: Mark) -> Iterator[Shape]:
    if isinstance(mark, Label):
        how = {"fontName": fonts.REGULAR, "fontSize": mark.size, "fillColor": HexColor(mark.color)}
        yield String(mark.x, mark.y, in_label(mark.words), textAnchor=mark.anchor, **how)
    elif isinstance(mark, Line):
        dash = list(mark.dash) or None
        how = {"strokeColor": HexColor(mark.color), "strokeWidth": mark.width}
        yield from (PolyLine(list(run), strokeDashArray=dash, **how) for run in mark.runs)
    else:
        fill, edge = (None if c is None else HexColor(c) for c in (mark.fill, mark.edge))
        how = {"fillColor": fill, "strokeColor": edge, "strokeWidth": mark.edge_width}
        yield Rect(mark.x, mark.y, mark.width, mark.height, **how)


def _image(picture: blocks.Picture, width: float, height: float, align: str = "LEFT") -> Image:
    """At most that wide and high, never larger than it is."""
    scale = min(width / picture.width_px, height / picture.height_px, 1.0)
    size = picture.width_px * scale, picture.height_px * scale
    return Image(io.BytesIO(picture.jpeg), *size, hAlign=align)


def _text(text: str, style: ParagraphStyle) -> Paragraph:
    return Paragraph(in_html(text), style)


def _clamped(text: str) -> str:
    return (
        text if len(text) <= MOST_CELL else joined("", text[:MOST_CELL].rstrip(), " … (shortened)")
    )


def _cells(left: float = 3, right: float = 3, top: float = 1.8, bottom: float = 2.2) -> list[Any]:
    """How all cells of a grid are set: from the top, with that much room around."""
    room = {"LEFT": left, "RIGHT": right, "TOP": top, "BOTTOM": bottom}
    style = [(f"{side}PADDING", (0, 0), (-1, -1), points) for side, points in room.items()]
    return [("VALIGN", (0, 0), (-1, -1), "TOP"), *style]
