"""Front oxygen sensors: narrow-band ones, and wide-range ones against the commanded lambda.

Inputs: `O2Sb1` in volts of a narrow-band sensor; `LAMBDAb1` of a wide-range one with the
commanded `LAMBDA`. Enabled: warm, closed loop, steady, fifteen seconds in all. Method: the outer
2 % of the samples are the ends of the swing; share of time above 0.45 V; rich-lean cycles counted
with a hysteresis from 0.3 to 0.6 V, a second, in warm cruise or at 2,500 rpm; switches of the rear
over those of the front sensor; measured less commanded lambda, averaged. A 3 Hz sensor needs more
than 6 samples a second: below 8 a second amplitude and share rich are judged, never the rate.
Uncertainty: scatter between stretches, counts as Poisson's, resolution. Evidence: the stretches.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from logbench.analysis import alignment, sensor_response
from logbench.analysis.airflow import reads_low
from logbench.analysis.alignment import Values
from logbench.analysis.bands import Bands
from logbench.analysis.findings import Measured, Subject
from logbench.analysis.model import Condition, Coverage, Finding, Span
from logbench.analysis.narrow_band import SWITCH_V, closed_spans, narrow, switches
from logbench.analysis.sensor_response import response_findings
from logbench.analysis.statement import said
from logbench.analysis.statistics import estimate
from logbench.analysis.view import Samples, View
from logbench.recording.model import Trace

KEY = "oxygen_sensors"
TITLE = "Oxygen sensors and lambda"
PLAIN = "The sensors in the exhaust that measure the mixture"
STRIPS = (("O2S11",), ("LAMBDA", "LAMBDA11"), ("RPM",))
ORDER = 7
PARTS = (sensor_response,)
INPUTS = ("O2S11", "O2S21", "LAMBDA11", "LAMBDA21", "LAMBDA", "ECT")

LEAP_V, LEAPS_SHARE = 0.1, 0.2
"""A slow sensor moves little between samples; one near half the sample rate leaps each time."""
FAST_HZ = 8.0
STRETCH_S = 5.0
LEAST_S = 15.0


def check(view: View, bands: Bands) -> list[Finding]:
    """Findings on each bank's sensors."""
    findings: list[Finding] = []
    for bank in (1, 2):
        front = narrow(view, f"O2S{bank}1")
        wide = view.trace(f"LAMBDA{bank}1")
        if wide is not None:
            findings += _wide_range(view, bands, bank, wide)
        elif front is not None:
            findings += _front(view, bands, bank, front)
            findings += response_findings(view, bands, f"bank {bank} front sensor", front)
    subject = Subject(KEY, "oxygen sensors")
    return findings or [subject.not_judged("No front sensor was recorded.", "record")]


def _front(view: View, bands: Bands, bank: int, front: Trace) -> list[Finding]:
    name = f"bank {bank} front sensor"
    spans = closed_spans(view)
    found = view.samples(spans, front.signal)
    hz = 1.0 / front.interval_s
    seconds = alignment.total_s(spans)
    if len(found) < 20 or seconds < LEAST_S:
        text = "Too little warm, steady closed-loop running was recorded."
        return [Subject(KEY, name).not_judged(text, "record")]
    # a slow log sees the ends of the swing less often: the outer 2 % of many samples are the ends
    high, low = (float(x) for x in np.percentile(found.value, [98, 2]))
    share = estimate(np.where(found.value > SWITCH_V, 100.0, 0.0), found.group)
    numbers = {"highest_v": high, "lowest_v": low, "rich_share_pct": share.mean, "rate_hz": hz}
    ends = [
        ("highest voltage", high, bands["o2_front_rich"]),
        ("lowest voltage", low, bands["o2_front_lean"]),
    ]
    return [
        *(
            Subject(KEY, f"{name}, {what}").judged(
                what.capitalize(), Measured(v, 0.02, spans, (), numbers), band, "stuck"
            )
            for what, v, band in ends
        ),
        Subject(KEY, f"{name}, share rich").judged(
            "Time above 0.45 V",
            Measured(share.mean, share.half_width, spans, (), numbers),
            bands["o2_front_rich_share"],
            "stuck",
        ),
        _rate(view, bands, name, front, hz),
    ]


def _rate(view: View, bands: Bands, name: str, front: Trace, hz: float) -> Finding:
    subject = Subject(KEY, f"{name}, switching")
    if hz < FAST_HZ:
        text = said(
            "It was recorded {hz:.1f} times a second: too slow to count its switching.", hz=hz
        )
        return subject.not_judged(text, "record")
    spans = closed_spans(view, Condition.FAST_IDLE, Condition.CRUISE)
    found = view.samples(spans, front.signal)
    if alignment.total_s(spans) < LEAST_S or len(found) < LEAST_S * FAST_HZ:
        text = "Too little warm cruise or 2,500 rpm in closed loop was recorded."
        return subject.not_judged(text, "record")
    rates = _cycles_hz(found, spans)
    level = estimate(rates)
    half = level.half_width if np.isfinite(level.half_width) else 0.3 * level.mean
    leaps = float(np.mean(np.abs(np.diff(found.value)) > LEAP_V))
    if level.mean < (bands["o2_front_rate"].within[0] or 0.0) and leaps > LEAPS_SHARE:
        text = "Its voltage leaps from sample to sample: it may switch faster than it was sampled."
        return subject.not_judged(text, "record", evidence=spans, lacks=Coverage.UNCERTAIN)
    return subject.judged(
        "Rate of rich-lean cycles",
        Measured(level.mean, half, spans, (said("sampled at {hz:.0f Hz}", hz=hz),)),
        bands["o2_front_rate"],
        "slow",
        watch_at_most=""
        if _speeds_differ(view, spans)
        else "at one engine speed it may beat with the sampling",
    )


