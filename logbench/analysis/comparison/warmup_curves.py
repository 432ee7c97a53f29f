"""Warm-up and cranking of two sides as curves: temperature against the heat put in, voltage against
the time since the starter turned.

Minutes do not compare: a warm-up takes as long as the driving makes it. What is compared is how
much fuel, as air and trim tell it, the engine burned while the coolant rose
through the same temperatures. One warm-up a drive is one observation, whose scatter from drive to
drive is that of the finding on the same heat (`analysis/repeats.py`).
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, field
from typing import Any

import numpy as np

from logbench.analysis.alignment import NS, Values
from logbench.analysis.grid import STEP_S
from logbench.analysis.model import Condition
from logbench.analysis.repeats import OF_CARS, Repeats, Scatter
from logbench.analysis.statement import Quantity, joined, said, said_n
from logbench.analysis.statistics import Interval, interval
from logbench.analysis.view import View

COLD_DEGC = 50.0
"""A warm-up starts below this."""
STEADY_DEGC = 75.0
"""Up to here no thermostat regulates (lowest common rating 82, opening from 5 below; common
practice)."""
LEAST_RISE_DEGC = 20.0
"""Both sides must show this much of the same rise."""

HEAT = "warm up: heat for the warm-up"
"""The number whose spread between drives is that of the heat here."""
SD_LOG_PER_10_DEGC = 0.06
"""What ten degrees of difference in the outside temperature add to the standard deviation of the
logarithm of the ratio of two, from simulated healthy cars (docs/comparison.md)."""

CRANK_DEGC = 10.0
"""Cranking of engines further apart in temperature does not compare (common practice)."""


@dataclass(frozen=True, slots=True)
class WarmUpCurve:
    """One warm-up: `heat` in grams of air for the fuel burned since the start (relative units where
    the airflow is not known) and `degc`, both (n,), from the start of the engine on."""

    heat: Values
    degc: Values
    start_degc: float
    ambient_degc: float
    source: str

    def heat_between(self, low: float, high: float) -> float:
        """Heat put in from reaching `low` to reaching `high` degC for the first time; NaN where
        either is not reached."""
        places = []
        for level in (low, high):
            over = np.flatnonzero(self.degc >= level)
            if len(over) == 0:
                return float("nan")
            places.append(float(self.heat[over[0]]))
        return places[1] - places[0]


@dataclass(frozen=True, slots=True)
class WarmUpComparison:
    """How much heat the same rise took. `ratio`: after over before less one, in %, or None."""

    reason: str
    ratio: Interval | None = None
    changed: bool = False
    low_degc: float = float("nan")
    high_degc: float = float("nan")
    before: WarmUpCurve | None = None
    after: WarmUpCurve | None = None

    def to_dict(self) -> dict[str, Any]:
        """Plain JSON types."""
        found = self.ratio
        return {
            "reason": self.reason,
            "changed": self.changed,
            "heat_change_pct": found.value if found else None,
            "half_width_pct": found.half_width if found else None,
            "from_degc": self.low_degc if found else None,
            "to_degc": self.high_degc if found else None,
        }


def compare_warm_up(
    before: Sequence[View], after: Sequence[View], repeats: Repeats = OF_CARS
) -> WarmUpComparison:
    """The cold starts of each side against the other's; the first of each is drawn."""
    source = _heat_source((*before, *after))
    if source is None:
        return WarmUpComparison(
            "Warm-up not comparable: record RPM, ECT and MAF (or MAP, or LOAD_PCT) on both drives."
        )
    trims = not any(view.missing("SHRTFT1", "LONGFT1") for view in (*before, *after))
    found = [[warm_up_curve(view, source, trims) for view in side] for side in (before, after)]
    sides = [[curve for curve in side if curve is not None] for side in found]
    lacking = [n for n, side in zip(("before", "after"), sides, strict=True) if not side]
    if lacking:
        return WarmUpComparison(
            said(
                "Warm-up not comparable: no start from below {cold:.0f degC} on the {sides} side.",
                cold=COLD_DEGC,
                sides=joined(lacking, " and the "),
            )
        )
    first, second = sides[0][0], sides[1][0]
    both = [*sides[0], *sides[1]]
    low = max(curve.start_degc for curve in both) + 2.0
    high = min(*(float(curve.degc.max()) for curve in both), STEADY_DEGC)
    if high - low < LEAST_RISE_DEGC:
        return WarmUpComparison(
            said(
                "Warm-up not comparable: both drives share less than {least:.0f K} of the same"
                " rise; start cold and drive until the coolant holds its level.",
                least=LEAST_RISE_DEGC,
            ),
            before=first,
            after=second,
        )
    if min(curve.heat_between(low, high) for curve in both) <= 0.0:
        return WarmUpComparison("Warm-up not comparable: no heat was seen.", None)
    return _judge(sides[0], sides[1], low, high, repeats.of(HEAT))


