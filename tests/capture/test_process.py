"""Real capture processes: orders, endings, a dead parent, a dead child, a kill at any moment."""

from __future__ import annotations

import os
import random
import signal
import subprocess
import sys
import threading
import time
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import pytest

from logbench.capture.messages import (
    Batch,
    CaptureRequest,
    CarFound,
    Failed,
    Finished,
    Mark,
    Status,
    Step,
    Unattended,
)
from logbench.capture.outbox import Outbox
from logbench.capture.process import Capture, run_headless
from logbench.errors import LinkUnknownError, StorageError
from logbench.recording.columns import BATCH_SCHEMA
from logbench.recording.journal_reading import journal_path
from logbench.recording.reader import open_recording
from tests.capture.fake_source import SIGNALS, MakeFake
from tests.capture.watched import batch_table
from tests.recording.whole_journal import recovered

ROOT = Path(__file__).resolve().parents[2]
posix_only = pytest.mark.skipif(sys.platform == "win32", reason="POSIX signals")


def until(capture: Capture, wanted, timeout_s: float = 30.0) -> list:
    """Messages up to and with the first for which `wanted` is true."""
    messages = []
    deadline = time.monotonic() + timeout_s
    while time.monotonic() < deadline:
        capture.wait(0.1)
        for message in capture.poll():
            messages.append(message)
            if wanted(message):
                return messages
        assert not capture.ended, messages[-3:]
    raise AssertionError(f"nothing wanted came: {messages[-3:]}")


def kind(*kinds):
    return lambda message: isinstance(message, kinds)


def wait_for(condition, timeout_s: float = 30.0) -> None:
    deadline = time.monotonic() + timeout_s
    while not condition():
        assert time.monotonic() < deadline, "it did not happen in time"
        time.sleep(0.02)


def test_a_drive(tmp_path):
    out = tmp_path / "drive.parquet"
    with Capture(CaptureRequest("fake:", out=out), MakeFake(0.002)) as capture:
        messages = until(capture, kind(Status))
        capture.command(Mark("here"))
        messages += until(capture, lambda m: isinstance(m, Status) and m.samples > 500)
        capture.stop()
        messages += until(capture, kind(Finished))
    finished = messages[-1]
    assert finished.path == out
    tables = [batch_table(m) for m in messages if isinstance(m, Batch)]
    assert all(table.schema == BATCH_SCHEMA for table in tables)
    recording = open_recording(out)
    assert sum(table.num_rows for table in tables) == finished.samples
    assert sum(len(trace) for trace in recording.traces()) == finished.samples
    assert [event.text for event in recording.facts.events] == ["here"]
    order = [type(m).__name__ for m in messages if not isinstance(m, Status)]
    assert order.index("CarFound") < order.index("Batch")


def test_parent_is_killed(tmp_path):
    """`kill -9` of the window: the recording is finished all the same."""
    script = f"""
import sys, time
from pathlib import Path
sys.path.insert(0, {str(ROOT)!r})
from logbench.capture.messages import CaptureRequest, Status
from logbench.capture.process import Capture
from tests.capture.fake_source import MakeFake
if __name__ == "__main__":
    request = CaptureRequest("fake:", out=Path({str(tmp_path)!r}) / "drive.parquet")
    capture = Capture(request, MakeFake(0.002))
    capture.start()
    while not any(isinstance(m, Status) for m in capture.poll()):
        time.sleep(0.02)
    print(capture._process.pid, flush=True)
    time.sleep(60)
"""
    file = tmp_path / "window.py"
    file.write_text(script)
    with subprocess.Popen([sys.executable, str(file)], stdout=subprocess.PIPE) as parent:
        assert parent.stdout is not None
        assert int(parent.stdout.readline()) > 0
        parent.kill()
    out = tmp_path / "drive.parquet"
    wait_for(lambda: out.exists() and not journal_path(out).exists())
    recording = open_recording(out)
    assert not recording.facts.recovered
    assert recording.intact()
    assert len(recording.trace("RPM")) > 50


@posix_only
@pytest.mark.parametrize("number", [2, 15], ids=["Ctrl-C", "SIGTERM"])
def test_signal_to_the_whole_group(tmp_path, number):
    """As a terminal does: program and capture process both get it; the file is finished."""
    script = f"""
import sys
from pathlib import Path
sys.path.insert(0, {str(ROOT)!r})
from logbench.capture.messages import CaptureRequest, Status
from logbench.capture.process import run_headless
from tests.capture.fake_source import MakeFake
def show(message):
    if isinstance(message, Status):
        print("status", flush=True)
if __name__ == "__main__":
    request = CaptureRequest("fake:", out=Path({str(tmp_path)!r}) / "drive.parquet")
    print(run_headless(request, show, MakeFake(0.002)), flush=True)
"""
    file = tmp_path / "record.py"
    file.write_text(script)
    parent = subprocess.Popen(
        [sys.executable, str(file)], stdout=subprocess.PIPE, text=True, start_new_session=True
    )
    assert parent.stdout is not None
    assert parent.stdout.readline() == "status\n"
    os.killpg(parent.pid, number)
    rest, _ = parent.communicate(timeout=60)
    assert parent.returncode == 0
    assert "Finished(path=" in rest
    assert open_recording(tmp_path / "drive.parquet").intact()


