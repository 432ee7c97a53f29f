"""Which monitors an engine computer has (PID 0x01 and 0x41), when each runs, and which are done."""

from __future__ import annotations

from collections.abc import Callable, Mapping

from logbench.simulator.cars import Car
from logbench.simulator.in_use import InUse
from logbench.simulator.state import State

_When = Callable[[State], bool]


def _always(s: State) -> bool:
    return True


def _warm(s: State) -> bool:
    return s.loop == 2 and s.ect_degc > 60


def _road(s: State) -> bool:
    return _warm(s) and s.speed_m_s > 10


def _hot(s: State) -> bool:
    return s.ect_degc > 60


def _hot_road(s: State) -> bool:
    return s.ect_degc > 60 and s.speed_m_s > 10


_EVERY: Mapping[str, tuple[float, _When]] = {"CCM": (60, _always)}
_SPARK: Mapping[str, tuple[float, _When]] = {
    "MIS": (60, _always),
    "FUEL": (120, _warm),
    "CAT": (240, _road),
    "EVAP": (420, _road),
    "O2S": (150, _road),
    "HTR": (60, _always),
}
_DIESEL: Mapping[str, tuple[float, _When]] = {
    "FUEL": (120, _hot),
    "HCCAT": (300, _hot_road),
    "BP": (200, _hot_road),
    "EGR": (200, _hot),
}
"""Acronym's stem to seconds it needs and when they count. [CP]"""


def _monitors_of(car: Car) -> dict[str, tuple[float, _When]]:
    """Those of the kind of engine; later diesels watch more of their exhaust."""
    found = dict(_EVERY) | dict(_DIESEL if car.diesel else _SPARK)
    if car.diesel and car.age != "early":
        found["MIS"] = (60, _always)
        if car.particulate_filter:
            found["PM"] = (420, _hot_road)
    if car.diesel and car.age == "late":
        found["NCAT"] = (420, _hot_road)
        found["EGS"] = (240, _hot_road)
    return found


class Readiness:
    """Seconds that each monitor has run: this driving cycle, and since the codes were cleared."""

    def __init__(self, car: Car, in_use: InUse) -> None:
        self._monitors, self._in_use = _monitors_of(car), in_use
        self._ever_s = dict.fromkeys(self._monitors, 1e9)
        self._cycle_s = dict.fromkeys(self._monitors, 0.0)

    def has(self, monitor: str) -> bool:
        """Whether the computer has the monitor of this stem."""
        return monitor in self._monitors

    def complete(self, monitor: str, cycle: bool) -> bool:
        """Whether a monitor is complete: this driving cycle, or since the codes were cleared."""
        done = self._cycle_s if cycle else self._ever_s
        return done[monitor] >= self._monitors[monitor][0]

    def new_cycle(self) -> None:
        """The key is turned on."""
        self._cycle_s = dict.fromkeys(self._monitors, 0.0)

    def clear(self) -> None:
        """Service 04."""
        self.new_cycle()
        self._ever_s = dict.fromkeys(self._monitors, 0.0)

    def running(self, s: State, dt: float) -> None:
        """The engine runs for `dt` seconds."""
        for monitor, (needed_s, when) in self._monitors.items():
            if when(s):
                self._cycle_s[monitor] += dt
                self._ever_s[monitor] += dt
                if self._cycle_s[monitor] >= needed_s:
                    self._in_use.complete(monitor)
