"""Trouble codes of a car of SAE J1979-2: service 19 in the place of 03, 07 and 0A.

ISO 14229-1 and SAE J1979-2, from memory; re-check against the standards. A code has three bytes,
two as before and a failure type (SAE J2012-DA), and a status byte.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence

BY_STATUS, PERMANENT = 0x02, 0x15
GROUP_BY_STATUS, GROUP_PERMANENT = 0x42, 0x55
EMISSIONS = 0x33
"""The functional group of emission-related codes."""
FORMAT = 0x04
"""Codes are SAE J2012-DA's, with the failure type as their third byte."""
PENDING, CONFIRMED, FAILED_SINCE_CLEARING = 0x04, 0x08, 0x20
AVAILABLE = 0xFF
CLASS_A = 0x02
"""Severity byte: class of the code."""
SEVERITIES = 0x1E

Codes = Callable[[int], Sequence[str]]
"""`CarSource.codes`: of service 03 (confirmed), 07 (pending) or 0A (permanent)."""
Bytes = Callable[[str], bytes]


def reply(codes: Codes, encode: Bytes, rest: bytes) -> bytes:
    """The positive reply to service 19 with `rest` behind it; empty where it has none.

    `encode`: the two bytes of a code.
    """
    kind = rest[:1]
    if kind == bytes((BY_STATUS,)) and len(rest) == 2:
        return bytes((0x59, BY_STATUS, AVAILABLE)) + _listed(codes, encode, rest[1])
    if rest == bytes((PERMANENT,)):
        return bytes((0x59, PERMANENT, AVAILABLE)) + _permanent(codes, encode)
    if rest[:2] == bytes((GROUP_BY_STATUS, EMISSIONS)) and len(rest) == 4:
        head = bytes((0x59, GROUP_BY_STATUS, EMISSIONS, AVAILABLE, SEVERITIES, FORMAT))
        listed = _listed(codes, encode, rest[2], bytes((CLASS_A,)))
        return head + (listed if rest[3] & CLASS_A else b"")
    if rest == bytes((GROUP_PERMANENT, EMISSIONS)):
        return bytes((0x59, GROUP_PERMANENT, EMISSIONS, AVAILABLE, FORMAT)) + _permanent(
            codes, encode
        )
    return b""


def _statuses(codes: Codes) -> dict[str, int]:
    found: dict[str, int] = {}
    for service, bit in ((0x03, CONFIRMED), (0x07, PENDING)):
        for code in codes(service):
            found[code] = found.get(code, FAILED_SINCE_CLEARING) | bit
    return found


def _listed(codes: Codes, encode: Bytes, mask: int, before: bytes = b"") -> bytes:
    chosen = [(code, status) for code, status in _statuses(codes).items() if status & mask]
    return b"".join(before + encode(code) + bytes((0, status)) for code, status in chosen)


def _permanent(codes: Codes, encode: Bytes) -> bytes:
    statuses = _statuses(codes)
    return b"".join(
        encode(code) + bytes((0, statuses.get(code, FAILED_SINCE_CLEARING))) for code in codes(0x0A)
    )
