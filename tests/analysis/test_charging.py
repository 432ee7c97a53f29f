"""Battery and charging on hand-made voltages, simulated faults and a real start."""

from __future__ import annotations

import numpy as np
import pytest

from logbench.analysis.causes.catalog import NAMED
from logbench.analysis.model import Coverage, Verdict
from logbench.analysis.run import run_checks
from tests.analysis.scenes import CRUISE, IDLE, OVERRUN, RAMP_S, Phase, Scene
from tests.analysis.simulated import COLD, seeds_for, simulated
from tests.road_data import imported

KEY = Phase(6, 0, load=0, map_kpa=100, loop=0)
CRANK = Phase(2, 200, load=0, map_kpa=98, loop=1)
LONG = Phase(500, 2000, kmh=80, tp=22, load=45, pedal=15)


def drive(dip=10.8, rest=12.4, level=14.1, overrun=None, hz=10.0, road=True, temperature=20.0):
    phases = [KEY, CRANK, IDLE, *([CRUISE, OVERRUN, CRUISE] if road else [])]
    volts = [rest, dip, level, *([level, overrun or level, level] if road else [])]
    scene = Scene(phases, hz=hz)
    return scene.set(VPWR=scene.over(volts), AAT=temperature)


def charging(scene):
    return {f.subject: f for f in run_checks(scene.recording(), only=["charging"])}


def test_a_good_battery_and_alternator():
    found = charging(drive())
    assert {f.verdict for f in found.values()} == {Verdict.WITHIN}
    assert found["cranking"].value == pytest.approx(10.8, abs=0.05)
    assert "lowest seen" in found["cranking"].reason
    assert found["cranking"].numbers["recovery_s"] < 4


@pytest.mark.parametrize(
    ("dip", "verdict"), [(10.2, Verdict.WITHIN), (9.8, Verdict.WATCH), (9.0, Verdict.ACT)]
)
def test_cranking_limits(dip, verdict):
    finding = charging(drive(dip=dip))["cranking"]
    assert finding.verdict is verdict
    if verdict is Verdict.ACT:
        assert finding.causes[0] == NAMED["worn_battery"].text


def test_cold_cranking_is_judged_as_if_warm():
    # about 8.5 V at -18 °C stands for 9.6 V at 21 degC (common practice, no source)
    finding = charging(drive(dip=9.0, temperature=-18.0))["cranking"]
    assert finding.verdict is Verdict.WITHIN
    assert finding.value == pytest.approx(9.0 + 1.1, abs=0.05)
    assert finding.numbers["lowest_v"] == pytest.approx(9.0, abs=0.05)
    assert "at −18 °C" in finding.reason


def test_one_reading_in_a_dip_may_be_the_first_rush_of_current():
    # open data, idle6 and live24: 9.36 and 9.18 V once in 1.8 s, of a healthy battery
    for dip in (9.0, 10.8):
        finding = charging(drive(dip=dip, hz=0.5))["cranking"]
        assert finding.verdict is Verdict.NOT_JUDGED
        assert finding.coverage is Coverage.UNCERTAIN
        assert "one reading every 2.0 s: too slow" in finding.reason
    slow_but_long = Scene([KEY, Phase(10, 200, load=0, map_kpa=98), IDLE], hz=0.5)
    slow_but_long.set(VPWR=slow_but_long.over([12.4, 9.0, 14.1]))
    assert charging(slow_but_long)["cranking"].verdict is Verdict.ACT


@pytest.mark.parametrize(
    ("hz", "sustained", "verdict"),
    [(10.0, 10.6, Verdict.WITHIN), (10.0, 9.2, Verdict.ACT), (50.0, 10.6, Verdict.WITHIN)],
)
def test_the_first_rush_of_current_is_not_the_level(hz, sustained, verdict):
    scene = drive(dip=sustained, hz=hz)
    since = scene.t_s - 6.0 - RAMP_S
    rush = (since >= 0.0) & (since < 0.099)
    scene.set(VPWR=np.where(rush, 7.5, scene.signals["VPWR"]))
    finding = charging(scene)["cranking"]
    assert finding.verdict is verdict
    assert finding.value == pytest.approx(sustained, abs=0.05)
    assert finding.numbers["lowest_v"] == pytest.approx(7.5)


def test_a_starter_that_turns_in_vain_is_a_start():
    scene = Scene([KEY, Phase(8, 20, load=0, map_kpa=100, loop=0)])
    finding = charging(scene.set(VPWR=scene.over([12.2, 5.2])))["cranking"]
    assert finding.verdict is Verdict.ACT


