"""Messages from frames: CAN (ISO 15765-2, addresses of ISO 15765-4), and an adapter's lines.

`CanAssembler` is the one of everything that is read from a car: a CAN interface, an adapter's
lines, a log of a bus. It is our own because polling must not be limited by Python, and because it
is strict: a single frame shorter than it claims, a gap in the sequence or a missing tail drops the
message, where a shortened one would decode to nonsense. The tests hold it against python-OBD and
can-isotp, and what is made of the lines of the older buses against python-OBD.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator
from dataclasses import dataclass, field

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


_HEX = frozenset(b"0123456789ABCDEFabcdef")


@dataclass(slots=True)
class Raw:
    """What came back of one exchange, before filtering."""

    messages: list[tuple[str, bytes]] = field(default_factory=list)
    """ECU address in hex and the assembled message, service byte first."""
    sent: int = 0
    received: int = 0
    """Characters (adapter) or bytes (CAN) on the link, for the cost model."""
    frames: int = 0
    """Reply frames seen, whole or not."""
    damaged: int = 0
    """Lines or frames that were dropped because they could not be understood."""
    other: list[str] = field(default_factory=list)
    """Lines that are no frames: status texts of the adapter, garbage."""


def _hex_lines(lines: Iterable[bytes], out: Raw) -> Iterator[str]:
    """Lines of hex digits, in capitals and without spaces; others go to `out.other`."""
    for raw in lines:
        line = raw.replace(b" ", b"")
        if line and _HEX.issuperset(line):
            yield line.decode("ascii").upper()
        else:
            out.other.append(raw.decode("ascii", "replace"))


def assemble_can_lines(lines: Iterable[bytes], id_bits: int) -> Raw:
    """Messages from an adapter's lines with headers on: `7E8064100BE3FA813`.

    Spaces are tolerated. Lines that are hex but no whole frame of a reply address (cut short, two
    run together, an echo) count as damaged; lines that are not hex go to `other`.
    """
    width = 3 if id_bits == 11 else 8
    longest = width + 16
    assembler = CanAssembler()
    out = Raw()
    for text in _hex_lines(lines, out):
        ecu, body = text[:width], text[width:]
        reply = reply_name(int(ecu, 16), id_bits == 29) == ecu
        if len(text) > longest or len(body) % 2 or not body or not reply:
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


_CODE_REPLIES = (0x43, 0x47, 0x4A)
_RESULTS = 0x46


def assemble_legacy_lines(
    lines: Iterable[bytes], check: Callable[[bytes], bool] | None = None
) -> Raw:
    """Messages of the older buses (`486B104100BE3FA813CK`).

    The ECU is its source address in hex (`10`). `check` verifies a frame with its last byte; None
    takes the adapter's word. Replies to code requests (0x43, 0x47, 0x4A) get a zero count byte, as
    on CAN; every line of monitor results (0x46) is a message of its own.
    """
    out = Raw()
    replies: dict[tuple[int, int], dict[str, list[bytes]]] = {}
    for text in _hex_lines(lines, out):
        whole = len(text) % 2 == 0 and 12 <= len(text) <= 22
        if whole and (check is None or check(bytes.fromhex(text))):
            data = bytes.fromhex(text[6:-2])
            group = data[0], out.frames if data[0] == _RESULTS else 0
            replies.setdefault(group, {}).setdefault(text[4:6], []).append(data)
            out.frames += 1
        else:
            out.damaged += 1
    for (service, _), by_ecu in replies.items():
        for ecu, parts in sorted(by_ecu.items()):
            message = _joined(service, parts)
            if message is None:
                out.damaged += len(parts)
            else:
                out.messages.append((ecu, message))
    return out


def _joined(service: int, parts: list[bytes]) -> bytes | None:
    """The message of one ECU; None where a line of it is missing. SAE J1979: lines of a longer
    reply are numbered behind service and PID, those with codes are not."""
    if service in _CODE_REPLIES:
        return bytes((service, 0)) + b"".join(part[1:] for part in parts)
    if len(parts) == 1:
        return parts[0]
    parts = sorted(parts, key=lambda part: part[2:3])
    if [part[2:3] for part in parts] != [bytes((n + 1,)) for n in range(len(parts))]:
        return None
    return parts[0][:2] + b"".join(part[3:] for part in parts)
