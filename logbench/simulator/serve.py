"""Serving the simulated car: its adapter on a TCP port or a pseudo-terminal, to the millisecond."""

from __future__ import annotations

import contextlib
import os
import select
import socket
import threading
import time
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from typing import Protocol

from logbench.simulator.adapter import Adapter
from logbench.simulator.clock import CarClock
from logbench.simulator.model import CarSource
from logbench.simulator.timing import Timing

IDLE_S = 0.05
"""The car's clock is moved at least this often, so that no long drive has to be caught up."""

_EXCUSED_S = 0.05
"""A reply sent late because this machine was busy is not charged to the client up to this much."""
_COARSE_S = 0.02 if os.name == "nt" else 0.0
"""How much earlier than due the waiting for input ends where its timer is coarse."""


class Port(Protocol):
    """The client's end of the wire as the server sees it."""

    def fileno(self) -> int:
        """What `select` waits for."""
        ...

    def read(self) -> bytes | None:
        """What has come; None when the client is gone."""
        ...

    def write(self, data: bytes) -> None:
        """Send; an `OSError` when the client is gone."""
        ...

    def close(self) -> None:
        """Let go of it."""
        ...


class SocketPort:
    """A client on a TCP connection."""

    def __init__(self, connection: socket.socket) -> None:
        connection.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
        connection.settimeout(5.0)
        self._connection = connection

    def fileno(self) -> int:
        """The socket's."""
        return self._connection.fileno()

    def read(self) -> bytes | None:
        """Up to 4 KiB."""
        try:
            return self._connection.recv(4096) or None
        except OSError:
            return None

    def write(self, data: bytes) -> None:
        """All of `data`; fails when the client does not read for 5 s."""
        self._connection.sendall(data)

    def close(self) -> None:
        """Close the connection."""
        self._connection.close()


class Server:
    """Runs one adapter on one listening socket: one client at a time, as with any adapter."""

    def __init__(self, adapter: Adapter, host: str = "127.0.0.1", port: int = 0) -> None:
        self.adapter = adapter
        self._listener = socket.create_server((host, port))
        self._wake, self._waker = socket.socketpair()
        self._client: Port | None = None
        self._late_s = 0.0
        self._stopping = False

    @property
    def url(self) -> str:
        """`tcp://HOST:PORT`."""
        host, port = self._listener.getsockname()[:2]
        return f"tcp://{host}:{port}"

    def stop(self) -> None:
        """End `run` soon; may be called from any thread."""
        self._stopping = True
        with contextlib.suppress(OSError):  # already closed: then it has ended
            self._waker.send(b"\0")

    def run(self) -> None:
        """Serve until `stop`; then everything is closed."""
        try:
            while not self._stopping:
                self._step()
        finally:
            self._hang_up()
            for sock in (self._listener, self._wake, self._waker):
                sock.close()

    def _step(self) -> None:
        now_s = time.monotonic()
        due = self.adapter.due()
        wait_s = IDLE_S if due is None else min(max(due.t_s - now_s - _COARSE_S, 0.0), IDLE_S)
        sources: list[int] = [self._listener.fileno(), self._wake.fileno()]
        if self._client is not None:
            sources.append(self._client.fileno())
        ready, _, _ = select.select(sources, [], [], wait_s)
        if self._listener.fileno() in ready:
            self._accept()
        if self._client is not None and self._client.fileno() in ready:
            self._read()
        self._send_due()
        if due is None:
            self.adapter.bus.car_at(time.monotonic())

    def _accept(self) -> None:
        connection, _ = self._listener.accept()
        if self._client is not None:
            connection.close()
            return
        self._client = SocketPort(connection)

    def _read(self) -> None:
        assert self._client is not None
        data = self._client.read()
        if data is None:
            self._hang_up()
            return
        self.adapter.receive(data, time.monotonic() - self._late_s)
        self._late_s = 0.0

    def _send_due(self) -> None:
        while (due := self.adapter.due()) is not None:
            now_s = time.monotonic()
            if due.t_s - now_s > _COARSE_S:
                return
            if due.t_s > now_s:
                time.sleep(due.t_s - now_s)
            self.adapter.pop()
            if self._client is None:
                continue
            self._late_s = min(max(time.monotonic() - due.t_s, 0.0), _EXCUSED_S)
            try:
                self._client.write(due.data)
            except OSError:
                self._hang_up()

    def _hang_up(self) -> None:
        if self._client is not None:
            self._client.close()
            self._client = None
        self.adapter.hang_up()
        self._late_s = 0.0


@contextlib.contextmanager
def serve_tcp(
    car: CarSource,
    host: str = "127.0.0.1",
    port: int = 0,
    *,
    timing: Timing | None = None,
    protocol: str = "6",
    speed: float = 1.0,
    start_s: float = 0.0,
) -> Iterator[Server]:
    """Serve `car` from a thread of this process while the context lasts; `.url` says where."""
    clock = CarClock(speed, start_s)
    server = Server(Adapter(car, timing, protocol=protocol, clock=clock), host, port)
    thread = threading.Thread(target=server.run, name="simulated adapter", daemon=True)
    thread.start()
    try:
        yield server
    finally:
        server.stop()
        thread.join()
