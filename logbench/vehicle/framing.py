"""Messages from CAN frames (ISO 15765-2, addresses of ISO 15765-4), also as an adapter's lines.

`CanAssembler` is the one of everything that is read from a car: a CAN interface, an adapter's
lines, a log of a bus. It is our own because polling must not be limited by Python, and because it
is strict: a single frame shorter than it claims, a gap in the sequence or a missing tail drops the
message, where a shortened one would decode to nonsense. The tests hold it against python-OBD and
can-isotp.
"""

from __future__ import annotations

import functools
import operator
from collections.abc import Iterable, Iterator
from dataclasses import dataclass, field, fields

N_CR_S = 1.0
"""ISO 15765-2: the longest wait for the next consecutive frame."""

NO_FRAME = "is not a frame of a message"
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


_HEX = b"0123456789ABCDEFabcdef"


@dataclass(slots=True)
class Raw:
    """What came back of one exchange, before filtering."""

    messages: list[tuple[str, bytes]] = field(default_factory=list)
    """ECU address in hex and the assembled message, service byte first."""
    times: list[tuple[int, int]] = field(default_factory=list)
    """Of each message: when its request left and when it came, ns; see `span_ns`. Empty: those of
    the exchange."""
    sent: int = 0
    received: int = 0
    """Characters (adapter) or bytes (CAN) on the link, for the cost model."""
    frames: int = 0
    """Reply frames seen, whole or not."""
    damaged: int = 0
    """Lines or frames that were dropped because they could not be understood."""
    other: list[str] = field(default_factory=list)
    """Lines that are not frames: status texts of the adapter, garbage."""

    def add(self, more: Raw) -> None:
        """What came back of a further exchange for the same request."""
        for part in fields(self):
            setattr(self, part.name, getattr(self, part.name) + getattr(more, part.name))


def hex_lines(lines: Iterable[bytes], out: Raw, more: bytes = b"") -> Iterator[str]:
    """Lines of hex digits (and characters of `more`), in capitals and without spaces; others go to
    `out.other`."""
    known = frozenset(_HEX + more)
    for raw in lines:
        line = raw.replace(b" ", b"")
        if line and known.issuperset(line):
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
    for text in hex_lines(lines, out):
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


# --- replies of which nobody says who sent them ---

NAMELESS = "ECU"
"""The name of any ECU whose adapter does not print headers."""
_KEPT = (0x43, 0x47, 0x4A)
_VALUES = (0x41, 0x62)
"""Replies with several PIDs, in any order: what two of them have in common is not seen here."""
_LIST_BYTES = 4
_LENGTH_DIGITS, _MOST_BARE_DIGITS = 3, 14


def told_apart(out: Raw) -> None:
    """Nameless replies to one request can be of several ECUs: the same twice counts once, lists of
    what is supported are put together; what contradicts another is dropped as damaged, since
    nobody can say whose it is. Trouble codes are kept, whoever has them."""
    found: dict[bytes, list[bytes]] = {}
    for _, data in out.messages:
        head = data if data[0] in _KEPT else data[: 1 if data[0] in _VALUES else 2]
        same = found.setdefault(head, [])
        if data not in same:
            same.append(data)
    out.messages = []
    for same in found.values():
        if len(same) == 1:
            out.messages.append((NAMELESS, same[0]))
        elif _is_list(same):
            bits = zip(*(data[-_LIST_BYTES:] for data in same), strict=True)
            union = bytes(functools.reduce(operator.or_, column) for column in bits)
            out.messages.append((NAMELESS, same[0][:-_LIST_BYTES] + union))
        else:
            out.damaged += len(same)


def _is_list(same: list[bytes]) -> bool:
    """Whether all are the same list of what is supported, in services 01, 06, 09 or 22."""
    head, *others = {data[:-_LIST_BYTES] for data in same}
    of = head[:-1] in (b"\x41", b"\x46", b"\x49", b"\x62\xf4", b"\x62\xf8")
    return of and not others and head[-1] % 0x20 == 0


@dataclass(slots=True)
class _Numbered:
    """One longer message after another in numbered lines: `014`, `0:490201…`, `1:…`."""

    total: int = 0
    """Bytes of the message whose lines come; 0 where none is begun."""
    lines: list[str] = field(default_factory=list)
    spoiled: bool = False
    """Lines of several messages were mixed, or one is missing: nothing is believed from then on."""

    def begin(self, total: int) -> None:
        self.spoiled = self.spoiled or self.total > 0
        self.total, self.lines = total, []

    def go_on(self, number: str, digits: str) -> bytes | None:
        """The message that this line completes, else None."""
        expected = f"{len(self.lines) % 16:X}"
        self.spoiled = self.spoiled or not self.total or number != expected or len(digits) % 2 > 0
        self.lines.append(digits)
        whole = "".join(self.lines)[: 2 * self.total]
        if self.spoiled or len(whole) < 2 * self.total:
            return None
        self.total = 0
        return bytes.fromhex(whole)


def assemble_bare_can_lines(lines: Iterable[bytes]) -> Raw:
    """Messages from an adapter's lines without headers: `410D00`, or `014`, `0:490201…`, `1:…`.

    Lines of several longer messages that are mixed cannot be told apart: they count as damaged.
    """
    out, numbered = Raw(), _Numbered()
    for text in hex_lines(lines, out, b":"):
        number, colon, digits = text.rpartition(":")
        if colon:
            out.frames += 1
            message = numbered.go_on(number, digits)
            out.damaged += numbered.spoiled
            if message is not None:
                out.messages.append((NAMELESS, message))
        elif len(text) == _LENGTH_DIGITS:
            numbered.begin(int(text, 16))
        elif len(text) % 2 or len(text) > _MOST_BARE_DIGITS:
            out.damaged += 1
        else:
            out.frames += 1
            out.messages.append((NAMELESS, bytes.fromhex(text)))
    out.damaged += numbered.total > 0
    told_apart(out)
    return out
