"""Values at the cursors: of every signal at the one that moves; of those plotted at A and B, with
the numbers of what lies between."""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence

from PySide6.QtCore import Qt
from PySide6.QtWidgets import (
    QHBoxLayout,
    QHeaderView,
    QTableWidget,
    QVBoxLayout,
    QWidget,
)

from logbench.app.parts import lay, named, text_button
from logbench.app.plain import Label, TableCell
from logbench.app.plot.view import TimeView
from logbench.app.theme import Look
from logbench.app.traces_table import Key, Row, TracesModel, TracesTable
from logbench.plot.span import span_numbers
from logbench.plot.trace import SECOND, StripTrace
from logbench.signals.numbers import count_text, time_text, value_text
from logbench.signals.units import METRIC, Units
from logbench.words import tr

_TITLES = (
    tr("Signal"), "A", "B", "B − A", tr("Lowest"), tr("Highest"), tr("Mean"), tr("Std dev"),
    tr("Slope /s"), tr("Samples"), tr("Rate /s"),
)  # fmt: skip
_ROW_HEIGHT = 26
_RIGHT = Qt.AlignmentFlag.AlignRight | Qt.AlignmentFlag.AlignVCenter


def value_at(trace: StripTrace, t_ns: int | None, units: Units = METRIC) -> str:
    """The trace's value at a time with its unit, or an enumeration's text; empty without one."""
    return "" if t_ns is None else trace.shown_text(t_ns, units)


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
        """The signal's name in full, ECU, number of samples."""
        return tr(
            "{signal} of ECU {ecu}: {n:,} samples",
            signal=row.title or row.signal,
            ecu=row.ecu,
            n=round(len(row.pyramid) / row.held),
        )

    def text(self, row: StripTrace, column: int) -> str:
        """Name, value at the cursor."""
        return row.name if column == 0 else value_at(row, self._cursor_ns, self.units)


class SignalsTable(TracesTable):
    """Check a signal to plot it; read its value at the cursor."""

    def __init__(self) -> None:
        self.model_ = SignalsModel()
        name = tr("Signals of the recording and their values at the cursor")
        super().__init__(self.model_, name, (150,))


class SpanPanel(QWidget):
    """Shown as soon as both cursors are down."""

    def __init__(self, view: TimeView, look: Look) -> None:
        super().__init__()
        self._view, self._look = view, look
        self._traces: Sequence[StripTrace] = ()
        self._shown_for: tuple[object, ...] = ()
        self.title = Label()
        name = tr("Numbers between the cursors A and B")
        self.table = named(QTableWidget(0, len(_TITLES)), name)
        self.table.setHorizontalHeaderLabels(_TITLES)
        self.table.verticalHeader().hide()
        self.table.verticalHeader().setDefaultSectionSize(_ROW_HEIGHT)
        self.table.setShowGrid(False)
        self.table.setEditTriggers(QTableWidget.EditTrigger.NoEditTriggers)
        self.table.setSelectionBehavior(QTableWidget.SelectionBehavior.SelectRows)
        header = self.table.horizontalHeader()
        header.setSectionResizeMode(QHeaderView.ResizeMode.Stretch)
        for column in (0, 3):  # they hold units
            header.setSectionResizeMode(column, QHeaderView.ResizeMode.ResizeToContents)
        header.setHighlightSections(False)
        head = lay(QHBoxLayout(), (self.title, 1), text_button(tr("Clear A and B"), self.clear))
        lay(QVBoxLayout(self), head, self.table, margins=(6, 4, 12, 8))
        self.setFixedHeight(208)
        self.hide()
        view.cursor_moved.connect(self._fill)
        look.units_changed.connect(self._fill)

    def show_traces(self, traces: Sequence[StripTrace]) -> None:
        """Whose numbers are wanted."""
        self._traces = traces
        self._fill()

    def put(self, name: str) -> None:
        """Put cursor `A` or `B` where the moving cursor is, or in the middle of the view."""
        at = self._view.cursor_ns
        if at is None:
            at = round((self._view.start_ns + self._view.end_ns) / 2)
        self._view.set_mark(name, at)

    def clear(self) -> None:
        """Take both away."""
        for name in ("A", "B"):
            self._view.set_mark(name, None)

    def _fill(self, _: object = None) -> None:
        marks, units = self._view.marks, self._look.units
        both = {"A", "B"} <= marks.keys() and bool(self._traces)
        self.setVisible(both)
        key = (marks.get("A"), marks.get("B"), units, tuple(id(t) for t in self._traces))
        if not both or key == self._shown_for:
            return
        self._shown_for = key
        a, b = marks["A"], marks["B"]
        self.title.setText(
            tr(
                "A {a}   B {b}   B − A {between}",
                a=time_text(a / SECOND, 0.1),
                b=time_text(b / SECOND, 0.1),
                between=time_text((b - a) / SECOND, 0.1),
            )
        )
        self.table.setRowCount(len(self._traces))
        for row, trace in enumerate(self._traces):
            for column, text in enumerate(row_of(trace, a, b, units)):
                item = TableCell(text)
                if column:
                    item.setTextAlignment(_RIGHT)
                self.table.setItem(row, column, item)


def row_of(trace: StripTrace, a_ns: int, b_ns: int, units: Units = METRIC) -> list[str]:
    """The texts of one row of the table."""
    numbers, unit = span_numbers(trace.pyramid, a_ns, b_ns), trace.unit
    at_a, at_b = trace.shown(a_ns), trace.shown(b_ns)

    decimals = trace.decimals

    def write(value: float) -> str:
        return units.number(value, unit, decimals) if trace.plottable else trace.text(value, units)

    apart = at_b.value - at_a.value if at_a.valid and at_b.valid and trace.plottable else math.nan
    ends = (numbers.minimum, numbers.maximum, numbers.mean)
    spread = (numbers.deviation, numbers.slope_per_s)
    return [
        f"{trace.name} ({units.printed(unit)})" if unit else trace.name,
        at_a.text(write),
        at_b.text(write),
        "–" if math.isnan(apart) else units.text(apart, unit, difference=True, decimals=decimals),
        *(write(v) for v in ends),
        *(value_text(units.value(v, unit, difference=True)) for v in spread),
        count_text(round(numbers.count / trace.held)),
        value_text(numbers.rate_hz / trace.held),
    ]
