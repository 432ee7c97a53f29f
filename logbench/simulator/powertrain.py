"""The engine (idle control, spark and torque), its heat, the electrics it feeds, and the way from
the crankshaft to the road: starter, clutch or converter, gears, rolling, drag, brakes."""

from __future__ import annotations

from math import exp, pi

from logbench.simulator.airpath import AirPath
from logbench.simulator.cars import Car
from logbench.simulator.day import Day
from logbench.simulator.faults import Faults
from logbench.simulator.state import State

HEATING_KJ_G = 42.8
"""Lower heating value of gasoline."""
BAR_LITER_NM = 100.0 / (4.0 * pi)
"""Torque of a four-stroke of 1 l at 1 bar mean effective pressure."""


IDLE_UP_RPM = 150.0
"""The compressor's: 100 to 200 [CP; open road data 200, measured]."""
IDLE_SPARK_DEG = 20.0
"""How much later the spark of an idle under full load would be. [open road data, measured: what is
switched on at idle takes 0.28 degrees for each point of load; 0.2 gives the timing's own spread]"""
AIR_G_S_KW = 1.1
"""Air for each kW at idle: a quarter to a third of 42.8 kJ/g, 14.7 g of air for each of fuel."""


class Engine:
    """Torque from the fuel burned, and the computer's idle and spark control."""

    def __init__(self, car: Car, air: AirPath) -> None:
        self._air = air
        self._car = car

    def command(self, s: State, dt: float) -> None:
        """Throttle from pedal and idle control, spark trim."""
        ect, liters = s.ect_degc, self._car.displacement_l
        target = self._car.idle_rpm + (IDLE_UP_RPM if s.compressor_on else 0.0)
        if ect < 60.0:
            target += 430.0 * min(1.6, (60.0 - ect) / 40.0)
        if s.running and s.since_start_s < 6.0:
            target += 150.0 * (1.0 - s.since_start_s / 6.0)
        s.idle_target_rpm = target
        asked = s.pedal if s.engine_ask < 0.0 else s.engine_ask
        s.demand += (asked - s.demand) * dt / (0.06 + dt)
        if asked <= 0.0 and s.demand < 0.01:
            s.demand = 0.0
        more = 0.007 * (80.0 - ect) if ect < 80.0 else 0.0
        feed = liters * (0.90 + more) * target / 700.0 + AIR_G_S_KW * s.compressor_kw
        error = target - s.rpm
        air = feed + s.idle_air_g_s
        s.spark_trim_deg = 0.0
        if s.running and s.demand <= 0.001 and (s.clutch < 0.05 or s.gear == 0):
            s.idle_air_g_s += liters * 0.0011 * max(-200.0, min(200.0, error)) * dt
            s.idle_air_g_s = max(-0.7 * feed, min(1.6 * feed, s.idle_air_g_s))
            air += liters * 0.0016 * max(-300.0, min(300.0, error))
            s.spark_trim_deg = max(-22.0, min(9.0, 0.10 * error))
        elif not s.running:
            s.idle_air_g_s = 0.0
            air = feed * 1.3
        if s.gear > 0 and s.running:  # on overrun the manifold is not pumped empty
            least = liters * 0.0011 * s.rpm
            air = least if air < least else air
        demand = s.demand
        if s.rpm > self._car.redline_rpm:
            demand = 0.0
        if demand > 0.0:
            full = self._air.full_air_g_s(s.rpm, s.p_amb_kpa, s.intake_degc + 273.15)
            air += demand * (full - air) if full > air else 0.0
        s.air_asked_g_s = air
        wanted = self._air.throttle_for(s, air if air > 0.05 else 0.05, demand)
        s.throttle += (wanted - s.throttle) * dt / (0.04 + dt)

    def torque(self, s: State, accessories_kw: float) -> None:
        """Net torque at the crankshaft from the fuel burned, less friction, pumping,
        accessories."""
        rpm = s.rpm
        omega = rpm * pi / 30.0
        load = s.load
        best = 18.0 + 0.0065 * (rpm if rpm < 4000.0 else 4000.0)
        if load > 0.25:
            best -= 18.0 * (load - 0.25)
        knock = 0.0
        if self._car.direct and s.p_man_kpa > s.p_amb_kpa:
            knock = 0.06 * (s.p_man_kpa - s.p_amb_kpa)
            best -= 0.08 * (s.p_man_kpa - s.p_amb_kpa)
        if s.demand <= 0.001 and s.speed_m_s < 2.0:
            spark = best - 12.0 + s.spark_trim_deg - IDLE_SPARK_DEG * (load - 0.22)
            if s.ect_degc < 55.0 and s.since_start_s < 35.0:
                spark -= 7.0  # catalyst heating
        else:
            spark = best - 1.0 - (6.0 * (load - 0.55) if load > 0.55 else 0.0) - knock
        s.spark_deg = spark if s.running else 5.0
        off = (spark - best) / 55.0
        efficiency = 0.385 * (1.0 - off * off)
        burned = 0.0
        air_limit = (s.air_cyl_g_s - s.blown_g_s) / len(s.banks) / (self._car.stoich * s.blend)
        for bank in s.banks:
            mixture = bank.lambda_out
            fuel = bank.fuel_g_s
            if mixture <= 1.0 and fuel > air_limit:
                fuel = air_limit
            if mixture > 1.35:  # too lean to burn in every cycle
                fuel *= max(0.0, 1.0 - 2.5 * (mixture - 1.35))
            burned += fuel
        s.indicated_kw = burned * (HEATING_KJ_G * s.blend) * efficiency
        s.indicated_kw *= s.firing
        if s.unsteady:
            s.indicated_kw *= 1.0 + s.unsteady * s.noise[s.noise_at - 40]
        krpm = rpm * 0.001
        mean_bar = 0.66 + 0.11 * krpm + 0.012 * krpm * krpm
        if s.oil_degc < 88.0:
            mean_bar *= 1.0 + 0.010 * (88.0 - s.oil_degc)
        rub = mean_bar * self._car.displacement_l * BAR_LITER_NM
        pump = (s.p_exh_kpa - s.p_man_kpa) * 0.01 * self._car.displacement_l * BAR_LITER_NM
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
        gross = air / self._car.stoich * HEATING_KJ_G * 0.375 * 1000.0 / omega
        krpm = rpm * 0.001
        rub = (0.66 + 0.11 * krpm + 0.012 * krpm * krpm) * self._car.displacement_l * BAR_LITER_NM
        return gross - rub


