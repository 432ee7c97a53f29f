"""A diesel engine: unthrottled air, quantity by pedal, idle speed and smoke limit, lean combustion.

In place of `AirPath`, `Engine` and `FuelControl` of a spark engine, with the same calls. The charge
pressure and the recirculated exhaust come from the parts `Charger` and `Recirculation`.
"""

from __future__ import annotations

from math import exp, pi, sqrt

from logbench.simulator.airpath import CHOKED, CYCLE, R_AIR, nozzle
from logbench.simulator.cars import Car
from logbench.simulator.day import Day
from logbench.simulator.faults import Faults
from logbench.simulator.fueling import MAF_SHARE, MAP_SHARE, OFF, meter_gain
from logbench.simulator.powertrain import BAR_LITER_NM, IDLE_UP_RPM
from logbench.simulator.state import BankState, State

HEATING_KJ_G = 42.5
"""Lower heating value of diesel fuel."""
STOICH = 14.5
FUEL_G_L = 835.0
_VOLUMES = 3.5
"""Manifold, pipes and cooler over displacement."""
_FULL_MG_L = 118.0
"""Fuel of a stroke at the most torque, for each liter of the cylinder."""
_INDICATED = 0.455
"""Efficiency inside the cylinder: with friction about 0.40 at best (textbooks)."""


def full_mg(car: Car, rpm: float) -> float:
    """Quantity of a stroke at full load, enough air provided: less at low speed, falling to the
    redline."""
    most = _FULL_MG_L * car.displacement_l / car.cylinders
    if rpm < 1800.0:
        return most * max(0.4, 1.0 - 0.0005 * (1800.0 - rpm))
    return most * (1.0 - 0.00016 * max(0.0, rpm - 2800.0))


def work_nm(car: Car, quantity_mg: float) -> float:
    """Torque inside the cylinders from this quantity, with air enough."""
    return 0.95 * _INDICATED * quantity_mg * car.cylinders * HEATING_KJ_G / (4.0 * pi)


class DieselAir:
    """Pipe, intake flap, manifold and filling."""

    def __init__(self, car: Car) -> None:
        self._car = car
        self._liters = car.displacement_l
        self._volume_l = _VOLUMES * car.displacement_l
        self._full_mm2 = 850.0 * car.displacement_l
        self._leak_mm2 = 34.0 * car.displacement_l
        self.rated_g_s = car.ve_peak * 101.3 * self._liters * car.redline_rpm / (CYCLE * 310)
        """Air at the redline without boost: the scale of the flow."""

    def filling(self, rpm: float) -> float:
        """Volumetric efficiency against the manifold: little is left of the last cycle."""
        d = (rpm - 2000.0) / 2000.0
        return self._car.ve_peak - 0.03 - 0.07 * d * d

    def step(self, s: State, faults: Faults, dt: float) -> None:
        """Move the manifold by `dt` seconds (linearly implicit, as in `AirPath`)."""
        p, p_up, rpm = s.p_man_kpa, s.p_up_kpa, s.rpm
        self._flap(s, faults, dt)
        flap = s.throttle
        charge_k = s.intake_degc + 273.15
        gas_k = charge_k + s.egr_share * (s.egr_degc - s.intake_degc)
        conductance = self._full_mm2 * (0.01 + 0.99 * flap * flap) * CHOKED / sqrt(charge_k)
        high, low = (p_up, p) if p <= p_up else (p, p_up)
        # flow a kPa as it stands: frozen, the step is stable however far the pressures lie apart
        apart = high - low
        open_g_kpa = conductance * (
            high * nozzle(low / high) / apart if apart > 0.01 * high else 20.47
        )
        leak = 0.0
        if faults.charge_leak_after and p > s.p_amb_kpa:
            leak = sqrt(faults.charge_leak_after) * self._leak_mm2 * p * CHOKED / sqrt(gas_k)
            leak *= nozzle(s.p_amb_kpa / p)
        s.ve = ve = self.filling(rpm)
        per_kpa = ve * self._liters * rpm / (CYCLE * gas_k)
        stiffness = R_AIR * gas_k / self._volume_l * dt
        held = p + stiffness * (open_g_kpa * p_up + s.egr_g_s - leak)
        s.p_man_kpa = p = held / (1.0 + stiffness * (open_g_kpa + per_kpa))
        s.cyl_g_s = cyl = per_kpa * p
        through = open_g_kpa * (p_up - p)
        through = through if through > 0.0 else 0.0
        s.leak_g_s = -leak
        self._mix(s, through, cyl + leak, gas_k, dt)
        s.air_cyl_g_s = cyl * (1.0 - s.egr_share)
        s.air_in_g_s = through * (1.0 - s.egr_low_share) + s.pipe_leak_g_s
        left = s.egr_g_s + s.egr_low_share * through
        out = cyl + s.fuel_g_s - left
        s.exh_g_s = out if out > 0.0 else 0.0

    @staticmethod
    def _flap(s: State, faults: Faults, dt: float) -> None:
        """The intake flap follows its command, unless it is stuck partly shut."""
        s.throttle += (s.flap_wanted - s.throttle) * dt / (0.2 + dt)
        if faults.flap_stuck:
            s.throttle = 1.0 - 0.7 * sqrt(faults.flap_stuck)

    def _mix(self, s: State, through: float, out: float, gas_k: float, dt: float) -> None:
        """Recirculated share of what is in the manifold."""
        mass = s.p_man_kpa * self._volume_l / (R_AIR * gas_k)
        burned = s.egr_g_s + s.egr_low_share * through
        share = (s.egr_share * mass + burned * dt) / (mass + out * dt)
        s.egr_share = share if share < 0.8 else 0.8


