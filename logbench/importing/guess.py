"""One column's signal and unit: what its header may mean, judged by its unit and its cells."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, field

import numpy as np
import numpy.typing as npt

from logbench.importing.cells import Parsed, labels_of, own_marks, parse_column
from logbench.importing.model import ColumnMap, Mapping, UnitFrom
from logbench.importing.names import ALIKE, Match, fits, is_derived, take_apart, words_of
from logbench.importing.sheet import Column
from logbench.signals.table import Signal, table
from logbench.signals.units import convert, read_unit

Rows = npt.NDArray[np.intp]
Values = npt.NDArray[np.float64]

_BLOCK, _BLOCKS = 100, 20
"""Rows that are looked at: so many of so many places, whole blocks, since in a file that asks its
signals in turn every n-th row holds the same few."""


@dataclass(slots=True)
class Guess:
    """What a column is taken for, and the readings that it is held against others by."""

    map: ColumnMap
    rows: Rows = field(default_factory=lambda: np.empty(0, np.intp))
    """Rows of the sheet, ascending, shape (n,)."""
    numbers: Values = field(default_factory=lambda: np.empty(0))
    """Readings in the file's unit, finite, shape (n,)."""

    @property
    def values(self) -> Values:
        """The readings in the signal's own unit."""
        if self.map.signal not in table() or not fits(self.map.signal, self.map.unit):
            return self.numbers
        unit = table().by_acronym(self.map.signal).unit
        return convert(self.numbers, self.map.unit, unit) if self.map.unit else self.numbers

    def doubt(self, why: str, *others: str) -> None:
        """Something speaks against it: it is asked about. `others`: what it rather is."""
        self.map.confidence = min(self.map.confidence, ALIKE)
        self.map.why += f"; {why}"
        self.map.others = list(dict.fromkeys([*others, *self.map.others]))

    def suppose(self, unit: str, why: str) -> None:
        """A unit that does not stand there, by what the numbers are."""
        self.map.unit, self.map.confidence = unit, min(self.map.confidence, _SUPPOSED)
        self.map.why += f"; {why}, so {unit} is supposed"


_SUPPOSED = 0.6
_NO_UNIT = 0.9


def looked_at(rows: int) -> Rows:
    """Indices of the rows that are looked at of so many."""
    if rows <= _BLOCK * _BLOCKS:
        return np.arange(rows, dtype=np.intp)
    starts = np.linspace(0, rows - _BLOCK, _BLOCKS).astype(np.intp)
    return np.unique((starts[:, None] + np.arange(_BLOCK)).ravel())


Meant = Callable[[str, str | None], Sequence[Match]]
"""What a name may mean whose numbers are in a unit (None: in one that is not known yet), likeliest
first."""


def guess(column: Column, meant: Meant, written: str | None, mapping: Mapping, rows: Rows) -> Guess:
    """The column's signal and unit. `written`: a unit that stands beside the column; None where
    there is no place for one. `rows`: where its cells stand in the sheet."""
    made = ColumnMap(column=column.name)
    some = looked_at(len(column))
    cells = column.all_texts(some) if column.numbers is None else _texts_of(column.numbers[some])
    if own := own_marks(cells, mapping.decimal):
        made.decimal, made.thousands = own.decimal, own.thousands
    unit = _find_unit(made, written, _parsed(cells, made, mapping))
    found = meant(column.name, unit)
    derived = "its name says that no sensor of the car gave it"
    if not found:
        made.why = derived if is_derived(column.name) else "no signal reads like it"
        return Guess(made)
    best, made.others = found[0], [match.signal for match in found[1:]]
    made.signal, made.confidence, made.why = best.signal, best.confidence, best.why
    if is_derived(column.name):
        made.why += f"; {derived}"
    if unit is None:
        made.unit = table().by_acronym(best.signal).unit if best.signal in table() else ""
        made.unit_from = "header" if written == made.unit else "assumed"
    parsed = _parsed(cells, made, mapping)
    read = parsed.present & np.isfinite(parsed.value)
    out = Guess(made, rows[some][read], parsed.value[read])
    if written and read_unit(written) is None:
        out.doubt(f"its unit '{written}' is none that is known")
    filled = len(cells) - parsed.empty
    if filled:
        _judge_cells(out, parsed.present.sum() / filled)
    return out


