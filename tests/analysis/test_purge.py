"""Purge by the trims, on hand-made drives and on simulated ones."""

from __future__ import annotations

import numpy as np
import pytest

from logbench.analysis.causes.catalog import NAMED
from logbench.analysis.model import Coverage, Verdict
from logbench.analysis.run import run_checks
from tests.analysis.scenes import CRUISE, IDLE, KEY_ON, Scene

OPEN, SHUT = "valve open against shut", "valve shut"


def drive(shift=-4.0, drift=0.0, on_s=40.0, off_s=30.0):
    """Idle and cruise with the valve open and shut by turns; the trim moves by `shift` with it, and
    by `drift` over the drive."""
    scene = Scene([KEY_ON, IDLE, IDLE, CRUISE, CRUISE, CRUISE, IDLE, IDLE]).trims()
    opened = scene.t_s % (on_s + off_s) < on_s
    lag = np.convolve(opened, np.ones(20) / 20.0, "same")  # two seconds at 10 Hz
    whole = scene.t_s / scene.t_s[-1]
    trim = scene.signals["LONGFT1"] + shift * lag + drift * whole
    return scene.set(EVAP_PCT=np.where(opened, 40.0, 0.0), LONGFT1=trim)


def found(scene):
    return {f.subject: f for f in run_checks(scene.recording(), only=["purge"])}


@pytest.mark.parametrize(
    ("shift", "verdict"),
    [(-4.0, Verdict.WITHIN), (0.0, Verdict.WITHIN), (-26.0, Verdict.WATCH), (12.0, Verdict.WATCH)],
)
def test_the_trim_with_the_valve_open_less_that_with_it_shut(shift, verdict):
    finding = found(drive(shift=shift))[OPEN]
    assert finding.verdict is verdict
    assert finding.value == pytest.approx(shift, abs=1.0)
    if verdict is Verdict.WATCH:
        assert finding.causes[0] == NAMED["canister_full"].text
        assert finding.cap is not None


def test_a_valve_that_leaks_moves_the_trim_while_it_is_shut():
    finding = found(drive(shift=0.0, drift=25.0))[SHUT]
    assert finding.verdict is Verdict.WATCH
    assert finding.value > 12.0
    assert finding.causes[0] == NAMED["purge"].text
    assert found(drive())[SHUT].verdict is Verdict.WITHIN


def test_what_is_missing_is_said():
    (only,) = found(drive().drop("EVAP_PCT")).values()
    assert only.coverage is Coverage.NOT_RECORDED
    assert "EVAP_PCT" in only.reason
    always = found(drive().set(EVAP_PCT=40.0))
    assert {f.verdict for f in always.values()} == {Verdict.NOT_JUDGED}
