"""The charge-air cooler: how much of the compressor's heat it takes out.

Inputs: `TCA_COUTT`; `CACT11` and `CACT12`, else `IAT`; `AAT`, else `TCA_CINT`; `MAP`, `VSS`.
Enabled: the charge leaves the compressor 40 K or more above the air outside, for three seconds and
longer, at 40 km/h and above. Method: effectiveness = (compressor's outlet - behind the cooler) /
(compressor's outlet - outside), Kays and London's of a cooler whose air outside is plentiful
[Mem: Compact Heat Exchangers]. Of two temperatures at the cooler the hotter lies before it.
Without one at the outlet it is worked out of the pressures, a compressor of 55 to 78 % [CP]: wide,
and `watch` at most. `IAT` that does not rise with the charge may stand before the charger, and is
not judged; where exhaust gas is recirculated into it, it reads hotter.
Uncertainty: the scatter, 2 K of each sensor. Evidence: those stretches.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from logbench.analysis import alignment
from logbench.analysis.air_state import find_air
from logbench.analysis.alignment import Mask, Values
from logbench.analysis.bands import Bands
from logbench.analysis.derived import KELVIN
from logbench.analysis.findings import Measured, Subject
from logbench.analysis.model import Finding
from logbench.analysis.statement import said
from logbench.analysis.statistics import MIN_SAMPLES, estimate
from logbench.analysis.view import View, evidence, reported

KEY = "charge_cooler"
TITLE = "Charge-air cooler"
PLAIN = "The cooler of the charged air"
STRIPS = (("TCA_COUTT", "CACT11", "IAT", "AAT"), ("MAP",), ("VSS",))
ORDER = 16
INPUTS = ("TCA_COUTT", "CACT11", "IAT", "AAT", "MAP", "VSS")

LEAST_K, LEAST_S, LEAST_KMH = 40.0, 3.0, 40.0
SENSOR_K = 2.0
POWER = 0.2857
"""(gamma - 1) / gamma of air. [Calc]"""
EFFICIENCY, EFFICIENCY_HALF = 0.65, 0.26
"""Of a compressor, and its relative half width. [CP]"""
BEFORE_CHARGER_K, UNCHARGED_K = 4.0, 10.0
OUTLET = ("TCA_COUTT", "TCB_COUTT")
COOLER = ("CACT11", "CACT12")


@dataclass(frozen=True, slots=True)
class Cooling:
    """On the grid, degC: before and behind the cooler, outside; `half`: relative half width of
    what the compressor adds where that is worked out; whose sensor stands behind."""

    before: Values
    behind: Values
    outside: Values
    half: float
    behind_name: str


def check(view: View, bands: Bands) -> list[Finding]:
    """The effectiveness of the cooler."""
    subject = Subject(KEY, "effectiveness")
    if view.trace("MAP", *OUTLET, *COOLER) is None and not reported(view, *OUTLET, *COOLER):
        return [subject.without(view, (*OUTLET[:1], *COOLER[:1]), False)]
    if view.trace("AAT", "TCA_CINT") is None:
        return [subject.not_recorded(view, ["AAT"], "record")]
    if view.trace(*COOLER, "IAT") is None:
        return [subject.not_recorded(view, ["IAT"], "record")]
    return [_judged(view, bands, subject, _cooling(view))]


def _cooling(view: View) -> Cooling:
    slow = view.grid.slow
    nothing = np.full(len(view.grid), np.nan)
    outside = slow("AAT", "TCA_CINT")
    outside = nothing if outside is None else outside
    cooler = [v for name in COOLER if (v := slow(name)) is not None]
    intake = slow("IAT")
    behind = np.fmin.reduce(cooler) if cooler else nothing if intake is None else intake
    trace = view.trace(*COOLER, "IAT")
    name = "" if trace is None else trace.signal
    outlet = slow(*OUTLET)
    if outlet is not None:
        return Cooling(outlet, behind, outside, 0.0, name)
    if len(cooler) == 2:
        return Cooling(np.fmax.reduce(cooler), behind, outside, 0.0, name)
    pressure, around = view.grid.linear("MAP"), view.once(find_air).pressure_kpa
    ratio = nothing if pressure is None else np.maximum(pressure / around, 1.0)
    warmed = (outside + KELVIN) * (ratio**POWER - 1.0) / EFFICIENCY
    return Cooling(outside + warmed, behind, outside, EFFICIENCY_HALF, name)


def _judged(view: View, bands: Bands, subject: Subject, found: Cooling) -> Finding:
    added = found.before - found.outside
    where = view.conditions.running & (view.grid.least_of(added, LEAST_S) >= LEAST_K)
    speed = view.grid.linear("VSS")
    if speed is not None:
        where &= speed >= LEAST_KMH
    spans = view.stretches(where)
    owner = alignment.owner(view.grid.t_ns, spans)
    cooled = owner >= 0
    with np.errstate(invalid="ignore", divide="ignore"):
        share = 100.0 * (found.before - found.behind) / added
    level = estimate(share[cooled], owner[cooled])
    if level.n < MIN_SAMPLES:
        text = said("The charge was not {k:.0f K} above the air outside for long.", k=LEAST_K)
        return subject.not_judged(text, "pull")
    if found.behind_name == "IAT" and _before_charger(found, cooled, view.conditions.running):
        text = "IAT does not rise with the charge: its sensor may stand before the charger."
        return subject.not_applicable(text)
    typical = float(np.nanmedian(added[cooled]))
    half = math.hypot(
        level.half_width, 100.0 * 1.5 * SENSOR_K / typical, (100.0 - level.mean) * found.half
    )
    worked_out = "the compressor's outlet is worked out of the pressures" if found.half else ""
    return subject.judged(
        "The cooler takes out of what the compressor adds",
        Measured(
            level.mean,
            half,
            evidence(spans, view.grid.t_ns[cooled]),
            (said("{k:.0f K} above the air outside before it", k=typical),)
            + ((worked_out,) if worked_out else ()),
            {"added_k": typical},
        ),
        bands["cooler"],
        "weak",
        "sensor",
        watch_at_most=worked_out,
    )


def _before_charger(found: Cooling, charged: Mask, running: Mask) -> bool:
    """Whether the air behind the cooler is as far from that outside with charge as without."""
    rise = found.behind - found.outside
    without = rise[running & (found.before - found.outside < UNCHARGED_K)]
    rest = float(np.nanmedian(without)) if np.isfinite(without).any() else 0.0
    return float(np.nanpercentile(rise[charged], 90)) < max(rest, 0.0) + BEFORE_CHARGER_K
