"""Which readings are believed, and what the other checks do without the others."""

from __future__ import annotations

import numpy as np
import pytest

from logbench.analysis.model import Coverage, Verdict
from logbench.analysis.run import run_checks
from logbench.analysis.view import View
from logbench.recording.model import Facts, Trace
from logbench.recording.reader import Recording
from tests.analysis.scenes import CRUISE, HILL, IDLE, KEY_ON, OVERRUN, Phase, Scene

rng = np.random.default_rng(16)


def town(minutes: int = 12, hz: float = 2.0) -> Scene:
    """A drive with stops whose signals move as real ones do: in steps of their resolution."""
    block = [Phase(20, 720), CRUISE, HILL, OVERRUN, Phase(30, 1500, kmh=35, load=40, map_kpa=45)]
    phases = [Phase(5, 0, load=0, map_kpa=100, loop=0), IDLE, *block * (minutes // 3)]
    scene = Scene(phases, hz=hz).trims()
    n, on = len(scene.t_s), scene.signals["RPM"] > 0.0
    for name, scatter, step in (("RPM", 8.0, 0.25), ("MAP", 0.7, 1.0), ("LOAD_PCT", 0.8, 0.4)):
        noisy = scene.signals[name] + on * rng.normal(0.0, scatter, n)
        scene.signals[name] = np.round(noisy / step) * step
    scene.signals["VSS"] = np.round(
        scene.signals["VSS"] + (scene.signals["VSS"] > 3) * 0.6 * rng.normal(size=n)
    )
    scene.signals["SHRTFT1"] = np.round(scene.signals["SHRTFT1"] / 0.78125) * 0.78125
    heat = 25.0 + 63.0 * (1.0 - np.exp(-scene.t_s / 150.0)) + np.sin(scene.t_s / 25.0)
    soak = 28.0 + 6.0 * np.cumsum(np.where(scene.signals["VSS"] < 3, 1.0, -0.3)) / n * minutes
    scene.set(ECT=np.round(heat), IAT=np.round(soak + np.sin(scene.t_s / 30.0)), LONGFT1=0.0)
    return scene.set(VPWR=np.where(on, 14.0, 12.4))


def sensors(recording: Recording) -> dict:
    return {f.subject: f for f in run_checks(recording, only=["sensors"])}


def frozen(scene: Scene, name: str, at: float = 0.3) -> Scene:
    values = scene.signals[name].copy()
    first = int(at * len(values))
    values[first:] = values[first]
    return scene.set(**{name: values})


def imported(recording: Recording) -> Recording:
    facts = recording.facts.model_copy(update={"extra": {"import": {"file": "log.csv"}}})
    return Recording.of(recording.traces(), facts)


def test_nothing_is_odd_about_a_drive_with_stops():
    (only,) = sensors(town().recording()).values()
    assert only.verdict is Verdict.WITHIN
    assert only.numbers["tested"] >= 6.0


@pytest.mark.parametrize("name", ["ECT", "IAT", "VSS", "SHRTFT1", "MAP", "RPM", "LOAD_PCT"])
def test_a_frozen_signal_is_found_and_left_out(name):
    scene = frozen(town(), name)
    view = View(scene.recording())
    finding = sensors(scene.recording())[name]
    assert finding.verdict.severity > 0
    assert "it keeps one value" in finding.reason
    assert [o.signal for o in view.oddities] == [name]
    rest = view.trace(name)
    assert rest is not None
    assert rest.t_s[-1] <= 0.35 * scene.t_s[-1]
    assert len(view.recorded.first(name)) == len(scene.t_s)


def test_where_it_is_left_out_is_said():
    found = run_checks(frozen(town(), "ECT").recording())
    for check in ("fuel_trim", "warm_up", "idle"):
        reasons = [f.reason for f in found if f.check == check]
        assert reasons
        assert all("ECT was left out in part: it keeps one value" in r for r in reasons), reasons
    assert not any("ECT was left out" in f.reason for f in found if f.check == "recording")


def test_a_stop_is_no_frozen_speed_but_a_pull_at_a_standstill_is_odd():
    scene = frozen(town(), "VSS", at=0.01)
    finding = sensors(scene.recording())["VSS"]
    assert "it stays at 0 km/h" in finding.reason
    assert "pulls at 60 % load or more" in finding.reason
    revved = Scene([KEY_ON, IDLE, *[Phase(1, 4000, load=85, map_kpa=95), IDLE] * 5]).trims()
    assert "VSS" not in sensors(revved.recording())


def test_a_released_pedal_is_not_dead():
    drive = [Phase(60, 2000, kmh=v, pedal=p, load=v / 2) for v, p in ((60, 20), (90, 30))]
    rolled = [*drive, *(Phase(60, 1500, kmh=v, load=v / 2) for v in (80, 50, 70)), *drive]
    assert "APP_D" not in sensors(Scene(rolled).recording())


def test_a_trim_that_is_switched_off_is_not_frozen():
    """Diesel engines report trims of 0; the overrun switches them off; the voltage of a
    wide-range sensor is often a constant."""
    scene = town().drop("FUELSYS1")
    off = scene.set(SHRTFT1=0.0, O2S11_24=1.5).recording()
    assert not View(off).oddities
    block = [*[Phase(5, 1500 + 400 * (k % 2), kmh=60, load=8, map_kpa=24) for k in range(24)], IDLE]
    hills = Scene([IDLE, CRUISE, *block, CRUISE, IDLE]).trims().drop("FUELSYS1")
    rolling = hills.signals["LOAD_PCT"] < 15.0
    hills.signals["SHRTFT1"] = np.where(rolling, 0.0, hills.signals["SHRTFT1"])
    hills.signals["LOAD_PCT"] = np.where(rolling, 0.0, hills.signals["LOAD_PCT"])
    odd = {o.signal for o in View(hills.recording()).oddities}
    assert not odd & {"SHRTFT1", "LOAD_PCT"}


def test_dropouts_only_cost_the_readings_that_are_none():
    scene = town()
    coolant = scene.signals["ECT"].copy()
    coolant[40::97] = -40.0
    recording = scene.set(ECT=coolant).recording()
    finding = sensors(recording)["ECT"]
    assert finding.verdict is Verdict.ACT
    assert "out of range (−40 °C)" in finding.reason
    left = View(recording).trace("ECT")
    assert left is not None
    assert len(left) == np.count_nonzero(coolant > -40.0)
    assert sensors(imported(recording))["ECT"].verdict is Verdict.WATCH
    assert (
        "watch at most: the program that wrote the file"
        in sensors(imported(recording))["ECT"].reason
    )


def test_a_mixture_sensor_that_is_not_ready_is_no_fault():
    scene = town()
    stops = (scene.t_s % 60.0 < 5.0) & (scene.t_s > 60.0)
    recording = scene.set(LAMBDA11=np.where(stops, 0.0, 1.0 + 0.01 * np.sin(scene.t_s))).recording()
    (only,) = sensors(recording).values()
    assert only.verdict is Verdict.WITHIN
    assert View(recording).trace("LAMBDA11").value.min() > 0.9


def test_a_trim_at_its_upper_end_is_a_reading():
    scene = town()
    scene.signals["LONGFT1"][500:] = 99.21875
    assert View(scene.recording()).trace("LONGFT1").value.max() > 99.0


def test_one_reading_that_is_lost_is_told_but_no_fault():
    scene = town()
    scene.signals["ECT"][400] = -40.0
    (only,) = sensors(scene.recording()).values()
    assert only.verdict is Verdict.WITHIN
    assert "ECT: 1 of its" in only.reason


def test_a_speed_that_drops_to_zero_within_moments():
    scene = town()
    fast = np.flatnonzero(scene.signals["VSS"] > 60.0)
    scene.signals["VSS"][fast[::50]] = 0.0
    finding = sensors(scene.recording())["VSS"]
    assert "it leaps away and back" in finding.reason
    assert finding.value == pytest.approx(len(fast[::50]), abs=1)


def test_a_temperature_that_leaps():
    scene = town()
    scene.signals["IAT"][[300, 301, 700, 900]] += 40.0
    assert "it leaps away and back" in sensors(scene.recording())["IAT"].reason


def test_an_air_pressure_that_no_road_has_is_not_believed():
    """A barometer of 31 kPa was believed: 'would be 8944 m'."""
    recording = town().set(BARO=31.0).recording()
    (only,) = sensors(recording).values()
    assert "BARO: it is 31 kPa throughout, which is not a reading" in only.reason
    found = run_checks(recording, only=["pressures"])
    assert not any("8944" in f.reason for f in found)
    off = next(f for f in found if f.subject == "engine off")
    assert off.verdict is Verdict.NOT_JUDGED
    assert "BARO was left out: it is 31 kPa throughout" in off.reason


def test_a_signal_that_the_logger_never_had_is_told_but_no_fault():
    """LAMBDA was 0 in every row, unnoticed."""
    (only,) = sensors(imported(town().set(LAMBDA=0.0).recording())).values()
    assert only.verdict is Verdict.WITHIN
    assert "LAMBDA: it is 0 throughout, which is not a reading" in only.reason
    assert View(town().set(LAMBDA=0.0).recording()).trace("LAMBDA") is None


@pytest.mark.parametrize(("degc", "cause"), [(-40.0, "open"), (215.0, "shorted")])
def test_a_dead_thermistor(degc, cause):
    recording = town().set(IAT=degc).recording()
    finding = sensors(recording)["IAT"]
    assert finding.verdict is Verdict.ACT
    assert cause in finding.causes[0]
    assert "IAT" not in sensors(imported(recording))


def test_minus_forty_in_the_arctic_is_the_weather():
    scene = town().set(AAT=-40.0)
    scene.set(ECT=scene.signals["ECT"] - 60.0, IAT=np.minimum(scene.signals["IAT"], 30) - 68.0)
    assert "AAT" not in {o.signal for o in View(scene.recording()).oddities}


def test_an_engine_speed_of_zero_while_the_engine_runs():
    """RPM stuck at 0 while voltage and MAP show a running engine."""
    finding = sensors(town().set(RPM=0.0).recording())["RPM"]
    assert finding.verdict is Verdict.WATCH
    assert "it is 0 rpm, throughout, while the others say that the engine runs" in finding.reason


def test_a_value_that_no_byte_can_hold():
    (only,) = sensors(town().set(LOAD_PCT=300.0).recording()).values()
    assert "LOAD_PCT: it is 300 % throughout" in only.reason


def test_what_comes_to_rest_by_itself_is_not_frozen():
    scene = town(24)
    slow = np.round(20.0 + 40.0 * (1.0 - np.exp(-scene.t_s / 180.0)))
    assert not View(scene.set(ECT=slow).recording()).oddities
    road = Scene([Phase(60, 720), Phase(900, 2500, kmh=110, load=50, map_kpa=55)], hz=2.0)
    road.signals["RPM"] += np.round(rng.normal(0.0, 8.0, len(road.t_s)))
    air = np.round(20.0 + 12.0 * np.exp(-road.t_s / 60.0))
    assert "IAT" not in {o.signal for o in View(road.set(IAT=air).recording()).oddities}


def test_a_link_that_stops_everything_blames_no_sensor():
    scene = town()
    half = len(scene.t_s) // 2
    for name, values in scene.signals.items():
        scene.signals[name] = np.where(np.arange(len(values)) > half, values[half], values)
    assert not [
        o for o in View(scene.recording()).oddities if o.signal in ("MAP", "LOAD_PCT", "VSS")
    ]


def test_nothing_that_can_be_tested():
    t_ns = np.arange(100, dtype=np.int64) * 10**9
    recording = Recording.of([Trace("FUEL_LVL", "7E8", "%", t_ns, np.full(100, 40.0))], Facts())
    (only,) = sensors(recording).values()
    assert only.coverage is Coverage.NOT_RECORDED
