"""What the driver of the simulated car does: phases, one after the other."""

from __future__ import annotations

import csv
from dataclasses import dataclass
from functools import cache
from importlib import resources
from typing import Literal

from logbench.errors import UsageError

PhaseKind = Literal[
    "key off", "key on", "crank", "idle", "hold", "cruise", "pull", "coast", "stop", "trace"
]


@dataclass(frozen=True, slots=True)
class Phase:
    """One thing the driver does."""

    name: str
    kind: PhaseKind
    duration_s: float
    """How long; for `crank`, `pull`, `coast` and `stop` at most how long: they end when the engine
    runs, `value` rpm is reached, the speed falls below `value` km/h, the car stands."""
    value: float = 0.0
    """`hold`: rpm with the gearbox in neutral; `cruise`: km/h; `pull`: rpm as a share of the
    redline; `coast`: km/h."""
    grade: float = 0.0
    """Slope of the road, rise over run."""
    trace_kmh: tuple[float, ...] = ()
    """`trace`: the speed at each second from the start of the phase."""


@dataclass(frozen=True, slots=True)
class Schedule:
    """Phases, and what happens after the last: a car with the key off stays off, else it idles."""

    name: str
    phases: tuple[Phase, ...]
    warm: bool = False
    """Start with the engine at its regulating temperature instead of cold."""

    @property
    def duration_s(self) -> float:
        """Seconds at most; phases that end by an event may make it shorter."""
        return sum(p.duration_s for p in self.phases)


def _start(cold_idle_s: float) -> tuple[Phase, ...]:
    return (
        Phase("key on, engine off", "key on", 8),
        Phase("cranking", "crank", 6),
        Phase("idle after start", "idle", cold_idle_s),
    )


def scripted_drive() -> Schedule:
    """The test drive: cold start, warm-up on the road, idle, 2,500 rpm hold, cruises, a hill,
    one full-throttle pull, coast-down, idle, key off; about 21 minutes."""
    return Schedule(
        "test-drive",
        (
            *_start(60),
            Phase("warming up at 50 km/h", "cruise", 100, 50),
            Phase("warming up at 80 km/h", "cruise", 150, 80),
            Phase("stop at a light", "stop", 30),
            Phase("idle at a light", "idle", 15),
            Phase("warming up at 60 km/h", "cruise", 100, 60),
            Phase("warming up at 90 km/h", "cruise", 150, 90),
            Phase("stop", "stop", 40),
            Phase("warm idle", "idle", 80),
            Phase("2,500 rpm hold", "hold", 45, 2500),
            Phase("idle after the hold", "idle", 15),
            Phase("cruise at 50 km/h", "cruise", 60, 50),
            Phase("cruise at 80 km/h", "cruise", 70, 80),
            Phase("cruise at 110 km/h", "cruise", 80, 110),
            Phase("hill at 70 km/h", "cruise", 75, 70, grade=0.06),
            Phase("slow down", "cruise", 20, 38),
            Phase("full-throttle pull", "pull", 20, 0.92),
            Phase("coast-down", "coast", 40, 30),
            Phase("stop", "stop", 25),
            Phase("idle at the end", "idle", 60),
            Phase("key off", "key off", 4),
        ),
    )


def short_drive() -> Schedule:
    """A drive of about five minutes that starts warm."""
    return Schedule(
        "short-drive",
        (
            *_start(50),
            Phase("2,500 rpm hold", "hold", 35, 2500),
            Phase("cruise at 50 km/h", "cruise", 40, 50),
            Phase("cruise at 80 km/h", "cruise", 45, 80),
            Phase("hill at 70 km/h", "cruise", 35, 70, grade=0.06),
            Phase("slow down", "cruise", 15, 38),
            Phase("full-throttle pull", "pull", 15, 0.92),
            Phase("coast-down", "coast", 25, 30),
            Phase("stop", "stop", 15),
            Phase("idle at the end", "idle", 20),
            Phase("key off", "key off", 4),
        ),
        warm=True,
    )


def idle_warm_up(minutes: float = 15.0) -> Schedule:
    """A cold start and idle only."""
    return Schedule("idle", (*_start(minutes * 60),))


@cache
def wltc_trace_kmh() -> tuple[float, ...]:
    """Speeds of the WLTC class 3b cycle, one a second from 0 to 1800 s (UN GTR 15, annex 1)."""
    file = resources.files("logbench.simulator.data") / "wltc_class3b.csv"
    rows = csv.DictReader(file.read_text("ascii").splitlines())
    return tuple(float(row["speed_kmh"]) for row in rows)


def wltc() -> Schedule:
    """The WLTC class 3b cycle between a cold start and key off."""
    trace = wltc_trace_kmh()
    return Schedule(
        "wltc",
        (
            *_start(5),
            Phase("WLTC class 3b", "trace", len(trace) - 1, trace_kmh=trace),
            Phase("idle at the end", "idle", 15),
            Phase("key off", "key off", 4),
        ),
    )


_SCHEDULES = {
    "test-drive": scripted_drive,
    "short-drive": short_drive,
    "wltc": wltc,
    "idle": idle_warm_up,
}
SCHEDULE_NAMES = tuple(_SCHEDULES)


def schedule(name: str) -> Schedule:
    """A schedule by name; `UsageError` for another name."""
    try:
        return _SCHEDULES[name]()
    except KeyError:
        raise UsageError(
            f"There is no drive schedule {name!r}: choose one of {', '.join(SCHEDULE_NAMES)}."
        ) from None
