"""The Bluetooth link against a fake peripheral at the bleak interface: the simulated adapter
behind characteristics of several makes' layouts."""

from __future__ import annotations

import asyncio
import socket
import threading
from contextlib import closing
from dataclasses import dataclass, field

import pytest

from logbench.errors import (
    AdapterMuteError,
    ConnectingStoppedError,
    LinkLostError,
    PortMissingError,
)
from logbench.simulator.timing import Timing
from logbench.vehicle.discovery import discover
from logbench.vehicle.links.ble import serial_pairs
from logbench.vehicle.links.schemes import open_link
from logbench.vehicle.poller import Poller
from tests.serving import serve_tcp
from tests.still import StillCar

bleak = pytest.importorskip("bleak", reason="the extra 'ble' is not installed")

ADDRESS = "00:11:22:33:44:55"
BASE = "-0000-1000-8000-00805f9b34fb"
QUICK = Timing(latency_ms=1.0, command_ms=0.5, reset_ms=20.0)


@dataclass(eq=False)
class FakeCharacteristic:
    uuid: str
    properties: list[str]
    max_write_without_response_size: int = 20


@dataclass
class FakeService:
    uuid: str
    characteristics: list[FakeCharacteristic]


def short(number: int) -> str:
    return f"{number:08x}{BASE}"


BATTERY = FakeService(short(0x180F), [FakeCharacteristic(short(0x2A19), ["read", "notify"])])
ALERT = FakeService(
    short(0x1811), [FakeCharacteristic(short(0x2A44), ["write"]),
                    FakeCharacteristic(short(0x2A46), ["notify"])],
)  # fmt: skip
TWO = FakeService(
    short(0xFFF0), [FakeCharacteristic(short(0xFFF1), ["notify"]),
                    FakeCharacteristic(short(0xFFF2), ["write", "write-without-response"])],
)  # fmt: skip
ONE = FakeService(
    short(0xFFE0),
    [FakeCharacteristic(short(0xFFE1), ["read", "write-without-response", "notify"])],
)
UART = FakeService(
    "6e400001-b5a3-f393-e0a9-e50e24dcca9e",
    [
        FakeCharacteristic("6e400002-b5a3-f393-e0a9-e50e24dcca9e", ["write"]),
        FakeCharacteristic("6e400003-b5a3-f393-e0a9-e50e24dcca9e", ["notify"]),
    ],
)
DEAF = FakeService(
    short(0xFE00), [FakeCharacteristic(short(0xFE01), ["notify", "write-without-response"])]
)


@dataclass
class FakePeripheral:
    """What is in the air: its services, and the simulated adapter behind one of them."""

    services: list[FakeService]
    serial: FakeService | None
    place: tuple[str, int] = ("", 0)
    present: bool = True
    longest: int = 0
    clients: list[FakeClient] = field(default_factory=list)

    def client(self, address: str, disconnected_callback=None) -> FakeClient:
        client = FakeClient(self, disconnected_callback)
        self.clients.append(client)
        return client


class FakeClient:
    """The part of bleak's client that the link uses; bytes go to the simulated adapter's socket."""

    def __init__(self, peripheral: FakePeripheral, lost) -> None:
        self.peripheral, self.lost = peripheral, lost
        self.services = peripheral.services
        self._socket: socket.socket | None = None
        self._listening = None
        self._thread: threading.Thread | None = None

    async def connect(self) -> None:
        if not self.peripheral.present:
            raise bleak.exc.BleakDeviceNotFoundError(ADDRESS)
        line = self._socket = socket.create_connection(self.peripheral.place)
        loop = asyncio.get_running_loop()

        def pump() -> None:
            while True:
                try:
                    data = line.recv(20)
                except OSError:
                    return
                if not data:
                    return
                loop.call_soon_threadsafe(self._notify, data)

        self._thread = threading.Thread(target=pump)
        self._thread.start()

    def _notify(self, data: bytes) -> None:
        serial = self.peripheral.serial
        if serial and self._listening and self._listening[0] in serial.characteristics:
            self._listening[1](self._listening[0], bytearray(data))

    async def start_notify(self, characteristic, callback) -> None:
        assert {"notify", "indicate"} & set(characteristic.properties)
        self._listening = (characteristic, callback)

    async def stop_notify(self, characteristic) -> None:
        self._listening = None

    async def write_gatt_char(self, characteristic, data: bytes, response: bool) -> None:
        needed = "write" if response else "write-without-response"
        assert needed in characteristic.properties
        assert len(data) <= 20
        if self.peripheral.serial and characteristic in self.peripheral.serial.characteristics:
            self._socket.sendall(data)

    async def disconnect(self) -> None:
        self.drop()

    def drop(self) -> None:
        if self._socket is not None:
            self._socket.shutdown(socket.SHUT_RDWR)
            self._socket.close()
            self._socket = None
            self._thread.join()


