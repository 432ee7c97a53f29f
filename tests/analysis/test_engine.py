"""The engine model: what engine a recording shows, how sure that is, and what hangs on it."""

from __future__ import annotations

import re
from dataclasses import replace

import numpy as np
import pytest

from logbench.analysis.airflow import find_displacement
from logbench.analysis.applicability import WHOLE
from logbench.analysis.comparison.compare import compare
from logbench.analysis.comparison.results import SignalVerdict
from logbench.analysis.engine import MOST_SURE, Clue, Engine, Trait, know, learned, weigh
from logbench.analysis.findings import UNLESS
from logbench.analysis.learned import engine_told, learn_from
from logbench.analysis.model import Condition, Coverage, Verdict
from logbench.analysis.run import run_checks
from logbench.analysis.view import View
from logbench.car.identity import Ecu, Identity
from logbench.car.model import Car
from logbench.recording.model import Facts, Trace
from logbench.recording.reader import Recording
from logbench.simulator.drawn import draw_car
from tests.analysis.diesel import IDLE as DIESEL_IDLE
from tests.analysis.diesel import TOWN, diesel_drive
from tests.analysis.fleet import fleet_schedule
from tests.analysis.scenes import CRUISE, IDLE, Phase, Scene, warm_drive
from tests.analysis.simulated import COLD, WANTED, WARM, simulated

FAULTS = ({}, {"unmetered_air": 1.0}, {"weak_fuel": 1.0}, {"ect_offset": 1.0})


def engine_of(recording: Recording) -> Engine:
    return View(recording).engine


# --- how clues come together ---


def test_without_a_clue_nothing_is_known():
    engine = engine_of(Recording.of([], Facts()))
    assert not engine.told
    assert engine[Trait.COMPRESSION].probability == 0.5
    assert engine.holds(Trait.COMPRESSION) is None
    assert not learned(engine).is_stated
    assert learned(engine) == Car()


def test_clues_of_one_group_tell_the_same_and_count_less():
    trait = Trait.COMPRESSION
    alone = weigh(trait, [Clue(trait, "a", 2.0)])
    apart = weigh(trait, [Clue(trait, "a", 2.0), Clue(trait, "b", 2.0)])
    same = weigh(trait, [Clue(trait, "a", 2.0, "one"), Clue(trait, "b", 2.0, "one")])
    assert alone.probability < same.probability < apart.probability
    assert same.probability == pytest.approx(1.0 / (1.0 + np.exp(-3.0)))
    many = weigh(trait, [Clue(trait, str(k), 3.0) for k in range(9)])
    assert many.probability == MOST_SURE


def test_what_a_person_stated_is_certain_whatever_was_seen():
    engine = know(Car(fuel="Gasoline"), [Clue(Trait.COMPRESSION, "lean", 9.0)])
    assert engine[Trait.COMPRESSION].probability == 0.0
    assert engine[Trait.COMPRESSION].text == "a spark-ignition engine (as stated)"
    assert learned(engine) == Car()


def test_what_earlier_drives_gave_is_a_clue_and_no_more():
    kept = learned(engine_of(diesel_drive()))
    assert kept.fuel == "diesel"
    assert kept.source("fuel") == "worked out"
    assert engine_of(diesel_drive(signals="RPM VSS ECT", car=kept)).holds(Trait.COMPRESSION)
    scene = Scene(warm_drive()).trims().recording()
    scene.facts.vehicle = kept
    assert engine_of(scene).holds(Trait.COMPRESSION) is False


@pytest.mark.parametrize("fuel", ["", "unobtainium", "rocket"])
def test_a_fuel_that_no_one_knows_states_nothing(fuel):
    assert not engine_of(Recording.of([], Facts(vehicle=Car(fuel=fuel)))).told


# --- compression ignition ---


@pytest.mark.parametrize("seed", range(4))
def test_a_diesel_is_known_by_its_air(seed):
    engine = engine_of(diesel_drive(seed))
    known = engine[Trait.COMPRESSION]
    assert 0.9 < known.probability <= MOST_SURE
    assert "no flap throttles its idle" in known.why
    assert "its air hardly falls without load" in known.why
    assert engine.holds(Trait.CHARGED)
    assert engine.metering == "both"


