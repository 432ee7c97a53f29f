"""Long work off the main thread, with progress and a way to cancel."""

from __future__ import annotations

import logging
from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor
from typing import Any

from PySide6.QtCore import QObject, Qt, Signal

from logbench.errors import LogbenchError
from logbench.words import tr

_log = logging.getLogger(__name__)


class CancelledError(Exception):
    """Raised inside a task that was cancelled; it ends without a word."""


class Task:
    """One piece of work, shared by the thread that does it and the one that waits for it."""

    def __init__(self, tell: Callable[[Task, str, float], None] | None = None) -> None:
        self.cancelled = False
        self._tell = tell

    def cancel(self) -> None:
        """Ask it to end; no more will be heard of it."""
        self.cancelled = True

    def tell(self, text: str, share: float) -> None:
        """Called by the work between its steps: what is being done, and the share done, 0 to 1.

        Raises `CancelledError` when the work is to end.
        """
        if self.cancelled:
            raise CancelledError
        if self._tell is not None:
            self._tell(self, text, share)


Work = Callable[[Task], Any]
Done = Callable[[Any], None]
Failed = Callable[[str], None]
Progressed = Callable[[str, float], None]


class Jobs(QObject):
    """Runs tasks on two threads; one a window. All calls back are made on the window's thread.

    Threads are Python's, and what they have to say crosses in one queued signal of this object:
    no Qt object ever lives and dies on two threads.
    """

    _said = Signal(object, str, object)

    def __init__(self, parent: QObject | None = None) -> None:
        super().__init__(parent)
        self._threads = ThreadPoolExecutor(max_workers=2, thread_name_prefix="logbench")
        self._running: dict[Task, tuple[Done, Failed, Progressed | None]] = {}
        self._closed = False
        self._said.connect(self._hear, Qt.ConnectionType.QueuedConnection)

    @property
    def busy(self) -> bool:
        """Some task has not ended yet."""
        return bool(self._running)

    def start(
        self, work: Work, done: Done, failed: Failed, progressed: Progressed | None = None
    ) -> Task:
        """Run `work(task)` on another thread; call back on this one. Once closed, for a timer that
        rings while the window goes, nothing is run and the task comes back cancelled."""
        task = Task(lambda task, text, share: self._said.emit(task, "progressed", (text, share)))
        if self._closed:
            task.cancel()
            return task
        self._running[task] = (done, failed, progressed)
        self._threads.submit(self._run, task, work)
        return task

    def close(self) -> None:
        """Cancel everything and wait for it."""
        self._closed = True
        for task in self._running:
            task.cancel()
        self._threads.shutdown(wait=True, cancel_futures=True)

    def _run(self, task: Task, work: Work) -> None:
        """On the other thread."""
        try:
            self._said.emit(task, "done", work(task))
        except CancelledError:
            self._said.emit(task, "ended", None)
        except LogbenchError as error:
            self._said.emit(task, "failed", str(error))
        except Exception as error:  # a bug: the log gets the traceback, the user a sentence
            _log.exception("a background task failed")
            self._said.emit(
                task,
                "failed",
                tr(
                    "Something in logbench went wrong ({kind}); the log tells more, and what was "
                    "recorded is untouched.",
                    kind=type(error).__name__,
                ),
            )

    def _hear(self, task: Task, kind: str, value: Any) -> None:
        """On the window's thread."""
        calls = self._running.get(task)
        if calls is None:
            return
        done, failed, progressed = calls
        if kind != "progressed":
            del self._running[task]
        if task.cancelled:  # it may have ended before it heard
            return
        if kind == "progressed" and progressed is not None:
            progressed(*value)
        elif kind == "done":
            done(value)
        elif kind == "failed":
            failed(value)
