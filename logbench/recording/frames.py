"""The frames of a journal, to the byte, and finding those that are sound in whatever became of it.

A frame can be read without any other::

    magic      8 bytes, `MAGIC`
    version    uint16, `VERSION`
    kind       uint8: 0 head, 1 batch, 2 end, 3 exchanges; one zero byte
    sequence   uint32: 0 for the head, one more for each frame
    recording  16 bytes: which recording it belongs to
    before     uint64: samples in all frames before this one
    rows       uint32: samples in this frame
    note       uint32: length of the note
    body CRC   uint32: CRC-32 of the body
    head CRC   uint32: CRC-32 of all that stands above
    body       the note, JSON in UTF-8, deflated (RFC 1951); then the rows, 18 bytes each, `ROW`

All numbers are little-endian. `journal_reading` says what the note holds. A frame of exchanges has
no rows and another note, that of `exchanges.pack`.
"""

from __future__ import annotations

import errno
import os
import struct
import time
import zlib
from collections.abc import Iterator
from enum import IntEnum
from typing import NamedTuple

import numpy as np
import numpy.typing as npt

from logbench.errors import RecordingTooNewError
from logbench.system.platforms import next_data

MAGIC = b"\xd3\xf1LBJ\r\n\x1a"
VERSION = 1
ROW = np.dtype([("trace", "<u2"), ("t", "<i8"), ("value", "<f8")])
"""A sample: which of the frame's traces, t in ns on the recording's clock, value."""
MOST_ROWS = 2**16
"""In one frame; what waits longer is written as several."""
MOST_NOTE = 2**26
"""Bytes, also when inflated: of facts with hundreds of thousands of events. A frame that claims
more is none."""

_HEADER = struct.Struct("<8sHBxI16sQIII")
_CRC = struct.Struct("<I")
_BODY_AT = _HEADER.size + _CRC.size
_PLAIN = -zlib.MAX_WBITS
"""Deflated without a header of its own: the frame has one."""
_PIECE = 2**20
"""Bytes read at a time."""
_MOST_ZEROS = 2**20
"""Bytes on end within a frame."""
_BLOCK = 4096
"""Bytes given up where the disk cannot read them."""
_PAUSES_S = (0.02, 0.1, 0.5, 1.0)
"""Between attempts to read a block."""
_MOST_BLOCKS = 1024
"""Given up in one file; a disk that fails in more has failed as a whole."""
_WASTE = 8
"""Times the file's length: so much is looked at in vain before the search for frames ends. Only a
file made to waste time needs more."""


class Kind(IntEnum):
    """What a frame is."""

    HEAD = 0
    BATCH = 1
    END = 2
    EXCHANGES = 3


class Frame(NamedTuple):
    """A sound frame."""

    kind: int
    sequence: int
    recording: bytes
    before: int
    rows: int
    note: memoryview
    samples: memoryview
    """The rows' bytes."""
    end: int
    """Where in the file it ends."""

    def t_ns(self, row: int) -> int:
        """Time of one of its rows, which it must have."""
        return int(np.frombuffer(self.samples, ROW)["t"][row])


def encode_frame(
    kind: Kind,
    sequence: int,
    recording: bytes,
    before: int,
    note: bytes,
    rows: npt.NDArray[np.void],
) -> bytes:
    """A frame's bytes; `note` is JSON, or packed exchanges; `rows` are of `ROW`, shape (n,)."""
    if kind != Kind.EXCHANGES:
        note = zlib.compress(note, wbits=_PLAIN)
    samples = rows.tobytes()
    crc = zlib.crc32(samples, zlib.crc32(note))
    header = _HEADER.pack(
        MAGIC, VERSION, kind, sequence, recording, before, len(rows), len(note), crc
    )
    return b"".join((header, _CRC.pack(zlib.crc32(header)), note, samples))


def inflated(note: memoryview) -> bytes:
    """The JSON of a frame's note. Raises `ValueError`."""
    whole = zlib.decompressobj(_PLAIN)
    try:
        text = whole.decompress(note, MOST_NOTE)
    except zlib.error as error:
        if str(error).startswith("Error -4 "):  # Z_MEM_ERROR: nothing is wrong with the note
            raise MemoryError from error
        raise ValueError(str(error)) from error
    if not whole.eof:
        raise ValueError("a note that is cut short, or too long")
    return text


