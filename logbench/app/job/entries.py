"""A table over one list of the job: rows are added, edited in place, and taken away."""

from __future__ import annotations

from collections.abc import Callable, Container, Sequence
from dataclasses import dataclass
from typing import Any

from PySide6.QtCore import QRect, Qt, Signal
from PySide6.QtGui import QKeyEvent
from PySide6.QtWidgets import (
    QAbstractItemView,
    QComboBox,
    QHBoxLayout,
    QHeaderView,
    QStyledItemDelegate,
    QStyleOptionViewItem,
    QTableWidget,
    QTableWidgetItem,
    QVBoxLayout,
    QWidget,
)

from logbench.app.job.opened import OpenJob
from logbench.app.parts import STRETCH, delayed, heads_left, lay, muted, named, text_button
from logbench.app.plain import Choice, TableCell, plain_tip
from logbench.app.tables import Index
from logbench.errors import JobError
from logbench.foreign import raw
from logbench.job.model import Job, Role
from logbench.job.times import short_time
from logbench.job.typed import append
from logbench.words import inside, tr, word

AGREED = {tr("not decided"): None, tr("agreed"): True, tr("declined"): False}
ROLES: tuple[Role, ...] = ("before", "after", "other")


def role_box(name: str) -> QComboBox:
    """A choice of roles, each a row's data."""
    box = named(Choice(), name)
    for role in ROLES:
        box.addItem(word(role), role)
    return box


def role_of_next(roles: Container[Role]) -> Role:
    """What the next recording or reading is, after those of these roles."""
    return "after" if "before" in roles else "before"


@dataclass(frozen=True, slots=True)
class Column:
    """One field of an entry. `choices`: shown text to value; `stretch`: its share of the room."""

    field: str
    title: str
    stretch: bool = True
    choices: dict[str, Any] | None = None
    number: bool = False
    tick: bool = False
    fixed: bool = False
    shown: Callable[[Any], str] = raw


TIME = Column("at_utc", tr("Time"), False, fixed=True, shown=short_time)


class _ChoiceDelegate(QStyledItemDelegate):
    """A box with the legal values."""

    def __init__(self, choices: Sequence[str], parent: QWidget) -> None:
        super().__init__(parent)
        self._choices = list(choices)

    def createEditor(self, parent: QWidget, option: QStyleOptionViewItem, index: Index) -> QWidget:
        """The box."""
        box = Choice(parent)
        box.addItems(self._choices)
        box.activated.connect(lambda _: self.commitData.emit(box))
        return box

    def updateEditorGeometry(
        self, editor: QWidget, option: QStyleOptionViewItem, index: Index
    ) -> None:
        """As wide as its words, also in a narrow column at the edge."""
        room = QRect(option.rect)
        room.setLeft(min(room.left(), room.right() - editor.sizeHint().width()))
        editor.setGeometry(room)


class _Table(QTableWidget):
    """Del takes the chosen rows away, Enter opens one where that means something."""

    remove_wanted = Signal()
    open_wanted = Signal(int)

    def keyPressEvent(self, event: QKeyEvent) -> None:
        """Keys of the table."""
        if event.key() == Qt.Key.Key_Delete:
            self.remove_wanted.emit()
        elif event.key() in (Qt.Key.Key_Return, Qt.Key.Key_Enter) and self.currentRow() >= 0:
            if self.state() is not self.State.EditingState:  # the field's own Enter comes here, too
                self.open_wanted.emit(self.currentRow())
        else:
            super().keyPressEvent(event)


class Tab(QWidget):
    """Shows a part of the job that is open, with the tables in it."""

    tables: Sequence[Tab] = ()

    def __init__(self) -> None:
        super().__init__()
        self._open: OpenJob | None = None

    def show_job(self, opened: OpenJob) -> None:
        """Show this job."""
        self._open = opened
        for table in self.tables:
            table.show_job(opened)
        self.refresh()

    def refresh(self) -> None:
        """The job was changed, here or by what was done for it."""
        for table in self.tables:
            table.refresh()

    def _with_job(self, run: Callable[..., object], *rest: object) -> None:
        """Do something for the job that is shown."""
        if self._open is not None:
            run(self._open, *rest)


