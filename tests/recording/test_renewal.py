"""Which rows of a table are readings and which repeat one.

The road files are the outside check: their README says that the program behind them wrote rows
faster than it polled; that a value stands in about four rows is measured on open road data.
"""

from __future__ import annotations

import numpy as np
import pytest

from logbench.analysis.grid import Traces
from logbench.importing.run import read_file
from logbench.recording.model import Facts, Trace
from logbench.recording.reader import Recording
from logbench.recording.renewal import apart_s, readings, renewals


def table(held: float, rows: int = 1500, jitter: float = 0.0, seed: int = 3) -> list[Trace]:
    """Signals that were read every `held` rows, one after the other, as a scheduler does."""
    rng = np.random.default_rng(seed)
    t_ns = np.arange(rows) * 500_000_000
    out = []
    for number, name in enumerate(("RPM", "MAP", "SPARKADV", "ECT")):
        reads = np.cumsum(held + jitter * rng.uniform(-1, 1, int(2 * rows / held) + 2))
        reads = np.clip(np.floor(reads + number / 4).astype(int), 0, None)
        index = np.searchsorted(reads, np.arange(rows), side="right")
        steps = np.round(rng.normal(0, 20, len(reads) + 1))
        walk = np.minimum(np.arange(len(reads) + 1), 90) if name == "ECT" else np.cumsum(steps)
        out.append(Trace(name, "7E8", "", t_ns, walk[index].astype(float)))
    return out


@pytest.mark.parametrize("rows", [60, 300, 2000])
@pytest.mark.parametrize("held", [2.0, 3.0, 3.67, 8.0])
def test_held_values_are_thinned_to_their_readings(held, rows):
    found = renewals(table(held, rows))
    for renewal in found:  # with few rows it may be undecided, but never thinned too far
        assert renewal.held == 1.0 or renewal.held == pytest.approx(held, rel=0.15)
    if rows / held >= 80:
        assert all(renewal.held == pytest.approx(held, rel=0.15) for renewal in found)
        assert [renewal.inferred for renewal in found] == [False, False, False, True]


@pytest.mark.parametrize("seed", range(5))
@pytest.mark.parametrize("rows", [20, 300, 2000])
def test_what_is_read_in_every_row_stays(rows, seed):
    traces = table(1.0, rows, seed=seed)
    assert [len(t) for t in readings(traces)] == [rows] * 4


def test_every_change_is_kept_to_the_row():
    traces = table(3.67, jitter=0.4)
    for whole, thin in zip(traces, readings(traces), strict=True):
        changed = np.flatnonzero(np.diff(whole.value)) + 1
        assert np.isin(whole.t_ns[changed], thin.t_ns).all()


def test_the_own_recording_is_not_thinned():
    traces = table(4.0)
    own = Traces(Recording.of(traces, Facts()))
    assert len(own.first("RPM") or ()) == 1500
    foreign = Traces(Recording.of(traces, Facts(extra={"import": {"file": "x.csv"}})))
    assert len(foreign.first("RPM") or ()) == pytest.approx(1500 / 4, rel=0.1)


@pytest.mark.parametrize("name", ["drive12", "idle1", "long1"])
def test_road_files_repeat_each_value_about_four_times(shared_dir, name, tmp_path):
    (drive,) = read_file(shared_dir / f"data/road-1hz/{name}.csv", None, tmp_path).drives
    held = [s.held_rows for s in drive.facts.signals.values() if s.held_rows]
    assert len(held) == len(drive.traces)
    assert 3.0 < np.median(held) < 4.5
    apart = [s.apart_s for s in drive.facts.signals.values() if s.apart_s is not None]
    assert len(apart) >= 5
    assert all(0.0 <= seconds <= 1.0 for seconds in apart)  # half a round of 1.8 s


def test_how_far_readings_are_apart():
    rpm = Trace("RPM", "7E8", "rpm", np.arange(10) * 2 * 10**9, np.arange(10.0))
    late = Trace("MAP", "7E8", "kPa", rpm.t_ns[:-1] + 600_000_000, np.arange(9.0))
    assert apart_s(late, rpm) == pytest.approx(0.6)
    assert apart_s(rpm, rpm) == 0.0
