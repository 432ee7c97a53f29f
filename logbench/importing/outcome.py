"""What would come out of an import: drives, lengths, true rates, ranges, and what is implausible;
and what is not a drive at all, which is refused.

Limits that hold for any car stand in `_USUAL`, each with where it is from.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator
from dataclasses import dataclass, replace
from datetime import UTC, datetime, timedelta

import numpy as np

from logbench.errors import ImportFileError
from logbench.foreign import Foreign, fill
from logbench.importing.model import Drive, Imported
from logbench.recording.model import Facts, Trace
from logbench.signals.numbers import figure_text
from logbench.signals.table import table
from logbench.words import tr

_USUAL: dict[str, tuple[float, float]] = {
    "RPM": (0.0, 10_000.0),  # road cars' engines end below; from memory
    "ECT": (-40.0, 150.0),  # a pressure cap of 1.5 bar lets water and glycol boil at about 130
    "VPWR": (0.0, 32.0),  # a charging system of 24 V regulates at up to 29 V
    "BARO": (50.0, 110.0),  # 5,500 m of height (ISO 2533), and the highest pressure ever at sea
}
"""Ends that no car goes beyond, in the signal's unit."""
_LEAST_LAMBDA = 0.5
"""No mixture burns that is as rich; from memory. A car that does not report it says 0."""
_WARM_DEGC, _WARM_AFTER_S = 30.0, 600.0
"""An engine that runs is warmer than this after so long, in any frost; common practice."""
_FASTEST_S = 0.001
"""Request and reply are two frames of over 0.2 ms on CAN at 500 kbit/s (ISO 15765-4), and an ECU
has its time to answer."""
_SLOWEST_S = 60.0
"""Further apart, readings show no drive; no source."""
_LONGEST_S = 24 * 3600.0
_FIRST_YEAR = 1991
"""SAE J1979 was issued then."""


@dataclass(frozen=True, slots=True)
class SignalOutcome:
    """One signal of one ECU: how often it was really read, and its range in `unit`."""

    signal: str
    ecu: str
    unit: str
    readings: int
    """Rows that only repeat a value do not count."""
    interval_s: float | None
    """Between two readings, as a rule; None where there is one only."""
    low: float | None
    """None where no value is a number."""
    high: float | None
    doubt: str = ""
    """What is implausible, as a sentence; `` where nothing is."""

    @property
    def rate(self) -> str:
        """`2.5 Hz`, or the seconds between two readings where those are more than one."""
        if not self.interval_s:
            return tr("one reading")
        if self.interval_s <= 1.0:
            return tr("{hz} Hz", hz=figure_text(1.0 / self.interval_s))
        return tr("every {s} s", s=figure_text(self.interval_s))

    @property
    def range(self) -> str:
        """`812 to 3,106 rpm`."""
        if self.low is None or self.high is None:
            return tr("no number")
        low, high = figure_text(self.low), figure_text(self.high)
        return tr("{low} to {high} {unit}", low=low, high=high, unit=self.unit).strip()


@dataclass(frozen=True, slots=True)
class DriveOutcome:
    """One drive that a file would become."""

    started: str
    """As `Facts.started`."""
    length_s: float
    car: str
    samples: int
    signals: tuple[SignalOutcome, ...]
    doubts: tuple[str, ...] = ()
    """What is implausible of the drive as a whole, and of its signals."""


def without_nonsense(imported: Imported, source: str) -> Imported:
    """Without what is not a drive, which the report then tells. Raises `ImportFileError`, with the
    reason, where nothing else is left of the file named `source`."""
    kept, reasons = [], []
    for number, drive in enumerate(imported.drives, start=1):
        reason = _nonsense(drive)
        if reason:
            reasons.append(reason)
            imported.report.remark(f"Drive {number} is left out: {reason}.")
        else:
            kept.append(drive)
    if not kept:
        raise ImportFileError(fill(
            "Nothing of {source} is imported: {why}; correct how the file is read.",
            source=Foreign(source), why=reasons[0],
        ))  # fmt: skip
    imported.report.samples = sum(len(trace) for drive in kept for trace in drive.traces)
    return replace(imported, drives=tuple(kept))


def _nonsense(drive: Drive) -> str:
    """Why it is not a drive; `` where it is one."""
    known = [trace for trace in drive.traces if trace.signal in table() and len(trace)]
    if not known:
        return "none of its columns is a known signal"
    if _length_s(drive.traces) <= 0.0:
        return "all its values have one time, so that it lasts no time at all"
    if all(not (_inside(trace) | np.isnan(trace.value)).any() for trace in known):
        return "all its values lie outside of their signals' ranges"
    return ""


def _inside(trace: Trace) -> np.ndarray:
    """Which values the standard's encoding can hold."""
    signal = table().by_acronym(trace.signal)
    spare = abs(signal.scale) + 1e-6 * abs(signal.maximum)
    return signal.can_be(trace.value, spare)


def _length_s(traces: tuple[Trace, ...]) -> float:
    ends = [trace.t_ns[[0, -1]] for trace in traces if len(trace)]
    return float(np.max(ends) - np.min(ends)) / 1e9 if ends else 0.0


