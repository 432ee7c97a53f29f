"""The recording itself: rates, gaps, values out of range, signals that stand still, skew.

Inputs: every trace and the recording's events. Enabled: always. Method: median interval of each
signal; gaps of eight intervals and three seconds; values that its bytes cannot hold; two minutes
without a change while the speed changes; how far airflow and pressure lie from the engine speed in
time. A signal that is found poor here is named in the findings of the checks that lean on it.
Evidence: the gaps and stretches named.
"""

from __future__ import annotations

import numpy as np

from logbench.analysis import alignment
from logbench.analysis.bands import Bands
from logbench.analysis.findings import Subject, longest
from logbench.analysis.model import Finding, Span, Verdict
from logbench.analysis.quality import find_quality
from logbench.analysis.view import View

KEY = "recording"
TITLE = "The recording itself"
PLAIN = TITLE
ORDER = 13
INPUTS: tuple[str, ...] = ()

GAP_KINDS = ("link lost", "gap")


def check(view: View, bands: Bands) -> list[Finding]:
    """Findings on poor signals, gaps and skew."""
    del bands  # limits of sampling are no rules of thumb of the trade
    if not view.traces.signals or len(view.grid) == 0:
        return [
            Subject(KEY, "samples").not_judged("The recording holds no samples.", "Record again.")
        ]
    return [_signals(view), _gaps(view), *_skew(view)]


def _signals(view: View) -> Finding:
    found = view.once(find_quality)
    poor = {a: q for a, q in found.items() if q.problem}
    rates = [q.rate_hz for q in found.values()]
    numbers = {"signals": float(len(found)), "slowest_hz": min(rates), "fastest_hz": max(rates)}
    if not poor:
        reason = f"{len(found)} signals at {min(rates):.1f} to {max(rates):.1f} Hz, none poor."
        return Finding(KEY, "signals", Verdict.WITHIN, reason, numbers=numbers)
    listed = "; ".join(f"{a}: {q.problem}" for a, q in poor.items())
    return Finding(
        check=KEY,
        subject="signals",
        verdict=Verdict.WATCH,
        reason=f"{len(poor)} of {len(found)} signals are poor: {listed}.",
        value=float(len(poor)),
        evidence=longest([s for q in poor.values() for s in q.evidence]),
        causes=("a sensor or its wiring dead", "too many signals for this link"),
        next_steps=("Record fewer signals at once; look at the named sensors' wiring.",),
        numbers=numbers,
    )


def _gaps(view: View) -> Finding:
    rpm = view.trace("RPM") or view.trace(*view.traces.signals)
    gaps: tuple[Span, ...] = ()
    if rpm is not None:
        quality = view.once(find_quality).get(rpm.signal)
        gaps = quality.gaps if quality is not None else ()
    lost = sum(event.kind in GAP_KINDS for event in view.facts.events)
    whole = (view.grid.t_ns[-1] - view.grid.t_ns[0]) / alignment.NS
    seconds = alignment.total_s(gaps)
    numbers = {"gaps": float(len(gaps)), "gap_s": seconds, "link_lost": float(lost)}
    if not gaps and not lost:
        return Finding(KEY, "gaps", Verdict.WITHIN, "No gap in the samples.", numbers=numbers)
    share = seconds / whole if whole > 0 else 1.0
    return Finding(
        check=KEY,
        subject="gaps",
        verdict=Verdict.WATCH if share > 0.02 else Verdict.WITHIN,
        reason=f"{len(gaps)} gaps of {seconds:.0f} s in all; the link was lost {lost} times.",
        value=seconds,
        unit="s",
        evidence=longest(gaps),
        next_steps=("Look at the adapter's seat, cable and range.",) if share > 0.02 else (),
        numbers=numbers,
    )


def _skew(view: View) -> list[Finding]:
    """Whether airflow, pressure and engine speed were sampled together."""
    rpm = view.trace("RPM")
    other = view.trace("MAF", "MAP")
    if rpm is None or other is None:
        return []
    together = float(np.isfinite(alignment.same_request(rpm, other.t_ns)).mean())
    near = np.minimum(np.abs(_nearest(rpm.t_ns, other.t_ns) - other.t_ns) / alignment.NS, 1e6)
    skew = float(np.median(near))
    good = together > 0.5 or skew <= 0.25
    return [
        Finding(
            check=KEY,
            subject="skew",
            verdict=Verdict.WITHIN if good else Verdict.WATCH,
            reason=f"{100 * together:.0f} % of {other.signal} came in one request with RPM, the"
            f" others {skew:.1f} s apart (median).",
            value=skew,
            unit="s",
            next_steps=() if good else ("Record MAF, MAP and RPM in one request.",),
            numbers={"same_request_share": together},
        )
    ]


def _nearest(times: alignment.Times, wanted: alignment.Times) -> alignment.Times:
    """For each wanted time the nearest of `times`."""
    right = np.clip(np.searchsorted(times, wanted), 0, len(times) - 1)
    left = np.maximum(right - 1, 0)
    closer = np.abs(times[left] - wanted) < np.abs(times[right] - wanted)
    return np.where(closer, times[left], times[right])