def _texts_of(numbers: Values) -> npt.NDArray[np.object_]:
    return np.array(["" if np.isnan(x) else repr(float(x)) for x in numbers], dtype=object)


def _parsed(cells: npt.NDArray[np.object_], made: ColumnMap, mapping: Mapping) -> Parsed:
    decimal, thousands = mapping.marks(made)
    return parse_column(cells, decimal, thousands, labels_of(made.signal), made.unit)


def _find_unit(made: ColumnMap, written: str | None, parsed: Parsed) -> str | None:
    """From the row of units, the header or the cells; None where none stands there."""
    beside = read_unit(written) if written else None
    in_cells = parsed.units.most_common(1)
    sources: tuple[tuple[str | None, UnitFrom], ...] = (
        (beside, "header"),
        (take_apart(made.column).unit, "header"),
        (in_cells[0][0] if in_cells else None, "cells"),
    )
    for unit, origin in sources:
        if unit is not None:
            made.unit, made.unit_from = unit, origin
            return unit
    return None


def _judge_cells(made: Guess, share_read: float) -> None:
    """Less sure where cells cannot be read, or no unit stands anywhere."""
    column = made.map
    if share_read < 0.9:
        column.confidence *= float(share_read)
        column.why += f"; {1 - share_read:.0%} of its cells cannot be read"
    if column.signal not in table() or not len(made.numbers):
        return
    signal = table().by_acronym(column.signal)
    if column.unit_from == "assumed" and signal.unit:
        column.confidence = min(column.confidence, _NO_UNIT)
        column.why += f"; no unit stands there, {signal.unit} is supposed"


def judge_range(made: Guess) -> None:
    """Less sure where values lie out of the signal's range; its sibling's of the standard where
    they lie in that one's (a rail pressure above 765 kPa is FRP_23)."""
    column = made.map
    if column.signal not in table() or not len(made.numbers):
        return
    signal = table().by_acronym(column.signal)
    if not fits(signal.acronym, column.unit):
        return
    inside = _inside(made, signal)
    if inside.mean() < _IN_RANGE:
        for sibling in _siblings(signal):
            if fits(sibling.acronym, column.unit) and _inside(made, sibling).mean() >= _IN_RANGE:
                others = [each for each in column.others if each != sibling.acronym]
                column.others = [signal.acronym, *others]
                column.signal, inside = sibling.acronym, _inside(made, sibling)
                column.why += f"; out of the range of {signal.acronym}"
                break
    share = float(inside.mean())
    if share < _IN_RANGE:
        column.confidence *= share
        column.why += f"; {1 - share:.0%} of its values are out of the signal's range"
        if share < _MOSTLY_IN_RANGE:
            made.doubt("so it is hardly that")
    made.rows, made.numbers = made.rows[inside], made.numbers[inside]


def _siblings(signal: Signal) -> list[Signal]:
    """Others of the same acronym in the standard; first those that are named most alike (a gauge
    pressure's is a gauge pressure)."""
    own = set(words_of(signal.name))
    others = [each for each in table().alternatives(signal.standard) if each is not signal]
    return sorted(others, key=lambda each: -len(own & set(words_of(each.name))))


_IN_RANGE = 0.95
_MOSTLY_IN_RANGE = 0.8


def _inside(made: Guess, signal: Signal) -> npt.NDArray[np.bool_]:
    """Which readings the signal can have."""
    unit = made.map.unit
    values = convert(made.numbers, unit, signal.unit) if unit else made.numbers
    return signal.can_be(values, 1.0)
