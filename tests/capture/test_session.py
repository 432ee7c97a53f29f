"""The recording loop in this process: what it writes, says, and survives."""

from __future__ import annotations

import datetime
import time

import numpy as np
import pytest

from logbench.capture.clocks import Clocks
from logbench.capture.messages import (
    CaptureRequest,
    CarFound,
    Failed,
    Finished,
    Mark,
    Status,
    Step,
    Stop,
)
from logbench.capture.session import GAP_S, Session
from logbench.car.model import Car
from logbench.errors import LinkLostError, StorageError
from logbench.recording.journal import JournalWriter
from logbench.recording.journal_reading import journal_path
from logbench.recording.model import Event, Facts, LinkFacts, Surroundings
from logbench.recording.reader import open_recording
from logbench.system.platforms import Boot
from logbench.vehicle.model import Reading
from tests.capture.fake_source import SIGNALS, FakeSource


class Listener:
    """Keeps everything that a session says."""

    dropped = 0

    def __init__(self):
        self.messages = []
        self.samples = []

    def message(self, message):
        self.messages.append(message)

    def rows(self, rows):
        self.samples.extend(rows)

    def of(self, kind):
        return [message for message in self.messages if isinstance(message, kind)]


@pytest.fixture
def listener() -> Listener:
    return Listener()


@pytest.fixture(autouse=True)
def quick(monkeypatch):
    monkeypatch.setattr("logbench.capture.session.BACK_OFF_S", (0.01, 0.02))


def request(tmp_path, **more) -> CaptureRequest:
    return CaptureRequest("fake:", out=tmp_path / "drive.parquet", **more)


def test_all_samples_arrive(tmp_path, listener):
    source = FakeSource(0.001, last=200)
    vehicle = Car(label="test car", cylinders=4)
    asked = request(tmp_path, vehicle=vehicle, note="hm", surroundings=Surroundings(soak_hours=9.0))
    ending = Session(asked, source, listener).run()
    assert ending == Finished(tmp_path / "drive.parquet", 800, ending.elapsed_s)
    recording = open_recording(ending.path)
    for signal in SIGNALS:
        assert recording.trace(signal).value.tolist() == list(range(200))
    shown = {(signal, ecu): [] for signal, ecu, _, _ in listener.samples}
    for signal, ecu, t_ns, value in listener.samples:
        shown[signal, ecu].append((t_ns, value))
    for key, pairs in shown.items():
        trace = recording.trace(*key)
        assert pairs == list(zip(trace.t_ns.tolist(), trace.value.tolist(), strict=True))
    facts = recording.facts
    assert facts.vehicle.vin == "ZZ9TEST170X000001"
    assert (facts.vehicle.label, facts.vehicle.cylinders, facts.note) == ("test car", 4, "hm")
    assert facts.extra == {"soak_hours": 9.0}
    assert (facts.link.protocol, facts.link.simulated) == ("fake", True)
    assert facts.signals["RPM"].unit == "rpm"
    assert facts.signals["RPM"].pid == 0x0C
    assert facts.ecus == {"7E8": "Engine"}
    assert facts.software.startswith("logbench ")
    started = datetime.datetime.fromisoformat(facts.started_utc)
    assert abs((datetime.datetime.now(datetime.UTC) - started).total_seconds()) < 60
    (found,) = listener.of(CarFound)
    assert found.unsupported == ("FRP",)
    assert found.started_utc == facts.started_utc
    assert recording.intact()


def test_watch_only(tmp_path, listener):
    source = FakeSource(0.001, last=20)
    ending = Session(CaptureRequest("fake:"), source, listener).run()
    assert (ending.path, ending.samples) == (None, 80)
    assert list(tmp_path.iterdir()) == []


def test_limit_is_on_the_recordings_clock(tmp_path, listener):
    class Hurried(FakeSource):
        def now_ns(self):
            return super().now_ns() * 50

        def read(self):
            return [Reading(r.signal, r.ecu, r.t_ns * 50, r.value) for r in super().read()]

    ending = Session(request(tmp_path, limit_s=10.0), Hurried(0.002), listener).run()
    assert ending.elapsed_s >= 10.0
    last_s = open_recording(ending.path).duration_ns / 1e9
    assert 9.0 < last_s < 12.0


