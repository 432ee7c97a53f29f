"""The checks on healthy diesels in traffic: nothing is wrong, and much is judged."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from logbench.analysis.model import Verdict
from logbench.analysis.run import run_checks
from logbench.analysis.states import find_states
from logbench.analysis.view import View
from logbench.car.model import Car
from logbench.recording.reader import Recording
from tests.analysis.diesel_roads import OFTEN, road_drive
from tests.analysis.real_diesels import judged_share, slow_drive


@pytest.mark.parametrize("seed", range(200, 216))
def test_a_healthy_diesel_in_traffic_is_judged_and_nothing_is_wrong(seed):
    found = run_checks(road_drive(seed))
    severe = [f for f in found if f.verdict.severity]
    assert not severe, [(f.heading, f.reason) for f in severe]
    assert judged_share(found) > 0.36


@pytest.mark.parametrize("day", [1, 3])
def test_an_idle_that_the_compressor_raises_is_judged_at_each_of_its_speeds(day):
    """Seen: a scatter of 30 rpm, for neither pressure nor air of a diesel shows the load."""
    view = View(slow_drive(3, day))
    found = {f.subject: f for f in run_checks(view, only=["idle"])}
    assert not [f.reason for f in found.values() if f.verdict.severity]
    states = view.once(find_states)
    assert (states.load_signal, states.parted_by) == ("", "RPM")
    assert states.steps


@pytest.mark.parametrize("seed", [200, 201, 205])
def test_the_heat_of_a_diesels_warm_up_is_judged_by_a_band_of_its_own(seed):
    """Seen: not applicable, though 150 to 314 g of air for each degree are known."""
    found = {f.subject: f for f in run_checks(road_drive(seed), only=["warm_up"])}
    heat = found["heat for the warm-up"]
    assert heat.verdict is Verdict.WITHIN, heat.reason
    assert heat.band is not None
    assert heat.band.key == "warm_up_air_compression"


def test_where_the_fuel_is_known_it_tells_the_heat_of_a_diesel():
    drive = road_drive(200, OFTEN + " LOAD_PCT", car=Car(displacement_l=1.6))
    load = drive.trace("LOAD_PCT")
    fuel = replace(load, signal="FUEL_RATE", value=0.3 + 0.09 * load.value)
    found = run_checks(Recording.of([*drive.traces(), fuel], drive.facts), only=["warm_up"])
    heat = next(f for f in found if f.subject == "heat for the warm-up")
    assert heat.band is not None
    assert heat.band.key == "warm_up_fuel_compression"
    assert "fuel rate" in heat.reason


@pytest.mark.parametrize("degc", [66.0, 73.0])
def test_a_heater_that_holds_a_diesel_down_in_winter_is_no_thermostat(degc):
    drive = road_drive(202)
    held = [
        replace(t, value=np.minimum(t.value, degc)) if t.signal == "ECT" else t
        for t in drive.traces()
    ]
    found = run_checks(Recording.of(held, drive.facts), only=["warm_up"])
    severe = [f for f in found if f.verdict is Verdict.ACT]
    assert not severe, [f.reason for f in severe]


@pytest.mark.parametrize("seed", [324, 409])
def test_a_warm_up_that_is_slow_or_pauses_is_no_thermostat(seed):
    """Seen: watch at 51 degC after 16 minutes of town in the cold, and at 60 for 39 seconds."""
    found = {f.subject: f for f in run_checks(road_drive(seed), only=["warm_up"])}
    level = found["settled coolant temperature"]
    assert level.verdict is Verdict.NOT_JUDGED, level.reason
