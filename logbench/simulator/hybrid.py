"""A hybrid with a power split: motors move the car, and hold the engine at any speed.

The engine runs when it is asked for power, cold, or when the high-voltage battery wants charging;
a converter feeds the 12 V side. Limits differ from maker to maker: drawn.
"""

from __future__ import annotations

import random
from collections.abc import Mapping

from logbench.simulator.cars import Car
from logbench.simulator.day import Day
from logbench.simulator.diesel import DieselEngine
from logbench.simulator.driver import Driver, Phase
from logbench.simulator.faults import Faults
from logbench.simulator.parts import Getter, Part
from logbench.simulator.powertrain import TO_RPM, Driveline, Electrical, Engine
from logbench.simulator.state import State

_MOTOR, _GENERATOR = 0.88, 0.92
"""Efficiency of motor with its inverter, and of the generator with its own. [from memory]"""
_STARTING_RPM = 1000.0
_BATTERY_SHARE = 0.6
"""Most that the battery gives, of the motor's power."""
_FULL_NM_L, _DRAG_NM_L, _GOOD = 86.0, 14.0, 0.75
"""Torque at full throttle and drag for each liter, and the share of it that is run at best."""


def _held(value: float, low: float, high: float) -> float:
    return low if value < low else high if value > high else value


class HybridLine(Driveline):
    """Engine speed and road speed have nothing to do with each other."""

    def __init__(self, car: Car) -> None:
        super().__init__(car)
        self.mass_kg = car.mass_kg

    def step(self, s: State, dt: float) -> None:
        """Advance rotation and motion by `dt` seconds."""
        omega, s.split_kw = s.rpm / TO_RPM, 0.0
        if s.spin_rpm > 0.0:
            quick = 300.0 if s.cranking else 60.0
            change = _held(4.0 * (s.spin_rpm / TO_RPM - omega), -quick, quick)
            s.split_kw = (s.torque_nm - self._inertia * change) * omega * 0.001
            omega += change * dt
        elif s.running:
            omega += s.torque_nm / self._inertia * dt
        else:
            omega -= 250.0 * dt
        s.rpm = omega * TO_RPM if omega > 0.0 else 0.0
        v = s.speed_m_s
        resist = self.resistance_n(s, v) + s.brake_n if v > 0.05 else 0.0
        v += (s.traction_n - resist) / self.mass_kg * dt
        if v < 0.05 and s.traction_n <= 0.0:
            v = 0.0
        s.speed_m_s = v if v > 0.0 else 0.0
        s.distance_m += s.speed_m_s * dt


class HybridDriver(Driver):
    """Asks for a force, not for gears."""

    def __init__(self, car: Car, line: HybridLine, engine: Engine | DieselEngine) -> None:
        super().__init__(car, line, engine)
        self._road = line
        self._engine_kw = 0.9 * _FULL_NM_L * car.displacement_l * car.redline_rpm / TO_RPM * 0.001
        self._motor_kw = car.motor_kw

    def step(self, s: State, phase: Phase, elapsed_s: float, dt: float) -> None:
        """Set the controls for this step."""
        self.attend(s, phase)
        kind = phase.kind
        if kind in ("cruise", "trace", "stop"):
            self._follow(s, phase, elapsed_s, dt)
        elif kind == "pull":
            self._push(s, 1e6)
        elif kind == "coast":
            self._push(s, -0.35 * self._road.mass_kg)
        else:
            self._stand(s)
            if kind == "hold":
                self._hold_rpm(s, phase.value, dt)
        s.cranking = kind not in ("key off", "key on") and not s.running and s.engine_wanted

    def _stand(self, s: State) -> None:
        super()._stand(s)
        s.traction_n = 0.0

    def _follow(self, s: State, phase: Phase, elapsed_s: float, dt: float) -> None:
        asked = self._acceleration(s, phase, elapsed_s, dt)
        if asked is None:
            self._stand(s)
            return
        _, _, accel = asked
        self._push(s, self._road.mass_kg * accel + self._road.resistance_n(s, s.speed_m_s))

    def _push(self, s: State, force: float) -> None:
        """A force at the wheels, as far as engine and battery reach; brakes do what the motor
        cannot take back."""
        v = s.speed_m_s if s.speed_m_s > 3.0 else 3.0
        battery_kw = _BATTERY_SHARE * self._motor_kw
        most = 1000.0 * (self._engine_kw + battery_kw) / v
        now = 1000.0 * _MOTOR * (max(0.0, s.split_kw) + battery_kw) / v
        grip = 4.5 * self._road.mass_kg
        s.pedal = _held(force / min(most, grip), 0.0, 1.0)
        back = 0.0 if s.traction_charge > 0.78 or s.speed_m_s < 2.5 else battery_kw * 1000.0 / v
        s.traction_n = _held(force, -back, min(now, grip))
        s.brake_n = max(0.0, s.traction_n - force) if force < 0.0 else 0.0


