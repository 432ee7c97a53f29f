"""Every thread of a capture killed by every kind of exception: the ending comes at once, and what
it says was saved is in the file."""

from __future__ import annotations

import multiprocessing
import os
import signal
import threading
import time
from contextlib import closing, contextmanager
from pathlib import Path

import pytest

from logbench.capture import outbox as outbox_module
from logbench.capture.messages import CaptureRequest, Failed, Finished, Step, Unattended
from logbench.capture.process import Capture, _main
from logbench.capture.session import Session
from logbench.capture.unattended import UnattendedRun
from logbench.errors import ConnectingStoppedError, LinkLostError, StorageError
from logbench.recording.finish import samples_in
from logbench.recording.journal import JournalWriter
from logbench.recording.journal_reading import journal_path
from logbench.recording.reader import open_recording
from tests.capture.fake_source import FakeSource, MakeFake
from tests.capture.test_session import Listener

KINDS = [ValueError("injected"), MemoryError("injected"), OSError(5, "injected"),
         StorageError("injected")]  # fmt: skip
each_kind = pytest.mark.parametrize("error", KINDS, ids=lambda error: type(error).__name__)
AT_ONCE_S = 2.0
"""Generous: the machine of the tests may be busy; an endless source would never end by itself."""


@pytest.fixture(autouse=True)
def impatient(monkeypatch):
    """What may pass is not waited for long."""
    monkeypatch.setattr("logbench.capture.sink.PATIENCE_S", 0.3)


@pytest.fixture
def died() -> list[float]:
    """When the injected exception was raised."""
    return []


def check(ending: Failed | Finished, died: list[float], out: Path) -> None:
    assert isinstance(ending, Failed)
    assert time.monotonic() - died[0] < AT_ONCE_S
    assert "injected" in ending.sentence
    assert ending.path == out
    recording = open_recording(out)
    assert recording.intact()
    assert samples_in(out) == sum(map(len, recording.traces())) == ending.samples > 0
    assert f"What was recorded is in {out}: {ending.samples:,} samples" in ending.sentence
    assert list(out.parent.iterdir()) == [out]


@pytest.mark.worker_dies
@each_kind
@pytest.mark.parametrize("where", ["append", "_encode", "write_due"])
def test_the_journal(tmp_path, monkeypatch, error, where, died):
    """Whatever it does when it dies: taking samples, making a batch of them, or writing."""
    whole = getattr(JournalWriter, where)

    def broken(self, *args):
        if self.samples > 1500 and self.size_bytes > 2000:
            died.append(time.monotonic())
            raise error
        return whole(self, *args)

    monkeypatch.setattr(JournalWriter, where, broken)
    out = tmp_path / "drive.parquet"
    ending = Session(CaptureRequest("fake:", out=out), FakeSource(0.001), Listener()).run()
    check(ending, died, out)
    if where == "append":  # only what it died of is not written
        assert ending.samples > 1400


@pytest.mark.worker_dies
def test_the_journal_while_the_link_is_awaited(tmp_path, monkeypatch, died):
    """The loop stands in an `open` that would take for ever."""
    stopped = threading.Event()

    class Away(FakeSource):
        def open(self, progress):
            if self.opened and not stopped.wait(60):
                raise LinkLostError("away")
            if stopped.is_set():
                raise ConnectingStoppedError("stopped")
            return super().open(progress)

        def cancel(self):
            stopped.set()

    def broken(self):
        died.append(time.monotonic())
        raise ValueError("injected")

    class Late(Listener):
        def message(self, message):
            super().message(message)
            if isinstance(message, Step) and "unplugged" in message.text:
                monkeypatch.setattr(JournalWriter, "write_due", broken)

    source, out = Away(0.001, lose_at=(700,)), tmp_path / "drive.parquet"
    ending = Session(CaptureRequest("fake:", out=out), source, Late()).run()
    check(ending, died, out)


@contextmanager
def signals_kept():
    numbers = [signal.SIGINT, signal.SIGTERM, signal.SIGHUP]
    before = {number: signal.getsignal(number) for number in numbers}
    yield
    for number, handler in before.items():
        signal.signal(number, handler)


def run_process(out: Path, watcher: Silent) -> list:
    """The capture process's own function, in this one; what came through its pipe."""
    receiver, sender = multiprocessing.Pipe(duplex=False)
    got = []

    def receive():
        while True:
            got.append(receiver.recv())
            if isinstance(got[-1], Failed | Finished):
                return

    reader = threading.Thread(target=receive, daemon=True)
    reader.start()
    with signals_kept(), closing(sender), closing(receiver):
        watcher.send = sender.send
        _main(CaptureRequest("fake:", out=out), lambda _request: FakeSource(0.001), watcher)
        reader.join(10)
    return got


class Silent:
    """A pipe to a watcher that sends nothing, or raises after a while."""

    def __init__(self, error: BaseException | None = None, died: list[float] | None = None):
        self.error, self.died = error, died

    def recv(self):
        if self.error is None:
            threading.Event().wait()  # for good
        time.sleep(0.8)
        self.died.append(time.monotonic())
        raise self.error


