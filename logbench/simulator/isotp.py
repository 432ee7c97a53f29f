"""Segmentation of messages into CAN frames, ISO 15765-2 with normal addressing."""

from __future__ import annotations

MAX_LENGTH = 4095


class SegmentError(ValueError):
    """A message that ISO 15765-2 cannot carry."""


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
