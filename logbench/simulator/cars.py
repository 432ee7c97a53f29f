"""The facts of a simulated car, drawn from a seed or by name, and what can be wrong with it: fault
name to severity, 0 healthy to 1 plain. All cars are invented."""

from __future__ import annotations

import random
from collections.abc import Iterator, Mapping
from dataclasses import dataclass, fields, replace
from functools import cached_property
from typing import Any

from logbench.car.identity import check_digit
from logbench.errors import UsageError
from logbench.simulator.data import tables

STOICH_PETROL = 14.7
"""Stoichiometric air-fuel ratio of petrol by mass (textbooks)."""
STOICH_E10 = 14.1
"""The same of petrol with 10 % ethanol."""

_ENGINE_PIDS = frozenset(
    {0x01, 0x03, 0x04, 0x05, 0x06, 0x07, 0x0C, 0x0D, 0x0E, 0x0F, 0x11, 0x13, 0x1C, 0x1F, 0x21}
    | {0x2E, 0x2F, 0x30, 0x31, 0x33, 0x3C, 0x41, 0x42, 0x43, 0x44, 0x45, 0x46, 0x47, 0x49, 0x4A}
    | {0x4C, 0x4D, 0x4E, 0x51, 0x5C, 0x5E, 0xA6}
)
_GEARBOX_PIDS = frozenset((0x01, 0x0C, 0x0D, 0x1C, 0x21, 0x30, 0x31, 0xA4))


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
    stoich: float = STOICH_PETROL
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

    @cached_property
    def pids(self) -> dict[str, frozenset[int]]:
        """Service 01 PIDs by ECU, without the 'supported' PIDs themselves."""
        pids = set(_ENGINE_PIDS)
        if self.has_maf:
            pids |= {0x10, 0x50}
        if self.has_map:
            pids.add(0x0B)
        if self.wide_range:
            pids |= {0x34, 0x4F} | ({0x38} if self.banks == 2 else set())
            pids |= {0x24} | ({0x28} if self.banks == 2 else set())
        else:
            pids |= {0x14} | ({0x18} if self.banks == 2 else set())
        if self.downstream:
            pids |= {0x15, 0x3E} | ({0x19, 0x3F} if self.banks == 2 else set())
        if self.banks == 2:
            pids |= {0x08, 0x09, 0x3D}
        found = {"7E8": frozenset(pids)}
        if self.automatic:
            found["7E9"] = _GEARBOX_PIDS
        return found


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
    for key in ("gears", "injector_gains"):
        facts[key] = tuple(facts[key])
    return Car(**facts)


def _draw_fuel_map(seed: int) -> FuelMap:
    """Offset and tilts of about 1.8 % each, within `MOST_ERROR` together."""
    rng = random.Random(f"fuel map {seed}")
    offset, rpm_tilt, load_tilt = (
        max(-most, min(most, rng.gauss(0.0, spread)))
        for spread, most in ((0.018, 0.04), (0.015, 0.03), (0.018, 0.035))
    )
    return FuelMap(offset, rpm_tilt, load_tilt, rng.uniform(-0.008, 0.008))


