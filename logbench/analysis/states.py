"""States of load: what drives or burdens the engine within a driving condition.

`conditions` says what the car did; here a warm idle is cut where an accessory (compressor, fan,
steering, a gear engaged against the brake) steps the load: two levels of manifold pressure or
calculated load, far apart against the scatter of the readings, each held for seconds. A swing that
changes sides faster is none: that is the engine itself. Between two steps, when the idle control
has settled, lies a plateau; what is said of an idle is said of plateaus. All of it goes by
readings, whatever their rate.
"""

from __future__ import annotations

import itertools
from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from logbench.analysis import alignment
from logbench.analysis.alignment import NS, Mask, Times, Values
from logbench.analysis.engine import Trait
from logbench.analysis.grid import schmitt
from logbench.analysis.model import Condition, Span
from logbench.analysis.view import Samples, View

SETTLE_S = 8.0
"""Idle control has settled so long after a step of load or the foot's coming off: 5 to 9 s [open
road data, measured]."""
EDGE_S = 3.0
"""A driver takes so long to bring in the clutch before the car moves. [CP]"""
DWELL_S = 7.0
"""An accessory holds its load for longer; idle hunting changes sides within 5 s (periods of 2 to
10 s). [CP] The compressor of the open road data is off for 8 to 12 s [measured]."""
DWELLING_SHARE = 0.5
"""Of the time, what must lie in stretches of that length; else it is not an accessory."""
LEVELS_APART, LEAST_STEP = 5.0, 0.1
"""Two levels are two where they lie so many scatters of the readings and this share of the lower
one apart: less is not a burden that idle control has to answer. [CP]"""
STARTED_S = 30.0
"""After a start: flare, the catalyst's heating, the battery's first charge. [CP: 20 to 40 s]"""
LEAST_READINGS = 8
"""Fewer readings of the load show no levels."""
LOADS = ("MAP", "LOAD_PCT", "LOAD_ABS", "MAF")
"""What an accessory steps, the surest first."""
COMPRESSION_LOADS = ("ENG_FUEL_RATE", "FUEL_RATE", "TQ_ACT", "LOAD_PCT", "RPM")
"""The same of compression ignition, whose pressure and air step with recirculation; where nothing
of it was recorded the idle speed, which the control of many raises for a compressor. [CP]"""
LEAST_RPM_STEP = 0.03
"""As `LEAST_STEP`, of the idle speed. [CP: by 50 rpm and more]"""


@dataclass(frozen=True, slots=True)
class IdleSpan(Span):
    """A stretch of warm idle in which the load did not step; `loaded`: whether an accessory burdens
    the engine, None where the drive has no two levels to tell it by."""

    loaded: bool | None


@dataclass(frozen=True, slots=True)
class States:
    """Warm idle by load, in order of time.

    `between`: from one step of load to the next; `plateaus`: what of that is settled, and does not
    follow a start; `load_signal`: what tells the load, empty where nothing does; `steps`: how often
    an accessory stepped it; `parted_by`: what the idle was parted by, the load or, where nothing
    tells it, its speed.
    """

    plateaus: tuple[IdleSpan, ...]
    between: tuple[IdleSpan, ...]
    load_signal: str
    steps: int
    parted_by: str = ""

    @property
    def unburdened(self) -> tuple[IdleSpan, ...]:
        """Plateaus without a load; all where the drive has one level only, loaded or not."""
        return tuple(p for p in self.plateaus if not p.loaded)

    def burdened(self, t_ns: Times) -> Mask:
        """Where an accessory surely loads the idling engine, shape of `t_ns`, in order."""
        return alignment.inside(t_ns, [s for s in self.between if s.loaded])


@dataclass(frozen=True, slots=True)
class _Run:
    """From the first to the last reading of one level of load within one idle; `held`: for long
    enough to be a plateau; `loaded` as in `IdleSpan`."""

    start_ns: int
    end_ns: int
    idle: int
    held: bool = True
    loaded: bool | None = None


def find_states(view: View) -> States:
    """The states of a recording; for `View.once`."""
    idles = _undisturbed(view)
    loads = COMPRESSION_LOADS if view.engine.holds(Trait.COMPRESSION) else LOADS
    recorded = next((n for n in loads if n != "RPM" and view.trace(n) is not None), "")
    for name in loads:
        least = LEAST_RPM_STEP if name == "RPM" else LEAST_STEP
        runs = _levels(view.samples(idles, name), least)
        if runs:
            told = itertools.pairwise(run for run in runs if run.loaded is not None)
            steps = sum(a.idle == b.idle for a, b in told)
            load = recorded if name == "RPM" else name
            return States(_plateaus(view, idles, runs), _spans(runs), load, steps, name)
    whole = [_Run(s.start_ns, s.end_ns, k) for k, s in enumerate(idles)]
    return States(_plateaus(view, idles, whole), _spans(whole), recorded, 0)


