"""Rail pressure, particulate filter, exhaust temperatures and charge-air cooler."""

from __future__ import annotations

import numpy as np
import pytest

from logbench.analysis.causes.catalog import CAUSES
from logbench.analysis.model import Coverage, Verdict
from logbench.analysis.run import run_checks
from tests.analysis.charged import DRIVE, charged, diesel, exhaust
from tests.analysis.scenes import KEY_ON, Scene, warm_drive

CHECKS = ("rail", "filter", "exhaust_heat", "charge_cooler")
COLD_START = [KEY_ON, *DRIVE[1:], *DRIVE[1:]]


def found_in(scene: Scene, check: str):
    return {f.subject: f for f in run_checks(diesel(scene), only=[check])}


@pytest.mark.parametrize("check", CHECKS)
def test_a_healthy_car_is_within(check):
    scene = charged(phases=COLD_START)
    found = found_in(scene.set(ECT=np.where(scene.t_s < 10.0, 21.0, 90.0), IAT=20.0), check)
    assert {f.verdict for f in found.values()} == {Verdict.WITHIN}, [
        f.reason for f in found.values()
    ]


@pytest.mark.parametrize("check", CHECKS)
def test_a_gasoline_car_without_them_has_one_line(check):
    (finding,) = run_checks(Scene(warm_drive()).recording(), only=[check])
    assert finding.coverage is Coverage.NOT_APPLICABLE, finding.reason


# --- rail ---


def rail(scene: Scene, share: np.ndarray | float) -> Scene:
    return scene.set(FRP_A=scene.signals["FRP_A"] * share)


def test_a_rail_that_is_low_throughout_and_a_pump_that_is_weak_at_load():
    low = found_in(rail(charged(), 0.8), "rail")
    assert low["commanded and actual, low demand"].verdict is Verdict.ACT
    assert low["commanded and actual, low demand"].causes[0] == CAUSES["rail_low"].text
    scene = charged()
    weak = found_in(rail(scene, np.where(scene.signals["LOAD_PCT"] > 60.0, 0.78, 1.0)), "rail")
    assert weak["commanded and actual, low demand"].verdict is Verdict.WITHIN
    high = weak["commanded and actual, high demand"]
    assert high.verdict is Verdict.ACT, high.reason
    assert high.causes[0] == CAUSES["pump_weak"].text
    assert "cuts through skin" in high.next_steps[-1]


def test_a_rail_that_hunts():
    scene = charged()
    wave = 1.0 + 0.16 * np.sin(2.0 * np.pi * scene.t_s / 1.7)
    finding = found_in(rail(scene, wave), "rail")["steadiness"]
    assert finding.verdict is Verdict.ACT, finding.reason
    # a sine of 16 % has a standard deviation of 16 / sqrt 2
    assert finding.value == pytest.approx(16.0 / np.sqrt(2.0), abs=1.5)


def test_one_pressure_alone_tells_idle():
    scene = charged()
    scene.set(FRP_23=scene.signals["FRP_A"]).drop("FRP_A", "FRP_A_CMD")
    assert found_in(scene, "rail")["warm idle"].verdict is Verdict.WITHIN
    scene.set(FRP_23=0.4 * scene.signals["FRP_23"])
    assert found_in(scene, "rail")["warm idle"].verdict is Verdict.WATCH


def test_one_pressure_alone_tells_a_rail_that_hunts_at_idle():
    scene = charged(phases=COLD_START)
    pressure = scene.signals["FRP_A"].copy()
    scene.drop("FRP_A_CMD").set(FRP_A=pressure)
    assert found_in(scene, "rail")["steadiness"].verdict is Verdict.WITHIN
    finding = found_in(
        scene.set(FRP_A=pressure * (1.0 + 0.1 * np.sin(2.0 * np.pi * scene.t_s / 1.7))), "rail"
    )["steadiness"]
    assert finding.verdict is Verdict.WATCH, finding.reason
    assert finding.causes[0] == CAUSES["rail_hunting"].text


def test_port_injection_is_left_alone():
    scene = Scene(warm_drive()).set(FRP=380.0)
    (finding,) = run_checks(scene.recording(), only=["rail"])
    assert finding.coverage is Coverage.NOT_APPLICABLE
    assert "into the ports" in finding.reason


# --- filter ---


