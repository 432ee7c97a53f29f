"""The moving state of the simulated car, shared by the parts of the physics."""

from __future__ import annotations

import math
import random
from dataclasses import InitVar, dataclass, field

from logbench.simulator.day import Day

STEP_S = 0.05
"""Step of the physics; a slipping clutch takes two sub-steps, the manifold is linearly implicit;
driver, electrics and what the engine computer decides move every second step."""
RING = 64
"""Length of the transport delay's ring, in steps."""
_NOISE_LENGTH = 8191


@dataclass(slots=True)
class BankState:
    """Mixture, front sensor and fuel control of one cylinder bank."""

    long_trims: list[float]
    """One for each operating cell."""
    cat_degc: float
    fuel_g_s: float = 0.0
    lambda_out: float = 2.0
    """Air-fuel ratio leaving the cylinders over the stoichiometric one; 2 is plain air."""
    delayed: list[float] = field(default_factory=lambda: [2.0] * RING)
    """Past `lambda_out`, a ring: the transport delay to the sensor."""
    arrived: float = 2.0
    """What of it passes the front sensor now."""
    oxygen: float = 1.0
    """Of the catalyst's store, share that is full."""
    let_by: float = 2.0
    """Mixture behind the catalyst."""
    lambda_seen: float = 2.0
    lambda_rear: float = 2.0
    sensor_v: float = 0.45
    rear_v: float = 0.45
    rich: bool = False
    switches: int = 0
    """How often the narrow-band sensor has crossed its switch point in closed loop."""
    integral: float = 0.0
    short_pct: float = 0.0
    long_pct: float = field(init=False)
    cell: int = 0
    wander: float = 0.0
    """How far the fuel is off just now, share: no two cycles get the same."""

    def __post_init__(self) -> None:
        self.long_pct = self.long_trims[0]


