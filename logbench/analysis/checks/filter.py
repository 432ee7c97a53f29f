"""The particulate filter: its pressure drop against the exhaust's volume flow, and its sensor.

Inputs: `DPF1_DP` with `MAF`, `BARO`, `DPF1_INT` (else an exhaust gas temperature), the fuel rate
where there is one; the same of bank 2. Enabled: the engine runs, no regeneration is told
(`DPF_REGEN`), flow and drop move little for a second; twenty readings over a flow that doubles.
Method: volume flow of air and fuel at the filter's pressure and temperature by the ideal gas law;
the straight line of drop over flow: its slope, and what is left without flow. Where the engine
surely stands, the sensor's reading then counts instead. Uncertainty: that of the line; of the
temperature, where none is recorded, 300 ±150 degC. A slope is soot and ash together: what is soot
regenerates. Evidence: the stretches.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from logbench.analysis import alignment
from logbench.analysis.air_state import find_air
from logbench.analysis.alignment import Times, Values
from logbench.analysis.bands import Bands
from logbench.analysis.derived import KELVIN, R_AIR_J_G_K
from logbench.analysis.engine import Trait
from logbench.analysis.findings import Measured, Subject
from logbench.analysis.model import Finding, Span
from logbench.analysis.statement import said
from logbench.analysis.statistics import Groups, of_sum, t_quantile
from logbench.analysis.view import View, evidence, reported

KEY = "filter"
TITLE = "Particulate filter"
PLAIN = "The filter in the exhaust"
STRIPS = (("DPF1_DP",), ("MAF",), ("DPF1_INT", "EGT11"))
ORDER = 19
INPUTS = ("DPF1_DP", "MAF", "DPF1_INT", "BARO")

LEAST_SAMPLES, LEAST_SPAN = 20, 2.0
CALM_KPA, CALM_SHARE, CALM_S = 1.5, 0.15, 1.0
DIESEL_G_L = 835.0
FUEL_SHARE = 0.03
"""Of the air, where no fuel rate is recorded: a lean engine burns 1.5 to 5 %. [Calc]"""
ASSUMED_DEGC, ASSUMED_HALF_K, SENSOR_SHARE = 300.0, 150.0, 0.04
BANKS = (("", 1), ("bank 2, ", 2))


def check(view: View, bands: Bands) -> list[Finding | None]:
    """Findings on the slope, on the sensor without flow, and on the highest drop."""
    usual = view.engine.holds(Trait.COMPRESSION) is True
    if not reported(view, "DPF1_DP"):
        return [Subject(KEY, "filter").without(view, ("DPF1_DP",), usual, "record")]
    found: list[Finding | None] = []
    for of, bank in BANKS:
        if view.trace(f"DPF{bank}_DP") is not None:
            line = _line(view, bank)
            found += [_slope(view, bands, of, line), _offset(view, bands, of, bank, line)]
            found.append(_highest(view, bands, of, bank))
    lacking = Subject(KEY, "slope").not_recorded(view, ["DPF1_DP"], "record")
    return found or [lacking]


@dataclass(frozen=True, slots=True)
class Line:
    """Drop over volume flow: kPa for each 100 m3/h and kPa without flow, with 95 % half widths,
    what the slope is uncertain by for the temperature (relative), and what it rests on."""

    slope: float
    slope_half: float
    offset: float
    offset_half: float
    flow_m3_h: tuple[float, float]
    spans: tuple[Span, ...]
    remarks: tuple[str, ...]


def _line(view: View, bank: int) -> Line | None:
    name = f"DPF{bank}_DP"
    spans = _calm(view, name)
    drop = view.samples(spans, name)
    flow, half, remarks = _volume_flow(view, drop.t_ns, drop.value, bank)
    good = np.isfinite(flow)
    x, y, group = flow[good] / 100.0, drop.value[good], drop.group[good]
    if len(x) < LEAST_SAMPLES:
        return None
    low, high = (float(v) for v in np.percentile(x, [5, 95]))
    if high < LEAST_SPAN * low:
        return None
    slope, offset = np.polyfit(x, y, 1)
    away, centered = y - slope * x - offset, x - x.mean()
    square = float(np.sum(centered**2))
    slope_half = _half(centered * away, group) / square
    offset_half = math.hypot(_half(away, group) / len(x), slope_half * float(x.mean()))
    return Line(
        float(slope),
        math.hypot(slope_half, half * float(slope)),
        float(offset),
        offset_half,
        (100.0 * low, 100.0 * high),
        evidence(spans, drop.t_ns[good]),
        remarks,
    )


def _half(scores: Values, group: Groups) -> float:
    found = of_sum(scores, group)
    return t_quantile(found.degrees) * found.se


def _calm(view: View, drop: str) -> tuple[Span, ...]:
    """Where flow and drop move little, no regeneration is told, and the engine runs."""
    calm = view.conditions.running & ~view.conditions.regenerating
    for values, most in (
        (view.grid.linear("MAF", "MAFA"), CALM_SHARE),
        (view.grid.linear(drop), CALM_KPA),
    ):
        if values is None:
            return ()
        span = view.grid.span_of(values, CALM_S, CALM_S)
        calm &= span <= (most * values if most < 1.0 else most)
    return view.stretches(calm)


def _volume_flow(
    view: View, t: Times, drop_kpa: Values, bank: int
) -> tuple[Values, float, tuple[str, ...]]:
    """Exhaust at the filter's inlet, m3/h, its relative half width, and what was assumed."""
    air = view.at(t, "MAF", "MAFA")
    liters_h, grams_s = view.at(t, "FUEL_RATE"), view.at(t, "ENG_FUEL_RATE")
    fuel = np.where(np.isfinite(grams_s), grams_s, liters_h * DIESEL_G_L / 3600.0)
    fuel = np.where(np.isfinite(fuel), fuel, FUEL_SHARE * air)
    names = (f"DPF{bank}_INT", f"EGT{bank}3", f"EGT{bank}2", f"EGT{bank}1")
    degc = view.at(t, *names, within_s=15.0)
    remarks: tuple[str, ...] = ()
    half = SENSOR_SHARE
    if not np.isfinite(degc).any():
        degc, half = np.full(len(t), ASSUMED_DEGC), ASSUMED_HALF_K / (ASSUMED_DEGC + KELVIN)
        remarks = (
            said("no exhaust temperature was recorded, {t:.0f degC} is assumed", t=ASSUMED_DEGC),
        )
    state = view.once(find_air)
    pressure = state.pressure_kpa + np.maximum(drop_kpa, 0.0)
    flow = (air + fuel) * R_AIR_J_G_K * (degc + KELVIN) / pressure * 3.6
    return flow, math.hypot(half, state.pressure_half), remarks


