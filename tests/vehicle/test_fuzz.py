"""Damaged replies by the hundred thousand: nothing but our own errors escapes, and nothing outside
its signal's range is stored."""

from __future__ import annotations

import math
import random
from collections.abc import Callable
from types import SimpleNamespace

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from logbench.errors import LinkError, LogbenchError
from logbench.signals.table import table
from logbench.simulator.adapter import Adapter
from logbench.simulator.timing import Timing
from logbench.vehicle import poller
from logbench.vehicle.discovery import discover
from logbench.vehicle.gate import LineGate
from logbench.vehicle.links import adapter, device
from logbench.vehicle.links.adapter import AdapterLink
from logbench.vehicle.links.schemes import LinkUrl
from logbench.vehicle.model import Reading
from logbench.vehicle.poller import Poller
from tests.still import StillCar

TWELVE = (
    *("RPM", "VSS", "ECT", "IAT", "MAF", "MAP", "LOAD_PCT"),
    *("SHRTFT1", "LONGFT1", "TP", "SPARKADV", "VPWR"),
)
STATUS = (
    *(b"NO DATA", b"CAN ERROR", b"BUS BUSY", b"BUFFER FULL", b"STOPPED", b"?", b"<RX ERROR"),
    *(b"UNABLE TO CONNECT", b"LV RESET", b"ERR94", b"SEARCHING...", b"ACT ALERT", b"OK"),
    *(b"DATA ERROR", b"BUS INIT: ...ERROR", b"7E8037F0178", b"7E8037F0112", b"7E8 30 00 00"),
)
Damage = Callable[[bytes], bytes]


class Clock:
    """Virtual time, so that no timeout is waited for."""

    def __init__(self) -> None:
        self.now_s = 0.0

    def monotonic(self) -> float:
        self.now_s += 1e-5
        return self.now_s


class DamagedPort:
    """A byte port straight to the simulated adapter's machine; what it says may be damaged."""

    def __init__(self, clock: Clock, number: str) -> None:
        self.clock = clock
        self.adapter = Adapter(StillCar(), Timing(), protocol=number)
        self.damage: Damage = bytes
        self.replies = 0
        self._ready = b""

    def write(self, data: bytes) -> None:
        self.adapter.receive(data, self.clock.now_s)
        said = b""
        while self.adapter.due() is not None:
            due = self.adapter.pop()
            said += due.data
            self.clock.now_s = max(self.clock.now_s, due.t_s)
        self.replies += 1
        self._ready += self.damage(said)

    def read(self, timeout_s: float) -> bytes:
        if not self._ready:
            self.clock.now_s += timeout_s
            return b""
        ready, self._ready = self._ready, b""
        return ready

    def close(self) -> None:
        self._ready = b""


class DamagedLink(AdapterLink):
    """An adapter link over a `DamagedPort`."""

    def __init__(self, port: DamagedPort) -> None:
        super().__init__(LinkUrl("test:", ""))
        self.port = port

    def _open_port(self) -> LineGate:
        return LineGate(self.port)


@pytest.fixture
def clock(monkeypatch) -> Clock:
    clock = Clock()
    virtual = SimpleNamespace(
        monotonic=clock.monotonic, monotonic_ns=lambda: round(clock.monotonic() * 1e9)
    )
    for module in (adapter, device, poller):
        monkeypatch.setattr(module, "time", virtual)
    return clock


def whole(clock: Clock, number: str = "6") -> tuple[DamagedPort, DamagedLink, Poller]:
    """A poller on a link that has connected without damage."""
    port = DamagedPort(clock, number)
    link = DamagedLink(port)
    link.connect()
    facts = discover(link)
    return port, link, Poller(link, facts, TWELVE, dict.fromkeys(TWELVE, 10.0))


def check(readings) -> None:
    for reading in readings:
        signal = table().by_acronym(reading.signal)
        assert reading.signal in TWELVE
        assert math.isnan(reading.value) or signal.minimum <= reading.value <= signal.maximum


def damaged(chance: random.Random) -> Damage:
    """One random way to spoil a reply, often harmless, sometimes thorough."""

    def damage(said: bytes) -> bytes:
        if chance.random() < 0.3:
            return said
        text = bytearray(said)
        for _ in range(chance.randint(1, 4)):
            at = chance.randrange(len(text) + 1)
            to = min(len(text), at + chance.randint(1, 12))
            kind = chance.randrange(10)
            if kind == 0:
                text[at:at] = chance.randbytes(chance.randint(1, 8))
            elif kind == 1:
                del text[at:to]
            elif kind == 2 and at < len(text):
                text[at] ^= 1 << chance.randrange(8)
            elif kind == 3 and at < len(text):
                text[at] = chance.choice(b"0123456789ABCDEF")
            elif kind == 4:
                text = bytearray(text.replace(b"\r", b"", chance.randint(1, 3)))
            elif kind == 5:
                text[at:at] = b"\r" + chance.choice(STATUS) + b"\r"
            elif kind == 6:
                text[at:at] = text[at:to]
            elif kind == 7:
                text[at:at] = chance.choice((b">", b"\x00", b"\r>", b" ", b"\n"))
            elif kind == 8:
                lines = bytes(text).split(b"\r")
                chance.shuffle(lines)
                text = bytearray(b"\r".join(lines))
            else:
                text = bytearray(chance.choice(STATUS) + b"\r\r>")
        return bytes(text)

    return damage


@pytest.mark.slow
@pytest.mark.parametrize("number", ["6", "7", "5"])
def test_a_hundred_thousand_damaged_replies(clock, number):
    wanted = {"6": 70_000, "7": 20_000, "5": 10_000}[number]
    chance = random.Random(int(number))
    port, link, poller = whole(clock, number)
    seen = stored = 0
    while seen < wanted:
        port.damage = damaged(chance)
        before = port.replies
        try:
            for _ in range(200):
                readings = poller.step()
                check(readings)
                stored += len(readings)
        except LinkError:
            pass  # the damage was such that the link counts as lost: try again
        seen += port.replies - before
    assert stored > wanted // 10
    # Undamaged again, the same poller goes on with every signal, also those it gave up for a while.
    port.damage = bytes
    fresh: set[str] = set()
    for _ in range(4000):
        fresh |= {reading.signal for reading in steady(poller)}
    assert fresh == set(TWELVE)
    assert link.connected


def steady(poller: Poller) -> list[Reading]:
    """One step; what an earlier damage has left behind may still cost a few."""
    try:
        readings = poller.step()
    except LinkError:
        return []
    check(readings)
    return readings


@pytest.mark.parametrize("number", ["6", "9", "1"])
def test_connecting_and_discovery_through_damage(clock, number):
    chance = random.Random(11)
    connected = 0
    sentences: set[str] = set()
    for _ in range(150):
        port = DamagedPort(clock, number)
        link = DamagedLink(port)
        port.damage = damaged(chance)
        try:
            link.connect()
            facts = discover(link)
            check(Poller(link, facts, TWELVE).step())
            connected += 1
        except LogbenchError as error:
            sentences.add(str(error))
        finally:
            link.close()
    assert 0 < connected < 150
    assert all(text.endswith(".") and "\n" not in text for text in sentences)


@settings(
    max_examples=400, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture]
)
@given(st.lists(st.binary(max_size=60) | st.sampled_from(STATUS), max_size=8))
def test_arbitrary_replies(clock, pieces):
    port, _, poller = whole(clock)
    queue = list(pieces)
    port.damage = lambda said: queue.pop(0) + b"\r>" if queue else said
    for _ in range(len(pieces) + 2):
        try:
            check(poller.step())
        except LinkError:
            break
