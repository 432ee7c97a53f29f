"""Catalyst, by the oxygen sensor behind it: how much it switches, and the oxygen it takes up.

Inputs: `O2Sb2` with `O2Sb1`, or with `LAMBDAb1` of a wide-range front sensor; `MAF`; `CATEMPb1`
where there is. Enabled: catalyst warm (300 degC where its temperature is recorded, else a warm
engine that ran for two minutes), closed loop, steady cruise or 2,500 rpm, ten seconds after a fuel
cut and later, and a front sensor that switches as a good one does. Method: switches of the rear
over those of the front sensor, with a hysteresis from 0.3 to 0.6 V; behind a wide-range sensor,
which does not switch, those of the rear one a minute. *Oxygen*: in a fuel cut the exhaust is air,
23.1 % oxygen by mass [Calc: 20.95 % of 32 in 28.96 g/mol]; from lean at the front sensor to lean at
the rear one all of it is taken up, but for what fills the pipe. Uncertainty: counts scatter as
Poisson's do; of the oxygen half a sample of both sensors, the air-flow sensor and the scatter
between the cuts. Evidence: the stretches.

Makers watch the same: the rear sensor's activity against the front one's [Pub: manufacturer text,
'Theory of operation', P0140: a ratio of about 0.2 where the catalyst works], or the oxygen that is
stored [Pub: manufacturer text, 'Catalyst monitoring': it follows the conversion of hydrocarbons].
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass

import numpy as np

from logbench.analysis import alignment, narrow_band
from logbench.analysis.alignment import NS, Mask
from logbench.analysis.bands import Bands
from logbench.analysis.findings import Measured, Subject
from logbench.analysis.fuel import MAF_HALF
from logbench.analysis.grid import STEP_S
from logbench.analysis.model import Condition, Coverage, Finding, Span
from logbench.analysis.narrow_band import LEAN_V, RICH_V, SWITCH_V, closed_spans, narrow, switches
from logbench.analysis.statement import said
from logbench.analysis.statistics import NORMAL_95
from logbench.analysis.view import View
from logbench.recording.model import Trace

KEY = "catalyst"
TITLE = "Catalyst"
PLAIN = "The catalyst, by the sensor behind it"
STRIPS = (("O2S11", "O2S12"), ("LAMBDA11",), ("RPM",))
ORDER = 7
PARTS = (narrow_band,)
INPUTS = ("O2S11", "O2S12", "O2S21", "O2S22")

WARM_DEGC, WARM_S = 300.0, 120.0
"""Light-off is about 250 degC. [Pub: technical text] An engine that has run warm for so long has
heated it, where its temperature is not recorded. [CP]"""
CUT_S = 10.0
"""So long after a fuel cut a catalyst full of oxygen keeps the rear sensor from switching. [CP]"""
SLOWEST_S = 0.5
LEAST_TURNS, LEAST_HZ = 10, 0.25
"""Front sensors that switch less often are slow: nothing can be held against them."""
LEAST_S = 30.0

OXYGEN_SHARE = 0.2314
LEAN_LAMBDA = 1.2
SWING_S = 0.25
"""A narrow-band sensor may have swung to lean just before the cut: a quarter of a swing. [CP]"""
LEAST_CUTS, LEAST_CUT_S = 2, 1.6
REAR_SLOWEST_S = 0.35
LONG_CUT_S = 8.0
"""A rear sensor that is still rich then is looked at itself: no catalyst stores so much. [CP]"""


def check(view: View, bands: Bands) -> list[Finding]:
    """Findings on each bank that has a rear sensor."""
    subject, found = Subject(KEY, "catalyst"), []
    for bank in (1, 2):
        rear, front = narrow(view, f"O2S{bank}2"), narrow(view, f"O2S{bank}1")
        wide = view.trace(f"LAMBDA{bank}1")
        if rear is None or (wide is None and front is None):
            continue
        found.append(
            _ratio(view, bands, bank, front, rear)
            if wide is None and front is not None
            else _rate(view, bands, bank, rear)
        )
        found.append(_oxygen(view, bands, bank, wide or front, rear))
    return found or [subject.not_recorded(view, view.missing("O2S11", "O2S12"), "record")]


def _hot(view: View, bank: int) -> Mask:
    """On the grid: the catalyst works."""
    degc = view.grid.slow(f"CATEMP{bank}1")
    if degc is not None:
        return np.asarray(degc >= WARM_DEGC)
    return np.cumsum(view.conditions.running & view.conditions.warm) * STEP_S >= WARM_S


def _steady_spans(view: View, bank: int) -> tuple[Span, ...]:
    cut = view.conditions.mask(Condition.FUEL_CUT)
    at = np.arange(len(cut))
    since = at - np.maximum.accumulate(np.where(cut, at, -len(cut))) if len(cut) else at
    where = _hot(view, bank) & (since * STEP_S > CUT_S)
    return closed_spans(view, Condition.CRUISE, Condition.FAST_IDLE, where=where)


def _turns(view: View, spans: Sequence[Span], trace: Trace) -> int:
    found = view.samples(spans, trace.signal)
    return sum(switches(found.value[found.group == k]) for k in np.unique(found.group))


def _ratio(view: View, bands: Bands, bank: int, front: Trace, rear: Trace) -> Finding:
    subject = Subject(KEY, f"bank {bank}, rear sensor's switching")
    spans = _steady_spans(view, bank)
    seconds, turns = alignment.total_s(spans), _turns(view, spans, front)
    if max(front.interval_s, rear.interval_s) > SLOWEST_S or turns < LEAST_TURNS:
        text = "Too few switches of the front sensor were seen to compare with."
        return subject.not_judged(text, "record")
    if turns < LEAST_HZ * seconds:
        text = "The front sensor itself switches slowly: nothing can be held against it."
        return subject.not_judged(text, evidence=spans, lacks=Coverage.UNCERTAIN)
    after = _turns(view, spans, rear)
    volts = np.mean(view.samples(spans, rear.signal).value)
    return subject.judged(
        "Switches of the rear over the front sensor",
        Measured(after / turns, _poisson(after) / turns, spans, (said("mean {v:.2f V}", v=volts),)),
        bands["o2_rear_ratio"],
        "low",
    )


def _rate(view: View, bands: Bands, bank: int, rear: Trace) -> Finding:
    subject = Subject(KEY, f"bank {bank}, rear sensor's switching")
    spans = _steady_spans(view, bank)
    minutes = alignment.total_s(spans) / 60.0
    if rear.interval_s > SLOWEST_S or minutes * 60.0 < LEAST_S:
        text = "Too little warm, steady closed-loop running was recorded with the rear sensor."
        return subject.not_judged(text, "record")
    after = _turns(view, spans, rear)
    volts = np.mean(view.samples(spans, rear.signal).value)
    remarks = (said("mean {v:.2f V}", v=volts), "the front sensor is a wide-range one")
    return subject.judged(
        "Switches of the rear sensor a minute",
        Measured(after / minutes, _poisson(after) / minutes, spans, remarks),
        bands["o2_rear_rate"],
        "low",
    )


def _poisson(count: int) -> float:
    return NORMAL_95 * math.sqrt(max(count, 1))


@dataclass(frozen=True, slots=True)
class _Cut:
    """One fuel cut: oxygen taken up in g, its half width; `open`: the rear sensor had not turned
    lean when it ended, so that it is at least so much."""

    span: Span
    grams: float
    half: float
    open: bool


def _oxygen(view: View, bands: Bands, bank: int, front: Trace | None, rear: Trace) -> Finding:
    subject = Subject(KEY, f"bank {bank}, oxygen taken up")
    flow = view.trace("MAF")
    if flow is None or front is None:
        return subject.not_recorded(view, ["MAF"], "coast")
    if max(front.interval_s, rear.interval_s) > REAR_SLOWEST_S:
        return subject.not_judged("The sensors were recorded too slowly for it.", "coast")
    cuts = list(_cuts(view, bank, front, rear))
    stuck = [c.span for c in cuts if c.open and c.span.duration_s >= LONG_CUT_S]
    if stuck:
        text = said(
            "The rear sensor is rich after {s:.0f s} of fuel cut: look at the sensor first.",
            s=max(s.duration_s for s in stuck),
        )
        return subject.not_judged(text, evidence=stuck, lacks=Coverage.UNCERTAIN)
    grams = np.array([c.grams for c in cuts])
    if len(cuts) < LEAST_CUTS or sum(not c.open for c in cuts) == 0:
        text = "Fewer than two warm fuel cuts were recorded in which the rear sensor turned lean."
        return subject.not_judged(text, "coast")
    scatter = NORMAL_95 * float(np.std(grams, ddof=1)) / len(cuts) ** 0.5
    value = float(np.median(grams))
    half = float(np.hypot(scatter, max(c.half for c in cuts)))
    remarks = [said("{n} fuel cuts", n=len(cuts))]
    if any(c.open for c in cuts):
        remarks.append("some ended before the rear sensor turned lean")
    return subject.judged(
        "Oxygen taken up in a fuel cut",
        Measured(value, half, [c.span for c in cuts], tuple(remarks)),
        bands["catalyst_oxygen"],
        "low",
    )


def _cuts(view: View, bank: int, front: Trace, rear: Trace) -> Iterator[_Cut]:
    """The warm fuel cuts that begin with a rich rear sensor and a front one that turns lean."""
    where = view.conditions.mask(Condition.FUEL_CUT) & _hot(view, bank) & view.conditions.warm
    wide = front.signal.startswith("LAMBDA")
    banks = 2 if view.trace(f"O2S{3 - bank}2") is not None else 1
    for span in view.stretches(where, LEAST_CUT_S):
        about = Span(span.start_ns - NS, span.end_ns)
        seen, behind = view.samples((about,), front.signal), view.samples((span,), rear.signal)
        fallen = behind.t_ns[behind.value <= SWITCH_V]
        end_ns = int(fallen[0]) if len(fallen) else span.end_ns
        lean = seen.value >= LEAN_LAMBDA if wide else seen.value <= LEAN_V
        rich_ns = seen.t_ns[~lean & (seen.t_ns < end_ns)]
        if len(behind) == 0 or len(rich_ns) == 0 or not lean.any():
            continue
        start_ns = int(rich_ns[-1] + front.interval_s * NS / 2.0)
        if not view.last(np.array([start_ns]), rear.signal, max_age_s=1.0)[0] >= RICH_V:
            continue
        t_ns = np.arange(start_ns, max(end_ns, start_ns) + 1, NS // 20)
        g_s = view.at(t_ns, "MAF", within_s=2.0) / banks
        if not np.isfinite(g_s).all():
            continue
        share = OXYGEN_SHARE * float(g_s.mean())
        grams = share * max(0, end_ns - start_ns) / NS
        apart_s = float(np.hypot(front.interval_s, rear.interval_s)) / 2.0
        apart = share * (apart_s if wide else float(np.hypot(apart_s, SWING_S)))
        yield _Cut(span, grams, float(np.hypot(apart, MAF_HALF * grams)), len(fallen) == 0)
