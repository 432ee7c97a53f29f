"""What the driver of the simulated car does: phases, one after the other, each turned into key,
pedal, gear, clutch and brake."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cache
from typing import Literal

from logbench.errors import UsageError
from logbench.simulator.cars import Car
from logbench.simulator.data import rows, tables
from logbench.simulator.diesel import DieselEngine
from logbench.simulator.powertrain import EFFICIENCY, TO_RPM, Driveline, Engine
from logbench.simulator.state import State

PhaseKind = Literal[
    "key off", "key on", "crank", "idle", "hold", "cruise", "pull", "coast", "stop", "wait", "trace"
]


@dataclass(frozen=True, slots=True)
class Phase:
    """One thing the driver does."""

    name: str
    kind: PhaseKind
    duration_s: float
    """How long; for `crank`, `pull`, `coast` and `stop` at most how long: they end when the engine
    runs, `value` rpm is reached, the speed falls below `value` km/h, the car stands. In `idle` and
    `hold` the engine runs (stop-start is switched off, a hybrid in its workshop mode); in `wait`,
    with the brake held, the car may stop it."""
    value: float = 0.0
    """`hold`: rpm with the gearbox in neutral; `cruise`: km/h; `pull`: rpm as a share of the
    redline; `coast`: km/h."""
    grade: float = 0.0
    """Slope of the road, rise over run."""
    trace_kmh: tuple[float, ...] = ()
    """`trace`: the speed at each second from the start of the phase."""


@dataclass(frozen=True, slots=True)
class Schedule:
    """Phases, and what happens after the last: a car with the key off stays off, else it idles."""

    name: str
    phases: tuple[Phase, ...]
    warm: bool = False
    """Start with the engine at its regulating temperature instead of cold."""

    @property
    def duration_s(self) -> float:
        """Seconds at most; phases that end by an event may make it shorter."""
        return sum(p.duration_s for p in self.phases)


@cache
def wltc_trace_kmh() -> tuple[float, ...]:
    """Speeds of the WLTC class 3b cycle, one a second from 0 to 1800 s (UN GTR 15, annex 1)."""
    return tuple(float(row["speed_kmh"]) for row in rows("wltc_class3b.csv"))


_SCHEDULES = tables("schedules.toml")
SCHEDULE_NAMES = tuple(_SCHEDULES)


def schedule(name: str) -> Schedule:
    """A schedule by name; `UsageError` for another name."""
    try:
        drive = _SCHEDULES[name]
    except KeyError:
        raise UsageError(
            f"There is no drive schedule {name!r}: choose one of {', '.join(SCHEDULE_NAMES)}."
        ) from None
    before = schedule(drive["after"]).phases if "after" in drive else ()
    phases = (
        Phase(**row, trace_kmh=wltc_trace_kmh() if row["kind"] == "trace" else ())
        for row in drive["phases"]
    )
    return Schedule(name, (*before, *phases), drive.get("warm", False))


class Driver:
    """Follows one phase at a time."""

    def __init__(self, car: Car, line: Driveline, engine: Engine | DieselEngine) -> None:
        self._line = line
        self._engine = engine
        self._count = len(car.gears)
        self._redline = car.redline_rpm
        self._drag_nm = -14.0 * car.displacement_l
        self._integral = 0.0
        self._down_s = 0.0
        self._hold = 0.0
        self._hold_gear_s = 0.0
        self._set_m_s = 0.0
        self._shift_left_s = 0.0
        self._since_shift_s = 9.0
        top = [g for g in range(1, self._count) if self._speed(g, 0.93 * car.redline_rpm) < 34.5]
        self._pull_gear = max([*top, 2])

    def _speed(self, gear: int, rpm: float) -> float:
        return rpm / TO_RPM / self._line.ratio(gear)

    def start(self, s: State, phase: Phase) -> None:
        """A new phase starts."""
        self._hold = 0.02
        self._set_m_s = s.speed_m_s
        s.grade = phase.grade
        s.key_on = phase.kind != "key off"
        s.cranking = False
        if phase.kind == "key off":
            s.pedal = 0.0

    def ended(self, s: State, phase: Phase, elapsed_s: float) -> bool:
        """Whether the phase is over."""
        if elapsed_s >= phase.duration_s:
            return True
        if phase.kind == "crank":
            return s.running and s.since_start_s > 0.4
        if phase.kind == "pull":
            return s.rpm > phase.value * self._redline
        if phase.kind == "coast":
            return s.speed_m_s * 3.6 < phase.value
        if phase.kind == "stop":
            return s.speed_m_s < 0.05 and elapsed_s > 1.0
        return False

    def step(self, s: State, phase: Phase, elapsed_s: float, dt: float) -> None:
        """Set the controls for this step."""
        self._since_shift_s += dt
        self.attend(s, phase)
        kind = phase.kind
        if kind not in ("key off", "key on") and not s.running and s.engine_wanted:
            self._stand(s)  # at the start, or after a stop or stall
            s.cranking = s.speed_m_s < 0.1
        elif kind in ("cruise", "trace", "stop"):
            self._follow(s, phase, elapsed_s, dt)
        elif kind == "pull":
            self._pull(s, dt)
        elif kind == "coast":
            self._gearbox(s, self._since_shift_s > 3.0 and s.rpm < 1150.0, False, dt)
            s.pedal = s.brake_n = 0.0
        else:
            self._stand(s)
            s.cranking = False
            if kind == "hold":
                self._hold_rpm(s, phase.value, dt)

    @staticmethod
    def attend(s: State, phase: Phase) -> None:
        """Whether the car may stop its engine, and an end of cranking once it runs."""
        s.may_rest = phase.kind in ("cruise", "trace", "stop", "wait", "pull", "coast")
        if s.running and phase.kind != "crank":
            s.cranking = False

    def _hold_rpm(self, s: State, rpm: float, dt: float) -> None:
        error = rpm - s.rpm
        self._hold = max(0.0, min(0.5, self._hold + 0.00002 * error * dt))
        s.pedal = max(0.002, min(0.6, self._hold + 0.00006 * error))

    def _stand(self, s: State) -> None:
        s.gear, s.clutch, s.locked = 0, 0.0, False
        s.pedal = 0.0
        s.brake_n = 2000.0

    def _pull(self, s: State, dt: float) -> None:
        s.brake_n = 0.0
        if s.gear != self._pull_gear:
            self._engage(s, self._pull_gear)
        self._gearbox(s, False, False, dt)
        s.pedal = 1.0 if self._shift_left_s <= 0.0 else 0.0

    def _target(self, s: State, phase: Phase, elapsed_s: float, dt: float) -> tuple[float, float]:
        """Speed wanted now and the acceleration that goes with it."""
        if phase.kind == "trace":
            trace = phase.trace_kmh
            last = len(trace) - 1
            k = min(int(elapsed_s), last)
            frac = elapsed_s - k
            here = trace[k] + (trace[min(k + 1, last)] - trace[k]) * frac
            ahead = (
                trace[min(k + 1, last)] + (trace[min(k + 2, last)] - trace[min(k + 1, last)]) * frac
            )
            return here / 3.6, (ahead - here) / 3.6
        goal = phase.value / 3.6 if phase.kind == "cruise" else 0.0
        old = self._set_m_s
        rate = 1.2 if goal <= old or old < 9.0 else 0.8
        new = min(goal, old + rate * dt) if goal > old else max(goal, old - rate * dt)
        new = min(new, s.speed_m_s + 1.5)  # do not run away from a car that cannot follow
        self._set_m_s = new
        return new, (new - old) / dt if abs(goal - new) > 0.01 else 0.0

    def _acceleration(
        self, s: State, phase: Phase, elapsed_s: float, dt: float
    ) -> tuple[float, float, float] | None:
        """That of the target, how far the car is behind it, and the one to ask for, in m/s2 and
        m/s; None where it is to stand."""
        wanted, slope = self._target(s, phase, elapsed_s, dt)
        if wanted < 0.1 and slope <= 0.01 and s.speed_m_s < 1.0:
            self._integral = 0.0
            return None
        error = wanted - s.speed_m_s
        self._integral = max(-0.6, min(0.6, self._integral + 0.12 * error * dt))
        return slope, error, max(-3.0, min(3.0, slope + 0.9 * error + self._integral))

    def _follow(self, s: State, phase: Phase, elapsed_s: float, dt: float) -> None:
        asked = self._acceleration(s, phase, elapsed_s, dt)
        if asked is None:
            self._stand(s)
            return
        slope, error, accel = asked
        v = s.speed_m_s
        if s.gear == 0:
            self._engage(s, self._fit_gear(v) if v > 3.0 else 1)
        line = self._line
        ratio = line.ratio(s.gear)
        force = line.inertia_mass_kg(s.gear) * accel + line.resistance_n(s, v)
        torque = force / (ratio * EFFICIENCY)
        full = self._engine.full_torque_nm(s)
        pedal = (torque - self._drag_nm) / (full - self._drag_nm)
        s.brake_n = 0.0
        if pedal <= 0.0:
            s.brake_n = max(0.0, -(force - self._drag_nm * ratio)) if v > 0.3 else 1500.0
        low = s.rpm < 1120.0 and s.gear > 1
        if v < 2.2 and slope < 0.0:
            s.clutch = 0.0
            s.pedal = 0.0
            s.brake_n = max(0.0, -force)
            return
        weak = self._lugging(s, pedal, error, dt)
        if weak:
            self._hold_gear_s = 20.0  # a lower gear was needed: do not hunt
        self._hold_gear_s -= dt
        up = False
        if s.gear < self._count and pedal < 1.0:
            drop = line.ratio(s.gear + 1) / ratio
            rpm_next = s.rpm * drop
            fits = max(torque, pedal * full) / drop < 0.70 * full
            up = self._hold_gear_s <= 0.0 and rpm_next > 1330.0 and fits
            up = up and s.rpm > 1750.0 + 3200.0 * max(0.0, pedal) ** 2
            up = up or s.rpm > 0.94 * self._redline
        self._gearbox(s, low or weak, up, dt)
        s.pedal = max(0.0, min(1.0, pedal)) if self._shift_left_s <= 0.0 else 0.0

    def _lugging(self, s: State, pedal: float, error: float, dt: float) -> bool:
        """Whether this gear is too high: the pedal nearly down and the car falling behind, or the
        pedal nearly down for long."""
        deep = pedal > 0.88 or (pedal > 0.7 and s.rpm < 1600.0)
        self._down_s = self._down_s + dt if deep else 0.0
        behind = pedal > 0.92 and error > 0.7
        return (behind or self._down_s > 1.5) and s.rpm < 0.5 * self._redline and s.gear > 1

    def _fit_gear(self, v: float) -> int:
        for gear in range(self._count, 1, -1):
            if v * self._line.ratio(gear) * TO_RPM > 1350.0:
                return gear
        return 1

    def _engage(self, s: State, gear: int) -> None:
        s.gear = gear
        s.locked = False
        s.clutch = 0.0
        self._shift_left_s = 0.3 if self._line.automatic else 0.5
        self._since_shift_s = 0.0
        if s.speed_m_s < 3.0:
            self._shift_left_s = 0.0

    def _gearbox(self, s: State, down: bool, up: bool, dt: float) -> None:
        """Shift when asked and not too soon; close the clutch again afterwards."""
        if self._shift_left_s > 0.0:
            self._shift_left_s -= dt
            return
        if s.gear == 0:
            self._engage(s, self._fit_gear(s.speed_m_s))
            return
        if (down or up) and self._since_shift_s > 1.3:
            gear = s.gear + 1 if up else self._fit_gear(s.speed_m_s) if s.rpm < 1120 else s.gear - 1
            gear = max(1, min(self._count, gear))
            if gear != s.gear:
                self._engage(s, gear)
                return
        if self._line.automatic or s.locked:
            s.clutch = 1.0
        elif s.speed_m_s * self._line.ratio(s.gear) * TO_RPM > 1000.0:
            s.clutch = min(1.0, s.clutch + 2.5 * dt)
        else:  # pulling away: the clutch bites as the engine comes up
            s.clutch = max(0.0, min(1.0, (s.rpm - 750.0) / 1500.0))
