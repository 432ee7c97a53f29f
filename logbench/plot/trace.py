"""A trace prepared for drawing."""

from __future__ import annotations

import math
from collections.abc import Iterable
from dataclasses import dataclass, field

from logbench.plot.pyramid import Pyramid
from logbench.signals.catalog import group_of, rank_of
from logbench.signals.units import METRIC, Units
from logbench.signals.values import Clock, Shown, judged

Key = tuple[str, str]
"""Signal and ECU."""
SECOND = 1_000_000_000
"""Nanoseconds."""


@dataclass(slots=True)
class StripTrace:
    """A trace as a strip shows it."""

    signal: str
    ecu: str
    unit: str
    pyramid: Pyramid
    label: str = ""
    group: str = ""
    """Traces of one group may share a strip; empty: all of the same unit."""
    kind: str = "number"
    """As in the table of signals; the values of enumerations and flags are words."""
    decimals: int | None = None
    """In the unit as recorded; None: as many as a value's size deserves."""
    band: tuple[float | None, float | None] | None = None
    """Shaded as the range looked for; None is an open end."""
    title: str = ""
    """The signal's name in words."""
    slot: int = 0
    """Its color, as `Entry.slot`."""
    held: float = 1.0
    """Rows of another program's table in which one reading stands."""

    @property
    def name(self) -> str:
        """What it is called on the screen."""
        return self.label or self.signal

    @property
    def key(self) -> tuple[str, str]:
        """Signal and ECU."""
        return self.signal, self.ecu

    @property
    def plottable(self) -> bool:
        """Its values are numbers."""
        return self.kind == "number"

    @property
    def words(self) -> dict[int, str]:
        """What the values of an enumeration or flag mean; empty for a number."""
        if self.plottable:
            return {}
        from logbench.signals.table import table

        return dict(table().by_acronym(self.signal).labels)

    def shown(self, at: int | Clock) -> Shown:
        """Its value at a time (ns), or now by the clock of a drive under way."""
        t_ns, pyramid = at if isinstance(at, int) else self.pyramid.end_ns, self.pyramid
        return judged(*pyramid.around(t_ns), at, (pyramid.interval_ns, pyramid.gap_ns(1)))

    def shown_text(self, at: int | Clock, units: Units = METRIC, *, aged: bool = True) -> str:
        """That value, and what it is where it is not a valid one."""
        return self.shown(at).text(lambda value: self.text(value, units), aged=aged)

    def text(self, value: float, units: Units = METRIC) -> str:
        """A value with its unit, or an enumeration's words."""
        if self.plottable or math.isnan(value):
            return units.text(value, self.unit, decimals=self.decimals)
        from logbench.signals.decoding import label
        from logbench.signals.table import table

        return label(table().by_acronym(self.signal), value)


@dataclass(slots=True)
class LiveTrace(StripTrace):
    """The samples of one signal of one ECU so far; its band is what is looked for now."""

    pyramid: Pyramid = field(default_factory=Pyramid)


def first_shown(signals: Iterable[tuple[str, str]], most_groups: int) -> frozenset[str]:
    """Of (acronym, unit) pairs, the acronyms whose groups come first: enough for one screen."""
    groups: dict[str, list[str]] = {}
    for signal, unit in signals:
        groups.setdefault(group_of(signal, unit), []).append(signal)
    chosen = sorted(groups, key=rank_of)[:most_groups]
    return frozenset(signal for group in chosen for signal in groups[group])
