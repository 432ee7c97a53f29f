"""Which engine and which parts a car is fitted with."""

from __future__ import annotations

from collections.abc import Callable

from logbench.simulator.airpath import AirPath
from logbench.simulator.cars import Car
from logbench.simulator.catalyst import Catalyst
from logbench.simulator.charger import Charger
from logbench.simulator.cylinders import Cylinders
from logbench.simulator.day import Day
from logbench.simulator.diesel import DieselAir, DieselEngine, QuantityControl
from logbench.simulator.diesel_reports import DieselReports
from logbench.simulator.driver import Driver
from logbench.simulator.exhaust import Exhaust
from logbench.simulator.fueling import FuelControl
from logbench.simulator.hybrid import (
    Hybrid,
    HybridDriver,
    HybridElectrical,
    HybridLine,
)
from logbench.simulator.parts import Part
from logbench.simulator.powertrain import Driveline, Electrical, Engine
from logbench.simulator.rail import PortRail, Rail
from logbench.simulator.recirculation import Recirculation
from logbench.simulator.results import DieselResults
from logbench.simulator.spark import CamPhaser, Canister, FlexTank, Tank
from logbench.simulator.stop_start import StopStart


def _diesel(car: Car) -> bool:
    return car.diesel


def _spark(car: Car) -> bool:
    return not car.diesel


_KINDS: tuple[tuple[Callable[[Car], bool], Callable[[Car, Day], Part]], ...] = (
    (lambda car: car.kind == "flex", FlexTank),
    (lambda car: _spark(car) and car.kind != "flex", lambda car, day: Tank()),
    (_spark, Canister),
    (_spark, lambda car, day: CamPhaser()),
    (lambda car: car.turbo, Charger),
    (lambda car: car.stop_start, StopStart),
    (lambda car: car.kind == "hybrid", Hybrid),
    (_diesel, Recirculation),
    (_diesel, DieselReports),
    (lambda car: car.downstream and _spark(car), Catalyst),
    (lambda car: car.diesel or car.direct, Rail),
    (lambda car: car.kind in ("hybrid", "flex"), PortRail),
    (_diesel, Exhaust),
    (lambda car: True, Cylinders),
    (_diesel, DieselResults),
)
"""Which cars have it, and what makes it; in the order in which they move."""


def parts_of(car: Car, day: Day) -> tuple[Part, ...]:
    """The parts of one car."""
    return tuple(make(car, day) for has, make in _KINDS if has(car))


Works = tuple[AirPath | DieselAir, Engine | DieselEngine, FuelControl | QuantityControl]


def engine_of(car: Car, day: Day, ambient_degc: float) -> Works:
    """Air path, engine and fuel control of one car."""
    if car.diesel:
        diesel_air = DieselAir(car)
        return diesel_air, DieselEngine(car), QuantityControl(car, diesel_air, day)
    air = AirPath(car)
    return air, Engine(car, air), FuelControl(car, air, day, ambient_degc)


def road_of(
    car: Car, day: Day, engine: Engine | DieselEngine
) -> tuple[Driveline, Driver, Electrical]:
    """The way to the road, who drives it, and the 12 V side."""
    if car.kind == "hybrid":
        split = HybridLine(car)
        return split, HybridDriver(car, split, engine), HybridElectrical(car, day)
    line = Driveline(car)
    return line, Driver(car, line, engine), Electrical(car, day)
