"""From a sheet of cells to a mapping: which column is which signal, in which unit, how sure."""

from __future__ import annotations

import re
from collections import Counter
from collections.abc import Sequence
from dataclasses import replace
from functools import partial
from itertools import islice

import numpy as np

from logbench.errors import ImportFileError
from logbench.importing.candidates import settle
from logbench.importing.cells import marks_of, parse_column, rows_of_each
from logbench.importing.clocks import find_time
from logbench.importing.guess import Guess, Rows, guess, judge_range
from logbench.importing.heading import WRITTEN_PID
from logbench.importing.model import (
    ColumnMap,
    LongMap,
    Mapping,
    SplitMap,
    TimeMap,
)
from logbench.importing.names import Match, is_kind, matches, take_apart
from logbench.importing.parts import clock_groups, groups_of, likely_splits, named_split
from logbench.importing.sheet import Column, Dialect, Sheet
from logbench.signals.table import table
from logbench.system.limits import SHEET_COLUMNS

_OWN_HEADING = re.compile(r"[A-Z][A-Z0-9_]*(@[0-9A-F]+)?( \([^()]+\))?")
_HEX_PID = re.compile(r"(?:0x)?(?:0?1\s*(?=[0-9A-F]{2}))?([0-9A-F]{1,2})h?", re.IGNORECASE)
"""`0C`, `0x0C`, `010C`, `01 0C`, `10C`, `0Ch`: the PID with or without service 01."""
_WITH_SERVICE = re.compile(r"(?:0x)?0?1\s*[0-9A-F]{2}h?", re.IGNORECASE)


def detect_mapping(sheet: Sheet, dialect: Dialect | None = None) -> Mapping:
    """The best guess at how to read a sheet; every part of it can be corrected."""
    dialect = dialect or Dialect("utf-8", ",", 0, bool(sheet.units))
    cells = [cell for column in sheet.columns for cell in column.sample(60)]
    marks = marks_of(cells, dialect.delimiter)
    mapping = Mapping(
        fingerprint=sheet.fingerprint,
        encoding=dialect.encoding,
        delimiter=dialect.delimiter,
        decimal=marks.decimal,
        thousands=marks.thousands,
        header_row=dialect.header_row,
        units_row=bool(sheet.units),
    )
    name = _find_names(sheet)
    mapping.split, mapping.time = _find_clock(sheet, marks.decimal, name)
    mapping.long = None if name is None else _find_long(sheet, mapping, name)
    if mapping.long is not None:
        mapping.layout = "long"
        mapping.columns = _map_names(sheet, mapping, mapping.long)
        mapping.time.spread = False
    else:
        mapping.columns = _map_columns(sheet, mapping)
    return mapping


def _find_clock(sheet: Sheet, decimal: str, name: int | None) -> tuple[SplitMap, TimeMap]:
    """What tells cars and drives apart, and the time. A column that nobody named so tells them
    apart, if the clock goes well for each of its values but not from row to row."""
    ecu = next((k for k, c in enumerate(sheet.columns) if is_kind(c.name, "ecu")), None)
    long = None if name is None else LongMap(name=name, value=name, ecu=ecu)

    def tried(split: SplitMap) -> TimeMap:
        groups = clock_groups(sheet, groups_of(sheet, split)[0], long)
        return find_time(sheet, decimal, groups, long)

    split = named_split(sheet)
    time = tried(split)
    if time.confidence < _POOR_CLOCK and not split.places:
        likely = islice(likely_splits(sheet), _MOST_TRIED)
        others = [(other, tried(other)) for other in likely]
        better = [pair for pair in others if pair[1].confidence > time.confidence + 0.2]
        if better:
            return max(better, key=lambda pair: pair[1].confidence)
    return split, time


_POOR_CLOCK = 0.6
"""Below it there may be several clocks that take turns."""
_MOST_TRIED = 10


def _find_names(sheet: Sheet) -> int | None:
    """The column of a long file that names the signals; None in a wide one. A column that is not
    headed so is taken for it where hardly any other is headed as a signal."""
    headed = [k for k, c in enumerate(sheet.columns) if is_kind(c.name, "name")]
    signals = sum(bool(m) and m[0].confidence >= 0.9 for m in map(matches, sheet.names))
    among = headed or (range(len(sheet.columns)) if signals <= 1 and sheet.rows > 2 else ())
    for place in among:
        texts = {cell for cell in sheet.columns[place].sample(1000) if cell}
        known = sum(bool(_matches_of_name(text)) for text in texts)
        if not texts or known < (0.3 if headed else 0.6) * len(texts):
            continue
        if headed or _name_pids(sheet.columns[place], texts):
            return place
    return None


