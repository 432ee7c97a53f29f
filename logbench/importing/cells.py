"""Cells of text to numbers: decimal marks, thousands marks, units in the cell, clocks, words."""

from __future__ import annotations

import functools
import re
from collections import Counter
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field
from types import MappingProxyType
from typing import Literal

import numpy as np
import numpy.typing as npt

from logbench.signals.table import table
from logbench.signals.units import convert, known, read_unit
from logbench.system.limits import CELL_CHARS

Texts = npt.NDArray[np.object_]
Values = npt.NDArray[np.float64]

EMPTY = frozenset(
    {"", "-", "--", "---", "—", "–", "n/a", "na", "null", "none", "no data", "nodata", "?", "*"}
)
"""Cells that say that there is no sample (lower case)."""

NOT_USED = "nan"
"""A sample that the ECU marked as not used: there, but without a number."""

_WORDS = {"on": 1.0, "off": 0.0, "yes": 1.0, "no": 0.0, "true": 1.0, "false": 0.0}
_LOOP = {"ol": 1.0, "open loop": 1.0, "cl": 2.0, "closed loop": 2.0, "ol-drive": 4.0,
         "ol-fault": 8.0, "cl-fault": 16.0}  # fmt: skip
"""Short forms of the fuel system status. SAE J1979 PID 03, from memory."""
_CLOCK = re.compile(r"([+-]?)(?:(\d{1,3}):)?(\d{1,2}):(\d{1,2}(?:[.,]\d+)?)")
_NUMBER = re.compile(r"([+\-−]?[\d.,' \u00a0\u202f]*\d[.,]?(?:[eE][+-]?\d+)?)\s*(\D.*)?", re.DOTALL)
_PLAIN = re.compile(r"[+-]?\d+(?:\.\d+)?", re.ASCII)
_PER_MINUTE = re.compile(r"(?<=\d) +1 ?/ ?min$")
"""A unit that begins with a number."""
_SPACES = re.compile(r"[ \u00a0\u202f]")


@functools.cache
def labels_of(acronym: str) -> Mapping[str, float]:
    """Text (lower case) to raw value; empty for numbers and unknown signals."""
    if acronym not in table():
        return MappingProxyType({})
    signal = table().by_acronym(acronym)
    words = {text.lower(): float(raw) for raw, text in signal.labels}
    if acronym.startswith("FUELSYS"):
        words |= _LOOP
    return MappingProxyType(words)


@dataclass(slots=True)
class Parsed:
    """A column of cells as numbers.

    `value`: float64, shape (n,); NaN where there is none. `present`: there is a sample.
    """

    value: Values
    present: npt.NDArray[np.bool_]
    empty: int = 0
    bad: dict[str, str] = field(default_factory=dict)
    """Text of a cell that could not be read, to the reason."""
    bad_rows: npt.NDArray[np.intp] = field(default_factory=lambda: np.empty(0, np.intp))
    units: Counter[str] = field(default_factory=Counter)
    """Units that stood in cells, as written, with how many cells had each."""


def parse_number(text: str, decimal: str = ".", thousands: str = "") -> tuple[float, str] | None:
    """A number and the unit behind it (`` where none); None when it is not a number.

    `2124RPM`, `24,77g/s`, `1.234,5`, `-3 %`, `00:03:02` (as 182 s). Thousands marks must stand
    before groups of three digits.
    """
    if len(text) > CELL_CHARS:
        return None
    text = text.strip()
    if decimal == "." and _PLAIN.fullmatch(text):
        return float(text), ""  # nearly all cells there are
    clock = _CLOCK.fullmatch(text)
    if clock:
        seconds = int(clock[2] or 0) * 3600.0 + int(clock[3]) * 60.0
        seconds += float(clock[4].replace(",", "."))
        return (-seconds if clock[1] == "-" else seconds), "s"
    match = _NUMBER.fullmatch(_PER_MINUTE.sub(" rpm", text))
    if match is None:
        return None
    number = _plain(match[1].strip(), decimal, thousands)
    written = (match[2] or "").strip()
    unit = read_unit(written) if written else ""
    if number is None or unit is None:
        return None
    try:
        return float(number), unit
    except ValueError:
        return None


def _plain(number: str, decimal: str, thousands: str) -> str | None:
    """As Python writes it; None when its marks are not those of the file."""
    number = _SPACES.sub(" ", number.replace("−", "-"))
    whole, mark, rest = number.partition(decimal)
    if decimal in rest:
        return None
    if thousands and thousands in whole:
        first, *groups = whole.lstrip("+-").split(thousands)
        if not 1 <= len(first) <= 3 or any(len(group) != 3 for group in groups):
            return None
        whole = whole.replace(thousands, "")
    plain = f"{whole}.{rest}" if mark else whole
    return plain if re.fullmatch(r"[+-]?\d*\.?\d*(?:[eE][+-]?\d+)?", plain) else None


