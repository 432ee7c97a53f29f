"""What every page needs, built once and handed on."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from functools import cached_property
from typing import TYPE_CHECKING

from PySide6.QtCore import QObject, Qt, Signal

from logbench.app.notice import Messages
from logbench.app.theme import Look
from logbench.cases.runner import Runner
from logbench.cases.settings import Settings

if TYPE_CHECKING:
    from logbench.job.store import JobStore


class WindowRunner(Runner):
    """The runner of cases in a window, made on the window's thread, where its calls back are made.

    Threads are Python's, and what they have to say crosses in one queued signal of one object: no
    Qt object ever lives and dies on two threads.
    """

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


@dataclass(frozen=True)
class Services:
    """Settings, look and background work of one window."""

    settings: Settings
    look: Look
    runner: Runner
    """Runs cases; each page, job or recording is an owner of its own."""
    messages: Messages
    """Where notices stand."""

    @cached_property
    def job_store(self) -> JobStore:
        """Owns the job folders that the window works on; made when first asked for."""
        from logbench.job.store import JobStore

        return JobStore()
