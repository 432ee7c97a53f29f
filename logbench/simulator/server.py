"""A simulated device, the wire it is reached by, and what runs the one on the other, to a fraction
of a millisecond."""

from __future__ import annotations

import time
from abc import ABC, abstractmethod
from collections.abc import Callable, Iterable
from concurrent.futures import Future
from dataclasses import dataclass
from queue import SimpleQueue
from typing import Any, Generic, TypedDict, TypeVar, Unpack

from logbench.simulator.ecu import Ecus, Edition
from logbench.simulator.model import CarSource
from logbench.simulator.protocols import PROTOCOLS
from logbench.simulator.timing import CarClock, Timing
from logbench.simulator.trouble import Trouble, TroubledCar, Troubles
from logbench.system.platforms import timer_step_s

IDLE_S = 0.05
"""The car's clock is moved at least this often, so that no long drive has to be caught up."""

EXCUSED_S = 0.05
"""A reply sent late because this machine was busy is not charged to the client, up to this much."""
_COARSE_S = timer_step_s()
"""How much earlier than due the waiting for input ends where its timer is coarse."""

T = TypeVar("T")
R = TypeVar("R")


class Plug(TypedDict, total=False):
    """How a device is plugged into a car; what is missing is as usual."""

    protocol: str
    """Number of the car's bus protocol; '6' unless given."""
    clock: CarClock | None
    troubles: Iterable[Trouble]
    edition: Edition


@dataclass(frozen=True, slots=True)
class Due(Generic[T]):
    """What the client gets at `t_s`; `ready_s` is when the device had it."""

    t_s: float
    ready_s: float
    data: T


class Device(ABC, Generic[T]):
    """What is plugged into one car: a plain machine without threads, wires or sleeps.

    Things go in with the moment they were sent, and come out of `due` with the moment they are due
    at the client. Whoever serves it (`Server`, or a test) sleeps in between.
    """

    def __init__(self, car: CarSource, timing: Timing | None, **plug: Unpack[Plug]) -> None:
        self.timing = timing or Timing()
        self.protocol = PROTOCOLS[plug.get("protocol", "6")]
        self.clock = plug.get("clock") or CarClock()
        self.troubles = Troubles(plug.get("troubles", ()))
        edition = plug.get("edition", "J1979")
        self.ecus = Ecus(TroubledCar(car, self.troubles), self.timing, edition)

    @abstractmethod
    def receive(self, data: T, t_s: float) -> None:
        """What the client sent and entered the wire at `t_s`."""

    @abstractmethod
    def due(self) -> Due[T] | None:
        """What is next for the client, or None; it stays until `pop`."""

    @abstractmethod
    def pop(self) -> Due[T]:
        """Take what is next."""

    def tick(self, t_s: float) -> None:
        """Move the car to `t_s` and let happen what happens without being asked."""
        self.ecus.car.advance(self.clock.at(t_s))

    def hang_up(self) -> None:
        """The client is gone: nothing more is sent to it."""


class Wire(ABC, Generic[T]):
    """A way to a device, for one client at a time."""

    url: str
    """The link URL."""
    connected = True
    """Whether there is a client."""

    @abstractmethod
    def receive(self, timeout_s: float) -> T | None:
        """What the client sends, waiting so long at most; None when nothing came."""

    @abstractmethod
    def send(self, data: T) -> None:
        """To the client, if there is one."""

    def refuse(self, refused: bool) -> None:
        """Send the client away and let nobody come; or be there again at the same place."""

    @abstractmethod
    def close(self) -> None:
        """Let go of everything."""


class Server(Generic[T]):
    """Runs one device on one wire until stopped; after `run` returns nothing of it is left.

    Guarantees: nothing leaves before it is due.
    """

    def __init__(
        self, device: Device[T], wire: Wire[T], on_line: Callable[[str], None] | None = None
    ) -> None:
        """`on_line` gets a sentence when a client comes and goes."""
        self.device = device
        self.url = wire.url
        """The link URL of the wire."""
        self._wire = wire
        self._on_line = on_line or (lambda line: None)
        self._connected = wire.connected
        self._late_s = 0.0
        self._ticked_s = 0.0
        self._stopping = False
        self._calls: SimpleQueue[tuple[Callable[[], Any], Future[Any]]] = SimpleQueue()

    def stop(self) -> None:
        """End `run` within `IDLE_S`; from any thread."""
        self._stopping = True

    def call(self, action: Callable[[], R]) -> Future[R]:
        """Have `action` run between two requests, within `IDLE_S`; from any thread."""
        future: Future[R] = Future()
        self._calls.put((action, future))
        return future

    def run(self) -> None:
        """Serve until `stop`; then everything is closed."""
        try:
            while not self._stopping:
                self._step()
        finally:
            self._wire.close()

    def _step(self) -> None:
        """Wait for what comes, at most until something is due; send what is."""
        due = self.device.due()
        wait_s = IDLE_S if due is None else due.t_s - time.monotonic() - _COARSE_S
        data = self._wire.receive(min(max(wait_s, 0.0), IDLE_S))
        self._carry_out()
        self._greet()
        if data is not None:
            now_s = time.monotonic()
            if not self._cut_off(now_s):
                self.device.receive(data, now_s - self._late_s)
            self._late_s = 0.0
        self._send_due()
        now_s = time.monotonic()
        if self.device.due() is None or now_s - self._ticked_s > IDLE_S:
            self._ticked_s = now_s
            self.device.tick(now_s)
            if self._cut_off(now_s):
                self.device.clock.start(now_s)  # or it would never end
            self._wire.refuse("unplug" in self._active(now_s))

    def _carry_out(self) -> None:
        """Do everything that was called for."""
        while not self._calls.empty():
            action, future = self._calls.get_nowait()
            try:
                future.set_result(action())
            except Exception as error:  # belongs to whoever asked
                future.set_exception(error)

    def _greet(self) -> None:
        """Notice that a client has come or gone."""
        if self._wire.connected == self._connected:
            return
        self._connected = self._wire.connected
        self._on_line("A client has connected." if self._connected else "The client is gone.")
        if not self._connected:
            self.device.hang_up()
            self._late_s = 0.0

    def _send_due(self) -> None:
        while (due := self.device.due()) is not None:
            now_s = time.monotonic()
            if due.t_s - now_s > _COARSE_S:
                return
            if due.t_s > now_s:
                time.sleep(due.t_s - now_s)
            self.device.pop()
            if not self._cut_off(now_s):
                self._late_s = min(max(time.monotonic() - due.t_s, 0.0), EXCUSED_S)
                self._wire.send(due.data)

    def _active(self, t_s: float) -> frozenset[str]:
        return self.device.troubles.active(self.device.clock.at(t_s))

    def _cut_off(self, t_s: float) -> bool:
        """Whether nothing passes the wire."""
        return not self._active(t_s).isdisjoint({"unplug", "radio-loss"})
