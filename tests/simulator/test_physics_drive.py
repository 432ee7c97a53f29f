"""Whole drives: the WLTC, warm-up, the thermostat, codes, and drives as samples."""

from __future__ import annotations

import csv
import math
from itertools import pairwise

import numpy as np
import pytest

from logbench.car.identity import check_vin
from logbench.errors import SignalUnsupportedError, UsageError
from logbench.signals.decoding import decode
from logbench.signals.table import table
from logbench.simulator.cars import CAR_NAMES, named_car
from logbench.simulator.drawn import draw_car
from logbench.simulator.drive import Drive
from logbench.simulator.driver import (
    SCHEDULE_NAMES,
    Phase,
    Schedule,
    schedule,
    wltc_trace_kmh,
)
from logbench.simulator.encode import encode
from logbench.simulator.produce import produce, quantise

START = (Phase("key on", "key on", 3), Phase("crank", "crank", 6))


def ect_minutes(drive: Drive, end_s: float) -> list[float]:
    """ECT each minute after the start of the drive."""
    found = []
    for minute in range(1, int(end_s / 60) + 1):
        drive.advance(60.0 * minute)
        found.append(drive.readings("7E8")["ECT"])
    return found


def test_wltc_trace_has_the_regulations_totals():
    # UN GTR 15 annex 1, class 3b: 23,266 m, 131.3 km/h; phases end at 589, 1022, 1477, 1800 s
    trace = wltc_trace_kmh()
    assert len(trace) == 1801
    assert max(trace) == 131.3
    assert sum(trace) / 3.6 == pytest.approx(23_266, abs=1)
    for start, end, meters in ((0, 589, 3095), (590, 1022, 4756), (1023, 1477, 7162)):
        assert sum(trace[start : end + 1]) / 3.6 == pytest.approx(meters, abs=3)
    assert sum(trace[1478:]) / 3.6 == pytest.approx(8254, abs=3)


def test_wltc_trace_is_the_shared_one(shared_dir):
    with (shared_dir / "data" / "wltc-class3b.csv").open(newline="") as text:
        assert [float(r["speed_kmh"]) for r in csv.DictReader(text)] == list(wltc_trace_kmh())


@pytest.mark.parametrize("key", ["demo", "demo-small", "3"])
def test_the_car_follows_the_wltc(key: str):
    car = draw_car(int(key)) if key.isdigit() else named_car(key)
    drive = Drive(car, None, schedule("wltc"))
    trace = wltc_trace_kmh()
    start_s: float | None = None
    outside = total = 0
    while not drive.done:
        drive.advance(drive.t_s + 0.5)
        if not drive.phase.startswith("WLTC"):
            continue
        start_s = drive.t_s if start_s is None else start_s
        k = int(drive.t_s - start_s)
        near = trace[max(0, k - 1) : k + 3]
        # the regulation's tolerance: 2 km/h beyond the trace within 1 s [from memory]
        v = drive.state.speed_m_s * 3.6
        total += 1
        outside += not min(near) - 2.0 <= v <= max(near) + 2.0
    assert total > 3500
    assert outside <= 0.01 * total
    assert drive.state.distance_m == pytest.approx(23_266, rel=0.005)
    # consumption of gasoline cars in this cycle [from memory: type approval figures]
    assert 4.0 < drive.state.fuel_used_g / 745 / 232.66 * 1000 < 11.0


@pytest.mark.parametrize("key", ["demo", "demo-small", "demo-v6"])
def test_warm_up_idling(key: str):
    drive = Drive(named_car(key), None, Schedule("idle", (*START, Phase("idle", "idle", 900))),
                  ambient_degc=28.0)  # fmt: skip
    ects = ect_minutes(drive, 600)
    rate = (ects[-1] - 28.0) / 10.0
    # common practice 2 to 6 degC/min idling; the open data's idle1 measures 6.0 from the same 28
    assert 3.0 < rate < 6.5
    assert ects == sorted(ects)


