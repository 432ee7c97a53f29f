"""The journal: whatever happens to it, everything sound is read, and what is missing is said."""

from __future__ import annotations

import errno
import itertools
import json
import multiprocessing
import os
import random
import struct
import subprocess
import sys
import time
import tracemalloc
import zlib

import numpy as np
import pyarrow as pa
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from logbench.errors import (
    NotARecordingError,
    RecordingDamagedError,
    RecordingError,
    RecordingMissingError,
    RecordingTooNewError,
    StorageError,
)
from logbench.recording import frames
from logbench.recording.columns import FACTS_KEY
from logbench.recording.frames import ROW, Kind, encode_frame, inflated
from logbench.recording.journal import JournalLock, JournalWriter
from logbench.recording.journal_reading import journal_path, scan_journal
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
    ends = [writer.size_bytes]
    for batch in range(BATCHES):
        writer.append(rows(batch))
        writer.event(Event(t_ns=batch, kind="marker", text=str(batch)))
        writer.flush()
        ends.append(writer.size_bytes)
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
    assert (content.lost, content.gaps, content.damaged) == (0, [], False)
    assert content.whole_bytes == ends[-1]


def test_the_form_to_the_byte(written):
    """Outside check: read by docs/data.md alone, with nothing of this program."""
    data, _ = written
    frames, at = [], 0
    while at < len(data):
        assert data[at : at + 8] == bytes([0xD3, 0xF1]) + b"LBJ\r\n" + bytes([0x1A])
        version, kind, sequence = struct.unpack_from("<HBxI", data, at + 8)
        recording = data[at + 16 : at + 32]
        before, count, note, crc, head_crc = struct.unpack_from("<QIIII", data, at + 32)
        assert (version, head_crc) == (1, zlib.crc32(data[at : at + 52]))
        end = at + 56 + note + count * 18
        assert crc == zlib.crc32(data[at + 56 : end])
        names = json.loads(zlib.decompress(data[at + 56 : at + 56 + note], wbits=-15))
        samples = [struct.unpack_from("<Hqd", data, end - 18 * k) for k in range(count, 0, -1)]
        frames.append((kind, sequence, recording, before, names, samples))
        at = end
    assert [frame[0] for frame in frames] == [0, *[1] * BATCHES, 2]
    assert [frame[1] for frame in frames] == list(range(BATCHES + 2))
    assert len({frame[2] for frame in frames}) == 1
    counts = [len(rows(batch)) for batch in range(BATCHES)]
    assert [frame[3] for frame in frames] == [0, *itertools.accumulate(counts, initial=0)]
    for batch, (*_, note, samples) in enumerate(frames[1:-1]):
        traces = [(signal, ecu) for ecu, signals in note["traces"].items() for signal in signals]
        assert [(*traces[n], t, value) for n, t, value in samples] == rows(batch)
    assert frames[0][4]["facts"]["note"] == frames[-1][4]["facts"]["note"] == "head"
    assert len(frames[-1][4]["facts"]["events"]) == BATCHES


def test_truncated_anywhere(written, tmp_path):
    """Cut at every length: never an error but 'damaged' without a head, never a wrong sample."""
    data, ends = written
    path = tmp_path / "a.journal"
    path.write_bytes(data)
    for length in range(len(data), -1, -1):
        os.truncate(path, length)
        if length < ends[0]:
            with pytest.raises(RecordingError):
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
    """Bytes spoiled inside cost their frames, and what is missing is said to the sample."""
    data, ends = written
    spoiled = bytearray(data)
    start = ends[0] + int(where * (ends[-1] - ends[0] - length))
    for k in range(start, start + length):
        spoiled[k] ^= flip
    path = tmp_path_factory.mktemp("spoiled") / "a.journal"
    path.write_bytes(spoiled)
    content = read_journal(path)
    cuts = list(itertools.pairwise(ends))
    hit = [k for k, (a, b) in enumerate(cuts) if a < start + length and b > start]
    samples = [row for batch in range(BATCHES) if batch not in hit for row in rows(batch)]
    found = zip(content.trace, content.t_ns, content.value, strict=True)
    assert [(*content.keys[n], t, value) for n, t, value in found] == samples
    assert content.lost == sum(len(rows(batch)) for batch in hit) == content.gaps[0].lost
    assert content.damaged
    (gap,) = content.gap_events()
    assert gap.text.startswith(f"{content.lost:,} samples lost up to ")
    assert gap.t_ns == (rows(hit[0] - 1)[-1][2] if hit[0] else 0)
    assert len(content.facts.events) == BATCHES  # all of them stand in the end mark, too


