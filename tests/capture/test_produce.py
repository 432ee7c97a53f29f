"""A simulated drive written straight to a file."""

from __future__ import annotations

import numpy as np
import pytest

from logbench.capture.demo_drives import demo_vehicle, held_demo, record_simulated
from logbench.errors import StorageError
from logbench.recording.model import Event
from logbench.recording.reader import open_recording
from logbench.signals.table import table
from logbench.simulator.drawn import draw_car
from logbench.simulator.drive import Drive
from logbench.simulator.driver import schedule
from logbench.simulator.produce import produce


def test_the_file_holds_what_the_simulator_produced(tmp_path):
    events = [Event(t_ns=5_000_000_000, kind="marker", text="here")]
    drive = Drive(draw_car(3), None, schedule("short-drive"), seed=3)
    samples = produce(drive, seed=3, for_s=60.0)
    began = "2026-03-01T10:00:00+00:00"
    path = record_simulated(tmp_path / "drive.parquet", drive, samples, began, "n", events)
    recording = open_recording(path)
    assert set(recording.keys) == {key for key, (t_ns, _) in samples.items() if len(t_ns)}
    for key, (t_ns, values) in samples.items():
        trace = recording.trace(*key)
        np.testing.assert_array_equal(trace.t_ns, t_ns)
        np.testing.assert_array_equal(trace.value, values)
        assert trace.unit == table().by_acronym(key[0]).unit
    facts = recording.facts
    assert facts.link.simulated
    assert facts.vehicle == demo_vehicle()
    assert facts.started_utc == began
    assert (facts.note, facts.events) == ("n", events)
    assert recording.intact()


def test_an_error_before_the_long_work(tmp_path, monkeypatch):
    monkeypatch.setattr("logbench.simulator.produce.produce", None)  # driving would fail
    file = tmp_path / "no"
    file.touch()
    with pytest.raises(StorageError, match="could not be written"):
        held_demo("before", file)
    assert list(tmp_path.iterdir()) == [file]
