"""Idle control, spark and torque."""

from __future__ import annotations

from math import pi

from logbench.simulator.airpath import AirPath
from logbench.simulator.cars import Car
from logbench.simulator.state import State

HEATING_KJ_G = 42.8
"""Lower heating value of petrol."""
_BAR_LITRE_NM = 100.0 / (4.0 * pi)
"""Torque of a four-stroke of 1 l at 1 bar mean effective pressure."""


class Engine:
    """Torque from the fuel burnt, and the computer's idle and spark control."""

    def __init__(self, car: Car, air: AirPath) -> None:
        self._air = air
        self._litres = car.displacement_l
        self._idle_rpm = car.idle_rpm
        self._redline = car.redline_rpm
        self._stoich = car.stoich

    def command(self, s: State, dt: float) -> None:
        """Throttle from pedal and idle control, spark trim."""
        ect = s.ect_degc
        target = self._idle_rpm
        if ect < 60.0:
            target += 430.0 * min(1.6, (60.0 - ect) / 40.0)
        if s.running and s.since_start_s < 6.0:
            target += 150.0 * (1.0 - s.since_start_s / 6.0)
        s.idle_target_rpm = target
        s.demand += (s.pedal - s.demand) * dt / (0.06 + dt)
        if s.pedal <= 0.0 and s.demand < 0.01:
            s.demand = 0.0
        more = 0.007 * (80.0 - ect) if ect < 80.0 else 0.0
        feed = self._litres * (0.90 + more) * target / 700.0
        error = target - s.rpm
        air = feed + s.idle_air_g_s
        s.spark_trim_deg = 0.0
        if s.running and s.demand <= 0.001 and (s.clutch < 0.05 or s.gear == 0):
            s.idle_air_g_s += self._litres * 0.0011 * max(-200.0, min(200.0, error)) * dt
            s.idle_air_g_s = max(-0.7 * feed, min(1.6 * feed, s.idle_air_g_s))
            air += self._litres * 0.0016 * max(-300.0, min(300.0, error))
            s.spark_trim_deg = max(-22.0, min(9.0, 0.10 * error))
        elif not s.running:
            s.idle_air_g_s = 0.0
            air = feed * 1.3
        if s.gear > 0 and s.running:  # on overrun the manifold is not pumped empty
            least = self._litres * 0.0011 * s.rpm
            air = least if air < least else air
        demand = s.demand
        if s.rpm > self._redline:
            demand = 0.0
        if demand > 0.0:
            full = self._air.full_air_g_s(s.rpm, s.p_amb_kpa, s.intake_degc + 273.15)
            air += demand * (full - air) if full > air else 0.0
        wanted = self._air.throttle_for(s, air if air > 0.05 else 0.05, demand)
        s.throttle += (wanted - s.throttle) * dt / (0.04 + dt)

    def torque(self, s: State, accessories_kw: float) -> None:
        """Net torque at the crankshaft from the fuel burnt, less friction, pumping, accessories."""
        rpm = s.rpm
        omega = rpm * pi / 30.0
        load = s.load
        best = 18.0 + 0.0065 * (rpm if rpm < 4000.0 else 4000.0)
        if load > 0.25:
            best -= 18.0 * (load - 0.25)
        if s.demand <= 0.001 and s.speed_m_s < 2.0:
            spark = best - 12.0 + s.spark_trim_deg
            if s.ect_degc < 55.0 and s.since_start_s < 35.0:
                spark -= 7.0  # catalyst heating
        else:
            spark = best - 1.0 - (6.0 * (load - 0.55) if load > 0.55 else 0.0)
        s.spark_deg = spark if s.running else 5.0
        off = (spark - best) / 55.0
        efficiency = 0.385 * (1.0 - off * off)
        burnt = 0.0
        air_limit = s.air_cyl_g_s / len(s.banks) / self._stoich
        for bank in s.banks:
            mixture = bank.lambda_out
            fuel = bank.fuel_g_s
            if mixture <= 1.0 and fuel > air_limit:
                fuel = air_limit
            if mixture > 1.35:  # too lean to burn in every cycle
                fuel *= max(0.0, 1.0 - 2.5 * (mixture - 1.35))
            burnt += fuel
        s.indicated_kw = burnt * HEATING_KJ_G * efficiency
        krpm = rpm * 0.001
        mean_bar = 0.66 + 0.11 * krpm + 0.012 * krpm * krpm
        if s.oil_degc < 88.0:
            mean_bar *= 1.0 + 0.010 * (88.0 - s.oil_degc)
        rub = mean_bar * self._litres * _BAR_LITRE_NM
        pump = (s.p_exh_kpa - s.p_man_kpa) * 0.01 * self._litres * _BAR_LITRE_NM
        s.friction_kw = rub * omega * 0.001
        if omega < 2.0:
            s.torque_nm = 0.0
            s.load_torque_nm = rub
            return
        inside = (s.indicated_kw - accessories_kw) * 1000.0 / omega
        s.torque_nm = inside - rub - pump
        s.load_torque_nm = rub

    def full_torque_nm(self, s: State) -> float:
        """What the engine could give now at full throttle: the driver's feeling for it."""
        rpm = max(700.0, s.rpm)
        air = self._air.full_air_g_s(rpm, s.p_amb_kpa, s.intake_degc + 273.15)
        omega = rpm * pi / 30.0
        gross = air / self._stoich * HEATING_KJ_G * 0.375 * 1000.0 / omega
        krpm = rpm * 0.001
        rub = (0.66 + 0.11 * krpm + 0.012 * krpm * krpm) * self._litres * _BAR_LITRE_NM
        return gross - rub