class FrameSearch:
    """All sound frames of an open file in the order in which they lie there."""

    def __init__(self, fd: int) -> None:
        self._fd = fd
        self.rubbish = 0
        """Bytes since the last sound frame that are neither of one nor zero."""
        self.claimed = 0
        """Samples that there were after the last frame whose header alone is sound, since then."""
        self._base = 0
        self._data = b""
        self._view = memoryview(b"")
        self._ended = False
        self._bad_blocks = 0
        self._waste_left = 0

    def pieces(self) -> Iterator[list[Frame]]:
        """Some frames at a time. Raises `OSError`, `RecordingTooNewError`."""
        at = 0
        self._waste_left = _WASTE * os.fstat(self._fd).st_size + _PIECE
        while not self._ended:
            self._read_on(at)
            frames, at = self._sound()
            if frames:
                yield frames

    def _read_on(self, at: int) -> None:
        start = self._base + len(self._data)
        hole = _hole(self._fd, start)
        piece = self._read(start + hole)
        self._ended = not piece
        self._data = self._data[at:] + piece
        self._view = memoryview(self._data)
        self._base += at + hole

    def _read(self, start: int) -> bytes:
        try:
            return _read_at(self._fd, start, _PIECE)
        except OSError as error:
            if error.errno != errno.EIO:
                raise
        return b"".join(self._blocks(start))

    def _blocks(self, start: int) -> Iterator[bytes]:
        """A piece with zeros for what the disk cannot read."""
        for at in range(start, start + _PIECE, _BLOCK):
            try:
                block = self._block(at)
            except OSError as error:
                self._bad_blocks += 1
                if error.errno != errno.EIO or self._bad_blocks > _MOST_BLOCKS:
                    raise
                block = bytes(min(_BLOCK, max(0, os.fstat(self._fd).st_size - at)))
            if not block:
                return
            yield block

    def _block(self, at: int) -> bytes:
        """One block, tried again where the disk cannot read it: it may only have been touched."""
        for pause_s in _PAUSES_S:
            try:
                return _read_at(self._fd, at, _BLOCK)
            except OSError as error:
                if error.errno != errno.EIO:
                    raise
            if not self._bad_blocks:  # else it is bad, and would be waited for again and again
                time.sleep(pause_s)
        return _read_at(self._fd, at, _BLOCK)

    def _sound(self) -> tuple[list[Frame], int]:
        """Sound frames of what has been read, and where the rest begins."""
        frames: list[Frame] = []
        at, size = 0, len(self._data)
        while size - at >= _BODY_AT:
            frame, end = self._frame(at)
            if frame is not None:
                frames.append(frame)
                self.rubbish = self.claimed = 0
                at = end
            elif end > size and not self._ended:
                return frames, at
            else:
                at = self._skipped(at, self._next_magic(at + 1))
            if self._waste_left < 0:
                self._ended = True
                self.rubbish += os.fstat(self._fd).st_size - self._base - size
                break
        return frames, self._skipped(at, size) if self._ended else at

    def _next_magic(self, at: int) -> int:
        found = self._data.find(MAGIC, at)
        return found if found >= 0 else max(at, len(self._data) - len(MAGIC) + 1)

    def _skipped(self, start: int, end: int) -> int:
        self.rubbish += end - start - self._data.count(0, start, end)
        return end

    def _frame(self, at: int) -> tuple[Frame | None, int]:
        """The frame at `at` if it is sound, and where it ends by its header; 0: there is none."""
        data, view = self._data, self._view
        if not data.startswith(MAGIC, at):
            return None, 0
        header = at + _HEADER.size
        if zlib.crc32(view[at:header]) != _CRC.unpack_from(data, header)[0]:
            return None, 0
        _, version, kind, sequence, recording, before, rows, note, crc = _HEADER.unpack_from(
            data, at
        )
        if version > VERSION:
            raise RecordingTooNewError("a frame of a newer form")
        if rows > MOST_ROWS or note > MOST_NOTE:
            return None, 0
        start = at + _BODY_AT
        middle = start + note
        end = middle + rows * ROW.itemsize
        if end > len(data) and not self._ended:
            return None, end
        if end > len(data) or zlib.crc32(view[start:end]) != crc:
            self._waste_left -= end - at
            self.claimed = max(self.claimed, before + rows)
            return None, end
        samples = view[middle:end]
        place = self._base + end
        return Frame(
            kind, sequence, recording, before, rows, view[start:middle], samples, place
        ), end


def recording_at_start(fd: int) -> bytes:
    """Which recording the frame at the start of a file belongs to; empty where its header is not
    sound."""
    start = _read_at(fd, 0, _BODY_AT)
    header = start[: _HEADER.size]
    if len(start) < _BODY_AT or (zlib.crc32(header),) != _CRC.unpack_from(start, _HEADER.size):
        return b""
    return bytes(_HEADER.unpack(header)[4])


def _hole(fd: int, at: int) -> int:
    """Bytes from `at` on that a file is long without taking room: room reserved ahead, or a length
    that was made up. No frame has so many zeros; a few may be a copy that leaves them out."""
    data = next_data(fd, at)
    return data - at if data - at > _MOST_ZEROS else 0


def _read_at(fd: int, at: int, length: int) -> bytes:
    os.lseek(fd, at, os.SEEK_SET)
    return os.read(fd, length)
