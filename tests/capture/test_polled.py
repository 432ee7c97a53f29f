"""The polled car over a real socket: what is kept over a loss, rest, and being told to stop."""

from __future__ import annotations

import socket
import threading
import time
from contextlib import closing

import pytest

from logbench.capture.messages import CaptureRequest, Failed, Finished, Step, Stop, Unattended
from logbench.capture.process import make_source
from logbench.capture.session import Session
from logbench.capture.sources.car import PolledSource
from logbench.capture.unattended import UnattendedRun
from logbench.errors import (
    ConnectingStoppedError,
    LinkLostError,
    PortMissingError,
    SignalUnknownError,
)
from logbench.recording.finish import NothingRecordedError
from logbench.recording.journal import JournalWriter
from logbench.recording.journal_reading import journal_path
from logbench.recording.model import Facts
from logbench.recording.reader import open_recording
from logbench.simulator.trouble import parse_trouble
from tests.capture.test_session import Listener
from tests.capture.watched import watched
from tests.still import StillCar


def wait_for(condition, timeout_s: float = 30.0) -> None:
    deadline = time.monotonic() + timeout_s
    while not condition():
        assert time.monotonic() < deadline, "it did not happen in time"
        time.sleep(0.01)


def source_of(url: str, *signals: str) -> PolledSource:
    return PolledSource(CaptureRequest(url, signals=signals or ("RPM", "ECT")), url)


def read_on(source: PolledSource) -> None:
    while True:
        source.read()


# --- what is kept over a loss ---


@pytest.mark.parametrize("protocol", ["8", "5"])
def test_connected_again_without_a_search(protocol):
    """The protocol found is tried first, and the car is only asked which one it is."""
    with (
        watched(protocol=protocol, troubles=(parse_trouble("unplug@1:0.3"),)) as (url, adapter),
        closing(source_of(url)) as source,
    ):
        said: list[str] = []
        opened = source.open(said.append)
        assert "SP0" in adapter.settings_made  # a search, the first time
        poller, before = source._poller, len(adapter.requests)
        assert before > 3
        with pytest.raises(LinkLostError):
            read_on(source)
        adapter.requests.clear()
        adapter.settings_made.clear()
        wait_for(lambda: _opens(source, said))
        assert source.open(said.append) is opened
        assert f"TPA{protocol}" in adapter.settings_made
        assert "SP0" not in adapter.settings_made
        assert len(adapter.requests) <= 5  # one of them may be for the names of the ECUs
        assert source._poller is poller
        seen: set[str] = set()

        def both_come() -> bool:  # the slower one only now and then
            seen.update(reading.signal for reading in source.read())
            return seen == {"RPM", "ECT"}

        wait_for(both_come)


def _opens(source: PolledSource, said: list[str]) -> bool:
    try:
        source.open(said.append)
    except (PortMissingError, LinkLostError):
        return False
    return True


# --- asleep ---


def test_voltage_is_read_without_a_word_to_the_car():
    """Even before the car was ever found; `rest` leads into the low-power state every time."""
    car = StillCar(key_on=False, battery=12.4)
    with watched(car) as (url, adapter), closing(source_of(url)) as source:
        source.sleep()  # nothing to put to rest yet
        for volts in (12.4, 12.1):
            car.battery = volts
            assert source.voltage() == pytest.approx(volts)
            assert not adapter.asleep
            source.sleep()
            assert adapter.asleep
            source.sleep()  # does not wake it
            assert adapter.asleep
        source.close()
        time.sleep(0.1)
        assert adapter.asleep  # still, after hanging up
        assert adapter.requests == []