@pytest.mark.parametrize(
    ("signals", "holds"),
    [
        ("RPM VSS MAP", True),
        ("RPM VSS MAF", True),
        ("RPM VSS MAF TP", True),
        ("RPM VSS TP", None),
        ("RPM VSS ECT", None),
        ("RPM", None),
    ],
)
def test_of_fewer_signals_it_is_less_sure(signals, holds):
    assert engine_of(diesel_drive(signals=signals)).holds(Trait.COMPRESSION) is holds


def test_an_open_flap_is_no_full_throttle():
    view = View(diesel_drive())
    full = sum(s.duration_s for s in view.spans(Condition.FULL_THROTTLE))
    assert 4.0 < full < 12.0  # the pull
    assert sum(s.duration_s for s in view.spans(Condition.CRUISE)) > 300.0
    assert sum(s.duration_s for s in view.spans(Condition.WARM_IDLE)) > 40.0
    bare = View(diesel_drive(signals="RPM VSS MAP TP ECT"))
    assert not bare.spans(Condition.FULL_THROTTLE)
    assert not bare.spans(Condition.FUEL_CUT)


def test_a_flap_that_stands_open_is_no_full_throttle_of_an_unknown_engine():
    view = View(diesel_drive(signals="RPM TP VSS ECT", stretches=(TOWN, TOWN)))
    assert view.engine.holds(Trait.COMPRESSION) is None
    assert not view.spans(Condition.FULL_THROTTLE)


def test_two_drives_of_a_diesel_can_be_compared():
    found = compare([diesel_drive(1)], [diesel_drive(2)])
    by_key = {signal.key: signal for signal in found.signals}
    for key in ("MAF", "MAP"):
        assert by_key[key].verdict is SignalVerdict.NO_CHANGE, by_key[key].reason
        assert by_key[key].before_s > 60.0


# --- what hangs on it ---

OF_SPARK = (
    ("fuel_trim", "fuel_trim: total fuel trim"),
    ("oxygen_sensors", "oxygen_sensors: oxygen sensors and lambda"),
    ("warm_up", "warm_up: time to closed loop"),
    ("pressures", "pressures: idle vacuum"),
    ("idle", "idle: ignition timing at idle"),
    ("throttle_pedal", "throttle_pedal: full throttle reached"),
)
OFTEN = "RPM VSS MAP MAF TP ECT IAT APP_D APP_E AAT"
WITH_LOAD = "RPM VSS MAP MAF TP ECT IAT LOAD_PCT BARO"


@pytest.mark.parametrize("liters", [None, 1.6])
@pytest.mark.parametrize("signals", [OFTEN, WITH_LOAD, "RPM MAF VSS TP ECT", "RPM MAP VSS TP ECT"])
@pytest.mark.parametrize("seed", range(3))
def test_nothing_is_wrong_with_a_healthy_diesel(signals, liters, seed):
    """Seen: heat for the warm-up and idle vacuum called healthy ones faulty."""
    recording = diesel_drive(seed, signals=signals, car=Car(displacement_l=liters))
    severe = [f for f in run_checks(recording) if f.verdict.severity]
    assert not severe, [(f.heading, f.reason) for f in severe]


@pytest.mark.parametrize("value", [0.0, -1.5625])
def test_trims_that_a_diesel_reports_without_having_any_are_not_stuck(value):
    drive = diesel_drive(signals=WITH_LOAD)
    t_ns = drive.trace("RPM").t_ns
    names = ("SHRTFT1", "LONGFT1")
    still = [Trace(name, "7E8", "", t_ns + 1000, np.full(len(t_ns), value)) for name in names]
    found = run_checks(Recording.of([*drive.traces(), *still], drive.facts))
    assert not [f.heading for f in found if f.verdict.severity]
    trims = [f.coverage for f in found if f.heading == "sensors: SHRTFT1"]
    assert trims == ([] if value == 0.0 else [Coverage.NOT_APPLICABLE])


