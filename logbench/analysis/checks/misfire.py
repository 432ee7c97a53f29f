"""Misfire and cylinders that work unevenly, as far as readings of the engine speed show them.

Inputs: `RPM` at 4 Hz or more. Enabled: plateaus of warm idle, as in the check of the idle, fifteen
seconds in all. Method: a crankshaft that is pushed unevenly changes its speed from cycle to cycle
(6 a second at 720 rpm), idle control and accessories within seconds: the standard deviation of the
second differences of the readings, over the square root of 6, is what changes from one reading to
the next. Where the speed as a whole scatters much more, it falls and recovers: cycles are missed;
where it does not, the cylinders work unevenly all the time. Which cylinder it is only counters
tell: read what the car has stored. *After a cold start* of compression ignition, coolant below 10
degC then, the same of the idle from two seconds until half a minute after it: a cylinder that its
glow plug leaves cold misses cycles until it is warm. Left out where the warm idle is rough, too.
Uncertainty: chi-square, with half as many readings. Evidence: the plateaus, the idle after it.
"""

from __future__ import annotations

import numpy as np

from logbench.analysis import cranking, unrest
from logbench.analysis.alignment import NS
from logbench.analysis.bands import Bands
from logbench.analysis.cranking import first_starts
from logbench.analysis.engine import Trait
from logbench.analysis.findings import Measured, Subject
from logbench.analysis.model import Condition, Finding, Span
from logbench.analysis.statement import said
from logbench.analysis.unrest import SLOWEST_S, Unrest, find_unrest, unrest_of
from logbench.analysis.view import View

KEY = "misfire"
TITLE = "Misfire and evenness of the cylinders"
PLAIN = "How evenly the cylinders work"
STRIPS = (("RPM",), ("LOAD_PCT", "MAP"))
ORDER = 8
PARTS = (unrest, cranking)
INPUTS = ("RPM", "ECT")

COLD_DEGC = 10.0
"""Above it a diesel starts as well without its glow plugs. [CP: 5 to 10 degC]"""
CAUGHT_S, FIRST_S = 2.0, 30.0
"""The speed has settled; its own heat has warmed a cylinder that was cold. [CP]"""


def check(view: View, bands: Bands) -> list[Finding | None]:
    """Findings on the unrest at warm idle and, of compression ignition, after a cold start."""
    subject, rpm, found = Subject(KEY, "unrest at idle"), view.trace("RPM"), view.once(find_unrest)
    if rpm is None:
        return [subject.not_recorded(view, ["RPM"], "record")]
    if rpm.interval_s > SLOWEST_S:
        text = said(
            "The engine speed came every {s:.1f s}: too slow to see the cycles.", s=rpm.interval_s
        )
        return [subject.not_judged(text, "record")]
    cold = _cold(view, bands, found)
    if found is None:
        text = "Too little settled warm idle was recorded."
        return [subject.not_judged(text, "record"), cold]
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
        ),
        cold,
    ]


def _cold(view: View, bands: Bands, warm: Unrest | None) -> Finding | None:
    """The unrest after a cold start; None without one, and where the warm engine is rough, too."""
    starts = [start for start in first_starts(view) if _degc(view, start) < COLD_DEGC]
    rough = warm is not None and warm.rough
    if not view.engine.holds(Trait.COMPRESSION) or not starts or rough:
        return None
    subject, start = Subject(KEY, "unrest after a cold start"), starts[0]
    t_ns = view.grid.t_ns - start.end_ns
    first = (t_ns >= CAUGHT_S * NS) & (t_ns < FIRST_S * NS)
    found = unrest_of(view, view.stretches(view.conditions.mask(Condition.COLD_IDLE) & first))
    if found is None:
        return subject.not_judged("Too little idle after the cold start was recorded.", "cold")
    remark = said(
        "started at {degc:.0f degC}, turned for {s:.1f s}",
        degc=_degc(view, start),
        s=start.duration_s,
    )
    numbers = {"start_s": start.duration_s}
    return subject.judged(
        "Scatter of the engine speed from reading to reading after a cold start",
        Measured(found.rpm, found.half, found.spans, (remark,), numbers),
        bands["cold_unrest"],
        "cold",
    )


def _degc(view: View, start: Span) -> float:
    """The coolant's temperature at a start; NaN where it is not known."""
    return float(view.at(np.array([start.start_ns]), "ECT", within_s=60.0)[0])
