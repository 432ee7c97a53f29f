"""Engine speed over road speed: the gears seen, and slip.

Inputs: `RPM`, `VSS`. Enabled: thirty readings over twenty seconds of driving above 20 km/h, both
speeds steady, no gear change. Method: peaks of the logarithm of the ratio, and within which share
of its gear's ratio nine of ten samples lie, less what the rounding of the road speed to 1 km/h
explains; a car whose ratio has no peaks (a continuously variable transmission or a converter) is
not judged. Uncertainty: 0.3 %, a tire's, and that of a quantile of so many samples. Evidence: the
steady stretches.
"""

from __future__ import annotations

import math

import numpy as np

from logbench.analysis.bands import Bands
from logbench.analysis.findings import Measured, Subject
from logbench.analysis.gearbox import APART, find_gears
from logbench.analysis.model import Coverage, Finding
from logbench.analysis.statement import said
from logbench.analysis.view import View, evidence, speeds_steady

KEY = "gears"
TITLE = "Gear ratios and slip"
PLAIN = "The gear ratios"
STRIPS = (("RPM",), ("VSS",))
ORDER = 10
INPUTS = ("RPM", "VSS")

LEAST_KMH = 20.0
LEAST_SAMPLES = 30
LEAST_S = 20.0
ROUNDING_KMH = 0.5
TIRE_PCT = 0.3
PEAK_SHARE = 0.6
"""Of a gearbox with gears, at least this much of steady driving lies on the peaks."""


def check(view: View, bands: Bands) -> list[Finding]:
    """The gears seen, with the spread within them."""
    subject = Subject(KEY, "gears")
    missing = view.missing("RPM", "VSS")
    if missing:
        return [subject.not_recorded(view, missing, "record")]
    spans = view.stretches(view.once(speeds_steady), 2.0)
    speed = view.samples(spans, "VSS")
    rpm = view.at(speed.t_ns, "RPM")
    good = (speed.value >= LEAST_KMH) & (rpm > 600.0)
    trace = view.trace("VSS")
    step_s = math.inf if trace is None else trace.interval_s
    if good.sum() < LEAST_SAMPLES or good.sum() * step_s < LEAST_S:
        text = said(
            "Too little steady driving above {kmh:.0f km/h} was recorded: {n} readings, one every"
            " {step:.1f s}.",
            kmh=LEAST_KMH,
            n=int(good.sum()),
            step=step_s,
        )
        return [subject.not_judged(text, "record")]
    ratio = rpm[good] / speed.value[good]
    gears, gear_of = find_gears(ratio)
    on = gear_of >= 0
    away = np.abs(ratio[on] / gears[gear_of[on]] - 1.0)
    if len(gears) == 0 or np.count_nonzero(away <= APART / 2) < PEAK_SHARE * len(ratio):
        text = (
            "The ratio of engine to road speed has no steps: no fixed gears, or an open converter."
        )
        lacks = Coverage.NOT_APPLICABLE
        return [subject.not_judged(text, "record", lacks=lacks)]
    unexplained = np.maximum(0.0, away - ROUNDING_KMH / speed.value[good][on])
    spread = 100.0 * float(np.percentile(unexplained, 90))
    half = math.hypot(TIRE_PCT, 1.96 * spread / math.sqrt(2.0 * on.sum()))
    numbers = {f"gear_{k + 1}_rpm_per_kmh": float(g) for k, g in enumerate(gears)}
    seen = said("{n} ratios seen ({gears:.1f rpm per km/h})", n=len(gears), gears=[*gears])
    used = speed.t_ns[good][on]
    return [
        subject.judged(
            "The spread within a gear (9 of 10 samples)",
            Measured(spread, half, evidence(spans, used), (seen,), numbers),
            bands["gear_spread"],
            "slip",
        )
    ]
