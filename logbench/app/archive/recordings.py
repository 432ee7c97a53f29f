"""The table of recordings with its previews."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import replace
from typing import Any

from PySide6.QtCore import (
    QAbstractTableModel,
    QModelIndex,
    QPersistentModelIndex,
    QRectF,
    Qt,
    QTimer,
    Signal,
)
from PySide6.QtGui import QKeyEvent, QPainter, QResizeEvent
from PySide6.QtWidgets import (
    QAbstractItemView,
    QHeaderView,
    QStyle,
    QStyledItemDelegate,
    QStyleOptionViewItem,
    QTableView,
)

from logbench.analysis.model import Verdict
from logbench.app.archive.sparks import Sparks, paint_spark, paint_words, spark_text
from logbench.app.parts import heads_left
from logbench.app.theme import VERDICT_SYMBOLS, Theme
from logbench.archive.overview import Row
from logbench.signals.numbers import time_text
from logbench.signals.units import METRIC
from logbench.words import tr, word

_Index = QModelIndex | QPersistentModelIndex
_NONE = QModelIndex()
STARTED, CAR, LENGTH, SIGNALS, WORST, SIDE, PREVIEW = range(7)
_TITLES = (
    tr("Started, UTC"),
    tr("Car"),
    tr("Length"),
    tr("Signals"),
    tr("Worst finding"),
    tr("Side"),
    "",
)
_RANKS = {"act": 4, "watch": 3, "within": 2, "not judged": 1, "": 0}
BEFORE, AFTER = "before", "after"
UNNAMED = tr("unnamed car")

_SORT: dict[int, Callable[[Row], Any]] = {
    STARTED: lambda row: row.started_utc,
    CAR: lambda row: (row.car.lower(), row.started_utc),
    LENGTH: lambda row: row.duration_s,
    SIGNALS: lambda row: len(row.signals),
    WORST: lambda row: (_RANKS.get(row.worst, 0), row.started_utc),
}


class RecordingsModel(QAbstractTableModel):
    """Rows of an overview, in the order chosen by their header."""

    def __init__(self, sparks: Sparks, theme: Theme) -> None:
        super().__init__()
        self.sparks = sparks
        self.theme = theme
        self.units = METRIC
        self.rows: list[Row] = []
        self.sides: dict[str, str] = {}
        """Recording to `before` or `after`, as chosen for Compare."""
        self._order = (STARTED, Qt.SortOrder.DescendingOrder)

    def show_rows(self, rows: Sequence[Row]) -> None:
        """Other recordings."""
        self.beginResetModel()
        self.rows = self._sorted(list(rows))
        self.endResetModel()

    def put(self, recordings: Sequence[str], side: str) -> None:
        """Choose a side; the same side again takes it away."""
        for name in recordings:
            if self.sides.get(name) == side:
                del self.sides[name]
            else:
                self.sides[name] = side
        self.tell(SIDE, SIDE)

    def judge(self, recording: str, worst: str, problem: str) -> None:
        """Its findings are known now."""
        for number, row in enumerate(self.rows):
            if row.recording == recording and (row.worst, row.problem) != (worst, problem):
                self.rows[number] = replace(row, worst=worst, problem=problem)
                self.tell(WORST, WORST)

    def on_side(self, side: str) -> list[str]:
        """The recordings on a side, in the order they were put there."""
        return [name for name, of in self.sides.items() if of == side]

    def tell(self, first: int, last: int) -> None:
        """These columns show something else now."""
        if self.rows:
            self.dataChanged.emit(self.index(0, first), self.index(len(self.rows) - 1, last))

    def _sorted(self, rows: list[Row]) -> list[Row]:
        column, order = self._order
        key = _SORT.get(column, _SORT[STARTED])
        return sorted(rows, key=key, reverse=order == Qt.SortOrder.DescendingOrder)

    # --- Qt's side ---

    def sort(self, column: int, order: Qt.SortOrder = Qt.SortOrder.AscendingOrder) -> None:
        """By a column that has an order."""
        if column in _SORT:
            self._order = (column, order)
            self.layoutAboutToBeChanged.emit()
            self.rows = self._sorted(self.rows)
            self.layoutChanged.emit()

    def rowCount(self, parent: _Index = _NONE) -> int:
        """Recordings."""
        return 0 if parent.isValid() else len(self.rows)

    def columnCount(self, parent: _Index = _NONE) -> int:
        """Titles."""
        return 0 if parent.isValid() else len(_TITLES)

    def headerData(
        self, section: int, orientation: Qt.Orientation, role: int = Qt.ItemDataRole.DisplayRole
    ) -> Any:
        """Column titles; the last is the signal that is previewed."""
        if role == Qt.ItemDataRole.TextAlignmentRole and section in {LENGTH, SIGNALS}:
            return Qt.AlignmentFlag.AlignCenter
        if orientation == Qt.Orientation.Horizontal and role == Qt.ItemDataRole.DisplayRole:
            return self.sparks.signal if section == PREVIEW else _TITLES[section]
        return None

    def data(self, index: _Index, role: int = Qt.ItemDataRole.DisplayRole) -> Any:
        """Texts, alignment, colour of the verdict, tool tip."""
        if not index.isValid():
            return None
        row = self.rows[index.row()]
        column = index.column()
        if role == Qt.ItemDataRole.DisplayRole:
            return self._text(row, column)
        if role == Qt.ItemDataRole.TextAlignmentRole and column in {LENGTH, SIGNALS}:
            return Qt.AlignmentFlag.AlignCenter
        if role == Qt.ItemDataRole.ForegroundRole and column == WORST and row.worst:
            return self.theme.verdict(Verdict(row.worst))
        if role == Qt.ItemDataRole.ToolTipRole:
            return "\n".join(part for part in (row.recording, row.note[:300], row.problem) if part)
        if role == Qt.ItemDataRole.AccessibleTextRole and column == PREVIEW:
            return spark_text(self.sparks.get(row.recording), self.units)
        return None

    def _text(self, row: Row, column: int) -> str:
        if column == STARTED:
            return row.started_utc[:16].replace("T", " ")
        if column == CAR:
            litres = "" if row.displacement_l is None else f"  {row.displacement_l:.1f} L"
            return f"{row.car or UNNAMED}{litres}"
        if column == LENGTH:
            return time_text(row.duration_s)
        if column == SIGNALS:
            return f"{len(row.signals)}"
        if column == WORST:
            if row.worst:
                return f"{VERDICT_SYMBOLS[Verdict(row.worst)]} {word(row.worst)}"
            return tr("cannot be") if row.problem else tr("not checked yet")
        return word(self.sides.get(row.recording, "")) if column == SIDE else ""


class SparkDelegate(QStyledItemDelegate):
    """Paints the preview."""

    def paint(self, painter: QPainter, option: QStyleOptionViewItem, index: _Index) -> None:
        """Ground as usual, then the picture."""
        super().paint(painter, option, index)
        model = index.model()
        if not isinstance(model, RecordingsModel):
            return
        name = model.rows[index.row()].recording
        area = QRectF(option.rect).adjusted(8, 5, -8, -5)
        preview = model.sparks.get(name)
        painter.save()
        if preview is not None and not preview.is_empty:
            chosen = option.state & QStyle.StateFlag.State_Selected
            theme = model.theme
            colour = option.palette.highlightedText().color() if chosen else theme.trace(0)
            paint_spark(painter, area, preview, colour)
        elif model.sparks.known(name):
            paint_words(painter, area, tr("no {signal}", signal=model.sparks.signal), model.theme)
        painter.restore()


class RecordingsTable(QTableView):
    """Enter opens, B and A choose sides, L looks for drives like it, T follows a number."""

    opened = Signal()
    put = Signal(str)
    like_wanted = Signal()
    trend_wanted = Signal()
    chosen_changed = Signal()

    def __init__(self, model: RecordingsModel) -> None:
        super().__init__()
        self.recordings = model
        self.setModel(model)
        self.setAccessibleName(tr("Recordings of the archive"))
        self.setSelectionBehavior(QTableView.SelectionBehavior.SelectRows)
        self.setSelectionMode(QTableView.SelectionMode.ExtendedSelection)
        self.setShowGrid(False)
        self.setWordWrap(False)
        self.setSortingEnabled(True)
        self.setHorizontalScrollBarPolicy(Qt.ScrollBarPolicy.ScrollBarAlwaysOff)
        self.setVerticalScrollMode(QAbstractItemView.ScrollMode.ScrollPerPixel)
        self.setItemDelegateForColumn(PREVIEW, SparkDelegate(self))
        self.verticalHeader().hide()
        self.verticalHeader().setDefaultSectionSize(36)
        self.horizontalHeader().setHighlightSections(False)
        heads_left(self)
        self.sortByColumn(STARTED, Qt.SortOrder.DescendingOrder)
        self.setTabKeyNavigation(False)
        self._soon = QTimer(self)
        self._soon.setSingleShot(True)
        self._soon.setInterval(40)
        self._soon.timeout.connect(self._want)
        self.verticalScrollBar().valueChanged.connect(lambda _: self._soon.start())
        model.modelReset.connect(self._soon.start)
        model.layoutChanged.connect(self._soon.start)
        model.sparks.ready.connect(self._drawn)
        self.doubleClicked.connect(lambda _: self.opened.emit())
        self.selectionModel().selectionChanged.connect(lambda *_: self.chosen_changed.emit())
        self.selectionModel().currentRowChanged.connect(lambda *_: self.chosen_changed.emit())

    def chosen(self) -> list[Row]:
        """The rows selected, from the top."""
        rows = self.recordings.rows
        numbers = sorted(index.row() for index in self.selectionModel().selectedRows())
        return [rows[n] for n in numbers if n < len(rows)]

    def choose(self, recording: str) -> bool:
        """Select a recording and bring it in sight; False when the filter hides it."""
        for number, row in enumerate(self.recordings.rows):
            if row.recording == recording:
                self.selectRow(number)
                self.scrollTo(self.recordings.index(number, 0))
                return True
        return False

    def sort_by_next(self) -> None:
        """By the next column that has an order, from the keyboard."""
        header = self.horizontalHeader()
        column = (header.sortIndicatorSection() + 1) % len(_SORT)
        down = Qt.SortOrder.AscendingOrder if column == CAR else Qt.SortOrder.DescendingOrder
        self.sortByColumn(column, down)

    def look(self) -> None:
        """Read the previews of what is in sight, soon."""
        self._soon.start()

    def keyPressEvent(self, event: QKeyEvent) -> None:
        """The letters of the actions."""
        key = event.key()
        plain = event.modifiers() in {
            Qt.KeyboardModifier.NoModifier, Qt.KeyboardModifier.KeypadModifier,
        }  # fmt: skip
        if plain and key in {Qt.Key.Key_Return, Qt.Key.Key_Enter}:
            self.opened.emit()
        elif plain and key in {Qt.Key.Key_A, Qt.Key.Key_B}:
            self.put.emit(AFTER if key == Qt.Key.Key_A else BEFORE)
        elif plain and key == Qt.Key.Key_L:
            self.like_wanted.emit()
        elif plain and key == Qt.Key.Key_T:
            self.trend_wanted.emit()
        else:
            super().keyPressEvent(event)

    def resizeEvent(self, event: QResizeEvent) -> None:
        """The car and the preview share what the other columns leave."""
        super().resizeEvent(event)
        header = self.horizontalHeader()
        measure = self.fontMetrics().horizontalAdvance
        widths = {
            STARTED: measure("2026-00-00 00:00") + 14, LENGTH: measure("10:00:00") + 16,
            SIGNALS: measure(_TITLES[SIGNALS]) + 28, WORST: measure(tr("not checked yet")) + 20,
            SIDE: measure(word(BEFORE)) + 20,
        }  # fmt: skip
        rest = max(140, self.viewport().width() - sum(widths.values()))
        widths |= {CAR: round(rest * 0.45), PREVIEW: rest - round(rest * 0.45)}
        for column, width in widths.items():
            header.setSectionResizeMode(column, QHeaderView.ResizeMode.Fixed)
            header.resizeSection(column, width)
        self._soon.start()

    def _want(self) -> None:
        rows = self.recordings.rows
        if not rows or not self.isVisible():
            return
        first = max(0, self.rowAt(0))
        last = self.rowAt(self.viewport().height() - 1)
        last = len(rows) - 1 if last < 0 else last
        self.recordings.sparks.want([row.recording for row in rows[first : last + 1]])

    def _drawn(self) -> None:
        self.recordings.headerDataChanged.emit(Qt.Orientation.Horizontal, PREVIEW, PREVIEW)
        self.recordings.tell(PREVIEW, PREVIEW)