@pytest.mark.parametrize(
    ("slope", "verdict", "cause"),
    [
        (4.0, Verdict.WATCH, "filter_loaded"),
        (9.0, Verdict.ACT, "filter_loaded"),
        (0.02, Verdict.ACT, "filter_hose"),
    ],
)
def test_the_slope_of_drop_over_flow(slope, verdict, cause):
    finding = found_in(exhaust(charged(), slope=slope), "filter")["slope"]
    assert finding.verdict is verdict, finding.reason
    assert finding.value == pytest.approx(slope, abs=0.15 + 0.03 * slope)
    assert finding.causes[0] == CAUSES[cause].text


def test_a_sensor_off_its_zero():
    scene = charged()
    scene.set(DPF1_DP=scene.signals["DPF1_DP"] + 4.0)
    found = found_in(scene, "filter")
    assert found["sensor without flow"].verdict is Verdict.ACT
    assert found["slope"].verdict is Verdict.WITHIN


def test_what_is_assumed_of_the_temperature_widens_the_slope():
    known = found_in(charged(), "filter")["slope"]
    scene = charged().drop("DPF1_INT", "EGT11", "EGT12")
    guessed = found_in(scene, "filter")["slope"]
    assert guessed.uncertainty > 3.0 * known.uncertainty
    assert "no exhaust temperature was recorded" in guessed.reason


# --- exhaust temperatures ---


def test_a_dead_sensor_is_found_beside_one_that_moves():
    found = found_in(charged(phases=COLD_START).set(EGT12=25.0), "exhaust_heat")
    dead = found["EGT12, movement"]
    assert dead.verdict is Verdict.ACT, dead.reason
    assert dead.causes[0] == CAUSES["egt_dead"].text
    alone = charged(phases=COLD_START).set(EGT11=25.0).drop("EGT12", "DPF1_INT")
    assert found_in(alone, "exhaust_heat")["EGT11, movement"].verdict is Verdict.WATCH


def test_a_sensor_that_is_off_before_a_cold_start():
    scene = charged(phases=COLD_START)
    scene.set(ECT=np.where(scene.t_s < 10.0, 21.0, 90.0), IAT=20.0)
    scene.set(EGT11=scene.signals["EGT11"] + 60.0)
    finding = found_in(scene, "exhaust_heat")["before the start"]
    assert finding.verdict is Verdict.ACT
    assert finding.value == pytest.approx(60.0, abs=2.0)


def test_regeneration_is_kept_out_of_the_level():
    scene = charged(phases=COLD_START)
    hot = (scene.t_s > 200.0) & (scene.t_s < 420.0)
    scene.set(EGT12=np.where(hot, 990.0, scene.signals["EGT12"]), DPF_REGEN=hot.astype(float))
    assert found_in(scene, "exhaust_heat")["EGT12, level"].verdict is Verdict.WITHIN
    level = found_in(scene.drop("DPF_REGEN", "EGT11", "DPF1_INT"), "exhaust_heat")["EGT12, level"]
    assert level.verdict is not Verdict.WITHIN


# --- charge-air cooler ---


def test_a_cooler_that_cools_little():
    good = found_in(charged(), "charge_cooler")["effectiveness"]
    assert good.value == pytest.approx(75.0, abs=1.0)
    scene = charged()
    added = scene.signals["TCA_COUTT"] - 20.0
    weak = found_in(scene.set(CACT11=20.0 + 0.8 * added), "charge_cooler")["effectiveness"]
    assert weak.verdict is Verdict.ACT, weak.reason


def test_an_outlet_that_is_worked_out_is_watched_at_most():
    scene = charged().drop("TCA_COUTT")
    assert found_in(scene, "charge_cooler")["effectiveness"].verdict is Verdict.WITHIN
    scene.set(CACT11=20.0 + 90.0 * (scene.signals["MAP"] - 100.0) / 115.0)
    finding = found_in(scene, "charge_cooler")["effectiveness"]
    assert finding.verdict is not Verdict.ACT
    assert "worked out of the pressures" in finding.reason


def test_a_sensor_before_the_charger_tells_nothing():
    for degc in (21.0, 32.0):  # warmed by the engine's bay all the time
        scene = charged().drop("TCA_COUTT", "CACT11").set(IAT=degc)
        finding = found_in(scene, "charge_cooler")["effectiveness"]
        assert finding.coverage is Coverage.NOT_APPLICABLE, finding.reason
