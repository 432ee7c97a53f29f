"""The runner of cases in a window: its calls back are made on the window's thread.

Threads are Python's, and what they have to say crosses in one queued signal of one object: no Qt
object ever lives and dies on two threads.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import Any

from PySide6.QtCore import QObject, Qt, Signal

from logbench.cases.runner import Done, Failed, Reported, Runner, Running
from logbench.cases.work import Case, Work

Call = Callable[[Work], Any]


class _Crossing(QObject):
    """Brings calls over to the thread that made it."""

    call = Signal(object)

    def __init__(self, parent: QObject | None) -> None:
        super().__init__(parent)
        self.call.connect(self._made, Qt.ConnectionType.QueuedConnection)

    def _made(self, call: Callable[[], None]) -> None:
        call()


@dataclass(frozen=True)
class _Plain(Case[Any]):
    """A function as a case."""

    call: Call

    def run(self, work: Work) -> Any:
        return self.call(work)


class Jobs:
    """Runs functions for a page. Going: pages start cases for an owner of their own."""

    def __init__(self, parent: QObject | None = None) -> None:
        self._crossing = _Crossing(parent)
        self.runner = Runner(self._crossing.call.emit)
        self._own = self.runner.owner()

    @property
    def busy(self) -> bool:
        """Some task has not ended yet."""
        return self.runner.busy

    def start(
        self, work: Call, done: Done, failed: Failed, progressed: Reported | None = None
    ) -> Running:
        """Run `work(task)` on another thread; call back on this one."""
        return self._own.start(_Plain(work), done, failed, progressed or (lambda *_: None))

    def close(self) -> None:
        """Cancel everything and wait for it."""
        self.runner.close()
