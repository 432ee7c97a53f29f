"""What a report is made of, before it is a PDF or a page: plain text, tables, drawings, pictures.

All text is plain: the two renderers escape it.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Literal

if TYPE_CHECKING:
    from logbench.report.drawing import Chart


@dataclass(frozen=True, slots=True)
class Heading:
    """`level` 1: a section; 2: within one. `new_page`: starts a page where there are pages."""

    text: str
    level: Literal[1, 2] = 1
    new_page: bool = False


@dataclass(frozen=True, slots=True)
class Paragraph:
    """`kind`: `normal`, `lead` (larger), `small`, `quote` (the customer's words), `caution`."""

    text: str
    kind: Literal["normal", "lead", "small", "quote", "caution"] = "normal"


@dataclass(frozen=True, slots=True)
class Bullets:
    """A list without order."""

    items: tuple[str, ...]
    kind: Literal["normal", "small"] = "normal"


@dataclass(frozen=True, slots=True)
class Facts:
    """Names and values side by side."""

    pairs: tuple[tuple[str, str], ...]


@dataclass(frozen=True, slots=True)
class Table:
    """Rows of text or drawings. `widths`: shares of the width. `marked`: rows to stress."""

    header: tuple[str, ...]
    rows: tuple[tuple[str | Chart, ...], ...]
    widths: tuple[float, ...]
    marked: frozenset[int] = frozenset()
    small: bool = False


@dataclass(frozen=True, slots=True)
class Figure:
    """A chart, whose words are its text for those who cannot see it, with a caption."""

    chart: Chart
    caption: str


@dataclass(frozen=True, slots=True)
class Picture:
    """A JPEG, made small, with its caption."""

    jpeg: bytes
    width_px: int
    height_px: int
    caption: str


Block = Heading | Paragraph | Bullets | Facts | Table | Figure | Picture


@dataclass(frozen=True, slots=True)
class Document:
    """A whole report. `shop`: name and lines; `foot`: at the foot of every page."""

    title: str
    subtitle: str
    blocks: tuple[Block, ...]
    shop: tuple[str, ...] = ()
    logo: Picture | None = None
    foot: str = ""
    one_page: bool = False
    undated: bool = False
    """Its file does not say when it was made."""
    problems: tuple[str, ...] = field(default=())
    """What could not be put in, a sentence each; shown in the report as well."""
