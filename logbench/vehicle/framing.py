"""From frames to messages: ISO 15765-2 on CAN (our own fast path) and the older buses.

The fast path exists because polling must not be limited by Python; the tests hold it against
python-OBD's assembly. It is also stricter: a single frame shorter than it claims, a gap in the
sequence or a missing tail drops the message, where a shortened one would decode to nonsense.
The older buses are slow, so python-OBD's own assembly serves them.
"""

from __future__ import annotations

import logging
from collections.abc import Callable, Iterable, Iterator
from dataclasses import dataclass, field

from obd.protocols import ISO_14230_4_fast

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


def is_hex(line: bytes) -> bool:
    """True when every character is a hex digit and there is at least one."""
    return bool(line) and _HEX.issuperset(line)


def is_reply_address(ecu: str, id_bits: int) -> bool:
    """ISO 15765-4: ECUs answer on 7E8 to 7EF, or 18DAF1xx with 29 bits."""
    if id_bits == 11:
        return len(ecu) == 3 and ecu[:2] == "7E" and ecu[2] in "89ABCDEF"
    return len(ecu) == 8 and ecu[:6] == "18DAF1"


def request_address(ecu: str) -> str:
    """Physical request address (ISO 15765-4) of the ECU that answers on `ecu`."""
    if len(ecu) == 3:
        return f"{int(ecu, 16) - 8:03X}"
    return f"18DA{ecu[6:8]}F1"


def frames_of(length: int) -> int:
    """CAN frames of a message of `length` bytes (ISO 15765-2, classic CAN)."""
    return 1 if length <= 7 else 1 + -(-(length - 6) // 7)


@dataclass(slots=True)
class _Open:
    """A message of which frames are still to come."""

    buffer: bytearray
    total: int
    index: int = 1
    frames: int = 1


class CanAssembler:
    """Puts messages together frame by frame; frames of several ECUs may be interleaved.

    `frames` counts what was fed, `damaged` the frames that had to be dropped.
    """

    def __init__(self) -> None:
        self.frames = self.damaged = 0
        self.open: dict[str, _Open] = {}
        """By ECU: a first frame has come, the last one has not."""

    def feed(self, ecu: str, data: bytes) -> bytes | None:
        """The message that this frame of up to 8 data bytes completes, else None."""
        self.frames += 1
        kind = data[0] >> 4 if data else 15
        if kind == 0:
            length = data[0]
            if 0 < length <= 7 and len(data) > length:
                return bytes(data[1 : length + 1])
        elif kind == 1 and len(data) == 8:
            if ecu in self.open:
                self.damaged += self.open.pop(ecu).frames
            total = (data[0] & 0x0F) << 8 | data[1]
            if total > 7:
                self.open[ecu] = _Open(bytearray(data[2:]), total)
                return None
        elif kind == 2 and ecu in self.open:
            return self._go_on(ecu, data)
        self.damaged += 1
        return None

    def abandon(self) -> None:
        """Give up what is still open, as damaged."""
        self.damaged += sum(message.frames for message in self.open.values())
        self.open.clear()

    def _go_on(self, ecu: str, data: bytes) -> bytes | None:
        message = self.open[ecu]
        missing = message.total - len(message.buffer)
        if data[0] & 0x0F != message.index or len(data) <= min(missing, 7):
            self.damaged += self.open.pop(ecu).frames + 1
            return None
        message.buffer += data[1:]
        message.index = (message.index + 1) & 0x0F
        message.frames += 1
        if len(message.buffer) < message.total:
            return None
        del self.open[ecu]
        return bytes(message.buffer[: message.total])


def assemble_can(frames: Iterable[tuple[str, bytes]]) -> Assembled:
    """Messages from (ECU address, up to 8 data bytes) in order of arrival."""
    assembler = CanAssembler()
    messages = [
        (ecu, message) for ecu, data in frames if (message := assembler.feed(ecu, data)) is not None
    ]
    assembler.abandon()
    return Assembled(messages, assembler.frames, assembler.damaged)


def assemble_can_lines(lines: Iterable[bytes], id_bits: int) -> Assembled:
    """Messages from an adapter's lines with headers on: `7E8064100BE3FA813`.

    Spaces are tolerated. Lines that are hex but no whole frame of a reply address (cut short, two
    run together, an echo) count as damaged; lines that are not hex go to `other`.
    """
    width = 3 if id_bits == 11 else 8
    longest = width + 16
    frames: list[tuple[str, bytes]] = []
    damaged = 0
    other: list[str] = []
    for raw in lines:
        line = raw.replace(b" ", b"")
        if not is_hex(line):
            other.append(raw.decode("ascii", "replace"))
            continue
        text = line.decode("ascii").upper()
        ecu = text[:width]
        body = text[width:]
        if len(text) > longest or len(body) % 2 or not body or not is_reply_address(ecu, id_bits):
            damaged += 1
            continue
        frames.append((ecu, bytes.fromhex(body)))
    out = assemble_can(frames)
    out.damaged += damaged
    out.other = other
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


_LEGACY = ISO_14230_4_fast([])
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
    for raw in lines:
        line = raw.replace(b" ", b"")
        if not is_hex(line):
            out.other.append(raw.decode("ascii", "replace"))
            continue
        if len(line) % 2 or not 12 <= len(line) <= 22:
            out.damaged += 1
            continue
        if check is not None and not check(bytes.fromhex(line.decode("ascii"))):
            out.damaged += 1
            continue
        kept.append(line.decode("ascii").upper())
    out.frames = len(kept)
    for service, group in _by_reply(kept):
        try:
            messages = _LEGACY(group)
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
