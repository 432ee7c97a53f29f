"""A simulated drive as samples, far faster than real time, as packed polling would give them."""

from __future__ import annotations

import random
from collections.abc import Callable, Collection, Mapping
from dataclasses import dataclass, field

import numpy as np
import numpy.typing as npt

from logbench.errors import SignalUnsupportedError
from logbench.signals.table import TOGETHER, Signal, default_signals, table
from logbench.simulator.drive import Drive
from logbench.simulator.timing import MAX_PACKED

Samples = tuple[npt.NDArray[np.int64], npt.NDArray[np.float64]]
_TRIPS = 4099
"""Drawn round trips, used round and round."""
_RATES_HZ = (10.0, 5.0, 2.0, 1.0, 0.5)


@dataclass(slots=True)
class _Request:
    """Up to six PIDs of one rate, asked together: their samples share a time."""

    ecu: str
    every: int
    offset: int
    signals: list[Signal]
    read: Callable[[], tuple[float, ...]]
    times_s: list[float] = field(default_factory=list)
    values: list[tuple[float, ...]] = field(default_factory=list)


def produce(
    drive: Drive,
    signals: Collection[str] | None = None,
    rates_hz: Mapping[str, float] | None = None,
    *,
    seed: int = 0,
    round_trip_s: float = 0.012,
    for_s: float | None = None,
    progress: Callable[[float, str], None] | None = None,
) -> dict[tuple[str, str], Samples]:
    """Drive to the end of the schedule, or for `for_s` seconds, and return what polling would see.

    `signals`: acronyms; None for the default ones of this car. A signal is taken from the first
    ECU that supports its PID. `rates_hz`: wanted rates by acronym, others get the default of
    `Signal.rate_hz`; a PID goes at the highest rate of its signals, at most 10 Hz. Requests follow
    each other by `round_trip_s`; more than fit slow all down in proportion, as on a wire.
    `progress` is called about once a simulated minute with the car's time and the phase's name.

    Returns (acronym, ECU) to `(t_ns, values)`: int64 times since the start of the drive,
    ascending, and float64 values in the table's unit, quantised as the wire carries them. While
    the key is off there are no samples. Raises `SignalUnknownError`, `SignalUnsupportedError`.
    """
    requests = _requests(drive, signals, rates_hz or {})
    rng = random.Random(f"polling {seed}")
    trips_s = [round_trip_s * (1.0 + 0.08 * abs(rng.gauss(0.0, 1.0))) for _ in range(_TRIPS)]
    trip = 0
    base_s = 1.0 / _RATES_HZ[0]
    end_s = float("inf") if for_s is None else drive.t_s + for_s
    t, turn, told_s = drive.t_s, 0, drive.t_s
    while not drive.done and t < end_s:
        now = t
        for request in requests:
            if (turn + request.offset) % request.every:
                continue
            trip = (trip + 1) % _TRIPS
            now += trips_s[trip]
            drive.advance(now)
            if not drive.ignition():
                continue
            request.times_s.append(now)
            request.values.append(request.read())
        t = max(t + base_s, now)
        drive.advance(t)
        turn += 1
        if progress is not None and t - told_s >= 60.0:
            told_s = t
            progress(t, drive.phase)
    return _collect(requests, round_trip_s)


def _collect(requests: list[_Request], round_trip_s: float) -> dict[tuple[str, str], Samples]:
    samples: dict[tuple[str, str], Samples] = {}
    for request in requests:
        middle_s = np.array(request.times_s, dtype=np.float64) - 0.5 * round_trip_s
        t_ns = np.rint(middle_s * 1e9).astype(np.int64)
        values = np.array(request.values, dtype=np.float64).reshape(-1, len(request.signals))
        for k, signal in enumerate(request.signals):
            samples[signal.acronym, request.ecu] = (t_ns, quantise(signal, values[:, k]))
    return samples


def quantise(
    signal: Signal, values: npt.NDArray[np.float64] | Collection[float]
) -> npt.NDArray[np.float64]:
    """Values as they come out of the wire: to the nearest step, held within the bytes' range.

    NaN stays NaN where the signal has a code for 'not used', else it becomes the highest raw
    value, as all ones on the wire would.
    """
    given = np.asarray(values, dtype=np.float64)
    low, high = 0, 2**signal.bits - 1
    if signal.signed:
        low, high = -(2 ** (signal.bits - 1)), 2 ** (signal.bits - 1) - 1
    missing = np.isnan(given)
    raw = np.floor((np.where(missing, 0.0, given) - signal.offset) / signal.scale + 0.5)
    raw = np.clip(raw, low, high)
    raw[missing] = -1 if signal.signed else high
    decoded: npt.NDArray[np.float64] = raw * signal.scale + signal.offset
    if signal.not_used is not None:
        decoded[raw == signal.not_used] = np.nan
    return decoded


def _requests(
    drive: Drive, signals: Collection[str] | None, rates_hz: Mapping[str, float]
) -> list[_Request]:
    """Pack PIDs of the same ECU and rate, those that belong together first."""
    known = table()
    if signals is None:
        engine = drive.ecus[0]
        reported = drive.readings(engine)  # a PID of several sensors need not hold all of them
        signals = [s for s in default_signals(drive.supported(engine)) if s in reported]
    wanted: dict[tuple[str, int], list[Signal]] = {}
    rates: dict[tuple[str, int], float] = {}
    given = {known.by_acronym(name).acronym: hz for name, hz in rates_hz.items()}
    for name in dict.fromkeys(known.by_acronym(name).acronym for name in signals):
        signal = known.by_acronym(name)
        ecu = next((e for e in drive.ecus if signal.pid in drive.supported(e)), None)
        if ecu is None or name not in drive.readings(ecu):
            raise SignalUnsupportedError(
                f"This car does not report {name}: leave it out or choose another car."
            )
        wanted.setdefault((ecu, signal.pid), []).append(signal)
        rate = given.get(name, signal.rate_hz)
        rates[ecu, signal.pid] = max(rate, rates.get((ecu, signal.pid), 0.0))
    order = {pid: k for k, pid in enumerate(pid for group in TOGETHER for pid in group)}
    groups: dict[tuple[str, int], list[int]] = {}
    for key in sorted(wanted, key=lambda key: (order.get(key[1], 999), key[1])):
        rate = min(_RATES_HZ, key=lambda hz: abs(hz - rates[key]))
        groups.setdefault((key[0], round(_RATES_HZ[0] / rate)), []).append(key[1])
    requests: list[_Request] = []
    for (ecu, every), pids in sorted(groups.items(), key=lambda item: item[0][1]):
        for start in range(0, len(pids), MAX_PACKED):
            packed = [s for pid in pids[start : start + MAX_PACKED] for s in wanted[ecu, pid]]
            read = drive.reader(ecu, [s.acronym for s in packed])
            requests.append(_Request(ecu, every, len(requests) % every, packed, read))
    return requests
