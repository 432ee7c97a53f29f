"""A peer at work in a thread: on a socket, a pseudo-terminal, or a CAN bus of python-can."""

from __future__ import annotations

import contextlib
import os
import select
import socket
import time
from collections import deque
from collections.abc import Iterator
from dataclasses import dataclass, field

import can

from logbench.system.threads import Supervised
from tests.zoo.adapter import TextAdapter
from tests.zoo.bus import Bus, Frame, Given, Round
from tests.zoo.grammar import Peer

STEP_S = 0.05


class SocketWire:
    """One client at a time on a port of this machine."""

    def __init__(self) -> None:
        self._server = socket.create_server(("127.0.0.1", 0))
        self._client: socket.socket | None = None
        self.url = f"tcp://127.0.0.1:{self._server.getsockname()[1]}"

    def receive(self, timeout_s: float) -> bytes:
        ready, _, _ = select.select([self._client or self._server], [], [], timeout_s)
        if not ready:
            return b""
        if self._client is None:
            self._client, _ = self._server.accept()
            self._client.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
            return b""
        with contextlib.suppress(OSError):
            if data := self._client.recv(4096):
                return data
        self._client.close()
        self._client = None
        return b""

    def send(self, data: bytes) -> None:
        with contextlib.suppress(OSError):
            if self._client is not None:
                self._client.sendall(data)

    def close(self) -> None:
        if self._client is not None:
            self._client.close()
        self._server.close()


class TerminalWire:
    """A pseudo-terminal, raw."""

    def __init__(self, baud: int) -> None:
        import pty
        import tty

        self._ours, self._theirs = pty.openpty()
        tty.setraw(self._theirs)
        self.url = f"serial:{os.ttyname(self._theirs)}?baud={baud}"

    def receive(self, timeout_s: float) -> bytes:
        ready, _, _ = select.select([self._ours], [], [], timeout_s)
        return os.read(self._ours, 4096) if ready else b""

    def send(self, data: bytes) -> None:
        os.write(self._ours, data)

    def close(self) -> None:
        os.close(self._ours)
        os.close(self._theirs)


@dataclass(slots=True)
class AdapterServer:
    """An adapter on a wire, until it is stopped."""

    adapter: TextAdapter
    wire: SocketWire | TerminalWire
    stopped: bool = False

    @property
    def asked(self) -> list[tuple[float, str]]:
        """What was asked and answered, with times."""
        return self.adapter.said

    def run(self) -> None:
        outs = self.adapter.outs
        while not self.stopped:
            now_s = time.monotonic()
            while outs and outs[0].t_s <= now_s:
                out = outs.popleft()
                self.wire.send(out.text)
                self.adapter.said.append((now_s, f"<- {out.text.decode('latin-1')!r}"))
                out.during.ended_s = time.monotonic()
            wait_s = min(STEP_S, outs[0].t_s - time.monotonic()) if outs else STEP_S
            if data := self.wire.receive(max(0.0, wait_s)):
                self.adapter.hear(data, time.monotonic())
        self.wire.close()

    def stop(self) -> None:
        self.stopped = True


