"""Text from outside: what a car, an adapter, a file, a folder or another's job says.

Such text is a `Foreign`. It leaves only through four renderings: `in_terminal`, `in_label`,
`in_html` and `in_plot`. Joining it into other text is an accident: where `strict` is on (the tests)
it raises TypeError, in the field the accident gives the plain rendering, so that an overlooked
place never ends a drive. `words.tr` and the errors of `errors.py` take foreign values for the
places of their sentences.
"""

from __future__ import annotations

import html
import os
import re
import unicodedata
import zlib
from collections.abc import Callable
from dataclasses import dataclass
from typing import TYPE_CHECKING, Annotated, Any, SupportsIndex

if TYPE_CHECKING:
    from pydantic import GetCoreSchemaHandler
    from pydantic_core import CoreSchema

strict = False
"""Whether an accident with foreign text raises TypeError."""

MOST_LINE = 300
"""Characters of one line; more is not a name any more, and fills a window."""
MOST_TEXT = 20_000
"""Characters of a text of several lines: some ten pages."""
_MOST_MARKS = 4
"""Marks over and under one letter: Vietnamese needs two, pointed Hebrew three (Unicode, ch. 9); a
flood of them paints over the lines around."""
_KEPT_FORMATS = frozenset("\u200c\u200d")
"""Joiners, which Persian, Indic scripts and emoji need; all other formatting is invisible, turns
the direction of writing, or both."""
_LINE_ENDS = re.compile("\r\n|[\r\v\f\x1c-\x1e\x85\u2028\u2029]")
_SURROGATES = re.compile("[\ud800-\udfff]")
_FILLERS = frozenset("\u115f\u1160\u3164\uffa0\u034f")
"""Letters without a shape."""


class Foreign(str):
    """Text from outside; compared, hashed and stored like any other. Parts of it are foreign,
    too; `raw` gives it as data."""

    __slots__ = ()

    def __new__(cls, text: str) -> Foreign:
        """Of a plain text, or of one that is foreign already."""
        return super().__new__(cls, str.__str__(text))

    def __str__(self) -> str:
        return _accident(self, "str()")

    def __format__(self, spec: str) -> str:
        return format(_accident(self, "a formatted text"), spec)

    def __add__(self, other: str) -> str:
        return _accident(self, "a sum") + other

    def __radd__(self, other: str) -> str:
        return other + _accident(self, "a sum")

    def __mod__(self, values: Any) -> str:
        return str(_accident(self, "a % text") % values)

    def __rmod__(self, template: str) -> str:
        return template % _accident(self, "a % text")

    def __getitem__(self, key: SupportsIndex | slice) -> Foreign:
        return Foreign(super().__getitem__(key))


def _parts_stay_foreign() -> None:
    """Let the methods of `str` that give a part or another spelling give foreign text."""

    def of_text(made: Any) -> Any:
        return Foreign(made) if isinstance(made, str) else type(made)(map(Foreign, made))

    def kept(name: str) -> Callable[..., Any]:
        method = getattr(str, name)
        return lambda self, *args, **how: of_text(method(self, *args, **how))

    for name in ("strip", "lstrip", "rstrip", "lower", "upper", "casefold", "title", "capitalize",
                 "replace", "removeprefix", "removesuffix", "split", "rsplit", "splitlines",
                 "partition", "rpartition"):  # fmt: skip
        setattr(Foreign, name, kept(name))


_parts_stay_foreign()


def _accident(text: Foreign, where: str) -> str:
    if strict:
        raise TypeError(f"foreign text {text!r} in {where}: render it (logbench/foreign.py)")
    return in_label(text)


def raw(text: str) -> str:
    """As data, for keys, files and comparisons; never to be shown."""
    return str.__str__(text)


def joined(between: str, *parts: str) -> Foreign:
    """One text of those that are not empty; foreign as they are."""
    return Foreign(between.join(part for part in parts if part))


# --- the four ways out --------------------------------------------------------------------------


def in_terminal(text: object, *, lines: bool = False, most: int = 0) -> str:
    """For a terminal or a log, printed without markup: nothing in it moves the cursor, names a
    color or makes a link. `lines`: line ends stay. `most`: characters, 0 for the usual bound."""
    return _plain(text, lines, most)


def in_label(text: object, *, lines: bool = False, keys: bool = False, most: int = 0) -> str:
    """For a widget that shows plain text. `keys`: the widget takes `&` for the mark of a key
    (buttons, menus, tabs), so it is doubled."""
    plain = _plain(text, lines, most)
    return plain.replace("&", "&&") if keys else plain


def in_html(text: object, *, lines: bool = True, most: int = 0) -> str:
    """For an HTML page, and for the markup of PDF paragraphs; line ends become `<br/>`, or with
    `lines` off, as in attributes, blanks."""
    return html.escape(_plain(text, lines, most)).replace("\n", "<br/>")


