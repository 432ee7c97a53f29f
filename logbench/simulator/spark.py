"""What spark engines have: fuel in the tank, the canister of its vapor, a camshaft's phaser."""

from __future__ import annotations

import random
from collections.abc import Mapping

from logbench.simulator.airpath import cam_gain, drawn_g_s
from logbench.simulator.cars import Car, blend_of
from logbench.simulator.day import Day
from logbench.simulator.faults import Faults
from logbench.simulator.fueling import CLOSED, wrong_blend
from logbench.simulator.parts import Getter, Part
from logbench.simulator.state import State

_CANISTER_S = 300.0
"""Time in which an open purge valve empties the canister to a third. [CP: a quarter of an hour of
driving does]"""
_CAPACITY_G, _RICHEST = 30.0, 0.30
"""Vapor that a canister holds, and its share of the gas drawn through a full one. [CP]"""
_FROM_TANK_G_S = 0.003
"""Vapor that a warm tank gives to a canister that is drawn at. [CP]"""
_CAM_OFF_DEG = 25.0
"""How far a stuck phaser is off at severity 1. [CP]"""


class Tank(Part):
    """Fuel that the engine computer reckons with, unless somebody has filled in another."""

    def start(self, s: State, faults: Faults) -> None:
        """What is in the tank."""
        s.blend = wrong_blend(faults)

    def slow(self, s: State, faults: Faults, dt: float) -> None:
        """The fault may come while driving."""
        s.blend = wrong_blend(faults)


class FlexTank(Part):
    """Any share of ethanol: told by a sensor, or learned from the trims after refueling."""

    pids = frozenset({0x52})

    def __init__(self, car: Car, day: Day) -> None:
        rng = random.Random(f"ethanol {car.vin}")
        sensor = car.age != "early"
        self._ethanol = min(0.9, max(0.0, car.ethanol + day.ethanol))
        # a sensor is good to about 5 points [CP]; without one the computer knows the last filling
        # but for what it has not learned yet
        error = rng.uniform(-0.03, 0.03) if sensor else -day.filled
        self._known = min(0.9, max(0.0, self._ethanol + error))
        self._learning_g = 0.0 if sensor or not day.filled else 900.0
        """Fuel still to be burned until it takes the trims for faults again."""

    def getters(self) -> Mapping[str, Getter]:
        """The computer's own idea of the share."""
        return {"ALCH_PCT": lambda _: 100.0 * self._known}

    def start(self, s: State, faults: Faults) -> None:
        """The filling of this day."""
        s.blend, s.blend_known = blend_of(self._ethanol), blend_of(self._known)

    def slow(self, s: State, faults: Faults, dt: float) -> None:
        """Learn while closed loop, warm and for as long as the last filling counts."""
        if self._learning_g <= 0.0 or s.loop != CLOSED or s.ect_degc < 40.0:
            return
        self._learning_g -= s.fuel_g_s * dt
        total = sum(bank.integral + bank.long_pct for bank in s.banks) / len(s.banks)
        self._known = min(0.9, max(0.0, self._known + 0.0008 * total * dt))
        s.blend_known = blend_of(self._known)


class Canister(Part):
    """Vapor from the tank, and the valve that lets the engine have it."""

    pids = frozenset({0x2E})

    def __init__(self, car: Car, day: Day) -> None:
        rng = random.Random(f"purge {car.vin}")
        self._liters = car.displacement_l
        self._pauses = car.kind != "gasoline"
        """Shuts the valve now and then, to learn the mixture without it."""
        self._open_s, self._shut_s = rng.uniform(30.0, 70.0), rng.uniform(15.0, 25.0)
        self._idle = rng.uniform(0.16, 0.30) if self._pauses else 0.06
        self._left_s = self._open_s
        self._shut = False
        self._held_g = 0.5 * _CAPACITY_G

    def getters(self) -> Mapping[str, Getter]:
        """What is commanded."""
        return {"EVAP_PCT": lambda s: 100.0 * s.purge}

    def slow(self, s: State, faults: Faults, dt: float) -> None:
        """Commanded purge: warm and in closed loop, more off idle; what a stuck valve lets by."""
        wanted = 0.0
        if s.loop == CLOSED and s.ect_degc > 60.0 and s.run_s > 120.0:
            wanted = self._idle if s.demand <= 0.001 else 0.35
            if self._pauses:
                self._left_s -= dt
                if self._left_s < 0.0:
                    self._shut = not self._shut
                    self._left_s = self._shut_s if self._shut else self._open_s
                wanted = 0.0 if self._shut else wanted
        s.purge += (wanted - s.purge) * dt / ((2.0 if self._pauses else 6.0) + dt)
        s.vapor -= s.vapor * s.purge * dt / _CANISTER_S
        self._stuck(s, faults.purge_open, dt)

    def _stuck(self, s: State, severity: float, dt: float) -> None:
        """By manifold vacuum alone: rich as long as the canister gives, lean when it is empty."""
        s.drawn_air_g_s = s.drawn_fuel_g_s = 0.0
        if not severity or s.rpm < 60.0:
            return
        drawn = drawn_g_s(severity, self._liters, s.p_man_kpa, s.p_amb_kpa, s.intake_degc + 273.15)
        fuel = drawn * _RICHEST * self._held_g / _CAPACITY_G
        self._held_g = max(0.0, self._held_g + (_FROM_TANK_G_S - fuel) * dt)
        s.drawn_fuel_g_s, s.drawn_air_g_s = fuel, drawn - fuel


class CamPhaser(Part):
    """Turns the intake camshaft; where it should be, its effect is in `AirPath.filling`. Stuck with
    much overlap, burned gas comes back at low speed: less air for the same pressure, unsteady work.
    """

    def slow(self, s: State, faults: Faults, dt: float) -> None:
        """The position that its sensor shows, and what it does to filling and work."""
        severity = faults.cam_stuck
        s.cam_off_deg = _CAM_OFF_DEG * severity
        s.cam_gain = cam_gain(severity, s.rpm)
        s.unsteady = 0.0
        if severity and s.load < 0.35 and s.rpm < 1500.0:
            s.unsteady = 0.2 * severity**0.5
