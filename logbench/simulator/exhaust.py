"""A diesel's exhaust: temperatures from the cylinders to behind the particulate filter, late fuel,
back pressure, nitrogen oxides and the sensors of all of them.

Heat capacities and losses are those of the materials by size [from memory]; Service 01 does not say
where a sensor sits: they are numbered along the flow.
"""

from __future__ import annotations

import random
from collections.abc import Iterable, Iterator, Mapping
from math import exp

from logbench.simulator.cars import Car
from logbench.simulator.day import Day
from logbench.simulator.diesel import HEATING_KJ_G
from logbench.simulator.faults import Faults
from logbench.simulator.monitors import MonitorTest
from logbench.simulator.particulate import ParticulateFilter
from logbench.simulator.parts import Getter, Part
from logbench.simulator.state import State

_GAS_KJ_G_K = 0.00112
_SILENCER_KPA = 6.0
"""At 50 g/s for each liter."""
_WARM_DEGC = 180.0
"""From here on late fuel begins to burn in the catalyst; 80 K on, all of it does."""
_TURBINE, _BEFORE, _FILTER, _BEHIND = range(4)
_PLACES_MIDDLE = ((0, 2), (1, 2), (0, 2, 3), (1, 2, 3))
_PLACES_LATE = ((0, 1, 2), (0, 2, 3), (0, 1, 2, 3), (1, 2, 3))
_EGT_CODES = ("P0544", "P2031", "P242A", "P2470")
"""Exhaust temperature sensors 1 to 4 of bank 1 (SAE J2012, from memory)."""
_DEAD_DEGC = (-40.0, -40.0, 15.0, 999.0)
"""What different computers show of a sensor that is open or shorted."""


class _Mass:
    """A wall or brick in the flow: gas leaves nearer to its temperature."""

    def __init__(self, kj_k: float, share: float, loss_kw_k: float) -> None:
        self._kj_k, self._share, self._loss = kj_k, share, loss_kw_k
        self.degc = 20.0

    def step(self, gas_degc: float, flow_kw_k: float, heat_kw: float, s: State, dt: float) -> float:
        """Move by `dt` seconds; the temperature of the gas that leaves."""
        given = self._share * flow_kw_k * (gas_degc - self.degc)
        lost = self._loss * (1.0 + 0.05 * s.speed_m_s) * (self.degc - s.t_amb_degc)
        self.degc += (given + heat_kw - lost) * dt / self._kj_k
        return gas_degc + self._share * (self.degc - gas_degc)