def test_child_dies(tmp_path):
    """The capture process vanishes: said at once, and the journal becomes a recording."""
    out = tmp_path / "drive.parquet"
    request = CaptureRequest("fake:", out=out)
    with Capture(request, MakeFake(0.002, crash_at=700)) as capture:
        messages = until(capture, kind(Failed))
        assert capture.journal() == journal_path(out)
    failed = messages[-1]
    assert failed.path == journal_path(out)
    assert "ended unexpectedly (exit code 9)" in failed.sentence
    assert f"safe in {journal_path(out)}" in failed.sentence
    (path,) = recovered(tmp_path)
    recording = open_recording(path)
    assert recording.facts.recovered
    rpm = recording.trace("RPM")
    assert rpm.value.tolist() == list(range(len(rpm)))
    assert len(rpm) > 200


@posix_only
def test_a_stopped_process_dates_no_sample_into_its_pause(tmp_path):
    """The reply that was on its way when it was stopped is not used; the pause is an event."""
    request = CaptureRequest("sim:?seed=3&latency_ms=20", out=tmp_path / "drive.parquet")
    with Capture(request) as capture:
        until(capture, lambda m: isinstance(m, Status) and m.samples > 20)
        pause_s = 0.0
        for _ in range(3):
            os.kill(capture.pid, signal.SIGSTOP)
            began = time.monotonic()
            time.sleep(1.5)
            pause_s = time.monotonic() - began
            os.kill(capture.pid, signal.SIGCONT)
            time.sleep(1.0)
        capture.stop()
        finished = until(capture, kind(Finished))[-1]
    recording = open_recording(finished.path)
    times = np.unique(np.concatenate([trace.t_ns for trace in recording.traces()]))
    pauses = np.sort(np.diff(times))[-3:] / 1e9
    assert (pauses > pause_s - 0.1).all(), pauses
    gaps = [event for event in recording.facts.events if event.kind == "gap"]
    assert len(gaps) == 3
    assert all("not let run" in event.text for event in gaps)


def test_going_on_after_a_death(tmp_path):
    out = tmp_path / "drive.parquet"
    request = CaptureRequest("fake:", out=out)
    with Capture(request, MakeFake(0.002, crash_at=500)) as capture:
        until(capture, kind(Failed))
    again = CaptureRequest("fake:", out=out, resume=journal_path(out))
    finished = run_headless(again, lambda _: None, MakeFake(0.002, last=100))
    assert finished.path == out
    recording = open_recording(out)
    values = recording.trace("RPM").value.tolist()
    assert values[-100:] == list(range(100))
    assert values[:-100] == list(range(len(values) - 100))
    assert [event.kind for event in recording.facts.events] == ["gap"]
    assert recording.intact()


def test_stalled_watcher_costs_no_sample(tmp_path):
    """Nobody polls for a while: the source is read on, the journal has everything."""
    out = tmp_path / "drive.parquet"
    with Capture(CaptureRequest("fake:", out=out), MakeFake(0.001, last=2500)) as capture:
        until(capture, kind(CarFound))
        wait_for(lambda: out.exists() and not journal_path(out).exists())
        messages = until(capture, kind(Finished))
    assert messages[-1].samples == 10_000
    assert open_recording(out).trace("RPM").value.tolist() == list(range(2500))
    assert sum(m.samples for m in messages if isinstance(m, Batch)) <= 10_000


def test_unattended_in_the_capture_process(tmp_path):
    """Until the source has run out: one file with the drive, named by the time of day."""
    request = CaptureRequest(
        "fake:", out=tmp_path / "cycle.parquet", unattended=Unattended(look_every_s=0.1)
    )
    finished = run_headless(request, lambda _: None, MakeFake(0.002, last=200))
    (path,) = tmp_path.iterdir()
    assert finished.path == path
    values = open_recording(path).trace("RPM").value.tolist()
    assert values == list(range(int(values[0]), 200))
    assert values[0] < 10  # the readings that told of the engine came before t = 0


