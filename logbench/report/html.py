"""A document as one HTML file: no script, nothing loaded from anywhere, charts as SVG inside."""

from __future__ import annotations

import base64
from pathlib import Path
from string import Template

from logbench.foreign import MOST_TEXT, in_html
from logbench.report import blocks
from logbench.report.drawing import Chart

_PAGE = Template((Path(__file__).parent / "page.html").read_text(encoding="utf-8"))


def render_html(document: blocks.Document) -> str:
    """The whole page."""
    shop = "".join(f"<div>{in_html(line)}</div>" for line in document.shop)
    logo = "" if document.logo is None else _img(document.logo)
    return _PAGE.substitute(
        title=in_html(document.title, lines=False),
        subtitle=in_html(document.subtitle),
        shop=logo + shop,
        body="\n".join(map(_block, document.blocks)),
        foot=in_html(document.foot),
    )


def _block(block: blocks.Block) -> str:
    if isinstance(block, blocks.Heading):
        return f"<h{block.level + 1}>{in_html(block.text)}</h{block.level + 1}>"
    if isinstance(block, blocks.Paragraph):
        parts = block.text.split("\n\n")
        return "".join(f'<p class="{block.kind}">{in_html(part)}</p>' for part in parts)
    if isinstance(block, blocks.Bullets):
        items = "".join(f"<li>{in_html(item)}</li>" for item in block.items)
        return f'<ul class="{block.kind}">{items}</ul>'
    if isinstance(block, blocks.Facts):
        pairs = "".join(f"<dt>{in_html(k)}</dt><dd>{in_html(v)}</dd>" for k, v in block.pairs)
        return f"<dl>{pairs}</dl>"
    if isinstance(block, blocks.Table):
        return _table(block)
    if isinstance(block, blocks.Figure):
        inside = _svg(block.chart)
        return f"<figure>{inside}<figcaption>{in_html(block.caption)}</figcaption></figure>"
    return f"<figure>{_img(block)}<figcaption>{in_html(block.caption)}</figcaption></figure>"


def _table(block: blocks.Table) -> str:
    head = "".join(f"<th>{in_html(name)}</th>" for name in block.header)
    rows = []
    for index, row in enumerate(block.rows):
        cells = "".join(
            f"<td>{_svg(cell) if isinstance(cell, Chart) else in_html(cell)}</td>" for cell in row
        )
        mark = ' class="marked"' if index in block.marked else ""
        rows.append(f"<tr{mark}>{cells}</tr>")
    kind = ' class="small"' if block.small else ""
    return f'<div class="wide"><table{kind}><tr>{head}</tr>{"".join(rows)}</table></div>'


def _svg(chart: Chart) -> str:
    label = f'role="img" aria-label="{in_html(chart.words, lines=False, most=MOST_TEXT)}"'
    return chart.svg().replace("<svg ", f"<svg {label} ", 1)


def _img(picture: blocks.Picture) -> str:
    data = base64.b64encode(picture.jpeg).decode("ascii")
    size = f'width="{picture.width_px}" height="{picture.height_px}"'
    caption = in_html(picture.caption, lines=False)
    return f'<img src="data:image/jpeg;base64,{data}" alt="{caption}" {size}>'
