"""The three-way catalyst's store of oxygen, and the sensor behind it."""

from __future__ import annotations

import random
from math import tanh

from logbench.simulator.cars import Car
from logbench.simulator.day import Day
from logbench.simulator.faults import Faults
from logbench.simulator.fueling import CLOSED
from logbench.simulator.parts import Part
from logbench.simulator.state import BankState, State

OXYGEN = 0.23
"""Share of the air's mass that is oxygen."""
STORE_LEAST, STORE_MOST, STORE_LOST = 0.6, 1.6, 0.97
"""Oxygen that a good catalyst holds, g for each litre of displacement [from memory], and how much
of it an aged one has lost at severity 1."""
_AIM, _AIM_S = 0.45, 10.0
_LAG_S = 0.15


class Catalyst(Part):
    """Takes up oxygen of lean gas, gives it to rich gas, and lets by what it cannot."""

    def __init__(self, car: Car, day: Day) -> None:
        store = random.Random(f"store {car.vin}").uniform(STORE_LEAST, STORE_MOST)
        self._store_g = store * car.displacement_l / car.banks

    def step(self, s: State, faults: Faults, dt: float) -> None:
        """A small store is soon full."""
        if faults.catalyst_aged:
            self._move(s, faults, dt)

    def slow(self, s: State, faults: Faults, dt: float) -> None:
        """A large one takes its time."""
        if not faults.catalyst_aged:
            self._move(s, faults, dt)

    def _move(self, s: State, faults: Faults, dt: float) -> None:
        oxygen_g = OXYGEN * s.air_cyl_g_s / len(s.banks) * dt
        active = 1.0 - STORE_LOST * faults.catalyst_aged
        # gas that has come to its balance in the catalyst reads richer than it is
        switch = 1.0 + 0.007 * active
        for bank in s.banks:
            self._pass(bank, oxygen_g, active)
            if s.loop == CLOSED:  # the computer minds the rear sensor, too, slowly
                bank.oxygen += (_AIM - bank.oxygen) * dt / (_AIM_S + dt)
            bank.lambda_rear += (bank.let_by - bank.lambda_rear) * dt / (_LAG_S + dt)
            bank.rear_v = 0.44 - 0.34 * tanh((bank.lambda_rear - switch) / 0.008)

    def _pass(self, bank: BankState, oxygen_g: float, active: float) -> None:
        """What is taken up or given of the oxygen in excess or missing; cold, hardly any."""
        warm = (bank.cat_degc - 200.0) / 150.0
        store_g = self._store_g * active * (1.0 if warm > 1.0 else warm if warm > 0.02 else 0.02)
        mixture, held = bank.arrived, bank.oxygen
        # a fuel cut sends plain air
        excess = oxygen_g * (1.0 - 1.0 / mixture if mixture < 2.9 else 1.0)
        free = 1.0 - held if excess > 0.0 else held
        taken = active * (1.0 - (1.0 - free) ** 4)
        if abs(excess) * taken > free * store_g:
            taken = free * store_g / abs(excess)
        bank.oxygen = held + excess * taken / store_g
        bank.let_by = 1.0 + (mixture - 1.0) * (1.0 - taken)
