"""A simulated drive written straight to a file."""

from __future__ import annotations

import numpy as np
import pytest

from logbench.capture.produce import record_simulated
from logbench.car.model import Car
from logbench.errors import SignalUnsupportedError, StorageError
from logbench.recording.model import Event
from logbench.recording.reader import open_recording
from logbench.signals.table import table
from logbench.simulator.cars import draw_car, named_car
from logbench.simulator.drive import Drive
from logbench.simulator.driver import schedule
from logbench.simulator.produce import produce


def drive() -> Drive:
    return Drive(draw_car(3), None, schedule("short-drive"), seed=3)


def test_the_file_holds_what_the_simulator_produced(tmp_path):
    events = [Event(t_ns=5_000_000_000, kind="marker", text="here")]
    path = record_simulated(
        tmp_path / "drive.parquet", drive(), seed=3, for_s=60.0, note="n", events=events
    )
    recording = open_recording(path)
    samples = produce(drive(), seed=3, for_s=60.0)
    assert set(recording.keys) == {key for key, (t_ns, _) in samples.items() if len(t_ns)}
    for key, (t_ns, values) in samples.items():
        trace = recording.trace(*key)
        np.testing.assert_array_equal(trace.t_ns, t_ns)
        np.testing.assert_array_equal(trace.value, values)
        assert trace.unit == table().by_acronym(key[0]).unit
    facts = recording.facts
    assert facts.link.simulated
    assert facts.vehicle.displacement_l == draw_car(3).displacement_l
    assert facts.vehicle.vin == drive().vin
    assert (facts.note, facts.events) == ("n", events)
    assert recording.intact()


def test_given_vehicle_and_start(tmp_path):
    path = record_simulated(
        tmp_path / "a.parquet",
        Drive(named_car(), None, schedule("short-drive")),
        ["RPM"],
        for_s=20.0,
        vehicle=Car(label="customer's"),
        started_utc="2026-03-01T10:00:00+00:00",
    )
    facts = open_recording(path).facts
    assert facts.vehicle.label == "customer's"
    assert facts.started_utc == "2026-03-01T10:00:00+00:00"


def test_errors_before_the_long_work(tmp_path):
    with pytest.raises(StorageError, match="does not exist"):
        record_simulated(tmp_path / "no" / "a.parquet", drive())
    with pytest.raises(SignalUnsupportedError):
        record_simulated(tmp_path / "a.parquet", drive(), ["FRP_59"])
    assert list(tmp_path.iterdir()) == []
