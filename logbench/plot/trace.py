"""A trace prepared for drawing."""

from __future__ import annotations

from dataclasses import dataclass, field

from logbench.plot.pyramid import Pyramid

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
    plottable: bool = True
    """False for enumerations and flags: their values are words."""
    band: tuple[float | None, float | None] | None = None
    """Shaded as the range looked for; None is an open end."""

    @property
    def name(self) -> str:
        """What it is called on the screen."""
        return self.label or self.signal

    @property
    def key(self) -> tuple[str, str]:
        """Signal and ECU."""
        return self.signal, self.ecu


@dataclass(slots=True)
class LiveTrace(StripTrace):
    """The samples of one signal of one ECU so far; its band is what is looked for now."""

    pyramid: Pyramid = field(default_factory=Pyramid)
    title: str = ""
    """The signal's name in words."""
    kind: str = "number"
    """As in the table of signals."""

    def fresh(self, now_ns: int, age_ns: float) -> float | None:
        """The newest value; None where there is none, or it is older than `age_ns`."""
        found = self.pyramid.at(self.pyramid.end_ns)
        return None if found is None or now_ns - found[0] > age_ns else found[1]