class DieselEngine:
    """Quantity from pedal and idle control, charge pressure and air asked for, and torque."""

    def __init__(self, car: Car) -> None:
        self._car, self._map = car, car.diesel_map
        self._cylinder_l = car.displacement_l / car.cylinders
        self._idle_mg = 0.0

    def command(self, s: State, dt: float) -> None:
        """Quantity, charge pressure, air and flap."""
        car, cold_k = self._car, 70.0 - s.ect_degc
        target = car.idle_rpm + (0.4 * IDLE_UP_RPM if s.compressor_on else 0.0)
        if cold_k > 0.0:
            target += 2.2 * cold_k
        s.idle_target_rpm = target
        s.demand += (s.pedal - s.demand) * dt / (0.06 + dt)
        if s.pedal <= 0.0 and s.demand < 0.01:
            s.demand = 0.0
        full = full_mg(car, s.rpm)
        idle = self._idle(s, target, cold_k, dt)
        demand = s.demand if s.rpm < car.redline_rpm else 0.0
        wish = idle + demand * (full - idle) if full > idle else idle
        s.quantity_mg = 0.0 if s.fuel_cut or s.rpm > car.redline_rpm + 200.0 else wish
        strokes = s.rpm * car.cylinders / 120.0
        if (
            s.running and s.since_start_s > 2.0 and strokes > 1.0
        ):  # no more than burns without smoke
            most = 1000.0 * s.air_est_g_s / strokes / (STOICH * self._map.smoke_lambda)
            s.quantity_mg = most if s.quantity_mg > most else s.quantity_mg
        self._ask(s, full, dt)
        s.flap_wanted = self._map.flap_idle if s.running and s.demand <= 0.0 else float(s.key_on)
        if s.regenerating and s.load < 0.3:  # less air, hotter exhaust
            s.flap_wanted = min(s.flap_wanted, 0.5)

    def _idle(self, s: State, target: float, cold_k: float, dt: float) -> float:
        """Idle governor, mg a stroke: what friction takes, and PI on the speed."""
        size = self._cylinder_l / 0.475
        feed = size * (4.2 + 0.035 * (cold_k if cold_k > 0.0 else 0.0))
        feed += 8.8 * s.compressor_kw / self._car.cylinders
        if not s.running:
            self._idle_mg = 0.0
            return 3.2 * feed
        error = target - s.rpm
        error = -1500.0 if error < -1500.0 else 300.0 if error > 300.0 else error
        free = s.clutch < 0.05 or s.gear == 0
        if s.demand <= 0.001 and free:
            held = self._idle_mg + 0.016 * size * error * dt
            self._idle_mg = (
                -0.7 * feed if held < -0.7 * feed else 2.0 * feed if held > 2.0 * feed else held
            )
        governed = feed + self._idle_mg + 0.014 * size * error
        return governed if governed > 0.0 else 0.0

    def _ask(self, s: State, full: float, dt: float) -> None:
        """Charge pressure and, for the recirculation, air."""
        rpm = s.rpm
        share = s.quantity_mg / full if full > 0.0 else 0.0
        by_rpm = (rpm - 900.0) / 900.0
        by_rpm = 0.0 if by_rpm < 0.0 else by_rpm if by_rpm < 1.0 else 1.0
        if rpm > 3000.0:
            by_rpm = 1.0 - 0.00025 * (rpm - 3000.0)
        boost = 1.35 * (share - 0.07)
        boost = 0.0 if boost < 0.0 else boost if boost < 1.0 else 1.0
        over_kpa = self._car.boost_kpa * by_rpm * boost if s.running else 0.0
        s.boost_wanted_kpa += (s.p_amb_kpa + over_kpa - s.boost_wanted_kpa) * dt / (0.25 + dt)
        each = s.quantity_mg / self._cylinder_l
        aim = self._map.idle_air_g_l + self._map.air_rise * (0.00036 * each * each - 0.03)
        s.air_wanted_g_s = aim * self._car.displacement_l * rpm / 120.0

    def torque(self, s: State, accessories_kw: float) -> None:
        """Net torque at the crankshaft, heat and emissions of the combustion."""
        rpm = s.rpm
        omega = rpm * pi / 30.0
        fuel = s.fuel_g_s
        mixture = s.air_cyl_g_s / (STOICH * fuel) if fuel > 0.0005 else 9.0
        efficiency = _INDICATED
        if mixture < 1.8:
            efficiency *= 1.0 - 0.13 * (1.8 - (mixture if mixture > 0.8 else 0.8))
        burned = fuel if mixture > 1.02 else s.air_cyl_g_s / (STOICH * 1.02)
        s.indicated_kw = burned * HEATING_KJ_G * efficiency * s.firing
        self._exhaust(s, fuel, mixture)
        rub = self._rub_nm(rpm)
        if s.oil_degc < 88.0:
            rub *= 1.0 + 0.008 * (88.0 - s.oil_degc)
        pump = (s.p_exh_kpa - s.p_man_kpa) * 0.01 * self._car.displacement_l * BAR_LITER_NM
        s.friction_kw = rub * omega * 0.001
        s.load_torque_nm = rub
        if omega < 2.0:
            s.torque_nm = 0.0
            return
        s.torque_nm = (s.indicated_kw - accessories_kw) * 1000.0 / omega - rub - pump

    def _exhaust(self, s: State, fuel: float, mixture: float) -> None:
        """Temperature, soot and nitrogen oxides of the gas that leaves the cylinders."""
        gas = s.cyl_g_s + fuel
        inlet = s.intake_degc + s.egr_share * (s.egr_degc - s.intake_degc)
        if gas > 0.05:
            wall = 0.25 * (s.coolant_degc - inlet)
            heat_k = 0.36 * fuel * HEATING_KJ_G / (gas * 0.00112)
            late_k = 80.0 if s.regenerating and fuel > 0.0 else 0.0
            s.exh_degc += (inlet + wall + heat_k + late_k - s.exh_degc) * 0.25
        s.soot_g_s = fuel * (0.0006 + 0.006 * exp((1.0 - mixture) / 0.16)) if fuel else 0.0
        s.nox_ppm = 0.0
        if fuel > 0.0005:
            s.nox_ppm = 80.0 + 1500.0 * exp(-5.0 * s.egr_share) / (0.3 + mixture)

    def _rub_nm(self, rpm: float) -> float:
        """Friction, auxiliaries of the engine included; about half as much again as gasoline's."""
        krpm = rpm * 0.001
        return (0.95 + 0.16 * krpm + 0.02 * krpm * krpm) * self._car.displacement_l * BAR_LITER_NM

    def full_torque_nm(self, s: State) -> float:
        """What the engine could give at full load and this rpm: the driver's feeling for it."""
        rpm = s.rpm if s.rpm > 800.0 else 800.0
        return work_nm(self._car, full_mg(self._car, rpm)) - self._rub_nm(rpm)


