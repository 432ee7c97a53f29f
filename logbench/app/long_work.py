"""One long piece of work at a time, with its progress and a way to stop it."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

from PySide6.QtCore import Signal
from PySide6.QtWidgets import QHBoxLayout, QProgressBar, QWidget

from logbench.app.parts import Elided, lay, named, text_button
from logbench.cases.runner import Owner, Running
from logbench.cases.work import Case
from logbench.words import tr


class LongWork(QWidget):
    """A bar that is there while something runs for an owner."""

    failed = Signal(str)
    changed = Signal()
    """Something began or ended."""

    def __init__(self, owner: Owner) -> None:
        super().__init__()
        self._owner = owner
        self._running: Running | None = None
        self.doing = Elided()
        self.bar = named(QProgressBar(maximum=1000, textVisible=False), tr("Progress"))
        self.bar.setFixedWidth(220)
        self.cancel_button = text_button(tr("Stop  Ctrl+."), self.cancel)
        row = ((self.doing, 1), self.bar, self.cancel_button)
        lay(QHBoxLayout(self), *row, margins=(20, 2, 20, 2))
        self.hide()

    @property
    def busy(self) -> bool:
        """Something runs."""
        return self._running is not None

    def start(self, case: Case[Any], done: Callable[[Any], None]) -> None:
        """Run a case; nothing while another one runs, which is said."""
        if self.busy:
            self.failed.emit(tr("Something is being done already: wait, or stop it with Ctrl+."))
            return
        self.doing.tell("")
        self.bar.setValue(0)
        self.cancel_button.setEnabled(True)
        self._running = self._owner.start(
            case, done, self.failed.emit, self._reported, ended=self._ended
        )
        self.show()
        self.changed.emit()

    def cancel(self) -> None:
        """End what runs, with what it has where it keeps that."""
        if self._running is not None:
            self.cancel_button.setEnabled(False)
            self.doing.tell(tr("Stopping …"))
            self._running.cancel()

    def _reported(self, text: str, share: float) -> None:
        self.doing.tell(text)
        self.bar.setValue(round(1000 * share))

    def _ended(self) -> None:
        self._running = None
        self.hide()
        self.changed.emit()
