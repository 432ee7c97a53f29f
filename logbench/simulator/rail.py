"""The common rail of a diesel and of a gasoline engine that injects directly: what the computer
commands, what pump and regulator make of it, and what that does to the fuel.

Pressures: 25 to 30 MPa at a diesel's idle, 135 to 200 MPa at most; 4 to 7 MPa and 15 to 35 MPa of
direct gasoline injection [from memory: handbooks of injection systems]. The computer works out how
long an injector opens from the pressure it measures, so that most of what is missing is made up
for [from memory]; the limit is the time there is.
"""

from __future__ import annotations

import random
from collections.abc import Iterator, Mapping
from math import pi, sin

from logbench.simulator.cars import Car
from logbench.simulator.day import Day
from logbench.simulator.faults import Faults
from logbench.simulator.parts import Getter, Part
from logbench.simulator.state import State

LOW, HUNTING, WORN = 0.22, 0.14, 0.55
"""At severity 1: share of the commanded pressure that a regulator cannot hold, swing of a sticking
one, share of its delivery that a pump has lost."""
_MADE_UP = 0.25
"""Power of the pressure's shortfall that the fuel falls by; a half is that of an orifice whose
time nobody corrects."""
_LOW_SHARE = 0.25
"""Missing for seconds, a code. [CP: 20 to 30 %]"""
_TURNED_S = 0.3
_STEP_MG = 1000.0 * 120.0


