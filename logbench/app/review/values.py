"""The table of a recording's signals: what is plotted, and the values at the cursor."""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import Any

from PySide6.QtCore import QAbstractTableModel, QModelIndex, QPersistentModelIndex, Qt, Signal
from PySide6.QtWidgets import QHeaderView, QTableView, QWidget

from logbench.app.plot.canvas import StripTrace
from logbench.app.plot.ticks import unit_text, value_text

_Index = QModelIndex | QPersistentModelIndex
_RIGHT = Qt.AlignmentFlag.AlignRight | Qt.AlignmentFlag.AlignVCenter
_TITLES = ("Signal", "At cursor")
_NONE = QModelIndex()


def value_at(trace: StripTrace, t_ns: int | None) -> str:
    """The trace's value at a time with its unit, or an enumeration's text; empty without one."""
    found = None if t_ns is None else trace.pyramid.at(t_ns)
    if found is None:
        return ""
    if not trace.plottable and not math.isnan(found[1]):
        from logbench.signals.decoding import label
        from logbench.signals.table import table

        return label(table().by_acronym(trace.signal), found[1])
    return f"{value_text(found[1], trace.unit)} {unit_text(trace.unit)}".strip()


class SignalsModel(QAbstractTableModel):
    """One row a trace of the recording."""

    plotted_changed = Signal(object, bool)

    def __init__(self) -> None:
        super().__init__()
        self._traces: Sequence[StripTrace] = ()
        self._plotted: set[tuple[str, str]] = set()
        self._cursor_ns: int | None = None

    def show_traces(self, traces: Sequence[StripTrace], plotted: Sequence[tuple[str, str]]) -> None:
        """Another recording."""
        self.beginResetModel()
        self._traces, self._plotted, self._cursor_ns = traces, set(plotted), None
        self.endResetModel()

    def set_plotted(self, keys: Sequence[tuple[str, str]]) -> None:
        """What the strips show now."""
        self._plotted = set(keys)
        self._changed(0, 0)

    def set_cursor(self, t_ns: int | None) -> None:
        """Where the cursor stands."""
        self._cursor_ns = t_ns
        self._changed(1, 1)

    def _changed(self, first: int, last: int) -> None:
        if self._traces:
            end = self.index(len(self._traces) - 1, last)
            self.dataChanged.emit(self.index(0, first), end)

    def rowCount(self, parent: _Index = _NONE) -> int:
        """Traces."""
        return 0 if parent.isValid() else len(self._traces)

    def columnCount(self, parent: _Index = _NONE) -> int:
        """Signal, value at the cursor."""
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
        """Texts and check states."""
        if not index.isValid():
            return None
        trace = self._traces[index.row()]
        if role == Qt.ItemDataRole.DisplayRole:
            if index.column() == 0:
                return trace.label or trace.signal
            return value_at(trace, self._cursor_ns)
        if role == Qt.ItemDataRole.TextAlignmentRole and index.column() > 0:
            return _RIGHT
        if role == Qt.ItemDataRole.ToolTipRole:
            return f"{trace.signal} of ECU {trace.ecu}: {len(trace.pyramid):,} samples"
        if role == Qt.ItemDataRole.CheckStateRole and index.column() == 0:
            on = trace.key in self._plotted
            return Qt.CheckState.Checked if on else Qt.CheckState.Unchecked
        return None

    def setData(self, index: _Index, value: Any, role: int = Qt.ItemDataRole.EditRole) -> bool:
        """Check or uncheck a trace."""
        if role != Qt.ItemDataRole.CheckStateRole:
            return False
        trace = self._traces[index.row()]
        on = Qt.CheckState(value) == Qt.CheckState.Checked
        (self._plotted.add if on else self._plotted.discard)(trace.key)
        self.dataChanged.emit(index, index)
        self.plotted_changed.emit(trace, on)
        return True


class SignalsTable(QTableView):
    """Check a signal to plot it; read its value at the cursor."""

    def __init__(self, parent: QWidget | None = None) -> None:
        super().__init__(parent)
        self.model_ = SignalsModel()
        self.setModel(self.model_)
        self.setAccessibleName("Signals of the recording and their values at the cursor")
        self.verticalHeader().hide()
        self.verticalHeader().setDefaultSectionSize(30)
        self.setShowGrid(False)
        self.setWordWrap(False)
        self.setSelectionBehavior(QTableView.SelectionBehavior.SelectRows)
        self.setSelectionMode(QTableView.SelectionMode.SingleSelection)
        header = self.horizontalHeader()
        header.setHighlightSections(False)
        header.setSectionResizeMode(0, QHeaderView.ResizeMode.Stretch)
        header.setSectionResizeMode(1, QHeaderView.ResizeMode.Fixed)
        header.resizeSection(1, 150)
        self.setHorizontalScrollBarPolicy(Qt.ScrollBarPolicy.ScrollBarAlwaysOff)
