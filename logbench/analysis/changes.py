"""From which drive on a number of a car is another one: change points among the numbers of drives.

A number of one drive varies about the car's own as `repeats` says. Two levels are told from one by
the greatest of all two-sample statistics (Worsley, Journal of the American Statistical Association
74, 1979, 365-367), with the variance of the drives as a scaled inverse chi-square that the drives
sharpen; its limit is simulated with the heavy tails that drives have (Student's t, 5 degrees), so
that a car that nobody touched shows a change in at most 5 % of its trends, whatever their length.
One change found, both parts are searched. The interval of a change is that of the likelihood ratio
(Yao, Annals of Statistics 15, 1987, 1321-1328; Worsley, Biometrika 73, 1986, 91-104; all from
memory).
"""

from __future__ import annotations

import math
from collections.abc import Collection, Sequence
from dataclasses import dataclass, replace
from functools import lru_cache
from itertools import pairwise

import numpy as np

from logbench.analysis.repeats import SURPRISE, TINY, Scatter, spread_of_drives
from logbench.analysis.statistics import NORMAL_95, Values

LEAST_DRIVES = 3
"""On either side of a change: one odd day, or two, are none."""

CHANCE = 0.05
"""Share of unchanged cars whose trend shows a change."""

_TAILS = 5.0
"""Degrees of freedom of the drives' distribution, where the limit is simulated (our choice)."""
_TRIALS = 2000
_MARGIN = 0.005
"""Of the chance: what so many trials may be off by."""
_TO_NORMAL = 1.4826
_INTERVAL = -2.0 * math.log(1.0 - math.sqrt(0.95))
"""Twice the log likelihood that a place in the 95 % interval may lack; from the limit of small
changes."""


@dataclass(frozen=True, slots=True)
class Change:
    """From drive `at` on (counted from 0) the number is another one; with 95 % confidence from one
    of `first` to `last` on."""

    at: int
    first: int
    last: int


def find_changes(scatter: Scatter, values: Values, halves: Values) -> tuple[Change, ...]:
    """Where a number of a car's drives changed, in order of time.

    `values`, (n,), in order of time, no NaN, with the half widths of their 95 % intervals within
    the drive, NaN where not known; `scatter`: what is known of the number without these drives.
    """
    now = scatter.at(float(np.median(values))) if len(values) else scatter
    variance = now.single**2 + (np.nan_to_num(halves) / NORMAL_95) ** 2 + TINY
    degrees = now.degrees if now.known else 0.0
    series = _Series(np.asarray(values, dtype=np.float64), variance, degrees)
    cuts = [0, *series.cuts(0, len(values)), len(values)]
    return tuple(series.placed(begin, end) for begin, end in zip(cuts[:-2], cuts[2:], strict=True))


@dataclass(frozen=True, slots=True)
class _Series:
    values: Values
    variance: Values
    degrees: float

    def cuts(self, begin: int, end: int) -> list[int]:
        """Places at which drives from `begin` to before `end` fall into parts."""
        n = end - begin
        if n < 2 * LEAST_DRIVES:
            return []
        gain, within = self._gains(begin, end)
        allowed = gain[LEAST_DRIVES - 1 : n - LEAST_DRIVES]
        best = LEAST_DRIVES - 1 + int(np.argmax(allowed))
        if _statistic(gain[best], within[best], n, self.degrees) <= _limit(_like(n), self.degrees):
            return []
        cut = begin + best + 1
        return [*self.cuts(begin, cut), cut, *self.cuts(cut, end)]

    def placed(self, begin: int, end: int) -> Change:
        """The one change among these drives."""
        n = end - begin
        gain, within = self._gains(begin, end)
        best = LEAST_DRIVES - 1 + int(np.argmax(gain[LEAST_DRIVES - 1 : n - LEAST_DRIVES]))
        lacks = (self.degrees + n) * np.log(
            (self.degrees + within + TINY) / (self.degrees + within[best] + TINY)
        )
        near = np.flatnonzero(lacks <= _INTERVAL) + begin + 1
        at = begin + best + 1
        return Change(at, min(at, int(near[0])), max(at, int(near[-1])))

    def _gains(self, begin: int, end: int) -> tuple[Values, Values]:
        part = slice(begin, end)
        gain, within = _gains(self.values[None, part], self.variance[part], self.degrees > 0.0)
        return gain[0], within[0]