@pytest.mark.parametrize("cold", [-8.0, 12.0])
def test_a_healthy_diesel_that_warms_up_slowly_is_not_faulty(cold):
    recording = diesel_drive(start_degc=cold, stretches=(DIESEL_IDLE,) * 14)
    severe = [f for f in run_checks(recording) if f.verdict.severity]
    assert not severe, [(f.heading, f.reason) for f in severe]


def test_what_does_not_apply_says_so_in_one_finding_and_why():
    found = run_checks(diesel_drive(signals=WITH_LOAD, car=Car(displacement_l=1.6)))
    by_name = {f"{f.check}: {f.subject}": f for f in found}
    for check, name in OF_SPARK:
        finding = by_name[name]
        assert finding.coverage is Coverage.NOT_APPLICABLE, finding.reason
        assert re.match(
            r"This is probably a compression-ignition engine \(9\d %\): ", finding.reason
        )
        rows = [row for row in UNLESS[check] if Trait.COMPRESSION in row.traits]
        assert rows[0].subject != WHOLE or [f for f in found if f.check == check] == [finding]


def test_what_a_person_stated_is_not_called_probable():
    scene = Scene(warm_drive(20.0, 20.0, 20.0, 20.0)).trims()
    stated = run_checks(scene.recording(fuel="diesel"), only=["fuel_trim"])
    assert [f.reason for f in stated] == [
        "This is a compression-ignition engine (as stated): no trims hold its mixture at one value."
    ]


def test_while_it_is_not_known_what_it_is_nothing_that_hangs_on_it_is_act():
    drive = Scene([*warm_drive()], hz=5)
    drive.set(ECT=np.minimum(88.0, 10.0 + drive.t_s * 0.25), MAF=30.0, IAT=20.0)
    drive.drop("MAP", "FUELSYS1", "TP", "LOAD_PCT", "BARO")
    sure, unsure = (
        next(f for f in run_checks(drive.recording(1.0, **facts)) if f.subject.startswith("heat"))
        for facts in ({"fuel": "gasoline"}, {})
    )
    assert sure.verdict is Verdict.ACT
    assert unsure.verdict is Verdict.WATCH
    assert "it is not known whether it is a compression-ignition engine" in unsure.reason


def test_valves_that_throttle_leave_no_vacuum_to_judge():
    scene = Scene(warm_drive()).trims()
    scene.set(MAP=97.0 + 2.0 * np.sin(scene.t_s), TP=70.0, SPARKADV=20.0 + 8.0 * np.sin(scene.t_s))
    found = {f.subject: f for f in run_checks(scene.recording(), only=["pressures"])}
    assert found["idle vacuum"].coverage is Coverage.NOT_APPLICABLE
    assert "throttled by its valves" in found["idle vacuum"].reason


# --- spark ignition ---


@pytest.mark.parametrize("seed", range(20_000, 20_008))
def test_simulated_cars_are_known_for_what_they_are(seed):
    car, faults = draw_car(seed), FAULTS[seed % len(FAULTS)]
    faults = faults if car.has_maf else {}
    engine = engine_of(simulated(seed, faults, fleet_schedule(seed), stated=False))
    truth = {
        Trait.COMPRESSION: False,
        Trait.FLOW_SENSOR: car.has_maf,
        Trait.PRESSURE_SENSOR: car.has_map,
        Trait.CHARGED: car.turbo,
        Trait.VALVE_THROTTLED: False,
        Trait.TWO_BANKS: car.banks == 2,
        Trait.STOP_START: False,
        Trait.HYBRID: False,
        Trait.FIXED_GEARS: True,
    }
    for trait, holds in truth.items():
        assert engine.holds(trait) in (holds, None), engine[trait].text
    assert engine.holds(Trait.COMPRESSION) is False
    assert engine.holds(Trait.FLOW_SENSOR) is car.has_maf