def parse_column(
    texts: Texts,
    decimal: str = ".",
    thousands: str = "",
    labels: Mapping[str, float] | None = None,
    unit: str = "",
) -> Parsed:
    """All cells of a column, shape (n,). Each different text is looked at once.

    `labels`: words with a meaning, lower case. `unit`: what the column is in; cells that name
    another unit are converted to it, and left out with a reason where that cannot be.
    """
    unique, code = unique_texts(texts)
    value = np.full(len(unique), np.nan)
    present = np.zeros(len(unique), dtype=bool)
    is_bad = np.zeros(len(unique), dtype=bool)
    count = np.bincount(code, minlength=len(unique))
    out = Parsed(value, present)
    for k, text in enumerate(unique):
        low = text.strip().lower()
        if low in EMPTY:
            out.empty += int(count[k])
            continue
        if low == NOT_USED:
            present[k] = True
            continue
        found = _meaning(text, low, decimal, thousands, labels)
        if found is None or not np.isfinite(found[0]):
            out.bad[text], is_bad[k] = _why_not(text, decimal, thousands), True
            continue
        number, own = found
        if own:
            out.units[own] += int(count[k])
        if own and unit and known(own) != known(unit):
            try:
                number = float(convert(np.array([number]), own, unit)[0])
            except ValueError:
                out.bad[text], is_bad[k] = f"has another unit than {unit}", True
                continue
        value[k], present[k] = number, True
    out.value, out.present = value[code], present[code]
    out.bad_rows = np.flatnonzero(is_bad[code])
    return out


def _why_not(text: str, decimal: str, thousands: str) -> str:
    """Why a cell is not a reading."""
    match = _NUMBER.fullmatch(text.strip()) if len(text) <= CELL_CHARS else None
    is_number = match is not None and _plain(match[1].strip(), decimal, thousands) is not None
    return "is in an unknown unit" if is_number and match and match[2] else "is not a number"


def _meaning(
    text: str, low: str, decimal: str, thousands: str, labels: Mapping[str, float] | None
) -> tuple[float, str] | None:
    if labels and low in labels:
        return labels[low], ""
    found = parse_number(text, decimal, thousands)
    if found is None and low in _WORDS:
        return _WORDS[low], ""
    return found


def rows_of_each(texts: Texts) -> dict[str, npt.NDArray[np.intp]]:
    """Each different text with the places where it stands, in order of appearance."""
    unique, code = unique_texts(texts)
    order = np.argsort(code, kind="stable")
    ends = np.cumsum(np.bincount(code, minlength=len(unique)))
    return dict(zip(unique, np.split(order, ends[:-1]), strict=True)) if unique else {}


def unique_texts(texts: Texts) -> tuple[list[str], npt.NDArray[np.intp]]:
    """Different texts in order of appearance, and for each cell which one it is."""
    place: dict[str, int] = {}
    code = np.fromiter((place.setdefault(t, len(place)) for t in texts), np.intp, len(texts))
    return list(place), code


@dataclass(frozen=True, slots=True)
class Marks:
    """How numbers are written: the decimal and the thousands mark, and whether cells show it.

    `shown`: some cell can be read in no other way; else it is only likely.
    """

    decimal: Literal[".", ","]
    thousands: Literal["", ",", ".", " ", "'"]
    shown: bool


def marks_of(cells: Iterable[str], delimiter: str = "") -> Marks:
    """The marks of numbers, from a sample of cells.

    A comma or a point followed by exactly three digits may be either; other cells decide, and where
    none does, a point is a decimal mark, and a comma one in files that it does not separate.
    """
    seen: Counter[str] = Counter()
    for cell in cells:
        match = re.match(r"[+\-−]?\d[\d.,' \u00a0\u202f]*", cell.strip())
        if match is None or _CLOCK.match(cell.strip()) or cell.count(".") + cell.count(",") > 6:
            continue
        number = match[0].rstrip(" ,.'")
        commas, points = number.count(","), number.count(".")
        if commas and points:
            last = "," if number.rfind(",") > number.rfind(".") else "."
            seen[last] += 10
            seen["grouped ." if last == "," else "grouped ,"] += 1
        elif commas or points:
            mark = "," if commas else "."
            grouped = re.fullmatch(rf"[+\-−]?[1-9]\d{{0,2}}(\{mark}\d{{3}})+", number)
            seen[f"grouped {mark}" if grouped else mark] += 1
        seen[" "] += bool(re.search(r"\d[ \u00a0\u202f]\d{3}(?!\d)", number))
        seen["'"] += "'" in number
    beyond: Literal["", " ", "'"] = " " if seen[" "] else "'" if seen["'"] else ""
    if seen[","] > seen["."]:
        return Marks(",", "." if seen["grouped ."] else beyond, shown=True)
    if seen["."]:
        return Marks(".", "," if seen["grouped ,"] else beyond, shown=True)
    if seen["grouped ,"] and not seen["grouped ."] and delimiter != ",":
        return Marks(",", beyond, shown=False)
    return Marks(".", "," if seen["grouped ,"] else beyond, shown=False)


def own_marks(cells: Iterable[str], decimal: str) -> Marks | None:
    """The marks of a column whose cells show other ones than the file's; None: it has those."""
    marks = marks_of(dict.fromkeys(cells))
    return marks if marks.shown and (marks.decimal != decimal or marks.thousands) else None
