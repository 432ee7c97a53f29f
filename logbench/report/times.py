"""Times as a report writes them."""

from __future__ import annotations


def when_text(text: str) -> str:
    """`2026-05-04 07:40 UTC` from ISO 8601; a text that is none stays as it is."""
    if len(text) >= 16 and text[4:5] == "-" and text[10:11] == "T":
        zone = " UTC" if text.endswith(("+00:00", "Z")) else ""
        return f"{text[:10]} {text[11:16]}{zone}"
    return text
