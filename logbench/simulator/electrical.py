"""Battery, starter, alternator and what they feed."""

from __future__ import annotations

from math import exp

from logbench.simulator.cars import Car
from logbench.simulator.faults import Faults
from logbench.simulator.state import State


class Electrical:
    """Voltages and currents of one car."""

    def __init__(self, car: Car) -> None:
        self._ah = car.battery_ah
        self._resistance = 0.0062 * (60.0 / car.battery_ah) ** 0.8
        self._starter_a = 95.0 + 42.0 * car.displacement_l
        self._inrush = 0.0
        self._max_a = 75.0 + 18.0 * car.displacement_l

    def step(self, s: State, faults: Faults, dt: float) -> None:
        """Balance of currents: what the alternator cannot give comes from the battery."""
        cold = 1.0 + 0.012 * max(0.0, 25.0 - s.t_amb_degc)
        resistance = self._resistance * cold * (1.0 + 1.5 * faults.worn_battery)
        rest_v = 11.95 + 0.75 * s.soc - 0.3 * faults.worn_battery
        load_a = 0.05
        if s.key_on:
            load_a = 8.0
        if s.running:
            load_a = 22.0 + (14.0 if s.fan_on else 0.0)
        if s.cranking:
            self._inrush = 1.0 if s.rpm < 20.0 else self._inrush * exp(-dt / 0.12)
            s.starter_a = self._starter_a * cold * (1.0 + 0.4 * self._inrush)
            load_a += s.starter_a
        else:
            s.starter_a = 0.0
            self._inrush = 1.0
        can_a = 0.0
        if s.running and s.since_start_s > 0.5:
            can_a = self._max_a * (1.0 - exp(-max(0.0, s.rpm - 300.0) / 900.0))
            can_a *= 1.0 - 0.88 * faults.weak_alternator
        # the regulator's aim falls as the battery warms: 14.5 V cold to 13.8 V hot
        aim_v = 14.45 - 0.009 * (0.5 * s.intake_degc + 0.5 * s.t_amb_degc)
        source_v = rest_v + s.polarisation_v
        wanted_a = load_a + max(0.0, (aim_v - source_v) / (resistance + 0.03))
        s.alternator_a += (min(can_a, wanted_a) - s.alternator_a) * dt / (0.15 + dt)
        battery_a = s.alternator_a - load_a
        across = battery_a * (resistance + (0.03 if battery_a > 0.0 else 0.0))
        v = source_v + across
        s.battery_v += (v - s.battery_v) * dt / (0.02 + dt)
        s.soc = max(0.0, min(1.0, s.soc + battery_a * dt / 3600.0 / self._ah))
        # acid concentrates at the plates: a charge current falls away within minutes
        aim = (0.22 if battery_a > 0.0 else 0.004) * battery_a
        s.polarisation_v += (aim - s.polarisation_v) * dt / (90.0 + dt)

    @staticmethod
    def accessories_kw(s: State) -> float:
        """Power the belt takes: alternator at 60 %, pumps."""
        return s.alternator_a * s.battery_v * 0.001 / 0.6 + 0.1 + 0.00005 * s.rpm
