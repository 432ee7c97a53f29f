"""One signal against another: pairs of values, and cells of a grid."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from logbench.analysis.alignment import previous
from logbench.analysis.model import ConditionSpan, Span
from logbench.plot.trace import StripTrace
from logbench.recording.model import Trace
from logbench.signals.numbers import value_ticks

Floats = npt.NDArray[np.float64]
Ints = npt.NDArray[np.int64]
_OLDEST_S = 1.0
"""A value is paired with another for at most this long, or twice its signal's usual interval."""
FEWEST_IN_CELL = 3


@dataclass(frozen=True)
class Pairs:
    """Values of up to three signals at the same times; all shape (n,), x and y without NaN."""

    t_ns: Ints
    x: Floats
    y: Floats
    z: Floats | None


@dataclass(frozen=True)
class Cells:
    """A grid. `x_edges` (m + 1,), `y_edges` (k + 1,); `count`, `median`, `spread` (k, m).

    `spread` is the distance between the quartiles. NaN where a cell has fewer than
    `FEWEST_IN_CELL` values.
    """

    x_edges: Floats
    y_edges: Floats
    count: Ints
    median: Floats
    spread: Floats


def pair(
    x: StripTrace, y: StripTrace, z: StripTrace | None, start_ns: float, end_ns: float
) -> Pairs:
    """The values of `y` (and `z`) at the samples of `x` between two times."""
    t_ns, x_values = x.pyramid.between(round(start_ns), round(end_ns))
    y_values = _at(y, t_ns)
    known = np.isfinite(x_values) & np.isfinite(y_values)
    z_values = None if z is None else _at(z, t_ns)
    return Pairs(
        t_ns[known],
        x_values[known],
        y_values[known],
        None if z_values is None else z_values[known],
    )


def cells(pairs: Pairs, most: int = 10) -> Cells:
    """Sort pairs into round cells, at most about `most` each way, and sum up `z` (or `y`)."""
    x_edges, y_edges = _edges(pairs.x, most), _edges(pairs.y, most)
    shape = (len(y_edges) - 1, len(x_edges) - 1)
    values = pairs.y if pairs.z is None else pairs.z
    column = np.clip(np.searchsorted(x_edges, pairs.x, side="right") - 1, 0, shape[1] - 1)
    row = np.clip(np.searchsorted(y_edges, pairs.y, side="right") - 1, 0, shape[0] - 1)
    known = np.isfinite(values)
    cell, values = (row * shape[1] + column)[known], values[known]
    count = np.bincount(cell, minlength=shape[0] * shape[1]).astype(np.int64)
    median, spread = np.full(count.shape, np.nan), np.full(count.shape, np.nan)
    order = np.argsort(cell, kind="stable")
    ends = np.cumsum(count)
    for place in np.flatnonzero(count >= FEWEST_IN_CELL):
        mine = values[order[ends[place] - count[place] : ends[place]]]
        low, middle, high = np.percentile(mine, (25, 50, 75))
        median[place], spread[place] = middle, high - low
    return Cells(
        x_edges, y_edges, count.reshape(shape), median.reshape(shape), spread.reshape(shape)
    )


def condition_of(t_ns: Ints, conditions: Sequence[ConditionSpan]) -> Ints:
    """Place in `conditions` of the span that each time lies in, -1 for none."""
    if not conditions:
        return np.full(len(t_ns), -1, np.int64)
    starts = np.array([c.start_ns for c in conditions], np.int64)
    ends = np.array([c.end_ns for c in conditions], np.int64)
    place = np.searchsorted(starts, t_ns, side="right") - 1
    inside = (place >= 0) & (t_ns < ends[np.maximum(place, 0)])
    return np.where(inside, place, -1)


def spans_of(t_ns: Ints, chosen: npt.NDArray[np.bool_], join_ns: int) -> tuple[Span, ...]:
    """The times chosen as spans; those at most `join_ns` apart are one."""
    times = t_ns[chosen]
    if not len(times):
        return ()
    breaks = np.flatnonzero(np.diff(times) > join_ns)
    starts = times[np.concatenate([[0], breaks + 1])]
    ends = times[np.concatenate([breaks, [len(times) - 1]])]
    return tuple(Span(int(a), int(b) + join_ns // 2) for a, b in zip(starts, ends, strict=True))


def _at(trace: StripTrace, t_ns: Ints) -> Floats:
    if not len(t_ns):
        return np.empty(0)
    oldest_ns = int(max(_OLDEST_S * 1e9, 2 * trace.pyramid.interval_ns))
    times, values = trace.pyramid.between(int(t_ns[0]) - oldest_ns, int(t_ns[-1]) + 1)
    held = Trace(trace.signal, trace.ecu, trace.unit, times, values)
    usual_s = held.interval_s
    oldest_s = max(_OLDEST_S, 2 * usual_s if np.isfinite(usual_s) else 0.0)
    return previous(held, t_ns, oldest_s)


def _edges(values: Floats, most: int) -> Floats:
    low, high = (float(values.min()), float(values.max())) if len(values) else (0.0, 1.0)
    if high - low < 1e-9:
        low, high = low - 0.5, high + 0.5
    ticks = value_ticks(low, high, most)
    if len(ticks) < 2:
        return np.array([low, high])
    step = ticks[1] - ticks[0]
    first = ticks[0] - step if ticks[0] > low else ticks[0]
    last = ticks[-1] + step if ticks[-1] <= high else ticks[-1]
    return np.asarray(first + step * np.arange(round((last - first) / step) + 1), np.float64)
