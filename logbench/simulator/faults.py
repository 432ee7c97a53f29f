"""What can be wrong with a simulated car: fault name to severity, 0 healthy to 1 plain."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass, fields

from logbench.errors import UsageError
from logbench.simulator.cars import Car


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
    # of the charged and recirculated air
    charge_leak_before: float  # charge air escapes between the charger and its pressure sensor
    charge_leak_after: float  # charge air escapes behind the pressure sensor
    boost_open: float  # vanes or wastegate do not shut: too little charge pressure
    boost_shut: float  # vanes or wastegate do not open: too much charge pressure
    egr_open: float  # the recirculation valve does not shut
    egr_shut: float  # the recirculation valve does not open
    egr_cooler: float  # the recirculation's cooler is clogged
    flap_stuck: float  # the intake flap is stuck partly shut
    # of rail, cylinders and exhaust
    rail_low: float  # the regulator of the fuel rail cannot hold the pressure
    rail_hunting: float  # the pressure of the fuel rail swings
    pump_weak: float  # the high-pressure pump is worn
    injector_under: float  # an injector delivers too little
    injector_over: float  # an injector delivers too much
    misfire: float  # a cylinder misses cycles
    glow_plug: float  # a glow plug is out
    filter_loaded: float  # the particulate filter is full of soot and ash
    filter_hose: float  # the hose of the filter's pressure sensor is off
    filter_offset: float  # the filter's pressure sensor is off its zero
    egt_dead: float  # an exhaust temperature sensor is dead
    catalyst_aged: float  # the catalyst has lost its store of oxygen
    # of spark engines, hybrids and their fuel
    purge_open: float  # the purge valve does not close
    wrong_ethanol: float  # fuel with much ethanol in a car that expects little
    cam_stuck: float  # the intake camshaft's phaser does not go back to its rest

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

_SPARK = (
    "weak_fuel",
    "leaking_injector",
    "lazy_o2",
    "biased_o2",
    "unmetered_air",
    "purge_open",
    "cam_stuck",
)
_CHARGED = ("charge_leak_before", "boost_open", "boost_shut")
_DIESEL = ("charge_leak_after", "egr_open", "egr_shut", "egr_cooler", "flap_stuck")
_FILTER = ("filter_loaded", "filter_hose", "filter_offset")
_RAIL = ("rail_low", "rail_hunting", "pump_weak")
_NEEDS: Mapping[str, Callable[[Car], bool]] = {
    **dict.fromkeys(_SPARK, lambda car: not car.diesel),
    "wrong_ethanol": lambda car: not car.diesel and car.kind != "flex",
    **dict.fromkeys(_CHARGED, lambda car: car.turbo),
    **dict.fromkeys(_DIESEL, lambda car: car.diesel),
    "maf_low": lambda car: car.has_maf,
    "catalyst_aged": lambda car: car.downstream and not car.diesel,
    **dict.fromkeys(_FILTER, lambda car: car.particulate_filter),
    "glow_plug": lambda car: car.diesel,
    "egt_dead": lambda car: car.diesel and car.age != "early",
    **dict.fromkeys(_RAIL, lambda car: car.diesel or car.direct),
    "one_bank_lean": lambda car: car.banks > 1 and not car.diesel,
    "weak_alternator": lambda car: car.kind != "hybrid",
    "worn_battery": lambda car: car.kind != "hybrid",
}
"""What a car must have; any car can have the others."""


def possible_faults(car: Car) -> tuple[str, ...]:
    """Faults that this car can have: without an air-flow sensor it cannot read low."""
    return tuple(name for name in FAULT_NAMES if name not in _NEEDS or _NEEDS[name](car))
