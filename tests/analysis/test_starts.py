"""When the engine stood still and when it was started, by all signals that can tell."""

from __future__ import annotations

import numpy as np
import pytest

from logbench.analysis.grid import Traces
from logbench.analysis.model import Condition, Span
from logbench.analysis.run import run_checks
from logbench.analysis.starts import Standing, find_standing
from logbench.analysis.view import View
from logbench.recording.model import Trace
from logbench.recording.reader import Recording
from tests.analysis.scenes import CRUISE, IDLE, KEY_ON, Phase, Scene
from tests.road_data import imported


def readings(**signals: list[tuple[float, float]]) -> Recording:
    """Each signal as pairs of seconds and value, read one after the other."""
    traces = []
    for name, pairs in signals.items():
        t_s, values = zip(*pairs, strict=True)
        t_ns = (np.array(t_s) * 1e9).astype(np.int64)
        traces.append(Trace(name, "7E8", "", t_ns, np.array(values, float)))
    return Recording.of(traces)


def standing(recording: Recording) -> Standing:
    return find_standing(Traces(recording))


RUNS = [(8.0, 800.0), (10.0, 750.0), (12.0, 760.0)]


def test_a_reading_of_zero_that_is_shown_while_the_starter_turns_is_none_of_a_standstill():
    # as in the open data, idle10: RPM still 0 when MAP has fallen from 101 to 95
    stale = readings(
        RPM=[(0, 0), (2, 0), (4, 0), *RUNS],
        MAP=[(0.5, 101), (2.5, 101), (3.5, 95), (6.5, 32), (9.0, 33)],
        VPWR=[(1.0, 12.4), (3.0, 12.4), (5.0, 11.9), (7.0, 12.8)],
    )
    found = standing(stale)
    assert found.still == (Span(0, int(3.5e9)),)
    assert found.starts == (Span(int(3.5e9), int(8e9)),)


def test_a_sag_of_the_voltage_begins_the_start():
    found = standing(
        readings(RPM=[(0, 0), (2, 0), (4, 0), *RUNS], VPWR=[(1, 12.4), (3, 9.4), (5, 11.9)])
    )
    assert found.key_on == (Span(0, int(3e9)),)
    assert len(found.starts) == 1


def test_nothing_is_known_between_the_last_standstill_and_the_first_running():
    one = standing(readings(RPM=[(0, 0), *RUNS], VPWR=[(0, 12.4), (1, 9.4)]))
    assert one.key_on == (Span(0, 1),)
    assert one.starts == (Span(1, int(8e9)),)
    late = readings(RPM=[(0, 0), (60, 800), (62, 800)])
    assert standing(late).starts == ()


@pytest.mark.parametrize("signal", ["MAP", "MAF", "VPWR"])
def test_an_engine_speed_stuck_at_zero_is_no_engine_off(signal):
    scene = Scene([IDLE, CRUISE]).set(RPM=0.0, MAF=6.0, VPWR=14.0)
    scene.drop(*{"MAP", "MAF", "VPWR"} - {signal})
    view = View(scene.recording())
    assert view.conditions.standing.contradicted
    assert view.spans(Condition.KEY_ON, Condition.ENGINE_OFF, Condition.CRANKING) == ()
    assert any("reads 0" in note for note in view.conditions.notes)
    found = {f.subject: f for f in run_checks(view, only=["charging", "pressures"])}
    if signal == "VPWR":
        assert "surely at a standstill" in found["rest before the start"].reason
    if signal == "MAP":
        assert "surely at a standstill" in found["engine off"].reason


def test_a_voltage_held_up_is_believed_where_the_manifold_is_at_rest():
    # a charger, or the converter of a hybrid
    scene = Scene([KEY_ON, IDLE]).set(VPWR=14.0)
    assert len(View(scene.recording()).conditions.standing.key_on) == 1


def test_engine_off_between_two_runs_is_not_key_on_before_the_start():
    scene = Scene([KEY_ON, IDLE, Phase(10, 0, load=0, map_kpa=100), IDLE])
    scene.set(VPWR=scene.over([12.4, 14.2, 12.7, 14.2]))
    found = standing(scene.recording())
    assert len(found.still) == len(found.starts) == 2
    assert len(found.key_on) == 1


def test_real_starts_are_those_of_the_raw_rows(shared_dir, tmp_path):
    # by hand: idle10 has RPM 0 until 2.9 s, MAP 101 until it reads 95 at 1.47 s, then 32
    view = View(imported(shared_dir / "data/road-repeats/idle10.csv.gz", tmp_path))
    (still,) = view.conditions.standing.key_on
    assert still.end_ns / 1e9 == pytest.approx(1.47, abs=0.02)
    (start,) = view.conditions.standing.starts
    assert start.end_ns / 1e9 == pytest.approx(2.95, abs=0.02)
    found = {f.subject: f for f in run_checks(view, only=["pressures"])}
    assert found["engine off"].value == pytest.approx(101 - 102, abs=1.0)
