"""Which parts a car is fitted with."""

from __future__ import annotations

from collections.abc import Callable

from logbench.simulator.cars import Car
from logbench.simulator.day import Day
from logbench.simulator.parts import Part
from logbench.simulator.spark import CamPhaser, Canister, FlexTank, Tank


def _spark(car: Car) -> bool:
    return not car.diesel


_KINDS: tuple[tuple[Callable[[Car], bool], Callable[[Car, Day], Part]], ...] = (
    (lambda car: car.kind == "flex", FlexTank),
    (lambda car: not car.diesel and car.kind != "flex", lambda car, day: Tank()),
    (_spark, Canister),
    (_spark, lambda car, day: CamPhaser()),
)
"""Which cars have it, and what makes it; in the order in which they move."""


def parts_of(car: Car, day: Day) -> tuple[Part, ...]:
    """The parts of one car."""
    return tuple(make(car, day) for has, make in _KINDS if has(car))
