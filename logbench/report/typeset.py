"""A document as a PDF (tagged, PDF/UA-1 and PDF/A-2a) and as one HTML page, both of the template
beside this module; what the document holds goes in as data and is never read as markup."""

from __future__ import annotations

import json
import re
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import typst

from logbench.foreign import in_label, joined
from logbench.report import blocks, fonts
from logbench.report.drawing import Chart
from logbench.words import language, shown, tr

TEMPLATE = Path(__file__).parent / "template"
STANDARDS = ["ua-1", "a-2a"]
MOST_CELL = 900
"""Characters of a cell: a row must fit on a page."""
UNDATED = datetime(2000, 1, 1, tzinfo=UTC)
"""The date of a file that shall not say when it was made; PDF/A asks for one."""
_UNSHOWN = re.compile(r'the text `"(.+?)"` could not be displayed', re.DOTALL)
_ESCAPED = re.compile(r"\\u\{([0-9a-f]+)\}")
_GAPS = re.compile(r"\n{3,}")
_BEFORE_UNIT = re.compile(r"(?<=\d) (?=[%°±]|\w{1,3}\b)")
"""The blank between a number and its unit, or what belongs to it."""
_ROUNDS = 40


def render_pdf(document: blocks.Document, paper: str = "A4") -> bytes:
    """The whole PDF. `paper`: `A4` or `letter`. A character that no font of this computer has is
    printed as U+FFFD."""
    content = _content(document, paper)
    tried = content
    for attempt in range(_ROUNDS):
        try:
            return _compiled(tried, own_fonts=attempt == 0, pdf_standards=STANDARDS)
        except typst.TypstError as error:
            unshown = _unshown(error)
            if not unshown:
                raise
        if attempt:
            tried = "".join("\ufffd" if char in unshown else char for char in content)
    plain = content.encode("ascii", "replace").decode()
    return _compiled(plain, own_fonts=True, pdf_standards=STANDARDS)


def render_html(document: blocks.Document) -> str:
    """The whole page: no script, nothing loaded from anywhere, pictures and charts inside."""
    return _compiled(_content(document, "A4"), own_fonts=True, format="html").decode()


def _compiled(content: str, *, own_fonts: bool, **how: Any) -> bytes:
    files = {"main": "report.typ", "page.css": "page.css"}
    made = typst.compile(
        {"report.json": content.encode()}
        | {name: (TEMPLATE / file).read_bytes() for name, file in files.items()},
        font_paths=[str(fonts.FOLDER)],
        ignore_system_fonts=own_fonts,
        **{"format": "pdf", **how},
    )
    assert isinstance(made, bytes)
    return made


def _unshown(error: typst.TypstError) -> set[str]:
    """Characters without a glyph, as the message names them; empty for any other error."""
    named = "".join(
        _ESCAPED.sub(lambda code: chr(int(code[1], 16)), text)
        for text in _UNSHOWN.findall(error.diagnostic)
    )
    return set(named) - {"\ufffd"}


# --- the document as data ---


def _content(document: blocks.Document, paper: str) -> str:
    """What the template reads, as JSON."""
    listed = _Listed()
    made = UNDATED if document.undated else datetime.now(UTC)
    content = {
        "lang": language().partition("_")[0],
        "paper": paper,
        "title": _label(document.title),
        "subtitle": in_label(document.subtitle),
        "subject": in_label(joined(" · ", shown(document.title), document.subtitle)),
        "author": in_label(document.shop[0]) if document.shop else "logbench",
        "keywords": document.mark,
        "date": {
            name: getattr(made, name)
            for name in ("year", "month", "day", "hour", "minute", "second")
        },
        "shop": [in_label(line) for line in document.shop],
        "logo": None if document.logo is None else _picture(document.logo),
        "foot": in_label(document.foot),
        "fronts": [listed.of(front) for front in (document.front, *document.shorter)],
        "blocks": listed.of(document.blocks),
        "words": {
            "first-page": tr("First page"),
            "appendix": tr("Appendix"),
            "page": tr("page {page} of {pages}"),
            "on-page": tr("{text} on page {page}."),
            "under": tr("{text} under “{heading}”."),
        },
    }
    return json.dumps(content, ensure_ascii=False)


@dataclass(slots=True)
class _Listed:
    """Blocks as JSON types, as the template takes them; it counts the headings."""

    headings: int = 0

    def of(self, content: Sequence[blocks.Block]) -> list[dict[str, Any]]:
        """All of them, in order."""
        return [{"type": type(block).__name__.lower(), **self._of(block)} for block in content]

    def _of(self, block: blocks.Block) -> dict[str, Any]:
        if isinstance(block, blocks.Heading):
            self.headings += 1
            key = block.key or f"part-{self.headings}"
            return {"text": _label(block.text), "level": block.level, "key": key}
        if isinstance(block, blocks.Paragraph):
            return {"text": _lines(block.text), "kind": block.kind}
        if isinstance(block, blocks.More):
            return {"text": block.text, "under": _label(block.under), "key": block.key}
        if isinstance(block, blocks.Bullets):
            return {"items": [_lines(item) for item in block.items], "kind": block.kind}
        if isinstance(block, blocks.Facts):
            pairs = [[_lines(name), _clamped(value)] for name, value in block.pairs]
            return {"pairs": pairs, "columns": block.columns}
        if isinstance(block, blocks.Table):
            return {
                "caption": _label(block.caption),
                "header": [_label(name) for name in block.header],
                "rows": [[_cell(item) for item in row] for row in block.rows],
                "widths": list(block.widths),
                "marked": sorted(block.marked),
                "small": block.small,
            }
        if isinstance(block, blocks.Figure):
            caption = _lines(block.caption)
            return {"chart": _chart(block.chart), "caption": caption, "width": block.width}
        if isinstance(block, blocks.Pictures):
            return {"pictures": [_picture(picture) for picture in block.pictures]}
        return {"lines": [_label(line) for line in block.lines], "date": _label(block.date)}


def _picture(picture: blocks.Picture) -> dict[str, Any]:
    caption = _label(picture.caption)
    return {
        "jpeg": list(picture.jpeg),
        "words": caption or tr("Photo"),
        "caption": caption,
        "width": picture.width_px,
    }


def _cell(item: str | Chart) -> str | dict[str, str]:
    return _clamped(item) if isinstance(item, str) else _chart(item)


def _chart(chart: Chart) -> dict[str, str]:
    return {"svg": chart.svg(), "words": in_label(chart.words, lines=True)}


def _label(text: str) -> str:
    """One line, in the language of the report."""
    return in_label(shown(text))


def _lines(text: str) -> str:
    """In the language of the report: clean lines with single blanks between words, and at most one
    empty line between two."""
    lines = (" ".join(line.split()) for line in in_label(shown(text), lines=True).split("\n"))
    return _GAPS.sub("\n\n", _BEFORE_UNIT.sub("\u00a0", "\n".join(lines))).strip()


def _clamped(text: str) -> str:
    whole = _lines(text)
    if len(whole) <= MOST_CELL:
        return whole
    return tr("{text} … (shortened)", text=whole[:MOST_CELL].rstrip())
