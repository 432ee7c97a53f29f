"""Recording for days without anybody there: one file a key cycle, and the car may sleep.

While the car is off nothing is sent to it, and the adapter rests in its low-power state. It is
woken for a look at its own voltmeter from time to time; only a voltage that has risen (or, where
there is no voltmeter, one look a minute) leads to a request, and a car that does not answer it is
not asked again for a minute.
"""

from __future__ import annotations

import dataclasses
import logging
import threading
import time
from pathlib import Path

from logbench.capture.messages import (
    CaptureRequest,
    Choose,
    Command,
    Failed,
    Finished,
    NotChosen,
    Status,
    Step,
    Stop,
    Unattended,
)
from logbench.capture.notifier import heartbeat
from logbench.capture.outbox import Outbox
from logbench.capture.session import Session
from logbench.capture.sources.model import EndOfSourceError, Opened, Source
from logbench.car.peer import PeerProfile
from logbench.errors import CAR_SILENT, CarSilentError, LinkError, RecordingError, WorkerDiedError
from logbench.recording.exchanges import Said
from logbench.recording.reader import open_recording
from logbench.vehicle.model import Progress, Reading

log = logging.getLogger(__name__)

_TICK_S = 0.25
_RISE_V = 0.5
"""A rise over the voltage at rest that says 'charging' where it charges gently. Common practice."""
_LOW_TIMES = 3
"""So many low readings in a row count as a low battery: one may be a starter's dip."""
_LAST = "~"
"""Is sorted behind every date."""


class LowBatteryError(EndOfSourceError):
    """The battery must be spared: the recording ends, and then the run. `str`: volts in words."""


class _Car:
    """The car between recordings and while it is silent: looked at, not spoken to."""

    def __init__(self, source: Source, plan: Unattended) -> None:
        self.source = source
        self._plan = plan
        self._first = True
        """The engine may run already, with a voltage that does not show it."""
        self._next_look = 0.0
        self._next_volt = 0.0
        self._low = 0
        self._volts = 0.0
        self._rest_v = float("inf")

    def may_ask(self) -> bool:
        """Whether it is time to ask the car something; if not, the adapter is at rest.

        Raises `LowBatteryError`, with the adapter at rest.
        """
        now = time.monotonic()
        if now < self._next_volt:
            return False
        may = (self._looks_awake() or self._first) and now >= self._next_look
        self._first = False
        if may:
            self._next_look = now + self._plan.look_every_s
        else:
            self.lie_down()
        if self._low >= _LOW_TIMES:
            self.source.sleep()
            raise LowBatteryError(f"{self._volts:.1f} V")
        return may

    def _looks_awake(self) -> bool:
        """By its voltage; always, where nobody can say."""
        volts = self.source.voltage()
        if volts is None:
            return True
        self._volts = volts
        self._low = self._low + 1 if volts < self._plan.stop_below_v else 0
        self._rest_v = min(self._rest_v, volts)
        awake = volts >= min(self._plan.running_v, self._rest_v + _RISE_V)
        if not awake:
            self._next_look = 0.0  # once it rises, it is asked at once
        return awake

    def lie_down(self) -> None:
        """Leave car and adapter in peace until the next look is due."""
        self.source.sleep()
        self._next_volt = time.monotonic() + min(self._plan.volt_every_s, self._plan.look_every_s)

    def stands_by(self) -> None:
        """It answers with the engine standing (a hybrid): asked at each look, while fed."""
        if self._volts >= self._plan.running_v:
            self._next_look = 0.0

    def was_heard(self) -> None:
        """Forget what its voltage was at rest."""
        self._rest_v = float("inf")


_KEEPS = "An unattended run keeps its signals: end it, choose others, and start it again."


