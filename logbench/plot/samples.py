"""The samples of one trace in order of time, added to as they arrive.

They are kept in blocks of `BLOCK`: growing one array by doubling would pause a live plot for
hundreds of milliseconds.
"""

from __future__ import annotations

from bisect import bisect_right
from collections.abc import Callable

import numpy as np
import numpy.typing as npt

BLOCK = 16_384
_LEARNT_FROM = 64
"""Samples that tell how far apart samples usually are."""

Floats = npt.NDArray[np.float64]
Ints = npt.NDArray[np.int64]


class Samples:
    """Times (ns) and values of one trace."""

    def __init__(self) -> None:
        self._blocks_t: list[Ints] = []
        self._blocks_v: list[Floats] = []
        self._block_starts: list[int] = []
        self._size = 0
        self._last_ns = 0
        self._interval_ns = 0.0

    def _fill(self, t_ns: Ints, value: Floats) -> None:
        """Take whole arrays at once, shape (n,), sorted by time; they are not copied."""
        for first in range(0, len(t_ns), BLOCK):
            self._blocks_t.append(t_ns[first : first + BLOCK])
            self._blocks_v.append(value[first : first + BLOCK])
            self._block_starts.append(int(t_ns[first]))
        self._size = len(t_ns)
        if len(t_ns):
            self._last_ns = int(t_ns[-1])
        if len(t_ns) > 1:
            step = max(1, len(t_ns) // 20_000)
            self._interval_ns = float(np.median(np.diff(t_ns)[::step]))
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

    @property
    def end_ns(self) -> int:
        """Time of the last sample; 0 when there is none."""
        return self._last_ns

    @property
    def interval_ns(self) -> float:
        """The usual time between two samples (a running median); 0 with fewer than two."""
        return self._interval_ns

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
        self._last_ns = int(t_ns[-1])
        self._learn_interval(before)

    def samples_per_px(self, ns_per_px: float) -> float:
        """How many samples a pixel column holds, by the trace's usual pace."""
        whole = (self._last_ns - self.start_ns) / max(1, self._size - 1)
        return ns_per_px / max(self._interval_ns, whole, 1.0)

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
        index = self._index(t_ns + 1) - 1
        if index < 0:
            return None
        block, offset = divmod(index, BLOCK)
        return int(self._blocks_t[block][offset]), float(self._blocks_v[block][offset])

    def _index(self, t_ns: int) -> int:
        """How many samples lie before `t_ns`."""
        if t_ns > self._last_ns:
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
        if self._size <= 4 * _LEARNT_FROM or self._size // _LEARNT_FROM != before // _LEARNT_FROM:
            t_ns, _ = self._raw(max(0, self._size - _LEARNT_FROM), self._size)
            if len(t_ns) > 1:
                self._interval_ns = float(np.median(np.diff(t_ns)))
