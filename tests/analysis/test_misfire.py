"""Misfire: the unrest of an idle, and which cylinder the counters name."""

from __future__ import annotations

import numpy as np
import pytest

from logbench.analysis.causes.catalog import NAMED
from logbench.analysis.misfire_counts import counts_of, misfire_sentence, standing_out
from logbench.analysis.model import Verdict
from logbench.analysis.run import run_checks
from logbench.cli import show_job
from logbench.report.blocks import Paragraph
from logbench.report.records import _results_blocks
from logbench.simulator.drawn import draw_car
from logbench.simulator.driver import Phase as DrivenPhase
from logbench.simulator.driver import Schedule
from logbench.vehicle.records.model import CarReading, MonitorResult
from tests.analysis.scenes import Phase, Scene
from tests.analysis.simulated import drive_of

LONG_IDLE = Phase(120, 720)


def idling(missed=0.0, ripple=0.0, scatter=3.0, hz=10.0):
    """An idle at 720 rpm, six cycles a second. `missed`: share of the cycles of a cylinder that do
    not burn, each of which takes 25 rpm that come back within a second; `ripple`: rpm of a cylinder
    that is weaker in every cycle."""
    scene = Scene([LONG_IDLE], hz=hz)
    rng, dt = scene.rng, 1.0 / hz
    speed, away = np.empty(len(scene.t_s)), 0.0
    for k in range(len(speed)):
        falls = rng.binomial(2, missed * 3.0 * dt) if missed else 0
        away += -25.0 * falls - away * dt
        speed[k] = 720.0 + away
    speed += ripple * np.sin(2.0 * np.pi * 6.0 * scene.t_s + 0.4)
    return scene.set(RPM=speed + rng.normal(0.0, scatter, len(speed)))


def unrest(scene):
    (finding,) = run_checks(scene.recording(), only=["misfire"])
    return finding


def test_a_good_idle():
    finding = unrest(idling())
    assert finding.verdict is Verdict.WITHIN
    # of white noise the second difference has six times the variance
    assert finding.value == pytest.approx(3.0, abs=0.3)
    # an idle that hunts within seconds is not a misfire
    hunts = idling()
    hunts.set(RPM=hunts.signals["RPM"] + 40.0 * np.sin(2.0 * np.pi * hunts.t_s / 5.0))
    assert unrest(hunts).verdict is Verdict.WITHIN


def test_missed_cycles_and_uneven_cylinders_are_told_apart():
    misses = unrest(idling(missed=0.6))
    assert misses.verdict is Verdict.WATCH
    assert misses.causes[0] == NAMED["misfire"].text
    assert "service 06" in misses.next_steps[0]
    uneven = unrest(idling(ripple=16.0))
    assert uneven.verdict is Verdict.WATCH
    assert uneven.causes[:2] == (NAMED["injector_under"].text, NAMED["injector_over"].text)
    # never a cylinder by the speed alone
    assert not any(f"cylinder {n}" in misses.reason for n in range(1, 13))


def test_a_slow_or_short_recording_is_not_judged():
    slow = unrest(idling(hz=2.0))
    assert slow.verdict is Verdict.NOT_JUDGED
    assert "8 Hz" in slow.next_steps[0]
    short = Scene([Phase(15, 720)], hz=10.0)
    assert unrest(short).verdict is Verdict.NOT_JUDGED
    assert unrest(Scene([LONG_IDLE]).drop("RPM")).verdict is Verdict.NOT_JUDGED


FROST = Schedule(
    "start in frost",
    (
        DrivenPhase("key on", "key on", 4),
        DrivenPhase("cranking", "crank", 6),
        DrivenPhase("idle", "idle", 60),
    ),
)


@pytest.mark.parametrize("seed", [3, 4])
def test_a_diesel_that_is_rough_after_a_cold_start_alone(seed):
    def after_start(fault, degc):
        given = (FROST, ("RPM", "VSS", "ECT", "MAF", "MAP", "FRP_23"), {"RPM": 10.0})
        recording = drive_of(draw_car(seed, "diesel"), seed, fault, *given, ambient_degc=degc)
        found = run_checks(recording, only=["misfire"])
        return next((f for f in found if f.subject == "unrest after a cold start"), None)

    assert after_start({}, -8.0).verdict is Verdict.WITHIN
    dark = after_start({"glow_plug": 1.0}, -8.0)
    assert dark.verdict is Verdict.WATCH, dark.reason
    assert dark.causes[0] == NAMED["glow_plug"].text
    assert after_start({"glow_plug": 1.0}, 20.0) is None


def counted(this_cycle, mean=()):
    tests = ((0x0C, this_cycle), (0x0B, mean))
    return [
        MonitorResult(ecu="7E8", monitor_id=0xA2 + k, test_id=test, value=float(n))
        for test, counts in tests
        for k, n in enumerate(counts)
    ]


def test_the_counters_name_a_cylinder():
    # monitors A2 to AD are cylinders 1 to 12, tests 0B and 0C mean and count (SAE J1979)
    results = counted((0, 2, 410, 1), (0, 1, 120, 0))
    assert counts_of(results, 0x0C) == {1: 0.0, 2: 2.0, 3: 410.0, 4: 1.0}
    assert standing_out(counts_of(results, 0x0C)) == (3,)
    assert misfire_sentence(results) == (
        "cylinder 3 missed 410 times in this driving cycle, no other more than 2 times; "
        "cylinder 3 missed 120 times in the mean of the last ten, no other more than 1 times."
    )


@pytest.mark.parametrize("counts", [(3, 1, 2, 0), (40, 45, 38, 51), (0, 0, 19, 0), (14, 3, 2, 4)])
def test_counts_that_hardly_differ_name_none(counts):
    assert standing_out(dict(enumerate(counts, 1))) == ()
    assert "no cylinder stands out" in misfire_sentence(counted(counts))


def test_a_car_without_counters_says_nothing():
    other = MonitorResult(ecu="7E8", monitor_id=0x01, test_id=0x0C, value=500.0)
    assert misfire_sentence([other]) == ""
    untold = MonitorResult(ecu="7E8", monitor_id=0xA2, test_id=0x0C)
    assert misfire_sentence([untold]) == ""


def test_report_and_command_line_say_what_the_counters_say(capsys):
    reading = CarReading(monitor_results=counted((0, 2, 410, 1)))
    told = "cylinder 3 missed 410 times in this driving cycle"
    show_job.reading(reading)
    assert told in " ".join(capsys.readouterr().out.split())
    blocks = list(_results_blocks(reading))
    assert any(isinstance(b, Paragraph) and told in b.text for b in blocks)
