"""Exhaust gas temperatures: before a cold start, against load, and against each other.

Inputs: `EGT11` to `EGT14`, `EGT21` to `EGT24`, `DPF1_INT`, `DPF1_OUTT`; `ECT`, `IAT`, `AAT`, `RPM`.
Enabled: key on before the first start where coolant and air agree within 8 K, for the sensors'
agreement; five minutes of running for the rest, regeneration (`DPF_REGEN`, or a sensor above 550
degC while another is 150 K colder) left out of the levels. Method: each sensor less the mean of
coolant and air; the range that each one moves over, against that of the one that moves most; the
level that it passes for a tenth of the time. A sensor is dead where another moves and it does not.
Uncertainty: 5 K, and 1 % of the level [CP]. Evidence: the stretches.
"""

from __future__ import annotations

import itertools
import math
from collections.abc import Iterator

import numpy as np

from logbench.analysis.alignment import Mask
from logbench.analysis.bands import Bands
from logbench.analysis.engine import Trait
from logbench.analysis.findings import Measured, Subject
from logbench.analysis.model import Finding, Span, Verdict
from logbench.analysis.statement import joined, said
from logbench.analysis.view import View, evidence, reported, why_left_out

KEY = "exhaust_heat"
TITLE = "Exhaust gas temperatures"
PLAIN = "The temperature sensors in the exhaust"
STRIPS = (("EGT11", "EGT12", "EGT13", "DPF1_INT"), ("RPM",), ("VSS",))
SHOWN = r"EGT\d\d|DPF\d_(IN|OUT)T"
ORDER = 20
INPUTS = ("EGT11", "EGT12", "EGT13", "EGT14", "DPF1_INT", "DPF1_OUTT")

SENSORS = (
    *(f"EGT{bank}{place}" for bank, place in itertools.product((1, 2), range(1, 9))),
    *("DPF1_INT", "DPF1_OUTT", "DPF2_INT", "DPF2_OUTT"),
)
LEAST_S = 300.0
SOAKED_K = 8.0
ACCURACY_K, ACCURACY_SHARE = 5.0, 0.01
HOT_DEGC, APART_K = 550.0, 150.0
MOVED_K, BESIDE_K = 60.0, 150.0
"""By so much a sensor moves that is alive; where one moves by `BESIDE_K`, so must one beside it."""


def check(view: View, bands: Bands) -> list[Finding | None]:
    """Findings on each sensor that was recorded."""
    recorded = [name for name in SENSORS if view.recorded.first(name) is not None]
    if not recorded:
        subject, names = Subject(KEY, "exhaust temperatures"), reported(view, *SENSORS)
        usual = view.engine.holds(Trait.COMPRESSION) is True
        return [subject.without(view, names or ("EGT11",), usual, "record")]
    found: list[Finding | None] = [_cold(view, bands, recorded), *_moving(view, bands, recorded)]
    return [*found, *(_level(view, bands, name) for name in recorded)]


def _cold(view: View, bands: Bands, names: list[str]) -> Finding:
    """The furthest of the sensors from coolant and air before a cold start."""
    subject, spans = Subject(KEY, "before the start"), view.conditions.standing.key_on
    others = [view.samples(spans, name).value for name in ("ECT", "IAT", "AAT")]
    levels = [float(np.median(values)) for values in others if len(values)]
    if len(levels) < 2 or max(levels) - min(levels) > SOAKED_K:
        text = "Key on before a start from cold, with coolant and air alike, was not recorded."
        return subject.not_judged(text, "cold")
    middle = float(np.mean(levels))
    apart = {}
    for name in names:
        values = view.samples(spans, name).value
        if len(values):
            apart[name] = float(np.median(values)) - middle
    if not apart:
        return subject.not_judged("No exhaust temperature was read before the start.", "cold")
    worst = max(apart, key=lambda name: abs(apart[name]))
    numbers = {f"{name.lower()}_k": value for name, value in apart.items()}
    return subject.judged(
        said("{worst} less coolant and air", worst=worst),
        Measured(apart[worst], ACCURACY_K, spans, numbers=numbers),
        bands["egt_cold"],
        "wrong",
    )


