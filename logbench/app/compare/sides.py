"""Choosing the recordings before and after."""

from __future__ import annotations

from collections.abc import Sequence
from functools import partial
from pathlib import Path

from PySide6.QtCore import Qt, Signal
from PySide6.QtGui import QKeyEvent
from PySide6.QtWidgets import (
    QAbstractItemView,
    QFileDialog,
    QFrame,
    QHBoxLayout,
    QListWidget,
    QVBoxLayout,
    QWidget,
)

from logbench.app.compare.recent import RecentRecordings
from logbench.app.parts import STRETCH, Drops, lay, muted, named, styled, text_button
from logbench.app.plain import Label, ListRow, plain_tip
from logbench.cases.compare import AFTER, BEFORE, SIDES
from logbench.cases.runner import Owner
from logbench.cases.settings import Settings
from logbench.words import tr, tr_n, word

_BOX_PX = 196
_TITLES = {BEFORE: tr("Before the repair"), AFTER: tr("After the repair")}


class SideBox(QFrame):
    """The files of one side; more can be dropped onto it."""

    changed = Signal()
    add_wanted = Signal()

    def __init__(self, side: str, key: str) -> None:
        super().__init__()
        self.setObjectName("card")
        self.setFixedHeight(_BOX_PX)
        title = styled(Label(_TITLES[side]), "title")
        self.list = named(QListWidget(), tr("Recordings {side} the repair", side=word(side)))
        self.list.setTextElideMode(Qt.TextElideMode.ElideMiddle)
        self.list.setSelectionMode(QAbstractItemView.SelectionMode.ExtendedSelection)
        self.hint = muted(tr("Drop recordings here, or add them with the button."))
        add_button = text_button(
            tr("Add …  {key}", key=key),
            self.add_wanted.emit,
            tr("Add recordings {side} the repair", side=word(side)),
        )
        self.remove_button = text_button(
            tr("Remove  Del"),
            self.remove_chosen,
            tr("Remove the chosen recordings {side} the repair", side=word(side)),
        )
        buttons = lay(QHBoxLayout(), add_button, self.remove_button, STRETCH)
        parts = (title, self.hint, (self.list, 1), buttons)
        lay(QVBoxLayout(self), *parts, margins=(16, 12, 16, 12))
        self._show()

    @property
    def paths(self) -> tuple[Path, ...]:
        """The files, in their order."""
        rows = range(self.list.count())
        return tuple(Path(self.list.item(r).data(Qt.ItemDataRole.UserRole)) for r in rows)

    def set_paths(self, paths: Sequence[Path]) -> None:
        """Other files; each only once."""
        self.list.clear()
        for path in dict.fromkeys(p.resolve() for p in paths):
            item = ListRow(path.name)
            item.setData(Qt.ItemDataRole.UserRole, str(path))
            item.setToolTip(plain_tip(str(path)))
            self.list.addItem(item)
        self._show()
        self.changed.emit()

    def remove_chosen(self) -> None:
        """Take the chosen files away."""
        gone = {self.list.row(item) for item in self.list.selectedItems()}
        self.set_paths([p for row, p in enumerate(self.paths) if row not in gone])

    def keyPressEvent(self, event: QKeyEvent) -> None:
        """Del takes the chosen files away."""
        if event.key() == Qt.Key.Key_Delete:
            self.remove_chosen()
        else:
            super().keyPressEvent(event)

    def _show(self) -> None:
        some = self.list.count() > 0
        self.hint.setVisible(not some)
        self.remove_button.setEnabled(some)


class SidesPanel(QWidget):
    """Two boxes, recent recordings, and the button that starts."""

    compare_wanted = Signal()
    files_dropped = Signal(object, object)
    """Files (a list of paths), and what takes those that are recordings, or have become such."""
    job_wanted = Signal()
    """The recordings of a job shall be compared."""

    def __init__(self, settings: Settings, owner: Owner) -> None:
        super().__init__()
        self._settings = settings
        self.boxes = {BEFORE: SideBox(BEFORE, "Ctrl+B"), AFTER: SideBox(AFTER, "Ctrl+Shift+B")}
        self.recent = RecentRecordings(settings, owner)
        self.recent.list.put.connect(self.put)
        self.job_button = text_button(
            tr("From the job  Ctrl+J"),
            self.job_wanted.emit,
            tr("Take the recordings of the open job, by role"),
            tr("Its recordings by their role; a job is asked for if none is open"),
        )
        self.said = Label(wordWrap=True)
        name = tr("Compare before with after")
        compare = text_button(tr("Compare  Ctrl+Return"), self.compare_wanted.emit, name)
        self.compare_button = styled(compare, "primary")
        for side, box in self.boxes.items():
            box.changed.connect(self._changed)
            box.add_wanted.connect(partial(self.ask_for_files, side))
            Drops(box, partial(self.take, side))
        top = lay(QHBoxLayout(), (self.said, 1), self.job_button)
        row = lay(QHBoxLayout(), *((box, 1) for box in self.boxes.values()), spacing=12)
        last = lay(QHBoxLayout(), STRETCH, self.compare_button)
        layout = QVBoxLayout(self)
        lay(layout, top, row, (self.recent, 1), last, margins=(24, 14, 24, 14), spacing=10)
        self._changed()

    @property
    def ready(self) -> bool:
        """Both sides have a recording."""
        return all(box.paths for box in self.boxes.values())

    def set_sides(self, before: Sequence[Path], after: Sequence[Path]) -> None:
        """Other recordings on both sides."""
        self.boxes[BEFORE].set_paths(before)
        self.boxes[AFTER].set_paths(after)

    def ask_for_files(self, side: str) -> None:
        """Let the user pick recordings of a side."""
        recent = self._settings.recent
        names, _ = QFileDialog.getOpenFileNames(
            self,
            tr("Recordings {side} the repair", side=word(side)),
            str(recent[0].parent if recent else self._settings.folder),
            tr("Recordings (*.parquet);;All files (*)"),
        )
        if names:
            self.recent.picked.emit()
            self.put(side, [Path(name) for name in names])

    def swap(self) -> None:
        """What was before is after, and the other way round."""
        self.set_sides(self.boxes[AFTER].paths, self.boxes[BEFORE].paths)

    def put(self, side: str, paths: Sequence[Path]) -> None:
        """Put files on a side, taken away from the other; without a side, one by one where there is
        none yet."""
        for path in paths:
            empty = [s for s in SIDES if not self.boxes[s].paths]
            chosen = side or (empty[0] if empty else AFTER)
            other = self.boxes[AFTER if chosen == BEFORE else BEFORE]
            if path.resolve() in other.paths:
                other.set_paths([p for p in other.paths if p != path.resolve()])
            self.boxes[chosen].set_paths([*self.boxes[chosen].paths, path])

    def take(self, side: str, paths: list[Path]) -> None:
        """Put dropped files on a side, once other programs' are recordings."""
        self.files_dropped.emit(paths, partial(self.put, side))

    def _changed(self) -> None:
        counts = {side: len(box.paths) for side, box in self.boxes.items()}
        missing = [side for side in SIDES if not counts[side]]
        if missing:
            text = tr(
                "Choose at least one recording made {sides} the repair, of the same car. Long "
                "stretches at steady speed and warm idle compare best.",
                sides=tr(" and one made ").join(map(word, missing)),
            )
        else:
            before, after = (
                tr_n("{n} recording {side}", "{n} recordings {side}", n, side=word(side))
                for side, n in counts.items()
            )
            text = tr("{before}, {after} the repair: press Compare.", before=before, after=after)
        self.said.setText(text)
        self.compare_button.setEnabled(not missing)
