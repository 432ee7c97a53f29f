"""The engine computer's fuel control, from what its sensors say, the mixture it makes, and the
long-term trims it has learned before a drive."""

from __future__ import annotations

import random
from math import exp, sqrt, tanh
from statistics import fmean

from logbench.simulator.airpath import (
    CYCLE,
    MANIFOLD_SHARE,
    R_AIR,
    AirPath,
    cam_gain,
    drawn_g_s,
)
from logbench.simulator.cars import Car, blend_of
from logbench.simulator.day import Day
from logbench.simulator.faults import Faults
from logbench.simulator.state import STEP_S, BankState, State

SHORT_LIMIT_PCT = 25.0
LONG_LIMIT_PCT = 25.0
RAMP_PCT_S, RAMP_IDLE_PCT_S, JUMP_PCT = 4.0, 3.5, 1.2
"""Integrator and jump of the control by a narrow-band sensor. With the delay they give swings of 1
to 3 points at 0.5 to 3 Hz, slower at idle. [CP]"""
LEARNED_PER_S = 0.03
"""Share of the short trim that the long one of the cell takes over each second. [CP]"""
SENSOR_LAG_S = 0.08
LAZY_LAG_S, LAZY_VOLTS_S = 2.2, 0.25
BIAS = 0.17
"""Lag of the mixture and, further, of the voltage of a lazy front sensor, and lean shift of a
biased one, at severity 1."""
WRONG_ETHANOL = 0.45
"""Share that a wrong filling has at severity 1; 0.30 at 0.5, which most cars' trims show."""
WANDER, WANDER_S = 0.013, 1.6
"""Standard deviation and memory of the mixture's wandering from cycle to cycle and cylinder to
cylinder: with it the short-term trim of a steady car moves as on the open road recordings
(tests/simulator/test_fuel_loop.py)."""
FILM, FILM_S = 0.05, 0.7
"""Share of a change in air that goes into or comes out of the wall's fuel film, uncompensated."""
MAF_SHARE, MAP_SHARE = STEP_S / (0.03 + STEP_S), STEP_S / (0.015 + STEP_S)
"""Lag of the sensors: 30 and 15 ms."""
_FILM_SHARE = STEP_S / (FILM_S + STEP_S)
_WANDER_DECAY = STEP_S / WANDER_S
_WANDER_STEP = WANDER * sqrt(2.0 * _WANDER_DECAY)
UNBURNED = 0.7
CELLS = 13
"""Learned trims: one for idle, then 3 rpm ranges x 4 loads."""
OFF, OPEN_COLD, CLOSED, OPEN_DRIVING = 0, 1, 2, 4
"""PID 03: one bit a state (SAE J1979)."""
_ROWS_RPM = (1400.0, 2300.0, 3900.0)
_COLUMNS_LOAD = (0.21, 0.37, 0.58, 0.85)
"""Where the cells of `operating_cell` are mostly driven through."""
_CHARGE_K = 313.0
_SCATTER_PCT = 0.8
"""Learning never ends: what a cell holds depends on the last trip through it."""


def narrow_band_v(mixture: float) -> float:
    """Voltage of a hot zirconia sensor: about 0.85 rich, 0.08 lean, steep at lambda 1."""
    return 0.46 - 0.39 * tanh((mixture - 1.0) / 0.011) - 0.04 * (mixture - 1.0)


def wrong_blend(faults: Faults) -> float:
    """Air that the fuel of a wrong filling needs, over that of the right one."""
    return blend_of(WRONG_ETHANOL * faults.wrong_ethanol**0.6)


def _held(value: float, limit: float) -> float:
    return -limit if value < -limit else limit if value > limit else value


def meter_gain(car: Car, faults: Faults, share: float) -> float:
    """Reading of the air-flow sensor over the true flow, at a share of the rated flow."""
    return car.maf_gain - faults.maf_low * (0.17 + 0.13 * share)


def operating_cell(rpm: float, load: float, idle: bool) -> int:
    """Which learned trim is in use."""
    if idle:
        return 0
    row = 0 if rpm < 1800 else 1 if rpm < 3200 else 2
    column = 0 if load < 0.28 else 1 if load < 0.48 else 2 if load < 0.72 else 3
    return 1 + row * 4 + column