def test_running_that_was_hardly_read_is_not_called_short():
    slow = charging(Scene([Phase(150, 720)], hz=0.1).set(VPWR=14.0))["charging"]
    assert slow.verdict is Verdict.NOT_JUDGED
    assert "was read less than 20 times" in slow.reason


def test_a_few_readings_tell_the_rest_where_they_agree():
    one = charging(Scene([Phase(1, 0, load=0, map_kpa=100), IDLE], hz=0.5).set(VPWR=12.3))
    assert one["rest before the start"].verdict is Verdict.WITHIN
    assert one["rest before the start"].uncertainty == pytest.approx(0.1)
    assert "one reading only" in one["rest before the start"].reason
    scene = Scene([Phase(3, 0, load=0, map_kpa=100), IDLE], hz=0.5)
    volts = np.full(len(scene.t_s), 14.0)
    volts[:2] = 11.4, 12.3
    apart = charging(scene.set(VPWR=volts))["rest before the start"]
    assert apart.verdict is Verdict.NOT_JUDGED
    assert "do not agree" in apart.reason


def test_undercharge_needs_an_overrun_to_be_acted_on():
    weak = charging(drive(level=12.4))["charging"]
    assert weak.verdict is Verdict.ACT
    assert weak.causes[:2] == (NAMED["weak_alternator"].text, NAMED["smart_charging"].text)
    short = charging(Scene([KEY, CRANK, Phase(150, 720)]).set(VPWR=12.4))["charging"]
    assert short.verdict is Verdict.WATCH
    assert "watch at most: without an overrun or ten minutes of running" in short.reason


def test_smart_charging_comes_up_on_overrun():
    phases = [KEY, CRANK, IDLE, *([CRUISE, OVERRUN] * 4)]
    scene = Scene(phases)
    scene.set(VPWR=scene.over([12.4, 10.8, 12.6, *([12.6, 14.8] * 4)]))
    finding = charging(scene)["charging"]
    assert finding.verdict is Verdict.WITHIN
    assert "smart charging" in finding.reason
    assert finding.numbers["overrun_v"] > 14.5


def test_overcharge():
    finding = charging(drive(level=16.1))["charging"]
    assert finding.verdict is Verdict.ACT
    assert finding.causes == (NAMED["overcharge"].text,)


def test_a_discharged_battery_at_rest_is_watched():
    assert charging(drive(rest=11.6))["rest before the start"].verdict is Verdict.WATCH


def test_what_is_missing_is_said():
    (only,) = charging(Scene([IDLE])).values()
    assert "VPWR was not recorded" in only.reason
    found = charging(Scene([IDLE]).set(VPWR=14.0))
    assert found["cranking"].verdict is Verdict.NOT_JUDGED
    assert found["charging"].verdict is Verdict.NOT_JUDGED  # half a minute only


@pytest.mark.parametrize("seed", seeds_for("", 2, 301))
def test_simulated_battery_and_alternator(seed):
    wanted = ("RPM", "VSS", "ECT", "TP", "FUELSYS1", "VPWR")

    def found(**fault):
        recording = simulated(seed, fault, COLD, wanted, {"VPWR": 10.0, "RPM": 10.0})
        return {f.subject: f for f in run_checks(recording, only=["charging"])}

    healthy = found()
    assert {f.verdict for f in healthy.values()} == {Verdict.WITHIN}
    worn = found(worn_battery=1.0)["cranking"]
    assert worn.verdict is Verdict.ACT
    assert NAMED["worn_battery"].text in worn.causes[:2]
    weak = found(weak_alternator=1.0)["charging"]
    assert weak.verdict is Verdict.ACT
    assert NAMED["weak_alternator"].text in weak.causes[:2]


@pytest.mark.parametrize(
    ("name", "lowest", "rest"),
    # by hand from the raw rows; each value stands in about four rows
    [
        ("road-1hz/drive5.csv", 9.882, 12.285),
        ("road-repeats/idle6.csv.gz", 9.355, 12.382),
        ("road-repeats/live24.csv.gz", 9.179, 12.441),
    ],
)
def test_real_starts_with_one_reading_in_the_dip(shared_dir, tmp_path, name, lowest, rest):
    drive = imported(shared_dir / "data" / name, tmp_path)
    found = {f.subject: f for f in run_checks(drive, only=["charging"])}
    assert found["cranking"].verdict is Verdict.NOT_JUDGED
    assert f"Lowest seen {lowest:.1f} V, at one reading every 1.8 s" in found["cranking"].reason
    assert found["rest before the start"].value == pytest.approx(rest)
    assert found["rest before the start"].verdict is Verdict.WITHIN
    assert found["charging"].verdict is Verdict.WITHIN
