"""From an adapter's lines to messages: frames of CAN and of the older buses.

CAN goes through the assembler of `isotp.py`; the older buses are slow, so python-OBD's own assembly
serves them.
"""

from __future__ import annotations

import logging
from collections.abc import Callable, Iterable, Iterator
from dataclasses import dataclass, field
from functools import cache
from typing import Any

from logbench.vehicle.isotp import CanAssembler, is_reply_address

log = logging.getLogger(__name__)

_HEX = frozenset(b"0123456789ABCDEFabcdef")


@dataclass(slots=True)
class Assembled:
    """Messages of one reply, with what had to be dropped on the way."""

    messages: list[tuple[str, bytes]] = field(default_factory=list)
    frames: int = 0
    damaged: int = 0
    other: list[str] = field(default_factory=list)
    """Lines that are no frames: status texts of the adapter, garbage."""


def _hex_lines(lines: Iterable[bytes], out: Assembled) -> Iterator[str]:
    """Lines of hex digits, in capitals and without spaces; others go to `out.other`."""
    for raw in lines:
        line = raw.replace(b" ", b"")
        if line and _HEX.issuperset(line):
            yield line.decode("ascii").upper()
        else:
            out.other.append(raw.decode("ascii", "replace"))


def assemble_can_lines(lines: Iterable[bytes], id_bits: int) -> Assembled:
    """Messages from an adapter's lines with headers on: `7E8064100BE3FA813`.

    Spaces are tolerated. Lines that are hex but no whole frame of a reply address (cut short, two
    run together, an echo) count as damaged; lines that are not hex go to `other`.
    """
    width = 3 if id_bits == 11 else 8
    longest = width + 16
    assembler = CanAssembler()
    out = Assembled()
    for text in _hex_lines(lines, out):
        ecu, body = text[:width], text[width:]
        if len(text) > longest or len(body) % 2 or not body or not is_reply_address(ecu, id_bits):
            out.damaged += 1
            continue
        message = assembler.feed(ecu, bytes.fromhex(body))
        if message is not None:
            out.messages.append((ecu, message))
    assembler.abandon()
    out.frames = assembler.frames
    out.damaged += assembler.damaged
    return out


def sum_check(frame: bytes) -> bool:
    """ISO 9141-2 and ISO 14230-2: the last byte is the sum of the others modulo 256."""
    return sum(frame[:-1]) & 0xFF == frame[-1]


def crc_check(frame: bytes) -> bool:
    """SAE J1850: CRC-8, polynomial 1D, start FF, inverted."""
    crc = 0xFF
    for byte in frame[:-1]:
        crc ^= byte
        for _ in range(8):
            crc = (crc << 1 ^ 0x1D if crc & 0x80 else crc << 1) & 0xFF
    return crc ^ 0xFF == frame[-1]


@cache
def _joined() -> Callable[[list[str]], list[Any]]:
    """python-OBD's own way to join the lines of one reply."""
    from obd.protocols import ISO_14230_4_fast  # here because the import takes a quarter second

    joined: Callable[[list[str]], list[Any]] = ISO_14230_4_fast([])
    return joined


_CODE_REPLIES = frozenset({"43", "47", "4A"})


def assemble_legacy_lines(
    lines: Iterable[bytes], check: Callable[[bytes], bool] | None = None
) -> Assembled:
    """Messages of the older buses (`486B104100BE3FA813CK`) through python-OBD's assembly.

    The ECU is its source address in hex (`10`). `check` verifies a frame with its last byte; None
    takes the adapter's word. Replies to code requests (0x43, 0x47, 0x4A) get python-OBD's zero
    count byte, as on CAN; every line of monitor results (0x46) is a message of its own.
    """
    out = Assembled()
    kept: list[str] = []
    for text in _hex_lines(lines, out):
        whole = len(text) % 2 == 0 and 12 <= len(text) <= 22
        if whole and (check is None or check(bytes.fromhex(text))):
            kept.append(text)
        else:
            out.damaged += 1
    out.frames = len(kept)
    for service, group in _by_reply(kept):
        try:
            messages = _joined()(group)
        except (IndexError, ValueError) as error:
            # python-OBD trusts that every line of a multi-line reply has its order byte.
            log.debug("older-bus reply not understood: %s", error)
            out.damaged += len(group)
            continue
        for message in messages:
            if message.parsed() and len(message.data) > 0:
                data = bytes(message.data)
                if service in _CODE_REPLIES:
                    data = bytes.fromhex(service) + data[1:]
                out.messages.append((f"{message.tx_id:02X}", data))
    if kept and not out.messages and not out.damaged:
        out.damaged += len(kept)
    return out


def _by_reply(lines: list[str]) -> Iterator[tuple[str, list[str]]]:
    """Lines that belong together, with their service byte in hex.

    WORKAROUND: python-OBD joins lines without an order byte for 0x43 only, so that other codes take
    its place on the way through; and it joins monitor results, which are messages by themselves.
    """
    groups: dict[str, list[str]] = {}
    for line in lines:
        groups.setdefault(line[6:8], []).append(line)
    for service, group in groups.items():
        if service in _CODE_REPLIES:
            yield service, [f"{line[:6]}43{line[8:]}" for line in group]
        elif service == "46":
            yield from ((service, [line]) for line in group)
        else:
            yield service, group
