"""Drives of one invented turbo-diesel in real traffic, as an adapter polls it at about eleven
samples a second, one signal after the other: stops, gear changes, recirculation that opens and
shuts, lag of the charger, a compressor that cycles, cold and warm starts, days, hills, gaps.

The levels and their spread from drive to drive are those measured on a healthy car (open road data:
idle 770 rpm at 95 to 103 kPa and 7.0 g/s, 1,528 rpm and 114 kPa from 45 to 75 km/h, 2,014 rpm and
146 kPa above 100 km/h, at most 215 to 234 kPa and 67 to 117 g/s, 73 to 92 degC, 3.8 to 6.8 degC a
minute); what makes them is common practice, no source. No line of it is shared with the simulated
car, so that neither is the other's proof.
"""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np
from scipy.signal import lfilter

from logbench.car.model import Car
from logbench.recording.model import Facts, Trace
from logbench.recording.reader import Recording

STEP_S = 0.1
OFTEN = "RPM VSS MAP MAF TP ECT IAT AAT APP_D APP_E"
LITERS = 1.6
RPM_PER_KMH = np.array([120.0, 66.0, 42.0, 31.5, 25.0, 18.1])
UP_RPM, DOWN_RPM = 1850.0, 1150.0
MASS_KG = 1500.0
CHARGE_G_KPA_K = 1.163 / 0.287
"""Air for each two revolutions over its pressure and temperature, without recirculation."""


@dataclass
class DieselDay:
    """What differs from one drive of the car to the next."""

    seed: int
    rng: np.random.Generator = field(init=False)

    def __post_init__(self) -> None:
        rng = self.rng = np.random.default_rng(self.seed)
        self.air_degc = float(np.clip(rng.normal(11.0, 7.0), -5.0, 30.0))
        self.baro_kpa = float(rng.normal(99.5, 1.6))
        cold = rng.random() < 0.7
        self.start_degc = self.air_degc + 1.0 if cold else float(rng.uniform(35.0, 88.0))
        self.recirculated = float(np.clip(rng.normal(0.17, 0.025), 0.1, 0.25))
        self.sensor = float(rng.normal(1.0, 0.015))
        self.compressor = bool(self.air_degc > 14.0 and rng.random() < 0.8)
        self.heater_kw = float(max(0.0, 0.18 * (18.0 - self.air_degc)) * rng.uniform(0.3, 1.0))
        self.brisk = float(np.exp(rng.normal(0.0, 0.2)))
        self.flap_pct = 77.0 if rng.random() < 0.06 else 83.5
        self.regenerates = rng.random() < 0.12
        self.off_first = rng.random() < 0.6


def road_drive(
    seed: int = 1, signals: str = OFTEN, hz: float = 11.0, car: Car | None = None
) -> Recording:
    """One drive of 12 to 60 minutes on a day of its own; `signals` come one after the other, `hz`
    samples a second in all."""
    day = DieselDay(seed)
    speed, off = _traffic(day)
    made = _engine(day, speed, off)
    return _polled(day, made, signals.split(), hz, car or Car())


def _traffic(day: DieselDay) -> tuple[np.ndarray, int]:
    """Speed in km/h at each step, and how many steps the engine stands still at first."""
    rng = day.rng
    speed = [0.0] * int(rng.uniform(20.0, 90.0) / STEP_S)
    kinds = rng.choice(
        ["town", "road", "motorway"], size=int(rng.integers(5, 14)), p=[0.5, 0.3, 0.2]
    )
    for kind in kinds:
        target = {"town": rng.uniform(25, 58), "road": rng.uniform(55, 98)}.get(
            kind, rng.uniform(98, 126)
        )
        hold_s = rng.exponential({"town": 25.0, "road": 70.0}.get(kind, 180.0)) + 8.0
        pull = rng.uniform(2.2, 3.2) if rng.random() < 0.2 else rng.uniform(0.7, 1.7)
        _reach(speed, target, pull * day.brisk)
        wander, slope = 0.0, rng.normal(0.0, 0.02)
        for _ in range(int(hold_s / STEP_S)):
            wander += -wander * STEP_S / 12.0 + rng.normal(0.0, 0.025 * target**0.5) * STEP_S**0.5
            speed.append(
                max(3.0, speed[-1] + 0.03 * (target + wander - speed[-1]) + slope * STEP_S)
            )
        if kind == "town" or rng.random() < 0.3:
            _reach(speed, 0.0, rng.uniform(0.7, 1.6))
            speed += [0.0] * int((rng.exponential(18.0) + 2.0) / STEP_S)
    _reach(speed, 0.0, 1.0)
    speed += [0.0] * int(rng.uniform(5.0, 120.0) / STEP_S)
    off = int(rng.uniform(3.0, 15.0) / STEP_S) if day.off_first else 0
    return np.array([0.0] * off + speed), off


