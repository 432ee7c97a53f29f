"""A trace prepared for drawing: min/max buckets at every scale, extended as samples arrive.

A frame then costs the same for ten minutes and for twenty hours. The buckets are kept as float32
(half the memory; drawing needs no more), and aligned to the absolute sample index, so that panning
does not make the line shimmer.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Any

import numpy as np
import numpy.typing as npt

from logbench.plot.samples import Floats, Ints, Samples

FIRST_BUCKET = 8
_MOST_LEVELS = 24
_SHORTEST_GAP_NS = 2_000_000_000
_EXTREMES_FROM = 200
"""Entries that extremes are taken from, at the least."""
_FEWEST_FOR_GAPS = 6
_FEW = 40
"""Up to so many numbers, plain Python is quicker than numpy."""

Singles = npt.NDArray[np.float32]


@dataclass(frozen=True, slots=True)
class Buckets:
    """A slice of a trace as it is drawn.

    `t_ns` int64, `low` and `high` float32, all shape (n,). With `samples` 1 each entry is a sample
    and `low` is `high`; else entry i covers `samples` samples that begin at `t_ns[i]`. NaN means
    that no sample of the bucket has a value.
    """

    t_ns: Ints
    low: Singles
    high: Singles
    samples: int

    def __len__(self) -> int:
        return len(self.t_ns)


class _Growing:
    """A one-dimensional array with spare room at its end."""

    __slots__ = ("_room", "size")

    def __init__(self, room: npt.NDArray[Any]) -> None:
        self._room = room
        self.size = len(room)

    @property
    def data(self) -> npt.NDArray[Any]:
        return self._room[: self.size]

    def extend(self, values: npt.NDArray[Any]) -> None:
        size = self.size + len(values)
        if size > len(self._room):
            room = np.empty(max(1024, size, len(self._room) * 2), self._room.dtype)
            room[: self.size] = self.data
            self._room = room
        self._room[self.size : size] = values
        self.size = size


class Pyramid(Samples):
    """The samples of one trace, and their min/max buckets."""

    def __init__(self) -> None:
        super().__init__()
        self._bucket_t = _Growing(np.empty(0, np.int64))
        self._lows: list[_Growing] = []
        self._highs: list[_Growing] = []

    @classmethod
    def of(cls, t_ns: Ints, value: Floats) -> Pyramid:
        """Built at once from whole arrays, shape (n,), sorted by time; they are not copied."""
        pyramid = cls()
        pyramid._fill(t_ns, value)
        whole = len(t_ns) // FIRST_BUCKET * FIRST_BUCKET
        pyramid._bucket_t.extend(t_ns[:whole:FIRST_BUCKET])
        pyramid._build(0, value[:whole].astype(np.float32))
        return pyramid

    def append(self, t_ns: Ints, value: Floats) -> None:
        """Add samples, shape (n,), sorted by time and not before what is there."""
        super().append(t_ns, value)
        bucketed = self._bucket_t.size * FIRST_BUCKET
        if self._size - bucketed >= FIRST_BUCKET:
            whole = self._size // FIRST_BUCKET * FIRST_BUCKET
            fresh_t, fresh_v = self._raw(bucketed, whole)
            self._bucket_t.extend(fresh_t[::FIRST_BUCKET])
            self._build(0, fresh_v.astype(np.float32))

    def rebase(self, since_ns: int) -> None:
        """Forget what came before a time, and count times from it."""
        t_ns, value = self.between(since_ns, self._last_ns + 1)
        self.__dict__ = Pyramid.of(t_ns - since_ns, value.copy()).__dict__

    def buckets(self, start_ns: int, end_ns: int, ns_per_px: float) -> Buckets:
        """What to draw at a scale: samples, or from about 1 to 2 buckets a pixel.

        The choice rests on the scale and the trace's usual pace alone, so that a part of a view is
        made of the same buckets as the whole. One entry more is given on either side, so that
        lines reach the edges.
        """
        first = max(0, self._index(start_ns) - 1)
        last = min(self._size, self._index(end_ns + 1) + 1)
        per_px = self.samples_per_px(ns_per_px)
        level = -1
        while FIRST_BUCKET << (level + 1) <= per_px:
            level += 1
        level = min(level, len(self._lows) - 1)
        if level < 0:
            t_ns, value = self._raw(first, last)
            single = value.astype(np.float32)
            return Buckets(t_ns, single, single, 1)
        samples = FIRST_BUCKET << level
        begin, end = max(0, first // samples - 1), -(-last // samples) + 1
        low = self._lows[level].data[begin:end]
        times = self._bucket_t.data[begin << level :: 1 << level][: len(low)]
        return Buckets(times, low, self._highs[level].data[begin:end], samples)

    def extremes(self, start_ns: int, end_ns: int) -> tuple[float, float] | None:
        """Lowest and highest value shown between two times, or None without one.

        May take in some samples before the first, never leaves one out.
        """
        first = max(0, self._index(start_ns) - 1)
        last = min(self._size, self._index(end_ns + 1) + 1)
        level = -1
        while (last - first) >> (level + 4) > _EXTREMES_FROM and level + 1 < len(self._lows):
            level += 1
        done = first
        parts: list[float] = []
        if level >= 0:
            samples = FIRST_BUCKET << level
            begin, end = first // samples, min(-(-last // samples), self._lows[level].size)
            if end > begin:
                parts.append(float(np.fmin.reduce(self._lows[level].data[begin:end])))
                parts.append(float(np.fmax.reduce(self._highs[level].data[begin:end])))
                done = end * samples
        if last > done:
            _, value = self._raw(done, last)
            if last - done > _FEW:
                parts += [float(np.fmin.reduce(value)), float(np.fmax.reduce(value))]
            else:
                parts += value.tolist()
        known = [p for p in parts if not math.isnan(p)]
        return (min(known), max(known)) if known else None

    def gap_ns(self, samples: int) -> float:
        """Between two entries of `samples` samples further apart than this, no line is drawn."""
        if self._size < _FEWEST_FOR_GAPS:
            return float("inf")
        return max(_SHORTEST_GAP_NS, 4 * self._interval_ns) + 1.5 * samples * self._interval_ns

    def _build(self, level: int, fresh: Singles) -> None:
        """Add buckets from `fresh` raw samples, a whole number of first buckets."""
        if not len(fresh):
            return
        low = high = fresh
        for _ in range(3):  # halving three times is several times faster than a reshape
            low = np.fmin(low[0::2], low[1::2])
            high = np.fmax(high[0::2], high[1::2])
        while level < _MOST_LEVELS and len(low):
            if level == len(self._lows):
                self._lows.append(_Growing(np.empty(0, np.float32)))
                self._highs.append(_Growing(np.empty(0, np.float32)))
            below_low, below_high = self._lows[level], self._highs[level]
            below_low.extend(low)
            below_high.extend(high)
            level += 1
            done = self._lows[level].size if level < len(self._lows) else 0
            pairs = below_low.size // 2
            even, odd = slice(2 * done, 2 * pairs, 2), slice(2 * done + 1, 2 * pairs, 2)
            low = np.fmin(below_low.data[even], below_low.data[odd])
            high = np.fmax(below_high.data[even], below_high.data[odd])
