"""Bands drawn on traces: that of a finding, and those that apply to live traces just now."""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence
from typing import TYPE_CHECKING, Literal

from logbench.car.model import Car
from logbench.plot.trace import Key, LiveTrace, StripTrace
from logbench.signals.values import Clock

if TYPE_CHECKING:
    from logbench.analysis.bands import Bands
    from logbench.analysis.model import Finding

Ends = tuple[float | None, float | None]
TOTALS = ("TOTAL_TRIM1", "TOTAL_TRIM2")
"""Total fuel trim of each bank."""
_WARM_DEGC = 70.0
"""From here on the coolant is held against the band of a warm engine (common practice)."""
_CLOSED_LOOP = 2.0
"""Fuel system status of SAE J1979: closed loop, with oxygen sensors."""
_OUT_NS = 3_000_000_000
"""A value out of its band for less is not a warning yet (common practice, no source)."""
_MOST_INPUTS = 4
"""Of a check, whose traces are seen with its finding."""


class BandWatch:
    """Told the traces again and again; `now` is the bands that apply, by signal."""

    def __init__(self) -> None:
        self._bands: Bands | None = None
        self.now: dict[str, Ends] = {}

    def look(self, traces: Mapping[tuple[str, str], LiveTrace], clock: Clock, car: Car) -> bool:
        """Find what applies now; True when it is not what applied before."""
        latest: dict[str, float] = {}
        for trace in traces.values():
            shown = trace.shown(clock)
            if shown.valid:
                latest[trace.signal] = shown.value
        fresh = dict(self._applying(latest, car))
        changed, self.now = fresh != self.now, fresh
        return changed

    def _applying(self, latest: Mapping[str, float], car: Car) -> Mapping[str, Ends]:
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

    def _coolant(self, car: Car) -> Ends:
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


Side = Literal["below", "within", "above"]


def side_of(value: float, band: Ends) -> Side:
    """On which side of a band's ends a value in the same unit lies."""
    low, high = band
    if low is not None and value < low:
        return "below"
    return "above" if high is not None and value > high else "within"


class LimitWatch:
    """Told the traces again and again; tells once of each that has been out of its band for a
    while, and again only after it was within."""

    def __init__(self) -> None:
        self._out_since: dict[Key, int] = {}
        self._told: set[Key] = set()

    def look(self, traces: Mapping[Key, LiveTrace], clock: Clock) -> list[LiveTrace]:
        """Those to be told of now."""
        found = []
        for key, trace in traces.items():
            shown = trace.shown(clock)
            if not shown.valid or trace.band is None:
                self._out_since.pop(key, None)  # what is not known is neither in nor out
            elif side_of(shown.value, trace.band) == "within":
                self._out_since.pop(key, None)
                self._told.discard(key)
            elif key not in self._told:
                since = self._out_since.setdefault(key, clock.now_ns)
                if clock.now_ns - since >= _OUT_NS:
                    self._told.add(key)
                    found.append(trace)
        return found

    def forget(self) -> None:
        """Another drive begins."""
        self._out_since.clear()
        self._told.clear()


def concerning(finding: Finding, traces: Sequence[StripTrace]) -> list[StripTrace]:
    """The traces that should be seen with a finding."""
    from logbench.analysis.run import check_of, shown_of

    numbers = [t for t in traces if t.plottable]
    shown = shown_of(finding.check)
    if shown:
        return [t for t in numbers if re.fullmatch(shown, t.signal)]
    module = check_of(finding.check)
    inputs = () if module is None else module.INPUTS
    named = [t for t in numbers if t.signal in finding.subject.split()]
    return (named + [t for t in numbers if t.signal in inputs and t not in named])[:_MOST_INPUTS]


def band_of(finding: Finding, traces: Sequence[StripTrace]) -> dict[Key, Ends]:
    """The traces that a finding's band can be drawn on, with its range `within`."""
    if finding.band is None or not finding.band.drawn_on:
        return {}
    bank = re.search(r"bank (\d)", finding.subject)
    found = {}
    for trace in traces:
        match = re.fullmatch(finding.band.drawn_on, trace.signal)
        other = match and match.groups() and bank and match.group(1) != bank.group(1)
        if match and not other:
            found[trace.key] = finding.band.within
    return found