def _reach(speed: list[float], target: float, pull_m_s2: float) -> None:
    """Up or down to `target`, more gently at higher speeds."""
    sign = 1.0 if target > speed[-1] else -1.0
    while sign * (target - speed[-1]) > 0.0:
        at = pull_m_s2 * (60.0 / max(60.0, speed[-1]) if sign > 0 else 1.0)
        speed.append(speed[-1] + sign * at * 3.6 * STEP_S)
    speed[-1] = target


def _gears(speed: np.ndarray) -> np.ndarray:
    """The gear at each step."""
    gear, left, out = 0, 0, np.zeros(len(speed), dtype=int)
    up_rpm = UP_RPM + 900.0 * np.clip(_lag(np.gradient(speed / 3.6, STEP_S), 0.5), 0.0, 2.0)
    for k, v in enumerate(speed):
        left -= 1
        rpm = v * RPM_PER_KMH[gear]
        if left <= 0 and rpm > up_rpm[k] and gear < 5:
            gear, left = gear + 1, 15
        elif rpm < DOWN_RPM and gear > 0:
            gear -= 1
        out[k] = gear
    return out


def _lag(x: np.ndarray, tau_s: float, first: float | None = None) -> np.ndarray:
    """`x`, following with a time constant."""
    a = STEP_S / (tau_s + STEP_S)
    start = x[0] if first is None else first
    out, _ = lfilter([a], [1.0, a - 1.0], x, zi=[(1.0 - a) * start])
    return np.asarray(out)


def _engine(day: DieselDay, speed: np.ndarray, off: int) -> dict[str, np.ndarray]:
    """All signals at each step."""
    rng, n = day.rng, len(speed)
    t_s = np.arange(n) * STEP_S
    running = t_s >= off * STEP_S
    gear = _gears(speed)
    shifting = _lag((np.diff(gear, prepend=gear[0]) != 0) * 1.0, 0.4) > 0.04
    drawn = _cycling(rng, n) * (1.0 if day.compressor else 0.0)
    idle = 770.0 + 80.0 * np.exp(-np.maximum(t_s - off * STEP_S, 0.0) / 90.0) * (
        day.start_degc < 50
    )
    if day.regenerates:
        idle = idle + 60.0 * ((t_s > 600.0) & (t_s < 1200.0))
    geared = speed * RPM_PER_KMH[gear]
    rpm = np.where(geared > idle, geared, idle + 6.0 * np.sin(t_s / 3.0) * drawn)
    rpm = np.where(shifting, 0.75 * rpm + 0.25 * idle, rpm)
    rpm = np.maximum(_lag(rpm, 0.15), 600.0) + rng.normal(0.0, 3.0, n)
    slope = _lag(rng.normal(0.0, 0.6, n), 40.0, 0.0)  # of the road
    v = speed / 3.6
    force = MASS_KG * np.gradient(v, STEP_S) + 150.0 + 0.48 * v**2 + MASS_KG * 9.81 * slope
    need_kw = np.where((speed > 1.0) & ~shifting, force * v / 1000.0, 0.0) + 2.5 * drawn + 0.6
    overrun = (speed > 8.0) & ((need_kw < -1.0) | shifting) & (rpm > idle + 60.0)
    most_kw = 77.0 * np.clip(rpm / 3500.0, 0.1, 1.0)
    load = np.clip(need_kw / most_kw, 0.0, 1.0)
    fuel_g_s = np.where(overrun, 0.0, (np.maximum(need_kw, 0.0) + 1.6 + rpm / 900.0) / 17.0)
    fuel_g_s = np.where(running, fuel_g_s, 0.0)
    ect = _coolant(day, fuel_g_s, speed)
    pedal = np.where(overrun | (speed < 1.0), 0.0, np.clip(6.0 + 78.0 * load**0.8, 0.0, 85.0))
    pedal = _lag(pedal, 0.25)
    works = _lag(np.where(overrun, 0.0, load), 0.3) * rpm / 2500.0
    around = day.baro_kpa + _lag(rng.normal(0.0, 30.0, n), 200.0, 0.0)
    boost = np.minimum(160.0 * works**1.1, 122.0 + 2.0 * day.brisk)
    pressure = around * (1.0 - 0.004 * (rpm / 1000.0) ** 2) + _lag(boost, 1.0)
    iat = day.air_degc + _lag(
        5.0 + 15.0 * (speed < 8.0) + 0.05 * boost, 180.0, 0.1 * (day.start_degc - day.air_degc)
    )
    share = _recirculation(day, t_s, speed, load, ect, off)
    charge = CHARGE_G_KPA_K * pressure / (iat + 298.0) * (1.0 - share)
    maf = _lag(charge * rpm / 120.0 * day.sensor, 0.2)
    flap = np.full(n, day.flap_pct)
    flap[(share > 0.12) & (speed < 1.0) & (rng.random(n) < 0.02)] = 77.0
    if day.regenerates:
        flap[(t_s > 600.0) & (t_s < 1200.0) & (load < 0.4)] = 52.0
    return {
        "RPM": np.where(running, rpm, 0.0),
        "VSS": speed,
        "MAP": np.where(running, pressure, around) + rng.normal(0.0, 0.5, n),
        "MAF": np.where(running, maf * (1.0 + rng.normal(0.0, 0.012, n)), 0.3),
        "TP": flap,
        "ECT": ect,
        "IAT": iat,
        "AAT": day.air_degc + 0.5 + _lag(2.5 * (speed < 5.0), 120.0),
        "APP_D": 14.5 + pedal * 0.84,
        "APP_E": (14.5 + pedal * 0.84) / 2.0,
        "BARO": around,
        "LOAD_PCT": np.where(overrun | ~running, 0.0, 18.0 + 82.0 * load),
    }


