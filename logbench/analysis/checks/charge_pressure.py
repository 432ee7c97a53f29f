"""Charge pressure: commanded against actual, its answer to a step of demand, the actuator's travel.

Inputs: `BP_A_CMD` with `BP_A_ACT` (else `MAP`), `BP_A_STAT`; `VGT_A_CMD` with `VGT_A_ACT`,
`WG_A_CMD` with `WG_A_ACT`; `RPM`, `BARO`. Enabled: 20 kPa of charge commanded and held for three
seconds at 1,800 rpm and above, not in open loop; of a throttled engine without a sensor before its
throttle only at full throttle. Method: mean of actual less commanded; time from a step of 30 kPa or
more until nine tenths of it are there, and what lies above the command after it, medians of the
steps; slope of the actuator's position over its command, since makers choose scale and direction;
without a commanded pressure the highest at full load above the air around, which no limit of this
engine judges. A command below 50 kPa at its lowest counts from the air around. Engine off,
manifold and air around are compared by the check of pressures. Uncertainty: the scatter of the
samples, the range of the steps. Evidence: those stretches.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from logbench.analysis.air_state import find_air
from logbench.analysis.alignment import NS, Values
from logbench.analysis.bands import Bands
from logbench.analysis.engine import Trait
from logbench.analysis.findings import Measured, Subject
from logbench.analysis.following import held, judge_travel
from logbench.analysis.grid import STEP_S
from logbench.analysis.model import Condition, Finding, Span
from logbench.analysis.statement import said
from logbench.analysis.statistics import MIN_SAMPLES, estimate, half_width_of_few
from logbench.analysis.view import View, evidence, reported

KEY = "charge_pressure"
TITLE = "Charge pressure"
PLAIN = "The pressure that the charger makes"
STRIPS = (("BP_A_CMD", "BP_A_ACT", "MAP"), ("VGT_A_CMD", "VGT_A_ACT", "WG_A_CMD"), ("RPM",))
ORDER = 15
INPUTS = ("BP_A_CMD", "BP_A_ACT", "MAP", "RPM", "VGT_A_ACT", "WG_A_ACT")

CHARGED_KPA = 20.0
HELD_KPA, HELD_S = 10.0, 3.0
HELD_RPM, FULL_RPM = 1800.0, 2000.0
"""Below it a charger may not reach what is asked of it. [CP]"""
GAUGE_KPA = 50.0
STEP_KPA, STEP_S_MOST, THERE = 30.0, 1.5, 0.9
ANSWER_MOST_S, OVER_S = 10.0, 3.0
FULL_SETTLE_S = 1.0
OPEN_LOOP, AT_AN_END_PCT = 1.0, 10.0


def check(view: View, bands: Bands) -> list[Finding | None]:
    """Findings on pressure held, on steps of demand, on actuators, else on full load."""
    charge = view.once(find_charge)
    found: list[Finding | None] = []
    if charge is not None:
        found += [_held(view, bands, charge), *_steps(view, bands, charge)]
    elif names := reported(view, "BP_A_CMD"):
        found.append(Subject(KEY, "commanded and actual").not_recorded(view, names, "commanded"))
    else:
        found.append(_full_load(view, bands))
    return [*found, *(_actuator(view, bands, name, *pair) for name, *pair in ACTUATORS)]


ACTUATORS = (
    ("vanes", "VGT_A_CMD", "VGT_A_ACT"),
    ("second vanes", "VGT_B_CMD", "VGT_B_ACT"),
    ("wastegate", "WG_A_CMD", "WG_A_ACT"),
    ("second wastegate", "WG_B_CMD", "WG_B_ACT"),
)


@dataclass(frozen=True, slots=True)
class Charge:
    """Commanded and actual charge pressure on the grid, absolute, kPa; `actual_name`: whose it
    is; `around`: the air's, kPa; `least`: commanded pressure from which the engine is charged."""

    commanded: Values
    actual: Values
    actual_name: str
    around: float
    least: float


