"""Links as URLs: `tcp://HOST:PORT`, `serial:PORT?baud=N`, …"""

from __future__ import annotations

from collections.abc import Collection, Mapping
from dataclasses import dataclass, field
from urllib.parse import parse_qsl

from logbench.errors import LinkUnknownError


@dataclass(frozen=True, slots=True)
class LinkUrl:
    """A link's URL in parts: what follows the scheme, and the options after `?`."""

    text: str
    place: str
    options: Mapping[str, str] = field(default_factory=dict)

    def whole_number(self, key: str, low: int, high: int) -> int | None:
        """Option `key` as a whole number from `low` to `high`; None when it was left out."""
        text = self.options.get(key)
        if text is None:
            return None
        if not text.isascii() or not text.isdigit() or not low <= int(text) <= high:
            raise LinkUnknownError(
                f"In the link {self.text}, {key} is {text!r}: "
                f"give a whole number from {low} to {high}."
            )
        return int(text)

    def one_of(self, key: str, legal: Collection[str]) -> str | None:
        """Option `key`, which must be one of `legal`; None when it was left out."""
        text = self.options.get(key)
        if text is None:
            return None
        if text.upper() not in legal:
            raise LinkUnknownError(
                f"In the link {self.text}, {key} is {text!r}: give one of {', '.join(legal)}."
            )
        return text.upper()


def parse_url(text: str, form: str, options: frozenset[str]) -> LinkUrl:
    """Split `text`. `form`: how such a link is written, for messages; `options`: legal keys.

    Raises LinkUnknownError naming the legal ones.
    """
    scheme, _, rest = text.strip().partition(":")
    place, _, query = rest.partition("?")
    place = place.removeprefix("//")
    if not place:
        raise LinkUnknownError(f"The link {text!r} names no place: write {form}.")
    try:
        pairs = dict(parse_qsl(query, keep_blank_values=True, strict_parsing=bool(query)))
    except ValueError:
        raise LinkUnknownError(
            f"The part after '?' of the link {text!r} is not KEY=VALUE: write {form}."
        ) from None
    for key in pairs:
        if key not in options:
            known = ", ".join(sorted(options)) or "none"
            raise LinkUnknownError(
                f"The link {text!r} has the unknown option {key!r}: {scheme} knows {known}."
            )
    return LinkUrl(text, place, pairs)
