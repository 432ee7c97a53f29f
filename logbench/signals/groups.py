"""Signals that belong together: in one request, for one purpose, and when none are chosen."""

from __future__ import annotations

from collections.abc import Collection, Mapping
from types import MappingProxyType

from logbench.signals.table import table

TOGETHER: tuple[tuple[int, ...], ...] = (
    (0x10, 0x0C, 0x0B, 0x04, 0x43, 0x0D),  # MAF RPM MAP LOAD_PCT LOAD_ABS VSS
    (0x06, 0x07, 0x08, 0x09),  # both trims of each bank: their sum is what counts
    (0x44, 0x34, 0x24, 0x14, 0x03),  # commanded mixture, front sensor, loop status
    (0x49, 0x4A, 0x4C, 0x11, 0x47),  # pedal tracks and throttle tracks
    (0x05, 0x0F, 0x46),  # temperatures to be held against each other
)
"""PIDs that are worth sharing a request and so a time stamp, most important first in each group:
what is computed from samples seconds apart (air per revolution, a sum of trims) is scatter."""

PURPOSES: Mapping[str, tuple[str, ...]] = MappingProxyType(
    {
        "fuel trim": (
            *("RPM", "VSS", "ECT", "LOAD_PCT", "MAF", "MAP", "SHRTFT1", "LONGFT1", "SHRTFT2"),
            *("LONGFT2", "FUELSYS1", "FUELSYS2", "EVAP_PCT", "TP"),
        ),
        "air and load": (
            *("RPM", "MAF", "MAFA", "MAP", "LOAD_PCT", "LOAD_ABS", "BARO", "IAT", "TP", "TAC_PCT"),
            *("VSS", "SPARKADV"),
        ),
        "warm-up": ("ECT", "IAT", "AAT", "EOT", "RPM", "VSS", "MAF", "RUNTM", "FUELSYS1"),
        "oxygen sensors": (
            *("O2S11", "O2S12", "O2S21", "O2S22", "LAMBDA11", "LAMBDA21", "LAMBDA11_34"),
            *("LAMBDA21_38", "LAMBDA", "FUELSYS1", "RPM", "LOAD_PCT", "ECT", "SHRTFT1", "SHRTFT2"),
        ),
        "charging": ("VPWR", "RPM", "VSS", "LOAD_PCT", "ECT", "IAT"),
    }
)
"""What to record for a purpose, most important first; a car supports only some of each."""

# Each place takes the first acronym that the car supports: that is what several PIDs are for.
_DEFAULT: tuple[tuple[str, ...], ...] = (
    ("RPM",),
    ("VSS",),
    ("ECT", "ECT1"),
    ("IAT", "IAT11"),
    ("MAF", "MAFA"),
    ("MAP", "MAP_A"),
    ("LOAD_PCT",),
    ("SHRTFT1",),
    ("LONGFT1",),
    ("SHRTFT2",),
    ("LONGFT2",),
    ("FUELSYS1",),
    ("TP", "TP_R"),
    ("SPARKADV",),
    ("VPWR",),
    ("LAMBDA11_34", "LAMBDA11", "O2S11"),
    ("LAMBDA",),
    ("BARO",),
)


def supported_signals(
    acronyms: Collection[str], supported: Collection[int]
) -> tuple[tuple[str, ...], tuple[str, ...]]:
    """The acronyms whose PID a car supports, and those whose it does not; order kept.

    Raises `SignalUnknownError` for an acronym that is not in the table.
    """
    known = table()
    have = tuple(a for a in acronyms if known.by_acronym(a).pid in supported)
    return have, tuple(a for a in acronyms if a not in have)


def default_signals(supported: Collection[int]) -> tuple[str, ...]:
    """What to record when nobody has chosen: enough for all checks of a petrol engine.

    `supported`: Service 01 PIDs of the engine ECU. Returns about a dozen acronyms (at most 18), in
    order of importance; empty when the car supports none of them.
    """
    known = table()
    chosen: list[str] = []
    for choices in _DEFAULT:
        have = next((a for a in choices if known.by_acronym(a).pid in supported), None)
        if have is not None:
            chosen.append(have)
    return tuple(chosen)
