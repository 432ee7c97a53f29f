"""Everything that goes wrong on the road, on demand: what there is, when it is on, and what it
makes of the car, the ECUs and the adapter's output."""

from __future__ import annotations

import random
from collections.abc import Iterable, Mapping
from dataclasses import dataclass

from logbench.errors import LinkUnknownError
from logbench.simulator.data import tables
from logbench.simulator.ecu import Mood
from logbench.simulator.model import CarSource

FOREVER = float("inf")

_ROWS = tables("troubles.toml")
TROUBLES: dict[str, tuple[float, str]] = {
    name: (row["lasts_s"], row["what"]) for name, row in _ROWS.items()
}
"""Name to how long it lasts in s where nothing else is said, and what happens."""

ERROR_LINES: Mapping[str, str] = {name: row["line"] for name, row in _ROWS.items() if "line" in row}
"""What the adapter prints for every request during some of them."""


@dataclass(frozen=True, slots=True)
class Trouble:
    """`name` from `at_s` on for `duration_s`, in seconds of the car's clock since its start."""

    name: str
    at_s: float
    duration_s: float

    def on(self, t_s: float) -> bool:
        """Whether it is on at `t_s`."""
        return self.at_s <= t_s < self.at_s + self.duration_s


def parse_trouble(text: str) -> Trouble:
    """`NAME@TIME[:DURATION]`, both in seconds of the car's clock; `LinkUnknownError` otherwise."""
    name, at, when = text.partition("@")
    if name not in TROUBLES:
        raise LinkUnknownError(
            f"There is no trouble {name!r}: choose one of {', '.join(TROUBLES)}."
        )
    start, colon, length = when.partition(":")
    try:
        at_s = float(start) if at else 0.0
        duration_s = float(length) if colon else TROUBLES[name][0]
    except ValueError:
        at_s = duration_s = -1.0
    if not (0 <= at_s < FOREVER and duration_s >= 0):
        raise LinkUnknownError(
            f"{text!r} is not a trouble: write NAME@SECONDS or NAME@SECONDS:DURATION, "
            f"for example {name}@60:5."
        )
    return Trouble(name, at_s, duration_s)


class Troubles:
    """What is planned, and what is on now."""

    def __init__(self, planned: Iterable[Trouble] = ()) -> None:
        self._planned = list(planned)
        self._struck: set[Trouble] = set()

    def add(self, trouble: Trouble) -> None:
        """Plan one more."""
        self._planned.append(trouble)

    def active(self, t_s: float) -> frozenset[str]:
        """Names of the troubles that are on at `t_s` of the car's clock."""
        return frozenset(trouble.name for trouble in self._planned if trouble.on(t_s))

    def strikes(self, name: str, t_s: float) -> bool:
        """True once for each planned `name` whose time has come."""
        for trouble in self._planned:
            if trouble.name == name and trouble.at_s <= t_s and trouble not in self._struck:
                self._struck.add(trouble)
                return True
        return False


_STALLED = {
    **dict.fromkeys(("RPM", "MAF", "LOAD_PCT", "LOAD_ABS", "FUEL_RATE"), 0.0),
    "FUELSYS1": 1.0,
}


class TroubledCar(CarSource):
    """A car seen through its troubles: the key may be off, or the engine stalled."""

    def __init__(self, car: CarSource, troubles: Troubles) -> None:
        self.car = car
        self.vin, self.pids, self.names = car.vin, car.pids, car.names
        self.calibrations, self.memory = car.calibrations, car.memory
        self._troubles = troubles
        self._active: frozenset[str] = frozenset()

    def advance(self, t_s: float) -> None:
        """Move the car and see what is wrong at that time."""
        self.car.advance(t_s)
        self._active = self._troubles.active(t_s)

    def ignition(self) -> bool:
        """Off during `ignition-off`."""
        return "ignition-off" not in self._active and self.car.ignition()

    def battery_v(self) -> float:
        """12.4 V at rest (common practice) when the engine stands because of a trouble."""
        resting = self._active & {"ignition-off", "stall"}
        return min(12.4, self.car.battery_v()) if resting else self.car.battery_v()

    def readings(self, ecu: str) -> Mapping[str, float]:
        """The car's, with a standing engine during `stall`."""
        readings = self.car.readings(ecu)
        if "stall" not in self._active:
            return readings
        changed = {a: v for a, v in _STALLED.items() if a in readings}
        if "MAP" in readings and "BARO" in readings:
            changed["MAP"] = readings["BARO"]
        return {**readings, **changed}


_PATIENCE_S = 0.4
_TARDY_S = 1.5
_RPM_PID = 0x0C


def mood(active: frozenset[str], ecus: tuple[str, ...]) -> Mood:
    """What the troubles that are on make of the ECUs, given engine first."""
    engine, others = ecus[:1], ecus[1:2]
    return Mood(
        silent=frozenset(others if "second-silent" in active else ()),
        pending_s=dict.fromkeys(engine if "pending" in active else (), _PATIENCE_S),
        late_s=dict.fromkeys(others if "slow-ecu" in active else (), _TARDY_S),
        dropped_pids=dict.fromkeys(engine if "lost-pid" in active else (), frozenset({_RPM_PID})),
        refuse_packed="drops-packed" in active,
    )


# --- what the client gets ---

PROMPT = b">"

Text = tuple[float, str]
"""A line and the moment it is ready."""
Chunk = tuple[float, bytes]

_NOISE = b"\x00\x07\x13\x1b#%;Qgz~\x80\xa5\xfe\xff"


def spoil_lines(lines: list[Text], active: frozenset[str], done_s: float) -> list[Text]:
    """The lines of a reply from the car as the troubles that are `active` leave them."""
    for name, text in ERROR_LINES.items():
        if name in active:
            return [(done_s, text)]
    if "data-error" in active:
        lines = [(t_s, f"{text} <DATA ERROR") for t_s, text in lines]
    if "rx-error" in active:
        lines = [(t_s, f"{text} <RX ERROR") for t_s, text in lines]
    if "buffer-full" in active and lines:
        lines = [*lines[:1], (lines[0][0], "BUFFER FULL")]
    return lines


def spoil_output(
    chunks: list[Chunk], request: bytes, active: frozenset[str], noise: random.Random
) -> list[Chunk]:
    """The characters of a reply, prompt included, as they get through."""
    if "wrong-echo" in active and chunks:
        wrong = bytes(noise.choice(b"0123456789ABCDEF") for _ in request[:1]) + request[1:]
        chunks = [(chunks[0][0], wrong + b"\r"), *chunks]
    if "merged" in active:
        chunks = [
            (t_s, data.rstrip(b"\r\n") if PROMPT not in data else data) for t_s, data in chunks
        ]
    if "garbage" in active:
        chunks = [
            (t_s, _noisy(data, noise) if PROMPT not in data else data) for t_s, data in chunks
        ]
    if "truncated" in active:
        chunks = _cut(chunks, noise)
    return chunks


def _noisy(data: bytes, noise: random.Random) -> bytes:
    """`data` with one character in eight replaced, one at least."""
    changed = bytearray(data)
    for _ in range(max(len(data) // 8, 1)):
        changed[noise.randrange(len(changed))] = noise.choice(_NOISE)
    return bytes(changed)


def _cut(chunks: list[Chunk], noise: random.Random) -> list[Chunk]:
    """Only the first part of all characters; the prompt is lost."""
    left = noise.randrange(sum(len(data) for _, data in chunks))
    kept: list[Chunk] = []
    for t_s, data in chunks:
        kept.append((t_s, data[:left]))
        left -= len(kept[-1][1])
        if left <= 0:
            break
    return kept