def _slope(view: View, bands: Bands, of: str, line: Line | None) -> Finding:
    subject = Subject(KEY, f"{of}slope")
    if line is None:
        missing = view.missing("MAF") if view.trace("MAFA") is None else ()
        if missing:
            return subject.not_recorded(view, missing, "record")
        return subject.not_judged("Too little running at different flows was recorded.", "drive")
    return subject.judged(
        "Pressure drop for each 100 m3/h of exhaust",
        Measured(
            line.slope,
            line.slope_half,
            line.spans,
            (
                said("{a:.0f m3/h} to {b:.0f m3/h}", a=line.flow_m3_h[0], b=line.flow_m3_h[1]),
                *line.remarks,
            ),
        ),
        bands["filter_slope"],
        "no_drop",
        "loaded",
    )


def _offset(view: View, bands: Bands, of: str, bank: int, line: Line | None) -> Finding | None:
    """The sensor's reading without flow: engine off, else by the line."""
    subject, name = Subject(KEY, f"{of}sensor without flow"), f"DPF{bank}_DP"
    spans = tuple(view.conditions.standing.still)
    found = view.samples(spans, name)
    if len(found) >= 2:
        level = float(np.median(found.value))
        measured = Measured(level, 0.1, evidence(spans, found.t_ns), ("engine off",))
        return subject.judged("Pressure drop", measured, bands["filter_offset"], "offset")
    if line is None:
        return subject.not_judged("No reading with the engine off was recorded.", "off")
    measured = Measured(
        line.offset, line.offset_half, line.spans, ("by the line of drop over flow",)
    )
    return subject.judged(
        "Pressure drop",
        measured,
        bands["filter_offset"],
        "offset",
        watch_at_most="the line need not be straight down to no flow",
    )


def _highest(view: View, bands: Bands, of: str, bank: int) -> Finding | None:
    trace = view.trace(f"DPF{bank}_DP")
    assert trace is not None
    running = alignment.inside(trace.t_ns, view.stretches(view.conditions.running))
    values = np.sort(trace.value[running & np.isfinite(trace.value)])
    if len(values) < LEAST_SAMPLES:
        return None
    return Subject(KEY, f"{of}highest drop").judged(
        "Highest pressure drop", Measured(float(values[-2]), 0.5), bands["filter_highest"], "loaded"
    )