@pytest.mark.worker_dies
@pytest.mark.skipif(not hasattr(signal, "SIGHUP"), reason="needs SIGHUP")
@each_kind
def test_the_outbox(tmp_path, monkeypatch, error, died):
    """The thread that sends is dead: the ending is sent all the same."""
    made = outbox_module.as_message

    def broken(batch):
        if died or time.monotonic() > began + 0.8:
            died.append(time.monotonic())
            raise error
        return made(batch)

    began = time.monotonic()
    monkeypatch.setattr(outbox_module, "as_message", broken)
    out = tmp_path / "drive.parquet"
    check(run_process(out, Silent())[-1], died, out)


@pytest.mark.worker_dies
@pytest.mark.skipif(not hasattr(signal, "SIGHUP"), reason="needs SIGHUP")
@each_kind
def test_the_listener(tmp_path, error, died):
    """A recording that could not be stopped any more ends; an `OSError` is a watcher that left."""
    out = tmp_path / "drive.parquet"
    ending = run_process(out, Silent(error, died))[-1]
    if isinstance(error, OSError):
        assert ending == Finished(out, samples_in(out), ending.elapsed_s)
        assert time.monotonic() - died[0] < AT_ONCE_S
    else:
        check(ending, died, out)


@pytest.mark.worker_dies
@each_kind
def test_the_pulse(tmp_path, monkeypatch, error):
    """It carries nothing: its death is reported, and the recording goes on."""
    monkeypatch.setattr("logbench.capture.notifier.STATUS_S", 0.02)

    class Slow(FakeSource):
        def open(self, progress):
            time.sleep(0.3)
            return super().open(progress)

    class Broken(Listener):
        def message(self, message):
            if threading.current_thread().name == "pulse" and not isinstance(message, Step):
                raise error
            super().message(message)

    listener, out = Broken(), tmp_path / "drive.parquet"
    ending = Session(CaptureRequest("fake:", out=out), Slow(0.001, last=200), listener).run()
    assert ending == Finished(out, 800, ending.elapsed_s)
    assert samples_in(out) == 800
    assert any("signs of life have stopped" in step.text for step in listener.of(Step))


class MakeBroken:
    """In the capture process: a source, and a journal that dies of a `ValueError`."""

    def __call__(self, request: CaptureRequest) -> FakeSource:
        append = JournalWriter.append

        def broken(self, rows):
            if self.samples > 1900:
                raise ValueError("injected")
            append(self, rows)

        JournalWriter.append = broken
        return FakeSource(0.001)


def test_in_a_process_of_its_own(tmp_path):
    out = tmp_path / "drive.parquet"
    began = time.monotonic()
    with Capture(CaptureRequest("fake:", out=out), MakeBroken()) as capture:
        while not capture.ended and time.monotonic() < began + 60:
            capture.wait(0.2)
            messages = capture.poll()
    ending = messages[-1]
    assert isinstance(ending, Failed)
    assert ending.error == "WorkerDiedError"
    assert (ending.path, ending.samples) == (out, samples_in(out))
    assert f"{ending.samples:,} samples" in ending.sentence
    logs = Path(os.environ["XDG_STATE_HOME"]).rglob("capture*.log")
    assert any("the thread 'journal' died" in log.read_text() for log in logs)


def test_garbled_last_words(tmp_path):
    """What the process sent when it died cannot be read: that is its end, too."""
    with Capture(CaptureRequest("fake:", out=tmp_path / "drive.parquet"), MakeFake()) as capture:
        receiver, sender = multiprocessing.Pipe(duplex=False)
        capture._pipe.close()
        capture._pipe = receiver
        sender.send_bytes(b"\x80\x05garbled")
        capture._process.kill()
        (ending,) = capture.poll()
        assert isinstance(ending, Failed)
        assert "exit code -9" in ending.sentence
        sender.close()


@pytest.mark.worker_dies
def test_an_unattended_run_goes_on_with_the_next_file(tmp_path, monkeypatch):
    """One recording's journal dies: what it held is counted, and the next begins."""
    append, deaths = JournalWriter.append, []

    def broken(self, rows):
        if self.samples > 400 and not deaths:
            deaths.append(self.path)
            raise ValueError("injected")
        append(self, rows)

    monkeypatch.setattr(JournalWriter, "append", broken)
    plan = Unattended(look_every_s=0.05, volt_every_s=0.05)
    out = tmp_path / "drive.parquet"
    source, listener = FakeSource(0.001, last=1000), Listener()
    ending = UnattendedRun(
        CaptureRequest("fake:", out=out, unattended=plan), source, listener
    ).run()
    files = sorted(tmp_path.glob("*.parquet"))
    assert isinstance(ending, Finished)
    assert len(files) == ending.others + 1 == 2
    assert deaths[0] in map(journal_path, files)
    assert ending.samples == sum(map(samples_in, files)) > 2000
    assert any("injected" in step.text for step in listener.of(Step))
