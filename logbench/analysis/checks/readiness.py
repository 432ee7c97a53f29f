"""Lamp, codes and monitors from PID 0x01 and 0x41, and what a drive cycle still lacks.

Inputs: `MIL`, `DTC_CNT`, the `…_SUP` and `…_RDY` bits (a ready bit of 1 means not yet complete, the
standard's one negative logic), `ECT`, `VSS`, `RPM`. Enabled: always, on what was recorded last.
Method: reading bits and counting time; the figures are counts and have no interval. How many
incomplete monitors an inspection tolerates differs by place: local rules decide, so incomplete
monitors are `watch` at most.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from logbench.analysis.alignment import NS
from logbench.analysis.bands import Bands
from logbench.analysis.engine import Trait
from logbench.analysis.findings import Measured, Subject
from logbench.analysis.grid import STEP_S
from logbench.analysis.model import Condition, Coverage, Finding, Span, Verdict
from logbench.analysis.statement import joined, said
from logbench.analysis.view import View

KEY = "readiness"
TITLE = "Lamp and monitor readiness"
PLAIN = "The car's own monitors and warning lamp"
ORDER = 12
INPUTS = ("MIL", "DTC_CNT")

MONITORS = {
    "MIS": "misfire",
    "FUEL": "fuel system",
    "CCM": "components",
    "EGR": "EGR or valve timing",
}
SPARK_MONITORS = {
    "CAT": "catalyst",
    "HCAT": "heated catalyst",
    "EVAP": "evaporative system",
    "AIR": "secondary air",
    "O2S": "oxygen sensors",
    "HTR": "oxygen sensor heaters",
}
COMPRESSION_MONITORS = {
    "HCCAT": "NMHC catalyst",
    "NCAT": "NOx aftertreatment",
    "BP": "boost pressure",
    "EGS": "exhaust gas sensors",
    "PM": "particle filter",
}
"""Monitors by the stem of their acronyms, common ones and those whose bits mean others on the other
kind of engine. [Pub: SAE J1979]"""

WARM_RISE_DEGC, WARM_LEVEL_DEGC = 22.0, 71.0
"""A warm-up cycle: up by 22 degC to at least 71. [Pub: manufacturer texts]"""
CYCLE_RUN_S, CYCLE_ROAD_S, CYCLE_IDLE_S = 600.0, 300.0, 30.0
CYCLE_KMH = 40.0
"""A driving cycle: 10 min running, 5 min above 40 km/h, 30 s idle. [Pub: manufacturer text]"""


def check(view: View, bands: Bands) -> list[Finding]:
    """Findings on the lamp, on the monitors, and on this drive as a cycle."""
    del bands  # nothing here is a matter of a band
    findings = [_lamp(view), _monitors(view)]
    if view.trace("RPM") is not None:
        findings.append(_cycle(view))
    return findings


def _last(view: View, acronym: str) -> tuple[float, Span] | None:
    """The last value of a signal and the instant of it."""
    trace = view.trace(acronym)
    if trace is None:
        return None
    good = np.flatnonzero(np.isfinite(trace.value))
    t = int(trace.t_ns[good[-1]])
    return float(trace.value[good[-1]]), Span(t, t + NS)


def _lamp(view: View) -> Finding:
    subject, lamp, count = Subject(KEY, "lamp"), _last(view, "MIL"), _last(view, "DTC_CNT")
    if lamp is None:
        return subject.not_judged("MIL was not recorded.", "record")
    on, codes = lamp[0] >= 0.5, 0 if count is None else int(count[0])
    if on:
        reason = said(
            "The malfunction lamp is commanded on, with {codes} stored emissions codes.",
            codes=codes,
        )
    elif codes:
        reason = said("The lamp is off, but {codes} emissions codes are stored.", codes=codes)
    else:
        reason = "The lamp is off and no emissions code is stored."
    verdict = Verdict.ACT if on else Verdict.WATCH if codes else Verdict.WITHIN
    measured = Measured(float(codes), evidence=(lamp[1],))
    return subject.finding(verdict, reason, measured, "codes")


def _monitors(view: View) -> Finding:
    subject = Subject(KEY, "monitors since clearing")
    state = {}
    diesel = view.engine.holds(Trait.COMPRESSION)
    monitors = MONITORS | (COMPRESSION_MONITORS if diesel else SPARK_MONITORS)
    for stem, name in monitors.items():
        supported, incomplete = _last(view, f"{stem}_SUP"), _last(view, f"{stem}_RDY")
        if supported is not None and incomplete is not None and supported[0] >= 0.5:
            state[name] = incomplete[0] < 0.5
    if not state:
        return subject.not_judged("The monitors' bits were not recorded.", "record")
    lacking = [name for name, complete in state.items() if not complete]
    numbers = {"supported": float(len(state)), "incomplete": float(len(lacking))}
    measured = Measured(float(len(lacking)), numbers=numbers)
    if not lacking:
        reason = said("All {n} supported monitors are complete.", n=len(state))
        return subject.finding(Verdict.WITHIN, reason, measured)
    reason = said(
        "{n} of {all} monitors are incomplete: {names}.",
        n=len(lacking),
        all=len(state),
        names=", ".join(lacking),
    )
    return subject.finding(Verdict.WATCH, reason, measured, "incomplete")


def _cycle(view: View) -> Finding:
    """Whether this drive was a warm-up cycle and a driving cycle, and what it lacked."""
    seconds = view.running_s()
    speed, coolant = view.grid.linear("VSS"), view.grid.slow("ECT")
    idle = sum(s.duration_s for s in view.spans(Condition.COLD_IDLE, Condition.WARM_IDLE))
    lacking: list[str] = []
    if seconds < CYCLE_RUN_S:
        minutes = (CYCLE_RUN_S - seconds) / 60.0
        lacking.append(said("{more:.0f} more minutes of running", more=minutes))
    road = 0.0 if speed is None else float(np.count_nonzero(speed > CYCLE_KMH)) * STEP_S
    if road < CYCLE_ROAD_S:
        minutes = (CYCLE_ROAD_S - road) / 60.0
        above = said("more minutes above {kmh:.0f km/h}", kmh=CYCLE_KMH)
        lacking.append(said("{more:.0f} {above}", more=minutes, above=above))
    if idle < CYCLE_IDLE_S:
        lacking.append(said("{more:.0f s} of idle", more=CYCLE_IDLE_S - idle))
    warm = _warm_up_text(coolant, view)
    text = joined(lacking, ", ") if lacking else "nothing of a whole driving cycle"
    reason = said("This drive lacks {lacking}; {warm}.", lacking=text, warm=warm)
    subject = Subject(KEY, "this drive as a cycle")
    finding = subject.not_judged(reason, "cycle", lacks=Coverage.NO_LIMIT)
    numbers = {"running_s": seconds, "above_40_kmh_s": road, "idle_s": float(idle)}
    return replace(finding, numbers=numbers)


def _warm_up_text(coolant: np.ndarray | None, view: View) -> str:
    usable = view.conditions.running
    running = np.empty(0) if coolant is None else coolant[usable & np.isfinite(coolant)]
    if len(running) == 0:
        return "whether it was a warm-up cycle is not known without ECT"
    rise, top = float(running.max() - running[0]), float(running.max())
    if rise >= WARM_RISE_DEGC and top >= WARM_LEVEL_DEGC:
        return "it was a warm-up cycle"
    return said(
        "it was no warm-up cycle (up by {rise:.0f K} to {top:.0f degC}; {needed:.0f K} up to"
        " {level:.0f degC} are needed)",
        rise=rise,
        top=top,
        needed=WARM_RISE_DEGC,
        level=WARM_LEVEL_DEGC,
    )
