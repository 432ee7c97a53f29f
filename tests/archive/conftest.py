"""A small archive of quick made-up recordings."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import numpy as np
import pytest

from logbench.archive.archive import Archive
from logbench.car.model import Car
from logbench.recording.finish import write_recording
from logbench.recording.model import Event, Facts, Trace, signal_facts


def traces(ect: float = 90.0, rpm: float = 800.0, n: int = 1200, trim: float = 2.0) -> list[Trace]:
    """Ten minutes of idling at 2 Hz."""
    t_ns = np.arange(n, dtype=np.int64) * 500_000_000
    rng = np.random.default_rng(3)

    def trace(signal: str, unit: str, value: np.ndarray) -> Trace:
        return Trace(signal, "7E8", unit, t_ns, value)

    flat = np.ones(n)
    return [
        trace("RPM", "rpm", rpm + rng.normal(0, 5, n)),
        trace("VSS", "km/h", flat * 0),
        trace("ECT", "degC", flat * ect),
        trace("LOAD_PCT", "%", flat * 30),
        trace("SHRTFT1", "%", trim + rng.normal(0, 0.5, n)),
        trace("LONGFT1", "%", flat * trim),
        trace("FUELSYS1", "", flat * 2),
    ]


def make(
    path: Path,
    car: str = "van",
    started: str = "2026-03-01T10:00:00+00:00",
    liters: float | None = 1.8,
    note: str = "",
    event: str = "",
    vin: str = "",
    **values: float,
) -> Path:
    made = traces(**values)
    facts = Facts(
        started_utc=started,
        vehicle=Car(label=car, vin=vin, displacement_l=liters, cylinders=4),
        signals=signal_facts(trace.signal for trace in made),
        note=note,
        events=[Event(t_ns=0, kind="marker", text=event)] if event else [],
    )
    path.parent.mkdir(parents=True, exist_ok=True)
    return write_recording(path, made, facts)


def with_car(path: Path, car: Car) -> Path:
    """The same drive of a car of which more is known."""
    made = traces()
    path.parent.mkdir(parents=True, exist_ok=True)
    facts = Facts(vehicle=car, signals=signal_facts(trace.signal for trace in made))
    return write_recording(path, made, facts)


@pytest.fixture
def root(tmp_path: Path) -> Path:
    folder = tmp_path / "archive"
    make(folder / "van/a.parquet", started="2026-01-10T10:00:00+00:00", trim=1.0)
    make(folder / "van/b.parquet", started="2026-02-10T10:00:00+00:00", trim=4.0, note="Stalls")
    make(folder / "van/c.parquet", started="2026-03-10T10:00:00+00:00", trim=11.0)
    make(folder / "hatch/a.parquet", car="hatch", liters=1.82, ect=60.0, event="hesitates")
    make(folder / "truck/a.parquet", car="truck", liters=5.0, rpm=650.0)
    return folder


@pytest.fixture
def opened(root: Path, tmp_path: Path) -> Callable[[], Archive]:
    """Opens the archive anew, as another start of the program would, with the cache kept."""
    return lambda: Archive(root, tmp_path / "cache")
