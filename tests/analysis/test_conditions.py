"""Driving conditions on hand-made scenes at several rates, and on real drives."""

from __future__ import annotations

import numpy as np
import pytest

from logbench.analysis.grid import Grid, Traces, schmitt
from logbench.analysis.model import Condition, Span
from logbench.analysis.view import View
from logbench.recording.model import Facts, Trace
from logbench.recording.reader import Recording
from tests.analysis.scenes import (
    CRUISE,
    FULL,
    HOLD,
    IDLE,
    KEY_ON,
    OVERRUN,
    Phase,
    Scene,
    warm_drive,
)
from tests.road_data import read_road_csv

CRANK = Phase(2, 200, load=0, map_kpa=98, loop=1)


def seconds(recording, condition: Condition) -> float:
    return sum(s.duration_s for s in View(recording).conditions.spans if s.condition is condition)


@pytest.mark.parametrize("hz", [10.0, 2.0, 1.0])
def test_every_condition_is_found_at_any_rate(hz):
    scene = Scene(warm_drive(), hz=hz)
    found = {c: seconds(scene.recording(), c) for c in Condition}
    assert found[Condition.KEY_ON] == pytest.approx(5, abs=1.5)
    assert found[Condition.WARM_IDLE] == pytest.approx(124, abs=14)
    assert found[Condition.FAST_IDLE] == pytest.approx(40, abs=6)
    assert found[Condition.CRUISE] == pytest.approx(100, abs=16)  # the hill is one, too
    assert found[Condition.FULL_THROTTLE] == pytest.approx(5, abs=2.5)
    assert found[Condition.FUEL_CUT] == pytest.approx(16, abs=7)
    assert found[Condition.COLD_IDLE] == 0


def test_cranking_key_on_and_engine_off():
    stopped = Phase(6, 0, load=0, map_kpa=100, loop=0)
    scene = Scene([KEY_ON, CRANK, IDLE, stopped, CRANK, IDLE])
    spans = View(scene.recording()).conditions.spans
    order = [s.condition for s in spans if s.condition is not Condition.OTHER]
    assert order == [
        Condition.KEY_ON,
        Condition.CRANKING,
        Condition.WARM_IDLE,
        Condition.ENGINE_OFF,
        Condition.CRANKING,
        Condition.WARM_IDLE,
    ]
    cranks = [s for s in spans if s.condition is Condition.CRANKING]
    assert all(1.0 < s.duration_s < 4.0 for s in cranks)
    assert sum(s.duration_s for s in spans if s.condition is Condition.ENGINE_OFF) > 4.0


def test_a_cold_engine_idles_cold_and_faster():
    scene = Scene([KEY_ON, Phase(60, 1500)]).set(ECT=20.0)
    assert seconds(scene.recording(), Condition.COLD_IDLE) > 55
    assert seconds(scene.recording(), Condition.WARM_IDLE) == 0


def test_acceleration():
    scene = Scene([IDLE, Phase(12, 2500, tp=40, pedal=35, load=70)])
    t = scene.t_s
    scene.set(VSS=np.clip((t - 61.5) * 5.0, 0, 60))
    assert 8 < seconds(scene.recording(), Condition.ACCELERATION) < 12.5


def test_short_flickers_do_not_count():
    scene = Scene([IDLE])
    rpm = scene.signals["RPM"].copy()
    rpm[300:302] = 1200.0  # a single odd sample or two
    assert seconds(scene.set(RPM=rpm).recording(), Condition.WARM_IDLE) > 50


def test_a_gap_is_no_condition_and_nothing_is_steady_in_it():
    scene = Scene([IDLE, CRUISE])
    keep = (scene.t_s < 20) | (scene.t_s > 50)
    traces = [
        Trace(n, "7E8", "", np.round(scene.t_s[keep] * 1e9).astype(np.int64), v[keep])
        for n, v in scene.signals.items()
    ]
    view = View(Recording.of(traces))
    gap = Span(int(20.2e9), int(49.8e9))
    for span in (*view.conditions.spans, *view.steady_spans()):
        assert span.end_ns <= gap.start_ns or span.start_ns >= gap.end_ns


