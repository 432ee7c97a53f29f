"""Recovery: each journal on its own, nothing of anybody else's, nothing gone that is not proven."""

from __future__ import annotations

import errno
import os
import shutil
import sys
import time
from pathlib import Path

import numpy as np
import pyarrow.parquet as pq
import pytest

from logbench.errors import SamplesMissingError, StorageError
from logbench.recording import finish as finishing
from logbench.recording import recovery, writing
from logbench.recording.columns import FACTS_KEY
from logbench.recording.finish import finish
from logbench.recording.frames import ROW, Kind, encode_frame
from logbench.recording.journal import JournalWriter
from logbench.recording.journal_reading import journal_path, scan_journal
from logbench.recording.model import Event, Facts
from logbench.recording.reader import open_recording
from logbench.recording.recovery import recover

BATCHES, ROWS = 20, 10


def journal(path: Path, value: float = 1.0, recording_id: str = "") -> JournalWriter:
    """A journal for the recording `path`: 200 samples."""
    writer = JournalWriter(journal_path(path), Facts(recording_id=recording_id))
    for batch in range(BATCHES):
        writer.append([("RPM", "7E8", batch * 100 + k, value) for k in range(ROWS)])
        writer.flush()
    return writer


def spoil(path: Path, share: float = 0.5) -> None:
    """One bit turned over."""
    data = bytearray(path.read_bytes())
    written = len(data.rstrip(b"\0"))  # behind it, room is reserved
    data[int(written * share)] ^= 1
    path.write_bytes(data)


def kinds(folder: Path) -> dict[str, str]:
    return {found.journal.name: found.kind for found in recover(folder)}


THEIRS = {
    "accounts.journal": b"1 March: sold two tires\n" * 1000,
    "empty.journal": b"",
    "big.parquet.journal": bytes(range(256)) * 20_000,
    "arrow.journal": b"\xff\xff\xff\xff\x10\x01" + bytes(200),
    "table.journal": b"PAR1" + bytes(5000) + b"PAR1",
}


def test_nothing_of_anybody_else_is_touched(tmp_path):
    """Text, nothing, a folder, a link, rubbish: as they were, to the byte and to the second."""
    folder, outside = tmp_path / "drives", tmp_path / "outside"
    folder.mkdir()
    outside.mkdir()
    for name, content in THEIRS.items():
        (folder / name).write_bytes(content)
    (folder / "folder.journal").mkdir()
    (folder / "old.parquet.journal.damaged").write_bytes(b"x")
    journal(outside / "drive.parquet").close()
    with (outside / "drive.parquet.journal").open("rb") as file:
        linked = file.read()
    if os.name != "nt":
        (folder / "link.journal").symlink_to(outside / "drive.parquet.journal")
        (folder / "nowhere.journal").symlink_to(outside / "gone")
        os.mkfifo(folder / "pipe.journal")
    before = {path: path.lstat() for path in folder.iterdir()}
    found = kinds(folder)
    assert found == dict.fromkeys(THEIRS, "foreign")
    after = {path: path.lstat() for path in folder.iterdir()}
    assert after.keys() == before.keys()
    for path, status in before.items():
        assert (after[path].st_ino, after[path].st_mtime_ns) == (status.st_ino, status.st_mtime_ns)
    for name, content in THEIRS.items():
        assert (folder / name).read_bytes() == content
    assert (outside / "drive.parquet.journal").read_bytes() == linked


@pytest.mark.skipif(sys.platform == "win32" or os.geteuid() == 0, reason="root may read all")
def test_what_may_not_be_read_is_left(tmp_path):
    journal(tmp_path / "a.parquet").close()
    (tmp_path / "a.parquet.journal").chmod(0)
    assert kinds(tmp_path) == {"a.parquet.journal": "left"}


def test_a_huge_file_of_somebody_is_not_read_at_length(tmp_path, monkeypatch):
    with (tmp_path / "film.journal").open("wb") as file:
        file.truncate(2**33)
    read, asked = os.read, []

    def counted(fd, length):
        asked.append(length)
        return read(fd, length)

    monkeypatch.setattr(os, "read", counted)
    assert kinds(tmp_path) == {"film.journal": "foreign"}
    assert sum(asked) < 3_000_000


