"""The state of the air around the car, and how far each part of it is uncertain.

Used for volumetric efficiency. Each relative half width is meant as a 95 % one:

- *pressure*: `BARO`, else `MAP` with the engine off, to their resolution of 1 kPa; else the
  standard atmosphere at the stated height, ±3 % for the weather [CP]; else 95 ±12 kPa, which is
  sea level to 2,000 m;
- *temperature*: the intake sensor's, ±1 % (3 K: it warms up with the housing) [CP]; else
  25 ±20 degC;
- *humidity*: as stated, ±10 points; else anything from dry to saturated at the outside
  temperature, up to a dew point of 28 degC (damp tropics) [CP]. Vapor is lighter than air: at
  20 degC saturated air weighs 0.9 % less than dry air.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from logbench.analysis import derived
from logbench.analysis.alignment import Times, Values
from logbench.analysis.statement import Quantity, said
from logbench.analysis.view import View

ASSUMED_KPA, ASSUMED_HALF_KPA = 95.0, 12.0
WEATHER_SHARE = 0.03
RESOLUTION_KPA = 1.0
ASSUMED_DEGC, ASSUMED_HALF_K = 25.0, 20.0
SENSOR_SHARE = 0.01
DAMPEST_DEW_POINT_DEGC = 28.0
HUMIDITY_HALF_PCT = 10.0


@dataclass(frozen=True, slots=True)
class AirState:
    """Air around the car. Half widths are relative (0.01 is 1 %)."""

    pressure_kpa: float
    pressure_half: float
    temperature_half: float
    moist: float
    """Density over that of dry air of the same pressure and temperature."""
    moist_half: float
    remarks: tuple[str, ...]
    """What was assumed: clauses without a full stop."""

    def atmosphere_half(self) -> float:
        """Relative half width of an efficiency to atmosphere, from the air alone."""
        return math.hypot(self.pressure_half, self.temperature_half, self.moist_half)

    def manifold_half(self, manifold_kpa: float) -> float:
        """The same to the manifold, where the pressure is measured to its resolution."""
        step = resolution_half(manifold_kpa)
        return math.hypot(step, self.temperature_half, self.moist_half)


def resolution_half(kpa: float) -> float:
    """Relative 95 % half width that a resolution of 1 kPa leaves; NaN at no pressure."""
    return 1.96 * RESOLUTION_KPA / math.sqrt(12.0) / kpa if kpa > 0.0 else float("nan")


def find_air(view: View) -> AirState:
    """The state of the air of one recording."""
    remarks: list[str] = []
    kpa, kpa_half = _pressure(view, remarks)
    degc_half = SENSOR_SHARE
    if view.trace("IAT", "AAT") is None:
        remarks.append(
            said("air temperature was not recorded, {t:.0f degC} is assumed", t=ASSUMED_DEGC)
        )
        degc_half = ASSUMED_HALF_K / (ASSUMED_DEGC + derived.KELVIN)
    moist, moist_half = _moisture(view, kpa, remarks)
    return AirState(kpa, kpa_half, degc_half, moist, moist_half, tuple(remarks))


def intake_degc(view: View, t: Times) -> Values:
    """Temperature of the air drawn in at each time, degC; 25 where not recorded."""
    degc = view.at(t, "IAT", "AAT", within_s=60.0)
    held = view.last(t, "IAT", "AAT", max_age_s=120.0)
    degc = np.where(np.isfinite(degc), degc, held)
    return np.where(np.isfinite(degc), degc, ASSUMED_DEGC)


def _pressure(view: View, remarks: list[str]) -> tuple[float, float]:
    measured, height = view.baro_kpa, view.surroundings.altitude_m
    if measured is not None and measured > 0.0:
        return measured, resolution_half(measured)
    if height is not None:
        kpa = float(derived.standard_pressure_kpa(height))
        remarks.append(said("air pressure is the standard one at the stated {m:.0f m}", m=height))
        return kpa, WEATHER_SHARE
    assumed = Quantity(ASSUMED_KPA, "kPa", ASSUMED_HALF_KPA, decimals=0)
    remarks.append(said("air pressure was not recorded, {assumed} is assumed", assumed=assumed))
    return ASSUMED_KPA, ASSUMED_HALF_KPA / ASSUMED_KPA


def _moisture(view: View, kpa: float, remarks: list[str]) -> tuple[float, float]:
    """Density factor of the air's humidity, with its half width."""
    saturated = float(derived.saturation_pressure_kpa(_outside_degc(view)))
    stated = view.surroundings.humidity_pct
    if stated is None:
        ends = (0.0, min(saturated, float(derived.saturation_pressure_kpa(DAMPEST_DEW_POINT_DEGC))))
        remarks.append("humidity is not stated, dry to saturated is allowed for")
    else:
        low, high = max(0.0, stated - HUMIDITY_HALF_PCT), min(100.0, stated + HUMIDITY_HALF_PCT)
        ends = (saturated * low / 100.0, saturated * high / 100.0)
    factors = [float(derived.moist_air_factor(kpa, vapor)) for vapor in ends]
    middle = sum(factors) / 2.0
    return middle, abs(factors[0] - factors[1]) / 2.0 / middle


def _outside_degc(view: View) -> float:
    """Outside temperature: `AAT`, else the coldest tenth of `IAT`; 25 where not recorded."""
    for name, share in (("AAT", 50.0), ("IAT", 10.0)):
        trace = view.trace(name)
        if trace is not None:
            return float(np.clip(np.nanpercentile(trace.value, share), -40.0, 60.0))
    return ASSUMED_DEGC
