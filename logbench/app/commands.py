"""Every action of the window in one searchable list."""

from __future__ import annotations

from collections.abc import Callable, Sequence

from PySide6.QtCore import QEvent, QObject, Qt
from PySide6.QtGui import QAction, QKeyEvent, QKeySequence
from PySide6.QtWidgets import (
    QApplication,
    QLineEdit,
    QListWidget,
    QVBoxLayout,
    QWidget,
)

from logbench.app.parts import Dialog, lay, muted, named
from logbench.app.plain import ListRow
from logbench.words import tr


def add_command(
    owner: QWidget,
    title: str,
    keys: str | Sequence[str],
    run: Callable[[], object],
) -> QAction:
    """An action of `owner`, with its shortcut; it works while `owner` or a child has the focus."""
    action = QAction(title, owner)
    shortcuts = [keys] if isinstance(keys, str) else list(keys)
    action.setShortcuts([QKeySequence(k) for k in shortcuts if k])
    action.setShortcutContext(Qt.ShortcutContext.WidgetWithChildrenShortcut)
    action.triggered.connect(lambda _checked=False: run())
    owner.addAction(action)
    return action


class CommandsFirst(QObject):
    """Fields for text leave some keys to the commands.

    On X11 Qt gives them to every such field (end of line, delete to the end, delete all), and a
    command with that key would do nothing while a field has the focus, or lose what was typed.
    """

    KEYS = (Qt.Key.Key_E, Qt.Key.Key_K, Qt.Key.Key_U)

    def __init__(self, window: QWidget) -> None:
        super().__init__(window)
        self._window = window
        application = QApplication.instance()
        assert isinstance(application, QApplication)
        application.focusChanged.connect(self._focus_changed)

    def _focus_changed(self, old: QWidget | None, new: QWidget | None) -> None:
        if old is not None:
            old.removeEventFilter(self)
        if new is not None and new.window() is self._window:
            new.installEventFilter(self)

    def eventFilter(self, watched: QObject, event: QEvent) -> bool:
        """Before a field says that the key is its own."""
        if (
            event.type() == QEvent.Type.ShortcutOverride
            and isinstance(event, QKeyEvent)
            and event.modifiers() == Qt.KeyboardModifier.ControlModifier
            and event.key() in self.KEYS
        ):
            event.ignore()
            return True
        return super().eventFilter(watched, event)


def matching(actions: Sequence[QAction], text: str) -> list[QAction]:
    """The usable actions whose titles hold every word of `text`, in their order."""
    words = text.lower().split()
    return [
        a
        for a in actions
        if a.isEnabled() and a.text() and all(w in a.text().lower() for w in words)
    ]


class CommandList(Dialog):
    """Type a few letters, press Enter."""

    def __init__(self, actions: Sequence[QAction], parent: QWidget) -> None:
        super().__init__(tr("Commands"), parent)
        self._actions = list(actions)
        self.chosen: QAction | None = None
        search = QLineEdit(placeholderText=tr("Type what you want to do"))
        self._search = named(search, tr("Search commands"))
        self._search.textChanged.connect(self._fill)
        self._search.returnPressed.connect(self._run)
        self._list = named(QListWidget(), tr("Commands found"))
        self._list.itemActivated.connect(self._run)
        self._list.itemClicked.connect(self._run)
        self._none = muted(tr("No command of that name. Try fewer letters."), wrap=False)
        lay(QVBoxLayout(self), self._search, self._list, self._none)
        self.resize(520, 460)
        self._fill("")

    def _fill(self, text: str) -> None:
        self._list.clear()
        for action in matching(self._actions, text):
            keys = action.shortcut().toString(QKeySequence.SequenceFormat.NativeText)
            item = ListRow(f"{action.text()}    {keys}" if keys else action.text())
            item.setData(Qt.ItemDataRole.UserRole, self._actions.index(action))
            self._list.addItem(item)
        self._list.setCurrentRow(0)
        self._none.setVisible(self._list.count() == 0)

    def keyPressEvent(self, event: QKeyEvent) -> None:
        """Keys that move go to the list while the search keeps the focus."""
        row = max(1, self._list.sizeHintForRow(0))
        page = max(1, self._list.viewport().height() // row - 1)
        keys = Qt.Key
        step = {
            keys.Key_Down: 1, keys.Key_Up: -1, keys.Key_PageDown: page, keys.Key_PageUp: -page,
        }.get(Qt.Key(event.key()))  # fmt: skip
        if step is None:
            super().keyPressEvent(event)
        else:
            row = min(max(self._list.currentRow() + step, 0), self._list.count() - 1)
            self._list.setCurrentRow(row)

    def _run(self, *_: object) -> None:
        item = self._list.currentItem()
        if item is not None:
            self.chosen = self._actions[item.data(Qt.ItemDataRole.UserRole)]
            self.accept()
