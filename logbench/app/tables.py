"""What the tables of all pages have in common: rows of objects, read only, in the units chosen."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from typing import Any

from PySide6.QtCore import (
    QAbstractTableModel,
    QEvent,
    QModelIndex,
    QObject,
    QPersistentModelIndex,
    Qt,
)
from PySide6.QtGui import QColor
from PySide6.QtWidgets import (
    QAbstractItemView,
    QHeaderView,
    QSplitter,
    QTableView,
    QTreeWidget,
    QWidget,
)

from logbench.app.plain import plain_tip
from logbench.app.theme import row_px
from logbench.foreign import in_label
from logbench.signals.units import METRIC, Units

Index = QModelIndex | QPersistentModelIndex
_NONE = QModelIndex()


class RowsModel(QAbstractTableModel):
    """One row an object; a subclass says what its cells show."""

    def __init__(self, titles: Sequence[str]) -> None:
        super().__init__()
        self.titles = titles
        self.rows: list[Any] = []
        self.units = METRIC

    def text(self, row: Any, column: int) -> str:
        """What a cell shows."""
        raise NotImplementedError

    def tip(self, row: Any) -> str:
        """The tool tip of a row."""
        raise NotImplementedError

    def alignment(self, column: int) -> Qt.AlignmentFlag | None:
        """Of a column's cells; None: to the left."""
        return None

    def color(self, row: Any, column: int) -> QColor | None:
        """Of a cell's text; None: as all text."""
        return None

    def show_rows(self, rows: Iterable[Any]) -> None:
        """Other rows."""
        self.beginResetModel()
        self.rows = list(rows)
        self.endResetModel()

    def set_units(self, units: Units) -> None:
        """Show values in other units."""
        self.units = units
        self.renew()

    def renew(self, first: int = 0, last: int | None = None) -> None:
        """These columns (all, or one) show something else now."""
        if self.rows:
            end = len(self.titles) - 1 if last is None else last
            self.dataChanged.emit(self.index(0, first), self.index(len(self.rows) - 1, end))

    # --- Qt's side ---

    def rowCount(self, parent: Index = _NONE) -> int:
        """Rows."""
        return 0 if parent.isValid() else len(self.rows)

    def columnCount(self, parent: Index = _NONE) -> int:
        """Titles."""
        return 0 if parent.isValid() else len(self.titles)

    def headerData(
        self, section: int, orientation: Qt.Orientation, role: int = Qt.ItemDataRole.DisplayRole
    ) -> Any:
        """Column titles, over their cells."""
        if role == Qt.ItemDataRole.TextAlignmentRole:
            return self.alignment(section)
        wanted = orientation == Qt.Orientation.Horizontal and role == Qt.ItemDataRole.DisplayRole
        return self.titles[section] if wanted else None

    def data(self, index: Index, role: int = Qt.ItemDataRole.DisplayRole) -> Any:
        """Text, tool tip, alignment, color."""
        if not index.isValid():
            return None
        row, column = self.rows[index.row()], index.column()
        if role == Qt.ItemDataRole.DisplayRole:
            return in_label(self.text(row, column), lines=True)
        if role == Qt.ItemDataRole.ToolTipRole:
            return plain_tip(self.tip(row))
        if role == Qt.ItemDataRole.TextAlignmentRole:
            return self.alignment(column)
        return self.color(row, column) if role == Qt.ItemDataRole.ForegroundRole else None


class RowHeights(QObject):
    """The rows of a table as high as the look wants them: so much at the desk."""

    def __init__(self, table: QTableView, desk_px: int) -> None:
        super().__init__(table)
        self._table, self._desk_px = table, desk_px
        table.installEventFilter(self)
        self._fit()

    def eventFilter(self, watched: QObject, event: QEvent) -> bool:
        """Another look, or another size of texts."""
        if event.type() in (QEvent.Type.StyleChange, QEvent.Type.FontChange):
            self._fit()
        return False

    def _fit(self) -> None:
        self._table.verticalHeader().setDefaultSectionSize(row_px(self._desk_px))


class RowsTable(QTableView):
    """Whole rows are chosen; columns have their place."""

    def __init__(self, model: RowsModel, name: str, desk_px: int) -> None:
        super().__init__(showGrid=False, wordWrap=False)
        self.setAccessibleName(name)
        self.setModel(model)
        self.setSelectionBehavior(QTableView.SelectionBehavior.SelectRows)
        self.setSelectionMode(QTableView.SelectionMode.SingleSelection)
        self.setHorizontalScrollBarPolicy(Qt.ScrollBarPolicy.ScrollBarAlwaysOff)
        self.verticalHeader().hide()
        RowHeights(self, desk_px)
        self.horizontalHeader().setHighlightSections(False)


class Tree(QTreeWidget):
    """A list of rows, or with `branches` of rows below rows. The columns `wide` share what is left;
    without any, the last takes it."""

    def __init__(
        self, titles: Sequence[str], name: str, *, wide: Sequence[int] = (), branches: bool = False
    ) -> None:
        super().__init__()
        self.setAccessibleName(name)
        self.setHeaderLabels(list(titles))
        for column, title in enumerate(titles):
            self.headerItem().setToolTip(column, plain_tip(title))
        self.setRootIsDecorated(branches)
        self.setUniformRowHeights(True)
        modes, header = QHeaderView.ResizeMode, self.header()
        header.setStretchLastSection(not wide)
        for column in range(len(titles) if wide else len(titles) - 1):
            mode = modes.Stretch if column in wide else modes.ResizeToContents
            header.setSectionResizeMode(column, mode)


def step(rows: QAbstractItemView, by: int) -> None:
    """Choose the next row, or the one before; the first where none is chosen."""
    model, index = rows.model(), rows.currentIndex()
    if model.rowCount():
        at = index.row() + by if index.isValid() else 0
        rows.setCurrentIndex(model.index(at % model.rowCount(), 0))


def splitter(orientation: Qt.Orientation, sizes: Mapping[QWidget, int]) -> QSplitter:
    """Widgets beside or below each other, each of a size in pixels at first; none can be folded."""
    made = QSplitter(orientation, childrenCollapsible=False)
    for widget in sizes:
        made.addWidget(widget)
    made.setSizes([*sizes.values()])
    return made
