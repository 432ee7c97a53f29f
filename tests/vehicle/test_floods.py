"""Adapters, cars and clients that send without end: bounded, told, and in step again afterwards."""

from __future__ import annotations

import queue
import socket
import threading
import time
import tracemalloc
from contextlib import closing, contextmanager
from urllib.parse import urlsplit

import can
import pytest

from logbench.errors import LinkLostError, ReplyError
from logbench.simulator.adapter import Adapter
from logbench.simulator.canbus import CanCar, CanFrame
from logbench.simulator.timing import Timing
from logbench.vehicle.gate import CONSENT, Permit
from logbench.vehicle.links.ble import BlePort
from logbench.vehicle.links.schemes import open_link
from logbench.vehicle.records.clearing import read_conditions
from tests.serving import serve_tcp
from tests.still import StillCar
from tests.vehicle.peers import Peer, on_can, on_tcp

MANY = 50_000_000
MB = 1_000_000
QUICK = Timing(latency_ms=1.0, command_ms=0.5, reset_ms=20.0)


@contextmanager
def bounded(seconds: float, mb: float):
    """Takes no longer, and no more memory of this process at any time."""
    tracemalloc.start()
    start = time.monotonic()
    try:
        yield
        took, (_, most) = time.monotonic() - start, tracemalloc.get_traced_memory()
    finally:
        tracemalloc.stop()
    assert took < seconds
    assert most < mb * MB


class Flooding(Peer):
    """Its adapter answers `at` with so many characters, no end of a line and no prompt among
    them, in pieces; then it is as it was. `bytes` None: without end."""

    def __init__(self, at: bytes, count: int | None) -> None:
        super().__init__()
        self.at, self.left = at, count

    def line(self, line: bytes):
        if line != self.at or self.left == 0:
            return super().line(line)
        self.wire.append(line)
        return self._pieces()

    def _pieces(self):
        while self.left is None or self.left > 0:
            if self.left is not None:
                self.left -= 65_536
            yield b"4" * 65_536
        self.left = 0


@contextmanager
def flooding(peer: Flooding):
    with on_tcp(peer) as url, closing(open_link(url)) as link:
        link.connect()
        yield link


def test_a_reply_of_fifty_megabytes_is_told_and_in_step_again():
    with flooding(Flooding(b"010C", MANY)) as link, bounded(20, 5):
        with pytest.raises(ReplyError, match="without an end"):
            link.exchange(b"\x01\x0c")
        assert [r.data.hex() for r in link.exchange(b"\x01\x0d").replies] == ["410d00"]
        assert [r.data.hex() for r in link.exchange(b"\x01\x0c").replies] == ["410c0000"]


def test_a_reply_without_end_is_a_lost_link(monkeypatch):
    monkeypatch.setattr("logbench.vehicle.links.device.DRAIN_S", 0.5)
    with (
        flooding(Flooding(b"010C", None)) as link,
        bounded(20, 5),
        pytest.raises(LinkLostError, match="sends without end"),
    ):
        link.exchange(b"\x01\x0c")


def test_fifty_megabytes_in_answer_to_a_change():
    """Sent once, waited for as long as for any answer, and in step again."""
    peer = Flooding(b"04", MANY)
    with flooding(peer) as link, bounded(40, 5):
        answers = link.change(Permit(b"\x04", CONSENT, lambda: read_conditions(link)))
        assert answers.replies == []
        assert [r.data.hex() for r in link.exchange(b"\x01\x0d").replies] == ["410d00"]
    assert peer.wire.count(b"04") == 1


