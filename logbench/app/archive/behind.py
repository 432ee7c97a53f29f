"""The drives behind what was pressed in a picture, with what each has."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import TYPE_CHECKING, Any

from PySide6.QtCore import Qt, Signal, SignalInstance
from PySide6.QtWidgets import QTreeWidgetItem, QVBoxLayout, QWidget

from logbench.app.parts import lay, muted
from logbench.app.plain import TreeRow, plain_tip
from logbench.app.tables import Tree
from logbench.signals.numbers import started_text
from logbench.words import tr, tr_n, word

if TYPE_CHECKING:
    from logbench.archive.overview import Row

_RECORDING = Qt.ItemDataRole.UserRole


class BehindPanel(QWidget):
    """The first is chosen at once; Enter reviews one."""

    chosen = Signal(str)
    """A recording."""
    review_wanted = Signal(str)

    def __init__(self) -> None:
        super().__init__()
        self.title = muted(wrap=False)
        columns = (tr("Car"), tr("Started"), tr("Value"))
        self.tree = Tree(columns, tr("Drives behind it"), wide=(0,))
        self.tree.currentItemChanged.connect(lambda item, _: self._send(self.chosen, item))
        self.tree.itemActivated.connect(lambda item: self._send(self.review_wanted, item))
        parts = (self.title, (self.tree, 1))
        lay(QVBoxLayout(self), *parts, margins=(0, 0, 0, 0), spacing=2)
        self.clear()

    @property
    def drives(self) -> list[str]:
        """Those listed, from the top."""
        items = (self.tree.topLevelItem(row) for row in range(self.tree.topLevelItemCount()))
        return [item.data(0, _RECORDING) for item in items if item and item.data(0, _RECORDING)]

    def clear(self) -> None:
        """Nothing is pressed."""
        self.show_drives("", [], {})

    def show_drives(
        self, place: str, drives: Sequence[tuple[str, str]], rows: Mapping[str, Row]
    ) -> None:
        """Recordings with what each has; `rows`: what is listed. `place`: what was pressed."""
        n = len(drives)
        nothing = tr("No drive is behind it.") if place else tr("Press a cell, curve or point.")
        found = tr_n("{n:,} drive behind it", "{n:,} drives behind it", n)
        self.title.setText(found if drives else nothing)
        self.title.setToolTip(plain_tip(place))
        items = []
        for name, value in drives:
            row = rows.get(name)
            car = (row.car or tr("unnamed car")) if row else name
            items.append(TreeRow((car, started_text(row.started, 10) if row else "", value)))
            items[-1].setData(0, _RECORDING, name)
            items[-1].setToolTip(0, plain_tip(name))
        self.tree.blockSignals(True)
        self.tree.clear()
        self.tree.addTopLevelItems(items)
        self.tree.blockSignals(False)
        if items:
            self.tree.setCurrentItem(items[0])

    def show_done(self, done: Sequence[Mapping[str, Any]]) -> None:
        """What was done to a car, with the numbers of its lines, until one is pressed."""
        days = [*dict.fromkeys(row["started"][:10] for row in done)]
        for row in done:
            number = days.index(row["started"][:10]) + 1
            item = TreeRow((f"{number}  {word(row['kind'])}", started_text(row["started"], 10), ""))
            item.setToolTip(0, plain_tip(row["text"]))
            self.tree.addTopLevelItem(item)

    def _send(self, to: SignalInstance, item: QTreeWidgetItem | None) -> None:
        if item is not None and item.data(0, _RECORDING):
            to.emit(item.data(0, _RECORDING))
