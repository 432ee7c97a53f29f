"""The open road data through the importer, against the minimal reader of the tests.

Source: the carOBD open dataset, see `tests/road_data.py`.
"""

from __future__ import annotations

import numpy as np
import pytest

from tests.importing.reading import column_of, read
from tests.road_data import COLUMNS, read_road_csv

FILES = ("drive12", "drive5", "idle1", "idle27", "live12", "long1")


@pytest.mark.parametrize("name", FILES)
def test_every_sample_as_in_the_raw_rows(shared_dir, name):
    path = shared_dir / f"data/road-1hz/{name}.csv"
    imported = read(path)
    (drive,) = imported.drives
    reference = read_road_csv(path)
    assert {trace.signal for trace in drive.traces} == {signal for signal, _ in COLUMNS.values()}
    for trace in drive.traces:
        other = reference.trace(trace.signal)
        np.testing.assert_array_equal(trace.value, other.value)
        assert np.abs(trace.t_ns - other.t_ns).max() <= 1_000
        assert trace.unit == other.unit
    assert imported.report.left_out == 0
    assert imported.report.samples == sum(map(len, reference.traces()))


def test_traps_of_the_readme_are_told(shared_dir):
    """Units are supposed, times are shared by rows, the last row of idle1 is cut short."""
    path = shared_dir / "data/road-1hz/idle1.csv"
    imported = read(path)
    last_line = len(path.read_text().splitlines())
    said = " ".join(imported.report.remarks)
    assert f"Lines cut short, read as far as they go: {last_line}." in said
    assert "'COOLANT_TEMPERATURE ()' has no unit: degC is supposed" in said
    assert "Several rows share a time in 'ENGINE_RUN_TINE ()'" in said
    mapping = imported.mapping
    assert mapping is not None
    assert all(0.5 <= column.confidence <= 1 for column in mapping.columns)
    assert column_of(mapping, "COOLANT_TEMPERATURE ()").unit_from == "assumed"
