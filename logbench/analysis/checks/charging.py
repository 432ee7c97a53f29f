"""Battery and alternator: rest, cranking, recovery and the running level.

Inputs: `VPWR`, the voltage at the engine computer; `RPM` tells cranking from running; `AAT`, `IAT`
or `ECT` for the cold. Enabled: key on before a start; a second around each cranking, where the
voltage dipped and came at 3 Hz or more; running, from half a minute after a start, for a minute.
Method: median at rest; the lowest sample of the cranking, carried to 21 degC; the highest sustained
(95 of 100 samples) while running. A tester polls too slowly for the inrush dip, so the lowest
voltage is called 'lowest seen'. Smart charging holds the level low on purpose: so the highest
sustained voltage is judged, and `act` needs an overrun or ten minutes of running in which it should
have come up. Uncertainty: the meter's 0.05 V; of the dip only that of its sample. Evidence: the
stretches named.
"""

from __future__ import annotations

import numpy as np

from logbench.analysis import alignment
from logbench.analysis.alignment import NS
from logbench.analysis.bands import Bands
from logbench.analysis.findings import Measured, Subject
from logbench.analysis.model import Condition, Coverage, Finding, Span
from logbench.analysis.statement import said
from logbench.analysis.view import View

KEY = "charging"
TITLE = "Battery and charging"
STRIPS = (("VPWR",), ("RPM",))
ORDER = 5
INPUTS = ("VPWR",)

DIP_V = 0.7
"""A drop below the rest by less than this: the dip fell between two samples."""
RUN_IN_S = 30.0
LEAST_RUNNING_S = 60.0
LONG_RUNNING_S = 600.0
LIKE_DEGC = 21.0
COLD_V_PER_DEGC = 1.1 / 39.0
"""9.6 V at 21 degC, about 8.5 at -18: lowest voltages are judged as if at 21 degC. [CP]"""


def check(view: View, bands: Bands) -> list[Finding]:
    """Findings on rest, cranking and running voltage."""
    voltage = view.trace("VPWR")
    if voltage is None or view.trace("RPM") is None:
        return [Subject(KEY, "voltage").not_recorded(view, view.missing("VPWR", "RPM"), "crank")]
    return [
        _rest(view, bands),
        _cranking(view, bands, alignment.interval_s(voltage)),
        _running(view, bands),
    ]


def _rest(view: View, bands: Bands) -> Finding:
    subject = Subject(KEY, "rest before the start")
    spans = view.spans(Condition.KEY_ON)
    found = view.samples(spans, "VPWR")
    if len(found) < 3:
        return subject.not_judged("Key on, engine off was not recorded.", "crank")
    return subject.judged(
        "Voltage with the engine off",
        Measured(float(np.median(found.value)), 0.05, spans),
        bands["resting_voltage"],
        "low_rested",
    )


def _cranking(view: View, bands: Bands, step_s: float) -> Finding:
    subject = Subject(KEY, "cranking")
    spans = _starts(view)
    found = view.samples(spans, "VPWR")
    if len(found) == 0:
        return subject.not_judged("No start of the engine was recorded.", "crank")
    at = int(np.argmin(found.value))
    lowest = float(found.value[at])
    rest = view.samples(view.spans(Condition.KEY_ON), "VPWR").value
    level = float(np.median(rest)) if len(rest) else 12.4
    band = bands["cranking_voltage"]
    dip = level - lowest
    if dip < DIP_V or (step_s > 0.3 and lowest >= (band.within[0] or 0.0)):
        text = said(
            "Lowest seen {v:.1f V} at one sample every {step:.1f s}: it may be missed.",
            v=lowest,
            step=step_s,
        )
        return subject.not_judged(text, "crank", evidence=spans, lacks=Coverage.UNCERTAIN)
    degc = view.at(found.t_ns[at : at + 1], "AAT", "IAT", "ECT", within_s=60.0)[0]
    cold = max(0.0, LIKE_DEGC - float(degc)) if np.isfinite(degc) and degc < 15.0 else 0.0
    remarks = [said("lowest seen, one sample every {s:.1f s}; the true dip is deeper", s=step_s)]
    if cold:
        seen = said("{v:.1f V} at {t:.0f degC}", v=lowest, t=degc)
        remarks.append(said("{seen}, judged as if at {t:.0f degC}", seen=seen, t=LIKE_DEGC))
    numbers = {
        "lowest_v": lowest,
        "dip_v": dip,
        "recovery_s": _recovery_s(view, int(found.t_ns[at])),
    }
    return subject.judged(
        "Cranking voltage",
        Measured(lowest + cold * COLD_V_PER_DEGC, 0.02, spans, tuple(remarks), numbers),
        band,
        "low_crank",
    )


def _starts(view: View) -> tuple[Span, ...]:
    """From just before the starter turns to just after the engine runs, each start."""
    cranks = view.spans(Condition.CRANKING)
    reach = int(1.0 * NS)
    return tuple(Span(s.start_ns - reach, s.end_ns + reach // 2) for s in cranks)


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
    if len(found) < 20 or seconds < LEAST_RUNNING_S:
        return subject.not_judged("Less than a minute of running was recorded.", "running")
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
