"""Signals that stand still while they should have moved.

The drive is cut into windows, and each window put into a class by what the *other* signals did in
it: how much they moved, or whether the car stood and the engine warmed up. How often the signal
moves in windows of a class is learned from the rest of the recording, and to begin with from what
physics demands. The longest stretch of one value is then as improbable as all its windows together:
`-log(1 - share)` each, summed. Windows follow each other, so each counts a limited amount, and less
where even a sound sensor may have come to rest. The value itself is never judged.
"""

from __future__ import annotations

from collections.abc import Callable, Container, Iterator
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from logbench.analysis.alignment import NS, Mask, Times, Values
from logbench.analysis.conditions import WARM_DEGC
from logbench.analysis.model import Verdict
from logbench.analysis.rationality.model import Kind, Oddity, marked, span_of, when
from logbench.analysis.rationality.windows import Windows, longest_gap_ns
from logbench.analysis.statement import Quantity, said
from logbench.recording.model import Trace
from logbench.signals.table import table

Classes = npt.NDArray[np.int8]

ENOUGH = 8.0
"""Natural logarithm of the odds (3,000 to 1) that a stretch must reach beyond any other stretch of
the same recording."""
SURE = 20.0
"""From there on it is past doubt."""
MOST_EACH = 1.5
"""A window alone counts at most that: it is never quite independent of the one before."""
RUNS = 3
"""The longest stretches of one value that are looked at."""
LEAST_READINGS = 6
TURNS_RPM = 450.0

ABRUPT = 4.0
"""What approaches a level by its smallest step holds each value about twice as long as the one
before, and the last but one a time constant long. [Calc]"""

MOVES = {
    **{"RPM": 500.0, "VSS": 20.0, "MAP": 20.0, "MAF": 10.0, "LOAD_PCT": 30.0, "LOAD_ABS": 20.0},
    **{"TP": 10.0, "APP_D": 10.0, "SPARKADV": 15.0},
}
"""Signals that show that something happens, and what is much for each; in a recording where it
moves further, its range from 5 to 95 of 100 readings."""
STEPS = (0.05, 0.15, 0.4)
"""Ends of the classes of activity: hardly any, some, clear, strong. [CP]"""
MOST_MOVING = 3
BY_ACTIVITY = (0.25, 0.5, 1.0, 1.0)
"""What a window of each class counts: at a steady speed on a level road air and speed may rest."""


@dataclass(frozen=True, slots=True)
class Windowed:
    """Windows of one trace: their numbers, whether it moved, its class (-1: tells nothing), and how
    much each counts."""

    window: Times
    moved: Mask
    kind: Classes
    weight: Values


Kinds = Callable[[Trace, Windows, Times], tuple[Classes, Values]]


@dataclass(frozen=True, slots=True)
class Mover:
    """How a signal should move. `prior`: for each class (moved, of) windows that physics stands
    for. `least_s`: shorter stretches are not looked at."""

    kinds: Kinds
    prior: tuple[tuple[float, float], ...]
    window_s: float = 10.0
    least_s: float = 30.0
    rests: bool = False
    """Whether it may stay at its lowest or highest value for as long as it likes."""
    exact: bool = False
    """Whether a sibling under another PID is something else."""
    settles: bool = False
    """Whether it may come to rest by itself, slower and slower: then a stretch must be `ABRUPT`
    times as long as the two before it."""


def find_frozen(traces: dict[str, Trace]) -> Iterator[Oddity]:
    """The signals of a recording, by acronym, that stand still."""
    cut: dict[float, Windows] = {}
    for acronym, mover in MOVERS.items():
        trace = traces.get(acronym)
        if trace is None or (mover.exact and trace.signal != acronym):
            continue
        step_s = max(mover.window_s, 4.0 * trace.interval_s)
        if not np.isfinite(step_s) or step_s > 120.0:
            continue
        windows = cut.setdefault(step_s, Windows(step_s, traces))
        found = _look(trace, mover, windows)
        if found is not None:
            yield _oddity(trace, *found)


