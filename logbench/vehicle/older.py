"""Messages from an adapter's lines of the older buses: SAE J1850, ISO 9141-2, ISO 14230-4.

A frame is three header bytes (the third names the sender), one to seven data bytes and a check
byte. What of that an adapter prints differs; the reply to 01 00, whose data have six bytes in every
car, shows it (`form_of`). SAE J1979 for these buses: replies to service 09 come in numbered lines,
those with trouble codes in lines of three codes, any other line is a reply by itself. From memory;
re-check against the standard. The tests hold it against frames of every legal length and, where it
has the service, python-OBD.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass

from logbench.vehicle.framing import NAMELESS, Raw, hex_lines, told_apart


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


_LIST, _LIST_BYTES = b"\x41\x00", 6
_HEADER = 3
_MOST_DATA = 7


@dataclass(frozen=True, slots=True)
class Form:
    """What an adapter prints of a frame: `head` bytes before the data, `tail` bytes behind them, of
    which the first is verified by `check` unless that is None (the adapter's word is taken)."""

    head: int = _HEADER
    tail: int = 1
    check: Callable[[bytes], bool] | None = None

    def data_of(self, frame: bytes) -> bytes:
        """The data bytes of a whole frame; b'' for one that is none."""
        end = len(frame) - self.tail
        data = frame[self.head : end]
        if not data or (self.check is not None and not self.check(frame[: end + 1])):
            return b""
        # ISO 14230-2: two high bits that are not both zero, and the length below them. The header
        # bytes of the other buses (48 6B) have 01 there.
        counted = frame[0] & 0x3F if self.head and frame[0] & 0x80 else 0
        return data if len(data) == counted or (not counted and len(data) <= _MOST_DATA) else b""


def form_of(lines: Iterable[bytes], check: Callable[[bytes], bool]) -> Form | None:
    """How the lines of a reply to 01 00 are printed; None where they are no such reply. `check` is
    the bus's, used from then on if it holds for all of them."""
    frames = [bytes.fromhex(text) for text in hex_lines(lines, Raw()) if len(text) % 2 == 0]
    for head in (_HEADER, 0):
        for tail in (1, 0, 2):
            length = head + _LIST_BYTES + tail
            fit = [f for f in frames if len(f) == length and f[head : head + 2] == _LIST]
            if fit:
                holds = tail > 0 and all(check(f[: head + _LIST_BYTES + 1]) for f in fit)
                return Form(head, tail, check if holds else None)
    return None


def assemble_older_lines(lines: Iterable[bytes], form: Form) -> Raw:
    """Messages of the lines of one reply (`486B104100BE3FA813CK`), service byte first.

    The ECU is its source address in hex (`10`), `NAMELESS` where headers are not printed. Line
    numbers of service 09 are left out, lines of trouble codes joined, negative responses are three
    bytes long as on CAN. A line that is not a whole frame, and all lines of a reply of which one is
    missing, count as damaged.
    """
    out = Raw()
    joined: dict[tuple[str, bytes], list[bytes]] = {}
    for text in hex_lines(lines, out):
        frame = bytes.fromhex(text) if len(text) % 2 == 0 else b""
        data = form.data_of(frame) if frame else b""
        if not data:
            out.damaged += 1
            continue
        out.frames += 1
        ecu = f"{frame[2]:02X}" if form.head else NAMELESS
        group = _group(data)
        if not group:
            out.messages.append((ecu, _short_refusal(data)))
        joined.setdefault((ecu, group), []).append(data)
    for (ecu, group), parts in joined.items():
        if group:
            message = _join(group, parts)
            if message:
                out.messages.append((ecu, message))
            else:
                out.damaged += len(parts)
    if not form.head:
        told_apart(out)
    return out


_CODE_REPLIES = (0x43, 0x47, 0x4A)
_INFO = 0x49
_COUNTS = (0x01, 0x03, 0x05, 0x07, 0x09)
"""Info types that tell how many lines another one has: not numbered."""
_LINES = {0x02: 5, 0x04: 4, 0x0A: 5}
"""Lines of one item: VIN, calibration (several may follow one another), name of an ECU."""
_REFUSAL = 0x7F


def _group(data: bytes) -> bytes:
    """What the lines of one longer reply have in common; b'' where a line is a reply by itself."""
    if data[0] in _CODE_REPLIES:
        return data[:1]
    numbered = data[0] == _INFO and len(data) > 2 and data[1] not in _COUNTS
    # a list of info types without its number: some ECUs leave it out
    return data[:2] if numbered and (data[1] or len(data) == _MOST_DATA) else b""


def _join(group: bytes, parts: Sequence[bytes]) -> bytes:
    """The message of one ECU; b'' where a line of it is missing."""
    if group[0] in _CODE_REPLIES:
        return group + b"".join(part[1:] for part in parts)
    parts = sorted(parts, key=lambda part: part[2])
    if [part[2] for part in parts] != list(range(1, len(parts) + 1)):
        return b""
    if len(parts) % _LINES.get(group[1], 1):
        return b""
    return group + b"".join(part[3:] for part in parts)


def _short_refusal(data: bytes) -> bytes:
    """SAE J2178 and SAE J1979 put bytes of the request before the reason: it is the last one that
    is not zero."""
    if data[0] != _REFUSAL or len(data) <= 3:
        return data
    return data[:2] + (data[2:].rstrip(b"\0") or data[2:])[-1:]
