"""The table of a recording's signals: what is plotted, and the values at the cursor."""

from __future__ import annotations

import math
from collections.abc import Iterable

from PySide6.QtWidgets import QWidget

from logbench.app.traces_table import Key, Row, TracesModel, TracesTable
from logbench.plot.trace import StripTrace
from logbench.signals.units import METRIC, Units
from logbench.words import tr


def value_at(trace: StripTrace, t_ns: int | None, units: Units = METRIC) -> str:
    """The trace's value at a time with its unit, or an enumeration's text; empty without one."""
    found = None if t_ns is None else trace.pyramid.at(t_ns)
    if found is None:
        return ""
    if not trace.plottable and not math.isnan(found[1]):
        from logbench.signals.decoding import label
        from logbench.signals.table import table

        return label(table().by_acronym(trace.signal), found[1])
    return units.text(found[1], trace.unit)


class SignalsModel(TracesModel):
    """One row a trace of the recording."""

    def __init__(self) -> None:
        super().__init__((tr("Signal"), tr("At cursor")))
        self._cursor_ns: int | None = None

    def show_traces(self, traces: Iterable[Row], plotted: Iterable[Key]) -> None:
        """Another recording, or more of its traces."""
        self._cursor_ns = None
        super().show_traces(traces, plotted)

    def set_cursor(self, t_ns: int | None) -> None:
        """Where the cursor stands."""
        self._cursor_ns = t_ns
        self.renew(1, 1)

    def tip(self, row: StripTrace) -> str:
        """Signal, ECU, number of samples."""
        return tr(
            "{signal} of ECU {ecu}: {n:,} samples",
            signal=row.signal,
            ecu=row.ecu,
            n=len(row.pyramid),
        )

    def text(self, row: StripTrace, column: int) -> str:
        """Name, value at the cursor."""
        return row.name if column == 0 else value_at(row, self._cursor_ns, self.units)


class SignalsTable(TracesTable):
    """Check a signal to plot it; read its value at the cursor."""

    def __init__(self, parent: QWidget | None = None) -> None:
        self.model_ = SignalsModel()
        name = tr("Signals of the recording and their values at the cursor")
        super().__init__(self.model_, name, (150,), parent)
