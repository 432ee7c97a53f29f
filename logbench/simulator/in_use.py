"""In-use counters of the simulated engine computer (service 09, info types 08 and 0B).

Order: SAE J1979 (ISO 15031-5), from memory. A driving cycle counts after ten minutes of running of
which five are at 40 km/h or more (13 CCR 1968.2(d)(4.3.2), without its idle and altitude). The five
that this engine's monitors have are counted, the others are always 0. Info type 0B is that of
compression ignition.
"""

from __future__ import annotations

import random

PAIRS = {"CAT": 0, "O2S": 2, "EVAP": 6}
"""Monitor to its place among the pairs of completed and encountered, bank 1."""
PLACES = 9
DIESEL_PAIRS = {"HCCAT": 0, "NCAT": 1, "PM": 3, "EGS": 4, "EGR": 5, "BP": 6, "FUEL": 7}
DIESEL_PLACES = 8
LEAST_RUN_S, LEAST_FAST_S, FAST_M_S = 600.0, 300.0, 40 / 3.6


class InUse:
    """Counters that only go up."""

    def __init__(self, rng: random.Random, odometer_km: float, diesel: bool = False) -> None:
        self._pairs = DIESEL_PAIRS if diesel else PAIRS
        self._places = DIESEL_PLACES if diesel else PLACES
        self.info_type = 0x0B if diesel else 0x08
        self.cycles = int(odometer_km / 11)
        self.encountered = int(self.cycles * rng.uniform(0.35, 0.6))
        self.ran = {name: int(self.encountered * rng.uniform(0.4, 0.95)) for name in self._pairs}
        self._run_s = self._fast_s = 0.0
        self._counted = False
        self._done: set[str] = set()

    def key_on(self) -> None:
        """A driving cycle begins."""
        self.cycles += 1
        self._run_s = self._fast_s = 0.0
        self._counted = False
        self._done.clear()

    def running(self, dt: float, speed_m_s: float) -> None:
        """The engine runs for `dt` seconds."""
        self._run_s += dt
        self._fast_s += dt * (speed_m_s >= FAST_M_S)
        if not self._counted and self._run_s >= LEAST_RUN_S and self._fast_s >= LEAST_FAST_S:
            self._counted = True
            self.encountered += 1

    def complete(self, monitor: str) -> None:
        """A monitor has finished, this cycle for the first time or again."""
        if monitor in self.ran and monitor not in self._done:
            self._done.add(monitor)
            self.ran[monitor] += 1

    @property
    def numbers(self) -> tuple[int, ...]:
        """General conditions, ignition cycles, then completed and encountered of each monitor."""
        pairs = [(0, 0)] * self._places
        for name, place in self._pairs.items():
            pairs[place] = (self.ran[name], self.encountered)
        found = (self.encountered, self.cycles, *(n for pair in pairs for n in pair))
        return tuple(min(n, 0xFFFF) for n in found)
