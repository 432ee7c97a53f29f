"""What a drive has so far: conditions and evidence, worked out off the window's thread."""

from __future__ import annotations

import time
from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING

from PySide6.QtCore import QObject, QTimer, Signal

from logbench.app.background import Jobs, Task
from logbench.app.live.session import LiveSession
from logbench.recording.model import Facts, Trace, Vehicle

if TYPE_CHECKING:
    from logbench.analysis.comparison.plan import CellGoal
    from logbench.analysis.drive_plan import DriveProgress

_LEAST_MS = 1500
_MOST_MS = 60_000
_IDLE_SHARE = 20
"""It rests this many times as long as it worked: at most 5 % of one core."""
_NEEDED = frozenset(
    (
        "RPM",
        "VSS",
        "TP",
        "APP",
        "TAC",
        "ECT",
        "FUELSYS1",
        "LOAD",
        "MAP",
        "MAF",
        "MAFA",
        "BARO",
        "EVAP",
    )
)
"""First parts of the acronyms that conditions and cells rest on."""


class DriveWatcher(QObject):
    """While a recording runs: looks at it again and again, and tells how far it has come."""

    progressed = Signal(object)
    """A `DriveProgress`."""
    goals_read = Signal(str)
    """Goals were taken from this file."""
    failed = Signal(str)

    def __init__(self, session: LiveSession, jobs: Jobs, parent: QObject | None = None) -> None:
        super().__init__(parent)
        self._session, self._jobs = session, jobs
        self.vehicle = Vehicle()
        self.goals: Sequence[CellGoal] = ()
        self.progress: DriveProgress | None = None
        self._task: Task | None = None
        self._timer = QTimer(self)
        self._timer.setSingleShot(True)
        self._timer.timeout.connect(self._look)
        session.state_changed.connect(self._state_changed)

    def repeat(self, path: Path) -> None:
        """Take the cells of an earlier drive as goals."""

        def work(_: Task) -> Sequence[CellGoal]:
            from logbench.analysis.comparison.plan import plan_from
            from logbench.recording.reader import open_recording

            return plan_from([open_recording(path)])

        def done(goals: Sequence[CellGoal]) -> None:
            if not goals:
                self.failed.emit(
                    f"{path.name} has no warm, steady driving to repeat; choose another recording."
                )
                return
            self.goals = goals
            self.goals_read.emit(path.name)
            self._look()

        self._jobs.start(work, done, self.failed.emit)

    def _state_changed(self, state: str) -> None:
        if state == "connecting":
            self.progress = None
            self._timer.start(_LEAST_MS)
        elif state == "idle":
            self._look()
            self._timer.stop()

    def _look(self) -> None:
        if self._task is not None:
            return
        traces = [
            Trace(t.signal, t.ecu, t.unit, *t.pyramid.between(0, self._session.now_ns + 1))
            for t in self._session.traces.values()
            if t.signal.split("_")[0] in _NEEDED
        ]
        if not traces and not self.goals:
            self._rest(_LEAST_MS)
            return
        goals, facts = self.goals, Facts(vehicle=self.vehicle)

        def work(_: Task) -> tuple[DriveProgress, float]:
            from logbench.analysis.drive_plan import progress_of
            from logbench.recording.reader import Recording

            begun = time.thread_time()
            found = progress_of(Recording.of(traces, facts), goals)
            return found, time.thread_time() - begun

        self._task = self._jobs.start(work, self._looked, self._ended)

    def _looked(self, found: tuple[DriveProgress, float]) -> None:
        self._task = None
        self.progress = found[0]
        self.progressed.emit(found[0])
        self._rest(min(max(_LEAST_MS, round(found[1] * 1000 * _IDLE_SHARE)), _MOST_MS))

    def _ended(self, sentence: str) -> None:
        self._task = None
        self.failed.emit(sentence)

    def _rest(self, ms: int) -> None:
        if self._session.active:
            self._timer.start(ms)
