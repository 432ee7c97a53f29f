"""The reader of the open road data gives back what stands in the raw rows."""

from __future__ import annotations

import numpy as np
import pytest

from logbench.recording.finish import write_recording
from logbench.recording.reader import open_recording
from logbench.signals.table import table
from tests.road_data import COLUMNS, read_road_csv

FILES = ("drive12", "drive5", "idle1", "idle27", "live12", "long1")


@pytest.mark.parametrize("name", FILES)
def test_every_cell_arrives(shared_dir, name):
    path = shared_dir / f"data/road-1hz/{name}.csv"
    recording = read_road_csv(path)
    cells = sum(
        cell.strip() != "" for line in path.read_text().splitlines()[1:] for cell in line.split(",")
    )
    assert sum(len(trace) for trace in recording.traces()) == cells
    for trace in recording.traces():
        assert np.all(np.diff(trace.t_ns) > 0)


def test_figures_of_the_readme(shared_dir):
    """From shared/data/README.md: idle1 28 to 87 degC; drive5 26 to 78 degC, 9.9 V cranking."""
    idle = read_road_csv(shared_dir / "data/road-1hz/idle1.csv").trace("ECT")
    assert (idle.value[0], idle.value.max()) == (28.0, 87.0)
    assert idle.t_s[-1] == pytest.approx(590, abs=10)
    drive = read_road_csv(shared_dir / "data/road-1hz/drive5.csv")
    assert (drive.trace("ECT").value.min(), drive.trace("ECT").value.max()) == (26.0, 78.0)
    assert drive.trace("VPWR").value.min() == pytest.approx(9.9, abs=0.05)
    assert drive.duration_ns / 1e9 == pytest.approx(304, abs=5)


def test_time_follows_the_engines_run_time(shared_dir):
    """Where the run time counts, a row's time minus it is constant within its steps of 1 to 2 s."""
    recording = read_road_csv(shared_dir / "data/road-1hz/long1.csv")
    run_time = recording.trace("RUNTM")
    running = run_time.value > 0
    offset = run_time.t_s[running] - run_time.value[running]
    assert np.ptp(offset) < 2.0


def test_signals_are_those_of_the_table():
    for signal, unit in COLUMNS.values():
        assert table().by_acronym(signal).unit == unit


def test_written_and_read_back(shared_dir, tmp_path):
    recording = read_road_csv(shared_dir / "data/road-1hz/live12.csv")
    path = write_recording(tmp_path / "live.parquet", recording.traces(), recording.facts)
    again = open_recording(path)
    assert again.keys == recording.keys
    assert again.intact()
    for before, after in zip(recording.traces(), again.traces(), strict=True):
        np.testing.assert_array_equal(before.t_ns, after.t_ns)
        np.testing.assert_array_equal(before.value, after.value)
        assert before.unit == after.unit
    assert again.facts.vehicle.displacement_l == 1.496
