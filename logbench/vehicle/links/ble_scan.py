"""Which Bluetooth Low Energy devices are in the air. Needs the extra `ble` (bleak)."""

from __future__ import annotations

import asyncio
import logging
import time
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

from logbench.errors import PortMissingError, first_line
from logbench.vehicle.links.schemes import SCHEMES

if TYPE_CHECKING:
    from bleak.backends.device import BLEDevice
    from bleak.backends.scanner import AdvertisementData

log = logging.getLogger(__name__)

SCAN_S = 10.0
_EVERY_S = 0.25


@dataclass(frozen=True, slots=True)
class Heard:
    """A device that was heard."""

    address: str
    """What `ble:` takes: six bytes, or a UUID on macOS."""
    name: str
    """As the device calls itself; may be empty."""
    rssi_dbm: int
    """Strength of the signal: the nearer to 0, the nearer the device."""


Told = Callable[[Sequence[Heard], float], None]
"""Called several times a second with what was heard so far, the strongest first, and the share of
the time that has passed, 0 to 1. What it raises ends the scan."""


def scan(told: Told, seconds: float = SCAN_S) -> list[Heard]:
    """Listen for so long; the strongest first. Connects to nothing.

    Raises `LinkUnknownError` without bleak, `PortMissingError` where Bluetooth cannot be used.
    """
    try:
        import bleak
    except ImportError:
        raise SCHEMES["ble"].lacking() from None
    try:
        return asyncio.run(_scan(told, seconds))
    except bleak.exc.BleakError as error:
        reason = first_line(error)
    except OSError as error:
        log.info("no scan: %s", error)
        reason = "this computer's Bluetooth service does not answer"
    raise PortMissingError(f"Bluetooth cannot be used ({reason}): switch it on and allow its use.")


async def _scan(told: Told, seconds: float) -> list[Heard]:
    import bleak

    heard: dict[str, Heard] = {}

    def hear(device: BLEDevice, said: AdvertisementData) -> None:
        before = heard.get(device.address)
        name = said.local_name or device.name or (before.name if before else "")
        heard[device.address] = Heard(device.address, name, said.rssi)

    begun = time.monotonic()
    async with bleak.BleakScanner(hear):
        while (passed := time.monotonic() - begun) < seconds:
            told(_strongest_first(heard.values()), passed / seconds)
            await asyncio.sleep(min(_EVERY_S, seconds - passed))
    found = _strongest_first(heard.values())
    told(found, 1.0)
    return found


def _strongest_first(heard: Iterable[Heard]) -> list[Heard]:
    return sorted(heard, key=lambda one: (-one.rssi_dbm, one.address))
