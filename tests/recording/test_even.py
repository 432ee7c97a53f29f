"""The even clock with holes: the steps of the whole clock, those near samples and no others."""

from __future__ import annotations

import numpy as np
import pyarrow as pa
import pyarrow.parquet as pq
import pytest
from hypothesis import given
from hypothesis import strategies as st

from logbench.errors import RecordingDamagedError, StorageError
from logbench.recording.even import MOST_T_NS, near, whole
from logbench.recording.finish import write_recording
from logbench.recording.model import Event, Facts, Trace
from logbench.recording.reader import open_recording


@given(
    st.lists(st.integers(-5_000, 5_000), min_size=1, max_size=20),
    st.integers(1, 60),
    st.integers(0, 200),
    st.integers(0, 200),
    st.integers(1, 10),
)
def test_groups_of_steps_that_lie_near_a_sample(times, step, before, after, many):
    t_ns = np.unique(np.array(times, np.int64))
    every = whole(int(t_ns[0]), int(t_ns[-1]), step)
    wanted = set()
    for at in t_ns.tolist():
        first = (max(at - before, int(t_ns[0])) - int(t_ns[0])) // (step * many)
        last = (min(at + after, int(t_ns[-1])) - int(t_ns[0])) // (step * many)
        wanted |= set(every[first * many : (last + 1) * many].tolist())
    found = near(t_ns, (int(t_ns[0]), int(t_ns[-1]), step), (before, after), many)
    assert found.tolist() == sorted(wanted)


@pytest.mark.parametrize("t_ns", [MOST_T_NS + 1, -MOST_T_NS - 1, 2**63 - 1, -(2**63)])
def test_times_that_no_drive_has_are_damage(tmp_path, t_ns):
    made = Trace("RPM", "7E8", "rpm", np.arange(2), np.zeros(2))
    path = write_recording(tmp_path / "a.parquet", [made], Facts())
    table = pq.read_table(path)
    times = pa.array([0, t_ns], pa.int64())
    pq.write_table(table.set_column(2, "t", times), path)
    with pytest.raises(RecordingDamagedError):
        open_recording(path).trace("RPM")
    made = Trace("RPM", "7E8", "rpm", times.to_numpy(), np.zeros(2))
    with pytest.raises(StorageError, match="73 years"):
        write_recording(tmp_path / "b.parquet", [made], Facts())
    assert list(tmp_path.iterdir()) == [path]


@pytest.mark.parametrize("count", [0, 3])
def test_a_trace_without_a_sample_is_in_no_file(tmp_path, count):
    """Seen: the finished file was not what was written, for its checksum counted that trace."""
    nothing = Trace("VSS", "7E8", "km/h", np.empty(0, np.int64), np.empty(0))
    rpm = Trace("RPM", "7E8", "rpm", np.arange(count), np.zeros(count))
    found = open_recording(write_recording(tmp_path / "a.parquet", [rpm, nothing], Facts()))
    assert found.signals == ("RPM",) * bool(count)
    assert found.intact()


@pytest.mark.parametrize("t_ns", [2**63, 10**400, -(10**400)])
def test_an_event_at_no_time_is_shown_at_the_end_of_all(t_ns):
    event = Event.model_validate_json(f'{{"t_ns": {t_ns}, "kind": "marker"}}')
    assert abs(event.t_ns) == MOST_T_NS
