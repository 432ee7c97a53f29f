"""Engine speed over road speed: the gears seen, and slip.

Inputs: `RPM`, `VSS`. Enabled: driving above 20 km/h, both speeds steady, no gear change. Method:
peaks of the logarithm of the ratio, and within which share of its gear's ratio nine of ten samples
lie; a car whose ratio has no peaks (a continuously variable gearbox or a converter) is not judged.
Uncertainty: 0.3 %, a tyre's. Evidence: the steady stretches.
"""

from __future__ import annotations

import numpy as np

from logbench.analysis.alignment import Values
from logbench.analysis.bands import Bands
from logbench.analysis.findings import Measured, Subject
from logbench.analysis.model import Coverage, Finding
from logbench.analysis.statement import said
from logbench.analysis.view import View, evidence

KEY = "gears"
TITLE = "Gear ratios and slip"
PLAIN = "The gearbox ratios"
STRIPS = (("RPM",), ("VSS",))
ORDER = 10
INPUTS = ("RPM", "VSS")

LEAST_KMH = 20.0
LEAST_SAMPLES = 60
APART = 0.10
"""Gears differ by at least 10 % of their ratio. [CP]"""
LEAST_SHARE = 0.04
PEAK_SHARE = 0.6
"""Of a gearbox with gears, at least this much of steady driving lies on the peaks."""


def check(view: View, bands: Bands) -> list[Finding]:
    """The gears seen, with the spread within them."""
    subject = Subject(KEY, "gears")
    missing = view.missing("RPM", "VSS")
    if missing:
        return [subject.not_recorded(view, missing, "record")]
    spans = view.steady_spans()
    speed = view.samples(spans, "VSS")
    rpm = view.at(speed.t_ns, "RPM")
    good = (speed.value >= LEAST_KMH) & (rpm > 600.0)
    if good.sum() < LEAST_SAMPLES:
        return [subject.not_judged("Too little steady driving was recorded.", "record")]
    ratio = rpm[good] / speed.value[good]
    gears, gear_of = find_gears(ratio)
    on = gear_of >= 0
    if len(gears) == 0 or on.mean() < PEAK_SHARE:
        text = (
            "The ratio of engine to road speed has no steps: no fixed gears, or an open converter."
        )
        lacks = Coverage.NOT_APPLICABLE
        return [subject.not_judged(text, "record", lacks=lacks)]
    away = 100.0 * (ratio[on] / gears[gear_of[on]] - 1.0)
    spread = float(np.percentile(np.abs(away), 90))
    numbers = {f"gear_{k + 1}_rpm_per_kmh": float(g) for k, g in enumerate(gears)}
    seen = said("{n} ratios seen ({gears:.1f rpm per km/h})", n=len(gears), gears=[*gears])
    used = speed.t_ns[good][on]
    return [
        subject.judged(
            "The spread within a gear (9 of 10 samples)",
            Measured(spread, 0.3, evidence(spans, used), (seen,), numbers),
            bands["gear_spread"],
            "slip",
        )
    ]


def find_gears(ratio: Values) -> tuple[Values, np.ndarray]:
    """Ratios of the gears seen, highest first, and for each sample its gear or -1.

    A gear is a peak of the histogram of log(ratio) in steps of 1 % that holds at least
    `LEAST_SHARE` of the samples within 3 % on both sides, and no higher peak within `APART`.
    """
    log = np.log(ratio)
    low = float(log.min())
    place = ((log - low) / 0.01).astype(int)
    count = np.bincount(place, minlength=int(place.max()) + 1).astype(float)
    smooth = np.convolve(count, np.ones(7), mode="same")
    reach = round(APART / 0.01)
    peaks: list[int] = []
    for k in np.argsort(-smooth):
        if smooth[k] < LEAST_SHARE * len(ratio):
            break
        if all(abs(k - p) >= reach for p in peaks):
            peaks.append(int(k))
    centres = []
    for p in sorted(peaks, reverse=True):
        near = np.abs(place - p) <= 3
        centres.append(float(np.median(ratio[near])))
    gears = np.array(centres)
    if len(gears) == 0:
        return gears, np.full(len(ratio), -1)
    away = np.abs(log[:, None] - np.log(gears)[None, :])
    nearest = np.argmin(away, axis=1)
    return gears, np.where(away[np.arange(len(log)), nearest] <= APART / 2, nearest, -1)
