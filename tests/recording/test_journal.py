"""The journal: whatever happens to its tail, everything up to the last whole batch is read."""

from __future__ import annotations

import json
import multiprocessing
import os
import subprocess
import sys

import numpy as np
import pyarrow as pa
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from logbench.errors import (
    RecordingDamagedError,
    RecordingMissingError,
    StorageError,
)
from logbench.recording.journal import JournalLock, JournalWriter
from logbench.recording.journal_reading import FACTS_KEY, journal_path
from logbench.recording.model import Event, Facts
from tests.recording.whole_journal import read_journal

BATCHES = 12


def rows(batch: int) -> list[tuple[str, str, int, float]]:
    """Known samples: a new trace appears every fourth batch."""
    names = ["RPM", "VSS", "ECT"][: 1 + batch // 4]
    return [(name, "7E8", batch * 1000 + k, batch + k / 10) for k, name in enumerate(names)]


@pytest.fixture(scope="module")
def written(tmp_path_factory) -> tuple[bytes, list[int]]:
    """A journal of `BATCHES` batches, and the file's length after its head and each batch."""
    path = tmp_path_factory.mktemp("journal") / "a.parquet.journal"
    writer = JournalWriter(path, Facts(note="head"))
    ends = [path.stat().st_size]
    for batch in range(BATCHES):
        writer.append(rows(batch))
        writer.event(Event(t_ns=batch, kind="marker", text=str(batch)))
        writer.flush()
        ends.append(path.stat().st_size)
    writer.seal()
    writer.close()
    return path.read_bytes(), ends


def expect(content, batches: int) -> None:
    """`content` holds exactly the first `batches` batches."""
    samples = [row for batch in range(batches) for row in rows(batch)]
    assert [content.keys[k] for k in content.trace] == [row[:2] for row in samples]
    assert content.t_ns.tolist() == [row[2] for row in samples]
    assert content.value.tolist() == [row[3] for row in samples]
    assert [event.text for event in content.facts.events] == [str(k) for k in range(batches)]
    assert content.facts.note == "head"


def test_whole_journal(written, tmp_path):
    data, ends = written
    path = tmp_path / "a.journal"
    path.write_bytes(data)
    content = read_journal(path)
    expect(content, BATCHES)
    assert content.sealed
    assert content.whole_bytes == ends[-1]


def test_any_arrow_reader_opens_it(written):
    """Outside check: pyarrow's own stream reader, told nothing of this program."""
    with pa.ipc.open_stream(written[0]) as stream:
        table = stream.read_all()
    assert table.column_names == ["trace", "t", "value"]
    assert table.num_rows == sum(len(rows(batch)) for batch in range(BATCHES))
    assert json.loads(table.schema.metadata[FACTS_KEY])["note"] == "head"


def test_truncated_anywhere(written, tmp_path):
    """Cut at every length: never an error but 'damaged' without a head, never a wrong sample."""
    data, ends = written
    path = tmp_path / "a.journal"
    path.write_bytes(data)
    for length in range(len(data), -1, -1):
        os.truncate(path, length)
        if length < ends[0]:
            with pytest.raises(RecordingDamagedError):
                read_journal(path)
            continue
        content = read_journal(path)
        whole = sum(end <= length for end in ends) - 1
        if length % 16 == 0 or length in ends:  # every length is read, some compared in full
            expect(content, whole)
        assert content.whole_bytes == ends[whole]


@settings(max_examples=300, deadline=None)
@given(tail=st.binary(max_size=300), cut=st.integers(0, BATCHES))
def test_garbage_tail(written, tmp_path_factory, tail, cut):
    data, ends = written
    path = tmp_path_factory.mktemp("garbage") / "a.journal"
    path.write_bytes(data[: ends[cut]] + tail)
    expect(read_journal(path), cut)


@settings(max_examples=300, deadline=None)
@given(where=st.floats(0, 1), flip=st.integers(1, 255), length=st.integers(1, 64))
def test_overwritten_middle(written, tmp_path_factory, where, flip, length):
    """Bytes spoilt inside: what is read is a prefix of what was written, never something else."""
    data, ends = written
    spoilt = bytearray(data)
    start = ends[0] + int(where * (ends[-1] - ends[0] - length))
    for k in range(start, start + length):
        spoilt[k] ^= flip
    path = tmp_path_factory.mktemp("spoilt") / "a.journal"
    path.write_bytes(spoilt)
    content = read_journal(path)
    first_hit = sum(end <= start for end in ends) - 1
    batches = len(content.facts.events)
    assert batches >= first_hit
    expect(content, batches)


def test_zeroed_block_after_a_power_cut(written, tmp_path):
    """A file system may keep the length and lose the data: zeros are no batch."""
    data, ends = written
    path = tmp_path / "a.journal"
    path.write_bytes(data[: ends[5]] + bytes(ends[7] - ends[5]))
    expect(read_journal(path), 5)


def test_missing_and_empty(tmp_path):
    with pytest.raises(RecordingMissingError, match=r"no journal .*gone"):
        read_journal(tmp_path / "gone.journal")
    empty = tmp_path / "empty.journal"
    empty.touch()
    with pytest.raises(RecordingDamagedError, match="empty"):
        read_journal(empty)


def test_foreign_stream_is_refused(tmp_path):
    path = tmp_path / "foreign.journal"
    schema = pa.schema([("x", pa.int8())])
    with pa.ipc.new_stream(str(path), schema) as stream:
        stream.write_table(schema.empty_table())
    with pytest.raises(RecordingDamagedError):
        read_journal(path)


def test_never_over_an_existing_journal(tmp_path):
    path = journal_path(tmp_path / "a.parquet")
    path.write_bytes(b"someone's")
    with pytest.raises(StorageError, match="exists already"):
        JournalWriter(path, Facts())
    assert path.read_bytes() == b"someone's"


def test_folder_gone(tmp_path):
    with pytest.raises(StorageError, match=r"does not exist or is gone: choose another folder"):
        JournalWriter(tmp_path / "no" / "a.journal", Facts())


@pytest.mark.parametrize("torn", [b"", b"\xff\xff\xff\xff\x10\x01", b"garbage" * 40])
def test_resume(tmp_path, torn):
    path = tmp_path / "a.journal"
    writer = JournalWriter(path, Facts(note="head"))
    for batch in range(3):
        writer.append(rows(batch))
        writer.event(Event(t_ns=batch, kind="marker", text=str(batch)))
        writer.flush()
    writer.close()
    with path.open("ab") as file:
        file.write(torn)
    writer, index = JournalWriter.resume(path)
    expect(read_journal(path), 3)
    assert (index.samples, index.last_t_ns) == (3, 2000)
    for batch in range(3, BATCHES):
        writer.append(rows(batch))
        writer.event(Event(t_ns=batch, kind="marker", text=str(batch)))
        writer.flush()
    assert writer.samples == sum(len(rows(batch)) for batch in range(BATCHES))
    writer.seal()
    writer.close()
    expect(read_journal(path), BATCHES)


def test_facts_change_on_the_way(tmp_path):
    path = tmp_path / "a.journal"
    writer = JournalWriter(path, Facts(note="before"))
    writer.event(Event(t_ns=1, kind="marker"))
    writer.update_facts(Facts(note="after", started_utc="x"))
    writer.flush()
    writer.event(Event(t_ns=2, kind="marker"))
    writer.flush()
    writer.close()
    facts = read_journal(path).facts
    assert (facts.note, facts.started_utc) == ("after", "x")
    assert [event.t_ns for event in facts.events] == [1, 2]


def test_nan_and_extremes(tmp_path):
    path = tmp_path / "a.journal"
    writer = JournalWriter(path, Facts())
    values = [float("nan"), float("inf"), -0.0, 1e-308, 1.7e308]
    writer.append(("RPM", "7E8", 2**62 + k, value) for k, value in enumerate(values))
    writer.flush()
    writer.close()
    content = read_journal(path)
    np.testing.assert_array_equal(content.value, values)
    assert content.t_ns[0] == 2**62


def _hold(path, ready, done):
    with JournalLock(path):
        ready.set()
        done.wait(30)


def test_lock_keeps_other_programs_out(tmp_path):
    path = tmp_path / "a.journal"
    JournalWriter(path, Facts()).close()
    context = multiprocessing.get_context("spawn")
    ready, done = context.Event(), context.Event()
    other = context.Process(target=_hold, args=(path, ready, done))
    other.start()
    try:
        assert ready.wait(30)
        with pytest.raises(StorageError, match="another program is still writing"):
            JournalLock(path)
        with pytest.raises(StorageError, match="another program is still writing"):
            JournalWriter.resume(path)
    finally:
        done.set()
        other.join()
        other.close()
    JournalLock(path).close()


_LIMITED = """
import resource, sys
from pathlib import Path
from logbench.errors import StorageError
from logbench.recording.journal import JournalWriter
from logbench.recording.model import Facts
from tests.recording.whole_journal import read_journal
path = Path(sys.argv[1])
writer = JournalWriter(path, Facts())
resource.setrlimit(resource.RLIMIT_FSIZE, (20_000, resource.RLIM_INFINITY))
flushed = 0
try:
    for batch in range(10_000):
        writer.append([("RPM", "7E8", batch * 100 + k, k) for k in range(100)])
        writer.flush()
        flushed += 100
except StorageError as error:
    print(error)
else:
    sys.exit("no error")
assert len(read_journal(path).t_ns) == flushed > 0
assert path.stat().st_size == writer.size_bytes
resource.setrlimit(resource.RLIMIT_FSIZE, (resource.RLIM_INFINITY, resource.RLIM_INFINITY))
writer.flush()
assert len(read_journal(path).t_ns) == flushed + 100
"""


@pytest.mark.skipif(sys.platform == "win32", reason="needs a limit on the size of files")
def test_disk_full_while_recording(tmp_path):
    """The kernel refuses to let the file grow, in the middle of a batch: the sentence says so,
    what was flushed is whole, and with space again nothing of the refused batch is lost."""
    done = subprocess.run(
        [sys.executable, "-c", _LIMITED, str(tmp_path / "a.journal")],
        capture_output=True,
        text=True,
        check=False,
    )
    assert done.returncode == 0, done.stderr
    assert "The disk is full" in done.stdout
