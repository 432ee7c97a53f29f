"""A trace made small: its lowest and highest value in each of a few columns of time."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from logbench.archive.archive import Archive
from logbench.recording.model import Trace

COLUMNS = 96

Column = npt.NDArray[np.float32]


@dataclass(frozen=True, slots=True)
class Preview:
    """Of one signal of one recording."""

    signal: str
    unit: str
    low: Column
    """Shape (n,), NaN where a column has no sample; empty when the recording lacks the signal."""
    high: Column

    @property
    def is_empty(self) -> bool:
        """Nothing can be drawn."""
        return not np.isfinite(self.low).any()


def preview_of(archive: Archive, recording: str, signal: str, columns: int = COLUMNS) -> Preview:
    """Reads that one trace only. Raises what `Archive.open` and `Recording.trace` raise."""
    opened = archive.open(recording)
    if signal not in opened:
        nothing = np.empty(0, np.float32)
        return Preview(signal, "", nothing, nothing)
    return shrunk(opened.trace(signal), opened.duration_ns, columns)


def shrunk(trace: Trace, duration_ns: int, columns: int = COLUMNS) -> Preview:
    """A trace in `columns` columns from 0 to `duration_ns`; values that are no numbers are left
    out."""
    finite = np.isfinite(trace.value)
    t_ns, value = trace.t_ns[finite], trace.value[finite].astype(np.float32)
    low = np.full(columns, np.inf, np.float32)
    high = np.full(columns, -np.inf, np.float32)
    place = np.clip(t_ns * columns // max(1, duration_ns + 1), 0, columns - 1)
    np.minimum.at(low, place, value)
    np.maximum.at(high, place, value)
    low[np.isinf(low)] = np.nan
    high[np.isinf(high)] = np.nan
    return Preview(trace.signal, trace.unit, low, high)
