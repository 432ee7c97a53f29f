"""A car of a few answers behind every kind of link, and what has reached it, byte for byte.

Not the simulated car: an adapter that gives its prompt at once and a car that answers 'response
pending' for ever are things no simulated one should do.
"""

from __future__ import annotations

import contextlib
import os
import select
import socket
import threading
import time
import uuid
from collections.abc import Callable, Iterator

import can
import pytest

from logbench.vehicle.link import Link
from logbench.vehicle.links.schemes import open_link

KINDS = ("tcp", "serial", "ble", "can")
IDENTITY = "ABCD v1.0"
HANG_UP = "\0hang up"
"""At the end of what an adapter says: the connection breaks (TCP)."""


class Peer:
    """One ECU, 7E8. `answers`: request in hex to replies in hex, single frames only; `lines`:
    adapter's lines to what it says instead. `pending`: a request for which it says 'wait' for ever.
    """

    def __init__(
        self,
        answers: dict[str, tuple[str, ...]] | None = None,
        lines: dict[str, str] | None = None,
        pending: str = "",
    ) -> None:
        self.answers = {
            "0100": ("410080180001",),
            "010C": ("410C0000",),
            "010D": ("410D00",),
            "03": ("43010171",),
            "07": ("4700",),
            "0A": ("4A00",),
        }
        self.answers |= answers or {}
        self.lines = lines or {}
        self.pending = pending
        self.wire: list[bytes] = []
        """Lines without their carriage return, or CAN identifiers and data."""
        self.requests: list[str] = []
        """What the car was asked, in hex, repetitions included."""
        self.after: Callable[[str], None] = lambda request: None
        """Called with every request, before it is answered."""

    def asked(self, request: str) -> tuple[str, ...]:
        """The replies to a request that has reached the car."""
        self.requests.append(request)
        self.after(request)
        if request == self.pending:
            return (f"7F{request[:2]}78",)
        return self.answers.get(request, ())

    def line(self, line: bytes) -> str | None:
        """What the adapter says to a line; None: nothing, and no prompt."""
        self.wire.append(line)
        text = line.replace(b"\0", b"").replace(b" ", b"").decode("latin-1").upper()
        text = text or self._last
        self._last = text
        if text in self.lines:
            return self.lines[text]
        if text.startswith("AT"):
            return {"ATWS": IDENTITY, "ATI": IDENTITY, "ATRV": "12.4V", "ATDPN": "A6"}.get(
                text, "OK"
            )
        if not text or set(text) - set("0123456789ABCDEF"):
            return "?"
        return self.printed(self.asked(text[: len(text) // 2 * 2]))

    _last = ""

    def printed(self, replies: tuple[str, ...]) -> str:
        """Replies as the adapter prints them."""
        return "\r".join(f"7E8{len(r) // 2:02X}{r}" for r in replies) or "NO DATA"


class _Lines:
    """Cuts what comes into lines."""

    def __init__(self, peer: Peer, send: Callable[[bytes], object]) -> None:
        self.peer, self.send, self.buffer = peer, send, b""

    def take(self, data: bytes) -> None:
        self.buffer += data
        while b"\r" in self.buffer:
            line, _, self.buffer = self.buffer.partition(b"\r")
            said = self.peer.line(line)
            if isinstance(said, Iterator):
                for piece in said:
                    self.send(piece)
                continue
            text, broken, _ = (said or "").partition(HANG_UP)
            with contextlib.suppress(OSError):
                if said is not None:
                    self.send(text.encode("latin-1") + (b"\r" if broken else b"\r\r>"))
            if broken:
                raise ConnectionError


@contextlib.contextmanager
def _running(work: Callable[[], None], end: threading.Event) -> Iterator[None]:
    thread = threading.Thread(target=work)
    thread.start()
    try:
        yield
    finally:
        end.set()
        thread.join()


@contextlib.contextmanager
def on_tcp(peer: Peer) -> Iterator[str]:
    """Yields `tcp://…`; clients come and go."""
    listener, end = socket.create_server(("127.0.0.1", 0)), threading.Event()
    listener.settimeout(0.05)

    def serve() -> None:
        while not end.is_set():
            try:
                client, _ = listener.accept()
            except TimeoutError:
                continue
            lines = _Lines(peer, client.sendall)
            with client:
                client.settimeout(5.0)
                while not end.is_set():
                    if not select.select([client], [], [], 0.05)[0]:
                        continue
                    try:
                        data = client.recv(4096)
                        lines.take(data)
                    except OSError:
                        break
                    if not data:
                        break

    with listener, _running(serve, end):
        yield f"tcp://127.0.0.1:{listener.getsockname()[1]}"


@contextlib.contextmanager
def on_serial(peer: Peer) -> Iterator[str]:
    """Yields `serial:…` of a pseudo-terminal."""
    import tty

    (ours, theirs), end = os.openpty(), threading.Event()
    tty.setraw(theirs)
    lines = _Lines(peer, lambda data: os.write(ours, data))

    def serve() -> None:
        while not end.is_set():
            if select.select([ours], [], [], 0.05)[0]:
                lines.take(os.read(ours, 4096))

    try:
        with _running(serve, end):
            yield f"serial:{os.ttyname(theirs)}?baud=115200"
    finally:
        os.close(ours)
        os.close(theirs)


@contextlib.contextmanager
def on_ble(peer: Peer) -> Iterator[str]:
    """Yields `ble:…` of a fake peripheral at the bleak interface."""
    bleak = pytest.importorskip("bleak", reason="the extra 'ble' is not installed")
    from tests.vehicle.test_ble import ADDRESS, TWO, FakePeripheral

    with on_tcp(peer) as url, pytest.MonkeyPatch.context() as patch:
        host, _, port = url.removeprefix("tcp://").rpartition(":")
        peripheral = FakePeripheral([TWO], TWO, (host, int(port)))
        patch.setattr(bleak, "BleakClient", peripheral.client)
        yield f"ble:{ADDRESS}"
        for client in peripheral.clients:
            client.drop()


@contextlib.contextmanager
def on_can(peer: Peer) -> Iterator[str]:
    """Yields `can:virtual/…`. The 'wait' of `pending` is said every 20 ms until another request."""
    channel, end = f"peer-{uuid.uuid4().hex}", threading.Event()
    bus = can.Bus(interface="virtual", channel=channel)

    def serve() -> None:
        waiting: tuple[str, ...] = ()
        while not end.is_set():
            message = bus.recv(0.02)
            if message is not None:
                data = bytes(message.data)
                peer.wire.append(message.arbitration_id.to_bytes(4, "big") + data)
                if data[0] >> 4 or message.is_extended_id:
                    continue
                request = data[1 : 1 + data[0]].hex().upper()
                replies = peer.asked(request)
                waiting = replies if request == peer.pending else ()
            else:
                replies = waiting
            for reply in replies:
                text = bytes.fromhex(f"{len(reply) // 2:02X}{reply}").ljust(8, b"\0")
                bus.send(can.Message(arbitration_id=0x7E8, data=text, is_extended_id=False))

    try:
        with _running(serve, end), pytest.MonkeyPatch.context() as patch:
            # a busy computer: this car is a thread of Python
            patch.setattr("logbench.vehicle.links.can.SEARCH_TIMEOUTS_S", (0.3,))
            patch.setattr("logbench.vehicle.links.can.MORE_TIMEOUT_S", 0.3)
            yield f"can:virtual/{channel}?bitrate=500000"
    finally:
        bus.shutdown()


SERVED = {"tcp": on_tcp, "serial": on_serial, "ble": on_ble, "can": on_can}


@contextlib.contextmanager
def linked(kind: str, peer: Peer) -> Iterator[Link]:
    """A connected link of a kind to the peer."""
    with SERVED[kind](peer) as url, contextlib.closing(open_link(url)) as link:
        link.connect()
        yield link


def wait_until(true: Callable[[], bool], seconds: float = 5.0) -> None:
    """Until `true()`; fails after `seconds`."""
    end = time.monotonic() + seconds
    while not true():
        assert time.monotonic() < end
        time.sleep(0.005)
