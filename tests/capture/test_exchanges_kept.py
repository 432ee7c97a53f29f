"""What was sent to the car and answered stands beside the samples, and proves them."""

from __future__ import annotations

import json
import time

import numpy as np
import pytest

from logbench.capture.messages import CaptureRequest, CarFound, Finished, Start
from logbench.capture.process import Capture, run_headless
from logbench.cases.decoding import decode_again
from logbench.cli.main import main
from logbench.recording.finish import write_recording
from logbench.recording.model import Trace
from logbench.recording.reader import Recording, open_recording

URL = "sim:?seed=7&car=still&baud=0&latency_ms=1"


def record(tmp_path, url: str = URL, limit_s: float = 2.0, **more) -> Recording:
    request = CaptureRequest(url, out=tmp_path / "drive.parquet", limit_s=limit_s, **more)
    finished = run_headless(request, lambda _: None)
    assert finished.path is not None
    return open_recording(finished.path)


@pytest.mark.parametrize(
    "more", ["", "&speed=20", "&edition=J1979-2", "&protocol=3", "&trouble=garbage@0.5:0.5"]
)
def test_every_sample_is_in_the_exchanges(tmp_path, more):
    recording = record(tmp_path, URL + more, 30.0 if "speed" in more else 2.0)
    found = decode_again(recording)
    assert found.proved
    assert sum(one.same for one in found.compared) == sum(map(len, recording.traces()))
    assert sum(one.left_out for one in found.compared) == 0
    said = list(recording.exchanges())
    # the car was found before t = 0, and told its VIN
    assert any(b"ZZ9TEST" in one.data and one.arrived_ns <= 0 for one in said)
    assert all(one.sent_ns <= one.arrived_ns for one in said)
    assert {one.request[0] for one in said} >= ({0x22} if "J1979-2" in more else {0x01, 0x09})


def test_nothing_is_kept_where_that_is_switched_off(tmp_path):
    recording = record(tmp_path, exchanges=False)
    assert recording.facts.exchanges is None
    assert sum(map(len, recording.traces())) > 0


def test_the_minutes_before_the_start_keep_theirs(tmp_path):
    request = CaptureRequest(URL, hold_s=60.0, signals=("RPM", "ECT"))
    out = tmp_path / "held.parquet"
    with Capture(request) as capture:
        until = time.monotonic() + 30
        ended, found = None, None
        while ended is None and time.monotonic() < until:
            capture.wait(0.1)
            for message in capture.poll():
                if isinstance(message, CarFound):
                    found = time.monotonic()
                ended = message if isinstance(message, Finished) else ended
            if found is not None and time.monotonic() > found + 1.0:
                capture.command(Start(out))
                found = None
            if out.with_name(out.name + ".journal").exists():
                time.sleep(0.5)
                capture.stop()
    recording = open_recording(out)
    result = decode_again(recording)
    assert result.proved
    assert recording.trace("RPM").t_ns[0] < 100_000_000  # what was held is in it
    assert any(b"ZZ9TEST" in one.data for one in recording.exchanges())


def changed(recording: Recording, path, by: float) -> Recording:
    """With one sample that the car did not send."""
    first, *others = recording.traces()
    value = np.array(first.value)
    value[3] += by
    traces = [Trace(first.signal, first.ecu, first.unit, first.t_ns, value), *others]
    return open_recording(
        write_recording(path, traces, recording.facts, list(recording.exchanges()))
    )


def test_decode_names_the_value_that_the_car_did_not_send(tmp_path, capsys):
    recording = record(tmp_path, signals=("ECT", "RPM"))
    assert main(["decode", str(recording.path)]) == 0
    assert "Every value is what the car answered" in capsys.readouterr().out
    other = changed(recording, tmp_path / "other.parquet", 1.0)
    assert main(["decode", str(other.path), "--json"]) == 3
    told = json.loads(capsys.readouterr().out)
    (ect,) = (one for one in told["traces"] if one["signal"] == "ECT")
    assert ect["differing"] == 1
    assert ect["recorded"] == ect["decoded"] + 1
    assert ect["t_ns"] == int(recording.trace("ECT").t_ns[3])
    made = tmp_path / "again.parquet"
    assert main(["decode", str(other.path), "--out", str(made)]) == 3
    again = open_recording(made)
    assert again.trace("ECT").value.tolist() == recording.trace("ECT").value.tolist()
    assert decode_again(again).proved


def test_a_recording_without_exchanges_cannot_be_decoded(tmp_path, capsys):
    recording = record(tmp_path, limit_s=1.0, exchanges=False)
    assert main(["decode", str(recording.path)]) == 3
    assert "not kept" in " ".join(capsys.readouterr().err.split())


def test_verify_covers_the_exchanges(tmp_path, capsys):
    recording = record(tmp_path, limit_s=1.0)
    assert main(["verify", str(recording.path)]) == 0
    assert "so are the exchanges" in " ".join(capsys.readouterr().out.split())
    facts = recording.facts.exchanges
    data = bytearray(recording.path.read_bytes())
    data[facts.start + facts.bytes // 2] ^= 1
    recording.path.write_bytes(data)
    assert main(["verify", str(recording.path)]) == 5
    said = " ".join(capsys.readouterr().out.split())
    assert "the samples are what was recorded; the EXCHANGES" in said


def test_record_has_a_switch(tmp_path, capsys):
    out = tmp_path / "drive.parquet"
    words = ["record", "--link", URL, "--for", "1s", "--out", str(out), "--no-exchanges"]
    assert main(words) == 0
    assert open_recording(out).facts.exchanges is None


def test_a_request_that_was_refused_or_garbled_is_kept_too(tmp_path):
    recording = record(tmp_path, URL + "&trouble=refuses-packed@0", 1.0)
    asked = {one.request for one in recording.exchanges() if not one.data}
    assert any(request[0] == 0x01 and len(request) > 2 for request in asked)
