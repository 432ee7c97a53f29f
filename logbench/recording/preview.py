"""A trace made small: the lowest and highest value of a few columns of time, as a picture."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from logbench.foreign import in_html
from logbench.recording.model import Trace

_HEIGHT = 24
COLUMNS = 96
"""Of time."""


@dataclass(frozen=True, slots=True)
class Preview:
    """The lowest and highest value of one signal of one recording in each of a few columns."""

    signal: str
    unit: str
    low: npt.NDArray[np.float32]
    """Shape (n,), NaN where a column has no sample; empty when the recording lacks the signal."""
    high: npt.NDArray[np.float32]

    @property
    def is_empty(self) -> bool:
        """Nothing can be drawn."""
        return not np.isfinite(self.low).any()


def shrunk(trace: Trace, duration_ns: int) -> Preview:
    """A trace in columns from 0 to `duration_ns`; values that are not numbers are left out."""
    finite = np.isfinite(trace.value)
    t_ns, value = trace.t_ns[finite], trace.value[finite].astype(np.float32)
    low, high = np.full((2, COLUMNS), np.nan, np.float32)
    width = max(1, duration_ns + 1)
    begins = [-(-number * width // COLUMNS) for number in range(1, COLUMNS)]
    place = np.searchsorted(begins, t_ns, side="right")  # a product of times could leave int64
    np.fmin.at(low, place, value)
    np.fmax.at(high, place, value)
    return Preview(trace.signal, trace.unit, low, high)


def svg_of(found: Preview) -> str:
    """The band between the lowest and the highest value of each column of time; nothing active, and
    no text of a file but escaped. Empty where nothing can be drawn."""
    if found.is_empty:
        return ""
    low, high = float(np.nanmin(found.low)), float(np.nanmax(found.high))
    scale = (_HEIGHT - 2) / ((high - low) or 1.0)
    lines = "".join(
        f"M{x} {_HEIGHT - 1 - (a - low) * scale:.1f}V{_HEIGHT - 1.5 - (b - low) * scale:.1f}"
        for x, (a, b) in enumerate(zip(found.low.tolist(), found.high.tolist(), strict=True))
        if np.isfinite(a)
    )
    title = f"<title>{in_html(found.signal)}</title>"
    return (
        f'<svg width="{COLUMNS}" height="{_HEIGHT}" role="img">{title}'
        f'<path d="{lines}" stroke="currentColor" fill="none"/></svg>'
    )
