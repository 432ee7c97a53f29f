"""A simulated car that waits where a test wants it to, and a source that records it hurried."""

from __future__ import annotations

import dataclasses
import math
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass

from logbench.capture.messages import CaptureRequest
from logbench.capture.sources.car import SimulatedSource
from logbench.simulator.cars import named_car
from logbench.simulator.day import STANDARD
from logbench.simulator.drive import Drive
from logbench.simulator.driver import Phase, Schedule
from logbench.simulator.faults import Faults
from logbench.simulator.timing import CarClock, Timing
from logbench.vehicle.model import Progress
from tests.serving import serve_tcp

SPEED = 40.0


@dataclass(slots=True)
class HeldClock(CarClock):
    """A car's clock that stands still at `until_s` of car time until that is raised."""

    until_s: float = math.inf

    def at(self, t_s: float) -> float:
        """Car time, never beyond `until_s`; what was waited is not caught up."""
        if self._started_at_s is None:
            return self.start_s
        now_s = CarClock.at(self, t_s)
        if now_s > self.until_s:
            self._started_at_s += (now_s - self.until_s) / self.speed
            now_s = self.until_s
        return now_s

    def skip(self, seconds: float) -> None:
        """Let so much car time go by at once."""
        assert self._started_at_s is not None
        self.until_s += seconds
        self._started_at_s -= seconds / self.speed


class HurriedSource(SimulatedSource):
    """Records the car served at the request's `tcp://` link on a clock `SPEED` times as fast."""

    def __init__(self, request: CaptureRequest) -> None:
        self._served = request.link_url
        super().__init__(dataclasses.replace(request, link_url=f"sim:?speed={SPEED:g}"))

    def _start_car(self, progress: Progress) -> str:
        """The served car instead of one of its own."""
        return self._served


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


def end_of_trip(drive: Drive, number: int) -> float:
    """Car time a little after the engine was switched off, the key on again."""
    while drive.phase != f"engine off {number}":
        drive.advance(drive.t_s + 0.5)
    return drive.t_s + 5.0


@contextmanager
def faulty_at_rest() -> Iterator[str]:
    """The URL of a car that had its key turned on after a drive with a fault: its code is set."""
    faults = Faults({"unmetered_air": 1.0})
    drive = Drive(named_car("demo"), faults, TWO_TRIPS, seed=5, day=STANDARD)
    end_of_trip(drive, 1)
    clock = CarClock(speed=0.1, start_s=drive.t_s)
    with serve_tcp(drive, timing=Timing(baud=0, latency_ms=1.0), clock=clock) as url:
        yield url
