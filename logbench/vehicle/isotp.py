"""Messages from CAN frames (ISO 15765-2), and the addresses they come with (ISO 15765-4).

The one assembler of everything that is read from a car: a CAN interface, an adapter's lines, a log
of a bus. It is our own because polling must not be limited by Python, and because it is strict: a
single frame shorter than it claims, a gap in the sequence or a missing tail drops the message,
where a shortened one would decode to nonsense. The tests hold it against python-OBD and can-isotp.
"""

from __future__ import annotations

from dataclasses import dataclass

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
