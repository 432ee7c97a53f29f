"""What a car's engine computer has learnt before a drive: long-term trims, estimated at once."""

from __future__ import annotations

import random

from logbench.simulator.airpath import CYCLE, AirPath
from logbench.simulator.cars import Car
from logbench.simulator.faults import Faults
from logbench.simulator.fueling import BIAS, CELLS, LONG_LIMIT_PCT, FuelControl
from logbench.simulator.state import State

_ROWS_RPM = (1400.0, 2300.0, 3900.0)
_COLUMNS_LOAD = (0.21, 0.37, 0.58, 0.85)
"""Where the cells of `fueling.operating_cell` are mostly driven through."""
_CHARGE_K = 313.0
_SCATTER_PCT = 0.6
"""Learning never ends: what a cell holds depends on the last trip through it."""


def learnt_trims(
    car: Car, air: AirPath, fuel: FuelControl, faults: Faults, s: State, seed: int
) -> list[list[float]]:
    """Long-term trim in % of each bank and cell once this car has driven for long with these
    faults, in the weather of `s`: the fuel that brings the sensed mixture to 1 in a steady state
    of each cell, over what the computer would give untrimmed."""
    rng = random.Random(f"learnt {seed} {car.vin}")
    banks: list[list[float]] = [[] for _ in range(car.banks)]
    for cell in range(CELLS):
        rpm, load, flow = _steady_state(car, air, cell, s)
        believed = _believed(car, air, fuel, faults, s, rpm, flow)
        for k, trims in enumerate(banks):
            lean = 1.0 - (BIAS * faults.biased_o2 if k == 0 else 0.0)
            needed = flow / (car.stoich * lean)
            needed -= fuel.drip_g_s(k, faults) * car.banks
            gain = fuel.bank_gain(k, faults) * fuel.rail_gain(faults, flow / car.stoich)
            given = flow * believed / car.stoich * gain * (1.0 + car.fuel_map.error(rpm, load))
            trim = 100.0 * (needed / given - 1.0) + rng.gauss(0.0, _SCATTER_PCT)
            trims.append(max(-LONG_LIMIT_PCT, min(LONG_LIMIT_PCT, trim)))
    return banks


def _steady_state(car: Car, air: AirPath, cell: int, s: State) -> tuple[float, float, float]:
    """Rpm, load (0 to 1) and air in g/s where the cell is mostly used."""
    if cell == 0:
        rpm = car.idle_rpm
        flow = 1.05 * car.displacement_l * rpm / 700.0
        return rpm, flow / air.full_air_g_s(rpm, s.p_amb_kpa, _CHARGE_K), flow
    rpm, load = _ROWS_RPM[(cell - 1) // 4], _COLUMNS_LOAD[(cell - 1) % 4]
    return rpm, load, load * air.full_air_g_s(rpm, s.p_amb_kpa, _CHARGE_K)


def _believed(
    car: Car, air: AirPath, fuel: FuelControl, faults: Faults, s: State, rpm: float, flow: float
) -> float:
    """Air that the computer believes the cylinders get, over the true `flow` in g/s."""
    if not car.has_maf:
        return car.ve_table_gain * _CHARGE_K / (_CHARGE_K + car.iat_offset_degc)
    p = 50.0
    for _ in range(4):
        p = flow * CYCLE * _CHARGE_K / (air.filling(rpm, p, s.p_amb_kpa) * car.displacement_l * rpm)
    leak = air.leak_g_s(faults.unmetered_air, p, s.p_amb_kpa, _CHARGE_K)
    metered = max(0.2 * flow, flow - leak)
    return fuel.meter_gain(faults, min(1.0, metered / air.rated_g_s)) * metered / flow
