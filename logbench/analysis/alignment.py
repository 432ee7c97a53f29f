"""One signal at the times of another, without inventing anything.

A sample of exactly the wanted time (the same request) always wins. Between samples, a value is
given only where a real sample is near enough in time; across a gap the answer is NaN.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import numpy.typing as npt

from logbench.analysis.model import Span
from logbench.recording.model import Trace

Times = npt.NDArray[np.int64]
Values = npt.NDArray[np.float64]
Mask = npt.NDArray[np.bool_]

NS = 1_000_000_000
"""Nanoseconds in a second."""


def previous(trace: Trace, t_ns: Times, max_age_s: float) -> Values:
    """The last value of `trace` at or before each time, shape of `t_ns`.

    NaN where there is none, where it is older than `max_age_s`, or where it is itself NaN. Of
    several samples with one time stamp the last counts.
    """
    out = np.full(len(t_ns), np.nan)
    if len(trace) == 0:
        return out
    index = np.searchsorted(trace.t_ns, t_ns, side="right") - 1
    safe = np.maximum(index, 0)
    good = (index >= 0) & (t_ns - trace.t_ns[safe] <= max_age_s * NS)
    out[good] = trace.value[safe[good]]
    return out


def linear(trace: Trace, t_ns: Times, max_gap_s: float) -> Values:
    """`trace` at each time on the straight line between its neighbors, shape of `t_ns`.

    A sample of exactly that time is taken as it is. NaN before the first and after the last sample,
    where the neighbors are more than `max_gap_s` apart, and where one of them is NaN.
    """
    out = np.full(len(t_ns), np.nan)
    n = len(trace)
    if n == 0:
        return out
    right = np.searchsorted(trace.t_ns, t_ns, side="left")
    held = np.minimum(right, n - 1)
    exact = trace.t_ns[held] == t_ns
    out[exact] = trace.value[held[exact]]
    between = ~exact & (right > 0) & (right < n)
    b = right[between]
    t0, t1 = trace.t_ns[b - 1], trace.t_ns[b]
    share = (t_ns[between] - t0) / (t1 - t0)
    value = trace.value[b - 1] * (1.0 - share) + trace.value[b] * share
    out[between] = np.where(t1 - t0 <= max_gap_s * NS, value, np.nan)
    return out


def same_request(trace: Trace, t_ns: Times) -> Values:
    """The value of `trace` with exactly each time stamp, NaN elsewhere: samples of one request."""
    return previous(trace, t_ns, 0.0)


def inside(t_ns: Times, spans: Sequence[Span]) -> Mask:
    """True for every time that lies in one of `spans`. Times and spans are in order, and the spans
    do not overlap."""
    return owner(t_ns, spans) >= 0


def owner(t_ns: Times, spans: Sequence[Span]) -> npt.NDArray[np.intp]:
    """Index of the span that each time lies in, -1 for none. Spans as in `inside`."""
    out = np.full(len(t_ns), -1, dtype=np.intp)
    for k, (first, end) in enumerate(places(t_ns, spans)):
        out[first:end] = k
    return out


def places(t_ns: Times, spans: Sequence[Span]) -> list[tuple[int, int]]:
    """For each span the places in `t_ns` (in order) of its first time and of the first after it."""
    bounds = np.array([(s.start_ns, s.end_ns) for s in spans], dtype=np.int64).reshape(-1, 2)
    return [(int(a), int(b)) for a, b in np.searchsorted(t_ns, bounds, side="left")]


def runs(mask: Mask, t_ns: Times, step_ns: int) -> tuple[Span, ...]:
    """The stretches where `mask` is true, as spans from their first sample to one step after the
    last; `t_ns` is in order and as long as `mask`."""
    return tuple(Span(int(t_ns[a]), int(t_ns[b - 1]) + step_ns) for a, b in edges(mask))


def edges(mask: Mask) -> list[tuple[int, int]]:
    """Start and end (excluded) of each stretch where `mask` is true."""
    turns = np.flatnonzero(np.diff(np.concatenate(([False], mask, [False])).astype(np.int8)))
    return [(int(a), int(b)) for a, b in zip(turns[::2], turns[1::2], strict=True)]


def total_s(spans: Sequence[Span]) -> float:
    """Length of all spans together in seconds."""
    return float(sum(s.duration_s for s in spans))
