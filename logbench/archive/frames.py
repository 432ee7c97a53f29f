"""Frames between the program and the process that answers questions: kind, length, content."""

from __future__ import annotations

import struct
from dataclasses import dataclass
from typing import IO, Literal

Kind = Literal[b"S", b"R", b"V", b"Q", b"B", b"E", b"X", b"G", b"P"]
"""To the child: Setup, View, Question, Piece of a recording. From it: Ready, Bytes of the answer,
End of it, X: a sentence instead of it, Get a piece."""

_HEAD = struct.Struct("<cQ")


@dataclass(frozen=True, slots=True)
class Frame:
    """One message."""

    kind: bytes
    content: bytes


def write_frame(file: IO[bytes], kind: Kind, *parts: bytes | memoryview) -> None:
    """Write and flush one frame. Raises `OSError` when the other side has gone."""
    file.write(_HEAD.pack(kind, sum(len(part) for part in parts)))
    for part in parts:
        file.write(part)
    file.flush()


def read_frame(file: IO[bytes], most_bytes: int) -> Frame:
    """The next frame. Raises `EOFError` at the end, and for one of more than `most_bytes`."""
    kind, length = _HEAD.unpack(_exactly(file, _HEAD.size))
    if length > most_bytes:
        raise EOFError(f"a frame of {length} bytes")
    return Frame(kind, _exactly(file, length))


def _exactly(file: IO[bytes], count: int) -> bytes:
    found = file.read(count)
    if len(found) != count:
        raise EOFError
    return found
