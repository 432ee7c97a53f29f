"""The list of what is said of a recording: markers, notes, events, the same on all pages."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from functools import partial

from PySide6.QtCore import Qt, Signal
from PySide6.QtWidgets import QLineEdit, QTreeWidgetItem, QVBoxLayout, QWidget

from logbench.app.commands import add_command
from logbench.app.parts import lay, named
from logbench.app.plain import TreeRow, plain_tip
from logbench.app.tables import Tree, step
from logbench.plot.trace import SECOND
from logbench.recording.notes import Remark
from logbench.signals.numbers import time_text
from logbench.words import tr, word

_TITLES = tr("From"), tr("For"), tr("What"), tr("Text")


class RemarkList(QWidget):
    """Sorted by any column, filtered by words."""

    chosen = Signal(object, str)
    """The user chose this one, of this drive."""

    def __init__(self) -> None:
        super().__init__()
        self.remarks: tuple[Remark, ...] = ()
        self._drives: Sequence[str] = ()
        hint = tr("Filter: words of text or kind")
        line = QLineEdit(placeholderText=hint, clearButtonEnabled=True)
        self.filter = named(line, tr("Filter the notes"), hint)
        self.filter.textChanged.connect(self._fill)
        self.tree = Tree(_TITLES, tr("Notes, markers and events"), wide=(3,))
        self.tree.setSortingEnabled(True)
        self.tree.sortByColumn(0, Qt.SortOrder.AscendingOrder)
        self.tree.currentItemChanged.connect(self._chosen)
        lay(QVBoxLayout(self), self.filter, (self.tree, 1), margins=(0, 0, 0, 0))
        self.setFocusProxy(self.tree)

    def add_commands(self, owner: QWidget) -> None:
        """For a page."""
        add_command(owner, tr("Next note"), "Alt+N", partial(step, self.tree, 1))
        add_command(owner, tr("Previous note"), "Alt+Shift+N", partial(step, self.tree, -1))

    def show_remarks(self, remarks: Iterable[Remark], drives: Sequence[str] = ()) -> None:
        """Show these; the chosen one stays chosen. `drives`: of several, a name for each remark."""
        self.remarks = tuple(remarks)
        self._drives = drives or [""] * len(self.remarks)
        self._fill()

    def current(self) -> Remark | None:
        """The chosen one."""
        item = self.tree.currentItem()
        return item.remark if isinstance(item, _Row) else None

    def _fill(self) -> None:
        chosen = self.current()
        self.tree.blockSignals(True)
        self.tree.clear()
        for remark, drive in zip(self.remarks, self._drives, strict=True):
            if remark.says(self.filter.text()):
                row = _Row(remark, drive)
                self.tree.addTopLevelItem(row)
                if remark == chosen:
                    self.tree.setCurrentItem(row)
        self.tree.blockSignals(False)

    def _chosen(self) -> None:
        item = self.tree.currentItem()
        if isinstance(item, _Row):
            self.chosen.emit(item.remark, item.drive)


class _Row(TreeRow):
    def __init__(self, remark: Remark, drive: str) -> None:
        lasts_ns = remark.end_ns - remark.start_ns
        lasts = time_text(lasts_ns / SECOND, 0.1) if lasts_ns else ""
        begins = time_text(remark.start_ns / SECOND, 0.1)
        what = ": ".join(filter(None, (word(drive), word(remark.kind))))
        super().__init__([begins, lasts, what, remark.text.partition("\n")[0]])
        self.setToolTip(3, plain_tip(remark.text))
        self.remark, self.drive = remark, drive
        self._keys = (remark.start_ns, lasts_ns, self.text(2), self.text(3).lower())

    def __lt__(self, other: QTreeWidgetItem) -> bool:
        tree = self.treeWidget()
        column = 0 if tree is None else tree.sortColumn()
        assert isinstance(other, _Row)
        mine, others = self._keys, other._keys
        return (mine[column], mine[0]) < (others[column], others[0])
