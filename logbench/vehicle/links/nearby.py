"""Ways to a car that are there at this moment, without a byte to what may be no adapter."""

from __future__ import annotations

import shutil
import socket
import subprocess
from collections.abc import Callable, Iterable
from dataclasses import dataclass
from urllib.parse import urlsplit

from logbench.system import platforms
from logbench.vehicle.links.schemes import SCHEMES, USUAL_WIFI, LinkChoice

_ANSWER_S = 1.5
_ASK_S = 5.0
_MOST_PAIRED = 8


@dataclass(frozen=True, slots=True)
class Nearby:
    """What was found."""

    links: tuple[LinkChoice, ...]
    """The likeliest adapter first."""
    paired: tuple[str, ...]
    """Names of Bluetooth devices that the computer is paired with, as they give them."""


def answers(url: str) -> bool:
    """Whether something listens at the network address of a `tcp:` link."""
    parts = urlsplit(url)
    try:
        socket.create_connection((str(parts.hostname), int(parts.port or 0)), _ANSWER_S).close()
    except OSError:
        return False
    return True


def paired_names() -> tuple[str, ...]:
    """Bluetooth devices paired with this computer, as BlueZ lists them; elsewhere paired adapters
    are serial ports, and none are listed here."""
    command = shutil.which("bluetoothctl") if platforms.SYSTEM == "linux" else None
    if command is None:
        return ()
    try:
        told = subprocess.run(
            [command, "devices", "Paired"],
            capture_output=True, timeout=_ASK_S, check=False, stdin=subprocess.DEVNULL,
        ).stdout.decode("utf-8", "replace")  # fmt: skip
    except (OSError, subprocess.SubprocessError):
        return ()
    lines = [line.split(" ", 2) for line in told.splitlines() if line.startswith("Device ")]
    return tuple(line[2].strip() for line in lines if len(line) == 3)[:_MOST_PAIRED]


def find_nearby(
    ports: Callable[[], Iterable[LinkChoice]] = SCHEMES["serial"].devices,
    answering: Callable[[str], bool] = answers,
    paired: Callable[[], tuple[str, ...]] = paired_names,
) -> Nearby:
    """Serial ports, the Wi-Fi adapter's usual address, paired Bluetooth devices.

    What answers at the usual address is the likeliest; then serial ports on USB before those of
    Bluetooth and of the board (common practice, no source).
    """
    wifi = [choice for choice in SCHEMES["tcp"].devices() if choice.url == USUAL_WIFI]
    found = [choice for choice in wifi if answering(choice.url)]
    return Nearby((*found, *sorted(ports(), key=_rank)), paired())


def _rank(port: LinkChoice) -> int:
    title = port.title.lower()
    if "bluetooth" in title or "rfcomm" in title:
        return 1
    return 0 if "usb" in title else 2
