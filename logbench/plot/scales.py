"""The values that a strip spans: for each unit a range in round numbers."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field

import numpy as np

from logbench.plot.trace import StripTrace
from logbench.signals.numbers import round_range
from logbench.signals.units import METRIC, Units

_FEWEST_DATA_SHARE = 0.4
_LEAST_RANGE = {"rpm": 200, "km/h": 10, "%": 5, "degC": 5, "kPa": 5, "V": 0.5, "deg": 5, "g/s": 1}
"""By unit; about ten to twenty times the step or noise of such a signal."""


@dataclass(slots=True)
class ValueRange:
    """The values a strip spans, in round numbers, with hysteresis against nervous scales."""

    low: float = 0.0
    high: float = 1.0
    least: float = 0.0
    """The narrowest range to show: a steady signal's noise is not blown up to the full height."""
    _known: bool = field(default=False)

    def fit(self, low: float, high: float) -> bool:
        """Make room for data from `low` to `high`; True when the range changed.

        It grows at once, and shrinks only when the data fills less than two fifths of it.
        """
        if not (np.isfinite(low) and np.isfinite(high)):
            return False
        short = self.least - (high - low)
        if short > 0:
            floor = 0.0 if low >= 0 else -np.inf
            low = max(floor, low - short / 2)
            high = low + self.least
        inside = self._known and low >= self.low and high <= self.high
        if inside and high - low >= _FEWEST_DATA_SHARE * (self.high - self.low):
            return False
        fresh = round_range(low, high)
        if self._known and inside and fresh[1] - fresh[0] > 0.6 * (self.high - self.low):
            return False
        changed = fresh != (self.low, self.high)
        self.low, self.high = fresh
        self._known = True
        return changed


class ValueScales:
    """The ranges of a strip's traces, by unit, in the units that the reader chose."""

    def __init__(self, units: Units = METRIC) -> None:
        self.units = units
        self._ranges: dict[str, ValueRange] = {}

    def of(self, unit: str) -> ValueRange:
        """The values that the traces of a unit span, as shown."""
        if unit not in self._ranges:
            least = _LEAST_RANGE.get(unit, 0.0) * self.units.line(unit)[0]
            self._ranges[unit] = ValueRange(least=least)
        return self._ranges[unit]

    def line(self, unit: str, height: int) -> tuple[float, float]:
        """Pixels from the top of a plot `height` pixels high are base - scale * value, as
        (base, scale); the value is as recorded."""
        span = self.of(unit)
        scale = height / (span.high - span.low)
        base = height + span.low * scale
        factor, offset = self.units.line(unit)
        return base - offset * scale, scale * factor

    def fit(self, traces: Sequence[StripTrace], start_ns: int, end_ns: int) -> bool:
        """Fit the ranges to what the traces hold between two times; True when one changed."""
        changed = False
        for unit in dict.fromkeys(trace.unit for trace in traces):
            found = self._extremes(traces, unit, start_ns, end_ns)
            changed |= found is not None and self.of(unit).fit(*found)
        return changed

    def hold(self, traces: Sequence[StripTrace], start_ns: int, end_ns: int) -> bool:
        """Whether all that the traces hold between two times lies inside the ranges."""
        for unit in dict.fromkeys(trace.unit for trace in traces):
            found, span = self._extremes(traces, unit, start_ns, end_ns), self.of(unit)
            if found is not None and (found[0] < span.low or found[1] > span.high):
                return False
        return True

    def _extremes(
        self, traces: Sequence[StripTrace], unit: str, start_ns: int, end_ns: int
    ) -> tuple[float, float] | None:
        """Lowest and highest value as shown, and the ends of bands; None without a value."""
        mine = [t for t in traces if t.unit == unit]
        found = [e for e in (t.pyramid.extremes(start_ns, end_ns) for t in mine) if e is not None]
        if not found:
            return None
        ends = [end for t in mine for end in t.band or () if end is not None]
        low, high = min([e[0] for e in found] + ends), max([e[1] for e in found] + ends)
        others = [key for t in mine for key in t.words if key != low]
        if low == high and others:  # a lone word says less than it does beside the next
            low, high = sorted((low, min(others, key=lambda key: abs(key - low))))
        return self.units.value(low, unit), self.units.value(high, unit)
