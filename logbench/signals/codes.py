"""Trouble codes: from two bytes to `P0171`, and what that says."""

from __future__ import annotations

import functools
import re

from logbench.errors import UsageError

_CODE = re.compile(r"[PCBU][0-3][0-9A-F]{3}")
# python-OBD's texts leave out bank and sensor, which is half of what these codes say. First and
# last code of a run, and its place. SAE J2012 (from memory).
_PLACES = (
    *(("P0008", "P0008", "bank 1"), ("P0009", "P0009", "bank 2")),
    *(("P0010", "P0015", "bank 1"), ("P0020", "P0025", "bank 2")),
    *(("P0016", "P0016", "bank 1 sensor A"), ("P0017", "P0017", "bank 1 sensor B")),
    *(("P0018", "P0018", "bank 2 sensor A"), ("P0019", "P0019", "bank 2 sensor B")),
    *(("P0026", "P0027", "bank 1"), ("P0028", "P0029", "bank 2")),
    *(("P0030", "P0032", "bank 1 sensor 1"), ("P0036", "P0038", "bank 1 sensor 2")),
    *(("P0042", "P0044", "bank 1 sensor 3"), ("P0050", "P0052", "bank 2 sensor 1")),
    *(("P0056", "P0058", "bank 2 sensor 2"), ("P0062", "P0064", "bank 2 sensor 3")),
    *(("P0053", "P0053", "bank 1 sensor 1"), ("P0054", "P0054", "bank 1 sensor 2")),
    *(("P0055", "P0055", "bank 1 sensor 3"), ("P0059", "P0059", "bank 2 sensor 1")),
    *(("P0060", "P0060", "bank 2 sensor 2"), ("P0061", "P0061", "bank 2 sensor 3")),
    *(("P0075", "P0080", "bank 1"), ("P0081", "P0086", "bank 2")),
    *(("P0130", "P0135", "bank 1 sensor 1"), ("P0136", "P0141", "bank 1 sensor 2")),
    *(("P0142", "P0147", "bank 1 sensor 3"), ("P0150", "P0155", "bank 2 sensor 1")),
    *(("P0156", "P0161", "bank 2 sensor 2"), ("P0162", "P0167", "bank 2 sensor 3")),
    *(("P0170", "P0172", "bank 1"), ("P0173", "P0175", "bank 2")),
    *(("P0340", "P0344", "bank 1 or single sensor"), ("P0345", "P0349", "bank 2")),
    *(("P0365", "P0369", "bank 1"), ("P0390", "P0394", "bank 2")),
    *(("P0420", "P0429", "bank 1"), ("P0430", "P0439", "bank 2")),
    *(("P0544", "P0546", "bank 1 sensor 1"), ("P0547", "P0549", "bank 2 sensor 1")),
    *(("P2096", "P2097", "bank 1"), ("P2098", "P2099", "bank 2")),
    *(("P2177", "P2178", "bank 1"), ("P2179", "P2180", "bank 2")),
    *(("P2187", "P2188", "bank 1"), ("P2189", "P2190", "bank 2")),
    *(("P2191", "P2192", "bank 1"), ("P2193", "P2194", "bank 2")),
    *(("P2195", "P2196", "bank 1 sensor 1"), ("P2197", "P2198", "bank 2 sensor 1")),
    *(("P2270", "P2271", "bank 1 sensor 2"), ("P2272", "P2273", "bank 2 sensor 2")),
    *(("P2274", "P2275", "bank 1 sensor 3"), ("P2276", "P2277", "bank 2 sensor 3")),
    *(("P2237", "P2239", "bank 1 sensor 1"), ("P2240", "P2242", "bank 2 sensor 1")),
    *(("P2243", "P2246", "bank 1 sensor 1"), ("P2247", "P2250", "bank 2 sensor 1")),
    *(("P2251", "P2253", "bank 1 sensor 1"), ("P2254", "P2256", "bank 2 sensor 1")),
    *(("P2297", "P2297", "bank 1 sensor 1"), ("P2298", "P2298", "bank 2 sensor 1")),
    *(("P2A00", "P2A00", "bank 1 sensor 1"), ("P2A01", "P2A01", "bank 1 sensor 2")),
    *(("P2A02", "P2A02", "bank 1 sensor 3"), ("P2A03", "P2A03", "bank 2 sensor 1")),
    *(("P2A04", "P2A04", "bank 2 sensor 2"), ("P2A05", "P2A05", "bank 2 sensor 3")),
)
_SYSTEMS = {"P": "powertrain", "C": "chassis", "B": "body", "U": "network"}


def code_from_bytes(a: int, b: int) -> str:
    """The code of two bytes, each 0 to 255: `(0x01, 0x71)` → `P0171`.

    SAE J2012 / ISO 15031-6: the two top bits of `a` are the system (P, C, B, U), the next two the
    first digit, the other twelve the three last digits, in hex. `(0, 0)`, which gives `P0000`, is
    padding and means 'no code'.
    """
    return f"{'PCBU'[a >> 6 & 3]}{a >> 4 & 3:X}{a & 0xF:X}{b:02X}"


def is_manufacturer_code(code: str) -> bool:
    """Whether the code's meaning is the maker's own.

    SAE J2012 / ISO 15031-6, from memory: P1, P30 to P33, B1, B2, C1, C2, U1, U2; all others are
    the standard's or reserved by it. Raises `UsageError` when `code` is no trouble code.
    """
    code = _checked(code)
    if code[0] == "P":
        return code[1] == "1" or (code[1] == "3" and code[2] in "0123")
    return code[1] in "12"


def text_of(code: str) -> str:
    """One line that says what a code means.

    The texts of the standard's codes are those that python-OBD carries, with bank and sensor put
    back for mixture, sensor, catalyst and cam timing codes. Raises `UsageError` when
    `code` is no trouble code.
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
    place = next((place for first, last, place in _PLACES if first <= code <= last), "")
    return f"{text}, {place}" if place else text


def _checked(code: str) -> str:
    code = code.strip().upper()
    if not _CODE.fullmatch(code):
        raise UsageError(
            f"{code!r} is no trouble code; give a letter P, C, B or U, a digit 0 to 3 "
            "and three hex digits, as P0171."
        )
    return code


@functools.cache
def _texts() -> dict[str, str]:
    from obd.codes import DTC  # here because the import costs a quarter of a second

    # WORKAROUND: python-OBD 0.7.3 spells 'Response' as its class 'OBDResponse' in these texts.
    return {
        code: " ".join(text.replace("OBDResponse", "Response").split())
        for code, text in DTC.items()
    }
