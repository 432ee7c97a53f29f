"""What may leave a link: services that read, and two that change the car, with a permit only.

SAE J1979 (ISO 15031-5): 01, 02, 03, 06, 07, 09 and 0A read; 22 reads, and of its identifiers only
those of SAE J1979-2 (F4xx, F8xx) are asked for; of 19 only four sub-functions that list trouble
codes (ISO 14229-1, from memory). 04 clears codes; 08 lists what can be controlled
and starts it. Nothing else exists for this program.
"""

from __future__ import annotations

READING = frozenset({0x01, 0x02, 0x03, 0x06, 0x07, 0x09, 0x0A})
IDENTIFIERS = frozenset({0xF4, 0xF8})
"""High bytes of the identifiers of service 22 that may be read."""
CODE_LISTS = {0x02: 2, 0x15: 1, 0x42: 4, 0x55: 2}
"""Sub-functions of service 19 that list codes, and their length with what follows them: by status,
permanent, and both of a functional group. None of them changes anything."""
CLEAR = b"\x04"
LIST_CONTROLS, LIST_CONTROLS_ELSEWHERE = b"\x08\x00", b"\x08" + bytes(6)
"""Supported test IDs, on CAN and on the older buses."""
CLOSE_EVAP = b"\x08\x01" + bytes(5)
"""Test ID 01: close the evaporative system for a leak test; five data bytes of zero."""
WRITING = frozenset({CLEAR, LIST_CONTROLS, LIST_CONTROLS_ELSEWHERE, CLOSE_EVAP})
"""The only requests of services 04 and 08 there are, byte for byte."""


class WritePermit:
    """Leave to send one request of `WRITING` once. Made by `records.clearing` and nobody else."""

    __slots__ = ("_spent", "payload")

    def __init__(self, payload: bytes) -> None:
        """ValueError for a request that nobody may ever send."""
        if payload not in WRITING:
            raise ValueError(f"{payload.hex()} may never be sent")
        self.payload = payload
        self._spent = False

    def spend(self, payload: bytes) -> bool:
        """True once, for the request it was made for."""
        if self._spent or payload != self.payload:
            return False
        self._spent = True
        return True


def may_leave(payload: bytes, permit: WritePermit | None) -> bool:
    """Whether `payload` may be sent; a permit is used up by it."""
    if not payload:
        return False
    service, rest = payload[0], payload[1:]
    if service in READING:
        return True
    if service == 0x22:
        return bool(rest) and len(rest) % 2 == 0 and IDENTIFIERS.issuperset(rest[::2])
    if service == 0x19:
        return bool(rest) and len(rest) == CODE_LISTS.get(rest[0])
    return permit is not None and permit.spend(payload)