def _judge(
    before: Sequence[WarmUpCurve],
    after: Sequence[WarmUpCurve],
    low: float,
    high: float,
    scatter: Scatter,
) -> WarmUpComparison:
    first, second = before[0], after[0]
    logs = [np.log([c.heat_between(low, high) for c in side]) for side in (before, after)]
    log_ratio = float(logs[1].mean() - logs[0].mean())
    degc = [float(np.mean([c.ambient_degc for c in side])) for side in (before, after)]
    weather = degc[1] - degc[0] if math.isfinite(degc[1] - degc[0]) else 10.0
    error = scatter.at(1.0).error(1.0 / len(before) + 1.0 / len(after))
    found = interval(log_ratio, error, floor=SD_LOG_PER_10_DEGC * weather / 10.0)
    value = 100.0 * math.expm1(log_ratio)
    half = 50.0 * (math.exp(found.high) - math.exp(found.low))
    in_pct = Interval(
        value, 100.0 * found.se, found.degrees, half, found.p, 100.0 * math.expm1(found.detectable)
    )
    changed = found.p <= 0.05
    told = "changed" if changed else "no change shown"
    reason = said(
        "From {rise} the engine took {more} heat compared with before: {told}.",
        rise=Quantity(low, "degC", decimals=0, others=(high,)),
        more=Quantity(value, "%", half, decimals=0, signed=True),
        told=told,
    )
    if abs(weather) > 10.0:
        way = "warmer" if weather > 0 else "colder"
        air = said("The air was {k:.0f K} {way}.", k=abs(weather), way=way)
        reason = joined([reason, air], " ")
    return WarmUpComparison(reason, in_pct, changed, low, high, first, second)


def _heat_source(views: Sequence[View]) -> str | None:
    """The best measure of heat that all recordings have."""
    if any(view.missing("RPM", "ECT") for view in views):
        return None
    for name in ("MAF", "MAP", "LOAD_ABS", "LOAD_PCT"):
        if not any(view.missing(name) for view in views):
            return name
    return None


def _mean_trim(view: View) -> Values:
    """Total fuel trim in %, the mean of the banks, 0 where not known."""
    found = [view.grid.linear(f"TOTAL_TRIM{bank}") for bank in view.banks]
    totals = [np.nan_to_num(total) for total in found if total is not None]
    return np.mean(totals, axis=0) if totals else np.zeros(len(view.grid))


def warm_up_curve(view: View, source: str, trims: bool = True) -> WarmUpCurve | None:
    """The warm-up from the first start below `COLD_DEGC`; None where there is none. `trims`: the
    total fuel trim counts as fuel, so that air the sensor does not see counts too."""
    rpm, degc, flow = view.grid.linear("RPM"), view.grid.slow("ECT"), view.grid.linear(source)
    start_ns = view.run_start_ns
    if rpm is None or degc is None or flow is None or start_ns is None:
        return None
    first = int(np.searchsorted(view.grid.t_ns, start_ns))
    degc = degc[first:]
    known = np.flatnonzero(np.isfinite(degc))
    if len(known) == 0 or degc[known[0]] >= COLD_DEGC:
        return None
    rate = np.nan_to_num(flow[first:])
    if source != "MAF":
        rate = rate * np.nan_to_num(rpm[first:]) / 1e4
    if trims:
        rate = rate * (1.0 + _mean_trim(view)[first:] / 100.0)
    heat = np.cumsum(np.maximum(rate, 0.0)) * STEP_S
    # an open sensor drifts by a step or two: what counts is the highest so far
    smooth = np.maximum.accumulate(np.nan_to_num(degc, nan=-273.0))
    return WarmUpCurve(heat, smooth, float(degc[known[0]]), _ambient(view), source)


