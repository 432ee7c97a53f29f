"""The capture process: a drive is recorded in a process of its own, which outlives its watcher."""

from __future__ import annotations

import atexit
import contextlib
import glob
import logging
import multiprocessing
import multiprocessing.connection
import signal
import threading
import time
from collections.abc import Callable, Iterator
from multiprocessing.connection import Connection
from multiprocessing.context import SpawnProcess
from pathlib import Path
from types import FrameType
from typing import Self

from logbench.capture.messages import (
    BrokeOff,
    CaptureRequest,
    CarFound,
    Command,
    Failed,
    Finished,
    Message,
    Start,
    Status,
    Step,
    Stop,
)
from logbench.capture.outbox import Outbox
from logbench.capture.recovering import Recovery
from logbench.capture.session import Session
from logbench.capture.sources.car import PolledSource, SimulatedSource
from logbench.capture.sources.model import Source
from logbench.capture.unattended import UnattendedRun
from logbench.errors import LogbenchError, error_named
from logbench.recording.journal_reading import SUFFIX
from logbench.recording.places import journal_folders
from logbench.signals.table import table
from logbench.system.log import start_logging
from logbench.system.platforms import as_typed, ending_signals
from logbench.system.threads import Supervised
from logbench.vehicle.links.schemes import leads_to

log = logging.getLogger(__name__)

MUTE_S = 5.0
"""Without a sign of life for so long, the watcher is notified."""
AGAIN_S = (1.0, 5.0, 15.0, 60.0, 300.0)
"""Waits before the process of an unattended run is started again; the last repeats."""
LIVED_S = 600.0
"""A process that has lived for so long has got over what the last one died of."""
_FAULTS = ("LogbenchError", "WorkerDiedError")
"""`Failed.error` where the program is at fault: errors of the world have other names."""
_TOGETHER_S = 2.0
"""Journals of one recording that were last written within so long were written together."""
SourceMaker = Callable[[CaptureRequest], Source]
"""Makes the source inside the capture process; must be picklable."""


def make_source(request: CaptureRequest) -> Source:
    """The source for the request's link URL, not open yet.

    Raises `LinkUnknownError` for a URL that is not understood, here or when it is opened, and
    `SignalUnknownError` for a signal that no car has.
    """
    kind = leads_to(request.link_url)
    if kind != "recording":  # a recording may hold others
        for acronym in request.signals:
            table().by_acronym(acronym)
    if kind == "simulated car":
        return SimulatedSource(request)
    if kind == "recording":
        from logbench.capture.sources.replay import ReplaySource  # only where it is wanted

        return ReplaySource(request)
    return PolledSource(request, request.link_url)


