"""Cars drawn from a seed: of one kind, or of all kinds as roads have them."""

from __future__ import annotations

import random
from collections.abc import Callable, Mapping
from dataclasses import replace

from logbench.car.identity import check_digit
from logbench.simulator.cars import (
    STOICH_E10,
    STOICH_GASOLINE,
    Age,
    Car,
    Charging,
    DieselMap,
    FuelMap,
    Kind,
)

SHARES: Mapping[Kind, float] = {
    "gasoline": 0.28,
    "charged": 0.22,
    "diesel": 0.38,
    "hybrid": 0.07,
    "flex": 0.05,
}
"""Of the cars on the roads: about half spark, two fifths diesel, hybrids a few per cent [from
memory: ACEA, vehicles on European roads, 2022 to 2024]; the rare kinds somewhat more often, so that
a fleet of hundreds holds some of each."""


def draw_kind(seed: int) -> Kind:
    """Which kind of car a fleet of the road has at this seed."""
    (kind,) = random.Random(f"kind {seed}").choices(tuple(SHARES), tuple(SHARES.values()))
    return kind


def _draw_fuel_map(seed: int) -> FuelMap:
    """Offset and tilts of about 1.8 % each, within `MOST_ERROR` together."""
    rng = random.Random(f"fuel map {seed}")
    offset, rpm_tilt, load_tilt = (
        max(-most, min(most, rng.gauss(0.0, spread)))
        for spread, most in ((0.018, 0.04), (0.015, 0.03), (0.018, 0.035))
    )
    return FuelMap(offset, rpm_tilt, load_tilt, rng.uniform(-0.008, 0.008))


def draw_car(seed: int, kind: Kind = "gasoline") -> Car:
    """An invented car of a kind, drawn from `seed`."""
    car = _draw_gasoline(seed)
    return car if kind == "gasoline" else _AS_KIND[kind](car, random.Random(f"{kind} {seed}"))


def _draw_gasoline(seed: int) -> Car:
    """1.0 to 5.0 l, 3 to 8 cylinders, one or two banks."""
    rng = random.Random(f"car {seed}")
    cylinders = rng.choice((3, 4, 4, 4, 5, 6, 6, 8))
    liters = cylinders * rng.uniform(0.36, 0.60)
    liters = round(min(5.0, max(1.0, liters)), 1)
    banks = 2 if cylinders >= 6 and rng.random() < 0.85 else 1
    turbo = liters <= 3.0 and rng.random() < 0.35
    has_maf = rng.random() < 0.65
    has_map = turbo or not has_maf or rng.random() < 0.4
    automatic = rng.random() < 0.5
    mass = (900.0 + 260.0 * liters**0.8) * rng.uniform(0.95, 1.1)
    gears = rng.choice(
        ((3.80, 2.15, 1.42, 1.03, 0.77, 0.62), (4.0, 2.4, 1.55, 1.15, 0.85, 0.68))
        if automatic
        else ((3.55, 1.95, 1.30, 0.97, 0.76), (3.6, 2.05, 1.37, 1.03, 0.83, 0.69))
    )
    vin = f"ZZ9TEST40{rng.choice('XYVT')}{seed % 10_000_000:07d}"
    return Car(
        label=f"{liters} l {cylinders}-cylinder no. {seed}",
        vin=vin[:8] + check_digit(vin) + vin[9:],
        displacement_l=liters,
        cylinders=cylinders,
        banks=banks,
        turbo=turbo,
        has_maf=has_maf,
        has_map=has_map,
        wide_range=rng.random() < 0.45,
        automatic=automatic,
        regulating_degc=rng.choice((82.0, 88.0, 88.0, 92.0, 95.0)),
        stoich=rng.choice((STOICH_GASOLINE, STOICH_GASOLINE, STOICH_E10)),
        idle_rpm=round(rng.uniform(640, 780) + (60 if cylinders == 3 else 0)),
        redline_rpm=round(rng.uniform(5800, 6600), -2),
        mass_kg=round(mass),
        drag_area_m2=round(rng.uniform(0.60, 0.72) + 0.04 * max(0.0, liters - 2.0), 3),
        wheel_radius_m=round(rng.uniform(0.29, 0.33) + 0.005 * liters, 3),
        final_drive=round((4.2 - 0.25 * liters) * rng.uniform(0.97, 1.03), 2),
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
        battery_ah=round(38 + 9 * liters),
        odometer_km=round(rng.uniform(20_000, 190_000)),
    )


def _age(rng: random.Random) -> Age:
    """Of a kind that was there in all the years."""
    return rng.choice(("early", "middle", "late"))


