"""Runs one simulated device on one wire, to a fraction of a millisecond."""

from __future__ import annotations

import contextlib
import os
import select
import socket
import time
from abc import ABC, abstractmethod
from collections.abc import Callable
from concurrent.futures import Future
from queue import SimpleQueue
from typing import Any, TypeVar

from logbench.simulator.adapter import Adapter
from logbench.simulator.canbus import CanCar
from logbench.simulator.wires import CanWire, SocketPort, TcpWire, TerminalPort, TerminalWire

IDLE_S = 0.05
"""The car's clock is moved at least this often, so that no long drive has to be caught up."""

EXCUSED_S = 0.05
"""A reply sent late because this machine was busy is not charged to the client, up to this much."""
_COARSE_S = 0.02 if os.name == "nt" else 0.0
"""How much earlier than due the waiting for input ends where its timer is coarse."""

T = TypeVar("T")


class Serving(ABC):
    """Runs one device on one wire until stopped; after `run` returns nothing of it is left.

    Guarantees: nothing leaves before it is due.
    """

    def __init__(self, device: Adapter | CanCar, wire: TcpWire | TerminalWire | CanWire) -> None:
        self.device = device
        self.url = wire.url
        """The link URL of the wire."""
        self._late_s = 0.0
        self._ticked_s = 0.0
        self._stopping = False
        self._calls: SimpleQueue[tuple[Callable[[], Any], Future[Any]]] = SimpleQueue()

    def stop(self) -> None:
        """End `run` within `IDLE_S`; from any thread."""
        self._stopping = True
        self._wake_up()

    def call(self, action: Callable[[], T]) -> Future[T]:
        """Have `action` run between two requests, within `IDLE_S`; from any thread."""
        future: Future[T] = Future()
        self._calls.put((action, future))
        self._wake_up()
        return future

    def run(self) -> None:
        """Serve until `stop`; then everything is closed."""
        try:
            while not self._stopping:
                self._step()
        finally:
            self.close()

    @abstractmethod
    def close(self) -> None:
        """Let go of everything; for a server that was never run."""

    @abstractmethod
    def _step(self) -> None:
        """Wait for what comes, at most until something is due; send what is."""

    def _wake_up(self) -> None:  # noqa: B027 - only a server that may wait for long needs it
        """End the waiting of the present step."""

    def _carry_out(self) -> None:
        """Do everything that was called for."""
        while not self._calls.empty():
            action, future = self._calls.get_nowait()
            try:
                future.set_result(action())
            except Exception as error:  # belongs to whoever asked
                future.set_exception(error)

    def _active(self, t_s: float) -> frozenset[str]:
        return self.device.troubles.active(self.device.clock.at(t_s))


class Server(Serving):
    """Serves an adapter: one client at a time, as with any adapter; others are sent away."""

    device: Adapter

    def __init__(
        self,
        adapter: Adapter,
        wire: TcpWire | TerminalWire,
        on_line: Callable[[str], None] | None = None,
    ) -> None:
        """`on_line` gets a sentence when a client comes and goes."""
        super().__init__(adapter, wire)
        self._wire = wire
        self._on_line = on_line or (lambda line: None)
        self._wake, self._waker = socket.socketpair()
        self._client: SocketPort | TerminalPort | None = None

    def close(self) -> None:
        """Let go of everything; for a server that was never run."""
        self._hang_up()
        self._wire.close()
        self._wake.close()
        self._waker.close()

    def _wake_up(self) -> None:
        with contextlib.suppress(OSError):  # already closed: then it has ended
            self._waker.send(b"\0")

    def _step(self) -> None:
        due = self.device.due()
        wait_s = IDLE_S
        if due is not None:
            wait_s = min(max(due.t_s - time.monotonic() - _COARSE_S, 0.0), IDLE_S)
        arriving = self._wire.sources()
        sources = [self._wake.fileno(), *arriving]
        if self._client is not None:
            sources.append(self._client.fileno())
        ready, _, _ = select.select(sources, [], [], wait_s)
        if self._wake.fileno() in ready:
            self._wake.recv(4096)
            self._carry_out()
        if self._client is not None and self._client.fileno() in ready:
            self._read()  # before the next client, so that this one may just have left
        if any(source in ready for source in arriving):
            self._accept()
        self._send_due()
        now_s = time.monotonic()
        if self.device.due() is None or now_s - self._ticked_s > IDLE_S:
            self._tick(now_s)

    def _tick(self, now_s: float) -> None:
        self._ticked_s = now_s
        self.device.tick(now_s)
        active = self._active(now_s)
        if active & {"unplug", "radio-loss"}:
            self.device.clock.start(now_s)  # or it would never end
        if "unplug" in active and self._client is not None:
            self._hang_up()
        self._wire.refuse("unplug" in active)

    def _accept(self) -> None:
        client = self._wire.accept()
        if self._client is not None:
            client.close()
            return
        self._client = client
        self._on_line("A client has connected.")

    def _read(self) -> None:
        assert self._client is not None
        data = self._client.read()
        if data is None:
            self._hang_up()
            return
        now_s = time.monotonic()
        if "radio-loss" not in self._active(now_s):
            self.device.receive(data, now_s - self._late_s)
        self._late_s = 0.0

    def _send_due(self) -> None:
        while (due := self.device.due()) is not None:
            now_s = time.monotonic()
            if due.t_s - now_s > _COARSE_S:
                return
            if due.t_s > now_s:
                time.sleep(due.t_s - now_s)
            self.device.pop()
            if self._client is None or "radio-loss" in self._active(now_s):
                continue
            self._late_s = min(max(time.monotonic() - due.t_s, 0.0), EXCUSED_S)
            try:
                self._client.write(due.data)
            except OSError:
                self._hang_up()

    def _hang_up(self) -> None:
        if self._client is not None:
            self._client.close()
            self._client = None
            self._on_line("The client is gone.")
        self.device.hang_up()
        self._late_s = 0.0


class CanServer(Serving):
    """Serves the ECUs of one car on one CAN wire."""

    device: CanCar

    def __init__(self, device: CanCar, wire: CanWire) -> None:
        super().__init__(device, wire)
        self._wire = wire

    def close(self) -> None:
        """Close the wire."""
        self._wire.close()

    def _step(self) -> None:
        due_s = self.device.due()
        wait_s = IDLE_S if due_s is None else max(due_s - time.monotonic(), 0.0)
        frame = self._wire.receive(min(wait_s, IDLE_S))
        now_s = time.monotonic()
        cut_off = self._cut_off(now_s)
        if frame is not None:
            if not cut_off:
                self.device.receive(frame, now_s - self._late_s)
            self._late_s = 0.0
        while (due_s := self.device.due()) is not None and due_s <= time.monotonic():
            out = self.device.pop()
            if not cut_off:
                self._wire.send(out)
            self._late_s = min(time.monotonic() - due_s, EXCUSED_S)
        if self.device.due() is None or now_s - self._ticked_s > IDLE_S:
            self._ticked_s = now_s
            self.device.tick(now_s)
            self._carry_out()

    def _cut_off(self, t_s: float) -> bool:
        """Whether the interface is unplugged: no frame passes."""
        if self._active(t_s) & {"unplug", "radio-loss"}:
            self.device.clock.start(t_s)
            return True
        return False
