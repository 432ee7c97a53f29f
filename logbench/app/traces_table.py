"""A table of traces, each with a check box that says whether it is plotted."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from typing import Any, Protocol

from PySide6.QtCore import QMimeData, QModelIndex, Qt, Signal
from PySide6.QtGui import QKeyEvent
from PySide6.QtWidgets import QHeaderView, QTableView

from logbench.app.plot.dragging import TRACE, trace_data
from logbench.app.tables import Index, RowsModel, RowsTable

Key = tuple[str, str]
_RIGHT = Qt.AlignmentFlag.AlignRight | Qt.AlignmentFlag.AlignVCenter
_LEFT = Qt.AlignmentFlag.AlignLeft | Qt.AlignmentFlag.AlignVCenter


class Row(Protocol):
    """What a row stands for."""

    @property
    def key(self) -> Key:
        """Signal and ECU."""
        ...


class TracesModel(RowsModel):
    """The first column is the signal's name with the check box; `text` and `tip` say the rest."""

    plotted_changed = Signal(object, bool)
    """The user checked or unchecked a row (its trace)."""

    def __init__(self, titles: Sequence[str]) -> None:
        super().__init__(titles)
        self._plotted: set[Key] = set()

    def show_traces(self, rows: Iterable[Row], plotted: Iterable[Key]) -> None:
        """Other rows."""
        self._plotted = set(plotted)
        self.show_rows(rows)

    def set_plotted(self, keys: Iterable[Key]) -> None:
        """What the strips show now."""
        self._plotted = set(keys)
        self.renew(0, 0)

    def plotted(self) -> list[Any]:
        """The traces whose rows are checked, from the top."""
        return [row for row in self.rows if row.key in self._plotted]

    def alignment(self, column: int) -> Qt.AlignmentFlag:
        """Values stand under each other."""
        return _RIGHT if column else _LEFT

    # --- Qt's side ---

    def flags(self, index: Index) -> Qt.ItemFlag:
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
        return trace_data(self.rows[rows[0]].key) if rows else QMimeData()

    def data(self, index: Index, role: int = Qt.ItemDataRole.DisplayRole) -> Any:
        """The check state, and what every table has."""
        if role != Qt.ItemDataRole.CheckStateRole:
            return super().data(index, role)
        if not index.isValid() or index.column():
            return None
        on = self.rows[index.row()].key in self._plotted
        return Qt.CheckState.Checked if on else Qt.CheckState.Unchecked

    def setData(self, index: Index, value: Any, role: int = Qt.ItemDataRole.EditRole) -> bool:
        """Check or uncheck a trace."""
        if role != Qt.ItemDataRole.CheckStateRole:
            return False
        row = self.rows[index.row()]
        on = Qt.CheckState(value) == Qt.CheckState.Checked
        (self._plotted.add if on else self._plotted.discard)(row.key)
        self.dataChanged.emit(index, index)
        self.plotted_changed.emit(row, on)
        return True


class TracesTable(RowsTable):
    """A table of traces with columns of fixed width but the first."""

    def __init__(self, model: TracesModel, name: str, widths: Sequence[int]) -> None:
        super().__init__(model, name, 30)
        self.setDragDropMode(QTableView.DragDropMode.DragOnly)
        header = self.horizontalHeader()
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
