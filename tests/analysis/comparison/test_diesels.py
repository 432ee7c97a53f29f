"""Diesels before and after: by what sets their load, with their own scatter, without a loop."""

from __future__ import annotations

import itertools
from dataclasses import replace

import numpy as np
import pytest

from logbench.analysis.comparison.cells import choose_axis, rules_for
from logbench.analysis.comparison.compare import compare
from logbench.analysis.comparison.daily import learn
from logbench.analysis.comparison.results import SignalVerdict
from logbench.analysis.repeats import OF_CARS
from logbench.analysis.view import View
from logbench.recording.model import Trace
from logbench.recording.reader import Recording
from tests.analysis.comparison.real_pairs import Drive, shares_cells
from tests.analysis.diesel_roads import road_drive
from tests.analysis.real_diesels import pairs_compared
from tests.analysis.scenes import Scene, warm_drive


@pytest.fixture(scope="module")
def drives() -> list[Drive]:
    return [Drive.of(f"{seed}", road_drive(seed)) for seed in range(100, 110)]


PAIRS = list(itertools.combinations(range(10), 2))


@pytest.mark.parametrize("learned", [False, True])
def test_untouched_drives_share_operating_points_and_nothing_is_claimed(drives, learned):
    """Seen: three pairs in ten listed MAF or the flap, which recirculation and filter move."""
    tally, listed = pairs_compared(drives, PAIRS, learned)
    warm = sum(d.view.conditions.warm.sum() > 300 for d in drives)
    assert tally.pairs >= 0.9 * warm * (warm - 1) / 2
    assert tally.claims["any"] <= 0.1 * tally.pairs, listed


@pytest.mark.parametrize(
    ("signals", "axis"),
    [
        ("RPM VSS MAP MAF ECT APP_D", "APP_D"),
        ("RPM VSS MAP MAF ECT APP_D LOAD_PCT", "LOAD_PCT"),
        ("RPM VSS MAP MAF ECT", "MAP"),
    ],
)
def test_what_asks_for_fuel_is_the_load_of_a_diesel(signals, axis):
    views = [View(road_drive(seed, signals)) for seed in (102, 109)]
    chosen = choose_axis(views[:1], views[1:])
    assert chosen is not None
    assert chosen.key in (axis, axis.replace("MAP", "PRESSURE_RATIO"))
    assert not rules_for(views[:1], views[1:]).closed_loop


def test_fuel_for_each_revolution_is_the_load_where_it_is_known():
    drive = road_drive(102, "RPM VSS MAP MAF ECT LOAD_PCT")
    load = drive.trace("LOAD_PCT")
    fuel = Trace("FUEL_RATE", "7E8", "", load.t_ns + 1000, 0.4 + 0.08 * load.value)
    view = View(Recording.of([*drive.traces(), fuel], drive.facts))
    axis = choose_axis([view], [view])
    assert axis is not None
    assert axis.key == "FUEL_REV"
    values = axis.values(view)
    assert values is not None
    idle = (view.grid.linear("RPM") < 800) & (view.grid.linear("RPM") > 700)
    # 0.4 + 0.08 * 18 = 1.84 l/h of 835 g/l at 12.8 turns a second: 33 mg
    assert np.nanmedian(values[idle]) == pytest.approx(33.0, abs=6.0)


def test_a_gasoline_engines_load_stays_its_pressure():
    scene = Scene(warm_drive()).trims()
    scene.set(APP_D=20.0)
    view = View(scene.recording())
    axis = choose_axis([view], [view])
    assert axis is not None
    assert axis.key == "PRESSURE_RATIO"


def test_charge_pressure_that_is_lost_shows_at_the_same_pedal():
    """With the pressure for an axis it could not be compared at all."""
    good, bad = road_drive(102), road_drive(109)
    changed = [
        replace(t, value=np.where(t.value > 104, 104 + 0.35 * (t.value - 104), t.value))
        if t.signal == "MAP"
        else t
        for t in bad.traces()
    ]
    found = compare([good], [Recording.of(changed, bad.facts)])
    pressure = next(s for s in found.signals if s.key == "MAP")
    assert pressure.verdict is SignalVerdict.CHANGED, pressure.reason
    assert shares_cells(found)
    assert not [s for s in found.signals if s.key == "TP"]
    assert not [c for c in found.concerns if "closed loop" in c.text]


def test_what_is_learned_of_a_diesel_starts_from_what_diesels_do(drives):
    learned = learn([d.numbers for d in drives])
    assert learned.compression
    diesel, other = (OF_CARS.of_engine(kind).of("MAP") for kind in (True, False))
    assert diesel.at(110.0).single > other.at(110.0).single
    assert learned.of("MAP").basis == diesel.basis
