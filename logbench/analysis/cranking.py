"""Starts of the engine: which are restarts, and what the starter makes of the voltage."""

from __future__ import annotations

import numpy as np
from numpy.lib.stride_tricks import sliding_window_view

from logbench.analysis.alignment import NS
from logbench.analysis.engine_clues import STOP_S
from logbench.analysis.model import Span
from logbench.analysis.starts import SAGGED_V
from logbench.analysis.view import Samples, View

LEVEL_S, LEVEL_READINGS = 0.2, 3
"""The rush of current of a starter that begins to turn lasts about a tenth of a second [CP]: the
median of a stretch of twice that is a level that it was held at."""


def restarts(view: View) -> tuple[Span, ...]:
    """Starts of an engine that ran before and stood for seconds to minutes, as a stop-start system
    makes them; a span as in `Standing.starts`."""
    standing = view.conditions.standing
    ran_ns = standing.ran_ns
    stops = [s for s in standing.still if ran_ns is not None and s.start_ns > ran_ns]
    ends = {s.end_ns for s in stops if STOP_S[0] <= s.duration_s <= STOP_S[1]}
    return tuple(s for s in standing.starts if s.start_ns in ends)


def first_starts(view: View) -> tuple[Span, ...]:
    """All other starts."""
    again = restarts(view)
    return tuple(s for s in view.conditions.standing.starts if s not in again)


def rested_v(view: View) -> float:
    """The voltage before the start; a middling one where it was not read."""
    rest = view.samples(view.conditions.standing.key_on, "VPWR").value
    return float(np.median(rest)) if len(rest) else 12.4


def dip_of(view: View, start: Span) -> Samples:
    """The readings of a start that the starter draws down."""
    found = view.samples((start,), "VPWR")
    low = found.value < rested_v(view) - SAGGED_V
    return Samples(found.t_ns[low], found.value[low], found.group[low])


def level_of(dip: Samples) -> float:
    """The lowest level of a dip that lasted; NaN where there are too few readings for one."""
    if len(dip) < LEVEL_READINGS:
        return float("nan")
    step_s = float(dip.t_ns[-1] - dip.t_ns[0]) / NS / (len(dip) - 1)
    size = max(LEVEL_READINGS, round(LEVEL_S / max(step_s, 1e-3)) + 1)
    if len(dip) < size:
        return float("nan")
    return float(np.median(sliding_window_view(dip.value, size), axis=1).min())
