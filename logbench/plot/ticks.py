"""Round numbers for axes, and how values and times are written."""

from __future__ import annotations

import math

_TIME_STEPS_S = (
    0.001, 0.002, 0.005, 0.01, 0.02, 0.05, 0.1, 0.2, 0.5, 1, 2, 5, 10, 15, 30,
    60, 120, 300, 600, 900, 1800, 3600, 7200, 14_400, 21_600, 43_200, 86_400,
)  # fmt: skip


def value_ticks(low: float, high: float, most: int) -> list[float]:
    """At most about `most` round values from `low` to `high`; empty when the range is empty."""
    span = high - low
    if not span > 0 or not math.isfinite(span) or most < 1:
        return []
    rough = span / most
    power = 10.0 ** math.floor(math.log10(rough))
    step = next(power * m for m in (1, 2, 5, 10) if power * m >= rough * 0.999)
    first = math.ceil(low / step - 1e-9)
    last = math.floor(high / step + 1e-9)
    return [round(n * step, 12) for n in range(first, last + 1)]


def round_range(low: float, high: float) -> tuple[float, float]:
    """The range widened to round numbers, never empty."""
    if not (math.isfinite(low) and math.isfinite(high)):
        return 0.0, 1.0
    if high - low < 1e-9 * max(1.0, abs(low), abs(high)):
        pad = max(abs(low) * 0.05, 0.5)
        low, high = low - pad, high + pad
    step = 10.0 ** math.floor(math.log10((high - low) / 2.0))
    for multiple in (5, 2, 1):
        if (high - low) / (step * multiple) >= 4:
            step *= multiple
            break
    return math.floor(low / step + 1e-9) * step, math.ceil(high / step - 1e-9) * step


def time_ticks(start_s: float, end_s: float, most: int) -> tuple[list[float], float]:
    """Round times in seconds from `start_s` to `end_s`, and their step in seconds."""
    span = end_s - start_s
    if not span > 0 or most < 1:
        return [], 1.0
    step = next((s for s in _TIME_STEPS_S if span / s <= most), _TIME_STEPS_S[-1])
    first, last = math.ceil(start_s / step - 1e-9), math.floor(end_s / step + 1e-9)
    return [n * step for n in range(first, last + 1)], step
