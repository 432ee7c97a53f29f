"""The day of a simulated drive: what moves a car that nobody touched from one drive to the next.

Drawn so that the numbers the checks report scatter between drives about as those of a real car that
was left alone: open road data (carOBD open dataset, IEEE, document 8891367), measured on 123 drives
(tests/simulator/test_day.py).
"""

from __future__ import annotations

import math
import random
from dataclasses import dataclass

from logbench.simulator.cars import blend_of

_ODD, _ODD_TIMES = 0.03, 2.5
"""Share of draws that come from an odd day, and how much wider those are."""


@dataclass(frozen=True, slots=True)
class Day:
    """Weather, tank, battery and habits of one drive. As it stands here it moves nothing: what a
    car does on this day is what its own facts make of it."""

    # weather and standing
    ambient_degc: float = 20.0
    """Of the air, where a drive is given no other."""
    pressure_kpa: float = 0.0
    """Over that of the standard atmosphere."""
    humidity: float = 0.0
    """Relative, 0 to 1."""
    wind: float = 1.0
    """Heat the wind takes from a closed engine, over the usual."""
    left_k: float = 0.0
    """Of the last drive's heat, in coolant and oil at a cold start."""
    sun_k: float = 0.0
    """Heat of the sun under the hood, in the intake at the start."""
    # tank and rail
    ethanol: float = 0.0
    """Share of the volume over that which the engine computer is set for."""
    injected: float = 1.0
    """Fuel that leaves an injector over what it is taken for: density by temperature and make-up,
    pressure in the rail."""
    rpm_tilt: float = 0.0
    load_tilt: float = 0.0
    """The same that grows from idle with speed and load, as in `cars.FuelMap`: heat that the charge
    picks up, pressure under demand, voltage at the injectors."""
    vapor: float = 0.012
    """Fuel from the canister with the purge valve wholly open, share of the engine's."""
    filled: float = 0.0
    """Ethanol that the last filling has added, as a share of the tank: only of a car that can do
    with any, and not yet learned."""
    # what the engine computer remembers
    unlearned_pct: float = 0.0
    """Where the days before have left the long-term trims, over what this day asks."""
    # battery and consumers
    charge: float = 0.93
    """Of the battery at the start, 0 to 1."""
    surface_v: float = 0.0
    """Left on the plates by the last charge."""
    consumers_a: float = 0.0
    """Lights, blower, heated window of a car of 2 l or more, over what the engine itself takes."""
    aim_v: float = 0.0
    """Of the voltage regulator, over the usual."""
    cooled_above_degc: float = math.inf
    """Air from which on the driver switches the air conditioning on."""
    compressor_off_s: float = 22.0
    compressor_on_s: float = 40.0
    comfort_degc: float = 18.0
    """Outside air in which the cabin takes no heat."""
    # coolant
    thermostat_k: float = 0.0
    """How much warmer it regulates: hysteresis of the wax."""
    fan_k: float = 0.0
    fan_swing_k: float = 5.0
    """How much later the fan starts, and how far it lets the coolant fall."""

    soot: float = 0.4
    """In a particulate filter at the start, over that at which it is burned off."""

    def air_for_fuel(self, ambient_degc: float, metered: bool) -> float:
        """Air by the computer that the fuel of one command needs, over what it reckons with.

        Oxygen is missing where there is water: for an air-flow sensor its share of the mass, for a
        pressure sensor of the pressure. Saturation pressure: Magnus' formula with the constants of
        WMO No. 8 (6.112 hPa, 17.62, 243.12 degC)."""
        full_kpa = 0.6112 * math.exp(17.62 * ambient_degc / (243.12 + ambient_degc))
        water = self.humidity * full_kpa / 101.3
        if metered:
            water *= 0.622
        return self.injected * blend_of(self.ethanol) / (1.0 - water)


STANDARD = Day()
"""A day that moves nothing."""


def draw_day(seed: int) -> Day:
    """The day of this seed."""
    rng = random.Random(f"day {seed}")

    def off(spread: float) -> float:
        return rng.gauss(0.0, spread) * (_ODD_TIMES if rng.random() < _ODD else 1.0)

    return Day(
        ambient_degc=17.0 + off(6.0),
        pressure_kpa=off(0.9),
        humidity=rng.uniform(0.3, 0.95),
        wind=math.exp(off(0.4)),
        left_k=min(15.0, rng.expovariate(1.0 / 3.5)),
        sun_k=max(0.0, min(8.0, 1.0 + off(3.0))),
        ethanol=rng.triangular(-0.05, 0.05, 0.0),
        injected=1.0 + off(0.015),
        rpm_tilt=off(0.025),
        load_tilt=off(0.008),
        vapor=0.005 + rng.expovariate(1.0 / 0.025),
        unlearned_pct=off(1.1),
        charge=max(0.5, min(1.0, 0.84 + off(0.18))),
        surface_v=min(0.8, rng.expovariate(1.0 / 0.3)),
        consumers_a=max(-6.0, min(32.0, 6.0 + off(15.0))),
        aim_v=off(0.10),
        cooled_above_degc=rng.gauss(22.0, 3.0),
        compressor_off_s=rng.uniform(8.0, 25.0),
        compressor_on_s=rng.uniform(15.0, 90.0),
        comfort_degc=18.0 + off(4.0),
        thermostat_k=off(0.5),
        fan_k=off(2.5),
        fan_swing_k=max(2.0, 5.0 + off(1.5)),
        soot=rng.uniform(0.1, 1.03),
        filled=rng.gauss(0.0, 0.12) if rng.random() < 0.25 else 0.0,
    )
