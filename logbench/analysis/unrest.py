"""What of the engine speed changes from one reading to the next at idle: cycles that do not burn,
and cylinders that work unevenly."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from logbench.analysis import alignment
from logbench.analysis.model import Span
from logbench.analysis.states import find_states
from logbench.analysis.statistics import NORMAL_95
from logbench.analysis.view import View

SLOWEST_S = 0.26
LEAST_S, LEAST_READINGS = 15.0, 60
FALLS = 1.6
"""Scatter of the speed as a whole over that from reading to reading: an even crankshaft whose
cylinders differ stays near 1. [CP]"""
ROUGH_RPM = 7.0
"""A good idle moves by less from cycle to cycle. [CP]"""


@dataclass(frozen=True, slots=True)
class Unrest:
    """Of settled warm idle, rpm: what changes from reading to reading, its 95 % half width, and the
    scatter as a whole, both standard deviations."""

    rpm: float
    half: float
    whole_rpm: float
    spans: tuple[Span, ...]

    @property
    def rough(self) -> bool:
        """Surely more than a good idle shows."""
        return self.rpm - self.half > ROUGH_RPM

    @property
    def falls(self) -> bool:
        """The speed falls and recovers, as where cycles are missed."""
        return self.whole_rpm > FALLS * self.rpm


def find_unrest(view: View) -> Unrest | None:
    """None of too little, or too slow, an idle."""
    rpm = view.trace("RPM")
    if rpm is None or rpm.interval_s > SLOWEST_S:
        return None
    spans = view.once(find_states).plateaus
    return unrest_of(view, spans) if alignment.total_s(spans) >= LEAST_S else None


def unrest_of(view: View, spans: tuple[Span, ...]) -> Unrest | None:
    """That of some stretches of idle; None of too few readings."""
    found = view.samples(spans, "RPM")
    pieces = [found.value[found.group == k] for k in np.unique(found.group)]
    second = [np.diff(piece, 2) for piece in pieces if len(piece) > 2]
    n = sum(map(len, second))
    if n < LEAST_READINGS:
        return None
    quick = float(np.sqrt(np.mean(np.concatenate(second) ** 2) / 6.0))
    whole = float(np.sqrt(np.mean(np.concatenate([p - p.mean() for p in pieces]) ** 2)))
    return Unrest(quick, NORMAL_95 * quick / n**0.5, whole, spans)
