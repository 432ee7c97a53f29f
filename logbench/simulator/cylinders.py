"""What the cylinders differ in: fuel of each injector, cycles that do not burn, glow plugs; the
unrest of the crankshaft that comes of it, and the misfires that are counted.

A step of the physics holds a part of a cycle at idle and more than one above 2,400 rpm, so that
what shows in the speed is what readings at 10 Hz show of a real engine.
"""

from __future__ import annotations

import random
from collections.abc import Iterator, Mapping
from math import exp
from statistics import NormalDist

from logbench.simulator.cars import Car
from logbench.simulator.day import Day
from logbench.simulator.faults import Faults
from logbench.simulator.monitors import MonitorTest
from logbench.simulator.parts import Getter, Part
from logbench.simulator.state import State

UNDER, OVER, MISSED = 0.5, 0.6, 0.7
"""At severity 1: fuel that an injector lacks or gives too much, cycles that a cylinder misses."""
_CLEAR = 0.6
"""Power of an injector's severity: what a bank's trims or the unrest show is a third of the fuel of
one cylinder and more. [CP: trims of 10 %]"""
_EQUALISED = 0.10
"""Difference of fuel that a diesel's computer takes out at idle [from memory: smooth running
control, some milligrams]."""
_AT_IDLE = 3.0
"""An injector's error is one of milligrams, and idle takes a third of what cruising does."""
_LEAN, _LEAN_MISSED = 1.4, 2.5
"""Mixture from which on a spark no longer lights every cycle, and how fast that grows."""
_LIGHT_S, _DARK_S = 0.25, 1.6
"""How much longer a diesel at -10 degC is turned, with all glow plugs and without one."""
_DARK_FROM_DEGC, _DARK_K = 12.0, 14.0
"""Coolant below which a cylinder without glow plug misses cycles, and by how much less it first
misses all of them: a modern diesel is started without glowing above 5 to 10 degC, in frost hardly
[from memory]."""
_COUNTED = 0xA2
_MEAN, _NOW, _COUNT = 0x0B, 0x0C, 0x24
"""Misfire counts of cylinder 1 and, in it, mean of the last ten driving cycles and this one, as
plain counts (SAE J1979, from memory; python-OBD has the same)."""
_MOST_MISSED = 0.04
"""Share of a cylinder's cycles above which a code is set [common practice: 2 to 5 % of all]."""


