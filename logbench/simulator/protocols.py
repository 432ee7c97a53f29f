"""The vehicle bus protocols: names, addresses, framing and checksums as an adapter shows them."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

Kind = Literal["can", "kline", "pwm", "vpw"]


@dataclass(frozen=True, slots=True)
class BusProtocol:
    """One protocol an adapter can speak; `number` is its digit in the command language."""

    number: str
    name: str
    kind: Kind
    bit_rate: int
    id_bits: int = 0
    """11 or 29 on CAN, 0 elsewhere."""
    fast_init: bool = False
    """ISO 14230-4 with the 25 ms wake-up pattern instead of the 5-baud address."""

    @property
    def is_can(self) -> bool:
        """True for ISO 15765-4 and its relatives."""
        return self.kind == "can"

    @property
    def is_kwp(self) -> bool:
        """True for ISO 14230-4, whose header carries the length."""
        return self.number in "45"


PROTOCOLS: dict[str, BusProtocol] = {
    p.number: p
    for p in (
        BusProtocol("1", "SAE J1850 PWM", "pwm", 41_600),
        BusProtocol("2", "SAE J1850 VPW", "vpw", 10_400),
        BusProtocol("3", "ISO 9141-2", "kline", 10_400),
        BusProtocol("4", "ISO 14230-4 (KWP 5BAUD)", "kline", 10_400),
        BusProtocol("5", "ISO 14230-4 (KWP FAST)", "kline", 10_400, fast_init=True),
        BusProtocol("6", "ISO 15765-4 (CAN 11/500)", "can", 500_000, 11),
        BusProtocol("7", "ISO 15765-4 (CAN 29/500)", "can", 500_000, 29),
        BusProtocol("8", "ISO 15765-4 (CAN 11/250)", "can", 250_000, 11),
        BusProtocol("9", "ISO 15765-4 (CAN 29/250)", "can", 250_000, 29),
        BusProtocol("A", "SAE J1939 (CAN 29/250)", "can", 250_000, 29),
        BusProtocol("B", "USER1 (CAN 11/125)", "can", 125_000, 11),
        BusProtocol("C", "USER2 (CAN 11/50)", "can", 50_000, 11),
    )
}

CAR_PROTOCOLS = frozenset("123456789")
"""Those a simulated car may speak: emissions diagnostics is not defined on the others."""

SEARCH_ORDER = "678921534"
"""The order in which the adapter's automatic search tries them (our choice)."""

FUNCTIONAL_11 = 0x7DF
FUNCTIONAL_29 = 0x18DB33F1


def node_address(ecu: str) -> int:
    """Node address of an ECU named by its 11-bit response address: 7E8 is 0x10, 7E9 is 0x18.

    The engine at 0x10 and the transmission at 0x18 are common practice (SAE J2178-1 groups).
    """
    return 0x10 + 8 * (int(ecu, 16) - 0x7E8)


def response_id(protocol: BusProtocol, ecu: str) -> int:
    """CAN identifier with which `ecu` answers (ISO 15765-4: 7E8 to 7EF, or 18DAF1xx)."""
    return int(ecu, 16) if protocol.id_bits == 11 else 0x18DAF100 | node_address(ecu)


def request_id(protocol: BusProtocol, ecu: str) -> int:
    """CAN identifier of a physical request to `ecu` (ISO 15765-4: 7E0 to 7E7, or 18DAxxF1)."""
    return int(ecu, 16) - 8 if protocol.id_bits == 11 else 0x18DA00F1 | node_address(ecu) << 8


def request_header(protocol: BusProtocol) -> bytes:
    """Header of a functional request on the older protocols (SAE J1979, 'message format')."""
    if protocol.kind == "pwm":
        return b"\x61\x6a\xf1"
    return b"\xc0\x33\xf1" if protocol.is_kwp else b"\x68\x6a\xf1"


def reply_header(protocol: BusProtocol, ecu: str, length: int) -> bytes:
    """Header of an ECU's reply with `length` data bytes on the older protocols."""
    node = node_address(ecu)
    if protocol.is_kwp:  # ISO 14230-2: address mode 10 and the length in the format byte
        return bytes((0x80 | length, 0xF1, node))
    return bytes((0x41 if protocol.kind == "pwm" else 0x48, 0x6B, node))


def checksum(protocol: BusProtocol, frame: bytes) -> int:
    """Last byte of a frame: sum modulo 256 on the K-line, CRC-8 on J1850.

    SAE J1850: polynomial x^8+x^4+x^3+x^2+1, start 0xFF, result inverted.
    """
    if protocol.kind == "kline":
        return sum(frame) & 0xFF
    crc = 0xFF
    for byte in frame:
        crc ^= byte
        for _ in range(8):
            crc = (crc << 1 ^ 0x1D) & 0xFF if crc & 0x80 else crc << 1
    return crc ^ 0xFF


# --- ISO 15765-2 with normal addressing: messages in CAN frames ---

MAX_LENGTH = 4095


def padded(frame: bytes, padding: int | None) -> bytes:
    """`frame` filled up to eight bytes with `padding`; as it is for None."""
    return frame if padding is None else frame.ljust(8, bytes((padding,)))


def segment(message: bytes, padding: int | None = 0x00) -> list[bytes]:
    """The CAN frames of `message` (1 to 4095 bytes): one, or a first and its consecutive ones.

    ValueError for another length.
    """
    if not 1 <= len(message) <= MAX_LENGTH:
        raise ValueError(f"a message has 1 to {MAX_LENGTH} bytes, not {len(message)}")
    if len(message) <= 7:
        return [padded(bytes((len(message),)) + message, padding)]
    frames = [bytes((0x10 | len(message) >> 8, len(message) & 0xFF)) + message[:6]]
    for number, start in enumerate(range(6, len(message), 7), start=1):
        frames.append(padded(bytes((0x20 | number & 0x0F,)) + message[start : start + 7], padding))
    return frames