def _gains(values: Values, variance: Values, known: bool) -> tuple[Values, Values]:
    """For a cut behind each drive but the last, (rows, n - 1): the sum of squares between the two
    parts and within them, in units of `variance`, (n,). An odd day counts as `SURPRISE` standard
    deviations from the middle, at the spread of drives that follow each other where that is more
    than was `known`."""
    steps = np.abs(np.diff(values)) / np.sqrt(variance[1:] + variance[:-1])
    spread = _TO_NORMAL * np.median(steps, axis=1, keepdims=True)
    reach = SURPRISE * np.sqrt(variance) * (np.maximum(spread, 1.0) if known else spread)
    middle = np.median(values, axis=1, keepdims=True)
    x = np.clip(values - middle, -reach, reach)
    weight = 1.0 / variance
    first = np.cumsum(weight)[:-1]
    whole = float(weight.sum())
    total = np.cumsum(weight * x, axis=1)
    mean = total[:, -1:] / whole
    square = np.sum(weight * (x - mean) ** 2, axis=1, keepdims=True)
    gain = (total[:, :-1] - first * mean) ** 2 * whole / (first * (whole - first))
    return gain, np.maximum(square - gain, 0.0)


def _statistic(gain: Values, within: Values, n: int, degrees: float) -> Values:
    """The square of Student's t for two parts."""
    return np.asarray(gain * (degrees + n - 2) / (degrees + within + TINY))


def _like(n: int) -> int:
    """A number of drives with about the same limit, not a lower one: few limits serve all."""
    return n if n <= 40 else math.ceil(40 * 1.25 ** math.ceil(math.log(n / 40, 1.25)))


@lru_cache(maxsize=256)
def _limit(n: int, degrees: float) -> float:
    """What the greatest statistic of n drives of an unchanged car exceeds by `CHANCE`."""
    rng = np.random.default_rng(n)
    values = rng.standard_t(_TAILS, (_TRIALS, n)) * math.sqrt((_TAILS - 2.0) / _TAILS)
    if degrees > 0.0:
        values *= np.sqrt(degrees / rng.chisquare(degrees, (_TRIALS, 1)))
    gain, within = _gains(values, np.ones(n), degrees > 0.0)
    inside = slice(LEAST_DRIVES - 1, n - LEAST_DRIVES)
    found = _statistic(gain[:, inside], within[:, inside], n, degrees).max(axis=1)
    return float(np.quantile(found, 1.0 - CHANCE + _MARGIN))


@dataclass(frozen=True, slots=True)
class State:
    """Drives from `begin` to before `end` between which nothing is known to have changed a number:
    its median, and the band in which 95 % of further drives lie that begin from there."""

    begin: int
    end: int
    median: float
    half_width: float

    @property
    def low(self) -> float:
        """Lower end of the band."""
        return self.median - self.half_width

    @property
    def high(self) -> float:
        """Upper end of the band."""
        return self.median + self.half_width


@dataclass(frozen=True, slots=True)
class Life:
    """A number over a car's drives: where it changed, the states between, and its scatter, learned
    within them."""

    changes: tuple[Change, ...]
    states: tuple[State, ...]
    scatter: Scatter


_OF_MEDIAN = math.pi / 2.0
"""Variance of a median over that of a mean (many, normally distributed)."""


def life_of(scatter: Scatter, values: Values, halves: Values, repairs: Collection[int]) -> Life:
    """Learn from the numbers of a car's drives, given as to `find_changes`. `repairs`: drives that
    were the first after a repair; a change that may be one of them is that repair."""
    changes = find_changes(scatter, values, halves)
    own = [
        change.at
        for change in changes
        if not any(change.first <= repair <= change.last for repair in repairs)
    ]
    cuts = sorted({0, len(values), *own, *(r for r in repairs if 0 < r < len(values))})
    spans = list(pairwise(cuts))
    if scatter.known:
        for begin, end in spans:
            if end - begin >= LEAST_DRIVES:
                scatter = spread_of_drives(scatter, values[begin:end], halves[begin:end])
    elif len(values) - len(spans) >= LEAST_DRIVES - 1:
        scatter = _by_itself(scatter, [values[a:b] for a, b in spans])
    states = tuple(_state(scatter, values[a:b], halves[a:b], a) for a, b in spans)
    return Life(changes, states, scatter)


def _by_itself(scatter: Scatter, parts: Sequence[Values]) -> Scatter:
    """Where other cars say nothing, what the drives of one say alone."""
    count = sum(map(len, parts))
    degrees = count - len(parts)
    square = sum(float(np.sum((part - part.mean()) ** 2)) for part in parts)
    if square <= 0.0:
        return scatter
    alone = replace(scatter, drive=math.sqrt(square / degrees), cell=0.0, relative=0.0)
    return replace(alone, degrees=min(float(degrees), alone.tails), drives=count)


def _state(scatter: Scatter, values: Values, halves: Values, begin: int) -> State:
    median, known = float(np.median(values)), halves[np.isfinite(halves)]
    own = float(np.median(known)) if len(known) else None
    half = scatter.at(median).half_width(own)
    half *= math.sqrt(1.0 + _OF_MEDIAN / len(values))
    return State(begin, begin + len(values), median, half)
