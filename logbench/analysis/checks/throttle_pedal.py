"""Paired throttle and pedal sensors against each other, and whether full throttle is reached.

Inputs: `TP` with `TP_B`, `TP_C`; `APP_D` with `APP_E`, `APP_F`. A pair is often 2:1 but not always,
and one may fall as the other rises: a line is fitted for this car, and what lies off it is judged.
Enabled: thirty samples over a travel of ten points at which neither moved: even the samples of one
request are taken one after the other. Uncertainty: the step of 0.4 points. Evidence: where it lies
off, else all.

Full throttle: `APP_D` (or `APP_R`) on the floor for a second, engine running or not; the highest
`TP` (else `TP_R`) from half a second on. Without a floored pedal it is not judged; without a pedal
signal only a throttle that did open fully is. `TAC_PCT` tells a throttle that does not follow from
one that is not asked to.
"""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np

from logbench.analysis import alignment
from logbench.analysis.alignment import Mask, Values
from logbench.analysis.bands import Bands
from logbench.analysis.conditions import FLOOR_PCT
from logbench.analysis.findings import Measured, Subject
from logbench.analysis.grid import schmitt
from logbench.analysis.model import Finding, Span
from logbench.analysis.statement import said
from logbench.analysis.view import View
from logbench.recording.model import Trace

KEY = "throttle_pedal"
TITLE = "Throttle and pedal sensors"
PLAIN = "The sensors of pedal and throttle"
STRIPS = (("TP", "TP_B"), ("APP_D", "APP_E"))
ORDER = 9
INPUTS = ("TP", "TP_B", "TP_C", "APP_D", "APP_E", "APP_F")

PAIRS = {
    "throttle sensors": (("TP", "TP_B"), ("TP", "TP_C")),
    "pedal sensors": (("APP_D", "APP_E"), ("APP_D", "APP_F")),
}
LEAST_SAMPLES = 30
LEAST_TRAVEL_PCT = 10.0
REST_PCT = 0.6
STEP_PCT = 100.0 / 255.0

FLOOR_REACH_PCT = 3.0
FLOOR_S, SETTLE_S = 1.0, 0.5
HELD_SAMPLES = 2


def check(view: View, bands: Bands) -> list[Finding]:
    """One finding for each recorded pair, or kind of it that was not; one on full throttle."""
    return [*_pairs(view, bands), _full_throttle(view, bands)]


def _pairs(view: View, bands: Bands) -> Iterator[Finding]:
    for name, pairs in PAIRS.items():
        held = [pair for pair in pairs if not view.missing(*pair)]
        for a, b in held:
            first, second = view.trace(a), view.trace(b)
            assert first is not None
            assert second is not None
            yield _pair(bands, a, b, first, second)
        if not held:
            offered = [pair for pair in pairs if not view.unoffered(*pair)]
            subject = Subject(KEY, f"paired {name}")
            yield subject.not_recorded(view, (offered or pairs)[0], "record")


def _pair(bands: Bands, a: str, b: str, first: Trace, second: Trace) -> Finding:
    subject = Subject(KEY, f"{a} and {b}")
    x = first.value
    y = alignment.same_request(second, first.t_ns)
    if np.isfinite(y).sum() < LEAST_SAMPLES:
        y = alignment.linear(second, first.t_ns, 1.5)
    good = np.isfinite(x) & np.isfinite(y) & _at_rest(x) & _at_rest(y)
    travel = float(np.ptp(x[good])) if good.any() else 0.0
    if good.sum() < LEAST_SAMPLES or travel < LEAST_TRAVEL_PCT:
        text = said(
            "They moved by {travel:.0f points} only, or were not sampled together often enough.",
            travel=travel,
        )
        return subject.not_judged(text, "record")
    slope, offset = _line(x[good], y[good])
    off = np.abs(y[good] - slope * x[good] - offset) / max(1.0, abs(slope))
    worst = float(np.percentile(off, 95))
    t = first.t_ns[good]
    odd = t[off > 3.0]
    spans = tuple(Span(int(s) - alignment.NS, int(s) + alignment.NS) for s in odd[:1])
    whole = (Span(int(t[0]), int(t[-1])),)
    line = said("{b} = {s:.2f} {a} {o:+.1f}", a=a, b=b, s=slope, o=offset)
    return subject.judged(
        "The distance from their line",
        Measured(worst, STEP_PCT, spans or whole, (line,), {"slope": slope, "offset_pct": offset}),
        bands["paired_sensors"],
        "pair",
    )


