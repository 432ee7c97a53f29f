"""Exhaust gas recirculation: commanded against actual, and what it does to the airflow.

Inputs: `EGR_A_CMD` with `EGR_A_ACT`, the same of B; `EGR_PCT` with `EGR_ERR`; `MAF`, `MAP`, `RPM`.
Enabled: a command of 5 % and above held for 1.5 s for the error, five positions over 15 points for
the valve's travel; warm, steady running for the airflow. Method: slope of actual over commanded;
mean error as the car states it, (actual - commanded) / commanded, which says nothing near a shut
valve; air drawn for each kPa of manifold pressure and degree with the valve commanded open against
that with it commanded shut. Without a command, of an engine that no flap throttles, idle and
cruise against high load, where recirculation ends: which loads recirculate is the maker's choice,
so that is `watch` at most, and not judged in the cold. Uncertainty: the scatter of the samples and
what is not known of the charge's temperature. Evidence: those stretches.
"""

from __future__ import annotations

import math

import numpy as np

from logbench.analysis.bands import Bands
from logbench.analysis.engine import Trait
from logbench.analysis.filling import SHUT_PCT, Filling, find_filling
from logbench.analysis.findings import Measured, Subject
from logbench.analysis.following import held, judge_travel
from logbench.analysis.model import Condition, Finding
from logbench.analysis.statement import said
from logbench.analysis.statistics import MIN_SAMPLES, estimate
from logbench.analysis.unthrottled import level_of
from logbench.analysis.view import View, evidence, reported

KEY = "recirculation"
TITLE = "Exhaust gas recirculation"
PLAIN = "The recirculation of exhaust gas"
STRIPS = (("EGR_PCT", "EGR_A_CMD", "EGR_A_ACT"), ("EGR_ERR",), ("MAF", "MAP"))
ORDER = 17
INPUTS = ("EGR_PCT", "EGR_ERR", "EGR_A_CMD", "EGR_A_ACT", "MAF", "MAP", "RPM")

LEAST_PCT = 5.0
LONG_S = 60.0
REVERSED_PCT = 5.0
"""More air with the valve commanded open than shut, beyond the error: it does not shut."""
HELD_S, HELD_POINTS = 1.5, 4.0
COLD_DEGC = 15.0
"""Below it many makers keep the valve shut. [CP]"""
VALVES = (("valve A", "A"), ("valve B", "B"))


def check(view: View, bands: Bands) -> list[Finding | None]:
    """Findings on the valves' travel and error, and on the airflow."""
    names = ("EGR_PCT", "EGR_A_CMD")
    filling = view.once(find_filling)
    usual = view.engine.holds(Trait.COMPRESSION) is True
    told = bool(reported(view, *names))
    if not told and not (usual and filling is not None):
        return [Subject(KEY, "recirculation").without(view, names, usual, "record")]
    valves: list[Finding | None] = []
    for name, letter in VALVES:
        valves += [_valve(view, bands, name, letter), _rest(view, bands, name, letter)]
    found = [_error(view, bands), _airflow(view, bands, filling), _command(view, bands)]
    return [*valves, *found]


def _valve(view: View, bands: Bands, name: str, letter: str) -> Finding | None:
    pair = f"EGR_{letter}_CMD", f"EGR_{letter}_ACT"
    subject, band = Subject(KEY, name), bands["egr_travel"]
    return judge_travel(view, subject, pair, band, "stuck", ("record", "drive"))


def _rest(view: View, bands: Bands, name: str, letter: str) -> Finding | None:
    """Where the valve stands when it is commanded shut; None where too little tells."""
    command = view.grid.linear(f"EGR_{letter}_CMD")
    if command is None:
        return None
    spans = held(view, command, HELD_POINTS, HELD_S, command <= SHUT_PCT)
    found = view.samples(spans, f"EGR_{letter}_ACT")
    if len(found) < MIN_SAMPLES:
        return None
    return Subject(KEY, f"{name}, commanded shut").judged(
        said("EGR_{letter}_ACT where the valve is commanded shut", letter=letter),
        Measured(float(np.median(found.value)), 1.0, evidence(spans, found.t_ns)),
        bands["egr_rest"],
        "open",
    )


