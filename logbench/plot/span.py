"""Numbers of a stretch of a trace."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from logbench.plot.pyramid import Pyramid

_NONE = float("nan")


@dataclass(frozen=True, slots=True)
class SpanNumbers:
    """What a trace does between cursors A and B; NaN where there is nothing to tell.

    They are of the samples with a value from A (included) to B (included), whichever comes first;
    `deviation` is that of a sample
    (n - 1), `slope_per_s` the least-squares line's, `rate_hz` (n - 1) over the time from the first
    to the last sample.
    """

    minimum: float = _NONE
    maximum: float = _NONE
    mean: float = _NONE
    deviation: float = _NONE
    slope_per_s: float = _NONE
    count: int = 0
    rate_hz: float = _NONE


def span_numbers(pyramid: Pyramid, a_ns: int, b_ns: int) -> SpanNumbers:
    """The numbers of one trace between two times."""
    t_ns, value = pyramid.between(min(a_ns, b_ns), max(a_ns, b_ns) + 1)
    known = np.isfinite(value)
    t_s, value = (t_ns[known] - min(a_ns, b_ns)) / 1e9, value[known]
    count = len(value)
    if not count:
        return SpanNumbers()
    mean = float(value.mean())
    lasted_s = float(t_s[-1] - t_s[0])
    slope = _NONE
    if lasted_s > 0:
        off = t_s - t_s.mean()
        slope = float(off @ (value - mean) / (off @ off))
    return SpanNumbers(
        minimum=float(value.min()),
        maximum=float(value.max()),
        mean=mean,
        deviation=float(value.std(ddof=1)) if count > 1 else _NONE,
        slope_per_s=slope,
        count=count,
        rate_hz=(count - 1) / lasted_s if lasted_s > 0 else _NONE,
    )
