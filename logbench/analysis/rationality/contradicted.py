"""Signals that the others contradict: a standing car whose engine pulls, a standing engine that
runs."""

from __future__ import annotations

from collections.abc import Iterator, Sequence

import numpy as np

from logbench.analysis.alignment import NS, Mask, edges, inside, previous, total_s
from logbench.analysis.model import Span, Verdict
from logbench.analysis.rationality.model import Kind, Oddity, span_of, when
from logbench.analysis.statement import said
from logbench.recording.model import Trace

HELD_S = 5.0
"""A value stands for the moments after it, so long at most."""

PULLS_PCT, PULLS_RPM, PULL_S, PULLS = 60.0, 1000.0, 1.5, 3
"""An engine that nothing holds gathers speed within a second: calculated load above 60 % for longer
is a car that pulls, or a brake test; three times within one standstill is not a test. [CP]"""

LEAST_S = 30.0
"""A standstill is that long before it can matter; readings that are only late are shorter."""


def find_contradicted(traces: dict[str, Trace], ran: Sequence[Span]) -> Iterator[Oddity]:
    """Road and engine speeds of 0 that cannot be; `ran`: where the engine speed is 0 and the engine
    runs (`starts.Standing.contradicted`)."""
    speed, rpm = traces.get("VSS"), traces.get("RPM")
    if speed is not None and rpm is not None and "LOAD_PCT" in traces:
        yield from _standing_and_pulling(speed, rpm, traces["LOAD_PCT"])
    if rpm is not None and total_s(ran) >= LEAST_S:
        yield _still_and_running(rpm, ran)


def _standing_and_pulling(speed: Trace, rpm: Trace, load: Trace) -> Iterator[Oddity]:
    turns = previous(rpm, load.t_ns, HELD_S)
    pulls = (load.value >= PULLS_PCT) & (turns >= PULLS_RPM)
    out, pulled = np.zeros(len(speed), dtype=bool), 0
    evidence = []
    for first, last in _zero_runs(speed):
        during = (load.t_ns >= speed.t_ns[first]) & (load.t_ns <= speed.t_ns[last])
        long = [
            (a, b - 1)
            for a, b in edges(pulls & during)
            if load.t_ns[b - 1] - load.t_ns[a] >= PULL_S * NS
        ]
        if len(long) >= PULLS:
            out[first : last + 1] = True
            pulled += len(long)
            evidence += [span_of(load, a, b) for a, b in long]
    if not pulled:
        return
    clause = said(
        "it stays at {zero:.0f km/h}, {when}, while the engine pulls at {pct:.0f %} load or more"
        " {n} times",
        zero=0.0,
        when=_when(speed, out),
        pct=PULLS_PCT,
        n=pulled,
    )
    yield Oddity(speed.signal, speed.ecu, clause, out, Verdict.WATCH, Kind.STANDS, tuple(evidence))


def _still_and_running(rpm: Trace, ran: Sequence[Span]) -> Oddity:
    """Nothing is left out: it is the driving conditions that go by it, and they know."""
    clause = said(
        "it is {zero:.0f rpm}, {when}, while the others say that the engine runs",
        zero=0.0,
        when=_when(rpm, inside(rpm.t_ns, ran)),
    )
    out = np.zeros(len(rpm), dtype=bool)
    return Oddity(rpm.signal, rpm.ecu, clause, out, Verdict.WATCH, Kind.STANDS, tuple(ran))


def _zero_runs(trace: Trace) -> list[tuple[int, int]]:
    """First and last reading of every stretch of 0 that is long enough to matter."""
    found = [(a, b - 1) for a, b in edges(trace.value == 0.0)]
    return [(a, b) for a, b in found if trace.t_ns[b] - trace.t_ns[a] >= LEAST_S * NS]


def _when(trace: Trace, out: Mask) -> str:
    index = np.flatnonzero(out)
    return when(trace, int(index[0]), int(index[-1]))