def test_zeroed_block_after_a_power_cut(written, tmp_path):
    """A file system may keep the length and lose the data: zeros are room that was reserved."""
    data, ends = written
    path = tmp_path / "a.journal"
    path.write_bytes(data[: ends[5]] + bytes(ends[7] - ends[5]))
    content = read_journal(path)
    expect(content, 5)
    assert (content.gap_events(), content.damaged) == ([], False)


def samples_of(content) -> list[tuple[str, str, int, float]]:
    found = zip(content.trace.tolist(), content.t_ns, content.value, strict=True)
    return [(*content.keys[n], t, value) for n, t, value in found]


def test_destroyed_head(written, tmp_path):
    """The facts stand in the next frame, too."""
    data, _ = written
    path = tmp_path / "a.journal"
    path.write_bytes(bytes(200) + data[200:])
    content = read_journal(path)
    expect(content, BATCHES)
    assert not content.lost


def test_pieces_doubled_swapped_and_cut_out(written, tmp_path):
    data, ends = written
    path = tmp_path / "a.journal"
    pieces = [data[a:b] for a, b in itertools.pairwise([0, ends[0], *ends[1:], len(data)])]
    head, *batches, end = pieces
    path.write_bytes(b"".join([head, *batches, *batches[3:6], end]))
    expect(read_journal(path), BATCHES)
    path.write_bytes(b"".join([head, *batches[6:], *batches[:6], end]))
    content = read_journal(path)
    assert sorted(samples_of(content)) == sorted(r for k in range(BATCHES) for r in rows(k))
    assert (content.lost, content.gaps) == (0, [])
    assert [event.text for event in content.facts.events] == [str(k) for k in range(BATCHES)]
    path.write_bytes(b"".join([head, *batches[:4], *batches[7:10], *batches[11:], end]))
    content = read_journal(path)
    assert [gap.lost for gap in content.gaps] == [sum(len(rows(k)) for k in (4, 5, 6)), 3]
    assert [(gap.after_ns, gap.until_ns) for gap in content.gaps] == [(3000, 7000), (9002, 11000)]
    assert content.lost == 9


def test_the_end_mark_tells_what_is_missing_before_it(written, tmp_path):
    data, ends = written
    path = tmp_path / "a.journal"
    path.write_bytes(data[: ends[-3]] + data[ends[-1] :])
    content = read_journal(path)
    assert content.lost == 6
    assert [event.text for event in content.gap_events()] == [
        "6 samples lost up to the end: the journal was damaged on the disk"
    ]


def test_torn_tail_is_said(written, tmp_path):
    """With the number of samples where the frame's header is whole."""
    data, ends = written
    path = tmp_path / "a.journal"
    path.write_bytes(data[: ends[5] - 1])
    content = read_journal(path)
    expect(content, 4)
    (gap,) = content.gap_events()
    assert gap.text.startswith("the last 2 samples are lost: ")
    assert not content.damaged  # a power cut leaves it so
    path.write_bytes(data[: ends[4] + 30])
    (gap,) = read_journal(path).gap_events()
    assert gap.text.startswith("what followed is lost: ")


def test_frames_of_another_recording_are_not_taken_in(written, tmp_path):
    """What a disk held before may turn up in the middle of a file."""
    data, ends = written
    other = JournalWriter(tmp_path / "b.journal", Facts())
    other.append([("RPM", "7E8", 77, 7.0)])
    other.flush()
    other.close()
    foreign = (tmp_path / "b.journal").read_bytes()
    path = tmp_path / "a.journal"
    path.write_bytes(data[: ends[5]] + foreign + data[ends[5] :])
    expect(read_journal(path), BATCHES)


