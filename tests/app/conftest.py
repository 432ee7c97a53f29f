"""A window without a display, its settings in a temporary folder, and no process that captures.

Any Qt message (a wrong parent, an unknown style property, a timer on the wrong thread) fails the
test in which it appears.
"""

from __future__ import annotations

import os
import re
from collections.abc import Callable, Iterator, Sequence
from pathlib import Path

os.environ.setdefault("QT_QPA_PLATFORM", "offscreen")

import numpy as np
import pyarrow as pa
import pytest
from PySide6.QtCore import QEvent
from PySide6.QtWidgets import QApplication
from pytestqt.qtbot import QtBot

from logbench.app.compare.page import ComparePage
from logbench.app.window import MainWindow
from logbench.capture.messages import (
    Batch,
    CaptureRequest,
    CarFound,
    Choose,
    Command,
    Describe,
    Finished,
    Mark,
    Message,
    Start,
    Status,
    Step,
)
from logbench.car.model import Car
from logbench.cases.settings import Settings
from logbench.recording.columns import BATCH_SCHEMA
from logbench.recording.finish import write_recording
from logbench.recording.model import Event, Facts, SignalFacts, Trace
from logbench.vehicle.model import CarFacts

_OFFSCREEN_SAYS = re.compile("propagateSizeHints|does not support (raise|grabbing the keyboard)")


@pytest.fixture(scope="session")
def qapp_args() -> list[str]:
    return ["logbench-tests", "-style", "Fusion"]


@pytest.fixture(autouse=True)
def no_window_left(qapp: QApplication) -> Iterator[None]:
    """What a test has let go of is deleted with it: Qt would wait for the next event loop. The
    style sheet of a look that is for no window goes, too: both make every later test slow."""
    yield
    for left in qapp.topLevelWidgets():
        if isinstance(left, MainWindow):
            left.deleteLater()
    qapp.sendPostedEvents(None, QEvent.Type.DeferredDelete)
    if qapp.styleSheet():
        qapp.setStyleSheet("")


@pytest.fixture(autouse=True)
def no_qt_messages(qtlog) -> Iterator[None]:
    yield
    said = [r.message for r in qtlog.records if not _OFFSCREEN_SAYS.search(r.message)]
    assert said == []


def batch(samples: Sequence[tuple[str, str, int, float]]) -> Batch:
    """(signal, ECU, t_ns, value) rows as the capture process sends them."""
    columns = list(zip(*samples, strict=True))
    table = pa.table(
        {
            "signal": pa.array(columns[0], pa.string()).dictionary_encode(),
            "ecu": pa.array(columns[1], pa.string()).dictionary_encode(),
            "t": pa.array(columns[2], pa.int64()),
            "value": pa.array(columns[3], pa.float64()),
        }
    ).cast(BATCH_SCHEMA)
    sink = pa.BufferOutputStream()
    with pa.ipc.new_stream(sink, BATCH_SCHEMA) as writer:
        writer.write_table(table)
    return Batch(sink.getvalue().to_pybytes(), len(samples))


