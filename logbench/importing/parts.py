"""Whose rows they are: columns that name car, driver or trip, and rows that share a clock."""

from __future__ import annotations

import re
from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from logbench.car.model import Car
from logbench.importing.cells import rows_of_each, unique_texts
from logbench.importing.model import LongMap, SplitMap
from logbench.importing.names import is_kind, matches
from logbench.importing.sheet import Column, Sheet

Groups = npt.NDArray[np.int64]

_FEW = 50
"""Cars, drivers or trips that any file may hold; a long one, one for every `_ROWS` rows."""
_ROWS = 20
_VIN = re.compile(r"[A-HJ-NPR-Z0-9]{17}")
"""Characters of a VIN. ISO 3779, from memory."""


@dataclass(frozen=True, slots=True)
class Owner:
    """What a group of rows is of; `` where no column says so."""

    car: str = ""
    driver: str = ""
    trip: str = ""

    @property
    def vehicle(self) -> Car:
        """The car, by its VIN or as the file calls it."""
        if _VIN.fullmatch(self.car):
            return Car(vin=self.car, sources={"vin": "read"})
        return Car(label=self.car, sources={"label": "read"} if self.car else {})


def named_split(sheet: Sheet) -> SplitMap:
    """The columns that are named as a car's, driver's or trip's, and hold few different values."""
    found = SplitMap()
    for place, column in enumerate(sheet.columns):
        for role in ("car", "driver", "trip"):
            if getattr(found, role) is None and is_kind(column.name, role) and _few(column):
                setattr(found, role, place)
    return found


def likely_splits(sheet: Sheet) -> Iterator[SplitMap]:
    """Columns that no one named so, but which hold a few words or whole numbers in turn."""
    for place, column in enumerate(sheet.columns if sheet.rows >= _ROWS else ()):
        known = matches(column.name)
        other = any(is_kind(column.name, kind) for kind in ("name", "value", "unit", "ecu"))
        if not other and not (known and known[0].confidence >= 0.9) and _few(column):
            texts = set(column.sample())
            if 2 <= len(texts) <= _FEW and not any(re.search(r"[.:,]\d", t) for t in texts):
                yield SplitMap(trip=place)


def _few(column: Column) -> bool:
    values = [cell for cell in column.sample() if cell]
    return bool(values) and len(set(values)) <= max(_FEW, len(values) // _ROWS)


def groups_of(sheet: Sheet, split: SplitMap) -> tuple[Groups, list[Owner]]:
    """Number of the group of each row, shape (n,), and what each group is of. An empty cell goes
    on as the one before it."""
    owners = [Owner()] if sheet.rows else []
    groups = np.zeros(sheet.rows, np.int64)
    for role in ("car", "driver", "trip"):
        place = getattr(split, role)
        if place is None or not 0 <= place < len(sheet.columns):
            continue
        names, code = unique_texts(_filled(sheet.columns[place].all_texts()))
        pairs = groups * len(names) + code
        kept, groups = np.unique(pairs, return_inverse=True)
        owners = [
            _with(
                owners[pair // len(names)],
                role,
                _called(sheet.columns[place], names[pair % len(names)]),
            )
            for pair in kept
        ]
    return groups.astype(np.int64), owners


def _with(owner: Owner, role: str, name: str) -> Owner:
    return Owner(**{"car": owner.car, "driver": owner.driver, "trip": owner.trip, role: name})


def _called(column: Column, value: str) -> str:
    """A bare number is told by what it counts."""
    plain = value.removesuffix(".0")
    return f"{column.name} {plain}" if plain.isdigit() else value


def _filled(texts: npt.NDArray[np.object_]) -> npt.NDArray[np.object_]:
    there = np.array([bool(text) for text in texts], dtype=bool)
    if there.all() or not there.any():
        return texts
    last = np.maximum.accumulate(np.where(there, np.arange(len(texts)), -1))
    return np.asarray(texts[np.where(last < 0, int(np.argmax(there)), last)])


def clock_groups(sheet: Sheet, groups: Groups, long: LongMap | None) -> Groups:
    """Number of the clock that each row goes by, shape (n,): one for each group, and for each
    signal in a long file that is sorted by signal."""
    if long is None or not sheet.rows:
        return groups
    keys = sheet.columns[long.name].all_texts()
    if long.ecu is not None:
        keys = keys + "\0" + sheet.columns[long.ecu].all_texts()
    each = rows_of_each(keys)
    if int((keys[1:] != keys[:-1]).sum()) > 2 * len(each):
        return groups
    code = np.zeros(sheet.rows, np.int64)
    for number, rows in enumerate(each.values()):
        code[rows] = number
    _, dense = np.unique(groups * len(each) + code, return_inverse=True)
    return np.asarray(dense, dtype=np.int64)
