"""`ble:ADDRESS`: an adapter on Bluetooth Low Energy. Needs the extra `ble` (bleak).

Adapters of this kind offer a serial line as two characteristics, or one for both ways. Which ones
is seen from their properties (notify, write), not by names or fixed numbers; where several fit, the
one at which an adapter answers is taken.
"""

from __future__ import annotations

import asyncio
import contextlib
import logging
import queue
import time
from collections.abc import Callable, Coroutine, Iterable, Sequence
from concurrent.futures import wait
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, TypeVar

from logbench.errors import AdapterMuteError, LinkLostError, PortMissingError, first_line
from logbench.foreign import Foreign
from logbench.system.limits import RADIO_PIECES
from logbench.system.threads import Supervised
from logbench.vehicle.gate import NONSENSE, LineGate
from logbench.vehicle.links.adapter import AdapterLink
from logbench.vehicle.links.device import CHECK_S, Talk
from logbench.vehicle.links.schemes import SCHEMES

if TYPE_CHECKING:
    from bleak import BleakClient
    from bleak.backends.characteristic import BleakGATTCharacteristic
    from bleak.backends.device import BLEDevice
    from bleak.backends.scanner import AdvertisementData
    from bleak.backends.service import BleakGATTService

log = logging.getLogger(__name__)

OPTIONS = frozenset({"protocol"})
CONNECT_TIMEOUT_S = 12.0
WRITE_TIMEOUT_S = 3.0
PROBE_TIMEOUT_S = 1.0
SMALLEST_CHUNK = 20
"""Bytes that fit the smallest MTU of the Bluetooth Core Specification (23) without its head."""
_ADOPTED = range(0x1800, 0x1900)
"""16-bit numbers of services with a meaning of their own (battery, device information …)."""
_GONE = (
    "The Bluetooth connection to the adapter broke off: check that it is plugged in and in range; "
    "connecting again."
)

T = TypeVar("T")


@dataclass(frozen=True, slots=True)
class SerialPair:
    """A pair of characteristics that may be a serial line."""

    notify: BleakGATTCharacteristic
    write: BleakGATTCharacteristic
    response: bool
    """True where writing must be acknowledged, which is slower."""


def serial_pairs(services: Iterable[BleakGATTService]) -> list[SerialPair]:
    """Pairs that can carry a serial line, the likeliest first.

    Both characteristics sit in one service; makers' own services come before adopted ones, writing
    without acknowledgement before writing with it.
    """
    found: list[tuple[tuple[bool, bool, bool], SerialPair]] = []
    for service in services:
        notifying = [
            c for c in service.characteristics if {"notify", "indicate"} & set(c.properties)
        ]
        for notify in notifying:
            for write in service.characteristics:
                quick = "write-without-response" in write.properties
                if quick or "write" in write.properties:
                    rank = (
                        _is_adopted(service.uuid),
                        not quick,
                        "notify" not in notify.properties,
                    )
                    found.append((rank, SerialPair(notify, write, not quick)))
    found.sort(key=lambda entry: entry[0])
    return [pair for _, pair in found]


def _is_adopted(uuid: str) -> bool:
    short = uuid.lower().endswith("-0000-1000-8000-00805f9b34fb")
    return short and int(uuid[:8], 16) in _ADOPTED


