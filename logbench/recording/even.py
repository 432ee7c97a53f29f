"""An even clock for samples: what it costs goes by the samples, never by the time they span.

Two minutes of driving and one sample of another year are two minutes and a moment, not a year.
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

Times = npt.NDArray[np.int64]

MOST_T_NS = 2**61
"""No time of a recording is further from its start: 73 years, so that no difference of two times
and no window about one leaves int64."""
FREE_CELLS = 360_000
"""So many steps a recording may have whatever it holds: 20 h of the analysis' steps of 0.2 s."""
CELLS_A_SAMPLE = 10
"""And so many for each sample: one sample of one signal in 2 s is slower than a logger is."""


def most_cells(samples: int) -> int:
    """How many steps an even clock for so many samples may have."""
    return max(FREE_CELLS, CELLS_A_SAMPLE * samples)


def whole(start_ns: int, end_ns: int, step_ns: int) -> Times:
    """Every step from a start up to an end, which is included."""
    return np.arange(start_ns, end_ns + 1, step_ns, dtype=np.int64)


def near(t_ns: Times, bounds: tuple[int, int, int], pad_ns: tuple[int, int], many: int) -> Times:
    """The steps of a whole clock of `bounds` (start, end, step) that lie near one of `t_ns` (in
    order, not empty): at most `pad_ns` before or behind it. They come in groups of `many` steps,
    counted from the start, so that groups are the same as of the whole clock."""
    start, end, step = bounds
    group_ns = step * many
    first = (np.maximum(t_ns - pad_ns[0], start) - start) // group_ns
    last = (np.minimum(t_ns + pad_ns[1], end) - start) // group_ns
    fresh = np.concatenate(([True], first[1:] > last[:-1] + 1))
    begins = first[fresh]
    ends = np.append(last[:-1][fresh[1:]], last[-1]) + 1
    index = runs_of(begins * many, ends * many)
    out = start + step * index
    return np.asarray(out[out <= end], dtype=np.int64)


def runs_of(begins: npt.NDArray[np.int64], ends: npt.NDArray[np.int64]) -> npt.NDArray[np.int64]:
    """All whole numbers of some stretches, in order: from each of `begins` up to its end, which is
    not included."""
    length = ends - begins
    before = np.concatenate(([0], np.cumsum(length)[:-1]))
    return np.repeat(begins - before, length) + np.arange(int(length.sum()), dtype=np.int64)
