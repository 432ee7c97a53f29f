"""Signals computed from other signals. Plain functions on arrays; units in the names.

Every function works element by element and gives NaN where an input is NaN or where a divisor is
not positive (an engine that stands still has no volumetric efficiency).
"""

from __future__ import annotations

from typing import Any

import numpy as np
import numpy.typing as npt

Values = npt.NDArray[np.float64]
Like = Values | float

R_AIR_J_G_K = 0.28705
"""Specific gas constant of dry air, J/(g K) = kPa l/(g K). [Calc: CODATA molar gas constant over
28.965 g/mol]"""

LOAD_ABS_DENSITY_G_L = 1.184
"""Air density in the definition of `LOAD_ABS`: 25 degC, 101.325 kPa. [Pub: ISO 15031-5]"""

SEA_LEVEL_KPA = 101.3
"""Where the air pressure is not known. [Pub: ISO 2533, rounded]"""

KELVIN = 273.15


def _positive(x: Any) -> Values:
    """`x` as an array with NaN where it is not above zero."""
    array = np.asarray(x, dtype=np.float64)
    return np.where(array > 0.0, array, np.nan)


def air_density_g_l(pressure_kpa: Like, temperature_degc: Like) -> Values:
    """Density of dry air, g/l, from the ideal gas law."""
    kelvin = _positive(np.asarray(temperature_degc, dtype=np.float64) + KELVIN)
    return _positive(pressure_kpa) / (R_AIR_J_G_K * kelvin)


def saturation_pressure_kpa(temperature_degc: Like) -> Values:
    """Pressure of water vapor in saturated air over water, kPa, -40 to 60 degC.

    es = 0.61121*exp((18.678 - T/234.5)*T/(257.14 + T)). [Mem: Buck, J. Appl. Meteorol. 20, 1981,
    with the coefficients of 1996] Within 0.6 % of a property library from 0 to 60 degC.
    """
    t = np.asarray(temperature_degc, dtype=np.float64)
    return np.asarray(0.61121 * np.exp((18.678 - t / 234.5) * t / (257.14 + t)))


def moist_air_factor(pressure_kpa: Like, vapor_kpa: Like) -> Values:
    """Density of moist air over that of dry air of equal pressure and temperature, 0..1.

    Vapor has 18.015/28.965 of the mass of the air it displaces: 1 - 0.378*e/p. [Calc: ideal gas]
    `vapor_kpa` is the partial pressure, at most the whole.
    """
    share = np.clip(np.asarray(vapor_kpa, dtype=np.float64) / _positive(pressure_kpa), 0.0, 1.0)
    return np.asarray(1.0 - (1.0 - 18.015 / 28.965) * share)


def volumetric_efficiency(
    maf_g_s: Like,
    rpm: Like,
    displacement_l: float,
    pressure_kpa: Like,
    temperature_degc: Like,
    moist: Like = 1.0,
) -> Values:
    """Share (0..1) of the swept volume that is filled with air of the given state.

    With the barometric pressure it is the efficiency to atmosphere, with the manifold pressure the
    one to the manifold. Four-stroke: VE = MAF*120/(rho*D*rpm). [Calc: ideal gas] `moist` is the
    `moist_air_factor` of the air: an air-flow sensor weighs the vapor, too.
    """
    dry = air_density_g_l(pressure_kpa, temperature_degc)
    density = dry * np.asarray(moist, dtype=np.float64)
    return np.asarray(maf_g_s) * 120.0 / (density * displacement_l * _positive(rpm))


def speed_density_airflow_g_s(
    ve: Like, pressure_kpa: Like, displacement_l: float, rpm: Like, temperature_degc: Like
) -> Values:
    """Airflow in g/s that an engine of efficiency `ve` (0..1) draws: the inverse of
    `volumetric_efficiency`."""
    density = air_density_g_l(pressure_kpa, temperature_degc)
    return np.asarray(ve) * density * displacement_l * _positive(rpm) / 120.0


def airflow_per_liter_1000rpm(maf_g_s: Like, rpm: Like, displacement_l: float) -> Values:
    """Airflow in g/s for each liter of displacement and each 1,000 rpm."""
    return np.asarray(maf_g_s) / (displacement_l * _positive(rpm) / 1000.0)


def displacement_from_load_abs_l(maf_g_s: Like, load_abs_pct: Like, rpm: Like) -> Values:
    """Displacement in liters from the definition of `LOAD_ABS`: air mass per intake stroke over
    1.184 g/l times cylinder displacement. D = MAF*120/(1.184*load*rpm). [Pub: ISO 15031-5]
    """
    load = _positive(np.asarray(load_abs_pct, dtype=np.float64)) / 100.0
    return np.asarray(maf_g_s) * 120.0 / (LOAD_ABS_DENSITY_G_L * load * _positive(rpm))


def airflow_from_load_abs_g_s(load_abs_pct: Like, rpm: Like, displacement_l: float) -> Values:
    """Airflow in g/s from `LOAD_ABS`: the inverse of `displacement_from_load_abs_l`."""
    load = np.asarray(load_abs_pct, dtype=np.float64) / 100.0
    return load * LOAD_ABS_DENSITY_G_L * displacement_l * _positive(rpm) / 120.0


def standard_pressure_kpa(height_m: Like) -> Values:
    """Pressure of the standard atmosphere below 11 km, kPa. [Calc: US Standard Atmosphere 1976]"""
    height = np.asarray(height_m, dtype=np.float64)
    return np.asarray(101.325 * (1.0 - 2.25577e-5 * height) ** 5.25588)


def standard_height_m(pressure_kpa: Like) -> Values:
    """Height in the standard atmosphere at which `pressure_kpa` prevails, m."""
    ratio = _positive(pressure_kpa) / 101.325
    return np.asarray((1.0 - ratio ** (1.0 / 5.25588)) / 2.25577e-5)