def draw_car(seed: int) -> Car:
    """An invented car drawn from `seed`: 1.0 to 5.0 l, 3 to 8 cylinders, one or two banks."""
    rng = random.Random(f"car {seed}")
    cylinders = rng.choice((3, 4, 4, 4, 5, 6, 6, 8))
    litres = cylinders * rng.uniform(0.36, 0.60)
    litres = round(min(5.0, max(1.0, litres)), 1)
    banks = 2 if cylinders >= 6 and rng.random() < 0.85 else 1
    turbo = litres <= 3.0 and rng.random() < 0.35
    has_maf = rng.random() < 0.65
    has_map = turbo or not has_maf or rng.random() < 0.4
    automatic = rng.random() < 0.5
    mass = (900.0 + 260.0 * litres**0.8) * rng.uniform(0.95, 1.1)
    gears = rng.choice(
        ((3.80, 2.15, 1.42, 1.03, 0.77, 0.62), (4.0, 2.4, 1.55, 1.15, 0.85, 0.68))
        if automatic
        else ((3.55, 1.95, 1.30, 0.97, 0.76), (3.6, 2.05, 1.37, 1.03, 0.83, 0.69))
    )
    vin = f"ZZ9TEST40{rng.choice('XYVT')}{seed % 10_000_000:07d}"
    return Car(
        label=f"{litres} l {cylinders}-cylinder no. {seed}",
        vin=vin[:8] + check_digit(vin) + vin[9:],
        displacement_l=litres,
        cylinders=cylinders,
        banks=banks,
        turbo=turbo,
        has_maf=has_maf,
        has_map=has_map,
        wide_range=rng.random() < 0.45,
        automatic=automatic,
        regulating_degc=rng.choice((82.0, 88.0, 88.0, 92.0, 95.0)),
        stoich=rng.choice((STOICH_PETROL, STOICH_PETROL, STOICH_E10)),
        idle_rpm=round(rng.uniform(640, 780) + (60 if cylinders == 3 else 0)),
        redline_rpm=round(rng.uniform(5800, 6600), -2),
        mass_kg=round(mass),
        drag_area_m2=round(rng.uniform(0.60, 0.72) + 0.04 * max(0.0, litres - 2.0), 3),
        wheel_radius_m=round(rng.uniform(0.29, 0.33) + 0.005 * litres, 3),
        final_drive=round((4.2 - 0.25 * litres) * rng.uniform(0.97, 1.03), 2),
        gears=gears,
        ve_peak=rng.uniform(0.89, 0.93),
        ve_peak_rpm=rng.uniform(3900, 4500),
        boost_kpa=rng.uniform(50, 90) if turbo else 0.0,
        maf_gain=1 + rng.uniform(-0.02, 0.02),
        ve_table_gain=1 + rng.uniform(-0.02, 0.02),
        injector_gains=tuple(1 + rng.uniform(-0.015, 0.015) for _ in range(banks)),
        fuel_map=_draw_fuel_map(seed),
        ect_offset_degc=rng.uniform(-1, 1),
        iat_offset_degc=rng.uniform(-1.5, 1.5),
        battery_ah=round(38 + 9 * litres),
        odometer_km=round(rng.uniform(20_000, 190_000)),
    )


def possible_faults(car: Car) -> tuple[str, ...]:
    """Faults that this car can have: without an air-flow sensor it cannot read low."""
    able = {"maf_low": car.has_maf, "one_bank_lean": car.banks > 1}
    return tuple(name for name in FAULT_NAMES if able.get(name, True))


@dataclass(slots=True, init=False, eq=False)
class Faults:
    """Severity of each fault; unnamed faults are 0. Attributes are what the physics reads."""

    unmetered_air: float  # air leaks into the manifold behind the air-flow sensor
    maf_low: float  # the air-flow sensor reads low
    weak_fuel: float  # fuel pressure falls as the demand grows
    leaking_injector: float  # an injector drips and the fuel pressure is high
    thermostat_open: float  # the thermostat does not close
    ect_offset: float  # the coolant temperature sensor reads cold
    weak_alternator: float  # the alternator cannot carry the load
    worn_battery: float  # the battery has a high internal resistance
    lazy_o2: float  # the front oxygen sensor of bank 1 is slow
    biased_o2: float  # the front oxygen sensor of bank 1 reads lean
    one_bank_lean: float  # the injectors of bank 1 deliver too little

    def __init__(self, severities: Mapping[str, float] | None = None) -> None:
        """`UsageError` for an unknown name or a severity outside 0 to 1."""
        for name in FAULT_NAMES:
            setattr(self, name, 0.0)
        for name, severity in (severities or {}).items():
            self.set(name, severity)

    def set(self, name: str, severity: float) -> None:
        """Set one severity."""
        if name not in FAULT_NAMES:
            raise UsageError(f"There is no fault {name!r}: choose one of {', '.join(FAULT_NAMES)}.")
        if not 0.0 <= severity <= 1.0:
            raise UsageError(f"The severity of {name} must lie between 0 and 1, not {severity}.")
        setattr(self, name, float(severity))

    def fit(self, car: Car) -> None:
        """`UsageError` when a fault is set that this car cannot have."""
        for name, _ in self:
            if name not in possible_faults(car):
                raise UsageError(f"This car ({car.label}) cannot have the fault {name}.")

    def __iter__(self) -> Iterator[tuple[str, float]]:
        """Name and severity of the faults above 0."""
        return ((n, getattr(self, n)) for n in FAULT_NAMES if getattr(self, n) > 0)


FAULT_NAMES = tuple(field.name for field in fields(Faults))