def test_transients_and_their_delay_are_not_steady():
    view = View(Scene([IDLE, HOLD, IDLE]).recording())
    for span in view.steady_spans():
        for change in (60.0, 100.0):
            after = (span.start_ns / 1e9) - change
            assert not (-0.5 < after < 3.0), "settling counts as steady"
    assert len(view.steady_spans()) == 3


@pytest.mark.parametrize(
    "dropped", [("TP",), ("APP_D",), ("TP", "APP_D"), ("MAP", "LOAD_PCT"), ("FUELSYS1",)]
)
def test_fewer_signals_still_give_conditions(dropped):
    recording = Scene(warm_drive()).drop(*dropped).recording()
    assert seconds(recording, Condition.WARM_IDLE) > 100
    assert seconds(recording, Condition.FAST_IDLE) > 30
    assert seconds(recording, Condition.CRUISE) > 80


def test_what_is_inferred_is_said():
    full = View(Scene(warm_drive()).recording()).conditions
    assert full.notes == ()
    assert full.loop_recorded
    bare = View(Scene(warm_drive()).drop("FUELSYS1", "VSS", "ECT").recording()).conditions
    assert not bare.loop_recorded
    assert len(bare.notes) == 3


def test_closed_loop_is_as_recorded():
    view = View(Scene([IDLE, FULL, OVERRUN, IDLE]).recording())
    closed = view.stretches(view.conditions.closed_loop)
    assert [round(s.duration_s) for s in closed] == [60, 60]
    for told, shut in ((16.0, True), (8.0, False)):  # SAE J1979: closed with a fault, open for one
        faulty = View(Scene([IDLE]).set(FUELSYS1=told).recording()).conditions
        assert faulty.closed_loop.any() == shut


def test_without_engine_speed_conditions_are_rough_but_there():
    recording = Scene([CRUISE]).drop("RPM").recording()
    assert seconds(recording, Condition.CRUISE) > 50
    assert "Engine speed was not recorded" in View(recording).conditions.notes[0]


def test_an_empty_recording_has_none():
    assert View(Recording.of([], Facts())).conditions.spans == ()
    nothing = Trace("RPM", "7E8", "rpm", np.empty(0, np.int64), np.empty(0))
    assert View(Recording.of([nothing])).conditions.spans == ()


def test_schmitt_holds_between_its_limits():
    x = np.array([0, 5, 8, 5, 3, 5, np.nan, 5, 9.0])
    assert schmitt(x, 8, 4).tolist() == [0, 0, 1, 1, 0, 0, 0, 0, 1]
    assert schmitt(x, 4, 7).tolist() == [1, 1, 0, 0, 1, 1, 0, 0, 0]


def test_grid_windows_are_those_of_a_plain_loop():
    scene = Scene(warm_drive(), hz=5.0)
    grid = Grid(Traces(scene.recording()))
    rpm = grid.linear("RPM")
    got = grid.span_of(rpm, 3.0, 0.4)
    rng = np.random.default_rng(0)
    for i in rng.integers(20, len(rpm) - 20, 50):
        part = rpm[i - 15 : i + 3]
        assert got[i] >= np.ptp(part) - 1e-9
        assert got[i] <= np.ptp(rpm[i - 16 : i + 4]) + 1e-9
    rate = grid.rate_per_s(rpm, 2.0)
    assert rate[100] == pytest.approx((rpm[105] - rpm[95]) / 2.0)


def test_real_idle_drive(shared_dir):
    recording = read_road_csv(shared_dir / "data/road-1hz/idle1.csv")
    found = {c: seconds(recording, c) for c in Condition}
    # the car stands for all 590 s, below 70 degC for the first half (read off the rows)
    assert found[Condition.COLD_IDLE] + found[Condition.WARM_IDLE] > 560
    assert found[Condition.CRUISE] == found[Condition.ACCELERATION] == 0


