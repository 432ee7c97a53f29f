"""Stop-start: the engine rests while the car stands, warm, charged and with the brake held."""

from __future__ import annotations

import random

from logbench.simulator.cars import Car
from logbench.simulator.day import Day
from logbench.simulator.faults import Faults
from logbench.simulator.parts import Part
from logbench.simulator.state import State

BRAKE_HELD_N = 1000.0
"""Brake force from which on the foot is on the pedal of a standing car."""


class StopStart(Part):
    """When the engine may rest, and when it must come back. Conditions and their limits differ from
    maker to maker: drawn. [CP: warm, battery above about 75 %, mild weather, driven since the last
    stop; one to three minutes at most]"""

    def __init__(self, car: Car, day: Day) -> None:
        rng = random.Random(f"stop-start {car.vin}")
        self._warm_degc = rng.uniform(45.0, 65.0)
        self._charge = rng.uniform(0.68, 0.78)
        self._after_s = rng.uniform(0.4, 1.5)
        self._longest_s = rng.uniform(60.0, 180.0)
        self._least_m_s = rng.uniform(1.5, 4.0)
        self._air_degc = rng.uniform(-5.0, 3.0), rng.uniform(28.0, 36.0)
        self._stood_s = 0.0
        self._rested_s = 0.0
        self._driven = False

    def step(self, s: State, faults: Faults, dt: float) -> None:
        """Watch the car stand, and the engine rest."""
        if not s.engine_wanted:
            self._rested_s += dt
            held = s.may_rest and s.brake_n > BRAKE_HELD_N and s.key_on
            if not held or self._rested_s > self._longest_s or s.soc < self._charge - 0.03:
                s.engine_wanted = True
                self._driven = False
            return
        self._driven |= s.speed_m_s > self._least_m_s
        stands = s.running and s.may_rest and s.speed_m_s < 0.05 and s.brake_n > BRAKE_HELD_N
        self._stood_s = self._stood_s + dt if stands else 0.0
        if self._stood_s > self._after_s and self._driven and self._allowed(s):
            s.engine_wanted = False
            self._rested_s = 0.0

    def _allowed(self, s: State) -> bool:
        low, high = self._air_degc
        warm = s.ect_degc > self._warm_degc and s.since_start_s > 5.0
        return warm and s.soc > self._charge and low < s.t_amb_degc < high
