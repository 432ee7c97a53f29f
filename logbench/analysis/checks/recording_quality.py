"""The recording itself: rates, gaps, values out of range, signals that stand still, skew.

Inputs: every trace and the recording's events. Enabled: always. Method: median interval of each
signal; gaps of eight intervals and three seconds; values that its bytes cannot hold; two minutes
without a change while the speed changes; how far airflow and pressure lie from the engine speed in
time. A signal that is found poor here is named in the findings of the checks that lean on it.
Evidence: the gaps and stretches named.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np

from logbench.analysis import alignment
from logbench.analysis.alignment import NS
from logbench.analysis.bands import Bands
from logbench.analysis.findings import Measured, Subject
from logbench.analysis.model import Finding, Span, Verdict
from logbench.analysis.statement import Quantity, joined, said
from logbench.analysis.view import View
from logbench.errors import SignalUnknownError
from logbench.recording.model import Trace
from logbench.signals.table import table

KEY = "recording"
TITLE = "The recording itself"
ORDER = 13
INPUTS: tuple[str, ...] = ()

GAP_KINDS = ("link lost", "gap")
MOVES = ("RPM", "MAF", "MAP", "TP", "LOAD_PCT", "LOAD_ABS", "APP_D", "O2S11", "O2S21")
"""Signals that cannot stand still for minutes while the car changes its speed."""

PEDALS = ("APP_D",)
DRIVING_KMH = 10.0
STUCK_S = 120.0
STUCK_KMH = 15.0

GAP_FACTOR, LEAST_GAP_S = 8.0, 3.0
OUT_SHARE = 0.01
LEAST_SAMPLES = 20
SLOWEST_S = {"RPM": 2.5, "MAF": 2.5, "MAP": 2.5, "TP": 2.5, "VSS": 2.5}
"""Sample intervals above which driving conditions and steadiness cannot be told well."""


def check(view: View, bands: Bands) -> list[Finding | None]:
    """Findings on poor signals, gaps and skew."""
    del bands  # limits of sampling are no rules of thumb of the trade
    if not view.traces.signals or len(view.grid) == 0:
        return [
            Subject(KEY, "samples").not_judged("The recording holds no samples.", "Record again.")
        ]
    return [_signals(view), _gaps(view), _skew(view)]


def _signals(view: View) -> Finding:
    found = view.once(find_quality)
    poor = {a: q for a, q in found.items() if q.problem}
    rates = [q.rate_hz for q in found.values()]
    numbers = {"signals": float(len(found)), "slowest_hz": min(rates), "fastest_hz": max(rates)}
    subject = Subject(KEY, "signals")
    if not poor:
        span = Quantity(min(rates), "Hz", decimals=1, others=(max(rates),))
        reason = said("{n} signals at {span}, none poor.", n=len(found), span=span)
        return subject.finding(Verdict.WITHIN, reason, Measured(math.nan, numbers=numbers))
    listed = joined(said("{a}: {why}", a=a, why=q.problem) for a, q in poor.items())
    spans = [s for q in poor.values() for s in q.evidence]
    measured = Measured(float(len(poor)), evidence=spans, numbers=numbers)
    are = said("{n} of {all} signals are poor", n=len(poor), all=len(found))
    reason = said("{are}: {listed}.", are=are, listed=listed)
    return subject.finding(Verdict.WATCH, reason, measured, "poor")


def _gaps(view: View) -> Finding:
    rpm = view.trace("RPM") or view.trace(*view.traces.signals)
    gaps: tuple[Span, ...] = ()
    if rpm is not None:
        quality = view.once(find_quality).get(rpm.signal)
        gaps = quality.gaps if quality is not None else ()
    lost = sum(event.kind in GAP_KINDS for event in view.facts.events)
    whole = (view.grid.t_ns[-1] - view.grid.t_ns[0]) / NS
    seconds = alignment.total_s(gaps)
    numbers = {"gaps": float(len(gaps)), "gap_s": seconds, "link_lost": float(lost)}
    subject = Subject(KEY, "gaps")
    if not gaps and not lost:
        measured = Measured(math.nan, numbers=numbers)
        return subject.finding(Verdict.WITHIN, "No gap in the samples.", measured)
    share = seconds / whole if whole > 0 else 1.0
    verdict = Verdict.WATCH if share > 0.02 else Verdict.WITHIN
    reason = said(
        "{n} gaps of {s:.0f s} in all; the link was lost {lost} times.",
        n=len(gaps),
        s=seconds,
        lost=lost,
    )
    if view.grid.share < 1.0:
        reason = said(
            "{gaps} There are too few samples for so long a time: {share:.0f %} are judged.",
            gaps=reason,
            share=100.0 * view.grid.share,
        )
    measured = Measured(seconds, evidence=gaps, numbers=numbers)
    return subject.finding(verdict, reason, measured, "gaps", "s")


def _skew(view: View) -> Finding | None:
    """Whether airflow, pressure and engine speed were sampled together."""
    rpm = view.trace("RPM")
    other = view.trace("MAF", "MAP")
    if rpm is None or other is None:
        return None
    together = float(np.isfinite(alignment.same_request(rpm, other.t_ns)).mean())
    place = np.clip(np.searchsorted(rpm.t_ns, other.t_ns), 0, len(rpm) - 1)
    away = [np.abs(rpm.t_ns[at] - other.t_ns) for at in (np.maximum(place - 1, 0), place)]
    skew = float(np.median(np.minimum(*away) / NS))
    good = together > 0.5 or skew <= 0.25
    return Subject(KEY, "skew").finding(
        Verdict.WITHIN if good else Verdict.WATCH,
        said(
            "{share:.0f %} of {name} came in one request with RPM, the others {skew:.1f s} apart"
            " (median).",
            share=100.0 * together,
            name=other.signal,
            skew=skew,
        ),
        Measured(skew, numbers={"same_request_share": together}),
        "skew",
        "s",
    )


# --- each signal ---


@dataclass(frozen=True, slots=True)
class SignalQuality:
    """One trace: typical rate in Hz, gaps longer than eight intervals and three seconds, and what
    is wrong with it (a clause, empty when nothing is)."""

    rate_hz: float
    gaps: tuple[Span, ...]
    problem: str
    evidence: tuple[Span, ...]


def find_quality(view: View) -> Mapping[str, SignalQuality]:
    """The quality of every recorded signal, by acronym."""
    moving, speed = _driving_span(view), view.trace("VSS")
    return {
        acronym: _judge(trace, moving, speed)
        for acronym in view.traces.signals
        if (trace := view.trace(acronym)) is not None
    }


def _driving_span(view: View) -> Span | None:
    """From the first to the last moment of driving, if that is long enough; else None."""
    speed = view.grid.linear("VSS")
    if speed is None:
        return None
    driving = np.flatnonzero(speed > DRIVING_KMH)
    if len(driving) * view.grid.step_ns < STUCK_S * NS:
        return None
    t = view.grid.t_ns
    return Span(int(t[driving[0]]), int(t[driving[-1]]))


def _judge(trace: Trace, moving: Span | None, speed: Trace | None) -> SignalQuality:
    step = alignment.interval_s(trace)
    rate = 1.0 / step if step > 0 and np.isfinite(step) else 0.0
    gaps = _gaps_of(trace, step)
    looks = (_out_of_range(trace), _stuck(trace, moving, speed), _slow(trace, step))
    problem, evidence = next((found for found in looks if found[0]), ("", ()))
    return SignalQuality(rate, gaps, problem, evidence)


def _gaps_of(trace: Trace, step_s: float) -> tuple[Span, ...]:
    if not np.isfinite(step_s):
        return ()
    limit = max(GAP_FACTOR * step_s, LEAST_GAP_S) * NS
    at = np.flatnonzero(np.diff(trace.t_ns) > limit)
    return tuple(Span(int(trace.t_ns[k]), int(trace.t_ns[k + 1])) for k in at)


def _out_of_range(trace: Trace) -> tuple[str, tuple[Span, ...]]:
    """Values that the signal's bytes cannot hold, or temperatures at the end of the range."""
    try:
        signal = table().by_acronym(trace.signal)
    except SignalUnknownError:
        return "", ()
    value = trace.value
    slack = 1e-6 + abs(signal.scale)
    out = (value < signal.minimum - slack) | (value > signal.maximum + slack)
    if signal.unit == "degC" and signal.bits == 8:
        out |= (value <= -39.5) | (value >= 214.5)
    share = float(out.mean())
    if share <= OUT_SHARE:
        return "", ()
    first = int(trace.t_ns[np.flatnonzero(out)[0]])
    text = said("{share:.0f %} of its samples are out of range", share=100.0 * share)
    return text, (Span(first, first + NS),)


