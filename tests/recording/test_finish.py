"""Finishing: never half a file, never over another, the journal stays until the file is whole."""

from __future__ import annotations

import errno
import os
import shutil
import sys
import tempfile
from pathlib import Path

import numpy as np
import pyarrow as pa
import pyarrow.parquet as pq
import pytest

from logbench.errors import StorageError
from logbench.recording import writing
from logbench.recording.columns import FACTS_KEY
from logbench.recording.finish import finish, write_recording
from logbench.recording.journal import JournalWriter
from logbench.recording.journal_reading import journal_path
from logbench.recording.model import Event, Facts
from logbench.recording.place import check_folder
from logbench.recording.reader import open_recording
from logbench.recording.recovery import recover
from logbench.recording.storage import unfinished
from tests.recording.whole_journal import recovered


def journal_of(path, traces, facts, *, batches: int = 5) -> JournalWriter:
    """A journal with all samples of `traces`, mixed in order of time."""
    rows = sorted(
        (
            (t.signal, t.ecu, int(t_ns), float(v))
            for t in traces
            for t_ns, v in zip(t.t_ns, t.value, strict=True)
        ),
        key=lambda row: row[2],
    )
    writer = JournalWriter(journal_path(path), facts)
    for part in np.array_split(np.arange(len(rows)), batches):
        writer.append(rows[k] for k in part)
        writer.flush()
    return writer


def same(traces, recording) -> None:
    for trace in traces:
        again = recording.trace(trace.signal, trace.ecu)
        np.testing.assert_array_equal(again.t_ns, trace.t_ns)
        np.testing.assert_array_equal(again.value, trace.value)
    assert len(recording.keys) == len(traces)


def test_journal_becomes_recording(tmp_path, traces, facts):
    out = tmp_path / "drive.parquet"
    writer = journal_of(out, traces, facts)
    writer.event(Event(t_ns=5, kind="marker", text="later"))
    writer.event(Event(t_ns=3, kind="marker", text="earlier"))
    assert finish(writer) == out
    assert [path.name for path in tmp_path.iterdir()] == ["drive.parquet"]
    recording = open_recording(out)
    same(traces, recording)
    assert [event.text for event in recording.facts.events] == ["earlier", "later"]
    assert not recording.facts.recovered
    assert recording.intact()


def test_layout_of_the_file(tmp_path, traces, facts):
    """Outside check of docs/architecture.md 'Data' with pyarrow's own view of the file."""
    out = write_recording(tmp_path / "drive.parquet", traces, facts)
    metadata = pq.read_metadata(out)
    assert metadata.num_row_groups == 3
    assert metadata.schema.names == ["signal", "ecu", "t", "value"]
    assert FACTS_KEY in metadata.metadata
    for number, signal in enumerate(["ECT", "RPM", "VSS"]):
        group = metadata.row_group(number)
        columns = [group.column(k) for k in range(4)]
        assert all(column.compression == "ZSTD" for column in columns)
        assert all(column.statistics.has_min_max for column in columns)
        assert all(column.has_column_index and column.has_offset_index for column in columns)
        assert columns[0].statistics.min == columns[0].statistics.max == signal
        assert "RLE_DICTIONARY" in columns[0].encodings
        assert "RLE_DICTIONARY" in columns[1].encodings
        assert "DELTA_BINARY_PACKED" in columns[2].encodings
        assert "BYTE_STREAM_SPLIT" in columns[3].encodings
    table = pq.read_table(out)
    assert table.schema.field("signal").type.value_type == pa.string()
    assert table["t"].type == pa.int64()
    frame = table.to_pandas()
    assert (
        frame.groupby("signal", observed=True)["t"].apply(lambda t: t.is_monotonic_increasing).all()
    )
    assert frame["signal"].astype(str).is_monotonic_increasing


def test_never_over_another_file(tmp_path, traces, facts):
    out = tmp_path / "drive.parquet"
    out.write_bytes(b"precious")
    assert finish(journal_of(out, traces, facts)) == tmp_path / "drive-2.parquet"
    assert write_recording(out, traces, facts) == tmp_path / "drive-3.parquet"
    assert out.read_bytes() == b"precious"
    assert len(list(tmp_path.iterdir())) == 3