@dataclass(slots=True)
class CanServer:
    """ECUs on a bus of python-can, without an adapter; flow control is waited for."""

    peer: Peer
    bus: Bus
    port: can.BusABC
    url: str
    stopped: bool = False
    asked: list[tuple[float, str]] = field(default_factory=list)
    _due: deque[tuple[Frame, Round]] = field(default_factory=deque)
    _held: dict[str, tuple[list[Frame], Round]] = field(default_factory=dict)
    """Consecutive frames that wait for flow control."""

    def run(self) -> None:
        while not self.stopped:
            now_s = time.monotonic()
            while self._due and self._due[0][0].t_s <= now_s:
                frame, during = self._due.popleft()
                self._send(frame)
                self.asked.append((now_s, f"<- {frame.ecu} {frame.data.hex()}"))
                during.ended_s = time.monotonic()
            wait_s = self._due[0][0].t_s - time.monotonic() if self._due else STEP_S
            if message := self.port.recv(min(STEP_S, max(0.0, wait_s))):
                self._hear(message, time.monotonic())
        self.port.shutdown()

    def stop(self) -> None:
        self.stopped = True

    def _send(self, frame: Frame) -> None:
        identifier = int(frame.ecu, 16)
        self.port.send(
            can.Message(
                arbitration_id=identifier, data=frame.data, is_extended_id=identifier > 0x7FF
            )
        )

    def _hear(self, message: can.Message, now_s: float) -> None:
        if message.is_extended_id != (self.bus.car.id_bits == 29) or not message.data:
            return
        to = self._addressed(message.arbitration_id)
        if to is None:
            return
        kind, data = message.data[0] >> 4, bytes(message.data)
        if kind == 3 and to in self._held:
            self._flow(to, data, now_s)
        elif kind == 0 and 0 < data[0] < len(data):
            self._request(data[1 : 1 + data[0]], to, now_s)

    def _addressed(self, identifier: int) -> str | None:
        """One ECU by its name, all: '', nobody: None."""
        if identifier in (0x7DF, 0x18DB33F1):
            return ""
        if 0x7E0 <= identifier <= 0x7E7:
            return f"{identifier + 8:03X}"
        if identifier & ~0xFF00 == 0x18DA00F1:
            return f"18DAF1{identifier >> 8 & 0xFF:02X}"
        return None

    def _request(self, payload: bytes, to: str, now_s: float) -> None:
        during = Round(now_s, now_s)
        self.asked.append((now_s, payload.hex().upper()))
        for message in self.bus.replies(payload, to, now_s + self.bus.frame_s, during):
            first, *rest = self.bus.can_frames(message)
            self._add([first], during)
            if rest:
                self._held[message.ecu] = (rest, during)

    def _flow(self, ecu: str, data: bytes, now_s: float) -> None:
        """ISO 15765-2: clear to send as many as the block size says (0: all); the separation asked
        for, or our own if longer."""
        rest, during = self._held.pop(ecu)
        block = data[1] if len(data) > 1 else 0
        if block and len(rest) > block:
            self._held[ecu] = (rest[block:], during)
            rest = rest[:block]
        asked = data[2] if len(data) > 2 else 0
        asked_ms = asked if asked < 0x80 else 0.1 * (asked & 0x0F)
        step_s = max(asked_ms, self.bus.car.separation_ms, 0.25) / 1000
        frames = [
            Frame(now_s + step_s * n, frame.ecu, frame.data) for n, frame in enumerate(rest, 1)
        ]
        self._add(frames, during)

    def _add(self, frames: list[Frame], during: Round) -> None:
        due = [*self._due, *((frame, during) for frame in frames)]
        self._due = deque(sorted(due, key=lambda pair: pair[0].t_s))


@dataclass(frozen=True, slots=True)
class Served:
    """A peer that can be recorded at `url`."""

    url: str
    ledger: list[Given]
    asked: list[tuple[float, str]]


@contextlib.contextmanager
def serve(peer: Peer) -> Iterator[Served]:
    """The peer, while the context lasts."""
    bus = Bus(peer.car, peer.seed)
    server: CanServer | AdapterServer
    if peer.adapter is None:
        channel = f"zoo-{peer.seed}-{time.monotonic_ns()}"
        port = can.Bus(interface="virtual", channel=channel)
        url = f"can:virtual/{channel}"
        server = CanServer(peer, bus, port, url)
    else:
        wire = TerminalWire(peer.wire.baud) if peer.wire.kind == "pty" else SocketWire()
        url = wire.url
        server = AdapterServer(TextAdapter(peer, bus), wire)
    with Supervised("zoo peer", server.run, on_stop=server.stop) as thread:
        yield Served(url, bus.ledger, server.asked)
        thread.check()
