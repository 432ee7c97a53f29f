"""The recording itself: rates, gaps, skew.

Inputs: every trace and the recording's events. Enabled: always. Method: median interval of each
signal; gaps of eight intervals and three seconds; how far airflow and pressure lie from the engine
speed in time. A signal that is found slow here is named in the findings of the checks that lean on
it. What is wanting here is no fault of the car: it is `not judged`. Evidence: the gaps.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, replace

import numpy as np

from logbench.analysis import alignment
from logbench.analysis.alignment import NS
from logbench.analysis.bands import Bands
from logbench.analysis.findings import Measured, Subject
from logbench.analysis.model import Coverage, Finding, Span, Verdict
from logbench.analysis.statement import Quantity, joined, said
from logbench.analysis.view import View
from logbench.recording.model import Trace
from logbench.recording.renewal import apart_s

KEY = "recording"
TITLE = "The recording itself"
ORDER = 13
INPUTS: tuple[str, ...] = ()

GAP_KINDS = ("link lost", "gap")
GAP_FACTOR, LEAST_GAP_S = 8.0, 3.0
MOST_IN_GAPS, MOST_SKEW_S = 0.02, 0.25
SLOWEST_S = {"RPM": 2.5, "MAF": 2.5, "MAP": 2.5, "TP": 2.5, "VSS": 2.5}
"""Sample intervals above which driving conditions and steadiness cannot be told well."""


def check(view: View, bands: Bands) -> list[Finding | None]:
    """Findings on slow signals, gaps and skew."""
    del bands  # limits of sampling are not rules of thumb of the trade
    if not view.recorded.signals or len(view.grid) == 0:
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
    are = said("{n} of {all} signals are poor", n=len(poor), all=len(found))
    reason = said("{are}: {listed}.", are=are, listed=listed)
    finding = subject.not_judged(reason, "slow", lacks=Coverage.UNCERTAIN)
    return replace(finding, value=float(len(poor)), numbers=numbers)


def _gaps(view: View) -> Finding:
    rpm = view.recorded.first("RPM", *view.recorded.signals)
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
    if share <= MOST_IN_GAPS:
        measured = Measured(seconds, evidence=gaps, numbers=numbers)
        return subject.finding(Verdict.WITHIN, reason, measured, unit="s")
    finding = subject.not_judged(reason, "gaps", evidence=gaps, lacks=Coverage.UNCERTAIN)
    return replace(finding, value=seconds, unit="s", numbers=numbers)


def _skew(view: View) -> Finding | None:
    """Whether airflow, pressure and engine speed were sampled together."""
    rpm = view.recorded.first("RPM")
    other = view.recorded.first("MAF", "MAP")
    if rpm is None or other is None:
        return None
    together = float(np.isfinite(alignment.same_request(rpm, other.t_ns)).mean())
    skew = apart_s(other, rpm)
    subject, numbers = Subject(KEY, "skew"), {"same_request_share": together}
    reason = said(
        "{share:.0f %} of {name} stand in one row with RPM, the others {skew:.1f s} apart (median);"
        " whether they were read together, another program's rows do not tell."
        if view.facts.is_imported
        else "{share:.0f %} of {name} came in one request with RPM, the others {skew:.1f s} apart"
        " (median).",
        share=100.0 * together,
        name=other.signal,
        skew=skew,
    )
    if together > 0.5 or skew <= MOST_SKEW_S:
        return subject.finding(Verdict.WITHIN, reason, Measured(skew, numbers=numbers), unit="s")
    finding = subject.not_judged(reason, "skew", lacks=Coverage.UNCERTAIN)
    return replace(finding, value=skew, unit="s", numbers=numbers)


# --- each signal ---


@dataclass(frozen=True, slots=True)
class SignalQuality:
    """One trace: typical rate in Hz, gaps longer than eight intervals and three seconds, and what
    is wrong with it (a clause, empty when nothing is)."""

    rate_hz: float
    gaps: tuple[Span, ...]
    problem: str


def find_quality(view: View) -> Mapping[str, SignalQuality]:
    """The quality of every recorded signal, by acronym."""
    return {
        acronym: _judge(trace)
        for acronym in view.recorded.signals
        if (trace := view.recorded.first(acronym)) is not None
    }


def _judge(trace: Trace) -> SignalQuality:
    step = trace.interval_s
    rate = 1.0 / step if step > 0 and np.isfinite(step) else 0.0
    gaps = _gaps_of(trace, step)
    return SignalQuality(rate, gaps, _slow(trace, step))


def _gaps_of(trace: Trace, step_s: float) -> tuple[Span, ...]:
    if not np.isfinite(step_s):
        return ()
    limit = max(GAP_FACTOR * step_s, LEAST_GAP_S) * NS
    at = np.flatnonzero(np.diff(trace.t_ns) > limit)
    return tuple(Span(int(trace.t_ns[k]), int(trace.t_ns[k + 1])) for k in at)


def _slow(trace: Trace, step_s: float) -> str:
    limit = SLOWEST_S.get(trace.signal)
    if limit is None or step_s <= limit:
        return ""
    return said("it came only every {step:.1f s}", step=step_s)
