"""Airflow held against displacement, engine speed and manifold pressure, from steady evidence only;
and the displacement that a recording tells.

On a slow log the per-sample value scatters widely because its signals were sampled seconds apart
(trade-notes 2): so samples of one request are paired by their equal time stamp, and others only
where the engine is steady, or, at full throttle, where both are near in time.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from logbench.analysis import alignment, derived
from logbench.analysis.air_state import find_air, intake_degc
from logbench.analysis.alignment import NS, Times
from logbench.analysis.engine import Trait
from logbench.analysis.model import Condition, Span
from logbench.analysis.states import steady_idle
from logbench.analysis.statistics import Estimate, detrended, estimate
from logbench.analysis.view import View, evidence
from logbench.recording.model import Trace

FULL_RPM = 3000.0
"""Full-throttle efficiency is judged from this engine speed."""

FULL_SETTLE_S = 1.0
"""Throttle must have been full for this long. [CP]"""

CRUISE_VE, CRUISE_HALF = 0.75, 0.2
"""Efficiency to the manifold at cruise, and the relative 95 % half width of a displacement by it:
0.62 to 0.88 of an engine that a flap throttles, and 8 % of the air-flow sensor. [CP]"""

FULL_LIFT_S = 0.3
FULL_PCT = 75.0

FULL_GAP_S = 1.2
"""Longest gap of engine speed that is bridged during a pull."""


@dataclass(frozen=True, slots=True)
class AirCell:
    """Airflow figures of one operating cell. Efficiencies in %, airflow in g/s.

    Each estimate has n = 0 where its inputs are missing.
    """

    name: str
    spans: tuple[Span, ...]
    seconds: float
    maf_g_s: Estimate
    ve_atmosphere_pct: Estimate
    ve_manifold_pct: Estimate
    per_liter_g_s: Estimate
    same_request_share: float


@dataclass(frozen=True, slots=True)
class Airflow:
    """All cells, and what had to be assumed (clauses without a full stop)."""

    idle: AirCell
    part: AirCell
    full: AirCell
    remarks: tuple[str, ...]


def find_airflow(view: View) -> Airflow | None:
    """Airflow figures at warm idle, part load and full throttle; None without `MAF` and `RPM`."""
    maf = view.trace("MAF")
    if maf is None or view.trace("RPM") is None:
        return None
    warm = view.conditions.warm
    steady = view.steady_spans
    parts = (Condition.CRUISE, Condition.FAST_IDLE)
    full = _full_spans(view)
    remarks = list(view.once(find_air).remarks)
    if view.once(find_displacement).source == "LOAD_ABS":
        remarks.append("displacement comes from LOAD_ABS")
    return Airflow(
        idle=_cell(view, maf, "warm idle", steady_idle(view), 0.0),
        part=_cell(view, maf, "cruise and fast idle", steady(*parts, where=warm), 0.0),
        full=_cell(view, maf, "full throttle", full, FULL_RPM),
        remarks=tuple(remarks),
    )


def _full_spans(view: View) -> tuple[Span, ...]:
    """Full throttle without its first second and without the lifting of the foot at its end."""
    settle, lift = int(FULL_SETTLE_S * NS), int(FULL_LIFT_S * NS)
    throttle = view.grid.linear("TP", "TAC_PCT", "TP_R")
    mask = view.conditions.mask(Condition.FULL_THROTTLE)
    if throttle is not None:
        mask = mask & (throttle >= FULL_PCT)
    return tuple(
        Span(s.start_ns + settle, s.end_ns - lift)
        for s in view.stretches(mask)
        if s.end_ns - s.start_ns > settle + lift
    )


def _cell(view: View, maf: Trace, name: str, spans: Sequence[Span], least_rpm: float) -> AirCell:
    owner = alignment.owner(maf.t_ns, spans)
    inside = owner >= 0
    t, flow, group = maf.t_ns[inside], maf.value[inside], owner[inside]
    gap = FULL_GAP_S if least_rpm else None
    rpm = view.at(t, "RPM", within_s=gap)
    good = (rpm >= max(least_rpm, 400.0)) & (flow > 0.0)
    t, flow, group, rpm = t[good], flow[good], group[good], rpm[good]
    liters = view.once(find_displacement).liters
    air, degc = view.once(find_air), intake_degc(view, t)
    manifold = view.at(t, "MAP", within_s=gap)
    nothing = np.full(len(t), np.nan)
    ve_air = ve_map = per_liter = nothing
    if liters is not None:
        around = np.full(len(t), air.pressure_kpa)
        ve_air, ve_map = (
            derived.volumetric_efficiency(flow, rpm, liters, kpa, degc, air.moist) * 100.0
            for kpa in (around, manifold)
        )
        per_liter = flow / liters
    if least_rpm:  # a pull sweeps the engine speed: its trend is not uncertainty
        flow_seen, ve_air, ve_map = (detrended(x, rpm) for x in (flow, ve_air, ve_map))
    else:
        flow_seen = flow
    kept = evidence(spans, t)
    return AirCell(
        name=name,
        spans=kept,
        seconds=alignment.total_s(kept),
        maf_g_s=estimate(flow_seen, group, 0.01),
        ve_atmosphere_pct=estimate(ve_air, group).widened(air.atmosphere_half()),
        ve_manifold_pct=estimate(ve_map, group).widened(air.manifold_half(estimate(manifold).mean)),
        per_liter_g_s=estimate(per_liter, group),
        same_request_share=_same_share(view, t),
    )


def _same_share(view: View, t: Times) -> float:
    rpm = view.trace("RPM")
    if rpm is None or len(t) == 0:
        return 0.0
    return float(np.isfinite(alignment.same_request(rpm, t)).mean())


USUAL_VE_PCT = (85.0, 85.0, 75.0, 62.5)
"""Efficiency at full throttle to the atmosphere (naturally aspirated) and to the manifold, to the
manifold at cruise, at idle: the middle of the bands of the airflow check, or near it. [CP]"""


def reads_low(view: View, lean_pct: float = 30.0) -> bool | None:
    """Whether the efficiencies say that the air-flow sensor reads low, rather than that it is good
    while the mixture is lean by `lean_pct` for another reason: on the whole they lie nearer to what
    a sensor would make of the usual ones that alone asks for so much trim. None when they say
    nothing."""
    found = view.once(find_airflow)
    if found is None:
        return None
    full, part, idle = found.full, found.part, found.idle
    values = (full.ve_atmosphere_pct, full.ve_manifold_pct, part.ve_manifold_pct)
    told = [
        math.log(value.mean / usual)
        for value, usual in zip((*values, idle.ve_manifold_pct), USUAL_VE_PCT, strict=True)
        if value.n >= 4
        and value.mean > 0.0
        and not (value is full.ve_atmosphere_pct and view.engine.holds(Trait.CHARGED))
    ]
    if not told:
        return None
    return sum(told) / len(told) < -0.5 * math.log1p(lean_pct / 100.0)


# --- the engine ---


@dataclass(frozen=True, slots=True)
class Displacement:
    """Engine displacement in liters and where it comes from: `stated`, `LOAD_ABS` or `unknown`.

    `by_load_l` is the one by the definition of `LOAD_ABS`; `by_air_l` the lowest and the highest
    that air-flow sensor, manifold pressure and a usual efficiency leave, which judge nothing, since
    the efficiency is what would be judged. None where they cannot be had.
    """

    liters: float | None
    source: str
    by_load_l: float | None
    by_air_l: tuple[float, float] | None = None


def find_displacement(view: View) -> Displacement:
    """The displacement of the car's facts, else the one from `LOAD_ABS`, else unknown."""
    car, by_load, by_air = view.facts.vehicle, _by_load_l(view), _by_air_l(view)
    if car.displacement_l is not None:
        source = "LOAD_ABS" if car.source("displacement_l") == "worked out" else "stated"
        return Displacement(car.displacement_l, source, by_load, by_air)
    return Displacement(by_load, "unknown" if by_load is None else "LOAD_ABS", by_load, by_air)


