"""A table of operating cells: engine speed across, load up; each has a ground and a few words."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

from PySide6.QtCore import (
    QAbstractTableModel,
    QModelIndex,
    QPersistentModelIndex,
    QRect,
    QSignalBlocker,
    QSize,
    Qt,
    Signal,
)
from PySide6.QtGui import QBrush, QColor, QKeyEvent, QMouseEvent, QPainter, QPaintEvent, QPen
from PySide6.QtWidgets import (
    QAbstractButton,
    QHeaderView,
    QStyle,
    QStyledItemDelegate,
    QStyleOptionViewItem,
    QTableView,
)

from logbench.analysis.comparison.cells import CellKey, LoadAxis
from logbench.app.theme import Theme
from logbench.words import tr

Index = QModelIndex | QPersistentModelIndex
_NOWHERE = QModelIndex()
_ROW_PX = 18
_CENTER = Qt.AlignmentFlag.AlignCenter


@dataclass(frozen=True)
class Cell:
    """One cell as it is shown."""

    text: str
    """A second line is left out where there is no room for it."""
    said: str
    """In full, for the tool tip and screen readers."""
    ground: QBrush
    ink: QColor
    frame: QPen


class _Model(QAbstractTableModel):
    """Columns are engine speeds from the lowest, rows are loads from the highest."""

    def __init__(self) -> None:
        super().__init__()
        self.axis: LoadAxis | None = None
        self.cells: Mapping[CellKey, Cell] = {}
        self.columns, self.rows = range(0), range(0)

    def key_at(self, index: Index) -> CellKey:
        return CellKey(self.columns[index.column()], self.rows[-1 - index.row()])

    def index_of(self, key: CellKey) -> QModelIndex:
        row = len(self.rows) - 1 - self.rows.index(key.load_index)
        return self.index(row, self.columns.index(key.rpm_index))

    def rowCount(self, parent: Index = _NOWHERE) -> int:
        return 0 if parent.isValid() else len(self.rows)

    def columnCount(self, parent: Index = _NOWHERE) -> int:
        return 0 if parent.isValid() else len(self.columns)

    def headerData(
        self, section: int, orientation: Qt.Orientation, role: int = Qt.ItemDataRole.DisplayRole
    ) -> Any:
        if role != Qt.ItemDataRole.DisplayRole or self.axis is None:
            return None
        if orientation == Qt.Orientation.Horizontal:
            low, high = CellKey(self.columns[section], 0).rpm
        else:
            low, high = CellKey(0, self.rows[-1 - section]).load(self.axis)
        return f"{low:.0f}–{high:.0f}"

    def flags(self, index: Index) -> Qt.ItemFlag:
        known = index.isValid() and self.key_at(index) in self.cells
        chosen = Qt.ItemFlag.ItemIsEnabled | Qt.ItemFlag.ItemIsSelectable
        return chosen if known else Qt.ItemFlag.NoItemFlags

    def data(self, index: Index, role: int = Qt.ItemDataRole.DisplayRole) -> Any:
        cell = self.cells.get(self.key_at(index)) if index.isValid() else None
        if cell is None:
            return None
        if role in {Qt.ItemDataRole.ToolTipRole, Qt.ItemDataRole.AccessibleTextRole}:
            return cell.said
        return {Qt.ItemDataRole.DisplayRole: cell.text, Qt.ItemDataRole.UserRole: cell}.get(
            Qt.ItemDataRole(role)
        )


class _Delegate(QStyledItemDelegate):
    """Paints cells, the chosen one with a frame of its own."""

    def __init__(self, table: CellTable) -> None:
        super().__init__(table)
        self._table = table

    def paint(self, painter: QPainter, option: QStyleOptionViewItem, index: Index) -> None:
        cell = index.data(Qt.ItemDataRole.UserRole)
        if cell is None:
            return
        rect: QRect = option.rect
        box = rect.adjusted(1, 1, -1, -1)
        theme, metrics = self._table.theme, painter.fontMetrics()
        painter.save()
        painter.fillRect(box, cell.ground)
        painter.setPen(cell.frame)
        painter.drawRect(box.adjusted(0, 0, -1, -1))
        painter.setPen(cell.ink)
        room = box.height() >= 2 * metrics.height()
        text = cell.text if room else cell.text.partition("\n")[0]
        if metrics.boundingRect(rect, int(_CENTER), text).width() <= box.width():
            painter.drawText(box, int(_CENTER), text)
        if option.state & QStyle.StateFlag.State_Selected:
            for color, width in ((theme.panel, 5), (theme.accent, 3)):
                painter.setPen(QPen(QColor(color), width))
                painter.drawRect(rect.adjusted(1, 1, -2, -2))
        painter.restore()


class CellTable(QTableView):
    """Arrow keys move from cell to cell, Esc lets go; `empty` is shown where there is none."""

    chosen = Signal(object)
    """The `CellKey`, or None."""

    def __init__(self, theme: Theme, empty: str) -> None:
        super().__init__()
        self.theme = theme
        self._empty = empty
        self._model = _Model()
        self.setModel(self._model)
        self.setItemDelegate(_Delegate(self))
        self.setSelectionMode(QTableView.SelectionMode.SingleSelection)
        self.setShowGrid(False)
        self.setTabKeyNavigation(False)
        self.setCornerButtonEnabled(False)
        corner = self.findChild(QAbstractButton)
        if corner is not None:
            corner.setAccessibleName(tr("Engine speed across, load up"))
        for header in (self.horizontalHeader(), self.verticalHeader()):
            header.setSectionResizeMode(QHeaderView.ResizeMode.Stretch)
            header.setMinimumSectionSize(_ROW_PX)
            header.setHighlightSections(False)
            header.setDefaultAlignment(_CENTER)
        self.setMinimumSize(QSize(260, 100))
        self.selectionModel().currentChanged.connect(lambda *_: self.chosen.emit(self.current))

    @property
    def current(self) -> CellKey | None:
        """The chosen cell."""
        index = self.currentIndex()
        return self._model.key_at(index) if index.isValid() else None

    @property
    def axes_text(self) -> str:
        """What the axes are; empty without cells."""
        axis = self._model.axis
        if axis is None or not self._model.cells:
            return ""
        return tr("x axis: engine speed, rpm     y axis: {title}, {unit}",
                  title=axis.title, unit=axis.unit)  # fmt: skip

    def choose(self, key: CellKey | None) -> None:
        """Choose a cell, or none."""
        self.setCurrentIndex(_NOWHERE if key is None else self._model.index_of(key))
        if key is None:
            self.clearSelection()

    def show_cells(
        self, cells: Mapping[CellKey, Cell], axis: LoadAxis | None, columns: range, rows: range
    ) -> None:
        """Other cells, in these columns and rows; the chosen one stays chosen, unsent."""
        model, key = self._model, self.current
        with QSignalBlocker(self):
            model.beginResetModel()
            model.cells, model.axis, model.columns, model.rows = cells, axis, columns, rows
            model.endResetModel()
            if key in cells:
                self.choose(key)

    def moveCursor(
        self, action: QTableView.CursorAction, modifiers: Qt.KeyboardModifier
    ) -> QModelIndex:
        """To the nearest cell in that direction; the first press chooses the first cell."""
        way = QTableView.CursorAction
        up, right = {
            way.MoveUp: (1, 0), way.MoveDown: (-1, 0), way.MoveLeft: (0, -1), way.MoveRight: (0, 1),
        }.get(action, (0, 0))  # fmt: skip
        keys, here = sorted(self._model.cells, key=_order), self.current
        if not keys:
            return _NOWHERE
        if here is None or action in {way.MoveHome, way.MoveEnd}:
            return self._model.index_of(keys[-1 if action == way.MoveEnd else 0])

        def distance(key: CellKey) -> tuple[int, int]:
            rows, columns = key.load_index - here.load_index, key.rpm_index - here.rpm_index
            ahead, aside = (rows * up, columns) if up else (columns * right, rows)
            return ahead, abs(aside)

        ahead = [key for key in keys if distance(key)[0] > 0]
        nearest = min(ahead, key=lambda k: distance(k)[0] + 2 * distance(k)[1], default=here)
        return self._model.index_of(nearest)

    def keyPressEvent(self, event: QKeyEvent) -> None:
        """Esc lets go of a chosen cell."""
        if event.key() == Qt.Key.Key_Escape and self.current is not None:
            self.choose(None)
        else:
            super().keyPressEvent(event)

    def mousePressEvent(self, event: QMouseEvent) -> None:
        """Beside the cells: choose none."""
        index = self.indexAt(event.position().toPoint())
        if not self._model.flags(index):
            self.choose(None)
        super().mousePressEvent(event)

    def paintEvent(self, event: QPaintEvent) -> None:
        """The cells, or why there are none."""
        super().paintEvent(event)
        if not self._model.cells:
            painter = QPainter(self.viewport())
            painter.setPen(QColor(self.theme.muted))
            flags = int(_CENTER) | int(Qt.TextFlag.TextWordWrap)
            painter.drawText(self.viewport().rect().adjusted(12, 8, -12, -8), flags, self._empty)
            painter.end()


def _order(key: CellKey) -> tuple[int, int]:
    return key.rpm_index, key.load_index
