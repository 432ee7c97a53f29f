"""Which of a table's first rows is its header: by words that are known, and by the contrast with
the rows below, which hold numbers where a header has words."""

from __future__ import annotations

import re
from collections import Counter
from collections.abc import Sequence

from logbench.importing.cells import parse_number
from logbench.importing.names import is_kind, matches
from logbench.signals.units import read_unit

Row = tuple[int, list[str]]
"""Line in the file, and cells."""

WRITTEN_PID = re.compile(r"0x[0-9A-F]{2,4}|0[0-9A-F]|01[0-9A-F]{2}", re.IGNORECASE)
"""A heading that is a PID: no number begins with a nought like that."""
_LOOKED_AT = 60
_KINDS = ("time", "date", "name", "value", "unit", "ecu", "car", "driver", "trip")
_MOST_NAMED = 40
"""Cells of a row that are looked at for known words: enough to tell a header."""


def trimmed(row: list[str]) -> list[str]:
    """Without blank cells at the end."""
    end = len(row)
    while end and not row[end - 1]:
        end -= 1
    return row[:end]


def is_number(cell: str) -> bool:
    """Whether it is a number in any form, with a unit or without, or a clock."""
    marks = ((".", ","), (",", "."))
    return any(parse_number(cell, *each) is not None for each in marks)


def _is_date(cell: str) -> bool:
    return re.match(r"\d{1,4}[-/.]\d{1,2}[-/.]\d{1,4}", cell) is not None


def _is_figure(cell: str) -> bool:
    return is_number(cell) or _is_date(cell)


def looks_named(cells: Sequence[str]) -> bool:
    """Whether any cell reads like a signal or a time."""
    return any(bool(matches(cell)) or is_kind(cell, "time") for cell in cells)


def are_units(row: list[str]) -> bool:
    """Whether a row holds units: at least one that is one, half of all that stands there, and no
    number. One that is not known is asked about, rather than taken for a reading."""
    named = [cell for cell in row if cell]
    units = [cell for cell in named if read_unit(cell) is not None]
    return (
        any(cell.strip("()[]") != "-" for cell in units)
        and 2 * len(units) >= len(named)
        and not any(map(_is_figure, named))
    )


def uncommented(rows: list[Row]) -> list[Row]:
    """Without comments: rows that begin with `#`, but for a header that does, and for a column that
    is headed `#`."""
    if not any(row[0][:1] == "#" for _, row in rows if row):
        return rows
    plain = [row for _, row in rows if row[0][:1] != "#"] or [row for _, row in rows]
    usual = Counter(len(trimmed(row)) for row in plain).most_common(1)[0][0]
    out = []
    for line, row in rows:
        inside = row[0].lstrip("# \t")
        if row[0][:1] != "#" or (row[0] == "#" and len(trimmed(row)) >= usual):
            out.append((line, row))
        elif usual > 1 and len(trimmed(row)) == usual and not any(map(_is_figure, [inside, *row])):
            out.append((line, [inside, *row[1:]]))
    return out


def find_header(rows: list[list[str]]) -> int | None:
    """Index of the header; None where there is none."""
    usual = Counter(len(trimmed(row)) for row in rows).most_common(1)[0][0]
    figures = _columns_of_figures(rows)
    best, most = None, 0.0
    for number, row in enumerate(rows[:_LOOKED_AT]):
        if len([cell for cell in row if cell]) < max(1, min(2, usual)) or len(row) < 0.6 * usual:
            continue
        worth = _worth(row, figures)
        if worth > most:
            best, most = number, worth
        elif worth < 0 and len(trimmed(row)) >= 0.6 * usual:
            break  # data
    return best


def _columns_of_figures(rows: list[list[str]]) -> set[int]:
    """Columns that hold numbers or dates in most of their cells."""
    filled: Counter[int] = Counter()
    figures: Counter[int] = Counter()
    for row in rows:
        for place, cell in enumerate(row):
            if cell:
                filled[place] += 1
                figures[place] += _is_figure(cell)
    return {place for place, count in filled.items() if figures[place] > 0.5 * count}


def _worth(row: list[str], figures: set[int]) -> float:
    """How much a row is a header: known words, and words where the others have figures. Negative
    for a row of data."""
    cells = {place: cell for place, cell in enumerate(row) if cell}
    figure = {place for place, cell in cells.items() if _is_figure(cell)}
    plain = {place for place in figure if not WRITTEN_PID.fullmatch(cells[place])}
    contrast = sum(1 if place not in plain else -1 for place in cells.keys() & figures)
    if 2 * len(plain) > len(cells) or contrast < 0:
        return -1.0
    different = list(dict.fromkeys(cells.values()))[:_MOST_NAMED]
    known = sum(map(_sure, different))
    if not known and (plain or not contrast):
        return 0.0
    return 2.0 * known + contrast


def _sure(cell: str) -> float:
    if any(is_kind(cell, kind) for kind in _KINDS):
        return 1.0
    found = matches(cell)
    return found[0].confidence if found else 0.0


def are_pids(row: list[str]) -> bool:
    """Whether a row below the header names each column again, by its PID."""
    cells = [cell for cell in row if cell]
    told = any(re.search(r"[A-F]|^01..$|^0x", cell, re.IGNORECASE) for cell in cells)
    return len(cells) > 1 and told and all(map(WRITTEN_PID.fullmatch, cells))


def units_below(rows: list[list[str]], header: int) -> int | None:
    """Index of a row of units, below the header and above the data; None where there is none."""
    for number in range(header + 1, min(header + 4, len(rows))):
        if are_pids(rows[number]):
            continue
        if are_units(rows[number]):
            return number
        if any(map(_is_figure, rows[number])):
            return None
    return None


def first_data(rows: list[list[str]]) -> int:
    """Index of the first of the rows below a header that holds a number; 0 where none does soon."""
    for number, row in enumerate(rows):
        if any(map(_is_figure, row)) and not are_pids(row):
            return number
    return 0
