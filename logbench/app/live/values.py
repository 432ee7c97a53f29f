"""The table of current values: value with unit, achieved rate, age."""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping, Sequence
from typing import Any, cast

from PySide6.QtCore import QEvent, QModelIndex, QPersistentModelIndex, QSize, Qt
from PySide6.QtGui import QPainter, QPalette
from PySide6.QtWidgets import QStyle, QStyledItemDelegate, QStyleOptionViewItem, QWidget

from logbench.app.traces_table import TracesModel, TracesTable
from logbench.plot.trace import LiveTrace
from logbench.signals.units import Units
from logbench.signals.values import Clock, age_text
from logbench.words import tr

_PAD = 4
_USUAL_NAME, _USUAL = "LAMBDA11_34", ("○ −8,888 km/h", "10.0 of 0.5/s", "100 s")
"""What the columns must have room for."""
_CHECK_PX = 28
_RIGHT = int(Qt.AlignmentFlag.AlignRight | Qt.AlignmentFlag.AlignVCenter)


class ValuesModel(TracesModel):
    """One row a trace, in the order in which the signals were asked for."""

    def __init__(self) -> None:
        super().__init__((tr("Signal"), tr("Value"), tr("Rate"), tr("Age")))
        self._rates: Mapping[str, float] = {}
        self._wanted_hz: Mapping[str, float] = {}
        self._clock = Clock(0)
        self._order: dict[str, int] = {}
        self._cells: dict[tuple[int, int], str] = {}
        """What the cells that change show, by row and column."""

    def clear(self) -> None:
        """Forget all rows."""
        self._rates = {}
        self._cells = {}
        self.show_traces((), ())

    def set_units(self, units: Units) -> None:
        """Show values in other units."""
        self._cells = {}
        super().set_units(units)

    def set_order(self, acronyms: Sequence[str], wanted_hz: Mapping[str, float]) -> None:
        """Rows to come stand in this order; others follow. Wanted rates that nobody chose are the
        usual ones."""
        from logbench.signals.table import table

        usual = {name: table().by_acronym(name).rate_hz for name in acronyms}
        self._wanted_hz = {**usual, **wanted_hz}
        self._order = {acronym: place for place, acronym in enumerate(acronyms)}

    def add(self, trace: LiveTrace, plotted: bool) -> None:
        """One more row, at its place."""
        place = self._order.get(trace.signal, len(self._order))
        places = [self._order.get(t.signal, len(self._order)) for t in self.rows]
        row = sum(p <= place for p in places)
        self._cells = {}
        self.beginInsertRows(QModelIndex(), row, row)
        self.rows.insert(row, trace)
        if plotted:
            self._plotted.add(trace.key)
        self.endInsertRows()

    def keep_only(self, asked: Callable[[LiveTrace], bool]) -> list[LiveTrace]:
        """Take out the rows of traces that are not asked for any more; returns those traces."""
        gone = [trace for trace in self.rows if not asked(trace)]
        if gone:
            self._cells = {}
            self.show_traces([t for t in self.rows if asked(t)], self._plotted)
        return gone

    def holds(self, trace: LiveTrace) -> bool:
        """Whether a trace has a row."""
        return any(row.key == trace.key for row in self.rows)

    def valid(self, row: int) -> bool:
        """Whether a row's value is live; another is shown muted."""
        return bool(self.rows[row].shown(self._clock).valid)

    def tell(self, clock: Clock, rates_hz: Mapping[str, float] | None = None) -> None:
        """Time has passed: show what the traces hold now."""
        self._clock = clock
        if rates_hz is not None:
            self._rates = rates_hz
        for row, trace in enumerate(self.rows):
            for column in (1, 2, 3):
                text = self.text(trace, column)
                if self._cells.get((row, column)) != text:
                    self._cells[row, column] = text
                    index = self.index(row, column)
                    self.dataChanged.emit(index, index)

    def cell(self, row: int, column: int) -> str:
        """What a cell shows, by its place."""
        kept = self._cells.get((row, column))
        return self.text(self.rows[row], column) if kept is None else kept

    def tip(self, row: LiveTrace) -> str:
        """The signal's name in full, and its rate."""
        wanted = self._wanted_hz.get(row.signal)
        rate = "" if wanted is None else tr("; {wanted:g} a second are wanted", wanted=wanted)
        return tr(
            "{name} (ECU {ecu}){rate}; checked: shown in the strips",
            name=row.title,
            ecu=row.ecu,
            rate=rate,
        )

    def text(self, row: LiveTrace, column: int) -> str:
        """Name, newest value, achieved and wanted rate, age of the value."""
        if column == 0:
            several = sum(t.signal == row.signal for t in self.rows) > 1
            return f"{row.signal} {row.ecu}" if several else row.signal
        if column == 1:
            return row.shown_text(self._clock, self.units, aged=False)
        if column == 2:
            rate = self._rates.get(row.signal)
            wanted = self._wanted_hz.get(row.signal)
            of = "/s" if wanted is None else tr(" of {wanted:g}/s", wanted=wanted)
            return "" if rate is None else f"{rate:.1f}{of}"
        shown = row.shown(self._clock)
        return "" if math.isnan(shown.value) else age_text(shown.age_s)