def test_an_engine_that_its_valves_throttle_is_no_diesel():
    scene = Scene(warm_drive()).trims()
    scene.set(MAP=97.0 + 2.0 * np.sin(scene.t_s), TP=70.0, SPARKADV=20.0 + 8.0 * np.sin(scene.t_s))
    engine = engine_of(scene.recording())
    assert engine.holds(Trait.COMPRESSION) is False
    assert engine.holds(Trait.VALVE_THROTTLED)


@pytest.mark.parametrize("fewer", ["RPM VSS MAF ECT", "RPM VSS MAF"])
@pytest.mark.parametrize("schedule", [WARM, COLD, None])
def test_a_gasoline_engine_of_which_only_the_airflow_is_known_is_no_diesel(fewer, schedule):
    seed = next(s for s in range(20_000, 20_099) if draw_car(s).has_maf)
    how = schedule or fleet_schedule(seed)
    recording = simulated(seed, {}, how, tuple(fewer.split()), stated=False)
    assert engine_of(recording).holds(Trait.COMPRESSION) is not True


def test_gentle_driving_with_the_air_conditioning_at_idle_looks_like_no_diesel():
    """Measured: on a healthy gasoline car idle then draws 0.6 to 1.1 of what driving does."""
    gentle = Phase(90, 1700, kmh=60, tp=18, map_kpa=52)
    overrun = Phase(12, 1600, kmh=50, tp=14, map_kpa=24, loop=4)
    scene = Scene([Phase(60, 820, map_kpa=50), gentle, overrun, gentle, overrun])
    air = 0.9 * scene.signals["MAP"] * scene.signals["RPM"] / 100.0 * 1.2 / 120.0
    scene.set(MAF=air).drop("MAP", "TP", "FUELSYS1", "BARO")
    assert engine_of(scene.recording()).holds(Trait.COMPRESSION) is False


def test_a_pressure_that_stands_still_at_that_around_is_no_clue():
    scene = Scene(warm_drive()).set(MAP=100.0).drop("FUELSYS1", "TP")
    assert engine_of(scene.recording()).holds(Trait.COMPRESSION) is None


@pytest.mark.parametrize(("seconds", "charged"), [(0.3, False), (3.0, True)])
def test_a_pulse_of_the_intake_is_no_charger(seconds, charged):
    scene = Scene(warm_drive()).trims()
    for start in (110.0, 130.0, 150.0, 170.0):
        scene.signals["MAP"][(scene.t_s >= start) & (scene.t_s < start + seconds)] = 145.0
    assert (engine_of(scene.recording()).holds(Trait.CHARGED) is True) is charged


def test_what_the_ecu_says_goes_before_what_its_air_looks_like():
    drive = diesel_drive(signals="RPM VSS MAP ECT")
    t_ns = drive.trace("RPM").t_ns[:3]
    fuel = Trace("FUEL_TYP", "7E8", "", t_ns, np.full(3, 1.0))
    with_fuel = Recording.of([*drive.traces(), fuel], drive.facts)
    assert engine_of(with_fuel).holds(Trait.COMPRESSION) is not True


@pytest.mark.parametrize(("pids", "sensor"), [((4, 5, 12, 13, 16), True), ((4, 5, 12, 14), False)])
def test_supported_pids_speak_for_the_metering(pids, sensor):
    recording = Scene(warm_drive()).trims().recording()
    recording.facts.vehicle.identity = Identity(ecus={"7E8": Ecu(pids=(*pids, 11))})
    engine = engine_of(recording)
    assert engine.holds(Trait.FLOW_SENSOR) is sensor
    assert engine.holds(Trait.PRESSURE_SENSOR)


# --- engine off ---


def _stops(kmh: float, times: int = 3, draws: bool = False) -> Recording:
    """A warm drive whose engine stands still now and then, at that speed of the car; where it
    `draws` its manifold says that it runs."""
    scene = Scene([IDLE, *[CRUISE, IDLE] * times])
    off = np.zeros(len(scene.t_s), dtype=bool)
    for k in range(times):
        start = scene.starts[2 * k + 1] + 20.0 if kmh else scene.starts[2 * k + 2] + 3.0
        off |= (scene.t_s >= start) & (scene.t_s < start + 8.0)
    scene.signals["RPM"][off] = 0.0
    scene.signals["MAP"] += scene.rng.normal(0.0, 1.0, len(scene.t_s))
    if not draws:
        scene.signals["MAP"][off] = 100.0
    return scene.recording()