def test_marks_and_stop(tmp_path, listener):
    class Orders(FakeSource):
        def read(self):
            if self.count == 50:
                session.command(Mark("pulls to the left"))
            if self.count == 100:
                session.command(Stop())
            return super().read()

    session = Session(request(tmp_path), Orders(0.001), listener)
    ending = session.run()
    (event,) = open_recording(ending.path).facts.events
    assert (event.kind, event.text) == ("marker", "pulls to the left")
    assert Event(t_ns=event.t_ns, kind="marker", text="pulls to the left") in listener.messages
    assert ending.samples == 404


def test_link_lost_and_back(tmp_path, listener):
    source = FakeSource(0.001, lose_at=(30, 60), refuse=3, last=100)
    ending = Session(request(tmp_path), source, listener).run()
    assert isinstance(ending, Finished)
    assert ending.samples == 400
    recording = open_recording(ending.path)
    assert [event.kind for event in recording.facts.events] == ["link lost", "link back"] * 2
    assert "unplugged: plug it in again" in recording.facts.events[0].text
    assert recording.trace("RPM").value.tolist() == list(range(100))
    steps = [step.text for step in listener.of(Step)]
    assert "Attempt 3 to connect again failed: The fake adapter is still away: plug it in." in steps


def test_stop_while_the_link_is_lost(tmp_path, listener):
    session = Session(request(tmp_path), FakeSource(0.001, lose_at=(30,), refuse=10**6), listener)
    heard = listener.message

    def message(message):
        heard(message)
        if isinstance(message, Step) and "Attempt 5" in message.text:
            session.command(Stop())

    listener.message = message
    ending = session.run()
    assert (type(ending), ending.samples) == (Finished, 120)


def test_gap_is_an_event(tmp_path, listener):
    class Pausing(FakeSource):
        skipped_ns = 0

        def read(self):
            if self.count == 20:
                self.skipped_ns = int((GAP_S + 1.5) * 1e9)
            return [
                Reading(r.signal, r.ecu, r.t_ns + self.skipped_ns, r.value) for r in super().read()
            ]

        def now_ns(self):
            return super().now_ns() + self.skipped_ns

    ending = Session(request(tmp_path), Pausing(0.001, last=40), listener).run()
    (event,) = open_recording(ending.path).facts.events
    assert event.kind == "gap"
    assert event.text == f"no samples for {GAP_S + 1.5:.1f} s"


def test_no_link_from_the_start(tmp_path, listener):
    class Away(FakeSource):
        def open(self, progress):
            raise LinkLostError("Nothing there: plug it in.")

    ending = Session(request(tmp_path), Away(), listener).run()
    assert ending == Failed("Nothing there: plug it in.", "LinkLostError", None)
    assert list(tmp_path.iterdir()) == []


def test_folder_is_tried_before_the_car(tmp_path, listener):
    source = FakeSource()
    session = Session(CaptureRequest("fake:", out=tmp_path / "no" / "a.parquet"), source, listener)
    ending = session.run()
    assert isinstance(ending, Failed)
    assert ending.error == "StorageError"
    assert source.opened == 0


@pytest.mark.worker_dies
def test_disk_full_on_the_way(tmp_path, listener, monkeypatch):
    """The journal cannot grow any more: what was flushed is finished, and the sentence says so."""
    flush = JournalWriter.flush
    calls = []

    def full_after_three(self):
        if self.due_in_s() is None:
            return
        calls.append(self.samples)
        if len(calls) > 3:
            raise StorageError("The disk is full.")
        flush(self)

    monkeypatch.setattr(JournalWriter, "flush", full_after_three)
    monkeypatch.setattr(JournalWriter, "due_in_s", lambda self: 0.0 if self._since else None)
    ending = Session(request(tmp_path), FakeSource(0.001, last=5000), listener).run()
    assert isinstance(ending, Failed)
    assert ending.error == "StorageError"
    assert "disk is full" in ending.sentence
    assert str(ending.path) in ending.sentence
    assert ending.path == tmp_path / "drive.parquet"  # smaller than the journal, it still went
    recording = open_recording(ending.path)
    assert recording.facts.recovered
    assert len(recording.trace("RPM")) * 4 == calls[2]


