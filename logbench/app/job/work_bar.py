"""What is being done for jobs, whichever is open, and the button that cancels it."""

from __future__ import annotations

from PySide6.QtWidgets import QHBoxLayout, QWidget

from logbench.app.parts import Elided, text_button
from logbench.cases.job import JobCase
from logbench.cases.runner import Runner, Running
from logbench.words import tr


class WorkBar(QWidget):
    """Hidden while nothing is done."""

    def __init__(self, runner: Runner) -> None:
        super().__init__()
        self._runner = runner
        self.doing = Elided()
        self.cancel_button = text_button(tr("Cancel  Ctrl+."), self.cancel)
        row = QHBoxLayout(self)
        row.setContentsMargins(12, 0, 12, 0)
        row.addWidget(self.doing, 1)
        row.addWidget(self.cancel_button)
        self.refresh()
        runner.changed.append(self.refresh)

    @property
    def shown(self) -> Running | None:
        """The case that is shown: one that can be cancelled before others."""
        cases = [r for r in self._runner.running if isinstance(r.case, JobCase) and r.case.title]
        return max(cases, key=lambda r: r.case.cancelling == "drop", default=None)

    def cancel(self) -> None:
        """End it, where that can be."""
        if self.shown is not None:
            self.shown.cancel()

    def refresh(self) -> None:
        """Show what is done now; of another job than the one that is open with its title."""
        running = self.shown
        self.setVisible(running is not None)
        if running is not None:
            name = f"{running.owner.name}: " if running.owner.closed else ""
            self.doing.tell(f"{name}{running.said}")
            self.cancel_button.setVisible(running.case.cancelling == "drop")
