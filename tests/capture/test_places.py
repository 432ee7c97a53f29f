"""A drive through the real session while memory lacks, folders go, disks fill: every sample is in
the finished file, and the ending says where that is."""

from __future__ import annotations

import errno
import os
import shutil
import sys
import threading
import time

import numpy as np
import pytest

from logbench.capture.messages import CaptureRequest, Failed, Finished, Status, Trouble
from logbench.capture.process import Capture
from logbench.capture.session import Session
from logbench.cases.live import RecoverJournals
from logbench.cases.work import run_here
from logbench.recording import place as place_module
from logbench.recording.finish import samples_in
from logbench.recording.journal import JournalWriter
from logbench.recording.model import Facts
from logbench.recording.places import Places, journal_folders, rescue_folder
from logbench.recording.reader import open_recording
from logbench.recording.recovery import recover
from tests.capture.fake_source import SIGNALS, FakeSource, MakeFake
from tests.capture.test_session import Listener

LAST = 1500
posix_only = pytest.mark.skipif(
    sys.platform == "win32", reason="an open file's folder cannot be moved on Windows"
)


@pytest.fixture(autouse=True)
def _no_pauses(monkeypatch):
    """On a busy machine the process stands still now and then; what comes then is not used."""
    monkeypatch.setattr("logbench.capture.pauses.LEAST_S", 60.0)


@pytest.fixture(autouse=True)
def _no_rescues():
    yield
    shutil.rmtree(rescue_folder(), ignore_errors=True)


@pytest.fixture
def stick(tmp_path):
    (tmp_path / "stick").mkdir()
    return tmp_path / "stick"


class Timed(Listener):
    """Also keeps when each message came."""

    def __init__(self):
        super().__init__()
        self.times: list[float] = []

    def message(self, message):
        super().message(message)
        self.times.append(time.monotonic())

    def first(self, kind) -> float:
        return next(
            t for t, m in zip(self.times, self.messages, strict=True) if isinstance(m, kind)
        )

    @property
    def told(self) -> list[str]:
        return [message.text for message in self.of(Trouble)]


def drive(folder, at=500, happens=lambda: None, second=None, last=LAST):
    """A drive into `folder`; before reading `at`, something happens."""

    class Eventful(FakeSource):
        when = 0.0

        def read(self):
            if self.count == at:
                happens()
                self.when = time.monotonic()
            return super().read()

    listener, source = Timed(), Eventful(0.001, last=last)
    request = CaptureRequest("fake:", out=folder / "drive.parquet", second=second)
    ending = Session(request, source, listener).run()
    return ending, listener, source.when


def check_whole(ending: Finished | Failed, folder, last=LAST) -> None:
    assert isinstance(ending, Finished), ending
    assert ending.path == folder / "drive.parquet"
    assert ending.samples == samples_in(ending.path) == len(SIGNALS) * last
    recording = open_recording(ending.path)
    assert recording.intact()
    assert not recording.facts.recovered
    for signal in SIGNALS:
        assert recording.trace(signal).value.tolist() == list(range(last))


# --- memory ---


class Injected:
    """Makes a method of the journal raise a few times, before or after it did its work."""

    def __init__(self, monkeypatch, owner, name, error, times=3) -> None:
        self.times = times
        whole = getattr(owner, name)

        def broken(this, *arguments):
            if self.times and time.monotonic() > began + 0.4:
                self.times -= 1
                raise error
            return whole(this, *arguments)

        began = time.monotonic()
        monkeypatch.setattr(owner, name, broken)


@pytest.mark.parametrize("error", [MemoryError(), OSError(errno.ENOMEM, "memory")], ids=repr)
@pytest.mark.parametrize(
    ("owner", "name"),
    [
        *((JournalWriter, n) for n in ("append", "_rows", "flush", "write_due", "due_in_s")),
        *((Places, n) for n in ("add", "settle", "tend")),
        *((place_module.Place, n) for n in ("_take", "_write", "_look")),
    ],
    ids=lambda x: x if isinstance(x, str) else x.__name__,
)
def test_memory_that_lacks_for_a_moment_costs_nothing(stick, monkeypatch, owner, name, error):
    injected = Injected(monkeypatch, owner, name, error)
    ending, _, _ = drive(stick)
    assert injected.times == 0
    check_whole(ending, stick)