def _look(trace: Trace, mover: Mover, windows: Windows) -> tuple[int, int, float] | None:
    """First and last reading of the stretch, and how improbable it is."""
    runs = _longest_runs(trace, mover)
    if not runs:
        return None
    of = _windowed(trace, mover, windows)
    odds = [_odds(of, mover, windows.step_ns, trace.t_ns[list(run)]) for run in runs]
    best = int(np.argmax(odds))
    other = max((o for k, o in enumerate(odds) if k != best), default=0.0)
    if odds[best] - other < ENOUGH:
        return None
    return *runs[best], odds[best] - other


def _longest_runs(trace: Trace, mover: Mover) -> list[tuple[int, int]]:
    value = trace.value
    breaks = (np.diff(value) != 0.0) | (np.diff(trace.t_ns) > longest_gap_ns(trace))
    first = np.concatenate(([0], np.flatnonzero(breaks) + 1))
    last = np.append(first[1:], len(value)) - 1
    long = trace.t_ns[last] - trace.t_ns[first]
    kept = (long >= mover.least_s * NS) & (last - first + 1 >= LEAST_READINGS)
    if mover.rests:
        low, high = np.nanmin(value), np.nanmax(value)
        kept &= (value[first] > low) & (value[first] < high)
    if mover.settles:
        before = np.concatenate(([0], long[:-1]))
        before = np.maximum(before, np.concatenate(([0], before[:-1])))
        kept &= long >= ABRUPT * before
    order = np.argsort(-long, kind="stable")
    return [(int(first[k]), int(last[k])) for k in order[:RUNS] if kept[k]]


def _windowed(trace: Trace, mover: Mover, windows: Windows) -> Windowed:
    seen = windows.seen(trace.signal)
    kind, weight = mover.kinds(trace, windows, seen.window)
    return Windowed(seen.window, seen.highest > seen.lowest, kind, weight)


def _odds(of: Windowed, mover: Mover, step_ns: int, run_ns: Times) -> float:
    start = of.window * step_ns
    inside = (start >= run_ns[0]) & (start + step_ns <= run_ns[1]) & (of.kind >= 0)
    rest = ((start + step_ns <= run_ns[0]) | (start >= run_ns[1])) & (of.kind >= 0)
    among = int(np.count_nonzero(rest & of.moved)) / max(1, int(np.count_nonzero(rest)))
    total = 0.0
    for kind, (moved, seen) in enumerate(mover.prior):
        alike = rest & (of.kind == kind)
        hits = np.count_nonzero(alike & of.moved) + moved + among
        share = hits / (np.count_nonzero(alike) + seen + 2.0)
        each = min(MOST_EACH, -np.log1p(-share))
        total += each * float(of.weight[inside & (of.kind == kind)].sum())
    return total


def _oddity(trace: Trace, first: int, last: int, odds: float) -> Oddity:
    value, unit = float(trace.value[first]), table().by_acronym(trace.signal).unit
    clause = said(
        "it keeps one value, {value}, {when}",
        value=Quantity(value, unit, decimals=0 if value == round(value) else None),
        when=when(trace, first, last),
    )
    out = marked(trace, first if first == 0 else first + 1, last)
    verdict = Verdict.ACT if odds >= SURE else Verdict.WATCH
    evidence = (span_of(trace, first, last),)
    return Oddity(trace.signal, trace.ecu, clause, out, verdict, Kind.FROZEN, evidence)


# --- classes of windows ---


def _others_move(trace: Trace, windows: Windows, window: Times) -> list[Values]:
    """How far each other signal of `MOVES` moved, as a share of what is much."""
    moves = []
    for acronym, much in MOVES.items():
        seen = windows.seen(acronym)
        if acronym != trace.signal and len(seen.window):
            spread = float(np.ptp(np.percentile(seen.mean, (5.0, 95.0))))
            moves.append(np.nan_to_num(seen.range_in(window)) / max(much, spread))
    return moves


