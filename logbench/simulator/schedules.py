"""What the driver of the simulated car does: phases, one after the other."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cache
from typing import Literal

from logbench.errors import UsageError
from logbench.simulator.data import rows, tables

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


@cache
def wltc_trace_kmh() -> tuple[float, ...]:
    """Speeds of the WLTC class 3b cycle, one a second from 0 to 1800 s (UN GTR 15, annex 1)."""
    return tuple(float(row["speed_kmh"]) for row in rows("wltc_class3b.csv"))


_SCHEDULES = tables("schedules.toml")
SCHEDULE_NAMES = tuple(_SCHEDULES)


def schedule(name: str) -> Schedule:
    """A schedule by name; `UsageError` for another name."""
    try:
        drive = _SCHEDULES[name]
    except KeyError:
        raise UsageError(
            f"There is no drive schedule {name!r}: choose one of {', '.join(SCHEDULE_NAMES)}."
        ) from None
    phases = (
        Phase(**row, trace_kmh=wltc_trace_kmh() if row["kind"] == "trace" else ())
        for row in drive["phases"]
    )
    return Schedule(name, tuple(phases), drive.get("warm", False))
