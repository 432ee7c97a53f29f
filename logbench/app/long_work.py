"""Long work with its progress and a way to stop it: what a page does, one at a time, and what is
done for it, whoever began it."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

from PySide6.QtCore import Signal
from PySide6.QtWidgets import QHBoxLayout, QProgressBar, QWidget

from logbench.app.parts import Elided, lay, named, text_button
from logbench.cases.runner import Owner, Running
from logbench.cases.work import Case
from logbench.words import tr

_BAR_PX = 220


class WorkRow(QWidget):
    """What is being done, how far it is, and a button that stops it; hidden while nothing is."""

    stopped = Signal(str)
    """What is as it was before."""

    def __init__(self) -> None:
        super().__init__()
        self.doing = Elided()
        self.bar = named(QProgressBar(maximum=1000, textVisible=False), tr("Progress"))
        self.bar.setFixedWidth(_BAR_PX)
        self.cancel_button = text_button(tr("Stop  Ctrl+."), self.cancel)
        row = ((self.doing, 1), self.bar, self.cancel_button)
        lay(QHBoxLayout(self), *row, margins=(20, 2, 20, 2))
        self.hide()

    @property
    def shown(self) -> Running | None:
        """What is being done."""
        raise NotImplementedError

    def cancel(self) -> None:
        """End it, with what it has where it keeps that."""
        running = self.shown
        if running is None:
            return
        if not running.cancel():
            self.doing.tell(tr("It is too late to stop that: it is seen through."))
        elif not running.work.dropped:
            self.cancel_button.setEnabled(False)
            self.doing.tell(tr("Stopping …"))
        elif said := running.case.untouched():
            self.stopped.emit(said)

    def report(self, text: str, share: float) -> None:
        """How far it is, 0 to 1."""
        self.doing.tell(text)
        self.bar.setValue(round(1000 * share))


class LongWork(WorkRow):
    """One piece of work at a time, for an owner."""

    failed = Signal(str)
    changed = Signal()
    """Something began or ended."""

    def __init__(self, owner: Owner) -> None:
        super().__init__()
        self.owner = owner
        self._running: Running | None = None

    @property
    def shown(self) -> Running | None:
        """What runs."""
        return self._running

    def serve(self, owner: Owner) -> None:
        """Another owner; what ran for the one before is over here."""
        self.owner = owner
        if self._running is not None:
            self._running.cancel()
            self._ended()

    @property
    def busy(self) -> bool:
        """Something runs."""
        return self._running is not None

    def start(self, case: Case[Any], done: Callable[[Any], None], *, instead: bool = False) -> None:
        """Run a case; nothing while another one runs, which is said, or `instead` of that one."""
        if instead and self._running is not None:
            self._running.cancel()
        if self.busy:
            self.failed.emit(tr("Something is being done already: wait, or stop it with Ctrl+."))
            return
        self.report("", 0.0)
        self.cancel_button.setEnabled(True)
        self._running = self.owner.start(
            case, done, self.failed.emit, self.report, ended=self._ended
        )
        self.show()
        self.changed.emit()

    def _ended(self) -> None:
        self._running = None
        self.hide()
        self.changed.emit()
