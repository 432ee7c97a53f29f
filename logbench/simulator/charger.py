"""The turbocharger of a charged car, with its charge-air cooler and the control of its pressure.

A balance of energy: what the turbine takes from the exhaust spins the wheels up against what the
compressor needs (textbooks on supercharging of engines; mean values, no pulses). So the lag, the
pressure before the turbine and the pressure that an engine can have at a speed come out of it.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from math import sqrt

from logbench.simulator.airpath import CHOKED, CRITICAL, nozzle
from logbench.simulator.cars import Car
from logbench.simulator.day import Day
from logbench.simulator.faults import Faults
from logbench.simulator.parts import Getter, Part
from logbench.simulator.state import State

_COMPRESSOR, _TURBINE = 0.68, 0.66
"""Efficiency of the compressor, and of the turbine with the bearings. [CP: 0.6 to 0.78]"""
_SPIN_KJ_L = 1.7
"""Energy of the wheels at a pressure ratio of 2, for each liter of the engine: 3e-5 kg m2 at
170,000 rpm for 2 l. [from memory: compressor maps of passenger cars]"""
_BEARING_KW_L = 0.05
_SILENCER_KPA = 12.0
"""Pressure drop of the exhaust behind the turbine at rated flow."""
_STIFF = 1.0 / (1.0 - CRITICAL) ** 2
_OPEN_LOOP, _CLOSED_LOOP = 1.0, 2.0
"""Control status of PIDs 0x70 and 0x71 (SAE J1979)."""


def turbine_ratio(flow: float) -> float:
    """Pressure behind over pressure before a nozzle from its flow, as a share of the choked flow at
    the pressure behind: the inverse of `airpath.nozzle`."""
    if flow >= 1.0 / CRITICAL:
        return 1.0 / flow
    a = flow * flow + _STIFF
    b = CRITICAL * _STIFF
    return (b + sqrt(b * b - a * (CRITICAL * CRITICAL * _STIFF - 1.0))) / a


class Charger(Part):
    """Compressor, cooler, turbine with vanes or wastegate, actuator and control loop."""

    def __init__(self, car: Car, day: Day) -> None:
        facts, liters = car.charging, car.displacement_l
        self._facts = facts
        self._diesel = car.diesel
        self._rated_g_s = 1.35 * liters * car.redline_rpm / 120.0
        self._spin_kj = _SPIN_KJ_L * liters * facts.inertia
        self._most_g_s = (68.0 if car.diesel else 92.0) * liters * facts.area
        self._bearing_kw = _BEARING_KW_L * liters
        # diesels charge high with little throttle loss and cool exhaust; their vanes shut far
        open_mm2, shut_mm2 = (240.0, 30.0) if facts.vanes else (0.0, 92.0 if car.diesel else 96.0)
        self._shut_mm2 = shut_mm2 * liters * facts.area
        self._range_mm2 = (open_mm2 - shut_mm2 if facts.vanes else 230.0) * liters * facts.area
        self._leak_mm2 = 50.0 * liters
        self._rest = 0.55 if facts.vanes else 0.0
        self._rise = 0.0
        """Pressure ratio of the compressor less 1; the wheels' energy goes with it."""
        self._flow_g_s = 0.0
        self._integral = 0.0
        self._wanted = self._shut = self._rest
        """Position of vanes or wastegate: 1 shut, most pressure."""
        self._closed_loop = False
        self._out_degc = self._before_degc = self._behind_degc = day.ambient_degc
        self._scale_rpm = 165_000.0 / sqrt(liters / 2.0)
        self.pids = frozenset()
        if car.age == "late":
            self.pids = frozenset(
                {0x6F, 0x70, 0x71 if facts.vanes else 0x72, 0x74, 0x75, 0x77, 0x87}
            )

    # --- control ---------------------------------------------------------------------------------

    def _control(self, s: State, faults: Faults, dt: float) -> None:
        """PI on the charge pressure, with what the flow asks for fed forward; the actuator."""
        error = (s.boost_wanted_kpa - s.p_up_kpa) / 100.0
        over = (s.boost_wanted_kpa - s.p_amb_kpa) / 100.0
        if over < 0.03 or not s.running:
            wanted, self._integral, self._closed_loop = self._rest, 0.0, False
            if not self._diesel and not s.demand:
                wanted = 0.0
        else:
            share = s.exh_g_s / self._rated_g_s
            feed = 0.92 - 1.1 * share if self._facts.vanes else 0.75 + 0.25 * over - 0.45 * share
            gain = self._facts.gain
            self._integral += 0.9 * gain * error * dt
            free = feed + self._integral + 1.1 * gain * error
            wanted = 0.0 if free < 0.0 else 1.0 if free > 1.0 else free
            self._integral += wanted - free  # it does not grow beyond what the actuator can do
            self._closed_loop = True
        self._wanted = wanted
        stuck = wanted
        if faults.boost_open:
            most = 1.0 - 0.97 * faults.boost_open**0.3
            stuck = most if stuck > most else stuck
        if faults.boost_shut:
            least = (0.6 if self._facts.vanes else 0.85) * sqrt(faults.boost_shut)
            stuck = least if stuck < least else stuck
        self._shut += (stuck - self._shut) * dt / (0.12 + dt)

    # --- physics ---------------------------------------------------------------------------------

    def step(self, s: State, faults: Faults, dt: float) -> None:
        """Move wheels, pressures and actuator."""
        self._control(s, faults, dt)
        # a moment's mean: the wheels and the pipe between them and the manifold are not stiff
        self._flow_g_s += (s.air_in_g_s - self._flow_g_s) * dt / (0.12 + dt)
        share = self._flow_g_s / self._rated_g_s
        inlet_kpa = s.p_amb_kpa - 1.5 * share * share
        behind_kpa = s.p_amb_kpa + s.back_kpa + _SILENCER_KPA * share * share
        exh_k, inlet_k = s.exh_degc + 273.15, s.t_amb_degc + 283.15
        past, past_shut = (0.0, 0.3) if self._facts.vanes else (1.0, 0.0)
        area = self._shut_mm2 + (1.0 - self._shut) * self._range_mm2
        through = 1.0 - past * (1.0 - self._shut_mm2 / area)
        y = turbine_ratio(s.exh_g_s * sqrt(exh_k) / (area * CHOKED * behind_kpa))
        before = behind_kpa / y
        s.p_exh_kpa += (before - s.p_exh_kpa) * dt / (0.08 + dt)
        expansion = 1.0 - y**0.25
        # vanes that stand far shut turn the gas badly; a wheel at its most flow wastes the work
        efficiency = _TURBINE * (1.0 - past_shut * self._shut**3)
        turbine_kw = s.exh_g_s * 0.00113 * exh_k * expansion * through * efficiency
        lift = (1.0 + self._rise) ** 0.286 - 1.0
        leak = self._leak_g_s(s, faults)
        choked = self._flow_g_s / self._most_g_s - 0.9
        wasted = 1.0 + 5.0 * choked * choked if choked > 0.0 else 1.0
        heat_k = inlet_k * lift / _COMPRESSOR * (wasted if wasted < 2.0 else 2.0)
        compressor_kw = self._flow_g_s * 0.001005 * heat_k
        used = compressor_kw + self._bearing_kw * self._rise
        self._rise += (turbine_kw - used) / self._spin_kj * dt
        self._rise = max(self._rise, 0.0)
        if not self._diesel and s.demand <= 0.001:  # the recirculation valve around the compressor
            self._rise -= self._rise * dt / (0.25 + dt)
        lost = 3.0 * share * share + 0.5 * leak
        s.p_up_kpa = inlet_kpa * (1.0 + self._rise) - lost
        s.pipe_leak_g_s = leak
        self._out_degc += (s.t_amb_degc + 10.0 + heat_k - self._out_degc) * dt / (7.0 + dt)
        self._before_degc += (s.exh_degc - self._before_degc) * dt / (3.0 + dt)
        behind_degc = s.exh_degc - exh_k * expansion * _TURBINE
        self._behind_degc += (behind_degc - self._behind_degc) * dt / (3.0 + dt)

    def _leak_g_s(self, s: State, faults: Faults) -> float:
        """Out of the pipe between the charger and the sensor."""
        if not faults.charge_leak_before or s.p_up_kpa <= s.p_amb_kpa:
            return 0.0
        area = sqrt(faults.charge_leak_before) * self._leak_mm2
        flow = area * s.p_up_kpa * CHOKED / sqrt(s.intake_degc + 273.15)
        return flow * nozzle(s.p_amb_kpa / s.p_up_kpa)

    def slow(self, s: State, faults: Faults, dt: float) -> None:
        """What of the heat of compression the cooler leaves; less air outside takes less."""
        wind = s.speed_m_s / (s.speed_m_s + 4.0)
        effect = self._facts.cooler * (0.6 + 0.4 * wind)
        hot_k = self._out_degc - s.t_amb_degc - 10.0
        target = (1.0 - effect) * (hot_k if hot_k > 0.0 else 0.0)
        s.charge_heat_k += (target - s.charge_heat_k) * dt / (8.0 + dt)

    def codes(self, s: State) -> Iterator[tuple[str, bool, float]]:
        """Charge pressure too low and too high for what is asked."""
        asked = s.boost_wanted_kpa > s.p_amb_kpa + 25.0 and s.rpm > 1800.0
        yield "P0299", asked and s.map_kpa < s.boost_wanted_kpa - 25.0 and s.throttle > 0.9, 5.0
        yield "P0234", s.map_kpa > s.boost_wanted_kpa + 30.0 and s.map_kpa > s.p_amb_kpa + 60.0, 3.0

    # --- readings --------------------------------------------------------------------------------

    def getters(self) -> Mapping[str, Getter]:
        """Pressures, position, speed and temperatures as PIDs 0x6F to 0x77 and 0x87 carry them."""
        name = "VGT_A" if self._facts.vanes else "WG_A"

        def shown(shut: float) -> float:
            return 100.0 * (shut if self._facts.shut_is_full else 1.0 - shut)

        return {
            "TCA_CINP": lambda s: s.p_amb_kpa - 1.5 * (s.air_in_g_s / self._rated_g_s) ** 2,
            "BP_A_CMD": lambda s: s.boost_wanted_kpa,
            "BP_A_ACT": lambda s: s.p_up_kpa + 0.2 * s.noise[s.noise_at - 40],
            "BP_A_STAT": lambda s: _CLOSED_LOOP if self._closed_loop else _OPEN_LOOP,
            f"{name}_CMD": lambda s: shown(self._wanted),
            f"{name}_ACT": lambda s: shown(self._shut) + 0.3 * s.noise[s.noise_at - 41],
            "VGT_A_STAT": lambda s: _CLOSED_LOOP if self._closed_loop else _OPEN_LOOP,
            "TCA_RPM": lambda s: self._scale_rpm * sqrt(self._rise / 1.3),
            "TCA_CINT": lambda s: s.t_amb_degc + 10.0,
            "TCA_COUTT": lambda s: self._out_degc,
            "TCA_TINT": lambda s: self._before_degc,
            "TCA_TOUTT": lambda s: self._behind_degc,
            "CACT11": lambda s: s.intake_degc,
            "MAP_A": lambda s: s.map_kpa,
        }