class Rail(Part):
    """Pressure of one rail, in kPa over the air's."""

    def __init__(self, car: Car, day: Day) -> None:
        rng = random.Random(f"rail {car.vin}")
        self._car = car
        late = car.age == "late"
        if car.diesel:
            self._idle_kpa = rng.uniform(24_000.0, 32_000.0)
            self._most_kpa = (
                rng.uniform(160_000.0, 200_000.0) if late else (rng.uniform(135_000.0, 165_000.0))
            )
        else:
            self._idle_kpa = rng.uniform(4_000.0, 7_000.0)
            self._most_kpa = (
                rng.uniform(20_000.0, 35_000.0) if late else (rng.uniform(12_000.0, 20_000.0))
            )
        self._by_rpm = rng.uniform(0.25, 0.55)
        """Share of the rise that is due to speed, the rest to quantity."""
        self._full_mg = (115.0 if car.diesel else 75.0) * car.displacement_l / car.cylinders
        self._span_rpm = 0.75 * car.redline_rpm
        self._follows_s = rng.uniform(0.08, 0.25)
        self._falls_s = rng.uniform(0.1, 0.35)
        """A rail with a valve at its end falls at will, one without by what is injected."""
        self._room = rng.uniform(1.15, 1.35)
        """Delivery of a good pump over what full load asks."""
        self._gain = 1.0 + rng.uniform(-0.012, 0.012)
        self._hunt_hz = rng.uniform(0.25, 0.9)
        self._asked_kpa = self._set_kpa = self._kpa = 0.0
        self._fuel_degc = day.ambient_degc
        self.pids = self._offered(rng)

    def _offered(self, rng: random.Random) -> frozenset[int]:
        both = self._car.age == "late" or (self._car.age == "middle" and rng.random() < 0.4)
        one = {0x59} if rng.random() < 0.15 else {0x23}
        return frozenset({0x6D} | (one if rng.random() < 0.7 else set()) if both else one)

    def getters(self) -> Mapping[str, Getter]:
        """Actual pressure as three PIDs have it; commanded and temperature in 0x6D alone."""

        def actual(s: State) -> float:
            shown = self._kpa * self._gain + self._idle_kpa * 0.012 * s.noise[s.noise_at - 41]
            return shown if shown > 0.0 else 0.0

        return {
            "FRP_23": actual,
            "FRP_59": lambda s: actual(s) + s.p_amb_kpa,
            "FRP_A": actual,
            "FRP_A_CMD": lambda s: self._set_kpa,
            "FRT_A": lambda s: self._fuel_degc,
        }

    def _demand(self, s: State) -> float:
        """Fuel of a stroke over that of full load."""
        if s.rpm < 200.0:
            return 0.25
        mg = s.quantity_mg or _STEP_MG * s.fuel_g_s / (s.rpm * self._car.cylinders)
        return min(1.1, mg / self._full_mg)

    def step(self, s: State, faults: Faults, dt: float) -> None:
        """Set point, pump, regulator."""
        if not s.key_on or not (s.running or s.cranking):
            self._asked_kpa = self._set_kpa = self._idle_kpa if s.key_on else 0.0
            self._kpa -= self._kpa * dt / (1.5 + dt)  # it leaks back through the injectors
            s.rail_share = 1.0
            return
        demand = self._demand(s)
        turns = max(0.0, s.rpm - self._car.idle_rpm) / self._span_rpm
        share = self._by_rpm * turns + (1.0 - self._by_rpm) * (demand - 0.12) / 0.88
        share = 0.0 if share < 0.0 else 1.0 if share > 1.0 else share
        wanted = self._idle_kpa + (self._most_kpa - self._idle_kpa) * share
        self._asked_kpa += (wanted - self._asked_kpa) * dt / (0.12 + dt)
        self._set_kpa = self._asked_kpa
        self._kpa += self._flow(s, faults, demand, dt)
        lacking = self._kpa / self._set_kpa if self._set_kpa > 1.0 else 1.0
        lacking = 0.3 if lacking < 0.3 else 1.0 if lacking > 1.0 else lacking
        s.rail_share = lacking**_MADE_UP if faults.rail_low or faults.pump_weak else 1.0
        if s.cranking and self._kpa < 0.5 * self._idle_kpa:  # no injector opens before
            s.rail_share = 0.0
            s.light_s += dt * (s.crank_s > _TURNED_S)

    def _flow(self, s: State, faults: Faults, demand: float, dt: float) -> float:
        """What the pressure moves in this step, kPa."""
        goal = self._set_kpa
        if faults.rail_low:
            high = (goal - self._idle_kpa) / (self._most_kpa - self._idle_kpa)
            goal *= 1.0 - faults.rail_low * LOW * (0.45 + 0.55 * high)
        if faults.rail_hunting:
            swing = sin(2.0 * pi * self._hunt_hz * s.t_s) + 0.3 * s.noise[s.noise_at - 42]
            goal *= 1.0 + faults.rail_hunting**0.6 * HUNTING * swing
        if faults.pump_weak:
            # a worn pump keeps what little is asked of it and falls back as fuel and pressure rise
            can = self._room * (1.0 - faults.pump_weak * WORN)
            asked = 0.25 + 0.75 * max(demand, 0.0) ** 0.7
            beyond = asked / can - 0.9
            if beyond > 0.0:
                goal *= max(0.35, 1.0 - 0.6 * beyond)
        goal *= 1.0 + 0.004 * s.noise[s.noise_at - 43]
        error = goal - self._kpa
        if error < 0.0:
            return error * dt / (self._falls_s + dt)
        most = self._most_kpa * dt * 8.0
        if (
            s.rpm < 500.0
        ):  # at the starter's speed it takes a turn to fill the rail, a worn pump's many
            most = 0.012 * s.rpm * self._idle_kpa * (1.0 - 0.93 * faults.pump_weak) * dt
        return min(error * dt / (self._follows_s + dt), most)

    def codes(self, s: State) -> Iterator[tuple[str, bool, float]]:
        """Pressure too low."""
        low = self._kpa < (1.0 - _LOW_SHARE) * self._set_kpa and s.since_start_s > 3.0
        yield "P0087", low, 4.0

    def slow(self, s: State, faults: Faults, dt: float) -> None:
        """Fuel warms with the engine bay."""
        aim = s.t_amb_degc + 0.45 * (s.coolant_degc - s.t_amb_degc) + self._kpa / 8000.0
        self._fuel_degc += (aim - self._fuel_degc) * dt / (240.0 + dt)


class PortRail(Part):
    """Fuel at some 300 to 400 kPa before injectors in the ports, where it is reported."""

    def __init__(self, car: Car, day: Day) -> None:
        rng = random.Random(f"port rail {car.vin}")
        self._kpa = rng.uniform(300.0, 410.0)
        self._actual_kpa = 0.0
        self.pids = frozenset({0x0A} if rng.random() < 0.4 else set())

    def getters(self) -> Mapping[str, Getter]:
        """PID 0x0A."""
        return {"FRP": lambda s: max(0.0, self._actual_kpa + 1.5 * s.noise[s.noise_at - 41])}

    def slow(self, s: State, faults: Faults, dt: float) -> None:
        """The fuel that comes is as the root of the pressure."""
        goal = self._kpa * s.rail_gain * s.rail_gain if s.running or s.cranking else self._kpa
        goal = goal if s.key_on else 0.6 * self._kpa
        self._actual_kpa += (goal - self._actual_kpa) * dt / (0.4 + dt)
