"""The moving state of the simulated car, shared by the parts of the physics."""

from __future__ import annotations

import math
import random

STEP_S = 0.05
"""Step of the physics; a slipping clutch takes two sub-steps, the manifold is linearly implicit;
driver, electrics and what the engine computer decides move every second step."""
_NOISE_LENGTH = 8191


class BankState:
    """Mixture, front sensor and fuel control of one cylinder bank."""

    __slots__ = (
        "cat_degc",
        "cell",
        "delayed",
        "fuel_g_s",
        "integral",
        "lambda_out",
        "lambda_rear",
        "lambda_seen",
        "long_pct",
        "long_trims",
        "rear_v",
        "rich",
        "sensor_v",
        "short_pct",
        "switches",
        "wander",
    )

    def __init__(self, learnt_pct: list[float], ring: int, degc: float) -> None:
        self.fuel_g_s = 0.0
        self.lambda_out = 2.0
        """Air-fuel ratio leaving the cylinders over the stoichiometric one; 2 is plain air."""
        self.delayed = [2.0] * ring
        """Past `lambda_out`, a ring: the transport delay to the sensor."""
        self.lambda_seen = 2.0
        self.lambda_rear = 2.0
        self.sensor_v = 0.45
        self.rear_v = 0.45
        self.rich = False
        self.switches = 0
        """How often the narrow-band sensor has crossed its switch point in closed loop."""
        self.integral = 0.0
        self.short_pct = 0.0
        self.long_pct = learnt_pct[0]
        self.long_trims = learnt_pct
        """One for each operating cell."""
        self.cell = 0
        self.wander = 0.0
        """How far the fuel is off just now, share: no two cycles get the same."""
        self.cat_degc = degc


class State:
    """Everything that moves. Units as in the names; temperatures of the real thing, not sensed."""

    __slots__ = (
        "air_cyl_g_s",
        "air_est_g_s",
        "air_in_g_s",
        "air_used_g",
        "alternator_a",
        "banks",
        "battery_v",
        "brake_n",
        "clutch",
        "coolant_degc",
        "crank_s",
        "cranking",
        "demand",
        "distance_m",
        "ect_degc",
        "fan_on",
        "film_g_s",
        "friction_kw",
        "fuel_cut",
        "fuel_g_s",
        "fuel_used_g",
        "gear",
        "grade",
        "iat_degc",
        "idle_air_g_s",
        "idle_target_rpm",
        "indicated_kw",
        "intake_degc",
        "key_on",
        "lambda_cmd",
        "leak_g_s",
        "load",
        "load_abs",
        "load_torque_nm",
        "locked",
        "loop",
        "maf_g_s",
        "map_gain",
        "map_kpa",
        "noise",
        "noise_at",
        "oil_degc",
        "p_amb_kpa",
        "p_est_kpa",
        "p_exh_kpa",
        "p_man_kpa",
        "p_up_kpa",
        "pedal",
        "polarisation_v",
        "purge",
        "rail_gain",
        "rpm",
        "run_s",
        "running",
        "settle_s",
        "since_start_s",
        "soc",
        "spark_deg",
        "spark_trim_deg",
        "speed_m_s",
        "starter_a",
        "step",
        "t_amb_degc",
        "t_s",
        "thermostat",
        "throttle",
        "torque_nm",
        "vapour_g_s",
        "ve",
    )

    def __init__(
        self, *, seed: int, p_amb_kpa: float, t_amb_degc: float, start_degc: float
    ) -> None:
        rng = random.Random(f"noise {seed}")
        self.noise = [rng.gauss(0.0, 1.0) for _ in range(_NOISE_LENGTH)]
        """Normal numbers, read round and round: drawing afresh would cost most of a step."""
        self.noise_at = rng.randrange(_NOISE_LENGTH)
        self.step = 0
        self.t_s = 0.0
        # surroundings
        self.p_amb_kpa = p_amb_kpa
        self.t_amb_degc = t_amb_degc
        self.grade = 0.0
        # key and driver
        self.key_on = False
        self.cranking = False
        self.crank_s = 0.0
        self.pedal = 0.0
        self.brake_n = 0.0
        self.gear = 0
        self.clutch = 0.0
        """0 open to 1 closed; with a torque converter 1 is in gear."""
        self.locked = False
        self.demand = 0.0
        """Torque asked of the engine, share of what it can give."""
        # rotation
        self.running = False
        self.rpm = 0.0
        self.speed_m_s = 0.0
        self.distance_m = 0.0
        self.torque_nm = 0.0
        self.load_torque_nm = 0.0
        self.indicated_kw = 0.0
        self.friction_kw = 0.0
        self._air(p_amb_kpa)
        self._computer(p_amb_kpa)
        self._heat(t_amb_degc, start_degc)
        self.banks: list[BankState] = []

    def _air(self, p_amb_kpa: float) -> None:
        self.throttle = 0.03
        self.p_up_kpa = p_amb_kpa
        self.p_man_kpa = p_amb_kpa
        self.p_exh_kpa = p_amb_kpa
        self.air_in_g_s = 0.0
        """Through the air filter: what a MAF sensor sees."""
        self.leak_g_s = 0.0
        self.air_cyl_g_s = 0.0
        self.ve = 0.7

    def _computer(self, p_amb_kpa: float) -> None:
        """What the engine computer believes and commands."""
        self.maf_g_s = 0.0
        self.map_kpa = p_amb_kpa
        self.p_est_kpa = p_amb_kpa
        """Manifold pressure the computer works out from its MAF sensor."""
        self.air_est_g_s = 0.0
        self.load_abs = 0.0
        self.load = 0.0
        self.idle_target_rpm = 0.0
        self.idle_air_g_s = 0.0
        self.spark_deg = 0.0
        self.spark_trim_deg = 0.0
        self.lambda_cmd = 1.0
        self.loop = 0
        self.fuel_cut = False
        self.settle_s = 0.0
        """How long the trims still wait for the sensor after open loop."""
        self.fuel_g_s = 0.0
        self.fuel_used_g = 0.0
        self.map_gain = 1.0
        """Fuel by the computer's map over what it should be."""
        self.film_g_s = 0.0
        """Air that the fuel film on the port's wall has got used to."""
        self.air_used_g = 0.0
        self.purge = 0.0
        self.vapour_g_s = 0.0
        self.rail_gain = 1.0
        self.run_s = 0.0
        self.since_start_s = 0.0

    def _heat(self, t_amb_degc: float, start_degc: float) -> None:
        """Temperatures and electrics."""
        self.coolant_degc = start_degc
        self.oil_degc = start_degc
        self.intake_degc = t_amb_degc + 0.25 * (start_degc - t_amb_degc)
        self.thermostat = 0.0
        self.fan_on = False
        self.ect_degc = start_degc
        self.iat_degc = self.intake_degc
        self.soc = 0.93
        self.battery_v = 12.6
        self.alternator_a = 0.0
        self.starter_a = 0.0
        self.polarisation_v = 0.0


def standard_pressure_kpa(altitude_m: float) -> float:
    """Pressure of the standard atmosphere (ICAO Doc 7488 = US Standard Atmosphere 1976)."""
    return 101.325 * math.pow(1.0 - 2.25577e-5 * altitude_m, 5.25588)