def _running(trace: Trace, windows: Windows, window: Times) -> Mask:
    """Where the engine turns and anything else moves at all: a link that has stopped, or a logger
    that repeats every value, is not a matter of one sensor."""
    turns = windows.seen("RPM").mean_in(window) > TURNS_RPM
    moves = _others_move(trace, windows, window)
    return np.asarray(turns & (np.max(moves, axis=0) > 0.0) if moves else np.zeros_like(turns))


def _activity(trace: Trace, windows: Windows, window: Times) -> Classes:
    """How much else moved: 0 hardly anything to 3 much; -1 where that tells nothing."""
    moves = _others_move(trace, windows, window)
    if not moves:
        return np.full(len(window), -1, dtype=np.int8)
    most = np.sort(np.array(moves), axis=0)[::-1][:MOST_MOVING]
    kind: Classes = np.digitize(most.mean(axis=0), STEPS).astype(np.int8)
    kind[(most[0] == 0.0) | ~(windows.seen("RPM").mean_in(window) > TURNS_RPM)] = -1
    return kind


def _with_others(trace: Trace, windows: Windows, window: Times) -> tuple[Classes, Values]:
    kind = _activity(trace, windows, window)
    return kind, np.array(BY_ACTIVITY)[np.maximum(kind, 0)]


def _with_clear_moves(trace: Trace, windows: Windows, window: Times) -> tuple[Classes, Values]:
    """As `_with_others`; what is coarse tells nothing where the others hardly move."""
    kind = _activity(trace, windows, window)
    return kind, (kind >= 2).astype(np.float64)


def _while_moving(trace: Trace, windows: Windows, window: Times) -> tuple[Classes, Values]:
    """Of the road speed: that it stands at 0 is not a matter of chance (see `contradicted`)."""
    kind = _activity(trace, windows, window)
    weight = np.array(BY_ACTIVITY)[np.maximum(kind, 0)]
    return kind, weight * (windows.seen(trace.signal).mean_in(window) > 0.0)


def _in_closed_loop(trace: Trace, windows: Windows, window: Times) -> tuple[Classes, Values]:
    """0 where the mixture is controlled; where that is not recorded, a minute after the start and
    from 60 degC on: then a trim of exactly 0 may be one that is switched off."""
    turning = _running(trace, windows, window)
    status = windows.seen("FUELSYS1")
    if len(status.window):
        closed = np.isin(status.mean_in(window), (2.0, 16.0))
        return np.where(turning & closed, 0, -1).astype(np.int8), np.ones(len(window))
    ran_s = np.cumsum(turning) * windows.step_ns / NS
    coolant = windows.seen("ECT").mean_in(window)
    closed = turning & (ran_s > 60.0) & ~(coolant < 60.0)
    return np.where(closed, 0, -1).astype(np.int8), _unless_off(trace, windows, window)


def _unless_off(trace: Trace, windows: Windows, window: Times) -> Values:
    """How much a window counts in which the trim may be switched off: not at all where it is 0 on
    the overrun, or never anything else; half where it is 0 otherwise."""
    zero = windows.seen(trace.signal).mean_in(window) == 0.0
    if zero.all():
        return np.zeros(len(window))
    rolls = windows.seen("VSS").mean_in(window) >= TOWN_KMH
    overrun = rolls & (windows.seen("LOAD_PCT").mean_in(window) < OVERRUN_PCT)
    return np.where(zero, np.where(overrun, 0.0, 0.5), 1.0)


