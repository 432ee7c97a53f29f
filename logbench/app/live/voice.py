"""What is spoken during a drive: the plan's next step, and warnings."""

from __future__ import annotations

from typing import TYPE_CHECKING

from PySide6.QtCore import QObject

from logbench.analysis.statement import in_units
from logbench.app.live.session import LiveSession
from logbench.app.live.under_way import UnderWay
from logbench.app.speech import Speech
from logbench.app.theme import Look
from logbench.plot.bands import LimitWatch, side_of
from logbench.plot.trace import LiveTrace
from logbench.signals.units import Units
from logbench.words import tr

if TYPE_CHECKING:
    from logbench.analysis.drive_plan import DriveProgress


class DriveVoice(QObject):
    """Each step is spoken once as it may be told under way, and once more where it may be asked
    for at last; a value that leaves its band, once."""

    def __init__(
        self, speech: Speech, session: LiveSession, under_way: UnderWay, look: Look, parent: QObject
    ) -> None:
        super().__init__(parent)
        self._speech, self._session = speech, session
        self._under_way, self._look = under_way, look
        self._progress: DriveProgress | None = None
        self._said: set[tuple[str, bool]] = set()
        self._limits = LimitWatch()
        under_way.changed.connect(self._say_step)
        session.car_found.connect(self._limits.forget)

    def follow(self, progress: DriveProgress | None) -> None:
        """The plan is followed, and has come so far; None: a new drive begins."""
        before, self._progress = self._progress, progress
        if progress is None or before is None or progress.coming != before.coming:
            self._said.clear()
        self._say_step()

    def look(self) -> None:
        """Time has passed: a value may have left its band."""
        session = self._session
        for trace in self._limits.look(session.traces, session.clock):
            self._speech.say(
                _out_of_band(trace, trace.shown(session.clock).value, self._look.units)
            )

    def _say_step(self) -> None:
        progress, may_ask = self._progress, self._under_way.may_ask
        if progress is None or not self._session.active or not self._speech.on:
            return
        said = progress.coming, may_ask
        # what was asked for already is not taken back when the car drives off
        if said not in self._said and (progress.coming, True) not in self._said:
            self._said.add(said)
            told = progress.says(under_way=not may_ask)
            self._speech.say(in_units(told, self._look.units))


def _out_of_band(trace: LiveTrace, value: float, units: Units) -> str:
    assert trace.band is not None
    low, high = trace.band
    name, said = trace.title or trace.name, trace.text(value, units)
    if side_of(value, trace.band) == "below":
        limit = _limit(trace, low, units)
        return tr("{name} {value}: below {limit}", name=name, value=said, limit=limit)
    limit = _limit(trace, high, units)
    return tr("{name} {value}: above {limit}", name=name, value=said, limit=limit)


def _limit(trace: LiveTrace, limit: float | None, units: Units) -> str:
    return "" if limit is None else trace.text(limit, units)