class Thermal:
    """Temperatures of one car; called a few times a second, as nothing here is quick."""

    def __init__(self, car: Car, rated_g_s: float, day: Day) -> None:
        d = car.displacement_l
        self._car, self._day = car, day
        self._regulating_degc = car.regulating_degc + day.thermostat_k
        self._fan_degc = car.regulating_degc + 9.0 + day.fan_k
        self._coolant_kj_k = 6.0 + 15.0 * d
        self._block_kj_k = 9.0 + 18.0 * d
        self._scale = d**0.75
        self._rated_g_s = rated_g_s
        self._heat = 0.58 if car.diesel else 1.0

    def step(self, s: State, faults: Faults, dt: float) -> None:
        """Move all temperatures by `dt` seconds."""
        self._cooling(s, faults, dt)
        self._intake(s, dt)
        self._catalysts(s, dt)
        noise, i = s.noise, s.noise_at
        offset = self._car.ect_offset_degc - 20.0 * faults.ect_offset
        s.ect_degc += (s.coolant_degc + offset + 0.1 * noise[i] - s.ect_degc) * dt / (1.5 + dt)
        s.iat_degc += (s.intake_degc + self._car.iat_offset_degc - s.iat_degc) * dt / (4.0 + dt)

    def _cooling(self, s: State, faults: Faults, dt: float) -> None:
        t, ambient = s.coolant_degc, s.t_amb_degc
        fuel_kw = s.fuel_g_s * (HEATING_KJ_G * s.blend)
        into_kw = 0.0
        if s.running:
            into_kw = self._heat * fuel_kw * (0.15 + 0.50 / (1.0 + s.rpm / 900.0))
        opening = (t - (self._regulating_degc - 4.0)) / 8.0
        opening = max(0.0, min(1.0, opening))
        s.thermostat += (opening - s.thermostat) * dt / (9.0 + dt)
        # a small gap already passes much of what flows
        stuck = 0.6 * faults.thermostat_open**0.6
        flow = max(s.thermostat, stuck)
        if s.ect_degc > self._fan_degc:
            s.fan_on = s.running or s.key_on
        elif s.ect_degc < self._fan_degc - self._day.fan_swing_k or not s.key_on:
            s.fan_on = False
        wind = 0.012 + 0.020 * s.speed_m_s + (0.22 if s.fan_on else 0.0)
        pump = min(1.0, 0.25 + s.rpm / 3000.0) if s.rpm > 100 else 0.05
        radiator = flow * self._scale * wind * pump / (wind + 0.25) * 0.62
        # a closed thermostat leaves the engine's own surfaces, 1 to 2 kW on the road at 100 K, and
        # the heater, whose blower waits for warm water: about 2.5 kW in frost [CP]
        passive = (0.003 + 0.00025 * s.speed_m_s) * self._scale * self._day.wind
        heater = 0.0
        if s.running and t > 30.0:
            # the cabin takes nothing above 18 degC or so, all it can from 10 below zero
            taken_kw_k = max(0.0, min(0.032, 0.00115 * (self._day.comfort_degc - ambient)))
            heater = taken_kw_k * pump * min(1.0, (t - 30.0) / 30.0)
        exchange = 0.12 * self._scale * (t - s.oil_degc)
        out_kw = (radiator + passive + heater) * (t - ambient) + exchange
        s.coolant_degc += (into_kw - out_kw) / self._coolant_kj_k * dt
        block_kw = 0.6 * s.friction_kw + 0.05 * fuel_kw + exchange
        block_kw -= (0.005 + 0.0004 * s.speed_m_s) * self._scale * (s.oil_degc - ambient)
        s.oil_degc += block_kw / self._block_kj_k * dt

    def _intake(self, s: State, dt: float) -> None:
        # warm air under the hood, swept away by driving and by a higher airflow
        sweep = 1.0 / (1.0 + 0.10 * s.speed_m_s + 2.0 * s.air_cyl_g_s / self._rated_g_s)
        target = s.t_amb_degc + 2.0 + 0.34 * (s.coolant_degc - s.t_amb_degc) * sweep
        if not s.running and s.coolant_degc < s.t_amb_degc + 5.0:
            target = s.t_amb_degc
        target += s.charge_heat_k
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