@pytest.mark.parametrize("key", ["demo", "demo-small", "demo-v6", "5"])
def test_warm_up_driving(key: str):
    car = draw_car(int(key)) if key.isdigit() else named_car(key)
    phases = (*START, Phase("idle", "idle", 10), Phase("town", "cruise", 500, 40))
    drive = Drive(car, None, Schedule("town", phases), ambient_degc=26.0)
    ects = ect_minutes(drive, 360)
    rate = (ects[4] - 26.0) / 4.8
    # common practice 5 to 10 degC/min driving; drive5 of the open data: 10.3 from the same 26
    assert 5.0 < rate < 14.0


@pytest.mark.parametrize("key", ["demo", "demo-small"])
def test_frost_does_not_keep_a_driven_car_cold(key: str):
    # common practice, no source: with a closed thermostat and the heater on, a healthy car comes to
    # its thermostat within a quarter of an hour on the road at -10 degC, and not by idling
    car = draw_car(int(key)) if key.isdigit() else named_car(key)
    reached: dict[str, float] = {}
    for kind, value in (("cruise", 60), ("idle", 0)):
        phases = (*START, Phase("idle", "idle", 10), Phase("out", kind, 880, value))
        drive = Drive(car, None, Schedule("frost", phases), ambient_degc=-10.0)
        ects = ect_minutes(drive, 890)
        reached[kind] = max(ects)
        # driven 5 to 10 degC/min in mild air (trade-notes 3), idling 2 to 6: less in frost
        rate = (ects[4] - ects[0]) / 4.0
        assert rate > (5.0 if kind == "cruise" else 3.0), ects
    assert reached["cruise"] > car.regulating_degc - 6.0
    assert 45.0 < reached["idle"] < reached["cruise"]


@pytest.mark.parametrize("seed", [0, 3, 4, 7, 16])
def test_thermostat_regulates_and_stuck_open_does_not(seed: int):
    car = draw_car(seed)
    plateau: dict[float, float] = {}
    codes: dict[float, tuple[str, ...]] = {}
    for severity in (0.0, 0.5, 1.0):
        drive = Drive(car, {"thermostat_open": severity}, schedule("test-drive"), seed=seed)
        road = []
        while not drive.done:
            drive.advance(drive.t_s + 1.0)
            if drive.t_s > 500 and drive.phase.startswith(("warming up at 90", "cruise at 80")):
                road.append(drive.readings("7E8")["ECT"])
        plateau[severity] = float(np.median(road))
        codes[severity] = drive.memory.codes(0x03)
    # the criterion, 13 CCR 1968.2(e)(10.2.1)(A): within 11 degC of the regulating temperature
    assert codes[0.0] == ()
    assert codes[1.0] == ("P0128",)
    assert abs(plateau[0.0] - car.regulating_degc) < 5.0
    assert plateau[1.0] < car.regulating_degc - 14.0
    assert plateau[0.0] > plateau[0.5] > plateau[1.0]


def test_fuel_cut_loop_states_and_full_throttle_enrichment():
    drive = Drive(named_car("demo"), None, schedule("short-drive"))
    states: dict[str, set[float]] = {}
    cut_map = []
    while not drive.done:
        drive.advance(drive.t_s + 0.1)
        r = drive.readings("7E8")
        states.setdefault(drive.phase, set()).add(r["FUELSYS1"])
        if drive.state.fuel_cut:
            cut_map.append(r["MAP"])
        if drive.phase == "full-throttle pull" and drive.state.demand > 0.99:
            full = r["LAMBDA"]
    assert states["key on, engine off"] == {0.0}
    assert {1.0, 2.0} <= states["idle after start"]  # open loop cold, then closed (SAE J1979)
    assert states["2,500 rpm hold"] == {2.0}
    assert 4.0 in states["full-throttle pull"]
    assert 4.0 in states["coast-down"]
    assert 0.78 <= full <= 0.92  # usual full-load lambda
    assert min(cut_map) > 8.0
    assert np.median(cut_map) < 25.0


