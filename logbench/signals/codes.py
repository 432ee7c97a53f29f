"""Trouble codes: from two bytes to `P0171`, and what that says."""

from __future__ import annotations

import csv
import functools
import re
from pathlib import Path

from logbench.errors import UsageError

_CODE = re.compile(r"[PCBU][0-3][0-9A-F]{3}")
_SYSTEMS = {"P": "powertrain", "C": "chassis", "B": "body", "U": "network"}


def code_from_bytes(a: int, b: int) -> str:
    """The code of two bytes, each 0 to 255: `(0x01, 0x71)` → `P0171`.

    SAE J2012 / ISO 15031-6: the two top bits of `a` are the system (P, C, B, U), the next two the
    first digit, the other twelve the three last digits, in hex. `(0, 0)`, which gives `P0000`, is
    padding and means 'no code'.
    """
    return f"{'PCBU'[a >> 6 & 3]}{a >> 4 & 3:X}{a & 0xF:X}{b:02X}"


def bytes_of_code(code: str) -> bytes:
    """The three bytes of a code of SAE J1979-2, `P0171-11`; without a failure type the third is 0.

    Raises `UsageError` when it is none.
    """
    base, _, failure = code.strip().upper().partition("-")
    base = _checked(base)
    number = "PCBU".index(base[0]) << 14 | int(base[1:], 16)
    return bytes((number >> 8, number & 0xFF, int(failure or "0", 16)))


def is_manufacturer_code(code: str) -> bool:
    """Whether the code's meaning is the maker's own.

    SAE J2012 / ISO 15031-6, from memory: P1, P30 to P33, B1, B2, C1, C2, U1, U2; all others are
    the standard's or reserved by it. Raises `UsageError` when `code` is not a trouble code.
    """
    code = _checked(code)
    if code[0] == "P":
        return code[1] == "1" or (code[1] == "3" and code[2] in "0123")
    return code[1] in "12"


def text_of(code: str) -> str:
    """One line that says what a code means.

    The texts of the standard's codes are those that python-OBD carries, with bank and sensor put
    back for mixture, sensor, catalyst and cam timing codes. Raises `UsageError` when
    `code` is not a trouble code.
    """
    code = _checked(code)
    if is_manufacturer_code(code):
        return (
            f"manufacturer-specific {_SYSTEMS[code[0]]} code: "
            "its meaning is in the maker's service information"
        )
    text = _texts().get(code)
    if not text or text.startswith("Reserved by"):
        return f"standard {_SYSTEMS[code[0]]} code without a text here: look it up in SAE J2012"
    place = next((place for first, last, place in _places() if first <= code <= last), "")
    return f"{text}, {place}" if place else text


def _checked(code: str) -> str:
    code = code.strip().upper()
    if not _CODE.fullmatch(code):
        raise UsageError(
            f"{code!r} is not a trouble code; give a letter P, C, B or U, a digit 0 to 3 "
            "and three hex digits, as P0171."
        )
    return code


@functools.cache
def _places() -> tuple[tuple[str, str, str], ...]:
    """First and last code of a run, and its bank or sensor: `code_places.csv`.

    python-OBD's texts leave the place out, which is half of what these codes say. SAE J2012 (from
    memory).
    """
    text = Path(__file__).with_name("code_places.csv").read_text("utf-8")
    return tuple(
        (row["first"], row["last"], row["place"]) for row in csv.DictReader(text.splitlines())
    )


@functools.cache
def _texts() -> dict[str, str]:
    from obd.codes import DTC  # here because the import costs a quarter of a second

    # WORKAROUND: python-OBD 0.7.3 spells 'Response' as its class 'OBDResponse' in these texts.
    return {
        code: " ".join(text.replace("OBDResponse", "Response").split())
        for code, text in DTC.items()
    }
