"""When the values in a table of another program were really read: a value that is only repeated is
no sample.

Many loggers write rows faster than they ask the car, and repeat what they had. A signal that moves
gives it away: it never changes in two rows that follow each other. How long it is held is seen at
its changes; between two of them that lie further apart, it was read so often as fits.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from scipy.special import bdtr

from logbench.recording.model import Trace

Rows = npt.NDArray[np.intp]

_BY_CHANCE = 1e-6
"""So improbable must it be that a signal which is read in every row, and changes in one row as well
as in another, never changed sooner than it did."""
_SIZES = 4
"""Steps of different sizes that a signal must make to be evidence: one that climbs by its smallest
step, as a temperature or a counter does, changes evenly by itself."""
_ODD_SHARE = 0.01
"""Of all changes, those that may come sooner than a value is held, or one: rows written late."""
_MOST_HELD = 200
"""Rows: a value that is held longer cannot be told from one that stands still."""
_AGREE = 2 / 3
"""Of the signals of which it can be told, those that must be held before it is taken for the way in
which the whole table was written."""


@dataclass(frozen=True, slots=True)
class Renewal:
    """How one signal of a table was read.

    `rows`: the rows in which it was read. `held`: how many rows a value stands in, on average; 1.0
    where every row is a reading. `inferred`: from other signals of the table, because it hardly
    moves itself.
    """

    rows: Rows
    held: float = 1.0
    inferred: bool = False

    def of(self, trace: Trace) -> Trace:
        """The readings of the trace that this was found for."""
        return trace if len(self.rows) == len(trace) else trace.part(self.rows)


def readings(traces: Sequence[Trace]) -> list[Trace]:
    """Of each trace the samples that were really read."""
    return [renewal.of(t) for t, renewal in zip(traces, renewals(traces), strict=True)]


def apart_s(one: Trace, other: Trace) -> float:
    """Seconds from a reading of one trace to the nearest of another, median; both in order and not
    empty."""
    place = np.clip(np.searchsorted(other.t_ns, one.t_ns), 0, len(other) - 1)
    away = [np.abs(other.t_ns[at] - one.t_ns) for at in (np.maximum(place - 1, 0), place)]
    return float(np.median(np.minimum(*away))) / 1e9


def renewals(traces: Sequence[Trace]) -> list[Renewal]:
    """How each of some traces was read; those that share all their times are one table."""
    tables: dict[bytes, list[int]] = {}
    for number, trace in enumerate(traces):
        tables.setdefault(trace.t_ns.tobytes(), []).append(number)
    found: dict[int, Renewal] = {}
    for numbers in tables.values():
        values = [traces[number].value for number in numbers]
        found.update(zip(numbers, _of_table(values), strict=True))
    return [found[number] for number in range(len(traces))]


def _of_table(values: Sequence[npt.NDArray[np.float64]]) -> list[Renewal]:
    n = len(values[0])
    if n == 0:
        return [Renewal(np.empty(0, np.intp)) for _ in values]
    changes = [_changes(value) for value in values]
    cycles = [_cycle(value, rows) for value, rows in zip(values, changes, strict=True)]
    told = [cycle for cycle in cycles if cycle is not None]
    held = [cycle for cycle in told if cycle > 1.0]
    common = float(np.median(held)) if len(held) >= max(1.0, _AGREE * len(told)) else 1.0
    return [
        Renewal(_read_at(rows, n, cycle or common), cycle or common, inferred=cycle is None)
        for rows, cycle in zip(changes, cycles, strict=True)
    ]


def _changes(value: npt.NDArray[np.float64]) -> Rows:
    """Rows that hold another value than the row before."""
    now, before = value[1:], value[:-1]
    return np.flatnonzero((now != before) & ~(np.isnan(now) & np.isnan(before))) + 1


def _cycle(value: npt.NDArray[np.float64], changes: Rows) -> float | None:
    """Rows from one reading of a signal to the next, by the rows in which it changes; 1.0 where it
    is read in every row, None where it moves too little, or too evenly, to be told."""
    apart = np.diff(changes)
    steps = np.abs(value[changes] - value[changes - 1])
    if len(np.unique(steps[np.isfinite(steps)].round(6))) < _SIZES:
        return None
    often = np.bincount(np.minimum(apart, _MOST_HELD))
    odd = max(1.0, _ODD_SHARE * len(apart))
    shortest = int(np.searchsorted(np.cumsum(often), odd, side="right"))
    if shortest <= 1:
        return 1.0
    sooner = -np.expm1((shortest - 1) * np.log1p(-len(changes) / len(value)))
    by_chance = bdtr(int(often[:shortest].sum()), len(apart), sooner)
    return _mean_cycle(apart, shortest) if by_chance < _BY_CHANCE else None


def _mean_cycle(apart: Rows, shortest: int) -> float:
    """Of the distances that are a single reading: shorter than two of the shortest."""
    single = apart[(apart >= shortest) & (apart < 2 * shortest)]
    return float(single.mean())


def _read_at(changes: Rows, n: int, cycle: float) -> Rows:
    """Every change, and in between so many readings as fit, evenly."""
    if cycle <= 1.0:
        return np.arange(n)
    starts = np.concatenate([[0], changes])
    apart = np.diff(np.append(starts, n))
    times = np.maximum(1, np.rint(apart / cycle).astype(np.intp))
    start, step = np.repeat(starts, times), np.repeat(apart / times, times)
    within = np.arange(times.sum()) - np.repeat(np.cumsum(times) - times, times)
    return np.asarray(start + np.rint(within * step).astype(np.intp))
