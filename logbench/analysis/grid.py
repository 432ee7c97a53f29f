"""The traces of a recording by standard acronym, and the same on one even time base."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from functools import lru_cache
from typing import Protocol

import numpy as np
from scipy import ndimage

from logbench.analysis import alignment
from logbench.analysis.alignment import NS, Mask, Times, Values
from logbench.analysis.expression.evaluate import computed_signals, constants_of
from logbench.recording.even import most_cells, near, whole
from logbench.recording.model import Facts, Trace, signal_facts
from logbench.recording.reader import Recording
from logbench.recording.renewal import readings
from logbench.signals.catalog import COMPUTED
from logbench.signals.table import table

STEP_S = 0.2
"""Step of the even time base: fine enough for a gear change, coarse enough to be quick."""
BRIDGED_S = 60.0
"""Over longer gaps neither what is slow nor what is held is known."""
_GROUP = 10
"""Steps of a slot of the comparison (2 s): where steps are left out, they are left out in slots."""
_QUIET_S = BRIDGED_S + 180.0
"""So long before and behind its samples a stretch has steps: as long as a value is held and the
longest window (180 s) together, so that nothing reaches from one stretch into the next."""
_BREAK_S = 10.0
"""Longer without any sample at all, no signal is known: here a stretch may end."""


class RecordingLike(Protocol):
    """What the analysis needs of a recording; `recording.reader.Recording` and tests' own."""

    @property
    def facts(self) -> Facts:
        """All that is known besides the samples."""
        ...

    @property
    def keys(self) -> Sequence[tuple[str, str]]:
        """(acronym, ECU address) of every trace."""
        ...

    def trace(self, signal: str, ecu: str | None = None) -> Trace:
        """The samples of one signal of one ECU."""
        ...


@lru_cache(maxsize=256)
def _same_quantity(acronym: str) -> tuple[str, ...]:
    """The acronym and its siblings that carry the same quantity under other PIDs."""
    found = [signal.acronym for signal in table().alternatives(acronym)]
    return tuple(dict.fromkeys([acronym, *found]))


class Traces:
    """Cached look-up of a recording's traces by the standard's acronym.

    `FRP` also finds `FRP_22` where `FRP` itself is absent. Of several ECUs the first by address
    that has a usable sample wins: the engine's. Derived and own signals are computed. Of a file of
    another program only what was really read counts, not the rows that repeat it.

    `out`: of some traces, by acronym and ECU, the readings that are left out: bool, shape of the
    trace.
    """

    def __init__(
        self, recording: RecordingLike, out: Mapping[tuple[str, str], Mask] | None = None
    ) -> None:
        self._recording = recording
        self._out = out or {}
        self._ecus: dict[str, list[str]] = {}
        for signal, ecu in sorted(recording.keys):
            self._ecus.setdefault(signal, []).append(ecu)
        self._constants = constants_of(recording.facts.vehicle)
        self._found: dict[str, Trace | None] = {}
        self._read: dict[str, Trace | None] = {}
        self._renewed: dict[tuple[str, str], Trace] | None = None

    @property
    def facts(self) -> Facts:
        """All that is known of the recording besides the samples."""
        return self._recording.facts

    @property
    def signals(self) -> tuple[str, ...]:
        """Acronyms that the recording holds, in order of the alphabet."""
        return tuple(self._ecus)

    def without(self, out: Mapping[tuple[str, str], Mask]) -> Traces:
        """The same traces with these readings left out; `out` as `Traces` takes it."""
        rest = Traces(self._recording, out)
        rest._renewed = self._renewed
        return rest

    def first(self, *acronyms: str) -> Trace | None:
        """The first of `acronyms` that has at least one finite sample, or None."""
        for acronym in acronyms:
            if acronym not in self._found:
                self._found[acronym] = self._look_up(acronym)
            trace = self._found[acronym]
            if trace is not None:
                return trace
        return None

    def _look_up(self, acronym: str) -> Trace | None:
        trace = self.recorded(acronym)
        if trace is None and acronym not in table() and acronym in computed_signals():
            trace = computed_signals()[acronym].trace(self.recorded, self._constants)
        return trace

    def recorded(self, acronym: str) -> Trace | None:
        """The same for what is not computed."""
        if acronym not in self._read:
            self._read[acronym] = self._of_recording(acronym)
        return self._read[acronym]

    def _of_recording(self, acronym: str) -> Trace | None:
        names = (acronym,) if acronym in self._ecus else _same_quantity(acronym)
        for name in names:
            for ecu in self._ecus.get(name, ()):
                trace = self._readings_of(name, ecu).in_order()
                if (name, ecu) in self._out:
                    trace = trace.part(~self._out[name, ecu])
                if len(trace) and np.isfinite(trace.value).any():
                    return trace
        return None

    def _readings_of(self, name: str, ecu: str) -> Trace:
        recording = self._recording
        if not recording.facts.is_imported:
            return recording.trace(name, ecu)
        if self._renewed is None:
            traces = [recording.trace(*key) for key in recording.keys]
            self._renewed = {(t.signal, t.ecu): t for t in readings(traces)}
        return self._renewed[name, ecu]


