"""When the engine stood still, and when it was started, by all signals that can tell.

A reading says what was when it was taken. Where signals are read one after the other, an engine
speed of 0 is still shown while the starter turns, and one that is stuck at 0 is shown all the time:
the engine stood still only between readings that say so, and only where manifold pressure, airflow
and voltage do not say that it runs.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from logbench.analysis.alignment import NS, edges, places
from logbench.analysis.grid import Traces
from logbench.analysis.model import Span
from logbench.recording.model import Trace

TURNS_RPM = 50.0
"""From here on the crankshaft turns."""
RUNS_RPM = 450.0
"""From here on the engine runs; no starter turns it that fast. [CP]"""
LONGEST_START_S = 15.0
"""A start is over by then, in vain; a crankshaft that stands for less between turns of the starter
does not rest."""
PAUSE_S = 3.0
"""So long manifold and battery settle after the engine has been switched off."""

BEFORE_S = 2.0
"""A reading that old still tells what the engine does. [CP]"""
FALLEN_KPA = 3.0
"""Manifold pressure that falls by more than the rounding of two readings: the pistons draw."""
SAGGED_V, STARTER_V = 0.5, 2.0
"""Falls from one reading to a later one: by about 100 A, more than lamps and pump; by the starter.
[CP]"""
DRAWN_SHARE, DRAWN_KPA = 0.8, 55.0
"""Manifold pressure that only a running engine draws: share of the barometric pressure; without
one, less than there is on any road."""
FLOWING_G_S = 1.5
"""Airflow beyond the offset of a sensor in still air. [CP]"""
CHARGED_V = 13.2
"""No battery at rest holds more: something charges it. [CP]"""


@dataclass(frozen=True, slots=True)
class Standing:
    """Where the engine speed is 0, and what that is worth.

    `still`: the engine stood still, from the first to the last reading that says so, in order;
    `contradicted`: other signals say that it ran; `starts`: from the last reading of the standing
    engine to the first of the running one, or for as long as the starter turned it in vain;
    `ran_ns`: when the engine was first seen to run, None where it never was.
    """

    still: tuple[Span, ...] = ()
    contradicted: tuple[Span, ...] = ()
    starts: tuple[Span, ...] = ()
    ran_ns: int | None = None

    @property
    def key_on(self) -> tuple[Span, ...]:
        """Standstills before the engine first ran: key on, engine off."""
        return tuple(s for s in self.still if self.ran_ns is None or s.end_ns <= self.ran_ns)


def find_standing(traces: Traces) -> Standing:
    """By the readings of `RPM`; nothing where it was not recorded."""
    rpm = traces.first("RPM")
    if rpm is None:
        return Standing()
    rpm = rpm.part(np.isfinite(rpm.value))
    blocks, drawn_kpa = _blocks(rpm), _drawn_kpa(traces)
    still, contradicted, starts = [], [], []
    following = [*(first for first, _ in blocks[1:]), len(rpm)]
    for (first, last), end in zip(blocks, following, strict=False):
        block = Span(int(rpm.t_ns[first]), int(rpm.t_ns[last]) + 1)
        if first == 0:  # what was read before it says the same
            block = Span(min(block.start_ns, _beginning(traces)), block.end_ns)
        if _runs(traces, block, drawn_kpa):
            contradicted.append(block)
            continue
        settled_ns = block.start_ns + (int(PAUSE_S * NS) if first else 0)
        block = Span(block.start_ns, _first_sign(traces, settled_ns, block))
        still.append(block)
        end_ns = _end_of_start(traces, rpm, (last + 1, end), block)
        if end_ns is not None:
            starts.append(Span(block.end_ns, end_ns))
    ran = np.flatnonzero(rpm.value >= RUNS_RPM)
    ran_ns = int(rpm.t_ns[ran[0]]) if len(ran) else None
    return Standing(tuple(still), tuple(contradicted), tuple(starts), ran_ns)


def _blocks(rpm: Trace) -> list[tuple[int, int]]:
    """First and last reading of each standstill; one between turns of the starter is none."""
    out: list[tuple[int, int]] = []
    for a, end in edges(rpm.value < TURNS_RPM):
        soon = bool(out) and rpm.t_ns[a] - rpm.t_ns[out[-1][1]] < LONGEST_START_S * NS
        if not (soon and (rpm.value[out[-1][1] : a] < RUNS_RPM).all()):
            out.append((a, end - 1))
    return out


def _beginning(traces: Traces) -> int:
    found = (traces.first(name) for name in ("RPM", "MAP", "BARO", "VPWR"))
    return min(int(trace.t_ns[0]) for trace in found if trace is not None)


def _end_of_start(traces: Traces, rpm: Trace, among: tuple[int, int], still: Span) -> int | None:
    """When the engine was first seen to run, of the readings `among`; in vain, the last reading of
    a turning crankshaft or of a voltage that only the starter draws down; None without either."""
    from_ns = int(rpm.t_ns[among[0] - 1])
    until_ns = from_ns + int(LONGEST_START_S * NS)
    later = rpm.part(np.arange(*among))
    later = later.part(later.t_ns <= until_ns)
    runs = np.flatnonzero(later.value >= RUNS_RPM)
    if len(runs):
        return int(later.t_ns[runs[0]])
    turning_ns = [int(t) for t in later.t_ns[later.value >= TURNS_RPM]]
    rest = _read(traces, "VPWR", still)
    drawn = _read(traces, "VPWR", Span(still.end_ns, until_ns))
    if rest is not None and drawn is not None:
        low = drawn.value < np.median(rest.value) - STARTER_V
        turning_ns += [int(t) for t in drawn.t_ns[low]]
    return max(turning_ns, default=None)


def _read(traces: Traces, name: str, block: Span) -> Trace | None:
    """The finite readings of a signal in a stretch; None where there are none."""
    trace = traces.first(name)
    if trace is None:
        return None
    ((first, end),) = places(trace.t_ns, [block])
    part = trace.part(np.arange(first, end))
    part = part.part(np.isfinite(part.value))
    return part if len(part) else None


def _drawn_kpa(traces: Traces) -> float:
    baro = traces.first("BARO")
    around = 0.0 if baro is None else DRAWN_SHARE * float(np.nanmedian(baro.value))
    return max(around, DRAWN_KPA)


def _runs(traces: Traces, block: Span, drawn_kpa: float) -> bool:
    """Whether most of what else was read in a stretch, or just before it, says that the engine
    runs."""

    def middle(name: str) -> float | None:
        just_before = Span(block.start_ns - int(BEFORE_S * NS), block.start_ns)
        found = _read(traces, name, block) or _read(traces, name, just_before)
        return None if found is None else float(np.median(found.value))

    drawn, flow, volts = middle("MAP"), middle("MAF"), middle("VPWR")
    if drawn is None and flow is None:
        return volts is not None and volts > CHARGED_V
    return (drawn is not None and drawn < drawn_kpa) or (flow or 0.0) > FLOWING_G_S


def _first_sign(traces: Traces, settled_ns: int, block: Span) -> int:
    """When something first tells that the starter turns though the engine speed does not yet; the
    end of the block where nothing does."""
    end_ns = block.end_ns
    for name, fall in (("MAP", FALLEN_KPA), ("VPWR", SAGGED_V)):
        read = _read(traces, name, Span(settled_ns, block.end_ns))
        if read is not None:
            fallen = np.flatnonzero(np.maximum.accumulate(read.value) - read.value > fall)
            if len(fallen):
                end_ns = min(end_ns, int(read.t_ns[fallen[0]]))
    return end_ns