def test_append_is_all_or_nothing(tmp_path):
    """Where it breaks in the middle of a batch, the next attempt takes each sample once."""

    def rows():
        for k in range(10):
            if k == 6 and not broken:
                broken.append(k)
                raise MemoryError
            yield ("RPM", "7E8", k, float(k))

    broken: list[int] = []
    writer = JournalWriter(tmp_path / "a.parquet.journal", Facts())
    with pytest.raises(MemoryError):
        writer.append(rows())
    assert writer.samples == 0
    writer.append(rows())
    assert writer.samples == 10
    writer.seal()
    writer.close()
    assert samples_in(tmp_path / "a.parquet.journal") == 10


@pytest.mark.worker_dies
def test_memory_that_lacks_for_good_is_told_with_both_numbers(stick, monkeypatch):
    monkeypatch.setattr("logbench.capture.sink.PATIENCE_S", 0.3)
    Injected(monkeypatch, JournalWriter, "append", MemoryError("none left"), times=10**9)
    ending, _, _ = drive(stick, last=10**6)
    assert isinstance(ending, Failed)
    assert ending.samples == samples_in(ending.path) > 0
    assert f"{ending.samples:,} samples" in ending.sentence
    assert "are not in it" in ending.sentence


def test_samples_that_vanish_on_the_way_are_told(stick, monkeypatch):
    """A fault of ours that nobody noticed: more was taken than is in the file."""
    append = JournalWriter.append

    def forgetful(self, rows):
        append(self, [row for row in rows if row[0] != "ECT"])

    monkeypatch.setattr(JournalWriter, "append", forgetful)
    ending, _, _ = drive(stick)
    assert isinstance(ending, Failed)
    assert ending.error == "SamplesMissingError"
    assert f"{3 * LAST:,} of {4 * LAST:,} samples" in ending.sentence
    assert ending.samples == samples_in(ending.path) == 3 * LAST


# --- folders ---


@posix_only
@pytest.mark.parametrize("how", ["renamed", "deleted"])
def test_the_folder_goes_away(tmp_path, stick, how):
    def happens():
        if how == "renamed":
            stick.rename(tmp_path / "elsewhere")
        else:
            shutil.rmtree(stick)

    ending, listener, when = drive(stick, happens=happens)
    check_whole(ending, rescue_folder())
    assert listener.first(Trouble) - when < 3.0  # half a second, and the machine may be busy
    assert str(stick) in listener.told[0]
    assert str(rescue_folder()) in ending.sentence
    assert any("another place" in e.text for e in open_recording(ending.path).facts.events)
    assert [path.name for path in rescue_folder().iterdir()] == ["drive.parquet"]
    if how == "renamed":  # what is safe elsewhere leaves nothing behind
        assert [*(tmp_path / "elsewhere").iterdir()] == []


def test_the_second_place_is_a_mirror(tmp_path, stick):
    second = tmp_path / "second"
    second.mkdir()
    seen = []
    ending, listener, _ = drive(stick, happens=lambda: seen.extend(second.iterdir()), second=second)
    check_whole(ending, stick)
    assert [path.name for path in seen] == ["drive.parquet.journal"]
    assert [*second.iterdir()] == []
    assert [path.name for path in stick.iterdir()] == ["drive.parquet"]
    assert (ending.sentence, listener.told) == ("", [])


@posix_only
def test_the_second_place_finishes_what_the_first_cannot(tmp_path, stick):
    second = tmp_path / "second"
    second.mkdir()
    ending, _, _ = drive(stick, happens=lambda: shutil.rmtree(stick), second=second)
    check_whole(ending, second)
    assert str(second) in ending.sentence
    assert not rescue_folder().exists()


@posix_only
def test_a_second_place_that_fails_ends_nothing(tmp_path, stick):
    second = tmp_path / "second"
    second.mkdir()
    ending, listener, _ = drive(stick, happens=lambda: shutil.rmtree(second), second=second)
    check_whole(ending, stick)
    assert any(str(second) in text for text in listener.told)


def test_the_same_folder_twice_is_no_second_place(stick):
    ending, _, _ = drive(stick, second=stick, last=100)
    check_whole(ending, stick, last=100)


# --- full disks ---


class Full:
    """A folder on a disk without room: no file in it becomes larger any more."""

    def __init__(self, monkeypatch, folder) -> None:
        self.on = False

        def watched(call):
            def full(fd, *arguments):
                path = os.path.realpath(f"/proc/self/fd/{fd}")
                if self.on and path.startswith(str(folder)):
                    raise OSError(errno.ENOSPC, os.strerror(errno.ENOSPC))
                return call(fd, *arguments)

            return full

        for name in ("write", "posix_fallocate", "fsync"):
            monkeypatch.setattr(os, name, watched(getattr(os, name)))

    def fill(self) -> None:
        self.on = True


