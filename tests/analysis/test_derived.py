"""Derived signals against published worked examples, the gas law and the standard atmosphere."""

from __future__ import annotations

import numpy as np
import pytest
from ambiance import Atmosphere
from CoolProp.HumidAirProp import HAPropsSI
from hypothesis import given
from hypothesis import strategies as st
from scipy import constants

from logbench.analysis import derived
from logbench.analysis.expression.evaluate import computed_signals
from logbench.recording.model import Trace

MOLAR_MASS_AIR_G = 28.9644  # US Standard Atmosphere 1976, from memory


def test_gas_constant_of_air_is_codatas():
    assert pytest.approx(constants.R / MOLAR_MASS_AIR_G, rel=1e-4) == derived.R_AIR_J_G_K


def test_density_at_the_reference_of_load_abs():
    # ISO 15031-5: 1.184 g/l is dry air at 25 degC and 101.325 kPa
    kelvin = constants.convert_temperature(25.0, "Celsius", "Kelvin")
    ideal = constants.atm / 1000 / (constants.R / MOLAR_MASS_AIR_G * kelvin)
    assert ideal == pytest.approx(1.184, abs=5e-4)
    assert derived.air_density_g_l(101.325, 25.0) == pytest.approx(ideal, rel=2e-4)


def test_worked_example_of_a_three_and_a_half_liter_engine():
    # MOTOR magazine, Driveability Corner, December 2003: 3.5 l at 5,000 rpm is 173 g/s at 100 %,
    # 138 at 0.80. At the reference density, 172.7 [Calc].
    full = derived.speed_density_airflow_g_s(1.0, 101.325, 3.5, 5000.0, 25.0)
    assert full == pytest.approx(173.0, rel=0.005)
    assert derived.speed_density_airflow_g_s(0.8, 101.325, 3.5, 5000.0, 25.0) == pytest.approx(
        138.0, rel=0.005
    )
    ve = derived.volumetric_efficiency(140.0, 5000.0, 3.5, 101.325, 25.0)
    assert ve == pytest.approx(0.81, abs=0.005)


def test_idle_example_by_the_gas_law():
    # trade-notes 2 [Calc]: 35 kPa, 1 l, 700 rpm, 40 degC, VE 0.75 gives 1.70 g/s
    got = derived.speed_density_airflow_g_s(0.75, 35.0, 1.0, 700.0, 40.0)
    assert got == pytest.approx(1.70, abs=0.005)


def test_load_abs_by_its_definition():
    # ISO 15031-5: load = (g per intake stroke) / (1.184 g/l x cylinder liters). Four cylinders of
    # 0.5 l at 3,000 rpm have 100 intake strokes a second.
    g_per_stroke = 0.4
    load_pct = 100.0 * g_per_stroke / (1.184 * 0.5)
    maf = g_per_stroke * (3000 / 60) * (4 / 2)
    assert derived.displacement_from_load_abs_l(maf, load_pct, 3000.0) == pytest.approx(2.0)
    assert derived.airflow_from_load_abs_g_s(load_pct, 3000.0, 2.0) == pytest.approx(maf)
    # the same as a constant: MAF = LOAD_ABS*D*rpm*0.009867 (trade-notes 2, [Calc])
    assert maf == pytest.approx(load_pct / 100 * 2.0 * 3000 * 0.009867, rel=1e-4)


@pytest.mark.parametrize(
    ("height_m", "kpa"),
    # ICAO standard atmosphere, Doc 7488, table of pressures (from memory)
    [(0, 101.325), (500, 95.461), (1000, 89.875), (1500, 84.556), (2000, 79.495), (3000, 70.109)],
)
def test_standard_atmosphere(height_m, kpa):
    assert derived.standard_pressure_kpa(height_m) == pytest.approx(kpa, abs=0.02)
    assert derived.standard_height_m(kpa) == pytest.approx(height_m, abs=3.0)


def test_totals_as_the_trade_adds_them():
    # MOTOR magazine, Driveability Corner, October 2003: -6.3 and +2.3 make -4.0
    at = np.arange(9, dtype=np.int64)
    parts = {"SHRTFT1": np.full(9, -6.3), "LONGFT1": np.full(9, 2.3)}
    traces = {name: Trace(name, "7E8", "%", at, value) for name, value in parts.items()}
    total = computed_signals()["TOTAL_TRIM1"].trace(traces.get, {})
    assert total.value == pytest.approx(-4.0)


