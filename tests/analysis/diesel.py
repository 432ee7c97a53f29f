"""Drives of an invented turbo-diesel, made of what was measured on a healthy one: idle 770 rpm at
100 kPa with 7.0 g/s and an open flap, cruise and motorway, full load, a warm-up of 5 degC/min.
About eleven samples a second, one signal after the other, as a slow adapter polls."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from logbench.car.model import Car
from logbench.recording.model import Facts, Trace
from logbench.recording.reader import Recording

SAMPLES_HZ = 11.0
RAMP_S = 4.0


@dataclass(frozen=True)
class Stretch:
    """What is held for `seconds`; `charge_g`: air for each two revolutions."""

    seconds: float
    rpm: float
    kmh: float
    map_kpa: float
    charge_g: float
    pedal: float
    load: float


IDLE = Stretch(60, 770, 0, 100, 1.09, 14.5, 20)
TOWN = Stretch(120, 1528, 60, 114, 1.27, 24, 45)
MOTORWAY = Stretch(180, 2014, 112, 146, 1.86, 36, 65)
PULL = Stretch(8, 2900, 105, 224, 3.2, 84, 99)
OVERRUN = Stretch(15, 1700, 62, 102, 1.15, 14.5, 0)
DRIVE = (IDLE, TOWN, MOTORWAY, OVERRUN, IDLE, TOWN, PULL, MOTORWAY, MOTORWAY, OVERRUN, IDLE)


def diesel_drive(
    seed: int = 1,
    stretches: tuple[Stretch, ...] = DRIVE,
    signals: str = "RPM VSS MAP MAF TP ECT IAT APP_D APP_E AAT",
    start_degc: float = 12.0,
    car: Car | None = None,
) -> Recording:
    """One drive, cold at its start, with `signals` one after the other."""
    rng = np.random.default_rng(seed)
    ends = np.cumsum([s.seconds for s in stretches])
    begins = np.concatenate(([0.0], ends[:-1] + RAMP_S))
    names = signals.split()
    count = int(ends[-1] * SAMPLES_HZ)
    times = np.arange(count) / SAMPLES_HZ

    def held(name: str, scatter: float = 0.0) -> np.ndarray:
        level = [getattr(s, name) for s in stretches]
        at = np.ravel(np.column_stack((begins, ends)))
        value = np.interp(times, at, np.repeat(level, 2))
        return value * (1.0 + scatter * rng.standard_normal(count))

    rpm, pedal = held("rpm", 0.003), held("pedal")
    made = {
        "RPM": np.round(rpm * 4.0) / 4.0,
        "VSS": np.round(held("kmh", 0.002)),
        "MAP": np.round(held("map_kpa", 0.006)),
        "MAF": np.round(held("charge_g", 0.01) * rpm / 120.0, 2),
        "TP": np.where(rng.random(count) < 0.05, 77.0, 83.5),
        "ECT": np.round(np.minimum(90.0, start_degc + times * 5.0 / 60.0)),
        "IAT": np.full(count, 14.0),
        "AAT": np.full(count, 11.0),
        "APP_D": np.round(pedal / 0.392) * 0.392,
        "APP_E": np.round(pedal / 0.784) * 0.392,
        "LOAD_PCT": np.round(held("load", 0.01)),
        "BARO": np.full(count, 100.0),
    }
    traces = []
    for place, name in enumerate(names):
        mine = slice(place, None, len(names))
        t_ns = np.round(times[mine] * 1e9).astype(np.int64)
        traces.append(Trace(name, "7E8", "", t_ns, made[name][mine].astype(float)))
    return Recording.of(traces, Facts(vehicle=car or Car()))