def test_a_radio_that_nobody_reads():
    port = BlePort.__new__(BlePort)  # without a radio
    port._arrived = queue.SimpleQueue()
    piece = bytearray(512)
    with bounded(60, 10):
        for _ in range(MANY // 512):
            port._notified(None, piece)


@pytest.mark.parametrize("end", ["stops", "never stops"])
def test_a_flood_of_frames(end):
    """As fast as the virtual bus takes them, all of the engine's address."""
    peer = Peer()
    with on_can(peer) as url, closing(open_link(url)) as link:
        link.connect()
        channel = url.removeprefix("can:virtual/").partition("?")[0]
        stop = threading.Event()

        def pour() -> None:
            with can.Bus(interface="virtual", channel=channel) as bus:
                frame = can.Message(
                    arbitration_id=0x7E8, data=b"\x03\x41\x0d\x00", is_extended_id=False
                )
                while not stop.is_set():
                    for _ in range(200):
                        bus.send(frame)
                    time.sleep(0)

        thread = threading.Thread(target=pour)
        thread.start()
        try:
            start = time.monotonic()
            with pytest.raises(ReplyError, match="10,000 frames"):
                link.exchange(b"\x01\x0c", timeout_s=20.0)
            assert time.monotonic() - start < 20
            if end == "stops":
                stop.set()
                thread.join()
                deadline = time.monotonic() + 20
                replies = []
                while not replies and time.monotonic() < deadline:
                    replies = [r for r in link.exchange(b"\x01\x0c").replies if r.data[1] == 0x0C]
                assert replies[0].data.hex() == "410c0000"
        finally:
            stop.set()
            thread.join()


# --- the simulated car ---


@pytest.mark.parametrize("text", [b"A", b"\0", b"\r", b"010C\r", b"ATI\r", b"A" * 256 + b"\r"])
def test_a_client_that_sends_without_end(text):
    """Fifty megabytes without looking at an answer; then the adapter is as it was."""
    adapter = Adapter(StillCar(), QUICK)
    chunk = text * (4096 // len(text))
    with bounded(60, 10):
        for n in range(MANY // len(chunk)):
            adapter.receive(chunk, 100.0 + n / 5000)
    at_s = 100.0 + MANY / len(chunk) / 5000
    said = drained(adapter)
    assert said[-1].t_s < at_s + 15.0, "it is not busy for minutes with what came"
    at_s = max(at_s, said[-1].t_s) + 1.0
    adapter.receive(b"\r", at_s)
    drained(adapter)
    adapter.receive(b"ATI\r", at_s + 10.0)
    assert b"OBD interface v1.0" in b"".join(due.data for due in drained(adapter))


def drained(adapter: Adapter) -> list:
    said = []
    while adapter.due() is not None:
        said.append(adapter.pop())
    return said or [type("Nothing", (), {"t_s": 0.0, "data": b""})()]


def test_a_line_of_fifty_megabytes_over_a_socket():
    with serve_tcp(StillCar(), timing=QUICK) as url:
        where = urlsplit(url)
        with socket.create_connection((where.hostname, where.port), timeout=20) as client:
            start = time.monotonic()
            client.sendall(b"A" * MANY + b"\r")
            said = b""
            while not said.endswith(b">"):
                said += client.recv(4096)
            client.sendall(b"ATI\r")
            while b"OBD interface v1.0" not in said:
                said += client.recv(4096)
            assert b"?" in said
            assert len(said) < 1000
            assert time.monotonic() - start < 20


@pytest.mark.parametrize("data", ["02010C0000000000", "1008010C00000000", "0209020000000000"])
def test_a_client_that_floods_the_bus(data):
    car = CanCar(StillCar(), QUICK)
    frames = [CanFrame(0x7DF, bytes.fromhex(data)), CanFrame(0x7E0, bytes.fromhex(data))]
    with bounded(60, 10):
        for n in range(30_000):
            car.receive(frames[n % 2], 100.0 + n / 1e6)
    sent = 0
    while car.due() is not None:
        sent += 1
        last_s = car.pop().t_s
    assert sent
    assert last_s < 110.0


def test_a_serial_line_can_interface_without_an_end_of_a_line():
    wires = pytest.importorskip("logbench.simulator.wires")
    wire = wires.SlcanWire()
    try:
        with bounded(60, 0.5):
            for _ in range(1_000_000):
                wire._character(0x41)
    finally:
        wire.close()