def _at_rest(value: Values) -> Mask:
    """Where a sensor keeps within `REST_PCT` of the two samples on each side."""
    rest = np.ones(len(value), dtype=bool)
    for back in (1, 2):
        step = np.abs(value[back:] - value[:-back]) > REST_PCT
        rest[back:] &= ~step
        rest[:-back] &= ~step
    return rest


def _line(x: Values, y: Values) -> tuple[float, float]:
    """Slope and offset of the least-squares line, fitted again without what lay far off it."""
    slope, offset = np.polyfit(x, y, 1)
    off = np.abs(y - slope * x - offset)
    near = off <= max(STEP_PCT, 3.0 * float(np.median(off)))
    if near.sum() >= LEAST_SAMPLES and np.ptp(x[near]) >= LEAST_TRAVEL_PCT / 2.0:
        slope, offset = np.polyfit(x[near], y[near], 1)
    return float(slope), float(offset)


def _full_throttle(view: View, bands: Bands) -> Finding:
    """Whether the throttle opens fully with the pedal on the floor."""
    subject = Subject(KEY, "full throttle reached")
    throttle = view.trace("TP") or view.trace("TP_R")
    if throttle is None:
        return subject.not_recorded(view, ["TP"], "floor")
    absolute = throttle.signal == "TP"
    band = bands["throttle_reached" if absolute else "throttle_reached_relative"]
    name, spans = _floored(view)
    if name is None:
        spans = (Span(int(throttle.t_ns[0]), int(throttle.t_ns[-1]) + 1),)
    found = view.samples(spans, throttle.signal)
    if len(found) < HELD_SAMPLES:
        return subject.not_judged(f"The pedal ({name}) was not on the floor for a second.", "floor")
    highest = float(np.sort(found.value)[-HELD_SAMPLES])
    if name is None and highest < (band.within[0] or 0.0):
        text = said(
            "The throttle opened to {tp:.0f %} at most; no pedal signal was recorded.", tp=highest
        )
        return subject.not_judged(text, "floor")
    asked = view.samples(spans, "TAC_PCT").value
    commanded = float(np.sort(asked)[-HELD_SAMPLES]) if len(asked) >= HELD_SAMPLES else float("nan")
    remarks: tuple[str, ...] = () if name is None else (f"with {name} on the floor",)
    if np.isfinite(commanded):
        remarks = (*remarks, said("{c:.0f %} commanded", c=commanded))
    return subject.judged(
        f"Widest opening of {throttle.signal}",
        Measured(highest, STEP_PCT, spans, remarks, {"commanded_pct": commanded}),
        band,
        "not_followed" if commanded > highest + 10.0 else "not_reached",
    )


def _floored(view: View) -> tuple[str | None, tuple[Span, ...]]:
    """The pedal signal, and where it was on the floor for a second, the first half second left out;
    None where no pedal signal was recorded."""
    for name, least in FLOOR_PCT.items():
        pedal = view.grid.linear(name)
        if pedal is None:
            continue
        top = float(np.nanmax(pedal)) if np.isfinite(pedal).any() else 0.0
        if top < least:
            return name, ()
        mask = schmitt(pedal, top - FLOOR_REACH_PCT, top - 2.0 * FLOOR_REACH_PCT)
        settle = int(SETTLE_S * alignment.NS)
        spans = view.stretches(mask, FLOOR_S)
        return name, tuple(Span(s.start_ns + settle, s.end_ns) for s in spans)
    return None, ()