@pytest.mark.parametrize("name", SCHEDULE_NAMES)
def test_schedules_by_name(name: str):
    found = schedule(name)
    assert found.name == name
    assert found.duration_s > 60


def test_scripted_drive_has_the_length_it_should():
    drive = Drive(named_car("demo"), None, schedule("test-drive"))
    drive.advance(1400)
    assert drive.done
    assert 18 * 60 <= schedule("test-drive").duration_s <= 22 * 60
    assert not drive.ignition()


def test_unknown_names_say_what_there_is():
    with pytest.raises(UsageError, match="wltc"):
        schedule("nurburg")
    with pytest.raises(UsageError, match="demo"):
        named_car("nothing")


def test_same_seed_same_drive_other_seed_other_noise():
    def run(seed: int) -> dict[str, float]:
        drive = Drive(named_car("demo"), {"maf_low": 0.3}, schedule("short-drive"), seed=seed)
        drive.advance(70)
        return dict(drive.readings("7E8"))

    first, again, other = run(5), run(5), run(6)
    assert repr(first) == repr(again)
    assert first["MAF"] != other["MAF"]


def test_advance_in_small_or_large_steps_is_the_same():
    fine = Drive(named_car("demo"), None, schedule("short-drive"))
    coarse = Drive(named_car("demo"), None, schedule("short-drive"))
    t = 0.0
    while t < 40:
        t += 0.017
        fine.advance(t)
    coarse.advance(t)
    assert repr(fine.readings("7E8")) == repr(coarse.readings("7E8"))
    coarse.advance(10.0)  # never backward
    assert coarse.t_s == fine.t_s


def test_codes_freeze_frame_and_clearing():
    drive = Drive(named_car("demo"), {"unmetered_air": 1.0}, schedule("short-drive"))
    drive.advance(100)
    assert drive.memory.codes(0x03) == ("P0171",)
    assert drive.memory.codes(0x0A) == ("P0171",)
    frame = drive.memory.frame
    assert frame is not None
    assert frame["SHRTFT1"] + frame["LONGFT1"] > 15
    assert drive.readings("7E8")["MIL"] == 1.0
    drive.memory.clear()
    assert drive.memory.codes(0x03) == drive.memory.codes(0x07) == ()
    assert drive.memory.codes(0x0A) == ("P0171",)  # permanent codes stay
    assert drive.memory.frame is None
    readings = drive.readings("7E8")
    assert (readings["MIL"], readings["DTC_CNT"], readings["WARM_UPS"]) == (0.0, 0.0, 0.0)
    assert readings["CAT_RDY"] == 1.0  # incomplete again


def test_a_fault_that_comes_while_driving_is_pending_first():
    drive = Drive(named_car("demo"), None, schedule("idle"), earlier_trip=False,
                  start_coolant_degc=85.0)  # fmt: skip
    drive.advance(100)
    before = drive.readings("7E8")["SHRTFT1"]
    drive.set_fault("unmetered_air", 1.0)
    drive.advance(200)
    readings = drive.readings("7E8")
    assert readings["SHRTFT1"] + readings["LONGFT1"] > before + 12
    assert drive.memory.codes(0x07) == ("P0171",)
    assert drive.memory.codes(0x03) == ()
    with pytest.raises(UsageError):
        drive.set_fault("one_bank_lean", 1.0)


@pytest.mark.parametrize("seed", range(12))
def test_drawn_cars_are_sound(seed: int):
    car = draw_car(seed)
    assert car == draw_car(seed)
    assert 1.0 <= car.displacement_l <= 5.0
    assert 3 <= car.cylinders <= 8
    assert car.banks in (1, 2)
    assert car.has_maf or car.has_map
    assert check_vin(car.vin).problem == check_vin(car.vin).notice == ""  # 49 CFR 565 check digit


def test_the_fleet_is_varied():
    cars = [draw_car(seed) for seed in range(60)]
    for trait in ("turbo", "has_maf", "has_map", "wide_range", "automatic"):
        assert {getattr(car, trait) for car in cars} == {True, False}
    assert {car.banks for car in cars} == {1, 2}
    assert {3, 4, 6, 8} <= {car.cylinders for car in cars}


