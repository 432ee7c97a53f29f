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
