"""A recording played as a live source gives its own samples again."""

from __future__ import annotations

import numpy as np
import pytest

from logbench.capture.messages import CaptureRequest, CarFound
from logbench.capture.process import run_headless
from logbench.capture.sources.replay import ReplaySource, parse_replay_url
from logbench.car.model import Car
from logbench.errors import LinkUnknownError, RecordingMissingError, SignalUnsupportedError
from logbench.recording.finish import write_recording
from logbench.recording.model import Facts, SignalFacts, Trace
from logbench.recording.reader import open_recording


@pytest.fixture
def original(tmp_path):
    rng = np.random.default_rng(1)
    t_ns = np.cumsum(rng.integers(1_000_000, 20_000_000, 300))  # about 3 s
    traces = [
        Trace("RPM", "7E8", "rpm", t_ns, rng.normal(800, 9, 300)),
        Trace("VSS", "7E8", "km/h", t_ns, np.where(rng.random(300) < 0.1, np.nan, 50.0)),
        Trace("VSS", "7E9", "km/h", t_ns[::7] + 5, rng.normal(50, 1, 43)),
    ]
    facts = Facts(
        vehicle=Car(vin="ZZ9TEST280X000002"),
        signals={"RPM": SignalFacts(unit="rpm", pid=0x0C), "VSS": SignalFacts(unit="km/h", pid=13)},
    )
    return write_recording(tmp_path / "original.parquet", traces, facts)


@pytest.mark.parametrize("speed", ["max", "20"])
def test_replayed_through_the_capture_process(tmp_path, original, speed):
    said = []
    out = tmp_path / "again.parquet"
    url = f"replay:{original}?speed={speed}"
    finished = run_headless(CaptureRequest(url, out=out), said.append)
    before, after = open_recording(original), open_recording(finished.path)
    assert after.keys == before.keys
    for key in before.keys:
        first, second = before.trace(*key), after.trace(*key)
        np.testing.assert_array_equal(first.t_ns, second.t_ns)
        np.testing.assert_array_equal(first.value, second.value)
    (found,) = (m for m in said if isinstance(m, CarFound))
    assert found.facts.vin == "ZZ9TEST280X000002"
    assert found.facts.supported == {"7E8": {12, 13}, "7E9": {13}}


def test_some_signals(original):
    source = ReplaySource(CaptureRequest(f"replay:{original}", signals=("VSS", "MAF")))
    opened = source.open(lambda _: None)
    assert (opened.signals, opened.unsupported) == (("VSS",), ("MAF",))
    source = ReplaySource(CaptureRequest(f"replay:{original}", signals=("MAF",)))
    with pytest.raises(SignalUnsupportedError):
        source.open(lambda _: None)


def test_real_time(original):
    """At speed 1 nothing comes before its time."""
    source = ReplaySource(CaptureRequest(f"replay:{original}"))
    source.open(lambda _: None)
    for _ in range(30):
        readings = source.read()
        now_ns = source.now_ns()
        assert all(reading.t_ns <= now_ns for reading in readings)
    assert source.now_ns() < 3e9


def test_urls(tmp_path):
    assert str(parse_replay_url("replay:/a/b?c.parquet?speed=5")[0]) == "/a/b?c.parquet"
    assert parse_replay_url("replay:x.parquet") == (parse_replay_url("replay:x.parquet")[0], 1.0)
    assert parse_replay_url("replay:x.parquet?speed=max")[1] == 0.0
    for url in ("replay:", "replay:x?speed=0", "replay:x?speed=fast", "replay:x?speed=1&a=2"):
        with pytest.raises(LinkUnknownError, match="cannot be replayed"):
            parse_replay_url(url)
    with pytest.raises(RecordingMissingError):
        run_headless(CaptureRequest(f"replay:{tmp_path / 'gone.parquet'}"), lambda _: None)
