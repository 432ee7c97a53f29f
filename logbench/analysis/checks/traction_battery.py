"""High-voltage battery of a hybrid: the charge that it reports over a drive; it is read, no more.

Inputs: `BAT_PWR`; `RPM`, `VSS` where there are. Enabled: five minutes with this signal. Method: the
lowest and the highest remaining charge, the change from the first to the last minute, and how long
the car drove without its engine. Judged is only that the charge is held off its bottom: a share of
what the battery can hold today says nothing of how much that is. Uncertainty: the signal's step.
Evidence: where the charge is lowest.
"""

from __future__ import annotations

import numpy as np

from logbench.analysis.alignment import NS
from logbench.analysis.bands import Bands
from logbench.analysis.findings import Measured, Subject
from logbench.analysis.grid import STEP_S
from logbench.analysis.model import Coverage, Finding, Span
from logbench.analysis.statement import said
from logbench.analysis.view import View

KEY = "traction_battery"
TITLE = "High-voltage battery's charge"
PLAIN = "The charge of the high-voltage battery"
STRIPS = (("BAT_PWR",), ("RPM",), ("VSS",))
ORDER = 5
INPUTS = ("BAT_PWR",)

LEAST_S = 300.0
STEP_PCT = 100.0 / 255.0
END_S = 60.0
DRIVES_KMH = 5.0


def check(view: View, bands: Bands) -> list[Finding]:
    """One finding on the charge that was held."""
    subject, charge = Subject(KEY, "charge held"), view.trace("BAT_PWR")
    if charge is None:
        text = "No charge of a high-voltage battery was recorded."
        return [subject.not_judged(text, "record", lacks=Coverage.NOT_APPLICABLE)]
    good = np.isfinite(charge.value)
    t_ns, value = charge.t_ns[good], charge.value[good]
    if t_ns[-1] - t_ns[0] < LEAST_S * NS:
        text = "Its charge was recorded for less than five minutes."
        return [subject.not_judged(text, "record")]
    lowest, highest = float(value.min()), float(value.max())
    first, last = (
        float(np.median(value[near]))
        for near in (t_ns < t_ns[0] + END_S * NS, t_ns > t_ns[-1] - END_S * NS)
    )
    at = int(t_ns[int(np.argmin(value))])
    remarks = [
        said(
            "between {a:.0f} and {b:.0f %}, {c:+.0f %} over the drive",
            a=lowest,
            b=highest,
            c=last - first,
        )
    ]
    electric_s = _electric_s(view)
    if electric_s:
        remarks.append(said("driven for {s:.0f s} without the engine", s=electric_s))
    numbers = {"highest_pct": highest, "change_pct": last - first, "electric_s": electric_s}
    return [
        subject.judged(
            "Lowest remaining charge",
            Measured(lowest, STEP_PCT, (Span(at, at + NS),), tuple(remarks), numbers),
            bands["traction_charge"],
            "low",
        )
    ]


def _electric_s(view: View) -> float:
    """Seconds of driving with the engine off."""
    speed, rpm = view.grid.linear("VSS"), view.grid.linear("RPM")
    if speed is None or rpm is None:
        return 0.0
    return float(np.count_nonzero((speed > DRIVES_KMH) & (rpm < 50.0))) * STEP_S
