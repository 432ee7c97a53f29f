"""Words in cells that stand for the raw values of enumerations and flags."""

from __future__ import annotations

import functools
from collections.abc import Mapping
from types import MappingProxyType

from logbench.signals.table import table

_LOOP = {"ol": 1.0, "open loop": 1.0, "cl": 2.0, "closed loop": 2.0, "ol-drive": 4.0,
         "ol-fault": 8.0, "cl-fault": 16.0}  # fmt: skip
"""Short forms of the fuel system status. SAE J1979 PID 03, from memory."""


@functools.cache
def labels_of(acronym: str) -> Mapping[str, float]:
    """Text (lower case) to raw value; empty for numbers and unknown signals."""
    if acronym not in table():
        return MappingProxyType({})
    signal = table().by_acronym(acronym)
    words = {text.lower(): float(raw) for raw, text in signal.labels}
    if acronym.startswith("FUELSYS"):
        words |= _LOOP
    return MappingProxyType(words)
