"""The state of the air and what is not known of it."""

from __future__ import annotations

import math

import pytest
from CoolProp.HumidAirProp import HAPropsSI

from logbench.analysis.air_state import find_air
from logbench.analysis.model import Verdict
from logbench.analysis.run import run_checks
from logbench.analysis.view import View
from logbench.recording.reader import Recording
from tests.analysis.scenes import IDLE, KEY_ON, Phase, Scene
from tests.analysis.test_airflow import LITERS, drive


def stated(scene: Scene, **extra: float) -> Recording:
    recording = scene.recording(displacement_l=LITERS)
    traces = [recording.trace(*key) for key in recording.keys]
    return Recording.of(traces, recording.facts.model_copy(update={"extra": extra}))


def air(scene: Scene, **extra: float):
    return find_air(View(stated(scene, **extra)))


def density_share(degc: float, kpa: float, share: float) -> float:
    """Moist over dry air, by CoolProp's humid air."""

    def liters(humidity: float) -> float:
        return HAPropsSI("Vha", "T", degc + 273.15, "P", kpa * 1000.0, "R", humidity)

    return liters(0.0) / liters(share)


def test_humidity_that_is_stated_and_that_is_not():
    scene = Scene([KEY_ON, IDLE]).set(AAT=30.0, IAT=45.0)
    known = air(scene, humidity_pct=60.0)
    assert known.moist == pytest.approx(density_share(30.0, 100.0, 0.6), abs=3e-4)
    assert known.moist_half == pytest.approx(density_share(30, 100, 0.5) - known.moist, abs=3e-4)
    unknown = air(scene)
    # from dry to a dew point of 28 degC: saturated air at 28 degC has that vapor
    dampest = density_share(28.0, 100.0, 1.0)
    assert unknown.moist - unknown.moist * unknown.moist_half == pytest.approx(dampest, abs=4e-4)
    assert unknown.moist * (1.0 + unknown.moist_half) == pytest.approx(1.0, abs=1e-6)
    assert any("humidity is not stated" in remark for remark in unknown.remarks)
    assert not any("humidity" in remark for remark in known.remarks)


def test_pressure_by_sensor_height_or_neither():
    off = {"map_kpa": math.nan}
    scene = Scene([Phase(**{**vars(KEY_ON), **off}), IDLE])
    assert air(scene).pressure_kpa == 100.0
    assert air(scene).pressure_half == pytest.approx(0.0057, abs=1e-4)  # 1 kPa, evenly spread
    blind = scene.drop("BARO", "MAP")
    # ICAO standard atmosphere, Doc 7488 (from memory): 84.56 kPa at 1,500 m
    assert air(blind, altitude_m=1500).pressure_kpa == pytest.approx(84.56, abs=0.02)
    unknown = air(blind)
    for kpa in (101.3, 84.6):  # sea level and 1,500 m are both allowed for
        assert abs(unknown.pressure_kpa - kpa) <= unknown.pressure_kpa * unknown.pressure_half


def test_the_budget_reaches_the_finding():
    def full(**extra: float):
        found = run_checks(stated(drive(), **extra), only=["airflow"])
        return next(f for f in found if f.subject == "full throttle")

    dry, damp = full(humidity_pct=0.0), full(humidity_pct=100.0)
    # damp air is lighter: the same weight fills more of the cylinders
    assert damp.value / dry.value == pytest.approx(1 / density_share(25.0, 100.0, 0.95), abs=2e-3)
    assert full().uncertainty > dry.uncertainty
    assert 0.8 < full().uncertainty < 2.0  # about one percent, mostly temperature and humidity


def test_at_an_unknown_height_a_healthy_engine_is_not_acted_on():
    # a healthy engine at 1,500 m whose pressure nobody recorded and nobody stated
    scene = drive(gain=0.846)
    seen = scene.signals["MAP"].copy()
    scene.drop("BARO").set(MAP=seen * 0.846).set(MAP=math.nan)
    found = {f.subject: f for f in run_checks(stated(scene), only=["airflow"])}
    assert found["full throttle"].verdict is not Verdict.ACT
    known = {f.subject: f for f in run_checks(stated(scene, altitude_m=1500.0), only=["airflow"])}
    assert known["full throttle"].verdict is Verdict.WITHIN