def outcome_of(drive: Drive) -> DriveOutcome:
    """What an import makes of a drive."""
    length_s = _length_s(drive.traces)
    signals = tuple(_signal(trace, drive.facts, length_s) for trace in drive.traces if len(trace))
    doubts = [*_of_start(drive.facts.started), *_of_length(length_s), *_of_all(drive.traces)]
    return DriveOutcome(
        started=drive.facts.started,
        length_s=length_s,
        car=drive.facts.vehicle.called,
        samples=sum(len(trace) for trace in drive.traces),
        signals=signals,
        doubts=(*doubts, *(signal.doubt for signal in signals if signal.doubt)),
    )


def _signal(trace: Trace, facts: Facts, length_s: float) -> SignalOutcome:
    held = facts.rows_a_reading(trace.signal)
    apart = np.diff(np.sort(trace.t_ns))
    apart = apart[apart > 0] / 1e9  # np.unique takes a hundred times as long
    finite = trace.value[np.isfinite(trace.value)]
    made = SignalOutcome(
        signal=trace.signal,
        ecu=trace.ecu,
        unit=trace.unit,
        readings=round(len(trace) / held),
        interval_s=float(np.median(apart)) * held if len(apart) else None,
        low=float(finite.min()) if len(finite) else None,
        high=float(finite.max()) if len(finite) else None,
    )
    return replace(made, doubt=_doubt(made, length_s))


def _doubt(signal: SignalOutcome, length_s: float) -> str:
    """The first thing that is implausible of a signal."""
    return next((say for looked in _LOOKED_AT if (say := looked(signal, length_s))), "")


def _of_values(signal: SignalOutcome, _: float) -> str:
    low, high = _USUAL.get(signal.signal, (-math.inf, math.inf))
    if signal.low is None or signal.high is None:
        return tr("{signal} holds no number.", signal=signal.signal)
    beyond = signal.low if signal.low < low else signal.high
    if low <= beyond <= high:
        return ""
    value = f"{figure_text(beyond)} {signal.unit}"
    return tr("{signal} of {value}: no car has that.", signal=signal.signal, value=value)


def _of_range(signal: SignalOutcome, _: float) -> str:
    if signal.signal not in table() or signal.low is None or signal.high is None:
        return ""
    ends = np.array([signal.low, signal.high])
    if _inside(Trace(signal.signal, "", signal.unit, np.zeros(2, np.int64), ends)).all():
        return ""
    return tr("{signal} goes beyond what the standard can say.", signal=signal.signal)


def _of_warmth(signal: SignalOutcome, length_s: float) -> str:
    if signal.signal != "ECT" or signal.high is None or length_s < _WARM_AFTER_S:
        return ""
    if signal.high >= _WARM_DEGC:
        return ""
    return tr("ECT never comes above {value} degC.", value=figure_text(signal.high))


def _of_mixture(signal: SignalOutcome, _: float) -> str:
    if not signal.signal.startswith("LAMBDA") or signal.high is None:
        return ""
    if signal.high >= _LEAST_LAMBDA:
        return ""
    value = figure_text(signal.high)
    return tr("{signal} never comes above {value}: no engine burns that.",
              signal=signal.signal, value=value)  # fmt: skip


def _of_rate(signal: SignalOutcome, _: float) -> str:
    if signal.interval_s is None or _FASTEST_S <= signal.interval_s <= _SLOWEST_S:
        return ""
    return tr("{signal} is read {rate}: is the time right?", signal=signal.signal, rate=signal.rate)


_LOOKED_AT: tuple[Callable[[SignalOutcome, float], str], ...] = (
    _of_values, _of_range, _of_warmth, _of_mixture, _of_rate,
)  # fmt: skip


def _of_start(started: str) -> Iterator[str]:
    try:
        when = datetime.fromisoformat(started)
    except ValueError:
        return
    when = when if when.tzinfo else when.replace(tzinfo=UTC)
    if when.year < _FIRST_YEAR:
        yield tr("It would have begun in {year}, before there was such data.", year=when.year)
    elif when > datetime.now(UTC) + timedelta(hours=14):  # the earliest zone there is
        yield tr("It would have begun in the future.")


def _of_length(length_s: float) -> Iterator[str]:
    if length_s > _LONGEST_S:
        hours = figure_text(length_s / 3600.0)
        yield tr("It lasts {hours} h without a pause: is the time right?", hours=hours)


def _of_all(traces: tuple[Trace, ...]) -> Iterator[str]:
    if all(np.nanmin(t.value) == np.nanmax(t.value) for t in traces if np.isfinite(t.value).any()):
        yield tr("No value ever changes.")
    by = {trace.signal: trace.value for trace in traces}
    if {"VSS", "RPM"} <= by.keys():
        speed, rpm = (float(np.nanmax(by[name], initial=0.0)) for name in ("VSS", "RPM"))
        if speed > 0.0 >= rpm:
            yield tr("The car moves, and RPM is 0 all the time.")