def test_an_engine_that_stops_on_the_road_is_a_hybrids():
    engine = engine_of(_stops(80.0))
    assert engine.holds(Trait.HYBRID)


def test_an_engine_that_stops_at_lights_is_stop_start_and_no_hybrid():
    engine = engine_of(_stops(0.0))
    assert engine.holds(Trait.STOP_START)
    assert not engine.holds(Trait.HYBRID)


@pytest.mark.parametrize("fall_kmh", [18.0, 0.0])
def test_an_engine_that_stops_while_the_car_rolls_to_a_halt_is_stop_start(fall_kmh):
    """Seen: neither that nor a hybrid, since it did not stand all the while."""
    recording = _stops(0.0)
    speed = recording.trace("VSS")
    off = np.interp(speed.t_ns, recording.trace("RPM").t_ns, recording.trace("RPM").value) < 50.0
    since = np.zeros(len(off))
    for k in range(1, len(off)):
        since[k] = since[k - 1] + 1 if off[k] else 0
    slowing = np.where(off, np.maximum(0.0, fall_kmh - since * 0.25), speed.value)
    rest = [t for t in recording.traces() if t.signal != "VSS"]
    changed = Recording.of([*rest, replace(speed, value=slowing)], recording.facts)
    engine = engine_of(changed)
    assert engine.holds(Trait.STOP_START)
    assert not engine.holds(Trait.HYBRID)


def test_an_engine_speed_of_zero_while_the_engine_draws_is_no_hybrid():
    assert not engine_of(_stops(80.0, draws=True)).holds(Trait.HYBRID)


# --- kept with the car ---


def test_what_is_learned_is_only_what_is_sure_and_was_worked_out():
    found = learn_from(diesel_drive())
    assert (found.fuel, found.turbo, found.metering) == ("diesel", True, "both")
    assert found.displacement_l is None
    assert {found.source(f) for f in ("fuel", "turbo", "metering")} == {"worked out"}
    assert "no flap throttles its idle" in found.ground("fuel").why
    assert learn_from(diesel_drive(signals="RPM VSS ECT")).fuel == ""
    stated = learn_from(diesel_drive(car=Car(fuel="diesel", turbo=False)))
    assert (stated.fuel, stated.turbo) == ("", None)


def test_a_displacement_by_load_is_kept_as_worked_out_and_judges_nothing_anew():
    seed = next(s for s in range(20_000, 20_099) if draw_car(s).has_maf)
    recording = simulated(seed, {}, stated=False)
    found = learn_from(recording)
    assert found.displacement_l == pytest.approx(draw_car(seed).displacement_l, rel=0.03)
    assert found.source("displacement_l") == "worked out"
    recording.facts.vehicle = found
    by_name = {f.subject: f for f in run_checks(recording, only=["airflow"])}
    assert by_name["displacement"].verdict is Verdict.NOT_JUDGED
    other = simulated(seed, {}, stated=False)
    other.facts.vehicle.work_out("displacement_l", found.displacement_l + 0.02, 0.95, "LOAD_ABS")
    concerns = compare([recording], [other]).concerns
    assert not [c for c in concerns if "engines" in c.text]


@pytest.mark.parametrize("seed", [10_004, 10_012, 10_040])
def test_airflow_and_pressure_leave_an_interval_of_the_displacement(seed):
    view = View(simulated(seed, {}, stated=False, wanted=tuple(set(WANTED) - {"LOAD_ABS"})))
    low, high = find_displacement(view).by_air_l
    assert low < draw_car(seed).displacement_l < high
    assert high < 1.6 * low
    assert "l (95 %: by airflow" in engine_told(view)[-1].text.casefold()
    assert find_displacement(view).liters is None  # it judges nothing
