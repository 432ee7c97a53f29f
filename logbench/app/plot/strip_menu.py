"""What can be done to a strip, as a menu: for a finger that stays, the right button, or its key."""

from __future__ import annotations

from collections.abc import Sequence

from PySide6.QtCore import QObject, QPoint
from PySide6.QtGui import QAction, QMouseEvent
from PySide6.QtWidgets import QMenu, QWidget

from logbench.app.plain import button_text
from logbench.app.plot.stack import StripStack
from logbench.app.plot.strip import Strip
from logbench.app.plot.strip_keys import StripKeys
from logbench.words import tr


class _Menu(QMenu):
    """The finger that opened it chooses nothing by being lifted."""

    def __init__(self, parent: QWidget) -> None:
        super().__init__(parent)
        self._pressed = False

    def mousePressEvent(self, event: QMouseEvent) -> None:
        self._pressed = True
        super().mousePressEvent(event)

    def mouseReleaseEvent(self, event: QMouseEvent) -> None:
        if self._pressed:
            super().mouseReleaseEvent(event)


class StripMenu(QObject):
    """Opens at the place where the strips were held. `at_cursor`: what the page does there."""

    def __init__(
        self,
        stack: StripStack,
        keys: StripKeys,
        in_time: Sequence[QAction],
        at_cursor: Sequence[QAction] = (),
    ) -> None:
        super().__init__(stack)
        self._stack, self._keys = stack, keys
        self._in_time, self._at_cursor = in_time, at_cursor
        stack.menu_wanted.connect(self.open)

    def open(self, strip: Strip | None, at: QPoint) -> QMenu:
        """Show it at a place of the screen; what is chosen is done to that strip."""
        menu = _Menu(self._stack)
        menu.aboutToHide.connect(menu.deleteLater)
        menu.addActions([*self._at_cursor])
        menu.addSeparator()
        menu.addMenu(self._part(menu, tr("Time"), self._in_time))
        if strip is not None:
            strip.setFocus()
            menu.addMenu(self._part(menu, tr("This strip"), self._keys.of_strip))
            trace = strip.chosen
            if trace is not None:
                title = tr("Trace {name}", name=trace.name)
                menu.addMenu(self._part(menu, title, self._keys.of_trace))
        menu.popup(at)
        return menu

    @staticmethod
    def _part(menu: QMenu, title: str, actions: Sequence[QAction]) -> QMenu:
        part = QMenu(button_text(title), menu)
        part.addActions([*actions])
        return part