def _error(view: View, bands: Bands) -> Finding | None:
    """The error as the car states it, where the valve is commanded open."""
    pairs = (("EGR_PCT", "EGR_ERR"), ("EGR_A_CMD", "EGR_A_ERR"))
    told = [pair for pair in pairs if len(reported(view, *pair)) == 2]
    if not told:
        return None
    subject = Subject(KEY, "error")
    pair = next((pair for pair in told if not view.missing(*pair)), told[0])
    if missing := view.missing(*pair):
        return subject.not_recorded(view, missing, "record")
    commanded = view.grid.linear(pair[0])
    assert commanded is not None
    spans = held(view, commanded, HELD_POINTS, HELD_S, commanded >= LEAST_PCT)
    found = view.samples(spans, pair[1])
    level = estimate(found.value, found.group, 1.0)
    if level.n < MIN_SAMPLES:
        text = said("{name} was not held above {p:.0f %} for long.", name=pair[0], p=LEAST_PCT)
        return subject.not_judged(text, "drive")
    return subject.judged(
        "Error of recirculation, of what is commanded",
        Measured(level.mean, level.half_width, evidence(spans, found.t_ns)),
        bands["egr_error"],
        "shut",
        "open",
    )


def _command(view: View, bands: Bands) -> Finding | None:
    """How far the valve is commanded open for what is wanted; None where nothing tells."""
    command = view.trace("EGR_PCT", "EGR_A_CMD")
    if command is None:
        return None
    subject = Subject(KEY, "command")
    spans = view.steady_spans(Condition.WARM_IDLE, Condition.CRUISE)
    found = view.samples(spans, command.signal)
    if sum(span.duration_s for span in spans) < LONG_S or len(found) < MIN_SAMPLES:
        return subject.not_judged("Too little steady warm idle and cruise was recorded.", "drive")
    level = float(np.percentile(found.value, 75))
    return subject.judged(
        "The valve is commanded open, for a quarter of warm idle and cruise at least, by",
        Measured(level, 2.0, evidence(spans, found.t_ns)),
        bands["egr_command"],
        "far",
    )


def _airflow(view: View, bands: Bands, filling: Filling | None) -> Finding | None:
    subject = Subject(KEY, "airflow")
    if filling is None:
        missing = view.missing("MAF", "MAP", "RPM")
        return subject.not_recorded(view, missing, "airflow") if missing else None
    by_command = filling.commanded_pct is not None
    if not by_command and not view.engine.holds(Trait.COMPRESSION):
        return None
    opened, shut = filling.opened, filling.shut_alike
    with_it, out_of_it = level_of(filling, opened), level_of(filling, shut)
    if with_it is None or out_of_it is None:
        return subject.not_judged(
            "Too little warm running with the valve open, or with it shut, was recorded.", "drive"
        )
    ratio = with_it.mean / out_of_it.mean
    own = math.hypot(with_it.half_width / with_it.mean, out_of_it.half_width / out_of_it.mean)
    half = 100.0 * ratio * math.hypot(own, filling.half_between(opened, shut))
    fall = 100.0 * (1.0 - ratio)
    outside = view.trace("AAT", "IAT")
    cold = outside is not None and float(np.nanpercentile(outside.value, 10)) < COLD_DEGC
    band = bands["egr_airflow" if by_command else "egr_airflow_by_load"]
    if not by_command and cold and fall < (band.within[0] or 0.0):
        text = said(
            "Little exhaust gas is recirculated ({f:.0f %} of the air); it is cold.", f=fall
        )
        return subject.not_judged(text, "warm_day")
    how = "valve commanded open" if by_command else "idle and cruise against high load"
    return subject.judged(
        "Air that recirculation takes the place of",
        Measured(fall, half, evidence(filling.spans, filling.t_ns[opened]), (how,)),
        band,
        "open" if fall < -half - REVERSED_PCT else "no_flow",
        "much",
    )