def with_computed(recording: Recording, signals: Sequence[str] | None) -> Recording:
    """A recording with those of `signals` that it lacks and that can be computed of it."""
    made = []
    for name in signals or ():
        trace = None if name in recording else Traces(recording).first(name)
        made += [trace] if trace is not None and trace.ecu == COMPUTED else []
    if not made:
        return recording
    facts = recording.facts.model_copy(
        update={"signals": recording.facts.signals | signal_facts(t.signal for t in made)}
    )
    return Recording.of([*recording.traces(), *made], facts)


class Grid:
    """Signals on one even time base of `STEP_S`, from the first to the last sample of the engine
    speed (or of everything, where that is absent).

    A base with more steps than `recording.even.most_cells` has holes: none near its samples, and
    where that is not enough, the stretches with the fewest samples for their length have no steps.
    """

    def __init__(self, traces: Traces) -> None:
        self.traces = traces
        self.step_ns = int(STEP_S * NS)
        self.has_holes = False
        """Steps that follow each other may be further apart than a step."""
        self.share = 1.0
        """Of the times of samples, those that have steps about them."""
        self.t_ns: Times = self._base()
        self._held: dict[tuple[str, ...], Values | None] = {}

    def __len__(self) -> int:
        return len(self.t_ns)

    def _base(self) -> Times:
        rpm = self.traces.first("RPM")
        found = [rpm] if rpm else [self.traces.first(a) for a in self.traces.signals]
        ends = [int(end) for trace in found if trace for end in (trace.t_ns[0], trace.t_ns[-1])]
        if not ends:
            return np.empty(0, dtype=np.int64)
        start, end = min(ends), max(ends)
        if (end - start) // self.step_ns < most_cells(0):
            return whole(start, end, self.step_ns)
        return self._base_near_samples(start, end)

    def _base_near_samples(self, start: int, end: int) -> Times:
        traces = [trace for name in self.traces.signals if (trace := self.traces.first(name))]
        most = most_cells(sum(map(len, traces)))
        if (end - start) // self.step_ns < most:
            return whole(start, end, self.step_ns)
        self.has_holes = True
        t_ns = np.unique(np.concatenate([trace.t_ns for trace in traces]))
        t_ns = t_ns[(t_ns >= start) & (t_ns <= end)]
        kept = _densest(t_ns, most * self.step_ns)
        self.share = len(kept) / len(t_ns)
        pad_ns = int(_QUIET_S * NS)
        return near(kept, (start, end, self.step_ns), (pad_ns, pad_ns), _GROUP)

    def linear(self, *acronyms: str) -> Values | None:
        """The first recorded of `acronyms` on the grid, straight between its samples; None where
        none is recorded. NaN in gaps: more than three sample intervals, at least 1, at most 10 s.
        """
        return self._get(("linear", *acronyms))

    def held(self, *acronyms: str) -> Values | None:
        """As `linear`, but the last value holds, at most `BRIDGED_S`: for status words."""
        return self._get(("held", *acronyms))

    def slow(self, *acronyms: str) -> Values | None:
        """As `linear`, with gaps of up to `BRIDGED_S` bridged: for temperatures and pressures of
        the surroundings, and the first and last value held at the ends for that long."""
        return self._get(("slow", *acronyms))

    def _get(self, key: tuple[str, ...]) -> Values | None:
        if key not in self._held:
            trace = self.traces.first(*key[1:])
            self._held[key] = None if trace is None else self._place(key[0], trace)
        return self._held[key]

    def _place(self, how: str, trace: Trace) -> Values:
        if how == "held":
            return alignment.previous(trace, self.t_ns, BRIDGED_S)
        if how == "linear":
            return alignment.linear(trace, self.t_ns, gap_s(trace))
        out = alignment.linear(trace, self.t_ns, BRIDGED_S)
        for end, value in ((trace.t_ns[0], trace.value[0]), (trace.t_ns[-1], trace.value[-1])):
            near = np.isnan(out) & (np.abs(self.t_ns - end) <= BRIDGED_S * NS)
            outer = (self.t_ns < trace.t_ns[0]) | (self.t_ns > trace.t_ns[-1])
            out[near & outer] = value
        return out

    def span_of(self, values: Values, window_s: float, ahead_s: float = 0.4) -> Values:
        """Largest minus smallest of `values` over the last `window_s` and the next `ahead_s` of
        each point; NaN where that stretch is not wholly known."""
        back, ahead = round(window_s / STEP_S), round(ahead_s / STEP_S)
        known = np.isfinite(values)
        size, origin = back + ahead + 1, (back - ahead) // 2
        if (back + ahead) % 2:
            size, origin = size + 1, (back + 1 - ahead) // 2
        highest, lowest = np.where(known, values, np.inf), np.where(known, values, -np.inf)
        high = ndimage.maximum_filter1d(highest, size, origin=origin, mode="nearest")
        low = ndimage.minimum_filter1d(lowest, size, origin=origin, mode="nearest")
        return np.where(np.isinf(high), np.nan, high - low)

    def least_of(self, values: Values, window_s: float) -> Values:
        """Smallest of `values` over the last `window_s` of each point; NaN where not all known."""
        size = round(window_s / STEP_S) + 1
        lowest = np.where(np.isfinite(values), values, -np.inf)
        low = ndimage.minimum_filter1d(lowest, size, origin=(size - 1) // 2, mode="nearest")
        return np.where(np.isinf(low), np.nan, low)

    def rate_per_s(self, values: Values, window_s: float) -> Values:
        """Change of `values` per second across a window centered on each point; NaN at unknowns."""
        half = max(1, round(window_s / 2 / STEP_S))
        padded = np.pad(values, half, mode="edge")
        return np.asarray((padded[2 * half :] - padded[: -2 * half]) / (2 * half * STEP_S))


def _densest(t_ns: Times, most_ns: int) -> Times:
    """Of times in order those of the stretches with the most samples for their length: as many as
    take no more than `most_ns` with the quiet about them, the last of them cut short."""
    ends = np.flatnonzero(np.diff(t_ns) > _BREAK_S * NS) + 1
    first, last = np.append(0, ends), np.append(ends, len(t_ns))
    took = t_ns[last - 1] - t_ns[first] + int(2 * _QUIET_S * NS)
    apart = np.diff(t_ns[first], append=t_ns[-1] + took[-1])
    if int(np.minimum(took, apart).sum()) <= most_ns:
        return t_ns
    order = np.argsort(-(last - first) / took, kind="stable")
    left = np.maximum(most_ns - np.cumsum(took[order]) + took[order], 0)
    until = np.empty_like(took)
    until[order] = np.minimum(took[order], left)
    since = t_ns - np.repeat(t_ns[first], last - first)
    return np.asarray(t_ns[since < np.repeat(until, last - first)])


def gap_s(trace: Trace) -> float:
    """Longest time between samples that is still no gap: three intervals, within 1 to 10 s."""
    return float(np.clip(3.0 * trace.interval_s, 1.0, 10.0))


def schmitt(values: Values, on: float, off: float) -> Mask:
    """True from the point where `values` reaches `on` until it falls below `off` (`on` >= `off`);
    with `on` < `off` the other way round: true from falling to `on` until rising above `off`.
    Unknown values switch it off."""
    if on < off:
        return schmitt(-values, -on, -off)
    mark = np.zeros(len(values), dtype=np.int8)
    mark[values >= on] = 1
    mark[~(values >= off)] = -1
    place = np.where(mark != 0, np.arange(len(mark)), -1)
    last = np.maximum.accumulate(place) if len(place) else place
    return np.asarray((last >= 0) & (mark[np.maximum(last, 0)] > 0))
