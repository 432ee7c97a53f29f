"""Warm-up against heat input: the driving must not matter, the heat must."""

from __future__ import annotations

import numpy as np
import pytest

from logbench.analysis.comparison.warmup_curves import compare_cranking, compare_warm_up
from logbench.analysis.view import View
from tests.analysis.scenes import KEY_ON, Phase, Scene


def warm_up(flows: list[float], degc_per_g: float, start_degc: float = 20.0, **more) -> View:
    """A start after which coolant rises by exactly so much for each gram of air."""
    phases = [KEY_ON, Phase(2, 250), *(Phase(120, 1500, kmh=40) for _ in flows)]
    made = Scene(phases, hz=5.0)
    flow = made.over([0.0, 0.0, *flows])
    heat = np.cumsum(flow) / 5.0
    made.set(MAF=flow, ECT=np.minimum(90.0, start_degc + heat * degc_per_g), AAT=15.0, **more)
    return View(made.recording())


def test_other_driving_takes_other_minutes_and_the_same_heat():
    found = compare_warm_up([warm_up([4, 4, 8, 8], 0.03)], [warm_up([10, 3, 6, 9], 0.03)])
    assert found.ratio is not None
    assert found.ratio.value == pytest.approx(0.0, abs=3.0)
    assert not found.changed


def test_half_as_much_heat_again_is_a_change():
    found = compare_warm_up([warm_up([6, 6, 8, 8], 0.04)], [warm_up([8, 8, 9, 12], 0.04 / 1.5)])
    assert found.ratio is not None
    assert found.ratio.value == pytest.approx(50.0, abs=4.0)
    assert found.ratio.low <= 50.0 <= found.ratio.high
    assert found.changed


def test_other_weather_widens_the_interval():
    near = compare_warm_up([warm_up([6, 8, 8], 0.04)], [warm_up([6, 8, 8], 0.04)])
    far = warm_up([6, 8, 8], 0.04)
    far.trace("AAT").value[:] = -10.0
    apart = compare_warm_up([warm_up([6, 8, 8], 0.04)], [far])
    assert apart.ratio.half_width > 1.3 * near.ratio.half_width
    assert "25 K colder" in apart.reason


def test_what_does_not_compare_is_said():
    cold, hot = warm_up([6, 8, 8], 0.04), warm_up([6, 8], 0.04, start_degc=80.0)
    found = compare_warm_up([cold], [hot])
    assert found.ratio is None
    assert "no start from below 50 °C on the after side" in found.reason
    short = compare_warm_up([cold], [warm_up([1], 0.04)])
    assert short.ratio is None
    assert "share less than" in short.reason
    bare = View(Scene([KEY_ON, Phase(60, 800)], hz=5.0).drop("MAP", "LOAD_PCT").recording())
    assert "record RPM, ECT and MAF" in compare_warm_up([bare], [cold]).reason


def test_cranking_shows_voltages_and_judges_nothing():
    def start(lowest: float, degc: float) -> View:
        made = Scene([KEY_ON, Phase(3, 250), Phase(30, 800)], hz=10.0)
        volts = np.where((made.t_s > 5.5) & (made.t_s < 7.5), lowest, 13.8)
        return View(made.set(VPWR=volts, ECT=degc).recording())

    found = compare_cranking([start(9.1, 20.0)], [start(10.6, 22.0)])
    assert "9.1 V before, 10.6 V after" in found.reason
    assert "not judged" in found.reason
    apart = compare_cranking([start(9.1, 20.0)], [start(10.6, 85.0)])
    assert "temperature differs" in apart.reason
    none = compare_cranking([start(9.1, 20.0)], [View(Scene([Phase(30, 800)]).recording())])
    assert "no start with a voltage on the after side" in none.reason