class BlePort:
    """A byte port over bleak, whose event loop runs in a thread of its own."""

    def __init__(self, address: str, check: Callable[[], None] | None = None) -> None:
        """`check` is called every 0.1 s of connecting; what it raises ends it."""
        self._check = check
        self._arrived: queue.SimpleQueue[bytes] = queue.SimpleQueue()
        self._gone = ""
        """Why the link is lost; '' while it is not."""
        self._pair: SerialPair | None = None
        self._client: BleakClient | None = None
        self._loop = asyncio.new_event_loop()
        self._thread = Supervised(
            "bluetooth",
            self._loop.run_forever,
            on_stop=lambda: self._loop.call_soon_threadsafe(self._loop.stop),
            on_death=self._died,
        )
        self._thread.start()
        try:
            self._connect(address)
        except BaseException:
            self.close()
            raise

    def _connect(self, address: str) -> None:
        try:
            import bleak
        except ImportError:
            raise SCHEMES["ble"].lacking() from None
        client = bleak.BleakClient(address, disconnected_callback=self._lost)
        self._client = client
        try:
            self._wait(client.connect(), CONNECT_TIMEOUT_S, self._check)
        except (bleak.exc.BleakError, OSError, TimeoutError, ValueError) as error:
            raise PortMissingError(
                f"No Bluetooth adapter answers at {address} ({first_line(error)}): switch "
                "Bluetooth on, bring the adapter into range and check the address."
            ) from None

    @property
    def pairs(self) -> list[SerialPair]:
        """What may be the serial line, the likeliest first."""
        return serial_pairs(self._client.services) if self._client is not None else []

    def use(self, pair: SerialPair) -> None:
        """Listen and write at `pair` from now on."""
        client = self._ready()
        if self._pair is not None:
            self._call(client.stop_notify(self._pair.notify))
        self._pair = pair
        self.read(0.0)
        self._call(client.start_notify(pair.notify, self._notified))

    def write(self, data: bytes) -> None:
        """Send all of `data`, in pieces that fit."""
        client, pair = self._ready(), self._pair
        assert pair is not None
        size = max(int(pair.write.max_write_without_response_size or 0), SMALLEST_CHUNK)
        for at in range(0, len(data), size):
            piece = data[at : at + size]
            self._call(client.write_gatt_char(pair.write, piece, response=pair.response))

    def read(self, timeout_s: float) -> bytes:
        """Whatever is there, waiting at most `timeout_s`; b'' when nothing came."""
        try:
            first = self._arrived.get(timeout=timeout_s)
        except queue.Empty:
            first = b""
        if not first:
            self._ready()
        pieces = [first]
        while not self._arrived.empty():
            pieces.append(self._arrived.get_nowait())
        return b"".join(pieces)

    def close(self) -> None:
        """Disconnect and end the thread."""
        client, self._client = self._client, None
        if client is not None and self._thread.alive:
            with contextlib.suppress(Exception):  # bleak's backends raise what they like here
                self._wait(client.disconnect(), WRITE_TIMEOUT_S)
        if self._thread.alive:
            self._thread.stop()
        self._thread.join()
        if not self._loop.is_closed():
            self._loop.close()

    def _notified(self, _: BleakGATTCharacteristic, data: bytearray) -> None:
        if self._arrived.qsize() < RADIO_PIECES:
            self._arrived.put(bytes(data))

    def _lost(self, _: BleakClient) -> None:
        self._gone = self._gone or _GONE
        self._arrived.put(b"")

    def _died(self, error: BaseException) -> None:
        """The thread is dead: the link is lost, and a new one has a thread of its own."""
        self._gone = (
            f"The Bluetooth part of the program failed ({type(error).__name__}): connecting again; "
            "report the fault with the log if it comes back."
        )
        self._arrived.put(b"")

    def _ready(self) -> BleakClient:
        if self._client is None or self._gone:
            raise LinkLostError(self._gone or _GONE)
        return self._client

    def _call(self, work: Coroutine[Any, Any, T]) -> T:
        import bleak

        try:
            return self._wait(work, WRITE_TIMEOUT_S)
        except (bleak.exc.BleakError, OSError, TimeoutError) as error:
            log.debug("bluetooth: %s", error)
            raise LinkLostError(_GONE) from None

    def _wait(
        self,
        work: Coroutine[Any, Any, T],
        timeout_s: float,
        check: Callable[[], None] | None = None,
    ) -> T:
        future = asyncio.run_coroutine_threadsafe(work, self._loop)
        until = time.monotonic() + timeout_s
        try:
            while not wait([future], CHECK_S).done:
                if not self._thread.alive:
                    work.close()  # nobody will run it any more
                    raise LinkLostError(self._gone or _GONE)
                if check is not None:
                    check()
                if time.monotonic() > until:
                    raise TimeoutError
            return future.result()
        finally:
            future.cancel()


class BleLink(AdapterLink):
    """An adapter on Bluetooth Low Energy."""

    def _open_port(self) -> LineGate:
        self.progress(f"Connecting to {self._place} over Bluetooth")
        port = BlePort(self._place, self.check)
        gate = LineGate(port)
        try:
            self._find_serial_line(port, gate)
        except BaseException:
            gate.close()
            raise
        return gate

    def _find_serial_line(self, port: BlePort, gate: LineGate) -> None:
        for pair in port.pairs:
            port.use(pair)
            if Talk(gate).say(NONSENSE, PROBE_TIMEOUT_S) is not None:
                log.info("serial line at %s, %s", pair.notify.uuid, pair.write.uuid)
                return
        raise AdapterMuteError(
            f"The Bluetooth device {self._place} is not an adapter with the common command "
            "language: check the address."
        )


# --- which devices are in the air ---

SCAN_S = 10.0
_EVERY_S = 0.25


@dataclass(frozen=True, slots=True)
class Found:
    """A device that was found."""

    address: str
    """What `ble:` takes: six bytes, or a UUID on macOS."""
    name: str
    """As the device calls itself; may be empty."""
    rssi_dbm: int
    """Strength of the signal: the nearer to 0, the nearer the device."""


OnFound = Callable[[Sequence[Found], float], None]
"""Called several times a second with what was found so far, the strongest first, and the share of
the time that has passed, 0 to 1. What it raises ends the scan."""


def scan(report: OnFound, seconds: float = SCAN_S) -> list[Found]:
    """Listen for so long; the strongest first. Connects to nothing.

    Raises `LinkUnknownError` without bleak, `PortMissingError` where Bluetooth cannot be used.
    """
    try:
        import bleak
    except ImportError:
        raise SCHEMES["ble"].lacking() from None
    try:
        return asyncio.run(_scan(report, seconds))
    except bleak.exc.BleakError as error:
        reason = first_line(error)
    except OSError as error:
        log.info("no scan: %s", error)
        reason = "this computer's Bluetooth service does not answer"
    raise PortMissingError(f"Bluetooth cannot be used ({reason}): switch it on and allow its use.")


async def _scan(report: OnFound, seconds: float) -> list[Found]:
    import bleak

    found: dict[str, Found] = {}

    def keep(device: BLEDevice, said: AdvertisementData) -> None:
        before = found.get(device.address)
        name = said.local_name or device.name or (before.name if before else "")
        name = Foreign(name[:60])
        found[device.address] = Found(device.address, name, said.rssi)

    start_s = time.monotonic()
    async with bleak.BleakScanner(keep):
        while (passed := time.monotonic() - start_s) < seconds:
            report(_strongest_first(found.values()), passed / seconds)
            await asyncio.sleep(min(_EVERY_S, seconds - passed))
    ranked = _strongest_first(found.values())
    report(ranked, 1.0)
    return ranked


def _strongest_first(found: Iterable[Found]) -> list[Found]:
    return sorted(found, key=lambda one: (-one.rssi_dbm, one.address))
