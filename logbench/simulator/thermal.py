"""Heat: coolant and block, thermostat, radiator and fan, intake air, catalysts."""

from __future__ import annotations

from logbench.simulator.airpath import AirPath
from logbench.simulator.cars import Car
from logbench.simulator.engine import HEATING_KJ_G
from logbench.simulator.faults import Faults
from logbench.simulator.state import State


class Thermal:
    """Temperatures of one car; called a few times a second, as nothing here is quick."""

    def __init__(self, car: Car, air: AirPath) -> None:
        d = car.displacement_l
        self._litres = d
        self._coolant_kj_k = 6.0 + 15.0 * d
        self._block_kj_k = 9.0 + 18.0 * d
        self._scale = d**0.75
        self._regulating = car.regulating_degc
        self._rated_g_s = air.rated_g_s
        self._turbo = 1.0 if car.turbo else 0.0
        self._ect_offset = car.ect_offset_degc
        self._iat_offset = car.iat_offset_degc

    def step(self, s: State, faults: Faults, dt: float) -> None:
        """Move all temperatures by `dt` seconds."""
        self._cooling(s, faults, dt)
        self._intake(s, dt)
        self._catalysts(s, dt)
        noise, i = s.noise, s.noise_at
        offset = self._ect_offset - 20.0 * faults.ect_offset
        s.ect_degc += (s.coolant_degc + offset + 0.1 * noise[i] - s.ect_degc) * dt / (1.5 + dt)
        s.iat_degc += (s.intake_degc + self._iat_offset - s.iat_degc) * dt / (4.0 + dt)

    def _cooling(self, s: State, faults: Faults, dt: float) -> None:
        t, ambient = s.coolant_degc, s.t_amb_degc
        fuel_kw = s.fuel_g_s * HEATING_KJ_G
        into_kw = fuel_kw * (0.15 + 0.50 / (1.0 + s.rpm / 900.0)) if s.running else 0.0
        opening = (t - (self._regulating - 5.0)) / 13.0
        opening = max(0.0, min(1.0, opening))
        s.thermostat += (opening - s.thermostat) * dt / (9.0 + dt)
        stuck = 0.6 * faults.thermostat_open
        flow = max(s.thermostat, stuck)
        if s.ect_degc > self._regulating + 9.0:
            s.fan_on = s.running or s.key_on
        elif s.ect_degc < self._regulating + 4.0 or not s.key_on:
            s.fan_on = False
        wind = 0.012 + 0.020 * s.speed_m_s + (0.22 if s.fan_on else 0.0)
        pump = min(1.0, 0.25 + s.rpm / 3000.0) if s.rpm > 100 else 0.05
        radiator = flow * self._scale * wind * pump / (wind + 0.25) * 0.62
        # a closed thermostat leaves the engine's own surfaces, 1 to 2 kW on the road at 100 K, and
        # the heater, whose blower waits for warm water: about 2.5 kW in frost [CP]
        passive = (0.003 + 0.00025 * s.speed_m_s) * self._scale
        heater = 0.0
        if s.running and t > 30.0:
            # the cabin takes nothing above 18 degC, all it can from 10 below zero
            taken_kw_k = max(0.0, min(0.032, 0.00115 * (18.0 - ambient)))
            heater = taken_kw_k * pump * min(1.0, (t - 30.0) / 30.0)
        exchange = 0.12 * self._scale * (t - s.oil_degc)
        out_kw = (radiator + passive + heater) * (t - ambient) + exchange
        s.coolant_degc += (into_kw - out_kw) / self._coolant_kj_k * dt
        block_kw = 0.6 * s.friction_kw + 0.05 * fuel_kw + exchange
        block_kw -= (0.005 + 0.0004 * s.speed_m_s) * self._scale * (s.oil_degc - ambient)
        s.oil_degc += block_kw / self._block_kj_k * dt

    def _intake(self, s: State, dt: float) -> None:
        # warm air under the bonnet, swept away by driving and by a higher airflow
        sweep = 1.0 / (1.0 + 0.10 * s.speed_m_s + 2.0 * s.air_cyl_g_s / self._rated_g_s)
        target = s.t_amb_degc + 2.0 + 0.34 * (s.coolant_degc - s.t_amb_degc) * sweep
        if not s.running and s.coolant_degc < s.t_amb_degc + 5.0:
            target = s.t_amb_degc
        target += 0.22 * self._turbo * max(0.0, s.p_up_kpa - s.p_amb_kpa)
        tau = 110.0 / (1.0 + 10.0 * s.air_cyl_g_s / self._rated_g_s)
        s.intake_degc += (target - s.intake_degc) * dt / (tau + dt)

    def _catalysts(self, s: State, dt: float) -> None:
        share = min(1.0, s.air_cyl_g_s / self._rated_g_s)
        gas_degc = 230.0 + 700.0 * share**0.40 if s.running and not s.fuel_cut else 150.0
        if not s.running:
            gas_degc = s.t_amb_degc
        for bank in s.banks:
            gas = gas_degc
            if bank.cat_degc > 250.0 and s.running and not s.fuel_cut:
                gas += 50.0  # it burns what is left
            tau = 14.0 + 6.0 / (share + 0.05) if s.running else 900.0
            loss = (0.0004 + 0.00006 * s.speed_m_s) * (bank.cat_degc - s.t_amb_degc)
            bank.cat_degc += (gas - bank.cat_degc) * dt / (tau + dt) - loss * dt
