"""What a value shown is: live, at the cursor, held, in a gap, or missing; and how it says so."""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass
from enum import StrEnum

from logbench.words import tr

_FRESH_NS = 3_000_000_000
_FRESH_INTERVALS = 3.0
_SHORTEST_GAP_NS = 2_000_000_000
_FEWEST_FOR_GAPS = 6


class Validity(StrEnum):
    """`LIVE`: the newest, and more are coming. `CURSOR`: what the trace says there. `HELD`: the
    last one there was. `GAP`: between samples that no line joins. `MISSING`: none so far."""

    LIVE = "live"
    CURSOR = "at the cursor"
    HELD = "held"
    GAP = "in a gap"
    MISSING = "missing"


@dataclass(frozen=True, slots=True)
class Clock:
    """Now, on the clock of a drive under way. `comes`: samples are coming, not so with a lost link
    or a silent car."""

    now_ns: int
    comes: bool = True


@dataclass(frozen=True, slots=True)
class Shown:
    """A value as it may be shown: NaN in a gap and where it is missing."""

    value: float = math.nan
    validity: Validity = Validity.MISSING
    age_s: float = 0.0

    @property
    def valid(self) -> bool:
        """It is the trace's value, live or at the cursor; everything else is shown muted."""
        return self.validity in (Validity.LIVE, Validity.CURSOR)

    def text(self, write: Callable[[float], str], *, aged: bool = True) -> str:
        """The value as `write` has it. An invalid one says so in its text, not by its color
        alone: `○ 812 rpm, 5 s ago`, `gap`, `–`; not `aged`: where its age stands beside it."""
        if self.validity is Validity.HELD:
            value, age = write(self.value), age_text(self.age_s)
            return tr("○ {value}, {age} ago", value=value, age=age) if aged else f"○ {value}"
        none = {Validity.GAP: tr("gap"), Validity.MISSING: "–"}
        return none.get(self.validity) or write(self.value)


def judged(
    sample: tuple[int, float] | None,
    next_ns: int | None,
    at: int | Clock,
    usual: tuple[float, float],
) -> Shown:
    """What the last `sample` (ns, value) at or before a cursor, or now, is worth there.

    `next_ns`: of the sample after it. `usual`: the trace's interval, and the hole between two
    samples from which on no line joins them, ns.
    """
    if sample is None or math.isnan(sample[1]):
        return Shown()
    interval_ns, hole_ns = usual
    live = isinstance(at, Clock)
    age_ns = (at.now_ns if isinstance(at, Clock) else at) - sample[0]
    if next_ns is not None and next_ns - sample[0] > hole_ns and age_ns > interval_ns:
        return Shown(validity=Validity.GAP)
    fresh = next_ns is not None or age_ns <= max(_FRESH_NS, _FRESH_INTERVALS * interval_ns)
    if fresh and (not isinstance(at, Clock) or at.comes):
        return Shown(sample[1], Validity.LIVE if live else Validity.CURSOR, age_ns / 1e9)
    return Shown(sample[1], Validity.HELD, max(0.0, age_ns / 1e9))


def gap_ns(size: int, interval_ns: float, samples: int = 1) -> float:
    """Between two entries of `samples` samples further apart than this, no line is drawn, of a
    trace of so many samples that usually come at that interval."""
    if size < _FEWEST_FOR_GAPS:
        return math.inf
    return max(_SHORTEST_GAP_NS, 4 * interval_ns) + 1.5 * samples * interval_ns


def age_text(age_s: float) -> str:
    """`0.4 s`, `12 s`, `5 min`, `3 h`."""
    if age_s < 9.95:
        return f"{age_s:.1f} s"
    if age_s < 120:
        return f"{age_s:.0f} s"
    return f"{age_s / 60:.0f} min" if age_s < 7200 else f"{age_s / 3600:.0f} h"
