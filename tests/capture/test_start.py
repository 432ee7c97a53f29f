"""Watching first: the minutes before the recording are kept, and can begin it."""

from __future__ import annotations

import dataclasses
import datetime
import os
import signal
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
    MarkRule,
    NotStarted,
    Start,
    Started,
    Status,
    Stop,
)
from logbench.capture.outbox import Outbox
from logbench.capture.process import Capture
from logbench.capture.session import Session
from logbench.capture.sink import RecentSamples, Sink
from logbench.recording.journal_reading import journal_path
from logbench.recording.model import Event
from logbench.recording.reader import Recording, open_recording
from logbench.vehicle.model import Reading
from tests.capture.fake_source import SIGNALS, FakeSource, MakeFake
from tests.capture.test_process import kind, posix_only, until
from tests.capture.test_session import Listener
from tests.capture.watched import batch_table
from tests.recording.whole_journal import recovered

STEP_NS = 100_000_000


class Clockwork(FakeSource):
    """A reading of each signal every 0.1 s of its own clock; commands come at given reads."""

    def __init__(self, commands, last: int) -> None:
        super().__init__(last=last)
        self.commands = commands
        self.session: Session | None = None

    def open(self, progress):
        return dataclasses.replace(super().open(progress), steady=False)

    def read(self):
        for command in self.commands.get(self.count, ()):
            assert self.session is not None
            self.session.command(command)
        self.period_s = 0.0
        return [Reading(r.signal, r.ecu, self.count * STEP_NS, r.value) for r in super().read()]

    def now_ns(self):
        return self.count * STEP_NS


def drive(commands, last: int, hold_s: float = 30.0, **more) -> tuple[Finished | Failed, Listener]:
    listener, source = Listener(), Clockwork(commands, last)
    request = CaptureRequest("fake:", hold_s=hold_s, **more)
    source.session = Session(request, source, listener)
    return source.session.run(), listener


def test_the_last_seconds_begin_the_recording(tmp_path):
    out = tmp_path / "drive.parquet"
    began = datetime.datetime.now(datetime.UTC)
    ending, listener = drive({1000: [Start(out)]}, last=1100)
    assert isinstance(ending, Finished)
    assert ending.path == out
    recording = open_recording(out)
    for name in SIGNALS:
        trace = recording.trace(name)
        values = trace.value.tolist()
        assert values == list(range(1100 - len(values), 1100))  # nothing lost where it was started
        assert trace.t_ns.tolist() == [n * STEP_NS for n in range(len(values))]
        assert len(values) == pytest.approx(100 + 300, abs=2)
    assert ending.samples == sum(len(trace) for trace in recording.traces())
    assert ending.elapsed_s == pytest.approx(40.0, abs=0.2)
    (event,) = recording.facts.events
    assert (event.kind, event.text) == ("note", "recording started here; the 30 s before were kept")
    assert event.t_ns == pytest.approx(30e9, abs=2 * STEP_NS)
    (started,) = listener.of(Started)
    assert started.started_utc == recording.facts.started_utc
    started_at = datetime.datetime.fromisoformat(started.started_utc)
    assert (began - started_at).total_seconds() == pytest.approx(30.0, abs=10.0)
    shown = [t_ns for name, _, t_ns, _ in listener.samples if name == "RPM"]
    split = shown.index(max(shown[:1001])) + 1
    clock = [t - started.since_ns for t in shown[:split]] + shown[split:]
    kept = [t for t in clock if t >= 0]
    assert kept == recording.trace("RPM").t_ns.tolist()  # what is shown is what is recorded
    assert recording.intact()


def test_without_them_it_begins_where_the_order_came(tmp_path):
    out = tmp_path / "drive.parquet"
    ending, _ = drive({40: [Mark("before")], 50: [Start(out, include=False)]}, last=80)
    recording = open_recording(ending.path)
    values = recording.trace("RPM").value.tolist()
    assert values == list(range(50, 80))
    assert [e.text for e in recording.facts.events] == ["recording started here"]
    assert recording.facts.events[0].t_ns == 0
    assert recording.duration_ns < 3e9


