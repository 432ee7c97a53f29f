"""The engine computer's own monitors: codes from what it senses, never from the fault's name."""

from __future__ import annotations

import random
from collections.abc import Mapping, Sequence

from logbench.simulator.airpath import CYCLE
from logbench.simulator.cars import Car
from logbench.simulator.fueling import CELLS, CLOSED
from logbench.simulator.in_use import InUse
from logbench.simulator.model import Memory
from logbench.simulator.monitors import EVAP_LEAK_TEST, MonitorTest
from logbench.simulator.parts import Part
from logbench.simulator.readiness import Readiness
from logbench.simulator.state import State

ENGINE = "7E8"
LEAN_PCT = 20.0
"""Total trim, averaged over a minute or so, above which a bank is called lean [common practice:
20 to 25]; makers differ widely (trade-notes 1)."""
RICH_PCT = -16.0
_MATURE_S = 8.0
_CAM_OFF_DEG = 12.0
_SLOWEST_PER_S = 1.1
"""Switches a second of a narrow-band sensor on the road; a good one makes 2 to 5."""
_SLOWEST_CUT_S = 1.3
"""From the fuel cut to a wide-range sensor seeing air; a good one takes half a second."""


class Diagnosis(Memory):
    """Codes, freeze frame, lamp, monitors and counters of the engine computer."""

    def __init__(
        self, car: Car, state: State, seed: int, earlier_trip: bool, parts: Sequence[Part] = ()
    ) -> None:
        rng = random.Random(f"history {seed} {car.vin}")
        self._car, self._parts = car, parts
        self._state = state
        self._earlier_trip = earlier_trip
        self._permanent: list[str] = []
        self._forget()
        self.revision = 0
        """Goes up when a code comes or the memory is cleared."""
        self._air_ratio = 1.0
        self._air_since_start_g = 0.0
        self._start_ect: float | None = None
        self._switches_seen = 0
        self._cut_s = 0.0
        self._was_running = False
        self._key_was_on = False
        self._warm_counted = False
        self.clear_distance_m = rng.uniform(300, 9000) * 1000
        self.clear_run_s = self.clear_distance_m / 12.0
        self.warm_ups = min(255, int(self.clear_distance_m / 25_000) + 8)
        self.odometer_m = car.odometer_km * 1000
        self.fuel_level_pct = rng.uniform(25, 85)
        self._last_distance_m = 0.0
        self._in_use = InUse(rng, car.odometer_km, car.diesel)
        self.in_use_type = self._in_use.info_type
        self.readiness = Readiness(car, self._in_use)

    def codes(self, service: int) -> tuple[str, ...]:
        """Stored (0x03), pending (0x07) or permanent (0x0A) codes; others: none."""
        return {
            0x03: tuple(self._stored),
            0x07: tuple(self._pending),
            0x0A: tuple(self._permanent),
        }.get(service, ())

    def clear(self) -> None:
        """Service 04: everything but permanent codes; the trims are learned anew."""
        for bank in self._state.banks:
            bank.long_trims = [0.0] * CELLS
        self._forget()
        self.revision += 1
        self._earlier_trip = False
        self.clear_distance_m = self.clear_run_s = 0.0
        self.warm_ups = 0
        self.readiness.clear()

    def _forget(self) -> None:
        """What is not there before anything was found, and after service 04."""
        self._pending: list[str] = []
        self._stored: list[str] = []
        self._failed_before: set[str] = set()
        self._timers: dict[str, float] = {}
        self.frame: Mapping[str, float] | None = None
        self.mil = False
        self._totals = [0.0] * self._car.banks
        self._switch_s, self._switches = 0.0, 0
        self._sensor_s: float | None = None
        """The last judged period of the front sensor, or its response to a fuel cut."""
        self.mil_distance_m = self.mil_run_s = 0.0

    def monitor_tests(self, ecu: str) -> tuple[MonitorTest, ...]:
        """Results of service 06: of a spark engine the front sensor of bank 1 and each bank's total
        trim, and those of the parts. The transmission has none."""
        if ecu != ENGINE:
            return ()
        found = [] if self._car.diesel else self._of_spark()
        for part in self._parts:
            found.extend(part.tests(self._state))
        return tuple(found)

    def _of_spark(self) -> list[MonitorTest]:
        ran = self._sensor_s is not None and self.readiness.complete("O2S", cycle=False)
        slowest_s = _SLOWEST_CUT_S if self._car.wide_range else 2 / _SLOWEST_PER_S
        # test 0A is the sensor's period, in ms (scaling 10); a response to a cut is the maker's own
        sensor = MonitorTest(0x01, 0x80 if self._car.wide_range else 0x0A, 0x10)
        if ran and self._sensor_s is not None:
            value_ms, most_ms = round(self._sensor_s * 1000), round(slowest_s * 1000)
            sensor = MonitorTest(0x01, sensor.test, 0x10, value_ms, 0, most_ms)
        found = [sensor]
        for k, total_pct in enumerate(self._totals):
            test = MonitorTest(0x81 + k, 0x80, 0xAF)  # hundredths of a percent, signed
            if self.readiness.complete("FUEL", cycle=False):
                numbers = (round(100 * pct) for pct in (total_pct, RICH_PCT, LEAN_PCT))
                test = MonitorTest(0x81 + k, 0x80, 0xAF, *numbers)
            found.append(test)
        return found

    def in_use(self, ecu: str) -> tuple[int, ...]:
        """In-use counters of the engine computer."""
        return self._in_use.numbers if ecu == ENGINE else ()

    def control_tests(self, ecu: str) -> frozenset[int]:
        """Closing the evaporative system for a leak test, at the engine computer."""
        return frozenset({EVAP_LEAK_TEST}) if ecu == ENGINE else frozenset()

    def start_test(self, ecu: str, test: int) -> bool:
        """Only while the engine stands: its purge valve is shut then."""
        return not self._state.running

    def step(self, dt: float) -> bool:
        """Run the monitors; True when the first code was stored just now."""
        s = self._state
        self._count(s, dt)
        if not s.running:
            return False
        before = len(self._stored)
        self._fuel_monitor(s, dt)
        self._air_monitor(s, dt)
        self._warm_up_monitor(s, dt)
        self._sensor_monitor(s, dt)
        for part in self._parts:
            for code, failing, after_s in part.codes(s):
                self._judge(code, failing, after_s, dt)
        low = s.battery_v < 12.75 and s.since_start_s > 60
        self._judge("P0562", low, 45.0, dt)
        idle = s.demand <= 0.001 and s.speed_m_s < 0.5 and s.since_start_s > 30
        self._judge("P0011", s.cam_off_deg > _CAM_OFF_DEG, _MATURE_S, dt)
        self._judge("P0507", idle and s.rpm > s.idle_target_rpm + 180, 12.0, dt)
        return before == 0 and len(self._stored) > 0

    # --- counters -----------------------------------------------------------------------------

    def _count(self, s: State, dt: float) -> None:
        moved = s.distance_m - self._last_distance_m
        self._last_distance_m = s.distance_m
        self.odometer_m += moved
        self.clear_distance_m += moved
        if self.mil:
            self.mil_distance_m += moved
        if s.key_on and not self._key_was_on:
            self._failed_before |= set(self._pending)
            self.readiness.new_cycle()
            self._timers.clear()
            self._in_use.key_on()
        self._key_was_on = s.key_on
        if not s.running:
            self._was_running = False
            return
        if not self._was_running and s.starts < 2:
            self._was_running = True
            self._start_ect = s.ect_degc
            self._air_since_start_g = 0.0
            self._warm_counted = False
        self.clear_run_s += dt
        self._in_use.running(dt, s.speed_m_s)
        if self.mil:
            self.mil_run_s += dt
        self.fuel_level_pct -= s.fuel_g_s * dt / 745.0 / 50.0 * 100.0
        start = self._start_ect if self._start_ect is not None else s.ect_degc
        # a warm-up cycle: up by 22 degC to at least 71 (trade-notes 12)
        if not self._warm_counted and s.ect_degc > start + 22 and s.ect_degc > 71:
            self._warm_counted = True
            self.warm_ups = min(255, self.warm_ups + 1)
        self.readiness.running(s, dt)

    def _judge(self, code: str, failing: bool, after_s: float, dt: float) -> None:
        """Count failing time up and passing time down; a code comes when it is long enough."""
        timer = self._timers.get(code, 0.0)
        if not failing and timer == 0.0:
            return
        timer = timer + dt if failing else max(0.0, timer - 0.5 * dt)
        self._timers[code] = timer
        if timer < after_s:
            return
        self._timers[code] = after_s
        if code not in self._pending:
            self._pending.append(code)
        if code not in self._stored and (self._earlier_trip or code in self._failed_before):
            self._stored.append(code)
            if code not in self._permanent:
                self._permanent.append(code)
            self.mil = True
            self.revision += 1

    # --- monitors -----------------------------------------------------------------------------

    def _fuel_monitor(self, s: State, dt: float) -> None:
        if s.loop != CLOSED or s.ect_degc < 50:
            return
        for k, bank in enumerate(s.banks):
            total = bank.integral + bank.long_pct
            self._totals[k] += (total - self._totals[k]) * dt / (12.0 + dt)
            lean, rich = ("P0171", "P0172") if k == 0 else ("P0174", "P0175")
            self._judge(lean, self._totals[k] > LEAN_PCT, _MATURE_S, dt)
            self._judge(rich, self._totals[k] < RICH_PCT, _MATURE_S, dt)

    def _air_monitor(self, s: State, dt: float) -> None:
        """With both sensors: air by the meter against air by pressure (speed-density), with the
        computer's own table of volumetric efficiency (the true one but for `ve_table_gain`)."""
        car = self._car
        if (
            not (car.has_maf and car.has_map)
            or s.ect_degc < 50
            or s.load < 0.3
            or s.egr_wanted > 0.02
        ):
            return
        t = s.iat_degc + 273.15
        expected = (
            s.ve
            / s.cam_gain
            * car.ve_table_gain
            * s.map_kpa
            * car.displacement_l
            * s.rpm
            / (CYCLE * t)
        )
        ratio = s.maf_g_s / max(expected, 0.5)
        self._air_ratio += (ratio - self._air_ratio) * dt / (8.0 + dt)
        self._judge("P0101", not 0.83 < self._air_ratio < 1.17, _MATURE_S, dt)

    def _warm_up_monitor(self, s: State, dt: float) -> None:
        """ECT must come within 11 degC of the regulating temperature by the time a mass of air,
        which stands for the heat put in, has gone through (13 CCR 1968.2(e)(10.2.1)(A))."""
        start = self._start_ect
        if start is None or start > 65 or start < -8:
            return
        # lean, a diesel's air says little: half as much again as its fuel would burn
        heat_g_s = 22.0 * s.fuel_g_s if self._car.diesel else s.air_est_g_s
        self._air_since_start_g += heat_g_s * dt
        enough = 4200.0 + 35.0 * max(0.0, 20.0 - start)
        late = self._air_since_start_g > enough * (1.2 + 0.45 * self._car.displacement_l)
        low = s.ect_degc < self._car.regulating_degc - 11.0
        self._judge("P0128", late and low and s.speed_m_s > 5, 30.0, dt)

    def _sensor_monitor(self, s: State, dt: float) -> None:
        """Front sensor of bank 1 too slow: a narrow-band one by its switches in closed loop on the
        road, a wide-range one by the time it takes to see that the fuel was cut."""
        bank = s.banks[0]
        if self._car.wide_range:
            self._cut_response(s, bank.lambda_seen, dt)
            return
        new = bank.switches - self._switches_seen
        self._switches_seen = bank.switches
        if s.loop != CLOSED or s.ect_degc < 60 or s.speed_m_s < 8:
            return
        self._switches += new
        self._switch_s += dt
        if self._switch_s >= 30.0:
            slow = self._switches < _SLOWEST_PER_S * self._switch_s
            self._judge("P0133", slow, 2.5, 1.0)
            self._sensor_s = min(2 * self._switch_s / max(self._switches, 1), 60.0)
            self._switch_s, self._switches = 0.0, 0

    def _cut_response(self, s: State, seen: float, dt: float) -> None:
        if not s.fuel_cut:
            self._cut_s = 0.0
            return
        if self._cut_s == 0.0 and seen > 1.2:  # air of the cut before is still about
            self._cut_s = -1.0
        if self._cut_s < 0.0:  # judged already
            return
        self._cut_s += dt
        slow = self._cut_s > _SLOWEST_CUT_S
        if slow or seen > 2.0:
            self._judge("P0133", slow, 2.5, 1.0)
            self._sensor_s = self._cut_s
            self._cut_s = -1.0
