"""What a drive has so far: conditions and evidence, worked out off the window's thread."""

from __future__ import annotations

import time
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

from PySide6.QtCore import QObject, QTimer, Signal

from logbench.app.background import Jobs
from logbench.app.live.session import LiveSession
from logbench.cases.runner import Running
from logbench.cases.work import Work as Task
from logbench.plot.pyramid import Floats, Ints
from logbench.plot.totals import COMPUTED
from logbench.recording.model import Facts, Trace, Vehicle
from logbench.recording.surroundings import Surroundings
from logbench.words import tr

if TYPE_CHECKING:
    from logbench.analysis.comparison.plan import CellGoal
    from logbench.analysis.drive_plan import DriveProgress
    from logbench.analysis.evidence import CheckEvidence

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
Part = tuple[str, str, str, Callable[[], tuple[Ints, Floats]]]


@dataclass(frozen=True, slots=True)
class Found:
    """What one look gave."""

    progress: DriveProgress
    evidence: list[CheckEvidence] | None
    took_s: float


def _found(parts: Sequence[Part], facts: Facts, goals: Sequence[CellGoal], judges: bool) -> Found:
    """On another thread."""
    from logbench.analysis.drive_plan import progress_of
    from logbench.analysis.evidence import evidence_so_far
    from logbench.recording.reader import Recording

    begun = time.thread_time()
    traces = [Trace(signal, ecu, unit, *whole()) for signal, ecu, unit, whole in parts]
    needed = [t for t in traces if t.signal.split("_")[0] in _NEEDED]
    progress = progress_of(Recording.of(needed, facts), goals)
    evidence = None
    if judges and traces:
        evidence = evidence_so_far(Recording.of(traces, facts))
    return Found(progress, evidence, time.thread_time() - begun)


class DriveWatcher(QObject):
    """While a recording runs: looks at it again and again, and tells how far it has come."""

    progressed = Signal(object)
    """A `DriveProgress`."""
    evidence_found = Signal(object)
    """A list of `CheckEvidence`: what each check still lacks."""
    goals_read = Signal(str)
    """Goals were taken from this file."""
    failed = Signal(str)

    def __init__(self, session: LiveSession, jobs: Jobs, parent: QObject | None = None) -> None:
        super().__init__(parent)
        self._session, self._jobs = session, jobs
        self.vehicle = Vehicle()
        self._surroundings = Surroundings()
        self.goals: Sequence[CellGoal] = ()
        self.progress: DriveProgress | None = None
        self.judges = False
        """The evidence of the checks is looked at, too."""
        self._task: Running | None = None
        self._timer = QTimer(self)
        self._timer.setSingleShot(True)
        self._timer.timeout.connect(self._look)
        session.state_changed.connect(self._state_changed)

    def tell_car(self, vehicle: Vehicle, surroundings: Surroundings) -> None:
        """What was stated of the car, the place and the day of the drive that begins."""
        self.vehicle, self._surroundings = vehicle, surroundings

    def repeat(self, path: Path) -> None:
        """Take the cells of an earlier drive as goals."""

        def work(_: Task) -> Sequence[CellGoal]:
            from logbench.analysis.comparison.plan import plan_from
            from logbench.recording.reader import open_recording

            return plan_from([open_recording(path)])

        def done(goals: Sequence[CellGoal]) -> None:
            if not goals:
                self.failed.emit(
                    tr(
                        "{name} has no warm, steady driving to repeat; choose another recording.",
                        name=path.name,
                    )
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
        parts = [
            (t.signal, t.ecu, t.unit, t.pyramid.snapshot())
            for t in self._session.traces.values()
            if t.ecu != COMPUTED and (self.judges or t.signal.split("_")[0] in _NEEDED)
        ]
        if not parts and not self.goals:
            self._rest(_LEAST_MS)
            return
        goals, judges = self.goals, self.judges
        facts = Facts(vehicle=self.vehicle, extra=dict(self._surroundings.extra()))
        self._task = self._jobs.start(
            lambda _: _found(parts, facts, goals, judges), self._looked, self._ended
        )

    def _looked(self, found: Found) -> None:
        self._task = None
        self.progress = found.progress
        self.progressed.emit(found.progress)
        if found.evidence is not None:
            self.evidence_found.emit(found.evidence)
        self._rest(min(max(_LEAST_MS, round(found.took_s * 1000 * _IDLE_SHARE)), _MOST_MS))

    def _ended(self, sentence: str) -> None:
        self._task = None
        self.failed.emit(sentence)

    def _rest(self, ms: int) -> None:
        if self._session.active:
            self._timer.start(ms)
