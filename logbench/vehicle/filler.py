"""Filler that an adapter or a gateway counts as part of a message: what is not data is cut off.

Only where the reply to the first request has shown that it does (`Link.fills`), only behind data
whose length SAE J1979 fixes, and only one byte repeated: anything else stays as it came.
"""

from __future__ import annotations

from collections.abc import Callable

from logbench.signals.table import table

FILLERS = frozenset({0x00, 0x55, 0xAA, 0xCC, 0xFF})
"""What ISO 15765-2 leaves open to fill a frame with; those in use (common practice, no source)."""


def is_filled(message: bytes) -> bool:
    """Whether the reply to 01 00, six bytes in every car, is filled up to a whole frame and the
    filler counted."""
    return message[:2] == b"\x41\x00" and len(message) == 7


def unfilled(payload: bytes, data: bytes) -> bytes:
    """The reply `data` to the request `payload` without filler."""
    end_of = _ENDS.get(data[0])
    end = end_of(payload, data) if end_of is not None else 0
    rest = set(data[end:])
    return data[:end] if end and len(rest) == 1 and rest <= FILLERS else data


def _values(payload: bytes, data: bytes) -> int:
    """Behind the last PID that was asked for."""
    asked, at = set(payload[1:]), 1
    while at < len(data) and data[at] in asked and data[at] in table().lengths:
        asked.remove(data[at])
        at += 1 + table().lengths[data[at]]
    return at


def _identifiers(payload: bytes, data: bytes) -> int:
    """As `_values`, of service 22."""
    asked, at = set(payload[2::2]), 1
    while at + 1 < len(data) and data[at + 1] in asked and data[at + 1] in table().lengths:
        asked.remove(data[at + 1])
        at += 2 + table().lengths[data[at + 1]]
    return at


def _frozen(payload: bytes, data: bytes) -> int:
    del payload
    length = 2 if data[1:2] == b"\x02" else table().lengths.get(data[1], 0) if data[1:] else 0
    return 3 + length if length else 0


def _codes(payload: bytes, data: bytes) -> int:
    del payload
    return 2 + 2 * data[1] if data[1:] else 0


def _results(payload: bytes, data: bytes) -> int:
    """Monitor results have nine bytes each, their lists four."""
    return 6 if payload[1] % 0x20 == 0 else 1 + (len(data) - 1) // 9 * 9


_ITEMS = {0x02: 17, 0x04: 16, 0x06: 4, 0x08: 2, 0x0A: 20, 0x0B: 2}
"""Bytes of an item of service 09."""


def _information(payload: bytes, data: bytes) -> int:
    if payload[1] == 0:
        return 6
    return 3 + data[2] * _ITEMS.get(payload[1], 0) if data[2:] else 0


_ENDS: dict[int, Callable[[bytes, bytes], int]] = {
    0x41: _values,
    0x42: _frozen,
    0x43: _codes,
    0x46: _results,
    0x47: _codes,
    0x49: _information,
    0x4A: _codes,
    0x62: _identifiers,
    0x7F: lambda payload, data: 3,
}