def test_key_cycles_over_a_socket(tmp_path, monkeypatch):
    """Engine on, off, on, off, flat battery: no request to the sleeping car, the adapter at rest
    between its looks at the voltmeter, and a recording of each drive."""
    monkeypatch.setattr("logbench.capture.sources.car.SILENT_S", 0.3)
    monkeypatch.setattr("logbench.capture.session.BACK_OFF_S", (0.05,))
    plan = Unattended(off_after_s=0.3, volt_every_s=0.25)
    car = StillCar(battery=14.1)
    with watched(car) as (url, adapter):
        request = CaptureRequest(
            url, ("RPM", "ECT"), out=tmp_path / "cycle.parquet", unattended=plan
        )
        listener = Listener()
        run = UnattendedRun(request, PolledSource(request, url), listener)
        endings: list[Finished | Failed] = []
        thread = threading.Thread(target=lambda: endings.append(run.run()))
        thread.start()

        def peaceful(seconds: float) -> float:
            """Share of the time asleep; nothing may be asked meanwhile."""
            wait_for(lambda: adapter.asleep)
            asked, naps, looks = len(adapter.requests), [], adapter.settings_made.count("RV")
            end = time.monotonic() + seconds
            while time.monotonic() < end:
                naps.append(adapter.asleep)
                time.sleep(0.005)
            assert len(adapter.requests) == asked
            assert adapter.settings_made.count("RV") > looks
            return sum(naps) / len(naps)

        for drive in (1, 2):
            adapter.requests.clear()
            car.key_on, car.battery = True, 14.1
            wait_for(lambda: len(adapter.requests) > 60)
            car.key_on, car.battery = False, 12.5
            wait_for(lambda drive=drive: len(list(tmp_path.glob("*.parquet"))) == drive)
            assert peaceful(1.5) > 0.3
        car.battery = 11.5
        thread.join(30)
        assert isinstance(endings[0], Finished)
        time.sleep(0.1)
        assert adapter.asleep
    for path in tmp_path.glob("*.parquet"):
        assert [event.kind for event in open_recording(path).facts.events] == ["key off"]
    assert "down to 11.5 V" in listener.of(Step)[-1].text


# --- told to stop while connecting ---


@pytest.fixture
def mute(monkeypatch):
    """The URL of something that takes a connection and never says a word; it would be waited for
    an hour."""
    monkeypatch.setattr("logbench.vehicle.links.device.START_TIMEOUT_S", 3600.0)
    with socket.create_server(("127.0.0.1", 0)) as listener:
        yield f"tcp://127.0.0.1:{listener.getsockname()[1]}"


def stopped_while_connecting(request: CaptureRequest, url: str) -> Finished | Failed:
    listener = Listener()
    run = UnattendedRun if request.unattended else Session
    session = run(request, PolledSource(request, url), listener)
    endings: list[Finished | Failed] = []
    thread = threading.Thread(target=lambda: endings.append(session.run()), daemon=True)
    thread.start()
    started = ("Looking for the adapter", "Waiting for the engine to run")
    wait_for(lambda: any(m.text in started for m in listener.of(Step)))
    session.command(Stop())
    thread.join(30)
    assert endings, "it goes on connecting"
    return endings[0]


def test_stop_while_connecting(tmp_path, mute):
    request = CaptureRequest(mute, out=tmp_path / "drive.parquet")
    assert stopped_while_connecting(request, mute) == Finished(None, 0, 0.0)
    assert list(tmp_path.iterdir()) == []


def test_stop_before_connecting(mute):
    source = source_of(mute)
    source.cancel()
    with pytest.raises(ConnectingStoppedError):
        source.open(lambda _: None)
    source.close()


def test_stop_while_connecting_to_go_on(tmp_path, mute):
    """What had been recorded before is finished."""
    out = tmp_path / "drive.parquet"
    writer = JournalWriter(journal_path(out), Facts(recording_id="first"))
    writer.append([("RPM", "7E8", k * 10**9, float(k)) for k in range(20)])
    writer.flush()
    writer.close()
    request = CaptureRequest(mute, out=out, resume=journal_path(out))
    assert stopped_while_connecting(request, mute) == Finished(out, 20, 0.0)  # what the file holds
    assert len(open_recording(out).trace("RPM")) == 20


def test_nothing_to_go_on_with(tmp_path, mute):
    out = tmp_path / "drive.parquet"
    JournalWriter(journal_path(out), Facts()).close()
    request = CaptureRequest(mute, out=out, resume=journal_path(out))
    ending = stopped_while_connecting(request, mute)
    assert isinstance(ending, Failed)
    assert ending.error == NothingRecordedError.__name__


def test_stop_while_waiting_for_the_engine(tmp_path, mute):
    request = CaptureRequest(mute, out=tmp_path / "a.parquet", unattended=Unattended())
    assert stopped_while_connecting(request, mute) == Finished(None, 0, 0.0)


def test_a_signal_that_no_car_has_is_told_before_connecting():
    """It was found only once the car had answered."""
    with pytest.raises(SignalUnknownError, match="did you mean RPM"):
        make_source(CaptureRequest("tcp://127.0.0.1:9", signals=("ECT", "RPMM")))
