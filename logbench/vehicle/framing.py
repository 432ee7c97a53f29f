"""Messages from frames: CAN (ISO 15765-2, addresses of ISO 15765-4), and an adapter's lines.

`CanAssembler` is the one of everything that is read from a car: a CAN interface, an adapter's
lines, a log of a bus. It is our own because polling must not be limited by Python, and because it
is strict: a single frame shorter than it claims, a gap in the sequence or a missing tail drops the
message, where a shortened one would decode to nonsense. The tests hold it against python-OBD and
can-isotp. The older buses are slow, so python-OBD's own assembly serves them.
"""

from __future__ import annotations

import logging
from collections.abc import Callable, Iterable, Iterator
from dataclasses import dataclass, field
from functools import cache
from typing import Any

N_CR_S = 1.0
"""ISO 15765-2: the longest wait for the next consecutive frame."""

NO_FRAME = "is no frame of a message"
OUT_OF_SEQUENCE = "is out of sequence"
TOO_SHORT = "is shorter than its message says"
TOO_LATE = "comes too late after the frame before"
BREAKS_OFF = "breaks off the message before it"


def reply_name(identifier: int, extended: bool) -> str | None:
    """Name of the ECU that answers with `identifier`: 7E8 to 7EF, or 18DAF1xx; else None."""
    if extended:
        return f"{identifier:08X}" if identifier >> 8 == 0x18DAF1 else None
    return f"{identifier:03X}" if 0x7E8 <= identifier <= 0x7EF else None


def is_reply_address(ecu: str, id_bits: int) -> bool:
    """The same of an identifier in hex digits, as adapters print it."""
    return reply_name(int(ecu, 16), id_bits == 29) == ecu


def request_address(ecu: str) -> str:
    """Physical request address of the ECU that answers on `ecu`."""
    if len(ecu) == 3:
        return f"{int(ecu, 16) - 8:03X}"
    return f"18DA{ecu[6:8]}F1"


def frames_of(length: int) -> int:
    """CAN frames of a message of `length` bytes (classic CAN)."""
    return 1 if length <= 7 else 1 + -(-(length - 6) // 7)


@dataclass(slots=True)
class _Open:
    """A message of which frames are still to come."""

    buffer: bytearray
    total: int
    t_s: float
    index: int = 1
    frames: int = 1


class CanAssembler:
    """Puts messages together frame by frame; frames of several ECUs may be interleaved.

    `frames` counts what was fed, `damaged` the frames that had to be dropped.
    """

    def __init__(self) -> None:
        self.frames = self.damaged = 0
        self.fault = ""
        """Why the last frame, or the message it belongs to, was dropped; '' if nothing was."""
        self.open: dict[str, _Open] = {}
        """By ECU: a first frame has come, the last one has not."""

    def feed(self, ecu: str, data: bytes, t_s: float = 0.0) -> bytes | None:
        """The message that this frame of up to 8 data bytes completes, else None.

        `t_s`: when it came, on any clock; always 0 where nobody knows.
        """
        self.frames += 1
        self.fault = ""
        kind = data[0] >> 4 if data else 15
        if kind == 0:
            length = data[0]
            if 0 < length <= 7 and len(data) > length:
                self._break_off(ecu)
                return bytes(data[1 : length + 1])
        elif kind == 1 and len(data) == 8:
            self._break_off(ecu)
            total = (data[0] & 0x0F) << 8 | data[1]
            if total > 7:
                self.open[ecu] = _Open(bytearray(data[2:]), total, t_s)
                return None
        elif kind == 2 and ecu in self.open:
            return self._go_on(ecu, data, t_s)
        self.fault = NO_FRAME
        self.damaged += 1
        return None

    def abandon(self) -> None:
        """Give up what is still open, as damaged."""
        self.damaged += sum(message.frames for message in self.open.values())
        self.open.clear()

    def _break_off(self, ecu: str) -> None:
        """ISO 15765-2: a new message of a sender ends the one it has not finished."""
        if ecu in self.open:
            self.damaged += self.open.pop(ecu).frames
            self.fault = BREAKS_OFF

    def _go_on(self, ecu: str, data: bytes, t_s: float) -> bytes | None:
        message = self.open[ecu]
        missing = message.total - len(message.buffer)
        if data[0] & 0x0F != message.index:
            self.fault = OUT_OF_SEQUENCE
        elif len(data) <= min(missing, 7):
            self.fault = TOO_SHORT
        elif t_s - message.t_s > N_CR_S:
            self.fault = TOO_LATE
        if self.fault:
            self.damaged += self.open.pop(ecu).frames + 1
            return None
        message.buffer += data[1:]
        message.index = (message.index + 1) & 0x0F
        message.frames += 1
        message.t_s = t_s
        if len(message.buffer) < message.total:
            return None
        del self.open[ecu]
        return bytes(message.buffer[: message.total])


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
