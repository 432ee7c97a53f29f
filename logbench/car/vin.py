"""Vehicle identification numbers: ISO 3779 characters and the check digit of 49 CFR 565."""

from __future__ import annotations

from dataclasses import dataclass

_LENGTH = 17
_DIGITS = "0123456789"
# 49 CFR 565.15, tables III and IV: values of the letters (I, O and Q are not used) and weights.
_VALUES = dict(zip(_DIGITS, range(10), strict=True)) | {
    letter: value
    for letters, values in (
        ("ABCDEFGH", range(1, 9)),
        ("JKLMN", range(1, 6)),
        ("P", (7,)),
        ("R", (9,)),
        ("STUVWXYZ", range(2, 10)),
    )
    for letter, value in zip(letters, values, strict=True)
}
_WEIGHTS = (8, 7, 6, 5, 4, 3, 2, 10, 0, 9, 8, 7, 6, 5, 4, 3, 2)
_CHECK_PLACE = 8


@dataclass(frozen=True, slots=True)
class VinCheck:
    """What can be said of a VIN by itself."""

    vin: str
    """Upper case, without blanks and NULs around it."""
    problem: str = ""
    """Why it cannot be a VIN (length, characters), as a sentence; empty when it can."""
    notice: str = ""
    """What is worth a second look but no error: a check digit that does not match. Only North
    America requires the digit; elsewhere it is often unused (common practice, no source)."""
    check_digit: str = ""
    """The digit that 49 CFR 565 asks for in position 9; empty when there is a `problem`."""

    @property
    def ok(self) -> bool:
        """Whether it can be a VIN; a notice does not matter."""
        return not self.problem


def check_vin(vin: str) -> VinCheck:
    """Check length and characters (ISO 3779) and the check digit (49 CFR 565).

    Never raises: what was read from a car or typed by a person is described, not refused.
    """
    vin = vin.strip(" \t\r\n\0").upper()
    if len(vin) != _LENGTH:
        return VinCheck(vin, problem=f"A VIN has {_LENGTH} characters, this has {len(vin)}.")
    wrong = "".join(dict.fromkeys(char for char in vin if char not in _VALUES))
    if wrong:
        return VinCheck(
            vin, problem=f"A VIN has digits and letters without I, O and Q, this has {wrong!r}."
        )
    digit = check_digit(vin)
    notice = ""
    if vin[_CHECK_PLACE] != digit:
        notice = (
            f"Position 9 is {vin[_CHECK_PLACE]}, the North American check digit would be {digit}: "
            "look again, or the maker does not use it."
        )
    return VinCheck(vin, notice=notice, check_digit=digit)


def check_digit(vin: str) -> str:
    """The check digit, `0` to `9` or `X`, of 17 legal characters; position 9 does not matter.

    49 CFR 565.15(c): sum of value times weight, modulo 11, 10 written as X.
    """
    total = sum(_VALUES[char] * weight for char, weight in zip(vin, _WEIGHTS, strict=True))
    return f"{_DIGITS}X"[total % 11]