@pytest.mark.parametrize(
    "note",
    [
        b'{"traces":{"7E8":["RPM"]}}',
        b'{"traces":{"7E8":[]}}',
        b'{"traces":5}',
        b"[1]",
        b"\xff\xfe",
        b"[" * 100_000,
        b'{"traces":{"7E8":["RPM"]},"facts":{"vehicle":7}}',
        b'{"traces":{"7E8":["RPM"]},"facts":' + b'{"extra":' * 90_000 + b"1" + b"}" * 90_001,
        b'{"traces":{"7E8":["RPM"]},"events":[{"t_ns":"x"},7]}',
    ],
)
def test_sound_frames_that_nobody_of_us_wrote(tmp_path, note):
    """Trace numbers that are none, notes that are none: no error, no sample of nowhere."""
    rows = np.array([(0, 10, 1.0), (65535, 20, 2.0), (1, 30, 3.0)], ROW)
    path = tmp_path / "a.journal"
    JournalWriter(path, Facts(note="head")).close()
    recording = scan_journal(path).recording
    with path.open("ab") as file:
        file.write(encode_frame(Kind.BATCH, 1, recording, 0, note, rows))
    content = read_journal(path)
    named = b'["RPM"]' in note and len(note) < 1000  # a note that nobody can read names nothing
    assert samples_of(content) == ([("RPM", "7E8", 10, 1.0)] if named else [])
    assert content.lost == 3 - named
    assert content.facts.note == "head"


def test_half_an_emoji(tmp_path):
    """In a marker, in a fact, in a name: a mark in its place, and nothing else is lost."""
    path = tmp_path / "a.journal"
    writer = JournalWriter(path, Facts(note="\ud83d"))
    writer.event(Event(t_ns=1, kind="marker", text="a\ud83d"))
    writer.append([("S\ud83d", "\ud83d", 5, 1.0), ("S\ude00", "\ude00", 6, 2.0)])
    writer.flush()
    writer.close()
    content = read_journal(path)
    assert (content.facts.note, content.facts.events[0].text) == ("\ufffd", "a\ufffd")
    assert samples_of(content) == [("S?", "?", 5, 1.0), ("S?", "?", 6, 2.0)]


def test_what_the_disk_cannot_read_costs_only_itself(written, tmp_path, monkeypatch):
    """One bad sector: reading fails there (EIO), with zeros in its place the rest comes back."""
    data, _ = written
    path = tmp_path / "a.journal"
    path.write_bytes(data)
    read, seek, at = os.read, os.lseek, [0]

    def sought(fd, place, how):
        at[0] = place
        return seek(fd, place, how)

    def bad(fd, length):
        if at[0] <= 700 < at[0] + length:
            raise OSError(errno.EIO, os.strerror(errno.EIO))
        return read(fd, length)

    monkeypatch.setattr(frames, "_BLOCK", 64)
    monkeypatch.setattr(frames, "_PAUSES_S", (0.01, 0.01))
    monkeypatch.setattr(os, "lseek", sought)
    monkeypatch.setattr(os, "read", bad)
    content = read_journal(path)
    assert content.samples + content.lost == sum(len(rows(k)) for k in range(BATCHES))
    assert 0 < content.lost <= 3


def test_what_the_disk_can_read_a_moment_later_is_no_damage(written, tmp_path, monkeypatch):
    data, _ = written
    path = tmp_path / "a.journal"
    path.write_bytes(data)
    read, failed = os.read, []

    def touched(fd, length):
        if len(failed) < 4 and length > 100:
            failed.append(length)
            raise OSError(errno.EIO, os.strerror(errno.EIO))
        return read(fd, length)

    monkeypatch.setattr(os, "read", touched)
    expect(read_journal(path), BATCHES)
    assert len(failed) == 4


