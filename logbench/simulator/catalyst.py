"""The three-way catalyst's store of oxygen, and the sensor behind it."""

from __future__ import annotations

import random
from collections.abc import Iterator
from math import tanh

from logbench.simulator.cars import Car
from logbench.simulator.day import Day
from logbench.simulator.faults import Faults
from logbench.simulator.fueling import CLOSED
from logbench.simulator.monitors import MonitorTest
from logbench.simulator.parts import Part
from logbench.simulator.state import BankState, State

OXYGEN = 0.23
"""Share of the air's mass that is oxygen."""
STORE_LEAST, STORE_MOST, STORE_LOST = 0.6, 1.6, 0.97
"""Oxygen that a good catalyst holds, g for each liter of displacement [from memory], and how much
of it an aged one has lost at severity 1."""
_WORN = 0.4
"""Power of the severity that is lost: a store of half the size still hides the mixture's swings;
an aged catalyst is found when it holds about a quarter. [CP]"""
_AIM, _AIM_S = 0.45, 10.0
_LAG_S = 0.15
_MEAN_S, _MOST_V_S, _MOST_WIDE_V_S = 40.0, 0.75, 0.40
"""The computer's own monitor: how far the rear sensor's voltage may wander each second, behind a
narrow-band front sensor's swings and a wide-range one's calm."""


class Catalyst(Part):
    """Takes up oxygen of lean gas, gives it to rich gas, and lets by what it cannot."""

    def __init__(self, car: Car, day: Day) -> None:
        store = random.Random(f"store {car.vin}").uniform(STORE_LEAST, STORE_MOST)
        self._most_v_s = _MOST_WIDE_V_S if car.wide_range else _MOST_V_S
        self._moved_v_s: list[float | None] = [None] * car.banks
        self._store_g = store * car.displacement_l / car.banks

    def tests(self, s: State) -> Iterator[MonitorTest]:
        """Service 06: how far the rear sensor's voltage wanders each second, mV."""
        for k, moved in enumerate(self._moved_v_s):
            test = MonitorTest(0x21 + k, 0x80, 0x0C)
            if moved is not None:
                value = min(0xFFFF, round(100.0 * moved))
                test = MonitorTest(0x21 + k, 0x80, 0x0C, value, 0, round(100.0 * self._most_v_s))
            yield test

    def codes(self, s: State) -> Iterator[tuple[str, bool, float]]:
        """Too little oxygen stored."""
        for code, moved in zip(("P0420", "P0430"), self._moved_v_s, strict=False):
            yield code, moved is not None and moved > self._most_v_s, 20.0

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
        active = 1.0 - STORE_LOST * faults.catalyst_aged**_WORN
        # gas that has come to its balance in the catalyst reads richer than it is
        switch = 1.0 + 0.007 * active
        judged = s.loop == CLOSED and s.ect_degc > 60.0 and s.speed_m_s > 10.0
        for k, bank in enumerate(s.banks):
            before_v = bank.rear_v
            self._pass(bank, oxygen_g, active)
            if s.loop == CLOSED:  # the computer minds the rear sensor, too, slowly
                bank.oxygen += (_AIM - bank.oxygen) * dt / (_AIM_S + dt)
            bank.lambda_rear += (bank.let_by - bank.lambda_rear) * dt / (_LAG_S + dt)
            bank.rear_v = 0.44 - 0.34 * tanh((bank.lambda_rear - switch) / 0.008)
            if judged and bank.cat_degc > 350.0:
                moved, old = abs(bank.rear_v - before_v) / dt, self._moved_v_s[k]
                self._moved_v_s[k] = (old or 0.0) + (moved - (old or 0.0)) * dt / _MEAN_S

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
