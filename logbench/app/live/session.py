"""A recording seen from the window: polls the capture process and keeps what it sends."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from pathlib import Path
from typing import TYPE_CHECKING, Literal

from PySide6.QtCore import QObject, QTimer, Signal

from logbench.analysis.expression.evaluate import computed_signals
from logbench.capture.messages import (
    Batch,
    BrokeOff,
    CaptureRequest,
    CarChanged,
    CarFound,
    Choose,
    Describe,
    Failed,
    Finished,
    Mark,
    Message,
    NotChosen,
    NotStarted,
    Start,
    Started,
    Status,
    Step,
    Trouble,
)
from logbench.car.known import KnownCars
from logbench.car.model import Car
from logbench.errors import LogbenchError
from logbench.plot.live_traces import LiveTraces
from logbench.plot.trace import Key, LiveTrace
from logbench.recording.model import Event, Facts, Trace
from logbench.signals.catalog import COMPUTED
from logbench.signals.values import Clock
from logbench.system.threads import Supervised

if TYPE_CHECKING:
    from logbench.capture.process import Capture
    from logbench.recording.reader import Recording

POLL_MS = 40
State = Literal["idle", "connecting", "watching", "recording", "finishing"]


CaptureFactory = Callable[[CaptureRequest], "Capture"]


def _real_capture(request: CaptureRequest) -> Capture:
    """The capture process; imported when the first recording starts."""
    from logbench.capture.process import Capture

    return Capture(request)


class LiveSession(QObject):
    """One recording after another; at most one at a time."""

    state_changed = Signal(str)
    stepped = Signal(str)
    troubled = Signal(str)
    """A step that should be seen at once."""
    car_found = Signal(object)
    trace_found = Signal(object)
    begun = Signal(object)
    """The recording of what was watched was begun; times count from its start now."""
    not_begun = Signal(str)
    not_chosen = Signal(str)
    began_anew = Signal()
    """Recording unattended, or on another car: another file begins, with a clock of its own."""
    broke_off = Signal(object)
    """The capture of an unattended run ended, and is started again: a `BrokeOff`."""
    car_changed = Signal(object)
    """Another car answers than before: a `CarChanged`, after `began_anew`."""
    grew = Signal()
    """Samples came in; at most 25 times a second."""
    status = Signal(object)
    happened = Signal(object)
    finished = Signal(object)
    failed = Signal(object)

    def __init__(self, factory: CaptureFactory | None, parent: QObject) -> None:
        super().__init__(parent)
        self._factory = factory or _real_capture
        self._capture: Capture | None = None
        self.state: State = "idle"
        self._traces = LiveTraces()
        self.vehicle = Car()
        """What is known of the car, for signals that are computed."""
        self.records = False
        """There is a file, or there will be one as soon as the car answers."""
        self.wanted_hz: Mapping[str, float] = {}
        """Wanted rates by acronym, as far as they were chosen by hand."""
        self.asked: tuple[str, ...] = ()
        """Signals that the car found last is asked for."""
        self._rates_to_come: Mapping[str, float] = {}
        """Those last asked for."""
        self.unattended = False
        """The run waits for the engine, and records it again and again."""
        self._resumed = False
        self._recording_id = ""
        self._timer = QTimer(self, interval=POLL_MS)
        self._timer.timeout.connect(self.poll)

    @property
    def traces(self) -> Mapping[Key, LiveTrace]:
        """All traces of the drive so far."""
        return self._traces.by_key

    @property
    def now_ns(self) -> int:
        """Time of the newest sample on the recording's clock."""
        return self._traces.now_ns

    @property
    def clock(self) -> Clock:
        """Now on the recording's clock, also while nothing comes: for ages."""
        return self._traces.clock

    def so_far(self) -> Recording | None:
        """The samples so far as a recording; None where there are none."""
        from logbench.recording.reader import Recording  # it brings pyarrow

        measured = [trace for trace in self.traces.values() if trace.ecu != COMPUTED]
        traces = [Trace(*t.key, t.unit, *t.pyramid.from_sample(0)) for t in measured]
        return Recording.of(traces, Facts(vehicle=self.vehicle)) if traces else None

    def forget_computed(self) -> list[LiveTrace]:
        """Signals have another definition: they are computed anew, from the start. Returns those
        that are gone."""
        gone = [trace for trace in self.traces.values() if trace.ecu == COMPUTED]
        self._traces.forget(gone)
        if self._traces.by_key:
            QTimer.singleShot(0, lambda: self._found(self._traces.add_computed(self.vehicle)))
        return gone

    @property
    def active(self) -> bool:
        """A recording is being started, made or finished."""
        return self.state != "idle"

    def start(self, request: CaptureRequest) -> None:
        """Begin a new recording, or go on with one: then what it showed so far stays."""
        if self.active:
            return
        if request.resume is None:
            self._traces.clear()
        Supervised("formulas", computed_signals).start()  # brings pint, half a second
        self.unattended = request.unattended is not None
        self._resumed = request.resume is not None
        self.records = request.hold_s is None
        self.wanted_hz = self._rates_to_come = request.rates_hz
        self._set_state("connecting")
        try:
            self._capture = self._factory(request)
            self._capture.start()
        except LogbenchError as error:
            self._end(Failed(str(error), type(error).__name__))
            return
        self._timer.start()

    def mark(self, text: str = "", t_ns: int | None = None) -> None:
        """Put a marker at this instant or at `t_ns`, while recording or watching."""
        if self._capture is not None and self.state in ("watching", "recording"):
            self._capture.command(Mark(text, t_ns))

    def begin(self, out: Path, include: bool) -> None:
        """Record what is only watched so far, `include`: with what was kept."""
        if self._capture is not None and self.state in ("connecting", "watching"):
            self._capture.command(Start(out, include))

    def choose(self, signals: tuple[str, ...], rates_hz: dict[str, float]) -> None:
        """Ask for other signals from now on: `car_found` or `not_chosen` follows."""
        if self._capture is not None and self.state in ("watching", "recording"):
            self._rates_to_come = rates_hz
            self._capture.command(Choose(signals, rates_hz))

    def describe(self, vehicle: Car, known: KnownCars) -> None:
        """Put these facts of the car into the recording, or into the one begun later."""
        if self._capture is not None:
            self._capture.command(Describe(vehicle, known))

    def stop(self) -> None:
        """Finish the recording or the watching; `finished` or `failed` follows."""
        if self._capture is not None and self.state in ("connecting", "watching", "recording"):
            if self.state == "connecting" and not self._resumed:
                self.records = False  # there is nothing yet that could be saved
            self._set_state("finishing")
            self._capture.stop()

    def close(self) -> None:
        """Let go of the capture process; it finishes the file by itself."""
        self._timer.stop()
        if self._capture is not None:
            self._capture.close()
            self._capture = None

    def poll(self) -> None:
        """Take in what the capture process has sent."""
        if self._capture is None:
            return
        grown = False
        for message in self._capture.poll():
            if isinstance(message, Batch):
                self._found(self._traces.take(message))
                grown = True
            else:
                self._tell(message)
            if not self.active:
                break
        if grown:
            self._found(self._traces.add_computed(self.vehicle))
            self.grew.emit()

    def _tell(self, message: Message) -> None:
        match message:
            case Step(text):
                self.stepped.emit(text)
                if isinstance(message, Trouble):
                    self.troubled.emit(text)
            case CarFound():
                if self.unattended and message.recording_id != self._recording_id:
                    self._traces.clear()
                    self.began_anew.emit()
                self._recording_id = message.recording_id
                self.wanted_hz, self.asked = self._rates_to_come, message.signals
                if self.state == "connecting":
                    self._set_state("recording" if self.records else "watching")
                self.car_found.emit(message)
            case CarChanged():
                self._traces.clear()
                self.began_anew.emit()
                self.car_changed.emit(message)
            case BrokeOff():
                self._traces.comes = False
                self.broke_off.emit(message)
            case Status():
                self._traces.told_ns = round(message.elapsed_s * 1e9)
                self._traces.comes = message.link == "connected"
                self.status.emit(message)
            case Event():
                self.happened.emit(message)
            case Started():
                self._rebase(message)
            case NotStarted(sentence):
                self.not_begun.emit(sentence)
            case NotChosen(sentence):
                self.not_chosen.emit(sentence)
            case Finished() | Failed():
                self._end(message)
            case Batch():  # taken in by `poll`
                pass

    def _rebase(self, begun: Started) -> None:
        """Everything counts from the recording's start."""
        self.records = True
        self._traces.rebase(begun.since_ns)
        self.begun.emit(begun)
        if self.state == "watching":
            self._set_state("recording")

    def _end(self, message: Finished | Failed) -> None:
        self.close()
        self._traces.comes = False
        self._set_state("idle")
        if isinstance(message, Failed):
            self.failed.emit(message)
        else:
            self.finished.emit(message)

    def _found(self, new: list[LiveTrace]) -> None:
        for trace in new:
            self.trace_found.emit(trace)

    def _set_state(self, state: State) -> None:
        self.state = state
        self.state_changed.emit(state)