OVERRUN_PCT = 20.0
"""Of calculated load: no car rolls on with less for long, but for its fuel being cut. [CP]"""
STANDS, TOWN, ROAD, COLD = 0, 1, 2, 3
TOWN_KMH, ROAD_KMH = 2.0, 20.0
STEADY_KMH, STEADY, LONG_IDLE_S, LONG_IDLE = 15.0, 0.2, 600.0, 0.2
"""On a steady road, and after ten minutes of standing, temperatures may have come to rest: such a
window counts a fifth."""
LEVEL = 3.0 / 8.0
"""A thermostat holds warm coolant to the count for minutes (of a standing car of the open road data
for up to 6.5 [measured]): such a window counts that much."""
COLD_IDLE = 0.75
"""The same of an engine that idles in the cold, whose heat goes to the heater and the air. [CP]"""


def _place(trace: Trace, windows: Windows, window: Times) -> tuple[Classes, Values]:
    """Whether the car stood, drove slowly or on the road; how much each window counts."""
    kmh = windows.seen("VSS").mean_in(window)
    kind = np.digitize(np.nan_to_num(kmh), (TOWN_KMH, ROAD_KMH)).astype(np.int8)
    changes = np.abs(np.diff(np.nan_to_num(kmh), prepend=kmh[:1])) > STEADY_KMH
    weight = np.where((kind == ROAD) & ~changes, STEADY, 1.0)
    index = np.arange(len(kind))
    since = index - np.maximum.accumulate(np.where(kind != STANDS, index, 0))
    weight[(kind == STANDS) & (since * windows.step_ns > LONG_IDLE_S * NS)] = LONG_IDLE
    kind[~_running(trace, windows, window)] = -1
    return kind, weight


def _heated(trace: Trace, windows: Windows, window: Times) -> tuple[Classes, Values]:
    """Of the coolant: as the car goes, and by itself while it is cold and the engine runs."""
    kind, weight = _place(trace, windows, window)
    weight[kind >= 0] = np.minimum(weight[kind >= 0], LEVEL)
    cold = windows.seen(trace.signal).mean_in(window) < WARM_DEGC + 5.0
    weight[cold] = np.where(kind[cold] == STANDS, COLD_IDLE, 1.0)
    kind[cold & (kind >= 0)] = COLD
    return kind, weight


_NONE = ((0.0, 0.0),) * 4
_AIR = ((0.0, 0.0), (0.0, 0.0), (1.0, 2.0), (9.0, 10.0))
"""No engine changes its speed or load much, and takes the same air to the count."""
_SOME = ((0.0, 0.0), (0.0, 0.0), (1.0, 2.0), (3.0, 4.0))
_LOOP = ((3.0, 4.0),)
"""A controlled mixture swings about its target: the short trim never rests. [CP]"""
_WARMS = ((0.0, 0.0), (0.0, 0.0), (0.0, 0.0), (2.0, 2.0))
"""A running engine below the thermostat's reach gets warmer: less than 6 K in 5 minutes is a fault
of the sensor. [Pub: P0116 text]"""

MOVERS = {
    **dict.fromkeys(("MAP", "MAF", "RPM"), Mover(_with_others, _AIR)),
    **dict.fromkeys(("LOAD_PCT", "LOAD_ABS"), Mover(_with_clear_moves, _AIR, rests=True)),
    "VSS": Mover(_while_moving, _SOME),
    "TP": Mover(_with_clear_moves, _NONE, rests=True),
    "APP_D": Mover(_with_clear_moves, _NONE, rests=True),
    **dict.fromkeys(
        ("SHRTFT1", "SHRTFT2", "SHRTFT3", "SHRTFT4", "O2S11", "O2S21"),
        Mover(_in_closed_loop, _LOOP, exact=True),
    ),
    "IAT": Mover(_place, _NONE, window_s=30.0, least_s=180.0, settles=True),
    "ECT": Mover(_heated, _WARMS, window_s=30.0, least_s=180.0, settles=True),
}


def movers(traces: Container[str]) -> tuple[str, ...]:
    """Those of some signals that are tested for standing still."""
    return tuple(acronym for acronym in MOVERS if acronym in traces)
