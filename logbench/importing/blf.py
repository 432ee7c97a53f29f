"""Whether a BLF log of CAN frames may be handed to python-can, which believes what it says.

A BLF file is a row of objects, `LOBJ` | header size | version | whole size | kind, some of them
blocks packed with zlib, whose content is such objects again (Vector's binary logging format, as
python-can's `BLFReader` reads it). That reader unpacks a block whatever its size, and stays at an
object of size 0 for ever.
"""

from __future__ import annotations

import struct
import zlib
from typing import BinaryIO

from logbench.system.limits import CAN_BLOCK_BYTES

_HEAD = struct.Struct("<4sHHLL")
_BLOCK = struct.Struct("<H14x")
_IS_BLOCK, _PACKED = 10, 2


def check_blf(file: BinaryIO) -> bool:
    """Whether the file ends with an object that is whole. Raises `ValueError` where an object has
    no size, or a block unpacks to an absurd one."""
    magic, size = struct.unpack("<4sL", file.read(8).ljust(8, b"\0"))
    if magic != b"LOGG":
        raise ValueError("it does not begin as a BLF file")
    file.seek(size)
    rest = b""
    while len(head := file.read(_HEAD.size)) == _HEAD.size:
        mark, _, _, size, kind = _HEAD.unpack(head)
        if mark != b"LOBJ":
            return False
        _check_size(size)
        data = file.read(size - _HEAD.size)
        file.read(size % 4)
        if kind == _IS_BLOCK and len(data) >= _BLOCK.size:
            rest = _check_objects(rest + _unpacked(data))
        if len(data) < size - _HEAD.size:
            return False
    return not head


def _unpacked(data: bytes) -> bytes:
    (method,) = _BLOCK.unpack_from(data)
    if method != _PACKED:
        return data[_BLOCK.size :]
    packed = zlib.decompressobj()
    try:
        out = packed.decompress(data[_BLOCK.size :], CAN_BLOCK_BYTES)
    except zlib.error as error:
        raise ValueError("a block cannot be unpacked") from error
    if packed.unconsumed_tail:
        raise ValueError(f"a block unpacks to more than {CAN_BLOCK_BYTES / 1e6:g} MB")
    return out


def _check_objects(data: bytes) -> bytes:
    """Step through the objects of a block; what belongs to the next one."""
    place = 0
    while (found := data.find(b"LOBJ", place, place + 8)) >= 0 and found + 16 <= len(data):
        (size,) = struct.unpack_from("<L", data, found + 8)
        _check_size(size)
        if found + size > len(data):
            break
        place = found + size
    return data[place:]


def _check_size(size: int) -> None:
    if not _HEAD.size <= size <= CAN_BLOCK_BYTES:
        raise ValueError(f"an object claims to have {size} bytes")
