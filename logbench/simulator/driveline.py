"""From the crankshaft to the road: starter, clutch or converter, gears, rolling, drag, brakes."""

from __future__ import annotations

from math import pi

from logbench.simulator.cars import Car
from logbench.simulator.state import State

TO_RPM = 30.0 / pi
_G = 9.80665
ROLLING = 0.011
"""Rolling resistance of car tyres on asphalt [from memory: textbooks, 0.010 to 0.015]."""
EFFICIENCY = 0.93


class Driveline:
    """Turns the crankshaft and moves the car."""

    def __init__(self, car: Car) -> None:
        d = car.displacement_l
        self.automatic = car.automatic
        self._inertia = 0.06 + 0.08 * d
        self._mass = car.mass_kg
        self._drag = 0.5 * car.drag_area_m2
        self._ratios = tuple(g * car.final_drive / car.wheel_radius_m for g in car.gears)
        self._capacity_nm = 190.0 * d * (1.0 + car.boost_kpa / 100.0)
        self._converter = 0.0016 * d * (1.0 + car.boost_kpa / 200.0)
        self._starter_nm = 45.0 + 32.0 * d

    def ratio(self, gear: int) -> float:
        """Crankshaft rad per metre of road."""
        return self._ratios[gear - 1]

    def resistance_n(self, s: State, speed_m_s: float) -> float:
        """Rolling, slope and air: what holds the car back without brakes."""
        rho = s.p_amb_kpa / (0.28705 * (s.t_amb_degc + 273.15))
        return self._mass * _G * (ROLLING + s.grade) + self._drag * rho * speed_m_s * speed_m_s

    def inertia_mass_kg(self, gear: int) -> float:
        """Mass of the car with the turning engine felt through a gear."""
        r = self._ratios[gear - 1]
        return self._mass + self._inertia * r * r

    def step(self, s: State, dt: float) -> None:
        """Advance rotation and motion by `dt` seconds; two sub-steps while the clutch slips."""
        if s.gear > 0 and s.clutch > 0.0 and not s.locked:
            self._move(s, 0.5 * dt)
            self._move(s, 0.5 * dt)
        else:
            self._move(s, dt)

    def _move(self, s: State, h: float) -> None:
        omega = s.rpm / TO_RPM
        v = s.speed_m_s
        torque = s.torque_nm
        if s.cranking:
            # the starter's torque falls to nothing at 330 rpm, and with the voltage squared
            volts = s.battery_v / 10.5
            torque += max(0.0, self._starter_nm * volts * volts * (1.0 - s.rpm / 330.0))
            if omega < 2.0:
                torque -= s.load_torque_nm
        resist = self.resistance_n(s, v) + s.brake_n if v > 0.05 else 0.0
        if s.gear == 0 or s.clutch <= 0.0:
            s.locked = False
            omega += torque / self._inertia * h
            v += -resist / self._mass * h
        else:
            omega, v = self._coupled(s, omega, v, torque, resist, h)
        if omega < 0.0 or (omega < 12.0 and not s.cranking and s.gear == 0 and not s.running):
            omega = max(0.0, omega - 60.0 * h)
        if v < 0.05 and (s.brake_n > 0.0 or s.gear == 0):
            v = 0.0
        s.rpm = omega * TO_RPM
        s.speed_m_s = v if v > 0.0 else 0.0
        s.distance_m += s.speed_m_s * h

    def _coupled(
        self, s: State, omega: float, v: float, torque: float, resist: float, h: float
    ) -> tuple[float, float]:
        ratio = self._ratios[s.gear - 1]
        if s.locked:
            push = torque * ratio * (EFFICIENCY if torque > 0.0 else 1.0 / EFFICIENCY)
            v += (push - resist) / (self._mass + self._inertia * ratio * ratio) * h
            return max(0.0, v) * ratio, max(0.0, v)
        inside = v * ratio
        slip = omega - inside
        if self.automatic:
            top = max(omega, inside, 1.0)
            speed_ratio = inside / omega if omega > 1.0 else 2.0
            grip = 1.0 - min(speed_ratio, 1.3) ** 4
            pump = self._converter * top * top * grip
            turbine = pump * (max(1.0, 1.9 - 0.95 * speed_ratio) if pump > 0.0 else 1.0)
            can_lock = s.clutch > 0.95 and abs(slip) < 30.0 and (s.gear > 1 or pump < 0.0)
        else:
            bound = abs(slip) * self._inertia / h * 0.5 + abs(torque)
            pump = min(s.clutch * self._capacity_nm, bound) * (1.0 if slip > 0.0 else -1.0)
            turbine = pump
            can_lock = s.clutch > 0.6 and abs(slip) < 6.0
        can_lock = can_lock and inside > 75.0
        if can_lock:
            s.locked = True
            light = self._inertia * ratio
            v = (light * omega + self._mass * v) / (light * ratio + self._mass)
            return v * ratio, v
        omega += (torque - pump) / self._inertia * h
        v += (turbine * ratio * EFFICIENCY - resist) / self._mass * h
        return omega, v
