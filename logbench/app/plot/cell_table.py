"""A table of operating cells: engine speed across, load up; each has a ground and a few words."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

from PySide6.QtCore import (
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
    QTableWidget,
    QTableWidgetItem,
)

from logbench.analysis.comparison.cells import CellKey, LoadAxis
from logbench.app.plain import TableCell, plain_tip
from logbench.app.theme import Theme
from logbench.signals.numbers import count_text
from logbench.words import tr

Index = QModelIndex | QPersistentModelIndex
_ROW_PX = 18
_ACROSS = Qt.Orientation.Horizontal
_CENTER = Qt.AlignmentFlag.AlignCenter
_CHOSEN = Qt.ItemFlag.ItemIsEnabled | Qt.ItemFlag.ItemIsSelectable


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


class CellTable(QTableWidget):
    """Columns are engine speeds from the lowest, rows are loads from the highest. Arrow keys move
    from cell to cell, Esc lets go; `empty` is shown where there is none."""

    chosen = Signal(object)
    """The `CellKey`, or None."""

    def __init__(self, theme: Theme, empty: str) -> None:
        super().__init__()
        self.theme = theme
        self.axes_text = ""
        """What the axes are; empty without cells."""
        self._empty = empty
        self._items: dict[CellKey, QTableWidgetItem] = {}
        self.setItemDelegate(_Delegate(self))
        self.setSelectionMode(QTableWidget.SelectionMode.SingleSelection)
        self.setEditTriggers(QTableWidget.EditTrigger.NoEditTriggers)
        self.setShowGrid(False)
        self.setTabKeyNavigation(False)
        corner = self.findChild(QAbstractButton)
        if corner is not None:
            corner.setAccessibleName(tr("Engine speed across, load up"))
        for header in (self.horizontalHeader(), self.verticalHeader()):
            header.setSectionResizeMode(QHeaderView.ResizeMode.Stretch)
            header.setMinimumSectionSize(_ROW_PX)
            header.setHighlightSections(False)
            header.setDefaultAlignment(_CENTER)
        self.setMinimumSize(QSize(260, 100))
        self.currentItemChanged.connect(lambda *_: self.chosen.emit(self.current))

    @property
    def current(self) -> CellKey | None:
        """The chosen cell."""
        return next((k for k, item in self._items.items() if item is self.currentItem()), None)

    def choose(self, key: CellKey | None) -> None:
        """Choose a cell, or none."""
        if key is None:
            self.setCurrentIndex(QModelIndex())
            self.clearSelection()
        else:
            self.setCurrentItem(self._items[key])

    def show_cells(
        self, cells: Mapping[CellKey, Cell], axis: LoadAxis | None, columns: range, rows: range
    ) -> None:
        """Other cells, in these columns and rows; the chosen one stays chosen, unsent."""
        key = self.current
        with QSignalBlocker(self):
            self._items = {}
            self.clear()
            self.setRowCount(len(rows))
            self.setColumnCount(len(columns))
            for place, row in enumerate(reversed(rows)):
                for column in columns:
                    item = _item(cells.get(CellKey(column, row)))
                    self.setItem(place, columns.index(column), item)
                    if CellKey(column, row) in cells:
                        self._items[CellKey(column, row)] = item
            self.axes_text = ""
            if axis is not None and cells:
                speeds = [_span(CellKey(c, 0).rpm) for c in columns]
                self.setHorizontalHeaderLabels([s.replace("–", "–\n") for s in speeds])
                for place, speed in enumerate(speeds):
                    self.model().setHeaderData(place, _ACROSS, speed, Qt.ItemDataRole.ToolTipRole)
                self.setVerticalHeaderLabels(
                    [_span(CellKey(0, r).load(axis)) for r in reversed(rows)]
                )
                self.axes_text = tr("x axis: engine speed, rpm     y axis: {title}, {unit}",
                                    title=axis.title, unit=axis.unit)  # fmt: skip
            if key in self._items:
                self.choose(key)

    def moveCursor(
        self, action: QTableWidget.CursorAction, modifiers: Qt.KeyboardModifier
    ) -> QModelIndex:
        """To the nearest cell in that direction; the first press chooses the first cell."""
        way = QTableWidget.CursorAction
        ends = {way.MoveHome: 0, way.MoveEnd: -1}
        up, right = {
            way.MoveUp: (1, 0), way.MoveDown: (-1, 0), way.MoveLeft: (0, -1), way.MoveRight: (0, 1),
        }.get(action, (0, 0))  # fmt: skip
        keys = sorted(self._items, key=lambda key: (key.rpm_index, key.load_index))
        here = self.current
        if not keys or not (up or right or action in ends):  # getting the focus chooses nothing
            return self.currentIndex()
        if here is None or action in ends:
            return self.indexFromItem(self._items[keys[ends.get(action, 0)]])

        def distance(key: CellKey) -> tuple[int, int]:
            rows, columns = key.load_index - here.load_index, key.rpm_index - here.rpm_index
            ahead, aside = (rows * up, columns) if up else (columns * right, rows)
            return ahead, abs(aside)

        ahead = [key for key in keys if distance(key)[0] > 0]
        nearest = min(ahead, key=lambda k: distance(k)[0] + 2 * distance(k)[1], default=here)
        return self.indexFromItem(self._items[nearest])

    def keyPressEvent(self, event: QKeyEvent) -> None:
        """Esc lets go of a chosen cell."""
        if event.key() == Qt.Key.Key_Escape and self.current is not None:
            self.choose(None)
        else:
            super().keyPressEvent(event)

    def mousePressEvent(self, event: QMouseEvent) -> None:
        """Beside the cells: choose none."""
        if self.itemAt(event.position().toPoint()) not in self._items.values():
            self.choose(None)
        super().mousePressEvent(event)

    def paintEvent(self, event: QPaintEvent) -> None:
        """The cells, or why there are none."""
        super().paintEvent(event)
        if not self._items:
            painter = QPainter(self.viewport())
            painter.setPen(QColor(self.theme.muted))
            flags = int(_CENTER) | int(Qt.TextFlag.TextWordWrap)
            painter.drawText(self.viewport().rect().adjusted(12, 8, -12, -8), flags, self._empty)
            painter.end()


def _item(cell: Cell | None) -> QTableWidgetItem:
    item = TableCell("" if cell is None else cell.text)
    item.setFlags(Qt.ItemFlag.NoItemFlags if cell is None else _CHOSEN)
    if cell is not None:
        item.setData(Qt.ItemDataRole.UserRole, cell)
        item.setToolTip(plain_tip(cell.said))
        item.setData(Qt.ItemDataRole.AccessibleTextRole, cell.said)
    return item


def _span(ends: tuple[float, float]) -> str:
    return "–".join(map(count_text, ends))
