"""What the engine computer of a diesel reports of it, besides charger, recirculation and rail."""

from __future__ import annotations

from collections.abc import Mapping
from math import pi

from logbench.simulator.cars import Car
from logbench.simulator.day import Day
from logbench.simulator.diesel import FUEL_G_L, full_mg, work_nm
from logbench.simulator.faults import Faults
from logbench.simulator.parts import Getter, Part
from logbench.simulator.state import State

_DIESEL_FUEL = 4.0
_EOBD = 6.0


class DieselReports(Part):
    """Flap, torque, quantity and timing, fuel rate, and where the intake air is measured."""

    def __init__(self, car: Car, day: Day) -> None:
        self._car = car
        self._reference_nm = 10.0 * round(work_nm(car, full_mg(car, 2200.0)) / 10.0)
        self._airbox_degc = day.ambient_degc
        pids: set[int] = set()
        if car.age != "early":
            pids |= {0x5C, 0x5D, 0x5E, 0x61, 0x62, 0x63}
        if car.age == "late":
            pids |= {0x66, 0x6A, 0x8E, 0x9D, 0xA2}
        self.pids = frozenset(pids)

    def start(self, s: State, faults: Faults) -> None:
        """The air at the meter is as warm as the rest of the intake."""
        self._airbox_degc = s.intake_degc

    def slow(self, s: State, faults: Faults, dt: float) -> None:
        """Air at the meter: outside air with some warmth from under the hood."""
        warm = 0.34 / (1.0 + 0.10 * s.speed_m_s + 0.05 * s.air_in_g_s)
        target = s.t_amb_degc + 2.0 + warm * (s.coolant_degc - s.t_amb_degc)
        if not s.running and s.coolant_degc < s.t_amb_degc + 5.0:
            target = s.t_amb_degc
        self._airbox_degc += (target - self._airbox_degc) * dt / (40.0 + dt)

    def getters(self) -> Mapping[str, Getter]:
        """Acronym to reading."""
        car, reference_nm = self._car, self._reference_nm
        open_pct = car.diesel_map.flap_open_pct

        def torque(s: State, quantity_mg: float) -> float:
            return 100.0 * work_nm(car, quantity_mg) / reference_nm

        def friction(s: State) -> float:
            omega = s.rpm * pi / 30.0
            return 100.0 * s.load_torque_nm / reference_nm if omega > 2.0 else 0.0

        def wished(s: State) -> float:
            return torque(s, s.demand * full_mg(car, s.rpm))

        found: dict[str, Getter] = {
            "OBDSUP": lambda s: _EOBD,
            "FUEL_TYP": lambda s: _DIESEL_FUEL,
            "TP": lambda s: open_pct * s.throttle,
            "TAC_PCT": lambda s: open_pct * s.flap_wanted,
            "IAF_A_CMD": lambda s: 100.0 * s.flap_wanted,
            "IAF_A_REL": lambda s: 100.0 * s.throttle,
            "FUEL_RATE": lambda s: (s.fuel_g_s + s.post_g_s) * 3600.0 / FUEL_G_L,
            "ENG_FUEL_RATE": lambda s: s.fuel_g_s + s.post_g_s,
            "VEH_FUEL_RATE": lambda s: s.fuel_g_s + s.post_g_s,
            "CYL_RATE": lambda s: s.quantity_mg if s.running else 0.0,
            "FUEL_TIMING": lambda s: -1.0 + 0.0022 * s.rpm,
            "TQ_DD": wished,
            "TQ_ACT": lambda s: torque(s, s.quantity_mg),
            "TQ_REF": lambda s: reference_nm,
            "TQ_FR": friction,
            "MAFA": lambda s: s.maf_g_s,
        }
        if not car.diesel_map.charge_iat:
            found["IAT"] = lambda s: (
                self._airbox_degc + car.iat_offset_degc + 0.1 * s.noise[s.noise_at - 14]
            )
        return found
