"""The table of current values: value with unit, achieved rate, age."""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping, Sequence
from typing import Any

from PySide6.QtCore import QAbstractTableModel, QModelIndex, QPersistentModelIndex, Qt, Signal
from PySide6.QtWidgets import QHeaderView, QTableView, QWidget

from logbench.app.live.session import Key, LiveTrace
from logbench.app.plot.ticks import unit_text, value_text

_TITLES = ("Signal", "Value", "Rate", "Age")
_Index = QModelIndex | QPersistentModelIndex
_RIGHT = Qt.AlignmentFlag.AlignRight | Qt.AlignmentFlag.AlignVCenter
_NONE = QModelIndex()


def shown_value(trace: LiveTrace, value: float) -> str:
    """A value with its unit, or the text of an enumeration."""
    if trace.kind != "number" and not math.isnan(value):
        from logbench.signals.decoding import label
        from logbench.signals.table import table

        return label(table().by_acronym(trace.signal), value)
    return f"{value_text(value, trace.unit)} {unit_text(trace.unit)}".strip()


class ValuesModel(QAbstractTableModel):
    """One row a trace; the check box says whether it is plotted."""

    plotted_changed = Signal(object, bool)

    def __init__(self) -> None:
        super().__init__()
        self._traces: list[LiveTrace] = []
        self._plotted: set[Key] = set()
        self._rates: Mapping[str, float] = {}
        self._now_ns = 0
        self._order: dict[str, int] = {}

    def clear(self) -> None:
        """Forget all rows."""
        self.beginResetModel()
        self._traces, self._plotted, self._rates = [], set(), {}
        self.endResetModel()

    def set_order(self, acronyms: Sequence[str]) -> None:
        """Rows to come stand in this order; others follow."""
        self._order = {acronym: place for place, acronym in enumerate(acronyms)}

    def add(self, trace: LiveTrace, plotted: bool) -> None:
        """One more row, at its place."""
        place = self._order.get(trace.signal, len(self._order))
        places = [self._order.get(t.signal, len(self._order)) for t in self._traces]
        row = sum(p <= place for p in places)
        self.beginInsertRows(QModelIndex(), row, row)
        self._traces.insert(row, trace)
        if plotted:
            self._plotted.add((trace.signal, trace.ecu))
        self.endInsertRows()

    def set_plotted(self, keys: Iterable[Key]) -> None:
        """What the strips show now."""
        self._plotted = set(keys)
        if self._traces:
            self.dataChanged.emit(self.index(0, 0), self.index(len(self._traces) - 1, 0))

    def plotted(self) -> list[LiveTrace]:
        """The traces whose rows are checked, from the top."""
        return [t for t in self._traces if (t.signal, t.ecu) in self._plotted]

    def tell(self, now_ns: int, rates_hz: Mapping[str, float] | None = None) -> None:
        """Time has passed: show what the traces hold now."""
        self._now_ns = now_ns
        if rates_hz is not None:
            self._rates = rates_hz
        if self._traces:
            last = self.index(len(self._traces) - 1, len(_TITLES) - 1)
            self.dataChanged.emit(self.index(0, 1), last, [Qt.ItemDataRole.DisplayRole])

    def rowCount(self, parent: _Index = _NONE) -> int:
        """Traces."""
        return 0 if parent.isValid() else len(self._traces)

    def columnCount(self, parent: _Index = _NONE) -> int:
        """Signal, value, rate, age."""
        return 0 if parent.isValid() else len(_TITLES)

    def headerData(
        self, section: int, orientation: Qt.Orientation, role: int = Qt.ItemDataRole.DisplayRole
    ) -> Any:
        """Column titles."""
        if orientation == Qt.Orientation.Horizontal and role == Qt.ItemDataRole.DisplayRole:
            return _TITLES[section]
        return None

    def flags(self, index: _Index) -> Qt.ItemFlag:
        """The first column can be checked."""
        flags = Qt.ItemFlag.ItemIsEnabled | Qt.ItemFlag.ItemIsSelectable
        return flags | Qt.ItemFlag.ItemIsUserCheckable if index.column() == 0 else flags

    def data(self, index: _Index, role: int = Qt.ItemDataRole.DisplayRole) -> Any:
        """Texts, alignment, check state, and the signal's name as a tool tip."""
        if not index.isValid():
            return None
        trace = self._traces[index.row()]
        if role == Qt.ItemDataRole.DisplayRole:
            return self._text(trace, index.column())
        if role == Qt.ItemDataRole.TextAlignmentRole and index.column() > 0:
            return _RIGHT
        if role == Qt.ItemDataRole.ToolTipRole:
            return f"{trace.name} (ECU {trace.ecu}); checked: shown in the strips"
        if role == Qt.ItemDataRole.CheckStateRole and index.column() == 0:
            on = (trace.signal, trace.ecu) in self._plotted
            return Qt.CheckState.Checked if on else Qt.CheckState.Unchecked
        return None

    def setData(self, index: _Index, value: Any, role: int = Qt.ItemDataRole.EditRole) -> bool:
        """Check or uncheck a trace."""
        if role != Qt.ItemDataRole.CheckStateRole:
            return False
        trace = self._traces[index.row()]
        key = (trace.signal, trace.ecu)
        on = Qt.CheckState(value) == Qt.CheckState.Checked
        (self._plotted.add if on else self._plotted.discard)(key)
        self.dataChanged.emit(index, index)
        self.plotted_changed.emit(trace, on)
        return True

    def _text(self, trace: LiveTrace, column: int) -> str:
        if column == 0:
            several = sum(t.signal == trace.signal for t in self._traces) > 1
            return f"{trace.signal} {trace.ecu}" if several else trace.signal
        found = trace.pyramid.at(trace.pyramid.end_ns) if len(trace.pyramid) else None
        if found is None:
            return ""
        if column == 1:
            return shown_value(trace, found[1])
        if column == 2:
            rate = self._rates.get(trace.signal)
            return "" if rate is None else f"{rate:.1f}/s"
        age_s = max(0.0, (self._now_ns - found[0]) / 1e9)
        return f"{age_s:.1f} s" if age_s < 100 else f"{age_s:.0f} s"


class ValuesTable(QTableView):
    """Large enough to read beside the wheel of a parked car."""

    def __init__(self, parent: QWidget | None = None) -> None:
        super().__init__(parent)
        self.model_ = ValuesModel()
        self.setModel(self.model_)
        self.setAccessibleName("Current values")
        self.verticalHeader().hide()
        self.verticalHeader().setDefaultSectionSize(30)
        self.setShowGrid(False)
        self.setSelectionBehavior(QTableView.SelectionBehavior.SelectRows)
        self.setSelectionMode(QTableView.SelectionMode.SingleSelection)
        header = self.horizontalHeader()
        header.setSectionResizeMode(0, QHeaderView.ResizeMode.Stretch)
        for column, width in ((1, 96), (2, 56), (3, 50)):
            header.setSectionResizeMode(column, QHeaderView.ResizeMode.Fixed)
            header.resizeSection(column, width)
        header.setHighlightSections(False)
        self.setWordWrap(False)
        self.setHorizontalScrollBarPolicy(Qt.ScrollBarPolicy.ScrollBarAlwaysOff)
