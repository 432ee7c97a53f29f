"""Fan cycling at idle: the temperatures at which the fan starts and stops, and the highest ones.

Enabled: the car stands and idles at operating temperature, without a break, until the coolant has
risen, fallen by two degrees or more, faster than two degrees a minute, and risen again. Method:
turning points of the coolant temperature; each top is a start of the fan, each bottom after one a
stop. A single fall of a cold-started engine may be the first opening of the thermostat: then two
are needed. A fan that runs all the time (air conditioning, a viscous one) makes no turns, and what
makes none is not judged. The highest temperature is judged wherever the engine ran warm.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from logbench.analysis import alignment
from logbench.analysis.alignment import NS
from logbench.analysis.bands import Bands
from logbench.analysis.findings import Measured, Subject
from logbench.analysis.model import Condition, Coverage, Finding, Span
from logbench.analysis.statement import said, said_n
from logbench.analysis.statistics import half_width_of_few
from logbench.analysis.view import View

OPERATING_DEGC = 80.0
"""A fan has no business below this. [CP]"""
TURN_DEGC = 2.0
"""A turn is real when the coolant has moved back by so much: two steps of the signal."""
FALL_DEGC_MIN = 2.0
"""A fan cools at least this fast; thinner air or a heater does not. [CP]"""
BREAK_S = 10.0
"""A dab on the pedal does not end an idle."""
LEAST_S = 60.0
RESOLUTION_DEGC = 1.0
LEAST_WARM_S = 60.0
HELD_SAMPLES = 3
"""The highest temperature is one that so many samples reached."""


@dataclass(frozen=True, slots=True)
class FanCycles:
    """Temperatures in degC of each start and stop of the fan, and the idle that shows them."""

    on_degc: tuple[float, ...]
    off_degc: tuple[float, ...]
    spans: tuple[Span, ...]
    """From the start of a fall to its end."""
    idle_s: float
    """The longest idle at operating temperature."""
    highest_degc: float
    """During those idles; NaN without any."""


def fan_findings(view: View, bands: Bands, cold_start: bool) -> list[Finding]:
    """Findings on the fan's start, its swing, and the highest temperature."""
    return [*_cycling(find_fan_cycles(view), bands, cold_start), _highest(view, bands)]


def find_fan_cycles(view: View) -> FanCycles:
    """The fan's starts and stops in all idles at operating temperature."""
    on, off, spans, highest, longest = [], [], [], float("nan"), 0.0
    for idle in _idles(view):
        found = view.samples((idle,), "ECT")
        warm = found.value >= OPERATING_DEGC
        t, degc = found.t_ns[warm], found.value[warm]
        if len(t) < 2:
            continue
        longest = max(longest, float(t[-1] - t[0]) / NS)
        highest = float(np.fmax(highest, degc.max()))
        for top, bottom, turned in _falls(t, degc):
            on.append(float(degc[top]))
            spans.append(Span(int(t[top]), int(t[bottom])))
            if turned:
                off.append(float(degc[bottom]))
    return FanCycles(tuple(on), tuple(off), tuple(spans), longest, highest)


def _idles(view: View) -> tuple[Span, ...]:
    """Stretches of warm idle, with short breaks bridged; none where the speed is not known."""
    if view.trace("ECT") is None or view.trace("VSS") is None:
        return ()
    joined: list[Span] = []
    for span in view.spans(Condition.WARM_IDLE):
        if joined and span.start_ns - joined[-1].end_ns <= BREAK_S * NS:
            joined[-1] = Span(joined[-1].start_ns, span.end_ns)
        else:
            joined.append(Span(span.start_ns, span.end_ns))
    return tuple(s for s in joined if s.duration_s >= LEAST_S)


def turning_points(degc: Sequence[float]) -> list[tuple[int, int]]:
    """(place, +1 top or -1 bottom) of each turn that is followed by a move of `TURN_DEGC` the other
    way; of equal samples the last one before a fall, the last one before a rise."""
    turns: list[tuple[int, int]] = []
    high = low = 0
    way = 0
    for k, value in enumerate(degc):
        if value >= degc[high]:
            high = k
        if value <= degc[low]:
            low = k
        if way >= 0 and degc[high] - value >= TURN_DEGC:
            turns.append((high, 1))
            way, low = -1, k
        elif way <= 0 and value - degc[low] >= TURN_DEGC:
            turns.append((low, -1))
            way, high = 1, k
    return turns


