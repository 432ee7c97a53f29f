"""Idle, paired sensors, gears, fuel used, readiness and the recording itself."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from logbench.analysis.causes.catalog import NAMED
from logbench.analysis.gearbox import find_gears
from logbench.analysis.model import Coverage, Verdict
from logbench.analysis.run import run_checks
from logbench.car.model import Car
from logbench.importing.run import read_file
from logbench.recording.model import Event, Facts, Trace
from logbench.recording.reader import Recording
from logbench.simulator.drawn import draw_car
from tests.analysis.diesel import diesel_drive
from tests.analysis.scenes import CRUISE, IDLE, KEY_ON, OVERRUN, Phase, Scene, warm_drive
from tests.analysis.simulated import WARM, drive_of, simulated


def run(check, recording):
    if isinstance(recording, Scene):
        recording = recording.recording()
    return {f.subject: f for f in run_checks(recording, only=[check])}


# --- idle ---


def test_a_revved_or_short_idle_is_not_judged():
    assert run("idle", Scene([Phase(12, 720)]))["idle stability"].verdict is Verdict.NOT_JUDGED
    (only,) = run("idle", Scene([IDLE]).drop("RPM")).values()
    assert only.verdict is Verdict.NOT_JUDGED


# --- throttle and pedal ---


def swept(offset=0.0, slope=0.5):
    steps = [Phase(4, 800, pedal=p) for p in (0, 10, 25, 40, 55, 70, 55, 40, 25, 10, 0)]
    scene = Scene(steps)
    pedal = scene.signals["APP_D"]
    other = slope * pedal + (3.0 if slope > 0.0 else 90.0) + np.where(pedal > 65, offset, 0.0)
    return scene.set(APP_E=other)


@pytest.mark.parametrize("slope", [0.5, 1.0, -0.8])
def test_a_pair_on_its_own_line(slope):
    finding = run("throttle_pedal", swept(slope=slope))["APP_D and APP_E"]
    assert finding.verdict is Verdict.WITHIN
    assert finding.numbers["slope"] == pytest.approx(slope, abs=0.01)
    assert finding.numbers["offset_pct"] == pytest.approx(3.0 if slope > 0.0 else 90.0, abs=0.3)


def test_a_pair_that_parts_on_its_way():
    finding = run("throttle_pedal", swept(offset=9.0))["APP_D and APP_E"]
    assert finding.verdict is Verdict.ACT
    assert finding.causes == (NAMED["pedal_pair"].text,)


@pytest.mark.parametrize("how", ["over time", "half-way", "with travel"])
def test_no_fit_hides_that_a_pair_parts_by_six_points(how):
    """The fitted slope took it up: within."""
    scene = swept(slope=1.0)
    pedal, t_s = scene.signals["APP_D"], scene.t_s
    away = {
        "over time": 6.0 * t_s / t_s[-1],
        "half-way": np.where(t_s > t_s[-1] / 2.0, 6.0, 0.0),
        "with travel": 6.0 * (pedal - pedal.min()) / np.ptp(pedal),
    }
    scene.signals["APP_E"] += away[how]
    finding = run("throttle_pedal", scene)["APP_D and APP_E"]
    assert finding.verdict.severity > 0
    assert finding.value == pytest.approx(5.2, abs=0.9)


def test_why_a_pair_is_not_judged():
    """'Moved by 0 points' while TP went from 12 to 89 %: they were never read together at rest."""
    scene = Scene([IDLE], hz=0.5)
    scene.signals["TP"] = 50.0 + 38.0 * np.sin(scene.t_s)
    recording = scene.set(TP_B=scene.signals["TP"]).recording()
    traces = [
        replace(t, t_ns=t.t_ns + 900_000_000) if t.signal == "TP_B" else t
        for t in recording.traces()
    ]
    found = run("throttle_pedal", Recording.of(traces, recording.facts))["TP and TP_B"]
    assert found.verdict is Verdict.NOT_JUDGED
    assert "TP moved by 7" in found.reason
    assert "0 times over 0 points" in found.reason


def test_full_throttle_is_judged_in_slow_readings_too():
    slow = floored(seconds=6.0).recording(every=20)  # one every 2 s
    assert run("throttle_pedal", slow)[REACHED].verdict is Verdict.WITHIN
    low = run("throttle_pedal", floored(pedal=40.0).recording(every=20))[REACHED]
    assert "APP_D, 47 % at most" in low.reason


def test_a_pair_that_hardly_moves_or_is_skewed_is_not_judged():
    still = Scene([IDLE]).set(APP_E=20.0)
    assert run("throttle_pedal", still)["APP_D and APP_E"].verdict is Verdict.NOT_JUDGED
    alone = run("throttle_pedal", Scene([IDLE]))
    assert {f.verdict for f in alone.values()} == {Verdict.NOT_JUDGED}


REACHED = "full throttle reached"


def floored(tp=88.0, pedal=95.0, seconds=3.0, **signals) -> Scene:
    full = Phase(seconds, 3500, kmh=80, tp=tp, load=98, map_kpa=98, loop=4, pedal=pedal)
    scene = Scene([IDLE, CRUISE, full, CRUISE])
    return scene.set(**{k: scene.over([15, 22, v, 22]) for k, v in signals.items()})


@pytest.mark.parametrize(
    ("tp", "verdict"), [(88, Verdict.WITHIN), (68, Verdict.WATCH), (40, Verdict.WATCH)]
)
def test_full_throttle_with_the_pedal_on_the_floor(tp, verdict):
    finding = run("throttle_pedal", floored(tp=tp))[REACHED]
    assert finding.verdict is verdict
    assert finding.value == pytest.approx(tp, abs=0.5)
    assert "APP_D on the floor" in finding.reason
    assert 121 < finding.evidence[0].start_ns / 1e9 < 123


def test_a_throttle_that_does_not_follow_and_one_that_is_not_asked():
    sticks = run("throttle_pedal", floored(tp=50, TAC_PCT=88))[REACHED]
    assert sticks.causes[0] == NAMED["throttle_sticks"].text
    limited = run("throttle_pedal", floored(tp=50, TAC_PCT=51))[REACHED]
    assert NAMED["torque_limit"].text in limited.causes
    assert "51 % commanded" in limited.reason


def test_full_throttle_that_was_not_asked_for_is_not_judged():
    for scene in (floored(tp=40, pedal=30), floored(tp=88, seconds=1.6)):
        finding = run("throttle_pedal", scene)[REACHED]
        assert finding.verdict is Verdict.NOT_JUDGED
        assert "where lawful and safe" in finding.next_steps[0]
    # without a pedal signal only what did open fully is told
    assert run("throttle_pedal", floored().drop("APP_D"))[REACHED].verdict is Verdict.WITHIN
    blind = run("throttle_pedal", floored(tp=60).drop("APP_D"))[REACHED]
    assert blind.verdict is Verdict.NOT_JUDGED
    without = run("throttle_pedal", floored().drop("TP"))[REACHED]
    assert without.coverage is Coverage.NOT_RECORDED


def test_the_relative_throttle_stands_in():
    finding = run("throttle_pedal", floored(TP_R=72).drop("TP"))[REACHED]
    assert finding.verdict is Verdict.WITHIN
    assert finding.band.key == "throttle_reached_relative"
    assert run("throttle_pedal", floored(TP_R=40).drop("TP"))[REACHED].verdict is Verdict.WATCH


def test_real_pairs_agree(shared_dir):
    # the pair of a healthy car, sampled one after the other at 2 Hz
    drive = read_file(shared_dir / "data/road-1hz/long1.csv").drives[0]
    found = run("throttle_pedal", Recording.of(drive.traces, drive.facts))
    assert found["APP_D and APP_E"].verdict is Verdict.WITHIN
    assert found["TP and TP_B"].verdict is Verdict.WITHIN


def commanded(follows=1.0, stuck_above=200.0):
    """A throttle that is driven through its travel in steps, and its command with another zero."""
    steps = [Phase(4, 2000, kmh=60, tp=t, pedal=t) for t in (15, 20, 30, 45, 60, 45, 30, 20, 15)]
    scene = Scene(steps)
    asked = scene.signals["TP"].copy()
    return scene.set(
        TP=np.minimum(15.0 + follows * (asked - 15.0), stuck_above), TAC_PCT=asked - 14
    )


def test_a_throttle_follows_its_command():
    finding = run("throttle_pedal", commanded())["TAC_PCT and TP"]
    assert finding.verdict is Verdict.WITHIN
    assert finding.numbers["offset_pct"] == pytest.approx(14.0, abs=0.3)
    # that the scale is another one is the maker's affair
    assert run("throttle_pedal", commanded(0.8))["TAC_PCT and TP"].verdict is Verdict.WITHIN


def test_a_throttle_that_sticks_parts_from_its_command():
    finding = run("throttle_pedal", commanded(stuck_above=38.0))["TAC_PCT and TP"]
    assert finding.verdict is Verdict.ACT
    assert finding.causes[0] == NAMED["throttle_sticks"].text
    (lacking,) = (
        f for s, f in run("throttle_pedal", swept()).items() if s == "throttle and its command"
    )
    assert lacking.coverage is Coverage.NOT_RECORDED


@pytest.mark.parametrize(
    ("open_pct", "map_share", "verdict"),
    [(83.5, 1.0, Verdict.WITHIN), (18.0, 0.75, Verdict.ACT), (18.0, 1.0, Verdict.WATCH)],
)
def test_the_flap_of_a_diesel_stands_open_while_it_pulls(open_pct, map_share, verdict):
    # 83.5 %: open data of a healthy diesel (real-figures)
    signals = "RPM VSS MAP MAF TP ECT IAT APP_D APP_E AAT"
    made = diesel_drive(signals=signals, car=Car(fuel="diesel"))
    traces = [
        replace(t, value=np.full(len(t), open_pct))
        if t.signal == "TP"
        else replace(t, value=np.minimum(t.value, 104.0) * map_share)
        if t.signal == "MAP"
        else t
        for t in made.traces()
    ]
    around = Trace("BARO", "7E8", "kPa", traces[0].t_ns, np.full(len(traces[0]), 100.0))
    found = run("throttle_pedal", Recording.of([*traces, around], made.facts))
    assert found["intake flap open"].verdict is verdict
    assert found[REACHED].coverage is Coverage.NOT_APPLICABLE


# --- gears ---

GEARS = (45.0, 33.0, 25.0)


def geared(slip=0.0):
    phases = []
    for gear in GEARS:
        for kmh in (40, 55, 70):
            phases.append(Phase(15, gear * kmh, kmh=kmh, tp=22, load=30))
    scene = Scene(phases)
    scatter = scene.rng.normal(0.0, slip, len(scene.t_s))
    drift = np.convolve(scatter, np.ones(100) / 10.0, mode="same")
    return scene.set(RPM=scene.signals["RPM"] * (1.0 + drift))


def test_gears_are_found_with_their_ratios():
    finding = run("gears", geared())["gears"]
    assert finding.verdict is Verdict.WITHIN
    assert list(finding.numbers.values()) == pytest.approx(list(GEARS), rel=0.01)


def test_find_gears_on_bare_ratios():
    rng = np.random.default_rng(1)
    ratio = np.concatenate([rng.normal(g, 0.01 * g, 300) for g in (60, 40, 30, 24)])
    gears, owner = find_gears(ratio)
    np.testing.assert_allclose(gears, [60, 40, 30, 24], rtol=0.02)
    assert (owner >= 0).mean() > 0.98


def test_slip_spreads_the_ratio():
    assert run("gears", geared(slip=0.045))["gears"].verdict is Verdict.WATCH
    assert run("gears", geared(slip=0.01))["gears"].verdict is Verdict.WITHIN


def test_gears_are_seen_in_slow_readings_and_rounding_is_no_slip():
    """At one reading in two seconds, the road speed a whole number, at 22 km/h rounded by 2 %."""
    rng = np.random.default_rng(5)
    kmh = np.round(rng.uniform(22, 30, 60))
    t_ns = np.arange(len(kmh)) * 2_000_000_000
    steady = np.repeat(kmh[::6], 6)[: len(kmh)]
    rpm = 70.0 * (steady + rng.uniform(-0.5, 0.5, len(steady)))
    traces = [Trace("VSS", "7E8", "km/h", t_ns, steady), Trace("RPM", "7E8", "rpm", t_ns, rpm)]
    (finding,) = run_checks(Recording.of(traces, Facts()), only=["gears"])
    assert finding.verdict is Verdict.WITHIN
    assert finding.value < 1.0
    assert finding.numbers["gear_1_rpm_per_kmh"] == pytest.approx(70.0, rel=0.02)


def test_a_gearbox_without_steps_is_not_judged():
    scene = Scene([Phase(25, 1500 + 60 * k, kmh=90 - 3 * k, tp=22) for k in range(16)])
    assert run("gears", scene)["gears"].verdict is Verdict.NOT_JUDGED
    (only,) = run("gears", Scene([IDLE]).drop("VSS")).values()
    assert "VSS was not recorded" in only.reason


def test_simulated_gears_are_those_of_the_car():
    recording = simulated(2, {}, WARM, ("RPM", "VSS", "TP"), {"RPM": 10.0, "VSS": 10.0})
    finding = run("gears", recording)["gears"]
    assert finding.verdict is Verdict.WITHIN, finding.reason
    assert len([k for k in finding.numbers if k.startswith("gear_")]) >= 2


# --- fuel used ---


def test_a_few_samples_of_airflow_are_no_fuel_of_a_drive():
    """Seen: 0.00 l over 33.8 km, from 26 samples."""
    scene = Scene([IDLE, Phase(600, 2000, kmh=90, tp=22)])
    recording = scene.set(MAF=20.0).recording()
    few = [t.part(np.arange(0, 26)) if t.signal == "MAF" else t for t in recording.traces()]
    found = run_checks(Recording.of(few, recording.facts), only=["fuel_used"])
    assert found[0].value is None
    assert "of the running only" in found[0].reason


def test_fuel_by_airflow_by_hand():
    # 14.7 g/s of air at lambda 1 is 1 g/s of fuel; 60 s of it 60 g, of 745 g/l
    scene = Scene([Phase(300, 2000, kmh=72, tp=22, load=40)]).set(MAF=14.7, LAMBDA=1.0)
    finding = run("fuel_used", scene)["fuel used"]
    assert finding.numbers["liters"] == pytest.approx(300 / 745, rel=0.01)
    assert finding.numbers["km"] == pytest.approx(6.0, rel=0.01)
    assert finding.numbers["l_per_100_km"] == pytest.approx(300 / 745 / 6.0 * 100, rel=0.01)
    assert finding.verdict is Verdict.NOT_JUDGED  # there is no band for it


@pytest.mark.parametrize(
    ("ratio", "verdict"), [(1.0, Verdict.WITHIN), (1.18, Verdict.WATCH), (1.5, Verdict.WATCH)]
)
def test_fuel_rate_against_airflow(ratio, verdict):
    scene = Scene([IDLE, CRUISE, CRUISE])
    flow = scene.signals["RPM"] / 1000.0 * 8.0
    rate = ratio * flow / 14.7 * 3600 / 745
    finding = run("fuel_used", scene.set(MAF=flow, FUEL_RATE=rate))["fuel-rate PID against airflow"]
    assert finding.verdict is verdict
    assert finding.value == pytest.approx(100 * ratio, abs=1)


def test_fuel_by_airflow_minds_the_share_of_ethanol():
    # E85 takes 9.86 g of air for each gram: 10 g/s are 4.9 l/h at 745 g/l
    scene = Scene([Phase(200, 2000, kmh=60)]).set(MAF=10.0, ALCH_PCT=85.0)
    scene.set(FUEL_RATE=10.0 / 9.855 * 3600.0 / 745.0)
    finding = run("fuel_used", scene)["fuel-rate PID against airflow"]
    assert finding.verdict is Verdict.WITHIN
    assert finding.value == pytest.approx(100.0, abs=0.5)


def test_fuel_needs_something_to_count():
    (only,) = run("fuel_used", Scene([IDLE])).values()
    assert only.verdict is Verdict.NOT_JUDGED


# --- readiness ---


def bits(**signals):
    scene = Scene([KEY_ON, Phase(400, 2000, kmh=80), Phase(300, 720)], hz=2)
    monitors = {"MIS_SUP": 1, "MIS_RDY": 0, "CAT_SUP": 1, "CAT_RDY": 0, "EGR_SUP": 0, "EGR_RDY": 1}
    return scene.set(**{**monitors, "MIL": 0.0, "DTC_CNT": 0.0, **signals})


def test_a_clean_car():
    found = run("readiness", bits())
    assert found["lamp"].verdict is Verdict.WITHIN
    assert found["monitors since clearing"].verdict is Verdict.WITHIN
    assert found["monitors since clearing"].numbers["supported"] == 2
    assert "whole driving cycle" in found["this drive as a cycle"].reason


def test_lamp_codes_and_incomplete_monitors():
    found = run("readiness", bits(MIL=1.0, DTC_CNT=2.0, CAT_RDY=1.0))
    assert found["lamp"].verdict is Verdict.ACT
    assert "2 stored" in found["lamp"].reason
    assert found["monitors since clearing"].verdict is Verdict.WATCH
    assert "catalyst" in found["monitors since clearing"].reason
    assert run("readiness", bits(DTC_CNT=1.0))["lamp"].verdict is Verdict.WATCH


def test_warm_up_cycle_by_its_definition():
    # up by 22 degC to at least 71 (manufacturer texts)
    scene = bits()
    warming = bits(ECT=np.minimum(20 + scene.t_s / 8, 90))
    assert "it was a warm-up cycle" in run("readiness", warming)["this drive as a cycle"].reason
    warm = run("readiness", bits(ECT=88.0))["this drive as a cycle"]
    assert "no warm-up cycle" in warm.reason
    short = run("readiness", Scene([IDLE]).set(MIL=0.0))["this drive as a cycle"]
    assert "more minutes above 40 km/h" in short.reason


def test_readiness_not_recorded():
    found = run("readiness", Scene([IDLE]))
    assert found["lamp"].verdict is Verdict.NOT_JUDGED
    assert found["monitors since clearing"].verdict is Verdict.NOT_JUDGED


# --- the recording itself ---


def test_a_good_recording():
    found = run("recording", Scene(warm_drive()))
    assert {f.verdict for f in found.values()} == {Verdict.WITHIN}


def test_gaps_and_a_lost_link():
    scene = Scene([IDLE, CRUISE, CRUISE])
    keep = (scene.t_s < 60) | (scene.t_s > 90)
    recording = scene.recording()
    traces = [
        Trace(t.signal, t.ecu, "", t.t_ns[keep], t.value[keep])
        for t in (recording.trace(s, e) for s, e in recording.keys)
    ]
    facts = recording.facts.model_copy(update={"events": [Event(t_ns=1, kind="link lost")]})
    finding = run("recording", Recording.of(traces, facts))["gaps"]
    assert finding.coverage is Coverage.UNCERTAIN  # of the recording; the car has no fault
    assert finding.value == pytest.approx(30, abs=0.5)
    assert "lost 1 times" in finding.reason


def test_slow_and_skewed_sampling():
    scene = Scene([IDLE, CRUISE, OVERRUN, CRUISE], hz=1.0)
    recording = scene.set(MAF=5.0).recording()
    slow = []
    for k, (s, e) in enumerate(recording.keys):
        t = recording.trace(s, e)
        slow.append(Trace(s, e, "", t.t_ns[k % 4 :: 4], t.value[k % 4 :: 4]))
    found = run("recording", Recording.of(slow, recording.facts))
    assert "it came only every 4.0 s" in found["signals"].reason
    assert found["signals"].coverage is Coverage.UNCERTAIN
    assert found["skew"].coverage is Coverage.UNCERTAIN
    assert found["skew"].value == 2.0  # MAF two seconds after RPM


def test_nothing_at_all():
    (only,) = run("recording", Recording.of([])).values()
    assert only.verdict is Verdict.NOT_JUDGED


def test_a_power_split_has_no_gears():
    recording = drive_of(draw_car(3, "hybrid"), 3, {}, wanted=("RPM", "VSS", "ECT", "BAT_PWR"))
    found = run_checks(recording, only=["gears"])
    assert {f.verdict for f in found} == {Verdict.NOT_JUDGED}
    assert "power split" in found[0].reason