class Compressor:
    """The air conditioning's: its clutch closes while the evaporator is warm, opens while it is
    cold, and stays open at the start and at full load."""

    def __init__(self, car: Car, day: Day) -> None:
        self._kw = 0.5 + 0.35 * car.displacement_l
        self._off_s, self._on_s = day.compressor_off_s, day.compressor_on_s

    def step(self, s: State, dt: float) -> None:
        """Move clutch and load by `dt` seconds."""
        s.compressor_left_s -= dt
        if not s.running or s.since_start_s < 5.0 or s.demand > 0.85:
            s.compressor_on, s.compressor_left_s = False, 3.0
        elif s.compressor_left_s <= 0.0:
            s.compressor_on = not s.compressor_on
            s.compressor_left_s = self._on_s if s.compressor_on else self._off_s
        wanted = self._kw * (0.6 + s.rpm / 2000.0) if s.compressor_on else 0.0
        s.compressor_kw += (wanted - s.compressor_kw) * dt / (0.15 + dt)


class Electrical:
    """Voltages and currents of one car."""

    def __init__(self, car: Car, day: Day) -> None:
        # small cars have fewer of them
        self._consumers_a = day.consumers_a * min(1.0, 0.25 + 0.375 * car.displacement_l)
        self._aim_v = 14.6 + day.aim_v
        self._ah = car.battery_ah
        self._resistance = 0.0062 * (60.0 / car.battery_ah) ** 0.8
        self._starter_a = 95.0 + 42.0 * car.displacement_l
        self._inrush = 0.0
        self._max_a = 75.0 + 18.0 * car.displacement_l

    def step(self, s: State, faults: Faults, dt: float) -> None:
        """Balance of currents: what the alternator cannot give comes from the battery."""
        cold = 1.0 + 0.012 * max(0.0, 25.0 - s.t_amb_degc)
        resistance = self._resistance * cold * (1.0 + 1.5 * faults.worn_battery**0.6)
        rest_v = 11.95 + 0.75 * s.soc - 0.3 * faults.worn_battery
        load_a = 0.05
        if s.key_on:
            load_a = (8.0 if s.engine_wanted else 16.0) + self._consumers_a
        if s.running:
            load_a = 22.0 + self._consumers_a + (14.0 if s.fan_on else 0.0)
        if s.cranking:
            self._inrush = 1.0 if s.rpm < 20.0 else self._inrush * exp(-dt / 0.12)
            s.starter_a = self._starter_a * cold * (1.0 + 0.4 * self._inrush)
            load_a += s.starter_a
        else:
            s.starter_a = 0.0
            self._inrush = 1.0
        can_a = 0.0
        if s.running and s.since_start_s > 0.5:
            can_a = self._max_a * (1.0 - exp(-max(0.0, s.rpm - 300.0) / 600.0))
            # half of its current still carries most loads: what is found has lost more
            can_a *= 1.0 - 0.88 * faults.weak_alternator**0.15
        # the regulator's aim falls as the battery warms, by 15 to 28 mV/K [open road data, measured
        # against the intake], rises for an empty one and sags under load
        aim_v = self._aim_v - 0.015 * (0.5 * s.intake_degc + 0.5 * s.t_amb_degc)
        aim_v += 0.6 * (0.93 - s.soc) - 0.004 * (load_a - 22.0)
        source_v = rest_v + s.polarisation_v
        wanted_a = load_a + max(0.0, (aim_v - source_v) / (resistance + 0.03))
        s.alternator_a += (min(can_a, wanted_a) - s.alternator_a) * dt / (0.15 + dt)
        battery_a = s.alternator_a - load_a
        across = battery_a * (resistance + (0.03 if battery_a > 0.0 else 0.0))
        v = source_v + across
        s.battery_v += (v - s.battery_v) * dt / (0.02 + dt)
        s.soc = max(0.0, min(1.0, s.soc + battery_a * dt / 3600.0 / self._ah))
        # acid concentrates at the plates: a charge current falls away within minutes
        aim = (0.22 if battery_a > 0.0 else 0.004) * battery_a
        s.polarisation_v += (aim - s.polarisation_v) * dt / (90.0 + dt)

    @staticmethod
    def accessories_kw(s: State) -> float:
        """Power the belt takes: alternator at 60 %, pumps, compressor."""
        belt = s.alternator_a * s.battery_v * 0.001 / 0.6 + 0.1 + 0.00005 * s.rpm
        return belt + s.compressor_kw


TO_RPM = 30.0 / pi
_G = 9.80665
ROLLING = 0.011
"""Rolling resistance of car tires on asphalt [from memory: textbooks, 0.010 to 0.015]."""
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
        """Crankshaft rad per meter of road."""
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
