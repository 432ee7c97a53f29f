"""What the checks of oxygen sensors and catalyst share: narrow-band sensors and their switching."""

from __future__ import annotations

import numpy as np

from logbench.analysis.alignment import Mask, Values
from logbench.analysis.model import Condition, Span
from logbench.analysis.view import View
from logbench.recording.model import Trace

SWITCH_V = 0.45
RICH_V, LEAN_V = 0.6, 0.3
"""Switch point and its hysteresis. [CP]"""


def narrow(view: View, acronym: str) -> Trace | None:
    """The trace of a narrow-band sensor in volts; not the volts or milliamps of a wide-range one,
    which the table names as siblings of the same acronym."""
    trace = view.trace(acronym)
    return trace if trace is not None and trace.signal == acronym else None


def closed_spans(view: View, *conditions: Condition, where: Mask | bool = True) -> tuple[Span, ...]:
    """Warm, steady stretches in closed loop; `where` as well, on the grid."""
    found = view.conditions
    return view.steady_spans(*conditions, where=found.closed_loop & found.warm & where)


def switches(volts: Values) -> int:
    """How often a voltage goes from lean to rich, with hysteresis."""
    state = np.where(volts >= RICH_V, 1, np.where(volts <= LEAN_V, -1, 0))
    state = state[state != 0]
    return int(np.count_nonzero((state[1:] > 0) & (state[:-1] < 0)))
