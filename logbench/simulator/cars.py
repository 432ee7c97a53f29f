"""The facts of a simulated car, and the named ones; `drawn` draws others. All cars are invented."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Any, Literal

from logbench.errors import UsageError
from logbench.simulator.data import tables

STOICH_GASOLINE = 14.7
"""Stoichiometric air-fuel ratio of gasoline by mass (textbooks)."""
STOICH_E10 = 14.1
"""The same of gasoline with 10 % ethanol."""


def blend_of(ethanol: float) -> float:
    """Air that a gram of gasoline with this share of ethanol needs, and about the heat it gives,
    over those of gasoline. Stoichiometric ratio 14.7 of gasoline, 9.0 of ethanol; heating values
    42.8 and 26.8 kJ/g (textbooks), densities that hardly differ."""
    return 1.0 - ethanol * 5.7 / 14.7


Kind = Literal["gasoline", "charged", "diesel", "hybrid", "flex"]
"""Spark ignition with port injection; charged with direct injection; compression ignition; a spark
engine that an electric motor helps and replaces; one for any share of ethanol."""
Age = Literal["early", "middle", "late"]
"""How much of Service 01 a car of its years reports: up to PID 0x4x, 0x6x, or all that it has."""

MOST_ERROR = 0.06
"""Of a fuel map, share of the fuel."""


@dataclass(frozen=True)
class FuelMap:
    """What the engine computer's map gives too much (positive) or too little, as a share of the
    fuel: no two cars agree with their map. Smooth over rpm and load, at most `MOST_ERROR`.

    Orders: on the open road recordings (tests/simulator/test_fuel_loop.py) the total trim of one
    healthy car differs by about 2 points (standard deviation) between operating cells.
    """

    offset: float = 0.0
    rpm_tilt: float = 0.0
    """Change from 2,000 to 4,500 rpm."""
    load_tilt: float = 0.0
    """Change from 40 to 80 % load."""
    twist: float = 0.0

    def error(self, rpm: float, load: float) -> float:
        """Share of the fuel at this rpm and calculated load (0 to 1)."""
        x = (rpm - 2000.0) / 2500.0
        y = (load - 0.4) / 0.4
        x = x if x < 1.0 else 1.0
        error = self.offset + self.rpm_tilt * x + (self.load_tilt + self.twist * x) * y
        return -MOST_ERROR if error < -MOST_ERROR else MOST_ERROR if error > MOST_ERROR else error

    def tilted_from_idle(self, rpm_tilt: float, load_tilt: float) -> FuelMap:
        """This map with more of both tilts and the same error at 750 rpm and 20 % load."""
        return replace(
            self,
            offset=self.offset + 0.5 * (rpm_tilt + load_tilt),
            rpm_tilt=self.rpm_tilt + rpm_tilt,
            load_tilt=self.load_tilt + load_tilt,
        )


@dataclass(frozen=True)
class Charging:
    """Turbocharger and charge-air cooler of a charged car, and how its computer controls them."""

    vanes: bool = False
    """Variable geometry, else a wastegate."""
    area: float = 1.0
    """Of the turbine, over the usual for the engine."""
    inertia: float = 1.0
    cooler: float = 0.72
    """Share of the heat of compression that the cooler takes while the car drives. [CP: 0.6 to
    0.85]"""
    gain: float = 1.0
    """Of the control loop."""
    shut_is_full: bool = True
    """Which way vanes or wastegate are reported: 100 % is shut, most pressure."""


@dataclass(frozen=True)
class DieselMap:
    """What the engine computer of a diesel asks for: habits of makers, as they stand here those
    that give the figures of the real one (tests/simulator/test_diesel_figures.py)."""

    idle_air_g_l: float = 0.57
    """Air it wants for two turns and each liter with recirculation, at idle."""
    air_rise: float = 1.0
    """How fast that grows with the quantity, over the usual."""
    egr_from_degc: float = 15.0
    """Coolant from which it recirculates."""
    egr_below_load: float = 0.5
    egr_below_rpm: float = 2900.0
    egr_idle_s: float = 1e9
    """Idling after which it stops recirculating."""
    low_pressure: bool = False
    """A second way for the exhaust, from behind the filter."""
    smoke_lambda: float = 1.22
    """Air it demands for the fuel at least."""
    flap_open_pct: float = 83.5
    """What the position of the intake flap reads when it is open."""
    flap_idle: float = 1.0
    """How far the flap stays open at idle and on overrun."""
    charge_iat: bool = False
    """The intake air sensor sits behind the charge-air cooler, else at the air-flow sensor."""


@dataclass(frozen=True)
class Car:
    """Everything about a car that does not change while it drives."""

    label: str
    vin: str
    displacement_l: float
    cylinders: int
    banks: int
    """1 or 2."""
    turbo: bool
    has_maf: bool
    has_map: bool
    """At least one of the two; with a MAF sensor the engine computer meters its fuel by it."""
    wide_range: bool
    """Front oxygen sensors: wide-range, else narrow-band."""
    automatic: bool
    regulating_degc: float
    """The thermostat's nominal regulating temperature."""
    stoich: float = STOICH_GASOLINE
    idle_rpm: float = 720.0
    redline_rpm: float = 6300.0
    mass_kg: float = 1450.0
    drag_area_m2: float = 0.68
    """Drag coefficient times frontal area."""
    wheel_radius_m: float = 0.315
    final_drive: float = 3.9
    gears: tuple[float, ...] = (3.55, 1.95, 1.30, 0.97, 0.76)
    ve_peak: float = 0.91
    """Volumetric efficiency against the manifold at `ve_peak_rpm`, manifold at exhaust pressure."""
    ve_peak_rpm: float = 4200.0
    boost_kpa: float = 0.0
    """Highest boost above ambient; 0 without a turbocharger."""
    maf_gain: float = 1.0
    """Scatter of parts: what the air-flow sensor reads of the true flow."""
    ve_table_gain: float = 1.0
    """The engine computer's own volumetric efficiency against the true one."""
    injector_gains: tuple[float, ...] = (1.0,)
    """Fuel delivered against commanded, one value a bank."""
    fuel_map: FuelMap = FuelMap()
    ect_offset_degc: float = 0.0
    iat_offset_degc: float = 0.0
    battery_ah: float = 60.0
    downstream: bool = True
    """An oxygen sensor behind each catalyst."""
    odometer_km: float = 84_000.0
    kind: Kind = "gasoline"
    ethanol: float = 0.0
    """Share of ethanol in the tank of a car that can do with any."""
    age: Age = "middle"
    stop_start: bool = False
    """The engine stops while the car stands, warm and in no need of it."""
    motor_kw: float = 0.0
    """Electric motor of a hybrid; 0 without."""
    traction_kwh: float = 0.0
    """Its high-voltage battery."""
    particulate_filter: bool = False
    nox_trap: bool = False
    """A diesel with NOx storage; else with reagent, where it is not an early one."""
    charging: Charging = Charging()
    diesel_map: DieselMap = DieselMap()

    @property
    def diesel(self) -> bool:
        """Compression ignition."""
        return self.kind == "diesel"

    @property
    def direct(self) -> bool:
        """Gasoline injected into the cylinder, by a high-pressure pump."""
        return self.kind == "charged"


_NAMED = tables("cars.toml")
CAR_NAMES = tuple(_NAMED)


def named_car(name: str = "demo") -> Car:
    """An invented car by name; `UsageError` for another name."""
    try:
        facts: dict[str, Any] = {**_NAMED["demo"], **_NAMED[name]}
    except KeyError:
        raise UsageError(
            f"There is no simulated car {name!r}: choose one of {', '.join(_NAMED)}."
        ) from None
    facts["fuel_map"] = FuelMap(**facts["fuel_map"])
    facts["charging"] = Charging(**facts.get("charging", {}))
    for key in ("gears", "injector_gains"):
        facts[key] = tuple(facts[key])
    return Car(**facts)