def test_markers_before_are_kept_with_their_places(tmp_path):
    out = tmp_path / "drive.parquet"
    rule = MarkRule("high", "RPM > 449.5 rpm", for_s=10.0)
    commands = {290: [Mark("old")], 420: [Mark("rattle")], 500: [Start(out)]}
    ending, listener = drive(commands, last=600, hold_s=20.0, rules=(rule,))
    recording = open_recording(ending.path)
    events = {e.text: e.t_ns for e in recording.facts.events}
    rpm = recording.trace("RPM")
    assert "old" not in events
    assert rpm.value[np.searchsorted(rpm.t_ns, events["rattle"])] == pytest.approx(420, abs=1)
    assert rpm.value[np.searchsorted(rpm.t_ns, events["high"])] == 550  # 10 s after 450
    assert [m.text for m in listener.of(Event)].count("high") == 1


def test_what_is_never_started_is_never_written(tmp_path):
    ending, _ = drive({20: [Stop()]}, last=1000)
    assert (ending.path, ending.samples) == (None, 84)
    assert list(tmp_path.iterdir()) == []


def test_a_folder_that_is_gone_does_not_end_the_watching(tmp_path):
    out = tmp_path / "drive.parquet"
    commands = {10: [Start(tmp_path / "no" / "a.parquet")], 20: [Start(out)], 30: [Start(out)]}
    ending, listener = drive(commands, last=40)
    (refused,) = listener.of(NotStarted)
    assert "does not exist" in refused.sentence
    assert len(listener.of(Started)) == 1  # a second command changes nothing
    assert open_recording(ending.path).trace("RPM").value.tolist() == list(range(40))
    assert [path.name for path in tmp_path.iterdir()] == ["drive.parquet"]


def test_the_limit_counts_from_the_recording_s_own_start(tmp_path):
    out = tmp_path / "drive.parquet"
    ending, _ = drive({500: [Start(out)]}, last=10_000, hold_s=5.0, limit_s=20.0)
    assert ending.elapsed_s == pytest.approx(20.0, abs=0.2)
    assert open_recording(ending.path).trace("RPM").value[-1] == pytest.approx(650, abs=3)


def test_status_tells_what_is_kept(monkeypatch):
    monkeypatch.setattr("logbench.capture.notifier.STATUS_S", 0.0)
    _, listener = drive({}, last=600, hold_s=20.0)
    held = [status.held_s for status in listener.of(Status) if status.held_s is not None]
    assert held[0] < 2.0
    assert held[-1] == pytest.approx(20.0, abs=0.2)


def test_held_samples_are_bounded_by_time_and_by_count():
    by_time = RecentSamples(10.0)
    for n in range(100_000):
        by_time.rows([("RPM", "7E8", n * 10_000_000, float(n))])
        if n % 1000 == 0:
            by_time.event(Event(t_ns=n * 10_000_000, kind="marker"))
    now_ns = 99_999 * 10_000_000
    since_ns = by_time.since_ns(now_ns)
    assert now_ns - since_ns == 10e9
    rows = [row for part in by_time.taken(since_ns) for row in part()]
    assert [row[3] for row in rows] == [float(n) for n in range(98_999, 100_000)]
    assert rows[0][2] == 0
    assert by_time.count(since_ns) == 1001
    assert [event.t_ns for event in by_time.events(since_ns)] == [10_000_000]
    assert by_time.count(0) < 1001 + 4096  # the rest is gone
    by_count = RecentSamples(1e6, most=8192)
    for n in range(50_000):
        by_count.rows([("RPM", "7E8", n, 0.0)])
    assert by_count.count(0) <= 8192
    assert by_count.since_ns(50_000) >= 50_000 - 8192
    assert RecentSamples(5.0).since_ns(77) == 77


