"""A pause of years in a recording is judged as one of two hours is, and takes no steps."""

from __future__ import annotations

import math

import numpy as np
import pytest

from logbench.analysis.comparison.compare import compare
from logbench.analysis.comparison.overlay import By, overlay
from logbench.analysis.grid import Grid, Traces
from logbench.analysis.run import run_checks
from logbench.analysis.view import View
from logbench.errors import UsageError
from logbench.recording.model import Trace
from logbench.recording.reader import Recording
from tests.analysis.scenes import Scene, warm_drive

HOUR_NS = 3600 * 10**9
YEARS_NS = 9_831 * 24 * HOUR_NS


def twice(pause_ns: int) -> Recording:
    """A drive, a pause, and another drive."""
    first = Scene(warm_drive(2, 1, 2, 1), hz=4.0).trims(1)
    second = Scene(warm_drive(9, 1, 2, 1), hz=4.0, seed=2).trims(1)
    drives = [
        scene.set(VPWR=14.1, MAF=12.0, LAMBDA=1.0).recording(2.0) for scene in (first, second)
    ]
    made = []
    for one, two in zip(drives[0].traces(), drives[1].traces(), strict=True):
        t_ns = np.concatenate([one.t_ns, two.t_ns + pause_ns])
        value = np.concatenate([one.value, two.value])
        made.append(Trace(one.signal, one.ecu, one.unit, t_ns, value))
    return Recording.of(made, drives[0].facts)


def moved(t_ns: int, pause_ns: int) -> int:
    return t_ns - pause_ns if t_ns >= pause_ns - HOUR_NS // 2 else t_ns


def test_the_same_findings_as_with_a_short_pause():
    short, long = twice(2 * HOUR_NS), twice(YEARS_NS)
    assert not View(short).grid.has_holes
    assert View(long).grid.has_holes
    assert View(long).grid.share == 1.0
    mine, theirs = run_checks(long), run_checks(short)
    assert len(mine) > 15
    for one, two in zip(mine, theirs, strict=True):
        assert (one.check, one.subject, one.verdict) == (two.check, two.subject, two.verdict)
        if one.check == "recording" and one.subject == "gaps":
            continue  # the length of the pause itself
        spans = [[moved(s.start_ns, YEARS_NS) for s in one.evidence],
                 [moved(s.start_ns, 2 * HOUR_NS) for s in two.evidence]]  # fmt: skip
        assert spans[0] == spans[1], one.subject
        assert one.reason == two.reason
        if two.value is not None and math.isfinite(two.value):
            assert one.value is not None
            assert math.isclose(one.value, two.value, rel_tol=1e-9)


def test_the_same_cells_of_a_comparison():
    tables = []
    for pause_ns in (2 * HOUR_NS, YEARS_NS):
        found = compare([twice(pause_ns)], [twice(pause_ns)])
        tables.append(
            [
                (s.key, s.verdict, s.before, s.after, s.half_width, len(s.cells))
                for s in found.signals
            ]
        )
    assert tables[0] == tables[1]
    assert any(cells for *_, cells in tables[0])


def test_steps_are_those_of_a_whole_base():
    grid = Grid(Traces(twice(YEARS_NS)))
    offsets = (grid.t_ns - grid.t_ns[0]) % grid.step_ns
    assert not offsets.any()
    assert len(grid) < 10_000
    assert (np.diff(grid.t_ns) > 0).all()


def test_a_distance_that_no_car_drives_takes_no_steps():
    fast = Scene(warm_drive(), hz=2.0).set(VSS=1e15).recording()
    with pytest.raises(UsageError, match="align otherwise"):
        overlay(View(fast), View(fast), "RPM", By.DISTANCE)
