"""Recent recordings: of the recordings' folder, or of an archive folder, by car and date."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from functools import partial
from pathlib import Path
from typing import Any

from PySide6.QtCore import Qt, Signal
from PySide6.QtGui import QKeyEvent
from PySide6.QtWidgets import (
    QAbstractItemView,
    QFileDialog,
    QHBoxLayout,
    QLineEdit,
    QVBoxLayout,
    QWidget,
)

from logbench.app.parts import chooser, lay, muted, named, text_button
from logbench.app.plain import Label, TreeRow, plain_tip
from logbench.app.tables import Tree
from logbench.cases.compare import AFTER, BEFORE, Found, find_in_archive, find_recordings
from logbench.cases.runner import Owner
from logbench.cases.settings import Settings
from logbench.signals.numbers import started_text, time_text
from logbench.words import tr, word

MOST_SHOWN = 500
_LENGTH = 3
_ORDERS: tuple[Callable[[Found], Any], ...] = (
    lambda one: one.name.casefold(),
    lambda one: one.car.casefold(),
    lambda one: one.started,
    lambda one: one.duration_s,
)
"""What each column is sorted by."""


class RecentList(Tree):
    """B adds the chosen ones as before, A as after, Enter where there is none yet."""

    put = Signal(str, object)
    """Side (empty: where there is none) and paths."""

    def __init__(self) -> None:
        titles = (tr("Recording"), tr("Car"), tr("Started"), tr("Length"))
        super().__init__(titles, tr("Recent recordings"), wide=(0, 1))
        self.setSelectionMode(QAbstractItemView.SelectionMode.ExtendedSelection)
        self._found: tuple[Found, ...] = ()
        header = self.header()
        header.setSortIndicator(-1, Qt.SortOrder.AscendingOrder)  # as they were found
        header.setSortIndicatorClearable(True)
        header.setSortIndicatorShown(True)
        header.setSectionsClickable(True)
        header.sortIndicatorChanged.connect(lambda *_: self._fill())
        self.itemActivated.connect(lambda *_: self.put.emit("", self.chosen()))

    def show_found(self, found: Sequence[Found]) -> None:
        """Other recordings, in the order of the column that was clicked, or as they are given."""
        self._found = tuple(found)
        self._fill()

    def _fill(self) -> None:
        column = self.header().sortIndicatorSection()
        found = list(self._found)
        if 0 <= column < len(_ORDERS):
            down = self.header().sortIndicatorOrder() is Qt.SortOrder.DescendingOrder
            found.sort(key=_ORDERS[column], reverse=down)
        self.clear()
        for one in found:
            length = time_text(one.duration_s) if one.duration_s else ""
            item = TreeRow([one.name, one.car, started_text(one.started), length])
            item.setData(0, Qt.ItemDataRole.UserRole, str(one.path))
            item.setToolTip(0, plain_tip(str(one.path)))
            right = Qt.AlignmentFlag.AlignRight | Qt.AlignmentFlag.AlignVCenter
            item.setTextAlignment(_LENGTH, right)
            self.addTopLevelItem(item)
        first = self.topLevelItem(0)
        if first is not None:
            self.setCurrentItem(first)

    def chosen(self) -> list[Path]:
        """The chosen files, from the top."""
        rows = sorted(self.indexOfTopLevelItem(item) for item in self.selectedItems())
        items = [self.topLevelItem(row) for row in rows]
        return [Path(i.data(0, Qt.ItemDataRole.UserRole)) for i in items if i is not None]

    def keyPressEvent(self, event: QKeyEvent) -> None:
        """B and A put the chosen recordings on a side."""
        side = {Qt.Key.Key_B: BEFORE, Qt.Key.Key_A: AFTER}.get(Qt.Key(event.key()))
        if side is not None and event.modifiers() == Qt.KeyboardModifier.NoModifier:
            self.put.emit(side, self.chosen())
        else:
            super().keyPressEvent(event)


class RecentRecordings(QWidget):
    """Where to look, words to find, and the list."""

    failed = Signal(str)
    picked = Signal()
    """Files, or a folder to look for some in, were picked in a dialog."""

    def __init__(self, settings: Settings, owner: Owner) -> None:
        super().__init__()
        self._settings, self._owner = settings, owner
        self._found: tuple[Found, ...] = ()
        self._empty = ""
        self.list = RecentList()
        self.places = chooser(tr("Where recordings are looked for"), 32)
        self.places.activated.connect(lambda _: self.refresh())
        folder = text_button(
            tr("Archive folder …"),
            self.ask_for_folder,
            tr("Search an archive folder and all below it"),
            tr("A folder of recordings, with all folders below it"),
        )
        finder = QLineEdit(placeholderText=tr("Find by car, file or date"), clearButtonEnabled=True)
        finds = tr("Find recordings by car, file or date")
        self.finder = named(finder, finds, finds)
        self.finder.textChanged.connect(lambda _: self._show())
        self.none = muted()
        buttons = [
            text_button(
                tr("Add as {side}  {key}", side=word(side), key=key),
                partial(self._put_chosen, side),
                tr("Add the chosen recordings as {side} the repair", side=word(side)),
            )
            for side, key in ((BEFORE, "B"), (AFTER, "A"))
        ]
        title = Label(tr("Recent recordings"))
        row = lay(QHBoxLayout(), title, (self.places, 2), folder, (self.finder, 2), *buttons)
        lay(QVBoxLayout(self), row, self.none, (self.list, 1), margins=(0, 0, 0, 0))
        self._fill_places()

    def _put_chosen(self, side: str) -> None:
        self.list.put.emit(side, self.list.chosen())

    # --- places ---

    @property
    def place(self) -> Path | None:
        """The chosen archive folder; None: the recordings' folder and those opened lately."""
        value = self.places.currentData()
        return Path(value) if value else None

    def choose_place(self, folder: Path) -> None:
        """Look in this archive folder, and remember it."""
        self._settings.compare_place_used(folder)
        self._fill_places()
        self.places.setCurrentIndex(1)
        self.refresh()

    def ask_for_folder(self) -> None:
        """Let the user pick a folder whose recordings, with all folders below, are listed."""
        start = str(self.place or self._settings.folder)
        name = QFileDialog.getExistingDirectory(self, tr("Folder of an archive"), start)
        if name:
            self.picked.emit()
            self.choose_place(Path(name))

    def _fill_places(self) -> None:
        self.places.clear()
        self.places.addItem(tr("Recordings' folder and opened recently"), "")
        for folder in filter(Path.is_dir, self._settings.compare_places):
            self.places.addItem(str(folder), str(folder))
            last = self.places.count() - 1
            self.places.setItemData(last, str(folder), Qt.ItemDataRole.ToolTipRole)

    # --- what was found ---

    def refresh(self) -> None:
        """Look for recordings at the place that is chosen; an older look is dropped."""
        place, folder = self.place, self._settings.folder
        case = find_recordings(folder, tuple(self._settings.recent))
        empty = tr(
            "There are no recordings in {folder} yet: record on the Live page, or add files above.",
            folder=folder,
        )
        if place is not None:
            case = find_in_archive(place)
            empty = tr("There are no recordings in {place} or below it.", place=place)
            self._say(tr("Looking through {place} …", place=place))
        self._owner.start(
            case,
            lambda found: self._show_found(found, empty),
            self.failed.emit,
            lambda text, _: self._say(text) if place is not None else None,
            slot="recordings",
        )

    def _say(self, text: str) -> None:
        self.none.setText(text)
        self.none.setVisible(bool(text))

    def _show_found(self, found: Sequence[Found], empty: str) -> None:
        self._found, self._empty = tuple(found), empty
        self._show()

    def _show(self) -> None:
        words = self.finder.text().casefold().split()
        fit = [one for one in self._found if all(word in one.words for word in words)]
        self.list.show_found(fit[:MOST_SHOWN])
        text = ""
        if not self._found:
            text = self._empty
        elif not fit:
            text = tr("None of {n} recordings matches: remove a word.", n=len(self._found))
        elif len(fit) > MOST_SHOWN:
            text = tr(
                "The newest {most} of {n} are shown: more words find fewer.",
                most=MOST_SHOWN,
                n=len(fit),
            )
        self._say(text)
