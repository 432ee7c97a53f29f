"""One long piece of work at a time, with its progress and a way to stop it."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

from PySide6.QtCore import Signal
from PySide6.QtWidgets import QHBoxLayout, QProgressBar, QPushButton, QWidget

from logbench.app.archive.working import Stop
from logbench.app.background import Jobs
from logbench.app.parts import Elided
from logbench.cases.runner import Running
from logbench.cases.work import Work as Task
from logbench.words import tr


class LongWork(QWidget):
    """A bar that is there while something runs."""

    failed = Signal(str)
    changed = Signal()
    """Something began or ended."""

    def __init__(self, jobs: Jobs) -> None:
        super().__init__()
        self._jobs = jobs
        self._task: Running | None = None
        self._stop = Stop()
        self._gentle = False
        self.doing = Elided()
        self.bar = QProgressBar()
        self.bar.setAccessibleName(tr("Progress"))
        self.bar.setRange(0, 1000)
        self.bar.setTextVisible(False)
        self.bar.setFixedWidth(220)
        self.cancel_button = QPushButton(tr("Stop  Ctrl+."))
        self.cancel_button.clicked.connect(self.cancel)
        layout = QHBoxLayout(self)
        layout.setContentsMargins(20, 2, 20, 2)
        layout.addWidget(self.doing, 1)
        layout.addWidget(self.bar)
        layout.addWidget(self.cancel_button)
        self.hide()

    @property
    def busy(self) -> bool:
        """Something runs."""
        return self._task is not None

    def start(
        self, work: Callable[[Stop, Task], Any], done: Callable[[Any], None], *, gentle: bool
    ) -> bool:
        """Run `work(stop, task)`; False while something else runs.

        `gentle`: it looks at `stop` and ends with what it has; else it is dropped when stopped.
        """
        if self.busy:
            self.failed.emit(tr("Something is being done already: wait, or stop it with Ctrl+."))
            return False
        self._stop, self._gentle = Stop(), gentle
        stop = self._stop
        self.doing.tell("")
        self.bar.setValue(0)
        self.cancel_button.setEnabled(True)

        def ended(result: Any) -> None:
            self._end()
            done(result)

        def trouble(sentence: str) -> None:
            self._end()
            self.failed.emit(sentence)

        self._task = self._jobs.start(lambda task: work(stop, task), ended, trouble, self._told)
        self.show()
        self.changed.emit()
        return True

    def cancel(self) -> None:
        """End what runs, with what it has where it can."""
        if self._task is None:
            return
        self._stop.set()
        self.cancel_button.setEnabled(False)
        self.doing.tell(tr("Stopping …"))
        if not self._gentle:
            self._task.cancel()
            self._end()

    def _told(self, text: str, share: float) -> None:
        if not self._stop.is_set():
            self.doing.tell(text)
            self.bar.setValue(round(1000 * share))

    def _end(self) -> None:
        self._task = None
        self.hide()
        self.changed.emit()
