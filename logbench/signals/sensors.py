"""Which oxygen sensor a PID belongs to: it depends on which of PID 0x13 and 0x1D a car supports."""

from __future__ import annotations

from collections.abc import Container

_TWO_BANKS = ("11", "12", "13", "14", "21", "22", "23", "24")
_FOUR_BANKS = ("11", "12", "21", "22", "31", "32", "41", "42")
_FIRST_PIDS = (0x14, 0x24, 0x34)
_BY_1D, _BY_13 = 0x1D, 0x13
_BANKS_3_AND_4 = 0xF0


def has_four_banks(supported: Container[int]) -> bool:
    """Whether the car gives its oxygen sensors by PID 0x1D (up to four banks of two sensors).

    A car supports 0x13 or 0x1D, never both (SAE J1979, from memory); with neither, 0x13 is assumed.
    """
    return _BY_1D in supported and _BY_13 not in supported


def sensor_of_pid(pid: int, four_banks: bool) -> str:
    """The sensor's place, bank and number (`21`: bank 2, sensor 1), of an oxygen sensor's PID.

    The acronyms of the table (`O2S21`, `LAMBDA21`) hold for PID 0x13: two banks of four sensors. In
    a car with PID 0x1D (`four_banks`) the same PIDs mean four banks of two: 0x16 is then bank 2
    sensor 1, though its acronym says `O2S13`. SAE J1979, PID 0x13 to 0x1D, 0x24 to 0x2B, 0x34 to
    0x3B (from memory).

    Raises `ValueError` for a PID that carries no oxygen sensor.
    """
    for first in _FIRST_PIDS:
        if first <= pid < first + 8:
            return (_FOUR_BANKS if four_banks else _TWO_BANKS)[pid - first]
    raise ValueError(f"PID 0x{pid:02X} carries no oxygen sensor")


def has_third_bank(data: bytes) -> bool:
    """Whether the data of PID 0x1D name a sensor in bank 3 or 4; False for no data.

    Such a car sends a second byte with its fuel trims (SAE J1979, from memory).
    """
    return bool(data and data[0] & _BANKS_3_AND_4)
