"""A document as one HTML file: no script, nothing loaded from anywhere, charts as SVG inside."""

from __future__ import annotations

import base64
import re
from html import escape

from reportlab.graphics import renderSVG
from reportlab.graphics.shapes import Drawing

from logbench.report import blocks, fonts

_POLICY = "default-src 'none'; style-src 'unsafe-inline'; img-src data:"
_CSS = """
:root { color-scheme: light; }
body { font: 16px/1.5 system-ui, "DejaVu Sans", sans-serif; color: #1a1a1a; background: #fff;
  max-width: 50rem; margin: 2rem auto; padding: 0 1rem; overflow-wrap: break-word; }
header { display: flex; justify-content: space-between; gap: 2rem; }
header .shop { text-align: right; font-size: .85rem; color: #555; }
header .shop img { max-width: 12rem; max-height: 5rem; }
h1 { font-size: 1.6rem; margin: 0; } h2 { margin: 2rem 0 .4rem; font-size: 1.25rem; }
h3 { margin: 1.2rem 0 .3rem; font-size: 1.05rem; }
p, dd, li, td { white-space: pre-line; }
.lead { font-size: 1.1rem; } .small, figcaption, footer { font-size: .8rem; color: #555; }
.quote { font-style: italic; border-left: 3px solid #bbb; padding-left: .8rem; }
.caution { background: #fff6dc; border: 1px solid #e6c96b; padding: .5rem .8rem; }
dl { display: grid; grid-template-columns: minmax(8rem, 28%) 1fr; gap: .2rem .8rem; }
dt { font-weight: 600; } dd { margin: 0; }
.wide { overflow-x: auto; } table { border-collapse: collapse; width: 100%; font-size: .9rem; }
th, td { text-align: left; vertical-align: top; padding: .25rem .4rem;
  border-bottom: 1px solid #ccc; }
tr.marked { background: #fbe9dd; }
figure { margin: 1rem 0; } figure svg, figure img { max-width: 100%; height: auto; }
@media print { body { margin: 0; } h2, h3 { break-after: avoid; } figure { break-inside: avoid; } }
"""


def render_html(document: blocks.Document) -> str:
    """The whole page."""
    fonts.register()
    shop = "".join(f"<div>{escape(line)}</div>" for line in document.shop)
    logo = "" if document.logo is None else _img(document.logo)
    body = "\n".join(_block(block) for block in document.blocks)
    return f"""<!DOCTYPE html>
<html lang="en"><head><meta charset="utf-8">
<meta http-equiv="Content-Security-Policy" content="{_POLICY}">
<meta name="viewport" content="width=device-width, initial-scale=1">
<meta name="referrer" content="no-referrer">
<title>{escape(document.title)}</title><style>{_CSS}</style></head><body>
<header><div><h1>{escape(document.title)}</h1><p class="small">{escape(document.subtitle)}</p></div>
<div class="shop">{logo}{shop}</div></header>
{body}
<footer><hr>{escape(document.foot)}</footer>
</body></html>
"""


def _block(block: blocks.Block) -> str:
    if isinstance(block, blocks.Heading):
        return f"<h{block.level + 1}>{escape(block.text)}</h{block.level + 1}>"
    if isinstance(block, blocks.Paragraph):
        parts = block.text.split("\n\n")
        return "".join(f'<p class="{block.kind}">{escape(part)}</p>' for part in parts)
    if isinstance(block, blocks.Bullets):
        items = "".join(f"<li>{escape(item)}</li>" for item in block.items)
        return f'<ul class="{block.kind}">{items}</ul>'
    if isinstance(block, blocks.Facts):
        pairs = "".join(f"<dt>{escape(k)}</dt><dd>{escape(v)}</dd>" for k, v in block.pairs)
        return f"<dl>{pairs}</dl>"
    if isinstance(block, blocks.Table):
        return _table(block)
    if isinstance(block, blocks.Figure):
        label = f'role="img" aria-label="{escape(block.caption)}"'
        inside = _svg(block.drawing).replace("<svg ", f"<svg {label} ", 1)
        return f"<figure>{inside}<figcaption>{escape(block.caption)}</figcaption></figure>"
    return f"<figure>{_img(block)}<figcaption>{escape(block.caption)}</figcaption></figure>"


def _table(block: blocks.Table) -> str:
    head = "".join(f"<th>{escape(name)}</th>" for name in block.header)
    rows = []
    for index, row in enumerate(block.rows):
        cells = "".join(
            f"<td>{_svg(cell) if isinstance(cell, Drawing) else escape(cell)}</td>" for cell in row
        )
        mark = ' class="marked"' if index in block.marked else ""
        rows.append(f"<tr{mark}>{cells}</tr>")
    kind = ' class="small"' if block.small else ""
    return f'<div class="wide"><table{kind}><tr>{head}</tr>{"".join(rows)}</table></div>'


def _svg(drawing: Drawing) -> str:
    """The drawing as an SVG element, without the file's head."""
    text = renderSVG.drawToString(drawing)
    if isinstance(text, bytes):
        text = text.decode("utf-8")
    text = text[text.index("<svg") :]
    # no dummy title, and no clip: its id would be the same in every drawing of the page
    text = re.sub(r"<(title|desc|clipPath)\b.*?</\1>\s*", "", text, flags=re.DOTALL)
    text = re.sub(r"\s*clip-path: url\(#clip\);?", "", text)
    text = text.replace(' id="group"', "").replace(": None;", ": none;")
    return re.sub(r"font-family: ?DejaVuSans[\w-]*", "font-family: DejaVu Sans, sans-serif", text)


def _img(picture: blocks.Picture) -> str:
    data = base64.b64encode(picture.jpeg).decode("ascii")
    size = f'width="{picture.width_px}" height="{picture.height_px}"'
    return f'<img src="data:image/jpeg;base64,{data}" alt="{escape(picture.caption)}" {size}>'
