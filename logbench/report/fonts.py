"""The letters of documents: DejaVu Sans, beside this module; Latin, Greek, Cyrillic and more."""

from __future__ import annotations

import functools
from pathlib import Path

from PIL import ImageFont

FOLDER = Path(__file__).parent / "typefaces"
REGULAR, BOLD, ITALIC = "DejaVuSans", "DejaVuSans-Bold", "DejaVuSans-Oblique"
_MEASURED = 200
"""Size at which letters are measured: hinting does not show there."""


@functools.cache
def _font() -> ImageFont.FreeTypeFont:
    layout = ImageFont.Layout.BASIC
    return ImageFont.truetype(FOLDER / f"{REGULAR}.ttf", _MEASURED, layout_engine=layout)


def width_of(text: str, size: float) -> float:
    """Width of `text` in points."""
    return float(_font().getlength(text)) * size / _MEASURED


def fitted(text: str, size: float, most: float) -> str:
    """`text`, cut with an ellipsis where it is wider than `most` points."""
    if width_of(text, size) <= most:
        return text
    while text and width_of(text + "…", size) > most:
        text = text[:-1]
    return text.rstrip() + "…"


def wrapped(text: str, size: float, most: float) -> list[str]:
    """`text` in lines of at most `most` points, broken between words, and within longer ones."""
    lines: list[str] = []
    for word in (part for whole in text.split() for part in _parts(whole, size, most)):
        longer = f"{lines[-1]} {word}" if lines else word
        if lines and width_of(longer, size) <= most:
            lines[-1] = longer
        else:
            lines.append(word)
    return lines


def _parts(word: str, size: float, most: float) -> list[str]:
    parts = [""]
    for letter in word if width_of(word, size) > most else [word]:
        if parts[-1] and width_of(parts[-1] + letter, size) > most:
            parts.append("")
        parts[-1] += letter
    return parts
