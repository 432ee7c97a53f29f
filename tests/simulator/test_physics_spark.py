"""Fuel, purge and camshaft of spark engines, healthy and not.

Facts: stoichiometric ratio 14.7 of gasoline and 9.0 of ethanol (textbooks); what a purge valve and
a camshaft do to trims and manifold pressure: common practice (trade-notes 1, 2 and 6).
"""

from __future__ import annotations

from dataclasses import replace
from statistics import fmean, pstdev

import pytest

from logbench.simulator.cars import Car, blend_of, named_car
from logbench.simulator.day import STANDARD
from logbench.simulator.drawn import draw_car
from logbench.simulator.drive import Drive
from logbench.simulator.driver import Phase, Schedule
from tests.simulator.test_physics_faults import CRUISE, HILL, HOLD, IDLE, short

START = (Phase("key on", "key on", 3), Phase("crank", "crank", 6))
LONG_IDLE = Schedule("idle", (*START, Phase("idle", "idle", 700)), warm=True)


def total(drive: Drive, seconds: float) -> float:
    """Mean total trim of bank 1 over the next seconds."""
    seen = []
    end_s = drive.t_s + seconds
    while drive.t_s < end_s - 1e-6:
        drive.advance(drive.t_s + 0.5)
        r = drive.readings("7E8")
        seen.append(r["SHRTFT1"] + r["LONGFT1"])
    return fmean(seen)


@pytest.mark.parametrize("key", ["demo", "demo-v6", "demo-small"])
def test_wrong_ethanol_moves_all_trims_alike(key: str):
    healthy, wrong = short(key), short(key, "wrong_ethanol", 0.5)
    moved = [wrong.trims[p][0] - healthy.trims[p][0] for p in (IDLE, HOLD, HILL, CRUISE)]
    # 30 % ethanol: 14.7 / (14.7 - 0.30 x 5.7) is 13 % more fuel
    assert fmean(moved) == pytest.approx(13.0, abs=1.2)
    assert max(moved) - min(moved) < 2.0


def test_purge_stuck_open_is_rich_while_the_canister_gives_and_lean_when_it_is_empty():
    drive = Drive(named_car("demo"), {"purge_open": 0.7}, LONG_IDLE, day=STANDARD, learned=False)
    drive.advance(30)
    first = total(drive, 40)
    drive.advance(100)
    assert drive.readings("7E8")["EVAP_PCT"] < 1.0  # commanded shut: nothing of it by the trims
    drive.advance(620)
    last = total(drive, 60)
    assert first < -4.0
    assert last > 8.0


def test_an_open_purge_valve_leaks_only_by_vacuum():
    healthy, stuck = short("demo"), short("demo", "purge_open", 1.0)
    assert abs(stuck.trims[HILL][0] - healthy.trims[HILL][0]) < 2.0
    assert stuck.trims[HOLD][0] < healthy.trims[HOLD][0] - 2.0


def full_load(fault: str) -> tuple[float, float]:
    """Torque from 1,500 to 2,300 and from 4,300 rpm, Nm, at full throttle."""
    pull = (*START, Phase("roll", "cruise", 15, 25), Phase("pull", "pull", 20, 0.9))
    drive = Drive(named_car("demo-small"), {fault: 1.0} if fault else None,
                  Schedule("pull", pull, warm=True), day=STANDARD)  # fmt: skip
    low, high = [], []
    while not drive.done:
        drive.advance(drive.t_s + 0.05)
        s = drive.state
        if s.demand > 0.98 and s.locked:
            low += [s.torque_nm] if 1500 < s.rpm < 2300 else []
            high += [s.torque_nm] if s.rpm > 4300 else []
    return fmean(low), fmean(high)


def test_a_stuck_camshaft_costs_torque_at_low_speed_and_steadiness():
    healthy, stuck = short("demo"), short("demo", "cam_stuck", 1.0)
    assert stuck.map_kpa[IDLE] > healthy.map_kpa[IDLE] + 8.0
    assert abs(stuck.trims[IDLE][0] - healthy.trims[IDLE][0]) < 3.0  # the air is metered
    assert "P0011" in stuck.codes
    (low, high), (less, same) = full_load(""), full_load("cam_stuck")
    assert less < 0.88 * low
    assert same == pytest.approx(high, rel=0.04)
    rough = {}
    for severity in (0.0, 0.5, 1.0):
        drive = Drive(named_car("demo"), {"cam_stuck": severity}, LONG_IDLE, day=STANDARD)
        drive.advance(40)
        rpm = []
        while drive.t_s < 100:
            drive.advance(drive.t_s + 0.1)
            rpm.append(drive.readings("7E8")["RPM"])
        rough[severity] = pstdev(rpm)
    # trade-notes 8: deviation of a settled idle up to 15 good, over 30 suspect
    assert rough[0.0] < 10.0
    assert rough[0.0] + 5.0 < rough[0.5] < rough[1.0]


def flex(ethanol: float, age: str) -> Car:
    """A flexible-fuel car; of the late age it has a sensor."""
    return replace(draw_car(3, "flex"), ethanol=ethanol, age=age)


@pytest.mark.parametrize("ethanol", [0.0, 0.27, 0.85])
def test_a_flex_car_takes_any_fuel(ethanol: float):
    drive = Drive(flex(ethanol, "late"), None, LONG_IDLE, day=STANDARD)
    drive.advance(60)
    # the decoded share is the tank's, as good as such sensors are: 5 points [CP]
    assert drive.readings("7E8")["ALCH_PCT"] == pytest.approx(100 * ethanol, abs=5.0)
    assert abs(total(drive, 60)) < 8.0
    s = drive.state
    # mass balance: air over fuel is the blend's stoichiometric ratio
    assert s.air_cyl_g_s / s.fuel_g_s == pytest.approx(14.7 * blend_of(ethanol), rel=0.06)
    assert 0x52 in drive.supported("7E8")


def test_the_share_is_learned_after_refuelling_where_nothing_measures_it():
    drive = Drive(flex(0.5, "early"), None, LONG_IDLE, day=replace(STANDARD, filled=0.3))
    drive.advance(20)
    before = abs(drive.readings("7E8")["ALCH_PCT"] - 50.0)
    lean = total(drive, 20)
    drive.advance(690)
    assert lean > 6.0
    assert abs(drive.readings("7E8")["ALCH_PCT"] - 50.0) < 0.4 * before
    assert abs(total(drive, 5)) < 0.5 * lean


def test_other_cars_do_not_speak_of_ethanol():
    assert 0x52 not in Drive(named_car("demo"), None, LONG_IDLE).supported("7E8")