def in_plot(text: object) -> str:
    """For a plot's title, axis or legend, which read HTML."""
    return html.escape(_plain(text, lines=False, most=0))


def _plain(text: object, lines: bool, most: int) -> str:
    whole = raw(text) if isinstance(text, str) else str(text)
    most = most or (MOST_TEXT if lines else MOST_LINE)
    cut = whole[: most * 2]  # what is dropped from the rest is not worth looking at
    clean = clean_text(cut) if lines else clean_line(cut)
    return clean if len(clean) <= most and len(cut) == len(whole) else clean[: most - 1] + "…"


def fill(template: str, /, **values: object) -> str:
    """A sentence with values in its `{places}`; foreign text and paths among them as one plain
    line. Raises what `str.format` raises."""
    return template.format(**{name: _as_value(value) for name, value in values.items()})


def _as_value(value: object) -> object:
    return in_label(value) if isinstance(value, Foreign | os.PathLike) else value


# --- cleaning, and the fields of models ---------------------------------------------------------


def clean_text(text: str) -> str:
    """Without control characters but line ends and tabs, without invisible characters and such as
    turn the direction of writing (they make a text look like another), and with few marks on a
    letter. A lone surrogate, as of a file name that is not text, becomes U+FFFD."""
    text = raw(text)
    if text.isascii() and text.isprintable():
        return text
    kept: list[str] = []
    marks = 0
    for char in _LINE_ENDS.sub("\n", text):
        kind = "" if char in "\n\t" else unicodedata.category(char)
        marks = marks + 1 if kind in ("Mn", "Me") else 0
        if kind == "Cs":
            kept.append("\ufffd")
        elif marks > _MOST_MARKS or char in _FILLERS:
            continue
        elif kind not in ("Cc", "Cf", "Cn") or char in _KEPT_FORMATS:
            kept.append(char)
    return "".join(kept)


def clean_line(text: str) -> str:
    """Cleaned, with single blanks between words and no line ends."""
    return " ".join(clean_text(text).split())


_NOT_IN_NAMES = re.compile(r"[^\w .+:-]+", re.ASCII)
_NOT_IN_UNITS = re.compile(r"[^\w %/°.,*^()+·²³⁻¹-]+")
_MOST_NAME = 64


def identifier(text: str) -> str:
    """A name for machines (a signal, an ECU's address, an id, a time): itself where it is letters,
    digits, blanks and `_.+:-` of ASCII, at most 64; else a stand-in of such, the same for the same
    text."""
    text = raw(text)
    name = _NOT_IN_NAMES.sub("_", text)
    if name == text and len(text) <= _MOST_NAME:
        return text
    told = zlib.crc32(text.encode("utf-8", "surrogatepass"))
    return f"{name[:24]}_{told:08x}"


def unit_name(text: str) -> str:
    """A unit without markup and control characters."""
    return clean_line(_NOT_IN_UNITS.sub("", clean_line(text)))[:40]


def _line(text: str) -> Foreign:
    return Foreign(clean_line(text[:MOST_LINE]))


def _lines(text: str) -> Foreign:
    return Foreign(clean_text(text[:MOST_TEXT]))


def _without_surrogates(value: Any) -> Any:
    return _SURROGATES.sub("\ufffd", raw(value)) if isinstance(value, str) else value


@dataclass(frozen=True, slots=True)
class _Taken:
    """How a field of a pydantic model takes text from outside; dumped, it is a plain string.
    `most`: longer text is an error."""

    take: Callable[[str], str]
    most: int | None = None

    def __get_pydantic_core_schema__(self, kind: Any, made: GetCoreSchemaHandler) -> CoreSchema:
        from pydantic_core import core_schema

        text: Any = made(kind)  # with what else the field limits
        if self.most is not None:
            text = {**text, "max_length": self.most}
        whole = core_schema.no_info_before_validator_function(_without_surrogates, text)
        dumped = core_schema.plain_serializer_function_ser_schema(raw, return_schema=text)
        return core_schema.no_info_after_validator_function(self.take, whole, serialization=dumped)


Line = Annotated[str, _Taken(_line, MOST_LINE)]
"""One line that a person types; a longer one is refused."""
Text = Annotated[str, _Taken(_lines, MOST_TEXT)]
"""Several lines that a person types; longer ones are refused."""
ToldLine = Annotated[str, _Taken(_line)]
"""One line that a car, an adapter or a file gives; a longer one is cut."""
ToldText = Annotated[str, _Taken(_lines)]
"""Several lines that a file gives; longer ones are cut."""
ToldName = Annotated[str, _Taken(identifier)]
"""A name for machines (acronym, address, id, time); harmless, so a plain string."""
ToldUnit = Annotated[str, _Taken(unit_name)]
"""A unit, without what it cannot hold; a plain string."""
