"""Signals that belong together: in one request, for one purpose, and when none are chosen."""

from __future__ import annotations

import tomllib
from collections.abc import Collection, Mapping
from pathlib import Path
from types import MappingProxyType

from logbench.signals.table import table

_DATA = tomllib.loads(Path(__file__).with_name("groups.toml").read_text("utf-8"))
TOGETHER: tuple[tuple[int, ...], ...] = tuple(map(tuple, _DATA["together"]))
"""PIDs that are worth sharing a request and so a time stamp, most important first in each group."""
PURPOSES: Mapping[str, tuple[str, ...]] = MappingProxyType(
    {purpose: tuple(acronyms) for purpose, acronyms in _DATA["purposes"].items()}
)
"""What to record for a purpose, most important first; a car supports only some of each."""


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
    for choices in _DATA["default"]:
        have = next((a for a in choices if known.by_acronym(a).pid in supported), None)
        if have is not None:
            chosen.append(have)
    return tuple(chosen)