def _falls(t_ns: alignment.Times, degc: alignment.Values) -> list[tuple[int, int, bool]]:
    """Top and bottom of each fall that a fan makes, and whether the bottom was a turn. A fall that
    began before this idle, or at its very start, is none: the top is not known."""
    turns = turning_points(degc.tolist())
    falls = []
    for n, (top, kind) in enumerate(turns):
        if kind < 0 or degc[top] - degc[: top + 1].min() < RESOLUTION_DEGC:
            continue
        turned = n + 1 < len(turns)
        bottom = turns[n + 1][0] if turned else top + int(np.argmin(degc[top:]))
        first = bottom if not turned else top + int(np.argmax(degc[top:] <= degc[bottom]))
        seconds = max(1e-9, float(t_ns[first] - t_ns[top]) / NS)
        if (degc[top] - degc[bottom]) / seconds * 60.0 >= FALL_DEGC_MIN:
            falls.append((top, first, turned))
    return falls


def _cycling(found: FanCycles, bands: Bands, cold_start: bool) -> list[Finding]:
    subject = Subject("warm_up", "fan at idle, start")
    if not found.on_degc:
        return [subject.not_judged(_no_cycle(found), "fan")]
    if cold_start and len(found.on_degc) < 2:
        text = said(
            "The coolant fell once, from {on:.0f degC}: that may be the first opening of the"
            " thermostat.",
            on=found.on_degc[0],
        )
        lacks = Coverage.UNCERTAIN
        return [subject.not_judged(text, "fan", evidence=found.spans, lacks=lacks)]
    starts = found.on_degc[1:] if cold_start else found.on_degc
    level, half = _mean(starts)
    remark = said_n("{n} start of the fan seen", "{n} starts of the fan seen", len(starts))
    numbers = {"starts": float(len(starts)), "highest_idle_degc": found.highest_degc}
    findings = [
        subject.judged(
            "The fan starts at",
            Measured(level, half, found.spans, (remark,), numbers),
            bands["fan_start"],
            "fan_late",
        )
    ]
    stops = found.off_degc[1:] if cold_start else found.off_degc
    if stops:
        off, off_half = _mean(stops)
        findings.append(
            Subject("warm_up", "fan at idle, swing").judged(
                said("It stops at {off:.0f degC}, a swing of", off=off),
                Measured(level - off, float(np.hypot(half, off_half)), found.spans),
                bands["fan_swing"],
                "fan_swing",
            )
        )
    return findings


def _no_cycle(found: FanCycles) -> str:
    if not np.isfinite(found.highest_degc):
        return "No idle of a minute at operating temperature was recorded."
    return said(
        "In {idle:.1f min} of idle at operating temperature, up to {highest:.0f degC}, no start of"
        " the fan was seen: it had no need yet, or it runs all the time.",
        idle=found.idle_s / 60.0,
        highest=found.highest_degc,
    )


def _mean(degc: Sequence[float]) -> tuple[float, float]:
    """Mean with the half width of its 95 % interval: the scatter of the turns and half a step of
    the signal, which all share; one turn alone is known to a whole step."""
    if len(degc) == 1:
        return float(degc[0]), RESOLUTION_DEGC
    scatter = half_width_of_few(np.array(degc))
    return float(np.mean(degc)), float(np.hypot(RESOLUTION_DEGC / 2.0, scatter))


def _highest(view: View, bands: Bands) -> Finding:
    """The highest coolant temperature of the drive, where the engine ran warm for a minute."""
    subject = Subject("warm_up", "highest coolant temperature")
    warm = view.stretches(view.conditions.warm & view.conditions.running)
    found = view.samples(warm, "ECT")
    seconds = alignment.total_s(warm) if view.conditions.warm_recorded else 0.0
    if seconds < LEAST_WARM_S or len(found) < 2 * HELD_SAMPLES:
        return subject.not_judged("The engine did not run warm for a minute.", "cold")
    degc = float(np.sort(found.value)[-HELD_SAMPLES])
    hottest = found.t_ns[found.value >= degc]
    at = Span(int(hottest[0]) - 5 * NS, int(hottest[0]) + 5 * NS)
    measured = Measured(degc, RESOLUTION_DEGC / 2.0, (at,))
    return subject.judged("The highest seen,", measured, bands["coolant_highest"], "hot")