class QuantityControl:
    """Air by the sensors, load, overrun cut and injection. There are no trims."""

    def __init__(self, car: Car, air: DieselAir, day: Day) -> None:
        self._car = car
        self._rated_g_s = air.rated_g_s
        self._gain = day.injected

    def sense(self, s: State, faults: Faults, dt: float) -> None:
        """Readings of air-flow and pressure sensor; the computer believes the first."""
        noise, i = s.noise, s.noise_at
        true = s.air_in_g_s
        share = true / self._rated_g_s
        maf = true * meter_gain(self._car, faults, share if share < 1.0 else 1.0)
        maf *= 1.0 + 0.006 * noise[i]
        if s.key_on:
            maf += 0.01 * noise[i - 1]
        s.maf_g_s += ((maf if maf > 0.0 else 0.0) - s.maf_g_s) * MAF_SHARE
        s.map_kpa += (s.p_man_kpa + 0.25 * noise[i - 2] - s.map_kpa) * MAP_SHARE
        s.p_est_kpa = s.map_kpa
        s.air_est_g_s = s.maf_g_s

    def load(self, s: State) -> None:
        """LOAD_PCT of a diesel: torque over the most at this speed (SAE J1979)."""
        s.load = min(1.0, s.quantity_mg / full_mg(self._car, s.rpm)) if s.rpm > 300.0 else 0.0

    def loop(self, s: State, ect_degc: float) -> None:
        """Overrun cut; there is no loop."""
        s.loop = OFF
        overrun = s.running and s.demand <= 0.001 and s.gear > 0 and s.clutch > 0.9 and s.locked
        margin = s.rpm - s.idle_target_rpm
        s.fuel_cut = overrun and s.since_start_s > 5.0 and margin > (150.0 if s.fuel_cut else 350.0)

    def trims(self, s: State, bank: BankState, dt: float) -> None:
        """Nothing is trimmed."""

    def inject(self, s: State, faults: Faults, ring_at: int) -> None:
        """Fuel of all cylinders."""
        firing = (s.running or s.crank_s > 0.4) and s.rpm > 60.0
        each = s.quantity_mg * 0.001 * s.rpm * self._car.cylinders / 120.0 if firing else 0.0
        s.fuel_g_s = each * self._gain * s.rail_share * s.injected

    def observe(self, s: State, faults: Faults, ring_at: int, dt: float) -> None:
        """No sensor controls the mixture."""

    def learned(self, faults: Faults, s: State, seed: int) -> list[list[float]]:
        """Nothing is learned."""
        return [[0.0] for _ in range(self._car.banks)]
