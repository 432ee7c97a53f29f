"""Idle stability, speed and timing within states of load."""

from __future__ import annotations

import numpy as np
import pytest

from logbench.analysis.model import Coverage, Verdict
from logbench.analysis.run import run_checks
from logbench.analysis.statistics import spread_of_pieces
from tests.analysis.injected import FAULTS, Rows
from tests.analysis.scenes import CRUISE, IDLE, KEY_ON, Phase, Scene, compressor, hunting
from tests.road_data import imported

LONG = Phase(300, 700)


def idle(scene: Scene):
    return {f.subject: f for f in run_checks(scene.recording(), only=["idle"])}


@pytest.mark.parametrize("hz", [10.0, 0.5])
@pytest.mark.parametrize(
    ("sd", "verdict"), [(6, Verdict.WITHIN), (22, Verdict.WATCH), (60, Verdict.ACT)]
)
def test_stability(sd, verdict, hz):
    scene = Scene([KEY_ON, Phase(400, 720)], hz=hz)
    rpm = scene.signals["RPM"]
    scene.set(RPM=np.where(rpm > 600, rpm + scene.rng.normal(0, sd, len(rpm)), rpm))
    finding = idle(scene)["idle stability"]
    assert finding.verdict is verdict
    assert abs(finding.value - sd) < finding.uncertainty * 1.5


@pytest.mark.parametrize("hz", [10.0, 0.5])
def test_a_compressor_is_neither_unsteady_nor_a_wrong_speed(hz):
    found = idle(compressor(Scene([LONG], hz=hz), 40.0, 40.0).set(SPARKADV=10.0))
    assert {f.verdict for f in found.values()} == {Verdict.WITHIN}
    numbers = found["idle speed"].numbers
    assert numbers == pytest.approx({"idle_rpm": 700.0, "loaded_rpm": 860.0}, abs=3.0)
    assert "rpm without an accessory's load" in found["idle speed"].reason
    assert abs(found["idle speed"].value) < 15


@pytest.mark.parametrize("rpm", [80.0, 150.0, 250.0])
@pytest.mark.parametrize("period_s", [2.5, 4.0, 7.0, 10.0])
@pytest.mark.parametrize("hz", [10.0, 1.0, 0.5])
@pytest.mark.parametrize("cycling", [False, True])
def test_hunting_is_found(rpm, period_s, hz, cycling):
    scene = hunting(Scene([LONG], hz=hz), rpm, period_s, map_kpa=4.0, jitter_s=0.1)
    if cycling:
        scene = compressor(scene, 40.0, 40.0)
    assert idle(scene)["idle stability"].verdict.severity >= 1


def test_without_a_signal_of_load_a_swing_is_watched_at_most():
    scene = hunting(Scene([LONG]), 100.0, 4.0).drop("MAP", "LOAD_PCT")
    finding = idle(scene)["idle stability"]
    assert finding.verdict is Verdict.WATCH
    assert "nothing recorded tells its load" in finding.reason


def test_hunting_of_an_idle_that_never_settles_is_watched():
    scene = hunting(compressor(Scene([LONG], hz=0.5), 12.0, 9.0), 100.0, 4.0, jitter_s=0.3)
    finding = idle(scene)["idle stability"]
    assert finding.verdict is Verdict.WATCH
    assert "too short a time to settle" in finding.reason


def test_the_reason_is_the_rate_where_it_is_the_rate():
    finding = idle(Scene([Phase(50, 700)], hz=0.25))["idle stability"]
    assert finding.verdict is Verdict.NOT_JUDGED
    assert "RPM was read every 4.0 s" in finding.reason
    short = idle(Scene([Phase(20, 700)]))["idle stability"]
    assert "Less than three settled stretches of 10 s" in short.reason
    assert short.coverage is Coverage.NOT_RECORDED


def test_one_reading_is_none():
    (only,) = idle(Scene([Phase(0.05, 700)])).values()
    assert only.verdict is Verdict.NOT_JUDGED


def test_a_speed_that_is_not_kept():
    scene = Scene([IDLE, CRUISE, Phase(60, 950), CRUISE, IDLE, CRUISE, IDLE]).set(SPARKADV=12.0)
    found = idle(scene)
    assert found["idle speed"].verdict is Verdict.WATCH
    assert found["idle speed"].value == pytest.approx(230, abs=5)
    assert "plateaus at 720, 950, 720, 720 rpm" in found["idle speed"].reason
    late = idle(Scene([IDLE]).set(SPARKADV=-20.0))["ignition timing at idle"]
    assert late.verdict is Verdict.WATCH


def test_what_is_judged_does_not_grow_with_the_length_of_the_drive():
    rng = np.random.default_rng(3)
    found = []
    for minutes in (2, 8, 32, 64):
        scene = Scene([Phase(60.0 * minutes, 700)], hz=2.0)
        wander = np.repeat(rng.normal(0, 15, len(scene.t_s) // 20 + 1), 20)[: len(scene.t_s)]
        scene.set(RPM=700 + wander + rng.normal(0, 5, len(scene.t_s)))
        found.append(abs(idle(scene)["idle speed"].value))
    assert found[3] < 1.5 * found[1]


def test_a_spread_covers_the_truth_as_often_as_it_says():
    # an independent oracle: normal numbers of a known standard deviation
    rng = np.random.default_rng(1)
    inside = 0
    for _ in range(300):
        group = np.repeat(np.arange(8), 6)
        t = np.tile(np.arange(6.0), 8)
        spread = spread_of_pieces(t, rng.normal(0, 10, 48) + 3.0 * t, group)
        inside += spread.low <= 10.0 <= spread.high
    assert 0.90 <= inside / 300 <= 0.99


@pytest.mark.parametrize("name", ["idle10", "idle11", "idle14", "idle37", "idle41", "idle9"])
def test_the_compressor_of_the_open_road_data_is_no_fault_and_hunting_is(
    shared_dir, tmp_path, name
):
    recording = imported(shared_dir / f"data/road-repeats/{name}.csv.gz", tmp_path)
    found = {f.subject: f for f in run_checks(recording, only=["idle"])}
    assert {f.verdict for f in found.values()} == {Verdict.WITHIN}
    hunts = next(fault for fault in FAULTS if "hunts" in fault.name)
    rows = Rows(name, tuple(recording.traces()), recording.facts)
    (stability, *_) = run_checks(hunts.put(rows), only=["idle"])
    assert stability.verdict is Verdict.ACT
