"""Values that no car has, and readings that leap away and back: a broken wire, a missed answer.

A reading at the end of what its bytes can hold is the mark of an open or shorted sensor, or what a
logger writes for want of an answer; one that departs from its neighbors faster than the quantity
can, and comes back, is none either. Only these readings are left out. Limits of what is possible
are physics, each with its reason.
"""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np
from scipy.ndimage import median_filter

from logbench.analysis.alignment import NS, Mask, Values, edges, linear
from logbench.analysis.model import Span, Verdict
from logbench.analysis.rationality.model import Kind, Oddity
from logbench.analysis.statement import Quantity, said
from logbench.errors import SignalUnknownError
from logbench.recording.model import Trace
from logbench.signals.table import Signal, table

THERMISTORS = ("ECT", "IAT", "AAT", "EOT")
"""What reads an end of its range where its circuit is broken. Of any other signal that was never
read, the car or the logger may just not have it."""
POSSIBLE = {
    "BARO": (45.0, 115.0),
    "MAP": (5.0, None),
    "VPWR": (1.0, None),
    **dict.fromkeys(THERMISTORS, (None, 139.5)),
}
"""kPa: air pressure from the highest roads (5,800 m: 49 kPa in the standard atmosphere) to the
lowest ones in the best of weather, with 4 kPa of error of the sensor; no engine draws its manifold
empty. V: without any no module answers. degC: a shorted thermistor reads far above any
real value. [Calc; Mem: records of air pressure; CP]"""
COLDEST_DEGC = -30.0
"""Where another temperature is as low as that, -40 may be the weather."""
ALWAYS_THERE = ("ECT",)
"""Every car has it: no logger is the reason that it was never read."""
FEW, MANY = 2, 5
"""One reading that is lost may be the link's; a thermistor that is lost so many times apart is to
be watched, or surely has a bad connection. [CP]"""

LEAP_K, LEAP_K_S = 15.0, 5.0
"""No temperature of coolant, oil or intake air leaps so far, so fast, and back. [CP]"""
BRAKES_MS2, PULLS_MS2 = 10.0, 6.0
"""A car on the road neither brakes nor gathers speed faster. [CP: limit of grip; quick cars]"""
SLOW_KMH, SAME_RATIO = 15.0, 0.15
LEAP_KMH = 30.0
LONGEST_RUN, LONGEST_S = 3, 30.0
"""Readings, and time between the good ones about them: what lasts longer is not a leap and back."""
AROUND = 9
"""Readings of the running median: more than twice the longest run."""


def find_impossible(trace: Trace, others: dict[str, Trace], imported: bool) -> Iterator[Oddity]:
    """What of a trace is not a reading. `others`: all by acronym; `imported`: whether another
    program wrote it."""
    try:
        signal = table().by_acronym(trace.signal)
    except SignalUnknownError:
        return
    finite = np.isfinite(trace.value)
    out = _beyond(signal, trace.value, others) & finite
    if out[finite].all():
        yield _never_read(trace, out, imported)
        return
    leaps = _leaps(trace, ~out & finite, others)
    if out.any():
        yield from _lost(trace, out)
    if leaps.any():
        yield from _leapt(trace, leaps)


def _beyond(signal: Signal, value: Values, others: dict[str, Trace]) -> Mask:
    """What its bytes cannot hold or what no car has."""
    out = ~signal.can_be(value, 1e-6 + abs(signal.scale)) & ~np.isnan(value)
    low, high = POSSIBLE.get(signal.standard, (None, None))
    if low is not None:
        out |= value < low
    if high is not None:
        out |= value > high
    if signal.unit == "degC":
        out |= (value <= signal.minimum + 0.5) & (not _arctic(signal, others))
        out |= (value >= signal.maximum - 0.5) & (signal.bits == 8)
    if signal.standard.startswith("LAMBDA"):
        out |= value <= signal.minimum
    if signal.standard.startswith(("SHRTFT", "LONGFT")):
        out |= value <= signal.minimum
    return np.asarray(out)


def _arctic(signal: Signal, others: dict[str, Trace]) -> bool:
    for name in THERMISTORS:
        other = others.get(name)
        if other is not None and name != signal.standard:
            value = other.value[np.isfinite(other.value) & (other.value > -40.0)]
            if len(value) and float(value.min()) <= COLDEST_DEGC:
                return True
    return False


def _never_read(trace: Trace, out: Mask, imported: bool) -> Oddity:
    value = float(np.nanmedian(trace.value))
    clause = said("it is {value} throughout, which is not a reading", value=_as_read(trace, value))
    whole = (Span(int(trace.t_ns[0]), int(trace.t_ns[-1]) + 1),)
    is_fault = trace.signal in THERMISTORS and (trace.signal in ALWAYS_THERE or not imported)
    verdict = Verdict.ACT if is_fault else Verdict.WITHIN
    kind = Kind.OPEN if value < 0.0 else Kind.SHORTED
    return Oddity(trace.signal, trace.ecu, clause, out, verdict, kind, whole)


