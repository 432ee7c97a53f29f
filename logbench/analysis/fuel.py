"""Fuel and air that the engine burned, on the even time base: what consumption and heat rest on."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from logbench.analysis import derived
from logbench.analysis.airflow import find_displacement
from logbench.analysis.alignment import Mask, Values
from logbench.analysis.engine import Trait
from logbench.analysis.grid import STEP_S
from logbench.analysis.model import Condition
from logbench.analysis.view import View

GASOLINE_G_L, DIESEL_G_L = 745.0, 835.0
"""Density at 15 degC: the middle of EN 228 and EN 590. [Pub: 720 to 775 and 820 to 845 g/l]"""
STOICHIOMETRIC = {"gasoline": 14.7, "e10": 14.1, "e85": 9.75, "e100": 9.0, "diesel": 14.5}
"""Stoichiometric air-fuel ratios by mass. [Weak: table]"""

MAF_HALF, LOAD_HALF, FUEL_HALF = 0.08, 0.08, 0.10
"""Relative 95 % half widths of an air-flow sensor, the load and the fuel-rate PID. [CP]"""
PART_LOAD_VE, VE_HALF = 0.75, 0.15
"""Efficiency to the manifold where airflow must be had from its pressure: 0.5 to 0.85 from idle to
cruise. [CP]"""
FUEL_SOURCE = "fuel rate"
KNOWN_SHARE = 0.9
"""Of the time that must be known for a sum to stand."""


def density_g_l(view: View) -> float:
    """Of the fuel that this engine burns, g/l; gasoline's where that is not known."""
    return DIESEL_G_L if view.engine.holds(Trait.COMPRESSION) else GASOLINE_G_L


def blend(share_pct: float) -> float:
    """Stoichiometric air-fuel ratio of gasoline with this share of ethanol, %, whose densities
    hardly differ."""
    gasoline, ethanol = STOICHIOMETRIC["gasoline"], STOICHIOMETRIC["e100"]
    return gasoline - (gasoline - ethanol) * share_pct / 100.0


def stoichiometric(view: View) -> float:
    """Air-fuel ratio by mass: that of the share of ethanol that the car reports, else of the stated
    fuel; where neither is known, of that of its engine."""
    told = view.trace("ALCH_PCT")
    if told is not None:
        return blend(float(np.nanmedian(told.value)))
    usual = "diesel" if view.engine.holds(Trait.COMPRESSION) else "gasoline"
    return STOICHIOMETRIC.get(view.facts.vehicle.fuel.lower(), STOICHIOMETRIC[usual])


def fuel_by_air_g_s(view: View) -> Values | None:
    """Fuel in g/s on the grid from `MAF` and commanded lambda, 0 in fuel cut; None without it, and
    of compression ignition, whose fuel does not follow from its air."""
    flow = view.grid.linear("MAF")
    if flow is None or view.engine.holds(Trait.COMPRESSION):
        return None
    commanded = view.grid.held("LAMBDA")
    lam = np.ones(len(flow)) if commanded is None else np.where(commanded > 0.5, commanded, 1.0)
    fuel = flow / (stoichiometric(view) * lam)
    return np.where(view.conditions.mask(Condition.FUEL_CUT), 0.0, fuel)


def fuel_by_pid_g_s(view: View) -> Values | None:
    """Fuel in g/s on the grid from the fuel-rate PIDs; None without one."""
    by_mass = view.grid.linear("ENG_FUEL_RATE")
    if by_mass is not None:
        return by_mass
    by_volume = view.grid.linear("FUEL_RATE")
    return None if by_volume is None else by_volume * density_g_l(view) / 3600.0


@dataclass(frozen=True, slots=True)
class BurnedAir:
    """Air that took part in burning, summed up: the measure of the heat put in. In a rich mixture
    the air is what limits the heat, so air is summed, not fuel. In compression ignition most air
    burns nothing: there the air that the fuel needs is summed, or, where the fuel is not known, all
    of it."""

    total_g_per_l: Values
    """Grams for each liter of displacement from the start of the grid, shape of the grid."""
    known: Values
    """Seconds of known flow from the start of the grid, same shape."""
    relative_half: float
    """95 % half width of the flow, as a share: common to all samples."""
    source: str
    """What it was had from: `MAF`, `LOAD_ABS`, `fuel rate`, `MAP`."""

    def between(self, first: int, last: int) -> float:
        """Grams for each liter from grid place `first` to `last`, short gaps taken for as much as
        the rest; NaN where too much is unknown."""
        seconds, known = (last - first) * STEP_S, self.known[last] - self.known[first]
        if seconds <= 0 or known < KNOWN_SHARE * seconds:
            return float("nan")
        return float((self.total_g_per_l[last] - self.total_g_per_l[first]) * seconds / known)


def find_burned_air(view: View) -> BurnedAir | None:
    """Air burned for each liter, by the surest of these that were recorded: `MAF` or the fuel-rate
    PID over the displacement; `LOAD_ABS` or the manifold pressure with the engine speed, which are
    for each liter as they stand. Of compression ignition the fuel rate comes first, and load tells
    no air. None without any."""
    if len(view.grid) == 0:
        return None
    liters, by_pid = view.once(find_displacement).liters, fuel_by_pid_g_s(view)
    flow = view.grid.linear("MAF")
    by_fuel = (
        None if by_pid is None or liters is None else by_pid * stoichiometric(view) / liters,
        FUEL_HALF,
        FUEL_SOURCE,
    )
    by_flow = (None if flow is None or liters is None else flow / liters, MAF_HALF, "MAF")
    by_pressure = (_by_pressure(view), VE_HALF, "MAP")
    ways = [by_flow, (_by_load(view), LOAD_HALF, "LOAD_ABS"), by_fuel, by_pressure]
    if view.engine.holds(Trait.COMPRESSION):
        ways = [by_fuel, by_flow, by_pressure]
    for per_liter, half, source in ways:
        if per_liter is not None and np.isfinite(per_liter).any():
            burned = np.where(view.conditions.mask(Condition.FUEL_CUT), 0.0, per_liter)
            burned = np.where(_stands(view), 0.0, burned)
            total = np.cumsum(np.nan_to_num(burned)) * STEP_S
            return BurnedAir(total, np.cumsum(np.isfinite(burned)) * STEP_S, half, source)
    return None


def _stands(view: View) -> Mask:
    """Where the engine is known to stand: in a gap nothing is."""
    rpm = view.grid.linear("RPM")
    known = True if rpm is None else np.isfinite(rpm)
    return np.asarray(~view.conditions.running & known)


def _by_load(view: View) -> Values | None:
    """Air in g/s for each liter by the definition of `LOAD_ABS`; None without it."""
    load, rpm = view.grid.linear("LOAD_ABS"), view.grid.linear("RPM")
    if load is None or rpm is None:
        return None
    return derived.airflow_from_load_abs_g_s(load, rpm, 1.0)


def _by_pressure(view: View) -> Values | None:
    """The same by manifold pressure and a usual part-load efficiency; None without them."""
    manifold, rpm = view.grid.linear("MAP"), view.grid.linear("RPM")
    if manifold is None or rpm is None:
        return None
    degc = view.grid.slow("IAT", "AAT")
    air_degc = np.full(len(rpm), 25.0) if degc is None else np.nan_to_num(degc, nan=25.0)
    return derived.speed_density_airflow_g_s(PART_LOAD_VE, manifold, 1.0, rpm, air_degc)
