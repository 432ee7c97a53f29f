"""A simulated drive: a car, its faults, a schedule and the weather, in steps of the physics."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence

from logbench.simulator.cars import Car
from logbench.simulator.day import Day, draw_day
from logbench.simulator.diagnosis import Diagnosis
from logbench.simulator.driver import Phase, Schedule
from logbench.simulator.faults import Faults
from logbench.simulator.fitted import engine_of, parts_of, road_of
from logbench.simulator.fueling import CELLS
from logbench.simulator.model import CarSource
from logbench.simulator.offered import pids_of
from logbench.simulator.powertrain import Compressor, Thermal
from logbench.simulator.readings import Readings
from logbench.simulator.state import RING, STEP_S, BankState, State, standard_pressure_kpa

_SYNC_S, _SYNC_AGAIN_S = 0.75, 0.2
"""Until the computer knows the crankshaft's position, and where it has not forgotten it."""
_SLOW_STEPS = 4
"""Temperatures and monitors move every so many steps."""
_KEY_OFF = Phase("key off", "key off", float("inf"))
_IDLE = Phase("idling on", "idle", float("inf"))


class Drive(CarSource):
    """A car being driven. The same arguments give the same drive."""

    def __init__(
        self,
        car: Car,
        faults: Faults | Mapping[str, float] | None,
        schedule: Schedule,
        *,
        ambient_degc: float | None = None,
        altitude_m: float = 0.0,
        seed: int = 0,
        start_coolant_degc: float | None = None,
        earlier_trip: bool = True,
        learned: bool = True,
        cooled: bool | None = None,
        day: Day | None = None,
    ) -> None:
        """`day` None: drawn from the seed. `ambient_degc` None: that of the day.
        `start_coolant_degc` None: ambient with what the day has left in it, or regulating
        temperature for a warm schedule.
        `earlier_trip`: the faults given were there on the trip before, so that what the engine
        computer detects again is stored at once; without it the first detection stays pending.
        `learned`: the long-term trims begin with what this car has learned on earlier trips, with
        the faults given if those were there; without it with nothing, as after service 04.
        `cooled`: the air conditioning is on, whose compressor comes and goes; None: in the heat."""
        day = draw_day(seed) if day is None else day
        ambient_degc = day.ambient_degc if ambient_degc is None else ambient_degc
        cooled = ambient_degc > day.cooled_above_degc if cooled is None else cooled
        self.car = car
        self._parts = parts_of(car, day)
        self.vin, self.pids = car.vin, pids_of(car, self._parts)
        self.names = {"7E8": "ECM-EngineControl", "7E9": "TCM-TransmisCtrl"}
        size = f"{round(car.displacement_l * 10):02d}{car.cylinders}"
        self.calibrations = {"7E8": (f"ZZE{size}-0101",), "7E9": (f"ZZT{size}-0101",)}
        self.faults = faults if isinstance(faults, Faults) else Faults(faults)
        self.faults.fit(car)
        self.schedule = schedule
        start = start_coolant_degc
        if start is None:
            start = car.regulating_degc - 1.0 if schedule.warm else ambient_degc + day.left_k
        s = self.state = State(
            seed=seed,
            p_amb_kpa=standard_pressure_kpa(altitude_m) + day.pressure_kpa,
            t_amb_degc=ambient_degc,
            start_degc=start,
            day=day,
        )
        s.ect_degc += car.ect_offset_degc - 20.0 * self.faults.ect_offset
        s.iat_degc += car.iat_offset_degc
        self._air, self._engine, self._fuel = engine_of(car, day, ambient_degc)
        for part in self._parts:
            part.start(s, self.faults)
        trims = [[0.0] * CELLS for _ in range(car.banks)]
        if learned:
            before = self.faults if earlier_trip else Faults()
            trims = self._fuel.learned(before, s, seed)
        s.banks = [BankState(of_bank, start) for of_bank in trims]
        self._thermal = Thermal(car, self._air.rated_g_s, day)
        self._compressor = Compressor(car, day) if cooled and not car.motor_kw else None
        self._line, self._driver, self._electrical = road_of(car, day, self._engine)
        self.memory = self._diagnosis = Diagnosis(car, s, seed, earlier_trip, self._parts)
        self._readings = Readings(car, self._parts)
        self._index = 0
        self._phase = schedule.phases[0]
        self._phase_start_s = 0.0
        self._driver.start(s, self._phase)

    # --- progress ---------------------------------------------------------------------------

    @property
    def t_s(self) -> float:
        """Seconds since the start."""
        return self.state.t_s

    @property
    def phase(self) -> str:
        """Name of the present phase."""
        return self._phase.name

    @property
    def done(self) -> bool:
        """True once the schedule has ended; the car then idles on, or stays off."""
        return self._index >= len(self.schedule.phases)

    def set_fault(self, name: str, severity: float) -> None:
        """Change a fault while driving (the training car)."""
        Faults({name: severity}).fit(self.car)
        self.faults.set(name, severity)

    # --- CarSource --------------------------------------------------------------------------

    def ignition(self) -> bool:
        """True while the key is on."""
        return self.state.key_on

    def battery_v(self) -> float:
        """Voltage at the connector."""
        return self.state.battery_v

    def readings(self, ecu: str) -> Mapping[str, float]:
        """Acronym to value of all signals of the ECU, now."""
        return self._readings.take(self.state, self._diagnosis, ecu)

    def reader(self, ecu: str, acronyms: Sequence[str]) -> Callable[[], tuple[float, ...]]:
        """A function that gives the present values of these acronyms, in their order: quicker than
        `readings` where few of them are asked for again and again."""
        return self._readings.reader(self.state, self._diagnosis, ecu, acronyms)

    def advance(self, t_s: float) -> None:
        """Move the car to `t_s`; a time already past changes nothing."""
        s = self.state
        while s.t_s + STEP_S <= t_s + 1e-9:
            self._step()

    # --- one step ---------------------------------------------------------------------------

    def _step(self) -> None:
        s, faults, dt = self.state, self.faults, STEP_S
        s.step = n = s.step + 1
        s.t_s = n * dt
        s.noise_at = (n * 31) % 8191  # no step meets the numbers of the one before
        fuel = self._fuel
        if n % 2 == 0:
            self._controls(s, n, 2.0 * dt)
        fuel.sense(s, faults, dt)
        if s.settle_s > 0.0:
            s.settle_s -= dt
        ring_at = n % RING
        for bank in s.banks:
            fuel.trims(s, bank, dt)
        self._air.step(s, faults, dt)
        fuel.inject(s, faults, ring_at)
        fuel.observe(s, faults, ring_at, dt)
        self._engine.torque(s, self._electrical.accessories_kw(s))
        self._line.step(s, dt)
        for part in self._parts:
            part.step(s, faults, dt)
        if s.running and s.key_on and s.engine_wanted and s.rpm >= 120.0:
            s.since_start_s += dt
            s.run_s += dt
            s.fuel_used_g += s.fuel_g_s * dt
            s.air_used_g += s.air_cyl_g_s * dt
        else:
            self._start_or_stop(s, dt)
        if n % _SLOW_STEPS == 0:
            slow = dt * _SLOW_STEPS
            self._thermal.step(s, faults, slow)
            for part in self._parts:
                part.slow(s, faults, slow)
            if self._diagnosis.step(slow):
                self._diagnosis.frame = dict(self.readings("7E8"))

    def _controls(self, s: State, n: int, dt: float) -> None:
        """Driver, electrics, and what the engine computer decides: every second step. The electrics
        of an engine that runs on are slower still."""
        elapsed = s.t_s - self._phase_start_s
        if self._driver.ended(s, self._phase, elapsed):
            self._next_phase()
            elapsed = 0.0
        self._driver.step(s, self._phase, elapsed, dt)
        if s.since_start_s < 5.0 or s.cranking or not s.running:
            self._electrical.step(s, self.faults, dt)
        elif n % 4 == 0:
            self._electrical.step(s, self.faults, 2.0 * dt)
        if self._compressor is not None:
            self._compressor.step(s, dt)
        self._fuel.load(s)
        self._fuel.loop(s, s.ect_degc)
        self._engine.command(s, dt)

    def _next_phase(self) -> None:
        self._index += 1
        phases = self.schedule.phases
        if self._index < len(phases):
            self._phase = phases[self._index]
        else:
            self._phase = _KEY_OFF if self._phase.kind == "key off" else _IDLE
        self._phase_start_s = self.state.t_s
        self._driver.start(self.state, self._phase)

    @staticmethod
    def _start_or_stop(s: State, dt: float) -> None:
        """An engine that begins to fire, dies or stands."""
        if s.running:
            s.running = False
        elif s.cranking:
            s.crank_s += dt
            # the computer finds the crankshaft's position first, later when it turns slowly
            if s.rpm > 120.0 and s.crank_s > (_SYNC_AGAIN_S if s.starts else _SYNC_S + s.light_s):
                s.running = True
                s.since_start_s = 0.0
                s.run_s = s.run_s if s.starts else 0.0
                s.starts += 1
        else:
            s.crank_s = s.light_s = 0.0
            if not s.key_on:
                s.starts = 0