class _Cycle(Source):
    """The source of one recording: ends some time after the car has fallen silent.

    It is the run that cancels and closes: the next key cycle needs the same link.
    """

    def __init__(self, car: _Car, plan: Unattended, opened: Opened) -> None:
        self._car = car
        self._plan = plan
        self._opened = opened
        self._silent_since: float | None = None
        self._off = False
        """Silent because the car is, not because the link is lost."""
        self._started = False

    def open(self, progress: Progress) -> Opened:
        """The first time the car is open already; later it is asked only when it seems awake."""
        if not self._started:
            self._started = True
            return self._opened
        if self._silent_since is not None:
            if time.monotonic() - self._silent_since >= self._plan.off_after_s:
                raise EndOfSourceError
            if self._off and not self._car.may_ask():
                raise CarSilentError("The car is off.")
        try:
            opened = self._car.source.open(progress)
        except CAR_SILENT:
            self._falls_asleep()
            raise
        self._silent_since, self._off = None, False
        return opened

    def _falls_asleep(self) -> None:
        self._off = True
        self._car.lie_down()

    def choose(self, signals: tuple[str, ...], rates_hz: dict[str, float]) -> Opened:
        """The car's; not commanded in an unattended run."""
        return self._car.source.choose(signals, rates_hz)

    def read(self) -> list[Reading]:
        """The car's samples."""
        try:
            return self._car.source.read()
        except LinkError as error:
            self._silent_since = time.monotonic()
            if isinstance(error, CAR_SILENT):
                self._falls_asleep()
            raise

    def exchanges(self) -> list[Said]:
        """The car's."""
        return self._car.source.exchanges()

    def learned(self) -> Opened | None:
        """Of the car."""
        return self._car.source.learned()

    def profile(self) -> PeerProfile | None:
        """The car's."""
        return self._car.source.profile()

    def now_ns(self) -> int:
        """The car's clock."""
        return self._car.source.now_ns()