class Cylinders(Part):
    """All cylinders of one engine, in their order of firing."""

    def __init__(self, car: Car, day: Day) -> None:
        rng = random.Random(f"cylinders {car.vin}")
        n = car.cylinders
        self._car, self._n = car, n
        self._bad = rng.randrange(n)
        spread = 0.015 if car.diesel or car.direct else 0.0
        drawn = [1.0 + rng.uniform(-spread, spread) for _ in range(n)]
        self._drawn = [one / (sum(drawn) / n) for one in drawn]
        self._faulty: list[float] = []
        self._work: list[float] = []
        self._missing: list[float] = []
        self._limits: list[float] = []
        self._lost = [False] * n
        self._cycles = 0.0
        self._cold = self._dark = 0.0
        self._glow_s = 0.0
        self._recent = [0.0] * n
        self._counts = [0.0] * n
        self._means = [rng.choice((0, 0, 0, 1, 2)) for _ in range(n)]
        early, late = car.age == "early", car.age == "late"
        self._counted = not car.diesel or rng.random() < (0.7 if late else 0.0 if early else 0.4)
        lamp = car.diesel and rng.random() < (0.5 if late else 0.0 if early else 0.2)
        self.pids = frozenset({0x65} if lamp else ())

    def start(self, s: State, faults: Faults) -> None:
        """What differs, and how cold the cylinders are."""
        self._cold = min(1.0, max(0.0, (12.0 - s.coolant_degc) / 22.0))
        self._dark = min(1.0, max(0.0, (_DARK_FROM_DEGC - s.coolant_degc) / _DARK_K))
        if not self._car.diesel:
            self._cold = 0.0
        self._glow_s = 9.0 * min(1.0, max(0.0, (25.0 - s.coolant_degc) / 45.0))
        self._differ(s, faults)
        for k, missing in enumerate(self._missing):
            self._means[k] += round(900 * missing)

    def getters(self) -> Mapping[str, Getter]:
        """Lamp of the glow plugs."""
        if not self.pids:
            return {}
        return {"GPL_STAT": lambda s: float(s.key_on and not s.running and self._glow_s > 0.0)}

    def step(self, s: State, faults: Faults, dt: float) -> None:
        """Which cylinders fire in this step, and how well."""
        if not self._work:
            return
        if s.cranking and s.crank_s < 0.4 + s.light_s:
            s.firing = 0.0
            return
        if s.rpm < 60.0:
            s.firing = 1.0
            return
        turned = s.rpm * dt / 120.0
        start, end = self._cycles, self._cycles + turned
        self._cycles = end % 1.0
        s.firing = self._between(s, start, end) / turned

    def _between(self, s: State, start: float, end: float) -> float:
        """Work of the cylinders between two places of the cycle, those of the next ones above 1."""
        n, work, total = self._n, self._work, 0.0
        k = int(start * n)
        at = start
        while at < end - 1e-9:
            until = min(end, (k + 1) / n)
            one = k % n
            if at > start or k == start * n:  # it fires only now
                limit = self._limits[one]
                self._lost[one] = limit < 9.0 and s.noise[(s.noise_at - 60 - k) % 8191] > limit
                self._counts[one] += self._lost[one]
            if not self._lost[one]:
                total += work[one] * (until - at)
            at, k = until, k + 1
        return total

    def slow(self, s: State, faults: Faults, dt: float) -> None:
        """Cold walls warm up; faults may be set on the road."""
        if s.key_on and not s.running:
            self._glow_s -= dt
        if s.cranking and self._cold:
            self._light(s, faults)
        self._differ(s, faults)
        for k, missing in enumerate(self._missing):
            self._recent[k] += (missing - self._recent[k]) * dt / (5.0 + dt)
        # now and then a cycle of a healthy engine does not burn, either
        if s.running and s.noise[s.noise_at - 59] > 3.1:
            self._counts[s.step % self._n] += 1.0

    def _light(self, s: State, faults: Faults) -> None:
        wait = self._cold * (_LIGHT_S + (_DARK_S - _LIGHT_S) * faults.glow_plug)
        s.light_s = max(s.light_s, wait)

    def _differ(self, s: State, faults: Faults) -> None:
        """Fuel, work and missed cycles of each cylinder."""
        dark = 0.0
        if self._cold and faults.glow_plug:
            dark = faults.glow_plug * self._dark * exp(-s.since_start_s / 25.0)
            dark = dark if dark > 0.02 else 0.0
        idle = self._car.diesel and s.demand <= 0.001
        cause = [faults.injector_under, faults.injector_over, faults.misfire, dark, float(idle)]
        if cause == self._faulty:
            return
        self._faulty = cause
        gains = list(self._drawn)
        gains[self._bad] *= 1.0 - UNDER * faults.injector_under**_CLEAR
        gains[self._bad] *= 1.0 + OVER * faults.injector_over**_CLEAR
        missing = [0.0] * self._n
        missing[self._bad] = max(MISSED * faults.misfire, dark)
        s.injected = sum(gains) / self._n
        s.cyl_gain = gains if faults.injector_under or faults.injector_over else []
        self._work = self._of_diesel(gains, idle) if self._car.diesel else self._of_spark(gains)
        if not self._car.diesel:
            for k, gain in enumerate(gains):
                mixture = s.injected / gain
                lean = _LEAN_MISSED * (mixture - _LEAN)
                missing[k] = min(1.0, max(missing[k], lean))
        even = not any(missing) and max(gains) == min(gains)
        self._missing = missing
        s.cyl_missed = missing if any(missing) else []
        self._limits = [NormalDist().inv_cdf(1.0 - min(m, 0.999)) if m else 9.0 for m in missing]
        if even:
            self._work, s.firing = [], 1.0

    def _of_diesel(self, gains: list[float], idle: bool) -> list[float]:
        """Work is as fuel in a lean engine; at idle the computer evens out small differences."""
        mean = sum(gains) / self._n
        work = [gain / mean for gain in gains]
        if not idle:
            return work
        off = [_AT_IDLE * (one - 1.0) for one in work]
        left = [one - max(-_EQUALISED, min(_EQUALISED, one)) for one in off]
        return [max(0.0, 1.0 + one) for one in left]

    def _of_spark(self, gains: list[float]) -> list[float]:
        """At lambda 1 a cylinder with more fuel has no air for it, one with less burns that."""
        mean = sum(gains) / self._n
        return [min(1.0, gain / mean) for gain in gains]

    def tests(self, s: State) -> Iterator[MonitorTest]:
        """Service 06: counts of this driving cycle and mean of the last ten."""
        if not self._counted:
            return
        for k in range(self._n):
            for test, count in ((_MEAN, self._means[k]), (_NOW, int(self._counts[k]))):
                yield MonitorTest(_COUNTED + k, test, _COUNT, min(count, 0xFFFF), 0, 0xFFFF)

    def codes(self, s: State) -> Iterator[tuple[str, bool, float]]:
        """Misfire of a cylinder."""
        if self._counted and self._work:
            for k, share in enumerate(self._recent):
                yield f"P03{k + 1:02d}", share > _MOST_MISSED, 10.0
