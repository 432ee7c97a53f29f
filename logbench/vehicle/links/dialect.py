"""The texts of the adapter's command language: protocols by number, status lines.

Facts of the trade; common practice, no source, except where python-OBD's own tables agree (the
tests compare the protocol numbers).
"""

from __future__ import annotations

import re
from enum import Enum

from logbench.vehicle.model import Protocol

PROTOCOLS: dict[str, Protocol] = {
    "1": Protocol("SAE J1850 PWM", is_can=False, id_bits=0, bit_rate=41_600),
    "2": Protocol("SAE J1850 VPW", is_can=False, id_bits=0, bit_rate=10_400),
    "3": Protocol("ISO 9141-2", is_can=False, id_bits=0, bit_rate=10_400),
    "4": Protocol("ISO 14230-4, 5 baud start", is_can=False, id_bits=0, bit_rate=10_400),
    "5": Protocol("ISO 14230-4, fast start", is_can=False, id_bits=0, bit_rate=10_400),
    "6": Protocol("ISO 15765-4 CAN, 11 bit, 500 kbit/s", True, 11, 500_000),
    "7": Protocol("ISO 15765-4 CAN, 29 bit, 500 kbit/s", True, 29, 500_000),
    "8": Protocol("ISO 15765-4 CAN, 11 bit, 250 kbit/s", True, 11, 250_000),
    "9": Protocol("ISO 15765-4 CAN, 29 bit, 250 kbit/s", True, 29, 250_000),
}
"""What the adapter's protocol numbers mean; `A` (SAE J1939) is not a passenger-car diagnosis."""

SEARCH_ORDER = "68792345 1".replace(" ", "")
"""Which to try one by one when the adapter's own search gives nothing: CAN first, it is quick."""


class Status(Enum):
    """What a status line of the adapter means to us."""

    SILENCE = "no answer from the car in time"
    NO_PROTOCOL = "no protocol of the car was found"
    NOT_UNDERSTOOD = "the adapter does not understand the command"
    BUS_TROUBLE = "the bus between adapter and car is disturbed"
    OVERRUN = "the adapter could not keep up"
    INTERRUPTED = "the adapter was interrupted"
    RESET = "the adapter restarted"


ADVICE = {
    Status.BUS_TROUBLE: "check the plug at the car's connector and its cable",
    Status.OVERRUN: "choose fewer signals if it happens often",
}
"""What the user can do about it."""

_EXACT = {
    "NODATA": Status.SILENCE,
    "UNABLETOCONNECT": Status.NO_PROTOCOL,
    "?": Status.NOT_UNDERSTOOD,
    "CANERROR": Status.BUS_TROUBLE,
    "BUSERROR": Status.BUS_TROUBLE,
    "BUSBUSY": Status.BUS_TROUBLE,
    "FBERROR": Status.BUS_TROUBLE,
    "DATAERROR": Status.BUS_TROUBLE,
    "BUFFERFULL": Status.OVERRUN,
    "STOPPED": Status.INTERRUPTED,
    "LVRESET": Status.RESET,
}
_WITHIN = {
    "<RXERROR": Status.BUS_TROUBLE,
    "<DATAERROR": Status.BUS_TROUBLE,
    "ACTALERT": Status.RESET,
    "LPALERT": Status.RESET,
}
_NOISE = re.compile(rb"(?:SEARCHING[:. ]*|BUS ?INIT[:. ]*OK[. ]*|[. ]+)+", re.IGNORECASE)
"""Search and bus-start texts, which may share a line with a frame."""


def status_of(line: str) -> Status | None:
    """Meaning of a line that is not a frame; None when it is not a known status text."""
    plain = line.upper().replace(" ", "")
    known = _EXACT.get(plain)
    if known is not None:
        return known
    for text, status in _WITHIN.items():
        if text in plain:
            return status
    if plain.startswith("BUSINIT") and plain.endswith("ERROR"):
        return Status.NO_PROTOCOL
    if plain.startswith("ERR") and plain[3:].isdigit():
        return Status.RESET
    return None


def lines_of(reply: bytes) -> list[bytes]:
    """Lines of a reply, up to the prompt, without empty ones, NULs and noise."""
    cleaned = reply.replace(b"\x00", b"").replace(b"\n", b"\r")
    lines = []
    for part in cleaned.split(b"\r"):
        line = part.strip()
        noise = _NOISE.match(line)
        lines.append(line[noise.end() :].strip() if noise else line)
    return [line for line in lines if line and line != b">"]
