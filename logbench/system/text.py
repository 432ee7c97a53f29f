"""Text that a person or a file gives: cleaned, and no longer than it may be."""

from __future__ import annotations

import unicodedata
from typing import Annotated

from pydantic import AfterValidator, StringConstraints

MOST_LINE = 300
"""Characters of one line."""
_TURNS = frozenset("\u202a\u202b\u202c\u202d\u202e\u2066\u2067\u2068\u2069")


def clean_text(text: str) -> str:
    """Without control characters but line ends and tabs, lone surrogates, and characters that turn
    the direction of writing (they can make a text look like another)."""
    kept = (
        char
        for char in text.replace("\r\n", "\n").replace("\r", "\n")
        if char in "\n\t" or (unicodedata.category(char) not in ("Cc", "Cs") and char not in _TURNS)
    )
    return "".join(kept)


def clean_line(text: str) -> str:
    """Cleaned, with single blanks between words and no line ends."""
    return " ".join(clean_text(text).split())


Line = Annotated[str, StringConstraints(max_length=MOST_LINE), AfterValidator(clean_line)]
"""One line."""
Text = Annotated[str, StringConstraints(max_length=20_000), AfterValidator(clean_text)]
