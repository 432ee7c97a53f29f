"""The cells of the columns that are imported, as samples in the units of their signals."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from logbench.errors import ImportFileError
from logbench.importing.cells import Parsed, labels_of, parse_column, rows_of_each
from logbench.importing.model import ColumnMap, Mapping, Report
from logbench.importing.sheet import Column, Sheet
from logbench.signals.table import table
from logbench.signals.units import convert, read_unit
from logbench.system.limits import TRACES
from logbench.system.progress import Told, counted, untold

Rows = npt.NDArray[np.intp]
_NO_ROWS: Rows = np.empty(0, np.intp)

OUT_OF_RANGE = "is out of the range of"


@dataclass(slots=True)
class Samples:
    """Rows of one signal of one ECU with their values in the signal's unit."""

    signal: str
    ecu: str
    unit: str
    rows: Rows
    value: npt.NDArray[np.float64]
    column: str = ""
    """Where they stood."""
    written: str = ""
    """The unit in which the file has them."""

    def read_as(self, numbers: Sequence[float]) -> npt.NDArray[np.float64]:
        """What these numbers of the file are in the unit."""
        values = np.array(numbers, dtype=np.float64)
        return convert(values, self.written, self.unit) if self.written else values


def cell_text(column: Column, row: int) -> str:
    """A cell as it stands in a file of text."""
    return str(column.texts[row]) if column.texts is not None else ""


def samples_of(
    sheet: Sheet, mapping: Mapping, report: Report, told: Told = untold
) -> Iterator[Samples]:
    """What the mapping imports, column by column; the report tells what is not."""
    named: dict[str, Rows] = {}
    if mapping.long is not None and mapping.layout == "long":
        named = rows_of_each(sheet.columns[mapping.long.name].all_texts())
    for column in counted(mapping.columns, len(mapping.columns), told, every=1):
        if not column.used:
            why = f": {column.why}" if column.why else ""
            report.remark(f"Column '{column.column}' is not imported{why}.")
            continue
        if column.unit_from == "assumed" and column.unit:
            report.remark(f"'{column.column}' has no unit: {column.unit} is supposed.")
        if mapping.layout == "wide":
            rows = np.arange(sheet.rows, dtype=np.intp)
            yield _column_samples(sheet.columns[column.place], rows, column, mapping, sheet, report)
        else:
            yield from _long_samples(
                sheet, column, mapping, report, named.get(column.column, _NO_ROWS)
            )


def _long_samples(
    sheet: Sheet, column: ColumnMap, mapping: Mapping, report: Report, rows: Rows
) -> Iterator[Samples]:
    assert mapping.long is not None
    values = sheet.columns[mapping.long.value]
    by_ecu: dict[str, Rows] = {"": rows}
    if mapping.long.ecu is not None:
        ecus = rows_of_each(sheet.columns[mapping.long.ecu].all_texts(rows))
        if len(ecus) > TRACES:
            raise ImportFileError(
                f"{column.column} comes from {len(ecus):,} different ECUs, and at most {TRACES:,} "
                "are read: correct which column names the ECU."
            )
        by_ecu = {ecu: rows[some] for ecu, some in ecus.items()}
    for ecu, own in by_ecu.items():
        chosen = column.model_copy(update={"ecu": ecu or column.ecu})
        for unit, some in _by_unit(sheet, mapping, own, column):
            one = chosen.model_copy(update={"unit": unit})
            yield _column_samples(values, some, one, mapping, sheet, report)


def _by_unit(
    sheet: Sheet, mapping: Mapping, rows: Rows, column: ColumnMap
) -> Iterator[tuple[str, Rows]]:
    """Rows of one name by the unit beside them; the mapping's where that is none or corrected."""
    assert mapping.long is not None
    if mapping.long.unit is None or column.unit_from == "user":
        yield column.unit, rows
        return
    for unit, some in rows_of_each(sheet.columns[mapping.long.unit].all_texts(rows)).items():
        yield ((unit and read_unit(unit)) or column.unit), rows[some]


def _column_samples(
    column: Column, rows: Rows, chosen: ColumnMap, mapping: Mapping, sheet: Sheet, report: Report
) -> Samples:
    ecu = chosen.ecu or mapping.ecu
    if column.numbers is not None:
        numbers = column.numbers[rows]
        parsed = Parsed(numbers, np.isfinite(numbers), empty=int(np.isnan(numbers).sum()))
    else:
        assert column.texts is not None
        labels = labels_of(chosen.signal)
        parsed = parse_column(column.texts[rows], *mapping.marks(chosen), labels, chosen.unit)
    report.empty += parsed.empty
    for k in parsed.bad_rows:
        text = cell_text(column, int(rows[k]))
        line = int(sheet.lines[rows[k]])
        report.leave_out(line, chosen.column, text, parsed.bad[text])
    signal = table().by_acronym(chosen.signal) if chosen.signal in table() else None
    target = chosen.unit if signal is None else signal.unit
    value = convert(parsed.value, chosen.unit, target) if chosen.unit else parsed.value
    present = parsed.present
    if signal is not None and not mapping.keep_out_of_range:
        spare = 0.5 * abs(signal.scale) + 1e-6 * abs(signal.maximum)
        outside = present & ~signal.can_be(value, spare) & ~np.isnan(value)
        for k in np.flatnonzero(outside):
            text = cell_text(column, int(rows[k])) or f"{value[k]:g}"
            reason = f"{OUT_OF_RANGE} {signal.acronym}"
            report.leave_out(int(sheet.lines[rows[k]]), chosen.column, text, reason)
        present = present & ~outside
    rows, value = rows[present], value[present]
    return Samples(chosen.signal, ecu, target, rows, value, chosen.column, chosen.unit)
