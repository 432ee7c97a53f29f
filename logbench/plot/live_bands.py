"""Which bands apply to the live traces at this moment, by what the car does."""

from __future__ import annotations

import math
from collections.abc import Mapping
from typing import TYPE_CHECKING

from logbench.plot.totals import TOTALS
from logbench.recording.model import Vehicle

if TYPE_CHECKING:
    from logbench.analysis.bands import Bands
    from logbench.plot.trace import LiveTrace

Ends = tuple[float | None, float | None]
_WARM_DEGC = 70.0
"""From here on the coolant is held against the band of a warm engine (common practice)."""
_CLOSED_LOOP = 2.0
"""Fuel system status of SAE J1979: closed loop, with oxygen sensors."""
_AGE_NS = 10_000_000_000


class BandWatch:
    """Told the traces again and again; `now` is the bands that apply, by signal."""

    def __init__(self) -> None:
        self._bands: Bands | None = None
        self.now: dict[str, Ends] = {}

    def look(self, traces: Mapping[tuple[str, str], LiveTrace], now_ns: int, car: Vehicle) -> bool:
        """Find what applies now; True when it is not what applied before."""
        latest: dict[str, float] = {}
        for trace in traces.values():
            value = trace.fresh(now_ns, _AGE_NS)
            if value is not None and not math.isnan(value):
                latest[trace.signal] = value
        fresh = dict(self._applying(latest, car))
        changed, self.now = fresh != self.now, fresh
        return changed

    def _applying(self, latest: Mapping[str, float], car: Vehicle) -> Mapping[str, Ends]:
        rpm, coolant = latest.get("RPM"), latest.get("ECT")
        found: dict[str, Ends] = {}
        if rpm is not None and "VPWR" in latest:
            found["VPWR"] = self._within("charging_voltage" if rpm > 0 else "resting_voltage")
        warm = coolant is not None and coolant >= _WARM_DEGC
        if warm and rpm:
            found["ECT"] = self._coolant(car)
        if (coolant is None or warm) and latest.get("FUELSYS1", _CLOSED_LOOP) == _CLOSED_LOOP:
            for name in TOTALS:
                if name in latest and rpm:
                    found[name] = self._within("fuel_trim_total")
        return found

    def _coolant(self, car: Vehicle) -> Ends:
        regulating = car.regulating_temp_degc
        if regulating is None:
            return self._within("warm_up_plateau")
        low, high = self._within("warm_up_below_regulating")
        return (
            None if low is None else regulating + low,
            None if high is None else regulating + high,
        )

    def _within(self, key: str) -> Ends:
        if self._bands is None:
            from logbench.analysis.bands import load_limits

            self._bands = load_limits().bands
        return self._bands[key].within
