"""Restarts of a stop-start system: how far they pull the voltage down, and how long they take.

Inputs: `RPM`; `VPWR`. Enabled: the engine had run, rested two seconds to five minutes, and was
started again. Method: of each restart the lowest level of the voltage that lasts a fifth of a
second and three readings, as in the check of a first start, and the time from the starter's first
sign to 85 % of the idle speed; judged are the lowest level and the median time; the first start
stands beside them. Uncertainty: of the voltage its samples; of the time one reading of the engine
speed. Evidence: the restarts.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from logbench.analysis import cranking
from logbench.analysis.alignment import NS
from logbench.analysis.bands import Bands
from logbench.analysis.cranking import dip_of, first_starts, level_of, restarts
from logbench.analysis.engine import Trait
from logbench.analysis.findings import Measured, Subject
from logbench.analysis.model import Coverage, Finding, Span
from logbench.analysis.statement import said
from logbench.analysis.view import View

KEY = "restarts"
TITLE = "Restarts of stop-start"
PLAIN = "Restarting the engine after it was stopped at a standstill"
STRIPS = (("VPWR",), ("RPM",), ("VSS",))
ORDER = 5
PARTS = (cranking,)
INPUTS = ("VPWR", "RPM")

IDLE_SHARE = 0.85
LONGEST_S = 15.0
SLOWEST_S = 1.0
"""Readings of the engine speed that come more seldom tell no time of a start."""


def check(view: View, bands: Bands) -> list[Finding]:
    """Findings on voltage and time of the restarts."""
    found = restarts(view)
    if not found:
        made_for_it = view.engine.holds(Trait.STOP_START)
        lacks = Coverage.NOT_RECORDED if made_for_it else Coverage.NOT_APPLICABLE
        text = "No restart of the warm engine was recorded."
        return [Subject(KEY, "restarts").not_judged(text, "record", lacks=lacks)]
    return [_voltage(view, bands, found), _time(view, bands, found)]


def _voltage(view: View, bands: Bands, found: Sequence[Span]) -> Finding:
    subject = Subject(KEY, "voltage")
    if view.trace("VPWR") is None:
        return subject.not_recorded(view, ["VPWR"], "record")
    levels = [x for span in found if np.isfinite(x := level_of(dip_of(view, span)))]
    if not levels:
        text = "The voltage came too slowly to tell the level at which the starter turned."
        return subject.not_judged(text, "record", evidence=found, lacks=Coverage.UNCERTAIN)
    first = [x for span in first_starts(view) if np.isfinite(x := level_of(dip_of(view, span)))]
    remarks = [said("{n:.0f} of {all:.0f} restarts", n=len(levels), all=len(found))]
    numbers = {"restarts": float(len(found)), "median_v": float(np.median(levels))}
    if first:
        remarks.append(said("first start {v:.1f V}", v=min(first)))
        numbers["first_v"] = min(first)
    return subject.judged(
        "Lowest voltage of a restart",
        Measured(min(levels), 0.02, found, tuple(remarks), numbers),
        bands["restart_voltage"],
        "low",
    )


def _seconds(view: View, start: Span) -> float:
    """From the starter's first sign to idle speed; NaN where that was never reached."""
    rpm = view.samples((Span(start.start_ns, start.start_ns + int(LONGEST_S * NS)),), "RPM")
    up = rpm.t_ns[rpm.value >= IDLE_SHARE * view.conditions.idle_rpm]
    return float(up[0] - start.start_ns) / NS if len(up) else float("nan")


def _time(view: View, bands: Bands, found: Sequence[Span]) -> Finding:
    subject, rpm = Subject(KEY, "time to idle"), view.trace("RPM")
    times = np.array([s for span in found if np.isfinite(s := _seconds(view, span))])
    if rpm is None or rpm.interval_s > SLOWEST_S or len(times) == 0:
        text = "The engine speed came too slowly to tell how long a restart takes."
        return subject.not_judged(text, "record", evidence=found, lacks=Coverage.UNCERTAIN)
    first = [s for span in first_starts(view) if np.isfinite(s := _seconds(view, span))]
    remarks = [said("{n:.0f} restarts, the slowest {s:.1f s}", n=len(times), s=float(times.max()))]
    if first:
        remarks.append(said("first start {s:.1f s}", s=first[0]))
    return subject.judged(
        "Time from the starter's first sign to idle",
        Measured(float(np.median(times)), rpm.interval_s, found, tuple(remarks)),
        bands["restart_time"],
        "slow",
    )
