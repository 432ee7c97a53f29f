"""Faults put into real drives: the script itself, and a sample of its table."""

from __future__ import annotations

import numpy as np
import pytest

from logbench.analysis.model import Verdict
from logbench.analysis.run import run_checks
from logbench.importing.run import read_file
from tests.analysis.injected import FAULTS, Rows, look, table

BY_NAME = {fault.name: fault for fault in FAULTS}


@pytest.fixture(scope="module")
def rows(shared_dir):
    def read(name):
        drive = read_file(shared_dir / f"data/road-1hz/{name}.csv").drives[0]
        return Rows(name, drive.traces, drive.facts)

    return read


def test_a_dropout_lasts_as_long_as_a_reading_is_held(rows):
    drive = rows("drive5")
    faulty = BY_NAME["ECT drops out to -40"].put(drive).trace("ECT").value
    lost = np.flatnonzero(np.diff(np.concatenate(([0], faulty == -40.0, [0])).astype(int)))
    lengths = lost[1::2] - lost[::2]
    assert len(lengths) >= 2
    assert lengths.min() >= 3


def test_a_signal_that_does_not_move_does_not_show_that_it_is_frozen(rows):
    assert not BY_NAME["VSS frozen"].shows(rows("idle1"))
    assert BY_NAME["VSS frozen"].shows(rows("drive12"))


@pytest.mark.parametrize(
    ("fault", "name"),
    [
        ("charging at 12.6 V", "idle27"),
        ("MAP 10 kPa high", "idle27"),
        ("ECT frozen", "live12"),
        ("IAT frozen", "long1"),
        ("VSS frozen", "drive12"),
        ("SHRTFT1 frozen", "idle1"),
        ("MAP frozen", "drive5"),
        ("ECT drops out to -40", "idle1"),
        ("VSS drops out to 0", "drive12"),
        ("pedal pair parts by 6 points with travel", "long1"),
    ],
)
def test_found_and_named(rows, fault, name):
    drive = rows(name)
    outcome = look(drive, BY_NAME[fault], run_checks(drive.replaced()))
    assert outcome is not None
    assert outcome.named
    assert outcome.drive == name
    assert f"| {fault} | {BY_NAME[fault].where} | 1 | 1 (100%) | 1 (100%) |" in table(
        {fault: [outcome]}
    )


@pytest.mark.parametrize("name", ["drive12", "drive5", "idle1", "idle27", "live12", "long1"])
def test_no_sensor_of_a_healthy_car_is_odd(rows, name):
    (only,) = run_checks(rows(name).replaced(), only=["sensors"])
    assert only.verdict is Verdict.WITHIN
    assert "LAMBDA: it is 0 throughout" in only.reason
