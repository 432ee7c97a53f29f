"""How much of an engine is filled with fresh air, and where recirculation is shut.

For each sample of the air-flow sensor the volume that its air would take at the manifold's pressure
and temperature, for each two turns: the displacement times the efficiency times the share of fresh
air. Recirculation counts as shut where its command is 2 % or less; where no command is recorded,
where the manifold stands at 1.7 times the air around or more, at full load at 1.4 times, since
smoke forbids it there [CP]. The charge's temperature is that of the charge-air cooler's sensor,
else the intake air's, warmer by 17 K for each doubling by the charger, ±17 K: the sensor may stand
before the charger or behind its cooler. [Calc: compressor of 65 %, cooler of 60 to 90 %]
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from logbench.analysis import alignment, derived
from logbench.analysis.air_state import SENSOR_SHARE, find_air, intake_degc
from logbench.analysis.alignment import NS, Mask, Times, Values
from logbench.analysis.model import Condition, Span
from logbench.analysis.statistics import Groups
from logbench.analysis.view import View

SHUT_PCT, OPEN_PCT, OPEN_SHARE = 2.0, 7.0, 0.5
"""Open is a command of that at least, and of that share of what this car's valve is opened by."""
HIGH_LOAD, FULL_LOAD = 1.7, 1.4
WARMER_K = 17.0
SETTLE_S, WINDOW_S = 1.5, 1.0
CALM_KPA, CALM_SHARE = 14.0, 0.08
"""How far pressure and engine speed may move about a sample within `WINDOW_S`: on a slow log the
three lie some tenths of a second apart."""
ALIKE = 0.85
COOLER = ("CACT11", "CACT12")


@dataclass(frozen=True, slots=True)
class Filling:
    """At each usable sample of the air-flow sensor, (n,) each: liters filled with fresh air in two
    turns, what they are uncertain by for the charge's temperature (relative, 95 %), the stretch of
    `spans` it lies in, and whether recirculation is known to be `shut`, or open, and whether the
    engine is on the overrun. `commanded_pct`: the valve's command; None where not recorded."""

    t_ns: Times
    liters: Values
    temperature_half: Values
    group: Groups
    spans: tuple[Span, ...]
    shut: Mask
    opened: Mask
    overrun: Mask
    map_kpa: Values
    commanded_pct: Values | None

    @property
    def shut_alike(self) -> Mask:
        """Where it is shut at pressures at which it is open, too: a flap that throttles changes the
        filling by itself. All of it where no command tells."""
        if self.commanded_pct is None or not self.opened.any():
            return self.shut
        low, high = np.percentile(self.map_kpa[self.opened], [5, 95])
        alike = (self.map_kpa >= ALIKE * low) & (self.map_kpa <= high / ALIKE)
        return np.asarray(self.shut & alike)

    def half_between(self, some: Mask, others: Mask) -> float:
        """Relative half width of a ratio of the means there, from the temperature alone."""
        a, b = (float(np.mean(self.temperature_half[m])) for m in (some, others))
        return math.hypot(a, b)


def find_filling(view: View) -> Filling | None:
    """Of a warm or cold running engine with `MAF`, `MAP` and `RPM`; None without these."""
    flow = view.trace("MAF", "MAFA")
    if flow is None or view.missing("RPM") or view.trace("MAP", "MAP_A") is None:
        return None
    spans = _calm(view)
    owner = alignment.owner(flow.t_ns, spans)
    t = flow.t_ns[owner >= 0]
    maf, rpm = flow.value[owner >= 0], view.at(t, "RPM")
    kpa = view.at(t, "MAP", "MAP_A")
    around = view.once(find_air).pressure_kpa
    degc, half = _charge_degc(view, t, kpa / around)
    liters = derived.volumetric_efficiency(maf, rpm, 1.0, kpa, degc)
    command = view.grid.linear("EGR_PCT", "EGR_A_CMD")
    overrun = _overrun(view, t)
    if command is None:
        full = _inside(view, t, (Condition.FULL_THROTTLE,))
        shut = (kpa >= HIGH_LOAD * around) | (full & (kpa >= FULL_LOAD * around))
        opened = _inside(view, t, (Condition.WARM_IDLE, Condition.CRUISE)) & (kpa < 1.3 * around)
        commanded = None
    else:
        commanded = view.at(t, "EGR_PCT", "EGR_A_CMD")
        shut, opened = commanded <= SHUT_PCT, commanded >= opens_from(commanded)
    good = np.isfinite(liters) & (liters > 0.0)
    commanded = None if commanded is None else commanded[good]
    return Filling(
        t[good],
        liters[good],
        half[good],
        owner[owner >= 0][good],
        spans,
        shut[good],
        opened[good],
        overrun[good],
        kpa[good],
        commanded,
    )


def opens_from(commanded: Values) -> float:
    """The command from which a valve counts as open, %."""
    known = commanded[np.isfinite(commanded)]
    usual = float(np.percentile(known, 90)) if len(known) else 0.0
    return max(OPEN_PCT, OPEN_SHARE * usual)


def _calm(view: View) -> tuple[Span, ...]:
    """Where engine speed and pressure change little about each point, running."""
    rpm, kpa = view.grid.linear("RPM"), view.grid.linear("MAP", "MAP_A")
    assert rpm is not None
    assert kpa is not None
    calm = view.conditions.running & (
        view.grid.span_of(rpm, WINDOW_S, WINDOW_S) <= CALM_SHARE * np.maximum(rpm, 1000)
    )
    calm &= view.grid.span_of(kpa, WINDOW_S, WINDOW_S) <= CALM_KPA
    return view.stretches(calm)


def _charge_degc(view: View, t: Times, ratio: Values) -> tuple[Values, Values]:
    """Temperature of what is drawn in, degC, and its relative half width."""
    cooled = view.at(t, *COOLER, within_s=30.0)
    known = np.isfinite(cooled)
    warmer = WARMER_K * np.clip(np.nan_to_num(ratio, nan=1.0) - 1.0, 0.0, 2.0)
    degc = np.where(known, cooled, intake_degc(view, t) + warmer)
    half = np.where(known, 0.0, warmer) / (degc + derived.KELVIN)
    return degc, np.hypot(half, SENSOR_SHARE)


def _inside(view: View, t: Times, conditions: tuple[Condition, ...]) -> Mask:
    return alignment.inside(t, view.spans(*conditions))


def _overrun(view: View, t: Times) -> Mask:
    """On the overrun, when the fall of the pressure is over."""
    settle = int(SETTLE_S * NS)
    spans = [
        Span(s.start_ns + settle, s.end_ns)
        for s in view.spans(Condition.FUEL_CUT)
        if s.end_ns > s.start_ns + settle
    ]
    return alignment.inside(t, spans)
