"""What is handed on: names and numbers shortened, and of a car only what a search needs."""

from __future__ import annotations

import re
from urllib.parse import quote_plus

from logbench.errors import UsageError

SERIAL = 6
"""The last six characters of a VIN are the serial number that makes it one single car."""
_MASK = "·"
PLACE = "{words}"
"""Where the words stand in the address of a search page."""


def short_vin(vin: str) -> str:
    """The VIN with its serial number masked: make, model and year stay, the single car does not."""
    return vin[:-SERIAL] + _MASK * SERIAL if len(vin) > SERIAL else _MASK * len(vin)


def short_name(name: str) -> str:
    """Initials: `Ada Byron` becomes `A. B.`"""
    return " ".join(f"{word[0].upper()}." for word in name.split())


def hide_vin(text: str, vin: str) -> str:
    """`text` with the serial number of `vin` masked wherever it stands, in any case."""
    return re.sub(re.escape(vin), short_vin(vin), text, flags=re.IGNORECASE) if vin else text


def hide_name(text: str, name: str) -> str:
    """`text` with a name, or any word of it of three letters or more, shortened to initials."""
    if not name.strip():
        return text
    text = re.sub(re.escape(name.strip()), short_name(name), text, flags=re.IGNORECASE)
    for word in name.split():
        if len(word) >= 3:
            text = re.sub(rf"\b{re.escape(word)}\b", short_name(word), text, flags=re.IGNORECASE)
    return text


def hide_text(text: str, secret: str) -> str:
    """`text` with `secret` masked altogether."""
    if not secret.strip():
        return text
    return re.sub(re.escape(secret.strip()), _MASK * 6, text, flags=re.IGNORECASE)


def search_words(code: str, year: int | None, make: str) -> str:
    """Code, year and make; never a VIN, a name or a place."""
    return " ".join(part for part in (code.strip(), str(year or ""), make.strip()) if part)


def search_url(template: str, code: str, year: int | None, make: str) -> str:
    """The address to open in the user's own browser, when they press the button.

    `template`: an https address of a search page of the user's choice with `{words}` in it.
    Raises UsageError for another.
    """
    if not template.startswith("https://") or template.count(PLACE) != 1:
        raise UsageError(
            "The address of the search page must begin with https:// and hold {words} once."
        )
    return template.replace(PLACE, quote_plus(search_words(code, year, make)))
