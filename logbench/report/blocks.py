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
    """`level` 1: a section; 2: within one. `key`: by which `More` finds it."""

    text: str
    level: Literal[1, 2] = 1
    key: str = ""


@dataclass(frozen=True, slots=True)
class Paragraph:
    """`kind`: `normal`, `lead` (larger), `small`, `quote` (the customer's words), `caution`."""

    text: str
    kind: Literal["normal", "lead", "small", "quote", "caution"] = "normal"


@dataclass(frozen=True, slots=True)
class More:
    """How much of something is not here but further on, as `4 more findings`; where it is follows:
    the page's number, where there are pages. `key`, `under`: of its heading, and its text."""

    text: str
    key: str
    under: str


@dataclass(frozen=True, slots=True)
class Bullets:
    """A list without order."""

    items: tuple[str, ...]
    kind: Literal["normal", "small"] = "normal"


@dataclass(frozen=True, slots=True)
class Facts:
    """Names and values side by side, in so many pairs a row."""

    pairs: tuple[tuple[str, str], ...]
    columns: int = 1


@dataclass(frozen=True, slots=True)
class Table:
    """Rows of text or drawings. `caption`: what it shows, above it. `widths`: shares of the width.
    `marked`: rows to stress."""

    caption: str
    header: tuple[str, ...]
    rows: tuple[tuple[str | Chart, ...], ...]
    widths: tuple[float, ...]
    marked: frozenset[int] = frozenset()
    small: bool = False


@dataclass(frozen=True, slots=True)
class Figure:
    """A chart, whose words are its text for those who cannot see it, with a caption. `width`: share
    of the page's, where there are pages."""

    chart: Chart
    caption: str
    width: float = 1.0


@dataclass(frozen=True, slots=True)
class Picture:
    """A JPEG, made small, with its caption."""

    jpeg: bytes
    width_px: int
    height_px: int
    caption: str


@dataclass(frozen=True, slots=True)
class Pictures:
    """Pictures beside each other."""

    pictures: tuple[Picture, ...]


@dataclass(frozen=True, slots=True)
class Signatures:
    """Lines to sign on, with who signs what below each, and a line for the `date` beside it."""

    lines: tuple[str, ...]
    date: str


Block = Heading | Paragraph | More | Bullets | Facts | Table | Figure | Pictures | Signatures


@dataclass(frozen=True, slots=True)
class Document:
    """A whole report. `front`: its first page, never more than one; `shorter`: the same in
    editions that say less, for where it does not fit the paper; `blocks`: what follows.
    `shop`: name and lines; `foot`: at the foot of every page; `mark`: for its metadata."""

    title: str
    subtitle: str
    front: tuple[Block, ...]
    blocks: tuple[Block, ...] = ()
    shorter: tuple[tuple[Block, ...], ...] = ()
    shop: tuple[str, ...] = ()
    logo: Picture | None = None
    foot: str = ""
    mark: str = ""
    undated: bool = False
    """Its file does not say when it was made."""
    problems: tuple[str, ...] = field(default=())
    """What could not be put in, a sentence each; shown in the report as well."""
