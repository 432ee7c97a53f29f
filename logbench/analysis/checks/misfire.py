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

from logbench.analysis import unrest
from logbench.analysis.bands import Bands
from logbench.analysis.findings import Measured, Subject
from logbench.analysis.model import Finding
from logbench.analysis.statement import said
from logbench.analysis.unrest import SLOWEST_S, find_unrest
from logbench.analysis.view import View

KEY = "misfire"
TITLE = "Misfire and evenness of the cylinders"
PLAIN = "How evenly the cylinders work"
STRIPS = (("RPM",), ("LOAD_PCT", "MAP"))
ORDER = 8
PARTS = (unrest,)
INPUTS = ("RPM",)


def check(view: View, bands: Bands) -> list[Finding]:
    """One finding on the unrest at idle."""
    subject, rpm, found = Subject(KEY, "unrest at idle"), view.trace("RPM"), view.once(find_unrest)
    if rpm is None:
        return [subject.not_recorded(view, ["RPM"], "record")]
    if rpm.interval_s > SLOWEST_S:
        text = said(
            "The engine speed came every {s:.1f s}: too slow to see the cycles.", s=rpm.interval_s
        )
        return [subject.not_judged(text, "record")]
    if found is None:
        return [subject.not_judged("Too little settled warm idle was recorded.", "record")]
    remark = said(
        "read every {s:.2f s}, over all ±{w:.0f rpm} (standard deviation)",
        s=rpm.interval_s,
        w=found.whole_rpm,
    )
    return [
        subject.judged(
            "Scatter of the engine speed from reading to reading",
            Measured(found.rpm, found.half, found.spans, (remark,), {"whole_rpm": found.whole_rpm}),
            bands["idle_unrest"],
            "misses" if found.falls else "uneven",
        )
    ]
