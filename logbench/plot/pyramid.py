"""A trace prepared for drawing: min/max buckets at every scale, extended as samples arrive.

A frame then costs the same for ten minutes and for twenty hours. The buckets are kept as float32
(half the memory; drawing needs no more), and aligned to the absolute sample index, so that panning
does not make the line shimmer.
"""

from __future__ import annotations

import math
from bisect import bisect_right
from collections.abc import Callable
from dataclasses import dataclass
from typing import Any

import numpy as np
import numpy.typing as npt

from logbench.signals.values import gap_ns

BLOCK = 16_384
_LEARNED_FROM = 64
"""Samples that tell how far apart samples usually are."""
FIRST_BUCKET = 8
_MOST_LEVELS = 24
_EXTREMES_FROM = 200
"""Entries that extremes are taken from, at the least."""
_FEW = 40
"""Up to so many numbers, plain Python is quicker than numpy."""

Floats = npt.NDArray[np.float64]
Ints = npt.NDArray[np.int64]
Singles = npt.NDArray[np.float32]


class Samples:
    """Times (ns) and values of one trace, added to as they arrive.

    They are kept in blocks of `BLOCK`: growing one array by doubling would pause a live plot for
    hundreds of milliseconds.
    """

    def __init__(self) -> None:
        self._blocks_t: list[Ints] = []
        self._blocks_v: list[Floats] = []
        self._block_starts: list[int] = []
        self._size = 0
        self.end_ns = 0
        """Time of the last sample; 0 when there is none."""
        self.interval_ns = 0.0
        """The usual time between two samples (a running median); 0 with fewer than two."""

    def _fill(self, t_ns: Ints, value: Floats) -> None:
        """Take whole arrays at once, shape (n,), sorted by time; they are not copied."""
        for first in range(0, len(t_ns), BLOCK):
            self._blocks_t.append(t_ns[first : first + BLOCK])
            self._blocks_v.append(value[first : first + BLOCK])
            self._block_starts.append(int(t_ns[first]))
        self._size = len(t_ns)
        if len(t_ns):
            self.end_ns = int(t_ns[-1])
        if len(t_ns) > 1:
            step = max(1, len(t_ns) // 20_000)
            self.interval_ns = float(np.median(np.diff(t_ns)[::step]))
        filled = self._size % BLOCK
        if filled:  # the last block must be able to grow without touching the caller's
            own_t, own_v = np.empty(BLOCK, np.int64), np.empty(BLOCK, np.float64)
            own_t[:filled], own_v[:filled] = self._blocks_t[-1], self._blocks_v[-1]
            self._blocks_t[-1], self._blocks_v[-1] = own_t, own_v

    def __len__(self) -> int:
        return self._size

    @property
    def start_ns(self) -> int:
        """Time of the first sample; 0 when there is none."""
        return self._block_starts[0] if self._block_starts else 0

    def append(self, t_ns: Ints, value: Floats) -> None:
        """Add samples, shape (n,), sorted by time and not before what is there."""
        count = len(t_ns)
        if not count:
            return
        before = self._size
        taken = 0
        while taken < count:
            filled = self._size % BLOCK
            if filled == 0:
                self._blocks_t.append(np.empty(BLOCK, np.int64))
                self._blocks_v.append(np.empty(BLOCK, np.float64))
                self._block_starts.append(int(t_ns[taken]))
            take = min(BLOCK - filled, count - taken)
            self._blocks_t[-1][filled : filled + take] = t_ns[taken : taken + take]
            self._blocks_v[-1][filled : filled + take] = value[taken : taken + take]
            self._size += take
            taken += take
        self.end_ns = int(t_ns[-1])
        self._learn_interval(before)

    def samples_per_px(self, ns_per_px: float) -> float:
        """How many samples a pixel column holds, by the trace's usual pace."""
        whole = (self.end_ns - self.start_ns) / max(1, self._size - 1)
        return ns_per_px / max(self.interval_ns, whole, 1.0)

    def between(self, start_ns: int, end_ns: int) -> tuple[Ints, Floats]:
        """The samples with `start_ns <= t < end_ns`, as they were given."""
        return self._raw(self._index(start_ns), self._index(end_ns))

    def from_sample(self, first: int) -> tuple[Ints, Floats]:
        """The samples from the one of this number on."""
        return self._raw(first, self._size)

    def snapshot(self) -> Callable[[], tuple[Ints, Floats]]:
        """What gives all samples that there are now, on any thread: what is kept never changes."""
        blocks_t, blocks_v, size = [*self._blocks_t], [*self._blocks_v], self._size

        def whole() -> tuple[Ints, Floats]:
            if not size:
                return np.empty(0, np.int64), np.empty(0, np.float64)
            return np.concatenate(blocks_t)[:size], np.concatenate(blocks_v)[:size]

        return whole

    def at(self, t_ns: int) -> tuple[int, float] | None:
        """The last sample at or before `t_ns` as (time, value); None before the first."""
        return self.around(t_ns)[0]

    def around(self, t_ns: int) -> tuple[tuple[int, float] | None, int | None]:
        """The last sample at or before `t_ns` as (time, value), None before the first; and the time
        of the one after it, None after the last."""
        index = self._index(t_ns + 1)
        after = self._sample(index)
        return self._sample(index - 1), None if after is None else after[0]

    def _sample(self, index: int) -> tuple[int, float] | None:
        if not 0 <= index < self._size:
            return None
        block, offset = divmod(index, BLOCK)
        return int(self._blocks_t[block][offset]), float(self._blocks_v[block][offset])

    def _index(self, t_ns: int) -> int:
        """How many samples lie before `t_ns`."""
        if t_ns > self.end_ns:
            return self._size
        block = bisect_right(self._block_starts, t_ns - 1) - 1
        if block < 0:
            return 0
        filled = min(BLOCK, self._size - block * BLOCK)
        times = self._blocks_t[block][:filled]
        return block * BLOCK + int(times.searchsorted(t_ns))

    def _raw(self, first: int, last: int) -> tuple[Ints, Floats]:
        if last <= first:
            return np.empty(0, np.int64), np.empty(0, np.float64)
        begin, end = first // BLOCK, (last - 1) // BLOCK
        low, high = first - begin * BLOCK, last - begin * BLOCK
        if begin == end:
            return self._blocks_t[begin][low:high], self._blocks_v[begin][low:high]
        t_ns = np.concatenate(self._blocks_t[begin : end + 1])[low:high]
        return t_ns, np.concatenate(self._blocks_v[begin : end + 1])[low:high]

    def _learn_interval(self, before: int) -> None:
        """Every now and then, and often while there are few: the median of the latest steps."""
        if (
            self._size <= 4 * _LEARNED_FROM
            or self._size // _LEARNED_FROM != before // _LEARNED_FROM
        ):
            t_ns, _ = self._raw(max(0, self._size - _LEARNED_FROM), self._size)
            if len(t_ns) > 1:
                self.interval_ns = float(np.median(np.diff(t_ns)))


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
        t_ns, value = self.between(since_ns, self.end_ns + 1)
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
        return gap_ns(self._size, self.interval_ns, samples)

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
