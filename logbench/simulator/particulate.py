"""A diesel's particulate filter: soot, the pressure it takes, and its regeneration.

A passenger car's filter, all of it from memory (handbooks of exhaust aftertreatment): 1.1 to 1.6
times the displacement, 5 to 8 g of soot for each liter before it is burned off, which takes some
ten minutes at 600 degC; the pressure grows with the volume of gas, in part with its square, and
three to four times as high with the soot of a full one.
"""

from __future__ import annotations

import random
from collections.abc import Iterator
from math import exp

from logbench.simulator.cars import Car
from logbench.simulator.day import Day
from logbench.simulator.faults import Faults
from logbench.simulator.monitors import MonitorTest
from logbench.simulator.state import State

_PER_M3_H, _PER_M3_H2 = 0.0075, 0.000016
"""kPa of a clean filter of `_SIZE_L`, for each m3/h and for its square."""
_SIZE_L = 2.6
_SOOT, _ASH = 0.27, 0.4
"""How much more of the linear part for each g/l of soot, and after 200,000 km."""
_PASSIVE_PER_S, _ACTIVE_PER_S = 2.5e-5, 0.0045
"""Share of the soot that burns each second at 350 degC, by nitrogen dioxide, and at 600 degC."""
LOADED_G_L = 15.0
"""What does not burn any more, at severity 1."""
_DONE, _LONGEST_S = 0.12, 1500.0
_MEAN_S = 30.0
_FULL = 4.5
"""Pressure over that of a clean filter that the computer calls full."""
SOOT_KJ_G = 33.0


class ParticulateFilter:
    """Load, pressure drop and the computer's wish to burn it off."""

    def __init__(self, car: Car, day: Day) -> None:
        rng = random.Random(f"filter {car.vin}")
        self.liters = car.displacement_l * rng.uniform(1.1, 1.6)
        self.trigger_g_l = rng.uniform(5.0, 8.0)
        self.load_g_l = self.trigger_g_l * day.soot
        self.target_degc = rng.uniform(580.0, 630.0)
        self.mean_km = rng.uniform(250.0, 800.0)
        self._give = 1.0 + rng.uniform(-0.15, 0.15)
        self._ash = 1.0 + _ASH * car.odometer_km / 200_000.0
        self._zero_kpa = rng.uniform(-0.12, 0.12)
        self._off_kpa = rng.choice((-1.0, 1.0, 1.0)) * rng.uniform(2.0, 3.0)
        self._idle_limit_s = rng.uniform(20.0, 120.0)
        self.dp_kpa = self.shown_kpa = 0.0
        self.regenerated_s = 0.0
        self.wanted = self._done = False
        self._idle_s = 0.0
        self._moving_s = 0.0
        self._ratio: float | None = None

    @property
    def share_pct(self) -> float:
        """Load over that at which it is burned off."""
        return 100.0 * self.load_g_l / self.trigger_g_l

    def tests(self) -> Iterator[MonitorTest]:
        """Service 06: pressure over that of a clean filter at the same flow, 1/256 a step."""
        ratio = MonitorTest(0xB2, 0x80, 0x20)
        if self._ratio is not None:
            value = min(0x7FFF, round(256 * self._ratio))
            ratio = MonitorTest(0xB2, 0x80, 0x20, value, round(256 * 0.25), round(256 * _FULL))
        yield ratio

    def codes(self) -> Iterator[tuple[str, bool, float]]:
        """Full, or no pressure where there must be some."""
        ratio = self._ratio if self._ratio is not None else 1.0
        yield "P2463", ratio > _FULL, 20.0
        yield "P2453", ratio < 0.25, 20.0

    def start(self, faults: Faults) -> None:
        """What does not burn is there from the start."""
        self.load_g_l += LOADED_G_L * faults.filter_loaded

    def step(self, s: State, faults: Faults, degc: float, dt: float) -> float:
        """Soot, pressure and wish; returns the heat of the soot that burns, kW."""
        stays = LOADED_G_L * faults.filter_loaded
        soot = max(0.0, self.load_g_l - stays)
        rate = _PASSIVE_PER_S * exp((min(degc, 450.0) - 350.0) / 60.0) if degc > 230.0 else 0.0
        rate += _ACTIVE_PER_S * exp((min(degc, 700.0) - 600.0) / 55.0) if degc > 400.0 else 0.0
        burned = soot * min(0.5, rate * dt)
        self.load_g_l += 0.98 * s.soot_g_s * dt / self.liters - burned
        self._pressure(s, faults, degc, dt)
        self._decide(s, soot, dt)
        return SOOT_KJ_G * burned * self.liters / dt

    def _pressure(self, s: State, faults: Faults, degc: float, dt: float) -> None:
        kelvin = degc + 273.15
        p_kpa = s.p_amb_kpa + 0.5 * self.dp_kpa
        flow = 3.6 * s.exh_g_s * 0.287 * kelvin / p_kpa * _SIZE_L / self.liters
        viscosity: float = (kelvin / 573.0) ** 0.65
        linear = _PER_M3_H * flow * viscosity
        quadratic = _PER_M3_H2 * flow * flow * 573.0 / kelvin
        dp = self._give * (linear * (self._ash + _SOOT * self.load_g_l) + quadratic)
        self.dp_kpa += (dp - self.dp_kpa) * dt / (0.1 + dt)
        seen = self.dp_kpa * (1.0 - 0.98 * faults.filter_hose)
        seen += self._zero_kpa + self._off_kpa * faults.filter_offset
        self.shown_kpa += (seen - self.shown_kpa) * dt / (0.3 + dt)
        if flow > 100.0:
            ratio = self.shown_kpa / (linear + quadratic)
            old = self._ratio if self._ratio is not None else ratio
            self._ratio = old + (ratio - old) * dt / (_MEAN_S + dt)

    def _decide(self, s: State, soot: float, dt: float) -> None:
        if not s.running:
            s.regenerating = False
            return
        if not self._done and self.load_g_l > self.trigger_g_l:
            self.wanted = True
        idle = s.demand <= 0.001 and s.speed_m_s < 1.0
        self._idle_s = self._idle_s + dt if idle else 0.0
        self._moving_s = self._moving_s + dt if s.speed_m_s > 8.0 else 0.0
        if s.regenerating:
            self.regenerated_s += dt
            clean = soot < _DONE * self.trigger_g_l
            if clean or self.regenerated_s > _LONGEST_S:
                self.wanted, self._done = False, True
            s.regenerating = self.wanted and self._idle_s < self._idle_limit_s
        elif self.wanted and s.coolant_degc > 60.0 and self._moving_s > 15.0:
            s.regenerating = True
