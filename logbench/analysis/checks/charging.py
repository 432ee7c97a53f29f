"""Battery and alternator: rest, cranking, recovery and the running level.

Inputs: `VPWR`, the voltage at the engine computer; `RPM`, `MAP` tell standing from cranking and
running; `AAT`, `IAT` or `ECT` for the cold. Enabled: key on before a start; a start in which the
dip of the voltage holds three readings or more; running, from half a minute after a start, for a
minute. Method: median at rest; of the cranking the lowest level that lasts a fifth of a second and
three readings (the median of each such stretch, which the starter's first rush of current, over in
a tenth, does not reach), carried to 21 degC; the highest sustained (95 of 100 samples) while
running. One reading in a dip may be the rush or the level: it judges nothing. Smart charging holds
the level low on purpose: so the highest sustained voltage is judged, and `act` needs an overrun or
ten minutes of running in which it should have come up. Uncertainty: the meter's 0.05 V, 0.1 V where
fewer than three readings tell the rest [CP]; of the dip only that of its samples. Evidence: the
stretches named.
"""

from __future__ import annotations

import numpy as np

from logbench.analysis import alignment
from logbench.analysis.alignment import NS
from logbench.analysis.bands import Bands
from logbench.analysis.cranking import LEVEL_READINGS, dip_of, first_starts, level_of, rested_v
from logbench.analysis.findings import Measured, Subject
from logbench.analysis.model import Condition, Coverage, Finding, Span
from logbench.analysis.starts import BEFORE_S
from logbench.analysis.statement import said
from logbench.analysis.view import Samples, View

KEY = "charging"
TITLE = "Battery and charging"
STRIPS = (("VPWR",), ("RPM",))
ORDER = 5
INPUTS = ("VPWR", "RPM")

FEW_DIFFER_V = 0.5
"""Few readings at rest that differ by more show a large consumer come or go, not the rest. [CP]"""
RUN_IN_S = 30.0
LEAST_RUNNING_S = 60.0
LONG_RUNNING_S = 600.0
LEAST_RUNNING = 20
"""Of fewer readings, 95 of 100 are all but the highest."""
LIKE_DEGC = 21.0
COLD_V_PER_DEGC = 1.1 / 39.0
"""9.6 V at 21 degC, about 8.5 at -18: lowest voltages are judged as if at 21 degC. [CP]"""


def check(view: View, bands: Bands) -> list[Finding]:
    """Findings on rest, cranking and running voltage."""
    voltage = view.trace("VPWR")
    if voltage is None or view.trace("RPM") is None:
        return [Subject(KEY, "voltage").not_recorded(view, view.missing("VPWR", "RPM"), "crank")]
    step_s = voltage.interval_s
    return [_rest(view, bands, step_s), _cranking(view, bands, step_s), _running(view, bands)]


def _rest(view: View, bands: Bands, step_s: float) -> Finding:
    subject = Subject(KEY, "rest before the start")
    spans = view.conditions.standing.key_on
    found = view.samples(spans, "VPWR")
    if step_s > BEFORE_S:  # the last one may be of the start: the engine speed beside it is older
        found = Samples(found.t_ns[:-1], found.value[:-1], found.group[:-1])
    if len(found) == 0:
        text = "No voltage was read with the key on and the engine surely at a standstill."
        return subject.not_judged(text, "crank")
    few = len(found) < LEVEL_READINGS
    if few and np.ptp(found.value) > FEW_DIFFER_V:
        text = "The few readings with the key on and the engine off do not agree."
        return subject.not_judged(text, "crank", evidence=spans, lacks=Coverage.UNCERTAIN)
    remarks = ("one reading only" if len(found) == 1 else "two readings only",) if few else ()
    return subject.judged(
        "Voltage with the engine off",
        Measured(float(np.median(found.value)), 0.1 if few else 0.05, spans, remarks),
        bands["resting_voltage"],
        "low_rested",
    )


