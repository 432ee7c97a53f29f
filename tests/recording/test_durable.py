"""What is said to be on disk was written whole, in order, and fsynced: by the calls themselves."""

from __future__ import annotations

import os
from collections.abc import Callable
from pathlib import Path

import pytest

from logbench.job.ledger import Entry, Ledger
from logbench.recording import journal
from logbench.recording.journal import JournalWriter
from logbench.recording.model import Event, Facts
from logbench.recording.storage import copy_new, write_all, write_whole
from tests.recording.whole_journal import read_journal

pytestmark = pytest.mark.skipif(os.name == "nt", reason="folders cannot be made durable there")


@pytest.fixture
def calls(monkeypatch) -> list[str]:
    """What is done to files, as it is done: `write`, `fsync`, `fsync folder`, `name`."""
    made: list[str] = []

    def noted(name: str, original: Callable[..., object]) -> None:
        def call(*given: object, **named: object) -> object:
            folder = name == "fsync" and os.path.isdir(f"/proc/self/fd/{given[0]}")
            made.append("fsync folder" if folder else name)
            return original(*given, **named)

        monkeypatch.setattr(os, {"name": "link"}.get(name, name), call)

    noted("write", os.write)
    noted("fsync", os.fsync)
    noted("name", os.link)
    rename = Path.replace
    monkeypatch.setattr(
        Path, "replace", lambda part, to: (made.append("name"), rename(part, to))[1]
    )
    return made


def test_a_flushed_batch_is_written_and_then_fsynced(tmp_path, calls):
    writer = JournalWriter(tmp_path / "a.journal", Facts())
    assert calls == ["write", "fsync", "name", "fsync folder"]  # a head, then its name
    for batch in range(3):
        calls.clear()
        writer.append([("RPM", "7E8", batch, 800.0)])
        assert calls == []
        writer.flush()
        assert calls == ["write", "fsync"]
    writer.close()


def test_a_file_is_durable_before_it_has_its_name_and_the_name_is_then(tmp_path, calls):
    write_whole(tmp_path / "a.json", b"{}")
    assert calls[-3:] == ["fsync", "name", "fsync folder"]
    calls.clear()
    copy_new(tmp_path / "a.json", tmp_path / "b.json")
    assert calls[-3:] == ["fsync", "name", "fsync folder"]


def test_a_line_of_a_ledger_is_durable_when_it_is_entered(tmp_path, calls):
    ledger = Ledger(tmp_path)
    ledger.keys.own()
    for expected in (["fsync", "fsync folder"], ["fsync"]):  # the file's name is new but once
        calls.clear()
        ledger.enter(Entry("report", "ab" * 32), "job")
        assert calls == expected


def test_a_write_that_stops_early_goes_on_where_it_stopped(tmp_path, monkeypatch):
    write = os.write
    monkeypatch.setattr(os, "write", lambda fd, data: write(fd, bytes(data)[:3]))
    with open(tmp_path / "a", "wb") as file:
        write_all(file.fileno(), b"0123456789")
    assert (tmp_path / "a").read_bytes() == b"0123456789"


@pytest.mark.parametrize("tail", [b"torn" * 50, b""], ids=["torn", "whole"])
def test_going_on_cuts_off_what_is_behind_the_last_sound_batch(tmp_path, tail):
    """The end mark, too: else it would stand in the middle."""
    path = tmp_path / "a.journal"
    writer = JournalWriter(path, Facts())
    writer.append([("RPM", "7E8", 1, 800.0)])
    writer.flush()
    whole = writer.size_bytes
    writer.seal()
    writer.close()
    path.write_bytes(path.read_bytes() + tail)
    writer, content = JournalWriter.resume(path)
    assert content.whole_bytes == whole
    assert path.read_bytes()[whole:].strip(b"\0") == b""  # at once: it may be killed next
    writer.close()


def test_of_a_batch_that_is_refused_nothing_stays(tmp_path):
    path = tmp_path / "a.journal"
    writer = JournalWriter(path, Facts())
    writer.append([("RPM", "7E8", 1, 800.0)])
    with pytest.raises(TypeError):
        writer.append([("RPM", "7E8", 2, 801.0), ("RPM", "7E8", 3, None)])
    writer.append([("RPM", "7E8", 4, 802.0)])
    writer.flush()
    writer.close()
    assert read_journal(path).t_ns.tolist() == [1, 4]
    assert writer.samples == 2


def test_a_sample_waits_for_others_at_most_so_long(tmp_path, monkeypatch):
    now_s = [100.0]
    monkeypatch.setattr(journal.time, "monotonic", lambda: now_s[0])
    writer = JournalWriter(tmp_path / "a.journal", Facts())
    assert writer.due_in_s() is None
    writer.append([("RPM", "7E8", 1, 800.0)])
    now_s[0] += 0.3
    assert not writer.write_due()
    writer.event(Event(t_ns=2, kind="marker"))  # the oldest counts
    now_s[0] += 0.11
    assert writer.write_due()
    assert writer.due_in_s() is None
    monkeypatch.undo()
    writer.close()


def test_a_batch_cut_out_of_a_journal_is_damage(tmp_path):
    path = tmp_path / "a.journal"
    writer = JournalWriter(path, Facts())
    ends = []
    for batch in range(4):
        writer.append([("RPM", "7E8", batch, 800.0)])
        writer.flush()
        ends.append(writer.size_bytes)
    writer.seal()
    writer.close()
    data = path.read_bytes()
    path.write_bytes(data[: ends[1]] + data[ends[2] :])
    content = read_journal(path)
    assert content.damaged
    assert content.lost == 1
    assert content.t_ns.tolist() == [0, 1, 3]
