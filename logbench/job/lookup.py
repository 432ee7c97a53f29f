"""Looking a code up on the web: the words to search for, and nothing else about the car."""

from __future__ import annotations

from urllib.parse import quote_plus

from logbench.errors import UsageError

PLACE = "{words}"


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
