"""Which oxygen sensors a car has, as far as other data depend on it."""

from __future__ import annotations

_BANKS_3_AND_4 = 0xF0


def has_third_bank(data: bytes) -> bool:
    """Whether the data of PID 0x1D name a sensor in bank 3 or 4; False for no data.

    Such a car sends a second byte with its fuel trims (SAE J1979, from memory).
    """
    return bool(data and data[0] & _BANKS_3_AND_4)