def _lost(trace: Trace, out: Mask) -> Iterator[Oddity]:
    """Readings that are none; those before the first good one were not there yet."""
    first = int(np.argmin(out))
    events = [edge for edge in edges(out) if edge[0] >= first]
    low, high = float(trace.value[out].min()), float(trace.value[out].max())
    values = Quantity(low, _unit(trace), decimals=0, others=() if low == high else (high,))
    clause = said(
        "{n} of its {all} readings are out of range ({values})",
        n=int(out.sum()),
        all=len(trace),
        values=values,
    )
    verdict = _verdict(table().by_acronym(trace.signal), len(events))
    yield Oddity(trace.signal, trace.ecu, clause, out, verdict, Kind.DROPS_OUT, _spans(trace, out))


def _verdict(signal: Signal, times: int) -> Verdict:
    """What it says that a signal was lost so many times. A mixture sensor is not ready whenever the
    engine stands; of what is not a thermistor, the answer may be lost."""
    many = times >= MANY
    if signal.standard in THERMISTORS:
        few = Verdict.WATCH if times >= FEW else Verdict.WITHIN
        return Verdict.ACT if many else few
    never_ready = signal.standard.startswith("LAMBDA")
    return Verdict.WATCH if many and not never_ready else Verdict.WITHIN


def _leapt(trace: Trace, leaps: Mask) -> Iterator[Oddity]:
    events = edges(leaps)
    value = float(trace.value[events[0][0]])
    clause = said(
        "it leaps away and back within moments, {n} times, first to {value}",
        n=len(events),
        value=_as_read(trace, value),
    )
    verdict = Verdict.WATCH if len(events) >= FEW else Verdict.WITHIN
    yield Oddity(
        trace.signal, trace.ecu, clause, leaps, verdict, Kind.DROPS_OUT, _spans(trace, leaps)
    )


def _spans(trace: Trace, where: Mask) -> tuple[Span, ...]:
    return tuple(Span(int(trace.t_ns[a]), int(trace.t_ns[b - 1]) + 1) for a, b in edges(where))


def _unit(trace: Trace) -> str:
    return table().by_acronym(trace.signal).unit


def _as_read(trace: Trace, value: float) -> Quantity:
    whole = value == round(value)
    return Quantity(value, _unit(trace), decimals=0 if whole else None)


# --- leaps ---


def _leaps(trace: Trace, good: Mask, others: dict[str, Trace]) -> Mask:
    """Short runs that are too far from the readings about them for the time between."""
    out = np.zeros(len(trace), dtype=bool)
    signal = table().by_acronym(trace.signal)
    is_speed = signal.standard == "VSS"
    if not (is_speed or (signal.unit == "degC" and signal.bits == 8)):
        return out
    index = np.flatnonzero(good)
    if len(index) < AROUND:
        return out
    t_s, value = trace.t_ns[index] / NS, trace.value[index]
    away = np.abs(value - median_filter(value, AROUND, mode="nearest"))
    far = (value <= 0.0) | (away > LEAP_KMH) if is_speed else away > LEAP_K
    at = np.array([e for e in edges(far) if _is_short(e, t_s)], dtype=np.intp).reshape(-1, 2)
    if len(at) == 0:
        return out
    rpm = others.get("RPM") if is_speed else None
    known = np.full(len(index), np.nan) if rpm is None else linear(rpm, trace.t_ns[index], 5.0)
    for first, last in at:
        part = slice(first - 1, last + 1)
        leaps = (
            _speed_leaps(t_s[part], value[part], known[part])
            if is_speed
            else _temperature_leaps(t_s[part], value[part])
        )
        if leaps:
            out[index[first:last]] = True
    return out


def _is_short(edge: tuple[int, int], t_s: Values) -> bool:
    first, last = edge
    if first == 0 or last == len(t_s) or last - first > LONGEST_RUN:
        return False
    return bool(t_s[last] - t_s[first - 1] <= LONGEST_S)


def _temperature_leaps(t_s: Values, degc: Values) -> bool:
    """All of the run on one side, and both flanks too steep."""
    there, back = degc[1] - degc[0], degc[-2] - degc[-1]
    if there * back <= 0.0 or min(abs(there), abs(back)) < LEAP_K:
        return False
    return bool(
        abs(there) > LEAP_K_S * (t_s[1] - t_s[0]) and abs(back) > LEAP_K_S * (t_s[-1] - t_s[-2])
    )


def _speed_leaps(t_s: Values, kmh: Values, rpm: Values) -> bool:
    """Beyond what brakes and engine can do; or a standstill while the engine turns on in the gear
    that it had before and has behind."""
    there, back = (kmh[0] - kmh[1]) / 3.6, (kmh[-1] - kmh[-2]) / 3.6
    if there * back <= 0.0:
        return False
    down, up = (there, back) if there > 0.0 else (-back, -there)
    if down / BRAKES_MS2 + up / PULLS_MS2 > t_s[-1] - t_s[0]:
        return True
    if kmh[1:-1].max() > 0.0 or min(kmh[0], kmh[-1]) < SLOW_KMH or not np.isfinite(rpm).all():
        return False
    before, behind = rpm[0] / kmh[0], rpm[-1] / kmh[-1]
    same_gear = abs(before / behind - 1.0) <= SAME_RATIO
    between = (rpm[1:-1] - (rpm[0] + rpm[-1]) / 2.0) / ((rpm[0] + rpm[-1]) / 2.0)
    return bool(same_gear and np.abs(between).max() <= SAME_RATIO)
