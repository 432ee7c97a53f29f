"""Whether somebody drives now: a speed that is not known is not standstill."""

from __future__ import annotations

import numpy as np
import pytest

from logbench.car.model import Car
from logbench.plot.motion import WALKING_KMH, MotionWatch
from logbench.plot.pyramid import Pyramid
from logbench.plot.trace import SECOND, Key, LiveTrace
from logbench.signals.values import Clock


def traces(**last: float) -> dict[Key, LiveTrace]:
    """Ten seconds of samples, each with this value."""
    t_ns = np.arange(21, dtype=np.int64) * SECOND // 2
    return {
        (signal, "7E8"): LiveTrace(signal, "7E8", "", Pyramid.of(t_ns, np.full(21, value)))
        for signal, value in last.items()
    }


NOW, LOST = Clock(10 * SECOND), Clock(10 * SECOND, comes=False)


@pytest.mark.parametrize(("last", "clock", "car", "moves"), [
    ({}, NOW, Car(), False),
    ({"VSS": 0.0, "RPM": 800.0}, NOW, Car(), False),
    ({"VSS": WALKING_KMH, "RPM": 800.0}, NOW, Car(), False),
    ({"VSS": 70.0, "RPM": 2200.0}, NOW, Car(), True),
    ({"VSS": 70.0, "RPM": 2200.0}, LOST, Car(), True),
    ({"VSS": 0.0, "RPM": 800.0}, LOST, Car(), True),
    ({"VSS": 0.0, "RPM": 0.0}, LOST, Car(), False),
    ({"RPM": 800.0}, NOW, Car(), True),
    ({"RPM": 0.0}, NOW, Car(), False),
    ({"RPM": 0.0}, NOW, Car(hybrid=True), True),
    ({"ECT": 90.0}, NOW, Car(), True),
])  # fmt: skip
def test_only_a_standstill_that_the_car_tells_now_is_one(last, clock, car, moves):
    watch = MotionWatch()
    assert watch.look(traces(**last), clock, car) == moves
    assert watch.moves == moves
    assert watch.forget() == moves
    assert not watch.moves


def test_a_car_that_was_driven_stands_only_at_zero():
    watch, car = MotionWatch(), Car()
    for speed, moves in ((3.0, False), (30.0, True), (3.0, True), (0.0, False), (3.0, False)):
        watch.look(traces(VSS=speed, RPM=900.0), NOW, car)
        assert watch.moves == moves, speed