class PlainCells(QStyledItemDelegate):
    """Text and nothing else. The style sheet's way of drawing a cell costs ten times as much, and
    these are drawn anew several times a second."""

    def __init__(self, model: ValuesModel, parent: QWidget) -> None:
        super().__init__(parent)
        self._model = model

    def paint(
        self,
        painter: QPainter,
        option: QStyleOptionViewItem,
        index: QModelIndex | QPersistentModelIndex,
    ) -> None:
        """One cell."""
        shown = cast("Any", option)  # whose fields Qt's stubs do not know
        rect, palette, role = shown.rect, shown.palette, QPalette.ColorRole.Text
        if shown.state & QStyle.StateFlag.State_Selected:
            painter.fillRect(rect, palette.brush(QPalette.ColorRole.Highlight))
            role = QPalette.ColorRole.HighlightedText
        elif not self._model.valid(index.row()):
            role = QPalette.ColorRole.PlaceholderText
        painter.setPen(palette.color(role))
        text = self._model.cell(index.row(), index.column())
        room = rect.width() - 2 * _PAD
        if shown.fontMetrics.horizontalAdvance(text) > room:
            text = shown.fontMetrics.elidedText(text, Qt.TextElideMode.ElideRight, room)
        painter.drawText(rect.adjusted(_PAD, 0, -_PAD, 0), _RIGHT, text)


class ValuesTable(TracesTable):
    """Large enough to read beside the wheel of a parked car."""

    def __init__(self) -> None:
        self.model_ = ValuesModel()
        super().__init__(self.model_, tr("Current values"), (92, 88, 50))
        self._fit()
        self._cells = PlainCells(self.model_, self)
        for column in range(1, self.model_.columnCount()):
            self.setItemDelegateForColumn(column, self._cells)

    def changeEvent(self, event: QEvent) -> None:
        """Columns for texts of another size."""
        super().changeEvent(event)
        if event.type() in (QEvent.Type.FontChange, QEvent.Type.StyleChange):
            self._fit()

    def minimumSizeHint(self) -> QSize:
        """All columns, with the usual texts in them."""
        columns = sum(self._wide(text) for text in (_USUAL_NAME, *_USUAL))
        return QSize(columns + _CHECK_PX + self.verticalScrollBar().sizeHint().width(), 120)

    def _fit(self) -> None:
        for column, text in enumerate(_USUAL, 1):
            self.horizontalHeader().resizeSection(column, self._wide(text))

    def _wide(self, text: str) -> int:
        return self.fontMetrics().horizontalAdvance(text) + 3 * _PAD
