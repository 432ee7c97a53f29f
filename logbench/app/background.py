"""The runner of cases in a window: its calls back are made on the window's thread.

Threads are Python's, and what they have to say crosses in one queued signal of one object: no Qt
object ever lives and dies on two threads.
"""

from __future__ import annotations

from collections.abc import Callable

from PySide6.QtCore import QObject, Qt, Signal

from logbench.cases.runner import Runner


class WindowRunner(Runner):
    """Made on the window's thread."""

    def __init__(self) -> None:
        self._crossing = _Crossing()
        super().__init__(self._crossing.call.emit)


class _Crossing(QObject):
    """Brings calls over to the thread that made it."""

    call = Signal(object)

    def __init__(self) -> None:
        super().__init__()
        self.call.connect(self._made, Qt.ConnectionType.QueuedConnection)

    def _made(self, call: Callable[[], object]) -> None:
        call()