def test_fault_of_our_own_keeps_the_samples(tmp_path, listener, caplog):
    class Broken(FakeSource):
        def read(self):
            if self.count == 50:
                raise ZeroDivisionError
            return super().read()

    ending = Session(request(tmp_path), Broken(0.001), listener).run()
    assert isinstance(ending, Failed)
    assert "fault in the program" in ending.sentence
    assert "ZeroDivisionError" in caplog.text
    assert len(open_recording(ending.path).trace("RPM")) == 50


def test_status(tmp_path, listener):
    Session(request(tmp_path, limit_s=1.7), FakeSource(0.01), listener).run()
    states = listener.of(Status)
    assert len(states) >= 2
    assert states[-1].link == "connected"
    assert states[-1].size_bytes > 0
    assert states[-1].samples_per_s == pytest.approx(sum(states[-1].rates_hz.values()))
    assert states[-1].samples_per_s == pytest.approx(
        states[-1].samples / states[-1].elapsed_s, rel=0.2
    )


def test_resume_goes_on_in_the_same_recording(tmp_path, listener):
    out = tmp_path / "drive.parquet"
    now = datetime.datetime(2027, 3, 1, 10, 0, 30, tzinfo=datetime.UTC)
    began = (now - datetime.timedelta(seconds=30)).isoformat()
    facts = Facts(
        recording_id="first",
        started_utc=began,
        note="n",
        vehicle=Car(label="mine"),
        link=LinkFacts(url="fake:"),
        extra={"altitude_m": 300.0},
    )
    writer = JournalWriter(journal_path(out), facts)
    writer.append([("RPM", "7E8", k * 10**9, -float(k)) for k in range(20)])
    writer.flush()
    writer.close()
    again = request(tmp_path, resume=journal_path(out))
    source = FakeSource(0.001, last=100)
    ending = Session(again, source, listener, clocks=Clocks(lambda: now, lambda: Boot("", 0))).run()
    assert ending.path == out
    assert ending.samples == 20 + 400
    recording = open_recording(out)
    assert recording.facts.recording_id == "first"
    assert recording.facts.started_utc == began
    assert (recording.facts.vehicle.label, recording.facts.note) == ("mine", "n")
    assert recording.facts.extra == {"altitude_m": 300.0}
    rpm = recording.trace("RPM")
    assert len(rpm) == 120
    assert rpm.t_s[20] == pytest.approx(30.0, abs=1.0)  # by the time of day
    assert np.all(np.diff(rpm.t_ns) > 0)
    (event,) = recording.facts.events
    assert event.kind == "gap"
    assert [path.name for path in tmp_path.iterdir()] == ["drive.parquet"]


def test_name_taken_meanwhile(tmp_path, listener):
    (tmp_path / "drive.parquet").write_bytes(b"precious")
    ending = Session(request(tmp_path), FakeSource(0.001, last=5), listener).run()
    assert ending.path == tmp_path / "drive-2.parquet"
    assert (tmp_path / "drive.parquet").read_bytes() == b"precious"


def test_signs_of_life_while_connecting(tmp_path, listener, monkeypatch):
    """A slow connection is not a dead process: states go on coming, twice a second."""
    monkeypatch.setattr("logbench.capture.notifier.STATUS_S", 0.05)

    class Slow(FakeSource):
        def open(self, progress):
            time.sleep(0.5)
            return super().open(progress)

    Session(request(tmp_path), Slow(0.001, last=5), listener).run()
    connecting = [state for state in listener.of(Status) if state.link == "connecting"]
    assert len(connecting) >= 3
