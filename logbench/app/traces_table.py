"""A table of traces, each with a check box that says whether it is plotted."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from typing import Any, Protocol

from PySide6.QtCore import (
    QAbstractTableModel,
    QMimeData,
    QModelIndex,
    QPersistentModelIndex,
    Qt,
    Signal,
)
from PySide6.QtGui import QKeyEvent
from PySide6.QtWidgets import QHeaderView, QTableView, QWidget

from logbench.app.plot.dragging import TRACE, trace_data
from logbench.signals.units import METRIC, Units

Key = tuple[str, str]
_Index = QModelIndex | QPersistentModelIndex
_RIGHT = Qt.AlignmentFlag.AlignRight | Qt.AlignmentFlag.AlignVCenter
_LEFT = Qt.AlignmentFlag.AlignLeft | Qt.AlignmentFlag.AlignVCenter
_NONE = QModelIndex()


class Row(Protocol):
    """What a row stands for."""

    @property
    def key(self) -> Key:
        """Signal and ECU."""
        ...


class TracesModel(QAbstractTableModel):
    """The first column is the signal's name with the check box; `text` and `tip` say the rest."""

    plotted_changed = Signal(object, bool)
    """The user checked or unchecked a row (its trace)."""

    def __init__(self, titles: Sequence[str]) -> None:
        super().__init__()
        self._titles = titles
        self._rows: list[Any] = []
        self._plotted: set[Key] = set()
        self.units = METRIC

    def set_units(self, units: Units) -> None:
        """Show values in other units."""
        self.units = units
        self.tell_changed(0, len(self._titles) - 1)

    def text(self, row: Any, column: int) -> str:
        """What a cell shows."""
        raise NotImplementedError

    def tip(self, row: Any) -> str:
        """The tool tip of a row."""
        raise NotImplementedError

    def show_rows(self, rows: Iterable[Row], plotted: Iterable[Key]) -> None:
        """Other rows."""
        self.beginResetModel()
        self._rows, self._plotted = list(rows), set(plotted)
        self.endResetModel()

    def set_plotted(self, keys: Iterable[Key]) -> None:
        """What the strips show now."""
        self._plotted = set(keys)
        self.tell_changed(0, 0)

    def plotted(self) -> list[Any]:
        """The traces whose rows are checked, from the top."""
        return [row for row in self._rows if row.key in self._plotted]

    def tell_changed(self, first: int, last: int) -> None:
        """The cells of these columns show something else now."""
        if self._rows:
            end = self.index(len(self._rows) - 1, last)
            self.dataChanged.emit(self.index(0, first), end)

    # --- Qt's side ---

    def rowCount(self, parent: _Index = _NONE) -> int:
        """Traces."""
        return 0 if parent.isValid() else len(self._rows)

    def columnCount(self, parent: _Index = _NONE) -> int:
        """Titles."""
        return 0 if parent.isValid() else len(self._titles)

    def headerData(
        self, section: int, orientation: Qt.Orientation, role: int = Qt.ItemDataRole.DisplayRole
    ) -> Any:
        """Column titles."""
        if orientation == Qt.Orientation.Horizontal and role == Qt.ItemDataRole.DisplayRole:
            return self._titles[section]
        if role == Qt.ItemDataRole.TextAlignmentRole:
            return _RIGHT if section else _LEFT
        return None

    def flags(self, index: _Index) -> Qt.ItemFlag:
        """The first column can be checked; a row can be dragged onto a strip."""
        flags = Qt.ItemFlag.ItemIsEnabled | Qt.ItemFlag.ItemIsSelectable
        flags |= Qt.ItemFlag.ItemIsDragEnabled
        return flags | Qt.ItemFlag.ItemIsUserCheckable if index.column() == 0 else flags

    def mimeTypes(self) -> list[str]:
        """Rows are dragged as traces."""
        return [TRACE]

    def mimeData(self, indexes: Sequence[QModelIndex]) -> QMimeData:
        """The trace of the first of these cells."""
        rows = [index.row() for index in indexes if index.isValid()]
        return trace_data(self._rows[rows[0]].key) if rows else QMimeData()

    def row_key(self, row: int) -> Key | None:
        """The trace of a row."""
        return self._rows[row].key if 0 <= row < len(self._rows) else None

    def data(self, index: _Index, role: int = Qt.ItemDataRole.DisplayRole) -> Any:
        """Texts, alignment, check state, tool tip."""
        if not index.isValid():
            return None
        row = self._rows[index.row()]
        if role == Qt.ItemDataRole.DisplayRole:
            return self.text(row, index.column())
        if role == Qt.ItemDataRole.TextAlignmentRole and index.column() > 0:
            return _RIGHT
        if role == Qt.ItemDataRole.ToolTipRole:
            return self.tip(row)
        if role == Qt.ItemDataRole.CheckStateRole and index.column() == 0:
            on = row.key in self._plotted
            return Qt.CheckState.Checked if on else Qt.CheckState.Unchecked
        return None

    def setData(self, index: _Index, value: Any, role: int = Qt.ItemDataRole.EditRole) -> bool:
        """Check or uncheck a trace."""
        if role != Qt.ItemDataRole.CheckStateRole:
            return False
        row = self._rows[index.row()]
        on = Qt.CheckState(value) == Qt.CheckState.Checked
        (self._plotted.add if on else self._plotted.discard)(row.key)
        self.dataChanged.emit(index, index)
        self.plotted_changed.emit(row, on)
        return True


class TracesTable(QTableView):
    """A table of traces with columns of fixed width but the first."""

    def __init__(
        self, model: TracesModel, name: str, widths: Sequence[int], parent: QWidget | None = None
    ) -> None:
        super().__init__(parent)
        self.setModel(model)
        self.setAccessibleName(name)
        self.verticalHeader().hide()
        self.verticalHeader().setDefaultSectionSize(30)
        self.setShowGrid(False)
        self.setWordWrap(False)
        self.setSelectionBehavior(QTableView.SelectionBehavior.SelectRows)
        self.setSelectionMode(QTableView.SelectionMode.SingleSelection)
        self.setDragDropMode(QTableView.DragDropMode.DragOnly)
        self.setHorizontalScrollBarPolicy(Qt.ScrollBarPolicy.ScrollBarAlwaysOff)
        header = self.horizontalHeader()
        header.setHighlightSections(False)
        header.setSectionResizeMode(0, QHeaderView.ResizeMode.Stretch)
        for column, width in enumerate(widths, 1):
            header.setSectionResizeMode(column, QHeaderView.ResizeMode.Fixed)
            header.resizeSection(column, width)

    def keyPressEvent(self, event: QKeyEvent) -> None:
        """Space checks or unchecks the row, whichever of its cells is the current one."""
        index = self.currentIndex().siblingAtColumn(0)
        if event.key() != Qt.Key.Key_Space or event.modifiers() or not index.isValid():
            super().keyPressEvent(event)
            return
        role = Qt.ItemDataRole.CheckStateRole
        on = Qt.CheckState(self.model().data(index, role)) == Qt.CheckState.Checked
        self.model().setData(index, Qt.CheckState.Unchecked if on else Qt.CheckState.Checked, role)
