"""What a drive has so far: conditions and evidence, worked out off the window's thread."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING

from PySide6.QtCore import QObject, Signal

from logbench.app.live.session import LiveSession
from logbench.app.parts import delayed
from logbench.car.model import Car
from logbench.cases.live import NEEDED, Goals, Progressed, look_at_drive, read_goals
from logbench.cases.runner import Owner, Running
from logbench.recording.model import Facts, Surroundings
from logbench.signals.catalog import COMPUTED
from logbench.words import tr

if TYPE_CHECKING:
    from logbench.analysis.drive_plan import CellGoal, DriveProgress

_LEAST_MS = 1500
_MOST_MS = 60_000
_IDLE_SHARE = 20
"""It rests this many times as long as it worked: at most 5 % of one core."""


class DriveWatcher(QObject):
    """While a recording runs: looks at it again and again, and tells how far it has come."""

    progressed = Signal(object)
    """A `DriveProgress`."""
    evidence_found = Signal(object)
    """A list of `CheckEvidence`: what each check still lacks."""
    goals_read = Signal(str, tuple)
    """Goals were taken from this file; what so many drives of each side would show."""
    failed = Signal(str)

    def __init__(self, session: LiveSession, owner: Owner, parent: QObject) -> None:
        super().__init__(parent)
        self._session, self._owner = session, owner
        self._surroundings = Surroundings()
        self.goals: Sequence[CellGoal] = ()
        self.progress: DriveProgress | None = None
        self.judges = False
        """The evidence of the checks is looked at, too."""
        self._task: Running | None = None
        self._timer = delayed(self, _LEAST_MS, self._look)
        session.state_changed.connect(self._state_changed)

    @property
    def vehicle(self) -> Car:
        """What is known of the car."""
        return self._session.vehicle

    def set_car(self, vehicle: Car, surroundings: Surroundings) -> None:
        """What was stated of the car, the place and the day of the drive that begins."""
        self._session.vehicle, self._surroundings = vehicle, surroundings

    def repeat(self, path: Path, archive: str = "") -> None:
        """Take the cells of an earlier drive as goals; `archive`: with the car's other drives."""

        def done(goals: Goals) -> None:
            if not goals.cells:
                self.failed.emit(
                    tr(
                        "{name} has no warm, steady driving to repeat; choose another recording.",
                        name=path.name,
                    )
                )
                return
            self.goals = goals.cells
            self.goals_read.emit(path.name, goals.powers)
            self._look()

        self._owner.start(read_goals(path, archive), done, self.failed.emit, slot="goals")

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
            if t.ecu != COMPUTED and (self.judges or t.signal.split("_")[0] in NEEDED)
        ]
        if not parts and not self.goals:
            self._look_later(_LEAST_MS)
            return
        facts = Facts(vehicle=self.vehicle, extra=dict(self._surroundings.extra()))
        case = look_at_drive(parts, facts, self.goals, self.judges)
        self._task = self._owner.start(case, self._looked, self._ended)

    def _looked(self, found: Progressed) -> None:
        self._task = None
        self.progress = found.progress
        self.progressed.emit(found.progress)
        if found.evidence is not None:
            self.evidence_found.emit(found.evidence)
        self._look_later(min(max(_LEAST_MS, round(found.took_s * 1000 * _IDLE_SHARE)), _MOST_MS))

    def _ended(self, sentence: str) -> None:
        self._task = None
        self.failed.emit(sentence)

    def _look_later(self, ms: int) -> None:
        if self._session.active:
            self._timer.start(ms)
