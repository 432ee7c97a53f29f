"""Numbers in a table that are not readings: what a logger writes until, or where, it has none; and
tables that no car has filled.

A real reading must survive, to the bit: so a number is only left out where it cannot be one, for
what stands beside it in its row or before and after it in its column.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import replace

import numpy as np
import numpy.typing as npt

from logbench.importing.model import Mapping, Report
from logbench.importing.samples import Rows, Samples, cell_text
from logbench.importing.sheet import Sheet
from logbench.recording.model import Trace
from logbench.signals.table import Signal, table

Mask = npt.NDArray[np.bool_]

_TEMPERATURES = frozenset({"ECT", "IAT", "AAT", "EOT"})
_LEAP_K = 20.0
"""What none of them does from one row to the next: coolant takes a minute for it, and the sensors
themselves some seconds."""
_NEVER_ZERO = frozenset({"MAP", "BARO", "VPWR"})
"""The air has a pressure, also behind a closed throttle; an ECU that answers has a voltage."""
_NO_READING: dict[str, str] = {
    "RPM": "high", "VSS": "high", "MAF": "high", "FUEL_RATE": "high", "BARO": "both",
    "VPWR": "both", "SPARKADV": "both", "SHRTFT1": "both", "SHRTFT2": "both", "LONGFT1": "both",
    "LONGFT2": "both",
}  # fmt: skip
"""Ends of ranges at which a signal never is: all bits of its data set, or none. Others do stand
there: a throttle, a sensor whose wire is broken, a counter that has run out."""
_FAR = 0.1
"""Of a signal's range: what it does not leap over twice, there and back, in two rows."""
_STAND_INS = (-1.0, -999.0, -9999.0, 999.0, 9999.0, 99_999.0, 32_767.0, 65_534.0, 65_535.0, 6553.5)
"""Numbers that programs write for none; common practice, no source."""
_COLD_OR_HOT = (127.0, 128.0, 255.0)
"""The same of temperatures: the ends of a signed and of an unsigned byte."""
_FEW = 3
"""Signals that a row must have to be seen to be blank."""
_LEAD_NS = 30_000_000_000
_LEAD = 2
"""So long, or for so many rows, a column may wait for its first reading."""

_IN_A_BLANK_ROW = "stands in a row without any reading"
_BEFORE_THE_FIRST = "stands before the first reading"
_STANDS_IN = "stands for no reading"


def without_placeholders(
    found: Sequence[Samples],
    drive_of: npt.NDArray[np.int64],
    t_ns: npt.NDArray[np.int64],
    sheet: Sheet,
    mapping: Mapping,
    report: Report,
) -> list[Samples]:
    """The samples that are readings; the report tells the others. `drive_of`: number of the drive
    of each row; `t_ns`: its time."""
    blank = np.zeros(sheet.rows, dtype=bool)
    if mapping.layout == "wide":
        blank = _blank_rows(found, drive_of, sheet.rows)
    if blank.any():
        report.remark(f"{int(blank.sum()):,} rows hold no reading and are left out.")
    kept = []
    for samples in found:
        in_blank = blank[samples.rows]
        first, stand_in = np.zeros_like(in_blank), np.zeros_like(in_blank)
        for drive in _of_each_drive(samples, drive_of):
            own = drive[~in_blank[drive]]
            first[own] = _before_the_first(samples, own, t_ns[samples.rows[own]])
            rest = own[~first[own]]
            stand_in[rest] = _stand_ins(samples, samples.value[rest])
        for out, reason in (
            (in_blank, _IN_A_BLANK_ROW), (first, _BEFORE_THE_FIRST), (stand_in, _STANDS_IN),
        ):  # fmt: skip
            for k in np.flatnonzero(out):
                _tell(sheet, mapping, samples, int(k), reason, report)
        keep = ~(in_blank | first | stand_in)
        kept.append(replace(samples, rows=samples.rows[keep], value=samples.value[keep]))
    return kept


def _tell(
    sheet: Sheet, mapping: Mapping, samples: Samples, k: int, reason: str, report: Report
) -> None:
    row = int(samples.rows[k])
    place = next((c.place for c in mapping.columns if c.column == samples.column), -1)
    if mapping.long is not None and mapping.layout == "long":
        place = mapping.long.value
    text = cell_text(sheet.columns[place], row) if 0 <= place < len(sheet.columns) else ""
    report.leave_out(int(sheet.lines[row]), samples.column, text or f"{samples.value[k]:g}", reason)


def _of_each_drive(samples: Samples, drive_of: npt.NDArray[np.int64]) -> Iterator[Rows]:
    """The places of the samples of each drive."""
    drives = drive_of[samples.rows]
    order = np.argsort(drives, kind="stable")
    yield from np.split(order, np.flatnonzero(np.diff(drives[order])) + 1)


def _signal(samples: Samples) -> Signal | None:
    return table().by_acronym(samples.signal) if samples.signal in table() else None


def _at(value: npt.NDArray[np.float64], end: float, signal: Signal) -> Mask:
    """Whether values are that end of a range, as rounded as people write it."""
    spare = max(0.5 * abs(signal.scale), 5e-4 * (signal.maximum - signal.minimum))
    return np.asarray(np.abs(value - end) <= spare)


# --- rows ---


