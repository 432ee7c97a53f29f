"""Segmentation of messages into CAN frames, ISO 15765-2 with normal addressing."""

from __future__ import annotations

from dataclasses import dataclass, field

FLOW_CONTROL = bytes((0x30, 0x00, 0x00))
"""Clear to send, block size 0 (everything at once), separation time 0."""

MAX_LENGTH = 4095


class SegmentError(ValueError):
    """A CAN frame that is no frame of ISO 15765-2, or comes out of turn."""


def padded(frame: bytes, padding: int | None) -> bytes:
    """`frame` filled up to eight bytes with `padding`; as it is for None."""
    return frame if padding is None else frame.ljust(8, bytes((padding,)))


def segment(message: bytes, padding: int | None = 0x00) -> list[bytes]:
    """The CAN frames of `message` (1 to 4095 bytes): one, or a first and its consecutive ones."""
    if not 1 <= len(message) <= MAX_LENGTH:
        raise SegmentError(f"a message has 1 to {MAX_LENGTH} bytes, not {len(message)}")
    if len(message) <= 7:
        return [padded(bytes((len(message),)) + message, padding)]
    frames = [bytes((0x10 | len(message) >> 8, len(message) & 0xFF)) + message[:6]]
    for number, start in enumerate(range(6, len(message), 7), start=1):
        frames.append(padded(bytes((0x20 | number & 0x0F,)) + message[start : start + 7], padding))
    return frames


def frame_count(length: int) -> int:
    """Frames that a message of `length` bytes takes."""
    return 1 if length <= 7 else 1 + -(-(length - 6) // 7)


@dataclass(slots=True)
class Assembler:
    """Puts the frames of one sender back together."""

    _parts: bytearray = field(default_factory=bytearray)
    _length: int = 0
    _next: int = 0

    def feed(self, frame: bytes) -> bytes | None:
        """The message that `frame` completes, or None while more is to come.

        Raises `SegmentError` for what is no frame or out of turn; the message begun is dropped.
        """
        if not frame:
            self._length = 0
            raise SegmentError("an empty frame")
        kind, low = frame[0] >> 4, frame[0] & 0x0F
        if kind == 0:
            self._length = 0
            if not 1 <= low <= 7 or len(frame) < low + 1:
                raise SegmentError(f"a single frame of wrong length: {frame.hex()}")
            return frame[1 : 1 + low]
        if kind == 1 and len(frame) == 8:
            self._length = low << 8 | frame[1]
            self._parts = bytearray(frame[2:])
            self._next = 1
            if self._length < 8:
                self._length = 0
                raise SegmentError(f"a first frame of wrong length: {frame.hex()}")
            return None
        if kind == 2 and self._length:
            return self._consecutive(frame, low)
        self._length = 0
        raise SegmentError(f"a frame out of turn: {frame.hex()}")

    def _consecutive(self, frame: bytes, number: int) -> bytes | None:
        if number != self._next & 0x0F:
            self._length = 0
            raise SegmentError(f"frame {number} came instead of {self._next & 0x0F}")
        self._parts += frame[1:]
        self._next += 1
        if len(self._parts) < self._length:
            return None
        message = bytes(self._parts[: self._length])
        self._length = 0
        return message

    @property
    def waiting(self) -> bool:
        """True after a first frame, until the message is complete."""
        return self._length > 0
