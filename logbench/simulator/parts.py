"""What only some cars have (charger, recirculation, rail, particulate filter, motor, …): each is a
part with its own memory, its readings and the PIDs that carry them.

`State` holds what more than one part reads; what only one needs stays in the part. A part reaches
others through `State` alone.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping

from logbench.simulator.faults import Faults
from logbench.simulator.monitors import MonitorTest
from logbench.simulator.state import State

Getter = Callable[[State], float]


class Part:
    """A part that does nothing; each part overrides what it has."""

    pids: frozenset[int] = frozenset()
    """Service 01 PIDs that the engine computer answers because of it."""

    def getters(self) -> Mapping[str, Getter]:
        """What it reports: acronym of the signal table to the reading, in the table's unit."""
        return {}

    def start(self, s: State, faults: Faults) -> None:
        """Before the first step, and before the long-term trims are made."""

    def codes(self, s: State) -> Iterable[tuple[str, bool, float]]:
        """What the engine computer monitors of it while the engine runs: trouble code, whether it
        fails now, and how many seconds of that make it one."""
        return ()

    def tests(self, s: State) -> Iterable[MonitorTest]:
        """What service 06 reports of it."""
        return ()

    def step(self, s: State, faults: Faults, dt: float) -> None:
        """Every step of the physics: `dt` is `STEP_S`."""

    def slow(self, s: State, faults: Faults, dt: float) -> None:
        """A few times a second: temperatures, soot, what the computer decides at leisure."""
