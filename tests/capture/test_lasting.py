"""What outlives a crash: an unattended run, a recording gone on with, what lies in the folder."""

from __future__ import annotations

import multiprocessing
import os
import shlex
import signal
import subprocess
import sys
import time
from pathlib import Path

import pytest

from logbench.capture.messages import (
    BrokeOff,
    CaptureRequest,
    CarFound,
    Failed,
    Finished,
    Status,
    Step,
    Unattended,
)
from logbench.capture.process import Capture, run_headless
from logbench.errors import LinkUnknownError
from logbench.recording.journal import JournalWriter
from logbench.recording.journal_reading import journal_path, scan_journal
from logbench.recording.model import Facts
from logbench.recording.reader import open_recording
from tests.capture.fake_source import MakeFake
from tests.capture.test_process import kind, posix_only, until, wait_for

ROOT = Path(__file__).resolve().parents[2]


@pytest.fixture
def soon(monkeypatch):
    monkeypatch.setattr("logbench.capture.process.AGAIN_S", (0.2, 0.4, 0.8))


def unattended(tmp_path) -> CaptureRequest:
    plan = Unattended(look_every_s=0.1)
    return CaptureRequest("fake:", out=tmp_path / "cycle.parquet", unattended=plan)


@posix_only
def test_an_unattended_run_survives_the_death_of_its_process(tmp_path, soon):
    heard = []

    def on_message(message):
        heard.append(message)
        recording = isinstance(message, Status) and message.samples > 50
        fresh = not isinstance(heard[-2], BrokeOff) and count(BrokeOff) < 2
        if recording and fresh and message.samples_per_s:
            for process in multiprocessing.active_children():
                os.kill(process.pid, signal.SIGKILL)
        recovered = [m for m in heard if isinstance(m, Step) and "was recovered" in m.text]
        if recording and len(recovered) == 2:
            os.kill(os.getpid(), signal.SIGTERM)

    def count(kind):
        return sum(isinstance(message, kind) for message in heard)

    heard.append(None)
    finished = run_headless(unattended(tmp_path), on_message, MakeFake(0.005))
    assert count(CarFound) == 3
    broke = [message for message in heard if isinstance(message, BrokeOff)]
    assert ["exit code -9" in one.sentence for one in broke] == [True, True]
    assert "started again in 0 s" in broke[0].sentence
    files = sorted(tmp_path.iterdir())
    assert len(files) == 3, files
    assert finished.path in files
    for file in files:
        values = open_recording(file).trace("RPM").value.tolist()
        assert values == list(range(int(values[0]), int(values[0]) + len(values)))
    assert sum(open_recording(file).facts.recovered for file in files) == 2


def test_an_endless_crash_waits_ever_longer(tmp_path, soon):
    with Capture(unattended(tmp_path), MakeFake(0.001, crash_at=0)) as capture:
        waits = []
        for _ in range(5):
            until(capture, kind(BrokeOff))
            began = time.monotonic()
            until(capture, lambda m: isinstance(m, Step) and "started again" in m.text)
            waits.append(time.monotonic() - began)
        assert [wait >= least for wait, least in zip(waits, (0.2, 0.4, 0.8, 0.8, 0.8), strict=True)]
        assert waits[0] < waits[1] < waits[2]
        last = until(capture, kind(BrokeOff))[-1]
        assert "for the 6th time" in last.sentence
        capture.stop()
        assert isinstance(until_ended(capture)[-1], Failed)


def until_ended(capture: Capture) -> list:
    messages = []
    while not capture.ended:
        capture.wait(0.1)
        messages += capture.poll()
    return messages


def test_a_process_that_lived_long_is_started_again_at_once(tmp_path, soon, monkeypatch):
    monkeypatch.setattr("logbench.capture.process.LIVED_S", 0.0)
    with Capture(unattended(tmp_path), MakeFake(0.001, crash_at=0)) as capture:
        for _ in range(3):
            broke = until(capture, kind(BrokeOff))[-1]
            assert "time" not in broke.sentence
            began = time.monotonic()
            until(capture, lambda m: isinstance(m, Step) and "started again" in m.text)
            assert time.monotonic() - began < 0.7


def no_source(request):
    raise LinkUnknownError("No such link.")


def test_what_the_world_does_wrong_ends_an_unattended_run(tmp_path):
    """A link that cannot be understood is not tried for days."""
    with pytest.raises(LinkUnknownError):
        run_headless(unattended(tmp_path), lambda _: None, no_source)


# --- going on, on the command line ---


def children_of(pid: int) -> list[int]:
    found = Path(f"/proc/{pid}/task/{pid}/children").read_text().split()
    return [
        int(child)
        for child in found
        if b"spawn_main" in Path(f"/proc/{child}/cmdline").read_bytes()
    ]