def near_cells(rpm: float, load: float, idle: bool) -> tuple[int, ...]:
    """Cells within 4 % of the rpm and 3 points of the load: no reason to leave them."""
    if idle:
        return ()
    return tuple(
        operating_cell(rpm * turn, load + more, False)
        for turn in (0.96, 1.04)
        for more in (-0.03, 0.03)
    )


class FuelControl:
    """Air estimate, loop state, trims and injection of one car."""

    def __init__(self, car: Car, air: AirPath, day: Day, ambient_degc: float) -> None:
        self._air = air
        self._car = car
        self._unlearned_pct = day.unlearned_pct
        self._map = car.fuel_map.tilted_from_idle(day.rpm_tilt, day.load_tilt)
        rng = random.Random(f"full load {car.vin}")
        self._turbine_degc = rng.uniform(900.0, 960.0)
        self._full_lambda = 1.0 if car.age == "late" else rng.choice((0.86, 0.90, 1.0))
        self._needs = car.stoich * day.air_for_fuel(ambient_degc, car.has_maf)
        self._full_fuel_g_s = air.rated_g_s * (1 + car.boost_kpa / 260) / (0.86 * car.stoich)
        self._idle_fuel_g_s = 1.2 * car.displacement_l / car.stoich

    def rail_gain(self, faults: Faults, fuel_g_s: float) -> float:
        """Fuel delivered against commanded, by the pressure in the rail."""
        gain = 1.0 + 0.05 * faults.leaking_injector
        if faults.weak_fuel:
            # a tired pump keeps up at idle and falls back as soon as there is a demand
            share = fuel_g_s / self._full_fuel_g_s
            asked = (share if share < 1.3 else 1.3) ** 1.5
            gain /= 1.0 + faults.weak_fuel * 0.42 * asked / (asked + 0.0365)
        return gain

    def bank_gain(self, s: State, k: int, faults: Faults) -> float:
        """The same by the injectors of bank `k`."""
        gain = self._car.injector_gains[k]
        if s.cyl_gain:
            gain *= fmean(s.cyl_gain[k :: self._car.banks])
        return gain * (1.0 - 0.2 * faults.one_bank_lean) if k == 0 else gain

    def unburned(self, s: State, k: int) -> float:
        """Mixture that the sensor of bank `k` sees over that of the fuel: the oxygen of cycles that
        did not burn counts in full, their fuel in part."""
        if not s.cyl_missed:
            return 1.0
        return 1.0 + UNBURNED * fmean(s.cyl_missed[k :: self._car.banks])

    def drip_g_s(self, k: int, faults: Faults) -> float:
        """Fuel that leaks into bank `k`."""
        if k or not faults.leaking_injector:
            return 0.0
        return faults.leaking_injector * 0.20 * self._idle_fuel_g_s / self._car.banks

    def sense(self, s: State, faults: Faults, dt: float) -> None:
        """Readings of the air sensors and the air the computer believes the cylinders get."""
        noise, i = s.noise, s.noise_at
        true = s.air_in_g_s
        share = true / self._air.rated_g_s
        gain = meter_gain(self._car, faults, share if share < 1.0 else 1.0)
        maf = true * gain * (1.0 + 0.004 * noise[i])
        if s.key_on:
            maf += 0.01 * noise[i - 1]
        s.maf_g_s += ((maf if maf > 0.0 else 0.0) - s.maf_g_s) * MAF_SHARE
        s.map_kpa += (s.p_man_kpa + 0.15 * noise[i - 2] - s.map_kpa) * MAP_SHARE
        rpm = s.rpm
        if rpm < 20.0:
            s.air_est_g_s = 0.0
            s.p_est_kpa = s.p_amb_kpa
            return
        charge_k = s.iat_degc + 273.15
        p = s.p_est_kpa if self._car.has_maf else s.map_kpa
        ve = self._air.filling(rpm, p, s.p_exh_kpa) * self._car.ve_table_gain
        per_kpa = ve * self._car.displacement_l * rpm / (CYCLE * charge_k)
        if self._car.has_maf:
            # what the meter sees fills the manifold first: the computer keeps a model of it,
            # whose flow out settles at what the meter says whatever its own table
            stiffness = R_AIR * charge_k / (MANIFOLD_SHARE * self._car.displacement_l) * dt
            p += stiffness * (s.maf_g_s - per_kpa * p) / (1.0 + stiffness * per_kpa)
            s.p_est_kpa = p = p if p > 5.0 else 5.0
        s.air_est_g_s = per_kpa * p

    def load(self, s: State) -> None:
        """LOAD_ABS and LOAD_PCT as shares, by their definitions in SAE J1979 / ISO 15031-5."""
        rpm = s.rpm
        if rpm < 300.0:
            s.load_abs = s.load = 0.0
            return
        s.load_abs = s.air_est_g_s * 120.0 / (1.184 * self._car.displacement_l * rpm)
        # the table holds full-throttle air at sea level and 298 K; BARO and AAT correct it. It was
        # measured with a filter and a warm intake, which take 3 %
        full = 0.97 * self._air.full_air_g_s(rpm, s.p_amb_kpa, 298.0 + 8.0)
        full *= (298.0 / (s.t_amb_degc + 273.15)) ** 0.5
        s.load = min(1.0, s.air_est_g_s / full)
        s.map_gain = 1.0 + self._map.error(rpm, s.load)

    def loop(self, s: State, ect_degc: float) -> None:
        """Loop state (PID 03), fuel cut and commanded lambda."""
        if not s.running:
            s.loop = OPEN_COLD if s.cranking else OFF
            s.fuel_cut = False
            s.lambda_cmd = 0.75 if ect_degc < 50 else 0.9
            return
        overrun = s.demand <= 0.001 and s.gear > 0 and s.clutch > 0.9 and s.since_start_s > 15
        margin = s.rpm - s.idle_target_rpm
        if s.fuel_cut:
            s.fuel_cut = overrun and margin > 250
        else:
            s.fuel_cut = overrun and margin > 600 and ect_degc > 35 and s.locked
        ready_s = (
            1.5 if s.starts > 1 else 14.0 if ect_degc > 60 else 26.0 if ect_degc > 10 else 60.0
        )
        if s.since_start_s < ready_s:
            s.loop = OPEN_COLD
            cold = max(0.0, (60.0 - ect_degc) / 60.0)
            s.lambda_cmd = 1.0 - 0.10 * cold - 0.12 * exp(-s.since_start_s / 6.0)
        elif s.fuel_cut:
            s.loop, s.lambda_cmd = OPEN_DRIVING, 1.0
        elif s.demand > 0.92 and not self._car.direct:
            s.loop, s.lambda_cmd = OPEN_DRIVING, max(0.86, s.lambda_cmd - 0.04)
        elif self._car.direct and self._protects(s):
            s.loop = OPEN_DRIVING
        else:
            if s.loop != CLOSED:
                s.settle_s = 1.3 if s.loop == OPEN_DRIVING else 0.0
            s.loop, s.lambda_cmd = CLOSED, 1.0

    def _protects(self, s: State) -> bool:
        """Enrichment of a charged engine: what keeps the turbine below its limit, or, with older
        habits, at once with the pedal down."""
        rich = 1.0 - (s.exh_degc - self._turbine_degc) / 400.0
        if s.demand > 0.92 and rich > self._full_lambda:
            rich = self._full_lambda
        rich = 0.78 if rich < 0.78 else rich
        if rich >= 0.99 or s.demand < 0.5:
            return False
        step = rich - s.lambda_cmd
        s.lambda_cmd += -0.04 if step < -0.04 else 0.02 if step > 0.02 else step
        return True

    def trims(self, s: State, bank: BankState, dt: float) -> None:
        """Short and long trim of a bank from its measured mixture."""
        idle = s.demand <= 0.001 and s.speed_m_s < 2.0
        cell = operating_cell(s.rpm, s.load, idle)
        if cell != bank.cell:
            if bank.cell in near_cells(s.rpm, s.load, idle):
                cell = bank.cell  # at a border: stay
            bank.cell = cell
        trims = bank.long_trims
        bank.long_pct = trims[cell]
        if s.loop != CLOSED:
            bank.integral -= bank.integral * dt / (0.4 + dt)
            bank.short_pct = bank.integral
            return
        if s.settle_s > 0.0:
            bank.short_pct = bank.integral
            return
        if self._car.wide_range:
            error = (bank.lambda_seen - 1.0) * 100.0
            error = -20.0 if error < -20.0 else 20.0 if error > 20.0 else error
            bank.integral += 0.9 * error * dt
            proportional = 0.25 * error
        else:
            if bank.rich is not (bank.sensor_v > (0.43 if bank.rich else 0.49)):
                bank.rich = not bank.rich
                bank.switches += 1
            ramp = RAMP_PCT_S if s.rpm > 1200 else RAMP_IDLE_PCT_S
            bank.integral += -ramp * dt if bank.rich else ramp * dt
            proportional = -JUMP_PCT if bank.rich else JUMP_PCT
        integral = _held(bank.integral, SHORT_LIMIT_PCT)
        bank.short_pct = _held(integral + proportional, SHORT_LIMIT_PCT)
        # learning: warm, sensors settled; what is learned leaves the short trim
        if s.ect_degc > 60.0 and s.since_start_s > 40.0:
            old = trims[cell]
            new = _held(old + integral * LEARNED_PER_S * dt, LONG_LIMIT_PCT)
            integral -= new - old
            trims[cell] = bank.long_pct = new
        bank.integral = integral

    def inject(self, s: State, faults: Faults, ring_at: int) -> None:
        """Fuel of each bank, and the mixture that leaves the cylinders."""
        if faults.weak_fuel or faults.leaking_injector or s.rail_gain != 1.0:
            s.rail_gain = self.rail_gain(faults, s.fuel_g_s)
        n = self._car.banks
        stoich, needs = self._car.stoich * s.blend_known, self._needs * s.blend
        air = s.air_cyl_g_s / n
        estimate = s.air_est_g_s
        base, s.vapor_g_s = 0.0, s.drawn_fuel_g_s
        if (s.running or s.crank_s > 0.4) and not s.fuel_cut and s.rpm > 60.0:
            base = estimate / n / (stoich * s.lambda_cmd)
            base *= s.rail_gain * s.map_gain * s.rail_share
            # more air wets the wall first, less air dries it
            s.film_g_s += (estimate - s.film_g_s) * _FILM_SHARE
            film = s.film_g_s / (estimate + 0.05) - 1.0
            base *= 1.0 + FILM * (film if film < 2.0 else 2.0)
            s.vapor_g_s += s.purge * s.vapor * estimate / stoich
        total = 0.0
        noise, i = s.noise, s.noise_at
        dripping = faults.leaking_injector > 0.0
        for k, bank in enumerate(s.banks):
            bank.wander += _WANDER_STEP * noise[i - 30 - k] - _WANDER_DECAY * bank.wander
            trim = 1.0 + (bank.short_pct + bank.long_pct) / 100.0
            fuel = base * self.bank_gain(s, k, faults) * trim * (1.0 + bank.wander)
            if s.rpm > 60.0:
                fuel += s.vapor_g_s / n + (self.drip_g_s(k, faults) if dripping else 0.0)
            bank.fuel_g_s = fuel
            total += fuel
            mixture = air / (needs * fuel) if fuel > 0.3 * air / stoich else 3.0
            if s.cyl_missed:
                mixture *= self.unburned(s, k)
            bank.lambda_out = mixture if mixture < 3.0 else 3.0
            bank.delayed[ring_at] = bank.lambda_out
        s.fuel_g_s = total

    def observe(self, s: State, faults: Faults, ring_at: int, dt: float) -> None:
        """Front sensors: transport delay, lag, and the faults of the front one."""
        rpm = s.rpm if s.rpm > 300.0 else 300.0
        # the computer's and injectors' timing, a cycle (two turns) from injection to the exhaust
        # valve, then the volume of the manifold on the way to the sensor
        pipe_s = 0.25 * self._car.displacement_l / (s.air_cyl_g_s + 0.05)
        delay = (0.06 + 120.0 / rpm + (pipe_s if pipe_s < 0.5 else 0.5)) / dt
        back = int(delay)
        part = delay - back
        noise, i = s.noise, s.noise_at
        warm = s.since_start_s > 8.0 or s.starts > 1
        for k, bank in enumerate(s.banks):
            past = bank.delayed
            seen = past[ring_at - back] * (1.0 - part) + past[ring_at - back - 1] * part
            bank.arrived = seen
            tau, slow = SENSOR_LAG_S, 0.0
            if k == 0:
                tau += LAZY_LAG_S * faults.lazy_o2
                slow = LAZY_VOLTS_S * faults.lazy_o2
                seen += BIAS * faults.biased_o2
            bank.lambda_seen += (seen - bank.lambda_seen) * dt / (tau + dt)
            volts = narrow_band_v(bank.lambda_seen) + 0.006 * noise[i - 5 - k] if warm else 0.45
            bank.sensor_v += (volts - bank.sensor_v) * dt / (slow + dt)

    # --- what was learned before ---

    def learned(self, faults: Faults, s: State, seed: int) -> list[list[float]]:
        """Long-term trim in % of each bank and cell once this car has driven for long with these
        faults, in the weather of `s`: the fuel that brings the sensed mixture to 1 in a steady
        state of each cell, over what the computer would give untrimmed."""
        car = self._car
        rng = random.Random(f"learnt {seed} {car.vin}")  # the figures of docs/ hang on this seed
        banks: list[list[float]] = [[] for _ in range(car.banks)]
        for cell in range(CELLS):
            rpm, load, flow = self._steady_state(cell, s)
            believed = self._believed(faults, s, rpm, flow)
            for k, trims in enumerate(banks):
                lean = 1.0 - (BIAS * faults.biased_o2 if k == 0 else 0.0)
                lean /= self.unburned(s, k)
                needed = flow / (self._needs * wrong_blend(faults) * lean)
                needed -= self.drip_g_s(k, faults) * car.banks
                gain = self.bank_gain(s, k, faults) * self.rail_gain(faults, flow / car.stoich)
                given = flow * believed / car.stoich * gain * (1.0 + self._map.error(rpm, load))
                trim = 100.0 * (needed / given - 1.0) + rng.gauss(self._unlearned_pct, _SCATTER_PCT)
                trims.append(max(-LONG_LIMIT_PCT, min(LONG_LIMIT_PCT, trim)))
        return banks

    def _steady_state(self, cell: int, s: State) -> tuple[float, float, float]:
        """Rpm, load (0 to 1) and air in g/s where the cell is mostly used."""
        if cell == 0:
            rpm = self._car.idle_rpm
            flow = 1.05 * self._car.displacement_l * rpm / 700.0
            return rpm, flow / self._air.full_air_g_s(rpm, s.p_amb_kpa, _CHARGE_K), flow
        rpm, load = _ROWS_RPM[(cell - 1) // 4], _COLUMNS_LOAD[(cell - 1) % 4]
        return rpm, load, load * self._air.full_air_g_s(rpm, s.p_amb_kpa, _CHARGE_K)

    def _believed(self, faults: Faults, s: State, rpm: float, flow: float) -> float:
        """Air that the computer believes the cylinders get, over the true `flow` in g/s."""
        car, air = self._car, self._air
        if not car.has_maf:
            believed = car.ve_table_gain * _CHARGE_K / (_CHARGE_K + car.iat_offset_degc)
            return believed / cam_gain(faults.cam_stuck, rpm)
        p = 50.0
        for _ in range(4):
            filled = air.filling(rpm, p, s.p_amb_kpa) * car.displacement_l * rpm
            p = flow * CYCLE * _CHARGE_K / filled
        leak = air.leak_g_s(faults.unmetered_air, p, s.p_amb_kpa, _CHARGE_K)
        leak += drawn_g_s(faults.purge_open, car.displacement_l, p, s.p_amb_kpa, _CHARGE_K)
        metered = max(0.2 * flow, flow - leak)
        return meter_gain(car, faults, min(1.0, metered / air.rated_g_s)) * metered / flow