def test_orphan_is_recovered(tmp_path, traces, facts):
    out = tmp_path / "drive.parquet"
    journal_of(out, traces, facts).close()
    assert recovered(tmp_path) == [out]
    recording = open_recording(out)
    same(traces, recording)
    assert recording.facts.recovered
    assert recovered(tmp_path) == []


def test_live_journal_is_left_alone(tmp_path, traces, facts):
    out = tmp_path / "drive.parquet"
    writer = journal_of(out, traces, facts)
    before = journal_path(out).read_bytes()
    (outcome,) = recover(tmp_path)
    assert outcome.kind == "in use"
    assert "another program is still writing" in outcome.sentence
    assert journal_path(out).read_bytes() == before
    assert finish(writer) == out


def test_crash_between_rename_and_removal(tmp_path, traces, facts):
    """The file is there already, made from this very journal: no second one is made."""
    out = tmp_path / "drive.parquet"
    journal_of(out, traces, facts).close()
    journal = journal_path(out).read_bytes()
    recovered(tmp_path)
    journal_path(out).write_bytes(journal)
    assert recovered(tmp_path) == [out]
    assert [path.name for path in tmp_path.iterdir()] == ["drive.parquet"]


def test_crash_while_writing_the_file(tmp_path, traces, facts):
    """Half a file of ours stays an hour; somebody's of the name that ours once had, for ever."""
    out = tmp_path / "drive.parquet"
    journal_of(out, traces, facts).close()
    theirs, ours = tmp_path / "drive.parquet.part", unfinished(out)
    for path in (theirs, ours):
        path.write_bytes(b"half a file")
        os.utime(path, (1, 1))
    assert recovered(tmp_path) == [out]
    assert {path.name for path in tmp_path.iterdir()} == {"drive.parquet", theirs.name}
    same(traces, open_recording(out))


def test_journal_without_samples(tmp_path, facts):
    JournalWriter(tmp_path / "a.parquet.journal", facts).close()
    (outcome,) = recover(tmp_path)
    assert (outcome.kind, outcome.path) == ("empty", None)
    assert list(tmp_path.iterdir()) == []


class _FullDisk:
    """A file that takes `room` bytes."""

    def __init__(self, file, room: int) -> None:
        self._file = file
        self._room = room

    def write(self, data) -> int:
        self._room -= len(data)
        if self._room < 0:
            raise OSError(errno.ENOSPC, os.strerror(errno.ENOSPC))
        return self._file.write(data)

    def __getattr__(self, name):
        return getattr(self._file, name)

    def __enter__(self):
        return self

    def __exit__(self, *error):
        self._file.close()


@pytest.mark.parametrize("room", [0, 100, 1500, 4000, 6000])
def test_disk_full_while_finishing(tmp_path, traces, facts, monkeypatch, room):
    out = tmp_path / "drive.parquet"
    writer = journal_of(out, traces, facts)

    def opened(path, mode, opener):
        return _FullDisk(open(path, mode, opener=opener), room)

    monkeypatch.setattr(writing, "open", opened, raising=False)
    with pytest.raises(StorageError, match=r"disk is full.*samples stay in drive.parquet.journal"):
        finish(writer)
    assert [path.name for path in tmp_path.iterdir()] == ["drive.parquet.journal"]
    with pytest.raises(StorageError, match="disk is full"):
        write_recording(tmp_path / "other.parquet", traces, facts)
    assert [path.name for path in tmp_path.iterdir()] == ["drive.parquet.journal"]
    monkeypatch.undo()
    assert recovered(tmp_path) == [out]
    same(traces, open_recording(out))


@pytest.fixture
def nobody():
    """A folder that this user cannot write to after `fix()`, also where the tests run as root."""
    root = hasattr(os, "geteuid") and os.geteuid() == 0
    folder = Path(tempfile.mkdtemp())
    folder.chmod(0o755)

    def fix() -> Path:
        folder.chmod(0o555)
        for file in folder.iterdir():
            file.chmod(0o644)
        if root:
            os.seteuid(65534)
        return folder

    yield folder, fix
    if root:
        os.seteuid(0)
    folder.chmod(0o755)
    shutil.rmtree(folder)


