"""The table of recordings with its previews."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass, replace
from typing import Any

import pyarrow as pa
from PySide6.QtCore import QItemSelectionModel, QRectF, Qt, Signal
from PySide6.QtGui import QColor, QKeyEvent, QPainter, QResizeEvent
from PySide6.QtWidgets import (
    QAbstractItemView,
    QHeaderView,
    QStyle,
    QStyledItemDelegate,
    QStyleOptionViewItem,
    QTableView,
)

from logbench.analysis.model import Verdict
from logbench.app.archive.sparks import Sparks, paint_spark, spark_text
from logbench.app.parts import delayed, heads_left
from logbench.app.tables import Index, RowsModel, RowsTable
from logbench.app.theme import VERDICT_SYMBOLS, Theme
from logbench.archive.columns import Cell, Column, cells
from logbench.archive.overview import RANKS, Judged, Row
from logbench.cases.compare import BEFORE
from logbench.words import tr, tr_n, word

WORST, SIDE, PREVIEW = "worst", "side", "preview"
"""Names of columns that are not facts of the recording."""
_NOT_CHECKED = tr("not checked yet")
_CENTER = Qt.AlignmentFlag.AlignCenter
_LEAST_FREE_PX, _FREE_PX = 58, 90
"""Of each column that shares what is left: at least, and before the spacious ones go."""
_PREVIEW_SHARE = 1.25
"""So many times as wide as each of the others."""
_PAD_PX = 20


@dataclass(frozen=True)
class _Listed:
    """One column of the list."""

    name: str
    title: str
    text: Callable[[Row], str]
    order: Callable[[Row], Any] | None = None
    """By what it is sorted; None: it has no order."""
    widest: str = ""
    centered: bool = False
    ascending: bool = False
    """At first."""
    spacious: bool = False
    """Only where there is plenty of room."""


class RecordingsModel(RowsModel):
    """Rows of an overview, in the order chosen by their header."""

    def __init__(self, sparks: Sparks, theme: Theme) -> None:
        self.sparks = sparks
        self.theme = theme
        self.sides: dict[str, str] = {}
        """Recording to `before` or `after`, as chosen for Compare."""
        self.columns = [self._of_fact(column, cell) for column, cell in cells("list")]
        self.columns += [
            _Listed("signals", tr("Signals"), lambda row: f"{len(row.signals)}",
                    lambda row: len(row.signals), tr("Signals"), centered=True, spacious=True),
            _Listed(WORST, tr("Worst (not judged)"), _worst_text,
                    lambda row: RANKS.get(row.judged.worst, -1), _NOT_CHECKED),
            _Listed(SIDE, tr("Side"), lambda row: word(self.sides.get(row.recording, "")),
                    widest=word(BEFORE)),
            _Listed(PREVIEW, "", lambda row: ""),
        ]  # fmt: skip
        super().__init__([column.title for column in self.columns])
        self._order = (self.columns[0], Qt.SortOrder.DescendingOrder)

    def _of_fact(self, column: Column, cell: Cell) -> _Listed:
        def order(row: Row) -> Any:
            value = row.facts[column.name]
            return (value is not None, value.lower() if isinstance(value, str) else value)

        is_text = column.type == pa.string()
        return _Listed(
            column.name,
            cell.title,
            lambda row: column.text(cell, row.facts, self.units),
            order,
            cell.widest,
            centered=not is_text,
            ascending=is_text and not cell.widest,
            spacious=cell.spacious,
        )

    def place(self, name: str) -> int:
        """Where a column stands."""
        return [column.name for column in self.columns].index(name)

    def show_rows(self, rows: Iterable[Row]) -> None:
        """Other recordings."""
        super().show_rows(self._sorted(rows))

    def put(self, recordings: Sequence[str], side: str) -> None:
        """Choose a side; the same side again takes it away."""
        for name in recordings:
            if self.sides.get(name) == side:
                del self.sides[name]
            else:
                self.sides[name] = side
        self.renew()

    def forget(self) -> None:
        """No recordings, on no side."""
        self.sides = {}
        super().show_rows(())

    def judge(self, recording: str, judged: Judged) -> None:
        """Its findings are known now."""
        for number, row in enumerate(self.rows):
            if row.recording == recording and row.judged != judged:
                self.rows[number] = replace(row, judged=judged)
                self.renew()

    def on_side(self, side: str) -> list[str]:
        """The recordings on a side, in the order they were put there."""
        return [name for name, of in self.sides.items() if of == side]

    def text(self, row: Row, column: int) -> str:
        """A fact, or what is known besides."""
        return self.columns[column].text(row)

    def tip(self, row: Row) -> str:
        """File, note, what could not be judged, and why it could not be checked."""
        n = row.judged.lacking
        lacking = tr_n("{n} part was not judged", "{n} parts were not judged", n) if n else ""
        parts = (row.recording, row.facts["note"][:300], lacking, row.judged.problem)
        return "\n".join(filter(None, parts))

    def alignment(self, column: int) -> Qt.AlignmentFlag | None:
        """Numbers in the middle."""
        return _CENTER if self.columns[column].centered else None

    def color(self, row: Row, column: int) -> QColor | None:
        """Of the worst verdict."""
        shown = self.columns[column].name == WORST and row.judged.worst
        return self.theme.verdict(Verdict(row.judged.worst)) if shown else None

    def _sorted(self, rows: Iterable[Row]) -> list[Row]:
        column, order = self._order
        key = column.order or self.columns[0].order
        assert key is not None
        down = order == Qt.SortOrder.DescendingOrder
        return sorted(rows, key=lambda row: (key(row), row.started), reverse=down)

    # --- Qt's side ---

    def sort(self, column: int, order: Qt.SortOrder = Qt.SortOrder.AscendingOrder) -> None:
        """By a column that has an order."""
        if self.columns[column].order is not None:
            self._order = (self.columns[column], order)
            self.layoutAboutToBeChanged.emit()
            self.rows = self._sorted(self.rows)
            self.layoutChanged.emit()

    def headerData(
        self, section: int, orientation: Qt.Orientation, role: int = Qt.ItemDataRole.DisplayRole
    ) -> Any:
        """Column titles; the last is the signal that is previewed."""
        found = super().headerData(section, orientation, role)
        return self.sparks.signal if found == "" else found

    def data(self, index: Index, role: int = Qt.ItemDataRole.DisplayRole) -> Any:
        """The preview in words, and what every table has."""
        spoken = role == Qt.ItemDataRole.AccessibleTextRole and index.isValid()
        if spoken and self.columns[index.column()].name == PREVIEW:
            return spark_text(self.sparks.get(self.rows[index.row()].recording), self.units)
        return super().data(index, role)


def _worst_text(row: Row) -> str:
    worst, problem, lacking = row.judged
    if not worst:
        return tr("cannot be") if problem else _NOT_CHECKED
    text = f"{VERDICT_SYMBOLS[Verdict(worst)]} {word(worst)}"
    return f"{text} ({lacking})" if lacking and worst != Verdict.NOT_JUDGED else text


class SparkDelegate(QStyledItemDelegate):
    """Paints the preview."""

    def paint(self, painter: QPainter, option: QStyleOptionViewItem, index: Index) -> None:
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
            color = option.palette.highlightedText().color() if chosen else theme.trace(0)
            paint_spark(painter, area, preview, color)
        elif model.sparks.known(name):
            painter.setPen(QColor(model.theme.muted))
            painter.drawText(area, int(_CENTER), tr("no {signal}", signal=model.sparks.signal))
        painter.restore()


class RecordingsTable(RowsTable):
    """A key of `letters` does something to what is chosen."""

    chosen_changed = Signal()

    def __init__(self, model: RecordingsModel) -> None:
        super().__init__(model, tr("Recordings of the archive"), 36)
        self.recordings = model
        self.letters: dict[Qt.Key, Callable[[], None]] = {}
        self.setSelectionMode(QTableView.SelectionMode.ExtendedSelection)
        self.setSortingEnabled(True)
        self.setVerticalScrollMode(QAbstractItemView.ScrollMode.ScrollPerPixel)
        self.setTextElideMode(Qt.TextElideMode.ElideMiddle)  # files begin alike
        self.setItemDelegateForColumn(model.place(PREVIEW), SparkDelegate(self))
        heads_left(self)
        self.sortByColumn(0, Qt.SortOrder.DescendingOrder)
        self.setTabKeyNavigation(False)
        self._soon = delayed(self, 40, self._want)
        self.verticalScrollBar().valueChanged.connect(self.look)
        model.modelReset.connect(self._soon.start)
        model.layoutChanged.connect(self._soon.start)
        model.sparks.ready.connect(self._drawn)
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
                self.choose_row(number)
                self.scrollTo(self.recordings.index(number, 0))
                return True
        return False

    def choose_row(self, number: int) -> None:
        """Select one row and no other, whatever keys are held: Qt's own call adds to what is
        selected while Shift or Ctrl is down."""
        flags = QItemSelectionModel.SelectionFlag
        self.selectionModel().setCurrentIndex(
            self.recordings.index(number, 0), flags.ClearAndSelect | flags.Rows
        )

    def sort_by_next(self) -> None:
        """By the next column that has an order, from the keyboard."""
        columns = self.recordings.columns
        ordered = [n for n, column in enumerate(columns) if column.order is not None]
        place = ordered[(self.horizontalHeader().sortIndicatorSection() + 1) % len(ordered)]
        up = Qt.SortOrder.AscendingOrder
        self.sortByColumn(place, up if columns[place].ascending else Qt.SortOrder.DescendingOrder)

    def look(self, _: int = 0) -> None:
        """Read the previews of what is in sight, soon."""
        self._soon.start()

    def keyPressEvent(self, event: QKeyEvent) -> None:
        """The letters of the actions."""
        run = self.letters.get(Qt.Key(event.key()))
        plain = Qt.KeyboardModifier.NoModifier, Qt.KeyboardModifier.KeypadModifier
        if run is not None and event.modifiers() in plain:
            run()
        else:
            super().keyPressEvent(event)

    def resizeEvent(self, event: QResizeEvent) -> None:
        """File, car and preview share what the other columns leave; where that is too little, the
        spacious ones go."""
        super().resizeEvent(event)
        header = self.horizontalHeader()
        measure = self.fontMetrics().horizontalAdvance
        columns = self.recordings.columns
        widths = {
            column: max(measure(columns[column].widest), measure(columns[column].title)) + _PAD_PX
            for column in range(len(columns))
            if columns[column].widest
        }
        room = self.viewport().width()
        last = len(columns) - 1
        free = [n for n in range(last) if n not in widths]
        least = _LEAST_FREE_PX * (len(free) + 1)
        narrow = sum(widths.values()) + _FREE_PX * (len(free) + 1) > room
        for column, listed in enumerate(columns):
            self.setColumnHidden(column, narrow and listed.spacious)
            if narrow and listed.spacious:
                widths.pop(column, None)
                free = [n for n in free if n != column]
        rest = max(least, room - sum(widths.values()))
        share = round(rest / (len(free) + _PREVIEW_SHARE))
        widths |= dict.fromkeys(free, share) | {last: rest - share * len(free)}
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
        place = self.recordings.place(PREVIEW)
        self.recordings.headerDataChanged.emit(Qt.Orientation.Horizontal, place, place)
        self.recordings.renew(place)