class EntryTable(Tab):
    """`attribute`: the job's list; `make`: a new entry, None where rows come from elsewhere."""

    opened = Signal(int)
    """Row that was double-clicked, or chosen with Enter, on a fixed column."""

    def __init__(
        self,
        title: str,
        attribute: str,
        columns: Sequence[Column],
        make: Callable[[], Any] | None = None,
        hint: str = "",
    ) -> None:
        super().__init__()
        self.attribute = attribute
        self.columns = tuple(columns)
        self._make = make
        self._filling = False
        self._shown: list[Any] = []
        self.table = named(_Table(0, len(self.columns)), title)
        self._set_up_table()
        self.add_button = text_button(
            tr("Add"), self.add_row, tr("Add to {list}", list=inside(title))
        )
        self.remove_button = text_button(
            tr("Remove  Del"),
            self.remove_rows,
            tr("Remove the chosen rows of {list}", list=inside(title)),
        )
        head = muted(title, wrap=False)
        self.buttons = lay(QHBoxLayout(), head, STRETCH, self.add_button, self.remove_button)
        self.hint = muted(hint)
        lay(QVBoxLayout(self), self.buttons, (self.table, 1), self.hint, margins=(0, 0, 0, 0))
        self.add_button.setVisible(make is not None)
        self.remove_button.setEnabled(False)
        self.hint.setVisible(bool(hint))

    def _set_up_table(self) -> None:
        table = self.table
        table.setHorizontalHeaderLabels([c.title for c in self.columns])
        table.verticalHeader().hide()
        table.setWordWrap(True)
        table.setMinimumHeight(150)
        table.setTabKeyNavigation(False)
        table.setSelectionBehavior(QAbstractItemView.SelectionBehavior.SelectRows)
        heads_left(table)
        mode = QHeaderView.ResizeMode
        for number, column in enumerate(self.columns):
            table.horizontalHeader().setSectionResizeMode(
                number, mode.Stretch if column.stretch else mode.ResizeToContents
            )
            if column.choices is not None:
                table.setItemDelegateForColumn(number, _ChoiceDelegate(list(column.choices), table))
        fit = delayed(self, 0, table.resizeRowsToContents)
        table.horizontalHeader().sectionResized.connect(fit.start)
        table.itemChanged.connect(self._changed)
        table.remove_wanted.connect(self.remove_rows)
        table.open_wanted.connect(self._enter)
        table.cellDoubleClicked.connect(self._double_clicked)

    # --- showing ---

    @property
    def entries(self) -> list[Any]:
        """The job's list."""
        return [] if self._open is None else list(getattr(self._open.job, self.attribute))

    def fill(self) -> None:
        """Show the rows anew; the current cell stays."""
        row, column = self.table.currentRow(), self.table.currentColumn()
        self._filling = True
        self._shown = self.entries
        self.table.setRowCount(0)
        self.table.setRowCount(len(self._shown))
        for at, entry in enumerate(self.entries):
            for number, spec in enumerate(self.columns):
                self.table.setItem(at, number, _item(spec, getattr(entry, spec.field)))
        self._filling = False
        self.table.resizeRowsToContents()
        if 0 <= row < self.table.rowCount():
            self.table.setCurrentCell(row, max(column, 0))
        self.remove_button.setEnabled(bool(self.entries))

    def refresh(self) -> None:
        """Show rows anew where somebody else has added some."""
        same = zip(self._shown, self.entries, strict=False)
        if len(self._shown) != len(self.entries) or any(a is not b for a, b in same):
            self.fill()

    # --- editing ---

    def add_row(self) -> None:
        """A new entry, its first field open."""
        if self._open is None or self._make is None:
            return
        entry = self._make()
        title = self.add_button.accessibleName()
        try:
            self._open.edit(lambda job: append(job, self.attribute, entry), title)
        except JobError as error:
            self._open.trouble(str(error))
            return
        self.refresh()
        row = self.table.rowCount() - 1
        first = next(n for n, c in enumerate(self.columns) if not (c.fixed or c.choices or c.tick))
        self.table.setCurrentCell(row, first)
        item = self.table.item(row, first)
        if item is not None and self.isVisible():
            self.table.setFocus()
            self.table.editItem(item)

    def remove_rows(self) -> None:
        """Take the chosen entries out of the job; files stay in its folder."""
        rows = {index.row() for index in self.table.selectedIndexes()}
        if self._open is None or not rows:
            return

        def change(job: Job) -> None:
            kept = [e for n, e in enumerate(getattr(job, self.attribute)) if n not in rows]
            setattr(job, self.attribute, kept)

        self._open.edit(change, self.remove_button.accessibleName())
        self.fill()
        self._open.removed.emit(self.table.accessibleName())

    def _changed(self, item: QTableWidgetItem) -> None:
        if self._filling or self._open is None:
            return
        column, entry = self.columns[item.column()], self.entries[item.row()]
        title = self.table.accessibleName()
        self._open.set_value(entry, column.field, _value(column, item), title)
        self._filling = True
        fresh = _item(column, getattr(entry, column.field))
        self.table.setItem(item.row(), item.column(), fresh)
        self._filling = False
        self.table.resizeRowToContents(fresh.row())

    def _enter(self, row: int) -> None:
        item = self.table.item(row, self.table.currentColumn())
        if item is None or item.column() < 0 or self.columns[item.column()].fixed:
            self.opened.emit(row)
        else:
            self.table.editItem(item)

    def _double_clicked(self, row: int, column: int) -> None:
        if self.columns[column].fixed:
            self.opened.emit(row)


def _item(column: Column, value: Any) -> QTableWidgetItem:
    flag = Qt.ItemFlag
    if column.tick:
        item = TableCell()
        item.setFlags(flag.ItemIsEnabled | flag.ItemIsSelectable | flag.ItemIsUserCheckable)
        item.setCheckState(Qt.CheckState.Checked if value else Qt.CheckState.Unchecked)
        return item
    if column.choices is not None:
        text = next((word for word, legal in column.choices.items() if legal == value), "")
    elif column.number:
        text = f"{value:g}"
    else:
        text = column.shown(value)
    item = TableCell(text)
    item.setToolTip(plain_tip(text))
    if column.fixed:
        item.setFlags(flag.ItemIsEnabled | flag.ItemIsSelectable)
    return item


def _value(column: Column, item: QTableWidgetItem) -> Any:
    if column.tick:
        return item.checkState() == Qt.CheckState.Checked
    text = item.text().strip()
    if column.choices is not None:
        return column.choices.get(text)
    return text.replace(",", ".") if column.number else text