def find_charge(view: View) -> Charge | None:
    """Of a recording with both; None without."""
    commanded, actual = view.grid.linear("BP_A_CMD"), view.trace("BP_A_ACT", "MAP", "MAP_A")
    running = view.conditions.running
    if commanded is None or actual is None or not np.isfinite(commanded[running]).any():
        return None
    around = view.once(find_air).pressure_kpa
    came = view.grid.linear(actual.signal)
    assert came is not None
    if float(np.nanpercentile(commanded[running], 5)) < GAUGE_KPA:
        commanded = commanded + around
        came = came + around if actual.signal == "BP_A_ACT" else came
    return Charge(commanded, came, actual.signal, around, around + CHARGED_KPA)


def _held(view: View, bands: Bands, charge: Charge) -> Finding:
    subject = Subject(KEY, "commanded and actual")
    rpm = view.grid.linear("RPM")
    where = charge.commanded >= charge.least
    where &= np.full(len(where), True) if rpm is None else rpm >= HELD_RPM
    status = view.grid.held("BP_A_STAT")
    if status is not None:
        where &= status != OPEN_LOOP
    if charge.actual_name != "BP_A_ACT" and not view.engine.holds(Trait.COMPRESSION):
        where &= view.conditions.mask(Condition.FULL_THROTTLE)
    spans = held(view, charge.commanded, HELD_KPA, HELD_S, where)
    t = view.samples(spans, charge.actual_name).t_ns
    index = np.searchsorted(view.grid.t_ns, t, side="right") - 1
    apart = (charge.actual - charge.commanded)[np.maximum(index, 0)]
    level = estimate(apart, _groups(t, spans), 1.0)
    if level.n < MIN_SAMPLES:
        text = "No charge was commanded and held for three seconds."
        return subject.not_judged(text, "pull")
    end, remark = _actuator_meanwhile(view, spans)
    remarks = (said("{kpa:.0f kPa} commanded", kpa=float(np.nanmean(charge.commanded[index]))),)
    short = level.mean < (bands["boost_error"].within[0] or 0.0)
    return subject.judged(
        "Actual less commanded charge pressure, held",
        Measured(
            level.mean,
            level.half_width,
            evidence(spans, t),
            (*remarks, remark) if remark and short else remarks,
            {"samples": float(level.n)},
        ),
        bands["boost_error"],
        "short_at_end" if end else "short",
        "over",
    )


def _groups(t: np.ndarray, spans: tuple[Span, ...]) -> np.ndarray:
    starts = np.array([span.start_ns for span in spans], dtype=np.int64)
    return np.asarray(np.searchsorted(starts, t, side="right"), dtype=np.intp)


def _actuator_meanwhile(view: View, spans: tuple[Span, ...]) -> tuple[bool, str]:
    """Whether the command of vanes or wastegate stood at an end of its range meanwhile: then the
    control has given what it has; and where it stood, as a clause."""
    for name, commanded, actual in ACTUATORS:
        found = view.samples(spans, commanded, actual).value
        if len(found):
            level = float(np.median(found))
            at_end = min(level, 100.0 - level) <= AT_AN_END_PCT
            return at_end, said("{name} at {p:.0f %} meanwhile", name=name, p=level)
    return False, ""


def _steps(view: View, bands: Bands, charge: Charge) -> list[Finding | None]:
    """Time to nine tenths of a step of demand, and the most above the command after it."""
    answers = _answers(view, charge)
    lag, over = Subject(KEY, "answer to a step"), Subject(KEY, "overshoot")
    if not answers:
        text = said("No step of demand by {kpa:.0f kPa} or more was recorded.", kpa=STEP_KPA)
        return [lag.not_judged(text, "step")]
    spans = tuple(span for span, _, _ in answers)
    waited, beyond = (np.array(x) for x in list(zip(*answers, strict=True))[1:])
    seen = said("{n} steps", n=len(answers))
    slack = view.trace(charge.actual_name)
    step_s = STEP_S if slack is None else max(STEP_S, slack.interval_s)
    return [
        lag.judged(
            "The time from a step of demand to nine tenths of it",
            Measured(float(np.median(waited)), _half(waited, step_s), spans, (seen,)),
            bands["boost_lag"],
            "slow",
        ),
        over.judged(
            "The most above the command after a step",
            Measured(float(np.median(beyond)), _half(beyond, 1.0), spans, (seen,)),
            bands["boost_overshoot"],
            "over",
        ),
    ]