def _cycling(rng: np.random.Generator, n: int) -> np.ndarray:
    """A compressor, on and off."""
    out = np.zeros(n)
    at = 0
    while at < n:
        on, off = (int(rng.uniform(*s) / STEP_S) for s in ((12.0, 40.0), (8.0, 30.0)))
        out[at : at + on] = 1.0
        at += on + off
    return out


def _recirculation(
    day: DieselDay, t_s: np.ndarray, speed: np.ndarray, load: np.ndarray, ect: np.ndarray, off: int
) -> np.ndarray:
    """Share of the charge that is exhaust gas: shut cold, under load, while the load steps up, and
    after a minute or two at idle."""
    stood_s = np.zeros(len(speed))
    for k in range(1, len(speed)):
        stood_s[k] = stood_s[k - 1] + STEP_S if speed[k] < 1.0 else 0.0
    share = day.recirculated * np.interp(load, [0.0, 0.25, 0.55], [1.0, 1.05, 0.0])
    share[(stood_s > 100.0) & (t_s > off * STEP_S + 100.0)] = 0.0
    share *= np.interp(ect, [15.0, 55.0], [0.3, 1.0])
    share[np.gradient(load, STEP_S) > 0.15] = 0.0
    if day.regenerates:
        share[(t_s > 600.0) & (t_s < 1200.0)] = 0.0
    return _lag(share, 0.8)


def _coolant(day: DieselDay, fuel_g_s: np.ndarray, speed: np.ndarray) -> np.ndarray:
    """The heat of the fuel that reaches the coolant, less heater, wind and radiator."""
    degc, out = day.start_degc, np.empty(len(fuel_g_s))
    heat = 0.22 * 42.8 * fuel_g_s
    for k, given in enumerate(heat):
        lost = (0.008 + 0.00014 * speed[k]) * (degc - day.air_degc)
        lost += day.heater_kw * min(1.0, max(0.0, (degc - 30.0) / 30.0))
        lost += max(0.0, degc - 88.0) * 6.0
        degc += (given - lost) * STEP_S / 58.0
        out[k] = degc
    return out


STEPS = {"RPM": 0.25, "MAF": 0.01, "TP": 100 / 255, "APP_D": 100 / 255, "APP_E": 100 / 255}


def _polled(
    day: DieselDay, made: dict[str, np.ndarray], names: list[str], hz: float, car: Car
) -> Recording:
    """One signal after the other, with jitter, answers that stay away, and now and then a gap."""
    rng, whole_s = day.rng, len(made["RPM"]) * STEP_S
    waits = np.maximum(rng.normal(1.0 / hz, 0.01, int(whole_s * hz)), 0.03)
    waits[rng.random(len(waits)) < 0.0003 * (rng.random() < 0.3)] += rng.uniform(2.0, 15.0)
    times = np.cumsum(waits)
    times = times[times < whole_s - 1.0]
    traces = []
    for place, name in enumerate(names):
        at = times[place :: len(names)]
        at = at[rng.random(len(at)) > 0.002]
        value = np.interp(at, np.arange(len(made[name])) * STEP_S, made[name])
        step = STEPS.get(name, 1.0)
        value = np.maximum(np.round(value / step) * step, 0.0 if name != "IAT" else -40.0)
        if name in ("ECT", "AAT", "IAT"):
            value = np.round(np.interp(at, np.arange(len(made[name])) * STEP_S, made[name]))
        traces.append(Trace(name, "7E8", "", np.round(at * 1e9).astype(np.int64), value))
    return Recording.of(traces, Facts(vehicle=car))
