"""Plateaus of warm idle: steps of an accessory's load against the swings of the engine itself."""

from __future__ import annotations

import numpy as np
import pytest

from logbench.analysis.model import Verdict
from logbench.analysis.run import run_checks
from logbench.analysis.states import States, find_states
from logbench.analysis.view import View
from logbench.simulator.driver import Phase as SimulatedPhase
from logbench.simulator.driver import Schedule
from tests.analysis.scenes import KEY_ON, Phase, Scene, compressor, hunting
from tests.analysis.simulated import WARM, simulated
from tests.road_data import imported

LONG = Phase(300, 700)


def states(scene: Scene) -> States:
    return View(scene.recording()).once(find_states)


def speeds(scene: Scene, loaded: bool) -> list[float]:
    view = View(scene.recording())
    plateaus = [p for p in view.once(find_states).plateaus if p.loaded is loaded]
    found = view.samples(plateaus, "RPM")
    return [float(found.value[found.group == k].mean()) for k in np.unique(found.group)]


@pytest.mark.parametrize("hz", [20.0, 2.0, 0.5, 0.3])
def test_a_compressor_makes_two_levels_at_any_rate(hz):
    scene = compressor(Scene([LONG], hz=hz), on_s=40.0, off_s=40.0)
    found = states(scene)
    assert found.load_signal == "MAP"
    assert found.steps == 7
    assert speeds(scene, False) == pytest.approx([700.0] * 4, abs=8)
    assert speeds(scene, True) == pytest.approx([860.0] * 4, abs=8)


@pytest.mark.parametrize("dropped", [("MAP",), ("MAP", "LOAD_PCT")])
def test_another_signal_tells_the_load_where_pressure_is_not_recorded(dropped):
    scene = compressor(Scene([LONG]), 40.0, 40.0).drop(*dropped)
    found = states(scene)
    if len(dropped) == 1:
        assert (found.load_signal, found.steps) == ("LOAD_PCT", 7)
    else:
        assert (found.load_signal, found.steps) == ("", 0)
        assert {p.loaded for p in found.plateaus} == {None}


def test_one_level_is_neither_loaded_nor_not():
    found = states(Scene([LONG]))
    assert [p.loaded for p in found.plateaus] == [None]
    assert found.unburdened == found.plateaus


@pytest.mark.parametrize("period_s", [2.0, 4.0, 7.0, 10.0])
@pytest.mark.parametrize("hz", [10.0, 1.0])
def test_a_swing_is_no_accessory(period_s, hz):
    scene = hunting(Scene([LONG], hz=hz), 100.0, period_s, map_kpa=8.0)
    assert states(scene).steps == 0


def test_a_reading_that_jumps_is_no_accessory():
    scene = Scene([LONG], hz=5.0)
    jumps = np.arange(len(scene.t_s)) % 400 < 3
    found = states(scene.set(MAP=32.0 + 60.0 * jumps))
    assert found.steps == 0
    assert {p.loaded for p in found.plateaus} == {None}


def test_what_follows_a_start_is_no_plateau():
    found = states(Scene([KEY_ON, Phase(60, 700)]))
    assert found.plateaus[0].start_ns / 1e9 == pytest.approx(5 + 30, abs=2)
    joined = Scene([Phase(60, 700)])  # the recording began 10 s after the start
    found = states(joined.set(RUNTM=np.floor(joined.t_s + 10.0)))
    assert found.plateaus[0].start_ns / 1e9 == pytest.approx(20, abs=2)


def test_a_gear_engaged_against_the_brake_is_a_load():
    # speed falls a little, pressure rises: an automatic that stands in drive, then in neutral
    phases = [Phase(40, 700, map_kpa=32), Phase(40, 640, map_kpa=40)] * 2
    scene = Scene(phases)
    scene.set(MAP=scene.signals["MAP"] + scene.rng.normal(0.0, 0.4, len(scene.t_s)))
    assert speeds(scene, False) == pytest.approx([700.0] * 2, abs=3)
    assert speeds(scene, True) == pytest.approx([640.0] * 2, abs=3)


def test_a_compressor_that_never_rests_leaves_no_plateau_of_use():
    scene = compressor(Scene([LONG], hz=0.5), on_s=12.0, off_s=9.0)
    (found, *_) = run_checks(scene.recording(), only=["idle"])
    assert "between a start and the steps of its load" in found.reason


def test_the_compressor_of_a_simulated_car():
    idle = Schedule("idle", (*WARM.phases[:2], SimulatedPhase("idle", "idle", 400)), warm=True)
    wanted = ("RPM", "VSS", "ECT", "MAP", "LOAD_PCT", "TP", "SPARKADV", "BARO")

    def found(cooled: bool):
        # in the cold, without the steps of the radiator's fan
        recording = simulated(10_005, {}, idle, wanted, cooled=cooled, ambient_degc=0.0)
        return View(recording).once(find_states), run_checks(recording, only=["idle"])

    still, _ = found(cooled=False)  # what the start took is charged before the first plateau
    assert [plateau.loaded for plateau in still.plateaus] == [False]
    comes_and_goes, findings = found(cooled=True)
    assert comes_and_goes.steps >= 6
    assert {f.verdict for f in findings} == {Verdict.WITHIN}
    numbers = {k: v for f in findings for k, v in f.numbers.items()}
    assert 100 < numbers["loaded_rpm"] - numbers["idle_rpm"] < 200  # IDLE_UP_RPM of powertrain


@pytest.mark.parametrize(
    ("name", "plain", "loaded", "plateaus"),
    # by hand from the raw rows: engine speed of the longest stretch on each side of the steps
    [
        ("idle11", 654, 853, 2),
        ("idle14", 651, 852, 4),
        ("idle41", 651, 855, 4),
        ("idle7", 651, None, 1),
    ],
)
def test_the_compressor_of_the_open_road_data(shared_dir, tmp_path, name, plain, loaded, plateaus):
    view = View(imported(shared_dir / f"data/road-repeats/{name}.csv.gz", tmp_path))
    found = view.once(find_states)
    assert len([p for p in found.plateaus if p.duration_s > 30.0]) >= plateaus
    rpm = view.samples(found.unburdened, "RPM").value
    assert float(np.median(rpm)) == pytest.approx(plain, abs=3)
    if loaded is None:
        assert found.steps == 0
    else:
        rpm = view.samples([p for p in found.plateaus if p.loaded], "RPM").value
        assert float(np.median(rpm)) == pytest.approx(loaded, abs=5)
