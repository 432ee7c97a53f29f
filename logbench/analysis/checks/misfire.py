"""Misfire and cylinders that work unevenly, as far as readings of the engine speed show them.

Inputs: `RPM` at 4 Hz or more. Enabled: plateaus of warm idle, as in the check of the idle, fifteen
seconds in all. Method: a crankshaft that is pushed unevenly changes its speed from cycle to cycle
(6 a second at 720 rpm), idle control and accessories within seconds: the standard deviation of the
second differences of the readings, over the square root of 6, is what changes from one reading to
the next. Where the speed as a whole scatters much more, it falls and recovers: cycles are missed;
where it does not, the cylinders work unevenly all the time. Which cylinder it is only counters
tell: read what the car has stored. Uncertainty: chi-square, with half as many readings. Evidence:
the plateaus.
"""

from __future__ import annotations

import numpy as np

from logbench.analysis import alignment
from logbench.analysis.bands import Bands
from logbench.analysis.findings import Measured, Subject
from logbench.analysis.model import Finding
from logbench.analysis.statement import said
from logbench.analysis.states import find_states
from logbench.analysis.statistics import NORMAL_95
from logbench.analysis.view import View

KEY = "misfire"
TITLE = "Misfire and evenness of the cylinders"
PLAIN = "How evenly the cylinders work"
STRIPS = (("RPM",), ("LOAD_PCT", "MAP"))
ORDER = 8
INPUTS = ("RPM",)

SLOWEST_S = 0.26
LEAST_S, LEAST_READINGS = 15.0, 60
FALLS = 1.6
"""Scatter of the speed as a whole over that from reading to reading: an even crankshaft whose
cylinders differ stays near 1. [CP]"""


def check(view: View, bands: Bands) -> list[Finding]:
    """One finding on the unrest at idle."""
    subject, rpm = Subject(KEY, "unrest at idle"), view.trace("RPM")
    if rpm is None:
        return [subject.not_recorded(view, ["RPM"], "record")]
    if rpm.interval_s > SLOWEST_S:
        text = said(
            "The engine speed came every {s:.1f s}: too slow to see the cycles.", s=rpm.interval_s
        )
        return [subject.not_judged(text, "record")]
    spans = view.once(find_states).plateaus
    found = view.samples(spans, "RPM")
    pieces = [found.value[found.group == k] for k in np.unique(found.group)]
    second = [np.diff(piece, 2) for piece in pieces if len(piece) > 2]
    n = sum(map(len, second))
    if n < LEAST_READINGS or alignment.total_s(spans) < LEAST_S:
        text = "Too little settled warm idle was recorded."
        return [subject.not_judged(text, "record")]
    unrest = float(np.sqrt(np.mean(np.concatenate(second) ** 2) / 6.0))
    whole = float(np.sqrt(np.mean(np.concatenate([p - p.mean() for p in pieces]) ** 2)))
    half = NORMAL_95 * unrest / n**0.5
    remark = said(
        "read every {s:.2f s}, over all ±{w:.0f rpm} (standard deviation)",
        s=rpm.interval_s,
        w=whole,
    )
    return [
        subject.judged(
            "Scatter of the engine speed from reading to reading",
            Measured(unrest, half, spans, (remark,), {"whole_rpm": whole}),
            bands["idle_unrest"],
            "misses" if whole > FALLS * unrest else "uneven",
        )
    ]
