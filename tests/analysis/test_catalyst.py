"""The catalyst by its rear sensor, on hand-made signals."""

from __future__ import annotations

import numpy as np
import pytest
from scipy import signal

from logbench.analysis.causes.catalog import NAMED
from logbench.analysis.model import Coverage, Verdict
from logbench.analysis.run import run_checks
from tests.analysis.scenes import CRUISE, HOLD, IDLE, OVERRUN, Scene

PHASES = [IDLE, HOLD, CRUISE, CRUISE, OVERRUN, CRUISE, OVERRUN, CRUISE]
FLOW_G_S = 4.0


def car(rear_rate=0.0, hz=10.0, rate=1.0, filled_s=1.0, wide=False, begin=0):
    """A warm car whose front sensor swings; the rear one rests, or follows at `rear_rate`. In a
    fuel cut it turns lean `filled_s` after the front one does."""
    scene = Scene(PHASES[begin:], hz=hz)
    wave = signal.square(2 * np.pi * rate * scene.t_s)
    rear = 0.7 + scene.rng.normal(0, 0.005, len(wave))
    if rear_rate:
        rear = np.where(signal.square(2 * np.pi * rear_rate * scene.t_s) > 0, 0.75, 0.15)
    front = np.where(wave > 0, 0.85, 0.1)
    measured = 1.0 + 0.01 * wave
    for k, phase in enumerate(scene.phases):
        if phase is OVERRUN:
            since = scene.t_s - scene.starts[k] - 2.0
            cut = (since >= 0) & (since < phase.seconds - 2.0)
            front[np.abs(since) < 0.6] = 0.85
            rear[np.abs(since) < 0.6] = 0.7
            front[cut], measured[cut] = 0.05, 1.99
            rear[cut] = np.where(since[cut] < filled_s, 0.7, 0.1)
    scene.set(O2S12=rear, MAF=FLOW_G_S)
    return scene.set(LAMBDA11=measured) if wide else scene.set(O2S11=front)


def found(scene):
    return {f.subject: f for f in run_checks(scene.recording(), only=["catalyst"])}


SWITCHING, OXYGEN = "bank 1, rear sensor's switching", "bank 1, oxygen taken up"


@pytest.mark.parametrize("wide", [False, True])
def test_a_good_catalyst(wide):
    findings = found(car(wide=wide))
    assert {f.verdict for f in findings.values()} == {Verdict.WITHIN}
    assert findings[SWITCHING].value == 0.0
    # air is 20.95 % oxygen by volume: 20.95 x 31.999 / 28.965 = 23.14 % by mass
    assert findings[OXYGEN].value == pytest.approx(0.2314 * FLOW_G_S * 1.0, abs=0.1)


@pytest.mark.parametrize("wide", [False, True])
def test_a_rear_sensor_that_follows_hints_at_the_catalyst(wide):
    findings = found(car(rear_rate=0.95, filled_s=0.1, wide=wide))
    assert {f.verdict for f in findings.values()} == {Verdict.WATCH}
    assert findings[SWITCHING].value == pytest.approx(57.0 if wide else 0.95, rel=0.1)
    for finding in findings.values():
        assert finding.causes[0] == NAMED["catalyst"].text
    assert findings[SWITCHING].cap is not None


def test_nothing_is_held_against_a_cold_catalyst_or_a_slow_front_sensor():
    cold = found(car(rear_rate=0.95).set(CATEMP11=200.0))
    assert {f.verdict for f in cold.values()} == {Verdict.NOT_JUDGED}
    lazy = found(car(rear_rate=0.15, rate=0.16))[SWITCHING]
    assert lazy.verdict is Verdict.NOT_JUDGED
    assert "front sensor itself" in lazy.reason
    late = found(car(rear_rate=0.95, begin=6))  # two minutes are not over
    assert late[SWITCHING].verdict is Verdict.NOT_JUDGED


def test_a_rear_sensor_that_stays_rich_through_a_long_cut_is_looked_at_itself(monkeypatch):
    monkeypatch.setattr("logbench.analysis.checks.catalyst.LONG_CUT_S", 5.0)
    finding = found(car(filled_s=60.0))[OXYGEN]
    assert finding.verdict is Verdict.NOT_JUDGED
    assert "look at the sensor" in finding.reason


def test_a_slow_log_and_one_without_airflow_say_what_to_record():
    slow = found(car(hz=1.0, rear_rate=0.4))
    assert {f.verdict for f in slow.values()} == {Verdict.NOT_JUDGED}
    assert all("4 Hz" in f.next_steps[0] for f in slow.values())
    assert found(car().drop("MAF"))[OXYGEN].coverage is Coverage.NOT_RECORDED
    (nothing,) = found(car().drop("O2S12")).values()
    assert "O2S12 was not recorded" in nothing.reason