def _cranking(view: View, bands: Bands, step_s: float) -> Finding:
    subject = Subject(KEY, "cranking")
    spans = first_starts(view)
    dips = [dip for span in spans if len(dip := dip_of(view, span))]
    if not spans:
        return subject.not_judged("No start of the engine was recorded.", "crank")
    levels = [level for dip in dips if np.isfinite(level := level_of(dip))]
    if not levels:
        return subject.not_judged(
            _why_no_level(dips, step_s), "crank", evidence=spans, lacks=Coverage.UNCERTAIN
        )
    level, lowest = min(levels), min(float(dip.value.min()) for dip in dips)
    degc = view.at(np.array([spans[0].start_ns]), "AAT", "IAT", "ECT", within_s=60.0)[0]
    cold = max(0.0, LIKE_DEGC - float(degc)) if np.isfinite(degc) and degc < 15.0 else 0.0
    remarks = [said("lowest level that lasted; lowest seen {v:.1f V}", v=lowest)]
    if cold:
        seen = said("{v:.1f V} at {t:.0f degC}", v=level, t=degc)
        remarks.append(said("{seen}, judged as if at {t:.0f degC}", seen=seen, t=LIKE_DEGC))
    first = dips[0]
    numbers = {
        "lowest_v": lowest,
        "dip_v": rested_v(view) - lowest,
        "recovery_s": _recovery_s(view, int(first.t_ns[int(np.argmin(first.value))])),
    }
    return subject.judged(
        "Cranking voltage",
        Measured(level + cold * COLD_V_PER_DEGC, 0.02, spans, tuple(remarks), numbers),
        bands["cranking_voltage"],
        "low_crank",
    )


def _why_no_level(dips: list[Samples], step_s: float) -> str:
    if not dips:
        return said(
            "No dip of the voltage was seen in the start, at one reading every {step:.1f s}.",
            step=step_s,
        )
    return said(
        "Lowest seen {v:.1f V}, at one reading every {step:.1f s}: too slow to tell the starter's"
        " first rush of current from the level at which it turns.",
        v=min(float(dip.value.min()) for dip in dips),
        step=step_s,
    )


def _recovery_s(view: View, from_ns: int) -> float:
    """Seconds from the dip until 13 V are first reached; NaN when never within two minutes."""
    found = view.samples((Span(from_ns, from_ns + 120 * NS),), "VPWR")
    hits = np.flatnonzero(found.value >= 13.0)
    return float(found.t_ns[hits[0]] - from_ns) / NS if len(hits) else float("nan")


def _running(view: View, bands: Bands) -> Finding:
    subject = Subject(KEY, "charging")
    spans = _run_in(view)
    found = view.samples(spans, "VPWR")
    seconds = alignment.total_s(spans)
    if seconds < LEAST_RUNNING_S:
        return subject.not_judged("Less than a minute of running was recorded.", "running")
    if len(found) < LEAST_RUNNING:
        text = said(
            "The voltage of {s:.0f s} of running was read less than {n:.0f} times.",
            s=seconds,
            n=LEAST_RUNNING,
        )
        return subject.not_judged(text, "running", lacks=Coverage.UNCERTAIN)
    high, middle, low = (float(x) for x in np.percentile(found.value, [95, 50, 5]))
    overrun = view.samples(view.spans(Condition.FUEL_CUT), "VPWR").value
    shown = len(overrun) >= 5 or seconds >= LONG_RUNNING_S
    numbers = {"median_v": middle, "low_v": low, "high_v": high, "seconds": seconds}
    if len(overrun):
        numbers["overrun_v"] = float(overrun.max())
    remarks: list[str] = [said("median {v:.1f V}", v=middle)]
    low_side = high < (bands["charging_voltage"].within[0] or 0.0)
    if high - low > 0.8 and not low_side:
        remarks.append("the level moves as smart charging does")
    return subject.judged(
        "Highest sustained voltage",
        Measured(high, 0.05, spans, tuple(remarks), numbers),
        bands["charging_voltage"],
        "low_run",
        "high_run",
        watch_at_most=""
        if shown or not low_side
        else "without an overrun or ten minutes of running it may be smart charging",
    )


def _run_in(view: View) -> tuple[Span, ...]:
    """Running, without the first half minute after each start."""
    late = int(RUN_IN_S * NS)
    return tuple(
        Span(s.start_ns + late, s.end_ns)
        for s in view.stretches(view.conditions.running)
        if s.end_ns - s.start_ns > late
    )