def test_a_file_made_to_waste_time(tmp_path):
    """A hundred thousand headers that each claim the rest of the file: it takes no longer."""
    path = tmp_path / "a.journal"
    JournalWriter(path, Facts()).close()
    recording = scan_journal(path).recording
    claim = encode_frame(Kind.BATCH, 1, recording, 0, b"{}", np.zeros(60_000, ROW))[:56]
    with path.open("ab") as file:
        file.write(claim * 100_000)
    began = time.process_time()
    assert scan_journal(path).damaged
    assert time.process_time() - began < 5.0


def test_the_facts_stand_in_it_again_and_again(tmp_path):
    """So often that little is lost with any part, so seldom that they take 2 % of it."""
    path = tmp_path / "a.journal"
    writer = JournalWriter(path, Facts(note=random.Random(1).randbytes(2000).hex()))
    for batch in range(2000):
        writer.append([("RPM", "7E8", batch * 100 + k, 1.0) for k in range(100)])
        writer.flush()
    writer.close()
    with path.open("rb") as file:
        pieces = frames.FrameSearch(file.fileno()).pieces()
        notes = [frame.note for piece in pieces for frame in piece]
    with_facts = [len(note) for note in notes if b'"facts"' in inflated(note)]
    size = path.stat().st_size
    assert sum(with_facts[2:]) <= 0.02 * size
    assert len(with_facts) >= size / (60 * with_facts[0])


def test_a_note_that_swells_is_none(tmp_path):
    """A kilobyte that would be gigabytes: it is not read further than a note may be."""
    path = tmp_path / "a.journal"
    JournalWriter(path, Facts()).close()
    recording = scan_journal(path).recording
    bomb = encode_frame(
        Kind.BATCH, 1, recording, 0, b" " * (2 * frames.MOST_NOTE), np.zeros(1, ROW)
    )
    assert len(bomb) < 200_000
    with path.open("ab") as file:
        file.write(bomb)
    tracemalloc.start()
    content = read_journal(path)
    peak = tracemalloc.get_traced_memory()[1]
    tracemalloc.stop()
    assert content.lost == 1
    assert peak < 3 * frames.MOST_NOTE


def test_missing_and_empty(tmp_path):
    with pytest.raises(RecordingMissingError, match=r"no journal .*gone"):
        read_journal(tmp_path / "gone.journal")
    empty = tmp_path / "empty.journal"
    empty.touch()
    with pytest.raises(NotARecordingError, match="not a journal"):
        read_journal(empty)


def test_foreign_stream_is_refused(tmp_path):
    path = tmp_path / "foreign.journal"
    schema = pa.schema([("x", pa.int8())])
    with pa.ipc.new_stream(str(path), schema) as stream:
        stream.write_table(schema.empty_table())
    with pytest.raises(NotARecordingError, match=r"not a journal .* left as it is"):
        read_journal(path)


def test_an_earlier_form_is_named(tmp_path):
    path = tmp_path / "old.journal"
    schema = pa.schema([("x", pa.int8())]).with_metadata({FACTS_KEY: b"{}"})
    with pa.ipc.new_stream(str(path), schema) as stream:
        stream.write_table(schema.empty_table())
    with pytest.raises(RecordingDamagedError, match="earlier version"):
        read_journal(path)


def test_a_newer_form_is_named(tmp_path):
    path = tmp_path / "a.journal"
    JournalWriter(path, Facts()).close()
    data = bytearray(path.read_bytes())
    data[8] = 2
    data[52:56] = zlib.crc32(data[:52]).to_bytes(4, "little")
    path.write_bytes(data)
    with pytest.raises(RecordingTooNewError, match="update logbench"):
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
writer.close()
assert len(read_journal(writer.path).t_ns) == flushed > 0
"""


@pytest.mark.skipif(sys.platform == "win32", reason="needs a limit on the size of files")
def test_disk_full_while_recording(tmp_path):
    """The kernel refuses to let files grow anywhere, in the middle of a batch: the sentence says
    so, and what was flushed is whole."""
    done = subprocess.run(
        [sys.executable, "-c", _LIMITED, str(tmp_path / "a.parquet.journal")],
        capture_output=True,
        text=True,
        check=False,
    )
    assert done.returncode == 0, done.stderr
    assert "The disk is full" in done.stdout