class Exhaust(Part):
    """Everything behind the cylinders of a diesel."""

    def __init__(self, car: Car, day: Day) -> None:
        rng = random.Random(f"exhaust {car.vin}")
        d = car.displacement_l / 2.0
        self._car = car
        self._manifold = _Mass(3.5 * d, 0.45, 0.0035 * d)
        self._catalyst = _Mass(1.3 * d, 0.92, 0.0006 * d)
        self._front = _Mass(1.4 * d, 0.92, 0.0004 * d)
        self._rear = _Mass(1.4 * d, 0.92, 0.0005 * d)
        self._filter = ParticulateFilter(car, day) if car.particulate_filter else None
        self._true = [20.0] * 4
        self._seen = [20.0] * 4
        self._gains = [1.0 + rng.uniform(-0.012, 0.012) for _ in self._seen]
        self._offsets_k = [rng.uniform(-4.0, 4.0) for _ in self._seen]
        late = car.age == "late"
        self._watched = car.age != "early"
        self._places = rng.choice(_PLACES_LATE if late else _PLACES_MIDDLE)
        self._dead_share = 0.0
        self._dead_degc = rng.choice(_DEAD_DEGC)
        self._nox = _Nox(car, rng) if late else None
        self.pids = self._offered(rng)
        told = {
            *(self._places if 0x78 in self.pids else ()),
            *((2, 3) if 0x7C in self.pids else ()),
        }
        self._dead = rng.choice([place for place in self._places if place in told or not told])

    def _offered(self, rng: random.Random) -> frozenset[int]:
        if self._car.age == "early":
            return frozenset()
        late = self._car.age == "late"
        filtered = self._filter is not None
        chances = {
            0x73: 0.3 if late else 0.1,
            0x78: 0.9 if late else 0.7,
            0x7A: (0.9 if late else 0.6) * filtered,
            0x7C: (0.7 if late else 0.4) * filtered,
            0x83: 0.85 * late,
            0x85: 0.7 * (late and not self._car.nox_trap),
            0x8B: (0.75 if late else 0.25) * filtered,
        }
        return frozenset(pid for pid, chance in chances.items() if rng.random() < chance)

    def start(self, s: State, faults: Faults) -> None:
        """As warm as the engine left it, a little more."""
        degc = s.t_amb_degc + 1.6 * (s.coolant_degc - s.t_amb_degc)
        for mass in (self._manifold, self._catalyst, self._front, self._rear):
            mass.degc = degc
        self._true[:] = self._seen[:] = [degc] * 4
        if self._filter is not None:
            self._filter.start(faults)

    def slow(self, s: State, faults: Faults, dt: float) -> None:
        """Gas from part to part, soot, late fuel, sensors."""
        flow = _GAS_KJ_G_K * s.exh_g_s
        gas = self._manifold.step(s.exh_degc, flow, 0.0, s, dt)
        self._true[_TURBINE] = gas
        if s.p_exh_kpa > s.p_amb_kpa:  # the turbine takes work out of it
            drop = 1.0 - ((s.p_amb_kpa + s.back_kpa) / s.p_exh_kpa) ** 0.25
            gas -= 0.65 * (gas + 273.15) * drop if drop > 0.0 else 0.0
        self._true[_BEFORE] = gas
        burns = (self._catalyst.degc - _WARM_DEGC) / 80.0
        burns = 0.0 if burns < 0.0 else 1.0 if burns > 1.0 else burns
        late_kw = HEATING_KJ_G * s.post_g_s * burns
        gas = self._catalyst.step(gas, flow, late_kw, s, dt)
        self._true[_FILTER] = gas
        soot_kw = 0.0
        if self._filter is not None:
            mean = 0.5 * (self._front.degc + self._rear.degc)
            soot_kw = self._filter.step(s, faults, mean, dt)
            s.post_g_s = self._late_fuel(s, self._filter.target_degc, flow, burns)
        gas = self._front.step(gas, flow, 0.5 * soot_kw, s, dt)
        self._true[_BEHIND] = self._rear.step(gas, flow, 0.5 * soot_kw, s, dt)
        size = s.exh_g_s / (50.0 * self._car.displacement_l)
        s.back_kpa = _SILENCER_KPA * size * size + (self._filter.dp_kpa if self._filter else 0.0)
        self._sense(s, faults, dt)
        if self._nox is not None:
            self._nox.step(s, self._true[_BEHIND], dt)

    def _late_fuel(self, s: State, target_degc: float, flow: float, burns: float) -> float:
        """What brings the gas before the filter to the target; none before it can burn."""
        if not s.regenerating or s.fuel_cut or burns < 0.3:
            return 0.0
        lacking = target_degc - self._true[_BEFORE]
        lacking += 1.5 * (target_degc - self._true[_FILTER])
        asked = flow * lacking / HEATING_KJ_G
        most = 0.010 * s.exh_g_s + 0.01
        return 0.0 if asked < 0.0 else asked if asked < most else most

    def _sense(self, s: State, faults: Faults, dt: float) -> None:
        slow_s = 1.5 + 25.0 / (s.exh_g_s + 4.0)
        for k, true in enumerate(self._true):
            self._seen[k] += (true - self._seen[k]) * dt / (slow_s + dt)
        self._dead_share = faults.egt_dead**0.4

    def _shown(self, place: int) -> Getter:
        gain, offset_k = self._gains[place], self._offsets_k[place]

        def get(s: State) -> float:
            degc = self._seen[place] * gain + offset_k + 0.6 * s.noise[s.noise_at - 50 - place]
            if place == self._dead:
                degc += self._dead_share * (self._dead_degc - degc)
            return degc

        return get

    def tests(self, s: State) -> Iterable[MonitorTest]:
        """Those of the filter."""
        return self._filter.tests() if self._filter is not None and self._watched else ()

    def codes(self, s: State) -> Iterator[tuple[str, bool, float]]:
        """A temperature that no exhaust has, and those of the filter."""
        if not self._watched:
            return
        place = self._dead
        shown = self._seen[place] + self._dead_share * (self._dead_degc - self._seen[place])
        impossible = s.since_start_s > 60.0 and not s.t_amb_degc - 15.0 < shown < 950.0
        yield _EGT_CODES[self._places.index(place)], impossible, 10.0
        if self._filter is not None:
            yield from self._filter.codes()

    def getters(self) -> Mapping[str, Getter]:
        """Temperatures, pressures and, where there is a filter, its load."""
        found = {f"EGT1{k}": self._shown(place) for k, place in enumerate(self._places, 1)}
        found["EP_1"] = lambda s: s.p_exh_kpa + 0.4 * s.noise[s.noise_at - 55]
        if self._filter is not None:
            found |= self._of_filter(self._filter)
        if self._nox is not None:
            found |= self._nox.getters()
        return found

    def _of_filter(self, part: ParticulateFilter) -> dict[str, Getter]:
        def pressure(s: State) -> float:
            return part.shown_kpa + 0.03 * s.noise[s.noise_at - 54]

        found: dict[str, Getter] = {
            "DPF1_DP": pressure,
            "DPF1_INT": self._shown(_FILTER),
            "DPF_REGEN": lambda s: float(s.regenerating),
            "DPF_REGEN_TYP": lambda s: float(s.regenerating),
            "DPF_REGEN_PCT": lambda s: part.share_pct,
            "DPF_REGEN_AVGT": lambda s: part.mean_km / 0.7,
            "DPF_REGEN_AVGD": lambda s: part.mean_km,
        }
        if _BEHIND in self._places:
            found["DPF1_OUTT"] = self._shown(_BEHIND)
        return found


