"""From the data bytes of a PID to values: `raw * scale + offset` in float64."""

from __future__ import annotations

import functools
import math
from collections.abc import Mapping
from typing import NamedTuple

from logbench.errors import ReplyError
from logbench.signals.codes import code_from_bytes
from logbench.signals.table import Signal, table

SERVICE_01_REPLY = 0x41
_DTC_SIGNAL = "DTCFRZF"

Scaling = Mapping[str, float]
"""Maximum values from PID 0x4F and 0x50 by acronym, those that are not 0."""
_FULL_SCALES = {
    "lambda": ("LAMBDA_MAX", 65535),
    "o2_voltage": ("O2S_V_MAX", 65535),
    "o2_current": ("O2S_I_MAX", 32768),  # either side of zero
    "map": ("MAP_MAX", 255),
    "maf": ("MAF_MAX", 65535),
}
"""By `Signal.override`: the maximum that replaces the full scale, and in how many steps. From
memory: SAE J1979, PID 0x4F and 0x50."""


class _Field(NamedTuple):
    """What is needed to take one signal out of the PID's bytes read as one big-endian number."""

    acronym: str
    shift: int
    mask: int
    sign: int
    """The sign bit's weight for two's complement, 0 for unsigned."""
    scale: float
    offset: float
    not_used: int
    """-1 when every raw value is used."""
    must_set: int
    must_clear: int
    override: str


@functools.cache
def _fields(pid: int) -> tuple[int, tuple[_Field, ...]]:
    """Length and fields of a PID; length 0 when the table has no signals for it."""
    signals = table().of_pid(pid)
    if not signals:
        return 0, ()
    return signals[0].length, tuple(_field(signal) for signal in signals)


def _field(signal: Signal) -> _Field:
    top = 8 * signal.length

    def weight(bit: int | None) -> int:
        return 0 if bit is None else 1 << (top - 1 - bit)

    return _Field(
        acronym=signal.acronym,
        shift=top - signal.first_bit - signal.bits,
        mask=(1 << signal.bits) - 1,
        sign=1 << (signal.bits - 1) if signal.signed else 0,
        scale=signal.scale,
        offset=signal.offset,
        not_used=-1 if signal.not_used is None else signal.not_used,
        must_set=weight(signal.present_bit),
        must_clear=weight(signal.absent_bit),
        override=signal.override,
    )


def decode(pid: int, data: bytes, scaling: Scaling | None = None) -> dict[str, float]:
    """All signals of one reply: acronym to value in the table's unit.

    `data` are the data bytes of the PID alone (no service, no PID byte). Bytes beyond the table's
    length are ignored (banks 3 and 4 append theirs to the fuel trims). NaN: the ECU says 'not
    used', or does not support this part of the PID. Enumerations and flags give their raw value.

    Raises `ReplyError` when `data` is too short or no signal of the table has that PID.
    """
    length, fields = _fields(pid)
    if length == 0:
        raise ReplyError(f"The car sent PID 0x{pid:02X}, which is not in the table; leave it out.")
    if len(data) < length:
        raise ReplyError(
            f"The car sent {len(data)} data bytes for PID 0x{pid:02X} where {length} are due; "
            "ask again."
        )
    word = int.from_bytes(data[:length], "big")
    values: dict[str, float] = {}
    for acronym, shift, mask, sign, scale, offset, not_used, on, off, override in fields:
        raw = (word >> shift) & mask
        if raw == not_used or (on and not word & on) or (off and word & off):
            values[acronym] = math.nan
            continue
        if sign and raw & sign:
            raw -= sign << 1
        if override and scaling:
            maximum, steps = _FULL_SCALES[override]
            if maximum in scaling:
                scale = scaling[maximum] / steps  # noqa: PLW2901
                offset = -scaling[maximum] if override == "o2_current" else 0.0  # noqa: PLW2901
        values[acronym] = raw * scale + offset
    return values


def scaling_from(reply_4f: bytes | None, reply_50: bytes | None = None) -> Scaling:
    """Scaling from the data bytes of PID 0x4F and 0x50; None where the car supports it not.
    A maximum of 0 keeps the default.

    Raises `ReplyError` when the data are too short.
    """
    values: dict[str, float] = {}
    if reply_4f is not None:
        values |= decode(0x4F, reply_4f)
    if reply_50 is not None:
        values |= decode(0x50, reply_50)
    return {acronym: value for acronym, value in values.items() if value > 0.0}


def split(payload: bytes, lengths: Mapping[int, int] | None = None) -> list[tuple[int, bytes]]:
    """The PIDs of one reply of one ECU and their data bytes, in the order in which they came.

    `payload` begins with the service byte 0x41, as `vehicle.model.Reply.data` does. A car leaves
    out PIDs that it does not support and may answer in another order than asked. `lengths`: PID to
    number of data bytes; None means `table().lengths`.

    Raises `ReplyError` (and nothing else) for another service byte, an unknown PID, data that end
    too soon, or no PID at all.
    """
    if lengths is None:
        lengths = table().lengths
    if not payload or payload[0] != SERVICE_01_REPLY:
        raise ReplyError("The car's reply does not belong to service 01; ask again.")
    parts: list[tuple[int, bytes]] = []
    at, end = 1, len(payload)
    while at < end:
        pid = payload[at]
        length = lengths.get(pid)
        if length is None:
            raise ReplyError(
                f"The car's reply holds PID 0x{pid:02X}, whose length is unknown; "
                "ask for its PIDs one at a time."
            )
        after = at + 1 + length
        if after > end:
            raise ReplyError(f"The car's reply ends within PID 0x{pid:02X}; ask again.")
        parts.append((pid, payload[at + 1 : after]))
        at = after
    if not parts:
        raise ReplyError("The car's reply to service 01 is empty; ask again.")
    return parts


def supported_pids(base_pid: int, data: bytes) -> frozenset[int]:
    """PIDs that a reply to 0x00, 0x20, 0x40 … names as supported.

    The most significant bit of the first byte is `base_pid + 1`; the last bit says that the next
    'supported' PID can be asked. Works for the same maps of services 02, 05, 06, 08 and 09.

    Raises `ReplyError` when `data` has fewer than four bytes.
    """
    if len(data) < 4:
        raise ReplyError(
            f"The car sent {len(data)} data bytes for PID 0x{base_pid:02X} where 4 are due; "
            "ask again."
        )
    word = int.from_bytes(data[:4], "big")
    return frozenset(base_pid + 1 + i for i in range(32) if word >> (31 - i) & 1)


def label(signal: Signal, value: float) -> str:
    """What a value says in words.

    The standard's text for an enumeration or flag, the code for `DTCFRZF`; `reserved (17)` for a
    raw value without a meaning; `not reported` for NaN; for numbers the figure with its unit.
    """
    if math.isnan(value):
        return "not reported"
    if signal.kind == "number":
        return f"{value:.6g} {signal.unit}".strip()
    raw = round(value)
    text = dict(signal.labels).get(raw)
    if text is not None:
        return text
    if signal.acronym == _DTC_SIGNAL:
        return code_from_bytes(raw >> 8, raw & 0xFF)
    return f"reserved ({raw})"
