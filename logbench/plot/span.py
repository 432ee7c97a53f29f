"""Numbers of a stretch of a trace."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from logbench.plot.pyramid import Pyramid

_NONE = float("nan")


@dataclass(frozen=True, slots=True)
class SpanNumbers:
    """What a trace does between cursors A and B; NaN where there is nothing to tell.

    `at_a`, `at_b`: last value at or before the cursor. The others are of the samples with a value
    from A (included) to B (included), whichever comes first; `deviation` is that of a sample
    (n - 1), `slope_per_s` the least-squares line's, `rate_hz` (n - 1) over the time from the first
    to the last sample.
    """

    at_a: float = _NONE
    at_b: float = _NONE
    minimum: float = _NONE
    maximum: float = _NONE
    mean: float = _NONE
    deviation: float = _NONE
    slope_per_s: float = _NONE
    count: int = 0
    rate_hz: float = _NONE

    @property
    def difference(self) -> float:
        """B less A."""
        return self.at_b - self.at_a


def span_numbers(pyramid: Pyramid, a_ns: int, b_ns: int) -> SpanNumbers:
    """The numbers of one trace between two times."""
    at_a, at_b = pyramid.at(a_ns), pyramid.at(b_ns)
    t_ns, value = pyramid.between(min(a_ns, b_ns), max(a_ns, b_ns) + 1)
    known = np.isfinite(value)
    t_s, value = (t_ns[known] - min(a_ns, b_ns)) / 1e9, value[known]
    ends = (_NONE if at_a is None else at_a[1], _NONE if at_b is None else at_b[1])
    count = len(value)
    if not count:
        return SpanNumbers(*ends)
    mean = float(value.mean())
    lasted_s = float(t_s[-1] - t_s[0])
    slope = _NONE
    if lasted_s > 0:
        off = t_s - t_s.mean()
        slope = float(off @ (value - mean) / (off @ off))
    return SpanNumbers(
        *ends,
        minimum=float(value.min()),
        maximum=float(value.max()),
        mean=mean,
        deviation=float(value.std(ddof=1)) if count > 1 else _NONE,
        slope_per_s=slope,
        count=count,
        rate_hz=(count - 1) / lasted_s if lasted_s > 0 else _NONE,
    )