class HybridElectrical(Electrical):
    """12 V from the high-voltage battery, whether the engine runs or not; no starter, no belt."""

    def step(self, s: State, faults: Faults, dt: float) -> None:
        """Rested until the car is ready, then what the converter holds."""
        s.alternator_a = s.starter_a = 0.0
        ready = s.key_on and s.starts > 0
        rest_v = 11.95 + 0.75 * s.soc + s.polarisation_v - (0.25 if s.key_on else 0.0)
        aim_v = self._aim_v - 0.35 if ready else rest_v
        s.battery_v += (aim_v - s.battery_v) * dt / (0.1 + dt)
        if ready:
            s.soc = min(1.0, s.soc + 5.0 * dt / 3600.0 / self._ah)

    @staticmethod
    def accessories_kw(s: State) -> float:
        """Pumps alone."""
        return 0.1


class Hybrid(Part):
    """What the hybrid's computer decides, and its battery."""

    pids = frozenset({0x5B})

    def __init__(self, car: Car, day: Day) -> None:
        rng = random.Random(f"hybrid {car.vin}")
        self._car = car
        self._on_kw = rng.uniform(7.0, 14.0)
        self._electric_m_s = rng.uniform(65.0, 115.0) / 3.6
        self._warm_degc = rng.uniform(38.0, 55.0)
        self._aim = rng.uniform(0.54, 0.64)
        self._charge = _held(self._aim + 0.25 * (day.charge - 0.84), 0.42, 0.76)
        self._aux_kw = 0.35 + 0.014 * day.consumers_a
        self._cold = True
        self._on_s = 0.0
        self._ask = 0.0

    def getters(self) -> Mapping[str, Getter]:
        """Charge of the high-voltage battery."""
        return {"BAT_PWR": lambda s: 100.0 * s.traction_charge}

    def start(self, s: State, faults: Faults) -> None:
        """As the last drive has left it."""
        s.traction_charge = self._charge

    def step(self, s: State, faults: Faults, dt: float) -> None:
        """Power from and to the battery; whether the engine runs, and how."""
        wheel_kw = s.traction_n * s.speed_m_s * 0.001
        if not s.key_on:
            s.spin_rpm, s.engine_ask, s.engine_wanted = 0.0, 0.0, True
            return
        drive_kw = wheel_kw / _MOTOR if wheel_kw > 0.0 else wheel_kw * _MOTOR
        engine_kw = s.split_kw * (_GENERATOR if s.split_kw > 0.0 else 1.0 / _GENERATOR)
        out_kw = drive_kw + self._aux_kw - engine_kw
        s.traction_charge -= out_kw * dt / 3600.0 / self._car.traction_kwh
        s.traction_charge = _held(s.traction_charge, 0.2, 0.9)
        need_kw = max(0.0, drive_kw) + self._aux_kw + 40.0 * (self._aim - s.traction_charge)
        self._decide(s, need_kw, dt)
        self._run(s, need_kw, dt)

    def _decide(self, s: State, need_kw: float, dt: float) -> None:
        """Whether the engine is wanted."""
        self._cold = s.ect_degc < self._warm_degc + (8.0 if self._cold else 0.0)
        low = s.traction_charge < self._aim - 0.13
        if not s.may_rest or self._cold or low:
            s.engine_wanted = True
        elif not s.engine_wanted:
            s.engine_wanted = need_kw > self._on_kw or s.speed_m_s > self._electric_m_s
        else:
            easy = need_kw < 0.5 * self._on_kw and s.speed_m_s < 0.93 * self._electric_m_s
            charged = s.traction_charge > self._aim - 0.03
            s.engine_wanted = not (easy and charged and self._on_s > 5.0)
        self._on_s = self._on_s + dt if s.running else 0.0

    def _run(self, s: State, need_kw: float, dt: float) -> None:
        """Speed and torque of the engine for the power wanted; idling in the workshop's mode, and
        while it warms the catalyst."""
        s.spin_rpm, s.engine_ask = 0.0, 0.0
        if not s.running or not s.engine_wanted:
            s.spin_rpm = _STARTING_RPM if s.cranking else 0.0
            self._ask = 0.0
            return
        if not s.may_rest:
            s.engine_ask = -1.0
            return
        if s.since_start_s < 1.0 or (s.run_s < 25.0 and need_kw < self._on_kw):
            return
        liters = self._car.displacement_l
        power_kw = max(need_kw, 2.2 * liters)
        rpm = power_kw * 1000.0 / (_GOOD * _FULL_NM_L * liters) * TO_RPM
        s.spin_rpm = _held(rpm, 1150.0, 0.94 * self._car.redline_rpm)
        torque = power_kw * 1000.0 * TO_RPM / s.spin_rpm
        ahead = (torque / liters + _DRAG_NM_L) / (_FULL_NM_L + _DRAG_NM_L)
        self._ask = _held(self._ask + 0.01 * (power_kw - s.split_kw) * dt, -0.3, 0.3)
        s.engine_ask = _held(ahead + self._ask, 0.0, 1.0)