def test_room_reserved_is_not_read_at_length(tmp_path):
    """A journal of ours whose length is a terabyte of nothing."""
    journal(tmp_path / "a.parquet").close()
    os.truncate(tmp_path / "a.parquet.journal", 2**40)
    began = time.process_time()
    assert kinds(tmp_path) == {"a.parquet.journal": "recovered"}
    assert time.process_time() - began < 2.0


def test_an_earlier_form_is_named(tmp_path):
    (tmp_path / "a.parquet.journal").write_bytes(
        b"\xff\xff\xff\xff" + bytes(40) + b"logbench.facts"
    )
    (outcome,) = recover(tmp_path)
    assert (outcome.kind, outcome.path) == ("left", None)
    assert "earlier version" in outcome.sentence
    assert (tmp_path / "a.parquet.journal").exists()


# --- accepted = written = in the file ---


def test_a_byte_changed_in_the_running_journal(tmp_path):
    """What is sound is in the recording, what is not is counted, and the journal stays."""
    out = tmp_path / "a.parquet"
    writer = journal(out)
    spoil(writer.path)
    with pytest.raises(SamplesMissingError, match=r"190 of 200 samples are in .*a\.par") as error:
        finish(writer)
    assert error.value.path == out
    recording = open_recording(out)
    assert len(recording.trace("RPM")) == 190
    (gap,) = recording.facts.events
    assert (gap.kind, gap.text.split(" lost")[0]) == ("gap", "10 samples")
    assert writer.path.exists()
    for _ in range(2):  # no second recording is made of it
        (outcome,) = recover(tmp_path)
        assert (outcome.kind, outcome.path) == ("left", out)
        assert "190 of 200 samples" in outcome.sentence
        assert len(list(tmp_path.iterdir())) == 2


def test_the_writer_accepted_more_than_the_journal_holds(tmp_path):
    """The disk took a batch and forgot it: no frame is damaged, the counts alone tell it."""
    writer = journal(tmp_path / "a.parquet")
    size_bytes = writer.size_bytes
    writer.append([("RPM", "7E8", 10**9, 1.0)])
    writer.seal()
    os.truncate(writer.path, size_bytes)
    with pytest.raises(SamplesMissingError, match="200 of 201 samples"):
        finish(writer)
    assert writer.path.exists()


