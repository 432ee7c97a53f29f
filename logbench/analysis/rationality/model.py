"""What is odd about a signal, and which of its readings are left out for it."""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum

import numpy as np

from logbench.analysis.alignment import NS, Mask
from logbench.analysis.model import Span, Verdict
from logbench.analysis.statement import said
from logbench.recording.model import Trace
from logbench.signals.numbers import time_text


class Kind(StrEnum):
    """What is odd."""

    FROZEN = "stands still"
    DROPS_OUT = "drops out"
    OPEN = "at the low end of its range"
    SHORTED = "at the high end of its range"
    STANDS = "is zero while the others move"


@dataclass(frozen=True, slots=True)
class Oddity:
    """One odd thing about the readings of one trace.

    `clause`: what it is, beginning with 'it'. `left_out`: bool, shape of the trace, the readings
    that no check goes by. `verdict`: `within` for what is named, but is not a fault of the car (a
    signal that the logger never had).
    """

    signal: str
    ecu: str
    clause: str
    left_out: Mask
    verdict: Verdict
    kind: Kind
    evidence: tuple[Span, ...]


def when(trace: Trace, first: int, last: int) -> str:
    """`from 5:12 on`, `from 5:12 to 7:40`, `throughout`, of the readings `first` to `last`."""
    if first == 0 and last == len(trace) - 1:
        return "throughout"
    begin = time_text(float(trace.t_ns[first]) / NS)
    if last == len(trace) - 1:
        return said("from {begin} on", begin=begin)
    return said("from {begin} to {end}", begin=begin, end=time_text(float(trace.t_ns[last]) / NS))


def span_of(trace: Trace, first: int, last: int) -> Span:
    """The time of the readings `first` to `last`."""
    return Span(int(trace.t_ns[first]), int(trace.t_ns[last]) + 1)


def marked(trace: Trace, first: int, last: int) -> Mask:
    """True for the readings `first` to `last`."""
    index = np.arange(len(trace))
    return (index >= first) & (index <= last)
