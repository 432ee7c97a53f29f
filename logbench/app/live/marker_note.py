"""The line in which a note for a marker is typed; the marker stands where the key was pressed."""

from __future__ import annotations

from collections.abc import Callable

from PySide6.QtCore import Qt, Signal
from PySide6.QtGui import QKeyEvent
from PySide6.QtWidgets import QFrame, QHBoxLayout, QLabel, QLineEdit

from logbench.app.parts import lay, text_button
from logbench.signals.numbers import time_text
from logbench.words import tr

_LONGEST = 200


class MarkerNote(QFrame):
    """Hidden until it asks; Enter puts the marker, Esc leaves without one."""

    given = Signal(str, object)
    """The note and the time in ns."""
    left = Signal()

    def __init__(self, now_ns: Callable[[], int]) -> None:
        super().__init__()
        self._now_ns = now_ns
        self.setObjectName("bar")
        self.t_ns = 0
        self._title = QLabel()
        self.text = QLineEdit()
        self.text.setMaxLength(_LONGEST)
        self.text.setPlaceholderText(tr("What happened"))
        self.text.setAccessibleName(tr("Note for the marker"))
        self.text.returnPressed.connect(self._give)
        put = text_button(tr("Put the marker"), self._give)
        leave = text_button(tr("Leave  Esc"), self._leave)
        lay(QHBoxLayout(self), self._title, (self.text, 1), put, leave, margins=(12, 4, 12, 4))
        self.hide()

    def ask_now(self) -> None:
        """For a marker at this instant."""
        self.t_ns = self._now_ns()
        self._title.setText(tr("Marker at {time}", time=time_text(self.t_ns / 1e9)))
        self.text.clear()
        self.show()
        self.text.setFocus()

    def shift(self, by_ns: int) -> None:
        """Times to come count from `by_ns` on the clock used so far."""
        self.t_ns = max(0, self.t_ns - by_ns)

    def keyPressEvent(self, event: QKeyEvent) -> None:
        """Esc leaves."""
        if event.key() == Qt.Key.Key_Escape:
            self._leave()
        else:
            super().keyPressEvent(event)

    def _give(self) -> None:
        text = " ".join(self.text.text().split())
        self._leave()
        self.given.emit(text, self.t_ns)

    def _leave(self) -> None:
        self.hide()
        self.left.emit()