@given(
    st.floats(0.3, 1.2),
    st.floats(20, 250),
    st.floats(0.6, 8),
    st.floats(500, 7000),
    st.floats(-30, 80),
)
def test_efficiency_and_speed_density_are_inverse(ve, kpa, liters, rpm, degc):
    flow = derived.speed_density_airflow_g_s(ve, kpa, liters, rpm, degc)
    assert derived.volumetric_efficiency(flow, rpm, liters, kpa, degc) == pytest.approx(ve)


@given(st.floats(1, 400), st.floats(500, 7000), st.floats(0.6, 8), st.floats(-30, 80))
def test_units_do_not_matter(maf_g_s, rpm, liters, degc):
    # lb/min, inHg and degF in, converted with scipy.constants, give the same efficiency
    lb_min = maf_g_s / 1000 / constants.pound * constants.minute
    in_hg = 90.0 * 1000 / (25.4 * constants.mmHg)
    degf = constants.convert_temperature(degc, "Celsius", "Fahrenheit")
    back = derived.volumetric_efficiency(
        lb_min * constants.pound * 1000 / constants.minute,
        rpm,
        liters,
        in_hg * 25.4 * constants.mmHg / 1000,
        constants.convert_temperature(degf, "Fahrenheit", "Celsius"),
    )
    straight = derived.volumetric_efficiency(maf_g_s, rpm, liters, 90.0, degc)
    assert back == pytest.approx(straight, rel=1e-9)


def test_what_stands_still_has_no_efficiency():
    rpm = np.array([0.0, -1.0, np.nan, 800.0])
    got = derived.volumetric_efficiency(np.full(4, 3.0), rpm, 2.0, 100.0, 20.0)
    assert np.isnan(got[:3]).all()
    assert np.isfinite(got[3])
    assert np.isnan(derived.airflow_per_liter_1000rpm(3.0, 0.0, 2.0))
    assert derived.airflow_per_liter_1000rpm(6.0, 2000.0, 1.5) == pytest.approx(2.0)


@pytest.mark.parametrize("height_m", [0, 250, 1000, 2500, 5000])
def test_standard_atmosphere_against_a_library(height_m):
    # ambiance: the full ICAO standard atmosphere of 1993
    state = Atmosphere(height_m)
    kpa, degc = float(state.pressure[0]) / 1000, float(state.temperature_in_celsius[0])
    # the library converts geometric to geopotential height, the trade's formula does not
    geopotential = height_m * 6_356_766 / (6_356_766 + height_m)
    assert derived.standard_pressure_kpa(geopotential) == pytest.approx(kpa, rel=2e-5)
    density_g_l = float(state.density[0])  # kg/m3 is g/l
    assert derived.air_density_g_l(kpa, degc) == pytest.approx(density_g_l, rel=1e-4)


MOIST = [(-15, 101.3, 0.9), (0, 101.3, 1.0), (20, 101.325, 0.5), (35, 95.0, 1.0), (45, 84.0, 0.6)]


@pytest.mark.parametrize(("degc", "kpa", "share"), MOIST)
def test_moist_air_against_a_property_library(degc, kpa, share):
    # CoolProp's humid air (ASHRAE RP-1485): a real gas, up to 0.1 % from the ideal one
    state = ("T", degc + 273.15, "P", kpa * 1000.0, "R", share)
    vapor = share * derived.saturation_pressure_kpa(degc)
    density = derived.air_density_g_l(kpa, degc) * derived.moist_air_factor(kpa, vapor)
    assert density == pytest.approx(1.0 / HAPropsSI("Vha", *state), rel=1e-3)
    if degc >= 0:  # below, the library means ice; P_w holds 0.5 % for the air's presence
        assert vapor == pytest.approx(HAPropsSI("P_w", *state) / 1000.0, rel=0.006)


def test_saturation_pressure_at_fixed_points():
    # triple point 0.6117 kPa, 101.325 kPa at 100 degC (definitions of the old scale; from memory)
    assert derived.saturation_pressure_kpa(0.01) == pytest.approx(0.6117, rel=1e-3)
    assert derived.moist_air_factor(100.0, 0.0) == 1.0
    assert derived.moist_air_factor(100.0, 1e9) == pytest.approx(18.015 / 28.965)
    assert np.isnan(derived.moist_air_factor(0.0, 1.0))
