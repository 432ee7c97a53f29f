"""Total fuel trim while the samples come in: a trace of its own, with a band of its own."""

from __future__ import annotations

from collections.abc import MutableMapping
from typing import TYPE_CHECKING

import numpy as np

from logbench.plot.pyramid import Pyramid
from logbench.words import tr

if TYPE_CHECKING:
    from logbench.plot.trace import Key, LiveTrace

COMPUTED = "computed"
"""The ECU of derived signals."""
TOTALS = {
    "TOTAL_TRIM1": ("SHRTFT1", "LONGFT1", tr("Total fuel trim, bank 1")),
    "TOTAL_TRIM2": ("SHRTFT2", "LONGFT2", tr("Total fuel trim, bank 2")),
}
_LONG_AGE_NS = 10_000_000_000
"""A long trim older than this is none."""


def add_totals(
    traces: MutableMapping[Key, LiveTrace], done: dict[Key, int]
) -> list[tuple[Key, str]]:
    """Extend the totals by what is new of their short trims; the sum is taken as the trade does.

    `done`: how many samples of each short trim are in its total, changed here. Returns keys and
    names of totals that are not among the traces yet: make them, and call again.
    """
    missing = []
    for signal, (short_name, long_name, name) in TOTALS.items():
        shorts = [t for t in traces.values() if t.signal == short_name]
        longs = [t for t in traces.values() if t.signal == long_name]
        if not shorts or not longs or not len(longs[0].pyramid):
            continue
        key = (signal, COMPUTED)
        if key not in traces:
            missing.append((key, name))
            continue
        _extend(traces[key].pyramid, shorts[0].pyramid, longs[0].pyramid, key, done)
    return missing


def _extend(total: Pyramid, short: Pyramid, long: Pyramid, key: Key, done: dict[Key, int]) -> None:
    first = done.get(key, 0)
    if first >= len(short):
        return
    t_ns, value = short.from_sample(first)
    long_t, long_value = long.between(int(t_ns[0]) - _LONG_AGE_NS, int(t_ns[-1]) + 1)
    done[key] = len(short)
    if not len(long_t):
        return
    place = np.searchsorted(long_t, t_ns, side="right") - 1
    known = place >= 0
    known[known] &= t_ns[known] - long_t[place[known]] <= _LONG_AGE_NS
    total.append(t_ns[known], value[known] + long_value[place[known]])
