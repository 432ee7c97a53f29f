"""The whole way: simulated car, adapter on a socket, link, poller, capture process, file."""

from __future__ import annotations

import pytest

from logbench.capture.messages import CaptureRequest, CarFound, Finished, Status, Step
from logbench.capture.process import run_headless
from logbench.errors import LinkUnknownError, SignalUnsupportedError
from logbench.recording.reader import open_recording


def record(tmp_path, url: str, limit_s: float, **more):
    messages = []
    request = CaptureRequest(url, out=tmp_path / "drive.parquet", limit_s=limit_s, **more)
    finished = run_headless(request, messages.append)
    return finished, messages, open_recording(finished.path)


def test_a_hurried_drive(tmp_path):
    finished, messages, recording = record(
        tmp_path, "sim:?seed=7&baud=0&latency_ms=1&speed=20", 60.0, signals=("RPM", "ECT", "VSS")
    )
    assert isinstance(messages[-1], Finished)
    (found,) = (m for m in messages if isinstance(m, CarFound))
    assert found.signals == ("RPM", "ECT", "VSS")
    assert sum(len(trace) for trace in recording.traces()) == finished.samples > 300
    facts = recording.facts
    assert facts.link.simulated
    assert facts.link.time_scale == 20
    assert facts.link.url.startswith("sim:?seed=7")
    assert facts.vehicle.vin.startswith("ZZ9TEST")
    assert 55 < recording.duration_ns / 1e9 < 65
    # the drive's key-on and crank within its first minute, then idling, seen on the hurried clock
    rpm = recording.trace("RPM")
    assert rpm.value[0] == 0
    assert 500 < rpm.value[rpm.t_s > 40].mean() < 2500
    assert facts.events == []


@pytest.mark.slow
@pytest.mark.parametrize(
    ("trouble", "lost", "back", "limit_s", "link"),
    [("unplug@1:1", "link lost", "link back", 5.0, "lost"),
     ("ignition-off@1:4", "key off", "key on", 9.0, "silent")],
)  # fmt: skip
def test_trouble_on_the_way(tmp_path, trouble, lost, back, limit_s, link):
    """The recording goes on, the loss and the return are events, the user is told."""
    url = f"sim:?car=still&baud=0&latency_ms=1&trouble={trouble}"
    _, messages, recording = record(tmp_path, url, limit_s, signals=("RPM", "ECT"))
    kinds = [event.kind for event in recording.facts.events]
    assert kinds[:2] == [lost, back]
    away, again = (event.t_ns for event in recording.facts.events[:2])
    t_ns = recording.trace("RPM").t_ns
    assert (t_ns < away).sum() > 10
    assert (t_ns > again).sum() > 100
    assert recording.duration_ns > (limit_s - 1) * 1e9
    steps = [m.text for m in messages if isinstance(m, Step)]
    assert {"lost": "The link is back", "silent": "The car answers again"}[link] in steps
    assert link in {m.link for m in messages if isinstance(m, Status)}
    assert any("connect again" in text or "answer" in text for text in steps)


def test_an_adapter_whose_buffer_is_full_goes_on_with_replies_that_fit(tmp_path):
    url = "sim:?car=still&baud=0&latency_ms=1&trouble=buffer-full@1:1000"
    _, messages, recording = record(tmp_path, url, 6.0)
    assert (recording.trace("RPM").t_ns > 3e9).sum() > 5
    told = [m.text for m in messages if isinstance(m, Step) and "in one request" in m.text]
    assert told
    assert told[0].startswith("With more than")


def test_a_disturbed_bus_is_told_and_leaves_a_gap(tmp_path):
    sentence = "check the plug at the car's connector"
    url = "sim:?car=still&baud=0&latency_ms=1&trouble=can-error@1:1.6"
    _, messages, recording = record(tmp_path, url, 4.0)
    told = [m.text for m in messages if isinstance(m, Step) and "No samples for" in m.text]
    assert len(told) == 1, "once, not with every request"
    assert sentence in told[0]
    events = {event.kind: event for event in recording.facts.events}
    assert events["note"].text == told[0]
    assert "no samples for 1." in events["gap"].text
    assert events["gap"].t_ns < events["note"].t_ns
    assert (recording.trace("RPM").t_ns > events["note"].t_ns).sum() > 50


def test_signals_the_car_has_not(tmp_path):
    url = "sim:?car=still&baud=0&latency_ms=1"
    _, messages, recording = record(tmp_path, url, 1.0, signals=("RPM", "FRP_59"))
    (found,) = (m for m in messages if isinstance(m, CarFound))
    assert (found.signals, found.unsupported) == (("RPM",), ("FRP_59",))
    assert recording.signals == ("RPM",)
    with pytest.raises(SignalUnsupportedError, match="does not report FRP_59"):
        record(tmp_path, url, 1.0, signals=("FRP_59",))


def test_odd_url(tmp_path):
    with pytest.raises(LinkUnknownError):
        record(tmp_path, "sim:?color=red", 1.0)
    assert list(tmp_path.iterdir()) == []
