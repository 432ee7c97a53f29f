"""Which PIDs of Service 01 a car answers: by its engine, its sensors and its parts."""

from __future__ import annotations

from collections.abc import Iterable

from logbench.simulator.cars import Car
from logbench.simulator.parts import Part

_SHARED = frozenset(
    {0x01, 0x04, 0x05, 0x0C, 0x0D, 0x0F, 0x11, 0x1C, 0x1F, 0x21, 0x2F, 0x30, 0x31, 0x33, 0x41}
    | {0x42, 0x45, 0x46, 0x47, 0x49, 0x4A, 0x4C, 0x4D, 0x4E, 0x51, 0x5C, 0x5E, 0xA6}
)
_SPARK = frozenset((0x03, 0x06, 0x07, 0x0E, 0x13, 0x3C, 0x43, 0x44))
_GEARBOX = frozenset((0x01, 0x0C, 0x0D, 0x1C, 0x21, 0x30, 0x31, 0xA4))
_NOT_EARLY = frozenset((0x5C, 0x5E, 0xA6))
"""Of a car of the early years."""
_NOT_EARLY_DIESEL = frozenset((0x2F, 0x41, 0x45, 0x47, 0x4D, 0x4E, 0x50))
"""Further, of a diesel of the early years."""


def pids_of(car: Car, parts: Iterable[Part]) -> dict[str, frozenset[int]]:
    """Service 01 PIDs by ECU, without the 'supported' PIDs themselves."""
    pids = set(_SHARED)
    if car.has_maf:
        pids |= {0x10, 0x50}
    if car.has_map:
        pids.add(0x0B)
    if not car.diesel:
        pids |= _spark(car)
    if car.age == "early":
        pids -= _NOT_EARLY | (_NOT_EARLY_DIESEL if car.diesel else frozenset())
    for part in parts:
        pids |= part.pids
    found = {"7E8": frozenset(pids)}
    if car.automatic:
        found["7E9"] = _GEARBOX - {0xA4} if car.motor_kw else _GEARBOX
    return found


def _spark(car: Car) -> set[int]:
    """Mixture, ignition, purge and the oxygen sensors."""
    pids, two = set(_SPARK), car.banks == 2
    if car.wide_range:
        pids |= {0x34, 0x4F, 0x24} | ({0x38, 0x28} if two else set())
    else:
        pids |= {0x14} | ({0x18} if two else set())
    if car.downstream:
        pids |= {0x15, 0x3E} | ({0x19, 0x3F} if two else set())
    if two:
        pids |= {0x08, 0x09, 0x3D}
    return pids