def _moving(view: View, bands: Bands, names: list[str]) -> Iterator[Finding]:
    """Whether each sensor moves where another does."""
    running = view.stretches(view.conditions.running)
    moved = {}
    for name in names:
        trace = view.recorded.first(name)
        if trace is None:
            continue
        inside = [(trace.t_ns >= s.start_ns) & (trace.t_ns < s.end_ns) for s in running]
        values = trace.value[np.any(inside, axis=0)] if inside else trace.value[:0]
        values = values[np.isfinite(values)]
        if len(values) and view.running_s() >= LEAST_S:
            low, high = np.percentile(values, [2, 98])
            moved[name] = float(high - low)
    most = max(moved, key=lambda name: moved[name], default="")
    for name, by in moved.items():
        if by >= MOVED_K or (moved[most] < BESIDE_K and len(moved) > 1):
            continue
        alone = "no other exhaust temperature was recorded" if len(moved) == 1 else ""
        beside = said("{other} by {k:.0f K}", other=most, k=moved[most])
        yield Subject(KEY, f"{name}, movement").judged(
            said("{name} moved by", name=name),
            Measured(by, ACCURACY_K, running, (alone or beside,)),
            bands["egt_movement"],
            "dead",
            watch_at_most=alone,
        )
    yield _all_move(view, moved, running)


def _all_move(view: View, moved: dict[str, float], running: tuple[Span, ...]) -> Finding:
    """One finding for all that move."""
    subject = Subject(KEY, "movement")
    if not moved:
        text = "The engine did not run for five minutes with an exhaust temperature recorded."
        return subject.not_judged(text, "drive")
    fine = [said("{name} by {k:.0f K}", name=n, k=by) for n, by in moved.items() if by >= MOVED_K]
    if not fine:
        text = said("No exhaust temperature moved by {k:.0f K}.", k=MOVED_K)
        return subject.not_judged(text, "drive")
    text = said("What moved: {names}.", names=joined(fine))
    return subject.finding(Verdict.WITHIN, text, Measured(math.nan, evidence=running))


def regenerating(view: View) -> Mask:
    """Where a filter is told to regenerate, or a sensor is far hotter than another."""
    out = view.conditions.regenerating
    known = [v for name in SENSORS if (v := view.grid.slow(name)) is not None]
    if len(known) >= 2:
        hot, cold = np.fmax.reduce(known), np.fmin.reduce(known)
        return np.asarray(out | ((hot > HOT_DEGC) & (hot - cold > APART_K)))
    return out


def _level(view: View, bands: Bands, name: str) -> Finding | None:
    """The level that a sensor passes for a tenth of a warm drive; None where readings are left out,
    which the check of sensors tells, or where it does not move."""
    if view.trace(name) is None or why_left_out(view, name):
        return None
    warm = view.conditions.warm & view.conditions.running & ~view.once(regenerating)
    spans = view.stretches(warm)
    found = view.samples(spans, name)
    seconds = sum(span.duration_s for span in spans)
    subject = Subject(KEY, f"{name}, level")
    if seconds < LEAST_S or len(found) < 10:
        text = "Too little warm running without regeneration was recorded."
        return subject.not_judged(text, "drive")
    level = float(np.percentile(found.value, 90))
    if float(np.ptp(found.value)) < ACCURACY_K:
        return None
    half = math.hypot(ACCURACY_K, ACCURACY_SHARE * abs(level))
    return subject.judged(
        said("{name} for a tenth of the warm drive at least", name=name),
        Measured(level, half, evidence(spans, found.t_ns)),
        bands["egt_level"],
        "wrong",
        "hot",
    )