class Capture:
    """A drive being recorded, seen from the window or the command line.

    Owns the process. `poll()` never blocks; after it has given a `Finished` or a `Failed` nothing
    more comes. If this process dies, the recording is finished all the same. If the process of an
    unattended run dies, or stops for a fault of its own, it is started again: `BrokeOff`.
    """

    def __init__(self, request: CaptureRequest, make: SourceMaker = make_source) -> None:
        self.request = request
        self.ended = False
        """True once `Finished` or `Failed` was given."""
        self._make = make
        self._out = request.out
        self._process: SpawnProcess | None = None
        self._pipe: Connection | None = None
        self._last_sign = 0.0
        self._reported_mute = False
        self._started_s = 0.0
        self._stopped = False
        self._broke_off = 0
        """Times in a row."""
        self._again: tuple[float, Failed] | None = None
        """When to start again, and after what."""

    def start(self) -> None:
        """Start the process; what it has to say comes through `poll()`."""
        self._launch()
        atexit.register(self.close)

    def _launch(self) -> None:
        context = multiprocessing.get_context("spawn")
        ours, childs = context.Pipe()
        process = context.Process(
            target=_main, args=(self.request, self._make, childs), name="capture"
        )
        try:
            # the child is born ignoring Ctrl-C, which the terminal sends to both
            with signals_handled(signal.SIG_IGN, signal.SIGINT):
                process.start()
        except BaseException:
            ours.close()
            raise
        finally:
            childs.close()
        self._pipe, self._process = ours, process
        self._last_sign = self._started_s = time.monotonic()

    def wait(self, timeout_s: float) -> None:
        """Return when there is something to poll, at the latest after `timeout_s`."""
        if self._again is not None:
            time.sleep(min(timeout_s, max(0.0, self._again[0] - time.monotonic())))
        if self._pipe is None or self.ended:
            return
        multiprocessing.connection.wait([self._pipe], timeout_s)

    def poll(self) -> list[Message]:
        """Everything that has come since the last call; never blocks."""
        if self._again is not None:
            return self._try_again(*self._again)
        messages: list[Message] = []
        if self._pipe is None or self.ended:
            return messages
        try:
            while not self.ended and self._pipe.poll():
                message: Message = self._pipe.recv()
                messages.append(message)
                self.ended = isinstance(message, Finished | Failed)
        except Exception as error:  # it has ended, or what it sent was garbled as it died
            log.debug("nothing more comes from the capture process: %r", error)
            self.ended = True
            messages.append(self._died())
        if messages:
            self._last_sign, self._reported_mute = time.monotonic(), False
        elif not self._reported_mute and time.monotonic() - self._last_sign > MUTE_S:
            self._reported_mute = True
            messages.append(Step("The capture process has not answered for a while; waiting"))
        if messages and isinstance(messages[-1], Failed) and self._lasts(messages[-1]):
            messages[-1] = self._break_off(messages[-1])
        return messages

    def _lasts(self, failed: Failed) -> bool:
        """An unattended run goes on after what nobody on the spot could put right."""
        unattended = self.request.unattended is not None and not self._stopped
        return unattended and failed.error in _FAULTS

    def _break_off(self, failed: Failed) -> BrokeOff:
        lived_s = time.monotonic() - self._started_s
        self._broke_off = 1 if lived_s > LIVED_S else self._broke_off + 1
        wait_s = AGAIN_S[min(self._broke_off, len(AGAIN_S)) - 1]
        self._let_go()
        self.ended, self._again = False, (time.monotonic() + wait_s, failed)
        times = f", for the {self._broke_off}th time" if self._broke_off > 3 else ""
        again = f"It is started again in {wait_s:.0f} s{times}."
        return BrokeOff(f"{failed.sentence} {again}", failed.path)

    def _try_again(self, due_s: float, failed: Failed) -> list[Message]:
        if self._stopped:
            self.ended, self._again = True, None
            return [failed]
        if time.monotonic() < due_s:
            return []
        self._again = None
        try:
            self._launch()
        except OSError as error:
            text = f"The capture process cannot be started ({error.strerror})."
            return [self._break_off(Failed(text, path=failed.path))]
        return [Step("The capture process was started again")]

    @property
    def pid(self) -> int:
        """Of the capture process; 0 where there is none."""
        return (self._process.pid if self._process is not None else None) or 0

    def command(self, command: Command) -> None:
        """Send a command; the answer comes through `poll()`. After the end nothing happens."""
        self._stopped = self._stopped or isinstance(command, Stop)
        if self._pipe is None or self.ended:
            return
        if isinstance(command, Start):
            self._out = command.out
        try:
            self._pipe.send(command)
        except OSError:
            log.debug("command %s came too late", command)  # poll() says why

    def stop(self) -> None:
        """Ask for the recording to be finished; `Finished` comes through `poll()`."""
        self.command(Stop())

    def close(self, timeout_s: float = 30.0) -> None:
        """Stop, wait for the process to end and let go of it; may be called more than once.

        A process that does not end in time is killed; its journal stays and is recovered.
        """
        atexit.unregister(self.close)
        if self._process is None:
            return
        self.stop()
        self._drain(time.monotonic() + timeout_s)
        if self._process.is_alive():
            log.warning("the capture process did not end and is killed")
            self._process.kill()
        self._let_go()

    def _let_go(self) -> None:
        """Of a process that has ended, or will at once."""
        if self._process is not None:
            self._process.join()
            self._process.close()
        if self._pipe is not None:
            self._pipe.close()
        self._process = self._pipe = None

    def __enter__(self) -> Self:
        self.start()
        return self

    def __exit__(self, *_: object) -> None:
        self.close()

    def _drain(self, deadline: float) -> None:
        """Read on, so that the other side can send and end."""
        assert self._process is not None
        while time.monotonic() < deadline and not self.ended:
            self.wait(0.2)
            self.poll()
        self._process.join(max(0.1, deadline - time.monotonic()))

    def _died(self) -> Failed:
        assert self._process is not None
        self._process.join(5.0)
        sentence = f"The capture process ended unexpectedly (exit code {self._process.exitcode})"
        journal = self.journal()
        if journal is None:
            return Failed(f"{sentence}: start again.")
        return Failed(f"{sentence}: what was recorded is safe in {journal}.", path=journal)

    def journal(self) -> Path | None:
        """The newest journal left behind by this request, or None; of a mirror, the first's."""
        if self.request.resume is not None:
            return self.request.resume if self.request.resume.exists() else None
        out = self._out
        if out is None:
            return None
        name = f"{glob.escape(out.stem)}*{glob.escape(out.suffix)}{SUFFIX}"
        folders = journal_folders(out.parent, self.request.second)
        written_s = {p: p.stat().st_mtime for folder in folders for p in folder.glob(name)}
        newest_s = max(written_s.values(), default=0.0)
        return next((p for p, at_s in written_s.items() if at_s > newest_s - _TOGETHER_S), None)