def _blank_rows(found: Sequence[Samples], drive_of: npt.NDArray[np.int64], rows: int) -> Mask:
    """Rows in which everything is 0, as the file writes it or as data of zeros decode, or as data
    of ones do, and something cannot be."""
    there, zeros, ones = (np.zeros(rows, np.int64) for _ in range(3))
    for samples in found:
        there[samples.rows] += 1
        zeros[samples.rows[_zero(samples)]] += 1
        ones[samples.rows[_one(samples)]] += 1
    likely: Mask = (there >= _FEW) & ((zeros == there) | (ones == there))
    if not likely.any():
        return likely
    impossible = ones == there
    for samples in found:
        if samples.signal in _NEVER_ZERO:
            impossible[samples.rows] = True
        elif samples.signal in _TEMPERATURES:
            for own in _of_each_drive(samples, drive_of):
                at = samples.rows[own]
                impossible[at] |= _leaps(samples.value[own], likely[at])
    return np.asarray(likely & impossible)


def are_zeros(acronym: str, value: npt.NDArray[np.float64], zero: float) -> Mask:
    """Which values in a signal's unit are `zero`, what a 0 of the file is, or data of zeros."""
    zeros = np.asarray(value == zero)
    if acronym not in table():
        return zeros
    signal = table().by_acronym(acronym)
    return np.asarray(zeros | _at(value, signal.minimum, signal))


def _zero(samples: Samples) -> Mask:
    return are_zeros(samples.signal, samples.value, float(samples.read_as([0.0])[0]))


def _one(samples: Samples) -> Mask:
    signal = _signal(samples)
    if signal is None or signal.kind != "number":
        return np.zeros(len(samples.rows), dtype=bool)
    return _at(samples.value, signal.maximum, signal)


def _leaps(value: npt.NDArray[np.float64], likely: Mask) -> Mask:
    """Whether a temperature of a row that may be blank is far from the nearest other ones."""
    others = np.flatnonzero(~likely & np.isfinite(value))
    if not len(others):
        return np.zeros_like(likely)
    behind = np.searchsorted(others, np.arange(len(value)))
    before = value[others[np.maximum(behind - 1, 0)]]
    after = value[others[np.minimum(behind, len(others) - 1)]]
    return np.asarray(np.minimum(np.abs(value - before), np.abs(value - after)) > _LEAP_K)


# --- columns ---


def _before_the_first(samples: Samples, own: Rows, t_ns: npt.NDArray[np.int64]) -> Mask:
    """Zeros and the like that stand in a column until it is read, where it cannot be them."""
    value = samples.value[own]
    out = np.zeros(len(own), dtype=bool)
    if samples.signal not in _NEVER_ZERO | _TEMPERATURES:
        return out
    waiting = _zero(samples)[own] | (value == samples.read_as([-1.0])[0])
    lead = len(own) if waiting.all() else int(np.argmin(waiting))
    if not 0 < lead < len(own) or (lead > _LEAD and t_ns[lead] - t_ns[0] > _LEAD_NS):
        return out
    out[:lead] = samples.signal in _NEVER_ZERO or abs(value[lead] - value[lead - 1]) > _LEAP_K
    return out


def _stand_ins(samples: Samples, value: npt.NDArray[np.float64]) -> Mask:
    """Numbers that stand for none, far from all that is measured before and after them."""
    signal = _signal(samples)
    if signal is None or signal.kind != "number" or not len(value):
        return np.zeros(len(value), dtype=bool)
    ends = _NO_READING.get(signal.standard, "")
    never = np.zeros(len(value), dtype=bool)
    if ends in {"high", "both"}:
        never |= _at(value, signal.maximum, signal)
    if ends == "both":
        never |= _at(value, signal.minimum, signal)
    written = [*_STAND_INS, *(_COLD_OR_HOT if signal.standard in _TEMPERATURES else ())]
    suspect = never | np.isin(value, samples.read_as(written))
    if not suspect.any():
        return suspect
    others = np.sort(value[~suspect & np.isfinite(value)])
    if not len(others):
        return never
    at = np.searchsorted(others, value)
    near = np.minimum(
        np.abs(value - others[np.maximum(at - 1, 0)]),
        np.abs(value - others[np.minimum(at, len(others) - 1)]),
    )
    return np.asarray(suspect & (near > _FAR * (signal.maximum - signal.minimum)))


# --- no car ---

_SWEPT = 0.6
"""Of its range, between the 2nd and the 98th hundredth of all samples: no car comes so far in these
signals. Coolant from -20 to 110 degC is 0.51 of it, an engine of 8,000 rpm 0.49, ignition from -10
to 50 degrees 0.47, a battery from 0 to 15 V 0.23, fuel trim from -35 to 35 % 0.35."""
_NEVER_SWEPT = frozenset({
    "RPM", "ECT", "IAT", "AAT", "EOT", "VPWR", "BARO", "SPARKADV", "SHRTFT1", "SHRTFT2", "LONGFT1",
    "LONGFT2",
})  # fmt: skip
_LEAST_SWEPT = 2


def why_no_car(traces: Sequence[Trace]) -> str:
    """Why the samples of a drive are of no car, as a sentence: they sweep through the ranges of
    signals, as a demonstration does. Empty where nothing says so."""
    asked = [t for t in traces if t.signal in _NEVER_SWEPT and np.isfinite(t.value).sum() >= 20]
    swept = [trace for trace in asked if _share_swept(trace) > _SWEPT]
    if len(swept) < max(_LEAST_SWEPT, len(asked) / 2):
        return ""
    told = ", ".join(
        f"{t.signal} from {np.nanmin(t.value):g} to {np.nanmax(t.value):g} {t.unit}"
        for t in swept[:3]
    )
    return f"This is not a car: its signals sweep through their ranges, as if shown ({told})."


def _share_swept(trace: Trace) -> float:
    signal = table().by_acronym(trace.signal)
    low, high = np.nanquantile(trace.value, [0.02, 0.98])
    return float((high - low) / (signal.maximum - signal.minimum))