def _ambient(view: View) -> float:
    """Outside temperature: `AAT`, else the lowest intake temperature; NaN where unknown."""
    outside = view.trace("AAT")
    if outside is not None:
        return float(np.nanmedian(outside.value))
    intake = view.trace("IAT")
    return float(np.nanmin(intake.value)) if intake is not None else float("nan")


# --- cranking -----------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class CrankCurve:
    """One cranking: seconds since it began, voltage and engine speed, (n,) each; temperatures."""

    t_s: Values
    volts: Values
    rpm: Values
    start_degc: float
    seconds: float

    @property
    def lowest_v(self) -> float:
        """The lowest voltage seen, which is not the lowest there was: polling misses the dip."""
        return float(np.min(self.volts)) if len(self.volts) else float("nan")


@dataclass(frozen=True, slots=True)
class CrankComparison:
    """All crankings of each side; numbers without a verdict, few starts are no statistics."""

    reason: str
    before: tuple[CrankCurve, ...] = field(default=())
    after: tuple[CrankCurve, ...] = field(default=())

    def to_dict(self) -> dict[str, Any]:
        """Plain JSON types."""
        return {
            "reason": self.reason,
            "before_lowest_v": [round(c.lowest_v, 3) for c in self.before],
            "after_lowest_v": [round(c.lowest_v, 3) for c in self.after],
        }


def compare_cranking(before: Sequence[View], after: Sequence[View]) -> CrankComparison:
    """The crankings of both sides, with what keeps them from being compared."""
    sides = [tuple(c for v in views for c in crank_curves(v)) for views in (before, after)]
    lacking = [n for n, s in zip(("before", "after"), sides, strict=True) if not s]
    if lacking:
        return CrankComparison(
            said(
                "Cranking not comparable: no start with a voltage on the {names} side; begin to"
                " record with the key on, before the start.",
                names=joined(lacking, " and the "),
            ),
            *sides,
        )
    degc = [float(np.mean([c.start_degc for c in side])) for side in sides]
    lowest = [float(np.median([c.lowest_v for c in side])) for side in sides]
    seconds = [float(np.median([c.seconds for c in side])) for side in sides]
    told = said(
        "Cranking: lowest voltage seen {v1:.1f V} before, {v2:.1f V} after; {s1:.1f s} and"
        " {s2:.1f s} long",
        v1=lowest[0],
        v2=lowest[1],
        s1=seconds[0],
        s2=seconds[1],
    )
    if not abs(degc[1] - degc[0]) <= CRANK_DEGC:
        why = "not comparable, the engine's temperature differs."
        return CrankComparison(joined([told, why]), *sides)
    few = min(len(side) for side in sides)
    shown = said_n("{n} start a side", "{n} starts a side", few)
    return CrankComparison(
        said("{told}; {shown}, shown, not judged.", told=told, shown=shown), *sides
    )


def crank_curves(view: View) -> tuple[CrankCurve, ...]:
    """Every cranking of a recording with the two seconds after it; only with a voltage."""
    trace = view.trace("VPWR")
    if trace is None:
        return ()
    found = []
    for span in view.spans(Condition.CRANKING):
        end_ns = span.end_ns + 2 * NS
        inside = (trace.t_ns >= span.start_ns - NS // 2) & (trace.t_ns < end_ns)
        inside &= np.isfinite(trace.value)
        if not inside.any():
            continue
        t = trace.t_ns[inside]
        degc = view.grid.slow("ECT")
        place = min(int(np.searchsorted(view.grid.t_ns, span.start_ns)), len(view.grid) - 1)
        found.append(
            CrankCurve(
                (t - span.start_ns) / NS,
                trace.value[inside],
                view.at(t, "RPM"),
                float("nan") if degc is None else float(degc[place]),
                span.duration_s,
            )
        )
    return tuple(found)
