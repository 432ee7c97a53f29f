"""Oxygen sensors on hand-made signals and on simulated slow ones."""

from __future__ import annotations

import numpy as np
import pytest
from scipy import signal

from logbench.analysis.causes.catalog import NAMED
from logbench.analysis.checks.oxygen_sensors import _rise_s
from logbench.analysis.model import Verdict
from logbench.analysis.narrow_band import switches
from logbench.analysis.run import run_checks
from logbench.analysis.view import Samples
from tests.analysis.scenes import CRUISE, FULL, HOLD, IDLE, OVERRUN, Scene
from tests.analysis.simulated import WARM, simulated


def narrow(hz=10.0, low=0.1, high=0.85, rate=1.0, duty=0.5):
    scene = Scene([IDLE, HOLD, CRUISE, OVERRUN, CRUISE], hz=hz)
    wave = signal.square(2 * np.pi * rate * scene.t_s, duty)
    front = np.where(wave > 0, high, low) + scene.rng.normal(0, 0.01, len(wave))
    return scene.set(O2S11=front)


def sensors(scene):
    return {f.subject: f for f in run_checks(scene.recording(), only=["oxygen_sensors"])}


def test_a_good_front_sensor():
    found = sensors(narrow())
    assert found.pop("bank 1 front sensor, enrichment").verdict is Verdict.NOT_JUDGED  # no pull
    assert found.pop("bank 1 front sensor, fuel cut").verdict is not Verdict.NOT_JUDGED
    assert {f.verdict for f in found.values()} == {Verdict.WITHIN}
    assert found["bank 1 front sensor, switching"].value == pytest.approx(1.0, abs=0.1)
    assert found["bank 1 front sensor, share rich"].value == pytest.approx(50, abs=3)


def test_switches_are_those_of_the_wave_made():
    t = np.arange(0, 100, 0.05)
    for hz in (0.5, 1.3, 3.0):
        volts = 0.45 + 0.4 * np.sin(2 * np.pi * hz * t)
        assert switches(volts) == pytest.approx(hz * 100, abs=1)


@pytest.mark.parametrize(
    ("made", "subject", "verdict"),
    [
        ({"rate": 0.15}, "switching", Verdict.ACT),
        ({"high": 0.65}, "highest voltage", Verdict.WATCH),
        ({"high": 0.5}, "highest voltage", Verdict.ACT),
        ({"low": 0.4}, "lowest voltage", Verdict.ACT),
        ({"duty": 0.1}, "share rich", Verdict.WATCH),
    ],
)
def test_a_poor_front_sensor(made, subject, verdict):
    finding = sensors(narrow(**made))[f"bank 1 front sensor, {subject}"]
    assert finding.verdict is verdict
    assert finding.causes[0] == NAMED["o2_lazy"].text


def test_a_slow_log_counts_no_switching():
    # a 3 Hz sensor needs more than 6 samples a second (sampling theorem)
    found = sensors(narrow(hz=2.0, rate=0.9))
    finding = found["bank 1 front sensor, switching"]
    assert finding.verdict is Verdict.NOT_JUDGED
    assert "8 Hz" in finding.next_steps[0]
    assert found["bank 1 front sensor, highest voltage"].verdict is Verdict.WITHIN


def test_switching_near_half_the_sample_rate_is_not_taken_for_slow():
    # sampled at 10 Hz, 4.9 Hz looks like 0.1 Hz (aliasing; sampling theorem)
    scene = narrow()
    wave = 0.45 + 0.3 * np.sin(2 * np.pi * 4.9 * scene.t_s + 0.3)
    finding = sensors(scene.set(O2S11=wave))["bank 1 front sensor, switching"]
    assert finding.verdict is not Verdict.ACT
    slow = 0.45 + 0.3 * np.sin(2 * np.pi * 0.1 * scene.t_s)
    finding = sensors(scene.set(O2S11=slow))["bank 1 front sensor, switching"]
    assert finding.verdict is Verdict.ACT


def wide(closed=1.0, full=0.86, commanded=0.86):
    scene = Scene([IDLE, CRUISE, FULL, OVERRUN, CRUISE])
    values = scene.over([closed, closed, full, 1.99, closed])
    scene.set(LAMBDA11=values + scene.rng.normal(0, 0.004, len(values)))
    return scene.set(LAMBDA=scene.over([1.0, 1.0, commanded, 1.0, 1.0]))


def test_wide_range_against_commanded():
    found = sensors(wide())
    assert found.pop("bank 1 lambda, response").verdict is Verdict.NOT_JUDGED  # one fuel cut
    assert {f.verdict for f in found.values()} == {Verdict.WITHIN}
    assert sensors(wide(closed=1.09))["bank 1 lambda, closed loop"].verdict is Verdict.ACT
    lean = sensors(wide(full=1.05))["bank 1 lambda, full throttle"]
    assert lean.verdict is Verdict.ACT
    assert lean.causes[0] == NAMED["lean_load"].text
    assert lean.value == pytest.approx(0.19, abs=0.02)


def test_rise_of_a_first_order_sensor():
    # from 1 towards 3 with time constant tau, 1.05 to 1.9: tau ln(1.95/1.1)
    t = np.arange(0, 8, 0.05)
    for tau in (0.3, 1.0):
        value = np.where(t < 1, 1.0, 3 - 2 * np.exp(-(t - 1) / tau))
        made = Samples((t * 1e9).astype(np.int64), value, np.zeros(len(t), dtype=np.intp))
        assert _rise_s(made) == pytest.approx(tau * np.log(1.95 / 1.1), abs=0.04)


WANTED = ("RPM", "VSS", "ECT", "TP", "APP_D", "FUELSYS1", "O2S11", "LAMBDA11_34", "LAMBDA")


@pytest.mark.parametrize(("seed", "verdict"), [(1, Verdict.ACT), (2, Verdict.WATCH)])
def test_a_simulated_slow_sensor(seed, verdict):
    # car 1 has narrow-band sensors, car 2 wide-range ones
    rates = {"O2S11": 10.0, "LAMBDA11_34": 10.0}

    def worst_of(**fault):
        recording = simulated(seed, fault, WARM, WANTED, rates)
        found = run_checks(recording, only=["oxygen_sensors"])
        return max(found, key=lambda f: f.verdict.severity)

    assert worst_of().verdict is Verdict.WITHIN
    lazy = worst_of(lazy_o2=1.0)
    assert lazy.verdict is verdict
    assert NAMED["o2_lazy"].text in lazy.causes[:2]


def test_nothing_recorded():
    (only,) = sensors(Scene([IDLE])).values()
    assert only.verdict is Verdict.NOT_JUDGED
    found = sensors(Scene([IDLE]).set(O2S11=0.5, ECT=20.0))
    assert {f.verdict for f in found.values()} == {Verdict.NOT_JUDGED}