def _half(values: Values, least: float) -> float:
    """Half width of the typical one of few steps: no more than their range, which of two or three
    says more than Student's t; that of one is its resolution."""
    return max(least, min(float(np.nan_to_num(half_width_of_few(values))), float(np.ptp(values))))


def _answers(view: View, charge: Charge) -> list[tuple[Span, float, float]]:
    """Each step of demand: its stretch, s until it is answered, kPa above the command after."""
    rpm, found, last = view.grid.linear("RPM"), [], -1
    back, most = round(STEP_S_MOST / STEP_S), round(ANSWER_MOST_S / STEP_S)
    commanded, actual = charge.commanded, charge.actual
    asked = np.flatnonzero(view.conditions.running & (commanded >= charge.least))
    for k in map(int, asked):
        if k < max(back, last) or k + back >= len(commanded):
            continue
        low, rise = commanded[k - back], commanded[k] - commanded[k - back]
        short = rpm is not None and not rpm[k] >= HELD_RPM
        settled = abs(commanded[k + back] - commanded[k]) <= HELD_KPA
        if short or not rise >= STEP_KPA or not settled or actual[k - back] > low + HELD_KPA:
            continue
        stays = commanded[k : k + most] >= commanded[k] - HELD_KPA
        length = len(stays) if stays.all() else int(np.argmin(stays))
        there = actual[k : k + length] >= commanded[k : k + length] - (1.0 - THERE) * rise
        last = k + length
        if not there.any() and length < most:
            continue  # the foot came off before
        at = int(np.argmax(there)) if there.any() else most
        after = slice(k + at, min(k + at + round(OVER_S / STEP_S), k + length))
        beyond = (actual - commanded)[after]
        if np.isfinite(beyond).any():
            t = view.grid.t_ns
            span = Span(int(t[k - back]), int(t[min(last, len(t) - 1)]))
            found.append((span, at * STEP_S, max(0.0, float(np.nanmax(beyond)))))
    return found


def _actuator(view: View, bands: Bands, name: str, commanded: str, actual: str) -> Finding | None:
    """How vanes or wastegate follow; None where the car does not tell both."""
    subject, pair, band = Subject(KEY, name), (commanded, actual), bands["boost_actuator"]
    return judge_travel(view, subject, pair, band, "actuator", ("actuator", "step"))


def _full_load(view: View, bands: Bands) -> Finding:
    """The highest pressure at full load above the air around, where no command is reported."""
    subject, pressure = Subject(KEY, "full load"), view.trace("MAP", "BP_A_ACT", "MAP_A")
    if pressure is None:
        return subject.not_recorded(view, ["MAP"], "full")
    rpm = view.grid.linear("RPM")
    mask = view.conditions.mask(Condition.FULL_THROTTLE)
    mask = mask if rpm is None else mask & (rpm >= FULL_RPM)
    settle = int(FULL_SETTLE_S * NS)
    spans = tuple(
        replace(s, start_ns=s.start_ns + settle) for s in view.stretches(mask, 2.0 * FULL_SETTLE_S)
    )
    found = view.samples(spans, pressure.signal)
    if len(found) < 2:
        text = said(
            "No full-load pull of two seconds above {rpm:.0f rpm} was recorded.", rpm=FULL_RPM
        )
        return subject.not_judged(text, "full")
    air = view.once(find_air)
    highest, diesel = float(np.max(found.value)), view.engine.holds(Trait.COMPRESSION) is not False
    half = float(np.hypot(1.0, air.pressure_kpa * air.pressure_half))
    return subject.judged(
        "Highest manifold pressure at full load above the air around",
        Measured(
            highest - air.pressure_kpa,
            half,
            evidence(spans, found.t_ns),
            air.remarks[:1] if view.baro_kpa is None else (),
            {"highest_kpa": highest},
        ),
        bands["boost_full_load" if diesel else "boost_full_load_gasoline"],
        "low_full",
        "high_full",
    )