def _by_air_l(view: View) -> tuple[float, float] | None:
    """Of warm, steady cruise of an engine that a flap throttles; needs ten samples."""
    engine, flow = view.engine, view.trace("MAF")
    kinds = engine.holds(Trait.COMPRESSION), engine.holds(Trait.VALVE_THROTTLED)
    if flow is None or kinds != (False, False):
        return None
    spans = view.steady_spans(Condition.CRUISE, where=view.conditions.warm)
    t = view.samples(spans, "MAF").t_ns
    found = derived.volumetric_efficiency(
        view.at(t, "MAF"), view.at(t, "RPM"), 1.0, view.at(t, "MAP"), intake_degc(view, t)
    )
    found = found[np.isfinite(found)]
    if len(found) < 10:
        return None
    liters = float(np.median(found)) / CRUISE_VE
    return liters * (1.0 - CRUISE_HALF), liters * (1.0 + CRUISE_HALF)


def _by_load_l(view: View) -> float | None:
    """The median over samples of one request (or, where the engine is steady, of neighboring
    ones); needs ten of them."""
    load, rpm, flow = view.trace("LOAD_ABS"), view.trace("RPM"), view.trace("MAF")
    if load is None or rpm is None or flow is None:
        return None
    t = load.t_ns
    steady = alignment.inside(t, view.steady_spans())
    same = [alignment.same_request(trace, t) for trace in (flow, rpm)]
    near = [view.at(t, "MAF"), view.at(t, "RPM")]
    for (maf, speed), usable in ((same, np.ones(len(t), dtype=bool)), (near, steady)):
        good = usable & (load.value >= 8.0) & (speed > 400.0)
        liters = derived.displacement_from_load_abs_l(maf[good], load.value[good], speed[good])
        found = liters[np.isfinite(liters)]
        if len(found) >= 10:
            return float(np.median(found))
    return None