needs_proc = pytest.mark.skipif(not os.path.isdir("/proc/self/fd"), reason="needs /proc")


@needs_proc
def test_a_full_disk_moves_on(stick, monkeypatch):
    full = Full(monkeypatch, stick)
    ending, listener, _ = drive(stick, happens=full.fill)
    check_whole(ending, rescue_folder())
    assert "The disk is full" in listener.told[0]


@needs_proc
def test_finishing_on_a_full_disk(stick, monkeypatch):
    """The journal is whole, its finished file has no room beside it."""
    full = Full(monkeypatch, stick)
    seal = JournalWriter.seal

    def then_full(self):
        seal(self)
        full.fill()

    monkeypatch.setattr(JournalWriter, "seal", then_full)
    ending, _, _ = drive(stick)
    full.on = False
    check_whole(ending, rescue_folder())
    assert str(rescue_folder()) in ending.sentence
    assert [*stick.iterdir()] == []


# --- room ---


def test_room_is_told_and_little_room_is_warned_of_once(stick, monkeypatch):
    monkeypatch.setattr("logbench.capture.sink._PACE_AFTER_S", 0.5)
    usage = shutil.disk_usage(stick)
    monkeypatch.setattr(
        place_module.shutil, "disk_usage", lambda _: usage._replace(free=25_000_000)
    )
    _, listener, _ = drive(stick, last=3000)
    known = [s.room_s for s in listener.of(Status) if s.room_s is not None]
    assert known
    assert all(0 <= room_s < 600 for room_s in known)
    (text,) = listener.told
    assert "The disk has room for about" in text


def test_a_slow_place_does_not_slow_the_polling(stick, monkeypatch):
    """A disk that hangs for a while: samples come as before, and wait."""
    released, fsync = threading.Event(), os.fsync
    monkeypatch.setattr("logbench.recording.places._HANG_S", 60.0)

    def hang(fd):
        if hanging:
            released.wait(30)
        fsync(fd)

    hanging: list[int] = []

    def happens():
        hanging.append(1)
        threading.Timer(4.0, released.set).start()

    monkeypatch.setattr(os, "fsync", hang)
    ending, listener, when = drive(stick, happens=happens, last=5500)
    check_whole(ending, stick, last=5500)
    assert 1.5 < listener.first(Trouble) - when < 4.0
    assert "does not answer" in listener.told[0]
    t_s = open_recording(ending.path).trace("RPM").t_s
    assert np.diff(t_s).max() < 2.0  # the hang lasts 4 s


# --- the capture process dies ---


@pytest.mark.skipif(sys.platform == "win32", reason="its exit code is POSIX")
@pytest.mark.parametrize("moved", [False, True])
def test_a_dead_capture_leaves_one_recording(tmp_path, stick, moved):
    """Mirrored, or gone on elsewhere; the journal that is named can be gone on with."""
    second = None if moved else tmp_path / "second"
    if second is not None:
        second.mkdir()
    request = CaptureRequest("fake:", out=stick / "drive.parquet", second=second)
    with Capture(request, MakeFake(0.002, crash_at=1500)) as capture:
        messages = []
        while not capture.ended:
            capture.wait(0.1)
            messages += capture.poll()
            if moved and stick.exists() and any(isinstance(m, Status) for m in messages):
                shutil.rmtree(stick)
    folder = rescue_folder() if moved else stick
    assert isinstance(messages[-1], Failed)
    assert messages[-1].path == folder / "drive.parquet.journal"
    (outcome,) = recover(*journal_folders(stick, second))
    assert (outcome.kind, outcome.path) == ("recovered", folder / "drive.parquet")
    held = open_recording(outcome.path).trace("RPM").value
    assert held.tolist() == list(range(len(held)))
    assert len(held) > 1000
    assert second is None or [*second.iterdir()] == []


def test_recovery_looks_into_the_other_places(tmp_path, stick):
    """From the command line and the window: what was rescued, and what a second place holds."""
    second = tmp_path / "second"
    for name, folder in (("a", rescue_folder()), ("b", second)):
        folder.mkdir(parents=True)
        writer = JournalWriter(folder / f"{name}.parquet.journal", Facts())
        writer.append([("RPM", "7E8", 1, 1.0)])
        writer.flush()
        writer.close()
    found = run_here(RecoverJournals(stick, second))
    assert {one.path for one in found} == {second / "b.parquet", rescue_folder() / "a.parquet"}
