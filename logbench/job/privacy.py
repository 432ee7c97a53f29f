"""Shortened names and numbers, for what is handed on: VIN and names are personal data."""

from __future__ import annotations

SERIAL = 6
"""The last six characters of a VIN are the serial number that makes it one single car."""
_MASK = "·"


def short_vin(vin: str) -> str:
    """The VIN with its serial number masked: make, model and year stay, the single car does not."""
    return vin[:-SERIAL] + _MASK * SERIAL if len(vin) > SERIAL else _MASK * len(vin)


def short_name(name: str) -> str:
    """Initials: `Ada Byron` becomes `A. B.`"""
    return " ".join(f"{word[0].upper()}." for word in name.split())


def short_plate(text: str) -> str:
    """All but the first two characters masked."""
    return text[:2] + _MASK * max(0, len(text) - 2)


def without(text: str, *secrets: str) -> str:
    """`text` with every one of `secrets` (of four characters or more) masked, whatever its case."""
    for secret in secrets:
        if len(secret) < 4:
            continue
        at = text.casefold().find(secret.casefold())
        while at >= 0:
            text = text[:at] + _MASK * len(secret) + text[at + len(secret) :]
            at = text.casefold().find(secret.casefold(), at + len(secret))
    return text