def _stuck(trace: Trace, moving: Span | None, speed: Trace | None) -> tuple[str, tuple[Span, ...]]:
    """A signal that must move, but keeps one value for two minutes of driving while the speed
    changes. A pedal that is released keeps its lowest value however the car moves."""
    if trace.signal not in MOVES or moving is None or speed is None:
        return "", ()
    inside = (trace.t_ns >= moving.start_ns) & (trace.t_ns <= moving.end_ns)
    t, value = trace.t_ns[inside], trace.value[inside]
    if len(t) < LEAST_SAMPLES:
        return "", ()
    breaks = (np.diff(value) != 0) | (np.diff(t) > STUCK_S * NS)
    cuts = np.concatenate(([0], np.flatnonzero(breaks) + 1, [len(value)]))
    longest = int(np.argmax(t[cuts[1:] - 1] - t[cuts[:-1]]))
    start, end = int(t[cuts[longest]]), int(t[cuts[longest + 1] - 1])
    kmh = speed.value[(speed.t_ns >= start) & (speed.t_ns <= end) & np.isfinite(speed.value)]
    driven_s = float(np.mean(kmh > DRIVING_KMH)) * (end - start) / NS if len(kmh) else 0.0
    released = trace.signal in PEDALS and value[cuts[longest]] <= value.min() < value.max()
    if released or driven_s < STUCK_S or np.ptp(kmh) < STUCK_KMH:
        return "", ()
    text = said(
        "it keeps one value for {s:.0f s}, {driven:.0f s} of them driving",
        s=(end - start) / NS,
        driven=driven_s,
    )
    return text, (Span(start, end),)


def _slow(trace: Trace, step_s: float) -> tuple[str, tuple[Span, ...]]:
    limit = SLOWEST_S.get(trace.signal)
    if limit is None or step_s <= limit:
        return "", ()
    return said("it came only every {step:.1f s}", step=step_s), ()
