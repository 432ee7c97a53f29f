"""The letters of documents: DejaVu Sans, beside this module; Latin, Greek, Cyrillic and more."""

from __future__ import annotations

import functools
from pathlib import Path

from reportlab.lib.utils import simpleSplit
from reportlab.pdfbase import pdfmetrics
from reportlab.pdfbase.ttfonts import TTFont

FOLDER = Path(__file__).parent / "typefaces"
REGULAR, BOLD, ITALIC = "DejaVuSans", "DejaVuSans-Bold", "DejaVuSans-Oblique"


@functools.cache
def register() -> None:
    """Make the fonts known to reportlab; once per process."""
    for name in (REGULAR, BOLD, ITALIC):
        pdfmetrics.registerFont(TTFont(name, str(FOLDER / f"{name}.ttf")))
    pdfmetrics.registerFontFamily(
        REGULAR, normal=REGULAR, bold=BOLD, italic=ITALIC, boldItalic=BOLD
    )


def width_of(text: str, size: float) -> float:
    """Width of `text` in points."""
    register()
    return float(pdfmetrics.stringWidth(text, REGULAR, size))


def fitted(text: str, size: float, most: float) -> str:
    """`text`, cut with an ellipsis where it is wider than `most` points."""
    if width_of(text, size) <= most:
        return text
    while text and width_of(text + "…", size) > most:
        text = text[:-1]
    return text.rstrip() + "…"


def wrapped(text: str, size: float, most: float) -> list[str]:
    """`text` in lines of at most `most` points, broken between words."""
    register()
    return list(simpleSplit(text, REGULAR, size, most))