@dataclass(slots=True, kw_only=True)
class State:
    """Everything that moves. Units as in the names; temperatures of the real thing, not sensed."""

    seed: InitVar[int]
    start_degc: InitVar[float]
    day: InitVar[Day]
    p_amb_kpa: float
    t_amb_degc: float
    noise: list[float] = field(init=False)
    """Normal numbers, read round and round: drawing afresh would cost most of a step."""
    noise_at: int = field(init=False)
    step: int = 0
    t_s: float = 0.0
    grade: float = 0.0
    # key and driver
    key_on: bool = False
    cranking: bool = False
    crank_s: float = 0.0
    pedal: float = 0.0
    brake_n: float = 0.0
    gear: int = 0
    clutch: float = 0.0
    """0 open to 1 closed; with a torque converter 1 is in gear."""
    locked: bool = False
    demand: float = 0.0
    """Torque asked of the engine, share of what it can give."""
    # whether the engine runs with the key on: stop-start and hybrid
    may_rest: bool = False
    """The driver leaves it to the car: not where the engine must idle."""
    engine_wanted: bool = True
    starts: int = 0
    """Since the key was turned on."""
    engine_ask: float = -1.0
    """What a hybrid asks of its engine, share; below 0 where the pedal asks."""
    spin_rpm: float = 0.0
    """Speed at which a hybrid's motor holds the engine; 0 lets it go."""
    split_kw: float = 0.0
    """What that motor takes from the engine."""
    traction_n: float = 0.0
    """Force of a hybrid's motors at the wheels."""
    traction_charge: float = 0.0
    """Of the high-voltage battery, 0 to 1."""
    # rotation
    running: bool = False
    rpm: float = 0.0
    speed_m_s: float = 0.0
    distance_m: float = 0.0
    torque_nm: float = 0.0
    load_torque_nm: float = 0.0
    indicated_kw: float = 0.0
    friction_kw: float = 0.0
    banks: list[BankState] = field(default_factory=list)
    # air
    throttle: float = 0.03
    flap_wanted: float = 0.0
    """Opening of a diesel's intake flap as commanded; `throttle` is where it is."""
    p_up_kpa: float = field(init=False)
    p_man_kpa: float = field(init=False)
    p_exh_kpa: float = field(init=False)
    air_in_g_s: float = 0.0
    """Through the air filter: what a MAF sensor sees."""
    leak_g_s: float = 0.0
    air_cyl_g_s: float = 0.0
    """Fresh air into the cylinders."""
    cyl_g_s: float = 0.0
    """All the gas into the cylinders of a diesel."""
    ve: float = 0.7
    cam_gain: float = 1.0
    """Filling over that with the camshaft where it should be."""
    cam_off_deg: float = 0.0
    """How far the camshaft is from where it is commanded."""
    unsteady: float = 0.0
    """Scatter of the work from step to step, share of it."""
    # exhaust, and what of it comes back
    exh_g_s: float = 0.0
    """Gas that leaves for the exhaust system: that of the cylinders less what is recirculated."""
    exh_degc: float = field(init=False)
    """Of the gas leaving the cylinders."""
    back_kpa: float = 0.0
    """What the exhaust system behind the turbine (or behind the manifold) adds to the air's."""
    egr_share: float = 0.0
    """Recirculated share of what the cylinders get."""
    egr_g_s: float = 0.0
    """Recirculated into the manifold."""
    egr_low_share: float = 0.0
    """Of what the compressor draws, taken from behind the filter."""
    egr_degc: float = field(init=False)
    soot_g_s: float = 0.0
    nox_ppm: float = 0.0
    # charge pressure, recirculation and quantity: what the computer of a charged engine asks
    boost_wanted_kpa: float = field(init=False)
    """Charge pressure, absolute."""
    pipe_leak_g_s: float = 0.0
    """Air that escapes between charger and engine."""
    charge_heat_k: float = 0.0
    """Of the compression, what the cooler leaves."""
    egr_wanted: float = 0.0
    """Recirculation as commanded, 0 to 1."""
    air_asked_g_s: float = 0.0
    """By the torque that the pedal asks for."""
    blown_g_s: float = 0.0
    """Air of a charged engine that goes straight through to the exhaust."""
    air_wanted_g_s: float = 0.0
    """Fresh air that a diesel's recirculation is controlled to."""
    quantity_mg: float = 0.0
    """Diesel fuel commanded for each stroke of a cylinder."""
    post_g_s: float = 0.0
    """Late fuel that burns in the exhaust: asked for by the particulate filter."""
    rail_share: float = 1.0
    """Fuel delivered over commanded, by the pressure in the rail."""
    regenerating: bool = False
    """The computer heats the particulate filter: it asks for hot gas, and for none of it back."""
    cyl_gain: list[float] = field(default_factory=list)
    """Fuel of each cylinder over what is commanded; empty while they are healthy."""
    cyl_missed: list[float] = field(default_factory=list)
    """Share of each cylinder's cycles that do not burn; empty while all do."""
    injected: float = 1.0
    """Fuel of all injectors over what is commanded."""
    firing: float = 1.0
    """Indicated torque of the cylinders that fire in this step, over the mean of all."""
    light_s: float = 0.0
    """How much longer than a warm engine this one is turned before it fires."""
    # what the engine computer believes and commands
    maf_g_s: float = 0.0
    map_kpa: float = field(init=False)
    p_est_kpa: float = field(init=False)
    """Manifold pressure the computer works out from its MAF sensor."""
    air_est_g_s: float = 0.0
    load_abs: float = 0.0
    load: float = 0.0
    idle_target_rpm: float = 0.0
    idle_air_g_s: float = 0.0
    spark_deg: float = 0.0
    spark_trim_deg: float = 0.0
    lambda_cmd: float = 1.0
    loop: int = 0
    fuel_cut: bool = False
    settle_s: float = 0.0
    """How long the trims still wait for the sensor after open loop."""
    fuel_g_s: float = 0.0
    fuel_used_g: float = 0.0
    map_gain: float = 1.0
    """Fuel by the computer's map over what it should be."""
    film_g_s: float = 0.0
    """Air that the fuel film on the port's wall has got used to."""
    air_used_g: float = 0.0
    purge: float = 0.0
    vapor: float = field(init=False)
    """Fuel from the canister, share of the engine's with the purge valve wholly open."""
    vapor_g_s: float = 0.0
    drawn_air_g_s: float = 0.0
    drawn_fuel_g_s: float = 0.0
    """Through a purge valve that does not close: air and the fuel it carries."""
    blend: float = 1.0
    """Air that a gram of the fuel in the tank needs, and about the heat it gives, over those of
    the fuel that the car is made for."""
    blend_known: float = 1.0
    """The same as the engine computer reckons."""
    rail_gain: float = 1.0
    run_s: float = 0.0
    since_start_s: float = 0.0
    # temperatures and electrics
    coolant_degc: float = field(init=False)
    oil_degc: float = field(init=False)
    intake_degc: float = field(init=False)
    thermostat: float = 0.0
    fan_on: bool = False
    ect_degc: float = field(init=False)
    iat_degc: float = field(init=False)
    soc: float = field(init=False)
    battery_v: float = 12.6
    alternator_a: float = 0.0
    starter_a: float = 0.0
    compressor_on: bool = False
    compressor_left_s: float = 0.0
    compressor_kw: float = 0.0
    polarisation_v: float = field(init=False)

    def __post_init__(self, seed: int, start_degc: float, day: Day) -> None:
        rng = random.Random(f"noise {seed}")
        self.noise = [rng.gauss(0.0, 1.0) for _ in range(_NOISE_LENGTH)]
        self.noise_at = rng.randrange(_NOISE_LENGTH)
        self.p_up_kpa = self.p_man_kpa = self.p_exh_kpa = self.p_amb_kpa
        self.map_kpa = self.p_est_kpa = self.boost_wanted_kpa = self.p_amb_kpa
        self.coolant_degc = self.oil_degc = self.ect_degc = start_degc
        self.intake_degc = self.t_amb_degc + 0.25 * (start_degc - self.t_amb_degc) + day.sun_k
        self.iat_degc = self.intake_degc
        self.exh_degc = self.egr_degc = self.t_amb_degc
        self.vapor, self.soc, self.polarisation_v = day.vapor, day.charge, day.surface_v


def standard_pressure_kpa(altitude_m: float) -> float:
    """Pressure of the standard atmosphere (ICAO Doc 7488 = US Standard Atmosphere 1976)."""
    return 101.325 * math.pow(1.0 - 2.25577e-5 * altitude_m, 5.25588)