def _as_charged(car: Car, rng: random.Random) -> Car:
    """1.0 to 2.0 l, charged, injected directly."""
    age = _age(rng)
    return replace(
        _of_size(car, rng.choice((3, 4, 4, 4)), rng.uniform(0.33, 0.50)),
        kind="charged",
        age=age,
        turbo=True,
        has_map=True,
        wide_range=True,
        boost_kpa=rng.uniform(60.0, 120.0),
        stop_start=age == "late" or (age == "middle" and rng.random() < 0.6),
        charging=_charging(rng, vanes=False),
    )


def _as_diesel(car: Car, rng: random.Random) -> Car:
    """1.4 to 3.0 l, charged."""
    age = _age(rng)
    cylinders = rng.choice((4, 4, 4, 4, 4, 5, 6))
    return replace(
        _of_size(car, cylinders, rng.uniform(0.38, 0.50)),
        kind="diesel",
        age=age,
        turbo=True,
        has_maf=True,
        has_map=True,
        wide_range=False,
        downstream=False,
        regulating_degc=rng.choice((83.0, 87.0, 88.0)),
        idle_rpm=round(rng.uniform(750, 830)),
        redline_rpm=4500.0,
        boost_kpa=rng.uniform(100.0, 150.0),
        final_drive=round(3.3 * rng.uniform(0.9, 1.05), 2),
        stop_start=age == "late" or (age == "middle" and rng.random() < 0.5),
        nox_trap=rng.random() < 0.4,
        particulate_filter=age != "early" or car.vin[-1] in "02468",
        battery_ah=80.0,
        charging=_charging(rng, vanes=age != "early" or rng.random() < 0.6),
        diesel_map=_diesel_map(rng, age),
    )


def _charging(rng: random.Random, vanes: bool) -> Charging:
    """A turbocharger and its control, as makers differ."""
    return Charging(
        vanes=vanes,
        area=rng.uniform(0.9, 1.12),
        inertia=rng.uniform(0.7, 1.5),
        cooler=rng.uniform(0.62, 0.82),
        gain=rng.uniform(0.7, 1.3),
        shut_is_full=rng.random() < 0.6,
    )


def _diesel_map(rng: random.Random, age: Age) -> DieselMap:
    """What its computer asks for: makers differ, later ones recirculate further."""
    return DieselMap(
        idle_air_g_l=rng.uniform(0.48, 0.72),
        air_rise=rng.uniform(0.9, 1.3),
        egr_from_degc=rng.choice((5.0, 15.0, 20.0, 40.0)),
        egr_below_load=rng.uniform(0.40, 0.55) + (0.1 if age == "late" else 0.0),
        egr_below_rpm=rng.uniform(2500.0, 3200.0),
        egr_idle_s=rng.choice((60.0, 120.0, 300.0, 1e9, 1e9)),
        low_pressure=age == "late" and rng.random() < 0.6,
        smoke_lambda=rng.uniform(1.15, 1.3),
        flap_open_pct=rng.uniform(78.0, 92.0),
        flap_idle=rng.choice((1.0, 1.0, 1.0, 0.55)),
        charge_iat=rng.random() < 0.4,
    )


def _as_hybrid(car: Car, rng: random.Random) -> Car:
    """1.5 to 2.5 l, naturally aspirated, with a motor."""
    return replace(
        _of_size(car, 4, rng.uniform(0.38, 0.62)),
        kind="hybrid",
        idle_rpm=round(rng.uniform(950, 1100)),
        # many close the intake late, for a longer expansion [from memory]
        ve_peak=car.ve_peak * rng.choice((1.0, 0.86, 0.80)),
        age=rng.choice(("middle", "late")),
        turbo=False,
        boost_kpa=0.0,
        automatic=True,
        motor_kw=rng.uniform(45.0, 100.0),
        traction_kwh=rng.uniform(1.0, 1.8),
    )


def _as_flex(car: Car, rng: random.Random) -> Car:
    """Port injection, for any share of ethanol."""
    ethanol = rng.choice((0.05, 0.10, 0.27, 0.85, rng.uniform(0.2, 0.8)))
    return replace(car, kind="flex", age=_age(rng), stoich=STOICH_GASOLINE, ethanol=ethanol)


def _of_size(car: Car, cylinders: int, liters_each: float) -> Car:
    """With one bank of cylinders, and what hangs on their size."""
    liters = round(cylinders * liters_each, 1)
    mass = round(car.mass_kg * (900 + 260 * liters**0.8) / (900 + 260 * car.displacement_l**0.8))
    return replace(
        car,
        label=f"{liters} l {cylinders}-cylinder no. {car.vin[-7:].lstrip('0') or '0'}",
        displacement_l=liters,
        cylinders=cylinders,
        banks=1,
        injector_gains=car.injector_gains[:1],
        mass_kg=mass,
        battery_ah=round(38 + 9 * liters),
    )


_AS_KIND: Mapping[Kind, Callable[[Car, random.Random], Car]] = {
    "charged": _as_charged,
    "diesel": _as_diesel,
    "hybrid": _as_hybrid,
    "flex": _as_flex,
}
