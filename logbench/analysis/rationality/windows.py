"""A drive cut into windows of time: what every signal did in each."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from logbench.analysis.alignment import NS, Times, Values
from logbench.recording.model import Trace


@dataclass(frozen=True, slots=True)
class Seen:
    """What a signal did in the windows that hold a reading of it, shape (n,): the window's number,
    the lowest and highest reading with the one just before, and the mean."""

    window: Times
    lowest: Values
    highest: Values
    mean: Values

    def range_in(self, window: Times) -> Values:
        """Highest less lowest in each of these windows; NaN where it was not read."""
        return self._at(window, self.highest - self.lowest)

    def mean_in(self, window: Times) -> Values:
        """The mean in each of these windows; NaN where it was not read."""
        return self._at(window, self.mean)

    def _at(self, window: Times, values: Values) -> Values:
        if len(self.window) == 0:
            return np.full(len(window), np.nan)
        place = np.minimum(np.searchsorted(self.window, window), len(self.window) - 1)
        return np.where(self.window[place] == window, values[place], np.nan)


NOTHING = Seen(np.empty(0, np.int64), np.empty(0), np.empty(0), np.empty(0))


class Windows:
    """Windows of `step_s` on a recording's clock, and what each trace did in them; each found
    once."""

    def __init__(self, step_s: float, traces: dict[str, Trace]) -> None:
        self.step_ns = int(step_s * NS)
        self._traces = traces
        self._seen: dict[str, Seen] = {}

    def seen(self, acronym: str) -> Seen:
        """What a signal did; nothing where it is not recorded."""
        if acronym not in self._seen:
            trace = self._traces.get(acronym)
            self._seen[acronym] = NOTHING if trace is None else self._see(trace)
        return self._seen[acronym]

    def _see(self, trace: Trace) -> Seen:
        good = np.isfinite(trace.value)
        t_ns, value = trace.t_ns[good], trace.value[good]
        if len(value) == 0:
            return NOTHING
        before = np.concatenate((value[:1], value[:-1]))
        gone = np.diff(t_ns, prepend=t_ns[0]) > longest_gap_ns(trace)
        before[gone] = value[gone]
        window = t_ns // self.step_ns
        starts = np.flatnonzero(np.diff(window, prepend=window[0] - 1))
        count = np.diff(np.append(starts, len(value)))
        return Seen(
            window[starts],
            np.minimum.reduceat(np.minimum(value, before), starts),
            np.maximum.reduceat(np.maximum(value, before), starts),
            np.add.reduceat(value, starts) / count,
        )


def longest_gap_ns(trace: Trace) -> float:
    """Longer than that between two readings, nobody knows what the signal did meanwhile."""
    step_s = trace.interval_s
    return NS * max(10.0, 8.0 * step_s) if np.isfinite(step_s) else 0.0
