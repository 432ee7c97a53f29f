"""Faults of the disk that pass: the drive goes on, nothing is lost, one note says so."""

from __future__ import annotations

import errno
import os
import re

import pytest

from logbench.capture.messages import CaptureRequest, Failed, Finished, Step
from logbench.capture.session import Session
from logbench.recording import place as place_module
from logbench.recording.finish import samples_in
from logbench.recording.frames import MAGIC, Kind
from logbench.recording.model import Event
from logbench.recording.reader import open_recording
from tests.capture.fake_source import SIGNALS, FakeSource
from tests.capture.test_session import Listener
from tests.recording.whole_journal import read_journal

PASSING = ("EINTR", "EAGAIN", "EIO", "ENOSPC", "EBUSY", "ESTALE")


@pytest.fixture(autouse=True)
def _no_pauses(monkeypatch):
    """On a busy machine the process stands still now and then; what comes then is not used."""
    monkeypatch.setattr("logbench.capture.pauses.LEAST_S", 60.0)


@pytest.fixture(autouse=True)
def any_pace(monkeypatch):
    """A busy disk is not a trouble here."""
    for module in ("place", "places"):
        monkeypatch.setattr(f"logbench.recording.{module}.SLOW_S", 60.0)


class Trouble:
    """Makes the journal's file fail: `times` times from the `after`-th write on."""

    def __init__(self, monkeypatch, where: str, code: int, times: int, after: int = 2) -> None:
        self.where, self.code, self.times, self.after = where, code, times, after
        self.writes = 0
        self._write, self._fsync = place_module.write_all, os.fsync
        monkeypatch.setattr(place_module, "write_all", self.write)
        monkeypatch.setattr(place_module.os, "fsync", self.fsync)

    def _fail(self) -> None:
        self.times -= 1
        raise OSError(self.code, os.strerror(self.code))

    @property
    def now(self) -> bool:
        return self.writes > self.after and self.times > 0

    def write(self, fd: int, data: bytes) -> None:
        self.writes += 1
        if self.where == "seal" and data[10] == Kind.END and self.times:
            self._write(fd, data[:3])
            self._fail()
        if self.now and self.where == "before":
            self._fail()
        if self.now and self.where == "half":
            self._write(fd, data[: len(data) // 2])
            self._fail()
        self._write(fd, data)

    def fsync(self, fd: int) -> None:
        if self.now and self.where == "fsync":
            self._fail()
        self._fsync(fd)


def drive(tmp_path, last: int = 900) -> tuple[Finished | Failed, Listener]:
    listener, out = Listener(), tmp_path / "drive.parquet"
    source = FakeSource(0.001, last=last)
    return Session(CaptureRequest("fake:", out=out), source, listener).run(), listener


@pytest.mark.parametrize("where", ["before", "half", "fsync", "seal"])
@pytest.mark.parametrize("name", PASSING)
def test_it_passes(tmp_path, monkeypatch, name, where):
    trouble = Trouble(monkeypatch, where, getattr(errno, name), times=2)
    ending, listener = drive(tmp_path)
    assert trouble.times == 0
    assert ending == Finished(tmp_path / "drive.parquet", 3600, ending.elapsed_s)
    recording = open_recording(ending.path)
    assert recording.intact()
    assert not recording.facts.recovered
    for signal in SIGNALS:
        assert recording.trace(signal).value.tolist() == list(range(900))
    assert sum("writing is tried again" in step.text for step in listener.of(Step)) == 1
    if where == "seal":  # all samples were safe already
        return
    # a busy machine may be late for a reading, which is a gap
    (note,) = (event for event in recording.facts.events if event.kind == "note")
    assert "the disk took nothing for" in note.text
    assert os.strerror(getattr(errno, name)) in note.text
    assert note in listener.of(Event)


def test_the_half_written_batch_is_cut_back_before_the_next_attempt(tmp_path, monkeypatch):
    """Even where cutting back fails at first; a reader never meets a damaged middle."""
    seen: list[int] = []
    truncate = os.ftruncate

    def refuse_once(fd: int, length: int) -> None:
        whole = read_journal(tmp_path / "drive.parquet.journal")
        seen.append(length)
        assert whole.whole_bytes == length or len(seen) > 2  # then, the end mark is behind it
        if len(seen) == 1:
            raise OSError(errno.EIO, os.strerror(errno.EIO))
        truncate(fd, length)

    Trouble(monkeypatch, "half", errno.EIO, times=1)
    monkeypatch.setattr(place_module.os, "ftruncate", refuse_once)
    ending, _ = drive(tmp_path)
    assert len(seen) == 3  # the last gives back the room reserved
    assert (type(ending), ending.samples, samples_in(ending.path)) == (Finished, 3600, 3600)


@pytest.fixture
def impatient(monkeypatch):
    for module in ("place", "places"):
        monkeypatch.setattr(f"logbench.recording.{module}.PATIENCE_S", 0.4)


@pytest.mark.worker_dies
def test_it_lasts(tmp_path, monkeypatch, impatient):
    """On every disk: the ending gives the samples taken, and those in the file."""
    Trouble(monkeypatch, "half", errno.ENOSPC, times=10**6)
    ending, _ = drive(tmp_path, last=10**6)
    assert isinstance(ending, Failed)
    assert ending.error == "StorageError"
    assert "The disk is full" in ending.sentence
    assert ending.samples == samples_in(ending.path) > 0
    numbers = re.search(r": ([\d,]+) samples; ([\d,]+) of the ([\d,]+) taken", ending.sentence)
    held, lost, taken = (int(n.replace(",", "")) for n in numbers.groups())
    assert held == ending.samples == taken - lost
    assert open_recording(ending.path).intact()


def test_what_waits_is_bounded(tmp_path, monkeypatch):
    """With the queue full the polling waits for the disk; nothing is lost by it."""
    monkeypatch.setattr("logbench.capture.sink._WAITING", 20)
    trouble = Trouble(monkeypatch, "before", errno.EIO, times=6)
    ending, _ = drive(tmp_path)
    assert trouble.times == 0
    assert (type(ending), ending.samples, samples_in(ending.path)) == (Finished, 3600, 3600)


@pytest.mark.worker_dies
def test_what_cannot_pass_is_not_waited_for(tmp_path, monkeypatch):
    trouble = Trouble(monkeypatch, "before", errno.EROFS, times=10**6)
    ending, listener = drive(tmp_path, last=10**6)
    assert "read-only" in ending.sentence
    assert ending.samples == samples_in(ending.path) > 0
    assert 10**6 - trouble.times <= 3  # once in each place, and no more
    assert not any("tried again" in step.text for step in listener.of(Step))


def test_it_passes_while_finishing(tmp_path, monkeypatch, caplog):
    """The Parquet file is made again from the sealed journal."""
    fsync, failed = os.fsync, []

    def once(fd: int) -> None:
        if not failed and any(tmp_path.glob("*.part")):
            failed.append(fd)
            raise OSError(errno.EIO, os.strerror(errno.EIO))
        fsync(fd)

    monkeypatch.setattr(os, "fsync", once)
    ending, _ = drive(tmp_path, last=50)
    assert failed
    assert (type(ending), ending.samples, samples_in(ending.path)) == (Finished, 200, 200)
    assert not open_recording(ending.path).facts.recovered
    assert [p.name for p in tmp_path.iterdir()] == ["drive.parquet"]
    assert "could not be written" in caplog.text


class Spoiled(FakeSource):
    """Has a byte of the running journal changed on the disk, behind its head."""

    def __init__(self, journal) -> None:
        super().__init__(0.001, last=900)
        self._journal = journal

    def read(self):
        if self.count == 800:
            with self._journal.open("r+b") as file:
                where = file.read().index(MAGIC, 8) + 70
                file.seek(where)
                (byte,) = file.read(1)
                file.seek(where)
                file.write(bytes([byte ^ 8]))
        return super().read()


def test_a_byte_changed_in_the_running_journal(tmp_path):
    """It ended with 'saved', none of the samples in the file, and without the journal."""
    out = tmp_path / "drive.parquet"
    listener = Listener()
    source = Spoiled(tmp_path / "drive.parquet.journal")
    ending = Session(CaptureRequest("fake:", out=out), source, listener).run()
    assert isinstance(ending, Failed)
    assert ending.path == out
    assert 0 < ending.samples == samples_in(out) < 3600
    assert f"{ending.samples:,} of 3,600 samples are in {out}" in ending.sentence
    assert "drive.parquet.journal, which stays where it is" in ending.sentence
    (gap,) = (e for e in open_recording(out).facts.events if e.kind == "gap")
    assert gap.text.startswith(f"{3600 - ending.samples:,} samples lost up to ")
    assert (tmp_path / "drive.parquet.journal").exists()
