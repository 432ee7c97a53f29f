"""Small drives made by hand, for the tests of the analysis: constant phases joined by ramps."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from logbench.car.model import Car
from logbench.recording.model import Facts, Trace
from logbench.recording.reader import Recording

RAMP_S = 1.5


@dataclass(frozen=True)
class Phase:
    """What is held for `seconds`, after a ramp from the phase before."""

    seconds: float
    rpm: float
    kmh: float = 0.0
    tp: float = 15.0
    load: float = 25.0
    map_kpa: float = 32.0
    loop: float = 2.0
    pedal: float = 0.0
    trim: tuple[float, float] = (0.0, 0.0)
    """Total trim of bank 1 and bank 2 in %."""


KEY_ON = Phase(5, 0, tp=17, load=0, map_kpa=100, loop=0)
IDLE = Phase(60, 720)
HOLD = Phase(40, 2500, tp=20, load=22, map_kpa=28, pedal=8)
CRUISE = Phase(60, 2000, kmh=80, tp=22, load=45, map_kpa=48, pedal=15)
HILL = Phase(40, 2600, kmh=70, tp=45, load=72, map_kpa=80, pedal=40)
OVERRUN = Phase(8, 1800, kmh=60, tp=15, load=8, map_kpa=22, loop=4)
FULL = Phase(5, 4500, kmh=90, tp=88, load=98, map_kpa=98, loop=4, pedal=95)


class Scene:
    """Phases sampled at `hz`; each signal is an array over `t_s` and may be replaced."""

    def __init__(self, phases: Sequence[Phase], hz: float = 10.0, seed: int = 1) -> None:
        self.phases = list(phases)
        ends = np.cumsum([p.seconds for p in phases])
        self.starts = np.concatenate(([0.0], ends[:-1]))
        self.t_s = np.arange(0.0, ends[-1], 1.0 / hz)
        self.rng = np.random.default_rng(seed)
        self.signals: dict[str, np.ndarray] = {}
        for name, pick in (
            ("RPM", "rpm"),
            ("VSS", "kmh"),
            ("TP", "tp"),
            ("LOAD_PCT", "load"),
            ("MAP", "map_kpa"),
            ("APP_D", "pedal"),
        ):
            self.signals[name] = self.over([getattr(p, pick) for p in phases])
        self.signals["APP_D"] = 0.8 * self.signals["APP_D"] + 15.0
        index = np.searchsorted(ends, self.t_s, side="right")
        self.signals["FUELSYS1"] = np.array([p.loop for p in phases])[index]
        self.signals["ECT"] = np.full(len(self.t_s), 90.0)
        self.signals["IAT"] = np.full(len(self.t_s), 25.0)
        self.signals["BARO"] = np.full(len(self.t_s), 100.0)

    def over(self, values: Sequence[float]) -> np.ndarray:
        """One value a phase, with ramps, over time."""
        times, points = [], []
        for i, value in enumerate(values):
            times += [self.starts[i] + (RAMP_S if i else 0.0), self.starts[i] + self.length(i)]
            points += [value, value]
        return np.interp(self.t_s, times, points)

    def length(self, i: int) -> float:
        return self.phases[i].seconds

    def trims(self, banks: int = 1, scatter: float = 0.8) -> Scene:
        """Adds short- and long-term trims that make the phases' totals."""
        for bank in range(1, banks + 1):
            total = self.over([p.trim[bank - 1] for p in self.phases])
            short = self.rng.normal(0.0, scatter, len(self.t_s))
            self.signals[f"SHRTFT{bank}"] = 0.3 * total + short
            self.signals[f"LONGFT{bank}"] = 0.7 * total
        return self

    def set(self, **signals: np.ndarray | float) -> Scene:
        for name, value in signals.items():
            self.signals[name] = np.broadcast_to(np.asarray(value, float), self.t_s.shape).copy()
        return self

    def drop(self, *names: str) -> Scene:
        for name in names:
            self.signals.pop(name, None)
        return self

    def recording(
        self,
        displacement_l: float | None = None,
        shift_s: float = 0.0,
        every: int = 1,
        **vehicle: object,
    ) -> Recording:
        t_ns = np.round((self.t_s + shift_s) * 1e9).astype(np.int64)[::every]
        traces = [Trace(n, "7E8", "", t_ns, v[::every]) for n, v in self.signals.items()]
        facts = Facts(vehicle=Car(displacement_l=displacement_l, **vehicle))
        return Recording.of(traces, facts)


def warm_drive(
    idle: float = 0.0, hold: float = 0.0, cruise: float = 0.0, hill: float = 0.0, **other: object
) -> list[Phase]:
    """A warm drive whose bank 1 shows the given total trims; `second` for those of bank 2."""
    second = other.get("second") or (idle, hold, cruise, hill)
    trims = list(zip((idle, hold, cruise, hill), second, strict=True))  # type: ignore[call-overload]
    made = [
        Phase(**{**vars(p), "trim": trims[i]}) for i, p in enumerate((IDLE, HOLD, CRUISE, HILL))
    ]
    return [KEY_ON, Phase(4, 900), *made, OVERRUN, FULL, OVERRUN, made[0]]


def compressor(scene: Scene, on_s: float, off_s: float, rpm: float = 160.0) -> Scene:
    """An accessory at idle, first off: pressure and load step at once, idle control raises the
    speed within seconds, as the compressor of the open road data does."""
    on = np.where(scene.t_s % (on_s + off_s) >= off_s, 1.0, 0.0)
    slow, last = np.zeros(len(on)), on[0]
    for k in range(1, len(on)):
        last += (on[k] - last) * min(1.0, (scene.t_s[k] - scene.t_s[k - 1]) / 2.0)
        slow[k] = last
    noise = scene.rng.normal(0.0, 0.4, len(on))
    return scene.set(
        MAP=np.round(scene.signals["MAP"] + 11.0 * on + noise),
        LOAD_PCT=scene.signals["LOAD_PCT"] + 10.0 * on + noise,
        RPM=scene.signals["RPM"] + rpm * slow + scene.rng.normal(0.0, 3.0, len(on)),
    )


def hunting(
    scene: Scene, rpm: float, period_s: float, map_kpa: float = 0.0, jitter_s: float = 0.0
) -> Scene:
    """An engine speed that swings, and a pressure that swings against it; `jitter_s`: how evenly it
    is read."""
    at = scene.t_s + scene.rng.uniform(-1.0, 1.0, len(scene.t_s)) * jitter_s
    wave = np.sin(2.0 * np.pi * at / period_s + 1.0)
    return scene.set(
        RPM=scene.signals["RPM"] + rpm * wave, MAP=scene.signals["MAP"] - map_kpa * wave
    )
