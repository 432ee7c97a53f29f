"""Manifold and barometric pressure."""

from __future__ import annotations

import numpy as np
import pytest

from logbench.analysis.model import Verdict
from logbench.analysis.run import run_checks
from logbench.recording.reader import Recording
from tests.analysis.scenes import IDLE, KEY_ON, Phase, Scene, compressor


def pressures(scene, altitude_m=None):
    recording = scene.recording()
    extra = {} if altitude_m is None else {"altitude_m": altitude_m}
    facts = recording.facts.model_copy(update={"extra": extra})
    whole = Recording.of([recording.trace(s, e) for s, e in recording.keys], facts)
    return {f.subject: f for f in run_checks(whole, only=["pressures"])}


def idle(map_kpa=34.0, off_kpa=100.0):
    key = Phase(**{**vars(KEY_ON), "map_kpa": off_kpa})
    return Scene([key, Phase(**{**vars(IDLE), "map_kpa": map_kpa})])


def test_a_healthy_engine():
    found = pressures(idle(), altitude_m=110.0)
    assert {f.verdict for f in found.values()} == {Verdict.WITHIN}
    # MOTOR magazine, August 2008: idle MAP about 34 kPa at sea level
    assert found["idle vacuum"].value == pytest.approx(66.0, abs=0.5)


@pytest.mark.parametrize(
    ("off", "verdict"), [(98, Verdict.WITHIN), (95, Verdict.WATCH), (88, Verdict.ACT)]
)
def test_engine_off_agreement(off, verdict):
    assert pressures(idle(off_kpa=off))["engine off"].verdict is verdict


@pytest.mark.parametrize(("off", "verdict"), [(101, Verdict.WITHIN), (111, Verdict.ACT)])
def test_one_reading_with_the_engine_off_is_judged_to_its_rounding(off, verdict):
    scene = Scene([Phase(1, 0, load=0, map_kpa=off), IDLE], hz=0.5)
    finding = pressures(scene)["engine off"]
    assert finding.verdict is verdict
    assert finding.uncertainty == pytest.approx(1.0)


def test_engine_off_is_held_against_the_barometer_of_that_time():
    scene = Scene([KEY_ON, IDLE, Phase(1800, 2000, kmh=80, tp=22)], hz=1.0)
    scene.set(BARO=np.where(scene.t_s < 200, 100.0, 88.0))  # then up a mountain
    assert pressures(scene)["engine off"].value == pytest.approx(0.0, abs=0.6)


def test_low_idle_vacuum_is_watched_never_acted_on():
    assert pressures(idle(map_kpa=55))["idle vacuum"].verdict is Verdict.WATCH
    assert pressures(idle(map_kpa=85))["idle vacuum"].verdict is Verdict.WATCH


def test_an_accessory_does_not_count_as_low_vacuum():
    loaded = compressor(Scene([Phase(300, 700, map_kpa=45.0)], hz=0.5), 40.0, 40.0)
    finding = pressures(loaded)["idle vacuum"]
    assert finding.value == pytest.approx(55.0, abs=1.0)
    assert "without an accessory's load" in finding.reason
    always = pressures(Scene([Phase(300, 860, map_kpa=58.0)]))["idle vacuum"]
    assert always.verdict is Verdict.WATCH
    assert "an accessory may have been on throughout" in always.reason


@pytest.mark.parametrize(
    # ICAO standard atmosphere, Doc 7488 (from memory): 79.5 kPa at 2,000 m, 101.3 at 0
    ("height", "baro", "verdict"),
    [(2000, 79.0, Verdict.WITHIN), (0, 101.0, Verdict.WITHIN), (0, 79.5, Verdict.ACT)],
)
def test_against_the_standard_atmosphere(height, baro, verdict):
    scene = idle(off_kpa=baro).set(BARO=baro)
    assert pressures(scene, altitude_m=height)["height"].verdict is verdict


def test_without_a_height_the_one_implied_is_a_figure():
    finding = pressures(idle(off_kpa=84.6).set(BARO=84.6))["height"]
    assert finding.verdict is Verdict.NOT_JUDGED
    # ICAO standard atmosphere, Doc 7488 (from memory): 84.56 kPa at 1,500 m
    assert finding.numbers["implied_height_m"] == pytest.approx(1500, abs=8)
    assert pressures(idle(), altitude_m="high")["height"].verdict is Verdict.NOT_JUDGED


def test_engine_off_map_stands_in_for_baro():
    found = pressures(idle().drop("BARO"))
    assert found["engine off"].verdict is Verdict.NOT_JUDGED
    assert found["idle vacuum"].verdict is Verdict.WITHIN


def test_a_stated_height_stands_in_for_the_pressure_around():
    scene = Scene([IDLE]).drop("BARO").set(MAP=30.0)
    assert pressures(scene)["idle vacuum"].verdict is Verdict.NOT_JUDGED
    finding = pressures(scene, altitude_m=1500.0)["idle vacuum"]
    # ICAO standard atmosphere, Doc 7488 (from memory): 84.56 kPa at 1,500 m
    assert finding.value == pytest.approx(84.56 - 30.0, abs=0.1)
    assert finding.uncertainty == pytest.approx(0.03 * 84.56, abs=0.2)
    assert finding.verdict is Verdict.WITHIN


def test_nothing_recorded():
    (only,) = pressures(Scene([IDLE]).drop("MAP", "BARO")).values()
    assert only.verdict is Verdict.NOT_JUDGED