@contextlib.contextmanager
def signals_handled(
    handler: Callable[[int, FrameType | None], object] | signal.Handlers, *numbers: signal.Signals
) -> Iterator[None]:
    """Meanwhile these signals go to `handler`; on another than the main thread nothing changes."""
    if threading.current_thread() is not threading.main_thread():
        yield
        return
    before = {number: signal.signal(number, handler) for number in numbers}
    try:
        yield
    finally:
        for number, earlier in before.items():
            signal.signal(number, earlier)


# --- in the capture process ---


def _main(request: CaptureRequest, make: SourceMaker, pipe: Connection) -> None:
    signal.signal(signal.SIGINT, signal.SIG_IGN)
    start_logging("capture")
    try:
        source = make(request)
    except LogbenchError as error:
        with contextlib.suppress(OSError):  # nobody waits for it any more
            pipe.send(Failed(str(error), type(error).__name__))
        return
    session: Session | UnattendedRun
    outbox = Outbox(pipe.send, lambda error: session.fail("outbox", error))
    if request.unattended is not None:
        session = UnattendedRun(request, source, outbox)
    else:
        session = Session(request, source, outbox)

    def stop(_number: int, _frame: FrameType | None) -> None:
        session.command(Stop())

    for number in ending_signals():
        signal.signal(number, stop)
    Supervised(
        "commands",
        lambda: _listen(session, pipe),
        on_death=lambda error: session.fail("commands", error),
    ).start()
    outbox.message(session.run())
    outbox.close()


def _listen(session: Session | UnattendedRun, commands: Connection) -> None:
    """Hand on commands; when the watcher is gone, finish the recording."""
    try:
        while True:
            session.command(commands.recv())
    except (EOFError, OSError):
        session.command(Stop())


def run_headless(
    request: CaptureRequest,
    on_message: Callable[[Message], None],
    make: SourceMaker = make_source,
) -> Finished:
    """Record until the request's limit, Ctrl-C or SIGTERM; the file is complete when it returns.

    Once samples come, or the engine is waited for, orphaned journals in the output's folder are
    recovered beside it. Every message, the last one included, goes to `on_message` on the caller's
    thread. Raises the `LogbenchError` that ended it.
    """
    recovery = None if request.out is None else Recovery(request.out.parent, request.second)
    try:
        return _recorded(request, on_message, make, recovery)
    finally:
        for sentence in recovery.end() if recovery is not None else ():
            on_message(Step(sentence))


def _recorded(
    request: CaptureRequest,
    on_message: Callable[[Message], None],
    make: SourceMaker,
    recovery: Recovery | None,
) -> Finished:
    stopped = threading.Event()
    with (
        signals_handled(lambda *_: stopped.set(), signal.SIGINT, signal.SIGTERM),
        Capture(request, make) as capture,
    ):
        asked, due = False, True
        while True:
            if stopped.is_set() and not asked:
                asked = True
                capture.stop()
            capture.wait(0.1)
            for message in capture.poll():
                on_message(message)
                if isinstance(message, Finished):
                    return message
                if isinstance(message, Failed):
                    sentence = f"{message.sentence}{_go_on(request, message.path)}"
                    raise error_named(message.error, sentence)
                due = due or isinstance(message, BrokeOff)
                if recovery is not None and due and _under_way(message):
                    due = False
                    recovery.begin()
            for sentence in recovery.said() if recovery is not None else ():
                on_message(Step(sentence))


def _go_on(request: CaptureRequest, path: Path | None) -> str:
    """How to go on after a failure, where a journal is left of one recording."""
    if path is None or not path.name.endswith(SUFFIX) or request.unattended is not None:
        return ""
    command = ["logbench", "record", "--go-on", str(path)]
    return f" Go on in the same recording with: {as_typed(command)}"


def _under_way(message: Message) -> bool:
    """It records, or waits for the engine to run."""
    waits = isinstance(message, Status) and message.link == "waiting"
    return waits or isinstance(message, CarFound)
