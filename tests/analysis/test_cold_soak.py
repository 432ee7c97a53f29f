"""Agreement of temperature sensors after standing."""

from __future__ import annotations

import pytest

from logbench.analysis.causes.catalog import NAMED
from logbench.analysis.model import Verdict
from logbench.analysis.run import run_checks
from logbench.recording.reader import Recording
from tests.analysis.scenes import IDLE, KEY_ON, Scene
from tests.road_data import read_road_csv


def soak(ect=20.0, iat=21.0, aat=None, hours=None, scene=None):
    scene = scene or Scene([KEY_ON, IDLE], hz=5)
    scene.set(ECT=ect, IAT=iat)
    if aat is not None:
        scene.set(AAT=aat)
    recording = scene.recording()
    facts = recording.facts.model_copy(update={"extra": {"soak_hours": hours} if hours else {}})
    whole = Recording.of([recording.trace(s, e) for s, e in recording.keys], facts)
    return {f.subject: f for f in run_checks(whole, only=["cold_soak"])}


AGREE = "agreement before the start"


def test_sensors_that_agree():
    finding = soak(aat=19.0)[AGREE]
    assert finding.verdict is Verdict.WITHIN
    assert finding.numbers == {"ect": 20.0, "iat": 21.0, "aat": 19.0}


def test_the_odd_one_of_three_is_the_suspect():
    finding = soak(ect=20, iat=41, aat=21, hours=8)[AGREE]
    assert finding.reason.startswith("IAT against the others")
    assert finding.verdict is Verdict.ACT
    assert finding.causes[0] == NAMED["air_temp_off"].text


def test_a_warm_engine_is_left_over_heat_unless_it_is_known_to_have_stood():
    assert soak(ect=38, iat=20)[AGREE].verdict is Verdict.NOT_JUDGED
    assert soak(ect=38, iat=20, hours=9)[AGREE].verdict is Verdict.ACT
    assert soak(ect=70, iat=20)[AGREE].verdict is Verdict.NOT_JUDGED


def test_coolant_colder_than_all_air_needs_no_soak_time():
    finding = soak(ect=-2, iat=20, aat=19)[AGREE]
    assert finding.verdict is Verdict.ACT
    assert finding.causes[0] == NAMED["ect_wrong"].text


def test_unsoaked_air_sensors_are_watched_at_most():
    assert soak(ect=20, iat=40, aat=21)[AGREE].verdict is Verdict.WATCH


def test_a_dead_sensor_is_left_out():
    found = soak(iat=-40, aat=20)
    assert found[AGREE].verdict is Verdict.WITHIN  # of the others
    assert "IAT was left out: it is −40 °C throughout" in found[AGREE].reason


def test_without_the_start_nothing_is_judged():
    running = Scene([IDLE], hz=5)
    assert soak(scene=running)[AGREE].verdict is Verdict.NOT_JUDGED
    (only,) = run_checks(Scene([IDLE]).drop("ECT", "IAT").recording(), only=["cold_soak"])
    assert only.verdict is Verdict.NOT_JUDGED
    assert only.next_steps


@pytest.mark.parametrize(("name", "judged"), [("idle1", True), ("drive5", True), ("long1", False)])
def test_real_cold_starts_agree(shared_dir, name, judged):
    # first rows by hand: idle1 ECT 28 IAT 26, drive5 26 and 26; long1 starts at 80 °C
    recording = read_road_csv(shared_dir / f"data/road-1hz/{name}.csv")
    (finding,) = run_checks(recording, only=["cold_soak"])
    assert finding.verdict is (Verdict.WITHIN if judged else Verdict.NOT_JUDGED)