class UnattendedRun:
    """Waits for the engine, records the key cycle, keeps to the budget; again until stopped.

    `limit_s` of the request holds for each recording.
    """

    def __init__(self, request: CaptureRequest, source: Source, watcher: Outbox) -> None:
        assert request.unattended is not None
        assert request.out is not None
        self._request = _with_rpm(request)
        self._plan = request.unattended
        self._folder = request.out.parent
        self._source = source
        self._car = _Car(source, self._plan)
        self._watcher = watcher
        self._stop = threading.Event()
        self._session: Session | None = None
        self._fault: WorkerDiedError | None = None
        self._said = ""
        self._samples = 0
        self._elapsed_s = 0.0
        self._files = 0
        self._last: Path | None = None

    def command(self, command: Command) -> None:
        """Take a command; may be called from any thread."""
        if isinstance(command, Stop):
            self._stop.set()
            self._source.cancel()
        if isinstance(command, Choose):
            self._watcher.message(NotChosen(_KEEPS))
        elif self._session is not None:
            self._session.command(command)

    def fail(self, worker: str, error: BaseException) -> None:
        """As `Session.fail`."""
        self._fault = self._fault or WorkerDiedError.of(worker, error)
        self._stop.set()
        self._source.cancel()
        if self._session is not None:
            self._session.fail(worker, error)

    def run(self) -> Finished | Failed:
        """Record key cycles; returns the end, with the last recording's name."""
        ending: Finished | Failed = Finished(None, 0, 0.0)
        try:
            while not self._stop.is_set():
                self._one_cycle()
        except LowBatteryError as low:
            self._say(f"The battery is down to {low}: recording has ended so as to spare it.")
        except EndOfSourceError:
            self._say("The source has come to its end")
        except Exception:
            log.exception("unattended recording stopped")
            sentence = "Recording stopped because of a fault in the program; see the log."
            ending = Failed(sentence, path=self._last)
        finally:
            self._source.close()
        if self._fault is not None:
            ending = Failed(str(self._fault), "WorkerDiedError", self._last)
        elif isinstance(ending, Finished):
            ending = Finished(self._last, self._samples, self._elapsed_s, max(0, self._files - 1))
        return ending

    def _one_cycle(self) -> None:
        self._say("Waiting for the engine to run")
        waiting = Status(0.0, 0, 0.0, 0, link="waiting")
        self._watcher.message(waiting)
        with heartbeat(self._watcher, waiting):
            opened = self._wait_for_engine()
        if opened is None or not self._room():
            return
        cycle = _Cycle(self._car, self._plan, opened)
        session = Session(self._named(), cycle, self._watcher)
        self._session = session
        if self._stop.is_set():
            session.command(Stop())
        ending = session.run()
        self._session = None
        if not self._request.vehicle.identified.key:  # what was stated is of the car met first
            self._request = dataclasses.replace(self._request, vehicle=session.facts.vehicle)
        self._car.was_heard()
        if isinstance(ending, Finished):
            self._elapsed_s += ending.elapsed_s
            self._watcher.message(Step(f"Recorded {ending.elapsed_s:.0f} s: {ending.path}"))
        else:
            self._watcher.message(Step(ending.sentence))
        if ending.path is not None:
            self._samples += ending.samples
            self._files += 1 + (ending.others if isinstance(ending, Finished) else 0)
        self._last = ending.path or self._last
        keep_to_budget(self._folder, self._plan.budget_bytes)
        if isinstance(ending, Failed):
            self._stop.wait(self._plan.look_every_s)

    def _named(self) -> CaptureRequest:
        """The request with this key cycle's file name: the local time behind the given one."""
        assert self._request.out is not None
        stamp = time.strftime("%Y%m%d-%H%M%S")
        out = self._request.out.with_stem(f"{self._request.out.stem}-{stamp}")
        return dataclasses.replace(self._request, out=out)

    def _wait_for_engine(self) -> Opened | None:
        """Until a reading says that the engine turns; None when stopped."""
        while not self._stop.is_set():
            if not self._car.may_ask():
                self._stop.wait(_TICK_S)
                continue
            try:
                opened = self._source.open(self._say)
                if self._engine_turns():
                    return opened
                self._car.stands_by()
            except LinkError as error:
                self._say(str(error))
            if not self._stop.is_set():
                self._car.lie_down()
        return None

    def _engine_turns(self) -> bool:
        """Whether an engine speed above 0 comes within a few requests."""
        until = time.monotonic() + 1.0
        while time.monotonic() < until and not self._stop.is_set():
            if any(r.signal == "RPM" and r.value > 0 for r in self._source.read()):
                return True
        return False

    def _room(self) -> bool:
        """Whether the budget allows one more; says so and waits when it does not."""
        if keep_to_budget(self._folder, self._plan.budget_bytes):
            return True
        self._say(
            "The disk budget is used up by marked recordings: move some away or raise the budget."
        )
        self._stop.wait(self._plan.look_every_s)
        return False

    def _say(self, text: str) -> None:
        """The same sentence is not repeated for days."""
        if text != self._said:
            self._said = text
            self._watcher.message(Step(text))


def keep_to_budget(folder: Path, budget_bytes: int) -> bool:
    """Remove the oldest unmarked recordings made unattended in `folder` until they fit.

    Others are never touched. False when what must stay is more than the budget.
    """
    mine: list[tuple[str, float, Path, bool, int]] = []
    for path in folder.glob("*.parquet"):
        try:
            facts = open_recording(path).facts
        except RecordingError as error:
            log.warning("%s", error)
            continue
        if facts.extra.get("unattended"):
            marked = any(event.kind == "marker" for event in facts.events)
            state = path.stat()
            began = facts.started_utc or _LAST  # without a date it may be the newest
            mine.append((began, state.st_mtime, path, marked, state.st_size))
    used = sum(size for *_, size in mine)
    for _, _, path, marked, size in sorted(mine):
        if used <= budget_bytes:
            break
        if not marked:
            log.info("removed to keep to the budget: %s", path)
            path.unlink()
            used -= size
    return used <= budget_bytes


def _with_rpm(request: CaptureRequest) -> CaptureRequest:
    """RPM says whether the engine runs: it is always asked for."""
    if not request.signals or "RPM" in request.signals:
        return request
    return dataclasses.replace(request, signals=("RPM", *request.signals))