@pytest.mark.parametrize("what", ["value", "fewer", "facts", "unreadable"])
def test_the_finished_file_is_not_what_was_written(tmp_path, monkeypatch, what):
    """The disk gave back something else: the file gets no name, the journal stays."""
    out = tmp_path / "a.parquet"
    writer = journal(out)
    write, forget = writing._write_parquet, writing.forget_cached

    def other(part, signals, facts, *rest):
        if what == "facts":
            facts = facts.model_copy(update={"note": "another"})
            rows, _ = write(part, signals, facts, *rest)
            return rows, _.model_copy(update={"note": ""})
        rows, complete = write(part, signals, facts, *rest)
        if what in ("value", "fewer"):
            (trace,) = open_recording(part).traces()
            trace.value[:]  # what stands there
            kept = slice(0, None) if what == "value" else slice(0, -1)
            changed = trace.part(np.arange(len(trace))[kept])
            if what == "value":
                changed.value[7] += 1
            part.unlink()
            write(part, [[changed]], facts, *rest)
        return rows, complete

    def gone_bad(part):
        forget(part)
        if what == "unreadable":
            os.truncate(part, part.stat().st_size // 2)

    monkeypatch.setattr(writing, "_write_parquet", other)
    monkeypatch.setattr(writing, "forget_cached", gone_bad)
    with pytest.raises(
        StorageError, match=r"not what was written: 200 .*stay in a.parquet.journal"
    ):
        finish(writer)
    assert [path.name for path in tmp_path.iterdir()] == ["a.parquet.journal"]
    monkeypatch.undo()
    assert kinds(tmp_path) == {"a.parquet.journal": "recovered"}
    assert open_recording(out).intact()


def test_the_same_id_is_not_the_same_recording(tmp_path):
    """A copy put back by folder syncing carries the id and holds less: the drive is not lost."""
    out = tmp_path / "a.parquet"
    journal(out, recording_id="one").close()
    shutil.copy(journal_path(out), tmp_path / "kept")
    short = JournalWriter(tmp_path / "b.parquet.journal", Facts(recording_id="one"))
    short.append([("RPM", "7E8", 5, 1.0)])
    finish(short).rename(out)
    (outcome,) = recover(tmp_path)
    assert outcome.path == tmp_path / "a-2.parquet"
    assert len(open_recording(outcome.path).trace("RPM")) == BATCHES * ROWS
    assert len(open_recording(out).trace("RPM")) == 1
    shutil.copy(tmp_path / "kept", journal_path(out))  # and again: now it is there, as the second
    (outcome,) = recover(tmp_path)
    assert outcome.path == tmp_path / "a-2.parquet"
    assert not (tmp_path / "a-3.parquet").exists()


def test_the_same_samples_with_another_marker_are_not_the_same(tmp_path):
    out = tmp_path / "a.parquet"
    finish(journal(out, recording_id="one"))
    writer = journal(out, recording_id="one")
    writer.event(Event(t_ns=7, kind="marker", text="rattles"))
    writer.flush()
    writer.close()
    (outcome,) = recover(tmp_path)
    assert outcome.path == tmp_path / "a-2.parquet"
    assert open_recording(outcome.path).facts.events[0].text == "rattles"


def test_a_finished_file_that_is_damaged_is_not_believed(tmp_path):
    """Its footer carries the right id and the right checksum; its samples are gone."""
    out = tmp_path / "a.parquet"
    journal(out, recording_id="one").close()
    shutil.copy(journal_path(out), tmp_path / "kept")
    list(recover(tmp_path))
    shutil.move(tmp_path / "kept", journal_path(out))
    values = pq.read_metadata(out).row_group(0).column(3)
    last = values.data_page_offset + values.total_compressed_size - 8
    spoil(out, last / out.stat().st_size)
    assert b'"recording_id":"one"' in pq.read_metadata(out).metadata[FACTS_KEY]
    (outcome,) = recover(tmp_path)
    assert outcome.path == tmp_path / "a-2.parquet"
    assert open_recording(outcome.path).intact()


@pytest.mark.skipif(sys.platform != "linux", reason="asks the system for open descriptors")
@pytest.mark.parametrize("at_once", [10, 10**6])
def test_nothing_but_the_lock_has_the_journal_open_when_it_goes(tmp_path, monkeypatch, at_once):
    """An open file cannot be removed on Windows, where the lock is given back before."""
    monkeypatch.setattr(finishing, "_AT_ONCE", at_once)
    out, opened = tmp_path / "a.parquet", []
    journal(out).close()
    unlink = Path.unlink

    def watched(path, missing_ok=False):
        if path == journal_path(out):
            found = [os.path.realpath(fd.path) for fd in os.scandir("/proc/self/fd")]
            opened.append(found.count(str(path)))
        unlink(path, missing_ok)

    monkeypatch.setattr(Path, "unlink", watched)
    assert kinds(tmp_path) == {"a.parquet.journal": "recovered"}
    assert opened == [1]


# --- one by one ---


def hostile(folder: Path) -> dict[str, str]:
    """Journals that each made recovery raise, and what is to become of them."""
    found = {}

    def left(name: str, note: bytes, trace: int, expected: str) -> None:
        path = folder / f"{name}.parquet.journal"
        JournalWriter(path, Facts()).close()
        rows = np.array([(trace, 10, 1.0)], ROW)
        with path.open("ab") as file:
            recording = scan_journal(path).recording
            file.write(encode_frame(Kind.BATCH, 1, recording, 0, note, rows))
        found[path.name] = expected

    named = b'{"traces":{"7E8":["RPM"]}'
    left("negative", named + b"}", 65535, "left")
    left("too-large", named + b"}", 1, "left")
    left("deep", b"[" * 100_000, 0, "left")
    left(
        "emoji", named + b',"events":[{"t_ns":1,"kind":"marker","text":"\\ud83d"}]}', 0, "recovered"
    )
    left("facts", named + b',"facts":{"note":"\\ud83d","extra":{"a":"\\ud83d"}}}', 0, "recovered")
    left("name", b'{"traces":{"\\ud83d":["\\ude00"]}}', 0, "recovered")
    left(
        "time",
        named + b',"events":[{"t_ns":1' + b"0" * 4000 + b',"kind":"marker"}]}',
        0,
        "recovered",
    )
    return found


def test_each_journal_on_its_own(tmp_path):
    """Between those that made it raise, an ordinary one before and behind."""
    expected = hostile(tmp_path)
    for name in ("a", "z"):
        journal(tmp_path / f"{name}.parquet").close()
        expected[f"{name}.parquet.journal"] = "recovered"
    if sys.platform == "linux":
        path = os.fsencode(tmp_path) + b"/\xff\xfe.parquet"
        journal(Path(os.fsdecode(path))).close()
        expected[os.fsdecode(b"\xff\xfe.parquet.journal")] = "recovered"
    assert kinds(tmp_path) == expected
    for path in tmp_path.glob("*.parquet"):
        recording = open_recording(path)
        assert recording.intact()
        assert sum(map(len, recording.traces())) in (0, 1, 200)


class Panic(BaseException):
    """As pydantic's core raises it."""


@pytest.mark.parametrize(
    "error", [MemoryError(), RecursionError("deep"), ValueError("odd"), Panic("null")]
)
def test_whatever_one_of_them_raises(tmp_path, monkeypatch, caplog, error):
    for name in "abc":
        journal(tmp_path / f"{name}.parquet").close()
    whole = recovery.finish

    def fails(path, also_in):
        if path.name.startswith("b"):
            raise error
        return whole(path, also_in)

    monkeypatch.setattr(recovery, "finish", fails)
    outcomes = {found.journal.name[0]: found for found in recover(tmp_path)}
    assert [outcomes[name].kind for name in "abc"] == ["recovered", "left", "recovered"]
    assert "b.parquet.journal could not be recovered" in outcomes["b"].sentence
    assert (tmp_path / "b.parquet.journal").exists()


def test_a_full_disk_is_told_as_such_and_at_once(tmp_path, monkeypatch):
    for number in range(20):
        journal(tmp_path / f"{number}.parquet").close()

    def full(*_args, **_named):
        raise OSError(errno.ENOSPC, os.strerror(errno.ENOSPC))

    monkeypatch.setattr(writing, "open", full, raising=False)
    began = time.monotonic()
    outcomes = list(recover(tmp_path))
    assert time.monotonic() - began < 5.0
    assert {found.kind for found in outcomes} == {"left"}
    assert all("The disk is full" in found.sentence for found in outcomes)
    assert len(list(tmp_path.glob("*.journal"))) == 20


def test_the_folder_is_no_folder(tmp_path):
    assert list(recover(tmp_path / "gone")) == []
    (tmp_path / "file").touch()
    (outcome,) = recover(tmp_path / "file")
    assert outcome.kind == "left"


# --- several journals of one recording ---


@pytest.fixture
def places(tmp_path):
    made = [tmp_path / name for name in ("first", "second")]
    for folder in made:
        folder.mkdir()
    return made


def give(writer: JournalWriter, first: int, count: int) -> None:
    for k in range(first, first + count):
        writer.append([("RPM", "7E8", k * 1000, float(k))])
        writer.event(Event(t_ns=k * 1000, kind="marker", text=str(k)))
        writer.flush()


def values(path: Path) -> list[float]:
    return open_recording(path).trace("RPM").value.tolist()


def test_a_mirror_is_no_second_recording(places):
    """Killed while it was mirrored: two journals, one of them a little behind."""
    first, second = places
    writer = JournalWriter(first / "a.parquet.journal", Facts(), second)
    give(writer, 0, 20)
    writer.close()
    behind = second / "a.parquet.journal"
    behind.write_bytes(behind.read_bytes()[:-70])
    outcomes = [*recover(second, first)]
    assert [outcome.kind for outcome in outcomes] == ["recovered"]
    assert outcomes[0].path == first / "a.parquet"
    assert values(first / "a.parquet") == [float(k) for k in range(20)]
    assert [*second.iterdir()] == []
    assert [path.name for path in first.iterdir()] == ["a.parquet"]


def test_what_a_disk_held_that_came_back_is_put_together(places):
    """The beginning is on the stick, the rest where the recording went on from memory."""
    first, second = places
    writer = JournalWriter(first / "a.parquet.journal", Facts())
    give(writer, 0, 10)
    writer.flush()
    size_bytes = writer.size_bytes
    give(writer, 10, 10)
    writer.close()
    whole = (first / "a.parquet.journal").read_bytes()
    head_bytes = whole.index(b"\xd3\xf1LBJ", 8)
    (second / "a-2.parquet.journal").write_bytes(whole[:head_bytes] + whole[size_bytes:])
    (first / "a.parquet.journal").write_bytes(whole[:size_bytes])
    (outcome,) = recover(first, second)
    assert outcome.kind == "recovered"
    assert values(outcome.path) == [float(k) for k in range(20)]
    recording = open_recording(outcome.path)
    assert {event.text for event in recording.facts.events} == {str(k) for k in range(20)}
    assert len([*first.iterdir(), *second.iterdir()]) == 1


@pytest.mark.parametrize("cut", [0, 70])
def test_a_journal_whose_recording_is_finished_elsewhere(places, cut):
    """Cut off between finishing and taking the mirror away; or the mirror was behind."""
    first, second = places
    writer = JournalWriter(first / "a.parquet.journal", Facts(), second)
    give(writer, 0, 20)
    writer.close()
    mirror = second / "a.parquet.journal"
    held = mirror.read_bytes()
    [*recover(first)]
    mirror.write_bytes(held[: len(held) - cut])
    (outcome,) = recover(second, first)
    assert outcome.kind == "empty"
    assert str(first / "a.parquet") in outcome.sentence
    assert [*second.iterdir()] == []


def test_a_mirror_that_holds_more_than_the_finished_recording_is_recovered(places):
    first, second = places
    writer = JournalWriter(first / "a.parquet.journal", Facts(), second)
    give(writer, 0, 20)
    writer.close()
    journal_ = first / "a.parquet.journal"
    journal_.write_bytes(journal_.read_bytes()[:-70])
    [*recover(first)]
    (outcome,) = recover(second, first)
    assert (outcome.kind, outcome.path) == ("recovered", second / "a.parquet")
    assert values(second / "a.parquet") == [float(k) for k in range(20)]


def test_the_live_mirror_is_left_alone(places):
    first, second = places
    writer = JournalWriter(first / "a.parquet.journal", Facts(), second)
    give(writer, 0, 20)
    assert {outcome.kind for outcome in recover(first, second)} == {"in use"}
    assert finish(writer) == first / "a.parquet"
    assert values(first / "a.parquet") == [float(k) for k in range(20)]


def test_a_copy_that_was_gone_on_with_apart_is_a_recording_of_its_own(tmp_path):
    """The same id, the same beginning, then another end: neither is lost for the other."""
    first, copy = (journal_path(tmp_path / f"{name}.parquet") for name in "ab")
    journal(tmp_path / "a.parquet", recording_id="ab" * 16).close()
    shutil.copy(first, copy)
    for path, value, batches in ((first, 2.0, 5), (copy, 3.0, 3)):
        writer, _ = JournalWriter.resume(path)
        for k in range(batches):
            writer.append([("RPM", "7E8", 10_000 + k, value)])
            writer.flush()
        writer.close()
    assert [found.kind for found in recover(tmp_path)] == ["recovered", "recovered"]
    for name, value, batches in (("a", 2.0, 5), ("b", 3.0, 3)):
        values = open_recording(tmp_path / f"{name}.parquet").trace("RPM").value
        assert values.tolist() == [1.0] * BATCHES * ROWS + [value] * batches