@pytest.fixture
def in_the_air(monkeypatch):
    """Puts a peripheral into the air; gives the link to it."""
    links = []
    with serve_tcp(StillCar(), timing=QUICK) as url:
        host, _, port = url.removeprefix("tcp://").rpartition(":")

        def put(peripheral: FakePeripheral):
            peripheral.place = (host, int(port))
            monkeypatch.setattr(bleak, "BleakClient", peripheral.client)
            monkeypatch.setattr("logbench.vehicle.links.ble.PROBE_TIMEOUT_S", 0.2)
            links.append(open_link(f"ble:{ADDRESS}"))
            return links[-1]

        yield put
        for link in links:
            link.close()


@pytest.mark.parametrize("serial", [TWO, ONE, UART], ids=["two", "one", "uart"])
def test_recording_over_each_layout(in_the_air, serial):
    link = in_the_air(FakePeripheral([BATTERY, ALERT, serial], serial))
    link.connect()
    facts = discover(link)
    assert facts.vin == "ZZ9TEST170X000001"
    poller = Poller(link, facts, ("RPM", "MAF", "ECT"))
    readings = [reading for _ in range(6) for reading in poller.step()]
    assert {r.signal: r.value for r in readings}["RPM"] == 750.0


def test_the_line_at_which_an_adapter_answers_is_taken(in_the_air):
    link = in_the_air(FakePeripheral([DEAF, BATTERY, ONE], ONE))
    link.connect()
    assert link.exchange(b"\x01\x0d").replies


@pytest.mark.worker_dies
def test_a_dead_thread_is_a_lost_link_at_once_and_connects_again(in_the_air):
    link = in_the_air(FakePeripheral([TWO], TWO))
    link.connect()
    port = link._device._talk.gate._port
    client = port._client

    def die() -> None:
        raise KeyboardInterrupt

    port._loop.call_soon_threadsafe(die)

    def asked_on() -> None:
        for _ in range(100):
            link.exchange(b"\x01\x0d")

    with pytest.raises(LinkLostError, match="Bluetooth part of the program failed"):
        asked_on()
    assert isinstance(port._thread.error, KeyboardInterrupt)
    client.drop()
    link.close()
    link.connect()
    assert link.exchange(b"\x01\x0d").replies


def test_pairs_by_property():
    pairs = serial_pairs([BATTERY, ALERT, UART, TWO, ONE])
    uuids = [(pair.notify.uuid[:8], pair.write.uuid[:8], pair.response) for pair in pairs]
    assert uuids == [
        ("0000fff1", "0000fff2", False),
        ("0000ffe1", "0000ffe1", False),
        ("6e400003", "6e400002", True),
        ("00002a46", "00002a44", True),
    ]
    assert serial_pairs([BATTERY]) == []


def test_nothing_at_the_address(in_the_air):
    link = in_the_air(FakePeripheral([], None, present=False))
    with pytest.raises(PortMissingError, match="Bluetooth"):
        link.connect()


def test_a_device_that_is_no_adapter(in_the_air):
    link = in_the_air(FakePeripheral([BATTERY, ALERT], None))
    with pytest.raises(AdapterMuteError, match="not an adapter"):
        link.connect()


@pytest.mark.parametrize("how", ["given up", "too late"])
def test_a_peripheral_that_never_answers(in_the_air, monkeypatch, how):
    """Asked now and then, the link gives up when told to, or when its time is over."""
    monkeypatch.setattr(
        "logbench.vehicle.links.ble.CONNECT_TIMEOUT_S", 0.2 if how == "too late" else 3600.0
    )
    peripheral = FakePeripheral([TWO], TWO)
    link, asked = in_the_air(peripheral), []

    async def never(client) -> None:
        await asyncio.Event().wait()

    def given_up() -> bool:
        asked.append(1)
        return how == "given up" and len(asked) > 3

    monkeypatch.setattr(FakeClient, "connect", never)
    link.given_up = given_up
    with pytest.raises(ConnectingStoppedError if how == "given up" else PortMissingError):
        link.connect()
    assert asked
    assert not any(thread.name == "bluetooth" for thread in threading.enumerate())


def test_out_of_range(in_the_air):
    peripheral = FakePeripheral([TWO], TWO)
    link = in_the_air(peripheral)
    with closing(link):
        link.connect()
        client = peripheral.clients[-1]
        client.drop()
        client.lost(client)
        with pytest.raises(LinkLostError, match="Bluetooth"):
            link.exchange(b"\x01\x0c")
    assert not any(thread.name == "bluetooth" for thread in threading.enumerate())
