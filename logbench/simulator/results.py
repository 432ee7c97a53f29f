"""What a diesel's computer reports in service 06 of charge pressure and recirculation."""

from __future__ import annotations

from collections.abc import Iterator

from logbench.simulator.cars import Car
from logbench.simulator.day import Day
from logbench.simulator.faults import Faults
from logbench.simulator.monitors import MonitorTest
from logbench.simulator.parts import Part
from logbench.simulator.state import State

_BOOST, _EGR, _OWN = 0x85, 0x31, 0x80
_HUNDREDTH_KPA, _HUNDREDTH_PCT = 0x17, 0xAF
_MOST_KPA, _MOST_PCT = 25, 40
_MEAN_S = 20.0


class DieselResults(Part):
    """Running means of what is missing of the pressure and the air that the computer asked for."""

    def __init__(self, car: Car, day: Day) -> None:
        self._boost_kpa: float | None = None
        self._air_pct: float | None = None

    def slow(self, s: State, faults: Faults, dt: float) -> None:
        """Warm, and while each of them is asked for."""
        if not s.running or s.ect_degc < 60.0:
            return
        if s.demand > 0.4 and s.boost_wanted_kpa > s.p_amb_kpa + 20.0:
            self._boost_kpa = _mean(self._boost_kpa, abs(s.boost_wanted_kpa - s.map_kpa), dt)
        if 0.0 <= s.demand < 0.2 and s.air_wanted_g_s > 2.0 and not s.fuel_cut:
            off_pct = 100.0 * (s.maf_g_s / s.air_wanted_g_s - 1.0)
            self._air_pct = _mean(self._air_pct, max(-300.0, min(300.0, off_pct)), dt)

    def tests(self, s: State) -> Iterator[MonitorTest]:
        """Zeros before they ran."""
        yield _test(_EGR, _HUNDREDTH_PCT, self._air_pct, -_MOST_PCT, _MOST_PCT)
        yield _test(_BOOST, _HUNDREDTH_KPA, self._boost_kpa, 0, _MOST_KPA)


def _mean(old: float | None, new: float, dt: float) -> float:
    return new if old is None else old + (new - old) * dt / (_MEAN_S + dt)


def _test(monitor: int, scaling: int, value: float | None, low: int, high: int) -> MonitorTest:
    if value is None:
        return MonitorTest(monitor, _OWN, scaling)
    return MonitorTest(monitor, _OWN, scaling, round(100 * value), 100 * low, 100 * high)