def _spans(runs: Sequence[_Run]) -> tuple[IdleSpan, ...]:
    return tuple(IdleSpan(run.start_ns, run.end_ns, run.loaded) for run in runs)


def steady_idle(view: View) -> tuple[Span, ...]:
    """Steady stretches of warm idle in which no accessory surely loads the engine."""
    burdened = view.once(find_states).burdened(view.grid.t_ns)
    return view.steady_spans(Condition.WARM_IDLE, where=~burdened)


def _undisturbed(view: View) -> list[Span]:
    """Warm idle without the first seconds, in which the car comes to rest, and the last ones, in
    which it is set off, before its speed is read to tell."""
    trace = view.trace("RPM")
    late_ns = 0 if trace is None or len(trace) < 2 else int(trace.interval_s * NS)
    edge_ns = late_ns + int(EDGE_S * NS)
    found = view.spans(Condition.WARM_IDLE)
    cut = [(s.start_ns + late_ns, s.end_ns - edge_ns) for s in found]
    return [Span(a, b) for a, b in cut if a < b]


def _levels(load: Samples, least_step: float) -> list[_Run]:
    """The stretches of two levels of load, by a share of `least_step` apart; none where it has one
    level, or changes sides too fast for an accessory."""
    if len(load) < LEAST_READINGS:
        return []
    low, high = _two_levels(load.value)
    if high - low < max(LEVELS_APART * _scatter(load), least_step * abs(low)):
        return []
    third = (high - low) / 3.0
    runs, seen = _runs(load, schmitt(load.value, high - third, low + third))
    held_ns = sum(r.end_ns - r.start_ns for r in runs if r.held)
    if held_ns < DWELLING_SHARE * sum(r.end_ns - r.start_ns for r in runs):
        return []
    return runs if seen == {False, True} else [replace(run, loaded=None) for run in runs]


def _two_levels(values: Values) -> tuple[float, float]:
    """Medians of the two groups into which the values part with the least scatter within (Otsu)."""
    x = np.sort(values)
    n = np.arange(1, len(x))
    below = np.cumsum(x)[:-1]
    between = (below / n - (x.sum() - below) / (len(x) - n)) ** 2 * n * (len(x) - n)
    cut = int(np.argmax(between)) + 1
    return float(np.median(x[:cut])), float(np.median(x[cut:]))


def _scatter(load: Samples) -> float:
    """From one reading to the next, robustly: steps of load are few among them."""
    apart = np.abs(np.diff(load.value)[np.diff(load.group) == 0])
    return float(np.median(apart)) / 0.954 if len(apart) else float("nan")


def _runs(load: Samples, loaded: Mask) -> tuple[list[_Run], set[bool]]:
    """Each stretch on one side, and the sides that are levels: held once, or twice for half as
    long."""
    cuts = np.flatnonzero((np.diff(loaded) != 0) | (np.diff(load.group) != 0)) + 1
    runs, visits = [], {False: 0.0, True: 0.0}
    for a, b in itertools.pairwise([0, *cuts.tolist(), len(load)]):
        start_ns, end_ns = int(load.t_ns[a]), int(load.t_ns[b - 1]) + 1
        goes_on = b < len(load) and load.group[b] == load.group[a]
        lasted = ((int(load.t_ns[b]) if goes_on else end_ns) - start_ns) / NS / DWELL_S
        side, held = bool(loaded[a]), lasted >= 1.0
        visits[side] += 1.0 if held else 0.5 * (lasted >= 0.5 and b - a >= 2)
        runs.append(_Run(start_ns, end_ns, int(load.group[a]), held, side))
    return runs, {side for side, count in visits.items() if count >= 1.0}


def _plateaus(view: View, idles: Sequence[Span], runs: Sequence[_Run]) -> tuple[IdleSpan, ...]:
    """Of each stretch that was held what lies behind the settling, and behind a start."""
    out = []
    for k, run in enumerate(runs):
        idle = idles[run.idle]
        first = k == 0 or runs[k - 1].idle != run.idle
        last = k + 1 == len(runs) or runs[k + 1].idle != run.idle
        begun_ns = idle.start_ns if first else run.start_ns
        start_ns = max([begun_ns + int(SETTLE_S * NS), *_started(view, idle)])
        end_ns = idle.end_ns if last else run.end_ns
        if run.held and end_ns > start_ns:
            out.append(IdleSpan(start_ns, end_ns, run.loaded))
    return tuple(out)


def _started(view: View, idle: Span) -> list[int]:
    """When what follows the last start before an idle is over; none where none is known."""
    begun = [s.end_ns for s in view.conditions.standing.starts]
    begun += [] if view.run_start_ns is None else [view.run_start_ns]
    before = [t_ns for t_ns in begun if t_ns <= idle.end_ns]
    return [max(before) + int(STARTED_S * NS)] if before else []
