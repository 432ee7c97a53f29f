"""Manifold and barometric pressure: engine off, against the height, and the vacuum at idle.

Inputs: `MAP`, `BARO`; `RPM`, `VPWR` for a surely standing engine; the height where someone has
stated it (on the Live page, or `--altitude-m` of `logbench record` and `logbench check`; kept as
`altitude_m` in the facts' `extra`). Enabled: key on before the first start; ten seconds of steady
warm idle in which no accessory steps the load up. Method: medians with the engine off; the standard
atmosphere at the stated height, and without one the height that the pressure implies, as a figure;
barometric less manifold pressure at idle. A weather report is corrected to sea level: it is no
reference for the raw reading. Uncertainty: the resolution of 1 kPa, of fewer than three readings
that of both sensors, at idle the scatter, too; 3 % for the weather where the stated height stands
in for a pressure. Evidence: the stretches.
"""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np

from logbench.analysis import alignment, derived
from logbench.analysis.air_state import find_air
from logbench.analysis.bands import Bands
from logbench.analysis.findings import Measured, Subject
from logbench.analysis.model import Finding, Span
from logbench.analysis.statement import said
from logbench.analysis.states import find_states, steady_idle
from logbench.analysis.statistics import MIN_SAMPLES, estimate
from logbench.analysis.view import View, evidence
from logbench.recording.model import Trace

KEY = "pressures"
TITLE = "Manifold and barometric pressure"
PLAIN = "The pressure in the intake"
STRIPS = (("MAP", "BARO"), ("RPM",))
ORDER = 6
INPUTS = ("MAP", "BARO", "RPM", "ECT", "VSS")

LEAST_READINGS = 3
ROUNDED_KPA = 1.0
"""What two readings rounded to 1 kPa may differ by at most without a difference."""
MINUTE_NS = 60 * alignment.NS


def check(view: View, bands: Bands) -> list[Finding | None]:
    """Findings on engine-off agreement, on the stated height, and on the idle vacuum."""
    if view.trace("MAP", "BARO") is None:
        return [Subject(KEY, "pressures").not_judged("MAP and BARO were not recorded.", "off")]
    return [look(view, bands) for look in (_engine_off, _idle_vacuum, _height)]


def _engine_off(view: View, bands: Bands) -> Finding:
    subject = Subject(KEY, "engine off")
    baro = view.trace("BARO")
    spans = view.conditions.standing.key_on
    found = view.samples(spans, "MAP")
    if baro is None:
        return subject.not_recorded(view, ["BARO"], "off")
    if len(found) == 0:
        text = "No MAP was read with the key on and the engine surely at a standstill."
        return subject.not_judged(text, "off")
    around = _around(view, baro, int(found.t_ns[-1]))
    few = len(found) < LEAST_READINGS
    return subject.judged(
        "MAP less BARO",
        Measured(
            float(np.median(found.value)) - around,
            ROUNDED_KPA if few else 0.6,
            spans,
            ("one reading only" if len(found) == 1 else "two readings only",) if few else (),
            {"baro_kpa": around},
        ),
        bands["map_against_baro"],
        "sensor",
    )


def _around(view: View, baro: Trace, at_ns: int) -> float:
    """The barometric pressure within a minute of that time; else the median of the drive, which may
    have gone up and down hills."""
    near = view.samples((Span(at_ns - MINUTE_NS, at_ns + MINUTE_NS),), "BARO").value
    return float(np.median(near) if len(near) else np.nanmedian(baro.value))


def _idle_vacuum(view: View, bands: Bands) -> Finding:
    subject = Subject(KEY, "idle vacuum")
    if view.trace("MAP") is None:
        return subject.not_recorded(view, ["MAP"], "idle")
    spans = steady_idle(view)
    found = view.samples(spans, "MAP")
    if view.baro_kpa is None and view.surroundings.altitude_m is None:
        return subject.not_judged("The air pressure around the car is not known.", "idle")
    air = view.once(find_air)
    around = air.pressure_kpa
    loads = {span.loaded for span in view.once(find_states).between}
    if len(found) < MIN_SAMPLES or alignment.total_s(spans) < 10.0:
        text = "Too little steady warm idle was recorded."
        if True in loads:
            text = "Too little steady warm idle without an accessory's load was recorded."
        return subject.not_judged(text, "idle")
    level = estimate(found.value, found.group, 1.0)
    half = float(np.hypot(level.half_width, around * air.pressure_half))
    remarks = [said("manifold pressure {kpa:.0f kPa}", kpa=level.mean)]
    if True in loads:
        remarks.append("without an accessory's load")
    elif around - level.mean < (bands["idle_vacuum"].within[0] or 0.0):
        remarks.append("no step of load was seen: an accessory may have been on throughout")
    return subject.judged(
        "Vacuum at warm idle",
        Measured(
            around - level.mean,
            half,
            evidence(spans, found.t_ns),
            tuple(remarks),
            {"map_kpa": level.mean, "baro_kpa": around},
        ),
        bands["idle_vacuum"],
        "low_vacuum",
    )


def _height(view: View, bands: Bands) -> Finding | None:
    """Against the standard atmosphere where the height is stated; else the height it implies, as a
    figure that whoever knows the place can judge."""
    subject, height = Subject(KEY, "height"), view.surroundings.altitude_m
    around = view.baro_kpa
    if around is None:
        return subject.not_judged("The air pressure around the car is not known.", "off")
    if height is None:
        implied = float(derived.standard_height_m(around))
        if not math.isfinite(implied):
            return None
        text = said(
            "{kpa:.0f kPa} would be {m:.0f m} in the standard atmosphere; the altitude is not"
            " stated.",
            kpa=around,
            m=implied,
        )
        finding = subject.not_judged(text, "state")
        return replace(finding, numbers={"implied_height_m": implied})
    expected = float(derived.standard_pressure_kpa(height))
    return subject.judged(
        said(
            "Air pressure at {height:.0f m}, {kpa:.0f kPa}, less the standard {standard:.1f kPa},",
            height=height,
            kpa=around,
            standard=expected,
        ),
        Measured(around - expected, 0.5),
        bands["baro_against_altitude"],
        "sensor",
    )