class FakeCapture:
    """Answers at once: the test puts messages in, and sees what the window asked for."""

    def __init__(self, request: CaptureRequest) -> None:
        self.request = request
        self.started = self.closed = self.stopped = False
        self.marks: list[str] = []
        self.mark_times: list[int | None] = []
        self.begun: list[tuple[Path, bool]] = []
        self.chosen: list[tuple[tuple[str, ...], dict[str, float]]] = []
        self.described: list[Car] = []
        self.inbox: list[Message] = []
        self.on_stop: Callable[[], None] = self.finish

    def start(self) -> None:
        self.started = True

    def poll(self) -> list[Message]:
        messages, self.inbox = self.inbox, []
        return messages

    def command(self, command: Command) -> None:
        match command:
            case Mark(text, t_ns):
                self.marks.append(text)
                self.mark_times.append(t_ns)
                when = 2_000_000_000 if t_ns is None else t_ns
                self.inbox.append(Event(t_ns=when, kind="marker", text=text))
            case Start(out, include):
                self.begun.append((out, include))
            case Choose(signals, rates_hz):
                self.chosen.append((signals, rates_hz))
            case Describe(vehicle):
                self.described.append(vehicle)

    def stop(self) -> None:
        self.stopped = True
        self.on_stop()

    def close(self) -> None:
        self.closed = True

    def find_car(self, *signals: str, vehicle: Car | None = None, instead: str = "") -> None:
        vin = vehicle.identified.vin if vehicle is not None else "ZZ9TEST170X000001"
        facts = CarFacts(vin=vin, protocol="ISO 15765-4 CAN, 11 bit")
        car = vehicle or Car()
        found = CarFound(facts, signals, ("BARO",), vehicle=car, instead=instead)
        self.inbox += [Step("Asking what the car supports"), found]

    def steps(self, *sentences: str) -> list[Message]:
        return [Step(text) for text in sentences]

    def drive(self, *signals: str, seconds: float = 3.0, rate_hz: float = 10.0) -> None:
        rows = [
            (signal, "7E8", round(n / rate_hz * 1e9), 800.0 + 10 * n)
            for n in range(round(seconds * rate_hz) + 1)
            for signal in signals
        ]
        self.inbox.append(batch(rows))
        rates = dict.fromkeys(signals, rate_hz)
        self.inbox.append(Status(seconds, len(rows), rate_hz * len(signals), 4321, rates))

    def send(self, *samples: tuple[str, str, int, float]) -> None:
        self.inbox.append(batch(samples))

    def finish(self) -> None:
        self.inbox.append(Finished(self.request.out, 31, 3.0))


class Garage:
    """Hands out fake captures and keeps them."""

    def __init__(self) -> None:
        self.captures: list[FakeCapture] = []
        self.refusal: Exception | None = None
        self.tones: list[str] = []

    def __call__(self, request: CaptureRequest) -> FakeCapture:
        if self.refusal is not None:
            raise self.refusal
        self.captures.append(FakeCapture(request))
        return self.captures[-1]

    @property
    def last(self) -> FakeCapture:
        return self.captures[-1]


@pytest.fixture
def garage() -> Garage:
    return Garage()


@pytest.fixture
def settings(tmp_path: Path, qapp: QApplication) -> Settings:
    made = Settings.load(tmp_path / "settings.json")
    made.folder = tmp_path / "recordings"
    return made


@pytest.fixture
def window(qtbot: QtBot, settings: Settings, garage: Garage) -> Iterator[MainWindow]:
    made = MainWindow(settings, garage)
    made.ask_to_finish = lambda: True
    made.live.shapes.tones.player = garage.tones.append
    made.resize(1100, 700)
    made.show()
    yield made
    made.ask_to_finish = lambda: True
    made.close()
    qtbot.waitUntil(lambda: not made.isVisible())
    made.deleteLater()


@pytest.fixture
def compare_page(window: MainWindow) -> ComparePage:
    window.pages.show_page("compare")
    return window.pages.compare


@pytest.fixture
def drive_file(tmp_path: Path) -> Path:
    """Four minutes: cold idle, then driving; trims far too lean at idle; a marker at 0:30."""
    t_ns = (np.arange(0, 240 * 10) * 1e8).astype(np.int64)
    t_s = t_ns / 1e9
    idle = t_s % 80 < 50
    values = {
        ("RPM", "rpm"): np.where(idle, 800.0, 2200 + 300 * np.sin(t_s)),
        ("VSS", "km/h"): np.where(idle, 0.0, 60.0),
        ("ECT", "degC"): np.full_like(t_s, 90.0),
        ("MAF", "g/s"): np.where(idle, 3.0, 14.0),
        ("LOAD_PCT", "%"): np.where(idle, 20.0, 45.0),
        ("SHRTFT1", "%"): np.where(idle, 8.0, 1.0) + np.sin(3 * t_s),
        ("LONGFT1", "%"): np.where(idle, 16.0, 2.0),
        ("FUELSYS1", ""): np.full_like(t_s, 2.0),
    }
    traces = [Trace(s, "7E8", unit, t_ns, v) for (s, unit), v in values.items()]
    facts = Facts(
        vehicle=Car(label="invented car", displacement_l=2.0, cylinders=4),
        signals={s: SignalFacts(unit=unit) for s, unit in values},
        events=[Event(t_ns=30_000_000_000, kind="marker", text="rattle")],
    )
    return write_recording(tmp_path / "drive.parquet", traces, facts)
