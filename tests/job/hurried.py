"""A simulated car that waits where a test wants it to, and a source that records it hurried."""

from __future__ import annotations

import dataclasses
import math
from dataclasses import dataclass

from logbench.capture.messages import CaptureRequest
from logbench.capture.polled import PolledSource
from logbench.capture.simulated import SimulatedSource
from logbench.capture.source import Opened
from logbench.simulator.clock import CarClock
from logbench.simulator.schedules import Phase, Schedule
from logbench.vehicle.model import Progress

SPEED = 40.0


@dataclass(slots=True)
class HeldClock(CarClock):
    """A car's clock that stands still at `until_s` of car time until that is raised."""

    until_s: float = math.inf

    def at(self, t_s: float) -> float:
        """Car time, never beyond `until_s`; what was waited is not caught up."""
        if self._began_at_s is None:
            return self.start_s
        now_s = CarClock.at(self, t_s)
        if now_s > self.until_s:
            self._began_at_s += (now_s - self.until_s) / self.speed
            now_s = self.until_s
        return now_s

    def skip(self, seconds: float) -> None:
        """Let so much car time go by at once."""
        assert self._began_at_s is not None
        self.until_s += seconds
        self._began_at_s -= seconds / self.speed


class HurriedSource(SimulatedSource):
    """Records the car served at the request's `tcp://` link on a clock `SPEED` times as fast."""

    def __init__(self, request: CaptureRequest) -> None:
        self._served = request.link_url
        super().__init__(dataclasses.replace(request, link_url=f"sim:?speed={SPEED:g}"))

    def open(self, progress: Progress) -> Opened:
        """Connect to the served car instead of starting one."""
        if self._polled is None:
            self._polled = PolledSource(self._hurried(), self._served)
        return super().open(progress)


def _trip(number: int) -> tuple[Phase, ...]:
    return (
        Phase("cranking", "crank", 6),
        Phase("idle", "idle", 60),
        Phase("hold", "hold", 40, 2500),
        Phase("cruise at 50", "cruise", 50, 50),
        Phase("cruise at 80", "cruise", 60, 80),
        Phase("stop", "stop", 30),
        Phase("warm idle", "idle", 60),
        Phase("key off", "key off", 3),
        Phase(f"engine off {number}", "key on", 400),
    )


TWO_TRIPS = Schedule("two trips", (Phase("key on", "key on", 6), *_trip(1), *_trip(2)), warm=True)