def test_a_sink_without_hold_starts_at_once(tmp_path):
    watcher = Outbox(print)
    sink = Sink(None, watcher, print)
    assert not sink.holding
    assert sink.since_ns(5) == 5
    assert not sink.writing
    assert sink.save() == (None, 0, "Nothing had been recorded yet.")
    watcher.close()


def test_a_status_of_the_clock_before_is_not_sent_after():
    sent = []
    outbox = Outbox(sent.append)
    with outbox._lock:  # it is an RLock: the sending thread waits meanwhile
        outbox.message(Status(600.0, 1, 1.0, 0))
        outbox.message(Started(1, ""))
    outbox.close()
    assert sent == [Started(1, "")]


@posix_only
def test_killed_after_it_was_started(tmp_path):
    """`kill -9` a second after the press: the minutes before it are on the disk."""
    out = tmp_path / "drive.parquet"
    with Capture(CaptureRequest("fake:", hold_s=60.0), MakeFake(0.002)) as capture:
        until(capture, lambda m: isinstance(m, Status) and m.samples > 1000)
        capture.command(Start(out))
        until(capture, kind(Started))
        until(capture, lambda m: isinstance(m, Status) and m.size_bytes > 30_000)
        os.kill(capture._process.pid, signal.SIGKILL)
        (*_, failed) = until(capture, kind(Failed))
        assert failed.path == capture.journal() == journal_path(out)
    (path,) = recovered(tmp_path)
    values = open_recording(path).trace("RPM").value.tolist()
    assert values == list(range(len(values)))
    assert len(values) > 250


def shown(messages) -> dict[str, list[tuple[int, float]]]:
    """What a window would have: by signal, on the recording's clock."""
    kept: dict[str, list[tuple[int, float]]] = {}
    for message in messages:
        if isinstance(message, Batch):
            rows = batch_table(message).to_pydict()
            for name, t, value in zip(rows["signal"], rows["t"], rows["value"], strict=True):
                kept.setdefault(name, []).append((t, value))
        elif isinstance(message, Started):
            for name, pairs in kept.items():
                moved = [(t - message.since_ns, v) for t, v in pairs]
                kept[name] = [(t, v) for t, v in moved if t >= 0]
    return kept


def same(recording: Recording, kept: dict[str, list[tuple[int, float]]]) -> None:
    assert set(kept) == set(recording.signals)
    for name, pairs in kept.items():
        trace = recording.trace(name)
        assert list(zip(trace.t_ns.tolist(), trace.value.tolist(), strict=True)) == pairs


def test_the_simulated_car_over_its_real_link(tmp_path: Path):
    """Watched, started, stopped: the file holds exactly what a window was shown, from before on."""
    url = "sim:?seed=3&latency_ms=1&speed=5"
    request = CaptureRequest(url, signals=("RPM", "ECT", "MAF"), hold_s=10.0)
    out = tmp_path / "drive.parquet"
    with Capture(request) as capture:
        messages = until(capture, kind(CarFound))
        messages += until(capture, lambda m: isinstance(m, Status) and (m.held_s or 0) >= 5.0)
        assert not any(isinstance(m, Started) for m in messages)
        assert list(tmp_path.iterdir()) == []
        capture.command(Mark("heard it"))
        capture.command(Start(out))
        messages += until(capture, kind(Started))
        messages += until(capture, lambda m: isinstance(m, Status) and m.elapsed_s > 12.0)
        capture.stop()
        messages += until(capture, kind(Finished))
    recording = open_recording(out)
    assert recording.intact()
    assert recording.facts.link.simulated
    same(recording, shown(messages))
    texts = [event.text for event in recording.facts.events]
    assert texts[0] == "heard it"
    assert texts[1].startswith("recording started here; the ")
    started_ns = recording.facts.events[1].t_ns
    assert 4e9 < started_ns < 11e9
    rpm = recording.trace("RPM").t_ns
    assert np.all(np.diff(rpm) > 0)
    assert (rpm < started_ns).sum() > 10
    assert np.diff(rpm)[(rpm[:-1] < started_ns + 1e9)].max() < 3e9  # no hole where it was started