@pytest.mark.skipif(sys.platform != "linux", reason="finds the capture process in /proc")
def test_the_command_that_is_told_goes_on_with_the_recording(tmp_path):
    out = tmp_path / "my drive.parquet"
    env = os.environ | {"COLUMNS": "60"}
    first = subprocess.Popen(
        [sys.executable, "-m", "logbench", "record", "--link", "sim:?seed=7", "--signals",
         "RPM,VSS", "--note", "stalls", "--out", str(out)],
        stdout=subprocess.PIPE, stderr=subprocess.STDOUT, text=True, cwd=ROOT, env=env,
    )  # fmt: skip
    try:
        journal = journal_path(out)
        wait_for(lambda: journal.exists() and scan_journal(journal).samples > 60)
        began = time.monotonic()
        for child in children_of(first.pid):
            os.kill(child, signal.SIGKILL)
        said, _ = first.communicate(timeout=30)
    finally:
        first.kill()
    assert first.returncode == 3, said
    assert "exit code -9" in said.replace("\n", " ")
    command = shlex.split(said[said.index("logbench record --go-on") :])
    assert command == ["logbench", "record", "--go-on", str(journal)]
    limit = f"{time.monotonic() - began + 12:.0f}s"
    gone_on = subprocess.run(
        [sys.executable, "-m", *command, "--for", limit],
        capture_output=True, text=True, cwd=ROOT, env=env, timeout=120, check=False,
    )  # fmt: skip
    assert gone_on.returncode == 0, gone_on.stdout + gone_on.stderr
    recording = open_recording(out)
    assert [event.kind for event in recording.facts.events] == ["gap"]
    assert recording.signals == ("RPM", "VSS")
    assert recording.facts.note == "stalls"
    assert not journal.exists()
    assert list(tmp_path.iterdir()) == [out]
    t_s = recording.trace("RPM").t_s
    at_s = recording.facts.events[0].t_ns / 1e9
    assert (t_s < at_s).sum() > 20
    assert (t_s > at_s + 0.5).any()


# --- what lies in the folder ---


def orphan(path: Path, samples: int) -> None:
    writer = JournalWriter(journal_path(path), Facts(recording_id=path.stem))
    rows = [("RPM", "7E8", k * 10**7, float(k)) for k in range(10_000)]
    for first in range(0, samples, 10_000):
        part = rows[: samples - first]
        writer.append((s, e, t + first * 10**7, v) for s, e, t, v in part)
        writer.flush()
    writer.close()


def first_sample_s(tmp_path, name: str, enough) -> tuple[float, list]:
    """Seconds from the command to the first sample; what was said until `enough` of it."""
    heard, times = [], []
    began = time.monotonic()

    def on_message(message):
        heard.append(message)
        if isinstance(message, CarFound):
            times.append(time.monotonic() - began)
        if isinstance(message, Status) and message.samples and enough(heard):
            os.kill(os.getpid(), signal.SIGTERM)

    request = CaptureRequest("fake:", out=tmp_path / name)
    assert isinstance(run_headless(request, on_message, MakeFake(0.002)), Finished)
    return times[0], heard


def recovered(heard) -> list[str]:
    return [m.text for m in heard if isinstance(m, Step) and "was recovered" in m.text]


@posix_only
def test_recovery_never_stands_before_a_recording(tmp_path):
    alone_s, _ = first_sample_s(tmp_path, "alone.parquet", lambda heard: True)
    for number in range(200):
        orphan(tmp_path / f"a{number:03d}.parquet", 200)
    orphan(tmp_path / "monstrous.parquet", 1_000_000)
    took_s, heard = first_sample_s(
        tmp_path, "drive.parquet", lambda heard: len(recovered(heard)) == 201
    )
    found = next(k for k, message in enumerate(heard) if isinstance(message, CarFound))
    told = next(k for k, m in enumerate(heard) if isinstance(m, Step) and "recovered" in m.text)
    assert found < told
    assert took_s < 2 * alone_s + 1.0
    assert len(list(tmp_path.glob("*.parquet"))) == 203


@posix_only
def test_a_recording_ends_while_journals_are_still_recovered(tmp_path, monkeypatch):
    def endless(*folders):
        time.sleep(60)
        yield from ()

    monkeypatch.setattr("logbench.capture.recovering.recover", endless)
    began = time.monotonic()
    _, heard = first_sample_s(tmp_path, "drive.parquet", lambda heard: True)
    assert time.monotonic() - began < 30
    assert f"logbench recover {tmp_path}" in heard[-1].text
