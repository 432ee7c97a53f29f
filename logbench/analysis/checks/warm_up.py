"""Coolant: warm-up rate and times, the level it settles at, the fan, the time to closed loop.

Inputs: `ECT`, `RPM`; `VSS`, `MAF`, `IAT`, `FUELSYS1` where there are. Enabled: a start from cold
(below 50 degC) for rate and times; a warm-up that is not mostly idle for a level that was never
reached (13 CCR 1968.2(e)(10.3.1)(B)). Method: first sample at or above 70 and 80 degC; the level
where the temperature stays flat for a minute of driving, else for three minutes of any running. The
heat put in is counted as air burned for each liter and degree (by `MAF`, `LOAD_ABS`, the fuel rate
or the manifold pressure, fuel cut left out): it makes idling and driving alike comparable, which
minutes do not. Uncertainty: the resolution of 1 degC and, of the heat, what the air is measured by.
Evidence: from the start to 70 degC, and the stretches of the level.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy.ndimage import uniform_filter1d

from logbench.analysis import alignment, fan
from logbench.analysis.alignment import NS, Mask, Values
from logbench.analysis.bands import Bands
from logbench.analysis.engine import Trait, unknown_whether
from logbench.analysis.findings import Measured, Subject
from logbench.analysis.fuel import FUEL_SOURCE, BurnedAir, find_burned_air
from logbench.analysis.grid import BRIDGED_S, STEP_S
from logbench.analysis.model import Condition, Finding, Span
from logbench.analysis.statement import Quantity, said
from logbench.analysis.view import View

KEY = "warm_up"
TITLE = "Coolant warm-up"
PLAIN = "The way the engine warms up"
STRIPS = (("ECT", "IAT", "AAT"), ("VSS",))
SHOWN = r"ECT\d?|VSS|RPM"
INPUTS = ("ECT", "RPM", "VSS")
ORDER = 3
PARTS = (fan,)

COLD_START_DEGC = 50.0
LEVEL_WINDOW_S = 180.0
LEVEL_RANGE_DEGC = 3.0
LEVEL_SLOPE_DEGC_MIN = 0.5
ROAD_WINDOW_S = 60.0
ROAD_LEAST_S = 30.0
ROAD_SLOPE_DEGC_MIN = 1.2
"""On the road a slower rise is not a warm-up. [Pub: P0116 text, 6 degC in 5 min]"""
ROAD_FALL_DEGC_MIN = 6.0
"""An engine that works and yet cools down has its radiator in use: that is a level, too."""
ROAD_SPEED_KMH = 40.0
COLD_AIR_DEGC = 5.0
COLD_AIR = "the heater and the cold alone may hold a lightly loaded engine down"
"""Why nothing below that temperature of the air, or of an unknown one, is more than `watch`."""
MILD_AIR_DEGC = 15.0
IDLING = "an idling engine may not load the thermostat"
"""In milder air an idling engine warms up to its thermostat, if slowly, unless the heater takes it
all: lower than that is `watch` at most. [CP]"""
LITTLE_HEAT = "compression ignition, if that is what it is, gives little heat at light load"
LOOP_LATEST_S = 300.0
LOOP_AIR_DEGC = 10.0
"""The time to closed loop is known for warmer air. [Pub: P0125 text]"""
RISE_TO_DEGC = 70.0
CLOSED_CLIMB_DEGC_MIN = 2.5
"""A closed thermostat lets the last 15 degC below its level pass at least this fast. [CP]"""
LEAST_RISE_S = 60.0
LEAST_RISE_DEGC = 20.0
RISE_HALF_DEGC = 0.8
"""95 % half width of a difference of two temperatures known to 1 degC. [Calc]"""
LONG_DRIVE_S = 15.0 * 60.0
"""A warm-up that takes longer than this on the road is a fault. [Pub: P0128 text]"""
LONG_DRIVE_COMPRESSION_S = 30.0 * 60.0
"""The same of compression ignition: twice the 15 minutes that a healthy one takes at most in 95 of
100 drives [open road data, measured]."""


@dataclass(frozen=True, slots=True)
class WarmUp:
    """What the recording shows of a warm-up. Times in seconds from the start of the engine (or of
    the recording, where `start_seen` is false); NaN where not reached. Temperatures in degC."""

    start_ns: int
    start_seen: bool
    start_degc: float
    end_degc: float
    highest_degc: float
    duration_s: float
    to_70_s: float
    to_80_s: float
    rate_degc_min: float
    rate_half: float
    idle_share: float
    air_g_per_l: float
    air_80_g_per_l: float
    air_half: float
    air_source: str
    level_degc: float
    level_spans: tuple[Span, ...]
    level_driving: bool
    intake_degc: float
    unknown_s: float
    """The longest gap in the coolant temperature during the rise."""
    curve: tuple[Values, Values]
    """Seconds from the start and temperature, of every sample."""

    def climb(self, level: float) -> float:
        """Mean rise in degC/min over the last 15 degC below `level`; NaN where not seen."""
        end, begin = _reached(*self.curve, level), _reached(*self.curve, level - 15.0)
        return 15.0 / (end - begin) * 60.0 if end > begin else float("nan")

    @property
    def rise_degc(self) -> float:
        """From the start to 70 degC, or to the highest so far."""
        return (70.0 if np.isfinite(self.to_70_s) else self.highest_degc) - self.start_degc

    @property
    def cold(self) -> bool:
        """Whether the engine was started cold."""
        return self.start_degc < COLD_START_DEGC

    @property
    def span(self) -> Span:
        """From the start to the end of the rise."""
        reach = self.to_70_s if np.isfinite(self.to_70_s) else self.duration_s
        return Span(self.start_ns, self.start_ns + int(reach * NS))

    @property
    def numbers(self) -> dict[str, float]:
        """Figures for machines and the report."""
        names = ("start_degc", "end_degc", "highest_degc", "duration_s", "to_70_s", "to_80_s")
        return {
            **{name: getattr(self, name) for name in (*names, "rate_degc_min")},
            "overall_rate_degc_min": (self.end_degc - self.start_degc) / self.duration_s * 60.0
            if self.duration_s > 0.0
            else float("nan"),
            "idle_share": self.idle_share,
            "air_to_70_g_per_l": self.air_g_per_l if np.isfinite(self.to_70_s) else float("nan"),
            "air_to_80_g_per_l": self.air_80_g_per_l,
        }


def check(view: View, bands: Bands) -> list[Finding]:
    """Findings on the rate, the settled temperature and the time to closed loop."""
    subject = Subject(KEY, "warm-up")
    if view.missing("ECT", "RPM"):
        return [subject.not_recorded(view, view.missing("ECT", "RPM"), "signals")]
    found = view.once(find_warm_up)
    if found is None:
        return [subject.not_judged("The engine did not run while ECT was recorded.", "cold")]
    return [
        _rate(view, found, bands),
        _heat(view, found, bands),
        _level(view, found, bands),
        *fan.fan_findings(view, bands, found.cold),
        _closed_loop(view, found, bands),
    ]


def find_warm_up(view: View) -> WarmUp | None:
    """The figures of the first warm-up; None when the engine never ran with `ECT` recorded."""
    coolant = view.trace("ECT")
    running = view.conditions.running
    if coolant is None or not running.any():
        return None
    seen = view.run_start_ns
    start_ns = int(view.grid.t_ns[int(np.argmax(running))]) if seen is None else seen
    last_ns = int(view.grid.t_ns[len(running) - 1 - int(np.argmax(running[::-1]))])
    good = np.isfinite(coolant.value)
    t, degc = coolant.t_ns[good], coolant.value[good]
    before = np.searchsorted(t, start_ns, side="right") - 1
    first = max(0, int(before))
    inside = slice(first, int(np.searchsorted(t, last_ns, side="right")))
    t, degc = t[inside], degc[inside]
    if len(t) < 2:
        return None
    from_s = np.maximum(0.0, (t - start_ns) / NS)
    to_70, to_80 = (_reached(from_s, degc, level) for level in (70.0, 80.0))
    rate, half = _rate_of(from_s, degc, to_70)
    until = start_ns + int((to_70 if np.isfinite(to_70) else float(from_s[-1])) * NS)
    burned = view.once(find_burned_air)
    level, spans, driving = _find_level(view, start_ns)
    return WarmUp(
        start_ns=start_ns,
        start_seen=seen is not None,
        start_degc=float(degc[0]),
        end_degc=float(degc[-1]),
        highest_degc=float(degc.max()),
        duration_s=float(from_s[-1]),
        to_70_s=to_70,
        to_80_s=to_80,
        rate_degc_min=rate,
        rate_half=half,
        idle_share=_idle_share(view, start_ns, until),
        air_g_per_l=_air(view, burned, start_ns, until),
        air_80_g_per_l=_air(view, burned, start_ns, start_ns + to_80 * NS),
        air_half=float("nan") if burned is None else burned.relative_half,
        air_source="" if burned is None else burned.source,
        level_degc=level,
        level_spans=spans,
        level_driving=driving,
        intake_degc=float(view.last(t[:1], "IAT", "AAT", max_age_s=60.0)[0]),
        unknown_s=float(np.diff(from_s[t <= until], prepend=0.0).max()),
        curve=(from_s, degc),
    )


def _reached(from_s: Values, degc: Values, level: float) -> float:
    hits = np.flatnonzero(degc >= level)
    return float(from_s[hits[0]]) if len(hits) and degc[0] < level else float("nan")


def _rate_of(from_s: Values, degc: Values, to_70_s: float) -> tuple[float, float]:
    """Rise from the start to 70 degC (or to the highest so far) in degC/min, with the half width
    that the resolution of one degree leaves; NaN for less than a minute."""
    end = to_70_s if np.isfinite(to_70_s) else float(from_s[int(np.argmax(degc))])
    if end < LEAST_RISE_S:
        return float("nan"), float("nan")
    rise = float(degc[int(np.searchsorted(from_s, end))] - degc[0])
    return rise / end * 60.0, 1.96 * np.sqrt(2.0 / 12.0) / end * 60.0


def _idle_share(view: View, start_ns: int, until_ns: int) -> float:
    """Share of the running time up to `until_ns` at which the car stood; NaN without `VSS`."""
    speed = view.grid.linear("VSS")
    if speed is None:
        return float("nan")
    t = view.grid.t_ns
    part = view.conditions.running & (t >= start_ns) & (t <= until_ns) & np.isfinite(speed)
    return float((speed[part] < 1.5).mean()) if part.any() else float("nan")


def _air(view: View, burned: BurnedAir | None, start_ns: float, until_ns: float) -> float:
    """Air burned from the start up to `until_ns`, grams for each liter; NaN where unknown."""
    if burned is None or not np.isfinite(until_ns):
        return float("nan")
    places = np.searchsorted(view.grid.t_ns, [start_ns, until_ns])
    first, last = np.minimum(places, len(view.grid) - 1)
    return burned.between(int(first), int(last))


def _find_level(view: View, start_ns: int) -> tuple[float, tuple[Span, ...], bool]:
    """The temperature where it settles, the spans where it does, and whether on the road."""
    degc = view.grid.slow("ECT")
    t = view.grid.t_ns
    if degc is None or len(t) == 0:
        return float("nan"), (), False
    after = view.conditions.running & (t >= start_ns + int(LEVEL_WINDOW_S / 2 * NS))
    fall = view.grid.rate_per_s(degc, ROAD_WINDOW_S) * 60.0 < -ROAD_SLOPE_DEGC_MIN
    sinking = fall & _flat(view, degc, ROAD_WINDOW_S, ROAD_FALL_DEGC_MIN, ROAD_FALL_DEGC_MIN)
    level = _flat(view, degc, ROAD_WINDOW_S, ROAD_SLOPE_DEGC_MIN) | sinking
    road = _on_the_road(view)
    after &= ~_rises_later(degc, road & ~fall)
    road &= after & level
    if np.count_nonzero(road) * STEP_S >= ROAD_LEAST_S:
        return float(np.median(degc[road])), view.stretches(road, 1.0), True
    calm = after & _flat(view, degc, LEVEL_WINDOW_S, LEVEL_SLOPE_DEGC_MIN)
    if not calm.any():
        return float("nan"), (), False
    return float(np.median(degc[calm])), view.stretches(calm, 1.0), False


def _rises_later(degc: Values, works: Mask) -> Mask:
    """Where the temperature is below that of any open thermostat, and later is higher by more than
    it may move at a level, where the engine `works` and does not cool: a pause in the warm-up."""
    known = np.where(works & np.isfinite(degc), degc, -np.inf)
    later = np.maximum.accumulate(known[::-1])[::-1]
    return np.asarray((degc < fan.OPERATING_DEGC) & (later - degc >= LEVEL_RANGE_DEGC))


def _flat(
    view: View,
    degc: Values,
    window_s: float,
    slope_degc_min: float,
    range_degc: float = LEVEL_RANGE_DEGC,
) -> Mask:
    """Where the temperature neither rises nor falls over a window centered on each point."""
    half = window_s / 2.0
    rise = np.abs(view.grid.rate_per_s(degc, window_s)) * 60.0
    flat = (view.grid.span_of(degc, half, half) <= range_degc) & (rise <= slope_degc_min)
    edge = int(half / STEP_S)
    flat[:edge] = False
    flat[len(flat) - edge :] = False
    return np.asarray(flat)


def _on_the_road(view: View) -> Mask:
    """Where the car drives all through the window and the engine works: not on the overrun."""
    speed = view.grid.linear("VSS")
    if speed is None:
        return np.zeros(len(view.grid), dtype=bool)
    size = int(ROAD_WINDOW_S / STEP_S)
    slow = (np.nan_to_num(speed) < ROAD_SPEED_KMH).astype(np.float64)
    cut = view.conditions.mask(Condition.FUEL_CUT).astype(np.float64)
    slow_share, cut_share = (uniform_filter1d(x, size, mode="nearest") for x in (slow, cut))
    return np.asarray((slow_share < 0.05) & (cut_share < 0.2))


def _rate(view: View, found: WarmUp, bands: Bands) -> Finding:
    subject = Subject(KEY, "rate of warm-up")
    if not found.cold:
        text = said("The engine was warm at the start ({t:.0f degC}).", t=found.start_degc)
        return subject.not_judged(text, "cold")
    if not np.isfinite(found.rate_degc_min):
        return subject.not_judged("Less than a minute of the warm-up was recorded.", "cold")
    if found.unknown_s > BRIDGED_S:
        return _with_gaps(found, subject)
    mostly_idle = found.idle_share > 0.5
    reach = (
        said("{level:.0f degC} after {s:.0f s}", level=RISE_TO_DEGC, s=found.to_70_s)
        if np.isfinite(found.to_70_s)
        else said("{highest:.0f degC} at most", highest=found.highest_degc)
    )
    start = said("from {start:.0f degC}, {reach}", start=found.start_degc, reach=reach)
    remarks: tuple[str, ...] = (start,)
    if not found.start_seen:
        remarks = (*remarks, "the engine ran before the recording began")
    half = float(found.rate_half)
    band = bands["warm_up_rate_idle" if mostly_idle else "warm_up_rate_driving"]
    if diesel := view.engine.holds(Trait.COMPRESSION):
        if mostly_idle:
            return subject.not_judged("At idle compression ignition gives too little heat.", "cold")
        band = bands["warm_up_rate_compression"]
    return subject.judged(
        "Coolant rise, mostly idle," if mostly_idle else "Coolant rise",
        Measured(found.rate_degc_min, half, (found.span,), remarks, found.numbers),
        band,
        "slow",
        "fast",
        watch_at_most=LITTLE_HEAT if diesel is None else "",
    )


def _heat(view: View, found: WarmUp, bands: Bands) -> Finding:
    """Air burned for each liter and each degree of rise: the rate, freed of how it was driven."""
    subject = Subject(KEY, "heat for the warm-up")
    if not found.cold or found.rise_degc < LEAST_RISE_DEGC:
        text = said("No rise of {k:.0f K} from a cold start was recorded.", k=LEAST_RISE_DEGC)
        return subject.not_judged(text, "cold")
    if found.unknown_s > BRIDGED_S:
        return _with_gaps(found, subject)
    if not np.isfinite(found.air_g_per_l):
        text = "Neither airflow, load nor manifold pressure tells the heat put in."
        return subject.not_judged(text, "air")
    value = found.air_g_per_l / found.rise_degc
    half = value * float(np.hypot(found.air_half, RISE_HALF_DEGC / found.rise_degc))
    reached = np.isfinite(found.to_70_s)
    end = RISE_TO_DEGC if reached else found.highest_degc
    remark = said(
        "from {rise}{more} with {air:.0f} g for each liter by {source}",
        rise=Quantity(found.start_degc, "degC", decimals=0, others=(end,)),
        more="" if reached else ", no more,",
        air=found.air_g_per_l,
        source=found.air_source,
    )
    band = bands[_heat_band(view, found)]
    much = value > (band.within[1] or 0.0)
    cold_air = not found.intake_degc >= COLD_AIR_DEGC
    if much and cold_air and not found.idle_share <= 0.5:
        text = "Idling in the cold, most of the heat goes to the heater and to the air outside."
        return subject.not_judged(text, "cold")
    return subject.judged(
        "Air burned for each liter and degree of rise",
        Measured(value, half, (found.span,), (remark,), found.numbers),
        band,
        "fast",
        "slow",
        watch_at_most=_heat_at_most(view, cold_air, much),
    )


def _with_gaps(found: WarmUp, subject: Subject) -> Finding:
    text = said(
        "The coolant temperature is unknown for {t:.0f s} of the warm-up.", t=found.unknown_s
    )
    return subject.not_judged(text, "cold")


def _heat_band(view: View, found: WarmUp) -> str:
    if not view.engine.holds(Trait.COMPRESSION):
        return "warm_up_air"
    by_fuel = found.air_source == FUEL_SOURCE
    return "warm_up_fuel_compression" if by_fuel else "warm_up_air_compression"


def _heat_at_most(view: View, cold_air: bool, much: bool) -> str:
    """Why the heat carries no more than `watch`."""
    if cold_air:
        return COLD_AIR
    if not much:
        return "little heat for the rise harms nothing by itself"
    known = view.engine.holds(Trait.COMPRESSION)
    return unknown_whether(Trait.COMPRESSION) if known is None else ""


def _level(view: View, found: WarmUp, bands: Bands) -> Finding:
    subject = Subject(KEY, "settled coolant temperature")
    stated = view.facts.vehicle.regulating_temp_degc
    diesel = view.engine.holds(Trait.COMPRESSION)
    band = bands["warm_up_plateau_compression" if diesel else "warm_up_plateau"]
    if stated is not None:
        band = bands["warm_up_below_regulating"]
    base = 0.0 if stated is None else stated
    lowest, good = (band.watch[0] or 0.0) + base, (band.within[0] or 0.0) + base
    value, spans, remark = found.level_degc, found.level_spans, ""
    at_most = COLD_AIR if found.intake_degc < COLD_AIR_DEGC else ""
    if diesel is not False:
        at_most = LITTLE_HEAT
        if value < good and alignment.total_s(spans) < LEVEL_WINDOW_S:
            value = float("nan")  # at light load a warm-up pauses for a minute
    if np.isfinite(value) and (found.level_driving or value >= good):
        remark = said(
            "no longer rising over {window:.0f s} {where} ({seconds:.0f s} of the drive)",
            window=ROAD_WINDOW_S if found.level_driving else LEVEL_WINDOW_S,
            where="on the road" if found.level_driving else "of any running",
            seconds=alignment.total_s(spans),
        )
    elif found.highest_degc >= good and found.climb(good) >= CLOSED_CLIMB_DEGC_MIN:
        value, spans = found.highest_degc, (found.span,)
        remark = "the highest seen, reached without a pause; it had not settled"
    elif found.cold and found.duration_s >= _long_s(diesel) and found.highest_degc < lowest:
        if not found.idle_share <= 0.5:
            return _mostly_idle(found.highest_degc, subject)
        value, spans = found.highest_degc, (found.span,)
        remark = said("the highest seen in {n:.0f} minutes", n=found.duration_s / 60.0)
    elif np.isfinite(value) and found.intake_degc >= MILD_AIR_DEGC:
        remark = said("no longer rising over {s:.0f s}, mostly at idle", s=LEVEL_WINDOW_S)
        at_most = IDLING
    elif np.isfinite(value):
        return _mostly_idle(value, subject)
    else:
        text = said(
            "The coolant was at {t:.0f degC} at most and had not settled.", t=found.highest_degc
        )
        return subject.not_judged(text, "cold")
    # the sensor comes first where it read colder than the intake air at a cold start
    sensor_cold = found.cold and found.start_degc < found.intake_degc - 8.0
    return subject.judged(
        "Coolant temperature"
        if stated is None
        else said("Coolant against the stated {t:.0f degC}", t=stated),
        Measured(value - base, 0.6, spans, (remark,), found.numbers | {"level_degc": value}),
        band,
        "too_hot" if value >= good else "too_cold_sensor" if sensor_cold else "too_cold",
        watch_at_most=at_most if value < good else "",
    )


def _long_s(diesel: bool | None) -> float:
    return LONG_DRIVE_S if diesel is False else LONG_DRIVE_COMPRESSION_S


def _mostly_idle(degc: float, subject: Subject) -> Finding:
    return subject.not_judged(
        said(
            "The coolant stood at {t:.0f degC}, but most of the warm-up was idle or its speed is"
            " unknown: that does not load the thermostat.",
            t=degc,
        ),
        "cold",
    )


def _closed_loop(view: View, found: WarmUp, bands: Bands) -> Finding:
    """Time from the start to closed loop, where `FUELSYS1` and a cold start were recorded."""
    subject = Subject(KEY, "time to closed loop")
    if not view.conditions.loop_recorded:
        return subject.not_recorded(view, ["FUELSYS1"], "loop")
    if not found.start_seen or not found.cold:
        return subject.not_judged("No cold start was recorded.", "loop")
    t = view.grid.t_ns
    closed = view.conditions.closed_loop & (t >= found.start_ns)
    if not found.intake_degc > LOOP_AIR_DEGC:
        text = said(
            "The intake air was not above {t:.0f degC}, or not recorded, at the start.",
            t=LOOP_AIR_DEGC,
        )
        return subject.not_judged(text, "loop")
    if not closed.any():
        if found.duration_s < LOOP_LATEST_S:
            return subject.not_judged("The drive ended before closed loop.", "loop")
        seconds = found.duration_s
        remarks: tuple[str, ...] = ("closed loop was never reached",)
    else:
        seconds = float(t[int(np.argmax(closed))] - found.start_ns) / NS
        remarks = ()
    start = Span(found.start_ns, found.start_ns + int(seconds * NS))
    status = view.trace("FUELSYS1")
    half = STEP_S if status is None else max(STEP_S, status.interval_s)
    measured = Measured(seconds, half, (start,), remarks)
    band = bands["closed_loop_time"]
    return subject.judged("Closed loop after", measured, band, "late_loop")