@pytest.mark.skipif(sys.platform == "win32", reason="folders are not read-only there")
def test_read_only_folder(nobody, traces, facts):
    folder, fix = nobody
    writer = journal_of(folder / "drive.parquet", traces, facts)
    fix()
    with pytest.raises(StorageError, match=r"no permission.*samples stay in drive.parquet.journal"):
        finish(writer)
    with pytest.raises(StorageError, match="no permission"):
        check_folder(folder)
    with pytest.raises(StorageError, match="no permission"):
        write_recording(folder / "other.parquet", traces, facts)
    assert [path.name for path in folder.iterdir()] == ["drive.parquet.journal"]


@pytest.mark.parametrize(
    ("number", "why"),
    [
        (errno.EROFS, "the disk is read-only"),
        (errno.EACCES, "you have no permission to write there"),
        (errno.EPERM, "you have no permission to write there"),
    ],
)
def test_read_only_disk(tmp_path, traces, facts, monkeypatch, number, why):
    """What the system calls of a read-only file system say (POSIX open(2): EROFS)."""
    out = tmp_path / "drive.parquet"
    writer = journal_of(out, traces, facts)

    def refuse(*_args, **_opener):
        raise OSError(number, os.strerror(number))

    monkeypatch.setattr(writing, "open", refuse, raising=False)
    with pytest.raises(StorageError, match=f"{why}: choose another folder; nothing is lost"):
        finish(writer)
    assert journal_path(out).exists()


def test_check_folder(tmp_path):
    check_folder(tmp_path)
    assert list(tmp_path.iterdir()) == []
    with pytest.raises(StorageError, match="does not exist"):
        check_folder(tmp_path / "gone")


def test_facts_survive(tmp_path, traces):
    """Unknown keys are kept; what the writer adds is added."""
    facts = Facts.model_validate(
        {"note": "x", "shade": "teal", "vehicle": {"label": "test", "doors": 5}}
    )
    out = write_recording(tmp_path / "drive.parquet", traces, facts)
    stored = open_recording(out).facts.model_dump()
    assert stored["shade"] == "teal"
    assert stored["vehicle"]["doors"] == 5
    assert stored["signals"]["VSS"]["unit"] == "km/h"
    assert set(stored["ecus"]) == {"7E8", "7E9"}
    assert len(stored["samples_sha256"]) == 64
    assert stored["recording_id"]


def test_unordered_samples_are_sorted(tmp_path):
    out = tmp_path / "drive.parquet"
    writer = JournalWriter(journal_path(out), Facts())
    writer.append([("RPM", "7E8", t, float(t)) for t in (5, 1, 3, 2, 4)])
    trace = open_recording(finish(writer)).trace("RPM")
    assert trace.t_ns.tolist() == trace.value.tolist() == [1, 2, 3, 4, 5]


def test_nothing_recorded_on_purpose_is_a_recording(tmp_path, facts):
    """A drive stopped before its first sample: an empty file that opens, not an error."""
    out = finish(JournalWriter(tmp_path / "drive.parquet.journal", facts))
    recording = open_recording(out)
    assert recording.keys == ()
    assert recording.duration_ns == 0
    assert recording.frame().empty
    assert recording.intact()


def test_leftovers_of_a_crash(tmp_path):
    """Only ours, only old ones."""
    names = (unfinished(tmp_path, ".new").name, unfinished(tmp_path).name)
    others = ("film.part", "film.0123abcd.part", "a.parquet.part", ".a.journal.0123abcd.new")
    for name in names + others:
        (tmp_path / name).touch()
    recovered(tmp_path)
    assert len(list(tmp_path.iterdir())) == 6
    for path in tmp_path.iterdir():
        os.utime(path, (1, 1))
    recovered(tmp_path)
    assert {path.name for path in tmp_path.iterdir()} == set(others)
    assert recovered(tmp_path / "gone") == []
