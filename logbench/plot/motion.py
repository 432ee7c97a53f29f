"""Whether the car moves, as far as its own data tell: what a driver may be told follows from it."""

from __future__ import annotations

from collections.abc import Mapping

from logbench.car.model import Car
from logbench.plot.trace import Key, LiveTrace
from logbench.signals.values import Clock, Validity

WALKING_KMH = 6.0
"""Faster than this a car is driven (common practice, no source)."""
_STANDS_KMH = 1.0
"""A car that was driven stands again below this: it may only be rolling up to a light."""


class MotionWatch:
    """Told the traces again and again; `moves` is whether somebody drives now.

    A speed that is not known counts as driving as long as the engine may run: a standstill is
    believed only while the car says so, for a lost link tells nothing of what came after it. The
    engine may run unless its speed was zero when last seen; a hybrid moves without it.
    """

    def __init__(self) -> None:
        self.moves = False

    def look(self, traces: Mapping[Key, LiveTrace], clock: Clock, car: Car) -> bool:
        """Find out whether it moves now; True when that has changed."""
        before = self.moves
        live = [v.value for v in (t.shown(clock) for t in _of("VSS", traces)) if v.valid]
        if live:
            self.moves = max(live) > (_STANDS_KMH if before else WALKING_KMH)
        else:
            self.moves = bool(traces) and (bool(car.hybrid) or _may_run(traces, clock))
        return self.moves != before

    def forget(self) -> bool:
        """The drive is over; True when that changes what is told."""
        before, self.moves = self.moves, False
        return before


def _of(signal: str, traces: Mapping[Key, LiveTrace]) -> list[LiveTrace]:
    return [trace for trace in traces.values() if trace.signal == signal]


def _may_run(traces: Mapping[Key, LiveTrace], clock: Clock) -> bool:
    seen = [t.shown(clock) for t in _of("RPM", traces)]
    known = [one.value for one in seen if one.validity is not Validity.MISSING]
    return not known or any(value != 0 for value in known)