def _speeds_differ(view: View, spans: Sequence[Span]) -> bool:
    """Whether the stretches counted are at engine speeds a fifth apart: a switching that merely
    beats with the sampling looks slow at one speed only."""
    counted = [s for s in spans if s.duration_s >= STRETCH_S]
    means = [float(rpm.mean()) for s in counted if len(rpm := view.samples((s,), "RPM").value)]
    return len(means) > 1 and max(means) >= 1.2 * min(means)


def _cycles_hz(found: Samples, spans: Sequence[Span]) -> Values:
    """Rich-lean cycles a second of each span of five seconds or more."""
    rates = []
    for k in np.unique(found.group):
        seconds = spans[int(k)].duration_s
        if seconds >= STRETCH_S:
            rates.append(switches(found.value[found.group == k]) / seconds)
    return np.array(rates)


def _wide_range(view: View, bands: Bands, bank: int, wide: Trace) -> list[Finding]:
    subject, spans = Subject(KEY, f"bank {bank} lambda, closed loop"), closed_spans(view)
    closed = view.samples(spans, wide.signal)
    commanded = view.last(closed.t_ns, "LAMBDA", max_age_s=3.0)
    target = np.where(np.isfinite(commanded), commanded, 1.0)
    if len(closed) < 20 or alignment.total_s(spans) < LEAST_S:
        text = "Too little warm, steady closed-loop running was recorded."
        return [subject.not_judged(text, "record")]
    level = estimate(closed.value - target, closed.group, 2.0 / 65536.0)
    measured = Measured(level.mean, level.half_width, spans)
    return [
        subject.judged(
            "Measured less commanded lambda", measured, bands["lambda_closed_loop"], "lambda"
        ),
        _full_load(view, bands, bank, wide),
        _rise(view, bands, bank, wide),
    ]


def _full_load(view: View, bands: Bands, bank: int, wide: Trace) -> Finding:
    """At full throttle, after the first second: the mixture and the sensor need that long."""
    late = alignment.NS
    spans = tuple(
        Span(s.start_ns + late, s.end_ns - late // 3)
        for s in view.spans(Condition.FULL_THROTTLE)
        if s.duration_s > 1.6
    )
    found = view.samples(spans, wide.signal)
    commanded = view.last(found.t_ns, "LAMBDA", max_age_s=1.5)
    good = np.isfinite(commanded)
    subject = Subject(KEY, f"bank {bank} lambda, full throttle")
    if good.sum() < 5:
        return subject.not_judged("No full throttle was recorded with LAMBDA.", "pull")
    level = estimate((found.value - commanded)[good], found.group[good])
    return subject.judged(
        "Measured less commanded lambda at full throttle",
        Measured(level.mean, level.half_width, spans),
        bands["lambda_full_load"],
        "lambda" if level.mean <= 0.0 else "maf_load" if reads_low(view) else "lean_load",
    )


def _rise(view: View, bands: Bands, bank: int, wide: Trace) -> Finding:
    """How fast the sensor sees the air of a fuel cut, where it was sampled fast enough."""
    step_s = wide.interval_s
    reach = alignment.NS
    spans = tuple(
        Span(s.start_ns - reach, s.end_ns + reach) for s in view.spans(Condition.FUEL_CUT)
    )
    times = [t for s in spans if np.isfinite(t := _rise_s(view.samples((s,), wide.signal)))]
    subject = Subject(KEY, f"bank {bank} lambda, response")
    if step_s > 0.15 or len(times) < 2:
        text = "Fewer than two fuel cuts were recorded at 7 samples a second or more."
        return subject.not_judged(text, "coast")
    return subject.judged(
        "Time from lambda 1.05 to 1.9 as the fuel is cut",
        Measured(float(np.median(times)), step_s / 2.0, spans, (f"{len(times)} fuel cuts",)),
        bands["lambda_rise"],
        "slow",
    )


def _rise_s(found: Samples) -> float:
    """Seconds from lambda 1.05 to 1.9 of the first rise in these samples; NaN without one."""
    high = np.flatnonzero(found.value >= 1.9)
    if len(high) == 0 or high[0] == 0:
        return float("nan")
    low = np.flatnonzero(found.value[: high[0]] <= 1.05)
    if len(low) == 0:
        return float("nan")
    part = slice(int(low[-1]), int(high[0]) + 1)
    t = found.t_ns[part] / alignment.NS
    value = np.maximum.accumulate(found.value[part])
    start, end = (float(np.interp(level, value, t)) for level in (1.05, 1.9))
    return end - start