def _name_pids(column: Column, texts: set[str]) -> bool:
    """Whether a column that nobody headed as such names signals: a few of them, in turn."""
    if any(is_kind(column.name, role) for role in ("car", "driver", "trip")):
        return False
    plain = sum(text.replace(".", "").lstrip("-").isdigit() for text in texts)
    single = sum(len(text) < 2 for text in texts)
    few = 2 <= len(texts) <= min(200, len(column) // 2)
    return few and plain < len(texts) and 2 * single < len(texts)


def _find_long(sheet: Sheet, mapping: Mapping, name: int) -> LongMap | None:
    """The long layout's columns; None where none holds values."""
    taken = {*mapping.time.places, *mapping.split.places, name}
    place = {
        kind: [k for k, c in enumerate(sheet.columns) if k not in taken and is_kind(c.name, kind)]
        for kind in ("value", "unit", "ecu")
    }
    values = place["value"] or [
        k for k, c in enumerate(sheet.columns) if k not in taken and _are_numbers(c, mapping)
    ]
    if not values:
        return None
    return LongMap(
        name=name,
        value=values[0],
        unit=next(iter(place["unit"]), None),
        ecu=next(iter(place["ecu"]), None),
    )


def _are_numbers(column: Column, mapping: Mapping) -> bool:
    cells = np.array([cell for cell in column.sample(60) if cell], dtype=object)
    return bool(len(cells)) and parse_column(cells, mapping.decimal).present.mean() > 0.5


def _matches_of_header(text: str, unit: str | None = None) -> Sequence[Match]:
    """Of a column: `0x0C` and `010C` are PIDs, but `12` may be anything."""
    return _matches_of_name(text, unit) if WRITTEN_PID.fullmatch(text) else matches(text, unit)


def _matches_of_name(
    text: str, unit: str | None = None, base: int = 16, service: bool = False
) -> Sequence[Match]:
    """Of a name in a long file. `base`: of a PID that consists of digits only. `service`: a PID
    stands behind the number of its service."""
    found = matches(text, unit)
    pid = _HEX_PID.fullmatch(text.strip())
    if found or not pid or (service and not _WITH_SERVICE.fullmatch(text.strip())):
        return found
    plain = text.strip()
    number = int(plain) if base == 10 and plain.isdigit() else int(pid[1], 16)
    return [Match(s.acronym, 0.8, f"is PID {number:02X}") for s in table().of_pid(number)[:1]]


def _base_of(named: dict[str, Rows], values: Column, mapping: Mapping) -> int:
    """Whether PIDs of digits only are decimal: where that makes more of them signals whose numbers
    lie in their ranges and are some."""
    if not all(name.strip().isdigit() for name in named if name):
        return 16

    def fit(base: int) -> float:
        share = 0.0
        for name, rows in named.items():
            found = _matches_of_name(name, base=base)
            cells = values.all_texts(rows[:300])
            numbers = parse_column(cells, mapping.decimal, mapping.thousands).value
            signal = table().by_acronym(found[0].signal) if found else None
            if signal is not None and signal.kind == "number":
                share += float(signal.can_be(numbers, 0.0).mean())
        return share

    return 10 if fit(10) > fit(16) else 16


def _map_columns(sheet: Sheet, mapping: Mapping) -> list[ColumnMap]:
    guesses = []
    every = np.arange(sheet.rows, dtype=np.intp)
    for place, column in enumerate(sheet.columns):
        named = any(is_kind(column.name, kind) for kind in ("time", "date"))
        # the engine's run time is a signal, even where it serves as the clock
        clock = place in mapping.time.places and not matches(column.name)
        if named or clock or place in mapping.split.places:
            continue
        written = sheet.units[place] if sheet.units else None
        made = guess(column, _matches_of_header, written, mapping, every)
        made.map.place = place
        made.map.ecu = take_apart(column.name).ecu
        guesses.append(made)
    return _settled(sheet, guesses)


def _settled(sheet: Sheet, guesses: list[Guess]) -> list[ColumnMap]:
    """Held against each other; the names of this program's own exports are their word."""
    if not _is_own_export(sheet):
        settle(guesses)
    else:
        for made in guesses:
            judge_range(made)
    return [made.map for made in guesses]


def _is_own_export(sheet: Sheet) -> bool:
    """Whether it is a table as this program exports it (recording/export.py)."""
    if {"t_s", "signal", "ecu", "value", "unit"} <= set(sheet.names):
        return True
    others = [name for name in sheet.names if name not in {"t_s", "note"}]
    return "t_s" in sheet.names and all(map(_OWN_HEADING.fullmatch, others))


def _map_names(sheet: Sheet, mapping: Mapping, long: LongMap) -> list[ColumnMap]:
    names = sheet.columns[long.name]
    values = sheet.columns[long.value]
    units = None if long.unit is None else sheet.columns[long.unit].cells()
    found_rows = rows_of_each(names.all_texts())
    if len(found_rows) > SHEET_COLUMNS:
        raise ImportFileError(
            f"Column '{names.name}' holds {len(found_rows):,} different names, and at most "
            f"{SHEET_COLUMNS:,} are read: check the file."
        )
    guesses = []
    service = 2 * sum(bool(_WITH_SERVICE.fullmatch(name)) for name in found_rows) >= len(found_rows)
    base = _base_of(found_rows, values, mapping)
    found = partial(_matches_of_name, base=base, service=service)
    for name, rows in found_rows.items():
        if not name:
            continue
        written = None
        if units is not None:
            written = Counter(units[row] for row in rows).most_common(1)[0][0]
        part = replace(values.part(rows), name=name)
        guesses.append(guess(part, found, written, mapping, rows))
    return _settled(sheet, guesses)
