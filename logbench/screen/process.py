"""The process that serves the second screen, seen from the window: neither waits for the other."""

from __future__ import annotations

import asyncio
import contextlib
import logging
import multiprocessing
import queue
import secrets
import signal
from multiprocessing.connection import Connection
from typing import TYPE_CHECKING

from logbench.screen.messages import End, NotServed, Plan, Sent, Told
from logbench.system.log import start_logging
from logbench.system.threads import Supervised
from logbench.words import tr

if TYPE_CHECKING:
    from multiprocessing.context import SpawnProcess

log = logging.getLogger(__name__)

_MOST_WAITING = 64
"""Messages on their way to the process: more only where it hangs."""
_LAST_WORDS_S = 5.0


def new_token() -> str:
    """One that nobody guesses: 192 bits."""
    return secrets.token_urlsafe(24)


class ScreenProcess:
    """Started once, closed once. `post` and `poll` never block; `NotServed` is the last told."""

    def __init__(self, plan: Plan) -> None:
        self._plan = plan
        self._waiting: queue.Queue[Sent] = queue.Queue(_MOST_WAITING)
        self._process: SpawnProcess | None = None
        self._pipe: Connection | None = None
        self._feeding = Supervised("second screen", self._feed)
        self._ending = Supervised("end of second screen", self._let_go)
        self._closing = False

    def start(self) -> None:
        """Start the process; `Ready` or `NotServed` follows. Raises `OSError`."""
        context = multiprocessing.get_context("spawn")
        self._pipe, childs = context.Pipe()
        self._process = context.Process(
            target=_main, args=(self._plan, childs), name="second screen", daemon=True
        )
        try:
            self._process.start()
        finally:
            childs.close()
        self._feeding.start()

    def post(self, message: Sent) -> None:
        """Something for the screens; dropped where the process does not take it."""
        try:
            self._waiting.put_nowait(message)
        except queue.Full:
            log.warning("the second screen takes nothing; it is closed")
            if self._process is not None:
                self._process.kill()

    def poll(self) -> list[Told]:
        """What has come since the last call."""
        told: list[Told] = []
        if self._closing or self._pipe is None:
            return told
        try:
            while self._pipe.poll():
                told.append(self._pipe.recv())
        except (EOFError, OSError):
            if not _said_why(told):
                ended = tr("The second screen has ended unexpectedly; open it again.")
                told.append(NotServed(ended))
        if _said_why(told):
            self.close()
        return told

    @property
    def pid(self) -> int:
        """Of the process; 0 where there is none."""
        return (self._process.pid if self._process is not None else None) or 0

    def close(self) -> None:
        """Tell the screens that it is over, and let go. More than once does no harm."""
        if self._closing:
            return
        self._closing = True
        self.post(End())
        self._ending.start()

    def wait(self, timeout_s: float) -> bool:
        """After `close`: whether the process has ended in time."""
        return self._ending.join(timeout_s)

    def _feed(self) -> None:
        """On a thread of its own: a pipe that is full makes its writer wait."""
        while True:
            message = self._waiting.get()
            try:
                if self._pipe is not None:
                    self._pipe.send(message)
            except OSError:
                return  # poll() says so
            if isinstance(message, End):
                return

    def _let_go(self) -> None:
        """Away from the window, which waits for nothing."""
        if self._process is not None and self._process.pid is not None:
            self._process.join(_LAST_WORDS_S)
            if self._process.is_alive():
                self._process.kill()
                self._process.join()
        if self._pipe is not None:
            self._pipe.close()


def _said_why(told: list[Told]) -> bool:
    """Whether the process has said why it does not serve."""
    return any(isinstance(one, NotServed) for one in told)


def _main(plan: Plan, pipe: Connection) -> None:
    """Entry of the process."""
    signal.signal(signal.SIGINT, signal.SIG_IGN)  # the window ends it
    start_logging("screen")
    try:
        asyncio.run(_serve(plan, pipe))
    except ImportError:
        lacks = tr("The second screen needs the Python package websockets; install logbench anew.")
        pipe.send(NotServed(lacks))
    except OSError as error:
        why = error.strerror or str(error)
        cannot = tr("The page cannot be served at {host} ({why}).", host=plan.host, why=why)
        pipe.send(NotServed(cannot))


async def _serve(plan: Plan, pipe: Connection) -> None:
    from logbench.screen.server import ScreenServer  # only in this process

    loop = asyncio.get_running_loop()

    def tell(told: Told) -> None:
        with contextlib.suppress(OSError):  # the window is gone: so are we, in a moment
            pipe.send(told)

    server = ScreenServer(plan, tell)

    def read() -> None:
        while True:
            try:
                message: Sent = pipe.recv()
            except (EOFError, OSError):
                message = End()  # the window is gone
            loop.call_soon_threadsafe(server.take, message)
            if isinstance(message, End):
                return

    Supervised("window", read).start()
    await server.run()
