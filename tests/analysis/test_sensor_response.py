"""A narrow-band sensor's answer to enrichment and fuel cut, on hand-made signals."""

from __future__ import annotations

import numpy as np
import pytest
from scipy import signal

from logbench.analysis.causes.catalog import NAMED
from logbench.analysis.model import Verdict
from logbench.analysis.run import run_checks
from tests.analysis.scenes import CRUISE, FULL, OVERRUN, Scene

RICH, CUT, TIME = (f"bank 1 front sensor, {x}" for x in ("enrichment", "fuel cut", "response"))
PULL_S, CUT_S = 60.0, 65.0
"""When the pull and the overrun of `drive` begin."""


def drive(
    rich_v=0.87, lean_v=0.05, delay_s=0.4, tau_s=0.1, hz=10.0, commanded: float | None = 0.86
) -> Scene:
    """Cruise, full throttle, overrun, cruise, overrun; the sensor switches in between and answers
    after `delay_s` as a first-order lag of `tau_s`."""
    scene = Scene([CRUISE, FULL, OVERRUN, CRUISE, OVERRUN], hz=hz)
    wanted = np.where(signal.square(2 * np.pi * 1.0 * scene.t_s) > 0, 0.85, 0.1)
    for start, phase in zip(scene.starts, scene.phases, strict=True):
        during = (scene.t_s >= start + delay_s) & (scene.t_s < start + phase.seconds + delay_s)
        if phase in (FULL, OVERRUN):
            wanted[(scene.t_s >= start - 0.4) & (scene.t_s < start + delay_s)] = (
                0.1 if phase is FULL else rich_v if start == CUT_S else 0.85
            )
            wanted[during] = rich_v if phase is FULL else lean_v
    keep = np.exp(-1.0 / hz / tau_s)
    volts = signal.lfilter([1.0 - keep], [1.0, -keep], wanted - 0.45) + 0.45
    scene.set(O2S11=volts)
    if commanded is not None:
        at_full = (scene.t_s >= PULL_S) & (scene.t_s < CUT_S)
        scene.set(LAMBDA=np.where(at_full, commanded, 1.0))
    return scene


def sensors(scene: Scene):
    return {f.subject: f for f in run_checks(scene.recording(), only=["oxygen_sensors"])}


def test_a_good_sensor_answers_both_ways():
    found = sensors(drive())
    assert found[RICH].verdict is found[CUT].verdict is found[TIME].verdict is Verdict.WITHIN
    assert found[RICH].value == pytest.approx(0.87, abs=0.02)
    assert found[CUT].value == pytest.approx(0.05, abs=0.02)
    # a first-order lag from 0.1 to 0.87 is at 0.8 after tau ln(0.77/0.07); the start of the pull
    # shows with its ramp
    assert found[RICH].numbers["median_s"] == pytest.approx(
        0.4 + 0.1 * np.log(0.77 / 0.07), abs=0.3
    )
    assert found[RICH].evidence[0].start_ns == pytest.approx(PULL_S * 1e9, abs=5e8)


@pytest.mark.parametrize(
    ("volts", "verdict"),
    # manufacturer text: rich at least 0.8 V
    [(0.84, Verdict.WITHIN), (0.75, Verdict.WATCH), (0.5, Verdict.ACT)],
)
def test_enrichment(volts, verdict):
    finding = sensors(drive(rich_v=volts))[RICH]
    assert finding.verdict is verdict
    if verdict.severity:
        assert finding.causes[0] == NAMED["lean_load"].text


@pytest.mark.parametrize(
    ("volts", "verdict"),
    # manufacturer text: below 0.2 V on overrun
    [(0.1, Verdict.WITHIN), (0.28, Verdict.WATCH), (0.6, Verdict.ACT)],
)
def test_fuel_cut(volts, verdict):
    assert sensors(drive(lean_v=volts))[CUT].verdict is verdict


def test_a_slow_answer_is_watched():
    finding = sensors(drive(delay_s=2.2))[TIME]
    assert finding.verdict is Verdict.WATCH
    assert finding.causes[0] == NAMED["o2_lazy"].text
    assert finding.value > 1.5


def test_full_throttle_that_is_not_commanded_rich_is_no_enrichment():
    found = sensors(drive(rich_v=0.5, commanded=1.0))
    assert found[RICH].verdict is Verdict.NOT_JUDGED
    assert "richer than lambda 0.95" in found[RICH].reason
    # unknown: newer engines hold lambda 1, so it is watched at most
    assert sensors(drive(rich_v=0.5, commanded=None))[RICH].verdict is Verdict.WATCH
    assert sensors(drive(commanded=None))[RICH].verdict is Verdict.WITHIN


def test_what_was_not_driven_or_came_too_slowly():
    scene = Scene([CRUISE, CRUISE]).set(O2S11=0.45)
    found = sensors(scene)
    assert found[RICH].verdict is found[CUT].verdict is Verdict.NOT_JUDGED
    assert "full-throttle pull" in found[RICH].next_steps[0]
    assert "coast-down" in found[CUT].next_steps[0]
    assert found[TIME].verdict is Verdict.NOT_JUDGED
    slow = sensors(drive(hz=2.0))
    assert slow[TIME].verdict is Verdict.NOT_JUDGED
    assert slow[RICH].verdict is Verdict.WITHIN
    cold = sensors(drive().set(ECT=30.0))
    assert RICH not in cold or cold[RICH].verdict is Verdict.NOT_JUDGED


def test_a_cut_that_is_only_inferred_is_watched_at_most():
    assert sensors(drive(lean_v=0.6).drop("FUELSYS1"))[CUT].verdict is Verdict.WATCH
