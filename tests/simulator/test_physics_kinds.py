"""Every kind of car drives every schedule: healthy, to its end, and as asked."""

from __future__ import annotations

from typing import get_args

import pytest

from logbench.simulator.cars import Car, Kind, named_car
from logbench.simulator.drawn import draw_car
from logbench.simulator.drive import Drive
from logbench.simulator.driver import SCHEDULE_NAMES, schedule, wltc_trace_kmh

NAMED = ("demo-charged", "demo-hybrid", "demo-flex", "demo-diesel")


def drawn(kind: Kind, number: int) -> Car:
    return draw_car(100 + number, kind)


@pytest.mark.parametrize("name", SCHEDULE_NAMES)
@pytest.mark.parametrize("kind", get_args(Kind))
def test_every_kind_drives_every_schedule(kind: Kind, name: str):
    for number in range(2):
        drive = Drive(drawn(kind, number), None, schedule(name), seed=number)
        limit_s = drive.schedule.duration_s + 1.0
        fastest = 0.0
        while not drive.done:
            drive.advance(drive.t_s + 0.5)
            s = drive.state
            assert drive.t_s <= limit_s
            assert 0.0 <= s.rpm < 1.06 * drive.car.redline_rpm
            assert 5.0 < s.p_man_kpa < 330.0
            assert 8.0 < drive.battery_v() < 15.6
            fastest = max(fastest, s.speed_m_s * 3.6)
        assert drive.memory.codes(0x03) == drive.memory.codes(0x07) == ()
        assert drive.state.speed_m_s == 0.0
        if name == "wltc":
            assert fastest == pytest.approx(max(wltc_trace_kmh()), abs=2.5)
            assert drive.state.distance_m == pytest.approx(23_266, rel=0.006)


@pytest.mark.parametrize("name", NAMED)
def test_the_named_ones_are_of_their_kind(name: str):
    car = named_car(name)
    assert car.kind == name.removeprefix("demo-")
    drive = Drive(car, None, schedule("short-drive"))
    drive.advance(40.0)
    own = {"demo-charged": 0x70, "demo-hybrid": 0x5B, "demo-flex": 0x52, "demo-diesel": 0x10}
    assert own[name] in drive.supported("7E8")
    assert drive.state.running
    assert drive.memory.codes(0x03) == ()