@pytest.mark.parametrize("key", [*CAR_NAMES, "0", "3", "4", "diesel 13", "diesel 1", "charged 5"])
def test_every_supported_pid_is_encoded_and_comes_back(key: str):
    kind, _, seed = key.rpartition(" ")
    car = draw_car(int(seed), kind or "gasoline") if seed.isdigit() else named_car(key)
    drive = Drive(car, None, schedule("short-drive"))
    drive.advance(75)
    for ecu in drive.ecus:
        readings = drive.readings(ecu)
        for pid in sorted(drive.supported(ecu)):
            decoded = decode(pid, encode(pid, readings))
            for signal in table().of_pid(pid):
                if signal.acronym not in readings:
                    assert signal.present_bit is not None or math.isnan(
                        decoded[signal.acronym]
                    ) or signal.acronym.startswith("O2SLOC"), signal.acronym  # fmt: skip
                    continue
                if pid in (0x01, 0x41) and math.isnan(decoded[signal.acronym]):
                    assert not readings[signal.acronym]  # a monitor of the other kind of engine
                    continue
                expected = quantise(signal, [readings[signal.acronym]])[0]
                assert decoded[signal.acronym] == pytest.approx(expected, nan_ok=True), signal


def test_produced_samples_look_like_packed_polling():
    drive = Drive(named_car("demo-v6"), None, schedule("short-drive"), seed=2)
    told: list[float] = []
    samples = produce(drive, seed=2, progress=lambda t, _phase: told.append(t))
    assert drive.done
    assert len(told) >= 4
    rpm_t, rpm = samples["RPM", "7E8"]
    assert rpm_t.dtype == np.int64
    assert rpm.dtype == np.float64
    assert np.all(np.diff(rpm_t) > 0)
    assert np.median(np.diff(rpm_t)) == pytest.approx(1e8, rel=0.02)  # 10 Hz
    assert np.array_equal(rpm_t, samples["MAF", "7E8"][0])  # one request, one time stamp
    assert len(samples["ECT", "7E8"][0]) < len(rpm) / 15
    assert np.all(rpm * 4 == np.round(rpm * 4))  # SAE J1979: a quarter of a turn a bit
    assert set(np.unique(samples["ECT", "7E8"][1] % 1)) == {0.0}
    assert np.array_equal(
        samples["SHRTFT1", "7E8"][1], np.round(samples["SHRTFT1", "7E8"][1] * 1.28) / 1.28
    )


def test_produced_samples_can_be_chosen():
    drive = Drive(named_car("demo"), None, schedule("short-drive"))
    samples = produce(drive, ["ect", "GEAR_ACT", "RPM"], {"RPM": 2.0, "ECT": 5.0}, for_s=60)
    assert set(samples) == {("ECT", "7E8"), ("GEAR_ACT", "7E9"), ("RPM", "7E8")}
    lengths = [len(samples[key][0]) for key in (("ECT", "7E8"), ("RPM", "7E8"))]
    assert lengths[0] == pytest.approx(300, abs=5)
    assert lengths[1] == pytest.approx(120, abs=5)
    with pytest.raises(SignalUnsupportedError, match="leave it out"):
        produce(drive, ["SHRTFT2"])


def test_too_much_asked_slows_all_down():
    drive = Drive(named_car("demo"), None, schedule("short-drive"))
    samples = produce(drive, rates_hz=None, round_trip_s=0.08, for_s=60)
    gaps = [b - a for a, b in pairwise(samples["RPM", "7E8"][0].tolist())]
    assert np.median(gaps) > 1.5e8


def test_quantise_clips_and_keeps_not_used():
    known = table()
    assert quantise(known.by_acronym("ECT"), [-60.0, 20.4, 300.0]).tolist() == [-40, 20, 215]
    assert quantise(known.by_acronym("RPM"), [800.1]).tolist() == [800.0]
    assert math.isnan(quantise(known.by_acronym("SHRTFT12"), [math.nan])[0])
