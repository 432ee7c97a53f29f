"""Long work off the main thread, with progress and a way to cancel."""

from __future__ import annotations

import logging
from collections.abc import Callable
from typing import Any

from PySide6.QtCore import QObject, QRunnable, QThreadPool, Signal

from logbench.errors import LogbenchError

_log = logging.getLogger(__name__)


class CancelledError(Exception):
    """Raised inside a task that was cancelled; it ends without a word."""


class Task(QObject):
    """One piece of work. Its signals arrive on the thread that made it."""

    progressed = Signal(str, float)
    """What is being done, and the share done, 0 to 1."""
    done = Signal(object)
    failed = Signal(str)
    """A sentence for the user."""
    ended = Signal()

    def __init__(self, parent: QObject | None = None) -> None:
        super().__init__(parent)
        self.cancelled = False

    def cancel(self) -> None:
        """Ask it to end; neither `done` nor `failed` will come."""
        self.cancelled = True

    def tell(self, text: str, share: float) -> None:
        """Called by the work between its steps; raises `CancelledError` when it is to end."""
        if self.cancelled:
            raise CancelledError
        self.progressed.emit(text, share)


Work = Callable[[Task], Any]


class _Runner(QRunnable):
    def __init__(self, task: Task, work: Work) -> None:
        super().__init__()
        self._task, self._work = task, work

    def run(self) -> None:
        task = self._task
        try:
            result = self._work(task)
            if not task.cancelled:
                task.done.emit(result)
        except CancelledError:
            pass
        except LogbenchError as error:
            if not task.cancelled:
                task.failed.emit(str(error))
        except Exception as error:  # a bug: the log gets the traceback, the user a sentence
            _log.exception("a background task failed")
            if not task.cancelled:
                task.failed.emit(
                    f"Something in logbench went wrong ({type(error).__name__}); the log tells "
                    "more, and what was recorded is untouched."
                )
        finally:
            task.ended.emit()


class Jobs(QObject):
    """Runs tasks; one a window."""

    def __init__(self, parent: QObject | None = None) -> None:
        super().__init__(parent)
        self._pool = QThreadPool(self)
        self._running: set[Task] = set()

    def start(
        self,
        work: Work,
        done: Callable[[Any], None],
        failed: Callable[[str], None],
        progressed: Callable[[str, float], None] | None = None,
    ) -> Task:
        """Run `work(task)` on another thread; call back on this one."""
        task = Task(self)
        self._running.add(task)

        # A queued answer may arrive after the task was cancelled: drop it here.
        def unless_cancelled(call: Callable[..., None]) -> Callable[..., None]:
            return lambda *values: None if task.cancelled else call(*values)

        task.done.connect(unless_cancelled(done))
        task.failed.connect(unless_cancelled(failed))
        if progressed is not None:
            task.progressed.connect(unless_cancelled(progressed))
        task.ended.connect(lambda: self._forget(task))
        self._pool.start(_Runner(task, work))
        return task

    def close(self) -> None:
        """Cancel everything and wait for it."""
        for task in self._running:
            task.cancel()
        self._pool.waitForDone()

    def _forget(self, task: Task) -> None:
        self._running.discard(task)
        task.deleteLater()
