"""Exhaust recirculation of a diesel: valve, cooler, and the control of the fresh air with it."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from math import sqrt

from logbench.simulator.airpath import CHOKED, nozzle
from logbench.simulator.cars import Car
from logbench.simulator.day import Day
from logbench.simulator.faults import Faults
from logbench.simulator.parts import Getter, Part
from logbench.simulator.state import State

_VALVE_MM2_L = 240.0


class Recirculation(Part):
    """High pressure, from before the turbine into the manifold; late cars also low pressure, from
    behind the filter to before the compressor.

    The computer knows the air it wants for the quantity; the valve opens until the air-flow sensor
    says so (from memory: textbooks on diesel engine management)."""

    def __init__(self, car: Car, day: Day) -> None:
        self._map = car.diesel_map
        self._mm2 = _VALVE_MM2_L * car.displacement_l
        self._liters = car.displacement_l
        self._low = car.diesel_map.low_pressure
        self._wanted = self._open = 0.0
        """Of the high-pressure valve, 0 to 1."""
        self._low_wanted = self._low_open = 0.0
        self._sensed_degc = day.ambient_degc
        self._idle_s = 0.0
        self.pids = frozenset()
        if car.age != "early":
            self.pids |= {0x2C, 0x2D}
        if car.age == "late":
            self.pids |= {0x69, 0x6B}

    def _allowed(self, s: State) -> bool:
        """Whether the computer recirculates now."""
        m = self._map
        warm = m.egr_from_degc < s.ect_degc < 108.0
        below = s.rpm < m.egr_below_rpm and s.load < m.egr_below_load
        ready = s.running and s.since_start_s > 8.0 and self._idle_s < m.egr_idle_s
        return ready and warm and below and not s.regenerating

    def _control(self, s: State, dt: float) -> None:
        idle = s.demand <= 0.001 and s.speed_m_s < 0.5
        self._idle_s = self._idle_s + dt if idle else 0.0
        if not self._allowed(s) or s.fuel_cut:
            self._wanted -= self._wanted * dt / (0.15 + dt)
            self._low_wanted -= self._low_wanted * dt / (0.15 + dt)
            return
        error = (s.maf_g_s - s.air_wanted_g_s) / (s.air_wanted_g_s + 2.0)
        more = 0.55 * (error if -0.6 < error < 0.6 else 0.6 if error > 0.0 else -0.6) * dt
        if self._low and not idle and s.ect_degc > 50.0:
            self._low_wanted = _share(self._low_wanted + more)
            self._wanted -= self._wanted * dt / (2.0 + dt)
        else:
            self._wanted = _share(self._wanted + more)
            self._low_wanted -= self._low_wanted * dt / (2.0 + dt)

    def step(self, s: State, faults: Faults, dt: float) -> None:
        """Move valve and flow."""
        self._control(s, dt)
        opening = self._wanted * (1.0 - sqrt(faults.egr_shut))
        if faults.egr_open:
            least = 0.26 * sqrt(faults.egr_open)
            opening = least if opening < least else opening
        self._open += (opening - self._open) * dt / (0.10 + dt)
        s.egr_wanted = max(self._wanted, self._low_wanted)
        self._low_open += (self._low_wanted - self._low_open) * dt / (0.15 + dt)
        clear = 1.0 - 0.93 * faults.egr_cooler**0.35
        s.egr_low_share = 0.42 * self._low_open
        degc = s.coolant_degc + (s.exh_degc - s.coolant_degc) * (0.25 + 0.35 * faults.egr_cooler)
        s.egr_degc = degc if degc > s.coolant_degc else s.coolant_degc
        p, p_exh = s.p_man_kpa, s.p_exh_kpa
        flow = 0.0
        if p_exh > p and self._open > 0.002 and s.rpm > 60.0:
            area = self._mm2 * self._open * clear
            flow = area * p_exh * CHOKED / sqrt(s.egr_degc + 273.15) * nozzle(p / p_exh)
        most = 0.75 * s.cyl_g_s
        flow = most if flow > most else flow
        s.egr_g_s += (flow - s.egr_g_s) * dt / (0.06 + dt)

    def slow(self, s: State, faults: Faults, dt: float) -> None:
        """The sensor behind the cooler; without flow it takes the warmth of its pipe."""
        target = s.egr_degc if self._open > 0.03 else 0.7 * s.coolant_degc + 0.3 * s.intake_degc
        self._sensed_degc += (target - self._sensed_degc) * dt / (6.0 + dt)

    def codes(self, s: State) -> Iterator[tuple[str, bool, float]]:
        """Too little flow by the air that is left, too much by the valve's own position."""
        warm = s.running and s.ect_degc > 60.0 and s.since_start_s > 30.0
        much_air = s.egr_wanted > 0.95 and s.maf_g_s > 1.25 * s.air_wanted_g_s
        yield "P0401", warm and much_air, 20.0
        yield "P0402", warm and s.egr_wanted < 0.02 and self._open > 0.06, 10.0

    def getters(self) -> Mapping[str, Getter]:
        """Commanded, actual, and the error over the commanded, in %."""

        def error(wanted: float, is_open: float) -> float:
            off = 100.0 * (is_open - wanted) / wanted if wanted > 0.02 else 0.0
            return off if off < 99.2 else 99.2

        found: dict[str, Getter] = {
            "EGR_PCT": lambda s: 100.0 * s.egr_wanted,
            "EGR_ERR": lambda s: error(self._wanted, self._open),
            "EGR_A_CMD": lambda s: 100.0 * self._wanted,
            "EGR_A_ACT": lambda s: 100.0 * self._open,
            "EGR_A_ERR": lambda s: error(self._wanted, self._open),
            "EGRT11": lambda s: self._sensed_degc,
        }
        if self._low:
            found |= {
                "EGR_B_CMD": lambda s: 100.0 * self._low_wanted,
                "EGR_B_ACT": lambda s: 100.0 * self._low_open,
                "EGR_B_ERR": lambda s: error(self._low_wanted, self._low_open),
            }
        return found


def _share(value: float) -> float:
    return 0.0 if value < 0.0 else 1.0 if value > 1.0 else value