def test_real_road_drive(shared_dir):
    recording = read_road_csv(shared_dir / "data/road-1hz/long1.csv")
    found = {c: seconds(recording, c) for c in Condition}
    speed = recording.trace("VSS")
    standing_s = float(np.mean(speed.value < 1.0)) * recording.duration_ns / 1e9
    assert found[Condition.WARM_IDLE] <= standing_s + 10
    assert found[Condition.CRUISE] > 300
    assert found[Condition.FUEL_CUT] > 100
    assert found[Condition.KEY_ON] > 0


# --- what other engines do ---


def diesel_scene(*phases: Phase) -> Scene:
    return Scene([KEY_ON, IDLE, *phases]).drop("FUELSYS1", "LOAD_PCT", "TP")


def test_a_filter_that_is_told_to_regenerate_is_no_warm_idle():
    scene = diesel_scene(CRUISE, IDLE)
    told = (scene.t_s > scene.starts[2] + 20.0).astype(float)
    recording = scene.set(DPF_REGEN=told, MAP=100.0).recording(fuel="diesel")
    assert seconds(recording, Condition.REGENERATION) == pytest.approx(99, abs=4)
    assert seconds(recording, Condition.WARM_IDLE) == pytest.approx(60, abs=4)


@pytest.mark.parametrize(("hot_s", "found_s"), [(100.0, 100.0), (40.0, 0.0)])
def test_without_being_told_heat_at_the_filter_has_to_last(hot_s, found_s):
    scene = diesel_scene(Phase(150, 2000, kmh=80, pedal=15))
    start = scene.starts[2] + 20.0
    hot = (scene.t_s >= start) & (scene.t_s < start + hot_s)
    recording = scene.set(DPF1_INT=np.where(hot, 610.0, 300.0), MAP=100.0).recording(fuel="diesel")
    assert seconds(recording, Condition.REGENERATION) == pytest.approx(found_s, abs=3)


def test_cruise_control_gives_fuel_without_a_foot():
    """Seen: every drive with it was one long overrun."""
    scene = diesel_scene(Phase(60, 2000, kmh=110), Phase(20, 2000, kmh=110))
    pressure = np.where(scene.t_s < scene.starts[3], 145.0, 101.0)
    cruising = scene.set(MAP=pressure).recording(fuel="diesel")
    assert seconds(cruising, Condition.FUEL_CUT) == pytest.approx(20, abs=3)
    assert seconds(cruising, Condition.CRUISE) == pytest.approx(58, abs=4)


def test_without_a_pedal_the_fuel_tells_the_overrun():
    scene = diesel_scene(CRUISE, Phase(20, 1900, kmh=78)).drop("APP_D")
    fuel = np.where(scene.t_s < scene.starts[3], 4.0, 0.0)
    recording = scene.set(FUEL_RATE=fuel, MAP=100.0).recording(fuel="diesel")
    assert seconds(recording, Condition.FUEL_CUT) == pytest.approx(20, abs=3)


def test_glow_plugs_are_heated_before_the_start_and_not_after():
    scene = diesel_scene(CRUISE)
    recording = scene.set(GPL_STAT=(scene.t_s < 3.0).astype(float)).recording(fuel="diesel")
    order = [s.condition for s in View(recording).conditions.spans][:2]
    assert order == [Condition.GLOW, Condition.KEY_ON]


ROLLING = Phase(30, 0, kmh=35, load=0, map_kpa=100, loop=0)
STANDING = Phase(30, 0, load=0, map_kpa=100, loop=0)


@pytest.mark.parametrize(
    ("hybrid", "stop_start", "electric_s", "halt_s"),
    [(True, None, 60, 30), (False, True, 0, 30), (False, False, 0, 0)],
)
def test_an_engine_that_rests_on_the_way(hybrid, stop_start, electric_s, halt_s):
    """Away before the engine first ran, on the way, at a halt, and switched off at the end."""
    scene = Scene([ROLLING, CRUISE, ROLLING, IDLE, STANDING, IDLE, Phase(40, 0, map_kpa=100)])
    recording = scene.recording(hybrid=hybrid, stop_start=stop_start)
    assert seconds(recording, Condition.ELECTRIC) == pytest.approx(electric_s, abs=4)
    assert seconds(recording, Condition.HALT) == pytest.approx(halt_s, abs=4)
    assert seconds(recording, Condition.ENGINE_OFF) >= 38