class _Nox:
    """Nitrogen oxides before and behind reduction or storage, in outline."""

    def __init__(self, car: Car, rng: random.Random) -> None:
        self._trap = car.nox_trap
        self._best = rng.uniform(0.5, 0.75) if car.nox_trap else rng.uniform(0.85, 0.95)
        self._level_pct = rng.uniform(15.0, 95.0)
        self._seen = [0.0, 0.0]
        self._ready_s = 0.0
        self._reagent_l_h = 0.0

    def step(self, s: State, degc: float, dt: float) -> None:
        """Reduction by temperature, reagent by what is reduced; sensors wait for a dry pipe."""
        share = self._best / (1.0 + exp(-(degc - (150.0 if self._trap else 215.0)) / 15.0))
        behind = s.nox_ppm * (1.0 - share)
        for k, true in enumerate((s.nox_ppm, behind)):
            self._seen[k] += (true - self._seen[k]) * dt / (1.5 + dt)
        dry = s.running and degc > 110.0
        self._ready_s = self._ready_s + dt if dry else 0.0
        # 1 g of NO2 takes about 2 g of reagent of 1.09 kg/l (32.5 % urea, stoichiometric)
        nox_g_s = 1e-6 * s.nox_ppm * 46.0 / 29.0 * s.exh_g_s
        rate = nox_g_s * share * 2.0 * 3600.0 / 1090.0
        self._reagent_l_h += (rate - self._reagent_l_h) * dt / (120.0 + dt)

    def _concentration(self, which: int) -> Getter:
        def get(s: State) -> float:
            if self._ready_s < 30.0:
                return float("nan")
            return max(0.0, self._seen[which] + 3.0 * s.noise[s.noise_at - 56 - which])

        return get

    def getters(self) -> dict[str, Getter]:
        """PID 83 and, with reagent, 85."""
        found: dict[str, Getter] = {f"NOX1{k + 1}": self._concentration(k) for k in range(2)}
        if not self._trap:
            found |= {
                "REAG_RATE": lambda s: self._reagent_l_h,
                "REAG_DEMD": lambda s: self._reagent_l_h,
                "REAG_LVL": lambda s: self._level_pct,
                "NWI_TIME": lambda s: 0.0,
            }
        return found
