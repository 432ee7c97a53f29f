"""Restarts of stop-start, and the charge of a high-voltage battery."""

from __future__ import annotations

import numpy as np
import pytest

from logbench.analysis.causes.catalog import NAMED
from logbench.analysis.cautions import CAUTIONS
from logbench.analysis.model import Coverage, Verdict
from logbench.analysis.run import run_checks
from logbench.car.model import Car
from logbench.recording.model import Facts, Trace
from logbench.recording.reader import Recording
from tests.analysis.scenes import CRUISE

HZ = 10.0
KEY_S, DRIVE_S, STOP_S = 5.0, 60.0, 20.0


def town(dip=10.8, crank_s=0.6, stops=4, hz=HZ, first_dip=10.2, standing=True, **facts):
    """A first start, then stops in which the engine is stopped and restarted."""
    t_s = np.arange(0.0, KEY_S + stops * (DRIVE_S + STOP_S) + DRIVE_S, 0.02)
    rpm, volts = np.zeros(len(t_s)), np.full(len(t_s), 12.4)
    speed = np.zeros(len(t_s))
    for k in range(stops + 1):
        on, low = KEY_S + k * (DRIVE_S + STOP_S), dip if k else first_dip
        runs = (t_s >= on) & (t_s < on + DRIVE_S)
        turning = runs & (t_s < on + crank_s)
        rpm[runs], volts[runs] = 760.0, 14.2
        rpm[turning], volts[turning] = 220.0, low
        moves = runs & (t_s > on + 5.0) & (t_s < on + DRIVE_S - 4.0)
        rpm[moves], speed[moves] = CRUISE.rpm, 50.0
    if not standing:
        speed[:] = 50.0
    every = round(1.0 / hz / 0.02)
    t_ns = np.round(t_s * 1e9).astype(np.int64)[::every]
    signals = {"RPM": rpm, "VPWR": volts, "VSS": speed, "ECT": np.full(len(t_s), 90.0)}
    signals["LAMBDA11"] = np.full(len(t_s), 1.0)
    traces = [Trace(name, "7E8", "", t_ns, v[::every]) for name, v in signals.items()]
    return Recording.of(traces, Facts(vehicle=Car(fuel="gasoline", **facts)))


def found(recording, check="restarts"):
    return {f.subject: f for f in run_checks(recording, only=[check])}


def test_good_restarts_are_counted_and_stand_beside_the_first_start():
    findings = found(town())
    assert {f.verdict for f in findings.values()} == {Verdict.WITHIN}
    voltage, time = findings["voltage"], findings["time to idle"]
    assert voltage.value == pytest.approx(10.8)
    assert voltage.numbers["restarts"] == 4.0
    assert voltage.numbers["first_v"] == pytest.approx(10.2)
    assert time.value == pytest.approx(0.6, abs=0.11)
    assert len(voltage.evidence) == 4


@pytest.mark.parametrize(
    ("made", "subject", "verdict"),
    [
        ({"dip": 9.0}, "voltage", Verdict.WATCH),
        ({"dip": 7.5}, "voltage", Verdict.WATCH),
        ({"crank_s": 2.2}, "time to idle", Verdict.WATCH),
        ({"crank_s": 4.5}, "time to idle", Verdict.ACT),
    ],
)
def test_poor_restarts(made, subject, verdict):
    finding = found(town(**made))[subject]
    assert finding.verdict is verdict
    assert {NAMED["worn_battery"].text, NAMED["starter"].text} == set(finding.causes[:2])


def test_the_check_of_the_first_start_leaves_restarts_out():
    finding = found(town(dip=8.9, first_dip=10.4), "charging")["cranking"]
    assert finding.verdict is Verdict.WITHIN
    assert finding.value == pytest.approx(10.4)


def test_what_cannot_be_told_of_restarts():
    slow = found(town(hz=0.5))
    assert {f.verdict for f in slow.values()} == {Verdict.NOT_JUDGED}
    (none,) = found(town(stops=0)).values()
    assert none.coverage is Coverage.NOT_APPLICABLE
    (lacks,) = found(town(stops=0, stop_start=True)).values()
    assert lacks.coverage is Coverage.NOT_RECORDED
    (hybrid,) = found(town(hybrid=True)).values()
    assert hybrid.coverage is Coverage.NOT_APPLICABLE


def charged(lowest, seconds=900.0, hybrid=True):
    recording = town(hybrid=hybrid)
    t_ns = np.arange(0, int(seconds * 1e9), 500_000_000)
    value = 55.0 + (lowest - 55.0) * np.sin(np.pi * np.arange(len(t_ns)) / (len(t_ns) - 1))
    charge = Trace("BAT_PWR", "7E8", "%", t_ns, value)
    return Recording.of([*recording.traces(), charge], recording.facts)


@pytest.mark.parametrize(
    ("lowest", "verdict"), [(42.0, Verdict.WITHIN), (9.0, Verdict.WATCH), (0.5, Verdict.WATCH)]
)
def test_the_charge_of_a_hybrid_is_held(lowest, verdict):
    (finding,) = found(charged(lowest), "traction_battery").values()
    assert finding.verdict is verdict
    assert finding.value == pytest.approx(lowest, abs=0.2)
    assert finding.numbers["highest_pct"] == pytest.approx(55.0, abs=0.1)
    assert finding.numbers["electric_s"] == 0.0


def test_electric_driving_is_counted_and_other_cars_have_no_such_battery():
    drive = charged(42.0)
    traces = [
        Trace("VSS", "7E8", "km/h", t.t_ns, np.full(len(t), 50.0)) if t.signal == "VSS" else t
        for t in drive.traces()
    ]
    (finding,) = found(Recording.of(traces, drive.facts), "traction_battery").values()
    assert finding.numbers["electric_s"] == pytest.approx(KEY_S + 4 * STOP_S, abs=3.0)
    (short,) = found(charged(42.0, seconds=200.0), "traction_battery").values()
    assert short.coverage is Coverage.NOT_RECORDED
    (other,) = found(town(hybrid=False), "traction_battery").values()
    assert other.coverage is Coverage.NOT_APPLICABLE


def test_a_person_who_is_led_to_high_voltage_or_a_stopped_engine_is_warned():
    (charge,) = found(charged(9.0), "traction_battery").values()
    assert CAUTIONS["high_voltage"].text in charge.next_steps
    assert CAUTIONS["unasked"].text in found(town(dip=9.0))["voltage"].next_steps
