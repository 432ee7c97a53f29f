"""Finds dropouts, spikes and steps in a signal beyond its own noise, while samples come in.

For the wiggle test: a harness is moved by hand while someone watches. Each signal learns its own
noise from how its samples differ from the median of the few before them, so that a signal may
drift, hunt and be quantised as it likes. Thresholds are ours, tested on synthetic noise.
"""

from __future__ import annotations

import math
from collections import deque
from collections.abc import Sequence
from dataclasses import dataclass
from enum import Enum

import numpy as np

LEARN_SAMPLES = 25
"""Samples that tell a signal's noise; until then nothing is reported."""
_MEDIAN_OF = 5
_NOISE_OF = 120
_DEVIATIONS = 7.0
_MAD_TO_DEVIATION = 1.4826
_WORST_SEEN = 2.0
"""A jump is also this many times the largest difference seen while all was well."""
_STEPS = 2.5
"""And this many steps of the signal's encoding."""
_LEARN_EVERY = 10
_STAYS = 4
"""Samples away from the old level after which a spike is a step to a new one."""
_SILENT_INTERVALS = 6.0
_SILENT_LEAST_S = 1.0
_NS = 1e9


class HitKind(Enum):
    """What was seen."""

    DROPOUT = "dropout"
    SPIKE = "spike"
    STEP = "step"


@dataclass(frozen=True, slots=True)
class Hit:
    """Something beyond the noise. `size`: difference from the level before, NaN for a dropout.

    `again` marks a step that was reported as a spike at `t_ns` when it began.
    """

    t_ns: int
    kind: HitKind
    size: float = math.nan
    again: bool = False


class WiggleWatch:
    """Follows one signal. Times in ns on the recording's clock, values in the signal's unit."""

    def __init__(self, resolution: float = 0.0) -> None:
        """`resolution`: the step of the signal's encoding, 0 where it is not known."""
        self._resolution = resolution
        self.threshold = math.nan
        """A difference beyond this is reported; NaN while learning."""
        self._since_learned = 0
        self._recent: deque[float] = deque(maxlen=_MEDIAN_OF)
        self._differences: deque[float] = deque(maxlen=_NOISE_OF)
        self._intervals: deque[int] = deque(maxlen=50)
        self._last: tuple[int, float] | None = None
        self._silent = False
        self._away: list[float] = []
        self._away_since = 0

    @property
    def learning(self) -> bool:
        """Its noise is not known yet."""
        return len(self._differences) < LEARN_SAMPLES

    def _learn(self, difference: float) -> None:
        self._differences.append(difference)
        self._since_learned += 1
        if self.learning or (self._since_learned < _LEARN_EVERY and self.threshold > 0):
            return
        self._since_learned = 0
        sizes = np.abs(np.array(self._differences))
        deviation = _MAD_TO_DEVIATION * float(np.median(sizes))
        steps = _STEPS * self._resolution
        worst = _WORST_SEEN * float(sizes.max())
        self.threshold = max(_DEVIATIONS * deviation, worst, steps, 1e-9)

    def feed(self, t_ns: Sequence[int], values: Sequence[float]) -> list[Hit]:
        """Take in samples in order of time; NaN is 'no value' and a dropout."""
        hits: list[Hit] = []
        for t, value in zip(t_ns, values, strict=True):
            hit = self._one(int(t), float(value))
            if hit is not None:
                hits.append(hit)
        return hits

    def silence(self, now_ns: int) -> Hit | None:
        """A dropout, once, when no value has come for six intervals (at least a second)."""
        if self.learning or self._silent or self._last is None:
            return None
        usual_ns = float(np.median(np.array(self._intervals)))
        if now_ns - self._last[0] < max(_SILENT_INTERVALS * usual_ns, _SILENT_LEAST_S * _NS):
            return None
        self._silent = True
        return Hit(self._last[0], HitKind.DROPOUT)

    def _one(self, t_ns: int, value: float) -> Hit | None:
        if math.isnan(value):
            first = not self._silent and not self.learning
            self._silent = True
            return Hit(t_ns, HitKind.DROPOUT) if first else None
        dropped = self.silence(t_ns)
        if self._last is not None and not self._silent:
            self._intervals.append(t_ns - self._last[0])
        self._last, self._silent = (t_ns, value), False
        jumped = self._jump(t_ns, value)
        return dropped or jumped

    def _jump(self, t_ns: int, value: float) -> Hit | None:
        off = self._off(value)
        if self.learning or abs(off) <= self.threshold:
            self._away.clear()
            self._recent.append(value)
            if len(self._recent) == _MEDIAN_OF:
                self._learn(off)
            return None
        self._away.append(value)
        if len(self._away) == 1:
            self._away_since = t_ns
            return Hit(t_ns, HitKind.SPIKE, off)
        if len(self._away) < _STAYS:
            return None
        self._recent.clear()  # here is the new level
        self._recent.extend(self._away)
        self._away.clear()
        return Hit(self._away_since, HitKind.STEP, off, again=True)

    def _off(self, value: float) -> float:
        """Difference from the last good sample or the median of the last few, whichever is nearer:
        a signal may drift quickly, or have stood beside itself for one sample."""
        if not self._recent:
            return 0.0
        median = sorted(self._recent)[len(self._recent) // 2]
        return min(value - median, value - self._recent[-1], key=abs)