def test_outbox_drops_what_nobody_reads(monkeypatch):
    """The display's buffer is bounded: the oldest samples go, counted; messages all stay."""
    monkeypatch.setattr("logbench.capture.outbox.ROWS_KEPT", 100)
    sent, gate, stuck = [], threading.Event(), threading.Event()

    def send(message):
        stuck.set()
        gate.wait()
        sent.append(message)

    outbox = Outbox(send)
    outbox.message(Step("stuck"))
    assert stuck.wait(10)
    for k in range(50):
        outbox.rows([("RPM", "7E8", k * 10 + n, 0.0) for n in range(10)])
    outbox.message(Step("end"))
    gate.set()
    outbox.close()
    assert outbox.dropped == 400
    assert sent[0] == Step("stuck")
    assert sent[-1] == Step("end")
    (batch,) = sent[1:-1]
    assert batch_table(batch)["t"].to_pylist() == list(range(400, 500))


@dataclass(frozen=True)
class MakeLimited(MakeFake):
    """A fake source whose process may not write files beyond a size: all disks fill up, before or
    after it was seen whether there is room for a drive."""

    limit: int = 60_000
    after: bool = True

    def __call__(self, request):
        source = super().__call__(request)
        opens = source.open

        def limited(progress):
            self._limit()
            return opens(progress)

        if self.after:
            source.open = limited
        else:
            self._limit()
        return source

    def _limit(self):
        import resource

        resource.setrlimit(resource.RLIMIT_FSIZE, (self.limit, self.limit))


@posix_only
def test_disk_fills_up(tmp_path):
    """The kernel refuses the journal's growth in mid-drive: a sentence, an error, no loss."""
    request = CaptureRequest("fake:", out=tmp_path / "drive.parquet")
    with pytest.raises(StorageError, match="The disk is full") as error:
        run_headless(request, lambda _: None, MakeLimited(0.002))
    (path,) = tmp_path.iterdir()
    assert str(path) in str(error.value)
    if path.suffix == ".journal":  # there was no room for the finished file either
        (path,) = recovered(tmp_path)
    rpm = open_recording(path).trace("RPM")
    assert rpm.value.tolist() == list(range(len(rpm)))
    assert len(rpm) > 50


@posix_only
@pytest.mark.parametrize(
    ("limit", "after", "sentence"),
    [
        (3000, False, r"disk is too full: .* no room for the 20 MB"),
        (5000, True, "disk is full.*Nothing had been recorded yet"),
    ],
    ids=["before the drive", "at the first batch"],
)
def test_disk_is_full_from_the_start(tmp_path, limit, after, sentence):
    request = CaptureRequest("fake:", out=tmp_path / "drive.parquet")
    with pytest.raises(StorageError, match=sentence):
        run_headless(request, lambda _: None, MakeLimited(0.002, limit=limit, after=after))
    assert list(tmp_path.iterdir()) == []


def test_errors_reach_the_caller(tmp_path):
    with pytest.raises(StorageError, match="does not exist"):
        run_headless(
            CaptureRequest("fake:", out=tmp_path / "no" / "a.parquet"), lambda _: None, MakeFake()
        )
    with pytest.raises(LinkUnknownError):
        run_headless(CaptureRequest("carrier-pigeon:1"), lambda _: None)


def test_orphans_are_recovered_beside_the_next_drive(tmp_path):
    first = CaptureRequest("fake:", out=tmp_path / "first.parquet")
    with Capture(first, MakeFake(0.002, crash_at=500)) as capture:
        until(capture, kind(Failed))
    said = []
    second = CaptureRequest("fake:", out=tmp_path / "second.parquet")
    run_headless(second, said.append, MakeFake(0.001, last=10))
    recovered = f"An unfinished recording was recovered: {tmp_path / 'first.parquet'}"
    assert Step(recovered) in said
    names = sorted(path.name for path in tmp_path.iterdir())
    assert names == ["first.parquet", "second.parquet"]


@posix_only
@pytest.mark.slow
@pytest.mark.parametrize("seed", range(6))
def test_kill_at_any_moment(tmp_path, seed):
    """`kill -9` of the capture process at a random instant: at most one second is lost, counted
    against the source's own log; every other sample is there and right."""
    out, log = tmp_path / "drive.parquet", tmp_path / "source.log"
    with Capture(CaptureRequest("fake:", out=out), MakeFake(0.005, log=log)) as capture:
        until(capture, kind(CarFound))
        wait_for(log.exists)
        time.sleep(random.Random(seed).uniform(0.0, 2.5))
        os.kill(capture._process.pid, signal.SIGKILL)
        messages = until(capture, kind(Failed))
    assert "exit code -9" in messages[-1].sentence
    lines = [line.split() for line in log.read_text().splitlines() if line.count(" ") == 1]
    given = [int(t_ns) for _, t_ns in lines]
    recovered(tmp_path)
    if not out.exists():  # killed before its first second was over
        assert given[-1] - given[0] <= 1.0e9
        return
    recording = open_recording(out)
    assert recording.intact()
    for name in SIGNALS:
        trace = recording.trace(name)
        assert trace.value.tolist() == list(range(len(trace)))
        lost_ns = given[-1] - given[len(trace) - 1]
        assert lost_ns <= 1.0e9
